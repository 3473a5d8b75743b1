"""A player who heads for the longest note.

A group runs until a rest of 0.35 s, or until at least six notes and three seconds are done and a note is longer than
those around it. The group crescendos, ever steeper, to the onset of its longest note, opens through that note's first
half and then sinks back. Whoever lies highest among all parts over the group's time draws it deep; all others draw a
third of it and step aside, going down, wherever the highest part's own note is long. Joins are asymmetric notches,
only to notes that do not belong to a quick run. Expression arrives three tenths of a second
before dynamics. Vibrato opens on the goal.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from hands.fader import Array, Line, line_of, on_the_fader
from phrasewright.model.hearing import CueHearing


def draw(hearing: CueHearing, index: int, *, seed: int = 0, noise: bool = True) -> Array:
    """Dynamics, expression, vibrato on the 10 ms grid, (n_frames, 3), steps."""
    line = line_of(hearing, index)
    group = _groups(line)
    n = int(group[-1]) + 1
    top_pitch, top_length_s = _highest(hearing, index, line)
    leads = line.pitch >= top_pitch
    lead = np.bincount(group, leads * line.length_s) / np.bincount(group, line.length_s) > 0.55
    goal = np.array([np.flatnonzero(group == g)[np.argmax(line.length_s[group == g])] for g in range(n)])
    first = np.searchsorted(group, np.arange(n))
    last = np.searchsorted(group, np.arange(n), side="right") - 1
    start_s, end_s = line.onset_s[first], line.end_s[last]
    peak_s = line.onset_s[goal] + 0.45 * np.minimum(line.length_s[goal], 3.0)
    of = group[line.at]
    t = line.time_s
    up = np.clip((t - start_s[of]) / np.maximum(peak_s - start_s, 0.1)[of], 0.0, 1.0) ** 1.7
    down = np.clip((t - peak_s[of]) / np.maximum(end_s - peak_s, 0.1)[of], 0.0, 1.0)
    arc = np.where(t < peak_s[of], up, 1.0 - 0.85 * down**0.8)
    size = np.where(lead, 36.0, 12.0) * np.clip((end_s - start_s) / 4.0, 0.3, 1.0)
    slow = line.length_s > 0.22
    joined = (line.gap_s < 0.06) & slow
    notch = _notches(line, np.where(joined, 1.0, 0.0) + 0.5 * (joined & (np.diff(line.pitch, prepend=0.0) == 0)))
    aside = ~lead[group] * np.clip((top_length_s - 0.8) / 1.2, 0.0, 1.0) * 5.0
    level = _glide(np.where(lead, 52.0, 50.0)[of] - aside[line.at] + size[of] * arc, 15)
    dynamics = level - np.where(lead, 7.0, 5.0)[of] * notch
    early = np.r_[level[30:], np.full(30, level[-1])]
    expression = 80.0 + 0.45 * (early - 50.0) + _glide(4.0 * lead[of] * arc, 31) - 9.0 * notch
    on_goal = (line.at == goal[of]) * np.clip((line.since_s - 0.15) / 0.8, 0.0, 1.0)
    vibrato = _glide(20.0 + np.where(lead, 40.0, 18.0)[of] * on_goal + 0.5 * size[of] * arc, 25)
    return on_the_fader(np.stack([dynamics, expression, vibrato], axis=1), line, seed=seed, noise=noise)


def _groups(line: Line) -> NDArray[np.int64]:
    group = np.zeros(line.n_notes, dtype=np.int64)
    begun = 0
    for i in range(1, line.n_notes):
        done = i - begun >= 6 and line.onset_s[i] - line.onset_s[begun] >= 3.0
        before = line.length_s[max(i - 4, begun) : i - 1]
        arrived = done and len(before) > 0 and line.length_s[i - 1] > 1.4 * before.mean()
        group[i] = group[i - 1] + (line.gap_s[i] >= 0.35 or arrived)
        begun = i if group[i] > group[i - 1] else begun
    return group


def _highest(hearing: CueHearing, index: int, line: Line) -> tuple[Array, Array]:
    """Pitch and length in seconds of the highest note of the other parts at each onset; 0 where they are silent."""
    pitch, length_s = np.zeros(line.n_notes), np.zeros(line.n_notes)
    for i, heard in enumerate(hearing.parts):
        if i == index or heard.part.notes.n_notes == 0:
            continue
        other = line_of(hearing, i)
        k = np.searchsorted(other.onset_s, line.onset_s + 0.01, side="right") - 1
        higher = (k >= 0) & (other.end_s[k] > line.onset_s + 0.01) & (other.pitch[k] > pitch)
        pitch = np.where(higher, other.pitch[k], pitch)
        length_s = np.where(higher, other.length_s[k], length_s)
    return pitch, length_s


def _notches(line: Line, depth: Array) -> Array:
    """Quick down, slow up: 50 ms before, 160 ms after."""
    ahead = np.clip(np.searchsorted(line.onset_s, line.time_s), 0, line.n_notes - 1)
    ahead_s = np.maximum(line.onset_s[ahead] - line.time_s, 0.0)
    before = depth[ahead] * np.exp(-((ahead_s / 0.04) ** 2)) * (line.onset_s[ahead] >= line.time_s)
    after = depth[line.at] * np.exp(-((line.since_s / 0.1) ** 1.5))
    return np.asarray(np.maximum(before, after * (line.time_s >= line.onset_s[0])))


def _glide(value: Array, frames: int) -> Array:
    """Corners rounded by a triangle of about twice `frames`, ends held."""
    tent = np.r_[np.arange(1, frames + 1), np.arange(frames - 1, 0, -1)].astype(np.float64)
    return np.asarray(np.convolve(np.pad(value, frames - 1, mode="edge"), tent / tent.sum(), mode="valid"))
