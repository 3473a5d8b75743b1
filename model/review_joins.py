"""Joins and repeats: where a line goes on without a breath of the player's hand.

Units: seconds, controller steps. The thresholds are common practice without a source; each has its reason beside it.
"""

from __future__ import annotations

import numpy as np

from phrasewright.data.cue import PASSAGE_KINDS
from phrasewright.model.repeats import FASTEST_REPEAT_S, TOLERANCE_S, joinable_repeats
from phrasewright.model.review_flaws import LEVEL_LANES, Flaw, Floats, Mask, WrittenPart

JOIN_NOTE_S = 0.4
"""Both notes of a join that must dip are longer: in quicker lines the ear takes the notes for one gesture."""
AROUND_S = 0.12
"""The dip of a join lies within this time of the onset: later or earlier it is heard as a swell of its own."""
JOIN_FALL_CC, REPEAT_FALL_CC = 3, 5
"""Least fall that is heard as a join: about half a decibel on either lane, where less is lost in a held note's own
drift of 3 to 6 steps a second; a repeated pitch has no change of note to help and needs more.
"""
RENEWED = 0.5
"""Share of the sounding notes that must be new: where most are held, a dip would be heard in the held ones."""


def bare_joins(part: WrittenPart) -> list[Flaw]:
    """`bare-join`: a connected change of note at which neither dynamics nor expression falls 3 steps.

    Both notes last over .4 s, at least half of what sounds is new, and the fall is looked for within 120 ms before and
    after the onset: the largest descent from any value there to a later one.
    """
    if not part.drawn:
        return []
    a = part.attacks
    length_s = a.end_s - a.onset_s
    before_s = np.r_[0.0, length_s[:-1]]
    where = _joined(part) & ~a.repeated & (length_s > JOIN_NOTE_S) & (before_s > JOIN_NOTE_S)
    flaws = []
    for onset_s, fall_cc in _shallow(part, where, JOIN_FALL_CC):
        what = (
            f"joined to the note before without a dip: neither dynamics nor expression falls more than {fall_cc:.0f} "
            f"within {AROUND_S * 1000:.0f} ms; {JOIN_FALL_CC} steps would join them"
        )
        flaws.append(_at("bare-join", onset_s, what, "medium" if fall_cc < 1 else "low"))
    return flaws


def bare_repeats(part: WrittenPart) -> list[Flaw]:
    """`bare-repeat`: a connected repeat, slower than five a second, at which neither lane falls 5 steps.

    Measured as a join. Without the dip a bowed or blown repeat is one note that clicks.
    """
    if not part.drawn:
        return []
    flaws = []
    for onset_s, fall_cc in _shallow(part, _slow_repeats(part), REPEAT_FALL_CC):
        what = (
            f"the same pitch again without a new stroke: neither dynamics nor expression falls more than "
            f"{fall_cc:.0f} within {AROUND_S * 1000:.0f} ms; {REPEAT_FALL_CC} steps would articulate it"
        )
        flaws.append(_at("bare-repeat", onset_s, what, "high" if fall_cc < JOIN_FALL_CC else "medium"))
    return flaws


def retriggers(part: WrittenPart) -> list[Flaw]:
    """`retrigger`: connected repeats of one pitch slower than five a second, one finding a phrase.

    Sampled and modelled instruments start anew at each of them, where a player would only lean on the bow or the
    breath. They may be meant, so the finding is low; `--join-repeats` makes one note of them.
    """
    notes, a = part.notes, part.attacks
    chains = joinable_repeats(notes, a)
    if not chains:
        return []
    again = np.sort(np.concatenate([chain[1:] for chain in chains]))
    phrase = np.repeat(a.phrase, a.last_note - a.first_note + 1)[again]
    flaws = []
    for number in np.unique(phrase).tolist():
        mine = again[phrase == number]
        times = "once" if len(mine) == 1 else f"{len(mine)} times"
        what = f"a pitch starts anew {times} while it still sounds; --join-repeats would make one note of it"
        start_s, end_s = float(notes.onset_s[mine[0]]), float(notes.offset_s[mine].max())
        flaws.append(Flaw("retrigger", None, start_s, end_s, what, "low"))
    return flaws


def _joined(part: WrittenPart) -> Mask:
    a = part.attacks
    return np.asarray(a.joined & (a.renewed >= RENEWED) & (a.passage == PASSAGE_KINDS.index("sustained")))


def _slow_repeats(part: WrittenPart) -> Mask:
    a = part.attacks
    between_s = np.diff(a.onset_s, prepend=-np.inf)
    return _joined(part) & a.repeated & (between_s > FASTEST_REPEAT_S + TOLERANCE_S)


def _shallow(part: WrittenPart, where: Mask, least_cc: int) -> list[tuple[float, float]]:
    """(onset, fall) of the chosen attacks at which neither lane falls so far."""
    onset_s = part.onset_s[where]
    fall_cc = np.zeros(len(onset_s))
    for lane in LEVEL_LANES:
        if lane in part.lanes:
            fall_cc = np.maximum(fall_cc, falls_cc(part, lane, onset_s))
    bare = fall_cc < least_cc
    return list(zip(onset_s[bare].tolist(), fall_cc[bare].tolist(), strict=True))


def falls_cc(part: WrittenPart, lane: str, time_s: Floats) -> Floats:
    """Largest descent of a lane within 120 ms before and after each time, in steps; shape of `time_s`."""
    around_s = np.linspace(-AROUND_S, AROUND_S, 2 * round(AROUND_S / 0.01) + 1)
    value = part.audible(lane).at(time_s[:, None] + around_s)  # (n_times, n_places)
    known = np.isfinite(value)
    highest = np.maximum.accumulate(np.where(known, value, -np.inf), axis=1)
    return np.asarray(np.max(np.where(known, highest - value, 0.0), axis=1, initial=0.0))


def _at(kind: str, onset_s: float, what: str, severity: str) -> Flaw:
    return Flaw(kind, None, max(onset_s - AROUND_S, 0.0), onset_s + AROUND_S, what, severity)
