"""Phrases of a cue's lines: a learned sense of beginnings, sure rests, and a division into plausible lengths.

How much each attack sounds like a beginning is heard by the model of `boundary_model.py`, in each line and across the
lines: cadences are common to many parts. Long rests cut for sure; between them the best division is found by dynamic
programming: what a beginning gains are its log odds, what a phrase costs depends on its length. Stretches longer than
half a minute are first cut at their clearest points, so that no decision depends on music further away. Where there is
no metre, or the playing does not keep to it, the model goes without and the reasons say so. Tracks of one instrument
that are split by articulation are heard as one line and share their phrases.

Units: seconds, quarter notes, log odds. Costs were chosen on held-out chorales and invented songs; lengths and sure
rests are common practice without a source.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from phrasewright.data.tempo import TempoMap
from phrasewright.model.boundary_features import Floats, Melody
from phrasewright.model.boundary_model import begin_probabilities, keeps_to_metre, without_metre
from phrasewright.model.hearing import Attacks
from phrasewright.model.layers import TOGETHER_S

USUAL_S = (2.0, 12.0)
"""Phrases of these lengths cost nothing."""
SHORT_COST, LONG_COST = 0.8, 2.0
"""Cost of being half as long as the shortest usual length, and twice as long as the longest."""
LONGEST_S = 16.0
"""No phrase is longer unless it is one note, or nothing divides it."""
BIAS = 0.4
"""Added to the log odds: F1 is best where a beginning is taken a little before it is as likely as not."""
LEAST_ODDS = -4.5
"""Notes with lower log odds cannot begin a phrase."""
WINDOW_S = 30.0
"""Stretches without a sure cut are divided at their clearest point until they are shorter than this."""
CLEAREST_WITHIN_S = 5.0
"""A point is clear enough to cut a long stretch where nothing within this distance is clearer."""
TIE_S = 8.0
"""Where all points are equally clear, the first of every eight seconds is taken."""
_MOST_POINTS = 500
SURE_REST_S = 1.2
"""A silence of this length ends a phrase unless like rests stand between all notes around; so does one of a bar."""
LONG_REST_S = 2.5
"""A silence of this length ends a phrase whatever else is heard."""
HEARD_REST_S = 0.12
"""A shorter silence is no reason anyone would give."""
DETACHED = 0.6
"""Share of silences among the gaps around from which on they are a way of playing, not breaths."""


def length_cost(length_s: Floats) -> Floats:
    """What phrases of each length cost in log odds, shape of `length_s`."""
    octaves = np.log2(np.maximum(length_s, 0.05))
    short = np.maximum(np.log2(USUAL_S[0]) - octaves, 0.0)
    long = np.maximum(octaves - np.log2(USUAL_S[1]), 0.0)
    return np.asarray(SHORT_COST * short**2 + LONG_COST * long**2 + 12.0 * np.maximum(length_s / LONGEST_S - 1.0, 0.0))


def odds_of(probability: Floats) -> Floats:
    """Log odds of each probability, kept within reason, with `BIAS`."""
    p = np.clip(probability, 1e-4, 1 - 1e-4)
    return np.asarray(np.log(p / (1 - p)) + BIAS)


def phrase_begins(melody: Melody, probability: Floats) -> list[int]:
    """Notes of a line at which phrases begin, from the probability of each; nothing is sure but the first."""
    sure = np.zeros(melody.n_notes, dtype=bool)
    return divide(melody.onset_s, melody.release_s, odds=odds_of(probability), sure=sure)


def divide(onset_s: Floats, release_s: Floats, *, odds: Floats, sure: NDArray[np.bool_]) -> list[int]:
    """Notes at which phrases begin, in order; the first note always does.

    Parameters
    ----------
    onset_s, release_s : float arrays, (n_notes,)
        Seconds.
    odds : float array, (n_notes,)
        Log odds of a phrase beginning at each note.
    sure : bool array, (n_notes,)
        Beginnings that stand whatever the odds.
    """
    n = len(onset_s)
    if n == 0:
        return []
    edges = np.flatnonzero(sure | (np.arange(n) == 0)).tolist()
    begins: list[int] = []
    for start, stop in zip(edges, [*edges[1:], n], strict=True):
        for low, high in _windows(onset_s, odds, start, stop):
            begins += _best(onset_s, release_s, odds, low, high)
    return begins


def _windows(onset_s: Floats, odds: Floats, start: int, stop: int) -> list[tuple[int, int]]:
    """Cut a stretch of more than `WINDOW_S` at its clearest likely points, and what is still longer at any clearest."""
    time_s = onset_s[start:stop]
    if time_s[-1] - time_s[0] <= WINDOW_S:
        return [(start, stop)]
    inside = np.round(odds[start:stop], 4)
    inside += 1e-5 * np.r_[0, np.diff(np.floor(time_s / TIE_S)) > 0]  # equal odds: a place that nothing far away moves
    low = np.searchsorted(time_s, time_s - CLEAREST_WITHIN_S, side="left")
    high = np.searchsorted(time_s, time_s + CLEAREST_WITHIN_S, side="right")
    around = np.stack([low, high], axis=1).ravel()
    clearest = inside >= np.maximum.reduceat(np.append(inside, -np.inf), around)[::2]
    clearest &= (time_s - time_s[0] >= CLEAREST_WITHIN_S) & (time_s[-1] - time_s >= CLEAREST_WITHIN_S)
    likely = [0, *np.flatnonzero(clearest & (inside > 0)).tolist(), len(time_s)]
    cuts = [0]
    for a, b in pairwise(likely):
        if time_s[b - 1] - time_s[a] > WINDOW_S:
            cuts += (a + 1 + np.flatnonzero(clearest[a + 1 : b])).tolist()
        cuts.append(b)
    return list(pairwise(start + cut for cut in cuts))


def _best(onset_s: Floats, release_s: Floats, odds: Floats, start: int, stop: int) -> list[int]:
    """Best division of one stretch: the first note of each phrase, by dynamic programming."""
    inner = start + 1 + np.flatnonzero(odds[start + 1 : stop] > LEAST_ODDS)
    if len(inner) > _MOST_POINTS:
        inner = np.sort(inner[np.argsort(-odds[inner], kind="stable")[:_MOST_POINTS]])
    points = np.concatenate(([start], inner))
    released_s = float(release_s[start:stop].max())
    end_s = min(float(onset_s[stop]), released_s) if stop < len(onset_s) else released_s
    at_s = np.append(onset_s[points], end_s)
    gain = np.append(odds[points], 0.0)
    best = np.full(len(at_s), -np.inf)
    best[0] = 0.0
    came = np.zeros(len(at_s), dtype=np.int64)
    value_of = -length_cost(at_s[:, None] - at_s)  # (end, begin)
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
class Beginnings:
    """How much each attack of a line sounds like a beginning, and what speaks for it; arrays of shape (n,).

    Parameters
    ----------
    probability
        0..1, as the model hears it among the other lines.
    rest_s
        Silence before.
    long
        How much longer the attack before is than usual around, in octaves.
    shared
        Share of the other sounding lines that begin a phrase here more likely than not.
    detached
        Share of the gaps around that are silences in like proportion.
    downbeat
        Whether it stands on a downbeat; False everywhere without metre.
    metre
        Whether bars and beats were used.
    """

    probability: NDArray[np.float64]
    rest_s: NDArray[np.float64]
    long: NDArray[np.float64]
    shared: NDArray[np.float64]
    detached: NDArray[np.float64]
    downbeat: NDArray[np.bool_]
    metre: bool


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


def beginnings_of(lines: Sequence[Line], tempo: TempoMap) -> list[Beginnings]:
    """How much each attack of lines that sound together sounds like a beginning, one answer a line."""
    melodies = [_melody(line, tempo) for line in lines]
    chances = begin_probabilities(melodies)
    shared = _shared(lines, chances)
    return [_beginnings(*row) for row in zip(lines, melodies, chances, shared, strict=True)]


def find_cuts(line: Line, tempo: TempoMap, *, beginnings: Beginnings | None = None) -> list[Cut]:
    """Where the phrases of a line begin; the first cut is the first attack.

    Parameters
    ----------
    line
        Of one instrument.
    tempo
        Of the file.
    beginnings : Beginnings, optional
        As `beginnings_of` answers for all lines together; without them the line is heard by itself.
    """
    if len(line.onset_s) == 0:
        return []
    heard = beginnings_of([line], tempo)[0] if beginnings is None else beginnings
    sure = (heard.rest_s >= SURE_REST_S) & (heard.detached < DETACHED)
    bar_s = tempo.bar_length_s(line.onset_s)
    sure |= heard.rest_s >= np.minimum(np.maximum(0.95 * bar_s, 0.6), LONG_REST_S)
    begins = divide(line.onset_s, line.release_s, odds=odds_of(heard.probability), sure=sure)
    return [_cut(line, heard, i, sure=bool(sure[i])) for i in begins]


def _melody(line: Line, tempo: TempoMap) -> Melody:
    """The line with its bars; without them where there are none, or where the playing does not keep to them."""
    n = len(line.onset_s)
    unknown = np.full(n, np.nan)
    plain = Melody(line.onset_s, _connected(line), line.pitch, line.onset_beat, unknown, unknown)
    if n == 0 or not tempo.has_metre:
        return without_metre(plain)
    tick = line.onset_beat * tempo.ticks_per_beat
    metre = np.maximum(np.searchsorted(tempo.metre_tick, tick + 0.5, side="right") - 1, 0)
    bar_beats = tempo.bar_ticks[metre] / tempo.ticks_per_beat
    melody = replace(plain, bar=tempo.tick_to_bar(tick), bar_beats=bar_beats)
    return melody if keeps_to_metre(melody) else without_metre(melody)


def _connected(line: Line) -> NDArray[np.float64]:
    """Releases as if detached notes were connected: silences that are a way of playing tell nothing of phrases."""
    if len(line.onset_s) < 2:
        return line.release_s
    rest_s = np.maximum(line.onset_s[1:] - np.maximum.accumulate(line.release_s)[:-1], 0.0)
    detached = _share_of_rests(rest_s, np.diff(line.onset_s)) >= DETACHED
    joined = np.where(detached & (rest_s < SURE_REST_S), line.onset_s[1:], line.release_s[:-1])
    return np.asarray(np.r_[joined, line.release_s[-1]])


def _beginnings(
    line: Line, melody: Melody, probability: NDArray[np.float64], shared: NDArray[np.float64]
) -> Beginnings:
    n = len(line.onset_s)
    rest_s, long, detached = np.zeros(n), np.zeros(n), np.zeros(n)
    if n > 1:
        between_s = np.maximum(np.diff(line.onset_s), 1e-3)
        rest_s[1:] = np.maximum(line.onset_s[1:] - np.maximum.accumulate(line.release_s)[:-1], 0.0)
        long[1:] = np.log2(between_s / _usual_around(between_s))
        detached[1:] = _share_of_rests(rest_s[1:], between_s)
    place = np.mod(melody.bar + 0.03, 1.0)
    metre = bool(np.isfinite(melody.bar).any())
    return Beginnings(probability, rest_s, long, shared, detached, np.nan_to_num(place, nan=1.0) < 0.06, metre)


def _shared(lines: Sequence[Line], chances: Sequence[NDArray[np.float64]]) -> list[NDArray[np.float64]]:
    """For each attack, how many other lines begin a phrase within 35 ms, out of those that attack there."""
    time_s = np.concatenate([line.onset_s for line in lines])
    order = np.argsort(time_s, kind="stable")
    time_s = time_s[order]
    likely = np.r_[0, np.cumsum(np.concatenate(list(chances))[order] > 0.5)]
    answer = []
    for line, chance in zip(lines, chances, strict=True):
        low = np.searchsorted(time_s, line.onset_s - TOGETHER_S, side="left")
        high = np.searchsorted(time_s, line.onset_s + TOGETHER_S, side="right")
        others = likely[high] - likely[low] - (chance > 0.5)
        answer.append(others / np.maximum(high - low - 1, 1))
    return answer


def _usual_around(between_s: NDArray[np.float64]) -> NDArray[np.float64]:
    """Median of the eight inter-onset times on both sides of each, shape of `between_s`."""
    padded = np.pad(between_s, 8, constant_values=np.nan)
    ordered = np.sort(np.lib.stride_tricks.sliding_window_view(padded, 17), axis=1)  # (n, 17)
    n_real = np.isfinite(ordered).sum(axis=1)
    return np.asarray(np.maximum(ordered[np.arange(len(between_s)), (n_real - 1) // 2], 1e-3))


def _share_of_rests(rest_s: NDArray[np.float64], between_s: NDArray[np.float64]) -> NDArray[np.float64]:
    """Share of the gaps around each that are silences in like proportion: detached playing, not breathing."""
    share = rest_s / np.maximum(between_s, 1e-3)
    like = np.pad((share > 0.2).astype(np.float64), 4)
    window = np.lib.stride_tricks.sliding_window_view(like, 9)  # (n, 9)
    return np.asarray((window.sum(axis=1) - (share > 0.2)) / 8.0)


def _cut(line: Line, heard: Beginnings, i: int, *, sure: bool) -> Cut:
    """The cut before attack i with its reason in words."""
    time_s = float(line.onset_s[i])
    if i == 0:
        return Cut(time_s, 1.0, "the part begins")
    why = []
    if heard.rest_s[i] > HEARD_REST_S:
        why.append(f"after a rest of {heard.rest_s[i]:.2f} s")
    if heard.long[i] > 0.6 and heard.rest_s[i] < 0.5:
        why.append("after a long note")
    if heard.shared[i] > 0.25:
        why.append("other parts begin here too")
    if heard.downbeat[i]:
        why.append("on a downbeat")
    if not sure and heard.probability[i] >= 0.5:
        why.append(f"sounds like a beginning ({heard.probability[i]:.2f})")
    if not heard.metre:
        why.append("heard without metre")
    strength = 1.0 if sure else float(np.clip(heard.probability[i], 0.05, 1.0))
    return Cut(time_s, strength, ", ".join(why) or "the clearest place in a long line")
