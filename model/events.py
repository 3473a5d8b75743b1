"""Dense lanes to controller events: entries, rests, tails, resets, seams.

While a part sounds the lane follows its dense curve (`thinning.py`). In rests of a quarter second or more the curve
means nothing: the lane holds after the last offset, then moves to the value with which the next note enters, and
stands still from at least 100 ms before that entry. One second after the last offset it returns once to its start
value. Stretches that must stay as they were drawn (kept phrases, everything outside the chosen bars) are left out,
and the new lane arrives at their value and leaves from it.

Units: ticks for everything that is written, seconds for lengths, controller steps for values. All figures here are
common practice without a source.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from phrasewright.data.notes import Notes
from phrasewright.data.tempo import TempoMap
from phrasewright.model.hearing import EVENTS, PartHearing
from phrasewright.model.lanes import FRAME_S, spans_of
from phrasewright.model.responses import timing_of
from phrasewright.model.rests import LEAD_S, LONG_REST_BARS, LONG_REST_S, REST_S, TAIL_S, floor_tick, rest_events
from phrasewright.model.thinning import (
    FREE_LIMIT_CC,
    GESTURE_LIMIT_CC,
    MIN_SPACING_S,
    STEP_LIMIT_CC,
    Staircase,
    Stretches,
    thin,
)

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

BATCH_FRAMES = 2_000_000
"""Frames of all lanes to write together: enough that the vectors are long, few enough that memory stays bounded."""
LAST_TICK = np.iinfo(np.int64).max // 4
GESTURE_S = (-0.15, 0.3)
"""How far a re-articulation, accent or sforzando reaches around its onset."""


@dataclass(frozen=True)
class Sound:
    """Where a part sounds: spans between rests of a quarter second or more, arrays of shape (n_spans,)."""

    onset_tick: Ints
    offset_tick: Ints
    onset_s: Floats
    offset_s: Floats

    @property
    def n_spans(self) -> int:
        """How many stretches of sound."""
        return len(self.onset_tick)


def sound_of(notes: Notes) -> Sound:
    """The spans of a part's notes."""
    reach_s = np.maximum.accumulate(notes.offset_s)
    reach_tick = np.maximum.accumulate(notes.offset_tick)
    first = np.flatnonzero(np.r_[True, notes.onset_s[1:] - reach_s[:-1] >= REST_S - 1e-9])
    last = np.r_[first[1:] - 1, notes.n_notes - 1]
    return Sound(notes.onset_tick[first], reach_tick[last], notes.onset_s[first], reach_s[last])


@dataclass(frozen=True)
class Stay:
    """A stretch in which the lane stays as it was drawn: from `start_tick` to before `end_tick`.

    `start_cc` is the drawn value at its start, `end_cc` the one it ends with; None where nothing was drawn before.
    `stated` says that nothing needs to be written at its start: an event of the drawn lane stands there, or the file
    begins.
    """

    start_tick: int
    end_tick: int
    start_cc: int | None
    end_cc: int | None
    stated: bool


@dataclass(frozen=True)
class LaneRequest:
    """One lane of one part to be written.

    Parameters
    ----------
    sound : Sound
    dense_cc : float array, (n_frames,)
        The curve, already within its range. Values in rests are not looked at.
    limit_cc : float array, (n_frames,)
        Largest step of an event, as in `Stretches`.
    stays : sequence of Stay
        In order, not touching each other.
    reset_tick : int array
        Where the channel's controllers are reset (controller 121).
    """

    sound: Sound
    dense_cc: Floats
    limit_cc: Floats
    stays: Sequence[Stay]
    reset_tick: Ints


@dataclass(frozen=True)
class _Pieces:
    """Sounding stretches to write. `from_seam`, `to_seam`: the sound goes on from or into a stay."""

    start_tick: Ints
    end_tick: Ints
    from_seam: NDArray[np.bool_]
    to_seam: NDArray[np.bool_]


def pieces_of(sound: Sound, stays: Sequence[Stay]) -> _Pieces:
    """What of the sounding spans lies outside all stays."""
    if not stays:
        none = np.zeros(sound.n_spans, dtype=bool)
        return _Pieces(sound.onset_tick, sound.offset_tick, none, none)
    rows: list[tuple[int, int, bool, bool]] = []
    stay_start = np.array([s.start_tick for s in stays])
    stay_end = np.array([s.end_tick for s in stays])
    low = np.searchsorted(stay_end, sound.onset_tick, side="right")
    high = np.searchsorted(stay_start, sound.offset_tick, side="left")
    for on, off, first, last in zip(
        sound.onset_tick.tolist(), sound.offset_tick.tolist(), low.tolist(), high.tolist(), strict=True
    ):
        at, seam = on, False
        for stay in stays[first:last]:
            if stay.start_tick > at:
                rows.append((at, stay.start_tick, seam, True))
            at, seam = max(at, stay.end_tick), stay.end_cc is not None
        if at < off:
            rows.append((at, off, seam, False))
    start, end, from_seam, to_seam = (np.array(column) for column in zip(*rows, strict=True)) if rows else (
        np.zeros(0, dtype=np.int64), np.zeros(0, dtype=np.int64), np.zeros(0, dtype=bool), np.zeros(0, dtype=bool)
    )
    return _Pieces(start, end, from_seam, to_seam)


def write_lanes(requests: Sequence[LaneRequest], tempo: TempoMap) -> list[tuple[Ints, Ints]]:
    """(tick, value) of the events to add for each lane, ticks increasing, no two at one tick.

    Lanes are thinned together, which is quicker than one by one; what is written of one does not depend on the others.
    """
    pieces = [pieces_of(r.sound, r.stays) for r in requests]
    frames = [_piece_frames(r, p, tempo) for r, p in zip(requests, pieces, strict=True)]
    counts = [len(p.start_tick) for p in pieces]
    owner = np.repeat(np.arange(len(requests)), counts)
    stairs = _thin_all(requests, frames, owner, tempo)
    bounds = np.searchsorted(stairs.stretch, np.cumsum([0, *counts], dtype=np.int64))
    out = []
    at = 0
    for i, request in enumerate(requests):
        rows = slice(int(bounds[i]), int(bounds[i + 1]))
        first = frames[i][0]
        mine = Staircase(stairs.stretch[rows] - at, stairs.position[rows], stairs.value_cc[rows])
        at += counts[i]
        out.append(_one_lane(request, pieces[i], first, mine, tempo))
    return out


def _piece_frames(request: LaneRequest, pieces: _Pieces, tempo: TempoMap) -> tuple[Ints, Ints]:
    """First and last frame of each piece: the first at or after its start, the last at or before its end."""
    last_frame = len(request.dense_cc) - 1
    first = np.ceil(tempo.tick_to_s(pieces.start_tick) / FRAME_S - 1e-6).astype(np.int64)
    last = np.floor(tempo.tick_to_s(pieces.end_tick) / FRAME_S + 1e-6).astype(np.int64)
    behind_stay = np.isin(pieces.start_tick, [stay.end_tick for stay in request.stays])
    first += np.where(behind_stay, 2, 0)  # an event of the stay may stand just before
    first = np.clip(first, 0, last_frame)
    return first, np.clip(np.maximum(last, first), 0, last_frame)


def spacing_frames(tempo: TempoMap, n_frames: int) -> Floats:
    """Frames two events must lie apart at each frame: at least 1/59 s, and a whole number of ticks there."""
    i = np.maximum(np.searchsorted(tempo.second, np.arange(n_frames) * FRAME_S, side="right") - 1, 0)
    ticks = np.ceil(MIN_SPACING_S / tempo.s_per_tick - 1e-9)
    return np.asarray((ticks * tempo.s_per_tick / FRAME_S)[i])


def _thin_all(
    requests: Sequence[LaneRequest], frames: Sequence[tuple[Ints, Ints]], owner: Ints, tempo: TempoMap
) -> Staircase:
    if not len(owner):
        empty = np.zeros(0, dtype=np.int64)
        return Staircase(empty, np.zeros(0), empty)
    spacing = spacing_frames(tempo, max(len(r.dense_cc) for r in requests))
    values, spacings, limits, lengths = [], [], [], []
    for request, (first, last) in zip(requests, frames, strict=True):
        index = spans_of(first, last + 1)
        values.append(request.dense_cc[index])
        spacings.append(spacing[index])
        limits.append(request.limit_cc[index])
        lengths.append(last - first + 1)
    begin = np.r_[0, np.cumsum(np.concatenate(lengths))]
    origin = np.concatenate([first for first, _ in frames])
    return thin(
        Stretches(np.concatenate(values), begin, np.concatenate(spacings), np.concatenate(limits), owner, origin)
    )


def _one_lane(
    request: LaneRequest, pieces: _Pieces, first_frame: Ints, stairs: Staircase, tempo: TempoMap
) -> tuple[Ints, Ints]:
    n = len(pieces.start_tick)
    entry = np.rint(request.dense_cc[first_frame]).astype(np.int64) if n else np.zeros(0, dtype=np.int64)
    tick = tempo.s_to_tick((first_frame[stairs.stretch] + stairs.position) * FRAME_S) if n else stairs.stretch
    # Still at the entry: nothing moves before or at the onset tick, nor at the offset.
    tick = np.maximum(tick, pieces.start_tick[stairs.stretch] + 1)
    inside = tick < pieces.end_tick[stairs.stretch]
    near = pieces.to_seam[stairs.stretch] & (
        tempo.tick_to_s(pieces.end_tick[stairs.stretch]) - tempo.tick_to_s(tick) < MIN_SPACING_S
    )
    use = inside & ~near
    where, tick, value = stairs.stretch[use], tick[use], stairs.value_cc[use]
    count = np.bincount(where, minlength=n)
    final = np.where(count > 0, value[np.cumsum(count) - 1] if len(value) else 0, entry) if n else entry

    rest_tick, rest_value = _around(request, pieces, entry, final, tempo)
    tick = np.concatenate([tick, rest_tick])
    value = np.concatenate([value, rest_value])
    order = np.argsort(tick, kind="stable")  # at one tick what is said in rests counts
    tick, value = tick[order], value[order]
    keep = np.r_[tick[1:] != tick[:-1], True] if len(tick) else np.zeros(0, dtype=bool)
    tick, value = tick[keep], value[keep]
    return _after_resets(request, tick, value, tempo)


def _around(
    request: LaneRequest, pieces: _Pieces, entry: Ints, final: Ints, tempo: TempoMap
) -> tuple[Ints, Ints]:
    """Events outside the sounding pieces: start, rests, seams, tail."""
    stays = request.stays
    n, m = len(entry), len(stays)
    start = np.r_[pieces.start_tick, [s.start_tick for s in stays]].astype(np.int64)
    end = np.r_[pieces.end_tick, [s.end_tick for s in stays]].astype(np.int64)
    is_stay = np.r_[np.zeros(n, dtype=bool), np.ones(m, dtype=bool)]
    first_cc = np.r_[entry.astype(np.float64), [np.nan if s.start_cc is None else s.start_cc for s in stays]]
    last_cc = np.r_[final.astype(np.float64), [np.nan if s.end_cc is None else s.end_cc for s in stays]]
    stated = np.r_[np.zeros(n, dtype=bool), [s.stated for s in stays]].astype(bool)
    seam = np.r_[pieces.from_seam, np.zeros(m, dtype=bool)]
    order = np.argsort(start, kind="stable")
    start, end, is_stay, first_cc, last_cc, stated, seam = (
        a[order] for a in (start, end, is_stay, first_cc, last_cc, stated, seam)
    )
    known = first_cc[~np.isnan(first_cc)]
    start_cc = int(known[0]) if len(known) else 0
    first_cc = np.where(np.isnan(first_cc), start_cc, first_cc)

    ticks: list[Ints] = []
    values: list[Ints] = []

    def add(at: NDArray[np.generic], level: NDArray[np.generic]) -> None:
        ticks.append(np.asarray(at, dtype=np.int64))
        values.append(np.asarray(level, dtype=np.int64))

    if not is_stay[0]:
        add(np.zeros(1), first_cc[:1])
        bar = tempo.tick_to_bar(start[:1]) - 1.0 if tempo.has_metre else np.zeros(1)
        if bar[0] >= LONG_REST_BARS or tempo.tick_to_s(start[0]) >= LONG_REST_S:
            add(floor_tick(tempo.tick_to_s(start[:1]) - LEAD_S, tempo), first_cc[:1])
    # Stays begin with their drawn value, whatever came before, unless their own event says it.
    state = is_stay & ~stated
    add(start[state], first_cc[state])

    x, y = slice(None, -1), slice(1, None)
    gap_s = tempo.tick_to_s(start[y]) - tempo.tick_to_s(np.minimum(end[x], start[y]))
    fresh = np.isnan(last_cc[x])  # nothing was ever drawn before: the lane begins here
    touching = (end[x] >= start[y]) & is_stay[x] & ~is_stay[y] & ~seam[y]
    begins = fresh & is_stay[x] & ~is_stay[y]
    add(end[x][begins | touching], first_cc[y][begins | touching])
    rest = (end[x] < start[y]) & ~begins
    ready = rest | (begins & (gap_s >= LONG_REST_S))
    i = np.flatnonzero(ready)
    if len(i):
        old = np.where(np.isnan(last_cc[i]), first_cc[i + 1], last_cc[i])
        add(*rest_events(end[i], start[i + 1], old, first_cc[i + 1], is_stay[i], is_stay[i + 1], tempo))
    if not is_stay[-1]:
        add(np.maximum(tempo.s_to_tick(tempo.tick_to_s(end[-1:]) + TAIL_S), end[-1:] + 1), np.array([start_cc]))
    elif end[-1] < LAST_TICK:
        add(end[-1:], np.array([start_cc]))
    return np.concatenate(ticks), np.concatenate(values)


def _after_resets(request: LaneRequest, tick: Ints, value: Ints, tempo: TempoMap) -> tuple[Ints, Ints]:
    """Restate the lane's value wherever the channel's controllers are reset, outside stays and while the lane is
    alive.
    """
    resets = np.unique(request.reset_tick)
    if not len(resets) or not len(tick):
        return tick, value
    for stay in request.stays:
        resets = resets[(resets < stay.start_tick) | (resets >= stay.end_tick)]
    resets = resets[(resets > tick[0]) & (resets < tick[-1]) & ~np.isin(resets, tick)]
    if not len(resets):
        return tick, value
    for stay in request.stays:  # what is restated may be what a stay left behind
        if stay.end_cc is not None and tick[0] < stay.end_tick < tick[-1] and stay.end_tick not in tick:
            i = int(np.searchsorted(tick, stay.end_tick))
            tick, value = np.insert(tick, i, stay.end_tick), np.insert(value, i, stay.end_cc)
    for reset in resets.tolist():
        if reset not in tick:
            tick, value = _restated(request.sound, tick, value, reset, tempo)
    return tick, value


def _restated(sound: Sound, tick: Ints, value: Ints, reset: int, tempo: TempoMap) -> tuple[Ints, Ints]:
    """The lane with its value restated at one reset, events too near dropped, and what they did made up for after it.
    """

    def sounding(at: int) -> bool:
        i = int(np.searchsorted(sound.onset_tick, at, side="right")) - 1
        return i >= 0 and at < int(sound.offset_tick[i])

    reset_s = float(tempo.tick_to_s(reset))
    first = int(np.searchsorted(tempo.tick_to_s(tick), reset_s - MIN_SPACING_S + 1e-9))
    first = max(first, 1)  # the start value stays
    after = int(np.searchsorted(tempo.tick_to_s(tick), reset_s + MIN_SPACING_S - 1e-9))
    last = len(tick) - 1  # the return to the start value stays
    after = min(after, last)
    if not sounding(reset):
        now = int(value[max(after - 1, 0)])
        return _joined(tick, value, first, after, [(reset, now)])
    made = [(reset, int(value[first - 1]))]
    while after < last:
        at = int(tempo.s_to_tick(float(tempo.tick_to_s(made[-1][0])) + MIN_SPACING_S)) + 1
        now, at_s = made[-1][1], float(tempo.tick_to_s(at))
        if now == int(value[after - 1]):
            break  # the lane as it was drawn up has been caught up with
        following_s = float(tempo.tick_to_s(tick[after]))
        if following_s - at_s < MIN_SPACING_S:
            at, after = max(at, int(tick[after])), after + 1
        if not sounding(at):
            break
        want = int(value[after - 1])
        made.append((at, int(np.clip(want, now - STEP_LIMIT_CC, now + STEP_LIMIT_CC))))
        after = max(after, int(np.searchsorted(tick, at, side="right")))
        after = min(after, last)
    return _joined(tick, value, first, after, made)


def _joined(tick: Ints, value: Ints, first: int, after: int, made: list[tuple[int, int]]) -> tuple[Ints, Ints]:
    at, level = (np.array(column, dtype=np.int64) for column in zip(*made, strict=True))
    return np.r_[tick[:first], at, tick[after:]], np.r_[value[:first], level, value[after:]]


def step_limits(n_frames: int, *, gesture_s: Floats, gap_s: Floats) -> Floats:
    """The step limit at each frame of a part, shape (n_frames,), controller steps.

    Parameters
    ----------
    gesture_s : float array, (n_gestures, 2)
        Spans of re-articulations, accents and sforzandi: 12 steps there.
    gap_s : float array, (n_gaps, 2)
        Spans in which nothing sounds: no limit there.
    """
    limit = np.full(n_frames, float(STEP_LIMIT_CC))
    for span_s, most_cc in ((gesture_s, GESTURE_LIMIT_CC), (gap_s, FREE_LIMIT_CC)):
        first = np.clip(np.ceil(span_s[:, 0] / FRAME_S).astype(np.int64), 0, n_frames)
        limit[spans_of(first, np.clip((span_s[:, 1] / FRAME_S).astype(np.int64), first, n_frames))] = most_cc
    return limit


def gesture_spans(heard: PartHearing) -> Floats:
    """Spans around re-articulations, accents and sforzandi, shape (n_gestures, 2), seconds."""
    attacks = heard.attacks
    sharp = np.isin(attacks.event, [EVENTS.index("accent"), EVENTS.index("sforzando")])
    timing = timing_of(heard)
    sounding_s = attacks.onset_s if timing is None else timing.sounding_s
    onset_s = sounding_s[sharp | (attacks.repeated & (attacks.rest_before_s < 0.25))]
    return np.stack([onset_s + GESTURE_S[0], onset_s + GESTURE_S[1]], axis=1)


def gap_spans(notes: Notes) -> Floats:
    """Spans between notes in which nothing sounds, shape (n_gaps, 2), seconds."""
    reach_s = np.maximum.accumulate(notes.offset_s)[:-1]
    open_ = notes.onset_s[1:] > reach_s + 1e-9
    return np.stack([reach_s[open_], notes.onset_s[1:][open_]], axis=1)
