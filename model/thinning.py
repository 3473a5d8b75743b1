"""Dense lanes to staircases: as few controller events as keep the lane where it was drawn.

A controller holds each value until the next event, so a lane of whole steps is at best half a step away from its
curve. Where the curve is slow, events stand where it crosses half steps. Where it is fast, an event must wait until
the one before is `spacing` old; up to 100 steps a second the times of events are then chosen so that the staircase
stays within one step (a jump of two steps is only possible just where the curve passes the step between). Faster
still, events come at the full rate, each at the value of the curve.

Many stretches of many lanes are thinned together, end to end on one axis of frames: events far from each other are
found for all of them at once, and the busy places advance in step, frame by frame, one vector operation for all of
them.

Units: positions in frames of `FRAME_S`, values in controller steps. The limits (60 events a second, 6 and 12 steps, 12
reversals over 4 steps a second) are common practice without a source.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from phrasewright.model.lanes import spans_of
from phrasewright.model.reversals import ATTEMPTS, calmed, only, picked, put_back, put_in, restless

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Mask = NDArray[np.bool_]

MIN_SPACING_S = 1.0 / 59.0
"""Least time between two events of a lane: never more than 60 in a second, whichever second is looked at."""

STEP_LIMIT_CC = 6
GESTURE_LIMIT_CC = 12
GESTURE_EVENTS = 3
FREE_LIMIT_CC = 127

_ROUNDING_CC = 0.9
"""Steps kept back from the limit because values are rounded at both ends of a jump."""
_PASSED_OVER_CC = 0.6
"""Trips this far from the held value, back within two events' time, get none; more would cost shallow dips depth."""
_CHATTER_CC = 0.65
_CALM = 8
"""Frames without a change around an event that stands alone."""
_SETTLE = 6
"""Frames after the last change of a busy place in which the staircase comes to rest."""
_CHOSEN_SLOPE_CC = 1.02
"""Steps a frame up to which event times are chosen (100 steps a second, and a little for rounding)."""


@dataclass(frozen=True)
class Stretches:
    """Stretches of dense lanes, end to end.

    Parameters
    ----------
    value_cc : float array, (n_frames,)
        The curves, one after another. The first frame of a stretch is the value the lane already has.
    begin : int array, (n_stretches + 1,)
        Where each stretch begins; the last entry is n_frames.
    spacing : float array, (n_frames,)
        Frames that two events must lie apart there.
    limit_cc : float array, (n_frames,)
        Largest step of an event between this frame and the next: STEP_LIMIT_CC, GESTURE_LIMIT_CC or FREE_LIMIT_CC.
    lane, origin : int arrays, (n_stretches,)
        Which lane each stretch belongs to, in order, and the frame of the file at which it begins.
    """

    value_cc: Floats
    begin: Ints
    spacing: Floats
    limit_cc: Floats
    lane: Ints
    origin: Ints


@dataclass(frozen=True)
class Staircase:
    """Events of all stretches in order, arrays of shape (n_events,). `position` counts frames from the stretch's
    first.
    """

    stretch: Ints
    position: Floats
    value_cc: Ints


def thin(stretches: Stretches) -> Staircase:
    """The staircase of each stretch. An event is written only where the value changes; the first value is given."""
    stretches, stairs = _gestures_in_three(stretches)
    for attempt in range(ATTEMPTS):
        chosen = restless(stairs, stretches)
        if not len(chosen):
            break
        calmer, again = _gestures_in_three(calmed(only(stretches, chosen), picked(stairs, chosen), attempt))
        stretches, stairs = put_back(stretches, calmer, chosen), put_in(stairs, again, chosen)
    return stairs


def _gestures_in_three(stretches: Stretches) -> tuple[Stretches, Staircase]:
    """The staircase; where a gesture came out as one or two large steps, the ordinary limit holds instead."""
    for _ in range(4):
        value = slew_limited(stretches)
        stairs = _staircase(stretches, value)
        hasty = _hasty_gestures(stairs, stretches)
        if not len(hasty):
            break
        limit_cc = stretches.limit_cc.copy()
        for low, high in hasty:
            limit_cc[low:high] = np.minimum(limit_cc[low:high], STEP_LIMIT_CC)
        stretches = replace(stretches, limit_cc=limit_cc)
    return stretches, stairs


def _hasty_gestures(stairs: Staircase, stretches: Stretches) -> list[tuple[int, int]]:
    """Frames around movements of fewer than three events that hold a step over the ordinary limit."""
    if not len(stairs.value_cc):
        return []
    frame = stretches.begin[stairs.stretch] + stairs.position.astype(np.int64)
    fresh = np.r_[True, np.diff(stairs.stretch) != 0]
    given = np.rint(stretches.value_cc[stretches.begin[stairs.stretch]]).astype(np.int64)
    step = stairs.value_cc - np.where(fresh, given, np.r_[0, stairs.value_cc[:-1]])
    turn = fresh | (np.r_[0, step[:-1]] * step <= 0)
    run = np.cumsum(turn) - 1
    limits = stretches.limit_cc[np.minimum(frame, len(stretches.limit_cc) - 1)]
    large = (np.abs(step) > STEP_LIMIT_CC) & (limits == GESTURE_LIMIT_CC)
    few = (np.bincount(run) < GESTURE_EVENTS) & (np.bincount(run, large) > 0)
    return [(max(k - 12, 0), k + 4) for k in frame[large & few[run]].tolist()]


def slew_limited(stretches: Stretches) -> Floats:
    """The curves, following no faster than the step limit allows at the full rate. Shape (n_frames,).

    In a re-articulation, accent or sforzando the limit is 12 steps where the movement takes at least three events, so
    a third of the whole movement where that is less.
    """
    value = stretches.value_cc
    n = len(value)
    if n < 2:
        return value.copy()
    slack = (STEP_LIMIT_CC - _ROUNDING_CC) / stretches.spacing
    free = stretches.limit_cc >= FREE_LIMIT_CC
    for _ in range(int(np.ceil(stretches.spacing.max())) + 1):  # an event may come late, but must still find silence
        free[:-1] &= free[1:]
    rise = np.diff(value)
    inner = np.ones(n - 1, dtype=bool)
    inner[stretches.begin[1:-1] - 1] = False
    hasty = np.flatnonzero(inner & ~free[:-1] & (np.abs(rise) > slack[:-1]))
    if not len(hasty):
        return value.copy()
    out = value.copy()
    ends = stretches.begin[np.searchsorted(stretches.begin, hasty, side="right")]
    reached = -1
    for k, end in zip(hasty.tolist(), ends.tolist(), strict=True):
        if k < reached:
            continue
        per_frame = float(slack[k])
        if stretches.limit_cc[k] > STEP_LIMIT_CC:
            per_frame = _gesture_slew(value, k, end, float(stretches.spacing[k]), per_frame)
        now = float(out[k])
        i = k
        while i + 1 < end:
            want = float(value[i + 1])
            gap = want - now
            in_gesture = stretches.limit_cc[i] > STEP_LIMIT_CC
            room = FREE_LIMIT_CC if free[i] else per_frame if in_gesture else min(per_frame, float(slack[i]))
            if abs(gap) <= room:
                now = want
                out[i + 1] = now
                if i >= k:
                    i += 1
                    break
            now += room if gap > 0 else -room
            out[i + 1] = now
            i += 1
        reached = i
    return out


def _gesture_slew(value: Floats, k: int, end: int, spacing: float, least: float) -> float:
    """Steps a frame in a gesture: the movement from frame k on, in one direction, spread over at least three events."""
    sign = 1.0 if value[k + 1] > value[k] else -1.0
    low, high = k, k + 1
    while low > 0 and (value[low] - value[low - 1]) * sign > 0 and k - low < 30:
        low -= 1
    while high + 1 < end and (value[high + 1] - value[high]) * sign > 0 and high - k < 30:
        high += 1
    whole = abs(float(value[high] - value[low]))
    most = (GESTURE_LIMIT_CC - _ROUNDING_CC) / spacing
    return float(min(max(least, (whole / GESTURE_EVENTS - _ROUNDING_CC) / spacing), most))


def _staircase(stretches: Stretches, value: Floats) -> Staircase:
    begin = stretches.begin
    start, level, opens = _without_chatter(value, begin)
    steps = np.repeat(level, np.diff(np.append(start, len(value))))
    change = start[~opens] - 1
    if not len(change):
        empty = np.zeros(0, dtype=np.int64)
        return Staircase(empty, np.zeros(0), empty.copy())
    stretch = np.searchsorted(begin, change, side="right") - 1
    apart = (np.diff(change) > _CALM) | (np.diff(stretch) != 0)
    opens = np.r_[True, apart]
    closes = np.r_[apart, True]
    alone = opens & closes & (np.abs(steps[change + 1] - steps[change]) == 1)

    k = change[alone]
    half = (steps[k] + steps[k + 1]) / 2
    rise = value[k + 1] - value[k]
    share = np.clip((half - value[k]) / np.where(rise == 0, 1.0, rise), 0.0, 1.0)
    single = (stretch[alone], k + share, steps[k + 1])

    first_of = np.flatnonzero(opens & ~(opens & closes & alone))
    last_of = np.flatnonzero(closes & ~(opens & closes & alone))
    first = change[first_of]
    ends = begin[stretch[first_of] + 1] - 1
    last = np.minimum(change[last_of] + 1 + _SETTLE, ends)
    busy = _in_step(value, steps, stretches.spacing, stretches.limit_cc, first, last, ends)
    which = stretch[first_of][busy[0]]

    where = np.concatenate([single[0], which])
    position = np.concatenate([single[1], busy[1]])
    levels = np.concatenate([single[2], busy[2]])
    order = np.argsort(position)  # no two stand at one place; the axis is shared, so this sorts by stretch too
    where, position, levels = where[order], position[order], levels[order]
    return Staircase(where, position - begin[where], levels)


def _without_chatter(value: Floats, begin: Ints) -> tuple[Ints, Ints, Mask]:
    """The curve in whole steps, without the short trips across a half step that it makes when it hovers there.

    What moves on before and after the trip is no hovering: a dip or a swell keeps its last step.

    Returns
    -------
    start, level : int arrays, (n_runs,)
        Where each run of one step begins, and that step.
    opens : bool array, (n_runs,)
        Whether a stretch begins with it; at all others the step changes.
    """
    steps = np.rint(value).astype(np.int64)
    first = np.ones(len(value), dtype=bool)
    first[1:] = steps[1:] != steps[:-1]
    first[begin[:-1]] = True
    start = np.flatnonzero(first)
    level, opens = steps[start], np.isin(start, begin[:-1])
    for _ in range(3):
        if len(start) < 3:
            break
        trip = np.zeros(len(start), dtype=bool)
        trip[1:-1] = (level[:-2] == level[2:]) & (np.abs(level[1:-1] - level[:-2]) == 1)
        trip[1:-1] &= ~opens[1:-1] & ~opens[2:]
        step = np.diff(level)
        onward = (step[:-3] * step[1:-2] > 0) & (step[2:-1] * step[3:] > 0) & ~opens[1:-3] & ~opens[4:]
        trip[2:-2] &= ~onward  # the top of a larger movement
        k = np.flatnonzero(trip)
        length = start[k + 1] - start[k]
        off = np.abs(value[spans_of(start[k], start[k + 1])] - np.repeat(level[k - 1], length))
        trip[k] = np.maximum.reduceat(off, np.cumsum(length) - length) <= _CHATTER_CC if len(k) else False
        if not np.any(trip):
            break
        run_start = np.maximum.accumulate(np.where(trip & ~np.r_[False, trip[:-1]], np.arange(len(trip)), 0))
        trip &= (np.arange(len(trip)) - run_start) % 2 == 0
        level = np.where(trip, np.r_[level[0], level[:-1]], level)
        kept = opens | np.r_[True, level[1:] != level[:-1]]
        start, level, opens = start[kept], level[kept], opens[kept]
    return start, level, opens


def _in_step(
    value: Floats, steps: Ints, spacing: Floats, limit_cc: Floats, first: Ints, last: Ints, ends: Ints
) -> tuple[Ints, Floats, Ints]:
    """Events of busy places, each from frame `first` to `last`; `ends` is the last frame that may be looked at.

    Returns the index of the place, the position on the shared axis and the value of each event.
    """
    edges = np.stack([first, last], axis=1).ravel()
    highest = np.maximum.reduceat(steps, edges)[::2] if len(first) else first
    lowest = np.minimum.reduceat(steps, edges)[::2] if len(first) else first
    order = np.argsort(first - last, kind="stable")  # longest first: those still running are a prefix
    first, last, ends, highest, lowest = (a[order] for a in (first, last, ends, highest, lowest))
    now = steps[first]
    steps, limit_cc = steps.astype(np.int16), limit_cc.astype(np.int8)  # looked up at random: small, so that it is near
    ready = first.astype(np.float64)
    lengths = last - first
    found: list[tuple[Ints, Floats, Ints]] = []

    def look(position: Floats, end: Ints) -> Floats:
        i = np.minimum(position.astype(np.int64), np.maximum(end - 1, 0))
        share = np.minimum(position - i, 1.0)
        return np.asarray(value[i] + share * (value[i + 1] - value[i]))

    running = np.searchsorted(-lengths, -np.arange(lengths.max(initial=0)))  # places with more than so many intervals
    for step, n in enumerate(running.tolist()):
        k = first[:n] + step
        act = np.flatnonzero((steps[k + 1] != now[:n]) & (ready[:n] < k + 1))
        if not len(act):
            continue
        k, end, gap = k[act], ends[act], spacing[k[act]]
        held = now[act]
        sign = np.sign(steps[k + 1] - held)
        y0, y1 = value[k], value[k + 1]
        rise, behind = (y1 - y0) * sign, sign * (y0 - held)
        safe = np.where(rise > 0, rise, 1.0)
        # where the curve is half a step away, and an event's time after that
        at = np.maximum(np.where(rise > 0, k + np.clip((0.5 - behind) / safe, 0.0, 1.0), k), ready[act])
        here = sign * (look(at, end) - held)
        later = sign * (look(at + gap, end) - held)
        jump = np.rint(here)
        do = np.ones(len(act), dtype=bool)
        leap = (limit_cc[k] >= FREE_LIMIT_CC) & (rise > STEP_LIMIT_CC)  # all at once while nothing sounds
        jump[leap] = np.rint(sign * (y1 - held))[leap]
        c = np.flatnonzero((later > 2.0) & ((later - here) / gap <= _CHOSEN_SLOPE_CC))  # times are chosen
        if len(c):
            whole = np.clip((1.0 - behind[c]) / safe[c], 0.0, 1.0)
            at[c] = np.maximum(np.where(rise[c] > 0, k[c] + whole, k[c]), ready[act[c]])
            reach = sign[c] * (look(at[c], end[c]) - held[c])
            after = sign[c] * (look(at[c] + gap[c], end[c]) - held[c])
            two = np.minimum(np.floor(reach + 1 + 1e-9), np.floor(after + 1))
            jump[c] = np.where(leap[c], jump[c], two)
            do[c] = leap[c] | (sign[c] * (y1[c] - held[c]) >= 1.0)  # else the curve is not there yet
        near = np.flatnonzero((np.abs(y1 - held) <= _PASSED_OVER_CC) & (lengths[act] - step > 2))
        if len(near):  # what is coming back needs no event
            back = look(k[near] + 1 + 2 * gap[near], end[near])
            do[near] &= np.abs(back - held[near]) > _PASSED_OVER_CC
        do &= at <= k + 1
        jump = np.minimum(np.maximum(jump, 1.0), limit_cc[k])
        act, at = act[do], at[do]
        moved = np.clip((held + sign * jump.astype(np.int64))[do], lowest[act], highest[act])
        now[act] = moved
        ready[act] = at + gap[do]
        found.append((order[act], at, moved))
    if not found:
        return np.zeros(0, dtype=np.int64), np.zeros(0), np.zeros(0, dtype=np.int64)
    places, positions, levels = (np.concatenate(column) for column in zip(*found, strict=True))
    return places, positions, levels
