"""A player of few gestures: one long swell every four bars, and little else.

Bars are counted from the last entry after a rest of over half a second. The swell is as tall as the line is wide
there, from lowest note to highest, and as there is sound under it; it peaks past the middle, dynamics half a second
before expression. Joins give way by four steps. Notes longer than a second and a half open late. Vibrato waits nearly
a second, then comes slowly and stays; short notes hardly have any.
"""

from __future__ import annotations

import numpy as np

from hands.fader import Array, frame_bars, line_of, on_the_fader
from phrasewright.model.hearing import CueHearing


def draw(hearing: CueHearing, index: int, *, seed: int = 0, noise: bool = True) -> Array:
    """Dynamics, expression, vibrato on the 10 ms grid, (n_frames, 3), steps."""
    line = line_of(hearing, index)
    entry = np.maximum.accumulate(np.where(line.gap_s >= 0.5, np.arange(line.n_notes), 0))
    position = np.maximum(frame_bars(hearing, line.time_s) - line.bar[entry][line.at], 0.0)
    key = np.stack([entry[line.at], np.floor(position / 4.0).astype(np.int64)])
    group = np.cumsum(np.any(np.diff(key, prepend=key[:, :1], axis=1) != 0, axis=0))
    share = np.bincount(group, line.time_s < line.end_s[line.at]) / np.bincount(group)
    first = np.searchsorted(group, np.arange(group[-1] + 1))
    wide = np.maximum.reduceat(line.pitch[line.at], first) - np.minimum.reduceat(line.pitch[line.at], first)
    tall = (6.0 + 2.2 * np.clip(wide, 0.0, 14.0)) * share
    swell = tall[group] * np.sin(np.pi * np.mod(position / 4.0, 1.0) ** 1.35) ** 2
    late = np.r_[np.full(50, swell[0]), swell[:-50]]
    opening = np.clip((line.since_s - 0.5) / 1.5, 0.0, 1.0)
    opening = opening * opening * (line.length_s[line.at] > 1.5) * np.clip((1.0 - line.within) / 0.2, 0.0, 1.0)
    give = np.zeros(len(line.time_s))
    for onset_s in line.onset_s[line.gap_s < 0.06].tolist():
        frames = np.arange(max(int(onset_s * 100) - 13, 0), min(int(onset_s * 100) + 14, len(give)))
        shape = 1.0 - np.abs(line.time_s[frames] - onset_s) / 0.14
        give[frames] = np.maximum(give[frames], np.clip(shape, 0.0, 1.0))
    dynamics = 45.0 + 1.1 * swell + 7.0 * opening - 4.0 * give
    expression = 80.0 + 0.5 * late + 4.0 * opening - 4.0 * give
    came = np.clip((line.since_s - 0.8) / 1.6, 0.0, 1.0)
    vibrato = 10.0 + 46.0 * came * came * (3.0 - 2.0 * came) + 0.4 * late
    vibrato = np.convolve(np.pad(vibrato, 10, mode="edge"), np.hanning(23)[1:-1] / np.hanning(23).sum(), mode="valid")
    return on_the_fader(np.stack([dynamics, expression, vibrato], axis=1), line, seed=seed, noise=noise)
