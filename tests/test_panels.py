"""What stands on a page is what the file holds: staircases, names, shades."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from phrasewright.data.curves import Curve
from phrasewright.inference.panels import LANE_COLOUR, Page, clock, pitch_name, staircase, velocity_shades


def page(start_s: float, end_s: float) -> Page:
    """A page whose axis is in seconds."""
    nothing = np.zeros(0)
    return Page(start_s, end_s, np.asarray, nothing.astype(np.int64), nothing, nothing, 1.0)


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


def test_pitches_have_the_names_of_scores() -> None:
    assert [pitch_name(p) for p in (60, 61, 59, 21, 108)] == ["C4", "C\u266f4", "B3", "A0", "C8"]


def test_clock_times() -> None:
    assert [clock(t) for t in (0, 2.5, 59.96, 61, 600)] == ["0:00", "0:02.5", "1:00", "1:01", "10:00"]


def test_louder_notes_are_darker_whatever_the_eye() -> None:
    shades = velocity_shades(np.arange(1, 128)).sum(axis=1)
    assert np.all(np.diff(shades) <= 0)
    assert shades[100] < shades[30]
    assert np.all((velocity_shades(np.array([0, 127])) >= 0) & (velocity_shades(np.array([0, 127])) <= 1))


@pytest.mark.parametrize("lane", LANE_COLOUR)
def test_lanes_stand_out_from_paper(lane: str) -> None:
    """Contrast with white of at least 4.5 to 1, as for text (Web Content Accessibility Guidelines 2.1, 1.4.3)."""
    channel = np.array([int(LANE_COLOUR[lane][i : i + 2], 16) / 255 for i in (1, 3, 5)])
    linear = np.where(channel <= 0.04045, channel / 12.92, ((channel + 0.055) / 1.055) ** 2.4)
    assert 1.05 / (linear @ [0.2126, 0.7152, 0.0722] + 0.05) >= 4.5
