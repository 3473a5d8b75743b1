"""Training the base model, on one page: build groups, train the default, train the evidence network, write the card.

The default learns what the rules draw less what nobody can foresee: the loss is the distance in steps plus the distance
of movements from frame to frame, for a curve that is right on average and stands still is dead. Its spread and the
factors of the bands are fitted afterwards to people of the prior (`bands.py`). The evidence network learns that a
little of a hand determines the rest (`evidence_fitting.py`). What is kept of both is a running mean of the weights
(`loop.py`).
"""

from __future__ import annotations

import csv
import io
import os
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path
from typing import Any, cast

import numpy as np
import torch
from torch import Tensor, nn

from phrasewright.data.curves import LANES
from phrasewright.data.errors import InputError, OutputError
from phrasewright.data.files import unwritable, write_together
from phrasewright.data.store import Store
from phrasewright.model.network import EvidenceConfig, NetworkConfig
from phrasewright.training.bands import calibrated, refitted_spread
from phrasewright.training.cards import card_files
from phrasewright.training.corpus import parted
from phrasewright.training.evidence_fitting import (
    JUDGED_CUES,
    Episodes,
    Exact,
    Pool,
    drawn_episode,
    episode_loss,
    judged,
)
from phrasewright.training.examples import Group, build_groups, correction_groups, read_scores
from phrasewright.training.loop import Course, Figures, join_processes, leave_processes, optimise, ranks
from phrasewright.training.networks import Evidence, Network, loaded_default, loaded_evidence, weights_bytes

JUDGED_SEEDS = range(900_001, 901_000)
"""Groups of held-out scores, or invented with seeds no training group has."""
WEIGHTS = ("base", "evidence")
Tell = Callable[[Mapping[str, Any]], None]


@dataclass(frozen=True)
class Settings:
    """What a training run is told; the defaults are the preset `full`."""

    n_scores: int | None = None  # all that are not held out
    n_groups: int = 170
    n_cues: int = 6  # of a group
    n_people: int = 24
    n_judged: int = 6
    default_steps: int = 4000
    evidence_steps: int = 6000
    parts_a_batch: int = 128
    frames_a_part: int = 192
    default_rate: float = 3e-3  # falls to 0 along half a cosine after a short rise
    evidence_rate: float = 2e-3
    weight_decay: float = 1e-4
    movement_weight: float = 2.5
    running_mean: float = 0.999
    refit_steps: int = 800
    n_looks: int = 10  # at the held-out groups, each a line of the log and a checkpoint
    episodes: Episodes = field(default_factory=Episodes)


PRESETS = {
    "full": Settings(),
    "small": Settings(
        n_scores=24,
        n_groups=14,
        n_people=8,
        n_judged=1,
        refit_steps=200,
        n_looks=4,
        default_steps=1800,
        evidence_steps=1200,
        parts_a_batch=24,
        frames_a_part=96,
        running_mean=0.995,
        episodes=Episodes(groups=2, people=6, shown=300, asked=150),
    ),
}


def default_loss(network: Network, pool: Pool, settings: Settings, rng: np.random.Generator) -> tuple[Tensor, Figures]:
    """Loss over frames drawn from parts, and mean absolute errors in steps."""
    parts = rng.choice(len(pool.vibrato), min(settings.parts_a_batch, len(pool.vibrato)), replace=False)
    first, stop = pool.part_start[parts], pool.part_start[parts + 1]
    share = rng.random((len(parts), settings.frames_a_part))
    frames = first[:, None] + (share * (stop - first - 1)[:, None]).astype(int)
    device = pool.device
    n_attacks = np.diff(pool.part_attack)[parts]
    attacks = np.concatenate([np.arange(*pool.part_attack[p : p + 2]) for p in parts.tolist()])
    number, owner = torch.from_numpy(attacks).to(device), torch.from_numpy(np.repeat(np.arange(len(parts)), n_attacks))
    shift = torch.from_numpy(np.r_[0, np.cumsum(n_attacks)[:-1]] - pool.part_attack[parts]).to(device)[:, None]
    both = torch.from_numpy(np.concatenate([frames, frames + 1], axis=1)).to(device)
    encoded = network.encode(pool.attack[number].float(), pool.onset_s[number], owner.to(device))
    features = pool.frame[both][:, :, : network.config.n_frame_features].float().flatten(0, 1)
    at = (pool.at_all[both] + shift).flatten()
    centre, _ = network(encoded, features, at)
    error = (centre - pool.default[both].float().flatten(0, 1)).unflatten(0, both.shape)  # (part, 2 n, lane)
    weight = torch.ones(len(parts), 1, len(LANES), device=device)
    weight[:, 0, 2] = torch.where(pool.vibrato[torch.from_numpy(parts).to(device)], 0.6, 0.1)
    size = error.abs()
    distance = (torch.where(size < 0.5, size * size, size - 0.25) * weight).mean()  # round at 0, straight from .5 on
    before, after = error.chunk(2, dim=1)
    movement = ((after - before).abs() * weight).mean()
    loss = distance + settings.movement_weight * movement
    return loss, dict(zip(LANES, size.detach().mean(dim=(0, 1)).tolist(), strict=True))


@torch.no_grad()
def default_judged(network: nn.Module, pool: Pool, settings: Settings) -> Figures:
    """Mean absolute errors on held-out parts, the same each time."""
    rng = np.random.default_rng(0)
    _, found = default_loss(cast(Network, network), pool, replace(settings, parts_a_batch=64), rng)
    return {f"held_out_{name}": value for name, value in found.items()}


def train(
    out: Path,
    *,
    preset: str = "full",
    steps: int | None = None,
    seed: int = 0,
    device: str = "auto",
    workers: int | None = None,
    force: bool = False,
    tell: Tell | None = None,
    command: str = "",
    cache: Path | None = None,
    start: Path | None = None,
    store: Store | None = None,
    sizes: tuple[NetworkConfig, EvidenceConfig] | None = None,
) -> Path | None:
    """Train and write `base.safetensors`, `evidence.safetensors`, their cards and `log.csv` into `out`.

    An interrupted run leaves checkpoints there; the same call goes on from them and ends in the same numbers. Files
    appear together: where the default's weights stand, all belongs to them.

    Parameters
    ----------
    preset : str
        `full`, or `small` for two CPU cores.
    steps : int or None
        Of each of the two networks, instead of what the preset says.
    device : str
        `auto` takes a GPU where there is one. Under `torchrun`, each process takes its own.
    workers : int or None
        Processes that build examples; None for all cores. The result does not depend on it.
    force : bool
        Whether weights that lie there are replaced.
    tell : function or None
        Called with mappings as things go on.
    cache : Path or None
        Where the scores' rows are kept between runs (JSON).
    start : Path or None
        A folder of weights to go on from; None starts afresh.
    store : Store or None
        Whose corrections are learned with the rest, each style as a hand.

    Returns
    -------
    Path or None
        Of the default's weights; None in the processes that `torchrun` started beside the first, which write nothing.

    Raises
    ------
    InputError
        Weights lie there already, there are no scores, or there is no such device.
    OutputError
        The folder cannot be written.
    """
    settings = PRESETS[preset]
    if steps:
        settings = replace(settings, default_steps=steps, evidence_steps=steps)
    _check_folder(out, force=force)
    if device == "cuda" and not torch.cuda.is_available():
        raise InputError("no CUDA device is to be had; leave --device out, or say --device cpu")
    chosen = join_processes(device)
    first = ranks()[0] == 0
    tell = tell if first else None
    began_s = time.monotonic()
    scores = read_scores(limit=settings.n_scores, workers=workers or os.cpu_count() or 1, cache=cache)
    if not scores:
        raise InputError("music21, whose scores are learned from, is not installed; pip install 'phrasewright[test]'")
    kept, held = parted(scores)
    seeds = range(seed * 10_000 + 1, seed * 10_000 + 1 + settings.n_groups)

    def built(numbers: Sequence[int], n_cues: int, *, known: bool) -> list[Group]:
        def progress(done: int) -> None:
            if tell:
                tell({"building": done, "of": len(numbers)})

        return build_groups(
            numbers, scores=kept if known else held, n_cues=n_cues, n_people=settings.n_people, workers=workers,
            progress=progress,
        )  # fmt: skip

    more = correction_groups(store, n_people=settings.n_people) if store else []
    groups = [*built(seeds, settings.n_cues, known=True), *more]
    pool = Pool(groups, chosen)
    judge = Pool(built(JUDGED_SEEDS[: settings.n_judged], JUDGED_CUES, known=False), chosen)
    built_s = time.monotonic() - began_s

    marks = {"preset": preset, "more": len(more), **asdict(settings)}
    default, evidence = _fresh(seed, sizes, start, pool)
    torch.set_float32_matmul_precision("high")

    def default_step(network: nn.Module, generator: torch.Generator) -> tuple[Tensor, Figures]:
        rng = np.random.default_rng(generator.initial_seed())
        return default_loss(cast(Network, network), pool, settings, rng)

    def evidence_step(network: nn.Module, generator: torch.Generator) -> tuple[Tensor, Figures]:
        return episode_loss(network, drawn_episode(pool, settings.episodes, generator), settings.episodes)

    def course(name: str, n: int, speed: float) -> Course:
        return Course(name, n, seed, speed, settings.weight_decay, settings.running_mean, marks, settings.n_looks)

    log = optimise(
        default.to(chosen), default_step, lambda n: default_judged(n, judge, settings),
        course("default", settings.default_steps, settings.default_rate), device=chosen, folder=out, tell=tell,
    )  # fmt: skip
    log += optimise(
        Exact(evidence).to(chosen), evidence_step, lambda n: judged(n, judge),
        course("evidence", settings.evidence_steps, settings.evidence_rate), device=chosen, folder=out, tell=tell,
    )  # fmt: skip
    refitted_spread(default, pool, steps=settings.refit_steps)
    leave_processes()
    if first:
        bands = calibrated(default, evidence, judge)
        spent = {"building_s": round(built_s), "total_s": round(time.monotonic() - began_s), "device": _device(chosen)}
        told = {"preset": preset, "seed": seed, "corrections": len(more), **asdict(settings)}
        files = {out / "log.csv": _table(log)}
        for name, network, stage in zip(WEIGHTS, (default, evidence), ("default", "evidence"), strict=True):
            parameters = sum(p.numel() for p in network.parameters())
            files |= card_files(
                out / f"{name}.safetensors",
                settings=told,
                command=command,
                scores=[score.name for score in kept],
                figures={"parameters": parameters, "training": spent, "held out": _last(log, stage)},
                bands=bands,
            )
        _write(out, files, default, evidence)
    return out / "base.safetensors" if first else None


def _write(out: Path, files: dict[Path, bytes], default: Network, evidence: Evidence) -> None:
    """Write files and weights together, the default's weights last, and drop the checkpoints."""
    for name, network in (("evidence", evidence), ("base", default)):
        files[out / f"{name}.safetensors"] = weights_bytes(network.eval())
    write_together(files)
    for name in ("default", "evidence"):
        (out / f"{name}.checkpoint").unlink(missing_ok=True)


def _check_folder(out: Path, *, force: bool) -> None:
    """Make the folder, and refuse one that holds weights; but a run may have been cut off while it moved its own."""
    try:
        out.mkdir(parents=True, exist_ok=True)
        there = [os.path.lexists(out / f"{name}.safetensors") for name in WEIGHTS]
    except (OSError, ValueError) as fault:
        raise unwritable(out, fault) from fault
    if not os.access(out, os.W_OK | os.X_OK):
        raise OutputError(f"{out}: cannot be written to; choose another folder, or change its permissions")
    if not force and (there[0] or (there[1] and not (out / "evidence.checkpoint").exists())):
        raise InputError(f"{out}: holds weights already; name another folder or add --force")


def _fresh(
    seed: int, sizes: tuple[NetworkConfig, EvidenceConfig] | None, start: Path | None, pool: Pool
) -> tuple[Network, Evidence]:
    if start:
        return loaded_default(start / "base.safetensors"), loaded_evidence(start / "evidence.safetensors")
    torch.manual_seed(seed)
    small, large = sizes or (NetworkConfig(), EvidenceConfig())
    default, evidence = Network(small), Evidence(large)
    evidence.usual.copy_(pool.usual())
    return default, evidence


def _table(log: Sequence[Mapping[str, Any]]) -> bytes:
    """The log as CSV."""
    columns = list(dict.fromkeys(name for line in log for name in line))
    table = io.StringIO(newline="")
    writer = csv.DictWriter(table, fieldnames=columns)
    writer.writeheader()
    writer.writerows(log)
    return table.getvalue().encode()


def _last(log: Sequence[Mapping[str, Any]], stage: str) -> dict[str, Any]:
    return dict([line for line in log if line["stage"] == stage][-1])


def _device(device: torch.device) -> str:
    return torch.cuda.get_device_name(device) if device.type == "cuda" else f"CPU, {torch.get_num_threads()} threads"
