"""A style as one file: safetensors with its settings in JSON beside the arrays.

No code, and everything is checked when read, so that a style from a stranger is safe to open. The evidence network's
weights are named by a checksum: heads over another network's view mean nothing.
"""

from __future__ import annotations

import json
import struct
import zlib
from collections.abc import Mapping
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray
from safetensors import SafetensorError
from safetensors.numpy import load, save

from phrasewright.data.corrections import check_style_name
from phrasewright.data.cue import FAMILIES
from phrasewright.data.curves import COLOUR_LANES, LANES
from phrasewright.data.errors import InputError, UsageError
from phrasewright.data.printing import one_line
from phrasewright.model.departures import MOST, N_STYLE, FittedRules
from phrasewright.model.evidence import EVIDENCE_WEIGHTS, head_prior
from phrasewright.model.hearing import ROLES
from phrasewright.model.personal import FORESTS, N_COLUMNS, VOICES, ColourModel, LaneModel, Style
from phrasewright.model.personal_features import FEATURE_VERSION, N_BASIS, RAW
from phrasewright.model.trees import ARRAYS, Trees, trees_from

MAX_BYTES = 64 << 20
MAX_WEIGHT = 1e6
FORMAT, COLOURED = 2, 3
"""The second where a style knows colour lanes, which readers of the first alone are to refuse as a newer file."""
_COLOUR_ROWS = ("range_cc", "error_cc", "evidence_s")
_ROWS = ("coefficients", "level", "head", "stack", "range_cc", "error_cc")


class OtherVersionError(InputError):
    """A sound style, learned with other columns or another network: to be learned anew from its corrections."""


@lru_cache(maxsize=1)
def network_mark() -> int:
    """A checksum of the evidence network's weights."""
    return zlib.crc32(EVIDENCE_WEIGHTS.read_bytes()) if EVIDENCE_WEIGHTS.exists() else 0


def style_bytes(style: Style) -> bytes:
    """The style as one safetensors file; the same style gives the same bytes."""
    arrays: dict[str, NDArray[Any]] = {"evidence_s": np.ascontiguousarray(style.evidence_s)}
    for lane, model in style.lanes.items():
        for name in _ROWS:
            arrays[f"{lane}.{name}"] = np.ascontiguousarray(getattr(model, name))
        for name in FORESTS:
            arrays |= {f"{lane}.{name}.{key}": values for key, values in getattr(model, name).arrays().items()}
    for lane, colour in style.colours.items():
        arrays |= {f"{lane}.{name}": np.ascontiguousarray(getattr(colour, name)) for name in _COLOUR_ROWS}
        arrays |= {f"{lane}.trees.{key}": values for key, values in colour.trees.arrays().items()}
    rules = {"style": style.rules.style.tolist(), "offset_cc": style.rules.offset_cc.tolist()}
    settings = {
        "format": FORMAT, "features": FEATURE_VERSION, "network": network_mark(), "name": style.name,
        "lanes": list(style.lanes), "rules": rules, "about": dict(style.about),
    }  # fmt: skip
    if style.colours:
        settings |= {"format": COLOURED, "colours": list(style.colours)}
    return save(arrays, metadata={"style": json.dumps(settings, sort_keys=True, ensure_ascii=False)})


def style_from(content: bytes, *, source: str, version: int = 0) -> Style:
    """The style in a file's bytes, checked wholly before anything of it is used.

    Parameters
    ----------
    source : str
        What to call it in messages.

    Raises
    ------
    OtherVersionError
        The style was learned with other columns or another network.
    InputError
        The bytes are no style, or a damaged one.
    """
    if len(content) > MAX_BYTES:
        raise InputError(f"{source}: is larger than any style ({len(content) >> 20} MiB); choose another file")
    try:
        settings = _settings(content)
        arrays = load(content)
        if not _is_current(settings):
            raise OtherVersionError(
                f"{source}: was learned by another version of phrasewright; learn it again from the corrected files"
            )
        name = check_style_name(str(settings["name"]))
        named, coloured = settings["lanes"], settings.get("colours", [])
        for some, there in ((named, LANES), (coloured, COLOUR_LANES)):
            if not isinstance(some, list) or not set(some) <= set(there) or len(set(some)) != len(some):
                raise ValueError("names lanes that there are not")
        evidence = _evidence_from(arrays, "evidence_s", (len(LANES), len(FAMILIES), len(ROLES)))
        about = settings["about"]
        if not isinstance(about, dict) or not all(
            type(about.get(key, 0)) in (int, float) and 0 <= about.get(key, 0) < 1e9 for key in ("passages", "music_s")
        ):
            raise ValueError("what it was learned from makes no sense")
        lanes = {lane: _lane_from(arrays, lane) for lane in named}
        rules = _rules_from(settings["rules"])
        colours = {lane: _colour_from(arrays, lane) for lane in coloured}
        n_wanted = 1 + len(lanes) * (len(_ROWS) + len(FORESTS) * len(ARRAYS))
        n_wanted += len(colours) * (len(_COLOUR_ROWS) + len(ARRAYS))
        if len(arrays) != n_wanted:
            raise ValueError(f"holds {len(arrays)} arrays where {n_wanted} belong")
    except (SafetensorError, UsageError, ValueError, LookupError, TypeError, struct.error, ArithmeticError,
            RecursionError) as fault:  # fmt: skip
        told = one_line(str(fault))[:200]
        raise InputError(f"{source}: is no style that can be used ({told}); export it again") from fault
    return Style(name, lanes, evidence, about, rules, version, colours)


def is_current(content: bytes) -> bool:
    """Whether a style was learned with this version's columns and network; True for what is no style at all."""
    try:
        return _is_current(_settings(content))
    except (ValueError, LookupError, TypeError, struct.error):
        return True


def _is_current(settings: Mapping[str, Any]) -> bool:
    told = tuple(settings.get(name) for name in ("format", "features", "network"))
    return told == (COLOURED if settings.get("colours") else FORMAT, FEATURE_VERSION, network_mark())


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
    if array.dtype != np.dtype(kind) or array.shape != shape or not np.all(np.abs(array) <= MAX_WEIGHT):  # nor nan
        raise ValueError(f"{name} is {array.dtype.name} {array.shape}, too large or not finite")
    return array


def _bounds_from(arrays: Mapping[str, NDArray[Any]], lane: str) -> tuple[NDArray[Any], NDArray[Any]]:
    """The range and the spread of a lane."""
    bounds = _plain(arrays, f"{lane}.range_cc", (2,))
    error = _plain(arrays, f"{lane}.error_cc", (2,))
    if not 0 <= bounds[0] <= bounds[1] <= 127 or np.any(error < 0) or np.any(error > 127):
        raise ValueError(f"{lane}: the range or the spread makes no sense")
    return bounds, error


def _trees_from(arrays: Mapping[str, NDArray[Any]], name: str, *, n_features: int) -> Trees:
    return trees_from({key: arrays[f"{name}.{key}"] for key in ARRAYS}, n_features=n_features)


def _lane_from(arrays: Mapping[str, NDArray[Any]], lane: str) -> LaneModel:
    coefficients = _plain(arrays, f"{lane}.coefficients", (N_BASIS + 1,), kind=np.float32)
    stack = _plain(arrays, f"{lane}.stack", (len(VOICES),))
    bounds, error = _bounds_from(arrays, lane)
    if np.any(stack < 0) or abs(stack.sum() - 1.0) > 1e-6:
        raise ValueError(f"{lane}: its weights make no sense")
    forests = {name: _trees_from(arrays, f"{lane}.{name}", n_features=len(RAW)) for name in FORESTS}
    level = _plain(arrays, f"{lane}.level", (2,))
    head = _plain(arrays, f"{lane}.head", (len(head_prior().mean),))
    return LaneModel(coefficients, level, head, **forests, stack=stack, range_cc=bounds, error_cc=error)


def _colour_from(arrays: Mapping[str, NDArray[Any]], lane: str) -> ColourModel:
    evidence = _evidence_from(arrays, f"{lane}.evidence_s", (len(FAMILIES), len(ROLES)))
    trees = _trees_from(arrays, f"{lane}.trees", n_features=N_COLUMNS)
    return ColourModel(trees, *_bounds_from(arrays, lane), evidence)


def _evidence_from(arrays: Mapping[str, NDArray[Any]], name: str, shape: tuple[int, ...]) -> NDArray[Any]:
    evidence: NDArray[Any] = _plain(arrays, name, shape)
    if np.any(evidence < 0):
        raise ValueError("its evidence is negative")
    return evidence


def _rules_from(told: Any) -> FittedRules:
    """Fitted rules from the settings."""
    rows = [np.array([float(v) for v in told[name]], dtype=np.float64) for name in ("style", "offset_cc")]
    if rows[0].shape != (N_STYLE,) or rows[1].shape != (len(LANES),) or not all(np.isfinite(r).all() for r in rows):
        raise ValueError("its rules are no rules")
    if np.any(np.abs(rows[0]) > MOST) or np.any(np.abs(rows[1]) > 127.0):
        raise ValueError("its rules lead too far")
    return FittedRules(rows[0].astype(np.float32), rows[1])
