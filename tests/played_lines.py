"""Lines to shape in tests: cues written as MIDI, heard, and, where a test is about one situation, labelled by hand."""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Sequence
from dataclasses import replace
from functools import lru_cache
from pathlib import Path

import numpy as np
from drawn_cues import Line, write_cue
from numpy.typing import NDArray

from phrasewright.data.cue import PASSAGE_KINDS
from phrasewright.data.reading import read_cue
from phrasewright.model.hearing import EVENTS, FIGURES, ROLES, CueHearing
from phrasewright.model.lanes import FRAME_S, DenseLanes, combined_level_db
from phrasewright.model.limits import sounding_frames
from phrasewright.model.listening import hear

BEAT_S = 0.5
DYNAMICS, EXPRESSION, VIBRATO = 0, 1, 2
VIOLINS, CELLO, FLUTE, TRUMPET, HORN, STRINGS, CHOIR, HARP = 40, 42, 73, 56, 60, 48, 52, 46
Note = tuple[int, float, float, int]
Array = NDArray[np.float64]
Predictor = Callable[[CueHearing, int], DenseLanes]
TUNE = [67, 69, 71, 72, 74, 72, 71, 69]
QUARTET = "beethoven/opus18no1/movement2"


def heard(*lines: Line) -> CueHearing:
    """The lines as a cue at 120 quarter notes a minute, heard."""
    with tempfile.TemporaryDirectory() as folder:
        return hear(read_cue(write_cue(Path(folder) / "cue.mid", *lines)))


def line(
    pitches: Sequence[int], beats: Sequence[float] | float, *, start: float = 0.0, velocity: int = 80
) -> list[Note]:
    """Notes one after the other, each joined to the next."""
    lengths = [float(beats)] * len(pitches) if isinstance(beats, int | float) else list(beats)
    notes: list[Note] = []
    for pitch, length in zip(pitches, lengths, strict=True):
        notes.append((pitch, start, length, velocity))
        start += length
    return notes


def solo_line(notes: Sequence[Note], *, program: int = VIOLINS, name: str = "Violin") -> CueHearing:
    """A cue of one part."""
    return heard(Line(name, program, notes))


def tune_with_rests(n: int, *, beats: float = 1.0) -> list[Note]:
    """The tune `n` times at changing heights, a two-beat rest after each."""
    notes: list[Note] = []
    for k in range(n):
        pitches = [p + (k * 5) % 7 for p in (TUNE if k % 2 else TUNE[::-1])]
        notes += line(pitches, beats, start=k * (8 * beats + 2.0))
    return notes


def labelled(
    hearing: CueHearing,
    index: int = 0,
    *,
    role: str | None = None,
    figure: str | None = None,
    event: str | None = None,
    passage: str | None = None,
    solo: bool | None = None,
    at: slice = slice(None),
) -> CueHearing:
    """The same cue with labels set on the attacks `at` of one part, whatever was heard there."""
    part = hearing.parts[index]
    attacks = part.attacks
    kinds = (
        ("role", role, ROLES),
        ("figure", figure, FIGURES),
        ("event", event, EVENTS),
        ("passage", passage, PASSAGE_KINDS),
    )
    for field, label, names in kinds:
        if label is not None:
            row = getattr(attacks, field).copy()
            row[at] = names.index(label)
            attacks = replace(attacks, **{field: row})
    if solo is not None:
        part = replace(part, part=replace(part.part, instrument=replace(part.part.instrument, solo=solo)))
    parts = list(hearing.parts)
    parts[index] = replace(part, attacks=attacks)
    return replace(hearing, parts=tuple(parts))


def long_notes(n: int, *, program: int = CELLO, name: str = "Cello") -> CueHearing:
    """`n` held notes of three to six seconds with rests between."""
    notes, start = [], 0.0
    for k in range(n):
        beats = 6.0 + (k * 3) % 7
        notes.append((48 + (k * 5) % 12, start, beats, 70))
        start += beats + 2.0
    return labelled(solo_line(notes, program=program, name=name), figure="held", event="none")


def shaped(predictor: Predictor, hearing: CueHearing, index: int = 0) -> Array:
    """The lanes one predictor gives a part."""
    return predictor(hearing, index).value_cc


def frame(time_s: float) -> int:
    """The first frame at or after a time."""
    return int(np.ceil(time_s / FRAME_S - 1e-6))


def smoothed(value: Array, *, width_s: float = 1.0) -> Array:
    """Moving average, its window shorter at the ends."""
    box = np.ones(max(round(width_s / FRAME_S), 1))
    return np.asarray(np.convolve(value, box, "same") / np.convolve(np.ones(len(value)), box, "same"))


def level_db(lanes: Array) -> Array:
    """Combined level of (n_frames, 3) lanes."""
    return combined_level_db(lanes[:, 0], lanes[:, 1])


def depth_at(lane: Array, onset_s: float) -> float:
    """How far a lane falls at a join: the lower of 200 ms before and after, less the minimum within 120 ms."""
    at = frame(onset_s)
    around = lane[max(at - 12, 0) : at + 13]
    return float(min(lane[max(at - 20, 0)], lane[at + 20]) - around.min())


def while_sounding(hearing: CueHearing, index: int, lanes: Array) -> Array:
    """The frames in which the part sounds."""
    return lanes[sounding_frames(hearing, index, len(lanes))]


@lru_cache(maxsize=4)
def quartet(work: str, *, first_bar: int = 1, last_bar: int = 60) -> CueHearing:
    """Bars of a quartet movement from music21's corpus, exported as it comes and heard."""
    from music21 import corpus

    score = corpus.parse(work).measures(first_bar, last_bar)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "quartet.mid"
        score.write("midi", str(path))
        return hear(read_cue(path))
