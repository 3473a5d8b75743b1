"""Lanes already drawn: kept to the event, followed, blended, replaced; seams nobody hears."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from lane_checks import WrittenLane, lane_of
from shaped_cues import Event, control, note, program, track, write

from phrasewright.data.reading import read_cue
from phrasewright.inference.shaping import Shaped, ShapeOptions, shape_cue
from phrasewright.model.events import Stay
from phrasewright.model.existing import (
    Drawn,
    PhraseTicks,
    blended,
    centred,
    drawn_phrases,
    following,
    moving_average,
    stays_of,
)

BEAT = 480
PHRASE = 16 * BEAT
"""Eight seconds: seven of music, one of rest."""


def melody(n_phrases: int = 4, *, joined: bool = False) -> list[Event]:
    """Phrases of seven half notes and a rest; joined ones end with a long note instead of the rest."""
    events: list[Event] = [program(0, 40)]
    for p in range(n_phrases):
        for i, pitch in enumerate((67, 69, 71, 72, 71, 69, 67)):
            length = 2 * BEAT if i < 6 or not joined else 4 * BEAT
            events += note(p * PHRASE + 2 * i * BEAT, length, pitch + (p % 2))
    return events


def swell(phrase: int, controller: int, *, low: int = 40, high: int = 90, start: int = 0) -> list[Event]:
    """A hand's swell over one phrase: up to its middle and down again, an event every eighth, from `start` on."""
    n = 28
    values = low + (high - low) * np.sin(np.pi * np.arange(n) / (n - 1))
    return [
        control(phrase * PHRASE + start + i * BEAT // 2, controller, round(value)) for i, value in enumerate(values)
    ]


def shaped(path: Path, events: list[Event], **options: object) -> tuple[Shaped, WrittenLane, WrittenLane]:
    """Shape a solo line; the result, its dynamics and its expression."""
    write(path, track("Violin", events))
    result = shape_cue(path, ShapeOptions(baseline=True, **options))  # type: ignore[arg-type]
    cue = read_cue(path)
    part = cue.parts[0]
    return result, lane_of(result.content, cue, part, 1), lane_of(result.content, cue, part, 11)


def inside(lane: WrittenLane, start: int, end: int) -> list[tuple[int, int]]:
    here = (lane.tick >= start) & (lane.tick < end)
    return list(zip(lane.tick[here].tolist(), lane.value_cc[here].tolist(), strict=True))


def test_a_drawn_phrase_stays_to_the_event(tmp_path: Path) -> None:
    drawn = swell(1, 1)
    result, dynamics, _ = shaped(tmp_path / "cue.mid", melody() + drawn)
    want = [(tick, message[2]) for tick, message in drawn]
    assert inside(dynamics, PHRASE, PHRASE + 14 * BEAT) == want
    kept = result.summary["parts"][0]["lanes"]["dynamics"]["kept"]
    assert kept == [[8.0, 15.0]]
    assert result.summary["parts"][0]["lanes"]["expression"]["kept"] == []
    for p in (0, 2, 3):
        assert len(inside(dynamics, p * PHRASE, p * PHRASE + 14 * BEAT)) > 10, "other phrases are filled"


@pytest.mark.parametrize("joined", [False, True])
def test_seams_are_at_most_four_steps(tmp_path: Path, joined: bool) -> None:
    drawn = swell(1, 1, low=20, high=110)
    _, dynamics, _ = shaped(tmp_path / "cue.mid", melody(joined=joined) + drawn)
    hand = {tick for tick, _ in drawn}
    step = np.abs(np.diff(dynamics.value_cc[:-1]))  # but for the one return after the end
    by_hand = np.array([tick in hand for tick in dynamics.tick[:-1].tolist()])
    seam = by_hand[1:] != by_hand[:-1]
    assert step[seam].max() <= 4
    assert step[~by_hand[1:] & ~by_hand[:-1]].max() <= 6


def test_joined_phrases_keep_the_drawn_one_exactly(tmp_path: Path) -> None:
    drawn = swell(2, 1)
    _, dynamics, _ = shaped(tmp_path / "cue.mid", melody(joined=True) + drawn)
    assert set((tick, message[2]) for tick, message in drawn) <= set(inside(dynamics, 0, 4 * PHRASE))


def test_lanes_beside_a_kept_one_follow_it(tmp_path: Path) -> None:
    """The same turning points, with their own depth: related, never a copy."""
    drawn = [event for p in range(4) for event in swell(p, 1, low=35, high=95)]
    _, dynamics, expression = shaped(tmp_path / "cue.mid", melody() + drawn)
    for p in range(4):
        ticks = np.arange(p * PHRASE + BEAT, p * PHRASE + 13 * BEAT, 24)
        kept, beside = dynamics.at_tick(ticks).astype(float), expression.at_tick(ticks).astype(float)
        assert np.corrcoef(kept, beside)[0, 1] > 0.85
        assert 0.3 < np.ptp(beside) / np.ptp(kept) < 0.9
        peak = ticks[int(np.argmax(moving_average(beside, 20)))]
        assert abs(peak - (p * PHRASE + 7 * BEAT)) < 2 * BEAT


def test_following_lanes_turn_where_the_drawn_one_does(tmp_path: Path) -> None:
    """Two swells in one phrase: expression turns a little before dynamics, vibrato after it, each as often."""

    def turns(held: np.ndarray) -> list[int]:
        """Where the smoothed lane turns by a fifth of its range, in ticks."""
        slow = moving_average(held, 40)
        found, way, low, high = [], 0, 0, 0
        for i, value in enumerate(slow):
            high = i if value > slow[high] else high
            low = i if value < slow[low] else low
            if way >= 0 and slow[high] - value > np.ptp(slow) / 5:
                found, way, low = [*found, high], -1, i
            elif way <= 0 and value - slow[low] > np.ptp(slow) / 5:
                found, way, high = [*found, low], 1, i
        return [24 * i for i in found[1:]]

    beats = np.arange(0, 14, 0.25)
    hand = np.rint(40 + 55 * np.sin(np.pi * beats / 7) ** 2).astype(int).tolist()
    drawn = [control(PHRASE + round(b * BEAT), 1, v) for b, v in zip(beats.tolist(), hand, strict=True)]
    path = write(tmp_path / "cue.mid", track("Violin", melody() + drawn))
    content = shape_cue(path, ShapeOptions(baseline=True)).content
    cue = read_cue(path)
    ticks = np.arange(PHRASE, PHRASE + 14 * BEAT, 24)
    lanes = [lane_of(content, cue, cue.parts[0], cc).at_tick(ticks).astype(float) for cc in (1, 11, 2)]
    dynamics, expression, vibrato = map(turns, lanes)
    assert len(dynamics) == len(expression) == len(vibrato) == 3
    assert np.abs(np.subtract(expression, dynamics)).max() < BEAT / 2
    assert 0 < np.mean(np.subtract(vibrato, dynamics)) < BEAT
    assert np.ptp(lanes[1]) < 0.8 * np.ptp(lanes[0])


def test_a_lane_is_followed_even_when_it_is_not_asked_for(tmp_path: Path) -> None:
    drawn = swell(0, 1, low=35, high=95)
    _, dynamics, expression = shaped(tmp_path / "cue.mid", melody() + drawn, lanes=("expression",))
    assert inside(dynamics, 0, 9 * PHRASE) == [(tick, message[2]) for tick, message in drawn], "dynamics is untouched"
    ticks = np.arange(BEAT, 13 * BEAT, 24)
    assert np.corrcoef(dynamics.at_tick(ticks), expression.at_tick(ticks))[0, 1] > 0.85


def test_a_lone_static_value_is_the_centre(tmp_path: Path) -> None:
    for value in (60, 95):
        _, dynamics, _ = shaped(tmp_path / f"{value}.mid", [*melody(), control(0, 1, value)])
        ticks = np.concatenate([np.arange(p * PHRASE, p * PHRASE + 14 * BEAT, 24) for p in range(4)])
        held = dynamics.at_tick(ticks)
        assert abs(held.mean() - value) < 2.0
        assert np.ptp(held) > 8, "and the lane lives around it"


def test_a_static_value_at_the_end_of_the_range_does_not_flatten_the_lane(tmp_path: Path) -> None:
    _, _, expression = shaped(tmp_path / "cue.mid", [*melody(), control(0, 11, 127)])
    held = expression.at_tick(np.arange(0, 14 * BEAT, 24))
    assert held.max() <= 120
    assert np.ptp(held) > 5


def test_blend_keeps_level_and_arc_and_adds_what_moves_faster(tmp_path: Path) -> None:
    drawn = swell(1, 1, low=40, high=100)
    _, dynamics, _ = shaped(tmp_path / "cue.mid", melody() + drawn, existing="blend")
    ticks = np.arange(PHRASE + BEAT, PHRASE + 13 * BEAT, 12)
    hand = Drawn(np.array([t for t, _ in drawn]), np.array([m[2] for _, m in drawn]))
    held = np.array([hand.at(int(tick)) for tick in ticks], dtype=float)
    new = dynamics.at_tick(ticks).astype(float)
    beat = BEAT // 12
    slow = np.abs(moving_average(new, beat) - moving_average(held, beat))
    assert slow.mean() < 2.0
    fast = new - moving_average(new, beat)
    assert fast.std() > 0.7, "joins are heard again"


def test_replace_removes_every_event_and_its_fine_companion(tmp_path: Path) -> None:
    extra = [control(200, 33, 64), control(300, 43, 5), control(400, 34, 7), control(500, 7, 99), control(501, 39, 3)]
    events = melody() + swell(1, 1) + swell(2, 11) + extra
    result, dynamics, _ = shaped(tmp_path / "cue.mid", events, existing="replace")
    hand = {(tick, message[2]) for tick, message in swell(1, 1)}
    assert len(hand & set(inside(dynamics, 0, 9 * PHRASE))) < len(hand) / 2
    cue = read_cue(tmp_path / "cue.mid")
    left = {cc: len(lane_of(result.content, cue, cue.parts[0], cc).tick) for cc in (33, 34, 43, 7, 39)}
    assert left == {33: 0, 34: 0, 43: 0, 7: 1, 39: 1}


def test_breath_that_serves_as_dynamics_is_kept(tmp_path: Path) -> None:
    drawn = [event for p in range(4) for event in swell(p, 2)]
    result, dynamics, _ = shaped(tmp_path / "cue.mid", melody() + drawn)
    part = result.summary["parts"][0]
    assert part["lanes"]["dynamics"]["cc"] == 2
    assert len(part["lanes"]["dynamics"]["kept"]) >= 1
    assert not len(dynamics.tick), "controller 1 is not written beside it"
    assert any("controller 2" in remark for remark in part["remarks"]), "and it is said"


def test_three_changes_over_six_steps_are_a_hand() -> None:
    phrases = PhraseTicks(np.array([0, 1000]), np.array([900, 1900]))
    still = Drawn(np.array([0, 100, 200, 300]), np.array([60, 62, 64, 65]))
    assert drawn_phrases(still, phrases).tolist() == [False, False]
    moved = Drawn(np.array([0, 100, 200, 300]), np.array([60, 62, 64, 66]))
    assert drawn_phrases(moved, phrases).tolist() == [True, False]
    twice = Drawn(np.array([0, 1100, 1200, 1300]), np.array([60, 62, 70, 70]))
    assert drawn_phrases(twice, phrases).tolist() == [False, False]


def test_stays_tell_what_the_lane_was_at_their_edges() -> None:
    drawn = Drawn(np.array([100, 500]), np.array([40, 80]))
    assert stays_of(drawn, outside=[(0, 50)], kept=[]) == [Stay(0, 50, None, None, True)]
    assert stays_of(drawn, outside=[], kept=[(50, 600)]) == [Stay(50, 600, 40, 80, False)]
    assert stays_of(drawn, outside=[(0, 300)], kept=[(300, 600)]) == [Stay(0, 600, None, 80, True)]


def test_following_keeps_within_the_range() -> None:
    frames = np.array([[0, 800]])
    source = 64.0 + 60.0 * np.sin(np.arange(800) / 80)
    out = following(
        np.full(800, 112.0), source, frames, np.array([True]), pair=("dynamics", "expression"),
        beat_frames=np.array([50]), low=48, high=120,
    )
    assert out.max() <= 126
    assert np.ptp(out) > 10


def test_centring_is_local() -> None:
    """Moving one phrase's level leaves phrases two further on as they were."""
    frames = np.array([[100 * i, 100 * i + 90] for i in range(8)])
    dense = 70.0 + 5 * np.sin(np.arange(800) / 7)
    other = dense.copy()
    other[:90] += 15
    held = np.full(800, 60.0)
    one, two = (centred(curve, held, frames, low=12, high=118) for curve in (dense, other))
    assert np.allclose(one[300:], two[300:])


def test_blending_leaves_other_phrases_alone() -> None:
    frames = np.array([[0, 400], [450, 800]])
    dense = 70.0 + 5 * np.sin(np.arange(800) / 5)
    held = np.full(800, 50.0)
    out = blended(dense, held, frames, np.array([True, False]), beat_frames=np.array([50, 50]))
    assert np.allclose(out[450:], dense[450:])
    assert abs(out[50:350].mean() - 50) < 0.5


@pytest.mark.parametrize("seed", range(8))
def test_any_drawing_is_kept_and_joined(tmp_path: Path, seed: int) -> None:
    """Random lines, random hands, resets anywhere: what was drawn stays, what is new joins it."""
    rng = np.random.default_rng(seed)
    events: list[Event] = [program(0, 40)]
    at = int(rng.integers(0, 4000))
    for _ in range(40):
        length = int(BEAT * rng.choice([0.25, 0.5, 1, 2, 4]))
        events += note(at, length, int(60 + rng.integers(0, 12)), velocity=int(rng.integers(50, 110)))
        at += length + int(rng.choice([0, 0, 0, 0, 240, 300, 960, 4000]))
    for cc in (1, 11):
        for _ in range(3):
            start, every = int(rng.integers(0, at)), int(rng.choice([20, 60, 120, 240]))
            values = np.clip(64 + np.cumsum(rng.integers(-6, 7, int(rng.integers(3, 60)))), 0, 127)
            events += [control(start + i * every, cc, int(v)) for i, v in enumerate(values)]
    events += [control(int(rng.integers(0, at)), 121, 0) for _ in range(2)]
    path = write(tmp_path / "cue.mid", track("Violin", events))
    result = shape_cue(path, ShapeOptions(baseline=True))
    cue = read_cue(path)
    part = cue.parts[0]
    for lane, cc in part.lane_cc.items():
        before, after = (lane_of(content, cue, part, cc) for content in (cue.midi.content, result.content))
        hand = set(zip(before.tick.tolist(), before.value_cc.tolist(), strict=True))
        kept = result.summary["parts"][0]["lanes"][lane]["kept"]
        for start_s, end_s in kept:
            inside_before = (before.time_s >= start_s) & (before.time_s < end_s)
            inside_after = (after.time_s > start_s + 1e-4) & (after.time_s < end_s - 1e-4)
            assert set(before.tick[inside_before].tolist()) <= set(after.tick.tolist())
            assert set(after.tick[inside_after].tolist()) <= set(before.tick.tolist())
        by_hand = np.array([e in hand for e in zip(after.tick.tolist(), after.value_cc.tolist(), strict=True)])
        restated = ~by_hand & (after.value_cc == before.at_tick(after.tick))
        step = np.abs(np.diff(after.value_cc))[:-1]  # but for the one return after the end
        seam = (by_hand[1:] != by_hand[:-1]) & ~restated[:-1]
        assert step[seam[:-1]].max(initial=0) <= 4
