"""A player of long arcs that peak late.

Lines are cut at rests and after long notes, never under two seconds. Within, dynamics climbs as a skewed arc to about
four fifths of the way and falls quickly; expression does the same less, a little earlier, and each join is a clear
notch with a slower recovery. The longer the arc the higher. Vibrato comes in the second half of each note.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from hands.fader import Array, Line, line_of, on_the_fader
from phrasewright.model.hearing import CueHearing


def draw(hearing: CueHearing, index: int, *, seed: int = 0, noise: bool = True) -> Array:
    """Dynamics, expression, vibrato on the 10 ms grid, (n_frames, 3), steps."""
    line = line_of(hearing, index)
    arc = _cut(line)
    first = np.flatnonzero(np.diff(arc, prepend=-1))
    last = np.r_[first[1:] - 1, line.n_notes - 1]
    start_s, end_s = line.onset_s[first], line.end_s[last]
    of = arc[line.at]
    length_s = np.maximum(end_s - start_s, 0.3)
    x = np.clip((line.time_s - start_s[of]) / length_s[of], 0.0, 1.0)
    high = 9.0 + 29.0 * (1.0 - np.exp(-length_s / 4.0))
    joined = line.gap_s < 0.06
    dynamics = 42.0 + high[of] * _skewed(x, 2.4, 0.6) - 8.0 * _notch(line, joined, down_s=0.07, up_s=0.11)
    expression = 84.0 + 0.5 * high[of] * _skewed(x, 1.5, 0.8) - 11.0 * _notch(line, joined, down_s=0.08, up_s=0.14)
    late = np.clip((line.within - 0.35) / 0.65, 0.0, 1.0) ** 2
    vibrato = 15.0 + np.minimum(28.0 * line.length_s[line.at], 55.0) * late + 0.3 * high[of] * _skewed(x, 2.4, 0.6)
    ease = np.ones(17) / 17.0
    lanes = np.stack([dynamics, expression, vibrato], axis=1)
    lanes[:, 2] = np.convolve(np.pad(lanes[:, 2], 8, mode="edge"), ease, mode="valid")
    return on_the_fader(lanes, line, seed=seed, noise=noise)


def _skewed(x: Array, up: float, down: float) -> Array:
    """An arc from 0 to 0 with its peak of 1 at up / (up + down)."""
    peak = up / (up + down)
    return np.asarray(x**up * (1.0 - x) ** down / (peak**up * (1.0 - peak) ** down))


def _cut(line: Line) -> NDArray[np.int64]:
    """The arc of each note: cut at rests of 0.4 s, and after notes of 1.6 times the local mean once two seconds ran."""
    arc = np.zeros(line.n_notes, dtype=np.int64)
    begun_s = line.onset_s[0]
    usual_s = line.length_s[0]
    for n in range(1, line.n_notes):
        usual_s += 0.15 * (line.length_s[n - 1] - usual_s)
        ran = line.onset_s[n] - begun_s > 2.0
        cut = line.gap_s[n] >= 0.4 or (ran and line.length_s[n - 1] > 1.6 * usual_s)
        arc[n] = arc[n - 1] + cut
        if cut:
            begun_s = line.onset_s[n]
    return arc


def _notch(line: Line, wanted: NDArray[np.bool_], *, down_s: float, up_s: float) -> Array:
    """Down to 1 at the onset in a quarter sine, back up in a longer one."""
    at_s = np.r_[-99.0, line.onset_s[wanted], 1e9]
    k = np.searchsorted(at_s, line.time_s, side="right")
    after = np.cos(np.pi / 2 * np.clip((line.time_s - at_s[k - 1]) / up_s, 0.0, 1.0)) ** 1.5
    before = np.cos(np.pi / 2 * np.clip((at_s[k] - line.time_s) / down_s, 0.0, 1.0))
    return np.asarray(np.maximum(after, before))
