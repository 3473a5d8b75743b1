"""Limits hold for whatever a predictor says: wild, flat or out of range."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from drawn_cues import Line
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from played_lines import frame, heard, labelled, level_db, line, smoothed, solo_line, while_sounding

from phrasewright.data.plan import LEVEL_CENTRES_CC
from phrasewright.model.gestures import gestures_of, grid_of
from phrasewright.model.hearing import CueHearing
from phrasewright.model.lanes import DenseLanes, n_frames_for
from phrasewright.model.limits import sounding_frames, target_level_db, within_limits
from phrasewright.model.parameters import DEFAULT
from phrasewright.model.rules import rules_lanes
from phrasewright.model.shapes import bent_into

PHRASES = [n for k in range(5) for n in line([67, 69, 71, 72, 74, 72, 71, 69], 1.0, start=10.0 * k)]
HEARING = labelled(solo_line(PHRASES), role="melody", event="none", figure="none")


def answer(hearing: CueHearing, curve: NDArray[np.float64]) -> DenseLanes:
    return DenseLanes(curve, np.ones_like(curve))


def waves(hearing: CueHearing, *, depth_cc: float, centre_cc: tuple[float, float, float], seed: int = 0) -> DenseLanes:
    """Slow random waves around a centre."""
    n = n_frames_for(float(hearing.parts[0].part.notes.offset_s.max()))
    rng = np.random.default_rng(seed)
    knots = rng.uniform(-depth_cc, depth_cc, (n // 100 + 2, 3))
    time = np.arange(n) / 100.0
    curve = np.stack([np.interp(time, np.arange(len(knots)), knots[:, lane]) for lane in range(3)], axis=1)
    return answer(hearing, curve + np.array(centre_cc))


@given(st.floats(0.0, 60.0), st.integers(0, 1000), st.floats(10.0, 120.0), st.floats(40.0, 127.0))
@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.too_slow])
def test_any_answer_comes_back_within_the_ranges(
    depth_cc: float, seed: int, dynamics_cc: float, expression_cc: float
) -> None:
    raw = waves(HEARING, depth_cc=depth_cc, centre_cc=(dynamics_cc, expression_cc, 40.0), seed=seed)
    limited = within_limits(HEARING, 0, raw)
    for lane, (low, high) in enumerate(((12, 118), (48, 120), (0, 110))):
        assert limited.value_cc[:, lane].min() >= low
        assert limited.value_cc[:, lane].max() <= high
    assert np.array_equal(limited.spread_cc, raw.spread_cc)


@pytest.mark.parametrize(("depth_cc", "seed"), [(4.0, 1), (10.0, 2), (20.0, 3), (30.0, 4)])
def test_every_phrase_gets_a_range_of_3_to_9_db(depth_cc: float, seed: int) -> None:
    limited = within_limits(HEARING, 0, waves(HEARING, depth_cc=depth_cc, centre_cc=(72.0, 92.0, 40.0), seed=seed))
    for phrase in HEARING.parts[0].phrases:
        course = smoothed(level_db(np.rint(limited.value_cc[frame(phrase.start_s) : frame(phrase.end_s)])))
        assert 3.0 <= np.ptp(course) <= 9.0


def test_a_phrase_too_loud_or_too_soft_comes_to_its_roles_level() -> None:
    means = []
    for centre_cc in ((50.0, 80.0, 40.0), (95.0, 105.0, 40.0)):
        limited = within_limits(HEARING, 0, waves(HEARING, depth_cc=6.0, centre_cc=centre_cc))
        means.append(level_db(while_sounding(HEARING, 0, limited.value_cc)).mean())
    gestures = gestures_of(HEARING, 0, parameters=DEFAULT)
    target_db = target_level_db(gestures, grid_of(gestures, 100), parameters=DEFAULT).mean()
    assert means == pytest.approx([target_db, target_db], abs=0.4)


def test_melody_stands_three_db_over_every_other_role() -> None:
    levels = {}
    for role in ("melody", "counter", "chords", "bass", "pedal"):
        hearing = labelled(HEARING, role=role)
        limited = within_limits(hearing, 0, waves(hearing, depth_cc=6.0, centre_cc=(72.0, 92.0, 40.0)))
        levels[role] = level_db(while_sounding(hearing, 0, limited.value_cc)).mean()
    for role in ("counter", "chords", "bass", "pedal"):
        assert 2.0 <= levels["melody"] - levels[role] <= 4.0


def test_seams_between_joined_phrases_are_no_steps() -> None:
    notes = line([67, 69, 71, 72, 74, 72, 71, 69] * 4, 1.0)
    hearing = labelled(solo_line(notes), role="melody", event="none", figure="none")
    assert len(hearing.parts[0].phrases) > 1
    raw = waves(hearing, depth_cc=12.0, centre_cc=(60.0, 85.0, 40.0))
    moved = np.abs(np.diff(within_limits(hearing, 0, raw).value_cc[: frame(15.9)], axis=0))
    assert moved.max() < np.abs(np.diff(raw.value_cc, axis=0)).max() + 1.5


def test_closings_and_accents_keep_their_own_range() -> None:
    hearing = labelled(HEARING, event="closing-fall", at=slice(32, 40))
    raw = waves(hearing, depth_cc=3.0, centre_cc=(72.0, 92.0, 40.0))
    fall = np.r_[np.zeros(frame(20.0)), np.linspace(0.0, -35.0, 400), np.full(raw.n_frames, -35.0)][: raw.n_frames]
    raw = DenseLanes(raw.value_cc + fall[:, None] * np.array([1.0, 1.0, 0.0]), raw.spread_cc)
    limited = within_limits(hearing, 0, raw).value_cc
    assert np.ptp(level_db(limited[frame(20.0) : frame(24.0)])) > 10.0


def test_a_flat_answer_moves_on_held_notes_unless_a_style_says_otherwise() -> None:
    hearing = labelled(solo_line([(60, 0.0, 16.0, 80)]), figure="held", event="none")
    hearing = replace(hearing, texture_db=np.zeros(0))
    n = n_frames_for(8.0)
    flat = answer(hearing, np.tile([72.0, 92.0, 40.0], (n, 1)))
    still = replace(DEFAULT, limits=replace(DEFAULT.limits, held_cc=0.0))
    moving = within_limits(hearing, 0, flat).value_cc[frame(1.0) : frame(7.0)]
    quiet = within_limits(hearing, 0, flat, parameters=still).value_cc[frame(1.0) : frame(7.0)]
    assert np.ptp(moving, axis=0).min() > 4.0
    assert np.ptp(quiet, axis=0).max() < 0.5


def test_a_static_value_found_in_the_file_is_the_lanes_centre() -> None:
    parameters = replace(DEFAULT, centre_cc={"dynamics": 50.0})
    lanes = while_sounding(HEARING, 0, rules_lanes(HEARING, 0, parameters=parameters).value_cc)
    assert lanes[:, 0].mean() == pytest.approx(50.0, abs=1.5)
    usual = while_sounding(HEARING, 0, rules_lanes(HEARING, 0).value_cc)
    assert usual[:, 0].mean() > 65.0


def test_printed_levels_order_the_lanes() -> None:
    means = []
    for level in LEVEL_CENTRES_CC:
        lanes = rules_lanes(HEARING, 0, parameters=replace(DEFAULT, level=level)).value_cc
        means.append(while_sounding(HEARING, 0, lanes)[:, :2].mean(axis=0))
    assert np.all(np.diff(means, axis=0) > 1.0)


@given(st.floats(-50.0, 200.0), st.floats(-50.0, 200.0))
def test_bending_into_a_range_keeps_order_and_bounds(a: float, b: float) -> None:
    bent = bent_into(np.array([min(a, b), max(a, b)]), 12.0, 118.0, knee=8.0)
    assert np.all((bent >= 12.0) & (bent <= 118.0))
    assert bent[0] <= bent[1]
    assert bent_into(np.array([60.0]), 12.0, 118.0, knee=8.0)[0] == 60.0


def test_frames_sound_while_any_note_does() -> None:
    hearing = heard(Line("Violin", 40, [(60, 1.0, 1.0, 80), (64, 1.5, 2.0, 80), (67, 6.0, 1.0, 80)]))
    sounding = sounding_frames(hearing, 0, 600)
    assert np.flatnonzero(np.diff(sounding.astype(int))).tolist() == [49, 174, 299, 349]


def test_a_role_elsewhere_leaves_an_earlier_closing_alone_which_keeps_the_balance_of_roles() -> None:
    """A closing is not brought to its role's level, so what it starts from must not hang on the rest of the part."""
    notes = [n for k in range(4) for n in line([67, 69, 71, 72], 2.0, start=12.0 * k)]
    chords = labelled(labelled(solo_line(notes), role="chords", event="none"), event="closing-fall", at=slice(4, 8))
    lanes = [rules_lanes(h, 0).value_cc for h in (chords, labelled(chords, role="melody", at=slice(12, 16)))]
    assert np.array_equal(lanes[0][: frame(16.0)], lanes[1][: frame(16.0)])
    melody = rules_lanes(labelled(chords, role="melody"), 0).value_cc
    closing = slice(frame(6.2), frame(9.8))
    over_db = (level_db(melody[closing]) - level_db(lanes[0][closing])).mean()
    assert 2.0 < over_db < 6.0
