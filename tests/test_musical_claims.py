"""What a musician would notice of the lanes, whoever predicts them.

Every test takes a `predictor`: (hearing, index) -> DenseLanes.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from drawn_cues import Line
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray
from played_lines import (
    BEAT_S,
    CELLO,
    CHOIR,
    FLUTE,
    HARP,
    HORN,
    STRINGS,
    TRUMPET,
    VIOLINS,
    Note,
    depth_at,
    frame,
    heard,
    labelled,
    level_db,
    line,
    quartet,
    smoothed,
    solo_line,
    while_sounding,
)

from phrasewright.model.drift import autocorrelation_peak
from phrasewright.model.hearing import CueHearing
from phrasewright.model.lanes import FRAME_S, DenseLanes, n_frames_for
from phrasewright.model.limits import sounding_frames
from phrasewright.model.prediction import network_lanes
from phrasewright.model.rules import rules_lanes

Predictor = Callable[[CueHearing, int], DenseLanes]
Array = NDArray[np.float64]
DYNAMICS, EXPRESSION, VIBRATO = 0, 1, 2
TUNE = [67, 69, 71, 72, 74, 72, 71, 69]
QUARTET = "beethoven/opus18no1/movement2"


@pytest.fixture(params=[rules_lanes, network_lanes], ids=["rules", "network"])
def predictor(request: pytest.FixtureRequest) -> Predictor:
    """Each predictor that answers the call."""
    chosen: Predictor = request.param
    return chosen


def tune_with_rests(n: int, *, beats: float = 1.0) -> list[Note]:
    """The tune `n` times at changing heights, a two-beat rest after each."""
    notes: list[Note] = []
    for k in range(n):
        pitches = [p + (k * 5) % 7 for p in (TUNE if k % 2 else TUNE[::-1])]
        notes += line(pitches, beats, start=k * (8 * beats + 2.0))
    return notes


def shaped(predictor: Predictor, hearing: CueHearing, index: int = 0) -> Array:
    return predictor(hearing, index).value_cc


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


# --- notes -----------------------------------------------------------------------------------------------


def half_fall_s(lane: Array) -> float:
    """Seconds from a lane's top to half of its fall to the end."""
    top = int(np.argmax(lane))
    fallen = lane[top:] < (lane[top] + lane[-1]) / 2.0
    return int(np.argmax(fallen)) * FRAME_S


def test_a_longer_melody_note_decays_more_slowly(predictor: Predictor) -> None:
    """Many notes of either length; their mean course from the top on."""
    halves = []
    for beats in (1.0, 3.0):
        courses = []
        for k in range(10):
            notes = line([67 + k, 71 + k, 69 + k, 72 + k, 71 + k, 67 + k], beats)
            hearing = labelled(solo_line(notes), role="melody", figure="none", event="none")
            lanes = shaped(predictor, hearing)
            for _, start, _, _ in notes[1:-1]:
                onset = frame(start * BEAT_S)
                courses.append(lanes[onset : onset + round((beats * BEAT_S - 0.12) / FRAME_S), EXPRESSION])
        halves.append(half_fall_s(np.mean(courses, axis=0)))
    assert halves[1] > 1.4 * halves[0]


def test_every_join_dips_and_a_repeat_dips_deeper(predictor: Predictor) -> None:
    joins: list[list[float]] = []
    repeats: list[list[float]] = []
    for k in range(6):
        notes = line([60 + k, 60 + k, 62 + k, 64 + k, 64 + k, 65 + k, 67 + k, 67 + k], 1.5)
        lanes = shaped(predictor, solo_line(notes))
        for (before, _, _, _), (pitch, start, _, _) in pairwise(notes):
            depth = [depth_at(lanes[:, lane], start * BEAT_S) for lane in (DYNAMICS, EXPRESSION)]
            (repeats if pitch == before else joins).append(depth)
    assert np.min(np.max(joins, axis=1)) > 2.5
    assert np.min(repeats, axis=0).min() > 3.5  # dynamics and expression together
    assert np.all(np.mean(repeats, axis=0) > np.mean(joins, axis=0) + 2.0)


@pytest.mark.parametrize(("program", "name"), [(VIOLINS, "Violin"), (FLUTE, "Flute"), (HORN, "Horn"), (CHOIR, "Choir")])
def test_bowed_blown_and_sung_repeats_are_rearticulated(predictor: Predictor, program: int, name: str) -> None:
    lanes = shaped(predictor, solo_line(line([67] * 8, 1.0), program=program, name=name))
    for k in range(1, 8):
        assert all(depth_at(lanes[:, lane], k * BEAT_S) > 3.5 for lane in (DYNAMICS, EXPRESSION))


def test_a_dip_is_scaled_by_the_share_that_is_renewed(predictor: Predictor) -> None:
    """An upper voice over a held note joins less deeply than a single line."""
    upper = line([72, 74, 76, 74, 72, 71, 72], 1.5)
    alone = shaped(predictor, solo_line(upper))
    held = shaped(predictor, solo_line([*upper, (55, 0.0, 10.5, 80)]))
    starts = [start * BEAT_S for _, start, _, _ in upper[1:]]
    depths = [np.mean([depth_at(lanes[:, EXPRESSION], s) for s in starts]) for lanes in (alone, held)]
    assert 0.2 * depths[0] < depths[1] < 0.8 * depths[0]


def test_fast_repeats_are_one_gesture_with_weight_on_the_beats(predictor: Predictor) -> None:
    notes = line([67] * 48, 0.25)  # eight a second
    hearing = labelled(solo_line(notes), figure="repeated", event="none")
    lanes = shaped(predictor, hearing)
    dips = [depth_at(lanes[:, DYNAMICS], start * BEAT_S) for _, start, _, _ in notes[1:-2]]
    assert np.percentile(dips, 90) < 4.0
    on, off = (
        [lanes[frame(k * BEAT_S + 0.03), DYNAMICS] for k in range(2, 11)],
        [lanes[frame((k + 0.5) * BEAT_S + 0.03), DYNAMICS] for k in range(2, 11)],
    )
    assert np.mean(on) > np.mean(off) + 1.0


def test_a_run_is_one_gesture(predictor: Predictor) -> None:
    notes = line([60, 69, 67], 2.0) + line([60, 62, 64, 65, 67, 69, 71, 72, 74, 76, 77, 79], 0.25, start=6.0)
    notes += line([81], 4.0, start=9.0)
    hearing = labelled(solo_line(notes), figure="run", event="none", at=slice(3, 15))
    lanes = shaped(predictor, hearing)
    assert max(depth_at(lanes[:, EXPRESSION], start * BEAT_S) for _, start, _, _ in notes[6:13]) < 3.0
    assert depth_at(lanes[:, EXPRESSION], 1.0) > 3.0


@pytest.mark.parametrize("figure", ["trill", "tremolo"])
def test_trill_and_tremolo_are_one_held_note(predictor: Predictor, figure: str) -> None:
    pitches = [72, 74] * 20 if figure == "trill" else [72] * 40
    notes = line([67, 69], 2.0) + line(pitches, 0.2, start=4.0) + line([72], 2.0, start=12.0)
    hearing = labelled(solo_line(notes), figure=figure, event="none", at=slice(2, 42))
    lanes = shaped(predictor, hearing)
    assert max(depth_at(lanes[:, EXPRESSION], start * BEAT_S) for _, start, _, _ in notes[4:40]) < 3.0
    inside = lanes[frame(2.2) : frame(5.9)]
    assert np.ptp(sliding_window_view(inside, 200, axis=0), axis=2).min() >= 4.0


def test_detached_notes_have_one_level_each_moved_between_them(predictor: Predictor) -> None:
    notes = [(60 + (k * 5) % 12, float(k), 0.4, 80) for k in range(16)]
    hearing = labelled(solo_line(notes), figure="detached", event="none")
    lanes = shaped(predictor, hearing)
    levels = []
    for _, start, beats, _ in notes:
        inside = lanes[frame(start * BEAT_S) : frame((start + beats) * BEAT_S), :2]
        assert np.ptp(inside, axis=0).max() < 0.5
        levels.append(inside.mean(axis=0))
    assert np.all(np.ptp(np.array(levels), axis=0) > 5.0)


@pytest.mark.parametrize("joined", [True, False])
@pytest.mark.parametrize(("event", "least_cc"), [("accent", 5.0), ("sforzando", 10.0)])
def test_accents_and_sforzandi_are_spikes(predictor: Predictor, event: str, least_cc: float, joined: bool) -> None:
    beats = 2.0 if joined else 1.8
    notes = [(67 + (k % 3), 2.0 * k, beats, 80) for k in range(8)]
    plain = labelled(solo_line(notes), event="none", figure="none")
    lanes = shaped(predictor, labelled(plain, event=event, at=slice(4, 5)))
    onset = frame(4.0)
    height = lanes[onset : onset + 30, DYNAMICS].max() - lanes[frame(4.5) : frame(4.8), DYNAMICS].mean()
    before = shaped(predictor, plain)
    usual = before[onset : onset + 30, DYNAMICS].max() - before[frame(4.5) : frame(4.8), DYNAMICS].mean()
    assert height > usual + least_cc


def test_the_slow_opening_note_of_a_line_starts_fuller(predictor: Predictor) -> None:
    """Its level at the onset against the middle of the phrase, with a slow and with a quick opening."""
    starts = []
    for opening in (2.0, 0.5):
        gaps = []
        for k in range(8):
            notes = line(
                [67 + k, 69 + k, 71 + k, 72 + k, 71 + k, 69 + k], [opening, 1.0, 1.0, 1.0, 1.0, 2.0], start=2.0
            )
            lanes = shaped(predictor, labelled(solo_line(notes), role="melody", event="none", figure="none"))
            gaps.append(lanes[frame(1.0), EXPRESSION] - lanes[frame(1.0 + opening * BEAT_S / 2.0), EXPRESSION])
        starts.append(float(np.mean(gaps)))
    assert starts[0] > starts[1] + 1.5


# --- movement without a reason in the notes --------------------------------------------------------------


def long_notes(n: int, *, program: int = CELLO, name: str = "Cello") -> CueHearing:
    """`n` held notes of three to six seconds with rests between."""
    notes, start = [], 0.0
    for k in range(n):
        beats = 6.0 + (k * 3) % 7
        notes.append((48 + (k * 5) % 12, start, beats, 70))
        start += beats + 2.0
    return labelled(solo_line(notes, program=program, name=name), figure="held", event="none")


def test_a_held_note_never_stands_still(predictor: Predictor) -> None:
    for hearing in (long_notes(20), quartet(QUARTET)):
        for index, part in enumerate(hearing.parts):
            lanes = np.rint(shaped(predictor, hearing, index))
            for onset_s, end_s in zip(part.attacks.onset_s, part.attacks.end_s, strict=True):
                if end_s - onset_s > 2.0:
                    inside = lanes[frame(onset_s) : frame(end_s)]
                    assert np.ptp(sliding_window_view(inside, 200, axis=0), axis=2).min() >= 4.0


def test_held_notes_drift_by_the_players_measure(predictor: Predictor) -> None:
    """Within about a second 3 to 6 steps, less the arc; vibrato 10 to 25 within 3 to 6 s once it has grown."""
    hearing = long_notes(30)
    lanes = shaped(predictor, hearing)
    seconds, vibrato = [], []
    for onset_s, end_s in zip(hearing.parts[0].attacks.onset_s, hearing.parts[0].attacks.end_s, strict=True):
        if end_s - onset_s < 4.0:
            continue
        inside = lanes[frame(onset_s + 0.6) : frame(end_s - 0.3)]
        slow = np.stack([smoothed(inside[:, lane], width_s=2.5) for lane in (0, 1)], axis=1)  # without the arc
        seconds.append(np.median(np.ptp(sliding_window_view(inside[:, :2] - slow, 100, axis=0), axis=2), axis=0))
        if end_s - onset_s > 5.5:
            vibrato.append(float(np.ptp(lanes[frame(onset_s + 2.4) : frame(end_s - 0.1), VIBRATO])))
    assert np.all((np.median(seconds, axis=0) >= 3.0) & (np.median(seconds, axis=0) <= 7.5))
    assert 8.0 <= float(np.median(vibrato)) <= 25.0


def test_movement_on_held_notes_is_not_periodic(predictor: Predictor) -> None:
    quiet = []
    for hearing in (long_notes(40), long_notes(40, program=HORN, name="Horn"), quartet(QUARTET)):
        for index, part in enumerate(hearing.parts):
            lanes = np.rint(shaped(predictor, hearing, index))
            for onset_s, end_s in zip(part.attacks.onset_s, part.attacks.end_s, strict=True):
                if end_s - onset_s > 2.0:
                    inside = lanes[frame(onset_s) : frame(end_s)]
                    quiet.append([autocorrelation_peak(inside[:, lane], step_s=FRAME_S) <= 0.5 for lane in range(3)])
    assert len(quiet) > 80
    assert np.all(np.mean(quiet, axis=0) >= 0.95)


def test_movement_on_held_notes_is_not_locked_to_the_beat(predictor: Predictor) -> None:
    """The mean course over all beats within held notes, less its line, stays flat."""
    hearing = long_notes(40)
    lanes = shaped(predictor, hearing)
    beats = []
    for onset_s, end_s in zip(hearing.parts[0].attacks.onset_s, hearing.parts[0].attacks.end_s, strict=True):
        for at in np.arange(np.ceil((onset_s + 1.0) / BEAT_S), np.floor((end_s - 0.3) / BEAT_S)) * BEAT_S:
            course = lanes[frame(at) : frame(at) + 50, :2]
            beats.append(course - np.linspace(course[0], course[-1], 50))
    assert len(beats) > 100
    assert np.ptp(np.mean(beats, axis=0), axis=0).max() < 1.0


def residues(hearing: CueHearing, lanes: Array, n: int, *, every_s: float, length_s: float) -> list[Array]:
    """What each of `n` equal passages adds to their common course, dynamics and expression apart."""
    courses = np.array(
        [lanes[frame(k * every_s) : frame(k * every_s) + round(length_s / FRAME_S), :2] for k in range(n)]
    )
    return list(courses - courses.mean(axis=0))


def test_a_repeated_bar_does_not_repeat_the_residue(predictor: Predictor) -> None:
    phrase = [67, 71, 74, 72]
    notes = [n for k in range(24) for n in line(phrase, [2.0, 2.0, 1.0, 5.0], start=12.0 * k)]
    hearing = labelled(solo_line(notes), event="none")
    left = residues(hearing, shaped(predictor, hearing), 24, every_s=6.0, length_s=4.9)
    pairs = [float(np.corrcoef(left[a][:, lane], left[a + 1][:, lane])[0, 1]) for a in range(1, 22) for lane in (0, 1)]
    assert abs(float(np.median(pairs))) < 0.3


def test_a_doubling_part_does_not_repeat_the_residue(predictor: Predictor) -> None:
    phrase = [67, 71, 74, 72]
    notes = [n for k in range(24) for n in line(phrase, [2.0, 2.0, 1.0, 5.0], start=12.0 * k)]
    hearing = heard(Line("Violins I", VIOLINS, notes), Line("Violins II", VIOLINS, notes))
    hearing = labelled(labelled(hearing, 0, role="melody", event="none"), 1, role="melody", event="none")
    one, two = (residues(hearing, shaped(predictor, hearing, i), 24, every_s=6.0, length_s=4.9) for i in (0, 1))
    pairs = [float(np.corrcoef(one[k][:, lane], two[k][:, lane])[0, 1]) for k in range(24) for lane in (0, 1)]
    assert abs(float(np.median(pairs))) < 0.3


def test_an_edit_in_bar_60_leaves_bar_10_alone(predictor: Predictor) -> None:
    """Another ending of another part, and another of this one."""
    violin, cello = tune_with_rests(14), [(48, 4.0 * k, 4.0, 70) for k in range(36)]
    before = heard(Line("Violin", VIOLINS, violin), Line("Cello", CELLO, cello))
    changed = [(p + 3, s, 0.5 * b, v) if s > 118.0 else (p, s, b, v) for p, s, b, v in violin]
    after = heard(Line("Violin", VIOLINS, changed), Line("Cello", CELLO, [n for n in cello if n[1] < 120.0]))
    for index in (0, 1):
        early = [shaped(predictor, hearing, index)[: frame(25.0)] for hearing in (before, after)]
        assert np.abs(early[0] - early[1]).max() < 1e-4


# --- vibrato ---------------------------------------------------------------------------------------------


def test_vibrato_waits_on_a_long_note_then_grows(predictor: Predictor) -> None:
    hearing = long_notes(12)
    lanes = shaped(predictor, hearing)
    early, late = [], []
    for onset_s in hearing.parts[0].attacks.onset_s:
        early.append(lanes[frame(onset_s) : frame(onset_s + 0.3), VIBRATO].mean())
        late.append(lanes[frame(onset_s + 2.0) : frame(onset_s + 2.8), VIBRATO].mean())
    assert np.mean(late) > np.mean(early) + 15.0


def test_fast_notes_vibrate_less_than_slow_ones(predictor: Predictor) -> None:
    fast = shaped(predictor, solo_line(line(TUNE * 4, 0.5)))
    slow = shaped(predictor, solo_line(line(TUNE, 4.0)))
    assert fast[100 : frame(7.5), VIBRATO].mean() < 0.6 * slow[100 : frame(15.5), VIBRATO].mean()


def test_a_soloist_eases_vibrato_at_joins_more_than_a_section(predictor: Predictor) -> None:
    shares = []
    for solo in (True, False):
        hearing = labelled(solo_line(line([67, 71, 69, 72, 74, 71, 69, 67], 4.0)), solo=solo, figure="none")
        lane = shaped(predictor, hearing)[:, VIBRATO]
        shares.append(np.mean([1.0 - lane[frame(2.0 * k)] / lane[frame(2.0 * k - 0.35)] for k in range(1, 7)]))
    assert 0.35 < shares[0] < 0.65
    assert 0.08 < shares[1] < 0.35


# --- families --------------------------------------------------------------------------------------------


def test_wind_and_voice_lines_breathe_and_bowed_ones_do_not(predictor: Predictor) -> None:
    """A line of 24 s without a rest: its deepest dip at an onset against the usual one."""
    pitches = [67, 69, 71, 72, 74, 76, 74, 72] * 3
    deepest = {}
    for name, program in (("Flute", FLUTE), ("Choir", CHOIR), ("Violin", VIOLINS)):
        hearing = labelled(
            solo_line(line(pitches, 2.0), program=program, name=name), figure="none", event="none", solo=True
        )
        lanes = shaped(predictor, hearing)
        wide = [lanes[frame(k - 0.22), :2].sum() - lanes[frame(k - 0.12), :2].sum() for k in range(1, 24)]
        deepest[name] = np.sort(wide)[-2]
    assert deepest["Flute"] > deepest["Violin"] + 2.0
    assert deepest["Choir"] > deepest["Violin"] + 2.0


def test_bow_changes_do_not_come_together_across_a_section(predictor: Predictor) -> None:
    """Four parts hold the same long note; what each has beyond the others is not shared."""
    parts = [Line(name, STRINGS, [(55, 0.0, 40.0, 70)]) for name in ("Violins I", "Violins II", "Violas", "Cellos")]
    hearing = heard(*parts)
    rows = []
    for index in range(4):
        lane = shaped(predictor, hearing, index)[frame(1.0) : frame(19.0), EXPRESSION]
        rows.append(lane - smoothed(lane, width_s=1.0))
    related = np.corrcoef(rows)[np.triu_indices(4, 1)]
    assert np.abs(related).max() < 0.6


def test_timbre_grows_fastest_in_brass(predictor: Predictor) -> None:
    """Dynamics rises more in the first tenth of a second of a trumpet's notes than of a violin's."""
    growth = []
    for name, program in (("Trumpet", TRUMPET), ("Violin", VIOLINS)):
        shares = []
        for k in range(6):
            notes = [(62 + k + (j * 4) % 9, 3.0 * j, 2.0, 80) for j in range(8)]
            hearing = labelled(
                solo_line(notes, program=program, name=name), figure="none", event="none", role="melody", solo=True
            )
            lanes = shaped(predictor, hearing)
            for _, start, _, _ in notes[1:-1]:
                onset = frame(start * BEAT_S)
                shares.append(lanes[onset + 10, DYNAMICS] - lanes[onset, DYNAMICS])
        growth.append(float(np.mean(shares)))
    assert growth[0] > growth[1] + 1.0


def test_lanes_rest_where_the_sound_decays_by_itself(predictor: Predictor) -> None:
    """A pizzicato passage in a bowed part, and a harp: nothing moves."""
    pizzicato = labelled(solo_line([(48 + k % 5, float(k), 0.5, 80) for k in range(16)]), passage="decaying")
    harp = solo_line([(48 + k % 5, float(k), 0.5, 80) for k in range(16)], program=HARP, name="Harp")
    assert not harp.parts[0].part.shaped
    sounding = while_sounding(pizzicato, 0, shaped(predictor, pizzicato))
    assert np.ptp(sounding, axis=0).max() < 1e-6


def test_a_profiled_range_holds(predictor: Predictor) -> None:
    hearing = quartet(QUARTET)
    part = hearing.parts[0]
    limited = replace(part, part=replace(part.part, lane_range={"dynamics": (20, 90), "expression": (60, 127)}))
    hearing = replace(hearing, parts=(limited, *hearing.parts[1:]))
    lanes = shaped(predictor, hearing)
    assert lanes[:, DYNAMICS].min() >= 20
    assert lanes[:, DYNAMICS].max() <= 90
    assert lanes[:, EXPRESSION].min() >= 60
