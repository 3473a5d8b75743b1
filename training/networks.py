"""The networks as torch modules, for training: the same as `model/network.py` runs with numpy, tensor by tensor."""

from __future__ import annotations

import json
from dataclasses import asdict
from pathlib import Path
from typing import Any, TypeVar

import torch
from safetensors.torch import save
from torch import Tensor, nn

from phrasewright.data.files import write_together
from phrasewright.model.evidence import MIDDLE_CC, SCALE_CC
from phrasewright.model.network import (
    N_KNOWN,
    N_LAYERS,
    N_TAPS,
    EvidenceConfig,
    NetworkConfig,
    Weights,
    load_evidence,
    load_weights,
)

M = TypeVar("M", bound=nn.Module)


class Neighbours(nn.Module):
    """One residual block over attacks: five taps `dilation` apart, closed at part borders and beyond `reach_s`."""

    def __init__(self, width: int, dilation: int, reach_s: float) -> None:
        super().__init__()
        self.shifts = [k * dilation for k in range(-(N_TAPS // 2), N_TAPS // 2 + 1)]
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
        self.layers = nn.ModuleList(nn.Linear(config.hidden, config.hidden) for _ in range(N_LAYERS))
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


def weights_of(network: Network | Evidence) -> Weights[Any]:
    """What `model/network.py` runs."""
    return Weights(network.config, {n: t.detach().float().cpu().numpy() for n, t in network.state_dict().items()})


def loaded_default(path: Path) -> Network:
    """The default in a file of weights, to train on. Raises InputError as `load_weights`."""
    weights = load_weights(path)
    return _filled(Network(weights.config), weights)


def loaded_evidence(path: Path) -> Evidence:
    """The evidence network in a file of weights, to train on. Raises InputError as `load_evidence`."""
    weights = load_evidence(path)
    return _filled(Evidence(weights.config), weights)


def _filled(network: M, weights: Weights[Any]) -> M:
    network.load_state_dict({name: torch.from_numpy(tensor) for name, tensor in weights.tensors.items()})
    return network.eval()
