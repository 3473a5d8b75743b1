"""Which part stands for which in another file, and where its lanes lie when the notes were moved."""

from __future__ import annotations

from pathlib import Path

import mido
import numpy as np
import pytest
from drawn_cues import Line, ramp, write_cue

from phrasewright.data.reading import read_cue
from phrasewright.inference.comparing import compare_files
from phrasewright.inference.counterparts import counterparts

TUNE = [60, 64, 62, 67, 65, 69, 64, 71, 60, 62, 67, 64, 72, 71, 65, 60, 62, 65, 69, 67, 64, 60, 71, 72]
BASS = [48, 41, 43, 36, 45, 38, 43, 48, 47, 40, 45, 43]
VIOLIN = [(p, float(i), 1.0, 80) for i, p in enumerate(TUNE)]
CELLO = [(p, 2.0 * i, 2.0, 70) for i, p in enumerate(BASS)]
ARC = {1: [*ramp(0, 12, 40, 88), *ramp(12.25, 24, 87, 45)], 11: [*ramp(0, 12, 80, 104), *ramp(12.5, 24, 103, 85)]}


def later(events: list[tuple[float, int]], *, cut: float, by: float) -> list[tuple[float, int]]:
    return [(beat + (by if beat >= cut else 0.0), value) for beat, value in events]


def with_bars_inserted(path: Path, *, cut: float = 8.0, by: float = 8.0) -> Path:
    """Two new bars before bar 3, with notes of their own; everything after them comes two bars later."""
    lines = []
    for name, program, notes in (("Violin", 40, VIOLIN), ("Cello", 42, CELLO)):
        moved = [(p, b + (by if b >= cut else 0.0), d, v) for p, b, d, v in notes]
        new = [(p + 1, cut + i, 1.0, 60) for i, p in enumerate((66, 61, 68, 63, 70, 66, 61, 68))]
        lanes = {cc: later(events, cut=cut, by=by) for cc, events in ARC.items()}
        lines.append(Line(name, program, sorted(moved + new, key=lambda row: row[1]), lanes))
    return write_cue(path, *lines)


def at_tempo(path: Path, source: Path, beats_per_min: float) -> Path:
    """The same file at another tempo."""
    midi = mido.MidiFile(source)
    for track in midi.tracks:
        track[:] = [m.copy(tempo=mido.bpm2tempo(beats_per_min)) if m.type == "set_tempo" else m for m in track]
    midi.save(path)
    return path


@pytest.fixture
def cue(tmp_path: Path) -> Path:
    return write_cue(tmp_path / "cue.mid", Line("Violin", 40, VIOLIN, ARC), Line("Cello", 42, CELLO, ARC))


def test_another_tempo_makes_no_difference(cue: Path, tmp_path: Path) -> None:
    slower = at_tempo(tmp_path / "slower.mid", cue, 96.0)
    result = compare_files(cue, [slower])
    for lane in ("dynamics", "expression"):
        assert result["overall"][lane]["mae"] < 0.1
        assert result["overall"][lane]["lag_ms"] == 0
        assert result["overall"][lane]["n_frames"] == compare_files(cue, [cue])["overall"][lane]["n_frames"]
    assert any("lanes are compared where 24 notes are the same" in remark for remark in result["remarks"])


def test_inserted_bars_make_no_difference(cue: Path, tmp_path: Path) -> None:
    longer = with_bars_inserted(tmp_path / "longer.mid")
    there, back = compare_files(cue, [longer]), compare_files(longer, [cue])
    assert there["overall"]["dynamics"]["mae"] < 0.3
    assert back["overall"]["dynamics"]["mae"] < 0.3
    frames = [result["overall"]["dynamics"]["n_frames"] for result in (there, back)]
    assert frames[0] == pytest.approx(frames[1], rel=0.02)  # the new bars have nothing to be compared with
    assert any("8 without their like do not count" in remark for remark in back["remarks"])


def test_a_changed_level_is_still_seen_after_inserted_bars(cue: Path, tmp_path: Path) -> None:
    longer = with_bars_inserted(tmp_path / "longer.mid")
    louder = write_cue(
        tmp_path / "louder.mid",
        *(
            Line(name, program, notes, {cc: [(b, v + 7) for b, v in events] for cc, events in ARC.items()})
            for name, program, notes in (("Violin", 40, VIOLIN), ("Cello", 42, CELLO))
        ),
    )
    assert compare_files(longer, [louder])["overall"]["dynamics"]["bias"] == pytest.approx(7, abs=0.3)


def test_parts_renamed_and_in_another_order_find_each_other_by_their_notes(cue: Path, tmp_path: Path) -> None:
    renamed = write_cue(tmp_path / "renamed.mid", Line("Vc.", 42, CELLO, ARC), Line("Vl.", 40, VIOLIN, ARC))
    found, remarks = counterparts(read_cue(cue), read_cue(renamed))
    assert [other.part.name for other in found if other is not None] == ["Vl.", "Vc."]
    assert remarks == [
        "Violin is not in renamed.mid; Vl., with its notes, stands for it",
        "Cello is not in renamed.mid; Vc., next in order, stands for it",
    ]


def test_renamed_parts_at_another_tempo_find_each_other_too(cue: Path, tmp_path: Path) -> None:
    renamed = write_cue(tmp_path / "renamed.mid", Line("Vc.", 42, CELLO, ARC), Line("Vl.", 40, VIOLIN, ARC))
    slower = at_tempo(tmp_path / "slower.mid", renamed, 90.0)
    found, _ = counterparts(read_cue(cue), read_cue(slower))
    assert [other.part.name for other in found if other is not None] == ["Vl.", "Vc."]
    assert compare_files(cue, [slower])["overall"]["dynamics"]["mae"] < 0.1


def test_other_notes_under_one_name_are_compared_by_time(cue: Path, tmp_path: Path) -> None:
    strange = [(p + 5, b, d, v) for (_, b, d, v), p in zip(VIOLIN, reversed(TUNE), strict=True)]
    right = write_cue(tmp_path / "b.mid", Line("Violin", 40, strange, ARC), Line("Cello", 42, CELLO, ARC))
    result = compare_files(cue, [right])
    assert result["overall"]["dynamics"]["mae"] == 0
    assert any("compared by time as they stand" in remark for remark in result["remarks"])


def test_a_few_notes_taken_out_move_nothing(cue: Path, tmp_path: Path) -> None:
    fewer = [note for i, note in enumerate(VIOLIN) if i % 4 != 2]
    right = write_cue(tmp_path / "b.mid", Line("Violin", 40, fewer, ARC), Line("Cello", 42, CELLO, ARC))
    (violin, _), _ = counterparts(read_cue(cue), read_cue(right))
    assert violin is not None
    assert violin.grid_s is None
    assert violin.notes.n_notes == len(VIOLIN)


def test_a_lane_lies_on_the_first_files_time(cue: Path, tmp_path: Path) -> None:
    slower = read_cue(at_tempo(tmp_path / "slower.mid", cue, 60.0))
    (violin, _), _ = counterparts(read_cue(cue), slower)
    assert violin is not None
    curve, drawn = violin.lane("dynamics"), read_cue(cue).parts[0].existing[1]
    assert curve is not None
    place_s = np.arange(0.05, 11.9, 0.1)
    assert np.abs(curve.at(place_s) - drawn.at(place_s)).max() <= 1
