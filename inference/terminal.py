"""What appears on the terminal: results, messages, and progress while the user waits."""

from __future__ import annotations

import json
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

from phrasewright.data.printing import one_line, several_lines


def say(text: str) -> None:
    """Print lines that may hold names from strangers, without what a terminal would obey or cannot show."""
    _write(several_lines(text), sys.stdout)


def complain(message: object) -> None:
    """Print what went wrong as one line on standard error."""
    _write(one_line(f"phrasewright: {message}"), sys.stderr)


def tell(result: Any, text: Callable[[Any], str], *, as_json: bool) -> None:
    """Print a result for people, or as one JSON object in ASCII, which any terminal, pipe or file can hold."""
    say(json.dumps(result, allow_nan=False) if as_json else text(result))


def _write(text: str, stream: Any) -> None:
    encoding = getattr(stream, "encoding", None) or "utf-8"
    stream.write(text.encode(encoding, "backslashreplace").decode(encoding) + "\n")
    stream.flush()


@contextmanager
def progress(title: str, total: int) -> Iterator[Callable[[], object]]:
    """A progress bar on standard error, only on a terminal, gone when done. Calls of the value step it by one."""
    if not sys.stderr.isatty():
        yield lambda: None
        return
    from rich.console import Console
    from rich.progress import Progress

    with Progress(console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task(title, total=total)
        yield lambda: bar.advance(task)
