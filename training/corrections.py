"""What a corrected file says: where the hand changed a first pass, where it agreed, and what it drew from nothing.

The lanes of the first pass (`first_passes.py`), carried to the corrected file's time, are compared with what stands
there phrase by phrase, lane by lane. What cannot be matched is told, not guessed.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from phrasewright.data.corrections import (
    KIND_WEIGHT,
    Correction,
    CorrectionSet,
    Trim,
    cue_fingerprint,
    stored_cue,
)
from phrasewright.data.cue import Cue
from phrasewright.data.curves import ALL_LANES, Curve
from phrasewright.data.store import Store
from phrasewright.model.hearing import CueHearing, PartHearing, Phrase
from phrasewright.model.lanes import FRAME_S
from phrasewright.model.limits import sounding_frames
from phrasewright.model.listening import hear
from phrasewright.training.decomposition import differs, level_only
from phrasewright.training.first_passes import FirstPass, carried, carried_plan, first_passes, lost_parts, source_of

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

DRAWN_CHANGES, DRAWN_RANGE_CC = 3, 6
_KEPT_SHARE = 0.5


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
    passes = first_passes(corrected, store, shaped)
    found = [_judged(hearing, own) for own in passes]
    base = 0 if shaped is not None or not passes else int(np.argmax([judged.n_untouched for judged in found]))
    corrections: list[Correction] = []
    told: list[str] = []
    music_s = 0.0
    for index, heard in enumerate(hearing.parts):
        if not any(heard.part.drawn(lane) is not None for lane in ALL_LANES):
            continue
        here, faults = _of_part(hearing, index, [judged.parts[index] for judged in found], base, approved=approved)
        corrections += here
        told += [f"{heard.part.name}: {fault}" for fault in faults]
        music_s += _music_s(hearing, index, {correction.phrase for correction in here})
    print_, by, version, plan = cue_fingerprint(corrected), "", "", ""
    if passes:
        record = passes[base].record
        print_, by, version = record.fingerprint, record.style, record.version
        told += lost_parts(passes[base], corrected.path)
        plan = carried_plan(passes[base], corrected)
    cue = stored_cue(corrected, fingerprint=print_, profile=profile, plan=plan)
    return CorrectionSet(cue, tuple(corrections), _trims(corrections), tuple(told), music_s, by, version)


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


def _judged(hearing: CueHearing, own: FirstPass) -> _Judged:
    return _Judged(tuple(_judged_part(hearing, index, own) for index in range(len(hearing.parts))))


def _judged_part(hearing: CueHearing, index: int, own: FirstPass) -> _JudgedPart:
    heard = hearing.parts[index]
    notes, tempo = heard.part.notes, hearing.cue.tempo
    sources, _ = own.match.source(index, notes.n_notes)
    maps = {m.recorded: m.time_map for m in own.match.parts if m.corrected == index}
    frames = _frames(hearing, index)
    beat = tempo.s_to_beat(_seconds(frames))
    lanes = {lane: curve for lane in ALL_LANES if (curve := heard.part.drawn(lane)) is not None}
    # what sounds over new notes has no first pass to be compared with
    governing = np.maximum(np.searchsorted(notes.onset_s, _seconds(frames) + 1e-6, side="right") - 1, 0)
    known = sources[governing] >= 0
    left = {lane: np.where(known, curve.at(_seconds(frames)), np.nan) for lane, curve in lanes.items()}
    predicted: dict[tuple[int, str], list[Floats]] = {}
    verdicts: dict[tuple[int, str], _Verdict] = {}
    faults = []
    for number, phrase in enumerate(heard.phrases):
        source, fault = source_of(sources[phrase.first_note : phrase.last_note + 1])
        faults.append(fault)
        span = _span(frames, phrase)
        for lane in lanes if source >= 0 else ():
            if (source, lane) not in predicted:
                both = (maps[source], own.match.time_map)
                predicted[source, lane] = [carried(own.record, source, lane, time_map, beat) for time_map in both]
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
    lanes = {lane: curve for lane in ALL_LANES if (curve := heard.part.drawn(lane)) is not None}
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


def _correction(heard: PartHearing, lane: str, number: int, kind: str, verdict: _Verdict, curve: Curve) -> Correction:
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
