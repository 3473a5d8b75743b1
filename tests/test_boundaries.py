"""Local boundary strength against values worked out by hand from the formula of Cambouropoulos 2001."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp
from numpy.lib.stride_tricks import sliding_window_view

from phrasewright.model.boundaries import change_strength, local_boundary_strength, windowed_maximum
from phrasewright.model.shapes import running_maximum

PITCH, ONSET, REST = np.array([2.0, 2, 7, 1]), np.array([1.0, 1, 2, 1]), np.array([0.0, 0, 1, 0])


def test_the_strength_of_one_profile() -> None:
    # changes 0, 5/9, 6/8; strengths 2 (0), 2 (0 + 5/9), 7 (5/9 + 3/4), 1 (3/4)
    assert change_strength(PITCH) == pytest.approx([0, 10 / 9, 7 * (5 / 9 + 3 / 4), 3 / 4])


def test_the_weighted_total() -> None:
    # scaled pitch 0, .12158, 1, .08207; onset 0, .25, 1, .25; rest 0, 0, 1, 0
    total = local_boundary_strength(PITCH, inter_onset=ONSET, rest=REST)
    assert total == pytest.approx([0, 0.25 * 0.121581 + 0.125, 1, 0.25 * 0.082067 + 0.125], abs=1e-5)


def test_an_even_scale_has_no_boundary() -> None:
    even = np.full(8, 2.0)
    assert not np.any(local_boundary_strength(even, inter_onset=even, rest=np.zeros(8)))


def test_two_silences_of_zero_are_no_change() -> None:
    assert change_strength(np.zeros(3)).tolist() == [0, 0, 0]


def test_negative_intervals_are_refused() -> None:
    with pytest.raises(ValueError, match="not be negative"):
        change_strength(np.array([1.0, -2.0]))


@given(st.lists(st.floats(0, 50), min_size=40, max_size=60), st.floats(0, 50))
def test_with_a_window_a_change_far_away_changes_nothing_here(values: list[float], changed: float) -> None:
    one = np.array(values)
    two = one.copy()
    two[-1] = changed
    first, second = (local_boundary_strength(x, inter_onset=x, rest=x, window=5) for x in (one, two))
    assert np.array_equal(first[:-8], second[:-8])


@given(st.lists(st.floats(0, 100), min_size=1, max_size=30))
def test_strength_lies_between_0_and_1(values: list[float]) -> None:
    total = local_boundary_strength(np.array(values), inter_onset=np.array(values), rest=np.array(values))
    assert np.all((total >= 0) & (total <= 1 + 1e-9))


def test_the_maximum_over_a_window() -> None:
    assert windowed_maximum(np.array([1.0, 5, 2, 0, 0]), window=1).tolist() == [5, 5, 5, 2, 0]


@given(hnp.arrays(np.float64, st.integers(1, 40), elements=st.floats(-9, 9)), st.integers(1, 20))
def test_the_running_maximum_is_that_of_every_window(values: np.ndarray, width: int) -> None:
    width = min(width, len(values))
    assert running_maximum(values, width).tolist() == sliding_window_view(values, width).max(axis=1).tolist()
