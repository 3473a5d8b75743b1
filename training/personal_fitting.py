"""Fit a style to examples: a linear head, boosted trees, and a stack weighed on phrases held back.

Frames of one curve are a handful of facts, so everything is weighed by seconds, folds hold whole phrases, and the
stack may fall back to the shipped curve. Deterministic: the same examples give the same style.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from phrasewright.data.cue import FAMILIES
from phrasewright.data.curves import LANES
from phrasewright.model.hearing import ROLES
from phrasewright.model.personal import VOICES, LaneModel, Style
from phrasewright.model.personal_features import RAW, Moments
from phrasewright.model.trees import Trees

Array = NDArray[np.float64]
Ints = NDArray[np.int64]

RIDGE = (10.0, 100.0, 1000.0)
"""Penalties tried, in frames' worth."""
N_FOLDS = 3
MARGIN_CC = 2.0
N_BINS = 63
LEAST_SPREAD = 0.3
FEW_PHRASES = 6.0
"""Phrases at which the stack found on held-back phrases weighs as much as the usual one."""
FIRST_STACK = np.array([0.0, 0.1, 0.05, 0.5, 0.35])
FAR = 1e300
_ROWS = ("shipped_cc", "target_cc", "weight_s", "phrase", "family", "frame")


@dataclass(frozen=True)
class Examples:
    """What a hand drew at moments of some parts.

    Parameters
    ----------
    moments : Moments
    shipped_cc, target_cc, weight_s : float arrays, (n_frames, 3)
        The shipped curve, the hand's, and the seconds a frame stands for times how much it says; weight 0 where the
        lane was not corrected.
    phrase : int array, (n_frames,)
        Number of the phrase each frame belongs to, across all cues.
    family, frame : int arrays, (n_frames,)
        Index into FAMILIES, and the number of the frame on the part's 10 ms grid.
    """

    moments: Moments
    shipped_cc: Array
    target_cc: Array
    weight_s: Array
    phrase: Ints
    family: Ints
    frame: Ints

    def only(self, mask: NDArray[np.bool_]) -> Examples:
        """The marked frames."""
        m = self.moments
        return Examples(
            Moments(m.raw[mask], m.basis[mask], m.role[mask]),
            *(getattr(self, name)[mask] for name in _ROWS),
        )

    @property
    def n_frames(self) -> int:
        return len(self.phrase)


def joined_examples(some: Sequence[Examples]) -> Examples:
    """Examples one after the other; phrases keep their numbers."""
    return Examples(
        Moments(
            np.concatenate([e.moments.raw for e in some]),
            np.concatenate([e.moments.basis for e in some]),
            np.concatenate([e.moments.role for e in some]),
        ),
        *(np.concatenate([getattr(e, name) for e in some]) for name in _ROWS),
    )


@dataclass(frozen=True)
class Fitted:
    """A style, and what it answers for phrases that were held back: (n_frames, 3), nan where none was."""

    style: Style
    held_out_cc: Array


def fit_style(
    examples: Examples, *, name: str, about: Mapping[str, Any], folds: Ints | None = None, final: bool = True
) -> Fitted:
    """Learn a style.

    Parameters
    ----------
    folds : int array, (n_frames,), optional
        The fold of each frame; without it phrases are dealt out.
    final : bool
        Whether to fit on everything after weighing; False keeps the style of no use but its held-out answers.
    """
    from threadpoolctl import threadpool_limits  # type: ignore[import-untyped, unused-ignore]

    folds = fold_of(examples.phrase) if folds is None else folds
    held_out = np.full(examples.target_cc.shape, np.nan)
    lanes = {}
    for lane, name_ in enumerate(LANES):
        known = examples.weight_s[:, lane] > 0
        if np.count_nonzero(known) < 20:
            continue
        with threadpool_limits(limits=1):  # small trees: threads wait for each other longer than they work
            model, answer = _fit_lane(examples.only(known), lane, folds[known], final=final)
        lanes[name_] = model
        held_out[known, lane] = answer
    style = Style(name, lanes, _evidence(examples), about)
    return Fitted(style, held_out)


def fold_of(phrase: Ints) -> Ints:
    """Deal out whole phrases to folds, the same way every time; one fold a phrase where there are few."""
    named, index = np.unique(phrase, return_inverse=True)
    n_folds = min(N_FOLDS, len(named))
    order = np.random.default_rng(len(named)).permutation(len(named))
    return np.asarray(order[index] % max(n_folds, 1), dtype=np.int64)


def _evidence(examples: Examples) -> Array:
    out = np.zeros((len(LANES), len(FAMILIES), len(ROLES)))
    for lane in range(len(LANES)):
        np.add.at(out[lane], (examples.family, examples.moments.role), examples.weight_s[:, lane])
    return out


def _fit_lane(e: Examples, lane: int, folds: Ints, *, final: bool) -> tuple[LaneModel, Array]:
    """The model of one lane and what it answers for held-back phrases."""
    target, weight, shipped = e.target_cc[:, lane], e.weight_s[:, lane], e.shipped_cc[:, lane]
    bounds = np.clip([target.min() - MARGIN_CC, target.max() + MARGIN_CC], 0.0, 127.0)
    numbers = np.unique(folds)
    voices = np.tile(shipped[:, None], (1, len(VOICES)))
    if len(numbers) > 1:
        penalty = _best_penalty(e, lane, folds, bounds)
        for number in numbers:
            out = folds == number
            model = _voices_fit(e.only(~out), lane, bounds, penalty)
            voices[out] = model.voices(e.only(out).moments, shipped[out])
        trust = len(np.unique(e.phrase)) / (len(np.unique(e.phrase)) + FEW_PHRASES)
        stack = trust * _stack(voices, target, weight) + (1.0 - trust) * FIRST_STACK
    else:
        penalty, stack = RIDGE[-1], FIRST_STACK
    answer = np.clip(voices @ stack, *bounds)
    off = np.array([_band_cc(answer - target, weight), _band_cc(shipped - target, weight)])
    if len(numbers) == 1:
        off[0] = off[1]
    if final:
        fitted = _voices_fit(e, lane, bounds, penalty)
    else:
        none = np.zeros(e.moments.basis.shape[1] + 1, np.float32)
        fitted = LaneModel(none, np.array([1.0, 0.0]), _empty(), _empty(), stack, bounds, off)
    return LaneModel(fitted.coefficients, fitted.level, fitted.trees, fitted.both, stack, bounds, off), answer


def _voices_fit(e: Examples, lane: int, bounds: Array, penalty: float) -> LaneModel:
    target, weight = e.target_cc[:, lane], e.weight_s[:, lane]
    coefficients = _ridge(e.moments.basis, target, weight, penalty)
    linear = np.clip(
        e.moments.basis.astype(np.float64) @ coefficients[:-1].astype(np.float64) + float(coefficients[-1]), *bounds
    )
    trees = _boost(e.moments.raw, target, weight)
    both = _boost(e.moments.raw, target - linear, weight)
    level = _level(e.shipped_cc[:, lane], target, weight)
    return LaneModel(coefficients, level, trees, both, np.full(len(VOICES), 0.2), bounds, np.zeros(2))


def _level(shipped: Array, target: Array, weight: Array) -> Array:
    """Gain and offset from the shipped curve to the hand's, the gain drawn towards 0 where little moved."""
    mean_x, mean_y = float(np.average(shipped, weights=weight)), float(np.average(target, weights=weight))
    power = float(np.average((shipped - mean_x) ** 2, weights=weight)) + 4.0
    gain = float(np.clip(np.average((shipped - mean_x) * (target - mean_y), weights=weight) / power, 0.0, 3.0))
    return np.array([gain, mean_y - gain * mean_x])


def _ridge(basis: NDArray[np.float32], target: Array, weight: Array, penalty: float) -> NDArray[np.float32]:
    """Weighted ridge regression on standardised columns; the penalty is in frames of mean weight."""
    x = basis.astype(np.float64)
    w = weight / weight.mean()
    mean, centre = np.average(x, axis=0, weights=w), float(np.average(target, weights=w))
    spread = np.sqrt(np.average((x - mean) ** 2, axis=0, weights=w))
    scale = np.hypot(spread, LEAST_SPREAD)  # what hardly moved here must not move all elsewhere
    z = (x - mean) / scale
    gram = (z * w[:, None]).T @ z + penalty * np.eye(x.shape[1])
    own: Array = np.linalg.solve(gram, (z * w[:, None]).T @ (target - centre)) / scale
    return np.asarray(np.r_[own, centre - mean @ own], dtype=np.float32)


def _best_penalty(e: Examples, lane: int, folds: Ints, bounds: Array) -> float:
    target, weight = e.target_cc[:, lane], e.weight_s[:, lane]
    lost = []
    for penalty in RIDGE:
        off = np.zeros(len(target))
        for number in np.unique(folds):
            out = folds == number
            c = _ridge(e.moments.basis[~out], target[~out], weight[~out], penalty)
            said = e.moments.basis[out].astype(np.float64) @ c[:-1].astype(np.float64) + float(c[-1])
            off[out] = np.abs(np.clip(said, *bounds) - target[out])
        lost.append(float(np.average(off, weights=weight)))
    return RIDGE[int(np.argmin(lost))]


def _boost(raw: NDArray[np.float32], target: Array, weight: Array) -> Trees:
    """Boosting over columns cut into bins beforehand: the library's own cutting with weights takes most of its time."""
    from sklearn.ensemble import HistGradientBoostingRegressor

    shares = np.linspace(0.0, 1.0, N_BINS + 1)[1:-1]
    edges, codes = [], np.empty(raw.shape, dtype=np.float32)
    for column, values in enumerate(raw.T):
        known = np.sort(values[np.isfinite(values)])
        at = np.minimum((shares * len(known)).astype(np.int64), len(known) - 1)
        cuts = np.unique(known[at]) if len(known) else known
        codes[:, column] = np.where(np.isfinite(values), np.searchsorted(cuts, values, side="left"), np.nan)
        edges.append(np.r_[cuts, np.inf].astype(np.float64))
    boosting = HistGradientBoostingRegressor(
        max_iter=100, learning_rate=0.1, max_leaf_nodes=20, min_samples_leaf=15, l2_regularization=1.0,
        max_bins=N_BINS + 1, max_features=0.5, early_stopping=False, random_state=0,
    )  # fmt: skip
    boosting.fit(codes, target, sample_weight=weight / weight.mean())
    trees = trees_of(boosting)
    widest = max(len(one) for one in edges)
    table = np.stack([np.pad(one, (0, widest - len(one)), constant_values=np.inf) for one in edges])
    cut = np.clip(np.floor(trees.threshold), 0, widest - 1).astype(np.int64)
    threshold = np.minimum(table[trees.feature, cut], FAR)
    return replace(trees, threshold=threshold)


def trees_of(boosting: Any) -> Trees:
    """scikit-learn's fitted HistGradientBoostingRegressor (squared error, no categories) as flat arrays."""
    rows, roots, n = [], [], 0
    for (predictor,) in boosting._predictors:
        nodes = predictor.nodes
        own = np.arange(len(nodes)) + n
        leaf = nodes["is_leaf"].astype(bool)
        roots.append(n)
        rows.append(
            (
                np.where(leaf, 0, nodes["feature_idx"]), np.where(leaf, 0.0, nodes["num_threshold"]),
                np.where(leaf, own, nodes["left"].astype(np.int64) + n),
                np.where(leaf, own, nodes["right"].astype(np.int64) + n), nodes["missing_go_to_left"],
                np.where(leaf, nodes["value"], 0.0),
            )
        )  # fmt: skip
        n += len(nodes)
    feature, threshold, left, right, missing, value = (np.concatenate(column) for column in zip(*rows, strict=True))
    return Trees(
        n_features=int(boosting.n_features_in_),
        base=np.asarray(boosting._baseline_prediction, dtype=np.float64).ravel(),
        roots=np.array(roots, dtype=np.int32),
        feature=feature.astype(np.int16),
        threshold=np.clip(threshold, -FAR, FAR),
        left=left.astype(np.int32),
        right=right.astype(np.int32),
        missing=missing.astype(np.uint8),
        value=value.astype(np.float64),
    )


def _empty() -> Trees:
    none, ints = np.zeros(0), np.zeros(0, np.int32)
    return Trees(len(RAW), np.zeros(1), ints, np.zeros(0, np.int16), none, ints, ints, np.zeros(0, np.uint8), none)


def _stack(voices: Array, target: Array, weight: Array) -> Array:
    """Weights of the voices, not negative and of sum 1, that lose least on held-back phrases (Frank and Wolfe 1956)."""
    w = weight / weight.sum()
    n = voices.shape[1]
    stack = np.r_[0.1, np.full(n - 1, 0.9 / (n - 1))]
    gram, aim = (voices * w[:, None]).T @ voices, (voices * w[:, None]).T @ target
    for _ in range(300):
        slope = gram @ stack - aim
        toward = np.eye(n)[int(np.argmin(slope))] - stack
        curve = float(toward @ gram @ toward)
        share = np.clip(-float(slope @ toward) / max(curve, 1e-12), 0.0, 1.0)
        stack = stack + share * toward
    stack = np.where(stack < 0.02, 0.0, stack)
    return np.asarray(stack / stack.sum())


def _band_cc(off: Array, weight: Array) -> float:
    """What 68 % of the weighted distances stay within."""
    order = np.argsort(np.abs(off))
    share = np.cumsum(weight[order]) / weight.sum()
    return float(np.abs(off)[order][min(int(np.searchsorted(share, 0.68)), len(off) - 1)])
