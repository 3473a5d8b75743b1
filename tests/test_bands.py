"""Bands cover what they say when hands are what they were calibrated on, phrase by phrase and hand by hand."""

from __future__ import annotations

import numpy as np
import pytest

from phrasewright.training.bands import Answers, coverage_of, factors_of


def answers(seed: int, *, n_people: int = 40, wide: float = 1.0) -> list[Answers]:
    """Errors of a Laplace distribution, common to a phrase in half; phrases of very different lengths."""
    rng = np.random.default_rng(seed)
    phrase = np.repeat(np.arange(30), rng.integers(5, 120, 30))
    spread = np.repeat(rng.uniform(1.0, 6.0, (30, 1, 3))[phrase], n_people, axis=1)
    own = rng.laplace(size=(30, n_people, 3))[phrase] + 0.5 * rng.laplace(size=(len(phrase), n_people, 3))
    return [Answers(np.abs(own) * spread * wide, spread, phrase)]


def test_coverage_on_fresh_hands_is_what_was_asked_for() -> None:
    found = coverage_of(answers(2), factors_of(answers(1)))
    assert found["90"] == pytest.approx(90, abs=3)
    assert found["50"] == pytest.approx(50, abs=5)
    assert found["n_hands"] == 40


def test_hands_that_stray_twice_as_far_are_covered_less() -> None:
    found = coverage_of(answers(2, wide=2.0), factors_of(answers(1)))
    assert found["90"] < 80
    assert found["50"] < 35


def test_a_phrase_counts_once_whatever_its_length() -> None:
    """One long phrase inside, three short ones outside: a quarter is covered."""
    phrase = np.array([0] * 97 + [1, 2, 3])
    off = np.where(phrase == 0, 0.5, 2.0)[:, None, None] * np.ones((1, 1, 3))
    one = Answers(off, np.ones_like(off), phrase)
    assert coverage_of([one], {"68": [1.0] * 3})["68"] == 25.0


def test_the_spread_ranks_phrases() -> None:
    told = coverage_of(answers(3), factors_of(answers(1)))
    assert told["ranking"] > 1.5
