"""The demo cues: music for a short film about a lighthouse keeper, and three files as sequencers really deliver.

Two cues are written in the notation of `score_text.py` (the tables stand in `data/demo/`). Three more are made from the
second by code: everything on one channel; one instrument split into tracks by articulation, its lines overlapping and
every note pulled ahead of the bars; dynamics played in over the first bars of a few parts beside a lone CC11.

Same version, same bytes: nothing here is drawn at random.
"""

from __future__ import annotations

import zlib
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from functools import lru_cache
from importlib.resources import files
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from phrasewright.data.errors import UsageError
from phrasewright.data.midi import Event, write_events
from phrasewright.data.score_text import TICKS_PER_BEAT, Score, ScoreNote, ScorePart, parse_score
from phrasewright.data.tempo import TempoMap, tempo_map

PULLED_AHEAD_S = 0.12
"""How far the early variant's notes stand before the bars, as slow legato samples ask (common practice, no source)."""
OVERLAP_S = (0.06, 0.12)
"""Shortest and longest legato overlap of the split variant (common practice, no source)."""
OVERLAP_SHARE = 0.3
"""No overlap takes more than this share of the shorter note."""
DRAWN_PARTS = ("Horns", "Violins I", "Cellos", "Clarinet")
DRAWN_BARS = 12
STATIC_EXPRESSION_CC = 100

_STORM, _LAMP = "storm-over-the-rocks", "the-lamp-is-lit"
_PEDAL_CC, _VOLUME_CC, _PAN_CC, _DYNAMICS_CC, _EXPRESSION_CC = 64, 7, 10, 1, 11
_SPLIT_PART = "Violins I"
_SPLIT_NAMES = {
    "legato": "legato",
    "trill": "legato",
    "short": "spicc",
    "detached": "spicc",
    "pizz": "pizz",
    "tremolo": "trem",
}


@dataclass(frozen=True)
class _Track:
    """A part about to be written: its score part, with controller events as (tick, controller, value)."""

    part: ScorePart
    controls: tuple[tuple[int, int, int], ...] = field(default=())


@dataclass(frozen=True)
class _Sheet:
    """A cue about to be written."""

    score: Score
    tracks: tuple[_Track, ...]


def demo_names() -> tuple[str, ...]:
    """Names of the demo cues: the two written ones first. A file is called by its name and .mid."""
    return tuple(_MAKERS)


def load_score(name: str) -> Score:
    """One of the two written cues in ticks. Raises UsageError for any other name."""
    if name not in (_LAMP, _STORM):
        raise UsageError(f"{name!r} is no written demo cue; choose {_LAMP} or {_STORM}")
    return _parsed(name)


@lru_cache
def _parsed(name: str) -> Score:
    source = files("phrasewright.data").joinpath("demo", f"{name}.txt")
    return parse_score(source.read_text(encoding="utf-8"), name=name)


def write_demo(name: str, path: Path) -> None:
    """Write one demo cue as a type 1 file.

    Raises
    ------
    UsageError
        No demo cue has that name.
    """
    if name not in _MAKERS:
        raise UsageError(f"{name!r} is no demo cue; choose one of {', '.join(_MAKERS)}")
    _write(_MAKERS[name](), path)


def write_demos(folder: Path) -> list[Path]:
    """Write every demo cue into a folder, made if absent; existing files of these names are replaced."""
    paths = [folder / f"{name}.mid" for name in _MAKERS]
    for name, path in zip(_MAKERS, paths, strict=True):
        write_demo(name, path)
    return paths


def _plain(name: str) -> _Sheet:
    score = load_score(name)
    return _Sheet(score, tuple(_Track(part) for part in score.parts))


def _one_channel() -> _Sheet:
    """Every track on channel 1, percussion too, as many sequencers export."""
    sheet = _plain(_STORM)
    return replace(sheet, tracks=tuple(_Track(replace(t.part, channel=1)) for t in sheet.tracks))


def _split_and_early() -> _Sheet:
    """Violins I as one track an articulation, legato lines overlapping; an empty bar in front, every note early."""
    score = _shifted(load_score(_STORM))
    time = _time_of(score)
    tracks = []
    for part in score.parts:
        if part.name == _SPLIT_PART:
            tracks += [_Track(piece) for piece in _split(part, time)]
        else:
            tracks.append(_Track(part))
    return _Sheet(score, tuple(replace(t, part=_pulled_ahead(t.part, time)) for t in tracks))


def _half_drawn() -> _Sheet:
    """CC1 played in over the first bars of some parts, then left alone; in every part a single CC11 at the start."""
    sheet = _plain(_STORM)
    time = _time_of(sheet.score)
    end_tick = DRAWN_BARS * 4 * TICKS_PER_BEAT
    tracks = []
    for track in sheet.tracks:
        drawn = _played_in(track.part, time, end_tick) if track.part.name in DRAWN_PARTS else ()
        tracks.append(_Track(track.part, ((0, _EXPRESSION_CC, STATIC_EXPRESSION_CC), *drawn)))
    return replace(sheet, tracks=tuple(tracks))


_MAKERS: dict[str, Callable[[], _Sheet]] = {
    _LAMP: lambda: _plain(_LAMP),
    _STORM: lambda: _plain(_STORM),
    "storm-on-one-channel": _one_channel,
    "storm-split-and-early": _split_and_early,
    "storm-half-drawn": _half_drawn,
}


def _time_of(score: Score) -> TempoMap:
    tempi = [(tick, _microseconds(bpm)) for tick, bpm in score.tempi]
    return tempo_map(tempi, list(score.metres), ticks_per_beat=TICKS_PER_BEAT)


def _microseconds(bpm: float) -> int:
    return round(60e6 / bpm)


def _part_scatter(*key: object) -> float:
    """A number in 0..1 that depends on nothing but its key."""
    return zlib.crc32(" ".join(map(str, key)).encode()) / 0xFFFFFFFF


def _shifted(score: Score) -> Score:
    """The score one empty bar later; tempo and metre of the first bar hold from tick 0."""
    _, numerator, denominator = score.metres[0]
    by = TICKS_PER_BEAT * 4 * numerator // denominator

    def later(part: ScorePart) -> ScorePart:
        return replace(
            part,
            notes=tuple(replace(n, onset_tick=n.onset_tick + by, end_tick=n.end_tick + by) for n in part.notes),
            words=tuple((tick + by, word) for tick, word in part.words),
            pedal=tuple((tick + by, value) for tick, value in part.pedal),
        )

    return replace(
        score,
        tempi=((0, score.tempi[0][1]), *((tick + by, bpm) for tick, bpm in score.tempi[1:])),
        metres=((0, numerator, denominator), *((tick + by, n, d) for tick, n, d in score.metres[1:])),
        markers=tuple((tick + by, words) for tick, words in score.markers),
        parts=tuple(later(part) for part in score.parts),
        end_tick=score.end_tick + by,
    )


def _split(part: ScorePart, time: TempoMap) -> list[ScorePart]:
    """One part a manner of playing; where the music is split there are no articulation-selecting notes and no words."""
    pieces = []
    for manner in dict.fromkeys(_SPLIT_NAMES.values()):
        notes = tuple(n for n in part.notes if _SPLIT_NAMES.get(n.manner) == manner)
        if manner == "legato":
            notes = _overlapping(notes, time)
        pieces.append(replace(part, name=f"{part.name} {manner}", notes=notes, words=(), pedal=()))
    return [piece for piece in pieces if piece.notes]


def _overlapping(notes: tuple[ScoreNote, ...], time: TempoMap) -> tuple[ScoreNote, ...]:
    """Connected notes of changing pitch, each held into the next by a part of OVERLAP_S."""
    out = []
    for note, following in zip(notes, [*notes[1:], None], strict=True):
        if following is not None and following.onset_tick == note.end_tick and following.pitch != note.pitch:
            begin_s, turn_s, end_s = time.tick_to_s([note.onset_tick, note.end_tick, following.end_tick])
            asked_s = OVERLAP_S[0] + (OVERLAP_S[1] - OVERLAP_S[0]) * _part_scatter("overlap", note.onset_tick)
            overlap_s = min(asked_s, OVERLAP_SHARE * min(turn_s - begin_s, end_s - turn_s))
            note = replace(note, end_tick=int(time.s_to_tick(turn_s + overlap_s)))
        out.append(note)
    return tuple(out)


def _pulled_ahead(part: ScorePart, time: TempoMap) -> ScorePart:
    def early(tick: int) -> int:
        return int(time.s_to_tick(time.tick_to_s(tick) - PULLED_AHEAD_S))

    return replace(
        part,
        notes=tuple(replace(n, onset_tick=early(n.onset_tick), end_tick=early(n.end_tick)) for n in part.notes),
        pedal=tuple((early(tick), value) for tick, value in part.pedal),
    )


def _played_in(part: ScorePart, time: TempoMap, end_tick: int) -> tuple[tuple[int, int, int], ...]:
    """CC1 as a hand on a wheel would leave it: late into each swell, uneven in time, still in rests.

    A swell a note over the level its velocity asks for, smoothed over .4 s, read about 25 times a second at uneven
    distances, written where the whole step changes (common practice, no source).
    """
    notes = [n for n in part.notes if n.manner != "switch" and n.onset_tick < end_tick]
    if not notes:
        return ()
    step_s, lag_s, smooth_s = 0.01, 0.08, 0.4
    begin_s, last_s = time.tick_to_s([notes[0].onset_tick, min(end_tick, max(n.end_tick for n in notes))])
    grid_s = np.arange(max(begin_s - 0.5, 0.0), last_s, step_s)
    asked = np.full(len(grid_s), float(notes[0].velocity) * 0.7)
    for note, (on_s, off_s) in zip(notes, _spans(notes, time), strict=True):
        here = grid_s >= on_s
        through = np.clip((grid_s[here] - on_s) / max(off_s - on_s, 0.2), 0, 1)
        asked[here] = 0.75 * note.velocity + min(14.0, 12 * (off_s - on_s)) * np.sin(np.pi * through) - 4
    width = int(smooth_s / step_s)
    padded = np.pad(asked, (width, 0), mode="edge")
    smooth = np.convolve(padded, np.ones(width) / width, mode="valid")[: len(grid_s)]
    drawn, at_s, before = [], float(grid_s[0]), -1
    while at_s < last_s:
        value = float(np.interp(at_s - lag_s, grid_s, smooth))
        wobble = 1.6 * _part_scatter(part.name, round(at_s, 3)) - 0.8
        step = round(min(120.0, max(15.0, value + wobble)))
        if step != before:
            drawn.append((int(time.s_to_tick(at_s)), _DYNAMICS_CC, step))
            before = step
        at_s += 0.028 + 0.03 * _part_scatter("hand", part.name, round(at_s, 3))
    return tuple(drawn)


def _spans(notes: list[ScoreNote], time: TempoMap) -> NDArray[np.float64]:
    """Onsets and offsets in seconds, shape (n_notes, 2)."""
    return np.asarray(time.tick_to_s([[n.onset_tick, n.end_tick] for n in notes]))


def _write(sheet: _Sheet, path: Path) -> None:
    tracks = [_conductor(sheet.score), *map(_part_events, sheet.tracks)]
    write_events(path, tracks, ticks_per_beat=TICKS_PER_BEAT)


def _conductor(score: Score) -> list[Event]:
    events: list[Event] = [(0, 0, "track_name", {"name": score.title})]
    events += [(tick, 1, "time_signature", {"numerator": n, "denominator": d}) for tick, n, d in score.metres]
    events += [(tick, 2, "set_tempo", {"tempo": _microseconds(bpm)}) for tick, bpm in score.tempi]
    events += [(tick, 3, "marker", {"text": words}) for tick, words in score.markers]
    return events


def _part_events(track: _Track) -> list[Event]:
    """Set-up first, and at one tick words, controllers, offs, ons."""
    part, channel = track.part, track.part.channel - 1
    events: list[Event] = [(0, 0, "track_name", {"name": part.name})]
    events.append((0, 1, "program_change", {"channel": channel, "program": part.program}))
    controls = [(0, _VOLUME_CC, part.volume), (0, _PAN_CC, part.pan), *((tick, _PEDAL_CC, v) for tick, v in part.pedal)]
    for tick, controller, value in [*controls, *track.controls]:
        events.append((tick, 3, "control_change", {"channel": channel, "control": controller, "value": value}))
    events += [(tick, 2, "text", {"text": word}) for tick, word in part.words]
    for note in part.notes:
        values: dict[str, int | str] = {"channel": channel, "note": note.pitch}
        events.append((note.onset_tick, 5, "note_on", values | {"velocity": note.velocity}))
        events.append((note.end_tick, 4, "note_off", values | {"velocity": 64}))
    return events
