"""First passes: kept in the store, found again for a cue that came back, and carried to its time.

The notes that both have in common say which first pass it was and how its time runs in the corrected file.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from phrasewright.data.corrections import (
    ShapedPart,
    ShapedRecord,
    StoredCue,
    cue_fingerprint,
    digest,
    tempo_knots,
)
from phrasewright.data.cue import Cue
from phrasewright.data.curves import ALL_LANES, Curve, LanesAsWritten
from phrasewright.data.errors import InputError
from phrasewright.data.matching import CueMatch, TimeMap, match_cues
from phrasewright.data.midi import split_midi
from phrasewright.data.plan import Plan, plan_carried, plan_from_text, plan_text
from phrasewright.data.printing import one_line
from phrasewright.data.schema import now_utc
from phrasewright.data.store import Store
from phrasewright.model.hearing import CueHearing
from phrasewright.model.listening import hear

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

_MIN_SHARE = 0.3
"""Of a corrected cue's notes, how many a first pass must hold to be its own."""
_PHRASE_SHARE, _ONE_SOURCE = 0.5, 0.8
"""Of a phrase's notes, how many must be matched, and of those, how many must come from one part."""
_FAR_BEAT = 1e6


def record_of(
    cue: Cue,
    content: bytes,
    *,
    style: str,
    version: str,
    kept: Mapping[int, Mapping[str, Sequence[Sequence[float]]]] | None = None,
    plan: Plan | None = None,
    lanes: LanesAsWritten | None = None,
) -> ShapedRecord:
    """A first pass as it was written, to be kept in the store so that its corrections can be learned.

    Parameters
    ----------
    cue : Cue
        The cue that was shaped.
    content : bytes
        The file written: the cue's tracks in the cue's order, with or without its notes.
    style, version : str
        What predicted.
    kept : mapping from part number (from 1) to lane name to [[start_s, end_s]], optional
        Where a lane was on the page before and was kept.
    plan : Plan, optional
        The loudness asked for; one from a table is kept, since the file does not tell of it.
    lanes : mapping from part number to lane name to (ticks, values), optional
        What the lanes hold in `content`; it saves reading that.

    Raises
    ------
    InputError
        The file has other tracks than the cue.
    """
    lanes = _lanes_in(content, cue) if lanes is None else lanes
    parts = []
    for part in cue.parts:
        curves = {
            lane: Curve(np.asarray(cue.tempo.tick_to_s(tick)), value.astype(np.float64))
            for lane, (tick, value) in lanes[part.index].items()
            if len(tick)
        }
        spans = (kept or {}).get(part.index, {})
        held = {lane: np.array(rows, dtype=np.float64).reshape(-1, 2) for lane, rows in spans.items() if len(rows)}
        parts.append(ShapedPart(part.name, part.notes, curves, held))
    print_, knots = cue_fingerprint(cue), tempo_knots(cue.tempo)
    wanted = plan_text(plan, cue) if plan is not None and plan.origin == "table" else ""
    return ShapedRecord(
        print_, one_line(cue.path.name), style, version, digest(content), now_utc(), tuple(parts), *knots, wanted
    )  # fmt: skip


def _lanes_in(content: bytes, cue: Cue) -> LanesAsWritten:
    """What the lanes of a cue's parts hold in a file of the same tracks."""
    midi = split_midi(content, name=cue.path.name)
    if len(midi.tracks) != len(cue.midi.tracks):
        counts = f"{len(cue.midi.tracks)} tracks, but {len(midi.tracks)} in what was shaped from it"
        raise InputError(f"{cue.path}: {counts}; shape it again")
    found = {}
    for part in cue.parts:
        track = midi.tracks[part.track - 1]
        mine = track.status == (0xB0 | (part.channel - 1))
        places = {lane: np.flatnonzero(mine & (track.data1 == cc)) for lane, cc in part.lane_cc.items()}
        found[part.index] = {lane: (track.tick[at], track.data2[at].astype(np.uint8)) for lane, at in places.items()}
    return found


def record_of_file(shaped: Cue) -> ShapedRecord:
    """The first pass in a shaped file that was not recorded: all its lanes count as predicted."""
    parts = []
    for part in shaped.parts:
        lanes = {lane: part.drawn(lane) for lane in ALL_LANES}
        parts.append(ShapedPart(part.name, part.notes, {lane: c for lane, c in lanes.items() if c is not None}))
    content = shaped.midi.content
    print_, knots = cue_fingerprint(shaped), tempo_knots(shaped.tempo)
    return ShapedRecord(print_, one_line(shaped.path.name), "", "", digest(content), "", tuple(parts), *knots)


def heard_again(stored: StoredCue) -> CueHearing:
    """A corrected cue from the store as it was heard when it was shaped: with the plan that came beside it."""
    cue = stored.cue()
    return hear(cue, plan=plan_from_text(stored.plan, cue) if stored.plan else None)


@dataclass(frozen=True)
class FirstPass:
    """A first pass and how its notes match the corrected cue's."""

    record: ShapedRecord
    match: CueMatch


def first_passes(corrected: Cue, store: Store | None, shaped: Cue | None) -> list[FirstPass]:
    """The first passes a corrected cue may come from, a given one first; matches are shared by passes of one cue."""
    records = [record_of_file(shaped)] if shaped is not None else []
    if store is not None:
        notes = [part.notes for part in corrected.parts]
        records += store.shaped_like(notes, fingerprint=cue_fingerprint(corrected))
    matches: dict[str, CueMatch] = {}
    passes = []
    for i, record in enumerate(records):
        key = record.fingerprint + "\n".join(part.name for part in record.parts)
        if key not in matches:
            matches[key] = match_cues(record.parts, corrected.parts)
        if matches[key].share >= _MIN_SHARE or (shaped is not None and i == 0):
            passes.append(FirstPass(record, matches[key]))
    best = max((own.match.share for own in passes), default=0.0)
    given = 1 if shaped is not None else 0
    return passes[:given] + [own for own in passes[given:] if own.match.share >= best - 0.1]


def source_of(sources: Ints) -> tuple[int, str]:
    """The recorded part that a phrase comes from, -1 with the reason where that cannot be told."""
    matched = sources[sources >= 0]
    if len(matched) < _PHRASE_SHARE * len(sources):
        return -1, "has no like in the first pass"
    counts = np.bincount(matched)
    if counts.max() < _ONE_SOURCE * len(matched):
        return -1, "mixes several parts of the first pass"
    return int(counts.argmax()), ""


def carried(record: ShapedRecord, source: int, lane: str, time_map: TimeMap, beat: Floats) -> Floats:
    """A recorded lane at beats of the corrected cue, NaN where nothing was predicted; shape of `beat`."""
    part = record.parts[source]
    curve = part.lanes.get(lane)
    if curve is None:
        return np.full(len(beat), np.nan)
    recorded = time_map.recorded(beat)
    time_s = np.interp(recorded, *_tempo_of(record))
    values = curve.at(time_s)
    for start_s, end_s in part.kept_s.get(lane, ()):
        values[(time_s >= start_s) & (time_s < end_s)] = np.nan
    return values


def _tempo_of(record: ShapedRecord) -> tuple[Floats, Floats]:
    """Quarter notes and seconds of a first pass; the last tempo goes on."""
    slope = np.diff(record.tempo_s[-2:]) / np.diff(record.tempo_beat[-2:])
    beat, time_s = record.tempo_beat, record.tempo_s
    return np.r_[beat, beat[-1] + _FAR_BEAT], np.r_[time_s, time_s[-1] + slope * _FAR_BEAT]


def carried_plan(own: FirstPass, corrected: Cue) -> str:
    """The plan a first pass was shaped by, as text, in the parts and the time of the corrected cue; empty without."""
    if not own.record.plan:
        return ""
    beats, seconds = _tempo_of(own.record)
    sources = {
        part.index: source_of(own.match.source(index, part.notes.n_notes)[0])[0] + 1
        for index, part in enumerate(corrected.parts)
        if part.notes.n_notes
    }

    def moved_s(time_s: float) -> float:
        beat = own.match.time_map.corrected(np.interp(np.array([time_s]), seconds, beats))
        return max(float(corrected.tempo.beat_to_s(beat)[0]), 0.0)

    return plan_carried(own.record.plan, sources=sources, moved_s=moved_s)


def lost_parts(own: FirstPass, path: Path) -> list[str]:
    """Parts of the first pass that have lanes but are not in the corrected cue."""
    there = {match.recorded for match in own.match.parts}
    return [
        f"{part.name} of the first pass is not in {path.name}"
        for i, part in enumerate(own.record.parts)
        if part.lanes and i not in there
    ]
