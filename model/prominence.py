"""How much each stretch stands out of what sounds with it, and which of those that overlap is the melody.

Prominence is a weighted sum of ten features, each between -1 and 1, taken as the mean of a stretch and its neighbours
in the same line: who sang a moment ago is followed. The weights were fitted by ranking pairs of stretches that overlap,
of which one is the melody (`training/role_fitting.py`); their signs are common practice. Only their order counts, so
there is no scale to set. Everything is measured on a stretch, those that overlap it, and one neighbour on either side.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from phrasewright.model.stretches import Pairs, Stretches

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

WEIGHTS = {
    "height": 9.0,  # share of the rest, by time, that lies lower
    "line": 14.0,  # single notes, not chords
    "singing": 7.0,  # moves in steps
    "uneven": 7.0,  # several note values
    "louder": 10.0,  # than the rest, by up to 20 of velocity
    "returns": -15.0,  # pitches that come back in a pattern
    "even": -10.0,  # one note value, while another line has several
    "accompanying": -6.0,  # a plucked or keyboard instrument
    "under": -11.0,  # goes in the rhythm of something higher
    "held": -9.0,  # fewer than .8 attacks a second
}
"""Points for each feature; fitted, see `training/role_fitting.py`."""
ROUNDS = 4
_COVERED = 0.35
"""A stretch gives way only to one that sounds during this share of it."""
_FLOURISH = 10.0
"""Points by which a flourish inside a tune must stand out to be the melody in its place."""
_CONFLICT, _CONFLICT_S = 0.2, 0.12
"""Stretches that share more than this of the shorter one, and this long, cannot both be the melody."""
_NEIGHBOUR_S = 20.0
"""Stretches of a line whose beginnings lie further apart are no neighbours."""


@dataclass(frozen=True)
class Setting:
    """How each stretch stands to what sounds with it; doublings left out. Arrays of shape (n_stretches,).

    Parameters
    ----------
    height, below : float, 0..1
        Share of the rest, by time, that lies lower (by its highest notes; .5 where there is none), and of which the
        lowest notes lie lower.
    line : float, 0..1
        1 for single notes, .5 for two at a time, .1 for three.
    moves_with : float, 0..1
        How much it moves together with the one it moves with most.
    alone, static : bool
        Hardly anything sounds with it; it has hardly more than one pitch, and is not the top of moving chords.
    """

    height: Floats
    below: Floats
    line: Floats
    moves_with: Floats
    alone: Bools
    static: Bools


def setting_of(stretches: Stretches, pairs: Pairs) -> Setting:
    """The setting of each stretch."""
    height = _share(stretches, pairs, stretches.pitch[pairs.other] < stretches.pitch[pairs.one], empty=0.5)
    together = moves_with(stretches, pairs)
    top_of_chords = (height >= 0.95) & (together >= 0.6)  # the top of a chorale may stay on its note
    return Setting(
        height=height,
        below=_share(stretches, pairs, stretches.low[pairs.other] < stretches.low[pairs.one] - 1e-9, empty=0.0),
        line=np.interp(stretches.thickness, [1.0, 2.0, 3.0], [1.0, 0.5, 0.1]),
        moves_with=together,
        alone=per_one(pairs, pairs.overlap_s, stretches.n_stretches) <= 0.25 * stretches.length_s,
        static=(stretches.variety <= 0.34) & ~top_of_chords,
    )


def moves_with(stretches: Stretches, pairs: Pairs) -> Floats:
    """How much each stretch moves together with the one it moves with most, 0..1; doublings do not count."""
    enough = ~pairs.doubling & (pairs.overlap_s >= 0.4 * stretches.length_s[pairs.one])
    return largest(pairs, pairs.together * enough, stretches.n_stretches)


def features_of(stretches: Stretches, pairs: Pairs, setting: Setting, *, accompanying: Bools) -> Floats:
    """What `WEIGHTS` weigh, in their order, shape (n_stretches, n_features)."""
    n = stretches.n_stretches
    total_s = per_one(pairs, pairs.overlap_s, n)
    around = per_one(pairs, pairs.overlap_s * stretches.velocity[pairs.other], n) / np.maximum(total_s, 1e-9)
    louder = np.where(total_s > 0, np.clip((stretches.velocity - around) / 20.0, -1.0, 1.0), 0.0)
    rival = largest(pairs, (stretches.uneven * (setting.line >= 0.6))[pairs.other], n)
    fellow_s = pairs.overlap_s * np.interp(pairs.together, [0.35, 0.6], [0.0, 1.0]) * ~pairs.doubling
    fellow_s *= stretches.pitch[pairs.other] > stretches.pitch[pairs.one]
    columns = {
        "height": setting.height,
        "line": setting.line,
        "singing": stretches.singing,
        "uneven": stretches.uneven,
        "louder": louder,
        "returns": np.clip(stretches.pattern - 0.4, 0.0, 0.5),
        "even": np.clip(rival - stretches.uneven, 0.0, 1.0) * (stretches.rate >= 1.5),
        "accompanying": accompanying.astype(np.float64),
        "under": np.minimum(per_one(pairs, fellow_s, n) / np.maximum(stretches.length_s, 1e-9), 1.0),
        "held": np.clip(1.0 - stretches.rate / 0.8, 0.0, 1.0),
    }
    own = np.stack([columns[name] for name in WEIGHTS], axis=1)
    joined = np.flatnonzero((np.diff(stretches.part) == 0) & (np.diff(stretches.start_s) < _NEIGHBOUR_S))
    followed = own.copy()
    followed[joined + 1] += (own[joined] - own[joined + 1]) / 3.0
    followed[joined] += (own[joined + 1] - own[joined]) / 3.0
    return followed


def rank_of(features: Floats, part: NDArray[np.int64], *, weights: Mapping[str, float] = WEIGHTS) -> Floats:
    """How much each stretch stands out, in points; of equals the first part a little more."""
    points = (features * np.array([weights[name] for name in WEIGHTS])).sum(axis=1)
    return np.asarray(np.round(points, 6) - 1e-7 * part)


def rivals(stretches: Stretches, pairs: Pairs) -> tuple[Bools, Floats]:
    """Which pairs overlap too long for both to be the melody, and how long both move, shape (n_pairs,).

    An answer may begin over the last held note of the call.
    """
    ends_s = np.where(stretches.n_attacks >= 3, np.minimum(stretches.last_s + 0.25, stretches.end_s), stretches.end_s)
    both_s = np.minimum(ends_s[pairs.one], ends_s[pairs.other])
    both_s -= np.maximum(stretches.start_s[pairs.one], stretches.start_s[pairs.other])
    shorter_s = np.minimum(stretches.length_s[pairs.one], stretches.length_s[pairs.other])
    return both_s > np.maximum(_CONFLICT * shorter_s, _CONFLICT_S), both_s


def melodies(stretches: Stretches, pairs: Pairs, rank: Floats, *, able: Bools) -> Bools:
    """Stretches that stand out over all they overlap, then those left over that do, a few rounds.

    What sounds during less than `_COVERED` of a longer one is a flourish, and must stand out by `_FLOURISH` to sing
    in its place.
    """
    clash, both_s = rivals(stretches, pairs)
    clash &= ~pairs.doubling
    one, other = pairs.one[clash], pairs.other[clash]
    covered = both_s[clash] >= _COVERED * stretches.length_s[one]
    inside = both_s[clash] < _COVERED * stretches.length_s[other]
    yields = covered & (rank[other] > rank[one] - np.where(inside, _FLOURISH, 0.0))
    open_, melody = able.copy(), np.zeros(stretches.n_stretches, dtype=bool)
    for _ in range(ROUNDS):
        beaten = np.zeros(stretches.n_stretches, dtype=bool)
        beaten[one[yields & open_[other]]] = True
        won = open_ & ~beaten
        won[one[won[one] & won[other] & (rank[other] > rank[one])]] = False  # neither covers the other
        melody |= won
        open_ &= ~won
        open_[one[won[other]]] = False
    return melody


def one_at_a_time(stretches: Stretches, pairs: Pairs, melody: Bools, rank: Floats) -> Bools:
    """Of melodies that overlap and are not in unison, those that stand out more."""
    clash, _ = rivals(stretches, pairs)
    clash &= ~pairs.unison & melody[pairs.one] & melody[pairs.other]
    one, two = pairs.one[clash], pairs.other[clash]
    melody = melody.copy()
    for last in (False, False, True):
        beaten = np.zeros(len(melody), dtype=bool)
        beaten[one[melody[one] & melody[two] & (rank[two] > rank[one])]] = True
        yields = beaten.copy()
        if not last:  # who is beaten only by one that gives way itself may stay
            yields[:] = False
            yields[one[beaten[one] & melody[two] & ~beaten[two]]] = True
        melody &= ~yields
    return melody


def per_one(pairs: Pairs, values: Floats, n: int) -> Floats:
    """Sum of a value over the pairs of each of n stretches, shape (n,)."""
    return np.bincount(pairs.one, weights=values, minlength=n).astype(np.float64)


def largest(pairs: Pairs, values: Floats, n: int) -> Floats:
    """Largest value over the pairs of each of n stretches, 0 where there are none, shape (n,)."""
    answer = np.zeros(n)
    np.maximum.at(answer, pairs.one, values)
    return answer


def _share(stretches: Stretches, pairs: Pairs, condition: Bools, *, empty: float) -> Floats:
    """Share of what sounds with each stretch, by time, for which a condition holds; doublings do not count."""
    weight, n = pairs.overlap_s * ~pairs.doubling, stretches.n_stretches
    total = per_one(pairs, weight, n)
    return np.where(total > 0, per_one(pairs, weight * condition, n) / np.maximum(total, 1e-9), empty)
