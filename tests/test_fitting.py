"""Training on a thimbleful: it learns, repeats itself, and leaves weights, a card and a log."""

from __future__ import annotations

import csv
import json
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import torch

from phrasewright.model.departures import N_STYLE, STYLE_NAMES, departed
from phrasewright.model.network import NetworkConfig, load_weights
from phrasewright.model.parameters import DEFAULT
from phrasewright.training import fitting
from phrasewright.training.cards import amend_card
from phrasewright.training.corpus import Score
from phrasewright.training.examples import build, examples_of_seed
from phrasewright.training.fitting import PRESETS, Settings, train
from phrasewright.training.hands import default_hand, drawn_hand

SMALL = Score(
    "haydn/opus1no1/movement1",
    tuple(tuple((float(k), 1.0, p + k % 5, 0) for k in range(64)) for p in (72, 65, 60, 48)),
    (4, 4),
)
TINY = Settings(n_cues=3, n_hands=2, steps=40, parts_a_batch=4, frames_a_part=32)
CONFIG = NetworkConfig(n_style=N_STYLE, width=16, hidden=24)


@pytest.fixture
def tiny(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """A preset of seconds, on one small score, on one thread."""
    monkeypatch.setitem(PRESETS, "tiny", TINY)
    monkeypatch.setattr(fitting, "read_scores", lambda **_: [SMALL, replace(SMALL, name="mozart/k458/movement2")])
    monkeypatch.setattr(fitting, "VALIDATION_SEEDS", range(9_000_000, 9_000_002))
    usual = torch.get_num_threads()
    torch.set_num_threads(1)
    yield
    torch.set_num_threads(usual)


def fit(out: Path, *, seed: int = 0) -> Path:
    return train(out, preset="tiny", seed=seed, device="cpu", workers=1, config=CONFIG, command="a test")


@pytest.mark.usefixtures("tiny")
def test_training_learns_and_leaves_weights_card_and_log(tmp_path: Path) -> None:
    weights = fit(tmp_path / "out")
    assert load_weights(weights).config == CONFIG
    rows = list(csv.DictReader((tmp_path / "out" / "log.csv").read_text().splitlines()))
    assert float(rows[-1]["held_out_dynamics"]) < float(rows[0]["held_out_dynamics"])
    card = json.loads(weights.with_suffix(".json").read_text())
    assert card["passed_property_tests"] is False
    assert card["command"] == "a test"
    assert card["scores"] == ["haydn/opus1no1/movement1"]
    text = weights.with_suffix(".md").read_text()
    assert "Haydn" in text
    assert "Never used" in text


@pytest.mark.usefixtures("tiny")
def test_a_seed_gives_the_same_weights(tmp_path: Path) -> None:
    first, again, other = (fit(tmp_path / name, seed=s).read_bytes() for name, s in (("a", 1), ("b", 1), ("c", 2)))
    assert first == again
    assert first != other


@pytest.mark.usefixtures("tiny")
def test_a_card_is_amended_in_both_forms(tmp_path: Path) -> None:
    weights = fit(tmp_path)
    amend_card(weights, passed_property_tests=True)
    assert json.loads(weights.with_suffix(".json").read_text())["passed_property_tests"] is True
    assert "Property tests of the rules on this network: passed." in weights.with_suffix(".md").read_text()


def test_examples_stand_where_the_part_sounds_and_their_order_is_that_of_the_seeds() -> None:
    examples = build([5, 6], scores=[SMALL], n_hands=3, workers=1)
    alone = examples_of_seed(5, scores=[SMALL], n_hands=3) + examples_of_seed(6, scores=[SMALL], n_hands=3)
    assert len(examples) == len(alone)
    for one, two in zip(examples, alone, strict=True):
        assert np.array_equal(one.target, two.target)
        assert one.target.shape == (3, len(one.at), 3)
        assert np.all(np.isfinite(one.target))
        assert not one.style[0].any()
        assert np.all(one.style[1:].any(axis=1))
        assert 0.02 < one.near.mean() <= 1.0


def test_hands_differ_from_the_default_along_what_their_style_says() -> None:
    assert not default_hand().style.any()
    for k, name in enumerate(STYLE_NAMES):
        style = np.zeros(N_STYLE, dtype=np.float32)
        style[k] = 1.0
        assert departed(DEFAULT, style) != departed(DEFAULT, np.zeros(N_STYLE, dtype=np.float32)), name
    deep = departed(DEFAULT, np.eye(N_STYLE, dtype=np.float32)[STYLE_NAMES.index("join_depth")])
    assert deep.dip.join_cc[0] > DEFAULT.dip.join_cc[0]
    assert deep.dip.repeat_cc == DEFAULT.dip.repeat_cc


def test_drawn_hands_repeat_with_the_generator() -> None:
    left, right = (drawn_hand(np.random.default_rng(4)) for _ in range(2))
    assert left.parameters == right.parameters
    assert np.array_equal(left.style, right.style)
    assert np.abs(left.style).max() <= 2.5
