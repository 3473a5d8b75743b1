"""What a musician would notice of notes, joins and instruments, whoever predicts the lanes.

Every test takes a `predictor`: (hearing, index) -> DenseLanes.
"""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from drawn_cues import Line
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray
from played_lines import (
    BEAT_S,
    CHOIR,
    DYNAMICS,
    EXPRESSION,
    FLUTE,
    HARP,
    HORN,
    QUARTET,
    STRINGS,
    TRUMPET,
    VIOLINS,
    Predictor,
    depth_at,
    frame,
    heard,
    labelled,
    line,
    quartet,
    shaped,
    smoothed,
    solo_line,
    while_sounding,
)

from phrasewright.model.lanes import FRAME_S

Array = NDArray[np.float64]

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
