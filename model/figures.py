"""The figure of each note: repeated, held, run, detached, trill or tremolo, at most one.

A figure is heard within one layer from a note and its neighbours. Times in seconds, intervals in semitones. The limits
are common practice without a source.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from phrasewright.data.cue import PASSAGE_KINDS
from phrasewright.data.notes import Notes
from phrasewright.model.hearing import FIGURES, Situation
from phrasewright.model.layers import JOIN_GAP_S, Layers

FAST_S = 1 / 6 + 0.002
"""Strokes or alternations of six a second and faster are one trill or tremolo; 2 ms are left for rounding."""
RUN_NOTE_S = 0.255
"""Notes of a run follow each other at most this long after each other, with 5 ms for rounding."""
HELD_S = 2.0
"""A note of this length is held, whatever the tempo."""
HELD_SHORT_S = 1.5
"""So is one of this length that lasts three times as long as is usual around it."""
REPEAT_S = 2.5
"""Same pitches further apart than this are held notes in turn."""
DETACHED_S = 0.35
"""Longest note that counts as detached."""
SLURRED_S = 0.6
"""A short note that is connected to one shorter than this, with no detached note after it, ends a slur."""
APART_S = 1.0
"""Notes of one figure with a longer silence between them are two situations."""


def figures_of(notes: Notes, layers: Layers, *, passage: NDArray[np.int8]) -> NDArray[np.int8]:
    """Index into FIGURES for each note, shape (n_notes,).

    Parameters
    ----------
    notes, layers
        Of one part.
    passage : int8 array, (n_notes,)
        Index into PASSAGE_KINDS.
    """
    n = notes.n_notes
    figure = np.zeros(n, dtype=np.int8)
    if n == 0:
        return figure
    repeated = _repeated(notes, layers)
    for row in np.unique(layers.layer):
        index = np.flatnonzero(layers.layer == row)
        figure[index] = _line_figures(
            notes.onset_s[index],
            layers.sounding_end_s[index],
            notes.pitch[index],
            layers.connected[index],
            repeated[index],
            passage[index],
        )
    return figure


def figure_situations(notes: Notes, figure: NDArray[np.int8]) -> list[Situation]:
    """Stretches of one figure in order of time, whatever other notes of a chord do in between."""
    situations = []
    for number in np.unique(figure[figure > 0]).tolist():
        index = np.flatnonzero(figure == number)
        on_s, off_s = notes.onset_s[index], notes.offset_s[index]
        reach_s = np.maximum.accumulate(off_s)
        first = np.flatnonzero(np.r_[True, on_s[1:] > reach_s[:-1] + APART_S])
        last = np.r_[first[1:] - 1, len(index) - 1]
        lengths_s = np.maximum.reduceat(off_s - on_s, first)
        for a, b, longest_s in zip(first.tolist(), last.tolist(), lengths_s.tolist(), strict=True):
            n = b - a + 1
            label = FIGURES[number]
            many = n > 1
            why = {
                "repeated": "the same pitch as the note before" + (f", {n} notes" if many else ""),
                "held": f"{n} long notes, up to {longest_s:.1f} s" if many else f"one note of {longest_s:.1f} s",
                "run": f"{n} connected notes in quick steps",
                "detached": f"{n} short notes with silence between" if many else "a short note with silence after it",
                "trill": f"{n} notes that alternate by a step",
                "tremolo": f"{n} quick strokes or alternations",
            }[label]
            situations.append(Situation("figure", label, float(on_s[a]), float(reach_s[b]), why))
    return sorted(situations, key=lambda situation: situation.start_s)


def _repeated(notes: Notes, layers: Layers) -> NDArray[np.bool_]:
    """Notes struck again, all of a chord or none, and the first of a series of three or more that is evenly struck."""
    at = np.maximum(layers.previous, 0)
    between_s = notes.onset_s - notes.onset_s[at]
    gap_s = notes.onset_s - layers.sounding_end_s[at]
    again = (layers.previous >= 0) & (notes.pitch == notes.pitch[at]) & (between_s <= REPEAT_S)
    again &= layers.connected | (gap_s <= between_s / 3.0 + 0.01)
    first = np.flatnonzero(np.r_[True, np.diff(layers.attack) > 0])
    again &= np.logical_and.reduceat(again, first)[layers.attack]
    following = np.maximum(layers.following, 0)
    third = np.maximum(layers.following[following], 0)
    even = np.abs(np.log2(np.maximum(between_s[third], 1e-3) / np.maximum(between_s[following], 1e-3))) < 0.6
    opens = (layers.following >= 0) & again[following] & (layers.following[following] >= 0) & again[third] & even
    return np.asarray(again | opens)


def _line_figures(
    on_s: NDArray[np.float64],
    end_s: NDArray[np.float64],
    pitch: NDArray[np.int64],
    connected: NDArray[np.bool_],
    repeated: NDArray[np.bool_],
    passage: NDArray[np.int8],
) -> NDArray[np.int8]:
    """Figures of one layer; of two that fit, the later in the list at the end holds."""
    length_s = end_s - on_s
    gap_s = on_s[1:] - end_s[:-1]
    trill, tremolo = _alternations(on_s, gap_s, pitch)
    usual_s = _median_around(np.diff(on_s), len(on_s))
    held = length_s >= HELD_S
    held |= (length_s >= HELD_SHORT_S) & (length_s >= 3.0 * usual_s)

    silent = np.append(gap_s > JOIN_GAP_S, True)
    apart = silent & np.append(gap_s >= 0.5 * length_s[:-1], False)  # silence after it of half its length at least
    last = np.append(np.zeros(len(gap_s), dtype=bool), True)  # nothing tells how short the last one is but its length
    short = (length_s <= DETACHED_S) | (passage == PASSAGE_KINDS.index("short"))
    detached = short & (apart | last)
    slur = connected & np.r_[False, length_s[:-1] < SLURRED_S] & ~np.append(detached[1:], False)
    detached &= ~slur

    figure = np.zeros(len(on_s), dtype=np.int8)
    for name, mask in (
        ("repeated", repeated),
        ("held", held & ~(repeated & (length_s < HELD_S))),
        ("detached", detached),
        ("run", _runs(on_s, length_s, pitch, connected)),
        ("tremolo", tremolo),
        ("trill", trill & ~_stays(length_s, trill)),
    ):
        figure[mask] = FIGURES.index(name)
    return figure


def _alternations(
    on_s: NDArray[np.float64], gap_s: NDArray[np.float64], pitch: NDArray[np.int64]
) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Trills and tremolos of one layer. Pairs have shape (n - 1,): pair i joins note i to note i + 1."""
    between_s, interval = np.diff(on_s), np.diff(pitch)
    fast = between_s <= FAST_S
    back = np.zeros(len(interval), dtype=bool)  # pair i goes back to the pitch before it
    back[1:] = interval[1:] == -interval[:-1]
    swing = fast & (gap_s <= FAST_S / 2) & (interval != 0)
    swing[1:] &= back[1:] | ~swing[:-1]
    trill = _stretches(swing & (np.abs(interval) <= 2), back, at_least=4)
    wide = _stretches(swing & (np.abs(interval) > 2), back, at_least=5)
    always = np.ones_like(back)
    strokes = _stretches(fast & (interval == 0), always, at_least=2)  # three strokes of one pitch
    return trill, wide | _stretches(fast & strokes[1:] & strokes[:-1], always, at_least=4)


def _runs(
    on_s: NDArray[np.float64],
    length_s: NDArray[np.float64],
    pitch: NDArray[np.int64],
    connected: NDArray[np.bool_],
) -> NDArray[np.bool_]:
    """Four connected notes or more in quick steps; a single third between two steps does not end a run.

    The note on which a run arrives belongs to it only where it is as short.
    """
    size = np.abs(np.diff(pitch))
    quick = connected[1:] & (np.diff(on_s) <= RUN_NOTE_S) & (length_s[1:] <= RUN_NOTE_S + JOIN_GAP_S)
    step = quick & (size >= 1) & (size <= 2)
    third = quick & (size >= 3) & (size <= 4)
    third &= np.r_[False, step[:-1]] & np.append(step[1:], False)
    return _stretches(step | third, np.ones_like(step), at_least=3)


def _stays(length_s: NDArray[np.float64], trill: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Last notes of trills that stay."""
    return np.asarray(trill & ~np.append(trill[1:], False) & (length_s > 2 * FAST_S))


def _stretches(pair: NDArray[np.bool_], follows: NDArray[np.bool_], *, at_least: int) -> NDArray[np.bool_]:
    """Notes that stretches of at least so many true pairs cover, each following the last. Shape (n_pairs + 1,)."""
    n = len(pair)
    cover = np.zeros(n + 1, dtype=bool)
    if n == 0:
        return cover
    begins = pair & ~np.r_[False, pair[:-1] & follows[1:]]
    first = np.flatnonzero(begins)
    if not len(first):
        return cover
    stretch = np.cumsum(begins)
    counts = np.bincount(stretch[pair], minlength=len(first) + 1)
    good = pair & (counts[stretch] >= at_least)
    cover[:-1] |= good
    cover[1:] |= good
    return cover


def _median_around(between_s: NDArray[np.float64], n: int) -> NDArray[np.float64]:
    """Median inter-onset time of the four pairs before and after each note, shape (n,)."""
    if n < 2:
        return np.full(n, np.inf)
    padded = np.pad(between_s, (4, 4), constant_values=np.nan)
    window = np.lib.stride_tricks.sliding_window_view(padded, 8)[:n]  # (n, 8)
    order = np.sort(window, axis=1)
    n_real = np.sum(np.isfinite(window), axis=1)
    return np.asarray(order[np.arange(n), np.maximum((n_real - 1) // 2, 0)])
