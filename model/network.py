"""The networks, whole, as they run: attacks are read with their neighbours, then each moment is answered from those
around it.

    attack features --input--> h --3 x (neighbour mixing, residual)--> encodings of attacks
    [previous, current, next encoding] + frame features --layers--> centre and spread of three lanes

Neighbours are attacks at fixed distances (a dilated convolution), and a tap is closed where the neighbour belongs to
another part or lies more than `reach_s` away. So the view is finite in attacks and in seconds, however long the cue is:
an edit far away cannot be seen, and there is no padding to go wrong.

Units: controller steps; spread is half the width of the 68 % band of hands around the default: the scale of a Laplace
distribution times 1.14 (-ln .32).

A second network of the same build, the evidence network, is the view on which a personal head stands (`evidence.py`):
it sees more columns of each frame and, where lanes are already drawn, those, and answers with features, not lanes.

Both are trained with torch (`training/networks.py`) and run with numpy: it takes as long, and torch alone takes longer
to import than a short cue to shape.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, fields
from functools import lru_cache
from pathlib import Path
from typing import Any, Generic, TypeVar

import numpy as np
from numpy.typing import NDArray
from safetensors import SafetensorError, safe_open
from threadpoolctl import ThreadpoolController

from phrasewright.data.errors import InputError
from phrasewright.data.files import check_file
from phrasewright.model.evidence import MIDDLE_CC, SCALE_CC
from phrasewright.model.features import ATTACK_FEATURES, FRAME_FEATURES
from phrasewright.model.personal_features import N_BASIS

Array = NDArray[np.float32]
Shapes = dict[str, tuple[int, ...]]

LAPLACE_68 = 1.14
CHUNK, BLOCK = 512, 256
"""Frames and attacks that are computed at a time; `BLOCK` must exceed twice the view of 15 attacks."""
MAX_BYTES, MAX_REACH_S = 256 << 20, 60.0
"""No weights here are nearly so large, nor look so far."""
N_KNOWN = 15
"""What the evidence network sees of lanes already drawn: five numbers a lane (`evidence.py`)."""
N_LAYERS = 2
"""Between the first and the last of the default's frame decoder."""
N_TAPS = 5
"""Attacks a block of the trunk sees: itself and two to either side."""
_NORM_EPS = np.float32(1e-5)
_ERFC = tuple(np.float32(c) for c in (4.9889195e-2, 2.1034586e-2, 3.4555834e-3, -9.3626291e-5, 9.2852880e-5))
"""The polynomial of `gelu`: factors of u, u^2 and so on, after 1."""


@dataclass(frozen=True)
class NetworkConfig:
    """Sizes; they travel with the weights and are checked against their shapes."""

    n_attack_features: int = len(ATTACK_FEATURES)
    n_frame_features: int = len(FRAME_FEATURES)
    n_lanes: int = 3
    width: int = 128  # of an attack's encoding
    hidden: int = 160  # of the frame decoder, which runs up to a hundred times a second: the cost of shaping
    dilations: tuple[int, ...] = (1, 2, 4)  # with two taps to either side: 14 attacks each way
    reach_s: float = 8.0  # a tap spans at most this, so three blocks see at most 24 s

    def shapes(self) -> Shapes:
        """Names and shapes of all tensors."""
        linear: Shapes = {"moment": (self.hidden, self.n_frame_features)}
        linear |= {f"layers.{k}": (self.hidden, self.hidden) for k in range(N_LAYERS)}
        linear |= {name: (self.n_lanes, self.hidden) for name in ("centre", "spread")}
        return _trunk_shapes(self) | _with_bias(linear)


@dataclass(frozen=True)
class EvidenceConfig:
    """Sizes of the evidence network."""

    n_attack_features: int = len(ATTACK_FEATURES)
    n_frame_features: int = len(FRAME_FEATURES) + N_BASIS  # the default's columns, then a style's smooth ones
    n_lanes: int = 3
    width: int = 160
    hidden: int = 256
    n_features: int = 160  # of the answer: a head has so many coefficients a lane, and a constant
    n_layers: int = 3
    dilations: tuple[int, ...] = (1, 2, 4)
    reach_s: float = 8.0

    def shapes(self) -> Shapes:
        """Names and shapes of all tensors."""
        n, square = (self.n_features + 1, self.n_lanes), (self.hidden, self.hidden)
        linear: Shapes = {"moment": (self.hidden, self.n_frame_features), "out": (self.n_features, self.hidden)}
        found: Shapes = {"usual": (2, self.n_frame_features), "known.weight": (self.hidden, N_KNOWN)}
        found |= _norm("last", self.hidden)
        for k in range(self.n_layers):
            linear |= {f"layers.{k}.up": square, f"layers.{k}.down": square}
            found |= _norm(f"layers.{k}.norm", self.hidden)
        head = {"head.mean": n, "head.log_precision": n, "head.log_facts": n[1:], "head.noise": n}
        return _trunk_shapes(self) | _with_bias(linear) | found | head


Config = TypeVar("Config", NetworkConfig, EvidenceConfig)


def _trunk_shapes(config: NetworkConfig | EvidenceConfig) -> Shapes:
    """Of what both networks share in kind: all up to the encodings of attacks."""
    width = config.width
    linear: Shapes = {"input": (width, config.n_attack_features), "view": (config.hidden, 3 * width)}
    found = _norm("norm", width)
    for k in range(len(config.dilations)):
        linear |= {f"blocks.{k}.mix": (width, N_TAPS * width), f"blocks.{k}.out": (width, width)}
        found |= _norm(f"blocks.{k}.norm", width)
    return found | _with_bias(linear)


def _with_bias(linear: Mapping[str, tuple[int, ...]]) -> Shapes:
    return {f"{n}.{kind}": s for n, shape in linear.items() for kind, s in (("weight", shape), ("bias", shape[:1]))}


def _norm(name: str, size: int) -> Shapes:
    return {f"{name}.weight": (size,), f"{name}.bias": (size,)}


@dataclass(frozen=True)
class Weights(Generic[Config]):
    """A trained network: its sizes and its numbers, float32, by the names in `Config.shapes`."""

    config: Config
    tensors: Mapping[str, Array]

    def linear(self, name: str, x: Array) -> Array:
        """(row, in) -> (row, out)."""
        y: Array = x @ self.tensors[f"{name}.weight"].T
        y += self.tensors[f"{name}.bias"]
        return y

    def normal(self, name: str, x: Array) -> Array:
        """Each row with mean 0 and variance 1, then scaled and shifted by what was learned; (row, column) -> same."""
        y: Array = x - x.mean(axis=1, keepdims=True)
        y /= np.sqrt(np.einsum("rc,rc->r", y, y)[:, None] / np.float32(x.shape[1]) + _NORM_EPS)
        y *= self.tensors[f"{name}.weight"]
        y += self.tensors[f"{name}.bias"]
        return y


def gelu(x: Array) -> Array:
    """x times the standard normal distribution function of x (Hendrycks and Gimpel 2016), in place, within 2e-6.

    numpy has no error function. With u = |x|, gelu is (x + u - u erfc(u / sqrt 2)) / 2, and erfc is taken as one over
    the 16th power of a polynomial (the form of Abramowitz and Stegun 1964, 7.1.28; coefficients fitted anew, by least
    squares with weights that level the error, for what it is multiplied with here).
    """
    u = np.abs(x)
    with np.errstate(over="ignore"):  # far out the polynomial is infinite, and what is divided by it 0
        p = u * _ERFC[-1]
        for c in _ERFC[-2::-1]:
            p += c
            p *= u
        p += np.float32(1.0)
        for _ in range(4):
            p *= p
        np.divide(u, p, out=p)
    u -= p
    x += u
    x *= np.float32(0.5)
    return x


def predict(
    weights: Weights[NetworkConfig],
    *,
    attack: Array,
    onset_s: NDArray[np.float64],
    frame: Array,
    at: NDArray[np.int64],
    chunk: int = CHUNK,
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Centre and spread of one part in steps, each (n_frames, 3).

    Attacks and frames are laid into blocks of one size, counted from the part's start: how a processor adds up depends
    on the size of what it is given, and so an edit near the end could change the last digit of the beginning.

    Parameters
    ----------
    attack : float32 array, (n_attacks, n_attack_features)
    onset_s : float array, (n_attacks,)
    frame : float32 array, (n_frames, n_frame_features)
    at : int array, (n_frames,)
        Each frame's attack.
    chunk : int
        Frames computed at a time.
    """
    centre, spread = np.empty((2, len(frame), weights.config.n_lanes))
    with _one_thread():
        encoded = _encoded(weights, attack, onset_s)
        for start, rows in _chunks(len(frame), chunk):
            x = weights.linear("moment", frame[rows])
            x += encoded[at[rows]]
            gelu(x)
            for k in range(N_LAYERS):
                x = gelu(weights.linear(f"layers.{k}", x))
            n = min(chunk, len(frame) - start)
            centre[start : start + n] = weights.linear("centre", x)[:n]
            spread[start : start + n] = weights.linear("spread", x)[:n]
    return MIDDLE_CC + SCALE_CC * centre, (np.logaddexp(0.0, spread) * SCALE_CC * 0.25 + 0.25) * LAPLACE_68


def evidence_of(
    weights: Weights[EvidenceConfig],
    *,
    attack: Array,
    onset_s: NDArray[np.float64],
    frame: Array,
    at: NDArray[np.int64],
    known: Array | None = None,
    chunk: int = CHUNK,
) -> Array:
    """Features of one part's frames, (n_frames, n_features); `known` (n_frames, N_KNOWN) tells of lanes drawn.

    The other parameters are those of `predict`.
    """
    features = np.empty((len(frame), weights.config.n_features), dtype=np.float32)
    shift, scale = weights.tensors["usual"]
    with _one_thread():
        encoded = _encoded(weights, attack, onset_s)
        for start, rows in _chunks(len(frame), chunk):
            usual = np.clip((frame[rows] - shift) * scale, np.float32(-5.0), np.float32(5.0))
            x = weights.linear("moment", usual)
            x += encoded[at[rows]]
            if known is not None:
                x += known[rows] @ weights.tensors["known.weight"].T
            gelu(x)
            for k in range(weights.config.n_layers):
                up = weights.linear(f"layers.{k}.up", weights.normal(f"layers.{k}.norm", x))
                x += weights.linear(f"layers.{k}.down", gelu(up))
            n = min(chunk, len(frame) - start)
            features[start : start + n] = weights.linear("out", weights.normal("last", x))[:n]
    return features


def _chunks(n: int, chunk: int) -> list[tuple[int, NDArray[np.int64]]]:
    """First number and numbers of the frames of each chunk, (chunk,); the last frame fills up."""
    return [(start, np.minimum(np.arange(start, start + chunk), n - 1)) for start in range(0, n, chunk)]


def _encoded(weights: Weights[Any], attack: Array, onset_s: NDArray[np.float64]) -> Array:
    """Encodings of one part's attacks, (attack, hidden), in overlapping blocks of `BLOCK` attacks."""
    n, halo = len(attack), 2 * sum(weights.config.dilations) + 1
    blocks = []
    for start in range(0, n, BLOCK - 2 * halo):
        row = np.arange(start - halo, start - halo + BLOCK)
        part = np.where((row >= 0) & (row < n), 0, -1)
        row = np.clip(row, 0, n - 1)
        blocks.append(encode(weights, attack[row], onset_s[row], part)[halo : BLOCK - halo])
    return np.concatenate(blocks)[:n]


def encode(weights: Weights[Any], attack: Array, onset_s: NDArray[np.float64], part: NDArray[np.int64]) -> Array:
    """What frames see of an attack and its neighbours. (attack, feature), (attack,) twice -> (attack, hidden).

    Attacks of any number of parts may be laid end to end.
    """
    h = weights.linear("input", attack)
    for k, dilation in enumerate(weights.config.dilations):
        h += _neighbours(weights, k, dilation, h, onset_s, part)
    h = weights.normal("norm", h)
    same = (part[1:] == part[:-1])[:, None]
    before, after = np.zeros_like(h), np.zeros_like(h)
    before[1:] = h[:-1] * same
    after[:-1] = h[1:] * same
    return weights.linear("view", np.concatenate([before, h, after], axis=1))


def _neighbours(
    weights: Weights[Any], k: int, dilation: int, h: Array, onset_s: NDArray[np.float64], part: NDArray[np.int64]
) -> Array:
    """What block `k` adds: five taps `dilation` apart, closed at part borders and beyond `reach_s`; shapes as `h`."""
    n = len(h)
    wanted = np.arange(n)[:, None] + dilation * (np.arange(N_TAPS) - N_TAPS // 2)  # (attack, tap)
    there = np.clip(wanted, 0, n - 1)
    near = np.abs(onset_s[there] - onset_s[:, None]) <= weights.config.reach_s
    open_ = (wanted == there) & (part[there] == part[:, None]) & near
    taps = weights.normal(f"blocks.{k}.norm", h)[there]  # (attack, tap, width)
    taps *= open_[:, :, None]
    mixed = weights.linear(f"blocks.{k}.mix", taps.reshape(n, -1))  # tap * width -> width
    return weights.linear(f"blocks.{k}.out", gelu(mixed))


def _one_thread() -> Any:
    """One thread: the matrices are small, and threads that wait for each other cost more than they bring; nor would
    they be there after a fork; and how a sum is shared among threads decides its last digit.
    """
    return _threads().limit(limits=1, user_api="blas")


@lru_cache(maxsize=1)
def _threads() -> ThreadpoolController:
    return ThreadpoolController()


def load_weights(path: Path) -> Weights[NetworkConfig]:
    """Read the default's weights, checking the header against the sizes before anything is used.

    Raises
    ------
    InputError
        The file is missing or damaged, was made for other features, or a tensor is missing, extra or of another shape.
    """
    return _loaded(path, NetworkConfig)


def load_evidence(path: Path) -> Weights[EvidenceConfig]:
    """Read the evidence network's weights in the same way."""
    return _loaded(path, EvidenceConfig)


def _loaded(path: Path, kind: type[Config]) -> Weights[Config]:
    check_file(path, most_bytes=MAX_BYTES, what="weights")
    try:
        with safe_open(path, framework="numpy") as file:
            config = _config_of(file.metadata() or {}, path, kind)
            wanted = config.shapes()
            found = {name: tuple(file.get_slice(name).get_shape()) for name in file.keys()}  # noqa: SIM118
            if wanted != found:
                odd = sorted(name for name in wanted.keys() | found.keys() if wanted.get(name) != found.get(name))[0]
                raise InputError(
                    f"{path}: tensor {odd} has shape {found.get(odd, 'none')}, expected {wanted.get(odd, 'none')}; "
                    "train the weights again or use the ones that came with this version"
                )
            kinds = {file.get_slice(name).get_dtype() for name in wanted}
            if not kinds <= {"F16", "F32"}:
                raise InputError(f"{path}: holds {', '.join(sorted(kinds))} where F16 or F32 is expected; train again")
            tensors = {name: file.get_tensor(name).astype(np.float32) for name in wanted}
    except (OSError, SafetensorError) as fault:
        raise InputError(f"{path}: no usable weights ({fault}); install again or train them anew") from fault
    odd = next((name for name, tensor in tensors.items() if not np.all(np.isfinite(tensor))), None)
    if odd is not None:
        raise InputError(f"{path}: tensor {odd} holds values that are no numbers; train the weights again")
    return Weights(config, tensors)


def _config_of(header: Mapping[str, str], path: Path, kind: type[Config]) -> Config:
    """The configuration in a header; numbers only, and bounded, so that a crafted file cannot claim much memory."""
    try:
        found = json.loads(header["config"])
        values: dict[str, Any] = {f.name: found[f.name] for f in fields(kind)}
        values["dilations"] = tuple(int(d) for d in values["dilations"])
        values = {name: v if name in ("dilations", "reach_s") else int(v) for name, v in values.items()}
        values["reach_s"] = float(values["reach_s"])
    except (LookupError, TypeError, ValueError, OverflowError, RecursionError) as fault:
        raise InputError(f"{path}: the header lacks a usable configuration; train the weights again") from fault
    usual = kind()
    expected = (usual.n_attack_features, usual.n_frame_features, usual.n_lanes)
    if tuple(values[name] for name in ("n_attack_features", "n_frame_features", "n_lanes")) != expected:
        raise InputError(f"{path}: made for other features than this version's {expected}; train the weights again")
    bounds = {"width": 1024, "hidden": 2048, "n_features": 1024, "n_layers": 16}
    bounded = all(0 < values[name] <= most for name, most in bounds.items() if name in values)
    dilations = values["dilations"]
    bounded &= len(dilations) <= 8 and all(d > 0 for d in dilations) and 2 * (2 * sum(dilations) + 1) < BLOCK
    if not bounded or not 0 < values["reach_s"] <= MAX_REACH_S:
        raise InputError(f"{path}: claims sizes no network here has; use the weights that came with this version")
    return kind(**values)
