"""The shaped expression beside five lanes that somebody drew by hand.

Source: `midi/testPrimitive/test04.mid` in the installed music21 (CC11 of flute, oboe, clarinet, bassoon, horn). Nearly
all of it lies on single held notes: swells to the top in one to four seconds, and fades of the first and the last
chord. Notes alone do not tell which, so only what they do tell is held here; `training/hand_drawn.py` prints the rest.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from phrasewright.model.hearing import CueHearing
from phrasewright.model.lanes import DenseLanes
from phrasewright.model.prediction import network_lanes
from phrasewright.model.rules import rules_lanes
from phrasewright.training.hand_drawn import EXPRESSION, Stretches, agreement, hand_drawn

Drawn = tuple[CueHearing, list[Stretches]]


@pytest.fixture(scope="module")
def drawn() -> Drawn:
    return hand_drawn()


def test_five_players_are_found_with_their_swells_to_the_top(drawn: Drawn) -> None:
    _, parts = drawn
    assert [part.name for part in parts] == ["Flute", "Oboe", "Clarinet", "Bassoon", "Horn"]
    flute = parts[0]
    swells = [flute.value_cc[flute.stretch == k] for k in np.unique(flute.stretch)]
    short = [swell for swell in swells if len(swell) < 200]
    assert len(short) >= 6
    assert all(70 <= swell[0] <= 95 and swell.max() == 127 for swell in short)


@pytest.mark.parametrize("lanes", [rules_lanes, network_lanes], ids=["rules", "network"])
def test_the_last_chord_fades_as_the_players_drew_it(
    drawn: Drawn, lanes: Callable[[CueHearing, int], DenseLanes]
) -> None:
    hearing, parts = drawn
    for part in parts:
        lane = np.rint(lanes(hearing, part.index).value_cc[:, EXPRESSION])
        last = part.stretch == part.stretch.max()
        assert np.corrcoef(part.value_cc[last], lane[part.frames[last]])[0, 1] > 0.4
        assert lane[part.frames[last][-1]] < lane[part.frames[last][100]] - 8


def test_shaping_is_nearer_to_the_hands_than_a_flat_line(drawn: Drawn) -> None:
    """With an offset a part taken off either; a little, for what they drew is not in the notes."""
    hearing, parts = drawn
    nearer = []
    for part in parts:
        flat = np.abs(part.value_cc - np.median(part.value_cc)).mean()
        nearer.append(flat - agreement(part, rules_lanes(hearing, part.index).value_cc[:, EXPRESSION])[0])
    assert np.mean(nearer) > 0
    assert np.count_nonzero(np.array(nearer) > 0) >= 3
