"""A player who gives every note a weight and lets the fader glide from weight to weight.

A note's weight comes from its place in the bar, its length and the leap that led to it. Dynamics is a smooth curve
through the weights a little after each onset; expression another through weights at the notes' middles. Heavier
notes are parted more: the dip before a note grows with its weight. Vibrato is a curve through lengths.
"""

from __future__ import annotations

import numpy as np

from hands.fader import Array, Line, line_of, on_the_fader
from phrasewright.model.hearing import CueHearing


def draw(hearing: CueHearing, index: int, *, seed: int = 0, noise: bool = True) -> Array:
    """Dynamics, expression, vibrato on the 10 ms grid, (n_frames, 3), steps."""
    line = line_of(hearing, index)
    place = np.mod(line.bar - 1.0 + 1e-3, 1.0)
    beats = [place < 0.02, np.abs(place - 0.5) < 0.02, np.mod(place * 4.0, 1.0) < 0.05]
    metric = np.select(beats, [1.0, 0.55, 0.3], 0.0)
    leap = np.abs(np.diff(line.pitch, prepend=line.pitch[:1]))
    length = np.log2(np.clip(line.length_s, 0.08, 4.0) / 0.3)
    weight = 12.0 * metric + 6.0 * length + 1.2 * np.minimum(leap, 12.0)
    # a place that quick notes share is carried by all of them
    calm = 0.5 * weight + 0.25 * np.r_[weight[:1], weight[:-1]] + 0.25 * np.r_[weight[1:], weight[-1:]]
    weight = np.where(line.length_s < 0.25, calm, weight)
    onset_s, length_s = line.onset_s, line.length_s
    part = np.clip(3.0 + 0.45 * weight, 1.0, 14.0) * (line.gap_s < 0.06)
    parting = _partings(line, part)
    dynamics = 61.0 + _curve(line.time_s, onset_s + np.minimum(0.25 * length_s, 0.15), weight) - parting
    expression = 88.0 + 0.7 * _curve(line.time_s, onset_s + 0.5 * length_s, weight) - 0.8 * parting
    warm = 50.0 * (1.0 - np.exp(-length_s / 0.8))
    vibrato = 14.0 + _curve(line.time_s, onset_s + 0.6 * length_s, warm)
    return on_the_fader(np.stack([dynamics, expression, vibrato], axis=1), line, seed=seed, noise=noise)


def _curve(time_s: Array, at_s: Array, value: Array) -> Array:
    """Cubic pieces through the points with the slope of the neighbours' chord, limited so that nothing overshoots."""
    if len(at_s) < 3:
        return np.asarray(np.interp(time_s, at_s, value))
    step = np.maximum(np.diff(at_s), 1e-3)
    chord = np.diff(value) / step
    slope = np.zeros(len(value))
    agree = chord[:-1] * chord[1:] > 0
    slope[1:-1] = np.where(agree, 2.0 * chord[:-1] * chord[1:] / np.where(agree, chord[:-1] + chord[1:], 1.0), 0.0)
    k = np.clip(np.searchsorted(at_s, time_s) - 1, 0, len(step) - 1)
    x = np.clip((time_s - at_s[k]) / step[k], 0.0, 1.0)
    ease = x * x * (3.0 - 2.0 * x)
    bend = slope[k] * x * (1.0 - x) ** 2 - slope[k + 1] * x * x * (1.0 - x)
    return np.asarray(value[k] + (value[k + 1] - value[k]) * ease + step[k] * bend)


def _partings(line: Line, depth: Array) -> Array:
    """Down before each note over 110 ms, back by 60 ms after it, with rounded corners."""
    nearest = np.clip(np.searchsorted(line.onset_s, line.time_s + 1e-9), 0, line.n_notes - 1)
    ahead_s = line.onset_s[nearest] - line.time_s
    coming = depth[nearest] * np.clip(1.0 - ahead_s / 0.11, 0.0, 1.0) * (ahead_s >= 0)
    gone = depth[line.at] * np.clip(1.0 - line.since_s / 0.06, 0.0, 1.0)
    sharp = np.pad(np.maximum(coming, gone), 2, mode="edge")
    return np.asarray(np.convolve(sharp, (0.1, 0.2, 0.4, 0.2, 0.1), mode="valid"))
