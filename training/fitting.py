"""Training the base model, on one page: build examples, draw batches, two losses and a spread, write weights and card.

The loss is the distance in steps plus the distance of movements over 60 ms: a curve that is right on average and stands
still is punished by the second. Half of the frames lie near onsets. The spread is learned as the scale of a Laplace
distribution of other hands around the default one (style zero), so it tells how far hands differ there. What is kept is
a running mean of the weights, which is steadier than the last step.
"""

from __future__ import annotations

import argparse
import csv
import json
import os
import sys
import time
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import torch
from torch import Tensor

from phrasewright.data.curves import LANES
from phrasewright.model.network import Network, NetworkConfig, load_weights, save_weights
from phrasewright.training.cards import write_card
from phrasewright.training.corpus import held_out
from phrasewright.training.examples import STEP, Example, build, read_scores

VALIDATION_SEEDS = range(9_000_000, 9_001_000)
"""Cues arranged from held-out scores, or invented with seeds no training cue has."""


@dataclass(frozen=True)
class Settings:
    """What a training run is told; the defaults are the preset `full`."""

    n_cues: int = 2600
    n_validation: int = 48
    n_scores: int | None = None  # all that are not held out
    n_hands: int = 4  # the default and three drawn ones over each cue
    steps: int = 6000
    parts_a_batch: int = 128
    frames_a_part: int = 192
    learning_rate: float = 3e-3  # falls to 0 along half a cosine after a short warm-up
    weight_decay: float = 1e-4
    movement_frames: int = 3  # movements are compared over 60 ms
    movement_weight: float = 2.5
    spread_weight: float = 0.3
    running_mean: float = 0.999
    default_share: float = 0.5  # of batches' parts drawn by the default hand


PRESETS = {
    "full": Settings(),
    "tune": Settings(
        n_cues=100,
        n_validation=8,
        n_hands=2,
        steps=450,
        parts_a_batch=12,
        frames_a_part=160,
        learning_rate=5e-4,
        running_mean=0.99,
    ),
    "small": Settings(n_cues=120, n_scores=24, n_hands=3, steps=1500, parts_a_batch=24, frames_a_part=128),
}


class Pool:
    """All examples end to end on one device, from which batches are drawn."""

    def __init__(self, examples: Sequence[Example], device: torch.device) -> None:
        def joined(arrays: list[Any]) -> Tensor:
            return torch.from_numpy(np.concatenate(arrays)).to(device)

        def starts(lengths: list[int]) -> Tensor:
            return torch.tensor(np.r_[0, np.cumsum(lengths)], device=device)

        self.attack, self.onset_s = joined([e.attack for e in examples]), joined([e.onset_s for e in examples])
        self.frame, self.at = joined([e.frame for e in examples]), joined([e.at for e in examples])
        self.frame_no = joined([e.frame_no for e in examples])
        self.target = joined([e.target.transpose(1, 0, 2) for e in examples])  # (frame, hand, lane)
        self.style = torch.from_numpy(np.stack([e.style for e in examples])).to(device)  # (part, hand, style)
        self.vibrato = torch.tensor([e.vibrato for e in examples], device=device)
        self.attack_start = starts([len(e.attack) for e in examples])
        self.frame_start = starts([len(e.at) for e in examples])
        near = [np.flatnonzero(e.near) for e in examples]
        self.near, self.near_start = joined(near), starts([len(n) for n in near])
        self.n_parts, self.device = len(examples), device

    def frames(self, parts: Tensor, n: int) -> Tensor:
        """Numbers of `n` frames of each part, (part, n): half anywhere, half near onsets."""
        start, length = self.frame_start[parts], self.frame_start[parts + 1] - self.frame_start[parts]
        dice = torch.rand(len(parts), n, device=self.device)
        near, n_near = self.near_start[parts], self.near_start[parts + 1] - self.near_start[parts]
        at_near = self.near[(near[:, None] + (dice * n_near[:, None]).long()).clamp(max=len(self.near) - 1)]
        anywhere = (dice * length[:, None]).long()
        mixed = torch.where((torch.arange(n, device=self.device) % 2 == 0) & (n_near > 0)[:, None], at_near, anywhere)
        return start[:, None] + mixed

    def attacks(self, parts: Tensor) -> tuple[Tensor, Tensor, Tensor]:
        """Numbers of all attacks of the parts, which of `parts` each belongs to, and where each part's begin there."""
        length = self.attack_start[parts + 1] - self.attack_start[parts]
        owner = torch.repeat_interleave(torch.arange(len(parts), device=self.device), length)
        begin = torch.cumsum(length, 0) - length
        number = torch.arange(len(owner), device=self.device) - begin[owner] + self.attack_start[parts][owner]
        return number, owner, begin


def batch_loss(network: Network, pool: Pool, parts: Tensor, hands: Tensor, settings: Settings) -> tuple[Tensor, Tensor]:
    """Loss, and mean absolute error in steps of each lane (3,), over frames drawn from `parts` as `hands` draw them."""
    number, owner, begin = pool.attacks(parts)
    encoded = network.encode(pool.attack[number].float(), pool.onset_s[number], owner)
    frames = pool.frames(parts, settings.frames_a_part)  # (part, frame)
    later = torch.minimum(frames + settings.movement_frames, pool.frame_start[parts + 1][:, None] - 1)
    both = torch.cat([frames, later], dim=1)  # (part, 2 * frame)
    at = (begin[:, None] + pool.at[both]).flatten()
    features = pool.frame[both].flatten(0, 1).float()
    style = pool.style[parts, hands]  # (part, style)
    per_frame = style.repeat_interleave(both.shape[1], dim=0)
    centre, _ = network(encoded, features, at, per_frame)
    target = pool.target[both.flatten(), hands.repeat_interleave(both.shape[1])].float()  # (part * 2 * frame, lane)
    error = (centre - target).unflatten(0, both.shape)  # (part, 2 * frame, lane)
    weight = torch.ones(len(parts), 1, 3, device=pool.device)
    weight[:, 0, 2] = torch.where(pool.vibrato[parts], 0.6, 0.1)
    first, second = error.chunk(2, dim=1)
    apart = (pool.frame_no[later] - pool.frame_no[frames] == settings.movement_frames * STEP)[:, :, None]
    size = error.abs()
    distance = (torch.where(size < 0.5, size * size, size - 0.25) * weight).mean()  # round at 0, straight from .5 on
    movement = ((second - first).abs() * apart * weight).mean()
    _, spread = network(encoded.detach(), features, at, torch.zeros_like(per_frame[:1]))
    with torch.no_grad():
        usual, _ = network(encoded, features, at, torch.zeros_like(per_frame[:1]))
        away = (target - usual).abs().unflatten(0, both.shape)
    spread = spread.unflatten(0, both.shape)
    other = (hands > 0)[:, None, None]
    surprise = ((torch.log(spread) + away / spread) * other).mean()
    loss = distance + settings.movement_weight * movement + settings.spread_weight * 0.1 * surprise
    return loss, error.detach().abs().mean(dim=(0, 1))


def train(
    out: Path,
    *,
    preset: str = "full",
    steps: int | None = None,
    n_cues: int | None = None,
    seed: int = 0,
    device: str = "auto",
    workers: int | None = None,
    progress: Callable[[str], None] | None = None,
    command: str = "",
    cache: Path | None = None,
    start: Path | None = None,
    config: NetworkConfig | None = None,
) -> Path:
    """Train and write `base.safetensors`, its card (`base.json`, `base.md`) and `log.csv` into `out`.

    Parameters
    ----------
    preset : str
        `full`; `small` for a try on a CPU; `tune` to go on from weights after the teacher changed a little. `steps` and
        `n_cues` override what it says.
    device : str
        `auto` takes a GPU where there is one.
    workers : int or None
        Processes that build examples; None for all cores. The result does not depend on it.
    cache : Path or None
        Where the scores' rows are kept between runs (JSON).
    start : Path or None
        Weights to go on from, with their card; None starts afresh. The preset `tune` is meant for that.

    Returns
    -------
    Path
        Of the weights.
    """
    say = progress or (lambda _: None)
    settings = PRESETS[preset]
    settings = replace(settings, steps=steps or settings.steps, n_cues=n_cues or settings.n_cues)
    chosen = torch.device(("cuda" if torch.cuda.is_available() else "cpu") if device == "auto" else device)
    out.mkdir(parents=True, exist_ok=True)
    began_s = time.monotonic()
    scores = read_scores(limit=settings.n_scores, workers=workers or os.cpu_count() or 1, cache=cache)
    kept, held = ([score for score in scores if held_out(score.name) == h] for h in (False, True))
    say(f"read {len(kept)} scores to learn from, {len(held)} to judge by, in {time.monotonic() - began_s:.0f} s")
    seeds = range(seed * 1_000_000, seed * 1_000_000 + settings.n_cues)
    examples = build(seeds, scores=kept, n_hands=settings.n_hands, workers=workers)
    judged = build(VALIDATION_SEEDS[: settings.n_validation], scores=held, n_hands=settings.n_hands, workers=workers)
    pool, judge = Pool(examples, chosen), Pool(judged, chosen)
    say(f"{pool.n_parts} parts, {len(pool.at)} frames in {time.monotonic() - began_s:.0f} s")

    torch.manual_seed(seed)
    network = (load_weights(start) if start else Network(config or NetworkConfig())).train().to(chosen)
    mean = {name: tensor.detach().clone() for name, tensor in network.state_dict().items()}
    torch.set_float32_matmul_precision("high")
    optimiser = torch.optim.AdamW(
        network.parameters(), lr=settings.learning_rate, weight_decay=settings.weight_decay, fused=chosen.type == "cuda"
    )
    ramp = torch.optim.lr_scheduler.LambdaLR(optimiser, lambda i: _rate(i, settings.steps))
    log: list[dict[str, float]] = []
    for step in range(1, settings.steps + 1):
        loss, error = batch_loss(network, pool, *_drawn(pool, settings), settings)
        optimiser.zero_grad(set_to_none=True)
        loss.backward()  # type: ignore[no-untyped-call]
        torch.nn.utils.clip_grad_norm_(network.parameters(), 1.0)
        optimiser.step()
        ramp.step()
        keep = min(settings.running_mean, step / (step + 10))
        torch._foreach_lerp_(list(mean.values()), list(network.state_dict().values()), 1 - keep)
        if step % max(settings.steps // 20, 1) == 0:
            log.append({"step": step, **_judged(network, mean, judge, settings), **_named("train", error)})
            log[-1]["seconds"] = round(time.monotonic() - began_s, 1)
            say(json.dumps(log[-1]))
    network.load_state_dict(mean)
    weights = out / "base.safetensors"
    save_weights(network.eval(), weights)
    with (out / "log.csv").open("w", newline="") as file:
        writer = csv.DictWriter(file, fieldnames=list(log[-1]))
        writer.writeheader()
        writer.writerows(log)
    write_card(
        weights,
        settings={"preset": preset, "seed": seed, **asdict(settings)},
        begun_from=json.loads(start.with_suffix(".json").read_text(encoding="utf-8")) if start else None,
        command=command,
        scores=[score.name for score in kept],
        figures={"parameters": sum(p.numel() for p in network.parameters()), "validation": log[-1]},
    )
    return weights


def _drawn(pool: Pool, settings: Settings) -> tuple[Tensor, Tensor]:
    """Parts of one batch and the hand that draws each."""
    parts = torch.randint(pool.n_parts, (settings.parts_a_batch,), device=pool.device)
    last = pool.style.shape[1] - 1
    hands = torch.randint(1, max(last, 1) + 1, parts.shape, device=pool.device).clamp(max=last)
    return parts, torch.where(torch.rand(parts.shape, device=pool.device) < settings.default_share, 0, hands)


def _rate(step: int, steps: int) -> float:
    warm = max(steps // 50, 1)
    return float(min((step + 1) / warm, 0.5 + 0.5 * np.cos(np.pi * min(step / steps, 1.0))))


@torch.no_grad()
def _judged(network: Network, mean: dict[str, Tensor], pool: Pool, settings: Settings) -> dict[str, float]:
    """Errors on the held-out pool of the running mean of the weights, default hand, in steps."""
    now = {name: tensor.detach().clone() for name, tensor in network.state_dict().items()}
    network.load_state_dict(mean)
    parts = torch.arange(pool.n_parts, device=pool.device)
    loss, error = batch_loss(network.eval(), pool, parts, torch.zeros_like(parts), settings)
    network.load_state_dict(now)
    network.train()
    return {"loss": round(float(loss), 4), **_named("held_out", error)}


def _named(prefix: str, error: Tensor) -> dict[str, float]:
    return {f"{prefix}_{lane}": round(float(e), 3) for lane, e in zip(LANES, error, strict=True)}


def main(arguments: Sequence[str] | None = None) -> None:
    """Run as `python -m phrasewright.training.fitting --out FOLDER [--preset small|full] [--steps N] ...`."""
    parser = argparse.ArgumentParser(description="Train the base model.")
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--preset", choices=sorted(PRESETS), default="full")
    parser.add_argument("--steps", type=int)
    parser.add_argument("--cues", type=int, dest="n_cues")
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--device", default="auto")
    parser.add_argument("--cache", type=Path)
    parser.add_argument("--start", type=Path)
    parser.add_argument("--workers", type=int)
    given = parser.parse_args(arguments)
    words = " ".join(sys.argv[1:] if arguments is None else arguments)
    command = f"python -m phrasewright.training.fitting {words}"
    train(**vars(given), command=command, progress=lambda text: print(text, file=sys.stderr, flush=True))


if __name__ == "__main__":
    main()
