"""Hands to learn from: the rules, each with its own depths, times and centres, less the movement nobody can foresee.

A hand departs from the default along the directions of `model/departures.py`; the vector of departures is the network's
style input.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from phrasewright.model.departures import MOST, N_STYLE, departed
from phrasewright.model.parameters import DEFAULT, RuleParameters
from phrasewright.model.prediction import foreseeable


@dataclass(frozen=True)
class Hand:
    """Rules with their own parameters, and the departures (n_style,) that made them, in standard deviations."""

    parameters: RuleParameters
    style: NDArray[np.float32]


def default_hand() -> Hand:
    """The rules as shipped, without residual movement."""
    return Hand(foreseeable(DEFAULT), np.zeros(N_STYLE, dtype=np.float32))


def drawn_hand(rng: np.random.Generator) -> Hand:
    """A hand drawn around the default."""
    style = np.clip(rng.normal(size=N_STYLE), -MOST, MOST).astype(np.float32)
    return Hand(foreseeable(departed(DEFAULT, style)), style)
