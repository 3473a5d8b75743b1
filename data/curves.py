"""Lanes as a MIDI device plays them: points, each held until the next.

Time is in seconds from the start of the file, values in controller steps 0..127.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

LANES = ("dynamics", "expression", "vibrato")
"""The three lanes, in the order of the lane axis everywhere."""

COLOUR_LANES = ("bow", "attack")
"""Lanes that only a profile calls for: where the bow stands (0 over the fingerboard, 127 at the bridge), and how hard
notes begin."""
ALL_LANES = LANES + COLOUR_LANES
"""Every lane that can be written, in the order in which they are told."""

HIGHER = {
    "dynamics": ("louder", "softer"), "expression": ("louder", "softer"), "vibrato": ("stronger", "weaker"),
    "bow": ("nearer to the bridge", "nearer to the fingerboard"), "attack": ("harder", "softer"),
}  # fmt: skip
"""What a lane that lies higher or lower is called."""

DEFAULT_CC = {"dynamics": 1, "expression": 11, "vibrato": 2}
"""Controller numbers unless a profile says otherwise (common practice, no source)."""

LanesAsWritten = Mapping[int, Mapping[str, tuple[NDArray[np.int64], NDArray[np.uint8]]]]
"""Ticks and values that each lane of each part (from 1) has in a file."""


@dataclass(frozen=True)
class Curve:
    """One controller lane. A MIDI controller is a staircase: a value holds until the next point.

    Parameters
    ----------
    time_s : float array, (n_points,)
        Seconds from the start of the file, not decreasing.
    value_cc : float array, (n_points,)
        Controller steps, 0..127.
    """

    time_s: NDArray[np.float64]
    value_cc: NDArray[np.float64]

    def __post_init__(self) -> None:
        if self.time_s.shape != self.value_cc.shape or self.time_s.ndim != 1:
            raise ValueError(f"Curve needs two equal rows, got {self.time_s.shape} and {self.value_cc.shape}")
        if len(self.time_s) and np.any(np.diff(self.time_s) < 0):
            raise ValueError("Curve times must not decrease")
        self.time_s.setflags(write=False)
        self.value_cc.setflags(write=False)

    @property
    def n_points(self) -> int:
        """How many events."""
        return len(self.time_s)

    def at(self, time_s: NDArray[np.float64]) -> NDArray[np.float64]:
        """Value held at each time, NaN before the first point. Shape of `time_s`, controller steps."""
        if self.n_points == 0:
            return np.full(np.shape(time_s), np.nan)
        index = np.searchsorted(self.time_s, time_s, side="right") - 1
        return np.where(index >= 0, self.value_cc[np.maximum(index, 0)], np.nan)
