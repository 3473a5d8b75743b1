"""Training on a thimbleful: it learns, repeats itself, goes on where it was cut off, leaves weights, cards, a log."""

from __future__ import annotations

import csv
import json
from collections.abc import Iterator, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
import torch

from phrasewright.data.errors import InputError
from phrasewright.model.network import EvidenceConfig, NetworkConfig, load_evidence, load_weights
from phrasewright.training import fitting
from phrasewright.training.cards import amend_card
from phrasewright.training.corpus import Score
from phrasewright.training.evidence_fitting import Episodes
from phrasewright.training.fitting import PRESETS, Settings, train

SMALL = Score(
    "haydn/opus1no1/movement1",
    tuple(tuple((float(k), 1.0, p + k % 5, 0) for k in range(64)) for p in (72, 65, 60, 48)),
    (4, 4),
)
TINY = Settings(
    n_groups=2, n_cues=3, n_people=3, n_judged=1, default_steps=30, evidence_steps=20, parts_a_batch=4,
    frames_a_part=24, running_mean=0.9, episodes=Episodes(groups=2, people=2, shown=60, asked=20),
)  # fmt: skip
SIZES = (NetworkConfig(width=16, hidden=24), EvidenceConfig(width=16, hidden=24, n_features=12, n_layers=1))


@pytest.fixture(autouse=True)
def _tiny(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """A preset of seconds, on one small score, on one thread; groups are built once."""
    monkeypatch.setitem(PRESETS, "tiny", TINY)
    monkeypatch.setattr(fitting, "read_scores", lambda **_: [SMALL, replace(SMALL, name="mozart/k458/movement2")])
    monkeypatch.setattr(fitting, "JUDGED_CUES", 3)
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
    return train(out, preset="tiny", seed=seed, device="cpu", workers=1, sizes=SIZES, command="a test", **more)


def weights_in(folder: Path) -> tuple[bytes, bytes]:
    return (folder / "base.safetensors").read_bytes(), (folder / "evidence.safetensors").read_bytes()


def test_training_learns_and_leaves_weights_cards_and_log(tmp_path: Path) -> None:
    weights = fit(tmp_path / "out")
    assert load_weights(weights).config == SIZES[0]
    assert load_evidence(weights.with_name("evidence.safetensors")).config == SIZES[1]
    rows = list(csv.DictReader((tmp_path / "out" / "log.csv").read_text().splitlines()))
    default = [row for row in rows if row["stage"] == "default"]
    evidence = [row for row in rows if row["stage"] == "evidence"]
    assert float(default[-1]["held_out_dynamics"]) < float(default[0]["held_out_dynamics"])
    assert float(evidence[-1]["one cue"]) < float(evidence[-1]["none"])
    card = json.loads(weights.with_suffix(".json").read_text())
    assert card["passed_property_tests"] is False
    assert card["command"] == "a test"
    assert card["scores"] == ["haydn/opus1no1/movement1"]
    assert card["figures"]["training"]["device"].startswith("CPU")
    text = weights.with_suffix(".md").read_text()
    assert "Haydn" in text
    assert "Never used" in text
    assert {path.suffix for path in (tmp_path / "out").iterdir()} == {".safetensors", ".json", ".md", ".csv"}


def test_a_seed_gives_the_same_weights(tmp_path: Path) -> None:
    first, again = (weights_in(fit(tmp_path / name, seed=1).parent) for name in "ab")
    assert first == again
    assert first != weights_in(fit(tmp_path / "c", seed=2).parent)


@pytest.mark.parametrize("stage", ["default", "evidence"])
def test_training_that_was_cut_off_goes_on_to_the_same_weights(tmp_path: Path, stage: str) -> None:
    whole = weights_in(fit(tmp_path / "whole").parent)

    def cut(told: Mapping[str, Any]) -> None:
        if told.get("stage") == stage and told["step"] > 10:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        fit(tmp_path / "cut", tell=cut)
    assert not (tmp_path / "cut" / "base.safetensors").exists()
    assert (tmp_path / "cut" / f"{stage}.checkpoint").exists()
    assert weights_in(fit(tmp_path / "cut").parent) == whole


def test_a_damaged_checkpoint_is_not_taken_up(tmp_path: Path) -> None:
    whole = weights_in(fit(tmp_path / "whole").parent)
    (tmp_path / "other").mkdir()
    (tmp_path / "other" / "default.checkpoint").write_bytes(b"half a file")
    assert weights_in(fit(tmp_path / "other").parent) == whole


def test_weights_that_are_there_stay(tmp_path: Path) -> None:
    (tmp_path / "evidence.safetensors").write_bytes(b"mine")
    with pytest.raises(InputError, match="holds weights already; name another folder or add --force"):
        fit(tmp_path)
    fit(tmp_path, force=True)
    assert load_evidence(tmp_path / "evidence.safetensors").config == SIZES[1]


def test_a_card_is_amended_in_both_forms(tmp_path: Path) -> None:
    weights = fit(tmp_path)
    amend_card(weights, passed_property_tests=True)
    assert json.loads(weights.with_suffix(".json").read_text())["passed_property_tests"] is True
    assert "Property tests of the rules on this network: passed." in weights.with_suffix(".md").read_text()
