"""Files that appear whole or not at all, and the names they get."""

from __future__ import annotations

import os
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path

from phrasewright.data.errors import OutputError, UsageError
from phrasewright.data.files import unwritable, write_beside

MIDI_SUFFIXES = (".mid", ".midi")


def output_paths(inputs: Sequence[Path], target: str | Path) -> list[Path]:
    """Where each input's result goes, in the order of the inputs.

    A target that ends in .mid or .midi is a file and takes one input; any other is a folder in which each result
    keeps its input's name.

    Raises
    ------
    UsageError
        Several inputs for one file, or two inputs whose results would have one name.
    """
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
    if os.path.lexists(path) and not force:
        raise OutputError(f"{path}: is already there; choose another name, or add --force to replace it")


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
