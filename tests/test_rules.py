"""The rules' own promises, beyond what every predictor is held to."""

from __future__ import annotations

from dataclasses import fields, is_dataclass, replace

import numpy as np
import pytest
from played_lines import FLUTE, HORN, VIOLINS, frame, labelled, line, smoothed, solo_line, while_sounding

from phrasewright.model.gestures import gestures_of, metre_of
from phrasewright.model.lanes import FRAME_S
from phrasewright.model.parameters import DEFAULT, Family
from phrasewright.model.prediction import foreseeable
from phrasewright.model.residue import residue_of
from phrasewright.model.rules import drawn_cc, raw_cc, raw_lanes, rules_lanes
from phrasewright.model.shapes import bump, ease, skewed_arc, softening, through_nodes

TUNE = line([67, 69, 71, 72, 74, 72, 71, 69], 1.0)


def test_rules_claim_no_spread() -> None:
    assert not np.any(rules_lanes(solo_line(TUNE), 0).spread_cc)


def test_one_note_is_enough() -> None:
    lanes = rules_lanes(solo_line([(60, 1.0, 4.0, 80)]), 0)
    assert np.all(np.isfinite(lanes.value_cc))


def test_a_run_a_trill_and_fast_repeats_are_one_gesture_each() -> None:
    notes = line([60, 62, 64, 65, 67, 69], 0.25) + line([72, 74] * 6, 0.2, start=1.5) + line([67] * 12, 0.25, start=3.9)
    hearing = labelled(solo_line(notes), figure="run", event="none", at=slice(0, 6))
    hearing = labelled(hearing, figure="trill", at=slice(6, 18))
    hearing = labelled(hearing, figure="repeated", at=slice(18, 30))
    phrase = replace(hearing.parts[0].attacks, phrase=np.zeros(30, dtype=np.int64))
    hearing = replace(hearing, parts=(replace(hearing.parts[0], attacks=phrase),))
    gestures = gestures_of(hearing, 0, parameters=DEFAULT)
    assert gestures.n_attacks.tolist() == [6, 12, 12]
    assert gestures.climb.tolist() == [9.0, 2.0, 0.0]


def test_slow_repeats_stay_notes_of_their_own() -> None:
    hearing = labelled(solo_line(line([67] * 6, 1.0)), figure="repeated", event="none")
    assert gestures_of(hearing, 0, parameters=DEFAULT).n_gestures == 6


def test_the_metre_weighs_downbeat_half_bar_beat_and_between() -> None:
    hearing = solo_line(line([60, 62, 64, 65, 67, 69, 71, 72], 0.5))
    assert metre_of(hearing, 0).tolist() == [1.0, 0.0, 0.3, 0.0, 0.5, 0.0, 0.3, 0.0]


def test_parameters_are_frozen_and_documented_in_their_place() -> None:
    """Nothing can be changed behind a predictor's back, and every group is a dataclass of its own."""
    with pytest.raises(AttributeError):
        DEFAULT.level = "f"  # type: ignore[misc]
    groups = [f.name for f in fields(DEFAULT) if is_dataclass(getattr(DEFAULT, f.name))]
    assert {"arc", "note", "dip", "held", "chords", "run", "accent", "closing", "vibrato", "breath", "limits"} <= set(
        groups
    )


@pytest.mark.parametrize(("program", "name", "family"), [(VIOLINS, "Violin", "strings"), (FLUTE, "Flute", "woodwind")])
def test_a_struck_instrument_needs_no_dip_for_a_second_stroke(program: int, name: str, family: str) -> None:
    hearing = labelled(solo_line(line([67] * 8, 1.0), program=program, name=name), event="none")
    struck = replace(DEFAULT, family={family: Family(connects=False)})
    dips = [
        raw_lanes(hearing, 0, parameters=parameters).value_cc[[frame(k * 0.5) for k in range(1, 8)], 0].mean()
        for parameters in (DEFAULT, struck)
    ]
    assert dips[1] > dips[0] + 8.0


def test_deeper_parameters_make_deeper_lanes() -> None:
    """Every depth answers to its parameter: a style can be fitted by them."""
    hearing = labelled(solo_line(TUNE), event="none")
    plain = raw_lanes(hearing, 0).value_cc
    deep = replace(DEFAULT, arc=replace(DEFAULT.arc, depth_cc=(30.0, 22.0)))
    assert (
        np.ptp(while_sounding(hearing, 0, raw_lanes(hearing, 0, parameters=deep).value_cc)[:, 0])
        > np.ptp(while_sounding(hearing, 0, plain)[:, 0]) + 5.0
    )


def test_the_softening_curve_at_its_published_points() -> None:
    """v(x) = (1 + (w^q - 1) x)^(1/q), w = x = .5: .7906 for q = 2, .8255 for q = 3 (Friberg and Sundberg 1999)."""
    assert softening(0.5, end=0.5, power=2.0) == pytest.approx(0.7906, abs=5e-5)
    assert softening(0.5, end=0.5, power=3.0) == pytest.approx(0.8255, abs=5e-5)
    assert softening([0.0, 1.0], end=0.3, power=3.0) == pytest.approx([1.0, 0.3])


def test_elementary_shapes_arrive_where_they_say() -> None:
    assert ease([-1.0, 0.0, 0.5, 1.0, 2.0]).tolist() == [0.0, 0.0, 0.5, 1.0, 1.0]
    assert bump([-1.0, 0.0, 1.0, 3.0]) == pytest.approx([0.0, 1.0, 0.0, 0.0])
    share = np.array([0.0, 0.3, 1.0])
    one = np.ones(3)
    arc = skewed_arc(share, start=0 * one, top=10 * one, end=-5 * one, peak=0.3 * one, rise_power=1.4, fall_power=1.2)
    assert arc == pytest.approx([0.0, 10.0, -5.0])
    nodes = ((0.0, 0.0), (0.5, 0.4), (0.6, 0.3), (1.0, 1.0))
    assert through_nodes(np.array([0.0, 0.5, 0.6, 1.0]), nodes, last_power=1.5) == pytest.approx([0.0, 0.4, 0.3, 1.0])
    still_rising = through_nodes(np.array([0.98, 1.0]), nodes, last_power=1.5)
    assert still_rising[1] - still_rising[0] > 0.04


def test_a_few_frames_are_answered_as_all_are() -> None:
    hearing = solo_line(line([60, 62, 62, 65, 67], 1.5))
    every = raw_lanes(hearing, 0).value_cc
    frames = np.arange(3, len(every), 7)
    assert np.allclose(raw_cc(hearing, 0, frames), every[frames], atol=1e-9)


@pytest.mark.parametrize("program", [VIOLINS, FLUTE])
def test_what_is_drawn_is_what_the_rules_say_more_than_they_do_without_draws(program: int) -> None:
    """A tune over seams and rests, a burst of quick repeats and a note held for twenty seconds."""
    notes = [*line([67, 69, 71, 71, 74, 72] * 6, 1.0), *line([67] * 12, 0.25, start=40.0), (64, 44.0, 40.0, 80)]
    hearing = labelled(solo_line(notes, program=program), figure="repeated", at=slice(36, 48))
    gestures = gestures_of(hearing, 0, parameters=DEFAULT)
    residue = residue_of(hearing.parts[0], gestures, parameters=DEFAULT)
    frames = np.arange(0, 4200, 3)
    drawn = drawn_cc(hearing, 0, frames, gestures, residue)
    without = raw_cc(hearing, 0, frames, parameters=foreseeable(DEFAULT))
    assert np.allclose(drawn, raw_cc(hearing, 0, frames, residue=residue) - without, atol=1e-9)
    assert np.abs(drawn).max(axis=0).min() > 1.0


def test_breaths_within_one_note_keep_no_rhythm() -> None:
    hearing = labelled(solo_line([(53, 0.0, 120.0, 70)], program=HORN, name="Horn"), figure="held", event="none")
    held = replace(DEFAULT.held, size_cc=(0.0, 0.0), vibrato_size_cc=(0.0, 0.0))
    lane = raw_lanes(hearing, 0, parameters=replace(DEFAULT, held=held)).value_cc[:, 0]
    below = lane < smoothed(lane, width_s=3.0) - 3.0
    apart_s = np.diff(np.flatnonzero(np.diff(below.astype(int)) == 1)) * FRAME_S
    assert len(apart_s) >= 6
    assert np.all((apart_s > 4.5) & (apart_s < 9.5))
    assert np.all(np.abs(np.diff(apart_s)) > 0.4)
