"""Lanes on a device that obeys a reset of controllers.

Source: MIDI Association, Recommended Practice RP-015 (response to reset all controllers): controller 121 sets
expression (11) to 127 and modulation (1) to 0. Breath (2) is in neither of its lists and is left alone here. mido reads
the files.
"""

from __future__ import annotations

from pathlib import Path

import mido
import pytest

from phrasewright.inference.shaping import ShapeOptions, shape_cue

AFTER_RESET = {1: 0, 11: 127}
TICKS = 480
RESETS = (5 * TICKS, 9 * TICKS, 21 * TICKS)
"""In the first note; in the rest, well before the next entry; in the last note. Half-second beats."""


def cue(path: Path, *, resets: tuple[int, ...]) -> Path:
    """Three long notes of a string section, beats 4-8, 12-16 and 18-24, with resets between."""
    rows = [(0, mido.Message("program_change", program=48))]
    for first, last, pitch in ((4, 8, 62), (12, 16, 65), (18, 24, 64)):
        rows.append((first * TICKS, mido.Message("note_on", note=pitch, velocity=70)))
        rows.append((last * TICKS, mido.Message("note_off", note=pitch)))
    rows += [(tick, mido.Message("control_change", control=121)) for tick in resets]
    track, now = mido.MidiTrack(), 0
    for tick, message in sorted(rows, key=lambda row: row[0]):
        track.append(message.copy(time=tick - now))
        now = tick
    file = mido.MidiFile(ticks_per_beat=TICKS, type=0)
    file.tracks.append(track)
    file.save(path)
    return path


def heard(path: Path, *, obeys: bool) -> dict[int, dict[int, int]]:
    """What a device holds for both controllers at every tick of the file, with or without obeying the resets."""
    value, now, out = dict.fromkeys(AFTER_RESET, -1), 0, {}
    for message in mido.MidiFile(path).tracks[0]:
        for tick in range(now, now + message.time):
            out[tick] = dict(value)
        now += message.time
        if message.type == "control_change" and message.control == 121 and obeys:
            value |= AFTER_RESET
        elif message.type == "control_change" and message.control in value:
            value[message.control] = message.value
    return out


@pytest.mark.parametrize("resets", [(tick,) for tick in RESETS] + [RESETS])
def test_a_reset_changes_nothing_that_sounds(tmp_path: Path, resets: tuple[int, ...]) -> None:
    shaped = tmp_path / "shaped.mid"
    shaped.write_bytes(shape_cue(cue(tmp_path / "cue.mid", resets=resets), ShapeOptions(baseline=True)).content)
    obeying, deaf = heard(shaped, obeys=True), heard(shaped, obeys=False)
    for first, last in ((4, 8), (12, 16), (18, 24)):
        span = range(first * TICKS + 1, last * TICKS)
        assert [obeying[t] for t in span] == [deaf[t] for t in span]


def test_without_restating_the_reset_would_be_heard(tmp_path: Path) -> None:
    """The check can fail: on the bare cue a reset does reach the sounding note."""
    bare = cue(tmp_path / "cue.mid", resets=RESETS)
    assert heard(bare, obeys=True)[6 * TICKS] != heard(bare, obeys=False)[6 * TICKS]
