"""What lanes must not lack is added where it lacks, and nowhere else."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.lib.stride_tricks import sliding_window_view
from played_lines import frame, labelled, line, solo_line

from phrasewright.model.gestures import gestures_of, grid_of
from phrasewright.model.lanes import frame_times_s, n_frames_for, spans_of
from phrasewright.model.least_movement import leaning, never_bare, never_flat
from phrasewright.model.parameters import DEFAULT
from phrasewright.model.residue import residue_of

BOUNDS = ((12.0, 118.0), (48.0, 120.0), (0.0, 110.0))
HELD = labelled(solo_line([(60, 0.0, 24.0, 80)]), figure="held", event="none")


def moved(value: np.ndarray) -> np.ndarray:
    part = HELD.parts[0]
    gestures = gestures_of(HELD, 0, parameters=DEFAULT)
    grid = grid_of(gestures, len(value))
    return never_flat(part, value.copy(), gestures, grid, None, BOUNDS, parameters=DEFAULT)


def test_drift_is_added_where_a_held_note_stands_still_and_nowhere_else() -> None:
    """Twelve seconds: alive but for three seconds in the middle."""
    time_s = frame_times_s(n_frames_for(12.0))
    alive = 5.0 * np.sin(2.3 * time_s) + 2.0 * np.sin(5.1 * time_s)
    still = np.clip((np.abs(time_s - 6.0) - 1.5) / 0.3, 0.0, 1.0)
    value = np.stack([72.0 + alive * still, 92.0 + alive * still, 40.0 + alive * still], axis=1)
    added = np.abs(moved(value) - value)
    assert added[frame(0.5) : frame(2.0)].max() < 1e-9
    assert added[frame(10.0) : frame(11.5)].max() < 1e-9
    windows = sliding_window_view(moved(value)[frame(0.5) : frame(11.5)], 200, axis=0)
    assert np.ptp(windows, axis=2).min() > 4.5


def test_a_held_note_gets_the_same_drift_whatever_other_notes_are_held() -> None:
    """Two of them, six and twelve seconds: each moves as it does where the other is alive already."""
    hearing = labelled(solo_line([(60, 0.0, 12.0, 80), (62, 12.0, 24.0, 80)]), figure="held", event="none")
    gestures = gestures_of(hearing, 0, parameters=DEFAULT)
    time_s = frame_times_s(n_frames_for(18.0))
    still = np.tile([72.0, 92.0, 40.0], (len(time_s), 1))
    alive = still + 9.0 * np.sin(2.3 * (time_s - 6.0))[:, None]
    first = (time_s < 6.0)[:, None]
    residue = residue_of(hearing.parts[0], gestures, parameters=DEFAULT)
    both, one, other = (
        never_flat(
            hearing.parts[0], value.copy(), gestures, grid_of(gestures, len(value)), residue, BOUNDS, parameters=DEFAULT
        )
        for value in (still, np.where(first, still, alive), np.where(first, alive, still))
    )
    assert np.allclose(both, np.where(first, one, other), atol=1e-9)
    assert np.array_equal(one[frame(7.0) :], alive[frame(7.0) :])


def test_frames_of_spans_stand_one_after_the_other() -> None:
    assert spans_of(np.array([5, 2, 7]), np.array([7, 2, 10])).tolist() == [5, 6, 7, 8, 9]


def test_a_soft_note_near_the_floor_moves_as_much_once_it_is_bent_into_its_range() -> None:
    value = np.tile([13.0, 92.0, 40.0], (n_frames_for(12.0), 1))
    windows = sliding_window_view(np.maximum(moved(value)[frame(0.5) : frame(11.5), 0], 12.0), 200)
    assert np.ptp(windows, axis=1).min() > 4.0


@pytest.mark.parametrize(("pitches", "beats", "least_cc"), [([67, 69, 71, 72], 1.0, 4.0), ([67] * 8, 0.5, 6.5)])
def test_joins_and_repeats_that_hardly_dip_dip(pitches: list[int], beats: float, least_cc: float) -> None:
    hearing = labelled(solo_line(line(pitches, beats)), event="none")
    gestures = gestures_of(hearing, 0, parameters=DEFAULT)
    assert gestures.n_gestures == len(pitches)
    value = np.tile([72.0, 92.0, 40.0], (n_frames_for(4.0), 1))
    dipped = never_bare(value.copy(), gestures, BOUNDS, parameters=DEFAULT)
    for onset_s in gestures.onset_s[1:]:
        around = dipped[frame(onset_s) - 12 : frame(onset_s) + 13, :2]
        assert np.max(np.maximum.accumulate(around, axis=0) - around) >= least_cc
    assert np.array_equal(dipped[:, 2], value[:, 2])
    again = never_bare(dipped.copy(), gestures, BOUNDS, parameters=DEFAULT)
    assert np.array_equal(again, dipped)  # what falls enough stays as it is


def test_notes_that_are_not_connected_and_quick_joins_are_left_alone() -> None:
    for notes in (line([67, 69, 71, 72], 1.0, start=0.0), line([67, 69, 71, 72, 74, 76], 0.5)):
        hearing = labelled(solo_line(notes), event="none")
        gestures = gestures_of(hearing, 0, parameters=DEFAULT)
        if len(notes) == 4:
            gestures = replace(gestures, joined=np.zeros(4, dtype=bool))
        value = np.tile([72.0, 92.0, 40.0], (n_frames_for(4.0), 1))
        assert np.array_equal(never_bare(value.copy(), gestures, BOUNDS, parameters=DEFAULT), value)


def test_a_long_row_of_repeats_leans_on_the_downbeats_and_is_carried_upwards() -> None:
    """Sixteen crotchets at one pitch with equal dips, under an arc that rises for two bars and falls for two."""
    hearing = labelled(solo_line(line([67] * 16, 1.0)), event="none")
    gestures = gestures_of(hearing, 0, parameters=DEFAULT)
    time_s = frame_times_s(n_frames_for(8.0))
    nearest = np.abs(time_s[:, None] - gestures.onset_s[None, 1:]).min(axis=1)
    arc = 20.0 * np.sin(np.pi * np.clip(time_s / 8.0, 0.0, 1.0))
    value = np.stack([60.0 + arc, 80.0 + arc, 40.0 + 0 * arc], axis=1)
    value[:, :2] -= 14.0 * np.clip(1.0 - nearest[:, None] / 0.09, 0.0, 1.0)
    leant = leaning(hearing.parts[0], value.copy(), gestures, None, parameters=DEFAULT)
    depth = [60.0 + arc[frame(t)] - leant[frame(t), 0] for t in gestures.onset_s[1:]]
    strokes = dict(enumerate(depth, 2))  # as counted from the first
    assert all(strokes[k] > max(strokes[k - 1], strokes[k + 1]) for k in (5, 9, 13))
    assert np.mean([strokes[k] for k in (2, 4, 6, 8)]) < np.mean([strokes[k] for k in (10, 12, 14, 16)]) - 1.0
    assert min(depth) > 8.0  # deeper than a join
    assert np.array_equal(leant[:, 2], value[:, 2])


def test_what_follows_a_row_far_later_does_not_change_it() -> None:
    """Semibreves on the downbeats have no strokes to tell apart; four quick ones at their end change only their own."""
    alone, more = line([67] * 12, 4.0), line([67] * 12, 4.0) + line([67] * 6, 1.0, start=48.0)
    leant = []
    for notes in (alone, more):
        hearing = labelled(solo_line(notes), event="none")
        gestures = gestures_of(hearing, 0, parameters=DEFAULT)
        time_s = frame_times_s(n_frames_for(30.0))
        nearest = np.abs(time_s[:, None] - 2.0 * np.arange(1, 12)).min(axis=1)
        value = np.stack([70.0 - 14.0 * np.clip(1.0 - nearest / 0.09, 0.0, 1.0)] * 3, axis=1)
        still = replace(DEFAULT, repeats=replace(DEFAULT.repeats, residue=0.0))
        leant.append(leaning(hearing.parts[0], value, gestures, None, parameters=still)[: frame(12.0)])
    assert np.array_equal(leant[0], leant[1])


def test_three_strokes_are_no_row() -> None:
    hearing = labelled(solo_line(line([67, 67, 67, 69], 1.0)), event="none")
    gestures = gestures_of(hearing, 0, parameters=DEFAULT)
    value = np.tile([72.0, 92.0, 40.0], (n_frames_for(4.0), 1))
    value[:, 0] += 8.0 * np.sin(9.0 * frame_times_s(len(value)))
    assert np.array_equal(leaning(hearing.parts[0], value.copy(), gestures, None, parameters=DEFAULT), value)
