"""The one exception tree. A message says what was wrong, with the value, where, and what to do."""

from __future__ import annotations

from collections.abc import Sequence


class PhrasewrightError(Exception):
    """Anything a user can cause. The command line prints it as one line and exits 1."""


class InputError(PhrasewrightError):
    """A file that comes in cannot be used."""


class OutputError(PhrasewrightError):
    """A file cannot be written."""


class UsageError(PhrasewrightError):
    """Options that do not fit each other or the cue. The command line exits 2."""


class WorkerError(PhrasewrightError):
    """A process or machine that was to work on cues is not there, or was lost."""


class StoreError(PhrasewrightError):
    """The personal store cannot be read or written, or holds something it should not."""


class DamagedStoreError(StoreError):
    """The file of the store is no sound database."""


class StyleMovedError(StoreError):
    """Another process learned the same style meanwhile: learn again from what the log holds now."""


MOST_TOLD = 100


def all_told(faults: Sequence[str]) -> str:
    """All faults of a file in one line; beyond a hundred, how many more there are."""
    more = [f"and {len(faults) - MOST_TOLD} more like these"] if len(faults) > MOST_TOLD else []
    return "; ".join([*faults[:MOST_TOLD], *more])
