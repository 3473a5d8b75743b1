"""Files that users name: read whole, or refused in one line before memory is taken; written whole or not at all, never
over something unasked, under the names they get.
"""

from __future__ import annotations

import os
import stat
import tempfile
import time
from collections.abc import Mapping, Sequence
from contextlib import suppress
from pathlib import Path

from phrasewright.data.errors import InputError, OutputError, UsageError

STALE_S = 3600.0
MIDI_SUFFIXES = (".mid", ".midi")


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
    """Raise InputError for what `read_file` would refuse, without reading: for libraries that read paths themselves."""
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


def output_paths(inputs: Sequence[Path], target: str | Path) -> list[Path]:
    """Where each input's result goes, in the order of the inputs.

    A target that ends in .mid or .midi is a file and takes one input; any other is a folder in which each result
    keeps its input's name.

    Raises
    ------
    UsageError
        No target, several inputs for one file, or two inputs whose results would have one name.
    """
    if not str(target):  # as an unset variable leaves it: not the folder one stands in
        raise UsageError("-o is empty; name a file or a folder")
    path = Path(target)
    if path.suffix.lower() in MIDI_SUFFIXES and not _is_folder(path):
        if len(inputs) > 1:
            raise UsageError(f"{path} is one file, but there are {len(inputs)} cues; name a folder instead")
        return [path]
    taken: dict[str, Path] = {}
    for source in inputs:
        other = taken.setdefault(source.name.casefold(), source)  # some file systems do not tell A from a
        if other is not source:
            out = path / source.name
            raise UsageError(f"{other} and {source} would both become {out}; shape them into two folders")
    return [path / source.name for source in inputs]


def check_output(path: Path, *, inputs: Sequence[Path], force: bool) -> None:
    """Refuse an output that would replace an input, or that is already there without `force`. Raises OutputError."""
    for source in inputs:
        with suppress(OSError):
            if path.exists() and source.exists() and os.path.samefile(path, source):
                raise OutputError(f"{path}: is the input itself, which is never changed; choose another name or folder")
    if _is_folder(path):
        raise OutputError(f"{path}: is a folder; choose another name for the file")
    with suppress(OSError, ValueError):  # ValueError: a name that no system takes
        kind = path.lstat().st_mode
        if not (stat.S_ISREG(kind) or stat.S_ISLNK(kind)):
            raise OutputError(f"{path}: is a pipe or a device, which is never replaced; choose another name")
    if os.path.lexists(path) and not force:
        raise OutputError(f"{path}: is already there; choose another name, or add --force to replace it")


def check_apart(outputs: Sequence[Path]) -> None:
    """Refuse two outputs of one command in one place: the second would replace the first. Raises UsageError."""
    seen: dict[str, Path] = {}
    for path in outputs:
        if seen.setdefault(os.path.realpath(path), path) is not path:
            raise UsageError(f"{path} is named for two outputs; choose another name for one of them")


def check_folder(folder: Path) -> None:
    """Refuse a folder that cannot be made or written to, before anything is computed for it. Raises OutputError."""
    there = next((place for place in (folder, *folder.absolute().parents) if os.path.exists(place)), Path("/"))
    if not there.is_dir():
        raise OutputError(f"{there}: is a file, not a folder; choose another place")
    if not os.access(there, os.W_OK | os.X_OK):
        raise OutputError(f"{there}: cannot be written to; choose another place, or change its permissions")


def _is_folder(path: Path) -> bool:
    """Whether a folder is there. Raises OutputError where that cannot be told: too long a name, a folder kept shut."""
    try:
        return path.is_dir()
    except (OSError, ValueError) as fault:
        reason = getattr(fault, "strerror", None) or str(fault)
        raise OutputError(f"{path}: cannot be written ({reason}); choose another name or folder") from fault


def write_whole(path: Path, content: bytes, *, force: bool = False, inputs: Sequence[Path] = ()) -> None:
    """Write a file beside its place, then move it there; the folder is made if absent.

    Parameters
    ----------
    force : bool
        Replace a file that is already there.
    inputs : sequence of Path
        Files that must not be written over, even with `force`.

    Raises
    ------
    OutputError
        The file is there already, is an input, or cannot be written.
    """
    check_output(path, inputs=inputs, force=force)
    temporary = write_beside(path, content)
    try:
        if force:
            os.replace(temporary, path)
        else:
            _move_if_absent(temporary, path)
    except OSError as fault:
        raise unwritable(path, fault) from fault
    finally:
        with suppress(OSError):
            temporary.unlink(missing_ok=True)


def _move_if_absent(temporary: Path, path: Path) -> None:
    """Move, but never over a file that appeared in the meantime."""
    try:
        os.link(temporary, path)
    except FileExistsError as fault:
        raise OutputError(f"{path}: is already there; choose another name, or add --force to replace it") from fault
    except OSError:
        os.replace(temporary, path)  # a file system without hard links
