"""Ticks, seconds, quarter notes and bars agree with each other and with the arithmetic of scores."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from phrasewright.data.tempo import TempoMap, smpte_map, tempo_map

maps = st.builds(
    lambda tempi, metres, division: tempo_map(tempi, metres, ticks_per_beat=division),
    st.lists(st.tuples(st.integers(0, 50_000), st.integers(1000, 16_777_215)), max_size=6),
    st.lists(st.tuples(st.integers(0, 50_000), st.integers(1, 15), st.sampled_from([1, 2, 4, 8, 16, 32])), max_size=6),
    st.sampled_from([24, 96, 480, 960, 32_767]),
)


@given(tempo=maps, ticks=st.lists(st.integers(0, 5_000_000), min_size=1, max_size=20))
def test_ticks_survive_the_way_to_seconds_and_beats_and_back(tempo: TempoMap, ticks: list[int]) -> None:
    tick = np.array(sorted(ticks))
    second = tempo.tick_to_s(tick)
    assert np.all(np.diff(second) >= 0)
    assert np.array_equal(tempo.s_to_tick(second), tick)
    np.testing.assert_allclose(tempo.s_to_beat(second), tempo.tick_to_beat(tick), rtol=1e-9, atol=1e-6)
    np.testing.assert_allclose(tempo.beat_to_s(tempo.tick_to_beat(tick)), second, rtol=1e-9, atol=1e-9)


@given(tempo=maps, bars=st.lists(st.integers(1, 400), min_size=1, max_size=20))
def test_a_bar_begins_on_its_downbeat(tempo: TempoMap, bars: list[int]) -> None:
    tick = tempo.bar_to_tick(bars)
    at = tempo.tick_to_bar(tick)
    assert np.all(np.abs(at - bars) <= 0.5 / tempo.bar_ticks.min() + 1e-6)


def test_a_file_that_says_nothing_is_in_4_4_at_120() -> None:
    tempo = tempo_map([], [], ticks_per_beat=96)
    assert tempo.tick_to_s(96) == pytest.approx(0.5)
    assert tempo.tick_to_bar(4 * 96) == 2
    assert tempo.beat_length_s(7.0) == 0.5
    assert tempo.bar_length_s(7.0) == 2.0


def test_a_ritardando_in_steps_adds_up() -> None:
    tempo = tempo_map([(0, 500_000), (960, 1_000_000), (1440, 2_000_000)], [], ticks_per_beat=480)
    np.testing.assert_allclose(tempo.tick_to_s([480, 960, 1440, 1920]), [0.5, 1.0, 2.0, 4.0])
    np.testing.assert_allclose(tempo.beat_length_s(np.array([0.9, 1.0, 3.0])), [0.5, 1.0, 2.0])


def test_tempi_may_come_in_any_order_and_the_last_at_a_tick_counts() -> None:
    tempo = tempo_map([(480, 250_000), (0, 400_000), (0, 1_000_000)], [], ticks_per_beat=480)
    np.testing.assert_allclose(tempo.tick_to_s([480, 960]), [1.0, 1.25])


def test_beats_are_counted_in_the_metres_own_unit() -> None:
    tempo = tempo_map([], [(0, 6, 8), (2 * 288, 3, 4)], ticks_per_beat=96)
    assert tempo.bar_and_beat(0) == (1, 1.0)
    assert tempo.bar_and_beat(288 + 3 * 48) == (2, pytest.approx(4.0))
    assert tempo.bar_and_beat(2 * 288 + 2 * 96 + 48) == (3, pytest.approx(3.5))


def test_bars_follow_the_metre_whatever_the_beat() -> None:
    tempo = tempo_map([], [(0, 6, 8), (2 * 288, 3, 4), (2 * 288 + 288, 5, 8)], ticks_per_beat=96)
    np.testing.assert_allclose(tempo.bar_to_tick([1, 2, 3, 4, 5]), [0, 288, 576, 864, 1104])
    assert tempo.tick_to_bar(576 + 144) == 3.5


def test_a_metre_that_begins_inside_a_bar_begins_a_new_bar() -> None:
    tempo = tempo_map([], [(0, 4, 4), (480, 3, 4)], ticks_per_beat=96)  # after five quarters
    np.testing.assert_allclose(tempo.tick_to_bar([384, 480, 768]), [2, 3, 4])


def test_film_frames_are_seconds_and_have_no_bars() -> None:
    tempo = smpte_map(25 * 40)  # 25 frames of 40 ticks
    assert tempo.tick_to_s(1000) == pytest.approx(1.0)
    assert tempo.s_to_tick(1.5) == 1500
    assert not tempo.has_metre
