"""Notes of one part, as arrays.

Times stand in seconds, quarter notes and ticks side by side, so that nobody has to convert twice. Offsets are where the
sound ends: a held sustain pedal lengthens a note up to the pedal's release or the next note of the same pitch.
"""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True)
class Notes:
    """Notes sorted by onset, the highest first where several start on one tick.

    All arrays have shape (n_notes,) and are read-only. `onset_beat` and `offset_beat` count quarter notes from tick
    0; in files with SMPTE division they are half-seconds (a nominal 120 quarter notes a minute) and are not shown to
    users.
    """

    onset_s: NDArray[np.float64]
    offset_s: NDArray[np.float64]
    onset_beat: NDArray[np.float64]
    offset_beat: NDArray[np.float64]
    onset_tick: NDArray[np.int64]
    offset_tick: NDArray[np.int64]
    pitch: NDArray[np.int64]
    velocity: NDArray[np.int64]

    def __post_init__(self) -> None:
        lengths = {f.name: len(getattr(self, f.name)) for f in fields(self)}
        if len(set(lengths.values())) > 1:
            raise ValueError(f"Notes need rows of one length, got {lengths}")
        if self.n_notes:
            order = np.lexsort((-self.pitch, self.onset_tick))
            if np.any(order != np.arange(self.n_notes)):
                raise ValueError("Notes must be sorted by onset, highest first")
            if np.any(self.offset_tick <= self.onset_tick):
                raise ValueError("Every note must last at least one tick")
            if self.pitch.min() < 0 or self.pitch.max() > 127:
                raise ValueError("Pitches must lie in 0..127")
        for f in fields(self):
            getattr(self, f.name).setflags(write=False)

    @property
    def n_notes(self) -> int:
        return len(self.onset_s)

    def take(self, index: NDArray[np.bool_] | NDArray[np.int64]) -> Notes:
        """The chosen notes, by mask or by increasing index."""
        return Notes(*(getattr(self, f.name)[index] for f in fields(self)))


def sounding_spans(notes: Notes) -> NDArray[np.float64]:
    """Spans in which at least one note sounds, merged. Shape (n_spans, 2), seconds, in order."""
    if notes.n_notes == 0:
        return np.zeros((0, 2))
    reach_s = np.maximum.accumulate(notes.offset_s)
    starts = np.r_[True, notes.onset_s[1:] > reach_s[:-1]]
    first = np.flatnonzero(starts)
    last = np.r_[first[1:] - 1, notes.n_notes - 1]
    return np.stack([notes.onset_s[first], reach_s[last]], axis=1)
