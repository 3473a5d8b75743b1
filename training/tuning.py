"""Bring the default nearer to the rules after they changed a little, without training it anew.

    python -m phrasewright.training.tuning --out FOLDER [--groups 18] [--steps 700] [--cache FILE]

A few minutes of one core. Writes `base.safetensors` into FOLDER; its spread and bands are then fitted by
`python -m phrasewright.training.bands --refit`, and `python -m phrasewright.training.evaluation --record` says
whether it passes the property tests of the rules.
"""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import torch
from torch import Tensor, nn

from phrasewright.model.prediction import WEIGHTS
from phrasewright.training.corpus import parted
from phrasewright.training.evidence_fitting import Pool
from phrasewright.training.examples import build_groups, read_scores
from phrasewright.training.fitting import JUDGED_SEEDS, PRESETS, Tell, default_judged, default_loss
from phrasewright.training.loop import Course, Figures, optimise
from phrasewright.training.networks import Network, loaded_default, save_weights

FIRST_SEED = 770_001
N_JUDGED = 2
SETTINGS = replace(PRESETS["full"], parts_a_batch=16, frames_a_part=160, running_mean=0.99, default_rate=5e-4)


def tuned(
    start: Path, *, n_groups: int, steps: int, seed: int = 7, workers: int = 1, cache: Path | None = None,
    tell: Tell | None = None,
) -> Network:  # fmt: skip
    """The default of `start`, taught `steps` more steps by the rules as they are; on the CPU, in one thread."""
    torch.set_num_threads(1)
    kept, held = parted(read_scores(cache=cache))
    device = torch.device("cpu")

    def pool(first: int, n: int, *, known: bool) -> Pool:
        scores = kept if known else held
        return Pool(build_groups(range(first, first + n), scores=scores, n_cues=6, n_people=1, workers=workers), device)

    taught, judge = pool(FIRST_SEED, n_groups, known=True), pool(JUDGED_SEEDS[0], N_JUDGED, known=False)
    network = loaded_default(start)

    def step(one: nn.Module, generator: torch.Generator) -> tuple[Tensor, Figures]:
        assert isinstance(one, Network)
        return default_loss(one, taught, SETTINGS, np.random.default_rng(generator.initial_seed()))

    course = Course(
        "default", steps, seed, SETTINGS.default_rate, SETTINGS.weight_decay, SETTINGS.running_mean, {}, n_looks=7
    )
    optimise(network, step, lambda n: default_judged(n, judge, SETTINGS), course, device=device, tell=tell)
    return network.eval()


def main(arguments: Sequence[str] | None = None) -> None:
    """The command."""
    parser = argparse.ArgumentParser(prog="phrasewright.training.tuning", description=__doc__)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--start", type=Path, default=WEIGHTS)
    parser.add_argument("--groups", type=int, default=18)
    parser.add_argument("--steps", type=int, default=700)
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--cache", type=Path)
    given = parser.parse_args(arguments)
    network = tuned(
        given.start, n_groups=given.groups, steps=given.steps, workers=given.workers, cache=given.cache,
        tell=lambda found: print(json.dumps(found), file=sys.stderr, flush=True),
    )  # fmt: skip
    given.out.mkdir(parents=True, exist_ok=True)
    save_weights(network, given.out / WEIGHTS.name)


if __name__ == "__main__":
    main()
