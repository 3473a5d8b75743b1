"""The networks' promises: one answer in numpy and in torch, a finite view, no effect of batching or chunks, and weights
that are checked before use.
"""

from __future__ import annotations

import json
import math
from dataclasses import asdict
from pathlib import Path

import numpy as np
import pytest
import torch
from hypothesis import given, settings
from hypothesis import strategies as st
from safetensors.torch import load_file, save_file

from phrasewright.data.errors import InputError
from phrasewright.model.evidence import EVIDENCE_WEIGHTS
from phrasewright.model.features import ATTACK_FEATURES, FRAME_FEATURES
from phrasewright.model.network import (
    CHUNK,
    LAPLACE_68,
    N_KNOWN,
    EvidenceConfig,
    NetworkConfig,
    Weights,
    encode,
    evidence_of,
    gelu,
    load_evidence,
    load_weights,
    predict,
)
from phrasewright.model.prediction import WEIGHTS
from phrasewright.training.networks import (
    Evidence,
    Network,
    loaded_default,
    loaded_evidence,
    save_weights,
    weights_of,
)

N_ATTACK, N_FRAME = len(ATTACK_FEATURES), len(FRAME_FEATURES)


def fresh_module(seed: int = 0) -> Network:
    torch.manual_seed(seed)
    return Network(NetworkConfig()).eval()


def fresh(seed: int = 0) -> Weights[NetworkConfig]:
    return weights_of(fresh_module(seed))


def inputs(seed: int, *, n_attacks: int = 60, n_frames: int = 300, apart_s: float = 0.5) -> dict[str, np.ndarray]:
    rng = np.random.default_rng(seed)
    return {
        "attack": rng.normal(size=(n_attacks, N_ATTACK)).astype(np.float32),
        "onset_s": np.arange(n_attacks) * apart_s,
        "frame": rng.normal(size=(n_frames, N_FRAME)).astype(np.float32),
        "at": np.sort(rng.integers(0, n_attacks, n_frames)),
    }


def test_gelu_is_the_one_trained_with() -> None:
    """Against the error function of the C library (`math.erf`); far out it is x or 0, whatever overflows inside."""
    x = np.concatenate([np.linspace(-12.0, 12.0, 4801), [-1e30, -80.0, 80.0, 1e30]]).astype(np.float32)
    wanted = np.array([v * 0.5 * (1.0 + math.erf(v / math.sqrt(2.0))) for v in x.astype(np.float64)])
    assert np.all(np.abs(gelu(x.copy()) - wanted) <= 3e-6 + 1e-6 * np.abs(wanted))


@pytest.mark.parametrize("shipped", [False, True])
def test_numpy_answers_what_torch_was_trained_to(shipped: bool) -> None:
    """Both networks, fresh and as shipped, on attacks nearer and farther apart than a tap reaches."""
    default, view = (
        (loaded_default(WEIGHTS), loaded_evidence(EVIDENCE_WEIGHTS))
        if shipped
        else (fresh_module(3), evidence_module(3))
    )
    for apart_s in (0.4, 5.0):
        seen, wide = (make(11, n_attacks=40, n_frames=CHUNK + 100, apart_s=apart_s) for make in (inputs, sights))
        known = np.random.default_rng(2).normal(size=(len(wide["at"]), N_KNOWN)).astype(np.float32)
        part = torch.zeros(40, dtype=torch.long)
        with torch.inference_mode():
            row = {name: torch.from_numpy(array) for name, array in seen.items()}
            wanted = default(default.encode(row["attack"], row["onset_s"], part), row["frame"], row["at"])
            row = {name: torch.from_numpy(array) for name, array in wide.items()}
            encoded = view.encode(row["attack"], row["onset_s"], part)
            features = [view(encoded, row["frame"], row["at"], k).numpy() for k in (None, torch.from_numpy(known))]
        centre, spread = predict(weights_of(default), **seen)
        assert np.abs(centre - wanted[0].numpy()).max() < 0.005  # steps
        assert np.abs(spread - wanted[1].numpy() * LAPLACE_68).max() < 0.005
        assert np.abs(evidence_of(weights_of(view), **wide) - features[0]).max() < 1e-3
        assert np.abs(evidence_of(weights_of(view), **wide, known=known) - features[1]).max() < 1e-3


@given(chunk=st.integers(min_value=1, max_value=400))
@settings(max_examples=12, deadline=None)
def test_chunks_do_not_change_a_prediction(chunk: int) -> None:
    given_ = inputs(1)
    whole, spread = predict(fresh(), **given_)
    pieces, spread_pieces = predict(fresh(), **given_, chunk=chunk)
    assert np.abs(whole - pieces).max() < 0.001
    assert np.abs(spread - spread_pieces).max() < 0.001


def test_a_longer_part_has_the_same_beginning_to_the_bit() -> None:
    """Else an edit in bar 60 could flip an event in bar 10."""
    long = inputs(9, n_attacks=700, n_frames=9000)
    whole, _ = predict(fresh(), **long)
    for n_attacks in (40, 333, 699):
        n_frames = int(np.searchsorted(long["at"], n_attacks))
        first = {name: long[name][: n_frames if name in ("frame", "at") else n_attacks] for name in long}
        alone, _ = predict(fresh(), **first)
        kept = int(np.searchsorted(long["at"], n_attacks - 15))
        assert np.array_equal(whole[:kept], alone[:kept])


@pytest.mark.parametrize("overlapping", [True, False])
def test_parts_laid_end_to_end_do_not_see_each_other(overlapping: bool) -> None:
    """Neither where the next part begins at the start again, nor where its first note follows the last within reach."""
    network = fresh()
    first, second = inputs(1), inputs(2)
    later_s = 0.0 if overlapping else first["onset_s"][-1] + 0.5
    attack = np.concatenate([first["attack"], second["attack"]])
    onset_s = np.concatenate([first["onset_s"], second["onset_s"] + later_s])
    part = np.repeat(np.arange(2), 60)
    together = encode(network, attack, onset_s, part)
    alone = [encode(network, attack[rows], onset_s[rows], part[rows]) for rows in (slice(0, 60), slice(60, 120))]
    assert np.allclose(together, np.concatenate(alone), atol=1e-5)


def test_the_view_is_finite_in_attacks() -> None:
    given_ = inputs(3)
    changed = dict(given_, attack=given_["attack"].copy())
    changed["attack"][40:] += 1.0
    left, _ = predict(fresh(), **given_)
    right, _ = predict(fresh(), **changed)
    moved = np.abs(left - right).max(axis=1) > 1e-4
    assert given_["at"][moved].min() >= 40 - 15  # 14 attacks and the one beside
    assert np.any(moved)


def test_the_view_is_finite_in_seconds_where_notes_are_long() -> None:
    given_ = inputs(4, apart_s=9.0)  # farther apart than a tap reaches
    changed = dict(given_, attack=given_["attack"].copy())
    changed["attack"][40:] += 1.0
    left, _ = predict(fresh(), **given_)
    right, _ = predict(fresh(), **changed)
    moved = np.abs(left - right).max(axis=1) > 1e-4
    assert given_["at"][moved].min() >= 39


def test_the_spread_is_positive() -> None:
    _, spread = predict(fresh(), **inputs(5))
    assert np.all(spread > 0)


def test_fresh_weights_are_the_same_for_a_seed() -> None:
    left, _ = predict(fresh(7), **inputs(6))
    right, _ = predict(fresh(7), **inputs(6))
    assert np.array_equal(left, right)


def test_the_network_is_small(tmp_path: Path) -> None:
    save_weights(fresh_module(), tmp_path / "w.safetensors")
    assert sum(tensor.size for tensor in fresh().tensors.values()) < 1_000_000
    assert (tmp_path / "w.safetensors").stat().st_size < 2 * 2**20


def test_weights_survive_the_file_to_half_precision(tmp_path: Path) -> None:
    network = fresh()
    save_weights(fresh_module(), tmp_path / "w.safetensors")
    back = load_weights(tmp_path / "w.safetensors")
    assert back.config == network.config
    left, _ = predict(network, **inputs(8))
    right, _ = predict(back, **inputs(8))
    assert np.abs(left - right).max() < 0.5


def evidence_module(seed: int = 0) -> Evidence:
    torch.manual_seed(seed)
    network = Evidence(EvidenceConfig())
    network.usual[1] = 1.0
    return network.eval()


def evidence(seed: int = 0) -> Weights[EvidenceConfig]:
    return weights_of(evidence_module(seed))


def sights(seed: int, **sizes: int) -> dict[str, np.ndarray]:
    """Inputs of the evidence network, which sees more columns."""
    given_ = inputs(seed, **sizes)
    wide = np.random.default_rng(seed).normal(size=(len(given_["at"]), EvidenceConfig().n_frame_features))
    return {**given_, "frame": wide.astype(np.float32)}


@pytest.mark.parametrize("chunk", [1, 37, 400])
def test_chunks_do_not_change_the_view_of_a_hand(chunk: int) -> None:
    given_ = sights(1)
    assert np.abs(evidence_of(evidence(), **given_) - evidence_of(evidence(), **given_, chunk=chunk)).max() < 1e-4


def test_the_view_of_a_hand_is_finite_too() -> None:
    given_ = sights(3)
    changed = dict(given_, attack=given_["attack"].copy())
    changed["attack"][40:] += 1.0
    moved = np.abs(evidence_of(evidence(), **given_) - evidence_of(evidence(), **changed)).max(axis=1) > 1e-4
    assert given_["at"][moved].min() >= 40 - 15
    assert np.any(moved)


def test_lanes_that_are_drawn_change_the_view_where_they_are_given() -> None:
    given_ = sights(4)
    known = np.zeros((len(given_["at"]), N_KNOWN), dtype=np.float32)
    without = evidence_of(evidence(), **given_)
    assert np.array_equal(evidence_of(evidence(), **given_, known=known), without)
    known[100:, 0] = 1.0
    moved = np.abs(evidence_of(evidence(), **given_, known=known) - without).max(axis=1) > 1e-4
    assert np.all(moved[100:])
    assert not np.any(moved[:100])


def test_both_networks_are_small_together(tmp_path: Path) -> None:
    save_weights(fresh_module(), tmp_path / "base.safetensors")
    save_weights(evidence_module(), tmp_path / "evidence.safetensors")
    assert sum(tensor.size for network in (fresh(), evidence()) for tensor in network.tensors.values()) < 2_000_000
    assert sum(path.stat().st_size for path in tmp_path.iterdir()) < 4 * 2**20
    assert load_evidence(tmp_path / "evidence.safetensors").config == EvidenceConfig()


def _header(**changes: object) -> dict[str, str]:
    return {"config": json.dumps(asdict(NetworkConfig()) | changes)}


def test_a_tensor_of_another_shape_is_named(tmp_path: Path) -> None:
    path = tmp_path / "w.safetensors"
    save_weights(fresh_module(), path)
    tensors = load_file(path)
    tensors["centre.bias"] = torch.zeros(4, dtype=torch.float16)
    save_file(tensors, path, metadata=_header())
    with pytest.raises(InputError, match=r"centre\.bias has shape \(4,\), expected \(3,\)"):
        load_weights(path)


def test_numbers_of_another_kind_are_refused(tmp_path: Path) -> None:
    """numpy knows no bfloat16, say."""
    path = tmp_path / "w.safetensors"
    save_weights(fresh_module(), path)
    save_file({name: tensor.bfloat16() for name, tensor in load_file(path).items()}, path, metadata=_header())
    with pytest.raises(InputError, match="holds BF16 where F16 or F32 is expected"):
        load_weights(path)


def test_weights_for_other_features_are_refused(tmp_path: Path) -> None:
    path = tmp_path / "w.safetensors"
    save_weights(fresh_module(), path)
    save_file(load_file(path), path, metadata=_header(n_attack_features=5))
    with pytest.raises(InputError, match="other features"):
        load_weights(path)


def test_sizes_no_network_has_are_refused_before_memory_is_taken(tmp_path: Path) -> None:
    path = tmp_path / "w.safetensors"
    save_weights(fresh_module(), path)
    for claim in ({"width": 100_000_000}, {"dilations": [1, 1 << 30]}, {"dilations": [0]}, {"reach_s": float("nan")}):
        save_file(load_file(path), path, metadata=_header(**claim))
        with pytest.raises(InputError, match="sizes no network here has"):
            load_weights(path)


def test_values_that_are_no_numbers_are_refused(tmp_path: Path) -> None:
    path = tmp_path / "w.safetensors"
    save_weights(fresh_module(), path)
    tensors = load_file(path)
    tensors["centre.bias"][1] = float("nan")
    save_file(tensors, path, metadata=_header())
    with pytest.raises(InputError, match=r"centre\.bias holds values that are no numbers"):
        load_weights(path)


@pytest.mark.parametrize(
    "header",
    [{}, *({"config": text} for text in ("[" * 99_999, "[]", "{", '{"width": "x"}')), _header(width=float("inf"))],
)
def test_a_header_without_sizes_is_refused(tmp_path: Path, header: dict[str, str]) -> None:
    path = tmp_path / "w.safetensors"
    save_file({"centre.bias": torch.zeros(3)}, path, metadata=header)
    with pytest.raises(InputError, match="lacks a usable configuration"):
        load_weights(path)


@pytest.mark.parametrize("content", [b"", b"not weights at all, but longer than a header", b"\xff" * 64])
def test_a_file_that_is_no_weights_is_an_input_error(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "w.safetensors"
    path.write_bytes(content)
    with pytest.raises(InputError, match=r"w\.safetensors: no usable weights"):
        load_weights(path)
