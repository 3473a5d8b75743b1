"""Cues for the tests of writing: every kind of rest, join, repeat and reset, in every kind of file."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from midi_bytes import chunk, name, number, smf

Event = tuple[int, bytes]
"""(tick, message with its status byte)"""


def note(tick: int, length: int, pitch: int, *, velocity: int = 70, channel: int = 0) -> list[Event]:
    """A note of `length` ticks."""
    return [
        (tick, bytes((0x90 | channel, pitch, velocity))),
        (tick + length, bytes((0x80 | channel, pitch, 0))),
    ]


def control(tick: int, controller: int, value: int, *, channel: int = 0) -> Event:
    return tick, bytes((0xB0 | channel, controller, value))


def program(tick: int, number_: int, *, channel: int = 0) -> Event:
    return tick, bytes((0xC0 | channel, number_))


def track(title: str, events: Sequence[Event], *, end: int | None = None) -> bytes:
    """A track chunk: its name, its events in order of ticks (note-offs before others at one tick), End of Track."""

    def rank(event: Event) -> tuple[int, int]:
        high = event[1][0] & 0xF0
        return event[0], {0x80: 0, 0xB0: 1, 0xC0: 1}.get(high, 2)

    out, now = [name(title)], 0
    for tick, message in sorted(events, key=rank):
        out.append(number(tick - now) + message)
        now = tick
    out.append(number(max((end or 0) - now, 0)) + b"\xff\x2f\x00")
    return chunk(*out)


def write(path: Path, *tracks: bytes, division: int = 480, kind: int = 1) -> Path:
    path.write_bytes(smf(*tracks, division=division, kind=kind))
    return path


def line(beat: int, *, channel: int = 0, start: int = 0) -> list[Event]:
    """A line with joins, repeats, an accent, rests from a sixteenth to seven bars, and a long last note.

    `beat` is the length of a quarter note in ticks, `start` the tick of the first note.
    """
    events: list[Event] = []
    at = start

    def play(pitch: int, beats: float, *, velocity: int = 70, rest: float = 0.0) -> None:
        nonlocal at
        events.extend(note(at, max(round(beats * beat), 1), pitch, velocity=velocity, channel=channel))
        at += round(beats * beat) + round(rest * beat)

    for pitch, beats in ((62, 1), (64, 1), (65, 2), (67, 0.5), (65, 0.5), (64, 1), (62, 3)):
        play(pitch, beats)
    at += beat  # half a second
    for _ in range(4):
        play(67, 1)  # repeats
    play(69, 2, velocity=125, rest=0.5)  # an accent, then just a quarter second
    play(69, 4, rest=4)
    for pitch in (60, 62, 64, 65, 67, 69, 71, 72):
        play(pitch, 0.25)  # a run
    play(74, 6, rest=7 * 4 + 2)  # more than four silent bars
    play(64, 0.4, rest=0.6)
    play(64, 0.4, rest=0.6)  # detached
    play(65, 0.2, rest=0.05)
    play(64, 4)
    at += 3 * beat
    play(57, 8)
    return events


def chords(beat: int, *, channel: int = 0) -> list[Event]:
    """Slow chords, a held note under moving ones, and a rest."""
    events: list[Event] = []
    for i, chord in enumerate(((55, 59, 62), (55, 60, 64), (57, 60, 65), (55, 59, 62))):
        for pitch in chord:
            events += note(4 * i * beat, 4 * beat, pitch, channel=channel)
    events += note(18 * beat, 8 * beat, 48, channel=channel)
    for i, pitch in enumerate((64, 62, 60, 59)):
        events += note((18 + 2 * i) * beat, 2 * beat, pitch, channel=channel)
    return events


def orchestra(path: Path, *, division: int = 480) -> Path:
    """Type 1: a solo line with resets, a section in chords, horns, a harp and drums."""
    beat = division
    oboe = [program(0, 68), *line(beat), control(5 * beat + beat // 3, 121, 0), control(40 * beat, 121, 0)]
    oboe += [control(70 * beat, 121, 0)]
    strings = [program(0, 48, channel=1), *chords(beat, channel=1), control(0, 7, 100, channel=1)]
    horn = [control(0, 0, 1, channel=2), program(0, 60, channel=2), *line(beat, channel=2, start=20 * beat)]
    harp = [program(0, 46, channel=3), *line(beat, channel=3)]
    drums = [event for i in range(16) for event in note(4 * i * beat, beat // 2, 36, channel=9)]
    return write(
        path, track("Oboe", oboe), track("Violins I", strings), track("Horn", horn), track("Harp", harp),
        track("Drums", drums), division=division,
    )


def one_track(path: Path) -> Path:
    """Type 0: two channels in one track."""
    events = [program(0, 73), *line(480), program(0, 42, channel=1), *chords(480, channel=1)]
    return write(path, track("All", events), kind=0)


def film_frames(path: Path) -> Path:
    """SMPTE division: 25 frames a second, 40 ticks a frame, a beat of half a second."""
    return write(path, track("Cello", [program(0, 42), *line(500)]), division=((256 - 25) << 8) | 40)


def coarse(path: Path) -> Path:
    """24 ticks a quarter note: about 48 ticks a second."""
    return orchestra(path, division=24)
