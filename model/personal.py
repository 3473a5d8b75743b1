"""The personal layer: what a hand's corrections add to the shipped model.

A lane is answered by five voices: the shipped curve, the shipped curve with a level and gain of the hand's, a linear
head over smooth columns, trees over raw columns, and the linear head with trees over what it leaves. A stack weighs
them; its weights were found on phrases held back. Where a kind of passage was never corrected the answer is the shipped
one, nearer to the hand the more music of that kind, or of a kind like it, it stands on; the spread tells.

A style is a safetensors file with its settings in JSON beside the arrays: no code, checked when read, so that one from
a stranger is safe to open. Units: controller steps, seconds.
"""

from __future__ import annotations

import json
import math
import struct
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from safetensors import SafetensorError
from safetensors.numpy import load, save

from phrasewright.data.corrections import check_style_name
from phrasewright.data.cue import FAMILIES
from phrasewright.data.curves import LANES
from phrasewright.data.errors import InputError, UsageError
from phrasewright.data.plan import MF_CC, plan_levels
from phrasewright.model.hearing import ROLES, CueHearing
from phrasewright.model.lanes import FRAME_S, DenseLanes
from phrasewright.model.parameters import DEFAULT
from phrasewright.model.personal_features import FEATURE_VERSION, N_BASIS, RAW, Moments, moments_of
from phrasewright.model.prediction import foreseeable, prediction_frames
from phrasewright.model.rules import raw_cc
from phrasewright.model.trees import ARRAYS, Trees, trees_from

Array = NDArray[np.float64]
Ints = NDArray[np.int64]
Predictor = Callable[[CueHearing, int], DenseLanes]

VOICES = ("shipped", "fitted", "linear", "trees", "both")
MAX_BYTES = 256 << 20
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
    trees, both : Trees
        Over raw columns alone, and over what the linear head leaves.
    stack : float array, (len(VOICES),)
        Weights of the voices, not negative, their sum 1.
    range_cc : float array, (2,)
        Lowest and highest value the hand drew.
    error_cc : float array, (2,)
        Half the width of the 68 % band of the answer, and of the shipped curve, against held-back phrases.
    """

    coefficients: NDArray[np.float32]
    level: Array
    trees: Trees
    both: Trees
    stack: Array
    range_cc: Array
    error_cc: Array

    def voices(self, moments: Moments, shipped_cc: Array) -> Array:
        """What each voice says, shape (n_frames, len(VOICES)), steps."""
        linear = moments.basis.astype(np.float64) @ self.coefficients[:-1].astype(np.float64)
        linear = np.clip(linear + float(self.coefficients[-1]), *self.range_cc)
        trees = self.trees.predict(moments.raw) if self.stack[3] > 0 else shipped_cc
        both = linear + self.both.predict(moments.raw) if self.stack[4] > 0 else shipped_cc
        return np.stack([shipped_cc, self.level[1] + self.level[0] * shipped_cc, linear, trees, both], axis=1)

    def answer(self, moments: Moments, shipped_cc: Array) -> Array:
        """The stack's answer, shape (n_frames,), steps, within the hand's range."""
        return np.asarray(np.clip(self.voices(moments, shipped_cc) @ self.stack, *self.range_cc))


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
    version : int
        Its number in the store, 0 for one read from a file.
    """

    name: str
    lanes: Mapping[str, LaneModel]
    evidence_s: Array
    about: Mapping[str, Any]
    version: int = 0

    def ranges_cc(self) -> dict[str, tuple[int, int]]:
        """Lowest and highest step the hand drew, by lane, a little widened."""
        return {
            lane: (max(math.floor(model.range_cc[0]), 0), min(math.ceil(model.range_cc[1]), 127))
            for lane, model in self.lanes.items()
        }


def evidence_of(style: Style, *, lane: str, family: str, role: Ints) -> Array:
    """How far the answer is the hand's, 0..1, shape of `role`: 0 shipped, 1 the hand's own."""
    seconds = style.evidence_s[LANES.index(lane)]  # (family, role)
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
    frames = prediction_frames(hearing, index, n_frames=base.n_frames)
    moments = personal_moments(hearing, index, frames)
    lift = plan_lift_cc(hearing, index, frames)
    value, spread = np.array(base.value_cc), np.array(base.spread_cc)
    every = np.arange(base.n_frames)
    for lane, model in style.lanes.items():
        column = LANES.index(lane)
        said = model.answer(moments, base.value_cc[frames, column] - lift[:, column]) + lift[:, column]
        trust = evidence_of(style, lane=lane, family=part.part.family, role=moments.role)
        hand, e = np.interp(every, frames, said), np.interp(every, frames, trust)
        value[:, column] += e * (hand - value[:, column])
        wide = np.maximum(spread[:, column], model.error_cc[1])
        spread[:, column] = np.hypot(e * model.error_cc[0], (1.0 - e) * wide)
    return DenseLanes(value, spread)


def plan_lift_cc(hearing: CueHearing, index: int, frames: Ints) -> Array:
    """How far the cue's plan of loudness lies from mf at frames of a part, (n_frames, 3): no part of a style."""
    out = np.zeros((len(frames), len(LANES)))
    part = hearing.parts[index].part
    if hearing.plan.covers(part):
        time_s = np.asarray(frames * FRAME_S, dtype=np.float64)
        out[:, :2] = plan_levels(hearing.plan, part, time_s) - np.array(MF_CC)
    return out


def personal_moments(hearing: CueHearing, index: int, frames: Ints) -> Moments:
    """The columns a style sees at frames of one part that has attacks."""
    return moments_of(
        hearing, index, frames, rules_cc=raw_cc(hearing, index, frames, parameters=foreseeable(DEFAULT))
    )


def style_bytes(style: Style) -> bytes:
    """The style as one safetensors file; the same style gives the same bytes."""
    arrays: dict[str, NDArray[Any]] = {"evidence_s": np.ascontiguousarray(style.evidence_s)}
    for lane, model in style.lanes.items():
        for name in ("coefficients", "level", "stack", "range_cc", "error_cc"):
            arrays[f"{lane}.{name}"] = np.ascontiguousarray(getattr(model, name))
        for name, trees in (("trees", model.trees), ("both", model.both)):
            arrays |= {f"{lane}.{name}.{key}": values for key, values in trees.arrays().items()}
    settings = {
        "format": 1, "features": FEATURE_VERSION, "name": style.name, "lanes": list(style.lanes),
        "about": dict(style.about),
    }  # fmt: skip
    return save(arrays, metadata={"style": json.dumps(settings, sort_keys=True, ensure_ascii=False)})


def style_from(content: bytes, *, source: str, version: int = 0) -> Style:
    """The style in a file's bytes, checked wholly before anything of it is used.

    Parameters
    ----------
    source : str
        What to call it in messages.

    Raises
    ------
    InputError
        The bytes are no style, or a damaged one, or one of another version of this tool.
    """
    if len(content) > MAX_BYTES:
        raise InputError(f"{source}: is larger than any style ({len(content) >> 20} MiB); choose another file")
    try:
        settings = _settings(content)
        arrays = load(content)
        if settings["format"] != 1 or settings["features"] != FEATURE_VERSION:
            raise InputError(
                f"{source}: was learned by another version of phrasewright; learn it again from the corrected files"
            )
        name = check_style_name(str(settings["name"]))
        named = settings["lanes"]
        if not isinstance(named, list) or not set(named) <= set(LANES) or len(set(named)) != len(named):
            raise ValueError("names lanes that there are not")
        evidence = _plain(arrays, "evidence_s", (len(LANES), len(FAMILIES), len(ROLES)))
        if np.any(evidence < 0):
            raise ValueError("its evidence is negative")
        about = settings["about"]
        if not isinstance(about, dict) or not all(
            type(about.get(key, 0)) in (int, float) and 0 <= about.get(key, 0) < 1e9 for key in ("passages", "music_s")
        ):
            raise ValueError("what it was learned from makes no sense")
        lanes = {lane: _lane_from(arrays, lane) for lane in named}
        n_wanted = 1 + len(lanes) * (5 + 2 * len(ARRAYS))
        if len(arrays) != n_wanted:
            raise ValueError(f"holds {len(arrays)} arrays where {n_wanted} belong")
    except (SafetensorError, UsageError, ValueError, KeyError, TypeError, struct.error, OverflowError) as fault:
        told = str(fault).replace("\n", " ")[:200]
        raise InputError(f"{source}: is no style that can be used ({told}); export it again") from fault
    return Style(name, lanes, evidence, about, version)


def _settings(content: bytes) -> dict[str, Any]:
    """The settings in a file's header."""
    (size,) = struct.unpack("<Q", content[:8])
    if size > min(len(content) - 8, 1 << 20):
        raise ValueError("the header is longer than the file")
    header = json.loads(content[8 : 8 + size].decode())
    settings = json.loads(header["__metadata__"]["style"])
    if not isinstance(settings, dict):
        raise ValueError("the settings are no table")
    return settings


def _plain(arrays: Mapping[str, NDArray[Any]], name: str, shape: tuple[int, ...], *, kind: Any = np.float64) -> Any:
    """An array of the shape and type that belong there, all finite."""
    array = arrays[name]
    if array.dtype != np.dtype(kind) or array.shape != shape or not np.isfinite(array).all():
        raise ValueError(f"{name} is {array.dtype.name} {array.shape}, or not finite")
    return array


def _lane_from(arrays: Mapping[str, NDArray[Any]], lane: str) -> LaneModel:
    coefficients = _plain(arrays, f"{lane}.coefficients", (N_BASIS + 1,), kind=np.float32)
    stack = _plain(arrays, f"{lane}.stack", (len(VOICES),))
    bounds = _plain(arrays, f"{lane}.range_cc", (2,))
    error = _plain(arrays, f"{lane}.error_cc", (2,))
    if np.any(stack < 0) or abs(stack.sum() - 1.0) > 1e-6 or not 0 <= bounds[0] <= bounds[1] <= 127:
        raise ValueError(f"{lane}: weights or range make no sense")
    if np.any(error < 0) or np.any(error > 127):
        raise ValueError(f"{lane}: the spread makes no sense")
    forests = []
    for name in ("trees", "both"):
        own = {key: arrays[f"{lane}.{name}.{key}"] for key in ARRAYS}
        forests.append(trees_from(own, n_features=len(RAW)))
    level = _plain(arrays, f"{lane}.level", (2,))
    return LaneModel(coefficients, level, forests[0], forests[1], stack, bounds, error)
