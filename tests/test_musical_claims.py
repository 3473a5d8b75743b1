"""What a musician would notice of phrases and closings, whoever predicts the lanes.

Every test takes a `predictor`: (hearing, index) -> DenseLanes.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from played_lines import (
    BEAT_S,
    DYNAMICS,
    EXPRESSION,
    QUARTET,
    STRINGS,
    Predictor,
    frame,
    labelled,
    level_db,
    line,
    quartet,
    shaped,
    smoothed,
    solo_line,
    tune_with_rests,
    while_sounding,
)

from phrasewright.model.hearing import CueHearing
from phrasewright.model.lanes import FRAME_S, n_frames_for
from phrasewright.model.limits import sounding_frames

Array = NDArray[np.float64]

# --- the form of the answer ------------------------------------------------------------------------------


def test_the_answer_covers_the_part_and_stays_in_the_ranges_of_players(predictor: Predictor) -> None:
    hearing = quartet(QUARTET)
    for index, part in enumerate(hearing.parts):
        dense = predictor(hearing, index)
        assert dense.n_frames == n_frames_for(float(part.part.notes.offset_s.max()))
        sounding = while_sounding(hearing, index, dense.value_cc)
        for lane, (low, high) in enumerate(((12, 118), (48, 120), (0, 110))):
            assert sounding[:, lane].min() >= low
            assert sounding[:, lane].max() <= high


def test_two_runs_answer_the_same_to_the_bit(predictor: Predictor) -> None:
    hearing = quartet(QUARTET)
    assert np.array_equal(predictor(hearing, 1).value_cc, predictor(hearing, 1).value_cc)


def test_curves_can_be_followed_by_events(predictor: Predictor) -> None:
    """No step inside the sound, hardly a flank over 400 steps a second, at most 12 large reversals in any second."""
    hearing = quartet(QUARTET)
    for index in range(len(hearing.parts)):
        lanes = shaped(predictor, hearing, index)
        sounding = sounding_frames(hearing, index, len(lanes))
        moving = np.abs(np.diff(lanes, axis=0))[sounding[1:] & sounding[:-1]] / FRAME_S
        assert moving.max() < 600.0
        assert np.percentile(moving, 99.9) < 330.0
        for lane in range(3):
            assert most_reversals(lanes[:, lane], larger_than_cc=4.0) <= 12


def most_reversals(lane: Array, *, larger_than_cc: float) -> int:
    """Most turns within any second, of those that leave the turning point by more than the given steps."""
    turns, extreme, direction = [], 0, 0
    for i in range(1, len(lane)):
        moved = lane[i] - lane[extreme]
        if direction == 0 and abs(moved) > larger_than_cc:
            direction, extreme = int(np.sign(moved)), i
        elif direction * moved > 0:
            extreme = i
        elif direction * moved < -larger_than_cc:
            turns.append(extreme)
            direction, extreme = -direction, i
    at = np.array(turns)
    return int(max((np.sum((at >= t) & (at < t + 100)) for t in turns), default=0))


def test_lanes_are_related_but_never_copies(predictor: Predictor) -> None:
    hearing = quartet(QUARTET)
    related = []
    for index in range(len(hearing.parts)):
        sounding = while_sounding(hearing, index, shaped(predictor, hearing, index))
        related.append(float(np.corrcoef(sounding[:, DYNAMICS], sounding[:, EXPRESSION])[0, 1]))
    assert max(related) < 0.97
    assert 0.4 < float(np.median(related)) < 0.92


# --- phrases ---------------------------------------------------------------------------------------------


def test_a_phrase_swells_and_tapers(predictor: Predictor) -> None:
    hearing = labelled(solo_line(tune_with_rests(6)), event="none")
    lanes = shaped(predictor, hearing)
    level = level_db(lanes)
    for phrase in hearing.parts[0].phrases:
        course = smoothed(level[frame(phrase.start_s) : frame(phrase.end_s)], width_s=0.5)
        third = len(course) // 4
        assert course[third:-third].max() > course[: third // 2].mean() + 0.7
        assert course[third:-third].max() > course[-third // 2 :].mean() + 1.0


def test_phrases_culminate_where_the_line_does_and_not_always_in_the_middle(predictor: Predictor) -> None:
    early, late = [72, 77, 79, 74, 71, 69, 67, 65], [65, 67, 69, 71, 74, 79, 77, 72]
    peaks = []
    for pitches in (early, late):
        notes = [n for k in range(6) for n in line([p + k for p in pitches], 1.0, start=10.0 * k)]
        hearing = solo_line(notes)
        level = level_db(shaped(predictor, hearing))
        shares = []
        for phrase in hearing.parts[0].phrases:
            course = smoothed(level[frame(phrase.start_s) : frame(phrase.end_s)], width_s=0.8)
            shares.append(int(np.argmax(course)) / len(course))
        peaks.append(float(np.mean(shares)))
    assert peaks[0] < peaks[1] - 0.08


def test_expression_culminates_before_dynamics(predictor: Predictor) -> None:
    hearing = quartet(QUARTET)
    later = []
    for index, part in enumerate(hearing.parts):
        lanes = shaped(predictor, hearing, index)
        for phrase in part.phrases:
            if phrase.end_s - phrase.start_s > 3.0:
                span = slice(frame(phrase.start_s), frame(phrase.end_s))
                tops = [int(np.argmax(smoothed(lanes[span, lane]))) for lane in (DYNAMICS, EXPRESSION)]
                later.append(tops[0] - tops[1])
    assert np.mean(later) > 0


def test_the_range_of_level_in_a_phrase_is_3_to_9_db(predictor: Predictor) -> None:
    hearing = quartet(QUARTET)
    ranges = []
    for index, part in enumerate(hearing.parts):
        lanes = np.rint(shaped(predictor, hearing, index))
        sounding = sounding_frames(hearing, index, len(lanes))
        for phrase in part.phrases:
            events = part.attacks.event[phrase.first_attack : phrase.last_attack + 1]
            if phrase.end_s - phrase.start_s > 2.0 and not np.any(events):
                span = np.arange(frame(phrase.start_s), frame(phrase.end_s))
                ranges.append(float(np.ptp(smoothed(level_db(lanes[span[sounding[span]]])))))
    assert len(ranges) > 40
    assert np.mean([3.0 <= r <= 9.0 for r in ranges]) >= 0.95


def test_the_melody_stands_2_to_4_db_over_the_rest(predictor: Predictor) -> None:
    hearing = quartet(QUARTET)
    n = max(predictor(hearing, i).n_frames for i in range(4))
    melody, rest = np.full((4, n), np.nan), np.full((4, n), np.nan)
    for index, part in enumerate(hearing.parts):
        lanes = shaped(predictor, hearing, index)
        at = np.maximum(
            np.searchsorted(part.attacks.onset_s, np.arange(len(lanes)) * FRAME_S + 1e-6, side="right") - 1, 0
        )
        sounding, leads = sounding_frames(hearing, index, len(lanes)), part.attacks.role[at] == 0
        level = level_db(lanes)
        melody[index, : len(lanes)] = np.where(sounding & leads, level, np.nan)
        rest[index, : len(lanes)] = np.where(sounding & ~leads, level, np.nan)
    both = ~np.isnan(melody).all(axis=0) & ~np.isnan(rest).all(axis=0)
    assert both.sum() > 500
    assert 2.0 <= np.nanmean(melody[:, both]) - np.nanmean(rest[:, both]) <= 4.0


def test_height_adds_but_at_most_one_and_a_half_db_an_octave(predictor: Predictor) -> None:
    """The same phrase with its inner notes an octave apart or not: the leap upwards adds a little level."""
    added = []
    for k in range(8):
        flat, leaping = [60 + k] * 1 + [62 + k, 60 + k] * 4, [60 + k] * 1 + [74 + k, 60 + k] * 4
        levels = []
        for pitches in (flat, leaping):
            notes = line(pitches, 1.0)
            hearing = labelled(solo_line(notes), role="melody", figure="none")
            lanes = shaped(predictor, hearing)
            level = level_db(lanes)
            mids = [
                float(level[frame(start * BEAT_S + 0.2) : frame(start * BEAT_S + 0.4)].mean())
                for _, start, _, _ in notes
            ]
            levels.append(float(np.mean(mids[1::2]) - np.mean(mids[2::2])))
        added.append(levels[1] - levels[0])
    assert 0.1 < float(np.mean(added)) <= 1.5


def test_slow_chords_rise_through_one_and_fall_through_the_next(predictor: Predictor) -> None:
    notes = [(p + shift, 4.0 * k, 4.0, 70) for k, shift in enumerate((0, -2, -4, 0, 1, -1, 0, 0)) for p in (50, 57, 62)]
    hearing = labelled(solo_line(notes, program=STRINGS, name="Strings"), role="chords", figure="none", event="none")
    lanes = shaped(predictor, hearing)
    starts = [round(phrase.start_s / 2.0) for phrase in hearing.parts[0].phrases]
    ordinal = [k - max(start for start in starts if start <= k) for k in range(7)]  # each phrase begins by rising
    for lane in (DYNAMICS, EXPRESSION):
        slopes: tuple[list[float], list[float]] = ([], [])
        for k in range(7):
            first, last = (
                lanes[frame(2.0 * k + 0.3) : frame(2.0 * k + 0.8), lane],
                lanes[frame(2.0 * k + 1.3) : frame(2.0 * k + 1.8), lane],
            )
            slopes[ordinal[k] % 2].append(float(last.mean() - first.mean()))
        assert np.mean(slopes[0]) > np.mean(slopes[1]) + 3.0


# --- closings --------------------------------------------------------------------------------------------


def closing(event: str) -> CueHearing:
    """Two phrases, then a climbing one that closes."""
    notes = tune_with_rests(2) + line([67, 69, 71, 72, 74, 76, 77, 79], 1.0, start=20.0)
    return labelled(solo_line(notes), event=event, at=slice(16, 24))


def test_a_closing_crescendo_comes_in_two_stages_expression_first(predictor: Predictor) -> None:
    lanes = shaped(predictor, closing("closing-rise"))
    start, end = 10.0, 14.0
    dynamics, expression = (smoothed(lanes[frame(start) : frame(end), lane], width_s=0.5) for lane in (0, 1))
    for lane in (dynamics, expression):
        assert lane[-30:].mean() - lane[:30].mean() > 8.0
    middle = slice(int(0.3 * len(dynamics)), int(0.6 * len(dynamics)))
    assert dynamics[middle].max() > dynamics[:30].mean() + 5.0  # the first rise
    fine = smoothed(lanes[frame(start) : frame(end), DYNAMICS], width_s=0.3)
    first_top = fine[int(0.35 * len(fine)) : int(0.55 * len(fine))].max()
    assert fine[int(0.5 * len(fine)) : int(0.75 * len(fine))].min() < first_top - 2.0  # the give
    reached = [int(np.argmax(lane > lane[0] + 0.9 * (lane.max() - lane[0]))) for lane in (dynamics, expression)]
    assert reached[1] < reached[0]  # expression arrives first
    raw = lanes[frame(start) : frame(end), DYNAMICS]
    assert raw[-5:].mean() > raw[-60:-40].mean() + 2.0  # dynamics goes on rising to the last


def test_a_closing_fall_ends_soft(predictor: Predictor) -> None:
    lanes = shaped(predictor, closing("closing-fall"))
    level = smoothed(level_db(lanes[frame(10.0) : frame(14.0)]), width_s=0.5)
    assert level[:100].max() - level[-10:].mean() > 5.0
    assert all(lanes[frame(13.9), lane] < lanes[frame(10.5), lane] - 8.0 for lane in (DYNAMICS, EXPRESSION))
