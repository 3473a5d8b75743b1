"""What a musician would notice of held notes and vibrato, whoever predicts the lanes.

Every test takes a `predictor`: (hearing, index) -> DenseLanes.
"""

from __future__ import annotations

import numpy as np
import pytest
from drawn_cues import Line
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray
from played_lines import (
    BEAT_S,
    CELLO,
    HORN,
    QUARTET,
    STRINGS,
    TUNE,
    VIBRATO,
    VIOLINS,
    Predictor,
    frame,
    heard,
    labelled,
    level_db,
    line,
    long_notes,
    quartet,
    shaped,
    smoothed,
    solo_line,
    tune_with_rests,
)

from phrasewright.model.hearing import CueHearing
from phrasewright.model.lanes import FRAME_S
from phrasewright.model.residue import autocorrelation_peak

Array = NDArray[np.float64]

# --- movement without a reason in the notes --------------------------------------------------------------


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


LONG_S = (10.0, 12.0, 14.0, 16.0, 20.0, 30.0, 45.0, 60.0)


def very_long_notes(name: str, program: int, chord: tuple[int, ...], *, event: str) -> tuple[CueHearing, Array]:
    """Notes or chords of ten seconds to a minute, each alone and then joined to a second one; their spans, (n, 2).

    Closings go up to 20 seconds; longer ones are hardly written.
    """
    notes, spans, start = [], [], 0.0
    for seconds in LONG_S if event == "none" else LONG_S[:5]:
        for pitch, rest in ((0, 3.0), (0, 0.0), (2, 5.0)):
            notes += [(pitch + tone, start, seconds / BEAT_S, 70) for tone in chord]
            spans.append((start * BEAT_S, start * BEAT_S + seconds))
            start += seconds / BEAT_S + rest
    return labelled(solo_line(notes, program=program, name=name), figure="held", event=event), np.array(spans)


@pytest.mark.parametrize("event", ["none", "closing-fall", "closing-rise"])
def test_very_long_notes_breathe_without_a_period(predictor: Predictor, event: str) -> None:
    """As of all held notes: at most one in twenty repeats itself, and the level moves by 3 to 9 dB within a phrase.

    Of closings, which leave that range on purpose and move slowly, at most one in five. `pytest -s` prints the counts.
    """
    peaks, seconds, range_db = [], [], []
    for name, program, chord in (("Violins", STRINGS, (60, 64, 67)), ("Horn", HORN, (53,)), ("Cello", CELLO, (40,))):
        hearing, spans_s = very_long_notes(name, program, chord, event=event)
        lanes = np.rint(shaped(predictor, hearing))
        for start_s, end_s in spans_s:
            inside = lanes[frame(start_s) : frame(end_s)]
            peaks.append([autocorrelation_peak(inside[:, lane], step_s=FRAME_S) for lane in range(3)])
            seconds.append(end_s - start_s)
        for phrase in hearing.parts[0].phrases:
            level = level_db(lanes[frame(phrase.start_s) : frame(phrase.end_s)])
            range_db.append(float(np.ptp(np.convolve(level, np.full(100, 0.01), "valid"))))
    periodic = np.array(peaks) > 0.5  # (n_notes, 3)
    for length_s in np.unique(np.round(seconds)):
        among = periodic[np.round(seconds) == length_s]
        print(f"{event}, {length_s:.0f} s: periodic of {len(among)} notes, lane by lane", among.sum(axis=0))
    assert np.all(periodic.mean(axis=0) <= (0.05 if event == "none" else 0.2))
    if event == "none":
        print(f"range of level {min(range_db):.1f} to {max(range_db):.1f} dB")
        assert np.mean((np.array(range_db) >= 3.0) & (np.array(range_db) <= 9.0)) >= 0.9


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
