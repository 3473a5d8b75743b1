"""Cues are told apart by their notes and recognised through what is done to them; one cue's time in another's."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from mangler import EDITS, Song, Voice, bars_cut, lines, moved_from

from phrasewright.data.alignment import (
    SKETCH_SIZE,
    alike,
    anchors,
    attack_tops,
    chain_of,
    cue_knots,
    foretold,
    outline_of,
    running_median,
    sketch,
)


def song(seed: int) -> Song:
    random = np.random.default_rng(seed)
    voices = []
    for i in range(4):
        on = np.cumsum(random.choice([0.5, 1.0], 200))
        pitch = 50 + 5 * i + np.cumsum(random.integers(-3, 4, 200)) % 20
        voices.append(Voice(f"Part {i}", 48, np.arange(200) + 200 * i, on, np.full(200, 0.4), pitch))
    return tuple(voices)


def drawn(some: Song) -> np.ndarray:
    return sketch([line.notes for line in lines(some)])


@pytest.mark.parametrize("edit", ["renamed", "bars_inserted", "bars_cut", "rescaled", "split_in_time"])
def test_an_edited_cue_is_still_the_same(edit: str) -> None:
    assert alike(drawn(song(0)), drawn(EDITS[edit](song(0), np.random.default_rng(1)))) > 0.5


def test_a_corrected_excerpt_is_found_and_other_music_is_not() -> None:
    whole = song(0)
    some = tuple(voice.take(voice.on_beat < 0.3 * voice.on_beat[-1]) for voice in whole)
    others = [alike(drawn(some), drawn(song(seed))) for seed in range(1, 12)]
    assert alike(drawn(some), drawn(whole)) > 0.15
    assert max(others) < 0.05


def test_octaves_and_tempo_do_not_matter() -> None:
    moved = tuple(replace(v, pitch=v.pitch + 12, on_beat=v.on_beat * 0.75) for v in song(3))
    assert alike(drawn(song(3)), drawn(moved)) == 1.0
    assert len(drawn(song(3))) <= SKETCH_SIZE


def test_a_chord_nudged_apart_is_one_attack() -> None:
    on, pitch = np.array([0, 0.02, 0.04, 1.0, 2.0]), np.array([60, 67, 64, 62, 59])
    voice = Voice("", 0, np.arange(5), on, np.full(5, 0.5), pitch)
    (line,) = lines((voice,))
    assert line.notes.pitch[attack_tops(line.notes)].tolist() == [67, 62, 59]


def test_short_and_empty_cues() -> None:
    one = Voice("", 0, np.arange(2), np.array([0.0, 1.0]), np.full(2, 0.5), np.array([60, 64]))
    assert alike(drawn((one,)), drawn((one,))) == 1.0
    assert alike(drawn(()), drawn((one,))) == 0.0
    assert alike(drawn(()), drawn(())) == 0.0


def melody(seed: int = 0, n: int = 160) -> Voice:
    random = np.random.default_rng(seed)
    pitch = 60 + np.cumsum(random.integers(-4, 5, n)) % 24
    return Voice("Oboe", 68, np.arange(n), np.arange(n) * 1.0, np.full(n, 0.8), pitch)


@settings(max_examples=60, deadline=None)
@given(st.lists(st.tuples(st.integers(0, 6), st.integers(0, 6), st.integers(1, 4)), max_size=9))
def test_no_chain_is_heavier(points: list[tuple[int, int, int]]) -> None:
    x, y, weight = (np.array([p[k] for p in points], dtype=np.float64) for k in range(3))
    chain = chain_of(x, y, weight.astype(np.int64))
    assert np.all(np.diff(x[chain]) > 0)
    assert np.all(np.diff(y[chain]) > 0)
    best = 0.0
    for subset in range(1 << len(points)):
        some = [i for i in range(len(points)) if subset >> i & 1]
        some.sort(key=lambda i: x[i])
        if np.all(np.diff(x[some]) > 0) and np.all(np.diff(y[some]) > 0):
            best = max(best, float(weight[some].sum()))
    assert weight[chain].sum() == best


def test_knots_jump_where_bars_were_inserted() -> None:
    before = (melody(),)
    after = moved_from(before, 80.0, 16.0)
    a, b = [outline_of(line) for line in lines(before)], [outline_of(line) for line in lines(after)]
    knots = cue_knots(a, b, [(0, 0)])
    offset = knots[:, 1] - knots[:, 0]
    assert offset == pytest.approx(16.0 * (knots[:, 0] >= 80.0))
    left, right = foretold(np.array([10.0, 120.0]), knots)
    assert left == pytest.approx([10.0, 136.0])
    assert right == pytest.approx([10.0, 136.0])


def test_a_repeated_strain_is_not_taken_for_another() -> None:
    once = melody(n=40)
    pitch = np.tile(once.pitch, 4)
    voice = Voice("Oboe", 68, np.arange(160), np.arange(160) * 1.0, np.full(160, 0.8), pitch)
    cut = bars_cut((voice,), np.random.default_rng(2))
    a, b = [outline_of(line) for line in lines((voice,))], [outline_of(line) for line in lines(cut)]
    knots = cue_knots(a, b, [(0, 0)])
    assert len(np.unique(np.round(knots[:, 1] - knots[:, 0]))) <= 2
    assert np.all(np.diff(knots[:, 1]) > 0)


def test_repeated_notes_anchor_nothing() -> None:
    still = Voice("Timpani", 47, np.arange(50), np.arange(50) * 0.25, np.full(50, 0.2), np.full(50, 48))
    (line,) = [outline_of(line) for line in lines((still,))]
    assert len(anchors(line, line)) == 0


def test_the_median_follows_a_trend_to_its_ends() -> None:
    trend = np.arange(30.0)
    assert running_median(trend) == pytest.approx(trend)
    assert running_median(np.array([5.0])).tolist() == [5.0]
