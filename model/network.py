"""The network, whole: attacks are read with their neighbours, then each moment is answered from the attacks around it.

    attack features --input--> h --3 x (neighbour mixing, residual)--> encodings of attacks
    [previous, current, next encoding] + frame features --layers--> centre and spread of three lanes

Neighbours are attacks at fixed distances (a dilated convolution), and a tap is closed where the neighbour belongs to
another part or lies more than `reach_s` away. So the view is finite in attacks and in seconds, whatever is batched
together and however long the cue is: an edit far away cannot be seen, and there is no padding to go wrong.

Units: controller steps; spread is half the width of the 68 % band of hands around the default: the scale of a Laplace
distribution times 1.14 (-ln .32).

A second network of the same build, `Evidence`, is the view on which a personal head stands (`evidence.py`): it sees
more columns of each frame and, where lanes are already drawn, those, and answers with features instead of lanes.

The only file of model/ that imports torch.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import asdict, dataclass, fields
from pathlib import Path
from typing import Any, cast

import numpy as np
import torch
from numpy.typing import NDArray
from safetensors import SafetensorError, safe_open
from safetensors.torch import save
from torch import Tensor, nn

from phrasewright.data.errors import InputError
from phrasewright.data.files import check_file, write_together
from phrasewright.model.evidence import MIDDLE_CC, SCALE_CC
from phrasewright.model.features import ATTACK_FEATURES, FRAME_FEATURES
from phrasewright.model.personal_features import N_BASIS

LAPLACE_68 = 1.14
CHUNK, BLOCK = 2048, 256
"""Frames and attacks that are computed at a time; `BLOCK` must exceed twice the view of 15 attacks."""
MAX_BYTES, MAX_REACH_S = 256 << 20, 60.0
"""No weights here are nearly so large, nor look so far."""
N_KNOWN = 15
"""What the evidence network sees of lanes already drawn: five numbers a lane (`evidence.py`)."""


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


class Neighbours(nn.Module):
    """One residual block over attacks: five taps `dilation` apart, closed at part borders and beyond `reach_s`."""

    def __init__(self, width: int, dilation: int, reach_s: float) -> None:
        super().__init__()
        self.shifts = [k * dilation for k in (-2, -1, 0, 1, 2)]
        self.reach_s = reach_s
        self.norm = nn.LayerNorm(width)
        self.mix = nn.Linear(len(self.shifts) * width, width)
        self.out = nn.Linear(width, width)

    def forward(self, h: Tensor, onset_s: Tensor, part: Tensor) -> Tensor:
        """`h` (attack, width), `onset_s` and `part` (attack,) -> (attack, width)."""
        n, width = h.shape
        beyond = -self.shifts[0]
        padded = nn.functional.pad(self.norm(h), (0, 0, beyond, beyond))
        taps = torch.cat([padded[beyond + shift : beyond + shift + n] for shift in self.shifts], dim=1)
        wanted = torch.arange(n, device=h.device)[:, None] + torch.tensor(self.shifts, device=h.device)
        there = wanted.clamp(0, n - 1)  # (attack, 5)
        near = (onset_s[there] - onset_s[:, None]).abs() <= self.reach_s
        open_ = (wanted == there) & (part[there] == part[:, None]) & near
        taps = (taps.view(n, -1, width) * open_[:, :, None].to(h.dtype)).view(n, -1)
        mixed = nn.functional.gelu(self.mix(taps))  # (attack, 5 * width) -> (attack, width)
        return h + torch.as_tensor(self.out(mixed))


class Trunk(nn.Module):
    """The part both networks share in kind: attacks of any number of parts, laid end to end, to what frames see."""

    def __init__(self, config: NetworkConfig | EvidenceConfig) -> None:
        super().__init__()
        self.input = nn.Linear(config.n_attack_features, config.width)
        self.blocks = nn.ModuleList(Neighbours(config.width, d, config.reach_s) for d in config.dilations)
        self.norm = nn.LayerNorm(config.width)
        self.view = nn.Linear(3 * config.width, config.hidden)

    def encode(self, attack: Tensor, onset_s: Tensor, part: Tensor) -> Tensor:
        """What frames see of an attack and its neighbours. (attack, feature), (attack,) twice -> (attack, hidden)."""
        h = self.input(attack)
        for block in self.blocks:
            h = block(h, onset_s, part)
        h = self.norm(h)
        same = (part[1:] == part[:-1])[:, None].to(h.dtype)
        edge = torch.zeros_like(h[:1])
        before = torch.cat([edge, h[:-1] * same])
        after = torch.cat([h[1:] * same, edge])
        return torch.as_tensor(self.view(torch.cat([before, h, after], dim=1)))  # 3 * width -> hidden


class Network(Trunk):
    """The default: attacks and frames to lanes in controller steps."""

    def __init__(self, config: NetworkConfig) -> None:
        super().__init__(config)
        self.config = config
        self.moment = nn.Linear(config.n_frame_features, config.hidden)
        self.layers = nn.ModuleList(nn.Linear(config.hidden, config.hidden) for _ in range(2))
        self.centre = nn.Linear(config.hidden, config.n_lanes)
        self.spread = nn.Linear(config.hidden, config.n_lanes)

    def represent(self, encoded: Tensor, frame: Tensor, at: Tensor) -> Tensor:
        """What the last layer sees of each frame: (frame, hidden). `at` (frame,) is each frame's attack."""
        x = nn.functional.gelu(encoded.index_select(0, at) + self.moment(frame))  # (frame, hidden)
        for layer in self.layers:
            x = nn.functional.gelu(layer(x))
        return x

    def forward(self, encoded: Tensor, frame: Tensor, at: Tensor) -> tuple[Tensor, Tensor]:
        """Centre and spread, each (frame, lane), in steps."""
        x = self.represent(encoded, frame, at)
        return MIDDLE_CC + SCALE_CC * self.centre(x), self.scale_of(x)

    def scale_of(self, x: Tensor) -> Tensor:
        """The spread from what the last layer sees: the scale of a Laplace distribution, steps, (frame, lane)."""
        return torch.as_tensor(nn.functional.softplus(self.spread(x)) * SCALE_CC * 0.25 + 0.25)


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


class Layer(nn.Module):
    """A residual layer of the evidence network's decoder."""

    def __init__(self, hidden: int) -> None:
        super().__init__()
        self.norm = nn.LayerNorm(hidden)
        self.up = nn.Linear(hidden, hidden)
        self.down = nn.Linear(hidden, hidden)

    def forward(self, x: Tensor) -> Tensor:
        """(frame, hidden) -> the same."""
        return x + torch.as_tensor(self.down(nn.functional.gelu(self.up(self.norm(x)))))


class HeadStart(nn.Module):
    """The prior of a hand's head: see `HeadPrior` in `evidence.py`, of which this is the trained form."""

    def __init__(self, n_features: int, n_lanes: int) -> None:
        super().__init__()
        n = n_features + 1
        self.mean = nn.Parameter(torch.zeros(n, n_lanes))
        self.log_precision = nn.Parameter(torch.full((n, n_lanes), 2.0))
        self.log_facts = nn.Parameter(torch.full((n_lanes,), 3.0))
        self.noise = nn.Parameter(torch.zeros(n, n_lanes))


class Evidence(Trunk):
    """Attacks and frames, and lanes already drawn, to the features on which a hand's head is linear."""

    def __init__(self, config: EvidenceConfig) -> None:
        super().__init__(config)
        self.config = config
        self.usual: Tensor  # mean and 1 / spread of the columns
        self.register_buffer("usual", torch.zeros(2, config.n_frame_features))
        self.moment = nn.Linear(config.n_frame_features, config.hidden)
        self.known = nn.Linear(N_KNOWN, config.hidden, bias=False)
        self.layers = nn.ModuleList(Layer(config.hidden) for _ in range(config.n_layers))
        self.last = nn.LayerNorm(config.hidden)
        self.out = nn.Linear(config.hidden, config.n_features)
        self.head = HeadStart(config.n_features, config.n_lanes)

    def decode(self, encoded: Tensor, frame: Tensor, at: Tensor, known: Tensor | None = None) -> Tensor:
        """(attack, hidden), (frame, feature), each frame's attack, (frame, N_KNOWN) -> (frame, hidden)."""
        shift, scale = self.usual.unbind()
        x = encoded.index_select(0, at) + self.moment(((frame - shift) * scale).clamp(-5.0, 5.0))
        x = nn.functional.gelu(x if known is None else x + self.known(known))
        for layer in self.layers:
            x = layer(x)
        return torch.as_tensor(self.last(x))

    def forward(self, encoded: Tensor, frame: Tensor, at: Tensor, known: Tensor | None = None) -> Tensor:
        """As `decode`, to (frame, n_features)."""
        return torch.as_tensor(self.out(self.decode(encoded, frame, at, known)))


def save_weights(network: Network | Evidence, path: Path) -> None:
    """Write the weights, whole or not at all. Raises OutputError."""
    write_together({path: weights_bytes(network)})


def weights_bytes(network: Network | Evidence) -> bytes:
    """The weights as float16 safetensors, the configuration in the header."""
    tensors = {name: t.detach().to("cpu", torch.float16).contiguous() for name, t in network.state_dict().items()}
    return save(tensors, metadata={"config": json.dumps(asdict(network.config))})


def load_weights(path: Path) -> Network:
    """Read the default's weights, checking the header against the sizes before anything is used.

    Raises
    ------
    InputError
        The file is missing or damaged, was made for other features, or a tensor is missing, extra or of another shape.
    """
    return cast(Network, _loaded(path, NetworkConfig, Network))


def load_evidence(path: Path) -> Evidence:
    """Read the evidence network's weights in the same way."""
    return cast(Evidence, _loaded(path, EvidenceConfig, Evidence))


def _loaded(path: Path, kind: type[Any], build: type[nn.Module]) -> nn.Module:
    check_file(path, most_bytes=MAX_BYTES, what="weights")
    try:
        with _one_thread(), safe_open(path, framework="pt") as file:
            network = build(_config_of(file.metadata() or {}, path, kind))
            wanted = {name: tuple(t.shape) for name, t in network.state_dict().items()}
            found = {name: tuple(file.get_slice(name).get_shape()) for name in file.keys()}  # noqa: SIM118
            if wanted != found:
                odd = sorted(name for name in wanted.keys() | found.keys() if wanted.get(name) != found.get(name))[0]
                raise InputError(
                    f"{path}: tensor {odd} has shape {found.get(odd, 'none')}, expected {wanted.get(odd, 'none')}; "
                    "train the weights again or use the ones that came with this version"
                )
            tensors = {name: file.get_tensor(name).float() for name in wanted}
            odd = next((name for name, tensor in tensors.items() if not bool(tensor.isfinite().all())), None)
            if odd is not None:
                raise InputError(f"{path}: tensor {odd} holds values that are no numbers; train the weights again")
            network.load_state_dict(tensors)
    except (OSError, SafetensorError) as fault:
        raise InputError(f"{path}: no usable weights ({fault}); install again or train them anew") from fault
    return network.eval()


def _config_of(header: Mapping[str, str], path: Path, kind: type[Any]) -> Any:
    """The configuration in a header; numbers only, and bounded, so that a crafted file cannot claim much memory."""
    try:
        found = json.loads(header["config"])
        values = {f.name: found[f.name] for f in fields(kind)}
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


@torch.inference_mode()
def predict(
    network: Network,
    *,
    attack: NDArray[np.float32],
    onset_s: NDArray[np.float64],
    frame: NDArray[np.float32],
    at: NDArray[np.int64],
    chunk: int = CHUNK,
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Centre and spread of one part in steps, each (n_frames, 3), on the CPU, `chunk` frames at a time.

    Attacks and frames are laid into blocks of one size, counted from the part's start: how a processor adds up depends
    on the size of what it is given, and so an edit near the end could change the last digit of the beginning.
    """
    with _one_thread():
        return _predicted(network, attack, onset_s, frame, at, chunk)


@contextmanager
def _one_thread() -> Iterator[None]:
    """One thread: the matrices are small, and threads that wait for each other cost more than they bring; nor would
    they be there after a fork.
    """
    before = torch.get_num_threads()
    torch.set_num_threads(1)
    try:
        yield
    finally:
        torch.set_num_threads(before)


def _predicted(
    network: Network,
    attack: NDArray[np.float32],
    onset_s: NDArray[np.float64],
    frame: NDArray[np.float32],
    at: NDArray[np.int64],
    chunk: int,
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    encoded = _encoded(network, network.config.dilations, attack, onset_s)
    n = len(frame)
    rows = np.minimum(np.arange(-(-n // chunk) * chunk), n - 1).reshape(-1, chunk)  # the last frame fills up
    pairs = [network(encoded, torch.from_numpy(frame[r]), torch.from_numpy(at[r])) for r in rows]
    centre, spread = (torch.cat(tensors)[:n].double().numpy() for tensors in zip(*pairs, strict=True))
    return centre, spread * LAPLACE_68


def _encoded(
    network: Trunk, dilations: tuple[int, ...], attack: NDArray[np.float32], onset_s: NDArray[np.float64]
) -> Tensor:
    """Encodings of one part's attacks, (attack, hidden), in overlapping blocks of `BLOCK` attacks."""
    n, halo = len(attack), 2 * sum(dilations) + 1
    blocks = []
    for start in range(0, n, BLOCK - 2 * halo):
        row = np.arange(start - halo, start - halo + BLOCK)
        part = np.where((row >= 0) & (row < n), 0, -1)
        row = np.clip(row, 0, n - 1)
        encoded = network.encode(torch.from_numpy(attack[row]), torch.from_numpy(onset_s[row]), torch.from_numpy(part))
        blocks.append(encoded[halo : BLOCK - halo])
    return torch.cat(blocks)[:n]


@torch.inference_mode()
def evidence_of(
    network: Evidence,
    *,
    attack: NDArray[np.float32],
    onset_s: NDArray[np.float64],
    frame: NDArray[np.float32],
    at: NDArray[np.int64],
    known: NDArray[np.float32] | None = None,
    chunk: int = CHUNK,
) -> NDArray[np.float32]:
    """Features of one part's frames, (n_frames, n_features); `known` (n_frames, N_KNOWN) tells of lanes drawn."""
    with _one_thread():
        encoded = _encoded(network, network.config.dilations, attack, onset_s)
        n = len(frame)
        rows = np.minimum(np.arange(-(-n // chunk) * chunk), n - 1).reshape(-1, chunk)
        drawn = [None if known is None else torch.from_numpy(known[r]) for r in rows]
        pieces = [
            network(encoded, torch.from_numpy(frame[r]), torch.from_numpy(at[r]), k)
            for r, k in zip(rows, drawn, strict=True)
        ]
        return torch.cat(pieces)[:n].float().numpy()
