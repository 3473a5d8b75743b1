"""The rules fitted to corrections: departures along the hands' directions and an offset a lane (Gauss and Newton).

Few numbers, with what is usual among hands as a prior, so that a few seconds of music suffice; the strongest thing that
can be said without any network. Deterministic. Units: controller steps, seconds.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from phrasewright.data.curves import LANES
from phrasewright.model.departures import MOST, N_STYLE, FittedRules, departed
from phrasewright.model.hearing import CueHearing
from phrasewright.model.parameters import DEFAULT, RuleParameters
from phrasewright.model.prediction import foreseeable
from phrasewright.model.rules import raw_cc

Array = NDArray[np.float64]
Ints = NDArray[np.int64]

MOST_PARTS = 8
"""Parts looked at, spread over all there are: more do not move sixteen numbers."""
MOST_FRAMES = 1500
"""Frames of each."""
_STEP = 0.5
_ITERATIONS = 2
MOST_OFFSET_CC = 127.0
_OFFSET_SD_CC, _LEAST_SD_CC = 20.0, 2.0
_HALVINGS = 4


@dataclass(frozen=True)
class DrawnPart:
    """Frames of a part and what a hand drew there: `target_cc` and `weight_s`, each (n_frames, 3), no plan in them;
    `fold`, (n_frames,), says what is held back together."""

    hearing: CueHearing
    index: int
    frame: Ints
    target_cc: Array
    weight_s: Array
    fold: Ints


def fit_rules(drawn: Sequence[DrawnPart]) -> tuple[FittedRules, dict[int, FittedRules]]:
    """Departures and offsets that come nearest to what was drawn, squared, each departure held towards 0; and for each
    fold the same without it (one step from the whole, where the rules are taken as straight)."""
    some = [_thinned(one) for one in _spread(drawn)]
    target = np.concatenate([one.target_cc for one in some])
    weight = np.concatenate([one.weight_s for one in some])
    fold = np.concatenate([one.fold for one in some])
    style = np.zeros(N_STYLE)
    said = _said(some, style)
    offset = _mean(target - said, weight)
    for _ in range(_ITERATIONS):
        slope = np.stack([(_said(some, style + step) - said) / _STEP for step in _STEP * np.eye(N_STYLE)], axis=2)
        off = target - said - offset
        share = weight / np.maximum(np.sqrt(_mean(off**2, weight)), _LEAST_SD_CC) ** 2
        toward, toward_offset = _solved(slope, off, share, style, offset)
        before = _lost(off, share, style, offset)
        for halving in range(_HALVINGS):
            tried, moved = np.clip(style + toward / 2.0**halving, -MOST, MOST), offset + toward_offset / 2.0**halving
            answer = _said(some, tried)
            if _lost(target - answer - moved, share, tried, moved) < before:
                style, offset, said = tried, moved, answer
                break
        else:
            break
    apart = {}
    for number in np.unique(fold).tolist():
        kept = share * (fold != number)[:, None]
        step, step_offset = _solved(slope, target - said - offset, kept, style, offset)
        apart[number] = _rules(style + step, offset + step_offset)
    return _rules(style, offset), apart


def _rules(style: Array, offset: Array) -> FittedRules:
    return FittedRules(np.clip(style, -MOST, MOST).astype(np.float32), np.clip(offset, -MOST_OFFSET_CC, MOST_OFFSET_CC))


def _spread(drawn: Sequence[DrawnPart]) -> list[DrawnPart]:
    there = [one for one in drawn if len(one.frame)]
    at = np.unique(np.linspace(0, len(there) - 1, min(len(there), MOST_PARTS)).round().astype(int))
    return [there[i] for i in at.tolist()]


def _thinned(one: DrawnPart) -> DrawnPart:
    every = slice(None, None, -(-len(one.frame) // MOST_FRAMES))
    target_cc, weight_s = one.target_cc[every], one.weight_s[every]
    return DrawnPart(one.hearing, one.index, one.frame[every], target_cc, weight_s, one.fold[every])


def _said(some: Sequence[DrawnPart], style: Array) -> Array:
    """What the rules say at all frames, shape (n_frames, 3)."""
    parameters = foreseeable(departed(DEFAULT, style.astype(np.float32)))
    return np.concatenate([_said_of(one, parameters) for one in some])


def _said_of(one: DrawnPart, parameters: RuleParameters) -> Array:
    frames, at = np.unique(one.frame, return_inverse=True)  # a passage drawn twice stands there twice
    return raw_cc(one.hearing, one.index, frames, parameters=parameters)[at]


def _solved(slope: Array, off: Array, share: Array, style: Array, offset: Array) -> tuple[Array, Array]:
    """The step of all departures and offsets that would be best if everything were straight."""
    n = N_STYLE + len(LANES)
    gram, aim = np.diag(np.r_[np.ones(N_STYLE), np.full(len(LANES), _OFFSET_SD_CC**-2.0)]), np.r_[-style, -offset]
    aim[N_STYLE:] *= _OFFSET_SD_CC**-2.0
    for lane in range(len(LANES)):
        x = np.zeros((len(off), n))
        x[:, :N_STYLE] = slope[:, lane]
        x[:, N_STYLE + lane] = 1.0
        weighed = x * share[:, lane, None]
        gram += weighed.T @ x
        aim += weighed.T @ off[:, lane]
    step: Array = np.linalg.solve(gram, aim)
    return step[:N_STYLE], step[N_STYLE:]


def _lost(off: Array, share: Array, style: Array, offset: Array) -> float:
    return float((share * off**2).sum() + (style**2).sum() + (offset**2).sum() / _OFFSET_SD_CC**2)


def _mean(value: Array, weight: Array) -> Array:
    """Weighted mean of each lane, 0 where nothing is known; shape (3,)."""
    return np.asarray((value * weight).sum(axis=0) / np.maximum(weight.sum(axis=0), 1e-9))
