"""Scenes put together from tunes, and weights fitted to rank pairs."""

from __future__ import annotations

import numpy as np
import pytest

from phrasewright.model.hearing import ROLES
from phrasewright.model.prominence import WEIGHTS
from phrasewright.training.role_fitting import Ranked, examples, fitted, pairs_in, scored
from phrasewright.training.role_scenes import scene_of, tunes

MELODY, CHORDS, BASS, PEDAL = (ROLES.index(name) for name in ("melody", "chords", "bass", "pedal"))


def test_a_tune_gives_the_same_scene_again() -> None:
    tune = next(tunes(per_collection=1))
    assert scene_of(tune) == scene_of(tune)


def test_scenes_have_one_tune_and_what_accompanies_it() -> None:
    scenes = [scene_of(tune) for tune in tunes(per_collection=12)]
    for scene in scenes:
        assert MELODY in scene.roles
        assert CHORDS in scene.roles
        assert scene.without_bass == (not {BASS, PEDAL} & set(scene.roles))
        sung = [line.rows for line, role in zip(scene.sketch.lines, scene.roles, strict=True) if role == MELODY]
        assert len({len(rows) for rows in sung}) == 1, "what doubles the tune has its notes"
    assert {scene.place for scene in scenes} == {"top", "inside", "low"}


def ranked(differences: dict[str, float], *, n: int = 30) -> Ranked:
    row = [differences.get(name, 0.0) for name in WEIGHTS]
    return Ranked(np.tile(row, (n, 1)), np.ones(n))


def test_what_tells_the_melody_in_every_pair_weighs_most() -> None:
    weights = fitted([ranked({"height": 0.8, "held": -0.1})])
    assert max(weights, key=lambda name: abs(weights[name])) == "height"
    assert sum(abs(points) for points in weights.values()) == pytest.approx(100)


def test_no_weight_goes_against_common_practice() -> None:
    rng = np.random.default_rng(0)
    noise = Ranked(rng.normal(0, 0.5, (200, len(WEIGHTS))), np.ones(200))
    weights = fitted([noise, ranked({"height": -0.5, "louder": 0.3})])
    assert weights["height"] == pytest.approx(0.0, abs=1e-9)
    assert all(weights[name] * WEIGHTS[name] >= 0 for name in WEIGHTS)


def test_fitted_weights_leave_no_slope_uphill() -> None:
    """A constrained minimum: no small change of one weight, within its sign, ranks better."""
    rng = np.random.default_rng(1)
    x = rng.normal(0.2, 0.5, (300, len(WEIGHTS))) * np.sign(list(WEIGHTS.values()))
    pairs = Ranked(x, np.ones(300))
    weights = np.array(list(fitted([pairs]).values()))

    def loss(scale: float, change: np.ndarray) -> float:
        found = scale * (weights + change)
        return float(np.logaddexp(0.0, -x @ found).sum() + 0.1 * (found**2).sum())

    scale = min(np.linspace(0.005, 0.5, 500), key=lambda s: loss(s, np.zeros(len(weights))))
    for k, name in enumerate(WEIGHTS):
        for size in (-0.5, 0.5):
            change = np.zeros(len(weights))
            change[k] = size
            if (weights[k] + size) * WEIGHTS[name] >= 0:
                assert loss(scale, change) >= loss(scale, np.zeros(len(weights))) - 1e-3, name


def test_examples_are_ranked_and_scored() -> None:
    chosen = list(examples(sources=("passages", "scenes"), every=20))
    pairs = [pairs_in(example) for example in chosen]
    assert sum(len(one.weight) for one in pairs) > 30
    right, whole = np.sum([scored(example, WEIGHTS) for example in chosen], axis=0)
    backwards = {name: -points for name, points in WEIGHTS.items()}
    worse, _ = np.sum([scored(example, backwards) for example in chosen], axis=0)
    assert 0.85 * whole < right <= whole
    assert worse < 0.7 * right
