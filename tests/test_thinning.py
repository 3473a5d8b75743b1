"""Staircases: as near to the curve as a controller can be, within the limits of what may be sent."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from phrasewright.model.reversals import reversal_positions
from phrasewright.model.thinning import Staircase, Stretches, slew_limited, thin

SPACING = 1.77
"""Frames between events at 480 ticks a quarter note and 120 quarter notes a minute."""


def stretches(*curves: NDArray[np.float64], limit: float = 6.0, spacing: float = SPACING) -> Stretches:
    value = np.concatenate(curves)
    begin = np.cumsum([0, *(len(c) for c in curves)])
    lanes = np.arange(len(curves))
    return Stretches(
        value, begin, np.full(len(value), spacing), np.full(len(value), limit), lanes, np.zeros_like(lanes)
    )


def held(stairs: Staircase, curve: NDArray[np.float64]) -> NDArray[np.float64]:
    """What a player has at each frame."""
    i = np.searchsorted(stairs.position, np.arange(len(curve)), side="right") - 1
    values = stairs.value_cc if len(stairs.value_cc) else np.zeros(1, dtype=np.int64)
    return np.where(i >= 0, values[np.maximum(i, 0)], np.rint(curve[0])).astype(np.float64)


@st.composite
def slow_curves(draw: st.DrawFn) -> NDArray[np.float64]:
    """Sums of slow waves: never faster than 100 steps a second."""
    n = draw(st.integers(50, 800))
    t = np.arange(n) / 100
    curve = np.full(n, draw(st.floats(40.0, 90.0)))
    fastest = 0.0
    for _ in range(draw(st.integers(1, 4))):
        rate = draw(st.floats(0.05, 3.0))
        depth = draw(st.floats(0.0, 15.0))
        fastest += 2 * np.pi * rate * depth
        curve = curve + depth * np.sin(2 * np.pi * rate * t + draw(st.floats(0.0, 6.0)))
    centre = curve.mean()
    return np.asarray(centre + (curve - centre) * min(1.0, 90.0 / max(fastest, 1e-9)))


@settings(max_examples=50, deadline=None)
@given(slow_curves())
def test_slow_curves_are_followed_within_one_step(curve: NDArray[np.float64]) -> None:
    stairs = thin(stretches(curve))
    off = np.abs(held(stairs, curve) - curve)[:-2]
    turning = np.abs(np.diff(curve, 2)) > 0.05  # where a fast curve turns, no placing of events can do it
    assert off[1:][~turning[: len(off) - 1]].max() <= 1.05
    assert off.max() <= 1.4
    assert np.mean(off > 1.02) < 0.02


@settings(max_examples=50, deadline=None)
@given(st.integers(0, 2**32 - 1), st.integers(2, 600), st.floats(0.0, 30.0), st.sampled_from([6.0, 12.0, 127.0]))
def test_no_curve_breaks_the_limits(seed: int, n: int, noise: float, limit: float) -> None:
    rng = np.random.default_rng(seed)
    curve = np.clip(70 + np.cumsum(rng.normal(0, 1, n)) + rng.normal(0, noise, n), 12, 118)
    stairs = thin(stretches(curve, limit=limit))
    assert np.all(np.diff(stairs.position) >= SPACING - 1e-9)
    step = np.abs(np.diff(np.r_[np.rint(curve[0]), stairs.value_cc]))
    assert step.max(initial=0) <= limit
    assert stairs.value_cc.min(initial=60) >= 12
    assert stairs.value_cc.max(initial=60) <= 118
    turns = np.array(reversal_positions(stairs.position, stairs.value_cc))
    assert len(turns) <= 12 or np.all(turns[12:] - turns[:-12] > 100)


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 2**32 - 1), st.integers(2, 6))
def test_stretches_do_not_touch_each_other(seed: int, count: int) -> None:
    """Thinning many together gives what thinning each alone gives."""
    rng = np.random.default_rng(seed)
    curves = [70 + np.cumsum(rng.normal(0, rng.uniform(0.1, 3), int(rng.integers(2, 300)))) for _ in range(count)]
    together = thin(stretches(*curves))
    for i, curve in enumerate(curves):
        alone = thin(stretches(curve))
        mine = together.stretch == i
        assert np.allclose(together.position[mine], alone.position)
        assert np.array_equal(together.value_cc[mine], alone.value_cc)
    on_one_axis = together.position + np.cumsum([0, *map(len, curves)])[together.stretch]
    assert np.all(np.diff(on_one_axis) > 0)  # no ties, of which a processor could make what it likes


def test_a_held_note_needs_few_events() -> None:
    """A drift of a few steps a second takes about as many events."""
    t = np.arange(1000) / 100
    curve = 70 + 2.5 * np.sin(2 * np.pi * 0.7 * t) + 1.5 * np.sin(2 * np.pi * 0.31 * t)
    stairs = thin(stretches(curve))
    travel = np.abs(np.diff(curve)).sum()
    assert 0.6 * travel < len(stairs.position) < 1.1 * travel
    assert np.abs(held(stairs, curve) - curve).mean() < 0.35


def test_hovering_at_a_half_step_does_not_chatter() -> None:
    curve = 70.5 + 0.1 * np.sin(np.arange(1000) / 3)
    assert len(thin(stretches(curve)).position) <= 2


@pytest.mark.parametrize("slope", [120.0, 200.0, 270.0])
def test_fast_curves_get_events_at_the_full_rate_at_their_value(slope: float) -> None:
    curve = 20 + np.minimum(np.arange(200) * slope / 100, 90.0)
    stairs = thin(stretches(curve))
    ramp = stairs.position < 90 / slope * 100
    assert np.diff(stairs.position[ramp]).max() < 1.2 * SPACING
    at = np.interp(stairs.position[ramp], np.arange(200), curve)
    assert np.abs(stairs.value_cc[ramp] - at).max() <= 1.0


def test_a_jump_is_walked_in_steps_of_six() -> None:
    curve = np.r_[np.full(20, 40.0), np.full(80, 100.0)]
    stairs = thin(stretches(curve))
    assert np.diff(np.r_[40, stairs.value_cc]).max() <= 6
    assert stairs.value_cc[-1] == 100
    assert stairs.position[-1] < 20 + 12 * SPACING + 2


def test_a_gesture_takes_steps_of_twelve_but_three_events() -> None:
    deep = np.r_[np.full(20, 90.0), np.full(10, 50.0), np.full(40, 90.0)]
    steps = np.diff(np.r_[90, thin(stretches(deep, limit=12.0)).value_cc])
    assert 9 <= np.abs(steps).max() <= 12
    for depth in (8.0, 11.0, 14.0, 18.0, 22.0, 30.0):
        curve = np.r_[np.full(20, 90.0), np.full(40, 90.0 - depth)]
        steps = np.diff(np.r_[90, thin(stretches(curve, limit=12.0)).value_cc])
        assert steps.sum() == -depth
        assert np.abs(steps).max() <= 6 or len(steps) >= 3


def test_silence_lets_a_lane_jump_at_once() -> None:
    curve = np.r_[np.full(20, 40.0), np.full(80, 100.0)]
    limit = np.full(100, 6.0)
    limit[15:30] = 127.0
    stairs = thin(replace(stretches(curve), limit_cc=limit))
    assert stairs.value_cc.tolist() == [100]


def test_the_slew_limit_leaves_slow_curves_alone() -> None:
    curve = 70 + 10 * np.sin(np.arange(500) / 30)
    assert np.array_equal(slew_limited(stretches(curve)), curve)


def dips(depths: list[float], *, every: int, half: int = 9) -> NDArray[np.float64]:
    """A level of 80 with a rounded dip of each depth, so many frames from one to the next."""
    curve = np.full(every * (len(depths) + 1), 80.0)
    bell = np.cos(np.arange(-half, half + 1) / half * np.pi / 2) ** 2
    for k, depth in enumerate(depths, start=1):
        curve[k * every - half : k * every + half + 1] -= depth * bell
    return curve


def depth_kept(curve: NDArray[np.float64], *, every: int) -> NDArray[np.float64]:
    """How deep each dip is once written, below the lower of what stands to its sides."""
    written = held(thin(stretches(curve, limit=12.0)), curve)
    at = np.arange(1, len(curve) // every) * every
    inner = written[at[:, None] + np.arange(-5, 8)].min(axis=1)
    return np.minimum(written[at - every // 2], written[at + every // 2]) - inner


@pytest.mark.parametrize("depth", [2.0, 2.4, 3.0, 3.6, 4.5, 6.0])
def test_shallow_dips_keep_their_depth(depth: float) -> None:
    """Joins of a gentle hand, on levels that lie anywhere between two steps."""
    kept = [depth_kept(dips([depth] * 6, every=60) + shift, every=60) for shift in np.arange(0.0, 1.0, 0.1)]
    assert np.mean(kept) >= (0.9 if depth == 2.0 else 0.95) * depth


def test_where_joins_come_too_fast_the_strongest_keep_their_depth() -> None:
    """Eight joins a second are sixteen turns, and twelve are allowed: the shallow ones become shallower."""
    depths = [12.0, 6.0, 9.0, 6.0] * 5
    kept = depth_kept(dips(depths, every=12, half=5), every=12)
    strong, weak = kept[np.array(depths) > 8], kept[np.array(depths) < 8]
    assert np.median(strong) >= 7.0
    assert 3.0 <= np.median(weak) <= 5.0


def test_a_crowded_place_leaves_the_rest_of_its_lane_alone() -> None:
    calm = dips([8.0] * 5, every=60)
    both = np.concatenate([calm, dips([8.0] * 24, every=12, half=5)])
    assert np.array_equal(held(thin(stretches(both)), both)[:240], held(thin(stretches(calm)), calm)[:240])
