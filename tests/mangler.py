"""What composers do to a cue between two exports, planted by seed, so that the truth is known.

A song is a list of voices; each note carries the number it was born with. Every edit takes a song and a random
generator and returns another song. `written` makes a MIDI file of one, `lines` the notes that reading it gives. What
sequencers do to the file itself stands in `deliveries.py`.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from phrasewright.data.cue import Cue
from phrasewright.data.midi import Event, write_events
from phrasewright.data.notes import Notes

TICKS_PER_BEAT = 480
BAR_BEAT = 4.0
Ints = NDArray[np.int64]
Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Voice:
    """One track. Arrays (n_notes,): number at birth (-1: new), beats, pitch. Lanes: (beat, value) by controller."""

    name: str
    program: int
    birth: Ints
    on_beat: Floats
    for_beat: Floats
    pitch: Ints
    lanes: Mapping[int, tuple[Floats, Ints]] = field(default_factory=dict)

    def take(self, index: NDArray[np.bool_] | Ints) -> Voice:
        return replace(
            self, birth=self.birth[index], on_beat=self.on_beat[index], for_beat=self.for_beat[index],
            pitch=self.pitch[index],
        )  # fmt: skip


Song = tuple[Voice, ...]
Random = np.random.Generator
Edit = Callable[[Song, Random], Song]


def song_of(cue: Cue) -> Song:
    """The song in a cue; lanes as they stand in it."""
    voices, at = [], 0
    for part in cue.parts:
        notes = part.notes
        lanes = {
            cc: (np.asarray(cue.tempo.s_to_beat(curve.time_s)), curve.value_cc.astype(np.int64))
            for cc, curve in part.existing.items()
            if curve.n_points
        }
        birth = np.arange(at, at + notes.n_notes)
        length = notes.offset_beat - notes.onset_beat
        program = part.program if part.program is not None else 48
        voices.append(Voice(part.name, program, birth, notes.onset_beat, length, notes.pitch, lanes))
        at += notes.n_notes
    return tuple(voices)


@dataclass(frozen=True)
class PlainLine:
    name: str
    notes: Notes
    birth: Ints


def lines(song: Song, *, beat_s: float = 0.5) -> list[PlainLine]:
    """The lines of a song as reading its file gives them, each note still with its number."""
    out = []
    for voice in song:
        on = np.rint(voice.on_beat * TICKS_PER_BEAT).astype(np.int64)
        off = np.maximum(np.rint((voice.on_beat + voice.for_beat) * TICKS_PER_BEAT).astype(np.int64), on + 1)
        order = np.lexsort((-voice.pitch, on))
        on, off = on[order], off[order]
        beat_on, beat_off = on / TICKS_PER_BEAT, off / TICKS_PER_BEAT
        velocity = np.full(len(on), 80)
        notes = Notes(
            beat_on * beat_s, beat_off * beat_s, beat_on, beat_off, on, off, voice.pitch[order], velocity
        )  # fmt: skip
        out.append(PlainLine(voice.name, notes, voice.birth[order]))
    return out


def written(path: Path, song: Song, *, bpm: float = 120.0, one_channel: bool = False) -> Path:
    """A type 1 file of a song: one track and channel a voice, lanes as controllers."""
    tracks: list[list[Event]] = [[(0, 0, "set_tempo", {"tempo": round(60e6 / bpm)})]]
    for i, voice in enumerate(song):
        channel = 0 if one_channel else (i if i < 9 else i + 1) % 16
        rows: list[Event] = [
            (0, -1, "track_name", {"name": voice.name}),
            (0, 0, "program_change", {"program": voice.program, "channel": channel}),
        ]
        for cc, (beat, value) in voice.lanes.items():
            ticks = np.maximum(np.rint(beat * TICKS_PER_BEAT), 0).astype(int).tolist()
            rows += [
                (tick, 2, "control_change", {"control": cc, "value": v, "channel": channel})
                for tick, v in zip(ticks, value.tolist(), strict=True)
            ]
        on = np.rint(voice.on_beat * TICKS_PER_BEAT).astype(int)
        off = np.maximum(np.rint((voice.on_beat + voice.for_beat) * TICKS_PER_BEAT).astype(int), on + 1)
        for a, b, pitch in zip(on.tolist(), off.tolist(), voice.pitch.tolist(), strict=True):
            rows.append((a, 3, "note_on", {"note": pitch, "velocity": 80, "channel": channel}))
            rows.append((b, 1, "note_off", {"note": pitch, "channel": channel}))
        tracks.append(rows)
    write_events(path, tracks, ticks_per_beat=TICKS_PER_BEAT)
    return path


def _each(song: Song, change: Callable[[Voice], Voice]) -> Song:
    return tuple(change(voice) for voice in song)


def renamed(song: Song, random: Random) -> Song:
    """Other names, none of which says what plays, in another order."""
    order = random.permutation(len(song))
    return tuple(replace(song[j], name=f"Audio {i + 7}") for i, j in enumerate(order.tolist()))


def shifted_names(song: Song, random: Random) -> Song:
    """Every name on another voice."""
    return tuple(replace(voice, name=song[i - 1].name) for i, voice in enumerate(song))


def bars_inserted(song: Song, random: Random) -> Song:
    """One to four empty bars somewhere in the middle, twice."""
    for _ in range(2):
        last = max(float(voice.on_beat[-1]) for voice in song)
        at = BAR_BEAT * random.integers(2, max(int(last / BAR_BEAT) - 2, 3))
        song = moved_from(song, at, BAR_BEAT * random.integers(1, 5))
    return song


def bars_repeated(song: Song, random: Random) -> Song:
    """Two new bars of other music in the middle: notes with numbers of their own (-1)."""
    last = max(float(voice.on_beat[-1]) for voice in song)
    at = BAR_BEAT * int(last / BAR_BEAT / 2)
    song = moved_from(song, at, 2 * BAR_BEAT)
    out = []
    for voice in song:
        on = at + np.arange(8) * 1.0
        pitch = np.clip(int(np.median(voice.pitch)) + random.integers(-7, 8, 8), 0, 127)
        out.append(
            replace(
                voice, birth=np.r_[voice.birth, np.full(8, -1)], on_beat=np.r_[voice.on_beat, on],
                for_beat=np.r_[voice.for_beat, np.full(8, 0.9)], pitch=np.r_[voice.pitch, pitch],
            )
        )  # fmt: skip
    return tuple(out)


def moved_from(song: Song, at: float, by: float) -> Song:
    """All that starts at a beat or later, moved; lanes too."""

    def change(voice: Voice) -> Voice:
        on = voice.on_beat + by * (voice.on_beat >= at - 1e-6)
        lanes = {cc: (beat + by * (beat >= at - 1e-6), value) for cc, (beat, value) in voice.lanes.items()}
        return replace(voice, on_beat=on, lanes=lanes)

    return _each(song, change)


def bars_cut(song: Song, random: Random) -> Song:
    """Two to five bars taken out of the middle."""
    last = max(float(voice.on_beat[-1]) for voice in song)
    at = BAR_BEAT * random.integers(2, max(int(last / BAR_BEAT) - 6, 3))
    by = BAR_BEAT * random.integers(2, 6)

    def change(voice: Voice) -> Voice:
        lanes = {}
        for cc, (beat, value) in voice.lanes.items():
            keep = (beat < at - 1e-6) | (beat >= at + by - 1e-6)
            lanes[cc] = (beat[keep] - by * (beat[keep] >= at), value[keep])
        inside = (voice.on_beat >= at - 1e-6) & (voice.on_beat < at + by - 1e-6)
        left = voice.take(~inside)
        on = left.on_beat - by * (left.on_beat >= at)
        return replace(left, on_beat=on, lanes=lanes)

    return _each(song, change)


def rescaled(song: Song, random: Random) -> Song:
    """The tempo map moved: seconds stay, beats are 0.8 of what they were from a bar on."""
    last = max(float(voice.on_beat[-1]) for voice in song)
    at = BAR_BEAT * int(last / BAR_BEAT / 3)

    def to(beat: Floats) -> Floats:
        return np.where(beat < at, beat, at + 0.8 * (beat - at))

    def change(voice: Voice) -> Voice:
        on = to(voice.on_beat)
        lanes = {cc: (to(beat), value) for cc, (beat, value) in voice.lanes.items()}
        return replace(voice, on_beat=on, for_beat=to(voice.on_beat + voice.for_beat) - on, lanes=lanes)

    return _each(song, change)


def nudged(song: Song, random: Random) -> Song:
    """Every onset moved by up to 25 ms at 120, one voice pulled ahead by 100 ms; lanes stay."""
    early = int(random.integers(len(song)))

    def change(voice: Voice, i: int) -> Voice:
        by = random.uniform(-0.05, 0.05, len(voice.on_beat)) - 0.2 * (i == early)
        return replace(voice, on_beat=np.maximum(voice.on_beat + by, 0.0))

    return tuple(change(voice, i) for i, voice in enumerate(song))


def octaves(song: Song, random: Random) -> Song:
    """One voice an octave up, another a third of its notes an octave down."""
    first, second = random.permutation(len(song))[:2].tolist()
    out = list(song)
    out[first] = replace(song[first], pitch=song[first].pitch + 12)
    some = random.random(len(song[second].pitch)) < 1 / 3
    out[second] = replace(song[second], pitch=song[second].pitch - 12 * some)
    return tuple(out)


def notes_deleted(song: Song, random: Random) -> Song:
    """One note in seven gone."""
    return _each(song, lambda voice: voice.take(random.random(len(voice.birth)) > 1 / 7))


def split_in_time(song: Song, random: Random) -> Song:
    """The longest voice in two tracks, one after the other."""
    which = int(np.argmax([len(voice.birth) for voice in song]))
    voice = song[which]
    middle = float(np.median(voice.on_beat))
    halves = voice.take(voice.on_beat < middle), voice.take(voice.on_beat >= middle)
    return (*song[:which], replace(halves[0], name=voice.name + " A"), replace(halves[1], name=voice.name + " B"),
            *song[which + 1 :])  # fmt: skip


def split_in_pitch(song: Song, random: Random) -> Song:
    """The longest voice in two tracks, its upper and its lower notes."""
    which = int(np.argmax([len(voice.birth) for voice in song]))
    voice = song[which]
    middle = float(np.median(voice.pitch))
    upper, lower = voice.take(voice.pitch >= middle), voice.take(voice.pitch < middle)
    return (*song[:which], replace(upper, name="div. 1"), replace(lower, name="div. 2"), *song[which + 1 :])


def merged(song: Song, random: Random) -> Song:
    """Two voices on one track, under the name of the first."""
    first, second = sorted(random.permutation(len(song))[:2].tolist())
    a, b = song[first], song[second]
    both = replace(
        a, birth=np.r_[a.birth, b.birth], on_beat=np.r_[a.on_beat, b.on_beat],
        for_beat=np.r_[a.for_beat, b.for_beat], pitch=np.r_[a.pitch, b.pitch],
    )  # fmt: skip
    return tuple(both if i == first else voice for i, voice in enumerate(song) if i != second)


def everything(song: Song, random: Random) -> Song:
    """A week of work: bars cut and inserted, notes nudged and deleted, an octave, other names."""
    for edit in (bars_inserted, bars_cut, nudged, notes_deleted, octaves, renamed):
        song = edit(song, random)
    return song


EDITS: dict[str, Edit] = {
    edit.__name__: edit
    for edit in (
        renamed, shifted_names, bars_inserted, bars_repeated, bars_cut, rescaled, nudged, octaves, notes_deleted,
        split_in_time, split_in_pitch, merged, everything,
    )
}
