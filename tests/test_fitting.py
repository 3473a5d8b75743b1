"""Training on a thimbleful: it learns, repeats itself, goes on where it was cut off, leaves weights, cards, a log."""

from __future__ import annotations

import csv
import json
import os
import random
import signal
import time
from collections.abc import Iterator, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import torch
from learned_cues import draw, few_trees, write_cue

from phrasewright.data.errors import InputError, OutputError
from phrasewright.data.store import Store
from phrasewright.model.network import EvidenceConfig, NetworkConfig, load_evidence, load_weights
from phrasewright.training import fitting
from phrasewright.training.cards import amend_card
from phrasewright.training.corpus import Score
from phrasewright.training.evidence_fitting import Episodes
from phrasewright.training.examples import correction_groups
from phrasewright.training.fitting import PRESETS, Settings, train
from phrasewright.training.learning import learn

__all__ = ["few_trees"]
SMALL = Score(
    "haydn/opus1no1/movement1",
    tuple(tuple((float(k), 1.0, p + k % 5, 0) for k in range(64)) for p in (72, 65, 60, 48)),
    (4, 4),
)
TINY = Settings(
    n_groups=1, n_cues=2, n_people=2, n_judged=1, default_steps=20, evidence_steps=12, parts_a_batch=3,
    frames_a_part=16, running_mean=0.9, refit_steps=5, n_looks=4,
    episodes=Episodes(groups=1, people=2, shown=60, asked=20),
)  # fmt: skip
SIZES = (NetworkConfig(width=16, hidden=24), EvidenceConfig(width=16, hidden=24, n_features=12, n_layers=1))


@pytest.fixture(autouse=True)
def _tiny(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """A preset of seconds, on one small score, on one thread; groups are built once."""
    monkeypatch.setitem(PRESETS, "tiny", TINY)
    monkeypatch.setattr(fitting, "read_scores", lambda **_: [SMALL, replace(SMALL, name="mozart/k458/movement2")])
    monkeypatch.setattr(fitting, "JUDGED_CUES", 2)
    built: dict[Any, Any] = _built

    def once(seeds: Any, **told: Any) -> Any:
        key = (tuple(seeds), told["n_cues"], len(told["scores"]))
        if key not in built:
            built[key] = _build(seeds, **told)
        return built[key]

    monkeypatch.setattr(fitting, "build_groups", once)
    usual = torch.get_num_threads()
    torch.set_num_threads(1)
    yield
    torch.set_num_threads(usual)


_built: dict[Any, Any] = {}
_build = fitting.build_groups


def fit(out: Path, *, seed: int = 0, **more: Any) -> Path:
    weights = train(out, preset="tiny", seed=seed, device="cpu", workers=1, sizes=SIZES, command="a test", **more)
    assert weights is not None
    return weights


def weights_in(folder: Path) -> tuple[bytes, bytes]:
    return (folder / "base.safetensors").read_bytes(), (folder / "evidence.safetensors").read_bytes()


@pytest.fixture(name="whole")
def _whole(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder of one run, made once."""
    if "whole" not in _built:
        _built["whole"] = fit(tmp_path_factory.mktemp("whole")).parent
    return Path(_built["whole"])


def test_training_learns_and_leaves_weights_cards_and_log(whole: Path) -> None:
    assert load_weights(whole / "base.safetensors").config == SIZES[0]
    assert load_evidence(whole / "evidence.safetensors").config == SIZES[1]
    rows = list(csv.DictReader((whole / "log.csv").read_text().splitlines()))
    default = [row for row in rows if row["stage"] == "default"]
    evidence = [row for row in rows if row["stage"] == "evidence"]
    assert float(default[-1]["held_out_dynamics"]) < float(default[0]["held_out_dynamics"])
    assert float(evidence[-1]["one cue"]) < float(evidence[-1]["none"])
    card = json.loads((whole / "base.json").read_text())
    assert card["passed_property_tests"] is False
    assert card["command"] == "a test"
    assert card["scores"] == ["haydn/opus1no1/movement1"]
    assert card["figures"]["training"]["device"].startswith("CPU")
    assert all(f > 0 for row in card["bands"]["default"].values() for f in row)
    text = (whole / "base.md").read_text()
    assert "Haydn" in text
    assert "Never used" in text
    assert {path.suffix for path in whole.iterdir()} == {".safetensors", ".json", ".md", ".csv"}


@pytest.mark.usefixtures("no_network")
def test_a_seed_gives_the_same_weights_and_a_damaged_checkpoint_is_not_taken_up(tmp_path: Path, whole: Path) -> None:
    (tmp_path / "default.checkpoint").write_bytes(b"half a file")
    assert weights_in(fit(tmp_path).parent) == weights_in(whole)
    assert weights_in(fit(tmp_path / "other", seed=2).parent) != weights_in(whole)


@pytest.mark.parametrize("stage", ["default", "evidence"])
def test_training_that_was_cut_off_goes_on_to_the_same_weights(tmp_path: Path, whole: Path, stage: str) -> None:
    def cut(told: Mapping[str, Any]) -> None:
        if told.get("stage") == stage and told["step"] > 6:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        fit(tmp_path, tell=cut)
    assert not (tmp_path / "base.safetensors").exists()
    assert (tmp_path / f"{stage}.checkpoint").exists()
    assert weights_in(fit(tmp_path).parent) == weights_in(whole)


def fit_and_die(out: Path, *, after_s: float = 60.0, at_move: int = 1000) -> None:
    """Train in a process of its own, killed after so many seconds or when it moves so many files to their places."""
    child = os.fork()
    if child == 0:
        moved, move = 0, os.replace

        def moving(*places: Any) -> None:
            nonlocal moved
            moved += 1
            if moved == at_move:
                os.kill(os.getpid(), signal.SIGKILL)
            move(*places)

        os.replace = moving
        try:
            fit(out)
        finally:
            os._exit(0)
    until = time.monotonic() + after_s
    while os.waitpid(child, os.WNOHANG)[0] == 0:
        if time.monotonic() > until:
            os.kill(child, signal.SIGKILL)
            os.waitpid(child, 0)
            return
        time.sleep(0.002)


@pytest.mark.parametrize("times", [3, pytest.param(50, marks=pytest.mark.slow)])
def test_training_that_is_killed_leaves_all_or_nothing_and_goes_on(tmp_path: Path, whole: Path, times: int) -> None:
    """At any moment, and just before any file comes to its place: where the default's weights are, all is."""
    chance, n_whole = random.Random(times), 0
    begin = time.monotonic()
    fit_and_die(tmp_path / "timed")
    lasts_s = time.monotonic() - begin
    assert weights_in(tmp_path / "timed") == weights_in(whole)

    def looked_at(out: Path) -> bool:
        for path in out.glob("*.json"):
            json.loads(path.read_text())
        if not (out / "base.safetensors").exists():
            return False
        assert weights_in(out) == weights_in(whole)
        assert {path.name for path in whole.iterdir()} <= {path.name for path in out.iterdir()}
        return True

    for i in range(times):
        out = tmp_path / f"{n_whole}"
        if i % 2:
            fit_and_die(out, after_s=chance.uniform(0.0, 1.1 * lasts_s))
        else:  # eight checkpoints, log, cards and weights
            fit_and_die(out, at_move=chance.randrange(1, 16))
        n_whole += looked_at(out)
    out = tmp_path / f"{n_whole}"
    assert weights_in(fit(out).parent) == weights_in(whole), "the same call goes on from what a kill left"
    assert looked_at(out)
    print(f"{times} kills, {n_whole} runs whole by then")


def test_places_and_disks_that_take_no_weights_are_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "file").write_text("no folder")
    (tmp_path / "loop").symlink_to("loop")
    for name in ("file", "file/deeper", "loop", "x" * 300, "a\0b"):
        with pytest.raises(OutputError, match="cannot be written"):
            fit(tmp_path / name)

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(OutputError, match=r"default\.checkpoint: cannot be written \(No space left on device\)"):
        fit(tmp_path / "out")
    assert list((tmp_path / "out").iterdir()) == []


def test_weights_that_are_there_stay(tmp_path: Path) -> None:
    (tmp_path / "evidence.safetensors").write_bytes(b"mine")
    with pytest.raises(InputError, match="holds weights already; name another folder or add --force"):
        fit(tmp_path)
    assert (tmp_path / "evidence.safetensors").read_bytes() == b"mine"


def test_a_card_is_amended_in_both_forms(tmp_path: Path, whole: Path) -> None:
    for path in whole.iterdir():
        (tmp_path / path.name).write_bytes(path.read_bytes())
    amend_card(tmp_path / "base.safetensors", passed_property_tests=True)
    assert json.loads((tmp_path / "base.json").read_text())["passed_property_tests"] is True
    assert "Property tests of the rules on this network: passed." in (tmp_path / "base.md").read_text()


def test_what_a_store_holds_is_learned_with_the_rest(tmp_path: Path) -> None:
    """Corrections of a style in two parts become a group; where nothing was drawn, nothing counts."""
    corrected = draw(write_cue(tmp_path / "cue.mid", seed=1), tmp_path / "corrected.mid")
    with Store(tmp_path / "home") as store:
        learn("mine", [corrected], store=store)
        groups = correction_groups(store, n_people=2)
        assert len(groups) == 1
        known = np.isfinite(groups[0].target.astype(np.float64)).any(axis=(1, 2))
        assert np.all(groups[0].weight_s[~known] == 0)
        assert np.any(groups[0].weight_s > 0)
        fit(tmp_path / "out", store=store)
    assert json.loads((tmp_path / "out" / "base.json").read_text())["settings"]["corrections"] == 1
