"""Ways of turning a little of a hand into the rest, at equal budget: here it was decided which one is used.

    python -m phrasewright.training.contenders --cache build/scores.json --seconds 45

- `exact`: features on which an exact Bayesian linear head is fitted (Harrison et al. 2018); shipped.
- `exact-frames`: the same without the mixing of neighbouring attacks.
- `in-context`: what was shown is summed up as a vector that bends the decoder (Garnelo et al. 2018, "neural process").
"""

from __future__ import annotations

import argparse
import json
import sys
import time
from collections.abc import Sequence
from pathlib import Path

import torch
from torch import Tensor, nn

from phrasewright.model.network import EvidenceConfig
from phrasewright.training.corpus import parted
from phrasewright.training.evidence_fitting import (
    Episode,
    Episodes,
    Exact,
    Pool,
    drawn_episode,
    episode_loss,
    features_of,
    judged,
)
from phrasewright.training.examples import build_groups, read_scores
from phrasewright.training.loop import Course, Figures, optimise
from phrasewright.training.networks import Evidence, save_weights


class InContext(nn.Module):
    """What was shown becomes one vector a hand, the mean over its frames; it bends the decoder."""

    def __init__(self, network: Evidence, size: int = 128) -> None:
        super().__init__()
        self.network = network
        hidden, k = network.config.hidden, network.config.n_features
        self.take = nn.Sequential(nn.Linear(k + 3, hidden), nn.GELU(), nn.Linear(hidden, hidden), nn.GELU())
        self.sum_up = nn.Linear(hidden, size)
        self.bend = nn.Linear(size + 1, 2 * hidden)
        self.inner = nn.Linear(hidden, hidden)
        self.last = nn.Linear(hidden, 6)

    def forward(self, episode: Episode) -> tuple[Tensor, Tensor]:
        """As `Exact`."""
        shown, asked = features_of(self.network, episode, hidden=True)
        view = self.network.out(shown)[:, :, None].expand(-1, -1, episode.shown.target.shape[2], -1)
        each = self.take(torch.cat([view, episode.shown.target], -1))  # (batch, n, people, hidden)
        w = episode.shown.weight_s.mean(-1)[:, :, None, None]
        total = w.sum(1)
        amount = torch.log1p(total).expand(-1, each.shape[2], 1)
        hand = torch.cat([self.sum_up((each * w).sum(1) / (total + 1.0)), amount], -1)  # (batch, people, size + 1)
        scale, shift = self.bend(hand)[:, None].chunk(2, -1)  # (batch, 1, people, hidden)
        x = nn.functional.gelu(self.inner(asked)[:, :, None] * (1.0 + scale) + shift)
        centre, spread = self.last(x).chunk(2, -1)
        return centre, nn.functional.softplus(spread) + 0.02


def contenders(usual: Tensor) -> dict[str, nn.Module]:
    """All of them, fresh."""

    def network(**changes: int | tuple[int, ...]) -> Evidence:
        torch.manual_seed(0)
        fresh = Evidence(EvidenceConfig(**changes))  # type: ignore[arg-type]
        fresh.usual.copy_(usual)
        return fresh

    return {
        "exact": Exact(network()),
        "exact-wide": Exact(network(n_features=256)),
        "exact-frames": Exact(network(dilations=())),
        "in-context": InContext(network()),
    }


def main(arguments: Sequence[str] | None = None) -> None:
    """Train each for as many steps, and print errors on held-out pieces and hands."""
    parser = argparse.ArgumentParser(description="Compare ways of turning a little of a hand into the rest.")
    parser.add_argument("--seconds", type=float, default=45.0, help="of the first; the others take as many steps")
    parser.add_argument("--keep", type=Path, help="where the first one's weights go")
    parser.add_argument("--groups", type=int, default=100)
    parser.add_argument("--judged", type=int, default=6)
    parser.add_argument("--people", type=int, default=16)
    parser.add_argument("--cache", type=Path)
    parser.add_argument("--only")
    parser.add_argument("--workers", type=int)
    parser.add_argument("--small", action="store_true", help="episodes of a size for a CPU")
    given = parser.parse_args(arguments)
    device = torch.device("cuda" if torch.cuda.is_available() else "cpu")
    began_s = time.monotonic()
    scores = read_scores(cache=given.cache, workers=given.workers or 1)
    kept, held = parted(scores)
    size = {"n_people": given.people, "workers": given.workers}
    pool = Pool(build_groups(range(1, given.groups + 1), scores=kept, n_cues=6, **size), device)
    judge = Pool(build_groups(range(900_001, 900_001 + given.judged), scores=held, n_cues=12, **size), device)
    print(f"{len(pool.at)} frames, {time.monotonic() - began_s:.0f} s", file=sys.stderr, flush=True)
    episodes = Episodes(groups=2, people=4, shown=200, asked=100) if given.small else Episodes()

    def loss_of(model: nn.Module, generator: torch.Generator) -> tuple[Tensor, Figures]:
        return episode_loss(model, drawn_episode(pool, episodes, generator), episodes)

    steps = 0
    for name, model in contenders(pool.usual().cpu()).items():
        if given.only and name not in given.only.split(","):
            continue
        if not steps:
            tried_s = [0.0, 0.0]
            for k in range(2):  # the first time warms up
                course = Course(name, 20, 1, 1e-5, 1e-4, 0.998, {}, n_looks=1)
                tried_s[k] = time.monotonic()
                optimise(model.to(device), loss_of, lambda _: {}, course, device=device)
                tried_s[k] = time.monotonic() - tried_s[k]
            steps = max(int(given.seconds * 20 / tried_s[1]), 5)
            print(f"{steps} steps", file=sys.stderr, flush=True)
        began_s = time.monotonic()
        course = Course(name, steps, 0, 2e-3, 1e-4, 0.998, {}, n_looks=2)
        optimise(model.to(device), loss_of, lambda model: judged(model, judge), course, device=device)
        found = {key: round(value, 3) for key, value in judged(model, judge).items()}
        found["expression given"] = round(judged(model, judge, given=(True, False, False))["none"], 3)
        found["seconds"] = round(time.monotonic() - began_s, 1)
        found["parameters"] = sum(p.numel() for p in model.parameters())
        print(json.dumps({name: found}), flush=True)
        if given.keep and isinstance(model, Exact):
            save_weights(model.network.cpu(), given.keep)
            given.keep = None


if __name__ == "__main__":
    main()
