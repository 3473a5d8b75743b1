"""Figures: what a player would call each note's manner of going on."""

from __future__ import annotations

from pathlib import Path

import pytest
from heard_cues import Row, Voice, figures, hear_voices, line

from phrasewright.model.hearing import FIGURES


def figures_of(folder: Path, rows: list[Row], bpm: float = 120.0) -> list[str]:
    return figures(hear_voices(folder, Voice("Violins", rows), bpm=bpm).parts[0])


def test_repeated_quavers(tmp_path: Path) -> None:
    assert figures_of(tmp_path, line(*((67, 0.5),) * 4, (69, 1.0))) == ["repeated"] * 4 + ["none"]


def test_a_single_repeat_marks_the_note_that_repeats(tmp_path: Path) -> None:
    assert figures_of(tmp_path, line((64, 1.0), (67, 1.0), (67, 1.0), (65, 1.0))) == [
        "none",
        "none",
        "repeated",
        "none",
    ]


def test_repeats_with_silence_between_are_detached(tmp_path: Path) -> None:
    assert set(figures_of(tmp_path, line(*((67, 1.0),) * 4, share=0.3))) == {"detached"}


def test_a_note_of_two_seconds_is_held(tmp_path: Path) -> None:
    assert figures_of(tmp_path, line((64, 1.0), (67, 4.0), (65, 1.0))) == ["none", "held", "none"]


def test_a_semiquaver_scale_is_a_run(tmp_path: Path) -> None:
    scale = [(60 + step, 0.25) for step in (0, 2, 4, 5, 7, 9, 11, 12)]
    assert figures_of(tmp_path, line((55, 1.0), *scale, (65, 2.0))) == ["none", *["run"] * 8, "none"]


def test_a_slow_scale_is_no_run(tmp_path: Path) -> None:
    assert "run" not in figures_of(tmp_path, line(*((60 + step, 1.0) for step in (0, 2, 4, 5, 7, 9))))


def test_fast_arpeggios_are_no_run(tmp_path: Path) -> None:
    assert "run" not in figures_of(tmp_path, line(*((60 + step, 0.25) for step in (0, 4, 7, 12, 7, 4, 0, 4))))


@pytest.mark.parametrize(("interval", "expected"), [(1, "trill"), (2, "trill"), (4, "tremolo"), (0, "tremolo")])
def test_quick_alternation(tmp_path: Path, interval: int, expected: str) -> None:
    assert set(figures_of(tmp_path, line(*((67, 0.125), (67 + interval, 0.125)) * 6), bpm=70)) == {expected}


def test_a_chord_tremolo(tmp_path: Path) -> None:
    assert set(figures_of(tmp_path, line(*(((60, 67), 0.125),) * 16), bpm=60)) == {"tremolo"}


def test_short_notes_with_gaps_are_detached(tmp_path: Path) -> None:
    assert set(figures_of(tmp_path, line((60, 1.0), (64, 1.0), (67, 1.0), (64, 1.0), share=0.3))) == {"detached"}


def test_a_legato_overlap_hides_no_figure(tmp_path: Path) -> None:
    rows = [
        (pitch, at, beats + 0.1, velocity)
        for pitch, at, beats, velocity in line(*((60 + step, 0.25) for step in range(0, 12, 2)))
    ]
    assert set(figures_of(tmp_path, rows, bpm=70)) == {"run"}


def test_the_moving_line_over_a_held_note_has_its_own_figure(tmp_path: Path) -> None:
    found = figures_of(tmp_path, [(55, 0.0, 4.0, 70), *line(*((67, 0.5),) * 8)])
    assert found.count("held") == 1
    assert found.count("repeated") == 8


def test_every_figure_is_told_with_a_reason(tmp_path: Path) -> None:
    part = hear_voices(tmp_path, Voice("Violins", line(*((67, 0.5),) * 4, (69, 4.0)))).parts[0]
    said = [(s.label, s.why) for s in part.situations if s.axis == "figure"]
    assert [label for label, _ in said] == ["repeated", "held"]
    assert "4 notes" in said[0][1]
    assert set(label for label, _ in said) <= set(FIGURES)
