"""Figures of life on curves whose answer is plain to see."""

from __future__ import annotations

import numpy as np
import pytest
from heard_cues import Voice, hear_voices, line

from phrasewright.model.hearing import CueHearing
from phrasewright.training.alive import (
    Array,
    accent_heights_cc,
    in_band,
    join_depths_cc,
    life_of,
    lives_of,
    peak_s,
)
from phrasewright.training.simple_models import frame_count


@pytest.fixture(scope="module")
def cue(tmp_path_factory: pytest.TempPathFactory) -> CueHearing:
    """Eight connected notes of a second, one repeated, a rest, a long note."""
    notes = [(60 + k, 1) for k in (0, 2, 4, 5, 5, 4, 2, 0)]
    return hear_voices(tmp_path_factory.mktemp("cue"), Voice("Violin", line(*notes, (None, 4), (64, 4))), bpm=60)


def drawn(cue: CueHearing, *, dip: float = 0.0, spike: float = 0.0, top_s: float = 3.0, repeat: float = 0.0) -> Array:
    """A hill with its top at `top_s`, triangular dips of 60 ms to each side of joins, spikes 100 ms after onsets."""
    time_s = np.arange(frame_count(cue, 0)) * 0.01
    value = 80.0 - 2.0 * np.abs(time_s - top_s)
    for onset_s in range(8):
        depth = dip + (repeat if onset_s == 4 else 0.0)
        value -= (onset_s > 0) * depth * np.clip(1.0 - np.abs(time_s - onset_s) / 0.06, 0.0, 1.0)
        value += spike * np.clip(1.0 - np.abs(time_s - onset_s - 0.2) / 0.08, 0.0, 1.0)
    return np.asarray(value)


def figures(cue: CueHearing, hand: Array, lane: Array) -> dict[str, float]:
    return life_of(cue, 0, hand, lane).figures()


def test_a_hand_is_as_alive_as_itself(cue: CueHearing) -> None:
    hand = drawn(cue, dip=10, spike=12)
    assert figures(cue, hand, hand) == pytest.approx(
        {"depth": 1.0, "repeats": 1.0, "accents": 1.0, "energy": 1.0, "slopes": 1.0, "peaks": 1.0}
    )


def test_half_the_dips_are_half_the_depth(cue: CueHearing) -> None:
    found = figures(cue, drawn(cue, dip=20), drawn(cue, dip=10))
    assert found["depth"] == pytest.approx(0.5, abs=0.05)
    assert 0.2 < found["energy"] < 0.6  # power goes with the square; the hill is common to both
    assert found["slopes"] > 0.9


def test_repeats_are_joins_on_one_pitch(cue: CueHearing) -> None:
    found = figures(cue, drawn(cue, dip=10, repeat=10), drawn(cue, dip=10))
    assert found["repeats"] == pytest.approx(0.5, abs=0.06)
    assert 0.8 < found["depth"] < 0.95


def test_an_even_lane_is_dead(cue: CueHearing) -> None:
    found = figures(cue, drawn(cue, dip=10, spike=10), np.full(frame_count(cue, 0), 70.0))
    assert found["energy"] == found["slopes"] == 0.0
    assert found["depth"] == found["accents"] == 0.0


def test_accents_are_measured_from_the_middle_of_the_note(cue: CueHearing) -> None:
    value = np.full(200, 60.0)
    value[5:12] = 72.0  # 100 to 240 ms after an onset at 0
    assert accent_heights_cc(value, np.array([0.0, 2.0]), np.array([2.0, 3.0])) == pytest.approx([12.0, 0.0])
    flat_top = figures(cue, drawn(cue, spike=12), drawn(cue, spike=6))
    assert flat_top["accents"] == pytest.approx(0.5, abs=0.1)


def test_peaks_count_when_within_a_beat(cue: CueHearing) -> None:
    hand = drawn(cue, top_s=3.0)
    assert figures(cue, hand, drawn(cue, top_s=3.8))["peaks"] == 1.0
    assert figures(cue, hand, drawn(cue, top_s=5.5))["peaks"] < 1.0
    assert peak_s(hand[::2], np.array([0.0]), np.array([8.0])) == pytest.approx([3.0], abs=0.05)


def test_what_happens_in_rests_counts_for_nothing(cue: CueHearing) -> None:
    hand = drawn(cue, dip=10)
    lane = hand.copy()
    lane[830:1170] = 5.0
    assert figures(cue, hand, lane) == pytest.approx(figures(cue, hand, hand), nan_ok=True)


def test_some_notes_can_be_judged_alone(cue: CueHearing) -> None:
    """A lane that forgets the dip at one join is dead there and alive elsewhere."""
    hand = drawn(cue, dip=10)
    forgetful = np.where(np.abs(np.arange(len(hand)) * 0.01 - 2.0) < 0.1, hand.max(), hand)
    at = np.arange(len(cue.parts[0].attacks.onset_s)) == 2
    parts = lives_of(cue, 0, hand, forgetful, [at, ~at])
    there, elsewhere = (life.figures() for life in parts)
    assert there["depth"] < 0.2
    assert elsewhere["depth"] == pytest.approx(1.0)
    assert there["slopes"] < elsewhere["slopes"]
    both, whole = parts[0] + parts[1], life_of(cue, 0, hand, forgetful)
    assert np.allclose(both.depth_cc, whole.depth_cc)
    assert np.allclose(both.energy_cc2, whole.energy_cc2)


def test_depth_at_a_join_is_what_it_is_called() -> None:
    """A dip from 60 to 50, 60 ms wide at 1 s: 10 steps."""
    lane = np.full(100, 60.0)
    lane[49:52] = 50.0
    assert join_depths_cc(lane, np.array([1.0])).tolist() == [10.0]


def test_energy_is_the_power_of_what_moves_between_half_a_hertz_and_six() -> None:
    """A sine of amplitude 4 has power 8; a swell of .1 Hz and a buzz of 10 Hz have none there."""
    time_s = np.arange(1000) * 0.02
    for amplitude, hz, power in ((4.0, 2.0, 8.0), (4.0, 0.1, 0.0), (4.0, 10.0, 0.0)):
        moved = in_band(60.0 + amplitude * np.sin(2 * np.pi * hz * time_s))
        assert np.mean(moved**2) == pytest.approx(power, rel=0.01, abs=0.01)


def test_slopes_of_a_mirrored_lane_anticorrelate(cue: CueHearing) -> None:
    hand = drawn(cue, dip=10)
    assert figures(cue, hand, 100.0 - hand)["slopes"] == pytest.approx(-1.0)
