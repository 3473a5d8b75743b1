"""Judging the base without evidence: who is right by definition, who is dead, and what is never trained on."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner
from conftest import forbid_network
from played_lines import CELLO, VIOLINS, Line, heard, line

from phrasewright.inference.cli import main
from phrasewright.model.features import ATTACK_FEATURES, FEATURE_GROUPS, FRAME_FEATURES
from phrasewright.model.hearing import CueHearing
from phrasewright.training import evaluation, simple_models
from phrasewright.training.corpus import held_out
from phrasewright.training.evaluation import CONTENDERS, FIGURES_OF, evaluate, evaluation_text, held_out_cues
from phrasewright.training.fitting import JUDGED_SEEDS
from phrasewright.training.simple_models import COLUMNS, default_cc, fitted, shuffled, view_of


def duet(shift: int) -> CueHearing:
    """A tune with repeats over slow notes."""
    tune = [67, 67, 69, 71, 72, 72, 74, 76, 74, 72, 71, 69, 67, 65, 64, 62]
    slow = [48, 50, 52, 53]
    return heard(
        Line("Violin", VIOLINS, line([p + shift for p in tune * 2], [1.0, 1.0, 0.5, 1.5] * 8)),
        Line("Cello", CELLO, line([p + shift for p in slow * 2], 4.0)),
    )


@pytest.fixture(scope="module")
def result() -> dict[str, Any]:
    """The whole command on three little cues, taught by two others, without a network."""
    with pytest.MonkeyPatch.context() as patch:
        forbid_network(patch)
        patch.setattr(simple_models, "TREES", 20)
        patch.setattr(evaluation, "taught_cues", lambda: [duet(0), duet(7)])
        patch.setattr(evaluation, "held_out_cues", lambda n: [(f"cue {k}", duet(2 * k + 1)) for k in range(n)])
        return evaluate(n_pieces=3, n_hands=2)


def test_the_rules_are_the_default_hand_and_a_constant_is_dead(result: dict[str, Any]) -> None:
    for lane, found in result["figures"]["default"]["rules"].items():
        assert found["all"]["error"][0] == 0.0, lane
        assert found["all"]["energy"][0] == found["all"]["slopes"][0] == pytest.approx(1.0)
    for found in result["figures"]["default"]["constant"].values():
        assert found["all"]["error"][0] > 1.0
        assert found["all"]["energy"][0] == found["all"]["slopes"][0] == 0.0


def test_the_network_is_nearer_to_its_teacher_than_simpler_models_and_as_alive(result: dict[str, Any]) -> None:
    default = result["figures"]["default"]
    for lane in ("dynamics", "expression"):
        network = default["network"][lane]["all"]
        assert network["error"][0] < min(default[who][lane]["all"]["error"][0] for who in ("constant", "ridge"))
        assert 0.8 < network["depth"][0] < 1.25
        assert 0.8 < network["energy"][0] < 1.25


def test_balance_is_told_from_shape(result: dict[str, Any]) -> None:
    """Fresh hands stand at levels of their own: most of the error goes when each phrase's mean does."""
    for lane in ("dynamics", "vibrato"):
        found = result["figures"]["prior"]["network"][lane]["all"]
        assert found["no mean"][0] < found["error"][0]


def test_every_figure_has_an_interval_around_it(result: dict[str, Any]) -> None:
    assert set(result["figures"]) == {"default", "prior"}
    for table in result["figures"].values():
        assert set(table) == set(CONTENDERS)
        for lanes in table.values():
            assert {"all", "melody", "repeated"} <= set(lanes["dynamics"])
            for name, (value, low, high) in lanes["dynamics"]["all"].items():
                assert name in FIGURES_OF
                if value is not None:
                    assert low <= value + 1e-9
                    assert value <= high + 1e-9
    assert result["figures"]["default"]["network"]["expression"]["all"]["dB"][0] < 1.0
    assert result["figures"]["default"]["network"]["dynamics"]["all"]["dB"][0] is None


def test_figures_are_json_and_a_table(result: dict[str, Any]) -> None:
    assert json.loads(json.dumps(result, allow_nan=False)) == result
    text = evaluation_text(result)
    assert all(f"| dynamics | {who} |" in text for who in CONTENDERS)
    assert "| vibrato | repeated |" in text
    assert "nan" not in text


def test_faults_are_told_at_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Before any piece is read, which takes a while."""
    monkeypatch.delattr(evaluation, "held_out_cues")
    run = CliRunner().invoke(main, ["evaluate", "--apart", "nobody"])
    assert run.exit_code == 2
    assert "breather" in run.output
    for content in (None, b"no weights"):
        weights = tmp_path / "new.safetensors"
        if content is not None:
            weights.write_bytes(content)
        run = CliRunner().invoke(main, ["evaluate", "--weights", str(weights), "--json"])
        assert run.exit_code == 1
        assert "new.safetensors" in run.stderr
        assert len(run.stderr.splitlines()) == 1


def test_pieces_and_people_to_be_judged_on_are_never_trained_on() -> None:
    for name, _ in held_out_cues(6):
        assert held_out(name) or name.startswith("invented")
    assert min(evaluation.JUDGED_SEEDS) > 100 * max(JUDGED_SEEDS)
    assert all(not held_out(name) for name in evaluation.TAUGHT)


def test_what_is_left_out_makes_no_difference_to_a_model() -> None:
    views = [view for i in (0, 1) if (view := view_of(duet(0), i))]
    without = FEATURE_GROUPS["position in phrase"]
    model = fitted(views, ["ridge"], without=without)["ridge"]
    columns = views[0].columns.copy()
    columns[:, [name in without for name in COLUMNS]] += 3.0
    assert np.array_equal(model(columns), model(views[0].columns))
    blind = np.abs(model(views[0].columns) - default_cc(views[0])).mean()
    assert blind > np.abs(fitted(views, ["ridge"])["ridge"](views[0].columns) - default_cc(views[0])).mean()


def test_shuffled_columns_keep_their_values_and_others_their_place() -> None:
    table = np.arange(40, dtype=np.float32).reshape(8, 5)
    out = shuffled(table, list("abcde"), {"b", "d"}, np.random.default_rng(0))
    assert np.array_equal(out[:, [0, 2, 4]], table[:, [0, 2, 4]])
    assert not np.array_equal(out[:, 1], table[:, 1])
    assert sorted(out[:, 1]) == sorted(table[:, 1])
    assert np.array_equal(out[:, 3] - out[:, 1], np.full(8, 2.0))


def test_every_group_names_columns_that_are_there() -> None:
    for names in FEATURE_GROUPS.values():
        assert set(names) <= {*ATTACK_FEATURES, *FRAME_FEATURES}
