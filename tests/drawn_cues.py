"""Small cues with drawn lanes, for tests that compare and picture them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from phrasewright.data.midi import Event, write_events

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
    head: list[Event] = [
        (0, 0, "set_tempo", {"tempo": 500_000}),
        (0, 1, "time_signature", {"numerator": metre[0], "denominator": metre[1]}),
    ]
    if later is not None:
        at, numerator, denominator = round(later[0] * TICKS_PER_BEAT), later[1], later[2]
        head.append((at, 0, "time_signature", {"numerator": numerator, "denominator": denominator}))
    tracks = [head]
    for channel, line in enumerate(lines):
        own: dict[str, int | str] = {"channel": channel}
        track: list[Event] = [(0, -1, "track_name", {"name": line.name})]
        track.append((0, 0, "program_change", own | {"program": line.program}))
        for control, events in line.lanes.items():
            for beat, value in events:
                values = own | {"control": control, "value": value}
                track.append((round(beat * TICKS_PER_BEAT), 1, "control_change", values))
        for pitch, beat, beats, velocity in line.notes:
            note = own | {"note": pitch}
            track.append((round(beat * TICKS_PER_BEAT), 3, "note_on", note | {"velocity": velocity}))
            track.append((round((beat + beats) * TICKS_PER_BEAT), 2, "note_off", note))
        tracks.append(track)
    write_events(path, tracks, ticks_per_beat=TICKS_PER_BEAT)
    return path


def ramp(first_beat: float, last_beat: float, low: int, high: int) -> list[tuple[float, int]]:
    """One event a step from `low` to `high`, evenly over the span."""
    steps = abs(high - low)
    direction = 1 if high > low else -1
    return [(first_beat + (last_beat - first_beat) * i / steps, low + direction * i) for i in range(steps + 1)]
