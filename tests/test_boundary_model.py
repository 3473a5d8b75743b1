"""The learned sense of phrase beginnings: what a musician expects of it, and what damaged weights say."""

from __future__ import annotations

import json
from dataclasses import fields, replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from safetensors.numpy import load_file, save_file

from phrasewright.data.errors import InputError
from phrasewright.model.boundary_features import Melody, context_of, features_of, metre_trust
from phrasewright.model.boundary_model import (
    WEIGHTS,
    Forest,
    begin_probabilities,
    keeps_to_metre,
    load_boundary_model,
    shared_context,
    without_metre,
)
from phrasewright.model.phrases import LONGEST_S, divide, length_cost, odds_of, phrase_begins
from phrasewright.model.trees import Trees

QUESTION = [(67, 1.0), (69, 1.0), (71, 1.0), (72, 1.0), (74, 1.5), (72, 0.5), (71, 2.0)]
ANSWER = [(72, 1.0), (71, 1.0), (69, 1.0), (67, 1.0), (66, 1.5), (64, 0.5), (62, 2.0)]


def melody(steps: list[tuple[int, float]], *, beat_s: float = 0.5, start: float = 0.0) -> Melody:
    """A connected line in 4/4."""
    length = np.array([beats for _, beats in steps])
    beat = start + np.r_[0.0, np.cumsum(length)[:-1]]
    pitch = np.array([p for p, _ in steps], dtype=float)
    return Melody(beat * beat_s, (beat + length) * beat_s, pitch, beat, 1 + beat / 4, np.full(len(beat), 4.0))


def random_melody(rng: np.random.Generator, n: int) -> Melody:
    return melody(
        [(int(p), float(d)) for p, d in zip(rng.integers(55, 80, n), rng.choice([0.5, 1.0, 2.0], n), strict=True)]
    )


def taken(line: Melody, rows: slice) -> Melody:
    return Melody(*(getattr(line, field.name)[rows] for field in fields(line)))


def test_question_and_answer_are_parted_with_and_without_metre() -> None:
    line = melody([*QUESTION, *ANSWER, *QUESTION, *ANSWER])
    for version in (line, without_metre(line)):
        (p,) = begin_probabilities([version])
        assert phrase_begins(version, p) == [0, 7, 14, 21]
        assert set(np.argsort(-p)[:4].tolist()) == {0, 7, 14, 21}


def test_playing_in_with_scatter_changes_no_phrase() -> None:
    line = melody([*QUESTION, *ANSWER, *QUESTION, *ANSWER])
    move_s = np.random.default_rng(1).uniform(-0.04, 0.04, line.n_notes)
    played = replace(
        line, onset_s=line.onset_s + move_s, onset_beat=line.onset_beat + 2 * move_s, bar=line.bar + move_s / 2
    )
    (p,) = begin_probabilities([played])
    assert phrase_begins(played, p) == [0, 7, 14, 21]


def test_other_lines_that_breathe_here_make_a_beginning_likelier() -> None:
    """A middle voice in even notes, alone, and under voices that end their phrases together."""
    even = melody([(60 + k % 3, 1.0) for k in range(32)])
    song = melody([*QUESTION, *ANSWER, *QUESTION, *ANSWER])
    low = replace(song, pitch=song.pitch - 19)
    (alone,) = begin_probabilities([even])
    together = begin_probabilities([song, even, low])[1]
    assert together[[8, 16, 24]].min() > alone[[8, 16, 24]].max()
    others = np.delete(together[1:], [7, 15, 23])
    assert together[[8, 16, 24]].min() > 2 * others.max()


def test_lines_do_not_change_when_a_silent_one_is_added() -> None:
    line = melody([*QUESTION, *ANSWER])
    nothing = taken(line, slice(0, 0))
    one, empty = begin_probabilities([line, nothing])
    assert np.array_equal(one, begin_probabilities([line])[0])
    assert len(empty) == 0


@settings(deadline=None, max_examples=8)
@given(st.integers(0, 10_000))
def test_a_change_more_than_a_minute_away_changes_nothing(seed: int) -> None:
    rng = np.random.default_rng(seed)
    line = random_melody(rng, 300)
    pitch, at = line.pitch.copy(), 200
    pitch[at:] = rng.integers(55, 80, 100)
    changed = replace(line, pitch=pitch)
    one, two = begin_probabilities([line])[0], begin_probabilities([changed])[0]
    far = line.onset_s < line.onset_s[at] - 45.0
    assert far.sum() > 50
    assert one[far] == pytest.approx(two[far], abs=2e-3)


@settings(deadline=None, max_examples=15)
@given(st.integers(1, 40), st.integers(0, 10_000))
def test_probabilities_and_features_have_their_shape_whatever_the_length(n: int, seed: int) -> None:
    line = random_melody(np.random.default_rng(seed), n)
    for version in (line, without_metre(line)):
        features = features_of(version)
        assert {v.shape for v in (features | context_of(version, np.full(n, 0.2))).values()} == {(n,)}
        (p,) = begin_probabilities([version])
        assert p[0] == 1
        assert np.all((p >= 0) & (p <= 1))


def test_transposing_and_slowing_a_line_barely_matter() -> None:
    line = melody([*QUESTION, *ANSWER, *QUESTION, *ANSWER])
    (p,) = begin_probabilities([line])
    (higher,) = begin_probabilities([replace(line, pitch=line.pitch + 5)])
    assert higher == pytest.approx(p, abs=1e-3)


def test_metre_is_trusted_where_the_playing_keeps_to_it() -> None:
    rng = np.random.default_rng(3)
    line = random_melody(rng, 80)
    free = replace(line, onset_beat=np.sort(rng.uniform(0, 90, 80)))
    assert keeps_to_metre(line)
    assert not keeps_to_metre(free)
    assert not keeps_to_metre(without_metre(line))
    assert np.isnan(metre_trust(without_metre(line))).all()


def test_nothing_is_shared_with_oneself() -> None:
    line = melody([*QUESTION, *ANSWER])
    (context,) = shared_context([line], [np.full(14, 0.3)])
    assert np.all(context["others"] == 0)
    assert np.isnan(context["others_mean"]).all()


def test_phrases_of_two_to_twelve_seconds_cost_nothing() -> None:
    assert not length_cost(np.array([2.0, 5.0, 12.0])).any()
    assert length_cost(np.array([0.5]))[0] > length_cost(np.array([1.0]))[0] > 0
    assert length_cost(np.array([20.0]))[0] > length_cost(np.array([14.0]))[0] > 0


def test_sure_beginnings_stand_and_long_lines_are_divided() -> None:
    on_s: NDArray[np.float64] = np.arange(400, dtype=np.float64) * 0.25
    sure = np.zeros(400, dtype=bool)
    sure[[3, 5]] = True
    begins = divide(on_s, np.asarray(on_s + 0.25), odds=np.full(400, -3.0), sure=sure)
    assert begins[:3] == [0, 3, 5]
    assert np.diff([*on_s[begins], 100.0]).max() <= 1.2 * LONGEST_S
    assert divide(on_s[:0], on_s[:0], odds=on_s[:0], sure=sure[:0]) == []


def test_odds_grow_with_probability() -> None:
    assert np.all(np.diff(odds_of(np.array([0.0, 0.1, 0.5, 0.9, 1.0]))) > 0)


# ---- weights ----


def test_the_weights_are_small_and_have_a_card() -> None:
    assert WEIGHTS.stat().st_size < 2**20
    card = WEIGHTS.with_suffix(".md").read_text(encoding="utf-8")
    for word in ("chorales", "licence", "seed", "boundary_fitting", "Essen"):
        assert word in card


def stump(**changes: object) -> Forest:
    """One tree: 1 above 0.5 and for unknown values, else -1."""
    arrays: dict[str, object] = {
        "base": np.array([0.25]),
        "roots": np.array([0], dtype=np.int32),
        "feature": np.array([0, 0, 0], dtype=np.int16),
        "threshold": np.array([0.5, 0, 0]),
        "left": np.array([1, 1, 2], dtype=np.int32),
        "right": np.array([2, 1, 2], dtype=np.int32),
        "missing": np.array([0, 1, 1], dtype=np.uint8),
        "value": np.array([0.0, -1.0, 1.0]),
    }
    return Forest(("x",), Trees(n_features=1, **(arrays | changes)))  # type: ignore[arg-type]


def test_a_tree_leads_by_its_threshold_and_unknown_values_their_own_way() -> None:
    x = np.array([0.4, 0.5, 0.6, np.nan])
    assert stump().log_odds({"x": x}).tolist() == [-0.75, -0.75, 1.25, 1.25]
    other_way = stump(missing=np.array([1, 1, 1], dtype=np.uint8))
    assert other_way.log_odds({"x": x}).tolist() == [-0.75, -0.75, 1.25, -0.75]


def test_a_feature_nobody_computes_is_named() -> None:
    with pytest.raises(ValueError, match="not computed: x"):
        stump().log_odds({"y": np.zeros(2)})


def test_damaged_weights_are_told_in_one_line(tmp_path: Path) -> None:
    missing, damaged, foreign, led_astray = (tmp_path / f"{name}.safetensors" for name in ("a", "b", "c", "d"))
    damaged.write_bytes(WEIGHTS.read_bytes()[:2000])
    save_file({"x": np.zeros(3)}, str(foreign))
    model = load_boundary_model()
    about = {
        stage: {"names": forest.names, "base": float(forest.trees.base[0])}
        for stage, forest in (("first", model.first), ("second", model.second))
    }
    tensors = load_file(str(WEIGHTS))
    tensors["second.left"] = tensors["second.left"] + np.int16(20_000)
    save_file(tensors, str(led_astray), metadata={"forests": json.dumps(about)})
    for path in (missing, damaged, foreign, led_astray):
        with pytest.raises(InputError, match=r"no weights of the phrase model .* install the package anew"):
            load_boundary_model(path)
