"""A lane holds its value until the next event, as a player of MIDI does."""

from __future__ import annotations

import numpy as np
import pytest

from phrasewright.data.curves import Curve


def test_a_value_holds_until_the_next_event_and_nothing_is_known_before_the_first() -> None:
    curve = Curve(np.array([1.0, 2.0, 2.0]), np.array([40.0, 60.0, 70.0]))
    np.testing.assert_array_equal(curve.at(np.array([0.5, 1.0, 1.99, 2.0, 9.0])), [np.nan, 40, 40, 70, 70])


def test_an_empty_lane_is_nowhere_defined() -> None:
    assert np.isnan(Curve(np.zeros(0), np.zeros(0)).at(np.array([0.0, 1.0]))).all()


def test_lanes_are_checked_when_built_and_cannot_be_changed() -> None:
    with pytest.raises(ValueError, match="two equal rows"):
        Curve(np.zeros(2), np.zeros(3))
    with pytest.raises(ValueError, match="must not decrease"):
        Curve(np.array([1.0, 0.5]), np.zeros(2))
    with pytest.raises(ValueError, match="read-only"):
        Curve(np.zeros(1), np.zeros(1)).value_cc[0] = 3
