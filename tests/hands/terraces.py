"""A player of terraces: held plateaus, each louder or softer than the last, with accents on top.

A terrace ends at a rest or after a note twice as long as usual. One that lies higher than the last is louder, one
that lies lower softer, like an echo; expression minds how long it is too. The fader goes over in 140 ms in a straight
line. The first note of a terrace and notes after leaps of a fourth or more get an accent that falls away in a
straight line. Whoever is highest most of the time a terrace lasts plays out; others stay low, their terraces half as
high and without accents on leaps.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from hands.fader import Array, Line, line_of, on_the_fader
from phrasewright.model.hearing import CueHearing


def draw(hearing: CueHearing, index: int, *, seed: int = 0, noise: bool = True) -> Array:
    """Dynamics, expression, vibrato on the 10 ms grid, (n_frames, 3), steps."""
    line = line_of(hearing, index)
    long = line.length_s > 2.0 * np.median(line.length_s) + 0.05
    first = np.flatnonzero((line.gap_s >= 0.3) | np.r_[True, long[:-1]])
    terrace = np.searchsorted(first, np.arange(line.n_notes), side="right") - 1
    weight = line.length_s
    height = np.bincount(terrace, line.pitch * weight) / np.bincount(terrace, weight)
    on_top = np.bincount(terrace, _on_top(hearing, index, line) * weight) / np.bincount(terrace, weight) > 0.6
    step = np.tanh(np.diff(height, prepend=height[:1]) / 3.0)
    stays_s = np.bincount(terrace, weight)
    scale = np.where(on_top, 1.0, 0.5)
    loud = scale * (7.0 * step + 1.2 * np.clip(height - np.median(line.pitch), -12, 12))
    dynamics = np.where(on_top, 74.0, 60.0) + loud
    expression = np.where(on_top, 97.0, 86.0) + 0.3 * loud + 5.0 * np.tanh((stays_s - 3.0) / 2.0)
    leap = np.abs(np.diff(line.pitch, prepend=line.pitch[:1])) >= 5
    accent = np.where(np.isin(np.arange(line.n_notes), first), 11.0, 9.0 * (leap & on_top[terrace]))
    spike = accent[line.at] * np.minimum(line.since_s / 0.05, 1.0) * np.clip(1.0 - line.since_s / 0.32, 0.0, 1.0)
    mine = terrace[line.at]
    through = (line.time_s - line.onset_s[first][mine]) / 4.0
    drop = 3.0 * np.clip(through, 0.0, 1.5)
    lift = 5.0 * _lifts(line, repeats_only=False) + 5.0 * _lifts(line, repeats_only=True)
    lanes = np.stack(
        [
            _ramped(dynamics[mine]) + spike - drop - 0.7 * lift,
            _ramped(expression[mine]) + 0.8 * spike - lift,
            12.0 + 44.0 * on_top[mine] * np.clip((line.since_s - 0.2) / 0.5, 0.0, 1.0) + 0.4 * _ramped(loud[mine]),
        ],
        axis=1,
    )
    lanes[:, 2] = _ramped(lanes[:, 2])
    return on_the_fader(lanes, line, seed=seed, noise=noise)


def _ramped(value: Array, frames: int = 14) -> Array:
    """Steps turned into straight lines."""
    padded = np.r_[np.full(frames // 2, value[0]), value, np.full(frames - frames // 2 - 1, value[-1])]
    return np.asarray(np.convolve(padded, np.full(frames, 1.0 / frames), mode="valid"))


def _lifts(line: Line, *, repeats_only: bool) -> Array:
    """1 at connected onsets, down to 0 within 70 ms before and 90 ms after."""
    wanted = line.gap_s < 0.06
    if repeats_only:
        wanted &= np.diff(line.pitch, prepend=-1.0) == 0
    at_s = np.r_[-10.0, line.onset_s[wanted], 1e9]
    after = np.searchsorted(at_s, line.time_s, side="right")
    return np.asarray(
        np.maximum(
            np.clip(1.0 - (line.time_s - at_s[after - 1]) / 0.09, 0.0, 1.0),
            np.clip(1.0 - (at_s[after] - line.time_s) / 0.07, 0.0, 1.0),
        )
    )


def _on_top(hearing: CueHearing, index: int, line: Line) -> NDArray[np.bool_]:
    """Whether no other part sounds higher when each note begins."""
    top = np.zeros(line.n_notes)
    for i, part in enumerate(hearing.parts):
        notes = part.part.notes
        if i == index or not notes.n_notes:
            continue
        last = np.searchsorted(notes.onset_s, line.onset_s + 0.02, side="right") - 1
        sounding = (last >= 0) & (notes.offset_s[last] > line.onset_s + 0.02)
        top = np.maximum(top, np.where(sounding, notes.pitch[last], 0))
    return np.asarray(line.pitch >= top)
