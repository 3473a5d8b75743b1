"""Hands kept apart for judging: loaded from a folder outside the package, and a log of each look at those for the end.

The folder (`tests/hands`) is a Python package with two mappings from names to hands: VALIDATION, to choose by, and
TEST, to be looked at once. Each run on the latter appends a line to `runs.csv` there.
"""

from __future__ import annotations

import csv
import importlib
import json
import subprocess
import sys
from collections.abc import Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import Protocol, cast

import numpy as np
from numpy.typing import NDArray

from phrasewright.data.errors import InputError
from phrasewright.model.hearing import CueHearing

KINDS = ("validation", "test", "colours")
LOG = "runs.csv"


class Hand(Protocol):
    """A person: dynamics, expression and vibrato over a part, (n_frames, 3) on the 10 ms grid, steps.

    `seed` moves the unsteadiness of the arm, `noise=False` takes it away.
    """

    def __call__(
        self, hearing: CueHearing, index: int, *, seed: int = 0, noise: bool = True
    ) -> NDArray[np.float64]: ...


def hands_at(folder: Path, kind: str) -> Mapping[str, Hand]:
    """The hands of a folder, of one of KINDS.

    Raises
    ------
    InputError
        The folder is no such package.
    """
    if not (folder / "__init__.py").exists():
        raise InputError(f"{folder}: no package of hands; name the folder tests/hands of a checkout")
    parent = str(folder.resolve().parent)
    if parent not in sys.path:
        sys.path.insert(0, parent)
    return cast(Mapping[str, Hand], getattr(importlib.import_module(folder.name), kind.upper()))


def log_run(folder: Path, *, command: str, figures: Mapping[str, object]) -> None:
    """Append a line to the log of the folder: commit (+ where files differ), UTC date, command, figures."""
    asking = ["git", "describe", "--always", "--exclude=*", "--dirty=+"]
    asked = subprocess.run(asking, cwd=folder, capture_output=True, text=True, check=False)
    commit = asked.stdout.strip() or "unknown"
    date = datetime.now(UTC).isoformat(timespec="seconds")
    with (folder / LOG).open("a", newline="", encoding="utf-8") as file:
        csv.writer(file, lineterminator="\n").writerow([commit, date, command, json.dumps(figures, sort_keys=True)])
