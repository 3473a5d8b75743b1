"""Figures on the labelled passages: counted right, and the tool near what two labelling passes agree on."""

from __future__ import annotations

import numpy as np
import pytest

from phrasewright.data.labelled import kept_back
from phrasewright.training.situation_evaluation import confusions, f1, judged_passages, kappa


def test_f1_and_kappa_of_a_table_worked_by_hand() -> None:
    table = np.array([[50, 5, 0], [5, 30, 0], [0, 0, 10]])
    micro, macro = f1(table, "figure")
    assert micro == pytest.approx(2 * 40 / (45 + 45))
    assert macro == pytest.approx((2 * 30 / 70 + 1.0) / 2)
    seen, chance = 0.9, (55 * 55 + 35 * 35 + 10 * 10) / 100**2
    assert kappa(table) == pytest.approx((seen - chance) / (1 - chance))


@pytest.mark.parametrize(("axis", "least"), [("role", 0.93), ("figure", 0.97), ("event", 0.92)])
def test_the_tool_is_near_both_passes_on_the_passages_it_was_tuned_on(axis: str, least: float) -> None:
    passages = [p for p in judged_passages() if not kept_back(p.name)]
    tables = [confusions(passages, axis, "tool", person).sum(axis=0) for person in ("first", "second")]
    assert np.mean([f1(table, axis)[0] for table in tables]) >= least


def test_highest_and_lowest_part_are_far_worse() -> None:
    passages = [p for p in judged_passages() if not kept_back(p.name)]
    table = confusions(passages, "role", "by_height", "first").sum(axis=0)
    assert f1(table, "role")[0] < 0.8
