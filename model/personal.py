"""The personal layer: what a hand's corrections add to the shipped model.

A lane is answered by several voices: the shipped curve, the shipped curve with a level and gain of the hand's, a
linear head over smooth columns, trees over raw columns, the linear head with trees over what it leaves, a head over
the evidence network's view that starts from what is usual among hands, and that head with trees over what it leaves. A
stack weighs them; its weights were found on phrases held back, and voices that cost time but helped little there have
none and are not asked. Where a kind of passage was never corrected the answer is the shipped one, nearer to the hand
the more music of that kind, or of a kind like it, it stands on; the spread tells. How a style is kept in a file:
`style_files.py`. Units: controller steps, seconds.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from phrasewright.data.cue import FAMILIES
from phrasewright.data.curves import LANES
from phrasewright.data.plan import MF_CC, plan_levels
from phrasewright.model.colour_lanes import readied, ruled_cc
from phrasewright.model.departures import FittedRules
from phrasewright.model.evidence import MIDDLE_CC, SCALE_CC
from phrasewright.model.hearing import CueHearing
from phrasewright.model.lanes import FRAME_S, DenseLanes
from phrasewright.model.parameters import DEFAULT
from phrasewright.model.personal_features import RAW, Moments, moments_of
from phrasewright.model.prediction import Predictor, evidence_features, foreseeable, prediction_frames
from phrasewright.model.rules import raw_cc, rules_lanes
from phrasewright.model.trees import Trees, Walk

Array = NDArray[np.float64]
Ints = NDArray[np.int64]

VOICES = ("shipped", "fitted", "linear", "trees", "both", "evidence", "deep")
FORESTS = {"trees": 3, "both": 4, "deep": 6}
"""Forests of a lane, and the voice that each belongs to."""
N_COLUMNS = len(RAW) + 2
"""Columns of a colour lane's trees: a moment's raw ones, the rules' value of the lane, and dynamics."""
MAX_WEIGHT = 1e6
"""No coefficient of a fit is nearly so large; sums of larger ones could stop being numbers."""
AROUND_FRAMES, WIDE_FRAMES = (-14, -7, -3, -1, 0, 2, 5, 10, 18), 24
"""Frames a style answers at around each onset, and how far apart elsewhere: half as many as it learns from, for the
same error and the same depth of joins on a hand kept for choices."""
AROUND_DEEP = (-14, -1, 2, 10, 18)
"""Of those around an onset, the ones at which the evidence network is asked: between them its view moves in nearly
straight lines."""
_HALF_S, _HALF_ABROAD_S = 0.3, 3.0
"""Music of one family, and of others, that weighs as much as the shipped default (our choice)."""
_ROLE_SHARE, _FAMILY_SHARE = 0.7, 0.08
"""What music of another role of the same family, and of another family, counts (our choice)."""
_MOST_ABROAD = 0.4
"""How near a family that was never corrected may come to the hand at most (our choice)."""


@dataclass(frozen=True)
class LaneModel:
    """One lane of a style.

    Parameters
    ----------
    coefficients : float32 array, (n_basis + 1,)
        Of the linear head, its constant last.
    level : float array, (2,)
        Gain and offset that bring the shipped curve to the hand's.
    head : float array, (n_deep + 1,)
        Coefficients on the evidence network's view, in its units, the constant last.
    trees, both, deep : Trees
        Over raw columns alone, over what the linear head leaves, and over what `head` leaves.
    stack : float array, (len(VOICES),)
        Weights of the voices, not negative, their sum 1.
    range_cc : float array, (2,)
        Lowest and highest value the hand drew.
    error_cc : float array, (2,)
        Half the width of the 68 % band of the answer, and of the shipped curve, against held-back phrases.
    """

    coefficients: NDArray[np.float32]
    level: Array
    head: Array
    trees: Trees
    both: Trees
    deep: Trees
    stack: Array
    range_cc: Array
    error_cc: Array

    @property
    def speaking(self) -> list[str]:
        """Names of the forests that have a say."""
        return [name for name, voice in FORESTS.items() if self.stack[voice] > 0.0]

    def voices(
        self, moments: Moments, shipped_cc: Array, *, forests: Array | None = None, led_cc: Array | None = None
    ) -> Array:
        """What each voice says, shape (n_frames, len(VOICES)), steps; those whose columns were not made count as 0.

        `forests`, (n_frames, len(FORESTS)), saves walking them, `led_cc`, (n_frames,), asking the head.
        """
        if forests is None:
            forests = Walk([getattr(self, name) for name in FORESTS]).predict(moments.raw)
        if led_cc is None and moments.deep is not None:
            led_cc = self.led_cc(moments.deep)
        nothing = np.zeros(len(shipped_cc))
        linear = self.linear_cc(moments.basis) if moments.basis.shape[1] else nothing
        head = nothing if led_cc is None else np.clip(led_cc, *self.range_cc)
        fitted = self.level[1] + self.level[0] * shipped_cc
        trees, both, deep = forests.T
        return np.stack([shipped_cc, fitted, linear, trees, linear + both, head, head + deep], axis=1)

    def linear_cc(self, basis: NDArray[np.float32]) -> Array:
        """What the head over smooth columns says, (n_frames,), steps."""
        said = np.asarray(basis @ self.coefficients[:-1], dtype=np.float64) + float(self.coefficients[-1])
        return np.asarray(np.clip(said, *self.range_cc))

    def led_cc(self, deep: NDArray[np.float32]) -> Array:
        """What the head over the evidence network's view says, (n_frames,), steps, before the hand's range."""
        said = np.asarray(deep @ self.head[:-1].astype(np.float32), dtype=np.float64) + self.head[-1]
        return np.asarray(MIDDLE_CC + SCALE_CC * said)


@dataclass(frozen=True)
class ColourModel:
    """What a hand does otherwise than the rules in one colour lane.

    Parameters
    ----------
    trees : Trees
        Over N_COLUMNS columns: what is added to the rules' value, steps.
    range_cc : float array, (2,)
        Lowest and highest value the hand drew.
    error_cc : float array, (2,)
        Half the width of the 68 % band of the answer, and of the rules, against held-back phrases.
    evidence_s : float array, (len(FAMILIES), len(ROLES))
        Weighted seconds of corrected music of each kind.
    """

    trees: Trees
    range_cc: Array
    error_cc: Array
    evidence_s: Array


@dataclass(frozen=True)
class Style:
    """A learned style: what predicts and where it came from.

    Parameters
    ----------
    name : str
    lanes : mapping from lane name to LaneModel
        Lanes never corrected are absent and answered as shipped.
    evidence_s : float array, (len(LANES), len(FAMILIES), len(ROLES))
        Weighted seconds of corrected music of each kind.
    about : mapping
        Plain facts: number of passages, seconds of music, what it was learned from.
    rules : FittedRules
        The rules fitted to the same corrections.
    version : int
        Its number in the store, 0 for one read from a file.
    colours : mapping from lane name to ColourModel
        Of COLOUR_LANES, those that were corrected; the others are drawn by the rules.
    """

    name: str
    lanes: Mapping[str, LaneModel]
    evidence_s: Array
    about: Mapping[str, Any]
    rules: FittedRules
    version: int = 0
    colours: Mapping[str, ColourModel] = field(default_factory=dict)

    @cached_property
    def _walk(self) -> Walk:
        """All forests that have a say, lane by lane."""
        return Walk([getattr(model, name) for model in self.lanes.values() for name in model.speaking])

    def asks(self, *voices: str) -> bool:
        """Whether any of these voices has a say in any lane."""
        return any(model.stack[VOICES.index(voice)] > 0.0 for model in self.lanes.values() for voice in voices)

    @property
    def asks_network(self) -> bool:
        """Whether any voice with a say stands on the evidence network."""
        return self.asks("evidence", "deep")

    def voices(self, moments: Moments, shipped_cc: Array, *, led_cc: Mapping[str, Array]) -> dict[str, Array]:
        """What each voice says of each lane: (n_frames, len(VOICES)), steps; `shipped_cc` (n_frames, 3).

        `led_cc` is what the heads over the evidence network's view say, by lane, where they were asked. Forests that
        have no say in a lane are not walked and count as 0.
        """
        walked = iter(self._walk.predict(moments.raw).T if self._walk.forests else ())
        said = {}
        for lane, model in self.lanes.items():
            forests = np.zeros((len(moments.raw), len(FORESTS)))
            for name in model.speaking:
                forests[:, list(FORESTS).index(name)] = next(walked)
            shipped = shipped_cc[:, LANES.index(lane)]
            said[lane] = model.voices(moments, shipped, forests=forests, led_cc=led_cc.get(lane))
        return said

    @property
    def learned(self) -> dict[str, LaneModel | ColourModel]:
        """What was learned of each lane, colour lanes last."""
        return {**self.lanes, **self.colours}

    def ranges_cc(self) -> dict[str, tuple[int, int]]:
        """Lowest and highest step the hand drew, by lane, a little widened."""
        return {
            lane: (max(math.floor(model.range_cc[0]), 0), min(math.ceil(model.range_cc[1]), 127))
            for lane, model in self.learned.items()
        }


def evidence_of(style: Style, *, lane: str, family: str, role: Ints) -> Array:
    """How far the answer is the hand's, 0..1, shape of `role`: 0 shipped, 1 the hand's own."""
    own_kind = style.colours.get(lane)
    seconds = style.evidence_s[LANES.index(lane)] if own_kind is None else own_kind.evidence_s  # (family, role)
    own = seconds[FAMILIES.index(family)]
    home = own + _ROLE_SHARE * (own.sum() - own)
    abroad = _FAMILY_SHARE * (seconds.sum() - own.sum())
    at_home = home / (home + _HALF_S)
    away = _MOST_ABROAD * abroad / (abroad + _HALF_ABROAD_S)
    return np.asarray((at_home + (1.0 - at_home) * away)[role])


def style_lanes(hearing: CueHearing, index: int, style: Style, *, shipped: Predictor) -> DenseLanes:
    """Shape one part in a style. `index` counts from 0 into the hearing's parts; `shipped` answers without one."""
    base = shipped(hearing, index)
    part = hearing.parts[index]
    if not part.attacks.n_attacks or not style.lanes:
        return base
    frames = _frames(hearing, index, base.n_frames, AROUND_FRAMES)
    rules_cc = raw_cc(hearing, index, frames, parameters=foreseeable(DEFAULT))
    moments = moments_of(hearing, index, frames, rules_cc=rules_cc, smooth=style.asks("linear", "both"))
    led_cc = _led_cc(hearing, index, style, frames, moments, rules_cc, n_frames=base.n_frames)
    lift = plan_lift_cc(hearing, index, frames)
    value, spread = np.array(base.value_cc), np.array(base.spread_cc)
    every = np.arange(base.n_frames)
    for lane, voices in style.voices(moments, base.value_cc[frames] - lift, led_cc=led_cc).items():
        column, model = LANES.index(lane), style.lanes[lane]
        said = np.clip(voices @ model.stack, *model.range_cc) + lift[:, column]
        trust = evidence_of(style, lane=lane, family=part.part.family, role=moments.role)
        hand, e = np.interp(every, frames, said), np.interp(every, frames, trust)
        value[:, column] += e * (hand - value[:, column])
        wide = np.maximum(spread[:, column], model.error_cc[1])
        spread[:, column] = np.hypot(e * model.error_cc[0], (1.0 - e) * wide)
    return DenseLanes(value, spread)


def _frames(hearing: CueHearing, index: int, n_frames: int, around: tuple[int, ...]) -> Ints:
    return prediction_frames(hearing, index, n_frames=n_frames, wide_frames=WIDE_FRAMES, around=around, apart=True)


def _led_cc(
    hearing: CueHearing, index: int, style: Style, frames: Ints, moments: Moments, rules_cc: Array, *, n_frames: int
) -> dict[str, Array]:
    """What the heads over the evidence network's view say at frames, (n_frames,) by lane, where they have a say.

    The network is asked at some of the frames; between them straight lines lead.
    """
    if not style.asks_network:
        return {}
    some = _frames(hearing, index, n_frames, AROUND_DEEP)
    at = np.searchsorted(frames, some)
    basis = moments.basis[at]
    if not basis.shape[1]:
        basis = moments_of(hearing, index, some, rules_cc=rules_cc[at]).basis
    deep = evidence_features(hearing, index, some, moments=replace(moments, basis=basis))
    return {lane: np.interp(frames, some, model.led_cc(deep)) for lane, model in style.lanes.items()}


def colour_departures_cc(hearing: CueHearing, index: int, style: Style, dynamics_cc: Array) -> dict[str, Array]:
    """How far a style leads a part's colour lanes away from the rules, (n_frames,) for each lane it knows.

    `dynamics_cc`, (n_frames,), are the part's as they will be drawn, on the grid of predicted lanes, as is the answer.
    """
    part = hearing.parts[index]
    lanes = [lane for lane in style.colours if lane in part.part.lane_cc]
    if not lanes or not part.attacks.n_attacks:
        return {}
    n_frames, out = len(dynamics_cc), {}
    frames = prediction_frames(hearing, index, n_frames=n_frames, wide_frames=WIDE_FRAMES, around=AROUND_FRAMES)
    ruled = raw_cc(hearing, index, frames, parameters=foreseeable(DEFAULT))
    moments = moments_of(hearing, index, frames, rules_cc=ruled, smooth=False)
    for lane in lanes:
        rules_cc = ruled_cc(lane, hearing, index, dynamics_cc)
        columns = columns_of(moments.raw, rules_cc[frames], dynamics_cc[frames])
        trust = evidence_of(style, lane=lane, family=part.part.family, role=moments.role)
        moved = np.interp(np.arange(n_frames), frames, trust * style.colours[lane].trees.predict(columns))
        if lane == "attack":
            moved = readied(rules_cc + moved, part.attacks.onset_s) - rules_cc
        out[lane] = moved
    return out


def columns_of(raw: NDArray[np.float32], rules_cc: Array, dynamics_cc: Array) -> NDArray[np.float32]:
    """What the trees of a colour lane see, (n_frames, N_COLUMNS), of a moment's raw columns and both lanes there."""
    return np.concatenate([raw, rules_cc[:, None], dynamics_cc[:, None]], axis=1, dtype=np.float32)


def plan_lift_cc(hearing: CueHearing, index: int, frames: Ints) -> Array:
    """How far the cue's plan of loudness lies from mf at frames of a part, (n_frames, 3): no part of a style."""
    out = np.zeros((len(frames), len(LANES)))
    part = hearing.parts[index].part
    if hearing.plan.covers(part):
        time_s = np.asarray(frames * FRAME_S, dtype=np.float64)
        out[:, :2] = plan_levels(hearing.plan, part, time_s) - np.array(MF_CC)
    return out


def personal_moments(hearing: CueHearing, index: int, frames: Ints) -> Moments:
    """All columns a style may see at frames of one part that has attacks, the evidence network's view too."""
    rules_cc = raw_cc(hearing, index, frames, parameters=foreseeable(DEFAULT))
    moments = moments_of(hearing, index, frames, rules_cc=rules_cc)
    return replace(moments, deep=evidence_features(hearing, index, frames, moments=moments))


def ruled_lanes(hearing: CueHearing, index: int, style: Style) -> DenseLanes:
    """Shape one part by the rules as they were fitted to a style's corrections; no network is loaded."""
    base = rules_lanes(hearing, index)
    part = hearing.parts[index]
    if not part.attacks.n_attacks or not style.lanes:
        return base
    every = np.arange(base.n_frames)
    said = style.rules.lanes(hearing, index).value_cc + plan_lift_cc(hearing, index, every)
    at = np.searchsorted(part.attacks.onset_s, every * FRAME_S + 1e-9, side="right") - 1
    role = part.attacks.role[np.maximum(at, 0)].astype(np.int64)
    value = np.array(base.value_cc)
    for lane, model in style.lanes.items():
        column = LANES.index(lane)
        hand = np.clip(said[:, column], *model.range_cc)
        trust = evidence_of(style, lane=lane, family=part.part.family, role=role)
        value[:, column] += trust * (hand - value[:, column])
    return DenseLanes(value, base.spread_cc)
