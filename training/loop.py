"""The training loop, on one page: AdamW, a running mean of the weights, checkpoints, several processes.

What a step draws hangs on the seed, the step and the process alone, never on what came before, so a run that is taken
up again from its checkpoint ends in the same numbers (on one machine and device). A checkpoint is one safetensors file
with its facts in the header, written beside and renamed: whole or absent. Under `torchrun` each process draws its own
batches, gradients are averaged, and only the first process writes.
"""

from __future__ import annotations

import json
import os
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import torch
from safetensors import SafetensorError, safe_open
from safetensors.torch import save
from torch import Tensor, nn

from phrasewright.data.files import write_together

Figures = dict[str, float]
Loss = Callable[[nn.Module, torch.Generator], tuple[Tensor, Figures]]
Judge = Callable[[nn.Module], Figures]


@dataclass(frozen=True)
class Course:
    """How long and how fast. `name` names the checkpoint; `marks` is what must be equal for one to be taken up."""

    name: str
    steps: int
    seed: int
    learning_rate: float
    weight_decay: float
    running_mean: float
    marks: Mapping[str, Any]
    n_looks: int = 20  # at the held-out examples, each with a line in the log and a checkpoint


def optimise(
    network: nn.Module,
    loss_of: Loss,
    judge: Judge,
    course: Course,
    *,
    device: torch.device,
    folder: Path | None = None,
    tell: Callable[[Mapping[str, Any]], None] | None = None,
) -> list[dict[str, Any]]:
    """Train `network` in place; it ends as the running mean of its weights, which is steadier than the last step.

    Parameters
    ----------
    loss_of : function
        Of the network and a random generator on `device`: the loss of one batch, and figures to tell.
    folder : Path or None
        Where the checkpoint `NAME.checkpoint` lies; one that fits is taken up. None keeps none.
    tell : function or None
        Called after each look with the line of the log, and on the way with step, loss and seconds left.

    Returns
    -------
    list of mappings
        The log: a line a look.
    """
    rank, n_ranks = ranks()
    names = [name for name, _ in network.named_parameters()]
    parameters = [p for p in network.parameters() if p.requires_grad]
    optimiser = torch.optim.AdamW(
        parameters, lr=course.learning_rate, weight_decay=course.weight_decay, fused=device.type == "cuda"
    )
    mean = {name: tensor.detach().clone() for name, tensor in network.state_dict().items()}
    log, first = [], 1
    path = folder / f"{course.name}.checkpoint" if folder else None
    if path and (kept := _read(path, course)):
        log, first = _taken_up(network, optimiser, mean, *kept), kept[1]["step"] + 1
    generator = torch.Generator(device=device)
    began_s, told_s = time.monotonic(), 0.0
    spent_s = float(log[-1]["seconds"]) if log else 0.0
    every = max(course.steps // course.n_looks, 1)
    network.train()
    for step in range(first, course.steps + 1):
        generator.manual_seed(hash_of(course.seed, step, rank))
        for group in optimiser.param_groups:
            group["lr"] = course.learning_rate * rate(step - 1, course.steps)
        loss, figures = loss_of(network, generator)
        optimiser.zero_grad(set_to_none=True)
        loss.backward()  # type: ignore[no-untyped-call]
        if n_ranks > 1:
            _averaged(parameters, n_ranks)
        torch.nn.utils.clip_grad_norm_(parameters, 1.0)
        optimiser.step()
        keep = min(course.running_mean, step / (step + 10))
        torch._foreach_lerp_([mean[n] for n in names], [p.detach() for p in network.parameters()], 1 - keep)
        passed_s = time.monotonic() - began_s
        if tell and passed_s - told_s > 2.0:
            told_s = passed_s
            left_s = passed_s / (step - first + 1) * (course.steps - step)
            tell({"step": step, "of": course.steps, "loss": float(loss.detach()), "left_s": round(left_s)})
        if step % every == 0 or step == course.steps:
            figures = {name: round(value, 4) for name, value in {**_judged(network, mean, judge), **figures}.items()}
            log.append({"stage": course.name, "step": step, **figures, "seconds": round(spent_s + passed_s, 1)})
            if tell:
                tell(log[-1])
            if path and rank == 0:
                _write(path, network, optimiser, mean, {"step": step, "log": log, "marks": _plain(course)})
    network.load_state_dict(mean)
    network.eval()
    return log


def rate(step: int, steps: int) -> float:
    """Share of the learning rate at a step from 0: a short rise, then half a cosine down to nothing."""
    warm = max(steps // 50, 1)
    return float(min((step + 1) / warm, 0.5 + 0.5 * np.cos(np.pi * min(step / steps, 1.0))))


def hash_of(*numbers: int) -> int:
    """One seed from several numbers."""
    return int(np.random.SeedSequence(numbers).generate_state(1, np.uint64)[0] >> np.uint64(1))


def ranks() -> tuple[int, int]:
    """Number of this process and of all, from 0; (0, 1) without `torchrun`."""
    if not torch.distributed.is_available() or not torch.distributed.is_initialized():
        return 0, 1
    return torch.distributed.get_rank(), torch.distributed.get_world_size()


def join_processes(device: str) -> torch.device:
    """Meet the other processes where `torchrun` started several, and choose this one's device."""
    chosen = torch.device(("cuda" if torch.cuda.is_available() else "cpu") if device == "auto" else device)
    if int(os.environ.get("WORLD_SIZE", "1")) > 1 and not torch.distributed.is_initialized():
        torch.distributed.init_process_group("nccl" if chosen.type == "cuda" else "gloo")
    if chosen.type == "cuda":
        chosen = torch.device("cuda", int(os.environ.get("LOCAL_RANK", "0")))
        torch.cuda.set_device(chosen)
    return chosen


def leave_processes() -> None:
    """Part from the other processes, where there are any."""
    if ranks()[1] > 1:
        torch.distributed.destroy_process_group()


def _averaged(parameters: list[nn.Parameter], n_ranks: int) -> None:
    flat = torch.cat([torch.zeros_like(p).flatten() if p.grad is None else p.grad.flatten() for p in parameters])
    torch.distributed.all_reduce(flat)
    flat /= n_ranks
    at = 0
    for p in parameters:
        p.grad = flat[at : at + p.numel()].view_as(p).clone()
        at += p.numel()


@torch.no_grad()
def _judged(network: nn.Module, mean: dict[str, Tensor], judge: Judge) -> Figures:
    """The figures of the running mean of the weights."""
    now = {name: tensor.detach().clone() for name, tensor in network.state_dict().items()}
    network.load_state_dict(mean)
    found = judge(network.eval())
    network.load_state_dict(now)
    network.train()
    return found


def _plain(course: Course) -> dict[str, Any]:
    marks = {"steps": course.steps, "seed": course.seed, "learning_rate": course.learning_rate, **course.marks}
    return dict(json.loads(json.dumps(marks)))


def _write(
    path: Path, network: nn.Module, optimiser: torch.optim.Optimizer, mean: dict[str, Tensor], facts: dict[str, Any]
) -> None:
    tensors = {f"weights.{name}": tensor for name, tensor in network.state_dict().items()}
    tensors |= {f"mean.{name}": tensor for name, tensor in mean.items()}
    for number, state in optimiser.state_dict()["state"].items():
        tensors |= {f"optimiser.{number}.{name}": tensor for name, tensor in state.items()}
    plain = {name: tensor.detach().cpu().contiguous() for name, tensor in tensors.items()}
    write_together({path: save(plain, {"facts": json.dumps(facts)})})


def _read(path: Path, course: Course) -> tuple[dict[str, Tensor], dict[str, Any]] | None:
    """A checkpoint of the same run, or None."""
    try:
        with safe_open(path, framework="pt") as file:
            facts = json.loads((file.metadata() or {})["facts"])
            if facts["marks"] != _plain(course):
                return None
            return {name: file.get_tensor(name) for name in file.keys()}, facts  # noqa: SIM118
    except (OSError, SafetensorError, KeyError, ValueError):
        return None


def _taken_up(
    network: nn.Module,
    optimiser: torch.optim.Optimizer,
    mean: dict[str, Tensor],
    tensors: dict[str, Tensor],
    facts: dict[str, Any],
) -> list[dict[str, Any]]:
    """Everything as the checkpoint has it; returns its log."""
    network.load_state_dict({n.removeprefix("weights."): t for n, t in tensors.items() if n.startswith("weights.")})
    for name in mean:
        mean[name].copy_(tensors[f"mean.{name}"])
    state: dict[int, dict[str, Tensor]] = {}
    for name, tensor in tensors.items():
        if name.startswith("optimiser."):
            _, number, what = name.split(".", 2)
            state.setdefault(int(number), {})[what] = tensor
    optimiser.load_state_dict({**optimiser.state_dict(), "state": state})
    return list(facts["log"])
