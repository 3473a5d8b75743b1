"""A player of few gestures: one long swell every four bars, and little else.

The swell is as tall as there is sound under it, so that four bars with rests swell less; it peaks past the middle,
dynamics half a second before expression. Joins give way by four steps. Notes longer than a second and a half open late.
Vibrato waits nearly a second, then comes slowly and stays; short notes hardly have any.
"""

from __future__ import annotations

import numpy as np
from hands.fader import Array, frame_bars, line_of, on_the_fader

from phrasewright.model.hearing import CueHearing


def draw(hearing: CueHearing, index: int, *, seed: int = 0, noise: bool = True) -> Array:
    """Dynamics, expression, vibrato on the 10 ms grid, (n_frames, 3), steps."""
    line = line_of(hearing, index)
    bar = frame_bars(hearing, line.time_s) - 1.0
    group = np.floor(bar / 4.0).astype(np.int64)
    on = line.time_s < line.end_s[line.at]
    share = np.bincount(group, on) / np.maximum(np.bincount(group), 1)
    tall = 5.0 + 15.0 * share

    def swell(position: Array) -> Array:
        of = np.clip(np.floor(position / 4.0).astype(np.int64), 0, len(tall) - 1)
        x = np.clip(position / 4.0 - of, 0.0, 1.0)
        return np.asarray(tall[of] * np.sin(np.pi * x**1.35) ** 2)

    late = frame_bars(hearing, np.maximum(line.time_s - 0.5, 0.0)) - 1.0
    opening = np.clip((line.since_s - 0.5) / 1.5, 0.0, 1.0)
    opening = opening * opening * (line.length_s[line.at] > 1.5) * np.clip((1.0 - line.within) / 0.2, 0.0, 1.0)
    give = np.zeros(len(line.time_s))
    for onset_s in line.onset_s[line.gap_s < 0.06].tolist():
        frames = np.arange(max(int(onset_s * 100) - 13, 0), min(int(onset_s * 100) + 14, len(give)))
        shape = 1.0 - np.abs(line.time_s[frames] - onset_s) / 0.14
        give[frames] = np.maximum(give[frames], np.clip(shape, 0.0, 1.0))
    dynamics = 48.0 + 1.1 * swell(bar) + 7.0 * opening - 4.0 * give
    expression = 80.0 + 0.6 * swell(late) + 4.0 * opening - 4.0 * give
    came = np.clip((line.since_s - 0.8) / 1.6, 0.0, 1.0)
    vibrato = 10.0 + 46.0 * came * came * (3.0 - 2.0 * came) + 0.4 * swell(late)
    vibrato = np.convolve(np.pad(vibrato, 10, mode="edge"), np.hanning(23)[1:-1] / np.hanning(23).sum(), mode="valid")
    return on_the_fader(np.stack([dynamics, expression, vibrato], axis=1), line, seed=seed, noise=noise)
