"""Shape a file: read, hear, predict, write lanes into a copy of it, and say what was done.

The library behind `phrasewright shape`. Nothing but lane events is added, replaced or removed; every other message
keeps its tick and its bytes.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from phrasewright.data.cue import Cue, Part
from phrasewright.data.curves import ALL_LANES, LanesAsWritten
from phrasewright.data.errors import UsageError
from phrasewright.data.midi import LaneEvents, lanes_alone, split_midi, weave
from phrasewright.data.notes import note_events
from phrasewright.data.plan import Plan, read_plan
from phrasewright.data.profiles import read_profile
from phrasewright.data.reading import cue_of, read_cue
from phrasewright.inference.lane_plans import LanePlan, bar_ticks, outside, plan_part, select_parts
from phrasewright.inference.parts_at_once import processes_for, results_by_part
from phrasewright.model.events import BATCH_FRAMES, LaneRequest, write_lanes
from phrasewright.model.existing import EXISTING_MODES
from phrasewright.model.hearing import CueHearing, PartHearing
from phrasewright.model.lanes import DenseLanes
from phrasewright.model.listening import hear
from phrasewright.model.look_first import Spreads, Unsure, claimed_spreads, least_sure
from phrasewright.model.offsets import offset_of
from phrasewright.model.repeats import joinable_repeats, joined_notes, within

if TYPE_CHECKING:
    from phrasewright.model.prediction import Predictor

_PLAN_REMARKS = {"marks": "loudness follows the dynamic marks in the file", "table": "loudness follows the plan"}
STYLE_NAMES = {"rules": "rules", "network": "shipped"}


@dataclass(frozen=True)
class ShapeOptions:
    """What `shape` is asked for.

    Parameters
    ----------
    baseline : bool
        The rules alone, with a style as they were fitted to it; no network is loaded.
    lanes : sequence of lane names or None
        Which lanes, None for those each instrument gets by default.
    parts : sequence of str or None
        Part numbers (from 1) or names, None for all.
    bars : (first, last) or None
        Bars counted from 1, both included.
    existing : str
        `keep`, `replace` or `blend`.
    profile : Path or None
        A TOML file of the user's instruments.
    plan : Path or None
        A CSV file of the loudness wanted; without it the dynamic marks in the file are the plan.
    style : str or None
        A learned style by its name in the store, or a file that one was exported to.
    lanes_only : bool
        Write only tempo map, track names and the lanes of shaped parts, for import beside what a sequencer holds.
    join_repeats : bool
        Connected repeats of one pitch become one note, which lanes articulate: the only option that changes notes.
    """

    baseline: bool = False
    lanes: tuple[str, ...] | None = None
    parts: tuple[str, ...] | None = None
    bars: tuple[int, int] | None = None
    existing: str = "keep"
    profile: Path | None = None
    plan: Path | None = None
    style: str | None = None
    lanes_only: bool = False
    join_repeats: bool = False

    def __post_init__(self) -> None:
        if self.join_repeats and self.lanes_only:
            raise UsageError("--join-repeats with --lanes-only: one changes notes, the other writes none; choose one")
        unknown = [lane for lane in self.lanes or () if lane not in ALL_LANES]
        if unknown:
            raise UsageError(f"{unknown[0]!r} is no lane; choose from {', '.join(ALL_LANES)}")
        if self.existing not in EXISTING_MODES:
            modes = ", ".join(EXISTING_MODES)
            raise UsageError(f"{self.existing!r} is no way to treat existing lanes; choose from {modes}")


@dataclass(frozen=True)
class Shaped:
    """A shaped cue: the bytes of the file, and what was done as in the summary's `cues` entry, without its `out`.

    `cue` is what was shaped, `version` the version of the style that predicted, `whole` the file with its notes, also
    where `content` holds lanes only, `spreads` how sure the prediction is where it was written, `plan` the loudness
    that was followed, `lanes` the ticks and values that each lane of each part (from 1) has in `whole`.
    """

    content: bytes
    summary: dict[str, Any]
    cue: Cue
    version: str
    whole: bytes
    spreads: Spreads
    plan: Plan
    lanes: LanesAsWritten


@dataclass(frozen=True)
class Chosen:
    """What answers for a part: `predict`, the name of its style and version, a remark, ranges that were learned, and
    how far a style leads bow and attack from the rules beside given dynamics.

    `load` loads what predicting needs, once, before processes are forked.
    """

    predict: Predictor
    style: str
    version: str = "1"
    remark: str = ""
    learned_cc: Mapping[str, tuple[int, int]] | None = None
    departures: Callable[[CueHearing, int, NDArray[np.float64]], Mapping[str, NDArray[np.float64]]] | None = None
    load: Callable[[], object] = lambda: None


def chosen_predictor(options: ShapeOptions) -> Chosen:
    """What the options ask for: rules, the shipped model, or a learned style."""
    from phrasewright.model.prediction import choose_predictor, load_networks

    predict, name, remark = choose_predictor(options.baseline)
    load = partial(load_networks, default=name == "network", evidence=False)
    name = STYLE_NAMES.get(name, name)
    if options.style is None:
        return Chosen(predict, name, remark=remark, load=load)
    from phrasewright.inference.styles import open_style
    from phrasewright.model.personal import colour_departures_cc, ruled_lanes, style_lanes

    style = open_style(options.style)
    if style is None:
        remark = f"style {options.style} predicts as shipped: no version is in use"
        return Chosen(predict, options.style, "0", remark, load=load)

    load = partial(load, evidence=style.asks_network and not options.baseline)

    def in_style(hearing: CueHearing, index: int) -> DenseLanes:
        if options.baseline:
            return ruled_lanes(hearing, index, style)
        return style_lanes(hearing, index, style, shipped=predict)

    def departures(hearing: CueHearing, index: int, dynamics_cc: NDArray[np.float64]) -> dict[str, NDArray[np.float64]]:
        return {} if options.baseline else colour_departures_cc(hearing, index, style, dynamics_cc)

    return Chosen(in_style, style.name, str(style.version), "", style.ranges_cc(), departures, load)


def shape_cue(
    path: Path,
    options: ShapeOptions | None = None,
    *,
    chosen_by: Chosen | None = None,
    jobs: int | None = 1,
    done: Callable[[float], object] = lambda share: None,
) -> Shaped:
    """Shape one file.

    Parameters
    ----------
    path : Path
    options : ShapeOptions, optional
    chosen_by : Chosen, optional
        What answers for a part; without it the options decide.
    jobs : int or None
        Processes that may work on the parts of a long cue, None for as many as pay; the bytes are the same. They are
        forked, which is for programs that have no threads of their own at work.
    done : function
        Called with the share of the cue that was predicted since the last call.

    Raises
    ------
    InputError
        The file, the profile or the plan cannot be used.
    UsageError
        Options that do not fit the cue.
    """
    options = options or ShapeOptions()
    profile = read_profile(options.profile) if options.profile is not None else None
    cue = read_cue(path, profile=profile)
    chosen = select_parts(cue, options.parts)
    span = bar_ticks(cue, options.bars)
    by = chosen_by or chosen_predictor(options)
    hearing = hear(cue, plan=read_plan(options.plan, cue) if options.plan is not None else None)

    reasons = [_skip_reason(part, chosen, span, options) for part in cue.parts]
    sizes = {i: hearing.parts[i].attacks.n_attacks for i, reason in enumerate(reasons) if reason is None}
    processes = processes_for(list(sizes.values()), most=jobs)
    if processes > 1:
        by.load()
    found = results_by_part(
        lambda numbers: _written_parts(numbers, hearing, by=by, options=options, span=span, at_once=processes),
        sorted(sizes, key=lambda i: -sizes[i]), processes=processes, done=lambda: done(1.0 / len(sizes)),
    )  # fmt: skip
    parts = [found.get(i, _WrittenPart()) for i in range(len(cue.parts))]
    plans = [[plan for plan, _, _ in part.lanes] for part in parts]
    spreads = {part.index: own.spreads for part, own in zip(cue.parts, parts, strict=True)}
    whole, counts, lanes = _woven(cue, parts)
    content = _lanes_alone(cue, plans, whole) if options.lanes_only else whole
    summary: dict[str, Any] = {
        "in": str(path),
        "out": None,
        "seconds": round(cue.duration_s, 6),
        "style": by.style,
        "parts": [
            _part_summary(heard, cue, part_plans, counts, reason)
            for heard, part_plans, reason in zip(hearing.parts, plans, reasons, strict=True)
        ],
        "remarks": [said for said in (by.remark, _PLAN_REMARKS.get(hearing.plan.origin, "")) if said],
    }
    if any(spreads.values()):
        summary["look_first"] = [_unsure_row(cue, unsure) for unsure in least_sure(hearing, spreads)]
    if options.join_repeats:
        for told, part, own in zip(summary["parts"], cue.parts, parts, strict=True):
            told["joined"] = [_joined_note(cue, part, chain) for chain in own.joined]
        if any(part.joined for part in parts):  # what is learned from later has the notes of the file that was written
            cue = cue_of(split_midi(whole, name=str(path)), path=path, profile=profile)
    return Shaped(content, summary, cue, by.version, whole, spreads, hearing.plan, lanes)


@dataclass(frozen=True)
class _WrittenPart:
    """What is written of a part: each lane's plan with the ticks and values of its events, the notes that become one
    each, and how sure the prediction was by lane.
    """

    lanes: Sequence[tuple[LanePlan, NDArray[np.int64], NDArray[np.uint8]]] = ()
    joined: Sequence[NDArray[np.int64]] = ()
    spreads: Mapping[str, NDArray[np.float32]] = field(default_factory=dict)


def _written_parts(
    numbers: Iterable[int],
    hearing: CueHearing,
    *,
    by: Chosen,
    options: ShapeOptions,
    span: tuple[int, int] | None,
    at_once: int,
) -> Iterator[tuple[int, _WrittenPart]]:
    """What is written of parts, each by its number from 0: predicted one by one, written some at a time, the fewer the
    more processes do so at once.
    """
    cue = hearing.cue
    first_s, stop_s = (0.0, np.inf) if span is None else cue.tempo.tick_to_s(span).tolist()
    waiting: list[tuple[int, _WrittenPart, list[tuple[LanePlan, LaneRequest]]]] = []

    def written() -> Iterator[tuple[int, _WrittenPart]]:
        events = iter(write_lanes([request for _, _, planned in waiting for _, request in planned], cue.tempo))
        for i, part, planned in waiting:
            lanes = [
                (plan, tick, value.astype(np.uint8))
                for (plan, _), (tick, value) in zip(planned, events, strict=False)  # events of later parts remain
            ]
            yield i, replace(part, lanes=lanes)
        waiting.clear()

    for i in numbers:
        notes = cue.parts[i].file_notes  # as they stand in the file, wherever they are heard
        repeats = _repeats(hearing, i, span) if options.join_repeats else []
        dense = by.predict(hearing, i)
        planned = plan_part(
            hearing, i, dense, lanes=options.lanes, existing=options.existing,
            outside=outside(hearing.parts[i].part, span, cue), learned_cc=by.learned_cc,
            departures_cc=None if by.departures is None else by.departures(hearing, i, dense.value_cc[:, 0]),
            written=joined_notes(notes, repeats),
        )  # fmt: skip
        kept_s = {plan.lane: plan.kept_s for plan, _ in planned}
        spreads = claimed_spreads(dense, notes, kept_s=kept_s, written_s=(first_s, stop_s))
        waiting.append((i, _WrittenPart((), repeats, spreads), planned))
        if sum(len(request.dense_cc) for _, _, some in waiting for _, request in some) * at_once >= BATCH_FRAMES:
            yield from written()
    yield from written()


def _unsure_row(cue: Cue, unsure: Unsure) -> dict[str, Any]:
    """One of the passages to look at first, with the bars it lies in (None without metre)."""
    edges_s = np.array([unsure.start_s, max(unsure.end_s - 0.05, unsure.start_s)])
    bars = np.floor(cue.tempo.tick_to_bar(cue.tempo.s_to_tick(edges_s)) + 1e-9).astype(int).tolist()
    return {
        "part": unsure.part,
        "lane": unsure.lane,
        "start_s": round(unsure.start_s, 6),
        "end_s": round(unsure.end_s, 6),
        "bars": bars if cue.tempo.has_metre else None,
        "spread": round(unsure.spread_cc, 3),
        "times_usual": round(unsure.times_usual, 3),
        "stands_out": round(unsure.stands_out, 3),
    }


def _repeats(hearing: CueHearing, index: int, span: tuple[int, int] | None) -> list[NDArray[np.int64]]:
    """The notes of a part that become one each, within a span of ticks; those with an end of their own in the file."""
    heard, midi = hearing.parts[index], hearing.cue.midi
    part, notes = heard.part, heard.part.file_notes
    chains = within(joinable_repeats(notes, heard.attacks), notes, span)
    ends = note_events(midi.tracks[part.track - 1], part.channel - 1, notes)[:, 1]
    return [chain for chain in chains if np.all(ends[chain] >= 0)]


def _joined_note(cue: Cue, part: Part, chain: NDArray[np.int64]) -> dict[str, Any]:
    notes, tempo = part.notes, cue.tempo
    first, last = int(chain[0]), int(chain[-1])
    beats = (round(float(notes.onset_beat[first]), 6), round(float(notes.offset_beat[last]), 6))
    return {
        "pitch": int(notes.pitch[first]),
        "n_notes": len(chain),
        "start_s": round(float(notes.onset_s[first]), 6),
        "end_s": round(float(notes.offset_s[last]), 6),
        "start_beat": beats[0] if tempo.has_metre else None,
        "end_beat": beats[1] if tempo.has_metre else None,
        "bar": int(tempo.tick_to_bar(notes.onset_tick[first]) + 1e-9) if tempo.has_metre else None,
    }


def _skip_reason(part: Part, chosen: frozenset[int], span: tuple[int, int] | None, options: ShapeOptions) -> str | None:
    if not part.shaped:
        return part.why
    if part.index not in chosen:
        return "not among the chosen parts"
    if not part.notes.n_notes:
        return "no notes but those that select articulations"
    if options.lanes is not None and not any(lane in part.lane_cc for lane in options.lanes):
        return f"has no {' or '.join(options.lanes)} lane"
    if span is not None:
        inside = (part.notes.onset_tick < span[1]) & (part.notes.offset_tick > span[0])
        if not np.any(inside):
            return "no notes in the chosen bars"
    return None


def _woven(cue: Cue, parts: Sequence[_WrittenPart]) -> tuple[bytes, dict[tuple[int, str], int], LanesAsWritten]:
    """The file with all lanes, how many events each lane of each part (from 1) holds in it, and which.

    Of notes that become one the first note-on and the last note-off stay.
    """
    removed: dict[int, NDArray[np.bool_]] = {}
    rows: dict[int, list[LaneEvents]] = {}
    counts: dict[tuple[int, str], int] = {}
    for part, written in zip(cue.parts, parts, strict=True):
        track = part.track - 1
        if written.joined:
            mask = removed.setdefault(track, np.zeros(cue.midi.tracks[track].n_events, dtype=bool))
            ends = note_events(cue.midi.tracks[track], part.channel - 1, part.notes)
            for chain in written.joined:
                mask[ends[chain[1:], 0]] = True
                mask[ends[chain[:-1], 1]] = True
        for plan, tick, value in written.lanes:
            mask = removed.setdefault(track, np.zeros(cue.midi.tracks[track].n_events, dtype=bool))
            mask |= plan.removed
            channel, cc = (np.full(len(tick), n, dtype=np.uint8) for n in (part.channel - 1, plan.controller))
            rows.setdefault(track, []).append(LaneEvents(tick, channel, cc, value))
            counts[part.index, plan.lane] = len(tick) + plan.n_staying
    added = {}
    for track in list(rows):
        own = rows.pop(track)
        order = np.argsort(np.concatenate([lane.tick for lane in own]), kind="stable")
        columns = ("tick", "channel", "controller", "value")
        added[track] = LaneEvents(*(np.concatenate([getattr(lane, name) for lane in own])[order] for name in columns))
    return weave(cue.midi, removed=removed, added=added), counts, _as_written(cue, parts, removed)


def _as_written(
    cue: Cue, parts: Sequence[_WrittenPart], removed: Mapping[int, NDArray[np.bool_]]
) -> dict[int, dict[str, tuple[NDArray[np.int64], NDArray[np.uint8]]]]:
    """What each lane of each part (from 1) holds in the file: what stays of it, and what is new, never at one tick."""
    lanes: dict[int, dict[str, tuple[NDArray[np.int64], NDArray[np.uint8]]]] = {}
    for part, written in zip(cue.parts, parts, strict=True):
        track = cue.midi.tracks[part.track - 1]
        stays = track.status == (0xB0 | (part.channel - 1))
        if part.track - 1 in removed:
            stays &= ~removed[part.track - 1]
        new = {plan.lane: (tick, value) for plan, tick, value in written.lanes}
        own = lanes.setdefault(part.index, {})
        for lane, cc in part.lane_cc.items():
            at = np.flatnonzero(stays & (track.data1 == cc))
            tick, value = track.tick[at], track.data2[at].astype(np.uint8)
            if lane in new:
                order = np.argsort(np.r_[tick, new[lane][0]], kind="stable")
                tick, value = np.r_[tick, new[lane][0]][order], np.r_[value, new[lane][1]][order]
            own[lane] = tick, value
    return lanes


def _lanes_alone(cue: Cue, plans: Sequence[Sequence[LanePlan]], whole: bytes) -> bytes:
    """Of a shaped file, what a sequencer that holds the notes already lacks: the lanes of shaped parts, kept ones too.
    """
    lanes: dict[int, set[tuple[int, int]]] = {}
    for part, part_plans in zip(cue.parts, plans, strict=True):
        lanes.setdefault(part.track - 1, set()).update((part.channel - 1, plan.controller) for plan in part_plans)
    return lanes_alone(split_midi(whole, name=str(cue.path)), lanes)


def _part_summary(
    heard: PartHearing, cue: Cue, plans: Sequence[LanePlan], counts: dict[tuple[int, str], int], reason: str | None
) -> dict[str, Any]:
    part = heard.part
    offset = offset_of(heard, cue.tempo) if reason is None else None
    ahead = [offset.remark] if offset is not None and offset.told else []
    return {
        "index": part.index,
        "name": part.name,
        "family": part.family,
        "kind": part.kind,
        "lanes": {
            plan.lane: {"cc": plan.controller, "events": counts[part.index, plan.lane], "kept": plan.kept_s}
            for plan in plans
        },
        "skipped": reason,
        "remarks": [*part.remarks, *ahead, *(remark for plan in plans for remark in plan.remarks)],
    }
