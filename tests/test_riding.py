"""Lanes ride on the plan, whoever predicts them: level, timbre, ramps, steps, accents."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from marked_cues import BAR_S, PHRASE, marked_cue, planned, table
from numpy.typing import NDArray
from played_lines import Predictor, frame, labelled, level_db, smoothed

from phrasewright.model.hearing import CueHearing
from phrasewright.model.limits import sounding_frames
from phrasewright.model.listening import hear

Array = NDArray[np.float64]


def sounding(predictor: Predictor, hearing: CueHearing, index: int = 0) -> Array:
    lanes = predictor(hearing, index).value_cc
    return lanes[sounding_frames(hearing, index, len(lanes))]


def test_the_same_phrase_differs_in_level_and_in_timbre_from_pp_to_ff(predictor: Predictor) -> None:
    means = [sounding(predictor, planned(f"1,{mark},,")) for mark in ("pp", "p", "mp", "mf", "f", "ff")]
    level = np.array([level_db(lanes).mean() for lanes in means])
    centres = np.array([lanes.mean(axis=0) for lanes in means])
    assert np.all(np.diff(level) > 2.5)
    assert np.all(np.diff(centres[:, 0]) > 9.0)
    assert np.all(np.diff(centres[:, 1]) > 2.0)
    assert np.all(np.diff(centres[:, 2]) > 0.0)
    assert np.abs(centres[:, 0] - np.array([30, 44, 58, 72, 90, 108])).max() < 6.0


def test_it_is_the_same_phrase_still(predictor: Predictor) -> None:
    """The arcs and joins of p are those of f, a little smaller."""
    soft, loud = (sounding(predictor, planned(f"1,{mark},,")) for mark in ("p", "f"))
    for lane in (0, 1):
        assert np.corrcoef(soft[:, lane], loud[:, lane])[0, 1] > 0.97
    assert 0.6 < soft[:, 0].std() / loud[:, 0].std() < 0.95


def test_mf_is_what_comes_without_a_plan(predictor: Predictor) -> None:
    plain = sounding(predictor, replace(hear(marked_cue()), texture_db=np.zeros(0)))
    asked = sounding(predictor, planned("1,mf,,"))
    assert np.abs(plain - asked).max() < 0.5


def test_a_crescendo_rises_from_phrase_to_phrase_and_a_diminuendo_falls(predictor: Predictor) -> None:
    for row, sign in (("13,ff,,12", 1), ("13,pp,,12", -1)):
        hearing = planned(row)
        level = level_db(predictor(hearing, 0).value_cc)
        means = [level[frame(4.0 * k) : frame(4.0 * k + 3.5)].mean() for k in range(6)]
        assert np.all(sign * np.diff(means) > 0.8)


def test_a_ramp_is_monotonic_once_phrases_are_smoothed_out(predictor: Predictor) -> None:
    hearing = planned("1,p,,", "15,ff,,13")
    level = level_db(predictor(hearing, 0).value_cc)
    sound = np.flatnonzero(sounding_frames(hearing, 0, len(level)))
    course = smoothed(level[sound], width_s=4.0)[200:-600]
    assert np.diff(course[::50]).min() > -0.35
    assert course[-1] - course[0] > 8.0


def test_a_sudden_p_is_there_at_its_onset(predictor: Predictor) -> None:
    hearing = labelled(planned("1,f,,", "4,p,,"), event="none")
    lanes = predictor(hearing, 0).value_cc
    onset_s = 3 * BAR_S
    before, after = (lanes[frame(onset_s + a) : frame(onset_s + b), 0] for a, b in ((-0.4, -0.2), (0.12, 0.4)))
    assert before.mean() - after.mean() > 35.0
    at_once = lanes[frame(onset_s - 0.12) : frame(onset_s + 0.1), 0]
    assert np.ptp(at_once) > 25.0


def test_niente_ends_at_the_low_end(predictor: Predictor) -> None:
    hearing = planned("1,p,,", "16,niente,,6")
    lanes = predictor(hearing, 0).value_cc
    assert lanes[frame(15 * BAR_S) : frame(15 * BAR_S + 1.5), 0].max() < 25.0
    assert lanes[frame(15 * BAR_S) : frame(15 * BAR_S + 1.5), 1].max() < 60.0
    assert lanes[frame(8 * BAR_S) : frame(9 * BAR_S), 0].mean() > 35.0


def test_a_plan_for_one_part_leaves_the_others_alone(predictor: Predictor) -> None:
    plain, asked = planned(), planned("1,pp,Violin,", "9,ff,Violin,4")
    assert np.array_equal(predictor(plain, 1).value_cc, predictor(asked, 1).value_cc)
    assert np.abs(predictor(plain, 0).value_cc - predictor(asked, 0).value_cc).max() > 20.0


def test_a_plan_late_in_the_cue_leaves_its_beginning_alone(predictor: Predictor) -> None:
    plain, asked = (predictor(planned(*rows), 0).value_cc for rows in ((), ("13,ff,,",)))
    assert np.array_equal(plain[: frame(9 * BAR_S)], asked[: frame(9 * BAR_S)])


@pytest.mark.parametrize("event", ["accent", "sforzando"])
def test_accents_grow_with_the_level(predictor: Predictor, event: str) -> None:
    heights = []
    at_s = 8 * BAR_S + 0.5
    for mark in ("p", "mf", "f"):
        hearing = planned(f"1,{mark},,")
        lanes = {}
        for label in ("none", event):
            plain = labelled(hearing, event="none")
            struck = labelled(plain, event=label, at=slice(4 * len(PHRASE) + 1, 4 * len(PHRASE) + 2))
            lanes[label] = predictor(struck, 0).value_cc[frame(at_s - 0.05) : frame(at_s + 0.3), 0]
        heights.append(float((lanes[event] - lanes["none"]).max()))
    assert heights[0] < 0.9 * heights[1]
    assert heights[2] > (1.0 if event == "accent" else 0.95) * heights[1]  # a sforzando in f meets the ceiling
    assert heights[0] > 4.0


def test_marks_in_the_file_do_what_a_table_does(predictor: Predictor) -> None:
    marked = hear(marked_cue(conductor=[(1, "p"), (9, "f")]))
    cue = marked_cue()
    asked = hear(cue, plan=table(cue, "1,p,,", "9,f,,"))
    assert np.array_equal(predictor(marked, 0).value_cc, predictor(asked, 0).value_cc)


def test_an_fp_in_a_table_does_what_the_mark_does(predictor: Predictor) -> None:
    """Its attack is f, and the note goes on in p: no dip before it, no accent of p alone."""
    marked = hear(marked_cue(conductor=[(1, "f"), (9, "fp")]))
    cue = marked_cue()
    asked = hear(cue, plan=table(cue, "1,f,,", "9,fp,,"))
    assert np.array_equal(predictor(marked, 0).value_cc, predictor(asked, 0).value_cc)


def test_an_accent_in_a_table_is_heard() -> None:
    hearing = planned("5,sfz,Violin,")
    events = [(s.label, round(s.start_s, 2)) for s in hearing.parts[0].situations if s.axis == "event"]
    assert ("sforzando", 8.0) in events
    assert ("sforzando", 8.0) not in [(s.label, round(s.start_s, 2)) for s in hearing.parts[1].situations]


def test_ranges_open_where_the_plan_asks_for_more(predictor: Predictor) -> None:
    assert sounding(predictor, planned("1,4,,"))[:, 0].min() < 10.0
    assert sounding(predictor, planned("1,127,,"))[:, 0].max() > 119.0
    assert sounding(predictor, planned("1,ff,,"))[:, 0].max() <= 118.0
    assert sounding(predictor, planned("1,pp,,"))[:, 0].min() >= 12.0
