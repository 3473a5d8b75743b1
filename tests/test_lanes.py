"""The level law, against its published values and by hand; spans and runs on the grid."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from phrasewright.model.lanes import (
    DYNAMICS_DB_PER_STEP,
    combined_level_db,
    covered,
    db_to_expression,
    dynamics_to_db,
    expression_to_db,
    runs,
    stands_for_s,
)

# L = 40 log10(CC7 * CC11 / 127^2), General MIDI developer guidelines; values worked out from the law
LAW = [
    (127, 0.00),
    (112, -2.18),
    (100, -4.15),
    (96, -4.86),
    (80, -8.03),
    (64, -11.90),
    (32, -23.95),
    (16, -35.99),
    (8, -48.03),
    (1, -84.15),
]


@pytest.mark.parametrize(("expression_cc", "level_db"), LAW)
def test_expression_follows_the_level_law(expression_cc: int, level_db: float) -> None:
    assert expression_to_db(expression_cc) == pytest.approx(level_db, abs=0.005)


def test_volume_and_expression_multiply() -> None:
    assert expression_to_db(64, volume_cc=100) == pytest.approx(-16.06, abs=0.01)  # as above


@pytest.mark.parametrize(("at_cc", "steps"), [(100, 5.9), (64, 3.8), (32, 1.9)])
def test_a_decibel_takes_more_steps_higher_up(at_cc: int, steps: float) -> None:
    assert db_to_expression(expression_to_db(at_cc) + 1.0) - at_cc == pytest.approx(steps, abs=0.06)


def test_a_frame_stands_for_the_way_to_its_neighbours() -> None:
    """At most 80 ms to either side: after a rest, or where nothing was drawn, no frame counts for all that is missing.
    """
    frames = np.array([0, 4, 6, 14, 100, 101])
    assert stands_for_s(frames) == pytest.approx([0.04, 0.03, 0.05, 0.12, 0.085, 0.045])
    assert stands_for_s(frames[:1]) == pytest.approx([0.08])
    assert len(stands_for_s(frames[:0])) == 0


def test_silence_is_minus_infinity_without_a_warning() -> None:
    assert expression_to_db(0) == -np.inf


def test_dynamics_spread_24_db_evenly_over_the_controller() -> None:
    assert dynamics_to_db(127) - dynamics_to_db(0) == pytest.approx(24.0)
    assert np.allclose(np.diff(dynamics_to_db(np.arange(128))), DYNAMICS_DB_PER_STEP)


def test_both_controllers_add() -> None:
    assert combined_level_db(127, 127) == pytest.approx(0.0)
    assert combined_level_db(72, 92) == pytest.approx(float(dynamics_to_db(72)) + float(expression_to_db(92)))


def test_the_law_inverts() -> None:
    steps = np.arange(1, 128)
    assert np.allclose(db_to_expression(expression_to_db(steps)), steps)


@given(st.lists(st.booleans(), max_size=12))
def test_runs_of_a_mask_cover_it_and_nothing_else(values: list[bool]) -> None:
    mask = np.array(values, dtype=bool)
    spans = runs(mask)
    assert np.array_equal(covered(spans[:, 0], spans[:, 1], len(mask)), mask)
    assert np.all(spans[1:, 0] > spans[:-1, 1])  # runs that touch are one


def test_a_span_that_runs_backwards_or_lies_outside_covers_nothing() -> None:
    assert not np.any(covered(np.array([5, -4, 20]), np.array([3, -1, 25]), 10))
