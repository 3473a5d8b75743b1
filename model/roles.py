"""The role of each stretch against what sounds with it: melody, counter, chords, bass or pedal.

The melody is what stands out most: high, one line rather than chords, varied in pitch, moving in steps, active, louder.
No two stretches that overlap are both melody unless one doubles the other in unison or octaves. Of the rest, one pitch
under motion is a pedal, the lowest line is the bass, lines with a rhythm of their own are counter-melodies, all else
are chords.

Weights are common practice without a source. Whether a stretch is the melody depends on stretches at most `_ROUNDS`
overlaps away, everything else on those it overlaps.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from phrasewright.data.cue import Part
from phrasewright.data.tempo import TempoMap
from phrasewright.model.hearing import ROLES, Attacks, Phrase
from phrasewright.model.stretches import Pairs, Stretches, pairs_of, stretches_of

_MELODY, _COUNTER, _CHORDS, _BASS, _PEDAL = range(len(ROLES))
_ROUNDS = 4
_COVERED = 0.35
"""A stretch gives way only to one that sounds during this share of it; a flourish inside a tune is no rival."""
_GESTURE = 0.3
"""By so much a flourish inside a tune must stand out to be the melody in its place."""
_LENGTH_WEIGHT, _FULL_LENGTH_S = 0.2, 6.0
"""What a stretch of six seconds gains over a passing gesture."""
_ACCOMPANYING = ("plucked", "keys")
_FOLLOW = 0.2
"""Weight of the stretches before and after in the same part."""
_CONFLICT = 0.2
"""Stretches that share more than this of the shorter one cannot both be the melody."""


@dataclass(frozen=True)
class Role:
    """A role over a stretch of one part, attacks counted from 0."""

    label: str
    first_attack: int
    last_attack: int
    start_s: float
    end_s: float
    why: str


def roles_of(
    parts: list[Part], heard: list[tuple[Attacks, tuple[Phrase, ...]]], *, tempo: TempoMap
) -> list[list[Role]]:
    """The roles of each part in order of time; every attack belongs to exactly one."""
    stretches = stretches_of(heard)
    answer: list[list[Role]] = [[] for _ in heard]
    if stretches.n_stretches == 0:
        return answer
    pairs = pairs_of(stretches, heard)
    percussive = np.array([part.kind == "percussive" for part in parts])[stretches.part]
    struck = np.array([part.family in _ACCOMPANYING for part in parts])[stretches.part]
    bar_s = tempo.bar_length_s(stretches.start_s)
    label, why = _decide(stretches, pairs, percussive, struck, bar_s)
    for k in range(stretches.n_stretches):
        answer[int(stretches.part[k])].append(
            Role(
                ROLES[int(label[k])],
                int(stretches.first[k]),
                int(stretches.last[k]),
                float(stretches.start_s[k]),
                float(stretches.end_s[k]),
                why[k],
            )
        )
    return answer


def _decide(
    stretches: Stretches,
    pairs: Pairs,
    percussive: NDArray[np.bool_],
    struck: NDArray[np.bool_],
    bar_s: NDArray[np.float64],
) -> tuple[NDArray[np.int64], list[str]]:
    """Index into ROLES and the reason for each stretch; `struck` are plucked and keyboard parts, which break chords."""
    pairs = pairs.take(~percussive[pairs.one] & ~percussive[pairs.other])
    n = stretches.n_stretches
    beside_s = _per_one(pairs, pairs.overlap_s, n)
    alone = beside_s <= 0.25 * stretches.length_s
    height = _share(pairs, stretches.pitch[pairs.other] < stretches.pitch[pairs.one], n, empty=0.5)
    below = _share(pairs, stretches.low[pairs.other] < stretches.low[pairs.one] - 1e-9, n, empty=0.0)
    line = np.interp(stretches.thickness, [1.0, 2.0, 3.0], [1.0, 0.5, 0.1])
    moves_with = _moves_with(stretches, pairs, n)
    top_of_chords = (height >= 0.95) & (moves_with >= 0.6)  # the top of a chorale may stay on its note
    static = (stretches.variety <= 0.34) & ~top_of_chords
    score = _prominence(stretches, pairs, height=height, line=line, static=static)
    score += 0.1 * top_of_chords - 0.05 * struck

    melody = _melodies(
        stretches, pairs, score, able=~percussive & (~static | alone) & ((line >= 0.4) | (height >= 1.0))
    )
    pedal = ~melody & ~percussive & _pedals(stretches, pairs, np.clip(1.9 * bar_s, 4.0, 8.0))
    bass = (
        ~melody & ~pedal & ~percussive & (below <= 0.15) & (stretches.low < 60) & (stretches.thickness < 2.5) & ~alone
    )
    own = 1.0 - moves_with
    counter = ~(melody | pedal | bass | percussive | static) & (line >= 0.6) & (own >= 0.45) & ~alone
    counter &= (
        (stretches.rate >= 0.5)
        & ((stretches.rate <= 4.5) | (stretches.length_s < 2.5))
        & (stretches.variety >= 0.5)
        & (stretches.singing >= np.where(struck, 0.7, 0.4))
    )
    for chosen, others in ((melody, percussive), (bass, melody | pedal), (counter, melody | pedal | bass)):
        chosen |= _doubled(pairs, chosen, n) & ~others & ~percussive
    bass &= ~melody
    counter &= ~melody & ~bass
    label = np.full(n, _CHORDS)
    for mask, role in ((counter, _COUNTER), (bass, _BASS), (pedal, _PEDAL), (melody, _MELODY)):
        label[mask] = role
    label = _settled(stretches, label, fixed=percussive | alone | pedal)
    label = _one_melody(stretches, pairs, label, score, other=np.where((own >= 0.45) & ~static, _COUNTER, _CHORDS))
    return label, [
        _reason(
            int(label[k]), k, stretches, percussive=bool(percussive[k]), alone=bool(alone[k]), height=float(height[k])
        )
        for k in range(n)
    ]


def _per_one(pairs: Pairs, values: NDArray[np.float64], n: int) -> NDArray[np.float64]:
    """Sum of a value over the pairs of each stretch, shape (n,)."""
    return np.bincount(pairs.one, weights=values, minlength=n).astype(np.float64)


def _share(pairs: Pairs, condition: NDArray[np.bool_], n: int, *, empty: float) -> NDArray[np.float64]:
    """Share of what sounds with each stretch, by time, for which a condition holds; doublings do not count."""
    weight = pairs.overlap_s * ~pairs.doubling
    total = _per_one(pairs, weight, n)
    return np.where(total > 0, _per_one(pairs, weight * condition, n) / np.maximum(total, 1e-9), empty)


def _prominence(
    stretches: Stretches,
    pairs: Pairs,
    *,
    height: NDArray[np.float64],
    line: NDArray[np.float64],
    static: NDArray[np.bool_],
) -> NDArray[np.float64]:
    """How much each stretch stands out, about 0..1."""
    n = stretches.n_stretches
    busy = np.minimum(stretches.rate, 3.0)
    busiest = np.maximum(_largest(pairs, busy[pairs.other], n), busy)
    active = 0.5 * np.minimum(stretches.rate / 0.8, 1.0) + 0.5 * busy / np.maximum(busiest, 1e-9)
    active *= np.minimum(1.0, 9.0 / np.maximum(stretches.rate, 1e-9))
    weight = _per_one(pairs, pairs.overlap_s, n)
    around = np.where(
        weight > 0,
        _per_one(pairs, pairs.overlap_s * stretches.velocity[pairs.other], n) / np.maximum(weight, 1e-9),
        stretches.velocity,
    )
    louder = np.clip((stretches.velocity - around) / 20.0, -1.0, 1.0)
    score = 0.33 * height + 0.22 * line + 0.16 * stretches.variety + 0.16 * stretches.singing
    score += 0.06 * stretches.uneven + 0.12 * active + 0.12 * louder
    score *= np.where(static, 0.6, 1.0)
    before = np.r_[False, (np.diff(stretches.part) == 0) & (np.diff(stretches.start_s) < 20.0)]
    smooth = score.copy()  # a line that stood out a moment ago, or will, is followed
    smooth[before] += _FOLLOW * (score[np.flatnonzero(before) - 1] - score[before])
    after = np.r_[before[1:], False]
    smooth[after] += _FOLLOW * (score[np.flatnonzero(after) + 1] - score[after])
    return smooth


def _largest(pairs: Pairs, values: NDArray[np.float64], n: int) -> NDArray[np.float64]:
    """Largest value over the pairs of each stretch, 0 where there are none."""
    answer = np.zeros(n)
    np.maximum.at(answer, pairs.one, values)
    return answer


def _melodies(
    stretches: Stretches, pairs: Pairs, score: NDArray[np.float64], *, able: NDArray[np.bool_]
) -> NDArray[np.bool_]:
    """Stretches that stand out over all they overlap, then those left over that do, a few rounds."""
    n = stretches.n_stretches
    length_s = stretches.length_s
    shorter_s = np.minimum(length_s[pairs.one], length_s[pairs.other])
    conflict = ~pairs.doubling & (pairs.overlap_s > np.maximum(_CONFLICT * shorter_s, 0.12))
    one, other = pairs.one[conflict], pairs.other[conflict]
    covered = pairs.overlap_s[conflict] >= _COVERED * length_s[one]
    inside = pairs.overlap_s[conflict] < _COVERED * length_s[other]  # a passing gesture beside something longer
    weight = np.minimum(length_s, _FULL_LENGTH_S) / _FULL_LENGTH_S
    rank = np.round(score + _LENGTH_WEIGHT * weight, 9) - 1e-10 * stretches.part  # of equals the first part
    open_, melody = able.copy(), np.zeros(n, dtype=bool)
    for _ in range(_ROUNDS):
        beaten = np.zeros(n, dtype=bool)
        beaten[one[covered & open_[other] & (rank[other] > rank[one] - np.where(inside, _GESTURE, 0.0))]] = True
        won = open_ & ~beaten
        won[one[won[one] & won[other] & (rank[other] > rank[one])]] = False  # short ones inside each other
        melody |= won
        open_ &= ~won
        open_[one[won[other]]] = False
    return melody


def _pedals(stretches: Stretches, pairs: Pairs, shortest_s: NDArray[np.float64]) -> NDArray[np.bool_]:
    """One pitch class, held or struck again for 4 s and two bars, while something else moves half of that time."""
    n = stretches.n_stretches
    moves = (stretches.n_classes[pairs.other] >= 3) & (stretches.n_attacks[pairs.other] >= 4)
    moving_s = _largest(pairs, pairs.overlap_s * moves, n)
    tone = np.where(stretches.n_classes == 1, np.rint(stretches.low).astype(np.int64) % 12, -1)
    goes_on = (np.diff(stretches.part) == 0) & (tone[1:] == tone[:-1]) & (tone[1:] >= 0)
    goes_on &= stretches.start_s[1:] - stretches.end_s[:-1] < 0.5
    row = np.cumsum(np.r_[True, ~goes_on]) - 1  # stretches of one pitch in a row count together
    long = np.bincount(row, weights=stretches.length_s)[row] >= shortest_s
    octaves = np.abs(stretches.pitch - stretches.low) % 12 < 0.1
    still = (
        (stretches.n_classes == 1) & long & ((stretches.thickness <= 1.3) | (octaves & (stretches.thickness <= 2.2)))
    )
    still &= moving_s >= 0.5 * stretches.length_s
    long_pair = pairs.overlap_s >= 0.5 * stretches.length_s[pairs.one]
    other_tone = long_pair & still[pairs.other] & (tone[pairs.other] != tone[pairs.one])
    return np.asarray(still & (_per_one(pairs, other_tone.astype(np.float64), n) < 2))  # more hold a chord


def _moves_with(stretches: Stretches, pairs: Pairs, n: int) -> NDArray[np.float64]:
    """How much each stretch moves together with the one it moves with most, 0..1; doublings do not count."""
    enough = ~pairs.doubling & (pairs.overlap_s >= 0.4 * stretches.length_s[pairs.one])
    return _largest(pairs, pairs.together * enough, n)


def _doubled(pairs: Pairs, chosen: NDArray[np.bool_], n: int) -> NDArray[np.bool_]:
    """Stretches that double a chosen one."""
    answer = np.zeros(n, dtype=bool)
    answer[pairs.one[pairs.doubling & chosen[pairs.other]]] = True
    return answer


def _settled(stretches: Stretches, label: NDArray[np.int64], *, fixed: NDArray[np.bool_]) -> NDArray[np.int64]:
    """One or two notes that go straight on from the stretch before keep its role: they end the same line."""
    follows = np.r_[False, np.diff(stretches.part) == 0]
    follows[1:] &= stretches.start_s[1:] - stretches.end_s[:-1] < 0.5
    tiny = (stretches.n_attacks <= 2) & follows & ~fixed
    before = np.r_[label[:1], label[:-1]]
    return np.where(tiny & (before != _PEDAL), before, label)


def _one_melody(
    stretches: Stretches,
    pairs: Pairs,
    label: NDArray[np.int64],
    score: NDArray[np.float64],
    *,
    other: NDArray[np.int64],
) -> NDArray[np.int64]:
    """Of melodies that still overlap, the one that stands out more stays; the rest become `other`."""
    shorter_s = np.minimum(stretches.length_s[pairs.one], stretches.length_s[pairs.other])
    conflict = ~pairs.unison & (pairs.overlap_s > np.maximum(_CONFLICT * shorter_s, 0.12))
    conflict &= (label[pairs.one] == _MELODY) & (label[pairs.other] == _MELODY)
    one, two = pairs.one[conflict], pairs.other[conflict]
    rank = np.round(score + _LENGTH_WEIGHT * np.minimum(stretches.length_s / _FULL_LENGTH_S, 1.0), 9)
    rank -= 1e-10 * stretches.part
    melody = label == _MELODY
    for last in (False, False, True):
        beaten = np.zeros(len(label), dtype=bool)
        beaten[one[melody[one] & melody[two] & (rank[two] > rank[one])]] = True
        yields = beaten.copy()
        if not last:  # who is beaten only by one that gives way itself may stay
            yields[:] = False
            yields[one[beaten[one] & melody[two] & ~beaten[two]]] = True
        melody &= ~yields
    return np.where((label == _MELODY) & ~melody, other, label)


def _reason(label: int, k: int, stretches: Stretches, *, percussive: bool, alone: bool, height: float) -> str:
    if percussive:
        return "percussion keeps time with the rest"
    if label == _MELODY:
        if alone:
            return "it sounds alone"
        if stretches.n_attacks[k] <= 2:
            return "goes on with the melody"
        why = ["the highest line"] if height > 0.9 else ["stands out of what sounds with it"]
        if stretches.variety[k] >= 0.6:
            why.append("varied pitches")
        if stretches.singing[k] >= 0.6:
            why.append("moves in steps")
        return ", ".join(why)
    if label == _COUNTER:
        return "a line with a rhythm of its own beside the melody"
    if label == _BASS:
        return "the lowest line sounding"
    if label == _PEDAL:
        return "one pitch while others move"
    if stretches.thickness[k] >= 1.8:
        return f"{stretches.thickness[k]:.1f} notes at a time"
    if stretches.variety[k] <= 0.34:
        return "a few pitches that keep returning"
    return "moves together with other parts"
