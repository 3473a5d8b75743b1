"""A player who follows the tune up and down, dynamics first, expression 180 ms behind.

Pitch, smoothed by a bell of half a second, drives dynamics, and its motion adds: climbing is louder than being high.
Expression is what dynamics was 180 ms ago, compressed, with a small push at each onset. Joins hardly show, repeated
notes a little more. Vibrato grows where the line stands still.
"""

from __future__ import annotations

import numpy as np

from hands.fader import Array, line_of, on_the_fader
from phrasewright.model.hearing import CueHearing

LAG_FRAMES = 18


def draw(hearing: CueHearing, index: int, *, seed: int = 0, noise: bool = True) -> Array:
    """Dynamics, expression, vibrato on the 10 ms grid, (n_frames, 3), steps."""
    line = line_of(hearing, index)
    pitch = _bell(line.pitch[line.at], 50)
    slow = _bell(pitch, 300)
    climb = np.gradient(pitch, 0.01)
    shape = 20.0 * np.tanh((pitch - slow) / 5.0) + 0.6 * np.clip(slow - 64.0, -20, 20) + 7.0 * np.tanh(climb / 8.0)
    gentle = _bell(shape, 12)
    join = _dent(line.onset_s[line.gap_s < 0.06], line.time_s, width_s=0.06)
    repeated = (line.gap_s < 0.06) & (np.diff(line.pitch, prepend=0.0) == 0)
    again = _dent(line.onset_s[repeated], line.time_s, width_s=0.08)
    late = np.r_[np.full(LAG_FRAMES, gentle[0]), gentle[:-LAG_FRAMES]]
    push = 4.0 * np.exp(-line.since_s / 0.25) * np.minimum(line.since_s / 0.06, 1.0)
    dynamics = 64.0 + gentle - 4.0 * join - 5.0 * again
    expression = 90.0 + 0.6 * late + push - 3.0 * join - 6.0 * again
    still = _bell(np.exp(-np.abs(climb) / 3.0) * np.minimum(line.since_s, 1.2), 20)
    vibrato = 22.0 + 30.0 * still + 0.8 * gentle
    return on_the_fader(np.stack([dynamics, expression, vibrato], axis=1), line, seed=seed, noise=noise)


def _bell(value: Array, half: int) -> Array:
    """Gaussian smoothing, `half` frames to two standard deviations, ends held."""
    weight = np.exp(-0.5 * (np.arange(-half, half + 1) / (half / 2.0)) ** 2)
    padded = np.pad(value, half, mode="edge")
    return np.asarray(np.convolve(padded, weight / weight.sum(), mode="valid"))


def _dent(onset_s: Array, time_s: Array, *, width_s: float) -> Array:
    """Bells of height 1 at onsets."""
    if not len(onset_s):
        return np.zeros(len(time_s))
    near = np.clip(np.searchsorted(onset_s, time_s), 1, max(len(onset_s) - 1, 1))
    right = onset_s[np.minimum(near, len(onset_s) - 1)]
    away = np.minimum(np.abs(time_s - right), np.abs(time_s - onset_s[near - 1]))
    return np.asarray(np.exp(-((away / width_s) ** 2)))
