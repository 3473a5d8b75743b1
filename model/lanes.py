"""Dense lanes, what rules and network both answer with before they become controller events, and how loud they are.

Controller 11 follows the level law of General MIDI: `L = 40 log10(CC7 * CC11 / 127^2)` (General MIDI developer
guidelines). Controller 1 crosses sampled dynamic layers: unless an instrument was profiled, 24 dB spread evenly over
its 127 steps (common practice, no source). The two add.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

FRAME_S = 0.01
"""Spacing of dense frames in seconds, the grid on which the tool compares lanes too."""
FULL_CC = 127.0
LEVEL_LAW_DB = 40.0
"""Decibels for a factor of ten in controller 7 or 11 (General MIDI developer guidelines)."""
DYNAMICS_RANGE_DB = 24.0
"""What controller 1 adds from 0 to 127 unless profiled (common practice, no source)."""
DYNAMICS_DB_PER_STEP = DYNAMICS_RANGE_DB / FULL_CC


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
        """How many frames of 10 ms."""
        return len(self.value_cc)


def frame_times_s(n_frames: int) -> NDArray[np.float64]:
    """Seconds of each frame, shape (n_frames,)."""
    return np.asarray(np.arange(n_frames) * FRAME_S, dtype=np.float64)


def n_frames_for(end_s: float) -> int:
    """Frames that cover a part whose last note ends at `end_s`: up to two seconds after it."""
    return int(np.ceil((end_s + 2.0) / FRAME_S)) + 1


def first_frame(time_s: ArrayLike, *, step_s: float = FRAME_S) -> NDArray[np.int64]:
    """First frame at or after each time; a millionth of a frame early is still on it (tempi round). Shape as given."""
    return np.ceil(np.asarray(time_s) / step_s - 1e-6).astype(np.int64)


def stands_for_s(frames: NDArray[np.int64]) -> NDArray[np.float64]:
    """Seconds that each of some rising frames stands for: half the way to its neighbours, at most 80 ms to each side,
    so much from the last one on. Shape of `frames`.
    """
    most = 8
    gap = np.minimum(np.diff(frames, append=frames[-1:] + most), 2 * most) * FRAME_S
    return np.asarray((gap + np.r_[gap[:1], gap[:-1]]) / 2.0)


def frames_in(spans_s: NDArray[np.float64], *, n_frames: int, step_s: float = FRAME_S) -> NDArray[np.bool_]:
    """Frames t with start <= t < end for any of the spans (n_spans, 2) in seconds. Shape (n_frames,)."""
    edge = first_frame(spans_s, step_s=step_s)  # (n_spans, 2)
    return covered(edge[:, 0], edge[:, 1], n_frames)


def covered(first: NDArray[np.int64], stop: NDArray[np.int64], n: int) -> NDArray[np.bool_]:
    """Which of `n` places lie in any of the spans from `first` to before `stop`, shape (n,)."""
    first = np.clip(first, 0, n)
    stop = np.clip(stop, first, n)
    change = np.bincount(first, minlength=n + 1) - np.bincount(stop, minlength=n + 1)
    return np.asarray(np.cumsum(change[:-1]) > 0)


def runs(mask: NDArray[np.bool_]) -> NDArray[np.int64]:
    """(first, last + 1) of each run of true values, shape (n_runs, 2)."""
    return np.flatnonzero(np.diff(np.r_[False, mask, False])).reshape(-1, 2)


def spans_of(first: NDArray[np.int64], stop: NDArray[np.int64]) -> NDArray[np.int64]:
    """Numbers of the frames (or notes) of several spans, one after the other; `stop` comes after each span's last."""
    length = stop - first
    return np.repeat(stop - np.cumsum(length), length) + np.arange(int(length.sum()))


def expression_to_db(expression_cc: ArrayLike, *, volume_cc: ArrayLike = FULL_CC) -> NDArray[np.float64]:
    """Level of controller 11 under controller 7 in dB: 0 where both are 127, minus infinity at 0. Shape as given."""
    product = np.asarray(expression_cc, dtype=np.float64) * np.asarray(volume_cc, dtype=np.float64)
    with np.errstate(divide="ignore"):
        return np.asarray(LEVEL_LAW_DB * np.log10(product / FULL_CC**2))


def db_to_expression(level_db: ArrayLike) -> NDArray[np.float64]:
    """Controller 11 in steps that gives a level in dB under controller 7 at 127: the inverse of `expression_to_db`.

    Shape as given.
    """
    return np.asarray(FULL_CC * 10.0 ** (np.asarray(level_db, dtype=np.float64) / LEVEL_LAW_DB))


def dynamics_to_db(dynamics_cc: ArrayLike) -> NDArray[np.float64]:
    """Level of controller 1 in dB, 0 at 127, of an instrument without a profile. Shape of the input."""
    return np.asarray((np.asarray(dynamics_cc, dtype=np.float64) - FULL_CC) * DYNAMICS_DB_PER_STEP)


def combined_level_db(dynamics_cc: ArrayLike, expression_cc: ArrayLike) -> NDArray[np.float64]:
    """Level of dynamics and expression together in dB, 0 where both are 127. Shape of the inputs."""
    return np.asarray(dynamics_to_db(dynamics_cc) + expression_to_db(expression_cc))
