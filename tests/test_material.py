"""The music for judging what was learned: apart from training, two sets apart from each other, read as files are."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from phrasewright.training import material
from phrasewright.training.corpus import score_names
from phrasewright.training.material import Movement, Movements, cue_bytes, first_full_s, heard


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A quartet already parsed: 40 bars of 4/4, quarter notes, the cello in whole notes."""
    quick = [[float(i), 1.0, 60 + i % 5, 80] for i in range(160) if i >= 8]
    slow = [[4.0 * i, 4.0, 40, 80] for i in range(40)]
    kept = [[quick, quick, quick, slow], [4.0 * i for i in range(41)], [4, 4]]
    (tmp_path / "some-movement.json").write_text(json.dumps(kept))
    return tmp_path


def test_no_movement_is_learned_from_and_judged_on_or_trained_on() -> None:
    both = material.final_movements(), material.validation_movements()
    names = [m.name for some in both for m in (*some.learned, *some.judged)]
    assert len(names) == len(set(names)) == 26
    assert not set(names) & set(score_names())
    assert {name.split("/")[0] for name in names} == {"beethoven", "schumann_robert"}
    assert len(material.final_movements().learned) == len(material.validation_movements().learned) == 10


def test_a_cue_is_cut_at_the_bar_and_heard_as_a_file(folder: Path) -> None:
    cue = heard(Movement("some/movement", 120.0), seconds=61.0, folder=folder)
    assert [p.part.name for p in cue.parts] == ["Violin I", "Violin II", "Viola", "Cello"]
    assert all(p.part.shaped for p in cue.parts)
    assert cue.cue.duration_s == pytest.approx(62.0, abs=0.01)  # 122 quarters are 30.5 bars
    assert cue.parts[3].part.notes.n_notes == 31
    assert cue_bytes(Movement("some/movement", 120.0), folder=folder) == cue_bytes(
        Movement("some/movement", 120.0), folder=folder
    )


def test_the_amounts_grow_from_sixteen_seconds_of_one_line(folder: Path) -> None:
    one = Movement("some/movement", 120.0)
    movements = Movements(learned=(one,) * 10, judged=(one,))
    (short,) = material.spans_to_learn(movements, "16 s", folder=folder)
    assert (short.index, short.end_s - short.start_s) == (0, 16.0)
    assert short.start_s == pytest.approx(4.0)  # the line begins with two silent bars
    assert first_full_s(short.hearing, 0) == short.start_s
    sizes = [len(material.spans_to_learn(movements, amount, folder=folder)) for amount in material.AMOUNTS]
    assert sizes == [1, 4, 12, 40]
    assert len(material.spans_to_judge(movements, folder=folder)) == 4


@pytest.mark.slow
def test_movements_have_steady_bars_and_two_minutes() -> None:
    for movement in material.final_movements().learned[:2]:
        cue = heard(movement)
        assert len(cue.parts) == 4
        assert 118.0 < cue.cue.duration_s < 124.0
        on_beats = np.mod(cue.parts[3].part.notes.onset_beat + 1e-4, 0.5) < 2e-3
        assert on_beats.mean() > 0.6
