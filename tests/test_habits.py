"""Habits of a hand: dips, vibrato's beginning, movement in held notes; by hand on small lanes."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from drawn_cues import Line, write_cue
from hypothesis import given
from hypothesis import strategies as st

from phrasewright.data.curves import Curve
from phrasewright.data.reading import read_cue
from phrasewright.model.habits import Habit, Occurrences, dips_cc, habits_of, occurrences
from phrasewright.model.hearing import PartHearing
from phrasewright.model.listening import hear
from phrasewright.model.metrics import lane_pair

LONG = [(60 + 2 * i, 4.0 * i, 4.0, 80) for i in range(5)]  # two seconds each, joined


@pytest.fixture
def heard(tmp_path: Path) -> PartHearing:
    return hear(read_cue(write_cue(tmp_path / "cue.mid", Line("Violin", 40, LONG)))).parts[0]


def curve(*points: tuple[float, float]) -> Curve:
    rows = np.array(points, dtype=float)
    return Curve(rows[:, 0].copy(), rows[:, 1].copy())


def found(heard: PartHearing, left: Curve, right: Curve, lane: str = "dynamics") -> dict[str, Occurrences]:
    spans = np.array([(p.start_s, p.end_s) for p in heard.phrases])
    pair = lane_pair(left, right, notes=heard.part.notes, phrases_s=spans)
    return {one.name: one for one in occurrences(pair, heard.attacks, lane=lane)}


def test_a_dip_is_what_both_sides_stand_above() -> None:
    rows = [
        [60, 60, 52, 58, 58],
        [60, 58, 56, 54, 52],
        [50, 55, 60, 65, 70],
        [60, 50, 60, 45, 60],
        [70, 70, 70, 70, 70],
    ]
    assert dips_cc(np.array(rows, dtype=float)).tolist() == [6, 0, 0, 15, 0]
    assert dips_cc(np.zeros((0, 5))).tolist() == []


@given(st.lists(st.integers(0, 127), min_size=3, max_size=31), st.integers(-20, 20), st.sampled_from([1, 2, 3]))
def test_a_dip_ignores_level_grows_with_depth_and_reads_backwards_alike(row: list[int], by: int, times: int) -> None:
    value = np.array([row], dtype=float)
    assert dips_cc(value + by) == pytest.approx(dips_cc(value))
    assert dips_cc(value * times) == pytest.approx(times * dips_cc(value))
    assert dips_cc(value[:, ::-1]) == pytest.approx(dips_cc(value))


def test_each_join_is_measured_once_in_both_drawings(heard: PartHearing) -> None:
    deep = curve((0.0, 80), *((t, v) for i in range(1, 5) for t, v in ((2.0 * i - 0.05, 70), (2.0 * i + 0.05, 80))))
    joins = found(heard, deep, curve((0.0, 80)))["join_dip_cc"]
    assert joins.left.tolist() == [10, 10, 10, 10]
    assert joins.right.tolist() == [0, 0, 0, 0]


def test_vibrato_begins_where_half_of_its_rise_is_made(heard: PartHearing) -> None:
    def swelling(delay_s: float) -> Curve:
        return curve(
            *((t, v) for i in range(5) for t, v in ((2.0 * i, 10), (2.0 * i + delay_s, 40), (2.0 * i + 1.2, 50)))
        )

    delays = found(heard, swelling(0.6), swelling(0.25), "vibrato")["vibrato_delay_s"]
    assert delays.left == pytest.approx(np.full(5, 0.6))
    assert delays.right == pytest.approx(np.full(5, 0.25))


def test_a_note_without_vibrato_has_no_delay(heard: PartHearing) -> None:
    assert not len(found(heard, curve((0.0, 30)), curve((0.0, 30)), "vibrato")["vibrato_delay_s"].left)


def test_movement_in_held_notes_is_steps_a_second(heard: PartHearing) -> None:
    """One step every tenth of a second, up and down, is ten steps a second."""
    restless = curve(*((0.1 * k, 60 + k % 2) for k in range(101)))
    held = found(heard, restless, curve((0.0, 60)))["held_movement_cc_per_s"]
    assert held.left == pytest.approx(np.full(5, 10.0), rel=0.08)
    assert held.right.tolist() == [0, 0, 0, 0, 0]


def test_what_differs_from_phrase_to_phrase_by_chance_does_not_count() -> None:
    phrase = np.repeat(np.arange(8), 5)
    left, sign = np.full(40, 10.0), np.where(phrase % 2 == 0, 4.0, -4.0)
    chance = habits_of([[Occurrences("join_dip_cc", "dynamics", phrase, left, left + sign)]])[0]
    sure = habits_of([[Occurrences("join_dip_cc", "dynamics", phrase, left, left - 4 + 0.2 * sign)]])[0]
    assert not chance.differs
    assert sure.differs
    assert sure.right == pytest.approx(6.0)
    assert sure.interval is not None
    assert sure.interval[0] < -4 < sure.interval[1]


def test_phrases_of_two_parts_are_not_the_same_phrase() -> None:
    one = Occurrences("join_dip_cc", "dynamics", np.zeros(6, dtype=np.int64), np.full(6, 8.0), np.full(6, 4.0))
    assert habits_of([[one]])[0].interval is None  # a single phrase says nothing of chance
    assert habits_of([[one], [one]])[0] == Habit("join_dip_cc", "dynamics", 8.0, 4.0, 12, (-4.0, -4.0))
