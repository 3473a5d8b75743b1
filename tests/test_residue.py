"""Movement without a reason in the notes: alive, not periodic, seeded by what the phrase is."""

from __future__ import annotations

import time
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.lib.stride_tricks import sliding_window_view
from played_lines import line, solo_line

from phrasewright.model.gestures import gestures_of
from phrasewright.model.parameters import DEFAULT
from phrasewright.model.residue import (
    LONG,
    autocorrelation_peak,
    drift_cc,
    least_periodic,
    n_draws,
    phrase_streams,
    residue_of,
    swell_points,
    turning_points,
)

LEG_S, SIZE_CC = DEFAULT.held.leg_s, DEFAULT.held.size_cc


def drawn(seed: int, length_s: float) -> tuple[np.ndarray, np.ndarray]:
    rows = np.random.default_rng(seed).random((n_draws(length_s, LEG_S), 3))
    return turning_points([rows], np.array([0.0]), np.array([length_s]), leg_s=LEG_S, size_cc=SIZE_CC)


@given(st.integers(0, 10_000), st.floats(2.5, 20.0))
def test_no_two_seconds_stand_still(seed: int, length_s: float) -> None:
    time_s = np.arange(0.0, length_s - 1.2, 0.01)
    if len(time_s) >= 200:
        lane = drift_cc(time_s, *drawn(seed, length_s))
        assert np.ptp(sliding_window_view(lane, 200), axis=1).min() > 3.0


@given(st.integers(0, 10_000))
def test_turning_points_alternate_and_keep_their_distances(seed: int) -> None:
    time_s, value_cc = drawn(seed, 12.0)
    legs = np.diff(time_s)
    assert np.all((legs >= LEG_S[0] - 1e-9) & (legs <= LEG_S[1] + 1e-9))
    assert np.all(np.diff(np.sign(value_cc)) != 0)
    assert np.all((np.abs(value_cc) >= SIZE_CC[0]) & (np.abs(value_cc) <= SIZE_CC[1]))


def test_several_stretches_at_once_are_those_drawn_alone() -> None:
    rows = [np.random.default_rng(seed).random((n_draws(5.0, LEG_S), 3)) for seed in range(4)]
    starts, ends = np.arange(4) * 5.0, np.arange(1, 5) * 5.0
    together = turning_points(rows, starts, ends, leg_s=LEG_S, size_cc=SIZE_CC)
    alone = [
        turning_points([one], starts[k : k + 1], ends[k : k + 1], leg_s=LEG_S, size_cc=SIZE_CC)
        for k, one in enumerate(rows)
    ]
    assert np.allclose(together[0], np.concatenate([times for times, _ in alone]))
    assert np.allclose(together[1], np.concatenate([values for _, values in alone]))


def test_the_least_periodic_of_several_is_not_worse_than_any() -> None:
    candidates = [drawn(seed, 9.0) for seed in range(6)]
    time_s = np.arange(0.0, 8.0, 0.05)
    swell = 7.0 * np.sin(np.pi * time_s / 8.0)
    peaks = [autocorrelation_peak(drift_cc(time_s, *points) + swell, step_s=0.05) for points in candidates]
    assert least_periodic(candidates, [(0.0, 8.0)]) == int(np.argmin(peaks))


@given(st.integers(0, 10_000), st.floats(13.0, 90.0))
def test_swells_of_a_long_note_leave_its_ends_alone(seed: int, length_s: float) -> None:
    held = DEFAULT.held
    rows = np.random.default_rng(seed).random((n_draws(length_s, held.swell_leg_s), 5))
    dynamics, expression = swell_points(rows, 20.0, 20.0 + length_s, share=1.0, held=held)
    for time_s, value_cc in (dynamics, expression):
        assert (time_s[0], value_cc[0], time_s[-1], value_cc[-1]) == (20.0, 0.0, 20.0 + length_s, 0.0)
        assert np.all(np.diff(time_s) >= min(held.swell_edge_s, held.swell_leg_s[0] - 0.6 - 1e-9))
        assert np.all(np.diff(np.sign(value_cc[1:-1])) != 0)
        assert np.all(np.abs(value_cc) <= held.swell_cc[1])


def test_swells_of_expression_go_with_dynamics_and_are_no_copy() -> None:
    held, time_s = DEFAULT.held, np.arange(0.0, 30.0, 0.05)
    agree = []
    for seed in range(40):
        rows = np.random.default_rng(seed).random((n_draws(30.0, held.swell_leg_s), 5))
        both = [drift_cc(time_s, *points) for points in swell_points(rows, 0.0, 30.0, share=1.0, held=held)]
        agree.append(float(np.corrcoef(*both)[0, 1]))
    assert 0.5 < np.median(agree) < 0.93
    assert max(agree) < 0.98


def test_notes_of_usual_length_have_no_swells() -> None:
    for beats, some in ((16.0, False), (40.0, True)):
        hearing = solo_line([(60, 0.0, beats, 70)])
        gestures = gestures_of(hearing, 0, parameters=DEFAULT)
        swells = residue_of(hearing.parts[0], gestures, parameters=DEFAULT).swells
        assert [bool(len(time_s)) for time_s, _ in swells] == [some, some]


def test_a_sine_is_periodic_and_a_ramp_is_not() -> None:
    time_s = np.arange(0.0, 8.0, 0.01)
    assert autocorrelation_peak(np.sin(2.0 * np.pi * time_s), step_s=0.01) == pytest.approx(1.0 - 1.0 / 8.0, abs=0.02)
    assert autocorrelation_peak(time_s, step_s=0.01) == 0.0


def test_a_pedal_of_hours_is_looked_at_as_a_short_one_is_and_at_once() -> None:
    """Six hours take a tenth of a second; lag by lag it would be the square of their length, minutes."""
    value = np.random.default_rng(1).normal(size=LONG + 500).cumsum()
    moved = value - value.mean()
    row = np.correlate(moved, moved, "full")[len(moved) - 1 :] / np.sum(moved**2)
    peaks = [b for a, b, c in zip(row[10:-2], row[11:-1], row[12:], strict=True) if b > a and b >= c]
    assert autocorrelation_peak(value, step_s=0.05, from_s=0.55) == pytest.approx(max(peaks))
    begin_s = time.process_time()
    autocorrelation_peak(np.random.default_rng(1).normal(size=6 * 3600 * 20), step_s=0.05)
    assert time.process_time() - begin_s < 2.0


def first_draws(notes: list[tuple[int, float, float, int]], *, name: str = "Violin") -> list[float]:
    return [float(stream.random()) for stream in phrase_streams(solo_line(notes, name=name).parts[0])]


TUNE = line([67, 69, 71, 72, 71, 69, 67, 65], 1.0)


def test_the_seed_is_what_the_phrase_contains_who_plays_it_and_how_often_it_came() -> None:
    again = [(p, s + 12.0, b, v) for p, s, b, v in TUNE]
    once, twice = first_draws(TUNE), first_draws(TUNE + again)
    assert twice[0] == once[0]
    assert twice[-1] != twice[0]  # the repeat draws anew
    assert first_draws(TUNE, name="Viola")[0] != once[0]
    higher = [(p + 5, s, b, v) for p, s, b, v in TUNE]
    assert first_draws(higher)[0] == once[0]  # intervals and durations count, not height


def test_the_hearing_of_other_phrases_does_not_matter() -> None:
    part = solo_line(TUNE + [(p, s + 12.0, b, v) for p, s, b, v in line([60, 64, 67, 72], 1.0)]).parts[0]
    streams = phrase_streams(part)
    alone = phrase_streams(replace(part, phrases=part.phrases[-1:]))
    assert streams[-1].random() == alone[0].random()
