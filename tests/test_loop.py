"""The training loop: two processes keep equal weights, a broken run goes on, the rate rises and falls."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest
import torch
from torch import Tensor, nn

from phrasewright.training.loop import Course, Figures, hash_of, optimise, rate

COURSE = Course("line", 40, 0, 0.05, 0.0, 0.9, {}, n_looks=4)

TWO = """
import json, sys
from pathlib import Path
import torch
sys.path.insert(0, {tests!r})
from test_loop import COURSE, fresh, loss_of
from phrasewright.training.loop import join_processes, leave_processes, optimise, ranks
device = join_processes("cpu")
network = fresh()
optimise(network, loss_of, lambda _: {{}}, COURSE, device=device)
Path({folder!r}, f"rank{{ranks()[0]}}.json").write_text(json.dumps([ranks()[1], network.weight.tolist()]))
leave_processes()
"""


def fresh() -> nn.Linear:
    torch.manual_seed(0)
    return nn.Linear(3, 1)


def loss_of(network: nn.Module, generator: torch.Generator) -> tuple[Tensor, Figures]:
    """A line to be found from noisy points."""
    x = torch.rand(16, 3, generator=generator)
    y = x @ torch.tensor([[1.0], [-2.0], [0.5]]) + 0.1 * torch.rand(16, 1, generator=generator)
    loss = (network(x) - y).square().mean()
    return loss, {"loss": float(loss.detach())}


def test_it_learns_and_says_how_far_it_is() -> None:
    told: list[dict[str, object]] = []
    network = fresh()
    log = optimise(
        network, loss_of, lambda n: {"norm": float(n.weight.norm())}, COURSE, device=torch.device("cpu"),
        tell=lambda one: told.append(dict(one)),
    )  # fmt: skip
    assert [line["step"] for line in log] == [10, 20, 30, 40]
    assert log[-1]["loss"] < log[0]["loss"]
    assert [one for one in told if "stage" in one] == log


def test_a_checkpoint_of_another_run_is_not_taken_up(tmp_path: Path) -> None:
    """With another seed the run begins anew and is what it is without the checkpoint."""
    optimise(fresh(), loss_of, lambda _: {}, COURSE, device=torch.device("cpu"), folder=tmp_path)
    assert (tmp_path / "line.checkpoint").exists()
    other = Course("line", 40, 1, 0.05, 0.0, 0.9, {}, n_looks=4)
    there, alone = fresh(), fresh()
    optimise(there, loss_of, lambda _: {}, other, device=torch.device("cpu"), folder=tmp_path)
    optimise(alone, loss_of, lambda _: {}, other, device=torch.device("cpu"))
    assert torch.equal(there.weight, alone.weight)


def test_the_rate_rises_at_once_and_falls_to_nothing() -> None:
    course = [rate(step, 1000) for step in range(1001)]
    assert course[0] < 0.1
    assert max(course) == pytest.approx(1.0, abs=0.01)
    assert course[-1] == pytest.approx(0.0)
    assert hash_of(1, 2) != hash_of(2, 1)


def test_two_processes_keep_equal_weights(tmp_path: Path) -> None:
    """Each draws its own batches; averaged gradients keep them together, and the result is not one process's."""
    script = tmp_path / "two.py"
    script.write_text(TWO.format(tests=str(Path(__file__).parent), folder=str(tmp_path)))
    command = [sys.executable, "-m", "torch.distributed.run", "--standalone", "--nproc_per_node=2", str(script)]
    done = subprocess.run(command, capture_output=True, text=True, check=False, timeout=120)
    assert done.returncode == 0, done.stderr[-2000:]
    (n, first), (_, second) = (json.loads((tmp_path / f"rank{r}.json").read_text()) for r in (0, 1))
    assert n == 2
    assert first == second
    alone = fresh()
    optimise(alone, loss_of, lambda _: {}, COURSE, device=torch.device("cpu"))
    assert alone.weight.tolist() != first
