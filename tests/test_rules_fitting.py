"""The rules fitted to corrections: a hand made of rules is found again, and nothing held back is looked at."""

from __future__ import annotations

import numpy as np
import pytest
from learned_cues import write_cue

from phrasewright.data.reading import read_cue
from phrasewright.model.departures import MOST, N_STYLE, STYLE_NAMES, departed
from phrasewright.model.hearing import CueHearing
from phrasewright.model.limits import sounding_frames
from phrasewright.model.listening import hear
from phrasewright.model.parameters import DEFAULT
from phrasewright.model.prediction import foreseeable
from phrasewright.model.rules import raw_lanes
from phrasewright.training.rules_fitting import DrawnPart, fit_rules


@pytest.fixture(scope="module")
def cue(tmp_path_factory: pytest.TempPathFactory) -> CueHearing:
    return hear(read_cue(write_cue(tmp_path_factory.mktemp("cue") / "cue.mid", seed=3, n_phrases=4)))


def drawn(cue: CueHearing, style: np.ndarray, *, offset_cc: float = 0.0) -> list[DrawnPart]:
    """What a hand of rules draws over both parts, phrase after phrase in two folds."""
    made = []
    for index in range(2):
        lanes = raw_lanes(cue, index, parameters=foreseeable(departed(DEFAULT, style))).value_cc + offset_cc
        frame = np.flatnonzero(sounding_frames(cue, index, len(lanes)))[::3]
        fold = np.arange(len(frame)) * 4 // len(frame) % 2
        made.append(DrawnPart(cue, index, frame, lanes[frame], np.full((len(frame), 3), 0.03), fold))
    return made


def off_cc(cue: CueHearing, some: list[DrawnPart], style: np.ndarray, offset_cc: np.ndarray) -> float:
    parameters = foreseeable(departed(DEFAULT, style))
    said = [raw_lanes(cue, one.index, parameters=parameters).value_cc[one.frame] + offset_cc for one in some]
    return float(np.mean([np.abs(own - one.target_cc).mean() for own, one in zip(said, some, strict=True)]))


def test_a_hand_made_of_rules_is_found_again(cue: CueHearing) -> None:
    style = np.zeros(N_STYLE, dtype=np.float32)
    style[STYLE_NAMES.index("arc_depth")], style[STYLE_NAMES.index("join_depth")] = 1.5, -1.5
    some = drawn(cue, style, offset_cc=-9.0)
    found, _ = fit_rules(some)
    assert found.style[STYLE_NAMES.index("arc_depth")] > 0.7
    assert found.style[STYLE_NAMES.index("join_depth")] < -0.4
    assert off_cc(cue, some, found.style, found.offset_cc) < 0.2 * off_cc(cue, some, 0 * style, np.zeros(3))
    again, _ = fit_rules(some)
    assert np.array_equal(again.style, found.style)


def test_what_is_held_back_is_not_looked_at(cue: CueHearing) -> None:
    """The second fold is drawn 30 steps higher: rules fitted without it know nothing of that."""
    some = drawn(cue, np.zeros(N_STYLE, dtype=np.float32))
    for one in some:
        one.target_cc[one.fold == 1] += 30.0
    found, apart = fit_rules(some)
    assert set(apart) == {0, 1}
    assert np.abs(apart[1].offset_cc[:2]).max() < 6.0
    assert apart[0].offset_cc[:2].min() > 20.0
    assert np.all(np.abs(found.style) <= MOST)
