"""From dense lanes to events: start, rests, entries, tails and resets, for any notes and any curve."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from lane_checks import (
    WrittenLane,
    density_faults,
    entry_faults,
    range_faults,
    restatement_faults,
    reversal_faults,
    start_faults,
    step_faults,
    tail_faults,
)

from phrasewright.data.notes import Notes
from phrasewright.data.tempo import TempoMap, smpte_map, tempo_map
from phrasewright.inference.lane_plans import gap_spans
from phrasewright.model.events import LaneRequest, Stay, pieces_of, sound_of, spacing_frames, step_limits, write_lanes
from phrasewright.model.lanes import n_frames_for

TEMPO = tempo_map([(0, 500_000)], [(0, 4, 4)], ticks_per_beat=480)
NONE = np.zeros((0, 2))


def notes_of(rows: list[tuple[int, int, int]], tempo: TempoMap = TEMPO) -> Notes:
    """Notes of (onset tick, offset tick, pitch)."""
    rows = sorted(rows, key=lambda row: (row[0], -row[2]))
    on, off, pitch = (np.array(column, dtype=np.int64) for column in zip(*rows, strict=True))
    return Notes(
        tempo.tick_to_s(on), tempo.tick_to_s(off), tempo.tick_to_beat(on), tempo.tick_to_beat(off), on, off, pitch,
        np.full(len(on), 70),
    )


def written(
    notes: Notes, curve: np.ndarray, *, tempo: TempoMap = TEMPO, resets: tuple[int, ...] = ()
) -> WrittenLane:
    limit = step_limits(len(curve), gesture_s=NONE, gap_s=gap_spans(notes))
    request = LaneRequest(sound_of(notes), curve, limit, (), np.array(resets, dtype=np.int64))
    tick, value = write_lanes([request], tempo)[0]
    return WrittenLane(1, tick, value, np.arange(len(tick)), notes, np.array(resets, dtype=np.int64), tempo)


@st.composite
def lines(draw: st.DrawFn) -> list[tuple[int, int, int]]:
    """Lines with joins, overlaps, chords and rests of any length."""
    rows, at = [], draw(st.integers(0, 12_000))
    for _ in range(draw(st.integers(1, 25))):
        length = draw(st.integers(1, 3000))
        for pitch in range(draw(st.integers(1, 2))):
            rows.append((at, at + length + pitch * draw(st.integers(0, 2000)), 60 + 12 * pitch))
        at += max(length + draw(st.sampled_from([0, 0, 0, -40, 10, 100, 239, 240, 241, 500, 1000, 9000])), 1)
    return rows


def random_curve(notes: Notes, seed: int, roughness: float) -> np.ndarray:
    rng = np.random.default_rng(seed)
    n = n_frames_for(float(notes.offset_s.max()))
    return np.clip(70 + np.cumsum(rng.normal(0, roughness, n)) + rng.normal(0, 3 * roughness, n), 12, 118)


@settings(max_examples=40, deadline=None)
@given(lines(), st.integers(0, 2**32 - 1), st.floats(0.0, 3.0), st.lists(st.integers(1, 60_000), max_size=3))
def test_every_line_holds_for_any_notes_and_any_curve(
    rows: list[tuple[int, int, int]], seed: int, roughness: float, resets: list[int]
) -> None:
    notes = notes_of(rows)
    end = int(notes.offset_tick.max())
    lane = written(notes, random_curve(notes, seed, roughness), resets=tuple(sorted(r for r in resets if r < end)))
    assert np.all(np.diff(lane.tick) > 0)
    for check in (start_faults, entry_faults, restatement_faults, tail_faults, range_faults, reversal_faults):
        assert not check(lane), check.__name__
    assert not density_faults(lane)
    assert not step_faults(lane, NONE)


@pytest.mark.parametrize(
    "tempo",
    [
        tempo_map([(0, 500_000)], [], ticks_per_beat=24),
        tempo_map([(0, 1_000_000), (96, 400_000), (480, 250_000)], [(0, 3, 4)], ticks_per_beat=96),
        smpte_map(1000.0),
        tempo_map([(0, 600_000)], [], ticks_per_beat=15_360),
    ],
    ids=["24 ticks", "changing tempo", "film frames", "fine ticks"],
)
@settings(max_examples=6, deadline=None)
@given(st.integers(0, 2**32 - 1))
@example(278_764)  # a dip filled at an entry became a jump there
def test_any_division(tempo: TempoMap, seed: int) -> None:
    rng = np.random.default_rng(seed)
    beat = tempo.ticks_per_beat
    rows, at = [], 0
    for _ in range(20):
        length = max(int(beat * rng.choice([0.25, 0.5, 1, 2, 4])), 1)
        rows.append((at, at + length, 60))
        at += length + int(beat * rng.choice([0, 0, 0, 0.5, 1, 3, 18]))
    notes = notes_of(rows, tempo)
    lane = written(notes, random_curve(notes, seed, 2.0), tempo=tempo)
    assert np.all(np.diff(lane.tick) > 0)
    for check in (start_faults, entry_faults, restatement_faults, tail_faults, density_faults):
        assert not check(lane), check.__name__
    assert not step_faults(lane, NONE)


def test_a_rest_holds_then_glides_then_waits() -> None:
    notes = notes_of([(0, 960, 60), (2880, 3840, 62)])  # two seconds of rest
    curve = np.r_[np.full(200, 40.0), np.full(n_frames_for(4.0) - 200, 100.0)]
    lane = written(notes, curve)
    rest = (lane.time_s > 1.0) & (lane.time_s <= 3.0)
    assert lane.time_s[rest].min() >= 1.4
    assert lane.time_s[rest].max() <= 2.9
    assert np.diff(np.r_[40, lane.value_cc[rest]]).max() <= 4, "a glide, not a cliff"
    assert lane.value_cc[rest][-1] == 100


def test_a_rest_of_a_quarter_second_still_prepares_the_entry() -> None:
    notes = notes_of([(0, 960, 60), (1200, 2160, 62)])
    curve = np.r_[np.full(112, 60.0), np.full(n_frames_for(2.25) - 112, 64.0)]
    lane = written(notes, curve)
    moved = lane.time_s[(lane.time_s > 1.0) & (lane.time_s <= 1.25)]
    assert len(moved) == 1
    assert 1.125 <= moved[0] <= 1.15


def test_the_start_value_is_the_first_entrys() -> None:
    notes = notes_of([(4800, 9600, 60)])
    curve = np.clip(np.arange(n_frames_for(10.0)) / 10, 12, 118)
    lane = written(notes, curve)
    assert lane.tick[0] == 0
    assert lane.value_cc[0] == 50
    assert lane.at_tick(np.array([4800]))[0] == 50


def test_a_lane_restates_its_value_at_a_reset() -> None:
    notes = notes_of([(0, 9600, 60)])
    lane = written(notes, np.full(n_frames_for(10.0), 77.3), resets=(2400,))
    assert lane.tick.tolist() == [0, 2400, 9600 + 960]
    assert lane.value_cc.tolist() == [77, 77, 77]


def test_spacing_is_a_whole_number_of_ticks_and_at_least_a_fifty_ninth() -> None:
    frames = spacing_frames(TEMPO, 10)
    assert frames[0] * 0.01 == pytest.approx(17 * 0.5 / 480)
    coarse = tempo_map([(0, 500_000)], [], ticks_per_beat=24)
    assert spacing_frames(coarse, 10)[0] * 0.01 == pytest.approx(0.5 / 24)


def test_spans_break_at_rests_only() -> None:
    sound = sound_of(notes_of([(0, 480, 60), (600, 960, 62), (960, 1920, 64), (2400, 2880, 60)]))
    assert sound.onset_tick.tolist() == [0, 2400]
    assert sound.offset_tick.tolist() == [1920, 2880]


def test_pieces_lie_between_stays() -> None:
    sound = sound_of(notes_of([(0, 1920, 60), (2880, 4800, 62)]))
    stays = [Stay(480, 960, 50, 60, True), Stay(3840, 9600, 70, 70, False)]
    pieces = pieces_of(sound, stays)
    assert list(zip(pieces.start_tick.tolist(), pieces.end_tick.tolist(), strict=True)) == [
        (0, 480), (960, 1920), (2880, 3840),
    ]
    assert pieces.from_seam.tolist() == [False, True, False]
    assert pieces.to_seam.tolist() == [True, False, True]
