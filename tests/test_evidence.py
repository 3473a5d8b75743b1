"""A hand's head: exact, as trained, and surer with evidence."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import torch
from played_lines import line, solo_line

from phrasewright.data.errors import InputError
from phrasewright.model.evidence import (
    MIDDLE_CC,
    SCALE_CC,
    HeadPrior,
    band_factors,
    fitted_head,
    head_prior,
)
from phrasewright.model.lanes import n_frames_for
from phrasewright.model.prediction import evidence_features, prediction_frames
from phrasewright.training.evidence_fitting import Side, answer_of, known_inputs
from phrasewright.training.networks import HeadStart

TUNE = [67, 69, 71, 72, 74, 72, 71, 69, 67, 64, 65, 67]


def prior(n: int, seed: int = 0) -> HeadPrior:
    rng = np.random.default_rng(seed)
    return HeadPrior(
        rng.normal(0, 0.3, (n + 1, 3)), np.exp(rng.normal(1, 0.5, (n + 1, 3))), np.array([20.0, 25.0, 10.0]),
        rng.normal(0, 0.1, (n + 1, 3)),
    )  # fmt: skip


def test_without_evidence_the_head_is_what_is_usual() -> None:
    start = prior(4)
    none = np.zeros((0, 4), dtype=np.float32)
    head = fitted_head(start, lane=1, features=none, target_cc=np.zeros(0), weight_s=np.zeros(0))
    assert np.allclose(head.mean, start.mean[:, 1])
    assert np.allclose(np.diag(head.covariance), 1.0 / start.precision[:, 1])


def test_evidence_finds_the_hand_and_makes_the_answer_surer() -> None:
    rng = np.random.default_rng(1)
    start, x = prior(4), rng.normal(size=(4000, 4)).astype(np.float32)
    true = rng.normal(0, 0.3, 5)
    target = MIDDLE_CC + SCALE_CC * (x @ true[:4] + true[4]) + rng.normal(0, 1.2, 4000)
    few = fitted_head(start, lane=0, features=x[:50], target_cc=target[:50], weight_s=np.full(50, 0.05))
    many = fitted_head(start, lane=0, features=x, target_cc=target, weight_s=np.full(4000, 0.05))
    assert np.abs(many.mean - true).max() < 0.02
    ask = x[:20]
    assert np.all(many.answer(ask)[1] < few.answer(ask)[1])


def test_a_frame_counts_by_the_seconds_it_stands_for() -> None:
    """Twice as many frames of half the weight say the same: frames of one curve are not independent."""
    rng = np.random.default_rng(2)
    x, y = rng.normal(size=(60, 4)).astype(np.float32), rng.uniform(40, 100, 60)
    once = fitted_head(prior(4), lane=2, features=x, target_cc=y, weight_s=np.full(60, 0.08))
    twice = fitted_head(
        prior(4), lane=2, features=np.repeat(x, 2, axis=0), target_cc=np.repeat(y, 2), weight_s=np.full(120, 0.04)
    )
    assert np.allclose(once.mean, twice.mean)
    assert np.allclose(once.covariance, twice.covariance)


def test_the_head_is_the_one_that_was_trained_through() -> None:
    """numpy here and torch in training give one answer."""
    rng = np.random.default_rng(3)
    start, shown, asked = prior(6), rng.normal(size=(80, 6)), rng.normal(size=(9, 6))
    target, weight = rng.normal(0, 0.5, (80, 3)), rng.uniform(0, 0.1, (80, 3))
    trained = HeadStart(6, 3)
    for name, value in (
        ("mean", start.mean), ("log_precision", np.log(start.precision)), ("log_facts", np.log(start.facts_per_s)),
        ("noise", start.noise),
    ):  # fmt: skip
        getattr(trained, name).data = torch.from_numpy(value).float()
    empty = torch.zeros(1, 80, 1)
    side = Side(empty, empty.long()[..., 0], torch.from_numpy(target)[None, :, None].float(),
                torch.from_numpy(weight)[None].float())  # fmt: skip
    with torch.no_grad():
        centre, spread = answer_of(
            trained, torch.from_numpy(shown)[None].float(), side, torch.from_numpy(asked)[None].float()
        )
    for lane in range(3):
        head = fitted_head(
            start, lane=lane, features=shown.astype(np.float32), target_cc=MIDDLE_CC + SCALE_CC * target[:, lane],
            weight_s=weight[:, lane],
        )  # fmt: skip
        said, sure = head.answer(asked.astype(np.float32))
        assert np.abs(said - (MIDDLE_CC + SCALE_CC * centre[0, :, 0, lane].numpy())).max() < 0.01
        assert np.abs(sure - SCALE_CC * spread[0, :, 0, lane].numpy()).max() < 0.01


def test_drawn_lanes_are_told_by_where_they_stand_and_how_they_move_around() -> None:
    rng = np.random.default_rng(4)
    value, near = rng.uniform(20, 110, (30, 3)), rng.integers(0, 30, (30, 8))
    known = np.array([True, False, True])
    scaled = (value - MIDDLE_CC) / SCALE_CC
    around = scaled[near]  # (n_frames, 8, 3)
    mean = (around.sum(axis=1) + scaled) / 9
    wanted = np.stack([np.ones_like(mean), scaled - mean, around[:, 3] - mean, around[:, 4] - mean, mean], axis=2)
    given = torch.from_numpy(scaled)[None]
    found = known_inputs(given, given[:, near], torch.from_numpy(known))[0].reshape(30, 3, 5).numpy()
    assert np.abs(found[:, known] - wanted[:, known]).max() < 1e-5
    assert not found[:, ~known].any()


def test_the_shipped_features_and_prior_belong_together_and_are_local() -> None:
    start = head_prior()
    lengths = [1.0, 0.5, 0.5, 2.0] * 12
    hearings = [solo_line(line(tune, lengths)) for tune in (TUNE * 4, TUNE * 3 + [p + 5 for p in TUNE])]
    n = n_frames_for(float(hearings[0].parts[0].part.notes.offset_s.max()))
    frames = prediction_frames(hearings[0], 0, n_frames=n)
    early = frames[frames < n // 4]
    one, other = (evidence_features(hearing, 0, early) for hearing in hearings)
    assert one.dtype == np.float32
    assert one.shape == (len(early), len(start.mean) - 1)
    assert np.abs(one - other).max() < 1e-4


def test_bands_grow_with_what_they_promise_and_bad_files_are_told(tmp_path: Path) -> None:
    for case in ("default", "one cue"):
        factors = band_factors(case)
        assert np.all(np.diff([factors[level] for level in (50, 68, 90)], axis=0) > 0)
    assert band_factors("default", tmp_path / "no.json")[90] == (1.0, 1.0, 1.0)
    (tmp_path / "w.safetensors").write_bytes(b"none")
    with pytest.raises(InputError, match=r"w\.safetensors: no usable weights"):
        head_prior(tmp_path / "w.safetensors")
