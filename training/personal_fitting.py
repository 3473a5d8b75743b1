"""Fit a style to examples: a linear head, boosted trees, and a stack weighed on phrases held back. Colour lanes get
trees over what the rules leave, as far as these help on phrases held back.

Frames of one curve are a handful of facts, so everything is weighed by seconds, folds hold whole phrases, and the
stack may fall back to the shipped curve. Deterministic: the same examples give the same style.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from phrasewright.data.cue import FAMILIES
from phrasewright.data.curves import ALL_LANES, LANES
from phrasewright.model.departures import N_STYLE, FittedRules
from phrasewright.model.evidence import fitted_head, head_prior
from phrasewright.model.hearing import ROLES
from phrasewright.model.personal import FORESTS, VOICES, ColourModel, LaneModel, Style, columns_of
from phrasewright.model.personal_features import Moments
from phrasewright.model.trees import Trees
from phrasewright.training.boosting import Binned, Boosting, binned, boost, no_trees

Array = NDArray[np.float64]
Ints = NDArray[np.int64]

RIDGE = (10.0, 30.0, 100.0, 300.0, 1000.0, 3000.0)
"""Penalties tried, in frames' worth."""
N_FOLDS = 3
MARGIN_CC = 2.0
LEAST_SPREAD = 0.3
FEW_PHRASES = 6.0
"""Phrases at which the stack found on held-back phrases weighs as much as the usual one."""
FIRST_STACK = np.array([0.0, 0.0, 0.0, 0.5, 0.0, 0.2, 0.3])
"""The usual stack: flat between trees and the evidence network's head on the hands kept for choices."""
STACKED = tuple(voice for voice in VOICES if voice != "both")
"""Voices with a say: beside the evidence network the linear head's own trees bring nothing (within .5 % on the hands
kept for choices) and cost time."""
LEAST_SHARE = 0.03
"""Voices with less of a say have none: a forest takes time, whatever it counts."""
ROWS, ROWS_HELD = (12_000, 40_000), (6_000, 20_000)
"""Least and most frames that a forest sees, on everything and while phrases are held back; between them, half and a
third of all. One frame in three does as well as all: neighbours say the same."""
LEAVES, FRAMES_A_LEAF = (8, 20), 1000
"""Fewest and most leaves of a tree, and how many frames there are for each between."""
COLOUR_SHARES, FEW_COLOURED = (0.0, 0.25, 0.5, 0.75, 1.0), 2.0
"""Shares of what trees add to a colour lane's rules that are tried on phrases held back, and phrases at which half of
the best one counts."""
NO_RULES = FittedRules(np.zeros(N_STYLE, dtype=np.float32), np.zeros(len(LANES)))
_CHUNK = 8192
_ROWS = ("shipped_cc", "target_cc", "weight_s", "phrase", "family", "frame", "dynamics_cc")


@dataclass(frozen=True)
class Examples:
    """What a hand drew at moments of some parts.

    Parameters
    ----------
    moments : Moments
    shipped_cc, target_cc, weight_s : float arrays, (n_frames, len(ALL_LANES))
        The shipped curve (of colour lanes the rules'), the hand's, and the seconds a frame stands for times how much
        it says; weight 0 where the lane was not corrected.
    phrase : int array, (n_frames,)
        Number of the phrase each frame belongs to, across all cues.
    family, frame : int arrays, (n_frames,)
        Index into FAMILIES, and the number of the frame on the part's 10 ms grid.
    dynamics_cc : float array, (n_frames,)
        Dynamics as they stand there, plan and all: the hand's, else the shipped.
    """

    moments: Moments
    shipped_cc: Array
    target_cc: Array
    weight_s: Array
    phrase: Ints
    family: Ints
    frame: Ints
    dynamics_cc: Array

    def only(self, mask: NDArray[Any]) -> Examples:
        """Some of the frames, by mask or number."""
        m = self.moments
        return Examples(
            Moments(m.raw[mask], m.basis[mask], m.role[mask], None if m.deep is None else m.deep[mask]),
            *(getattr(self, name)[mask] for name in _ROWS),
        )

    @property
    def n_frames(self) -> int:
        """How many, of all parts together."""
        return len(self.phrase)


def joined_examples(some: Sequence[Examples]) -> Examples:
    """Examples one after the other; phrases keep their numbers."""
    return Examples(
        Moments(
            np.concatenate([e.moments.raw for e in some]),
            np.concatenate([e.moments.basis for e in some]),
            np.concatenate([e.moments.role for e in some]),
            np.concatenate([e.moments.deep for e in some if e.moments.deep is not None]),
        ),
        *(np.concatenate([getattr(e, name) for e in some]) for name in _ROWS),
    )


@dataclass(frozen=True)
class Fitted:
    """A style, and what it answers for phrases that were held back.

    Parameters
    ----------
    style : Style
    held_out_cc : float array, (n_frames, len(ALL_LANES))
        nan where nothing was held back.
    voices_cc : float array, (n_frames, 3, len(VOICES))
        What each voice says there.
    """

    style: Style
    held_out_cc: Array
    voices_cc: Array


def fit_style(
    examples: Examples,
    *,
    name: str,
    about: Mapping[str, Any],
    folds: Ints | None = None,
    rules: FittedRules | None = None,
    all_voices: bool = False,
) -> Fitted:
    """Learn a style: voices weighed on phrases held back, then fitted to everything.

    Voices that cost time and help little on phrases held back are left out of all lanes.

    Parameters
    ----------
    folds : int array, (n_frames,), optional
        The fold of each frame; without it phrases are dealt out.
    rules : FittedRules, optional
        The rules fitted to the same corrections; without it the default ones.
    all_voices : bool
        Fit forests without a say too, for those who ask them apart.
    """
    from threadpoolctl import threadpool_limits  # type: ignore[import-untyped, unused-ignore]

    folds = fold_of(examples.phrase) if folds is None else folds
    held_out = np.full(examples.target_cc.shape, np.nan)
    voices = np.full((len(held_out), len(LANES), len(VOICES)), np.nan)
    lanes, colours = {}, {}
    with threadpool_limits(limits=1):  # small trees: threads wait for each other longer than they work
        rows = binned(examples.moments.raw)
        for lane, name_ in enumerate(ALL_LANES):
            known = examples.weight_s[:, lane] > 0
            if np.count_nonzero(known) < 20:
                continue
            if name_ not in LANES:
                model, held_out[known, lane] = _coloured(examples.only(known), lane, folds[known])
                if model is not None:
                    colours[name_] = model
                continue
            fit = _LaneFit(examples.only(known), lane, rows.only(known), folds[known])
            stack = fit.stack()
            lanes[name_] = fit.model(stack, all_voices=all_voices)
            voices[known, lane], held_out[known, lane] = fit.voices, fit.answer(stack)
    evidence = np.stack([_evidence(examples, lane) for lane in range(len(LANES))])
    style = Style(name, lanes, evidence, about, rules or NO_RULES, colours=colours)
    return Fitted(style, held_out, voices)


def fold_of(phrase: Ints) -> Ints:
    """Deal out whole phrases to folds, the same way every time; one fold a phrase where there are few."""
    named, index = np.unique(phrase, return_inverse=True)
    n_folds = min(N_FOLDS, len(named))
    order = np.random.default_rng(len(named)).permutation(len(named))
    return np.asarray(order[index] % max(n_folds, 1), dtype=np.int64)


def _evidence(examples: Examples, lane: int) -> Array:
    """Weighted seconds of a lane, by number, of each family and role, (len(FAMILIES), len(ROLES))."""
    out = np.zeros((len(FAMILIES), len(ROLES)))
    np.add.at(out, (examples.family, examples.moments.role), examples.weight_s[:, lane])
    return out


def _coloured(e: Examples, lane: int, folds: Ints) -> tuple[ColourModel | None, Array]:
    """The fit of a colour lane, None where the rules do as well, and what it says of held-back phrases, (n_frames,)."""
    target, weight, ruled = e.target_cc[:, lane], e.weight_s[:, lane], e.shipped_cc[:, lane]
    columns = columns_of(e.moments.raw, ruled, e.dynamics_cc)
    rows, off, held = binned(columns), target - ruled, np.zeros(len(target))
    numbers, n_phrases = np.unique(folds), len(np.unique(e.phrase))

    def grown(own: Ints, bounds: tuple[int, int]) -> Trees:
        few = Boosting(n_leaves=_most(len(own) / FRAMES_A_LEAF, LEAVES))
        some = own[:: -(-len(own) // _most(len(target) / 2, bounds))]
        return boost(rows.only(some), off[some], weight[some], how=few)

    share = n_phrases / (n_phrases + FEW_COLOURED)
    if len(numbers) > 1:
        for k in numbers.tolist():
            held[folds == k] = grown(np.flatnonzero(folds != k), ROWS_HELD).predict(columns[folds == k])
        share *= COLOUR_SHARES[int(np.argmin([weight @ np.abs(off - part * held) for part in COLOUR_SHARES]))]
    answer = ruled + share * held
    if share == 0.0:
        return None, answer
    bounds = np.clip([target.min() - MARGIN_CC, target.max() + MARGIN_CC], 0.0, 127.0)
    error = np.array([_band_cc(said - target, weight) for said in (answer, ruled)])
    trees = grown(np.arange(len(target)), ROWS)
    trees = replace(trees, base=share * trees.base, value=share * trees.value)
    return ColourModel(trees, bounds, error, _evidence(e, lane)), answer


class _LaneFit:
    """The fit of one lane; `voices` is what each voice says for held-back phrases, (n_frames, len(VOICES))."""

    def __init__(self, e: Examples, lane: int, rows: Binned, folds: Ints) -> None:
        self.e, self.rows, self.prior, self.lane = e, rows, head_prior(), lane
        self.target, self.weight, self.shipped = e.target_cc[:, lane], e.weight_s[:, lane], e.shipped_cc[:, lane]
        self.bounds = np.clip([self.target.min() - MARGIN_CC, self.target.max() + MARGIN_CC], 0.0, 127.0)
        self.numbers = np.unique(folds)
        self.voices = np.tile(self.shipped[:, None], (1, len(VOICES)))
        self.penalty, self.whole = RIDGE[-1], _Normal.of(e.moments.basis, self.target, self.weight)
        if len(self.numbers) > 1:
            parts = {k: _Normal.of(e.moments.basis[folds == k], self.target[folds == k], self.weight[folds == k])
                     for k in self.numbers.tolist()}  # fmt: skip
            self.penalty = self._penalty({k: self.whole - part for k, part in parts.items()}, folds)
            for k, part in parts.items():
                out = folds == k
                most = _most(len(self.target) / 3, ROWS_HELD)
                model = self._fitted(np.flatnonzero(~out), self.whole - part, most, FORESTS)
                self.voices[out] = model.voices(e.only(out).moments, self.shipped[out])

    def stack(self) -> Array:
        """Weights of the voices."""
        own = [VOICES.index(voice) for voice in STACKED]
        stack = np.zeros(len(VOICES))
        stack[own] = FIRST_STACK[own] / FIRST_STACK[own].sum()
        if len(self.numbers) > 1:
            n_phrases = len(np.unique(self.e.phrase))
            trust = n_phrases / (n_phrases + FEW_PHRASES)
            stack[own] = trust * stacked(self.voices[:, own], self.target, self.weight) + (1.0 - trust) * stack[own]
            stack = np.where(stack < LEAST_SHARE, 0.0, stack)
        return np.asarray(stack / stack.sum())

    def answer(self, stack: Array) -> Array:
        """What a stack says of held-back phrases, (n_frames,)."""
        return np.asarray(np.clip(self.voices @ stack, *self.bounds))

    def model(self, stack: Array, *, all_voices: bool) -> LaneModel:
        """The lane fitted to everything; forests without a say only with `all_voices`."""
        off = [_band_cc(said - self.target, self.weight) for said in (self.answer(stack), self.shipped)]
        if len(self.numbers) == 1:
            off[0] = off[1]
        asked = [name for name, voice in FORESTS.items() if all_voices or stack[voice] > 0.0]
        most = _most(len(self.target) / 2, ROWS)
        fitted = self._fitted(np.arange(len(self.target)), self.whole, most, asked)
        return replace(fitted, stack=stack, error_cc=np.array(off))

    def _fitted(self, own: Ints, normal: _Normal, most: int, asked: Iterable[str]) -> LaneModel:
        """All voices fitted to some of the frames, and of the forests those that are asked for."""
        some = own[:: -(-len(own) // most)]
        rows, target, weight = self.rows.only(some), self.target[some], self.weight[some]
        few = Boosting(n_leaves=_most(len(own) / FRAMES_A_LEAF, LEAVES))
        none = no_trees(self.rows.n_columns)
        model = LaneModel(
            coefficients=normal.solved(self.penalty),
            level=_level(self.shipped[own], self.target[own], self.weight[own]),
            head=self._head(own), trees=none, both=none, deep=none,
            stack=np.full(len(VOICES), 1.0 / len(VOICES)), range_cc=self.bounds, error_cc=np.zeros(2),
        )  # fmt: skip
        moments, before = self.e.moments, {"trees": np.zeros(len(some))}
        assert moments.deep is not None
        before["both"] = model.linear_cc(moments.basis[some])
        before["deep"] = np.clip(model.led_cc(moments.deep[some]), *self.bounds)
        grown: dict[str, Any] = {name: boost(rows, target - before[name], weight, how=few) for name in asked}
        return replace(model, **grown)

    def _head(self, own: Ints) -> Array:
        """The head over the evidence network's view after some of the frames."""
        deep = self.e.moments.deep
        assert deep is not None
        return fitted_head(
            self.prior, lane=self.lane, features=deep[own], target_cc=self.target[own], weight_s=self.weight[own]
        ).mean

    def _penalty(self, others: Mapping[int, _Normal], folds: Ints) -> float:
        """The penalty that loses least on held-back phrases."""
        off = np.zeros((len(RIDGE), len(self.target)))
        for k, normal in others.items():
            out = folds == k
            for row, penalty in enumerate(RIDGE):
                said = np.clip(_linear(self.e.moments.basis[out], normal.solved(penalty)), *self.bounds)
                off[row, out] = np.abs(said - self.target[out])
        return RIDGE[int(np.argmin(off @ self.weight))]


def _most(wanted: float, bounds: tuple[int, int]) -> int:
    return int(np.clip(wanted, *bounds))


def _linear(basis: NDArray[np.float32], coefficients: NDArray[np.float32]) -> Array:
    return np.asarray(basis @ coefficients[:-1], dtype=np.float64) + float(coefficients[-1])


@dataclass(frozen=True)
class _Normal:
    """Weighted sums over frames from which any ridge regression follows; sums of parts add up.

    `gram` (n + 1, n + 1) and `aim` (n + 1,) of the columns and a constant, the last; `n_frames` how many there were.
    """

    gram: Array
    aim: Array
    n_frames: int

    @classmethod
    def of(cls, basis: NDArray[np.float32], target: Array, weight: Array) -> _Normal:
        n = basis.shape[1]
        gram, aim = np.zeros((n + 1, n + 1)), np.zeros(n + 1)
        for start in range(0, len(basis), _CHUNK):
            x, y, w = (one[start : start + _CHUNK] for one in (basis, target, weight))
            x = np.concatenate([x, np.ones((len(x), 1), dtype=np.float32)], axis=1)
            weighed = (x * w[:, None]).astype(np.float32)
            gram += weighed.T @ x
            aim += weighed.T @ y
        return cls(gram, aim, len(basis))

    def __sub__(self, other: _Normal) -> _Normal:
        return _Normal(self.gram - other.gram, self.aim - other.aim, self.n_frames - other.n_frames)

    def solved(self, penalty: float) -> NDArray[np.float32]:
        """Coefficients on standardised columns, the constant last; the penalty is in frames of mean weight."""
        total = self.gram[-1, -1]
        mean, centre = self.gram[-1, :-1] / total, self.aim[-1] / total
        covariance = self.gram[:-1, :-1] / total - np.outer(mean, mean)
        spread = np.sqrt(np.maximum(np.diag(covariance), 0.0))
        scale = np.hypot(spread, LEAST_SPREAD)  # what hardly moved here must not move all elsewhere
        gram = self.n_frames * covariance / np.outer(scale, scale) + penalty * np.eye(len(mean))
        aim = self.n_frames * (self.aim[:-1] / total - mean * centre) / scale
        own: Array = np.linalg.solve(gram, aim) / scale
        return np.asarray(np.r_[own, centre - mean @ own], dtype=np.float32)


def _level(shipped: Array, target: Array, weight: Array) -> Array:
    """Gain and offset from the shipped curve to the hand's, the gain drawn towards 0 where little moved."""
    mean_x, mean_y = float(np.average(shipped, weights=weight)), float(np.average(target, weights=weight))
    power = float(np.average((shipped - mean_x) ** 2, weights=weight)) + 4.0
    gain = float(np.clip(np.average((shipped - mean_x) * (target - mean_y), weights=weight) / power, 0.0, 3.0))
    return np.array([gain, mean_y - gain * mean_x])


def stacked(voices: Array, target: Array, weight: Array) -> Array:
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
