"""Where to look first: the phrases the model is least sure of."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from drawn_cues import Line, write_cue

from phrasewright.data.reading import read_cue
from phrasewright.inference.batch import shape_files, summary_text
from phrasewright.inference.shaping import ShapeOptions, shape_cue
from phrasewright.model.hearing import CueHearing
from phrasewright.model.lanes import DenseLanes
from phrasewright.model.listening import hear
from phrasewright.model.look_first import SPREAD_STEP_S, claimed_spreads, least_sure

PHRASES = [[(60 + 2 * k + i, 8.0 * k + i, 1.0, 80) for i in range(6)] for k in range(4)]  # 3 s each, 1 s of rest


@pytest.fixture
def hearing(tmp_path: Path) -> CueHearing:
    notes = [note for phrase in PHRASES for note in phrase]
    return hear(read_cue(write_cue(tmp_path / "cue.mid", Line("Oboe", 68, notes), Line("Horn", 60, notes))))


def spreads_of(hearing: CueHearing, levels: dict[int, list[float]]) -> dict[int, dict[str, np.ndarray]]:
    """Dynamics' spread of each phrase of each part, vibrato's three times as wide throughout."""
    found = {}
    for index, level in levels.items():
        row = np.zeros(400, dtype=np.float32)
        for phrase, value in zip(hearing.parts[index - 1].phrases, level, strict=True):
            row[round(phrase.start_s / SPREAD_STEP_S) : round(phrase.end_s / SPREAD_STEP_S)] = value
        found[index] = {"dynamics": row, "vibrato": np.full(400, 9.0, dtype=np.float32)}
    return found


def test_the_widest_phrase_comes_first_though_vibrato_is_wider_everywhere(hearing: CueHearing) -> None:
    found = least_sure(hearing, spreads_of(hearing, {1: [3, 3, 3, 3], 2: [3, 3, 9, 3]}))
    assert (found[0].part, found[0].phrase, found[0].lane) == (2, 2, "dynamics")
    assert found[0].spread_cc == pytest.approx(9)
    assert found[0].times_usual == pytest.approx(3)
    assert found[1].times_usual == pytest.approx(1)


def test_a_phrase_is_named_once_and_the_list_is_short(hearing: CueHearing) -> None:
    found = least_sure(hearing, spreads_of(hearing, {1: [2, 3, 4, 5], 2: [5, 4, 3, 2]}), n=5)
    assert len(found) == 5
    assert len({(one.part, one.phrase) for one in found}) == 5


def test_nothing_is_claimed_in_rests_nor_where_a_lane_was_kept(hearing: CueHearing) -> None:
    notes = hearing.parts[0].part.notes
    dense = DenseLanes(np.full((2000, 3), 60.0), np.full((2000, 3), 4.0))
    kept_s = {"dynamics": [[0.0, 3.0]], "expression": []}
    claimed = claimed_spreads(dense, notes, kept_s=kept_s)
    time_s = np.arange(400) * SPREAD_STEP_S
    assert set(claimed) == {"dynamics", "expression"}
    assert np.isnan(claimed["expression"][(time_s > 3.05) & (time_s < 3.95)]).all()
    assert np.isnan(claimed["dynamics"][time_s < 2.95]).all()
    assert (claimed["dynamics"][(time_s > 4.05) & (time_s < 6.95)] == 4).all()


def test_rules_claim_nothing_and_the_network_names_passages(tmp_path: Path) -> None:
    cue = write_cue(tmp_path / "cue.mid", Line("Oboe", 68, [note for phrase in PHRASES for note in phrase]))
    assert "look_first" not in shape_cue(cue, ShapeOptions(baseline=True)).summary
    rows = shape_cue(cue).summary["look_first"]
    assert len(rows) == len({row["start_s"] for row in rows})
    assert all(row["spread"] > 0 and row["bars"] for row in rows)


def test_the_terminal_says_where_to_look_first(tmp_path: Path) -> None:
    cue = write_cue(tmp_path / "cue.mid", Line("Oboe", 68, [note for phrase in PHRASES for note in phrase]))
    result = shape_files([cue], tmp_path / "shaped.mid", options=ShapeOptions())
    first = result["cues"][0]["look_first"][0]
    lines = summary_text(result).splitlines()
    at = lines.index("  look first where the model is least sure:")
    assert f"Oboe, {first['lane']}" in lines[at + 1]
    assert str(first["bars"][0]) in lines[at + 1]
    assert 1 <= len(lines) - at - 1 <= 5


def test_only_the_bars_that_were_shaped_are_named(tmp_path: Path) -> None:
    cue = write_cue(tmp_path / "cue.mid", Line("Oboe", 68, [note for phrase in PHRASES for note in phrase]))
    everywhere = shape_cue(cue).summary["look_first"]
    there = shape_cue(cue, ShapeOptions(bars=(2, 3))).summary["look_first"]
    assert there
    assert max(row["end_s"] for row in there) < max(row["end_s"] for row in everywhere)
    assert all(row["bars"][0] <= 3 and row["bars"][1] >= 2 for row in there)
