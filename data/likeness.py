"""How alike two lines or two cues are by their notes, whatever was nudged, renamed, cut or moved by octaves.

A line is told by its short runs of pitch classes: six attacks in a row, of each attack its highest note. Runs do
not change with tempo, rhythm, velocity or octave. Two cues are compared by sketches: the smallest hashes of their runs
(min-wise sampling; Broder 1997), which estimate the share of runs they have in common.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from phrasewright.data.notes import Notes

RUN = 6
"""Attacks in a run: long enough that a run names a place in a cue, short enough to survive edits (no source)."""
TOGETHER_S = 0.04
"""Notes that start within this of the one before belong to one attack: a chord may be nudged apart (no source)."""
SKETCH_SIZE = 256

Ints = NDArray[np.int64]


def attack_tops(notes: Notes) -> Ints:
    """Index of the highest note of each attack, in order."""
    if notes.n_notes == 0:
        return np.zeros(0, dtype=np.int64)
    attack = np.cumsum(np.r_[True, np.diff(notes.onset_s) > TOGETHER_S]) - 1
    order = np.lexsort((-notes.pitch, attack))
    return np.asarray(order[np.r_[True, np.diff(attack[order]) > 0]])


def runs(tokens: Ints, *, length: int = RUN) -> Ints:
    """A number for each run of `length` tokens (0..11), shape (n_tokens - length + 1,)."""
    if len(tokens) < length:
        return np.zeros(0, dtype=np.int64)
    windows = np.lib.stride_tricks.sliding_window_view(tokens, length)  # (n_runs, length)
    return np.asarray(windows @ (12 ** np.arange(length, dtype=np.int64)))


def line_runs(notes: Notes, *, length: int = RUN) -> Ints:
    """The runs of a line, in order."""
    return runs(notes.pitch[attack_tops(notes)] % 12, length=length)


def sketch(lines: Sequence[Notes]) -> NDArray[np.uint32]:
    """The smallest hashes of a cue's runs, increasing, at most SKETCH_SIZE. Lines too short for a run count whole."""
    found = []
    for notes in lines:
        length = min(RUN, len(attack_tops(notes)))
        if length:
            found.append(line_runs(notes, length=length) + 12**RUN * length)
    if not found:
        return np.zeros(0, dtype=np.uint32)
    return np.unique(_scattered(np.unique(np.concatenate(found))))[:SKETCH_SIZE]


def alike(one: NDArray[np.uint32], other: NDArray[np.uint32]) -> float:
    """Estimated share of runs that two sketches have in common, 0..1."""
    both = np.union1d(one, other)[:SKETCH_SIZE]
    if not len(both):
        return 0.0
    shared = np.intersect1d(one, other, assume_unique=True)
    return float(np.count_nonzero(shared <= both[-1]) / len(both))


def _scattered(values: Ints) -> NDArray[np.uint32]:
    """A fixed hash of whole numbers (the finaliser of a 64-bit mixing function; Steele, Lea and Flood 2014)."""
    z = values.astype(np.uint64) + np.uint64(0x9E3779B97F4A7C15)
    z = (z ^ (z >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
    z = (z ^ (z >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
    return (z ^ (z >> np.uint64(31))).astype(np.uint32)
