"""What a hand does again and again, in two drawings of one lane: at joins and repeats, and in held notes.

Each habit is measured once an occurrence in either drawing, so that the two can be compared one by one; phrases tell
which occurrences were drawn in one go. Values are steps, seconds, or steps a second. Windows are common practice
without a source; each has its reason beside it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from phrasewright.data.cue import PASSAGE_KINDS
from phrasewright.model.hearing import Attacks
from phrasewright.model.intervals import interval_by_phrase
from phrasewright.model.lanes import FRAME_S
from phrasewright.model.metrics import LanePair, frame_index
from phrasewright.model.repeats import FASTEST_REPEAT_S, renewed_joins

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

AROUND_S = 0.15
"""A dip of a join has come and gone within this time of the onset: slower ones are heard as swells."""
JOIN_NOTE_S = 0.25
"""Both notes of a join are longer: quicker lines are played in one gesture."""
HELD_S, WATCHED_S = 1.0, 2.0
"""A held note lasts at least the first; of longer ones the beginning is watched, as far as the second."""
VIBRATO_RISE_CC = 6.0
"""A vibrato lane that rises less within a note does not start in it."""
SETTLED_S = 0.3
"""So long after its onset a held note has spoken, and so long before its end the next is not yet prepared."""


@dataclass(frozen=True)
class Habit:
    """One habit in two drawings of a lane.

    `name` is `join_dip_cc`, `repeat_dip_cc`, `vibrato_delay_s` or `held_movement_cc_per_s`; `left` and `right` are
    means over `n` occurrences, and `interval` is that of right minus left, 95 %, by phrase (None with one phrase).
    """

    name: str
    lane: str
    left: float
    right: float
    n: int
    interval: tuple[float, float] | None

    @property
    def differs(self) -> bool:
        """Whether the drawings differ by more than chance among phrases."""
        return self.interval is not None and (self.interval[0] > 0 or self.interval[1] < 0)


@dataclass(frozen=True)
class Occurrences:
    """One habit in one part: the phrase and both drawings' figure of each occurrence; shapes (n,)."""

    name: str
    lane: str
    phrase: NDArray[np.int64]
    left: Floats
    right: Floats


def occurrences(pair: LanePair, attacks: Attacks, *, lane: str) -> list[Occurrences]:
    """The habits that a lane can show, in one part."""
    found = []
    if lane == "vibrato":
        onset, value, known = _held(pair, attacks)
        delay = [_rise_delay_s(rows, known) for rows in value]
        both = np.isfinite(delay[0]) & np.isfinite(delay[1])
        found.append(Occurrences("vibrato_delay_s", lane, onset[both], delay[0][both], delay[1][both]))
        return found
    for name, where in (("join_dip_cc", _joins(attacks)), ("repeat_dip_cc", _repeats(attacks))):
        at = np.minimum(frame_index(attacks.onset_s[where]), len(pair.counted) - 20)  # past the end nothing counts
        where_known = pair.counted[at - 1] & pair.counted[at]
        at = at[where_known]
        around = at[:, None] + np.arange(-round(AROUND_S / FRAME_S), round(AROUND_S / FRAME_S) + 1)  # (n, n_places)
        dips = (dips_cc(row[around]) for row in (pair.left_cc, pair.right_cc))
        found.append(Occurrences(name, lane, attacks.phrase[where][where_known], *dips))
    phrase, value, known = _held(pair, attacks)
    moves = (_movement(rows, known) for rows in value)
    found.append(Occurrences("held_movement_cc_per_s", lane, phrase, *moves))
    return found


def habits_of(parts: Sequence[Sequence[Occurrences]]) -> list[Habit]:
    """The habits of all parts together: lanes in their order, habits in the order of `occurrences`."""
    rows: dict[tuple[str, str], list[Occurrences]] = {}
    for part in parts:
        for some in part:
            rows.setdefault((some.name, some.lane), []).append(some)
    habits = []
    for (name, lane), some_parts in rows.items():
        left, right = (np.concatenate([getattr(o, side) for o in some_parts]) for side in ("left", "right"))
        if not len(left):
            continue
        phrase = np.concatenate([o.phrase + 1_000_000 * i for i, o in enumerate(some_parts)])
        at = np.unique(phrase, return_inverse=True)[1]
        later = np.bincount(at, weights=right - left).astype(np.float64)
        interval = interval_by_phrase(later, np.bincount(at).astype(np.float64))
        habits.append(Habit(name, lane, float(left.mean()), float(right.mean()), len(left), interval))
    return habits


def dips_cc(value_cc: Floats) -> Floats:
    """How far each row falls below what stands on either side of its lowest place, (n, n_places) to (n,), in steps.

    A lane that only rises or only falls does not dip.
    """
    if not len(value_cc):
        return np.zeros(0)
    before = np.maximum.accumulate(value_cc, axis=1)
    after = np.maximum.accumulate(value_cc[:, ::-1], axis=1)[:, ::-1]
    return np.asarray((np.minimum(before, after) - value_cc).max(axis=1))


def _joins(a: Attacks) -> Mask:
    length_s = a.end_s - a.onset_s
    long = (length_s > JOIN_NOTE_S) & (np.r_[0.0, length_s[:-1]] > JOIN_NOTE_S)
    return np.asarray(renewed_joins(a) & ~a.repeated & long)


def _repeats(a: Attacks) -> Mask:
    return np.asarray(renewed_joins(a) & a.repeated & (np.diff(a.onset_s, prepend=-np.inf) > FASTEST_REPEAT_S))


def _held(pair: LanePair, a: Attacks) -> tuple[NDArray[np.int64], tuple[Floats, Floats], Mask]:
    """Held notes: their phrases, both drawings from the onset on, and which frames lie in the note; (n, n_watched)."""
    where = (a.end_s - a.onset_s >= HELD_S - 1e-6) & (a.passage == PASSAGE_KINDS.index("sustained"))
    at = np.minimum(frame_index(a.onset_s[where]), len(pair.counted) - 1)
    n_frames = np.minimum(frame_index(a.end_s[where]) - at, round(WATCHED_S / FRAME_S))
    good = pair.counted[at]
    at, n_frames = at[good], n_frames[good]
    place = np.minimum(at[:, None] + np.arange(round(WATCHED_S / FRAME_S)), len(pair.counted) - 1)  # (n, n_watched)
    known = np.arange(place.shape[1]) < n_frames[:, None]
    return a.phrase[where][good], (pair.left_cc[place], pair.right_cc[place]), known


def _rise_delay_s(value_cc: Floats, known: Mask) -> Floats:
    """Seconds from the onset until half of the rise within the note is made; NaN where it does not rise. Shape (n,)."""
    if not len(value_cc):
        return np.zeros(0)
    inside = np.where(known, value_cc, -np.inf)
    rise = inside.max(axis=1) - value_cc[:, 0]
    reached = np.argmax(inside >= (value_cc[:, 0] + rise / 2)[:, None], axis=1)
    return np.where(rise >= VIBRATO_RISE_CC, reached * FRAME_S, np.nan)


def _movement(value_cc: Floats, known: Mask) -> Floats:
    """Mean steps a second, up or down, once the note has spoken. Shape (n,)."""
    first = round(SETTLED_S / FRAME_S)
    inside = known[:, 2 * first :]  # frame k counts where k + SETTLED_S still lies in the note
    value_cc = value_cc[:, : value_cc.shape[1] - first + 1]
    moved = np.abs(np.diff(value_cc[:, first:], axis=1)) * inside
    return np.asarray(moved.sum(axis=1) / np.maximum(inside.sum(axis=1), 1) / FRAME_S)
