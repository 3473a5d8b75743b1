"""The network as a predictor: local, repeatable, alive, and replaced by the rules where it may not be used."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from drawn_cues import Line, write_cue
from played_lines import HARP, VIOLINS, heard, line, solo_line
from threadpoolctl import threadpool_limits

from phrasewright.data.errors import InputError
from phrasewright.data.reading import read_cue
from phrasewright.model import prediction
from phrasewright.model.lanes import n_frames_for
from phrasewright.model.listening import hear
from phrasewright.model.parameters import DEFAULT
from phrasewright.model.prediction import (
    WEIGHTS,
    choose_predictor,
    foreseeable,
    network_lanes,
    network_raw_cc,
    prediction_frames,
    residue_cc,
)
from phrasewright.model.rules import raw_lanes, rules_lanes

TUNE = [67, 69, 71, 72, 74, 72, 71, 69, 67, 64, 65, 67]


def test_it_answers_as_the_rules_do() -> None:
    hearing = solo_line(line(TUNE, 1.0))
    dense = network_lanes(hearing, 0)
    assert dense.n_frames == n_frames_for(6.0)
    assert dense.value_cc.shape == rules_lanes(hearing, 0).value_cc.shape
    assert np.all(dense.spread_cc[100:500] > 0)  # it claims a band, the rules none


def test_it_has_learned_its_teacher() -> None:
    """Within a step and a half of the rules on a line it has not seen: fit to the teacher, nothing more."""
    hearing = solo_line(line(TUNE * 3, [1.0, 0.5, 0.5, 2.0] * 9))
    teacher = raw_lanes(hearing, 0, parameters=foreseeable(DEFAULT)).value_cc
    drawn, _ = network_raw_cc(hearing, 0)
    sounding = slice(0, int(hearing.parts[0].part.notes.offset_s.max() * 100))
    assert np.abs(drawn - teacher)[sounding, :2].mean() < 1.5


def test_a_band_is_wider_where_hands_differ_more() -> None:
    """Centres differ from hand to hand, so no band is narrower than a step; none is as wide as a whole level."""
    _, spread = network_raw_cc(solo_line(line(TUNE, 1.0)), 0)
    assert np.all(spread[50:550] > 1.0)
    assert np.all(spread[50:550, :2] < 30.0)


@pytest.mark.parametrize("threads", [1, 2, 3])
def test_threads_do_not_change_it(threads: int) -> None:
    hearing = solo_line(line(TUNE, 1.0))
    first = network_lanes(hearing, 0).value_cc
    with threadpool_limits(threads, user_api="blas"):
        again = network_lanes(hearing, 0).value_cc
    assert np.array_equal(first, again)


def test_an_edit_in_bar_60_leaves_bar_10_alone(tmp_path: Path) -> None:
    notes = line([67 + (k * 5 + k // 7) % 9 for k in range(260)], 1.0)
    edited = [note if note[1] < 236 else (note[0] + 7, *note[1:]) for note in notes]
    bar_frames = 200
    hearings = [
        hear(read_cue(write_cue(tmp_path / name, Line("Violins", 48, rows))))
        for name, rows in (("a.mid", notes), ("b.mid", edited))
    ]
    for predict, last_bar in ((network_lanes, 40), (lambda *part: network_raw_cc(*part)[0], 50)):
        left, right = (lanes if isinstance(lanes := predict(h, 0), np.ndarray) else lanes.value_cc for h in hearings)
        assert np.array_equal(left[: last_bar * bar_frames], right[: last_bar * bar_frames])
        assert not np.array_equal(left, right)


def test_frames_are_dense_at_onsets_and_never_farther_apart_than_80_ms() -> None:
    hearing = solo_line(line(TUNE, 2.0))
    frames = prediction_frames(hearing, 0, n_frames=n_frames_for(12.0))
    assert np.all(np.diff(frames[frames <= 1200]) <= 8)
    for onset_s in hearing.parts[0].attacks.onset_s[1:]:
        assert np.sum(np.abs(frames - onset_s * 100) <= 12) >= 12


def test_what_is_not_foreseen_is_seeded_and_small() -> None:
    hearing = solo_line(line([67, 67, 71], 8.0))
    first = residue_cc(hearing, 0, n_frames=1400)
    assert np.array_equal(first, residue_cc(hearing, 0, n_frames=1400))
    assert 1.0 < np.abs(first[100:1100, 1]).max() < 20.0


def test_parts_without_notes_of_their_own_lane_get_an_answer_of_the_right_length() -> None:
    hearing = heard(Line("Harp", HARP, line(TUNE, 1.0)), Line("Violin", VIOLINS, line(TUNE[:2], 1.0)))
    assert network_lanes(hearing, 0).n_frames == n_frames_for(6.0)
    assert network_lanes(hearing, 1).n_frames == n_frames_for(1.0)


def test_the_rules_answer_where_they_are_asked_for() -> None:
    assert choose_predictor(True) == (rules_lanes, "rules", "")


def _installed(folder: Path, monkeypatch: pytest.MonkeyPatch, *, passed: bool) -> Path:
    weights = folder / "base.safetensors"
    weights.write_bytes(WEIGHTS.read_bytes())
    weights.with_suffix(".json").write_text(json.dumps({"passed_property_tests": passed}))
    monkeypatch.setattr(prediction, "WEIGHTS", weights)
    return weights


def test_the_network_answers_once_its_card_says_that_it_passed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    _installed(tmp_path, monkeypatch, passed=True)
    assert choose_predictor(False) == (network_lanes, "network", "")


def test_the_rules_answer_for_a_network_that_has_not_passed_and_say_so(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    weights = _installed(tmp_path, monkeypatch, passed=False)
    predict, name, remark = choose_predictor(False)
    assert (predict, name) == (rules_lanes, "rules")
    assert "not passed" in remark
    weights.unlink()
    predict, name, remark = choose_predictor(False)
    assert (predict, name) == (rules_lanes, "rules")
    assert "no network weights" in remark


def test_missing_weights_are_named(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"gone\.safetensors: no network weights there"):
        network_lanes(solo_line(line(TUNE, 1.0)), 0, weights=tmp_path / "gone.safetensors")
