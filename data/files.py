"""Files that users name: read whole, or refused in one line before memory is taken; and files that appear whole."""

from __future__ import annotations

import os
import stat
import tempfile
import time
from collections.abc import Mapping
from contextlib import suppress
from pathlib import Path

from phrasewright.data.errors import InputError, OutputError

STALE_S = 3600.0


def read_file(path: Path, *, most_bytes: int, what: str) -> bytes:
    """The bytes of a file.

    Parameters
    ----------
    most_bytes : int
        More than that is refused; no more is ever read.
    what : str
        What the file should be, for messages: "cue", "plan".

    Raises
    ------
    InputError
        It cannot be read, is too large, or is no file but a folder, pipe or device, which might never end.
    """
    check_file(path, most_bytes=most_bytes, what=what)
    try:
        with path.open("rb") as file:
            content = file.read(most_bytes + 1)
    except OSError as fault:
        raise _unreadable(path, fault) from fault
    if len(content) > most_bytes:
        raise _too_large(path, len(content), what)
    return content


def check_file(path: Path, *, most_bytes: int, what: str) -> None:
    """Refuse what `read_file` would refuse, without reading; for libraries that read a path themselves."""
    try:
        found = path.stat()
    except (OSError, ValueError) as fault:  # ValueError: a name that no system takes
        raise _unreadable(path, fault) from fault
    if not stat.S_ISREG(found.st_mode):
        kind = "a folder" if stat.S_ISDIR(found.st_mode) else "a pipe or a device"
        raise InputError(f"{path}: cannot be read (it is {kind}); name the file of the {what}")
    if found.st_size > most_bytes:
        raise _too_large(path, found.st_size, what)


def write_beside(path: Path, content: bytes) -> Path:
    """Write a file beside its place, on the disk when this returns, under a name that only `clear_leftovers` knows.

    The folder is made if absent; what killed processes left of this file long ago goes. Raises OutputError.
    """
    temporary: Path | None = None
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        prefix = f".{path.name[:40]}."
        clear_leftovers(path.parent, prefix=prefix)
        descriptor, name = tempfile.mkstemp(prefix=prefix, suffix=".part", dir=path.parent)
        temporary = Path(name)
        with os.fdopen(descriptor, "wb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        os.chmod(temporary, 0o666 & ~_umask())
    except BaseException as fault:
        if temporary is not None:
            temporary.unlink(missing_ok=True)
        if isinstance(fault, OSError | ValueError):  # ValueError: a name that no system takes
            raise unwritable(path, fault) from fault
        raise
    return temporary


def write_together(files: Mapping[Path, bytes]) -> None:
    """Write files that belong together, over those that are there: where the last of them stands, all stand.

    All are on the disk beside their places before any is moved, and an older last one goes before that.

    Raises
    ------
    OutputError
        One cannot be written; then none was replaced.
    """
    beside: dict[Path, Path] = {}
    *_, last = files
    try:
        for path, content in files.items():
            beside[path] = write_beside(path, content)
        if len(files) > 1:
            last.unlink(missing_ok=True)
        for path in files:
            os.replace(beside[path], path)
    except OSError as fault:
        raise unwritable(last, fault) from fault
    finally:
        for temporary in beside.values():
            with suppress(OSError):
                temporary.unlink(missing_ok=True)


def unwritable(path: Path, fault: Exception) -> OutputError:
    """What to tell where a file or a folder cannot be written."""
    reason = getattr(fault, "strerror", None) or str(fault)
    return OutputError(f"{path}: cannot be written ({reason}); check folder, permissions and space")


def clear_leftovers(folder: Path, *, prefix: str) -> None:
    """Remove what killed processes left half written here, an hour ago or more: files called `prefix`....part."""
    with suppress(OSError), os.scandir(folder) as entries:
        for entry in entries:
            ours = entry.name.startswith(prefix) and entry.name.endswith(".part")
            if ours and time.time() - entry.stat().st_mtime > STALE_S:
                os.unlink(entry.path)


def _unreadable(path: Path, fault: Exception) -> InputError:
    reason = getattr(fault, "strerror", None) or str(fault)
    return InputError(f"{path}: cannot be read ({reason}); check the name and the permissions")


def _too_large(path: Path, n_bytes: int, what: str) -> InputError:
    return InputError(f"{path}: {n_bytes} bytes is more than any {what} needs; is it the right file?")


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask
