"""Small cues with drawn lanes, for tests that compare and picture them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import mido

from phrasewright.data.midi import write_messages

TICKS_PER_BEAT = 480
BEAT_S = 0.5


@dataclass(frozen=True)
class Line:
    """One track: (pitch, first beat, beats, velocity) of each note, and (beat, value) of each event of a controller."""

    name: str
    program: int
    notes: Sequence[tuple[int, float, float, int]]
    lanes: Mapping[int, Sequence[tuple[float, int]]] = field(default_factory=dict)


def write_cue(
    path: Path, *lines: Line, metre: tuple[int, int] = (4, 4), later: tuple[float, int, int] | None = None
) -> Path:
    """Write the lines as tracks at 120 quarter notes a minute, one channel each; `later` is a metre from a beat on."""
    head = [
        mido.MetaMessage("set_tempo", tempo=500_000),
        mido.MetaMessage("time_signature", numerator=metre[0], denominator=metre[1]),
    ]
    if later is not None:
        wait = round(later[0] * TICKS_PER_BEAT)
        head.append(mido.MetaMessage("time_signature", numerator=later[1], denominator=later[2], time=wait))
    tracks: list[list[mido.Message | mido.MetaMessage]] = [head]
    for channel, line in enumerate(lines):
        at: list[tuple[int, int, mido.Message]] = [
            (0, 0, mido.Message("program_change", program=line.program, channel=channel))
        ]
        for control, events in line.lanes.items():
            for beat, value in events:
                message = mido.Message("control_change", control=control, value=value, channel=channel)
                at.append((round(beat * TICKS_PER_BEAT), 1, message))
        for pitch, beat, beats, velocity in line.notes:
            on = mido.Message("note_on", note=pitch, velocity=velocity, channel=channel)
            off = mido.Message("note_off", note=pitch, channel=channel)
            at += [(round(beat * TICKS_PER_BEAT), 3, on), (round((beat + beats) * TICKS_PER_BEAT), 2, off)]
        at.sort(key=lambda row: row[:2])
        track: list[mido.Message | mido.MetaMessage] = [mido.MetaMessage("track_name", name=line.name)]
        now = 0
        for tick, _, message in at:
            track.append(message.copy(time=tick - now))
            now = tick
        tracks.append(track)
    write_messages(path, tracks, ticks_per_beat=TICKS_PER_BEAT)
    return path


def ramp(first_beat: float, last_beat: float, low: int, high: int) -> list[tuple[float, int]]:
    """One event a step from `low` to `high`, evenly over the span."""
    steps = abs(high - low)
    direction = 1 if high > low else -1
    return [(first_beat + (last_beat - first_beat) * i / steps, low + direction * i) for i in range(steps + 1)]
