"""A player who breathes with the metre.

Dynamics rises and falls over every two bars, counted anew from each entry after a rest, deeper where the line lies
high and where it is quick; a smaller wave rides on each bar. Expression is one breath a note, wider for longer notes;
at a connected note it gives way in a round notch. Vibrato is a fixed share of the breath, after a wait. Melody and
accompaniment are one to this player.
"""

from __future__ import annotations

import numpy as np

from hands.fader import Array, frame_bars, line_of, on_the_fader
from phrasewright.model.hearing import CueHearing


def draw(hearing: CueHearing, index: int, *, seed: int = 0, noise: bool = True) -> Array:
    """Dynamics, expression, vibrato on the 10 ms grid, (n_frames, 3), steps."""
    line = line_of(hearing, index)
    bar = frame_bars(hearing, line.time_s) - 1.0
    entry = np.maximum.accumulate(np.where(line.gap_s >= 0.25, np.arange(line.n_notes), 0))
    counted = np.maximum(bar - (line.bar[entry] - 1.0)[line.at], 0.0)
    keys = np.stack([entry[line.at], np.floor(counted / 2.0).astype(np.int64)])
    pair = np.unique(keys, axis=1, return_inverse=True)[1]
    high = np.bincount(pair, line.pitch[line.at]) / np.bincount(pair) - np.median(line.pitch)
    quick = np.bincount(pair, 1.0 / np.sqrt(line.length_s[line.at] + 0.1)) / np.bincount(pair)
    deep = np.clip(0.75 + 0.05 * high + 0.35 * (quick - 1.2), 0.25, 1.4)
    two_bars = (0.5 - 0.5 * np.cos(np.pi * counted)) * deep[pair]
    one_bar = np.cos(2.0 * np.pi * (bar - 0.1))
    size = 3.0 + 9.0 * np.minimum(line.length_s, 2.5) / 2.5
    breath = np.sin(np.pi * line.within**0.8) * size[line.at]
    joined = line.onset_s[line.gap_s < 0.06][:, None]
    notch = np.zeros(len(line.time_s))
    frames = np.rint(joined / 0.01).astype(np.int64) + np.arange(-11, 12)
    inside = (frames >= 0) & (frames < len(notch))
    bell = np.broadcast_to(np.cos(np.arange(-11, 12) / 11.0 * np.pi / 2) ** 2, frames.shape)
    np.maximum.at(notch, frames[inside], bell[inside])
    dynamics = 50.0 + 28.0 * two_bars**1.4 + 3.5 * one_bar - 3.5 * notch + 0.25 * breath
    expression = 82.0 + breath - 7.0 * notch + 5.0 * two_bars
    waited = np.clip((line.since_s - 0.25) / 0.6, 0.0, 1.0)
    vibrato = 18.0 + 3.8 * breath * waited
    return on_the_fader(np.stack([dynamics, expression, vibrato], axis=1), line, seed=seed, noise=noise)
