"""Small cues for tests of hearing: lines written as pitches and lengths, heard as a whole."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from phrasewright.data.midi import Event, write_events
from phrasewright.data.notes import Notes
from phrasewright.data.reading import read_cue
from phrasewright.model.hearing import EVENTS, FIGURES, ROLES, CueHearing, PartHearing
from phrasewright.model.listening import hear

TICKS_PER_BEAT = 480
Row = tuple[int, float, float, int]
"""Pitch, first beat, beats, velocity."""


@dataclass(frozen=True)
class Voice:
    """One track of a test cue."""

    name: str
    rows: Sequence[Row]
    channel: int = 0


def line(
    *steps: tuple[int | Sequence[int] | None, float], at: float = 0.0, velocity: int = 70, share: float = 1.0
) -> list[Row]:
    """Notes one after the other: (pitch, chord, or None for a rest; beats). `share` of each length sounds."""
    rows: list[Row] = []
    for what, beats in steps:
        pitches = () if what is None else (what,) if isinstance(what, int) else tuple(what)
        rows += [(pitch, at, beats * share, velocity) for pitch in pitches]
        at += beats
    return rows


def write_voices(
    path: Path,
    *voices: Voice,
    bpm: float = 120.0,
    metre: tuple[int, int] = (4, 4),
    marks: Sequence[tuple[float, str]] = (),
) -> Path:
    """Write a type 1 file; `marks` are (beat, text) in the first track."""
    head: list[Event] = [
        (0, -2, "set_tempo", {"tempo": round(60e6 / bpm)}),
        (0, -1, "time_signature", {"numerator": metre[0], "denominator": metre[1]}),
    ]
    head += [(round(beat * TICKS_PER_BEAT), k, "text", {"text": text}) for k, (beat, text) in enumerate(sorted(marks))]
    tracks = [head]
    for number, voice in enumerate(voices):
        channel = voice.channel or number + (number >= 9)
        track: list[Event] = [(0, -1, "track_name", {"name": voice.name})]
        for pitch, beat, beats, velocity in voice.rows:
            note: dict[str, int | str] = {"note": pitch, "channel": channel}
            track.append((round(beat * TICKS_PER_BEAT), 1, "note_on", note | {"velocity": velocity}))
            track.append((round((beat + beats) * TICKS_PER_BEAT), 0, "note_off", note))
        tracks.append(track)
    write_events(path, tracks, ticks_per_beat=TICKS_PER_BEAT)
    return path


def hear_voices(
    folder: Path,
    *voices: Voice,
    bpm: float = 120.0,
    metre: tuple[int, int] = (4, 4),
    marks: Sequence[tuple[float, str]] = (),
) -> CueHearing:
    """Write the voices and hear the file."""
    return hear(read_cue(write_voices(folder / "cue.mid", *voices, bpm=bpm, metre=metre, marks=marks)))


def notes_of(*rows: tuple[float, float, int]) -> Notes:
    """Notes from (onset s, offset s, pitch), a quarter note a second, 1000 ticks each."""
    ordered = sorted(rows, key=lambda row: (round(row[0] * 1000), -row[2]))
    on_s, off_s, pitch = (np.array(column) for column in zip(*ordered, strict=True))
    ticks = [np.rint(values * 1000).astype(np.int64) for values in (on_s, off_s)]
    return Notes(
        *(on_s.astype(float), off_s.astype(float), on_s.astype(float), off_s.astype(float), *ticks),
        *(pitch.astype(np.int64), np.full(len(pitch), 70, dtype=np.int64)),
    )


def roles(heard: PartHearing) -> list[str]:
    return [ROLES[i] for i in heard.note_role.tolist()]


def figures(heard: PartHearing) -> list[str]:
    return [FIGURES[i] for i in heard.note_figure.tolist()]


def events(heard: PartHearing) -> list[str]:
    return [EVENTS[i] for i in heard.note_event.tolist()]


def phrase_starts(heard: PartHearing) -> list[float]:
    return [round(phrase.start_s, 3) for phrase in heard.phrases]


def common_share(one: NDArray[np.int8] | list[str], label: str) -> float:
    """Share of a list of labels that equal one."""
    return sum(name == label for name in one) / max(len(one), 1)
