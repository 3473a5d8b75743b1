"""A first phrase finder: rests, long notes, boundary strength and bar structure, decided within a few bars.

Every attack gets a score for a phrase beginning there. Long rests cut for sure; between them the best division is found
by dynamic programming over scores and lengths. Stretches without a rest are first cut at their clearest points into
windows of bounded length, so that no decision depends on music further away than about half a minute. Tracks of one
instrument that are split by articulation are heard as one line and share their phrases.

Units: seconds, quarter notes. Weights and lengths are common practice without a source unless said otherwise; boundary
strength is Cambouropoulos 2001 (`boundaries.py`), scaled over a window.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from phrasewright.data.tempo import TempoMap
from phrasewright.model.boundaries import local_boundary_strength
from phrasewright.model.hearing import Attacks
from phrasewright.model.layers import TOGETHER_S

STRENGTH_WINDOW = 12
"""Attacks on both sides over which boundary strength is scaled."""
TIE_S = 8.0
"""Where all points are equally clear, the first of every eight seconds is taken."""
SURE_REST_S = 1.2
"""A silence of this length ends a phrase unless like rests stand between all notes around; so does one of a bar."""
LONG_REST_S = 2.5
"""A silence of this length ends a phrase whatever else is heard."""
BEST_LENGTH_S = 5.0
"""Length without penalty; a phrase costs more the more octaves of length it is away."""
SHORTEST_S = 1.2
"""Shorter phrases are hardly ever heard between rests."""
FEW_BARS = 0.25
"""Cost of a phrase of one bar, more for less, nothing from two bars or 7 s on."""
WHOLE_BARS, EVEN_BARS = 0.08, 0.16
"""What a phrase of a whole number of bars gains, and of an even one."""
LONGEST_S = 16.0
"""No phrase is longer unless it is one note, or nothing divides it."""
WINDOW_S = 30.0
"""Stretches without a sure cut are divided at their clearest point until they are shorter than this."""
CLEAREST_WITHIN_S = 5.0
"""A point is clear enough to cut a long stretch where no score within this distance is higher."""
SHARED_WEIGHT = 0.8
"""Weight of the other lines' mean score: cadences are common to many parts."""
PARALLEL = 0.12
"""What a phrase gains that begins with the rhythm of the one before, and again with its intervals."""
_MOTIF = 4
_MOST_POINTS = 500
LEAST_SCORE = 0.04
"""Attacks that score less cannot begin a phrase."""
THRESHOLD = 0.50
"""What a boundary must score to be worth its place among phrases of good length."""


@dataclass(frozen=True)
class Line:
    """The attacks of one instrument in order, tracks of one group together; arrays of shape (n,)."""

    onset_s: NDArray[np.float64]
    onset_beat: NDArray[np.float64]
    release_s: NDArray[np.float64]
    pitch: NDArray[np.float64]


@dataclass(frozen=True)
class Cut:
    """The beginning of a phrase: when, how sure (0..1), and why."""

    time_s: float
    strength: float
    why: str


@dataclass(frozen=True)
class Scores:
    """How much each attack sounds like a beginning, with the reasons apart; arrays of shape (n,)."""

    total: NDArray[np.float64]
    rest_s: NDArray[np.float64]
    long: NDArray[np.float64]
    change: NDArray[np.float64]
    downbeat: NDArray[np.float64]
    detached: NDArray[np.float64]
    shared: NDArray[np.float64]


def line_of(parts: list[Attacks]) -> Line:
    """One line from the attacks of the parts of a group; attacks that start together become one."""
    onset_s = np.concatenate([a.onset_s for a in parts])
    order = np.argsort(onset_s, kind="stable")
    onset_s = onset_s[order]
    onset_beat = np.concatenate([a.onset_beat for a in parts])[order]
    release_s = np.concatenate([a.release_s for a in parts])[order]
    pitch = np.concatenate([a.pitch for a in parts])[order].astype(np.float64)
    if len(parts) > 1 and len(onset_s):
        first = np.flatnonzero(np.r_[True, np.diff(onset_s) > TOGETHER_S])
        onset_s, onset_beat = onset_s[first], onset_beat[first]
        release_s, pitch = np.maximum.reduceat(release_s, first), np.maximum.reduceat(pitch, first)
    return Line(onset_s, onset_beat, release_s, pitch)


def find_cuts(
    line: Line, tempo: TempoMap, *, scores: Scores | None = None, shared: NDArray[np.float64] | None = None
) -> list[Cut]:
    """Where the phrases of a line begin; the first cut is the first attack.

    Parameters
    ----------
    line
        Of one instrument.
    tempo
        Of the file.
    scores : Scores, optional
        As `boundary_scores` answers, where they are known already.
    shared : float array, (n,), optional
        How much the other lines sound like beginning at each attack (`shared_scores`).
    """
    n = len(line.onset_s)
    if n == 0:
        return []
    if scores is None:
        scores = boundary_scores(line, tempo)
    if shared is not None:
        scores = replace(scores, total=scores.total + SHARED_WEIGHT * shared, shared=shared)
    bar = tempo.tick_to_bar(line.onset_beat * tempo.ticks_per_beat) if tempo.has_metre else np.full(n, np.nan)
    bar_s = tempo.bar_length_s(line.onset_s)
    sure = (scores.rest_s >= SURE_REST_S) & (scores.detached < 0.6)
    sure |= scores.rest_s >= np.minimum(np.maximum(0.95 * bar_s, 0.6), LONG_REST_S)
    sure[0] = True
    edges = np.flatnonzero(sure).tolist()
    codes = _motifs(line)
    begins: list[int] = []
    for start, stop in zip(edges, [*edges[1:], n], strict=True):
        for low, high in _windows(line, scores.total, start, stop):
            begins += _divide(line, scores.total, bar, codes, low, high)
    return [_cut(line, scores, tempo, i) for i in begins]


def boundary_scores(line: Line, tempo: TempoMap) -> Scores:
    """Score of a phrase beginning at each attack, from its surroundings alone."""
    n = len(line.onset_s)
    zero = np.zeros(n)
    if n < 2:
        return Scores(zero, zero, zero, zero, zero, zero, zero)
    reach_s = np.maximum.accumulate(line.release_s)
    between_s = np.diff(line.onset_s)
    rest_s = np.maximum(line.onset_s[1:] - reach_s[:-1], 0.0)
    beat_s = tempo.beat_length_s(line.onset_s[1:])
    usual_s = _usual_before(between_s)
    change = local_boundary_strength(
        np.abs(np.diff(line.pitch)), inter_onset=between_s, rest=rest_s, window=STRENGTH_WINDOW
    )
    long = np.clip(np.log2(np.maximum(between_s, 1e-3) / usual_s), 0.0, 2.0) / 2.0
    rest = np.clip(rest_s / np.maximum(beat_s, 0.4), 0.0, 1.5) / 1.5
    rest *= rest_s > np.maximum(0.12, 0.15 * between_s)
    detached = _share_of_rests(rest_s, between_s)
    downbeat = _downbeat_weight(line, tempo)[1:]
    total = 0.55 * rest * (1.0 - 0.6 * detached) + 0.40 * long + 0.35 * change + 0.08 * downbeat
    return Scores(*(np.r_[0.0, values] for values in (total, rest_s, long, change, downbeat, detached, zero[1:])))


def shared_scores(lines: list[Line], scores: list[Scores]) -> list[NDArray[np.float64]]:
    """For each attack of each line, the mean score of the other lines that sound around it.

    A line that does not attack within 35 ms counts with 0: it goes through. Lines silent for two seconds on both sides
    do not count.
    """
    time_s = np.concatenate([line.onset_s for line in lines])
    order = np.argsort(time_s, kind="stable")
    time_s = time_s[order]
    summed = np.r_[0.0, np.cumsum(np.concatenate([score.total for score in scores])[order])]
    spans = [_spans(line, reach_s=2.0) for line in lines]
    starts = np.sort(np.concatenate([a for a, _ in spans]))
    ends = np.sort(np.concatenate([b for _, b in spans]))
    answer = []
    for line, score in zip(lines, scores, strict=True):
        low = np.searchsorted(time_s, line.onset_s - TOGETHER_S, side="left")
        high = np.searchsorted(time_s, line.onset_s + TOGETHER_S, side="right")
        active = np.searchsorted(starts, line.onset_s, side="right") - np.searchsorted(ends, line.onset_s, side="left")
        others = np.round(summed[high] - summed[low] - score.total, 6)  # free of what was summed before
        answer.append(np.clip(others / np.maximum(active - 1, 1), 0.0, 1.0) * (active > 1))
    return answer


def _spans(line: Line, *, reach_s: float) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Starts and ends of the stretches in which a line sounds, widened on both sides and merged."""
    if not len(line.onset_s):
        return np.zeros(0), np.zeros(0)
    end_s = np.maximum.accumulate(line.release_s)
    first = np.flatnonzero(np.r_[True, line.onset_s[1:] > end_s[:-1] + 2 * reach_s])
    return line.onset_s[first] - reach_s, end_s[np.r_[first[1:] - 1, len(end_s) - 1]] + reach_s


def _usual_before(between_s: NDArray[np.float64]) -> NDArray[np.float64]:
    """Median of the eight inter-onset times on both sides of each, shape of `between_s`."""
    padded = np.pad(between_s, 8, constant_values=np.nan)
    window = np.lib.stride_tricks.sliding_window_view(padded, 17)  # (n, 17)
    ordered = np.sort(window, axis=1)
    n_real = np.sum(np.isfinite(window), axis=1)
    return np.asarray(np.maximum(ordered[np.arange(len(between_s)), (n_real - 1) // 2], 1e-3))


def _share_of_rests(rest_s: NDArray[np.float64], between_s: NDArray[np.float64]) -> NDArray[np.float64]:
    """Share of the gaps around each that are silences in like proportion: detached playing, not breathing."""
    share = rest_s / np.maximum(between_s, 1e-3)
    like = np.pad((share > 0.2).astype(np.float64), 4)
    window = np.lib.stride_tricks.sliding_window_view(like, 9)  # (n, 9)
    return np.asarray((window.sum(axis=1) - (share > 0.2)) / 8.0)


def _downbeat_weight(line: Line, tempo: TempoMap) -> NDArray[np.float64]:
    """1 on the downbeat of every fourth bar, less on other downbeats, 0 elsewhere or without metre."""
    n = len(line.onset_s)
    if not tempo.has_metre:
        return np.zeros(n)
    bar = tempo.tick_to_bar(line.onset_beat * tempo.ticks_per_beat)
    whole = np.rint(bar)
    on = np.abs(bar - whole) < 0.03
    number = (whole - 1).astype(np.int64)
    weight = np.where(number % 4 == 0, 1.0, np.where(number % 2 == 0, 0.8, 0.5))
    return np.where(on, weight, 0.0)


def _windows(line: Line, total: NDArray[np.float64], start: int, stop: int) -> list[tuple[int, int]]:
    """Divide a stretch of attacks at its clearest points until none is longer than `WINDOW_S`."""
    time_s = line.onset_s[start:stop]
    if time_s[-1] - time_s[0] <= WINDOW_S:
        return [(start, stop)]
    inside = np.round(total[start:stop], 6)
    inside += (
        1e-7 * np.r_[0, np.diff(np.floor(time_s / TIE_S)) > 0]
    )  # equal scores: the same place whatever happens elsewhere
    low = np.searchsorted(time_s, time_s - CLEAREST_WITHIN_S, side="left")
    high = np.searchsorted(time_s, time_s + CLEAREST_WITHIN_S, side="right")
    clearest = np.array([inside[i] >= inside[a:b].max() for i, (a, b) in enumerate(zip(low, high, strict=True))])
    clearest &= (time_s - time_s[0] >= CLEAREST_WITHIN_S) & (time_s[-1] - time_s >= CLEAREST_WITHIN_S)
    cuts = [start, *(start + np.flatnonzero(clearest)).tolist(), stop]
    return list(pairwise(cuts))


def _divide(
    line: Line,
    total: NDArray[np.float64],
    bar: NDArray[np.float64],
    codes: tuple[NDArray[np.int64], NDArray[np.int64]],
    start: int,
    stop: int,
) -> list[int]:
    """Best division of one stretch into phrases: the first attack of each, by dynamic programming."""
    inner = start + 1 + np.flatnonzero(total[start + 1 : stop] > LEAST_SCORE)
    if len(inner) > _MOST_POINTS:
        inner = np.sort(inner[np.argsort(-total[inner], kind="stable")[:_MOST_POINTS]])
    points = np.concatenate(([start], inner))
    released_s = float(line.release_s[start:stop].max())
    end_s = min(float(line.onset_s[stop]), released_s) if stop < len(line.onset_s) else released_s
    at_s = np.append(line.onset_s[points], end_s)
    at_bar = np.append(bar[points], np.nan)
    gain = np.append(total[points] - THRESHOLD, 0.0)
    best = np.full(len(at_s), -np.inf)
    best[0] = 0.0
    came = np.zeros(len(at_s), dtype=np.int64)
    value_of = -length_cost(at_s[:, None] - at_s, at_bar[:, None] - at_bar)  # (end, begin)
    rhythm, tune = (code[points] for code in codes)
    alike = (rhythm[:, None] == rhythm) & (rhythm > 0)
    value_of[:-1, :-1] += PARALLEL * alike * (1.0 + (tune[:, None] == tune))
    for k in range(1, len(at_s)):
        value = best[:k] + value_of[k, :k]
        came[k] = value.argmax()
        best[k] = value[came[k]] + gain[k]
    chosen = []
    k = int(came[-1])
    while k > 0:
        chosen.append(int(points[k]))
        k = int(came[k])
    return [start, *reversed(chosen)]


def _motifs(line: Line) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Codes of the four inter-onset times and intervals from each attack on; rhythm 0 where even or at the end."""
    n = len(line.onset_s)
    rhythm, tune = np.zeros(n, dtype=np.int64), np.zeros(n, dtype=np.int64)
    if n <= _MOTIF:
        return rhythm, tune
    between = np.clip(np.rint(np.diff(line.onset_beat) * 6), 0, 63).astype(np.int64)  # sixths of a quarter note
    interval = np.clip(np.diff(line.pitch), -30, 30).astype(np.int64) + 31
    size = n - _MOTIF
    even = np.ones(size, dtype=bool)
    for step in range(_MOTIF):
        rhythm[:size] = rhythm[:size] * 64 + between[step : step + size]
        tune[:size] = tune[:size] * 64 + interval[step : step + size]
        even &= between[step : step + size] == between[:size]
    rhythm[:size][even] = 0
    return rhythm, tune


def length_cost(length_s: NDArray[np.float64], length_bar: NDArray[np.float64]) -> NDArray[np.float64]:
    """What phrases of each length cost; whole bars, best two, four or eight, cost less than others.

    Parameters
    ----------
    length_s, length_bar : float arrays of one shape
        Seconds, and bars (NaN without metre).
    """
    octaves = np.log2(np.maximum(length_s, 0.05) / BEST_LENGTH_S)
    cost = np.where(octaves < 0, 0.14, 0.20) * octaves**2
    cost += 2.0 * np.maximum(length_s / LONGEST_S - 1.0, 0.0) + 0.5 * (length_s < SHORTEST_S)
    few_bars = np.fmin(np.fmax(np.log2(2.0 / np.maximum(length_bar, 0.1)), 0.0), 1.5)  # 0 without metre
    cost += FEW_BARS * few_bars * np.clip((7.0 - length_s) / 2.0, 0.0, 1.0)
    whole = np.rint(length_bar)
    near = np.abs(length_bar - whole) < 0.04
    even = near & (np.abs(length_bar / 2 - np.rint(length_bar / 2)) < 0.02)
    return np.asarray(cost - np.where(even, EVEN_BARS, np.where(near, WHOLE_BARS, 0.0)))


def _cut(line: Line, scores: Scores, tempo: TempoMap, i: int) -> Cut:
    """The cut before attack i with its reason in words."""
    time_s = float(line.onset_s[i])
    if i == 0:
        return Cut(time_s, 1.0, "the part begins")
    why = []
    if scores.rest_s[i] > 0.12:
        why.append(f"after a rest of {scores.rest_s[i]:.2f} s")
    if scores.long[i] > 0.3 and scores.rest_s[i] < 0.5:
        why.append("after a long note")
    if scores.change[i] > 0.4 and scores.rest_s[i] < LONG_REST_S:
        why.append(f"boundary strength {scores.change[i]:.2f}")
    if scores.shared[i] > 0.25:
        why.append("other parts begin here too")
    if scores.downbeat[i] > 0:
        why.append("on a downbeat")
    strength = 1.0 if scores.rest_s[i] >= SURE_REST_S else float(np.clip(scores.total[i] / 0.9, 0.05, 1.0))
    return Cut(time_s, strength, ", ".join(why) or "the clearest place in a long line")
