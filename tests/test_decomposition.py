"""Level, depth and timing of a correction are told apart, and saving a file in a sequencer corrects nothing."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from phrasewright.model.lanes import FRAME_S
from phrasewright.training.decomposition import decompose, differs, level_only

T = np.arange(600) * FRAME_S


def arc(depth: float = 18.0, centre: float = 70.0) -> np.ndarray:
    """Six seconds: an arc with dips at joins."""
    dips = sum(np.exp(-(((T - at) / 0.06) ** 2)) for at in (1.0, 2.0, 3.5, 4.5))
    return np.rint(centre + depth * np.sin(np.pi * T / 6.0) - 10 * dips)


def held(values: np.ndarray, every: int) -> np.ndarray:
    """The lane with an event every so many frames only."""
    return values[np.arange(len(values)) // every * every]


@settings(max_examples=25, deadline=None)
@given(level=st.floats(-25, 25), depth=st.floats(0.5, 1.6), lag=st.integers(-15, 15))
def test_each_change_is_found_as_it_was_made(level: float, depth: float, lag: int) -> None:
    base = 70 + 18 * np.sin(np.pi * T / 3.0)
    moved = np.interp(T - lag * FRAME_S, T, base)
    left = base.mean() + level + depth * (moved - base.mean())
    told = decompose(base, left)
    assert told.level_cc == pytest.approx(left.mean() - base.mean(), abs=0.05)
    assert told.depth == pytest.approx(depth, rel=0.1)
    unexplained_cc = np.sqrt(np.mean(told.residual_cc**2))
    if told.lag_s == 0.0:
        assert unexplained_cc < 1.5  # too little to tell
    else:
        assert told.lag_s == pytest.approx(lag * FRAME_S, abs=0.04)
    assert unexplained_cc < 2.5


def test_the_split_adds_up() -> None:
    base, left = arc(), arc(depth=9.0, centre=60.0) + 4 * np.sin(T * 7)
    told = decompose(base, left)
    assert told.lag_s == 0.0
    again = base.mean() + told.level_cc + told.depth * (base - base.mean()) + told.residual_cc
    assert again == pytest.approx(left, abs=1e-9)


def test_flat_lanes_have_no_timing() -> None:
    flat = np.full(300, 64.0)
    assert decompose(flat, arc()[:300]).depth == 1.0
    assert decompose(arc()[:300], flat).depth == 0.0
    assert decompose(flat, flat + 5).level_cc == 5.0
    with pytest.raises(ValueError, match="equal rows"):
        decompose(flat, flat[:10])


@pytest.mark.parametrize("every", [2, 3, 5])
@pytest.mark.parametrize("ticks", [0, 2])
def test_thinning_and_rounding_of_ticks_is_no_correction(every: int, ticks: int) -> None:
    saved = np.roll(held(arc(), every), ticks)
    saved[:ticks] = saved[ticks]
    assert not differs(arc(), saved)
    rounded = np.rint(arc() / 3) * 3
    assert not differs(arc(), rounded)


def test_what_a_hand_does_is_a_correction() -> None:
    deeper = arc() - 12 * np.exp(-(((T - 2.0) / 0.15) ** 2))
    assert differs(arc(), deeper)  # one dip of one join
    assert differs(arc(), arc(depth=26.0))
    assert differs(arc(), arc() + 5)
    assert differs(arc(), np.interp(T - 0.25, T, arc()))


def test_a_lane_moved_up_is_a_trim_even_at_the_end_of_its_range() -> None:
    assert level_only(arc(), arc() - 11) == pytest.approx(-11)
    high = arc(centre=100.0)
    assert level_only(high, np.minimum(high + 16, 127)) == pytest.approx(16)
    assert level_only(arc(), arc(depth=30.0) + 11) is None
