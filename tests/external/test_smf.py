"""Our reading of notes, tempo and controllers against two independent readers, pretty_midi and symusic.

Sources: pretty_midi (Raffel and Ellis 2014, ISMIR late-breaking demo), symusic, a quartet movement from
music21's corpus, all read from the installed packages. Where they differ from us by design: pretty_midi ends
every open note of a pitch at the first note-off and drops hanging notes, so the made files here neither overlap equal
pitches nor leave notes hanging; neither reader knows the sustain pedal when it pairs notes.
"""

from __future__ import annotations

import warnings
from collections import Counter
from pathlib import Path

import numpy as np
import pytest

from phrasewright.data.cue import Cue
from phrasewright.data.instruments import instrument_of
from phrasewright.data.midi import Event, write_events
from phrasewright.data.notes import Notes
from phrasewright.data.passages import articulation_words
from phrasewright.data.reading import read_cue

with warnings.catch_warnings():
    warnings.simplefilter("ignore")
    import music21
    import pretty_midi

Row = tuple[float, float, int, int]


def made_file(path: Path, seed: int) -> None:
    """Tracks of notes on channels of their own, with tempo changes, controllers and running ticks."""
    rng = np.random.default_rng(seed)
    conductor: list[Event] = [(0, 0, "track_name", {"name": "made"})]
    for _ in range(6):
        tempo = int(rng.integers(200_000, 1_500_000))
        conductor.append((conductor[-1][0] + int(rng.integers(0, 2000)), len(conductor), "set_tempo", {"tempo": tempo}))
    tracks = [conductor]
    for channel in range(4):
        own: dict[str, int | str] = {"channel": channel}
        events: list[Event] = [(0, -1, "track_name", {"name": f"Viola {channel}"})]
        events.append((0, 0, "program_change", own | {"program": 40 + channel}))
        for pitch in rng.choice(np.arange(48, 80), 6, replace=False).tolist():
            tick, note = 0, own | {"note": pitch}
            for _ in range(12):
                on = tick + int(rng.integers(0, 300))
                tick = on + int(rng.integers(1, 900))
                events.append((on, 2, "note_on", note | {"velocity": int(rng.integers(1, 128))}))
                events.append((tick, 1, "note_off", note))
                tick += 1
        for _ in range(30):
            value, at = int(rng.integers(0, 128)), int(rng.integers(0, 5000))
            events.append((at, 0, "control_change", own | {"control": 1, "value": value}))
        tracks.append(events)
    write_events(path, tracks, ticks_per_beat=480)


def quartet(path: Path) -> None:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        music21.corpus.parse("mozart/k80/movement3").write("midi", path)


def rows(notes: Notes) -> list[Row]:
    return sorted(zip(notes.onset_s, notes.offset_s, notes.pitch.tolist(), notes.velocity.tolist(), strict=True))


def all_rows(cue: Cue) -> list[Row]:
    return sorted(row for part in cue.parts for notes in (part.notes, part.switches) for row in rows(notes))


def assert_same(ours: list[Row], theirs: list[Row]) -> None:
    """Equal notes; times within half a millisecond, so that order may differ within a chord."""
    assert Counter((p, v) for _, _, p, v in ours) == Counter((p, v) for _, _, p, v in theirs)
    by_note = [sorted(side, key=lambda row: (row[2], row[3], round(row[0], 3), row[1])) for side in (ours, theirs)]
    ours_s, theirs_s = (np.array([row[:2] for row in side]) for side in by_note)
    np.testing.assert_allclose(ours_s, theirs_s, atol=5e-4)


@pytest.mark.parametrize("seed", range(5))
def test_notes_and_lanes_as_pretty_midi_reads_them(tmp_path: Path, seed: int) -> None:
    path = tmp_path / "made.mid"
    made_file(path, seed)
    cue, theirs = read_cue(path), pretty_midi.PrettyMIDI(str(path))
    assert len(cue.parts) == len(theirs.instruments) == 4
    for part, instrument in zip(cue.parts, theirs.instruments, strict=True):
        assert (part.name, part.program) == (instrument.name, instrument.program)
        assert_same(
            sorted(rows(part.notes) + rows(part.switches)),
            sorted((n.start, n.end, n.pitch, n.velocity) for n in instrument.notes),
        )
        lane = part.existing[1]
        changes = [(c.time, c.value) for c in instrument.control_changes if c.number == 1]
        np.testing.assert_allclose(np.c_[lane.time_s, lane.value_cc], changes, atol=1e-6)


@pytest.mark.parametrize("seed", range(5))
def test_notes_and_ticks_as_symusic_reads_them(tmp_path: Path, seed: int) -> None:
    symusic = pytest.importorskip("symusic")
    path = tmp_path / "made.mid"
    made_file(path, seed)
    cue, theirs = read_cue(path), symusic.Score(str(path))
    assert cue.midi.ticks_per_beat == theirs.tpq
    for part, track in zip(cue.parts, theirs.tracks, strict=True):
        ours = [*zip(part.notes.onset_tick, part.notes.offset_tick, part.notes.pitch, part.notes.velocity, strict=True)]
        ours += [
            *zip(
                part.switches.onset_tick,
                part.switches.offset_tick,
                part.switches.pitch,
                part.switches.velocity,
                strict=True,
            )
        ]
        assert sorted(ours) == sorted((n.time, n.time + n.duration, n.pitch, n.velocity) for n in track.notes)


@pytest.mark.parametrize("program", range(128))
def test_a_track_named_after_its_general_midi_program_is_the_programs_instrument(program: int) -> None:
    """Sequencers name tracks so; the names are those of pretty_midi's table."""
    name = pretty_midi.constants.INSTRUMENT_MAP[program]
    empty = Notes(*(np.zeros(0) for _ in range(4)), *(np.zeros(0, dtype=np.int64) for _ in range(4)))
    expected, _ = instrument_of(program, "", channel=1, notes=empty)
    found, _ = instrument_of(program, name, channel=1, notes=empty)
    if program == 45:  # strings by name, plucked by the other word
        assert articulation_words(name) == ("pizzicato",)
    elif program != 120:  # "Guitar Fret Noise"
        assert (found.name, found.kind) == (expected.name, expected.kind)


def test_a_quartet_movement_as_pretty_midi_reads_it(tmp_path: Path) -> None:
    path = tmp_path / "quartet.mid"
    quartet(path)
    cue = read_cue(path)
    assert [part.instrument.name for part in cue.parts] == ["violin", "violin", "viola", "cello"]
    assert all(part.instrument.solo and part.kind == "sustained" for part in cue.parts)
    assert sum(part.switches.n_notes for part in cue.parts) == 0
    ours = all_rows(cue)
    theirs = pretty_midi.PrettyMIDI(str(path))
    read = sorted((n.start, n.end, n.pitch, n.velocity) for i in theirs.instruments for n in i.notes)
    # The export writes grace notes as off before on: pretty_midi lets them drone to the pitch's next off or drops them.
    graces = [row for row in ours if row[1] - row[0] < 0.001]
    assert 0 < len(graces) < 40
    at_grace = {(round(on, 3), pitch) for on, _, pitch, _ in graces}
    assert_same(*([row for row in side if (round(row[0], 3), row[2]) not in at_grace] for side in (ours, read)))
    assert max(off - on for on, off, _, _ in ours) < 6
