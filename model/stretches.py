"""Stretches of parts side by side: what each plays over a few bars, and how it stands to what sounds with it.

A stretch is a phrase, or a piece of a long phrase cut where several other parts begin one. Roles are decided on
stretches (`roles.py`). All arrays of `Stretches` have shape (n_stretches,), all of `Pairs` (n_pairs,); times in
seconds, heights in MIDI pitches. Everything is measured on a stretch and those that overlap it, so nothing depends on
music further away.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

from phrasewright.model.hearing import Attacks, Phrase
from phrasewright.model.layers import TOGETHER_S

CUT_LONGER_S = 6.0
"""Phrases longer than this are cut where several other parts begin a phrase."""
PIECE_S = 2.0
"""No piece is shorter than this."""
DOUBLED = 0.66
"""Share of all attacks that must agree in time and pitch class where one part doubles another."""
_NEAR_S, _CLUSTER_S = 0.045, 0.09
"""Attacks of different parts that hands place this near to each other are together (common practice, no source)."""
_STEP_VALUE = np.array([0.15, 1.0, 1.0, 0.6, 0.6, 0.4, 0.3, 0.4])
"""How much each interval (0 to 7 semitones) sounds like singing; larger ones .1 (common practice, no source)."""


@dataclass(frozen=True)
class Stretches:
    """What each stretch plays.

    Parameters
    ----------
    part : int
        Index from 0 of its part or voice.
    first, last : int
        Its attacks.
    start_s, end_s : float
        From its first onset to the end of its sound, at most to the next stretch of the part.
    n_attacks : int
    pitch, low : float
        Mean of the highest and of the lowest notes, weighted by length.
    thickness : float
        Mean number of notes sounding.
    variety : float, 0..1
        Distinct pitches over the attacks, at most six of them: 1 where nothing comes back, 1/6 for one repeated note.
    n_classes : int
        Distinct pitch classes of the highest notes.
    singing : float, 0..1
        How much its intervals are steps.
    uneven : float, 0..1
        How much its note lengths vary.
    rate : float
        Attacks a second.
    velocity : float
        Mean.
    pattern : float, 0..1
        Share of attacks whose pitch comes back after the same number of attacks, at the best such number up to 12:
        near 1 for an ostinato, a tremolo or an accompanying figure.
    steps : float, 0..1
        Share of intervals of one or two semitones among those that move.
    last_s : float
        Its last onset.
    """

    part: NDArray[np.int64]
    first: NDArray[np.int64]
    last: NDArray[np.int64]
    start_s: NDArray[np.float64]
    end_s: NDArray[np.float64]
    n_attacks: NDArray[np.int64]
    pitch: NDArray[np.float64]
    low: NDArray[np.float64]
    thickness: NDArray[np.float64]
    variety: NDArray[np.float64]
    n_classes: NDArray[np.int64]
    singing: NDArray[np.float64]
    uneven: NDArray[np.float64]
    rate: NDArray[np.float64]
    velocity: NDArray[np.float64]
    pattern: NDArray[np.float64]
    steps: NDArray[np.float64]
    last_s: NDArray[np.float64]

    @property
    def n_stretches(self) -> int:
        """How many."""
        return len(self.part)

    @property
    def length_s(self) -> NDArray[np.float64]:
        """Seconds of each, shape (n_stretches,)."""
        return self.end_s - self.start_s


@dataclass(frozen=True)
class Pairs:
    """Stretches of different parts that overlap: every pair in both directions, sorted by `one`.

    Parameters
    ----------
    one, other : int
        Index into the stretches.
    overlap_s : float
        How long both sound.
    together : float, 0..1
        Attacks they have in common over the attacks of either, within the overlap.
    doubling : bool
        At least three attacks, and two thirds of all within the overlap, are common and of one pitch class:
        unison or octaves.
    unison : bool
        The same, but for how few attacks there are.
    """

    one: NDArray[np.int64]
    other: NDArray[np.int64]
    overlap_s: NDArray[np.float64]
    together: NDArray[np.float64]
    doubling: NDArray[np.bool_]
    unison: NDArray[np.bool_]

    def take(self, mask: NDArray[np.bool_]) -> Pairs:
        """The chosen pairs."""
        rest = (self.together[mask], self.doubling[mask], self.unison[mask])
        return Pairs(self.one[mask], self.other[mask], self.overlap_s[mask], *rest)


def stretches_of(parts: Sequence[tuple[Attacks, tuple[Phrase, ...]]]) -> Stretches:
    """All stretches of all parts, by part and time."""
    common_s = _common_starts(parts)
    found = [
        _measured(index, attacks, _pieces(attacks, phrases, common_s))
        for index, (attacks, phrases) in enumerate(parts)
        if attacks.n_attacks
    ]
    if not found:
        whole, real = np.zeros(0, dtype=np.int64), np.zeros(0)
        return Stretches(
            *(whole, whole, whole, real, real, whole, real, real, real, real, whole),
            *(real, real, real, real, real, real, real),
        )
    return Stretches(*(np.concatenate([getattr(one, column.name) for one in found]) for column in fields(Stretches)))


def _common_starts(parts: Sequence[tuple[Attacks, tuple[Phrase, ...]]]) -> NDArray[np.float64]:
    """Times at which two or more parts, and a third of those sounding, begin a phrase."""
    starts_s = np.sort(np.array([p.start_s for _, phrases in parts for p in phrases]))
    ends_s = np.sort(np.array([p.end_s for _, phrases in parts for p in phrases]))
    if len(starts_s) < 2:
        return np.zeros(0)
    first = np.r_[True, np.diff(starts_s) > TOGETHER_S]
    time_s = starts_s[first]
    count = np.diff(np.r_[np.flatnonzero(first), len(starts_s)])
    active = np.searchsorted(starts_s, time_s + TOGETHER_S, side="right") - np.searchsorted(ends_s, time_s + TOGETHER_S)
    return np.asarray(time_s[(count >= 2) & (count >= active / 3)])


def _pieces(attacks: Attacks, phrases: tuple[Phrase, ...], common_s: NDArray[np.float64]) -> NDArray[np.int64]:
    """First attack of each stretch of one part."""
    first: list[int] = []
    for phrase in phrases:
        first.append(phrase.first_attack)
        if phrase.end_s - phrase.start_s <= CUT_LONGER_S:
            continue
        low, high = np.searchsorted(common_s, [phrase.start_s + PIECE_S, phrase.end_s - PIECE_S])
        for time_s in common_s[low:high].tolist():
            at = int(np.searchsorted(attacks.onset_s, time_s - TOGETHER_S))
            if at <= phrase.last_attack and attacks.onset_s[at] - attacks.onset_s[first[-1]] >= PIECE_S:
                first.append(at)
    return np.array(first, dtype=np.int64)


def _measured(index: int, attacks: Attacks, first: NDArray[np.int64]) -> Stretches:
    """The stretches of one part, which is the one at `index`, that begin with the attacks `first`."""
    n = attacks.n_attacks
    last = np.r_[first[1:] - 1, n - 1]
    count = last - first + 1
    start_s = attacks.onset_s[first]
    end_s = np.minimum(np.maximum.reduceat(attacks.release_s, first), np.r_[start_s[1:], np.inf])
    weight = np.maximum(attacks.end_s - attacks.onset_s, 1e-3)
    total = np.add.reduceat(weight, first)

    def weighted(values: NDArray[np.float64] | NDArray[np.int64]) -> NDArray[np.float64]:
        return np.asarray(np.add.reduceat(values * weight, first) / total)

    of = np.repeat(np.arange(len(first)), count)
    pairs = np.flatnonzero(of[1:] == of[:-1])  # attack i and i + 1 in one stretch
    n_pairs = np.bincount(of[pairs], minlength=len(first))
    interval = np.minimum(np.abs(np.diff(attacks.pitch)), len(_STEP_VALUE))
    singing = np.bincount(of[pairs], weights=np.r_[_STEP_VALUE, 0.1][interval[pairs]], minlength=len(first))
    between_s = np.maximum(np.diff(attacks.onset_s), 1e-3)
    inner = pairs[:-1][np.diff(pairs) == 1]
    inner = inner[of[inner] == of[inner + 2]] if len(inner) else inner
    differs = np.abs(np.log2(between_s[inner + 1] / between_s[inner])) > 0.4
    uneven = np.bincount(of[inner], weights=differs, minlength=len(first)) / np.maximum(n_pairs - 1, 1)
    moves = (interval > 0).astype(np.float64)
    small = ((interval == 1) | (interval == 2)).astype(np.float64)
    n_moves, n_small = (np.bincount(of[pairs], weights=w[pairs], minlength=len(first)) for w in (moves, small))
    distinct = _distinct(of, attacks.pitch)
    turns = np.minimum(n_moves.astype(np.int64) + 1, count)  # a note struck again is no new one
    few = np.minimum(np.where(turns >= 3, turns, count), 6)
    variety = np.where(count == 1, 0.2, np.where(count == 2, 0.5, 1.0) * distinct / few)
    span_s = np.maximum(attacks.onset_s[last] - start_s, 0.0) * count / np.maximum(count - 1, 1)
    return Stretches(
        part=np.full(len(first), index),
        first=first,
        last=last,
        start_s=start_s,
        end_s=end_s,
        n_attacks=count,
        pitch=weighted(attacks.pitch),
        low=weighted(attacks.low_pitch),
        thickness=weighted(attacks.n_sounding),
        variety=np.minimum(variety, 1.0),
        n_classes=_distinct(of, attacks.pitch % 12),
        singing=singing / np.maximum(n_pairs, 1),
        uneven=np.minimum(uneven / 0.35, 1.0),
        rate=count / np.maximum(np.maximum(span_s, end_s - start_s), 0.3),
        velocity=weighted(attacks.velocity),
        pattern=_pattern(of, attacks.pitch, count),
        steps=n_small / np.maximum(n_moves, 1),
        last_s=attacks.onset_s[last],
    )


def _pattern(of: NDArray[np.int64], pitch: NDArray[np.int64], count: NDArray[np.int64]) -> NDArray[np.float64]:
    """Share of attacks of each stretch that come back after the same number of attacks, the best number up to 12."""
    best = np.zeros(len(count))
    for period in range(1, 13):
        if period >= len(pitch):
            break
        same_stretch = of[period:] == of[:-period]
        back = same_stretch & (pitch[period:] == pitch[:-period])
        share = np.bincount(of[period:], weights=back, minlength=len(count)) / np.maximum(count - period, 1)
        best = np.where(count >= max(2 * period, 4), np.maximum(best, share), best)
    return best


def _distinct(of: NDArray[np.int64], values: NDArray[np.int64]) -> NDArray[np.int64]:
    """How many distinct values each stretch has."""
    keys = np.unique(of * 128 + values)
    return np.bincount(keys // 128, minlength=int(of[-1]) + 1)


def pairs_of(stretches: Stretches, parts: Sequence[tuple[Attacks, tuple[Phrase, ...]]]) -> Pairs:
    """Which stretches of different parts overlap by at least a tenth of a second, and how alike they move."""
    one, other = _overlapping(stretches)
    overlap_s = np.minimum(stretches.end_s[one], stretches.end_s[other])
    overlap_s -= np.maximum(stretches.start_s[one], stretches.start_s[other])
    common, alike, n_one, n_other = _coincidences(stretches, parts, one, other)
    either = np.maximum(n_one + n_other - common, 1)
    unison = (alike >= DOUBLED * np.maximum(n_one, n_other)) & (alike >= 1)
    long = overlap_s >= 0.5 * np.minimum(stretches.length_s[one], stretches.length_s[other])
    return Pairs(one, other, overlap_s, common / either, unison & long & (alike >= 3), unison)


def _overlapping(stretches: Stretches) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Indices of overlapping stretches of different parts, sorted by the first.

    Candidates are looked up by start within the longest length of their class, so that one drone through a whole cue
    does not make every stretch a candidate for every other.
    """
    longest_s = [8.0, 64.0, 512.0, np.inf]
    of_class = np.searchsorted(longest_s, stretches.length_s)
    found = []
    for number in np.unique(of_class):
        members = np.flatnonzero(of_class == number)
        members = members[np.argsort(stretches.start_s[members], kind="stable")]
        starts_s = stretches.start_s[members]
        reach_s = float(stretches.length_s[members].max())
        low = np.searchsorted(starts_s, stretches.start_s - reach_s, side="left")
        high = np.searchsorted(starts_s, stretches.end_s - 0.1, side="right")
        count = np.maximum(high - low, 0)
        one = np.repeat(np.arange(stretches.n_stretches), count)
        place = np.arange(len(one)) - np.repeat(np.cumsum(count) - count, count)
        other = members[np.repeat(low, count) + place]
        keep = (stretches.part[one] != stretches.part[other]) & (stretches.end_s[other] > stretches.start_s[one] + 0.1)
        found.append((one[keep], other[keep]))
    one, other = (np.concatenate(column) for column in zip(*found, strict=True))
    order = np.argsort(one, kind="stable")
    return one[order], other[order]


def _coincidences(
    stretches: Stretches,
    parts: Sequence[tuple[Attacks, tuple[Phrase, ...]]],
    one: NDArray[np.int64],
    other: NDArray[np.int64],
) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.int64], NDArray[np.int64]]:
    """For each pair: common attacks, common attacks of one pitch class, attacks of each within the overlap."""
    sizes = [attacks.n_attacks for attacks, _ in parts]
    base = np.r_[0, np.cumsum(sizes)]
    onset_s = np.concatenate([attacks.onset_s for attacks, _ in parts])
    tone = np.concatenate([attacks.pitch % 12 for attacks, _ in parts])
    count = stretches.n_attacks
    of = np.repeat(np.arange(stretches.n_stretches), count)  # stretches stand by part and time, as attacks do
    order = np.argsort(onset_s, kind="stable")
    cluster = np.empty(len(onset_s), dtype=np.int64)
    cluster[order] = _clusters(onset_s[order])

    n = stretches.n_stretches
    key = one * n + other  # sorted by `one`, not by `other`
    by_key = np.argsort(key)
    common, alike = np.zeros(len(one), dtype=np.int64), np.zeros(len(one), dtype=np.int64)
    left, right = _within_clusters(cluster)
    where = np.searchsorted(key[by_key], of[left] * n + of[right])
    where = np.minimum(where, len(key) - 1)
    if len(key):
        where = by_key[where]
        known = key[where] == of[left] * n + of[right]
        common = np.bincount(where[known], minlength=len(one))
        alike = np.bincount(where[known & (tone[left] == tone[right])], minlength=len(one))

    start_s = np.maximum(stretches.start_s[one], stretches.start_s[other]) - TOGETHER_S
    end_s = np.minimum(stretches.end_s[one], stretches.end_s[other]) - TOGETHER_S
    n_one, n_other = (_attacks_within(stretches, onset_s, base, which, start_s, end_s) for which in (one, other))
    return common, alike, n_one, n_other


def _attacks_within(
    stretches: Stretches,
    onset_s: NDArray[np.float64],
    base: NDArray[np.int64],
    which: NDArray[np.int64],
    start_s: NDArray[np.float64],
    end_s: NDArray[np.float64],
) -> NDArray[np.int64]:
    """How many attacks of each stretch begin between two times; shape of `which`."""
    part = stretches.part[which]
    offset = 1e5 * np.arange(len(base) - 1)  # one long line of all parts, each on its own stretch of time
    line_s = onset_s + np.repeat(offset, np.diff(base))
    low = np.searchsorted(line_s, start_s + offset[part])
    high = np.searchsorted(line_s, end_s + offset[part])
    first = base[part] + stretches.first[which]
    last = base[part] + stretches.last[which] + 1
    return np.asarray(np.clip(high, first, last) - np.clip(low, first, last))


def _clusters(onset_s: NDArray[np.float64]) -> NDArray[np.int64]:
    """Numbers of clusters of sorted onsets: a new one after 45 ms of nothing, or 90 ms after its first."""
    number, first_s, before_s = 0, -np.inf, -np.inf
    answer = []
    for time_s in onset_s.tolist():
        if time_s - before_s > _NEAR_S or time_s - first_s > _CLUSTER_S:
            number, first_s = number + 1, time_s
        before_s = time_s
        answer.append(number)
    return np.array(answer, dtype=np.int64)


def _within_clusters(cluster: NDArray[np.int64]) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """All ordered pairs of different attacks in one cluster."""
    order = np.argsort(cluster, kind="stable")
    ordered = cluster[order]
    first = np.flatnonzero(np.r_[True, np.diff(ordered) > 0]) if len(order) else np.zeros(0, dtype=np.int64)
    size = np.diff(np.r_[first, len(order)])
    each = np.repeat(size, size)
    begin = np.repeat(first, size)
    left = np.repeat(np.arange(len(order)), each)
    place = np.arange(len(left)) - np.repeat(np.cumsum(each) - each, each)
    right = np.repeat(begin, each) + place
    keep = left != right
    return order[left[keep]], order[right[keep]]
