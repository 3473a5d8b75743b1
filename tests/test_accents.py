"""Accents stand out; a louder passage does not."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from heard_cues import Row, Voice, events, hear_voices, line

STEPS = [(60 + step, 1.0) for step in (0, 4, 2, 5, 4, 7, 5, 9, 7, 5, 4, 2, 5, 4, 2, 0)]


LIVING = [64, 70, 75, 66, 72, 61, 69, 74, 68, 77, 63, 70, 66, 73, 65, 71]


def with_velocities(*velocities: int) -> list[Row]:
    return [(pitch, at, beats, v) for (pitch, at, beats, _), v in zip(line(*STEPS), velocities, strict=True)]


def heard_events(folder: Path, rows: list[Row], marks: list[tuple[float, str]] | None = None) -> list[str]:
    later = line((60, 4.0), (59, 4.0), (60, 8.0), at=16.0)  # the closing lies behind
    return events(hear_voices(folder, Voice("Violins", rows + later), marks=marks or []).parts[0])[: len(rows)]


def test_one_note_louder_than_those_around_is_an_accent(tmp_path: Path) -> None:
    found = heard_events(tmp_path, with_velocities(*[70] * 6, 88, *[70] * 9))
    assert found == ["none"] * 6 + ["accent"] + ["none"] * 9


def test_a_spike_of_velocity_is_a_sforzando(tmp_path: Path) -> None:
    assert heard_events(tmp_path, with_velocities(*[70] * 6, 112, *[70] * 9))[6] == "sforzando"


@pytest.mark.parametrize(
    "velocities",
    [[70] * 8 + [90] * 8, list(range(50, 98, 3)), [70] * 16, LIVING],
    ids=["a step to forte", "a crescendo", "even", "a living hand"],
)
def test_what_is_no_accent(tmp_path: Path, velocities: list[int]) -> None:
    assert set(heard_events(tmp_path, with_velocities(*velocities))) == {"none"}


@pytest.mark.parametrize(
    ("mark", "event"),
    [("sfz", "sforzando"), ("sf", "sforzando"), ("fp", "sforzando"), (">", "accent"), ("f", "none")],
)
def test_marks(tmp_path: Path, mark: str, event: str) -> None:
    found = heard_events(tmp_path, with_velocities(*[70] * 16), [(5.0, mark)])
    assert found[5] == event
    assert set(np.delete(np.array(found), 5)) == {"none"}


def test_two_accents_in_a_row_are_both_heard(tmp_path: Path) -> None:
    found = heard_events(tmp_path, with_velocities(*[70] * 6, 90, 90, *[70] * 8))
    assert found == ["none"] * 6 + ["accent"] * 2 + ["none"] * 8


def test_an_accent_says_why(tmp_path: Path) -> None:
    part = hear_voices(tmp_path, Voice("Violins", with_velocities(*[70] * 6, 90, *[70] * 9))).parts[0]
    said = [s for s in part.situations if s.label == "accent"]
    assert len(said) == 1
    assert "velocity 20" in said[0].why
