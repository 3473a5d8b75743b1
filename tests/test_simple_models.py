"""The opponent: what it knows of notes, and that it is scikit-learn's boosting and nothing else."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hands import VALIDATION
from heard_cues import Voice, hear_voices, line
from sklearn.ensemble import HistGradientBoostingRegressor

from phrasewright.model.hearing import CueHearing
from phrasewright.training.simple_models import (
    CUTS,
    FEATURES,
    Drawn,
    Opponent,
    frame_count,
    judged_frames,
    note_features,
    smooth_pitch,
)


@pytest.fixture(scope="module")
def cue(tmp_path_factory: pytest.TempPathFactory) -> CueHearing:
    """At a beat a second: two connected notes, a repeat, two beats' rest, a long note; twice."""
    tune = ((60, 1), (64, 1), (64, 2), (None, 2), (67, 4)) * 2
    return hear_voices(tmp_path_factory.mktemp("cue"), Voice("Violin", line(*tune)), bpm=60)


def named(cue: CueHearing, time_s: float, cut: str = "rests") -> dict[str, float]:
    frame = np.array([round(time_s * 100)])
    return dict(zip(FEATURES, note_features(cue, 0, frame, cut=cut)[0].tolist(), strict=True))


def test_a_frame_knows_its_note_its_neighbours_its_phrase_and_its_bar(cue: CueHearing) -> None:
    here = named(cue, 1.25)  # a quarter into the second note
    assert here["since_onset_s"] == pytest.approx(0.25)
    assert here["to_offset_s"] == pytest.approx(0.75)
    assert here["note_s"] == pytest.approx(1.0)
    assert here["note_share"] == pytest.approx(0.25)
    assert here["to_next_onset_s"] == pytest.approx(0.75)
    assert here["pitch_from_mean"] == pytest.approx(64 - (60 + 64 + 64 + 67) / 4)
    assert (here["pitch_from_previous"], here["pitch_to_next"]) == (4, 0)
    assert (here["previous_s"], here["next_s"]) == (pytest.approx(1.0), pytest.approx(2.0))
    assert here["gap_before_s"] == pytest.approx(0.0)
    assert here["phrase_s"] == pytest.approx(4.0)
    assert here["phrase_share"] == pytest.approx(1.25 / 4)
    assert here["since_phrase_s"] == pytest.approx(1.25)
    assert here["to_phrase_end_s"] == pytest.approx(2.75)
    assert here["in_one_bar"] == pytest.approx(1.25 / 4, abs=1e-3)
    assert (here["same_as_previous"], here["same_as_next"]) == (0, 1)
    assert here["beat_s"] == pytest.approx(1.0)
    assert here["to_cue_end_s"] == pytest.approx(cue.cue.duration_s - 1.25)


def test_bars_are_counted_by_one_two_and_four(cue: CueHearing) -> None:
    here = named(cue, 9.0)  # a bar is four seconds: bar 3, second beat
    assert here["in_one_bar"] == pytest.approx(0.25, abs=1e-3)
    assert here["in_two_bars"] == pytest.approx(0.25, abs=1e-3)
    assert here["in_four_bars"] == pytest.approx(2.25, abs=1e-3)
    assert here["gap_before_s"] == pytest.approx(2.0)


def test_phrases_are_cut_at_rests_or_as_heard(cue: CueHearing) -> None:
    for frame_s in (0.5, 3.0, 7.0, 12.0):
        phrase = max((p for p in cue.parts[0].phrases if p.start_s <= frame_s), key=lambda p: p.start_s)
        assert named(cue, frame_s, "heard")["since_phrase_s"] == pytest.approx(frame_s - phrase.start_s)
    assert named(cue, 7.0)["since_phrase_s"] == pytest.approx(1.0)
    with pytest.raises(ValueError, match="'bars'"):
        note_features(cue, 0, np.array([5]), cut="bars")


def test_pitch_is_smoothed_over_one_second() -> None:
    """Against a mean over a fine grid."""
    rng = np.random.default_rng(1)
    onset_s = np.cumsum(rng.uniform(0.1, 0.8, 30))
    pitch = rng.integers(50, 80, 30).astype(np.float64)
    for time_s in (0.0, 2.0, 5.03, float(onset_s[-1])):
        grid = time_s + (np.arange(4000) + 0.5) / 4000 - 0.5
        wanted = pitch[np.clip(np.searchsorted(onset_s, grid, side="right") - 1, 0, None)].mean()
        assert smooth_pitch(onset_s, pitch, np.array([time_s]))[0] == pytest.approx(wanted, abs=0.05)


def test_only_sounding_frames_of_the_span_count_fifty_a_second(cue: CueHearing) -> None:
    frames = judged_frames(cue, 0, start_s=3.0, end_s=7.0)
    assert np.array_equal(frames, np.r_[300:400:2, 600:700:2])


@pytest.mark.parametrize("cut", CUTS)
def test_it_is_boosting_on_those_frames_and_nothing_else(cue: CueHearing, cut: str) -> None:
    drawn = VALIDATION["breather"](cue, 0)
    lanes = Opponent(cut).fit([Drawn(cue, 0, drawn, 0.0, 10.0)]).predict(cue, 0)
    learned, judged = judged_frames(cue, 0, end_s=10.0), judged_frames(cue, 0)
    trees = HistGradientBoostingRegressor(max_iter=200, learning_rate=0.08, random_state=0)
    trees.fit(note_features(cue, 0, learned, cut=cut), drawn[learned, 1])
    assert lanes.shape == (frame_count(cue, 0), 3)
    assert np.array_equal(lanes[judged, 1], trees.predict(note_features(cue, 0, judged, cut=cut)))
    assert np.abs(lanes - drawn)[learned].mean() < 1.2, "it knows what it has seen"


def test_it_says_what_is_missing(cue: CueHearing) -> None:
    with pytest.raises(ValueError, match="fit the opponent"):
        Opponent().predict(cue, 0)
    with pytest.raises(ValueError, match="0 sounding frames"):
        Opponent().fit([Drawn(cue, 0, np.zeros((frame_count(cue, 0), 3)), 500.0, 600.0)])


def test_chords_count_as_one_note_with_the_highest_pitch(tmp_path: Path) -> None:
    rows = line(((60, 64, 67), 2), ((62, 65, 69), 2))
    heard = hear_voices(tmp_path, Voice("Strings", rows), bpm=60)
    assert named(heard, 2.5)["pitch_from_previous"] == 2
    assert named(heard, 2.5)["pitch_from_mean"] == 1
