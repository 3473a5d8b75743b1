"""A part is one voice unless its lines move against each other."""

from __future__ import annotations

from pathlib import Path

from heard_cues import Row, Voice, hear_voices, line, roles

from phrasewright.model.layers import split_layers
from phrasewright.model.voices import voices_of

TUNE = line((72, 1.0), (74, 1.0), (76, 2.0), (74, 1.0), (72, 1.0), (71, 2.0), (72, 4.0))


def n_voices(folder: Path, rows: list[Row]) -> int:
    heard = hear_voices(folder, Voice("Violins", rows)).parts[0]
    return len(voices_of([heard.part], [split_layers(heard.part.notes)], [(heard.attacks, heard.phrases)]))


def test_a_line_and_struck_chords_are_one_voice(tmp_path: Path) -> None:
    assert n_voices(tmp_path, TUNE) == 1
    assert n_voices(tmp_path, line(*(((60, 64, 67 + k), 1.0) for k in range(8)))) == 1


def test_a_tune_over_held_notes_in_one_part_is_two(tmp_path: Path) -> None:
    assert n_voices(tmp_path, TUNE + line((60, 4.0), (55, 4.0), (60, 4.0))) == 2


def test_broken_chords_that_are_held_on_are_one(tmp_path: Path) -> None:
    rows = [(p, bar * 4.0 + i, 4.0 - i, 70) for bar in range(4) for i, p in enumerate((48 + bar, 55, 60, 64))]
    assert n_voices(tmp_path, rows) == 1


def test_a_chorale_in_one_track_sings_on_top(tmp_path: Path) -> None:
    tops, basses = (72, 74, 76, 77, 76, 74, 72), (48, 47, 48, 41, 43, 43, 36)
    rows = line(*(((top, 64, 60, low), 1.0) for top, low in zip(tops, basses, strict=True)))
    found = roles(hear_voices(tmp_path, Voice("Brass", rows), bpm=80).parts[0])
    assert found == ["melody", "chords", "chords", "bass"] * 7
