"""Names, shades and colours of a page: readable without colour."""

from __future__ import annotations

import numpy as np
import pytest

from phrasewright.inference.panels import LANE_COLOUR, pitch_name, velocity_shades


def test_pitches_have_the_names_of_scores() -> None:
    assert [pitch_name(p) for p in (60, 61, 59, 21, 108)] == ["C4", "C\u266f4", "B3", "A0", "C8"]


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
