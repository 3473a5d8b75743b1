"""What stands on a page is what the file holds: bars, beats, staircases."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from drawn_cues import Line, write_cue
from hypothesis import given
from hypothesis import strategies as st

from phrasewright.data.curves import Curve
from phrasewright.data.reading import read_cue
from phrasewright.inference.page import LEAST_WIDTH, Page, clock, page_of, staircase, together


def page(start_s: float, end_s: float) -> Page:
    """A page whose axis is in seconds."""
    nothing = np.zeros(0)
    return Page(start_s, end_s, np.asarray, nothing.astype(np.int64), {}, nothing, nothing, 1.0)


def test_a_lane_is_drawn_as_a_staircase() -> None:
    x, y = staircase(Curve(np.array([0.0, 1.0, 2.0]), np.array([40.0, 50.0, 45.0])), page(0.0, 4.0))
    assert x.tolist() == [0, 1, 1, 2, 2, 4]
    assert y.tolist() == [40, 40, 50, 50, 45, 45]


def test_the_value_from_before_the_page_holds_into_it() -> None:
    x, y = staircase(Curve(np.array([0.0, 3.0]), np.array([40.0, 50.0])), page(1.0, 4.0))
    assert x.tolist() == [1, 3, 3, 4]
    assert y.tolist() == [40, 40, 50, 50]


def test_nothing_is_drawn_before_the_first_event() -> None:
    x, _ = staircase(Curve(np.array([3.0]), np.array([50.0])), page(1.0, 4.0))
    assert x.tolist() == [3, 4]
    x, y = staircase(Curve(np.array([9.0]), np.array([50.0])), page(1.0, 4.0))
    assert len(x) == len(y) == 0


@given(st.lists(st.tuples(st.floats(0, 20), st.integers(0, 127)), min_size=1, max_size=20), st.floats(0, 20))
def test_a_staircase_shows_the_value_a_device_holds(points: list[tuple[float, int]], at_s: float) -> None:
    points.sort(key=lambda point: point[0])
    curve = Curve(np.array([t for t, _ in points]), np.array([float(v) for _, v in points]))
    x, y = staircase(curve, page(0.0, 20.5))
    held = float(curve.at(np.array([at_s]))[0])
    at = int(np.searchsorted(x, at_s, side="right")) - 1
    if np.isnan(held):
        assert at < 0
    else:
        assert y[at] == held


def test_clock_times() -> None:
    assert [clock(t) for t in (0, 2.5, 59.96, 61, 600)] == ["0:00", "0:02.5", "1:00", "1:01", "10:00"]


def test_bars_and_beats_of_a_waltz(tmp_path: Path) -> None:
    cue = read_cue(write_cue(tmp_path / "waltz.mid", Line("Oboe", 68, [(72, 0.0, 9.0, 80)]), metre=(3, 4)))
    waltz = page_of(cue, start_s=1.5, end_s=4.5)
    assert waltz.bar.tolist() == [2, 3, 4]
    assert waltz.bar_x.tolist() == [3, 6, 9]
    assert waltz.beat_x.tolist() == [4, 5, 7, 8]
    assert (waltz.right - waltz.left) * waltz.inch_per_x == LEAST_WIDTH
    assert waltz.cut(0.0, 2.0) == (3, 4)
    assert waltz.cut(0.0, 1.0) is None


def test_a_beat_is_the_metre_s_own(tmp_path: Path) -> None:
    cue = read_cue(write_cue(tmp_path / "jig.mid", Line("Oboe", 68, [(72, 0.0, 3.0, 80)]), metre=(6, 8)))
    assert page_of(cue, start_s=0.0, end_s=1.5).beat_x.tolist() == [0.5, 1, 1.5, 2, 2.5]


def test_the_difference_of_two_lanes_is_taken_where_both_have_a_value() -> None:
    left, right = Curve(np.array([0.0, 2.0]), np.array([40.0, 50.0])), Curve(np.array([1.0]), np.array([45.0]))
    x, left_cc, right_cc = together(left, right, page(0.0, 4.0))
    assert x.tolist() == [1, 2, 2, 4, 4]
    assert left_cc.tolist() == [40, 40, 50, 50, 50]
    assert right_cc.tolist() == [45] * 5
