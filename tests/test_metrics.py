"""Metrics: hand-worked answers, and what must hold whatever the lanes."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from phrasewright.data.curves import Curve
from phrasewright.data.notes import Notes
from phrasewright.model.lanes import FRAME_S, frames_in
from phrasewright.model.metrics import (
    LanePair,
    correlation,
    depth_ratio,
    evaluate,
    evaluate_all,
    held_frames,
    lag_ms,
    lane_pair,
    phrase_ranges,
    phrase_sums,
    slope_agreement,
    slopes,
    sounding_frames,
)


def notes_at(*spans_s: tuple[float, float]) -> Notes:
    """Notes of pitch 60 at 1000 ticks a second."""
    span = np.array(sorted(spans_s)).reshape(-1, 2)
    tick = np.rint(span * 1000).astype(np.int64)
    return Notes(
        onset_s=span[:, 0].copy(),
        offset_s=span[:, 1].copy(),
        onset_beat=span[:, 0] * 2,
        offset_beat=span[:, 1] * 2,
        onset_tick=tick[:, 0].copy(),
        offset_tick=tick[:, 1].copy(),
        pitch=np.full(len(span), 60),
        velocity=np.full(len(span), 80),
    )


def curve(*points: tuple[float, float]) -> Curve:
    rows = np.array(points, dtype=float).reshape(-1, 2)
    return Curve(rows[:, 0].copy(), rows[:, 1].copy())


def pair_of(left: Curve, right: Curve, *, notes: Notes, phrases: list[tuple[float, float]] | None = None) -> LanePair:
    whole = [(float(notes.onset_s[0]), float(notes.offset_s.max()))]
    return lane_pair(left, right, notes=notes, phrases_s=np.array(whole if phrases is None else phrases))


def drawn(value_cc: np.ndarray, *, delay_s: float = 0.0) -> Curve:
    """One event every 20 ms."""
    return Curve(np.arange(len(value_cc)) * 0.02 + delay_s, np.asarray(value_cc, dtype=float))


def hand(n: int, seed: int) -> np.ndarray:
    """A lane of whole steps that wanders like a fader under a hand."""
    rng = np.random.default_rng(seed)
    smooth = np.convolve(rng.normal(size=n + 24), np.hanning(25), mode="valid")
    return np.clip(np.rint(64 + 6 * smooth), 0, 127)


def test_a_note_counts_from_50_ms_before_it_to_its_end() -> None:
    counted = sounding_frames(notes_at((1.0, 2.0)), n_frames=300)
    assert np.flatnonzero(counted).tolist() == list(range(95, 200))


def test_overlapping_notes_and_joins_count_once() -> None:
    counted = sounding_frames(notes_at((0.0, 1.0), (0.5, 0.8), (1.02, 1.5)), n_frames=200)
    assert np.flatnonzero(counted).tolist() == list(range(150))


@given(st.lists(st.tuples(st.integers(0, 400), st.integers(1, 90)), min_size=1, max_size=12))
def test_frames_in_spans_are_those_one_would_count_one_by_one(spans: list[tuple[int, int]]) -> None:
    edges = np.array([(a * FRAME_S, (a + n) * FRAME_S) for a, n in spans])
    inside = frames_in(edges, n_frames=500)
    assert inside.tolist() == [any(a <= i < a + n for a, n in spans) for i in range(500)]


def test_an_event_holds_from_its_own_frame_and_nothing_stands_before_the_first() -> None:
    held = held_frames(curve((0.02, 50), (0.05, 60), (0.05, 70)), n_frames=8)
    np.testing.assert_equal(held, [np.nan, np.nan, 50, 50, 50, 70, 70, 70])


def test_events_on_the_grid_stay_on_their_frame_in_spite_of_rounding() -> None:
    at = np.arange(1, 3000) * FRAME_S * (1 + 1e-12)
    held = held_frames(Curve(at, np.arange(1.0, 3000.0) % 128), n_frames=3000)
    np.testing.assert_equal(held[1:], np.arange(1, 3000) % 128)


def test_a_ramp_of_20_steps_a_second_has_slope_20() -> None:
    np.testing.assert_allclose(slopes(np.arange(100) * 20 * FRAME_S)[5:-5], 20.0)


def test_hand_worked_example() -> None:
    """One second of one note; left 60 then 70 at half a second, right 64 throughout the first half, then 72."""
    answer = evaluate(
        pair_of(curve((0, 60), (0.5, 70)), curve((0, 64), (0.5, 72)), notes=notes_at((0.0, 1.0)))
    )
    assert answer["n_frames"] == 100
    assert answer["mae"] == pytest.approx(3.0)  # half of it 4 apart, half 2
    assert answer["rmse"] == pytest.approx(np.sqrt(10.0))  # (16 + 4) / 2
    assert answer["bias"] == pytest.approx(3.0)
    assert answer["r"] == pytest.approx(1.0)
    assert answer["slope_agreement"] == 1.0
    assert answer["lag_ms"] == 0.0
    assert answer["depth_ratio"] == pytest.approx(0.8)  # the middle half spans 60..70 and 64..72


def test_lanes_before_their_first_event_do_not_count() -> None:
    pair = pair_of(curve((0, 60)), curve((0.4, 50)), notes=notes_at((0.0, 1.0)))
    answer = evaluate(pair)
    assert answer["n_frames"] == 60
    assert answer["mae"] == pytest.approx(10.0)
    assert np.all(pair.right_slope == 0)


def test_what_happens_in_rests_does_not_count() -> None:
    notes = notes_at((0.0, 1.0), (2.0, 3.0))
    quiet = evaluate(pair_of(curve((0, 60)), curve((0, 60)), notes=notes))
    noisy = evaluate(pair_of(curve((0, 60)), curve((0, 60), (1.1, 0), (1.9, 60)), notes=notes))
    assert quiet["mae"] == noisy["mae"] == 0


def test_equal_lanes_do_not_differ() -> None:
    lane = drawn(hand(200, 1))
    answer = evaluate(pair_of(lane, lane, notes=notes_at((0.0, 4.0))))
    assert answer == {
        "mae": 0.0,
        "rmse": 0.0,
        "bias": 0.0,
        "r": pytest.approx(1.0),
        "slope_agreement": 1.0,
        "lag_ms": 0.0,
        "depth_ratio": 1.0,
        "n_frames": 400,
    }


def test_a_constant_lane_has_no_correlation_no_lag_and_no_depth() -> None:
    flat, moving = curve((0, 60)), drawn(hand(200, 2))
    notes = notes_at((0.0, 4.0))
    answer = evaluate(pair_of(flat, moving, notes=notes))
    assert answer["r"] is answer["lag_ms"] is answer["depth_ratio"] is None
    assert answer["slope_agreement"] == 0.0
    other = evaluate(pair_of(moving, flat, notes=notes))
    assert other["r"] is other["lag_ms"] is None
    assert other["depth_ratio"] == 0.0
    still = evaluate(pair_of(flat, flat, notes=notes))
    assert still["slope_agreement"] is None


def test_no_frames_no_answers() -> None:
    answer = evaluate(pair_of(curve((5, 60)), curve((5, 60)), notes=notes_at((0.0, 4.0))))
    assert answer.pop("n_frames") == 0
    assert set(answer.values()) == {None}
    assert evaluate_all([])[1]["n_frames"] == 0


@settings(max_examples=30, deadline=None)
@given(st.integers(-50, 50), st.integers(0, 10_000))
def test_a_shifted_lane_has_that_lag(shift: int, seed: int) -> None:
    lane = hand(400, seed)
    left, right = drawn(lane, delay_s=1.0), drawn(lane, delay_s=1.0 + shift * FRAME_S)
    pair = pair_of(left, right, notes=notes_at((2.0, 8.0)))
    assert lag_ms(pair) == pytest.approx(shift * 10)


def test_the_lag_survives_another_level_and_depth() -> None:
    lane = hand(400, 7)
    right = Curve(np.arange(400) * 0.02 + 0.12, np.rint(20 + lane * 0.5))
    assert lag_ms(pair_of(drawn(lane), right, notes=notes_at((0.5, 7.5)))) == pytest.approx(120)


def test_of_equally_good_lags_the_smallest_is_named() -> None:
    """A lane that repeats every 200 ms fits at -400, -200, 0, 200 and 400 ms alike."""
    lane = drawn(np.tile([60, 64, 68, 70, 72, 70, 68, 64, 60, 58], 40))
    assert lag_ms(pair_of(lane, lane, notes=notes_at((1.0, 6.0)))) == 0.0


def test_slopes_agree_only_where_both_move_the_same_way() -> None:
    left = np.array([10.0, 10.0, -10.0, 0.0, 0.0, 4.0])
    right = np.array([30.0, -10.0, 0.0, 20.0, 0.0, 4.0])
    assert slope_agreement(left, right) == pytest.approx(1 / 4)  # the last two do not move over 5 steps a second


def test_depth_is_the_middle_phrase_not_the_loudest() -> None:
    phrase = np.repeat([0, 1, 2], 5)
    left = np.r_[np.arange(5) * 2, np.arange(5) * 4, np.arange(5) * 30].astype(float)
    ranges = phrase_ranges(left, phrase)
    assert ranges.tolist() == [4, 8, 60]
    assert depth_ratio(ranges, phrase_ranges(left / 2, phrase)) == pytest.approx(0.5)
    assert depth_ratio(phrase_ranges(np.zeros(15), phrase), ranges) is None
    assert depth_ratio(*2 * [phrase_ranges(left, np.full(15, -1))]) is None


@given(st.lists(st.lists(st.integers(0, 127), min_size=1, max_size=30), min_size=1, max_size=6))
def test_phrase_ranges_are_interquartile_ranges(phrases: list[list[int]]) -> None:
    value = np.concatenate([np.array(p, dtype=float) for p in phrases])
    number = np.repeat(np.arange(len(phrases)), [len(p) for p in phrases])
    expected = [np.subtract(*np.percentile(p, [75, 25])) for p in phrases]
    np.testing.assert_allclose(phrase_ranges(value, number), expected)


def test_the_sums_of_phrases_name_the_one_that_differs() -> None:
    notes = notes_at((0.0, 1.0), (1.0, 2.0))
    pair = pair_of(curve((0, 60)), curve((0, 60), (1, 45)), notes=notes, phrases=[(0.0, 1.0), (1.0, 2.0)])
    sums = phrase_sums(pair)
    assert sums.number.tolist() == [0, 1]
    assert sums.n.tolist() == [100, 100]
    assert (sums.error / sums.n).tolist() == [0, 15]
    assert (sums.difference / sums.n).tolist() == [0, -15]
    assert (sums.square / sums.n).tolist() == [0, 225]
    late = np.arange(len(pair.counted)) > 160  # frames are padded by 55 at either end
    assert phrase_sums(pair, among=late).number.tolist() == [1]


def test_pooled_frames_weigh_by_length() -> None:
    """Three seconds 2 steps apart and one second 10 apart are 4 apart on average, not 6."""
    long = pair_of(curve((0, 60)), curve((0, 62)), notes=notes_at((0.0, 3.0)))
    short = pair_of(curve((0, 60)), curve((0, 70)), notes=notes_at((0.0, 1.0)))
    answer = evaluate_all([long, short])[1]
    assert answer["n_frames"] == 400
    assert answer["mae"] == pytest.approx(4.0)
    assert answer["r"] is None


def test_pooled_depth_counts_every_phrase() -> None:
    notes = notes_at((0.0, 2.0))
    deep = pair_of(drawn(np.linspace(40, 80, 100)), drawn(np.linspace(40, 60, 100)), notes=notes)
    answer = evaluate_all([deep, deep, deep])[1]
    assert answer["depth_ratio"] == pytest.approx(0.5, abs=0.02)


@settings(max_examples=20, deadline=None)
@given(st.integers(0, 10_000))
def test_parts_together_answer_as_one_part_that_plays_them_in_turn(seed: int) -> None:
    """Two parts, and one part whose notes and lanes are theirs one after the other with a long rest between."""
    lanes = [(hand(200, seed + k), hand(200, seed + k + 9)) for k in range(2)]
    pairs = [pair_of(drawn(a), drawn(b), notes=notes_at((0.0, 3.9))) for a, b in lanes]
    rest = 100  # two seconds in which the last value holds
    one = [np.r_[lanes[0][side], np.repeat(lanes[0][side][-1], rest), lanes[1][side]] for side in (0, 1)]
    notes = notes_at((0.0, 3.9), (6.0, 9.9))
    whole = pair_of(drawn(one[0]), drawn(one[1]), notes=notes, phrases=[(0.0, 3.9), (6.0, 9.9)])
    inside = whole.counted & (whole.phrase >= 0)  # not the 50 ms before the second entry, which only the one part has
    apart, together = evaluate_all(pairs)[1], evaluate(replace(whole, counted=inside))
    assert apart["n_frames"] == together["n_frames"]
    for name in ("mae", "rmse", "bias", "r", "depth_ratio"):
        assert apart[name] == pytest.approx(together[name], abs=1e-9)


@settings(max_examples=20, deadline=None)
@given(st.integers(-40, 40), st.integers(0, 10_000))
def test_pooling_keeps_the_lag_all_parts_share(shift: int, seed: int) -> None:
    pairs = []
    for k in range(3):
        lane = hand(300, seed + k)
        right = drawn(lane, delay_s=1.0 + shift * FRAME_S)
        pairs.append(pair_of(drawn(lane, delay_s=1.0), right, notes=notes_at((2.0, 6.0))))
    assert evaluate_all(pairs)[1]["lag_ms"] == pytest.approx(shift * 10)


@settings(max_examples=30, deadline=None)
@given(st.integers(0, 10_000))
def test_swapping_the_files_mirrors_the_answers(seed: int) -> None:
    left, right = drawn(hand(200, seed)), drawn(hand(200, seed + 1))
    notes = notes_at((0.0, 4.0))
    there, back = evaluate(pair_of(left, right, notes=notes)), evaluate(pair_of(right, left, notes=notes))
    for name in ("mae", "rmse", "r", "slope_agreement", "n_frames"):
        assert there[name] == pytest.approx(back[name])
    assert there["bias"] == pytest.approx(-back["bias"])
    assert there["mae"] <= there["rmse"] + 1e-9
    assert abs(there["bias"]) <= there["mae"] + 1e-9


def test_rows_that_do_not_fit_are_refused() -> None:
    row, mask = np.zeros(200), np.zeros(200, dtype=bool)
    number = np.zeros(200, dtype=np.int64)
    with pytest.raises(ValueError, match="equal rows"):
        LanePair(row, row[1:], row, row, mask, number)
    with pytest.raises(ValueError, match="finite"):
        LanePair(row, np.full(200, np.nan), row, row, mask, number)
    with pytest.raises(ValueError, match="uncounted frames at either end"):
        LanePair(row, row, row, row, ~mask, number)
    with pytest.raises(ValueError, match="without events"):
        pair_of(Curve(np.zeros(0), np.zeros(0)), curve((0, 60)), notes=notes_at((0.0, 1.0)))


def test_correlation_never_leaves_its_range() -> None:
    lane = np.array([0.1, 0.2, 0.30000001])
    assert correlation(lane, lane * 3) == pytest.approx(1.0)
    assert correlation(lane, lane * 3) <= 1.0
