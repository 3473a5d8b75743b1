"""The head alone: a hand that was shown is followed where it was not, and the figures say so."""

from __future__ import annotations

import numpy as np
from played_lines import line, solo_line

from phrasewright.model.hearing import CueHearing
from phrasewright.model.parameters import DEFAULT
from phrasewright.model.prediction import foreseeable
from phrasewright.model.rules import raw_lanes
from phrasewright.training.head_evaluation import Views, head_figures
from phrasewright.training.material import Span

LENGTHS = [1.0, 0.5, 0.5, 2.0] * 9


def loud(hearing: CueHearing, index: int, *, seed: int = 0, noise: bool = True) -> np.ndarray:
    """The rules, louder and half as deep, with an arm's unsteadiness."""
    value = raw_lanes(hearing, index, parameters=foreseeable(DEFAULT)).value_cc
    shake = np.random.default_rng(seed).normal(0, 1.0, value.shape) if noise else 0.0
    return np.asarray(value.mean(axis=0) + 12.0 + 0.5 * (value - value.mean(axis=0)) + shake)


def test_a_line_that_was_shown_teaches_another() -> None:
    tunes = ([67, 69, 71, 72, 74, 72, 71, 69, 67, 64, 65, 67] * 3, [64, 67, 66, 69, 71, 74, 72, 69, 71, 67, 66, 64] * 3)
    shown, asked = (Span(solo_line(line(tune, LENGTHS)), 0, 0.0, np.inf) for tune in tunes)
    views = Views()
    found = head_figures(loud, [shown], [asked], views=views)
    assert np.all(found["mae"][:2] < 2.5)
    assert np.all(found["mae"][:2] < 0.3 * 12.0)
    assert 0.6 < found["life"][0]["energy"] < 1.6
    assert 90.0 < found["covered"][90] <= 100.0
    less = head_figures(loud, [Span(shown.hearing, 0, 0.0, 2.0)], [asked], views=views)
    assert less["mae"].mean() > found["mae"].mean()
