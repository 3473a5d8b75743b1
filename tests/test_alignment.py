"""One cue's time in another's: anchors, and the way that joins most of them."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from mangler import Voice, bars_cut, lines, moved_from

from phrasewright.data.alignment import anchors, chain_of, cue_knots, foretold, ready, running_median


def melody(seed: int = 0, n: int = 160) -> Voice:
    random = np.random.default_rng(seed)
    pitch = 60 + np.cumsum(random.integers(-4, 5, n)) % 24
    return Voice("Oboe", 68, np.arange(n), np.arange(n) * 1.0, np.full(n, 0.8), pitch)


@settings(max_examples=60, deadline=None)
@given(st.lists(st.tuples(st.integers(0, 6), st.integers(0, 6), st.integers(1, 4)), max_size=9))
def test_no_chain_is_heavier(points: list[tuple[int, int, int]]) -> None:
    x, y, weight = (np.array([p[k] for p in points], dtype=np.float64) for k in range(3))
    chain = chain_of(x, y, weight.astype(np.int64))
    assert np.all(np.diff(x[chain]) > 0)
    assert np.all(np.diff(y[chain]) > 0)
    best = 0.0
    for subset in range(1 << len(points)):
        some = [i for i in range(len(points)) if subset >> i & 1]
        some.sort(key=lambda i: x[i])
        if np.all(np.diff(x[some]) > 0) and np.all(np.diff(y[some]) > 0):
            best = max(best, float(weight[some].sum()))
    assert weight[chain].sum() == best


def test_knots_jump_where_bars_were_inserted() -> None:
    before = (melody(),)
    after = moved_from(before, 80.0, 16.0)
    a, b = [ready(line) for line in lines(before)], [ready(line) for line in lines(after)]
    knots = cue_knots(a, b, [(0, 0)])
    offset = knots[:, 1] - knots[:, 0]
    assert offset == pytest.approx(16.0 * (knots[:, 0] >= 80.0))
    left, right = foretold(np.array([10.0, 120.0]), knots)
    assert left == pytest.approx([10.0, 136.0])
    assert right == pytest.approx([10.0, 136.0])


def test_a_repeated_strain_is_not_taken_for_another() -> None:
    once = melody(n=40)
    pitch = np.tile(once.pitch, 4)
    voice = Voice("Oboe", 68, np.arange(160), np.arange(160) * 1.0, np.full(160, 0.8), pitch)
    cut = bars_cut((voice,), np.random.default_rng(2))
    a, b = [ready(line) for line in lines((voice,))], [ready(line) for line in lines(cut)]
    knots = cue_knots(a, b, [(0, 0)])
    assert len(np.unique(np.round(knots[:, 1] - knots[:, 0]))) <= 2
    assert np.all(np.diff(knots[:, 1]) > 0)


def test_repeated_notes_anchor_nothing() -> None:
    still = Voice("Timpani", 47, np.arange(50), np.arange(50) * 0.25, np.full(50, 0.2), np.full(50, 48))
    (line,) = [ready(line) for line in lines((still,))]
    assert len(anchors(line, line)) == 0


def test_the_median_follows_a_trend_to_its_ends() -> None:
    trend = np.arange(30.0)
    assert running_median(trend) == pytest.approx(trend)
    assert running_median(np.array([5.0])).tolist() == [5.0]
