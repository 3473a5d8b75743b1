"""What appears on the terminal: results, messages, and progress while the user waits."""

from __future__ import annotations

import json
import os
import signal
import sys
import threading
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager, suppress
from typing import Any

from phrasewright.data.errors import OutputError
from phrasewright.data.printing import one_line, several_lines


def say(text: str) -> None:
    """Print lines that may hold names from strangers, without what a terminal would obey or cannot show.

    Raises
    ------
    OutputError
        They are sent to a file for which there is no room.
    """
    with printed():
        _write(several_lines(text), sys.stdout)


@contextmanager
def printed() -> Iterator[None]:
    """Tell where standard output, on which something is printed meanwhile, cannot be written. Raises OutputError."""
    try:
        yield
    except BrokenPipeError:  # whoever reads has seen enough
        raise
    except OSError as fault:
        with suppress(OSError, ValueError):  # what could not be written is not tried again at the end
            os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        raise OutputError(f"standard output: cannot be written ({fault.strerror}); send it elsewhere") from fault


def open_standard_files() -> None:
    """Where the caller closed standard input, output or error, nothing is read or shown; no other file may get their
    numbers, or what a library prints would go into it.
    """
    for number in range(3):
        try:
            os.fstat(number)
        except OSError:
            os.open(os.devnull, os.O_RDWR)  # takes the lowest number that is free: this one


def complain(message: object) -> None:
    """Print what went wrong as one line on standard error."""
    _write(one_line(f"phrasewright: {message}"), sys.stderr)


def tell(result: Any, text: Callable[[Any], str], *, as_json: bool) -> None:
    """Print a result for people, or as one JSON object in ASCII, which any terminal, pipe or file can hold."""
    say(json.dumps(result, allow_nan=False) if as_json else text(result))


@contextmanager
def ended_tidily() -> Iterator[None]:
    """While this lasts, being asked to end (SIGTERM), or losing the terminal (SIGHUP), clears away what is half
    written, as Control-C does, and ends this process with 128 and the signal's number. What is ignored stays so.

    Whatever comes of the request counts as it: a library that is being loaded may make another fault of it.
    """
    asked: list[BaseException] = []

    def end(number: int, _: object) -> None:
        asked.append(KeyboardInterrupt() if number == signal.SIGINT else SystemExit(128 + number))
        raise asked[-1]

    usual = {"SIGINT": signal.default_int_handler, "SIGTERM": signal.SIG_DFL, "SIGHUP": signal.SIG_DFL}
    before: dict[int, Any] = {}
    if threading.current_thread() is threading.main_thread():  # no other may say what is done
        numbers = {getattr(signal, name): handler for name, handler in usual.items() if hasattr(signal, name)}
        before = {n: signal.signal(n, end) for n, handler in numbers.items() if signal.getsignal(n) == handler}
    try:
        yield
    except BaseException:
        if not asked:
            raise
        raise asked[0] from None
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def _write(text: str, stream: Any) -> None:
    if stream is None:  # closed by the caller: nobody wants to know
        return
    encoding = getattr(stream, "encoding", None) or "utf-8"
    stream.write(text.encode(encoding, "backslashreplace").decode(encoding) + "\n")
    stream.flush()


@contextmanager
def progress(title: str, total: int) -> Iterator[Callable[..., object]]:
    """A progress bar on standard error, only on a terminal, gone when done. Calls of the value step it by one, or by as
    much as they say.

    It is drawn at each step and not by a thread, since a process with threads is not well forked (`parts_at_once.py`).
    """
    if sys.stderr is None or not sys.stderr.isatty():
        yield lambda by=1.0: None
        return
    from rich.console import Console
    from rich.progress import Progress

    with Progress(console=Console(stderr=True), transient=True, auto_refresh=False) as bar:
        task = bar.add_task(title, total=total)
        bar.refresh()

        def step(by: float = 1.0) -> None:
            bar.advance(task, by)
            bar.refresh()

        yield step


@contextmanager
def training_progress() -> Iterator[Callable[[Mapping[str, Any]], None]]:
    """A line on standard error, only on a terminal: what is being done, how far, the loss, the time left."""
    if sys.stderr is None or not sys.stderr.isatty():
        yield lambda _: None
        return
    from rich.console import Console

    console = Console(stderr=True)
    with console.status("Reading scores") as status:

        def told(found: Mapping[str, Any]) -> None:
            if "building" in found:
                status.update(f"Building examples, group {found['building']} of {found['of']}")
            elif "left_s" in found:
                left = f"{found['left_s'] // 60} min {found['left_s'] % 60:02d} s left"
                status.update(f"Step {found['step']} of {found['of']}, loss {found['loss']:.3f}, {left}")
            elif "stage" in found:
                figures = ", ".join(f"{k} {v}" for k, v in found.items() if k not in ("stage", "step", "seconds"))
                console.print(f"{found['stage']} after step {found['step']}: {figures}", highlight=False)

        yield told
