"""What the hand did to a first pass: level, depth, timing and the rest; and whether it did anything at all.

Balance is not style: a lane moved up or down says something of the cue, not of the hand's shapes. So every correction
is split into a level offset, a gain about the phrase's mean (depth), a lag, and what these do not explain.

A sequencer that saves a file may thin a lane and move its events by a few ticks; within such bounds nothing was
corrected. Units: controller steps, seconds; frames of 10 ms. Figures are common practice without a source.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from phrasewright.model.lanes import FRAME_S

Floats = NDArray[np.float64]

SHIFT_FRAMES = 3
"""Frames an event may have moved in resampling, to either side."""
MEAN_CC, LOCAL_CC = 2.0, 4.0
"""A lane differs if it does by more than the first on average, or by more than the second over LOCAL_FRAMES."""
LOCAL_FRAMES = 15
_LONG = 5
MAX_LAG_S = 0.3
_MOVING_CC = 0.5
_MAX_GAIN = 4.0
_LAG_GAIN_CC = 0.5
"""A lag is told only where it explains this much more, root mean square (no source)."""


@dataclass(frozen=True)
class Decomposition:
    """left = mean of predicted + level + depth * (predicted, later by lag, minus its mean) + residual.

    Parameters
    ----------
    level_cc : float
        Mean of what was left minus mean of what was predicted.
    depth : float
        Gain about the mean, 0..4; 1 where the prediction does not move.
    lag_s : float
        Positive where the hand is later, at most 0.3.
    residual_cc : float array, (n_frames,)
        What is not explained.
    r : float
        Correlation of prediction and hand at that lag, 0 where either stands still.
    """

    level_cc: float
    depth: float
    lag_s: float
    residual_cc: Floats
    r: float


def distance_cc(predicted: Floats, left: Floats) -> Floats:
    """How far each frame of a lane lies outside what was predicted within SHIFT_FRAMES, shape (n_frames,), steps."""
    padded = np.pad(predicted, SHIFT_FRAMES, mode="edge")
    windows = np.lib.stride_tricks.sliding_window_view(padded, 2 * SHIFT_FRAMES + 1)
    high, low = windows.max(axis=1), windows.min(axis=1)  # (n_frames, 7) to (n_frames,)
    return np.asarray(np.maximum(np.maximum(left - high, low - left), 0.0))


def differs(predicted: Floats, left: Floats) -> bool:
    """Whether a lane is another than the predicted one, beyond what saving it in a sequencer does.

    The very ends of a longer phrase count on average only: where notes were pulled ahead of their lanes, or bars were
    inserted before, another value may be held there for a moment.

    Parameters
    ----------
    predicted, left : float arrays, (n_frames,)
        The sounding frames of one phrase, one after the other.
    """
    if not len(left):
        return False
    off = distance_cc(predicted, left)
    width = min(LOCAL_FRAMES, len(off))
    inner = off[width:-width] if len(off) > _LONG * width else off
    local = np.convolve(inner, np.ones(width) / width, "valid")
    return bool(off.mean() > MEAN_CC or local.max() > LOCAL_CC)


def level_only(predicted: Floats, left: Floats) -> float | None:
    """By how many steps the lane was moved up or down, stopping at 0 and 127; None if its shape was changed too."""
    if not len(left):
        return None
    inside = (left > 0) & (left < 127)
    level = float(np.median((left - predicted)[inside])) if np.any(inside) else float(np.median(left - predicted))
    return None if differs(np.clip(predicted + level, 0.0, 127.0), left) else level


def decompose(predicted: Floats, left: Floats) -> Decomposition:
    """Split a correction.

    Parameters
    ----------
    predicted, left : float arrays, (n_frames,)
        The sounding frames of one phrase, one after the other.

    Raises
    ------
    ValueError
        The two are not of one length, or empty.
    """
    if predicted.shape != left.shape or predicted.ndim != 1 or not len(left):
        raise ValueError(f"decompose needs two equal rows of frames, got {predicted.shape} and {left.shape}")
    mean, level = float(predicted.mean()), float(left.mean() - predicted.mean())
    if np.std(predicted) < _MOVING_CC or np.std(left) < _MOVING_CC:
        depth = 1.0 if np.std(predicted) < _MOVING_CC else 0.0
        return Decomposition(level, depth, 0.0, left - mean - level - depth * (predicted - mean), 0.0)
    reach = min(round(MAX_LAG_S / FRAME_S), len(left) // 4)
    lags = np.arange(-reach, reach + 1)
    frames = np.arange(len(left))
    moved = predicted[np.clip(frames - lags[:, None], 0, len(left) - 1)]  # (n_lags, n_frames)
    moved = moved - moved.mean(axis=1, keepdims=True)
    centred = left - left.mean()
    power = np.sqrt((moved**2).sum(axis=1) * (centred**2).sum())
    r = (moved @ centred) / np.maximum(power, 1e-9) - 1e-6 * np.abs(lags)
    best = int(r.argmax())
    unexplained = np.sqrt(np.maximum(1.0 - r[[best, reach]] ** 2, 0.0)) * np.std(left)
    if unexplained[0] > unexplained[1] - _LAG_GAIN_CC:
        best = reach
    depth = float(np.clip(moved[best] @ centred / max((moved[best] ** 2).sum(), 1e-9), 0.0, _MAX_GAIN))
    residual = centred - depth * moved[best]
    return Decomposition(level, depth, float(lags[best]) * FRAME_S, residual, float(max(r[best], 0.0)))
