"""Intervals are as wide as chance among phrases, pieces or hands makes them."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from phrasewright.model.intervals import interval_by_phrase, interval_of, resamples, student_quantile


def test_an_interval_of_equal_phrases_is_that_of_their_means() -> None:
    """Four phrases of one length: the ratio estimator is the plain mean, so Student's interval is known by hand."""
    means = np.array([2.0, 4.0, 6.0, 8.0])
    low, high = interval_by_phrase(means * 100, np.full(4, 100.0)) or (0.0, 0.0)
    half = 3.182446 * means.std(ddof=1) / 2  # Student's 97.5 % point for 3 degrees of freedom
    assert (low, high) == pytest.approx((5 - half, 5 + half), abs=1e-3)
    assert interval_by_phrase(means[:1], np.ones(1)) is None


@pytest.mark.parametrize("freedom", [1, 2, 3, 4, 7, 20, 400])
def test_the_quantile_is_students(freedom: int) -> None:
    assert student_quantile(freedom) == pytest.approx(stats.t.ppf(0.975, freedom), abs=0.002)


def test_intervals_hold_the_true_mean_about_as_often_as_they_say() -> None:
    """Phrases of unequal length drawn 400 times from a population whose mean error by frames is known."""
    rng = np.random.default_rng(5)
    n = rng.integers(100, 900, 5000).astype(float)
    total = n * rng.gamma(4.0, 1.5, 5000)
    held = 0
    for _ in range(400):
        some = rng.integers(0, 5000, 40)
        low, high = interval_by_phrase(total[some], n[some]) or (0.0, 0.0)
        held += low <= total.sum() / n.sum() <= high
    assert 0.90 <= held / 400 <= 0.98


def test_drawing_anew_agrees_with_the_standard_error_of_many_phrases() -> None:
    rng = np.random.default_rng(3)
    n = rng.integers(100, 900, 200).astype(float)
    total = n * rng.gamma(4.0, 1.5, 200)
    at = resamples(200, n_draws=4000)
    low, high = interval_of(total[at].sum(axis=1) / n[at].sum(axis=1))
    assert (low, high) == pytest.approx(interval_by_phrase(total, n), rel=0.02)
    narrow = interval_of(total[at].sum(axis=1) / n[at].sum(axis=1), tail=0.05)
    assert low < narrow[0] < narrow[1] < high


def test_a_generator_goes_on_where_it_stands_and_a_seed_begins_anew() -> None:
    rng = np.random.default_rng(7)
    first, second = resamples(9, seed=rng), resamples(9, seed=rng)
    assert np.array_equal(first, resamples(9, seed=7))
    assert not np.array_equal(first, second)
