"""What a review finds at single places: jumps, unready entries, what is left behind, what is missing, what is too much,
and joins and repeats at which a line goes on without a breath of the player's hand.

Units: seconds, controller steps. The thresholds are common practice without a source; each has its reason beside it.
"""

from __future__ import annotations

import numpy as np

from phrasewright.data.curves import Curve
from phrasewright.model.repeats import FASTEST_REPEAT_S, TOLERANCE_S, joinable_repeats, renewed_joins
from phrasewright.model.review_flaws import LEVEL_LANES, Flaw, Floats, Ints, Mask, WrittenPart, steps_text

STEP_CC, GESTURE_STEP_CC = 6, 12
"""Largest steps inside a sounding note: beyond 6 of 127 steps (about 1 dB) most instruments step audibly; a
re-articulation or an accent covers up to 12.
"""
GESTURE_EVENTS = 3
"""An accent's way goes over at least so many events; over fewer it is a switch, not a movement."""
TURN_CC, MAX_TURNS = 4, 12
"""Reversals larger than 4 steps, more than 12 in a second: faster than any hand or vibrato, it is heard as noise."""
REST_S, LEAD_S = 0.25, 0.1
"""After a rest of a quarter second the value of the entry stands 100 ms ahead: instruments look at a controller before
the note and smooth it.
"""
STILL_CC = 1
"""A single step at an entry is the rounding of a still hand."""
MAX_EVENTS = 60
"""Events a second on one lane: more than that is inaudible, and chokes a shared connection with 1,041 three-byte
messages a second (31,250 baud, MIDI 1.0) where twenty parts play.
"""
NEAR_S = 1.0
"""Jumps this near each other are one place to look at."""
_TOLERANCE_S = 0.003
"""Rounding of ticks."""
JOIN_NOTE_S = 0.4
"""Both notes of a join that must dip are longer: in quicker lines the ear takes the notes for one gesture."""
AROUND_S = 0.12
"""The dip of a join lies within this time of the onset: later or earlier it is heard as a swell of its own."""
JOIN_FALL_CC, REPEAT_FALL_CC = 3, 5
"""Least fall that is heard as a join: about half a decibel on either lane, where less is lost in a held note's own
drift of 3 to 6 steps a second; a repeated pitch has no change of note to help and needs more.
"""


def jumps(part: WrittenPart) -> list[Flaw]:
    """`jump`: consecutive events inside a sounding note more than 6 steps apart, or too many turns.

    Up to 12 steps are allowed in a re-articulation, accent or sforzando whose way goes over at least three events.
    Events on one tick count as the last of them. One finding for jumps within a second of each other.
    """
    flaws = []
    for lane, curve in part.lanes.items():
        time_s, value_cc = _settled(curve)
        step_cc = np.diff(value_cc)
        large = np.flatnonzero((np.abs(step_cc) > STEP_CC) & _inside(part, time_s[1:]))
        large = large[~_allowed(part, time_s, step_cc, large)]
        for group in np.split(large, np.flatnonzero(np.diff(time_s[large + 1]) > NEAR_S) + 1) if len(large) else []:
            size_cc = step_cc[group]
            largest = int(size_cc[np.argmax(np.abs(size_cc))])
            way = "up" if largest > 0 else "down"
            more = f", the largest of {len(group)} jumps here" if len(group) > 1 else ""
            what = (
                f"jumps {abs(largest)} steps {way} inside a sounding note{more}; "
                f"let it move in steps of at most {STEP_CC}"
            )
            severity = "high" if abs(largest) > GESTURE_STEP_CC else "medium"
            flaws.append(Flaw("jump", lane, float(time_s[group[0] + 1]), float(time_s[group[-1] + 1]), what, severity))
        flaws += _shaking(lane, time_s, value_cc)
    return flaws


def entries(part: WrittenPart) -> list[Flaw]:
    """`entry`: a lane that moves by two steps or more in the last 100 ms before an entry after a rest of .25 s."""
    a = part.attacks
    onset_s = a.onset_s[a.rest_before_s >= REST_S - 1e-9]
    flaws = []
    for lane, curve in part.lanes.items():
        time_s, value_cc = _settled(curve)
        if not len(time_s):
            continue
        first = np.searchsorted(time_s, onset_s - LEAD_S + _TOLERANCE_S)
        stop = np.searchsorted(time_s, onset_s + 1e-9, side="right")
        for i, j, at_s in zip(first.tolist(), stop.tolist(), onset_s.tolist(), strict=True):
            if j <= max(i, 1):
                continue
            moved_cc = np.ptp(value_cc[max(i - 1, 0) : j])
            if moved_cc <= STILL_CC:
                continue
            what = (
                f"still moves by {steps_text(moved_cc)} in the last {LEAD_S * 1000:.0f} ms before the entry; "
                "let it stand there before the note begins"
            )
            severity = "high" if moved_cc > GESTURE_STEP_CC else "medium"
            flaws.append(Flaw("entry", lane, float(time_s[i]), at_s, what, severity))
    return flaws


def stuck(part: WrittenPart) -> list[Flaw]:
    """`stuck`: a lane that ends off its start value, so that the next playback or the next cue begins there.

    The start value is the lane's first, or the one with which the first note enters.
    """
    end_s = float(part.notes.offset_s.max())
    flaws = []
    for lane, curve in part.lanes.items():
        entry_cc = curve.at(part.notes.onset_s[:1])[0]
        begin_cc, last_cc = float(curve.value_cc[0]), float(curve.value_cc[-1])
        if last_cc in (begin_cc, entry_cc):
            continue
        off_cc = abs(last_cc - begin_cc)
        what = (
            f"is left at {last_cc:.0f} after the last note, {steps_text(off_cc)} off the {begin_cc:.0f} it began with; "
            "return it about a second after the end"
        )
        severity = "high" if off_cc > GESTURE_STEP_CC else "medium"
        flaws.append(Flaw("stuck", lane, end_s, max(end_s, float(curve.time_s[-1])), what, severity))
    return flaws


def missing_starts(part: WrittenPart) -> list[Flaw]:
    """`no-start`: a lane without a value before the first note; the note then sounds as the last playback ended.

    A part in which no lane is set at all is one finding.
    """
    onset_s = float(part.notes.onset_s[0])
    if not part.lanes:
        what = "no controller is set: the part sounds with whatever its instrument was left with"
        return [Flaw("no-start", None, onset_s, onset_s, what, "medium")]
    flaws = []
    for lane in (lane for lane in part.lanes if lane in part.late):
        first_s = float(part.lanes[lane].time_s[0])
        late = f"only {first_s - onset_s:.1f} s after it" if first_s > onset_s else "only behind it, on the same tick"
        what = f"has no value before the first note, {late}; set it at the start"
        flaws.append(Flaw("no-start", lane, onset_s, max(first_s, onset_s), what, "high"))
    return flaws


def too_dense(part: WrittenPart) -> list[Flaw]:
    """`dense`: more than 60 events of one lane within a second; one finding for all seconds that overlap."""
    flaws = []
    for lane, curve in part.lanes.items():
        time_s = curve.time_s
        first = np.flatnonzero(time_s[MAX_EVENTS:] - time_s[:-MAX_EVENTS] < 1.0 - 1e-6)
        for group in np.split(first, np.flatnonzero(np.diff(time_s[first]) > NEAR_S) + 1) if len(first) else []:
            a, b = int(group[0]), int(group[-1]) + MAX_EVENTS
            most = np.searchsorted(time_s, time_s[group] + 1.0 - 1e-6) - group
            what = f"{int(most.max())} events in a second; {MAX_EVENTS} are all that is heard: thin it out"
            flaws.append(Flaw("dense", lane, float(time_s[a]), float(time_s[b]), what, "low"))
    return flaws


def _settled(curve: Curve) -> tuple[Floats, Floats]:
    """Times and values with one event a tick, the last; repeated values left out."""
    time_s, value_cc = curve.time_s, curve.value_cc
    last = np.r_[time_s[1:] > time_s[:-1] + 1e-9, True]
    time_s, value_cc = time_s[last], value_cc[last]
    new = np.r_[True, value_cc[1:] != value_cc[:-1]]
    return time_s[new], value_cc[new]


def _inside(part: WrittenPart, time_s: Floats) -> Mask:
    """Whether each time lies after the onset and before the offset of some note."""
    on_s, off_s = part.notes.onset_s, np.sort(part.notes.offset_s)
    begun = np.searchsorted(on_s, time_s - 1e-9, side="left")
    ended = np.searchsorted(off_s, time_s + 1e-9, side="right")
    return np.asarray(begun > ended)


def _allowed(part: WrittenPart, time_s: Floats, step_cc: Floats, large: Ints) -> Mask:
    """Which large steps (index into `step_cc`) belong to a gesture's way over three events or more."""
    at_s = time_s[large + 1]
    start_s, end_s = part.gesture_s[:, 0], np.maximum.accumulate(part.gesture_s[:, 1])
    near = np.searchsorted(start_s, at_s + 1e-9, side="right") - 1
    within = (near >= 0) & (at_s <= (end_s[np.maximum(near, 0)] if len(end_s) else -np.inf) + 1e-9)
    allowed = within & (np.abs(step_cc[large]) <= GESTURE_STEP_CC)
    sign = np.sign(step_cc)
    begins = np.r_[True, sign[1:] != sign[:-1]]
    run = np.cumsum(begins) - 1
    size = np.bincount(run) if len(run) else np.zeros(0, dtype=np.int64)
    return np.asarray(allowed & (size[run[large]] >= GESTURE_EVENTS)) if len(large) else np.zeros(0, dtype=bool)


def _shaking(lane: str, time_s: Floats, value_cc: Floats) -> list[Flaw]:
    """Seconds with more than 12 reversals larger than 4 steps, one finding for those that overlap.

    Only stretches are looked at that turn often enough, by however little, on a way long enough.
    """
    step_cc = np.diff(value_cc)
    way_cc = np.r_[0.0, np.cumsum(np.abs(step_cc))]
    turned = np.r_[0, 0, np.cumsum(np.diff(np.sign(step_cc)) != 0)][: len(time_s)]
    stop = np.searchsorted(time_s, time_s + 1.0) - 1
    busy = (way_cc[stop] - way_cc > MAX_TURNS * TURN_CC) & (turned[stop] - turned >= MAX_TURNS)
    first = np.flatnonzero(busy)
    flaws: list[Flaw] = []
    apart = np.flatnonzero(time_s[first[1:]] > time_s[stop[first[:-1]]]) + 1
    for group in np.split(first, apart) if len(first) else []:
        span = slice(max(int(group[0]) - 2, 0), int(stop[group[-1]]) + 2)
        turns_s = turning_times(time_s[span], value_cc[span])
        many = np.flatnonzero(turns_s[MAX_TURNS:] - turns_s[:-MAX_TURNS] < 1.0 - 1e-9)
        if len(many):
            most = int((np.searchsorted(turns_s, turns_s[many] + 1.0 - 1e-9) - many).max())
            what = f"turns back {most} times in a second by more than {TURN_CC} steps: smooth it"
            end_s = float(turns_s[many[-1] + MAX_TURNS])
            flaws.append(Flaw("jump", lane, float(turns_s[many[0]]), end_s, what, "high"))
    return flaws


def turning_times(time_s: Floats, value_cc: Floats) -> Floats:
    """Times at which a lane turns by more than 4 steps: each extreme with more than that way to both sides."""
    turns: list[float] = []
    if not len(time_s):
        return np.zeros(0)
    way = 0
    low = high = float(value_cc[0])
    low_s = high_s = float(time_s[0])
    for at_s, value in zip(time_s.tolist(), value_cc.tolist(), strict=True):
        if value > high:
            high, high_s = value, at_s
        if value < low:
            low, low_s = value, at_s
        if way >= 0 and high - value > TURN_CC:
            turns += [high_s] if way else []
            way, low, low_s = -1, value, at_s
            high, high_s = value, at_s
        elif way <= 0 and value - low > TURN_CC:
            turns += [low_s] if way else []
            way, high, high_s = 1, value, at_s
            low, low_s = value, at_s
    return np.array(turns)


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
    where = renewed_joins(part.attacks) & ~a.repeated & (length_s > JOIN_NOTE_S) & (before_s > JOIN_NOTE_S)
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


def _slow_repeats(part: WrittenPart) -> Mask:
    a = part.attacks
    between_s = np.diff(a.onset_s, prepend=-np.inf)
    return renewed_joins(part.attacks) & a.repeated & (between_s > FASTEST_REPEAT_S + TOLERANCE_S)


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
