"""Where lanes are written and what: chosen parts and bars, what stays, what goes, and the curve in between.

Outside the chosen bars every lane sounds as before. A note that crosses an edge keeps its old lane: to its offset
where it comes in from before, from its onset where it goes on beyond, unless that is a legato overlap. Units of spans:
ticks.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from phrasewright.data.cue import Cue, Part
from phrasewright.data.curves import ALL_LANES, COLOUR_LANES, LANES
from phrasewright.data.errors import UsageError
from phrasewright.data.midi import Track
from phrasewright.data.notes import Notes
from phrasewright.data.plan import MF_CC, plan_levels
from phrasewright.data.tempo import TempoMap
from phrasewright.model.colour_lanes import attack_cc, bow_cc
from phrasewright.model.events import (
    LAST_TICK,
    LaneRequest,
    Stay,
    gap_spans,
    gesture_spans,
    pieces_of,
    sound_of,
    step_limits,
)
from phrasewright.model.existing import (
    FOLLOW,
    Drawn,
    PhraseTicks,
    blended,
    centred,
    drawn_phrases,
    following,
    held_frames,
    joined_to_stays,
    kept_stretches,
    phrase_frames,
    read_drawn,
    stays_of,
)
from phrasewright.model.hearing import CueHearing, PartHearing
from phrasewright.model.lanes import FRAME_S, DenseLanes, frame_times_s, n_frames_for
from phrasewright.model.layers import OVERLAP_S, OVERLAP_SHARE
from phrasewright.model.limits import dynamics_bounds
from phrasewright.model.responses import Timing, answered, timing_of
from phrasewright.model.thinning import GESTURE_LIMIT_CC

RANGES_CC = {"dynamics": (12, 118), "expression": (48, 120), **dict.fromkeys(("vibrato", *COLOUR_LANES), (0, 127))}
"""Limits of the lanes while a part sounds (common practice, no source)."""
_RESET_CC, _FINE_CC = 121, 32

Mask = NDArray[np.bool_]


def select_parts(cue: Cue, wanted: Sequence[str] | None) -> frozenset[int]:
    """Numbers (from 1) of the parts chosen by number or name; all where `wanted` is None.

    A name matches regardless of case and surrounding blanks; where two parts share it, both are chosen.

    Raises
    ------
    UsageError
        A number or name that no part of the cue has.
    """
    if wanted is None:
        return frozenset(part.index for part in cue.parts)
    chosen: set[int] = set()
    for entry in wanted:
        named = cue.parts_called(entry)
        if not named:
            key = entry.strip().strip('"').strip()
            names = ", ".join(f"{part.index} {part.name}" for part in cue.parts)
            raise UsageError(f"{cue.path}: no part is called or numbered {key!r}; the parts are {names}")
        chosen |= named
    if not chosen:
        raise UsageError(f"{cue.path}: no part was named; give numbers or names, or leave the option out")
    return frozenset(chosen)


def bar_ticks(cue: Cue, bars: tuple[int, int] | None) -> tuple[int, int] | None:
    """First tick of the chosen bars and the tick after the last, None for the whole cue.

    Raises
    ------
    UsageError
        The file has no bars (SMPTE division), or the bars lie outside the cue or run backwards.
    """
    if bars is None:
        return None
    first, last = bars
    if not cue.tempo.has_metre or cue.n_bars is None:
        raise UsageError(f"{cue.path}: counts film frames, not bars (SMPTE division); leave the bars out")
    if first < 1 or last < first:
        raise UsageError(f"bars {first}-{last}: count from 1 and give the earlier bar first")
    if first > cue.n_bars:
        raise UsageError(f"{cue.path}: has {cue.n_bars} bars, bar {first} does not exist; choose earlier bars")
    start = int(cue.tempo.bar_to_tick(first))
    end = int(cue.tempo.bar_to_tick(last + 1)) if last < cue.n_bars else LAST_TICK
    return start, end


def outside(part: Part, span: tuple[int, int] | None, cue: Cue) -> list[tuple[int, int]]:
    """The stretches (first tick, tick after the last) of a part that stay as they are, in order.

    The earlier value is restated at the span's last tick, so the stretch behind the span begins there. A note pulled
    ahead of the span's first bar, as a heard part tells, belongs to it from the bar line on.
    """
    if span is None:
        return []
    start, end = span
    notes = part.file_notes
    into = (notes.onset_tick < start) & (notes.offset_tick > start) & (part.notes.onset_tick < start)
    first = int(notes.offset_tick[into].max()) if np.any(into) else start
    if end >= LAST_TICK:
        return [(0, min(first, LAST_TICK))] if first > 0 else []
    beyond_s = notes.offset_s - float(cue.tempo.tick_to_s(end))
    overlap = (beyond_s < OVERLAP_S) & (beyond_s < OVERLAP_SHARE * (notes.offset_s - notes.onset_s))
    out_of = (notes.onset_tick < end) & (notes.offset_tick > end) & ~overlap
    last = min(int(notes.onset_tick[out_of].min()) if np.any(out_of) else end, end - 1)
    if last <= first:
        return [(0, LAST_TICK)]
    return [(0, first), (last, LAST_TICK)] if first > 0 else [(last, LAST_TICK)]


@dataclass(frozen=True)
class LanePlan:
    """One lane of one part.

    `removed` marks events of the track to leave out, shape (n_events,); `n_staying` counts events of the lane that
    stay; `kept_s` lists the kept phrases as [start_s, end_s]; `remarks` what the user should know.
    """

    lane: str
    controller: int
    removed: Mask
    n_staying: int
    kept_s: list[list[float]]
    remarks: tuple[str, ...]


def plan_part(
    hearing: CueHearing,
    index: int,
    dense: DenseLanes,
    *,
    lanes: Sequence[str] | None,
    existing: str,
    outside: Sequence[tuple[int, int]],
    learned_cc: Mapping[str, tuple[int, int]] | None = None,
    departures_cc: Mapping[str, NDArray[np.float64]] | None = None,
    written: Notes | None = None,
) -> list[tuple[LanePlan, LaneRequest]]:
    """Plan the lanes of a part, each with what is to be written.

    `index` counts from 0 into the hearing's parts, `outside` stays in any case. `learned_cc` gives, for lanes drawn in
    a learned style, the lowest and highest step of the hand: these lanes may go beyond the default ranges as the hand
    does, and move in larger steps. `departures_cc` is how far it leads the lanes that only rules draw away from them,
    on the grid of `dense`. `written` are the part's notes as they will stand in the file, where that changes
    them.
    """
    heard = hearing.parts[index]
    part, tempo = heard.part, hearing.cue.tempo
    track = hearing.cue.midi.tracks[part.track - 1]
    channel = part.channel - 1
    timing = timing_of(heard)
    n_frames = dense.n_frames
    if timing is not None:
        n_frames = max(n_frames, n_frames_for(float(part.file_notes.offset_s.max())))
    written = part.file_notes if written is None else written
    sound = sound_of(written)
    limit = step_limits(n_frames, gesture_s=gesture_spans(heard), gap_s=gap_spans(written))
    resets = track.tick[(track.status == (0xB0 | channel)) & (track.data1 == _RESET_CC)]

    there = _already_there(hearing, index, n_frames)
    chosen = [lane for lane in ALL_LANES if lane in part.lane_cc and (lanes is None or lane in lanes)]
    learned = {lane: learned_cc[lane] for lane in chosen if learned_cc is not None and lane in learned_cc}
    bounds = {lane: _bounds(hearing, index, lane, learned.get(lane)) for lane in chosen}
    curves = _instrument_curves(hearing, index, dense, bounds, timing, n_frames, departures_cc or {})
    lifts = _lifts_cc(hearing, index, bounds, timing, n_frames)
    plans = []
    for lane in chosen:
        curve, remarks = _beside_what_is_there(
            curves[lane], lane, there, existing=existing, chosen=chosen, bounds_cc=bounds[lane], lift_cc=lifts[lane]
        )
        keep = there.by_hand[lane] & (existing == "keep")
        kept = kept_stretches(keep, there.phrases, tempo)
        stays = stays_of(there.drawn[lane], outside=outside, kept=kept)
        if outside and not len(pieces_of(sound, stays).start_tick):  # no note of these bars is to be shaped
            stays = stays_of(there.drawn[lane], outside=[(0, LAST_TICK)], kept=[])
        curve = joined_to_stays(curve, sound, stays, {first for first, _ in kept}, tempo)
        plan = LanePlan(
            lane=lane,
            controller=part.lane_cc[lane],
            removed=_removed(track, channel, _numbers(part.lane_cc[lane], part), stays),
            n_staying=_n_staying(there.drawn[lane], stays),
            kept_s=_spans_s(keep, heard),
            remarks=remarks,
        )
        reach = np.maximum(limit, GESTURE_LIMIT_CC) if lane in learned else limit
        plans.append((plan, LaneRequest(sound, curve, reach, stays, resets)))
    return plans


@dataclass(frozen=True)
class _AlreadyThere:
    """The lanes of a part as they stand in the file.

    `drawn` has the events of each lane and `by_hand` which of its phrases were drawn, shape (n_phrases,). `frames` has
    the first frame of each phrase and the one after its last, (n_phrases, 2), `beat_frames` the length of a beat in it.
    """

    part: Part
    tempo: TempoMap
    n_frames: int
    phrases: PhraseTicks
    frames: NDArray[np.int64]
    beat_frames: NDArray[np.int64]
    drawn: Mapping[str, Drawn]
    by_hand: Mapping[str, Mask]

    def held(self, lane: str) -> NDArray[np.float64]:
        """A lane as a device holds it, shape (n_frames,)."""
        return held_frames(self.drawn[lane], self.tempo, self.n_frames)


def _already_there(hearing: CueHearing, index: int, n_frames: int) -> _AlreadyThere:
    heard, tempo = hearing.parts[index], hearing.cue.tempo
    part = heard.part
    track = hearing.cue.midi.tracks[part.track - 1]
    phrases = phrase_ticks(heard)
    beat_s = tempo.beat_length_s(tempo.tick_to_s(phrases.start))
    drawn = {lane: read_drawn(track, channel=part.channel - 1, controller=cc) for lane, cc in part.lane_cc.items()}
    return _AlreadyThere(
        part=part,
        tempo=tempo,
        n_frames=n_frames,
        phrases=phrases,
        frames=phrase_frames(phrases, tempo, n_frames),
        beat_frames=np.maximum(np.rint(beat_s / FRAME_S), 1).astype(np.int64),
        drawn=drawn,
        by_hand={lane: drawn_phrases(one, phrases) for lane, one in drawn.items()},
    )


def _beside_what_is_there(
    curve: NDArray[np.float64],
    lane: str,
    there: _AlreadyThere,
    *,
    existing: str,
    chosen: Sequence[str],
    bounds_cc: tuple[int, int],
    lift_cc: NDArray[np.float64],
) -> tuple[NDArray[np.float64], tuple[str, ...]]:
    """A lane's curve, (n_frames,), as `existing` asks beside what is in the file, within its bounds; and remarks.

    `chosen` are the lanes that are written, `lift_cc` how far the plan carries this one.
    """
    own, replace = there.by_hand[lane], existing == "replace"
    low, high = bounds_cc
    remarks: tuple[str, ...] = ()
    if not replace and len(there.drawn[lane].tick) and not np.any(own):
        curve = centred(curve - lift_cc, there.held(lane), there.frames, low=low, high=high) + lift_cc
        remarks = (f"{lane}: controller {there.part.lane_cc[lane]} was set but not drawn; its value is the centre",)
    alone = np.ones_like(own) if replace else ~own
    for source in LANES:
        if (source, lane) not in FOLLOW or source not in there.by_hand or (replace and source in chosen):
            continue
        follows = there.by_hand[source] & alone
        if np.any(follows):
            curve = following(
                curve, there.held(source), there.frames, follows, pair=(source, lane),
                beat_frames=there.beat_frames, low=low, high=high,
            )  # fmt: skip
            alone &= ~follows
    if existing == "blend" and np.any(own):
        curve = blended(curve, there.held(lane), there.frames, own, beat_frames=there.beat_frames)
    return np.clip(curve, low, high), remarks


def _bounds(hearing: CueHearing, index: int, lane: str, learned: tuple[int, int] | None) -> tuple[int, int]:
    """Lowest and highest value of a lane while its part sounds, as the instrument takes them.

    `learned` is what the hand of a style used of the lane, by the default law.
    """
    part = hearing.parts[index].part
    profiled = part.lane_range.get(lane)
    usual = lane_range(lane, profiled, dynamics_cc=dynamics_bounds(hearing, index))
    if learned is None:
        return usual
    if lane in part.responses:
        ends = answered({lane: np.array(learned, dtype=np.float64)}, part.responses, {lane: (0, 127)})[lane]
        learned = math.floor(ends[0]), math.ceil(ends[1])
    return learned_range(learned, usual, profiled)


def _instrument_curves(
    hearing: CueHearing,
    index: int,
    dense: DenseLanes,
    bounds: Mapping[str, tuple[int, int]],
    timing: Timing | None,
    n_frames: int,
    departures_cc: Mapping[str, NDArray[np.float64]],
) -> dict[str, NDArray[np.float64]]:
    """The curve of each lane in `bounds` as the instrument needs it: on its values, and where its notes are heard.

    Shape (n_frames,) each. Lanes that no predictor foresees are drawn here.
    """
    heard = hearing.parts[index]
    curves = {lane: np.array(dense.value_cc[:, LANES.index(lane)]) for lane in bounds if lane in LANES}
    if "bow" in bounds:
        curves["bow"] = bow_cc(hearing, index, dense.value_cc[:, 0]) + departures_cc.get("bow", 0.0)
    if timing is not None:
        at = timing.to_lane_s(frame_times_s(n_frames)) / FRAME_S
        curves = {lane: np.interp(at, np.arange(dense.n_frames), curve) for lane, curve in curves.items()}
    if "attack" in bounds:  # keys are struck, not heard, with it
        note_on_s = heard.attacks.onset_s if timing is None else timing.written_s
        curves["attack"] = attack_cc(hearing, index, n_frames, note_on_s=note_on_s)
        if "attack" in departures_cc:
            time_s = frame_times_s(n_frames)
            at = (time_s if timing is None else timing.of_keys.to_lane_s(time_s)) / FRAME_S
            curves["attack"] = curves["attack"] + np.interp(at, np.arange(dense.n_frames), departures_cc["attack"])
    for lane in set(bounds) - set(LANES) - set(heard.part.responses):
        low, high = bounds[lane]
        curves[lane] = low + np.clip(curves[lane] / 127.0, 0.0, 1.0) * (high - low)
    return answered(curves, heard.part.responses, bounds)


def _lifts_cc(
    hearing: CueHearing, index: int, bounds: Mapping[str, tuple[int, int]], timing: Timing | None, n_frames: int
) -> dict[str, NDArray[np.float64]]:
    """How far the plan carries each lane from its centre, shape (n_frames,) each.

    A level set in the file stays the centre of what the plan moves around it.
    """
    part = hearing.parts[index].part
    out = {lane: np.zeros(n_frames) for lane in bounds}
    if hearing.plan.covers(part):
        time_s = frame_times_s(n_frames)
        level = plan_levels(hearing.plan, part, time_s if timing is None else timing.to_lane_s(time_s))
        usual = np.tile(np.array(MF_CC), (n_frames, 1))
        both = [
            answered({lane: x[:, LANES.index(lane)] for lane in bounds if lane in LANES[:2]}, part.responses, bounds)
            for x in (level, usual)
        ]
        out |= {lane: both[0][lane] - both[1][lane] for lane in both[0]}
    return out


def phrase_ticks(heard: PartHearing) -> PhraseTicks:
    """Ticks of a part's phrases. A phrase ends with its last note, or where the next phrase begins."""
    notes = heard.part.file_notes
    first = np.array([p.first_note for p in heard.phrases], dtype=np.int64)
    start = notes.onset_tick[first]
    reach = np.maximum.accumulate(notes.offset_tick) if notes.n_notes else notes.offset_tick
    end = np.minimum(reach[np.r_[first[1:], notes.n_notes] - 1], np.r_[start[1:], reach[-1:]])
    return PhraseTicks(start, np.maximum(end, start + 1))


def lane_range(
    lane: str, profiled: tuple[int, int] | None, *, dynamics_cc: tuple[float, float] | None = None
) -> tuple[int, int]:
    """Lowest and highest value of a lane while its part sounds: the profile's range within the default one, where
    they meet. `dynamics_cc` is what the part's plan widens the default range of dynamics to.
    """
    low, high = RANGES_CC[lane]
    if lane == "dynamics" and dynamics_cc is not None:
        low, high = math.floor(dynamics_cc[0]), math.ceil(dynamics_cc[1])
    return _within_profile(low, high, profiled)


def learned_range(hand: tuple[int, int], usual: tuple[int, int], profiled: tuple[int, int] | None) -> tuple[int, int]:
    """The usual range, wider where the hand went beyond it, within the profile's."""
    return _within_profile(min(hand[0], usual[0]), max(hand[1], usual[1]), profiled)


def _within_profile(low: int, high: int, profiled: tuple[int, int] | None) -> tuple[int, int]:
    """What a profile leaves of a range; its own where they do not meet."""
    if profiled is None:
        return low, high
    inner = max(low, profiled[0]), min(high, profiled[1])
    return inner if inner[0] < inner[1] else profiled


def _numbers(controller: int, part: Part) -> list[int]:
    """A lane's controller and that of its least significant byte, unless a profile gives that to another lane."""
    fine = controller + _FINE_CC
    return [controller] if controller >= _FINE_CC or fine in part.lane_cc.values() else [controller, fine]


def _removed(track: Track, channel: int, numbers: list[int], stays: Sequence[Stay]) -> Mask:
    """Events of the lane outside what stays."""
    mask = np.asarray((track.status == (0xB0 | channel)) & np.isin(track.data1, numbers))
    for stay in stays:
        mask &= (track.tick < stay.start_tick) | (track.tick >= stay.end_tick)
    return mask


def _n_staying(drawn: Drawn, stays: Sequence[Stay]) -> int:
    """How many events of the lane lie in what stays."""
    here = np.zeros(len(drawn.tick), dtype=bool)
    for stay in stays:
        here |= (drawn.tick >= stay.start_tick) & (drawn.tick < stay.end_tick)
    return int(np.count_nonzero(here))


def _spans_s(keep: Mask, heard: PartHearing) -> list[list[float]]:
    """Kept phrases as [start_s, end_s], neighbours merged."""
    spans: list[list[float]] = []
    for i in np.flatnonzero(keep).tolist():
        phrase = heard.phrases[i]
        if spans and i > 0 and keep[i - 1]:
            spans[-1][1] = round(phrase.end_s, 6)
        else:
            spans.append([round(phrase.start_s, 6), round(phrase.end_s, 6)])
    return spans
