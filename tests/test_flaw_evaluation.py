"""Review finds flaws planted by formulas apart and makes none up: a few of each kind, two hundred in the slow test.

`python tests/flaw_evaluation.py` prints the table.
"""

from __future__ import annotations

from pathlib import Path

import pytest
from flaw_evaluation import Clean, a_minute, clean_files, evaluate_kind, unplanted_hands
from seeded_flaws import KINDS

from phrasewright.inference.reviewing import KINDS as TOLD

EACH = 8


@pytest.fixture(scope="module")
def clean(tmp_path_factory: pytest.TempPathFactory) -> list[Clean]:
    folder = tmp_path_factory.mktemp("clean")
    return clean_files(folder, n_invented=4, n_quartets=0, n_demos=0)


def test_every_kind_is_planted() -> None:
    assert KINDS == TOLD


@pytest.mark.parametrize("kind", KINDS)
def test_a_few_flaws_of_each_kind_are_found_and_decoys_are_not(kind: str, clean: list[Clean], tmp_path: Path) -> None:
    row = evaluate_kind(kind, clean, tmp_path, each=EACH)
    assert row["planted"] == EACH
    assert row["recall"] == 1.0, row["missed"]
    assert row["precision"] >= 0.8, row["made_up"]
    assert row["decoys_taken"] <= row["decoys"] // 4


def test_what_is_found_in_hands_as_drawn_is_what_its_kind_means(clean: list[Clean]) -> None:
    hits = unplanted_hands(clean, n_curves=20)
    assert len(hits) > 20
    assert sum(true for *_, true in hits) >= 0.95 * len(hits), [place for place, _, true in hits if not true]


def test_lanes_shaped_by_the_tool_have_less_than_one_finding_a_minute(clean: list[Clean]) -> None:
    music, _, kinds = a_minute(clean)
    assert music < 1.0, kinds


@pytest.mark.slow
def test_two_hundred_of_each_kind(tmp_path: Path) -> None:
    clean = clean_files(tmp_path, n_invented=10, n_quartets=4, n_demos=2)
    rows = [evaluate_kind(kind, clean, tmp_path, each=200) for kind in KINDS]
    assert {row["kind"]: row["recall"] for row in rows if row["recall"] < 0.95} == {}
    assert {row["kind"]: row["precision"] for row in rows if row["precision"] < 0.95} == {}
    assert a_minute(clean)[0] < 1.0
