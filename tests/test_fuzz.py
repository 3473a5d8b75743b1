"""A thousand odd inputs; `python tests/fuzz.py` throws twenty thousand. Each ends in one line or in a right result."""

from __future__ import annotations

import pytest
from fuzz import TARGETS, run, warm_up

INPUTS = {
    "reading": 500, "hearing": 40, "plan": 230, "profile": 110, "style": 20, "weights": 10, "arguments": 30,
    "store": 30, "packed": 30,
}  # fmt: skip


def test_a_thousand_inputs_cover_every_target() -> None:
    assert sum(INPUTS.values()) == 1000
    assert INPUTS.keys() == TARGETS.keys()


@pytest.mark.parametrize("target", TARGETS)
def test_odd_inputs_end_in_one_line_or_a_right_result(target: str) -> None:
    warm_up((target,))
    tally = run(target, 1_000_000, INPUTS[target], seed=1)
    assert not tally.faults, tally.told
    assert tally.refused[target], "some are refused"
    assert tally.answered[target], "and some are answered"
