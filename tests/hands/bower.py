"""A player who thinks in bows.

A bow takes one long note, or as many short ones as fit in about 1.1 s without a rest; down and up alternate, and each
entry is a down. A down-bow starts full and thins out, an up-bow grows. Expression is the speed of the bow, dynamics
its pressure, which rises as speed falls: so the two part company within a bow and meet over the line, whose level
drifts with register. At each bow change both give way; inside a bow only a ripple marks the notes. Vibrato swells in
the middle of each bow.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from hands.fader import Array, Line, line_of, on_the_fader
from phrasewright.model.hearing import CueHearing

BOW_S = 1.1


def draw(hearing: CueHearing, index: int, *, seed: int = 0, noise: bool = True) -> Array:
    """Dynamics, expression, vibrato on the 10 ms grid, (n_frames, 3), steps."""
    line = line_of(hearing, index)
    bow, down = _bows(line)
    first = np.searchsorted(bow, np.arange(bow[-1] + 1))
    last = np.r_[first[1:] - 1, line.n_notes - 1]
    start_s, end_s = line.onset_s[first], line.end_s[last]
    of = bow[line.at]
    length_s = np.maximum(end_s - start_s, 0.1)
    u = np.clip((line.time_s - start_s[of]) / length_s[of], 0.0, 1.0)
    reach = np.minimum(length_s, 3.0) ** 0.6
    speed = np.where(down[of], 1.0 - u, u**1.3) - 0.5
    pressure = np.sin(np.pi * u) - 0.3 * speed
    height = np.bincount(bow, line.pitch * line.length_s) / np.bincount(bow, line.length_s)
    near = np.convolve(np.pad(height, 3, mode="edge"), np.ones(7) / 7.0, mode="valid")
    register = _smooth((1.1 * np.clip(near - 62.0, -14, 18))[of], 60)
    change = _gives(line, line.gap_s < 0.06, first, down_s=0.09, up_s=0.13)
    ripple = 2.5 * np.cos(2.0 * np.pi * np.clip(line.since_s / 0.2, 0.0, 1.0)) * (line.since_s < 0.2)
    inner = ripple * ~np.isin(line.at, first) * (line.length_s[line.at] > 0.15)
    expression = 87.0 + 9.0 * _smooth(speed * reach[of], 6) + 0.7 * register - 10.0 * change - inner
    dynamics = 66.0 + 9.0 * _smooth(pressure * reach[of], 6) + register - 8.0 * change - 0.6 * inner
    vibrato = 16.0 + 36.0 * _smooth(np.sin(np.pi * u) ** 2 * np.minimum(reach, 1.6)[of], 10)
    return on_the_fader(np.stack([dynamics, expression, vibrato], axis=1), line, seed=seed, noise=noise)


def _bows(line: Line) -> tuple[NDArray[np.int64], NDArray[np.bool_]]:
    """The bow of each note, and whether each bow goes down."""
    bow = np.zeros(line.n_notes, dtype=np.int64)
    down = [True]
    begun_s = line.onset_s[0]
    for i in range(1, line.n_notes):
        entry = line.gap_s[i] >= 0.25
        full = line.end_s[i] - begun_s > BOW_S + 1e-6
        again = line.pitch[i] == line.pitch[i - 1]
        if entry or full or again or line.gap_s[i] >= 0.06:
            down.append(bool(entry or not down[-1]))
            begun_s = line.onset_s[i]
        bow[i] = len(down) - 1
    return bow, np.array(down)


def _gives(
    line: Line, wanted: NDArray[np.bool_], first: NDArray[np.int64], *, down_s: float, up_s: float
) -> Array:
    """1 at the first notes of bows that follow without a gap, in raised cosines."""
    at_s = np.r_[-99.0, line.onset_s[first[wanted[first]]], 1e9]
    k = np.searchsorted(at_s, line.time_s, side="right")
    back = 0.5 + 0.5 * np.cos(np.pi * np.clip((line.time_s - at_s[k - 1]) / up_s, 0.0, 1.0))
    forth = 0.5 + 0.5 * np.cos(np.pi * np.clip((at_s[k] - line.time_s) / down_s, 0.0, 1.0))
    return np.asarray(np.maximum(back, forth))


def _smooth(value: Array, half: int) -> Array:
    """Two running means of 2 half + 1 frames, ends held."""
    window = np.full(2 * half + 1, 1.0 / (2 * half + 1))
    for _ in range(2):
        value = np.convolve(np.pad(value, half, mode="edge"), window, mode="valid")
    return np.asarray(value)
