"""Dense lanes: what rules and network both answer with, before they become controller events."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FRAME_S = 0.01
"""Spacing of dense frames in seconds, the grid on which the tool compares lanes too."""


@dataclass(frozen=True)
class DenseLanes:
    """The lanes of one part on a uniform grid from time 0.

    Parameters
    ----------
    value_cc : float array, (n_frames, 3)
        Dynamics, expression, vibrato in controller steps, not rounded. Frame i stands at `i * FRAME_S` seconds.
        Inside rests the values mean nothing: what is written there follows from the entries around (`events.py`).
    spread_cc : float array, (n_frames, 3)
        Half the width of the 68 % band, in steps; zeros where the predictor claims none (the rules).
    """

    value_cc: NDArray[np.float64]
    spread_cc: NDArray[np.float64]

    def __post_init__(self) -> None:
        if self.value_cc.ndim != 2 or self.value_cc.shape != self.spread_cc.shape or self.value_cc.shape[1] != 3:
            shapes = f"{self.value_cc.shape}, {self.spread_cc.shape}"
            raise ValueError(f"DenseLanes needs two (n_frames, 3) arrays, got {shapes}")
        if not np.all(np.isfinite(self.value_cc)):
            raise ValueError("DenseLanes must be finite")

    @property
    def n_frames(self) -> int:
        return len(self.value_cc)


def frame_times_s(n_frames: int) -> NDArray[np.float64]:
    """Seconds of each frame, shape (n_frames,)."""
    return np.asarray(np.arange(n_frames) * FRAME_S, dtype=np.float64)


def n_frames_for(end_s: float) -> int:
    """Frames that cover a part whose last note ends at `end_s`: up to two seconds after it."""
    return int(np.ceil((end_s + 2.0) / FRAME_S)) + 1


def frames_of(first: NDArray[np.int64], stop: NDArray[np.int64]) -> NDArray[np.int64]:
    """Numbers of the frames of several spans, one span after the other; `stop` is the frame after each span's last."""
    length = stop - first
    return np.repeat(stop - np.cumsum(length), length) + np.arange(int(length.sum()))
