"""The personal layer: columns of a known number, bytes that come back, evidence that speaks only of its own kind."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from learned_cues import few_trees, hand_cc, write_cue  # noqa: F401
from sound_files import sound_hearing, sound_style

from phrasewright.data.cue import FAMILIES
from phrasewright.data.curves import LANES
from phrasewright.data.reading import read_cue
from phrasewright.model import personal
from phrasewright.model.hearing import ROLES, CueHearing
from phrasewright.model.listening import hear
from phrasewright.model.parameters import DEFAULT
from phrasewright.model.personal import VOICES, Style, evidence_of, personal_moments, style_lanes
from phrasewright.model.personal_features import FEATURE_VERSION, N_BASIS, RAW, moments_of
from phrasewright.model.prediction import foreseeable
from phrasewright.model.rules import raw_cc, rules_lanes
from phrasewright.model.style_files import style_bytes, style_from
from phrasewright.training import personal_fitting
from phrasewright.training.personal_examples import part_examples
from phrasewright.training.personal_fitting import fit_style

RAW_SUMS, BASIS_SUMS = [6143.732, 264280.215], [-425.133, -19945.189]


@pytest.fixture(scope="module")
def cue(tmp_path_factory: pytest.TempPathFactory) -> CueHearing:
    return hear(read_cue(write_cue(tmp_path_factory.mktemp("cue") / "cue.mid", seed=1, n_phrases=3)))


@pytest.fixture(scope="module")
def style(cue: CueHearing) -> Style:
    shipped = rules_lanes(cue, 0)
    target = hand_cc(cue, 0)
    weight = np.ones_like(target)
    weight[:, LANES.index("vibrato")] = 0.0
    return fit_style(part_examples(cue, 0, target, weight=weight, shipped=shipped), name="hand", about={}).style


def test_columns_are_as_many_as_they_are_called(cue: CueHearing) -> None:
    moments = personal_moments(cue, 1, np.arange(0, 600, 7))
    assert moments.raw.shape == (86, len(RAW))
    assert moments.basis.shape == (86, N_BASIS)
    assert np.isfinite(moments.basis).all()


def test_columns_are_those_of_their_version(cue: CueHearing) -> None:
    """Styles hang on each column meaning what it did: where these figures change, FEATURE_VERSION is to be raised."""
    assert FEATURE_VERSION == 2
    rules_cc = np.full((86, 3), (60.0, 70.0, 80.0))  # theirs change with the rules
    moments = moments_of(cue, 1, np.arange(0, 600, 7), rules_cc=rules_cc)
    for columns, recorded in ((moments.raw, RAW_SUMS), (moments.basis, BASIS_SUMS)):
        known = np.nan_to_num(columns.astype(np.float64))
        told = known @ np.cos(np.arange(columns.shape[1]))  # no two columns count alike
        assert [told.sum(), told @ np.arange(86)] == pytest.approx(recorded, abs=0.05)


def test_the_smooth_columns_are_made_only_where_they_are_asked(cue: CueHearing) -> None:
    frames = np.arange(0, 600, 7)
    rules_cc = raw_cc(cue, 1, frames, parameters=foreseeable(DEFAULT))
    whole, quick = (moments_of(cue, 1, frames, rules_cc=rules_cc, smooth=smooth) for smooth in (True, False))
    assert quick.basis.shape == (86, 0)
    assert np.array_equal(whole.raw, quick.raw, equal_nan=True)


def test_columns_far_from_an_edit_stay_as_they_were(tmp_path: Path) -> None:
    """The first phrase is 7 beats, the last one is 35 beats later: 21 s."""
    short = hear(read_cue(write_cue(tmp_path / "a.mid", seed=1, n_phrases=6)))
    longer = hear(read_cue(write_cue(tmp_path / "b.mid", seed=1, n_phrases=7)))
    frames = np.arange(0, 380, 10)
    here, there = (personal_moments(one, 0, frames) for one in (short, longer))
    assert np.array_equal(here.raw, there.raw, equal_nan=True)
    assert np.array_equal(here.basis, there.basis)


def test_a_style_answers_alike_far_from_an_edit(tmp_path: Path, style: Style) -> None:
    """To the bit, with every voice in it: sums over columns must not hang on how many moments there are."""
    every = {name: replace(model, stack=np.full(len(VOICES), 1 / len(VOICES))) for name, model in style.lanes.items()}
    short = hear(read_cue(write_cue(tmp_path / "a.mid", seed=1, n_phrases=6)))
    longer = hear(read_cue(write_cue(tmp_path / "b.mid", seed=1, n_phrases=7)))
    here, there = (style_lanes(c, 0, replace(style, lanes=every), shipped=rules_lanes) for c in (short, longer))
    assert np.array_equal(here.value_cc[:380], there.value_cc[:380])


def test_bytes_come_back_and_answer_alike(cue: CueHearing, style: Style) -> None:
    content = style_bytes(style)
    again = style_from(content, source="bytes")
    assert style_bytes(again) == content
    one, other = (style_lanes(cue, 1, s, shipped=rules_lanes) for s in (style, again))
    assert np.array_equal(one.value_cc, other.value_cc)


def test_a_lane_that_was_not_corrected_is_the_shipped_one(cue: CueHearing, style: Style) -> None:
    shipped, own = rules_lanes(cue, 0), style_lanes(cue, 0, style, shipped=rules_lanes)
    vibrato = LANES.index("vibrato")
    assert np.array_equal(own.value_cc[:, vibrato], shipped.value_cc[:, vibrato])
    assert not np.array_equal(own.value_cc[:, 0], shipped.value_cc[:, 0])


def test_evidence_is_strongest_at_home(style: Style) -> None:
    seconds = np.zeros((len(LANES), len(FAMILIES), len(ROLES)))
    seconds[0, FAMILIES.index("strings"), ROLES.index("melody")] = 30.0
    alone = replace(style, evidence_s=seconds)
    roles = np.array([ROLES.index("melody"), ROLES.index("bass")])
    strings, brass = (evidence_of(alone, lane="dynamics", family=f, role=roles) for f in ("strings", "brass"))
    assert strings[0] > strings[1] > brass[0] > 0.0
    assert brass[0] < 0.4
    assert np.all(evidence_of(alone, lane="vibrato", family="strings", role=roles) == 0.0)


def test_each_weight_of_the_stack_belongs_to_its_own_voice() -> None:
    """All weight on the shipped curve gives the shipped curve, within the hand's range, whatever the others say."""
    heard = sound_hearing()
    style = style_from(sound_style(), source="style")
    shipped = rules_lanes(heard, 0).value_cc[:, 0]
    apart = []
    for voice in (0, -1):  # the shipped curve, and the last one
        alone = np.eye(len(style.lanes["dynamics"].stack))[voice]
        lanes = {"dynamics": replace(style.lanes["dynamics"], stack=alone, range_cc=np.array([0.0, 127.0]))}
        own = style_lanes(heard, 0, replace(style, lanes=lanes), shipped=rules_lanes).value_cc[:, 0]
        apart.append(float(np.abs(own - shipped).mean()))
    assert apart[0] < 3.0  # what is lost between the frames at which a style answers
    assert apart[1] > 9.0


def test_a_style_asks_only_for_what_has_a_say(
    cue: CueHearing, style: Style, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Without voices on it the evidence network is never run, and what is written is the same to the bit."""

    def weighed(*stack: float) -> Style:
        lanes = {name: replace(model, stack=np.array(stack)) for name, model in style.lanes.items()}
        return replace(style, lanes=lanes)

    assert weighed(0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 1.0).asks_network
    for own, columns in (((0.1, 0.2, 0.0, 0.7, 0.0, 0.0, 0.0), 0), ((0.0, 0.0, 0.3, 0.3, 0.4, 0.0, 0.0), N_BASIS)):
        quick = weighed(*own)
        assert not quick.asks_network
        frames = np.arange(0, 600, 7)
        moments = personal_moments(cue, 1, frames)
        shipped_cc = np.full((len(frames), 3), 70.0)
        said = quick.voices(moments, shipped_cc, led_cc={})
        less = replace(moments, basis=moments.basis[:, :columns], deep=None)
        for lane, voices in quick.voices(less, shipped_cc, led_cc={}).items():
            assert np.array_equal(voices @ own, said[lane] @ own)
        with monkeypatch.context() as patch:
            patch.setattr(personal, "evidence_features", None)
            style_lanes(cue, 1, quick, shipped=rules_lanes)


def test_a_voice_that_is_left_out_takes_no_place_in_the_file(cue: CueHearing) -> None:
    shipped, target = rules_lanes(cue, 0), hand_cc(cue, 0)
    examples = part_examples(cue, 0, target, weight=np.ones_like(target), shipped=shipped)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(personal_fitting, "STACKED", VOICES[:4])
        quick = fit_style(examples, name="hand", about={}).style
        whole = fit_style(examples, name="hand", about={}, all_voices=True).style
    assert not quick.asks_network
    assert {model.deep.n_trees for model in quick.lanes.values()} == {0}
    assert len(style_bytes(quick)) < 0.6 * len(style_bytes(whole))
    again = style_from(style_bytes(quick), source="bytes")
    one, other, third = (style_lanes(cue, 1, s, shipped=rules_lanes).value_cc for s in (quick, again, whole))
    assert np.array_equal(one, other)
    assert np.array_equal(one, third)
