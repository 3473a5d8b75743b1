"""What `explain` says: the agreed keys, counts from 0, and a table a musician can read."""

from __future__ import annotations

import json
from pathlib import Path

from heard_cues import Voice, hear_voices, line, write_voices

from phrasewright.data.reading import read_cue
from phrasewright.inference.explaining import explain_dict, explain_text
from phrasewright.model.hearing import EVENTS, FIGURES, ROLES
from phrasewright.model.listening import hear

TUNE = line((67, 1.0), (67, 1.0), (71, 1.5), (72, 0.5), (74, 4.0), (None, 4.0), ((60, 64), 2.0), ((59, 62), 6.0))


def test_the_keys_and_their_meaning(tmp_path: Path) -> None:
    told = json.loads(json.dumps(explain_dict(hear_voices(tmp_path, Voice("Violins", TUNE), Voice("Harp", TUNE)))))
    assert told["cue"] == {"seconds": 10.0, "bars": 5}
    part = told["parts"][0]
    assert (part["index"], part["name"], part["track"], part["channel"]) == (1, "Violins", 2, 1)
    assert (part["family"], part["kind"], part["n_notes"]) == ("strings", "sustained", 9)
    assert part["existing"] == {"1": 0, "11": 0, "2": 0}
    assert set(part["passages"][0]) == {"kind", "start_s", "end_s", "why"}
    assert len(part["notes"]) == 9
    assert all(note["role"] in ROLES for note in part["notes"])
    assert all(note["figure"] is None or note["figure"] in FIGURES[1:] for note in part["notes"])
    assert all(note["event"] is None or note["event"] in EVENTS[1:] for note in part["notes"])
    assert part["notes"][1]["figure"] == "repeated"
    assert part["notes"][4]["figure"] == "held"
    first, second = part["phrases"]
    assert (first["first_note"], first["last_note"], second["first_note"], second["last_note"]) == (0, 4, 5, 8)
    assert (second["start_s"], second["start_beat"], second["end_beat"]) == (6.0, 12.0, 20.0)
    assert {s["axis"] for s in part["situations"]} == {"role", "figure", "event"}
    assert all(set(s) == {"axis", "label", "start_s", "end_s", "why"} and s["why"] for s in part["situations"])
    assert told["parts"][1]["kind"] == "decaying"


def test_without_musical_time_there_are_no_beats_and_no_bars(tmp_path: Path) -> None:
    raw = write_voices(tmp_path / "beats.mid", Voice("Violins", TUNE)).read_bytes()
    frames = raw[:12] + bytes((256 - 25, 40)) + raw[14:]  # 25 frames a second, 40 ticks a frame: 1000 ticks a second
    (tmp_path / "frames.mid").write_bytes(frames)
    hearing = hear(read_cue(tmp_path / "frames.mid"))
    told = explain_dict(hearing)
    assert told["cue"]["bars"] is None
    assert all(phrase["start_beat"] is phrase["end_beat"] is None for phrase in told["parts"][0]["phrases"])
    assert " s " in explain_text(hearing)


def test_the_table_names_bars_and_beats(tmp_path: Path) -> None:
    text = explain_text(hear_voices(tmp_path, Voice("Violins", TUNE), Voice("Harp", TUNE)))
    assert text.startswith("cue.mid: 2 parts, 10.0 s, 5 bars\n")
    assert "Part 1  Violins  (track 2, channel 1; strings, sustained" in text
    phrases = [row.split() for row in text.splitlines() if " phrase " in row]
    assert [row[:2] for row in phrases[:2]] == [["1:1", "3:1"], ["4:1", "6:1"]]
    assert "lanes to write: none" in text
    assert text.count("closing-fall") >= 1


def test_the_beat_is_the_metre_s(tmp_path: Path) -> None:
    text = explain_text(
        hear_voices(tmp_path, Voice("Violins", line((67, 1.5), (69, 1.5), (None, 4.5), (71, 3.0))), metre=(6, 8))
    )
    assert [row.split()[:2] for row in text.splitlines() if " phrase " in row][-1][0] == "3:4"
