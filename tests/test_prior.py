"""The prior of hands: wide, repeatable, local, and readable as one table."""

from __future__ import annotations

import numpy as np
import pytest
from played_lines import line, solo_line

from phrasewright.model.features import part_features
from phrasewright.model.hearing import CueHearing
from phrasewright.model.lanes import FRAME_S, n_frames_for
from phrasewright.model.parameters import DEFAULT
from phrasewright.model.personal_features import moments_of
from phrasewright.model.prediction import foreseeable, prediction_frames
from phrasewright.model.rules import raw_cc
from phrasewright.training.prior import HAND, LANE, Dice, drawn_person
from phrasewright.training.prior_curves import Sight, drawn_cc, sight_of

TUNE = [67, 69, 71, 72, 74, 72, 71, 69, 67, 64, 65, 67]


def sight(pitches: list[int], lengths: list[float]) -> Sight:
    hearing: CueHearing = solo_line(line(pitches, lengths))
    n = n_frames_for(float(hearing.parts[0].part.notes.offset_s.max()))
    frames = prediction_frames(hearing, 0, n_frames=n)
    features = part_features(hearing, 0, time_s=np.asarray(frames * FRAME_S, dtype=np.float64))
    rules_cc = raw_cc(hearing, 0, frames, parameters=foreseeable(DEFAULT))
    return sight_of(hearing, 0, frames, at=features.at, moments=moments_of(hearing, 0, frames, rules_cc=rules_cc))


@pytest.fixture(scope="module", name="tune")
def _tune() -> Sight:
    return sight(TUNE * 3, [1.0, 0.5, 0.5, 2.0] * 9)


@pytest.fixture(scope="module", name="drawn")
def _drawn(tune: Sight) -> np.ndarray:
    """What eighty people draw, (people, frames, 3)."""
    return np.stack([drawn_cc(drawn_person(seed), tune) for seed in range(80)])


def test_a_person_is_the_same_each_time_and_another_is_another(tune: Sight, drawn: np.ndarray) -> None:
    assert np.array_equal(drawn_cc(drawn_person(7), tune), drawn[7])
    assert not np.array_equal(drawn[7], drawn[8])
    assert drawn_person(7) == drawn_person(7)


def test_people_stay_on_the_fader_and_differ_in_level_and_depth(drawn: np.ndarray) -> None:
    assert drawn.min() >= 1.0
    assert drawn.max() <= 126.0
    level, depth = drawn.mean(axis=1), drawn.std(axis=1)  # (people, lane)
    assert np.all(level.std(axis=0) > 6.0)
    assert np.all(np.quantile(depth, 0.9, axis=0) > 2.0 * np.quantile(depth, 0.1, axis=0))


def test_lanes_are_related_but_not_copies(drawn: np.ndarray) -> None:
    r = np.array([np.corrcoef(person[:, 0], person[:, 1])[0, 1] for person in drawn])
    assert np.median(r) > 0.3
    assert np.mean(r > 0.98) < 0.1


def test_some_arcs_peak_early_and_some_late(tune: Sight, drawn: np.ndarray) -> None:
    place = tune.column["phrase_share"]
    centre = [np.average(place, weights=np.maximum(p[:, 0] - p[:, 0].mean(), 0.0) + 1e-9) for p in drawn]
    assert min(centre) < 0.4
    assert max(centre) > 0.6


def test_a_person_sees_no_farther_than_the_columns_do() -> None:
    """A change in the last bars leaves the first ones as they were."""
    lengths = [1.0, 0.5, 0.5, 2.0] * 12
    one, other = sight(TUNE * 4, lengths), sight(TUNE * 3 + [p + 5 for p in TUNE], lengths)
    early = one.time_s < one.time_s[-1] * 0.3
    n = int(np.count_nonzero(early))
    assert np.array_equal(one.frames[:n], other.frames[:n])
    for seed in range(12):
        person = drawn_person(seed)
        assert np.allclose(drawn_cc(person, one)[:n], drawn_cc(person, other)[:n], atol=1e-6), seed


def test_the_table_says_what_is_thrown() -> None:
    rng = np.random.default_rng(0)
    for name, dice in {**HAND, **LANE}.items():
        thrown = np.array([dice.throw(rng) for _ in range(300)])
        assert abs(np.mean(thrown != 0.0) - dice.often) < 0.12, name
        size = np.abs(thrown[thrown != 0.0]) if dice.signed else thrown[thrown != 0.0]
        assert size.min() >= dice.low
        assert size.max() <= dice.high, name
    assert {np.sign(Dice(1.0, 2.0, signed=True).throw(rng)) for _ in range(40)} == {-1.0, 1.0}
