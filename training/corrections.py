"""What a corrected file says: where the hand changed a first pass, where it agreed, and what it drew from nothing.

The first pass is found in the store by the cue's notes; its lanes are carried to the corrected file's time by the notes
both have in common, and compared phrase by phrase, lane by lane. What cannot be matched is told, not guessed.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from phrasewright.data.corrections import (
    KIND_WEIGHT,
    Correction,
    CorrectionSet,
    ShapedPart,
    ShapedRecord,
    StoredCue,
    Trim,
    cue_fingerprint,
    drawn_lane,
    file_hash,
    stored_cue,
    tempo_knots,
)
from phrasewright.data.cue import Cue
from phrasewright.data.curves import ALL_LANES, Curve
from phrasewright.data.errors import InputError
from phrasewright.data.matching import CueMatch, TimeMap, match_cues
from phrasewright.data.midi import split_midi
from phrasewright.data.plan import Plan, plan_carried, plan_from_text, plan_text
from phrasewright.data.schema import now_utc
from phrasewright.data.store import Store
from phrasewright.model.decomposition import differs, level_only
from phrasewright.model.hearing import CueHearing, PartHearing, Phrase
from phrasewright.model.lanes import FRAME_S
from phrasewright.model.limits import sounding_frames
from phrasewright.model.listening import hear

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

DRAWN_CHANGES, DRAWN_RANGE_CC = 3, 6
_MIN_SHARE = 0.3
"""Of a corrected cue's notes, how many a first pass must hold to be its own."""
_PHRASE_SHARE, _ONE_SOURCE = 0.5, 0.8
"""Of a phrase's notes, how many must be matched, and of those, how many must come from one part."""
_KEPT_SHARE = 0.5
_FAR_BEAT = 1e6


def record_of(
    cue: Cue,
    content: bytes,
    *,
    style: str,
    version: str,
    kept: Mapping[int, Mapping[str, Sequence[Sequence[float]]]] | None = None,
    plan: Plan | None = None,
) -> ShapedRecord:
    """A first pass as it was written.

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

    Raises
    ------
    InputError
        The file has other tracks than the cue.
    """
    midi = split_midi(content, name=cue.path.name)
    if len(midi.tracks) != len(cue.midi.tracks):
        counts = f"{len(cue.midi.tracks)} tracks, but {len(midi.tracks)} in what was shaped from it"
        raise InputError(f"{cue.path}: {counts}; shape it again")
    parts = []
    for part in cue.parts:
        track = midi.tracks[part.track - 1]
        mine = track.status == (0xB0 | (part.channel - 1))
        lanes = {}
        for lane, cc in part.lane_cc.items():
            here = mine & (track.data1 == cc)
            if np.any(here):
                time_s = cue.tempo.tick_to_s(track.tick[here])
                lanes[lane] = Curve(np.asarray(time_s), track.data2[here].astype(np.float64))
        spans = (kept or {}).get(part.index, {})
        held = {lane: np.array(rows, dtype=np.float64).reshape(-1, 2) for lane, rows in spans.items() if len(rows)}
        parts.append(ShapedPart(part.name, part.notes, lanes, held))
    print_, knots = cue_fingerprint(cue), tempo_knots(cue.tempo)
    wanted = plan_text(plan, cue) if plan is not None and plan.origin == "table" else ""
    return ShapedRecord(
        print_, cue.path.name, style, version, file_hash(content), now_utc(), tuple(parts), *knots, wanted
    )  # fmt: skip


def record_shaped(
    store: Store,
    cue: Cue,
    content: bytes,
    *,
    style: str,
    version: str,
    kept: Mapping[int, Mapping[str, Sequence[Sequence[float]]]] | None = None,
    plan: Plan | None = None,
) -> None:
    """Keep a first pass in the store, so that its corrections can be learned. Parameters as in `record_of`."""
    store.record_shaped(record_of(cue, content, style=style, version=version, kept=kept, plan=plan))


def record_of_file(shaped: Cue) -> ShapedRecord:
    """The first pass in a shaped file that was not recorded: all its lanes count as predicted."""
    parts = []
    for part in shaped.parts:
        lanes = {lane: drawn_lane(part, lane) for lane in ALL_LANES}
        parts.append(ShapedPart(part.name, part.notes, {lane: c for lane, c in lanes.items() if c is not None}))
    content = shaped.midi.content
    print_, knots = cue_fingerprint(shaped), tempo_knots(shaped.tempo)
    return ShapedRecord(print_, shaped.path.name, "", "", file_hash(content), "", tuple(parts), *knots)


def corrections_of(
    corrected: Cue,
    *,
    store: Store | None,
    shaped: Cue | None = None,
    approved: bool = False,
    profile: str = "",
    hearing: CueHearing | None = None,
) -> CorrectionSet:
    """What a corrected cue says.

    Parameters
    ----------
    corrected : Cue
        Read with the profile of its instruments, if any.
    store : Store or None
        Where first passes are found by their notes.
    shaped : Cue, optional
        The first pass itself, instead of the store's record.
    approved : bool
        Every untouched phrase counts as agreed, not only those beside a changed one.
    profile : str
        Text of the profile, so that the cue can be read again as it was.
    hearing : CueHearing, optional
        The corrected cue as heard, if it has been.
    """
    hearing = hearing if hearing is not None else hear(corrected)
    passes = _first_passes(corrected, store, shaped)
    found = [_judged(hearing, own) for own in passes]
    base = 0 if shaped is not None or not passes else int(np.argmax([judged.n_untouched for judged in found]))
    corrections: list[Correction] = []
    told: list[str] = []
    music_s = 0.0
    for index, heard in enumerate(hearing.parts):
        if not any(drawn_lane(heard.part, lane) is not None for lane in ALL_LANES):
            continue
        here, faults = _of_part(hearing, index, [judged.parts[index] for judged in found], base, approved=approved)
        corrections += here
        told += [f"{heard.part.name}: {fault}" for fault in faults]
        music_s += _music_s(hearing, index, {correction.phrase for correction in here})
    print_, by, version, plan = cue_fingerprint(corrected), "", "", ""
    if passes:
        record = passes[base].record
        print_, by, version = record.fingerprint, record.style, record.version
        told += _lost_parts(passes[base], corrected.path)
        plan = _plan_carried(passes[base], corrected)
    cue = stored_cue(corrected, fingerprint=print_, profile=profile, plan=plan)
    return CorrectionSet(cue, tuple(corrections), _trims(corrections), tuple(told), music_s, by, version)


def heard_again(stored: StoredCue) -> CueHearing:
    """A corrected cue from the store as it was heard when it was shaped: with the plan that came beside it."""
    cue = stored.cue()
    return hear(cue, plan=plan_from_text(stored.plan, cue) if stored.plan else None)


@dataclass(frozen=True)
class _Pass:
    """A first pass and how its notes match the corrected cue's."""

    record: ShapedRecord
    match: CueMatch


@dataclass(frozen=True)
class _Verdict:
    """One lane of one phrase beside one first pass. `frames` are its sounding frames; `predicted` is None where nothing
    was predicted; `state` is untouched, trim, changed, or, without a prediction, drawn or empty."""

    state: str
    frames: Ints
    predicted: Floats | None


@dataclass(frozen=True)
class _JudgedPart:
    """Verdicts by (phrase, lane), and for each phrase why it could not be matched, empty where it was."""

    verdicts: Mapping[tuple[int, str], _Verdict]
    fault: tuple[str, ...]


@dataclass(frozen=True)
class _Judged:
    parts: tuple[_JudgedPart, ...]

    @property
    def n_untouched(self) -> int:
        return sum(v.state == "untouched" for part in self.parts for v in part.verdicts.values())


def _first_passes(corrected: Cue, store: Store | None, shaped: Cue | None) -> list[_Pass]:
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
            passes.append(_Pass(record, matches[key]))
    best = max((own.match.share for own in passes), default=0.0)
    given = 1 if shaped is not None else 0
    return passes[:given] + [own for own in passes[given:] if own.match.share >= best - 0.1]


def _judged(hearing: CueHearing, own: _Pass) -> _Judged:
    return _Judged(tuple(_judged_part(hearing, index, own) for index in range(len(hearing.parts))))


def _judged_part(hearing: CueHearing, index: int, own: _Pass) -> _JudgedPart:
    heard = hearing.parts[index]
    notes, tempo = heard.part.notes, hearing.cue.tempo
    sources, _ = own.match.source(index, notes.n_notes)
    maps = {m.recorded: m.time_map for m in own.match.parts if m.corrected == index}
    frames = _frames(hearing, index)
    beat = tempo.s_to_beat(_seconds(frames))
    lanes = {lane: curve for lane in ALL_LANES if (curve := drawn_lane(heard.part, lane)) is not None}
    # what sounds over new notes has no first pass to be compared with
    governing = np.maximum(np.searchsorted(notes.onset_s, _seconds(frames) + 1e-6, side="right") - 1, 0)
    known = sources[governing] >= 0
    left = {lane: np.where(known, curve.at(_seconds(frames)), np.nan) for lane, curve in lanes.items()}
    predicted: dict[tuple[int, str], list[Floats]] = {}
    verdicts: dict[tuple[int, str], _Verdict] = {}
    faults = []
    for number, phrase in enumerate(heard.phrases):
        source, fault = _source_of(sources[phrase.first_note : phrase.last_note + 1])
        faults.append(fault)
        span = _span(frames, phrase)
        for lane in lanes if source >= 0 else ():
            if (source, lane) not in predicted:
                both = (maps[source], own.match.time_map)
                predicted[source, lane] = [_carried(own.record, source, lane, time_map, beat) for time_map in both]
            choices = [values[span] for values in predicted[source, lane]]
            verdicts[number, lane] = _verdict(frames[span], left[lane][span], choices)
    return _JudgedPart(verdicts, tuple(faults))


def _frames(hearing: CueHearing, index: int) -> Ints:
    """The sounding frames of a part."""
    notes = hearing.parts[index].part.notes
    n_frames = int(np.ceil(notes.offset_s.max() / FRAME_S)) + 1 if notes.n_notes else 0
    return np.flatnonzero(sounding_frames(hearing, index, n_frames))


def _seconds(frames: Ints) -> Floats:
    return np.asarray(frames * FRAME_S, dtype=np.float64)


def _span(frames: Ints, phrase: Phrase) -> slice:
    """Where the frames of a phrase stand among the sounding ones."""
    edges = np.ceil(np.array([phrase.start_s, phrase.end_s]) / FRAME_S - 1e-6)
    first, last = np.searchsorted(frames, edges).tolist()
    return slice(first, last)


def _source_of(sources: Ints) -> tuple[int, str]:
    """The recorded part that a phrase comes from, -1 with the reason where that cannot be told."""
    matched = sources[sources >= 0]
    if len(matched) < _PHRASE_SHARE * len(sources):
        return -1, "has no like in the first pass"
    counts = np.bincount(matched)
    if counts.max() < _ONE_SOURCE * len(matched):
        return -1, "mixes several parts of the first pass"
    return int(counts.argmax()), ""


def _carried(record: ShapedRecord, source: int, lane: str, time_map: TimeMap, beat: Floats) -> Floats:
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


def _plan_carried(own: _Pass, corrected: Cue) -> str:
    """The plan a first pass was shaped by, as text, in the parts and the time of the corrected cue; empty without."""
    if not own.record.plan:
        return ""
    beats, seconds = _tempo_of(own.record)
    sources = {
        part.index: _source_of(own.match.source(index, part.notes.n_notes)[0])[0] + 1
        for index, part in enumerate(corrected.parts)
        if part.notes.n_notes
    }

    def moved_s(time_s: float) -> float:
        beat = own.match.time_map.corrected(np.interp(np.array([time_s]), seconds, beats))
        return max(float(corrected.tempo.beat_to_s(beat)[0]), 0.0)

    return plan_carried(own.record.plan, sources=sources, moved_s=moved_s)


def _verdict(frames: Ints, left: Floats, choices: Sequence[Floats]) -> _Verdict:
    """Judge a lane in a phrase; of two ways to carry the first pass here, the one that comes nearer to it counts."""
    there = np.isfinite(left)
    known = [np.isfinite(values) & there for values in choices]
    if not np.any(there) or np.count_nonzero(known[0]) < _KEPT_SHARE * np.count_nonzero(there):
        return _Verdict("drawn" if is_drawn(left[there]) else "empty", frames[there], None)
    off = [float(np.abs(left - v)[m].mean()) if m.any() else np.inf for v, m in zip(choices, known, strict=True)]
    best = int(np.argmin(off))
    mask, predicted = known[best], choices[best][known[best]]
    if not differs(predicted, left[mask]):
        state = "untouched"
    else:
        state = "trim" if level_only(predicted, left[mask]) is not None else "changed"
    return _Verdict(state, frames[mask], predicted)


def is_drawn(values: Floats) -> bool:
    """Whether a lane changes three or more times over six or more steps, as one drawn by hand does."""
    if len(values) < 2:
        return False
    return bool(np.count_nonzero(np.diff(values)) >= DRAWN_CHANGES and np.ptp(values) >= DRAWN_RANGE_CC)


def _of_part(
    hearing: CueHearing, index: int, judged: Sequence[_JudgedPart], base: int, *, approved: bool
) -> tuple[list[Correction], list[str]]:
    """The corrections of one part, and what could not be matched."""
    heard = hearing.parts[index]
    lanes = {lane: curve for lane in ALL_LANES if (curve := drawn_lane(heard.part, lane)) is not None}
    verdicts: dict[tuple[int, str], _Verdict] = {}
    sounding = _frames(hearing, index)
    for number, phrase in enumerate(heard.phrases):
        for lane, curve in lanes.items():
            if not judged:
                frames = sounding[_span(sounding, phrase)]
                verdicts[number, lane] = _verdict(frames, curve.at(_seconds(frames)), [np.full(len(frames), np.nan)])
                continue
            options = [part.verdicts[number, lane] for part in judged if (number, lane) in part.verdicts]
            same = next((v for v in options if v.state == "untouched"), None)  # equal to any first pass: not the hand's
            own = judged[base].verdicts.get((number, lane), same)
            if own is not None:
                verdicts[number, lane] = same if same is not None and own.state != "untouched" else own
    touched = {number for (number, _), v in verdicts.items() if v.state in ("changed", "trim", "drawn")}
    corrections = []
    for (number, lane), verdict in verdicts.items():
        beside = bool(touched & {number - 1, number, number + 1})
        kind = verdict.state
        if kind == "untouched":
            kind = "agreed" if approved or beside else ""
        if kind in KIND_WEIGHT:
            corrections.append(_correction(heard, lane, number, kind, verdict, lanes[lane]))
    return corrections, _unmatched(hearing, index, judged[base].fault) if judged else []


def _correction(
    heard: PartHearing, lane: str, number: int, kind: str, verdict: _Verdict, curve: Curve
) -> Correction:
    phrase = heard.phrases[number]
    predicted = None
    if verdict.predicted is not None:
        values = np.rint(verdict.predicted)
        first = np.flatnonzero(np.diff(values, prepend=np.nan) != 0)
        time_s = _seconds(verdict.frames[first])
        time_s[0] = min(time_s[0], phrase.start_s)
        predicted = Curve(time_s, values[first])
    inside = (curve.time_s > phrase.start_s) & (curve.time_s < phrase.end_s)
    at_start = curve.at(np.array([phrase.start_s]))
    held = np.isfinite(at_start)
    left = Curve(
        np.r_[np.array([phrase.start_s])[held], curve.time_s[inside]], np.r_[at_start[held], curve.value_cc[inside]]
    )
    part = heard.part
    return Correction(
        part.index, part.name, lane, number, phrase.start_s, phrase.end_s, kind, KIND_WEIGHT[kind], predicted, left
    )


def _trims(corrections: Sequence[Correction]) -> tuple[Trim, ...]:
    """For each part and lane the offset of its phrases that were only moved up or down, the longest phrases first."""
    groups: dict[tuple[int, str], list[Correction]] = {}
    for correction in corrections:
        if correction.kind == "trim":
            groups.setdefault((correction.part, correction.lane), []).append(correction)
    trims = []
    for (part, lane), group in groups.items():
        offsets, lengths = [], []
        for correction in group:
            time_s = np.arange(correction.start_s, correction.end_s, FRAME_S, dtype=np.float64)
            assert correction.predicted is not None
            off = correction.left.at(time_s) - correction.predicted.at(time_s)
            offsets.append(float(np.nanmedian(off)))
            lengths.append(correction.end_s - correction.start_s)
        order = np.argsort(offsets, kind="stable")
        weight = np.cumsum(np.array(lengths)[order])
        middle = float(np.array(offsets)[order][np.searchsorted(weight, weight[-1] / 2)])
        first, last = min(c.start_s for c in group), max(c.end_s for c in group)
        trims.append(Trim(part, group[0].part_name, lane, middle, len(group), first, last))
    return tuple(trims)


def _music_s(hearing: CueHearing, index: int, phrases: set[int]) -> float:
    """Sounding seconds of some phrases of a part."""
    frames = _frames(hearing, index)
    heard = hearing.parts[index]
    spans = [_span(frames, heard.phrases[number]) for number in sorted(phrases)]
    return FRAME_S * float(sum(span.stop - span.start for span in spans))


def _unmatched(hearing: CueHearing, index: int, faults: Sequence[str]) -> list[str]:
    """What could not be matched in a part: stretches of phrases with one reason, by their bars."""
    heard, tempo = hearing.parts[index], hearing.cue.tempo
    if faults and len(set(faults)) == 1 and faults[0]:
        return [f"the whole part {faults[0]}; nothing was learned from it"]
    told, start = [], 0
    for number, fault in enumerate(faults):
        if number + 1 < len(faults) and faults[number + 1] == fault:
            continue
        if fault:
            start_s, end_s = heard.phrases[start].start_s, heard.phrases[number].end_s
            where = f"{start_s:.1f} to {end_s:.1f} s"
            if tempo.has_metre:
                bars = np.floor(tempo.tick_to_bar(tempo.s_to_tick(np.array([start_s, end_s - 1e-3])))).astype(int)
                where = f"bars {bars[0]} to {bars[1]}" if bars[1] > bars[0] else f"bar {bars[0]}"
            told.append(f"{where}: {fault}; not learned from")
        start = number + 1
    return told


def _lost_parts(own: _Pass, path: Path) -> list[str]:
    """Parts of the first pass that have lanes but are not in the corrected cue."""
    there = {match.recorded for match in own.match.parts}
    return [
        f"{part.name} of the first pass is not in {path.name}"
        for i, part in enumerate(own.record.parts)
        if part.lanes and i not in there
    ]
