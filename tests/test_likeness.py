"""Cues are told apart by their notes, and recognised through what is done to them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from mangler import EDITS, Song, Voice, lines

from phrasewright.data.likeness import SKETCH_SIZE, alike, attack_tops, sketch


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
