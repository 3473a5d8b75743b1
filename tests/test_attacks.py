"""Attacks: what starts together, and over what."""

from __future__ import annotations

from pathlib import Path

import pytest
from heard_cues import Voice, hear_voices, line

from phrasewright.model.hearing import Attacks


def attacks_of(folder: Path, rows: list[tuple[int, float, float, int]], bpm: float = 60.0) -> Attacks:
    return hear_voices(folder, Voice("Violins", rows), bpm=bpm).parts[0].attacks


def test_a_rolled_chord_is_one_attack(tmp_path: Path) -> None:
    attacks = attacks_of(tmp_path, [(60, 0, 2, 60), (64, 0.015, 2, 64), (67, 0.03, 2, 70), (72, 2.5, 1, 70)])
    assert attacks.n_attacks == 2
    assert (attacks.pitch[0], attacks.low_pitch[0], attacks.n_notes[0], attacks.velocity[0]) == (67, 60, 3, 70)
    assert (attacks.first_note[0], attacks.last_note[0]) == (0, 2)


def test_a_legato_line_renews_everything(tmp_path: Path) -> None:
    attacks = attacks_of(tmp_path, [(60, 0, 1.1, 70), (62, 1, 1.1, 70), (64, 2, 1, 70)])
    assert attacks.renewed.tolist() == [1, 1, 1]
    assert attacks.joined.tolist() == [False, True, True]


def test_half_is_renewed_where_one_of_two_notes_is_held(tmp_path: Path) -> None:
    attacks = attacks_of(tmp_path, [(48, 0, 4, 70), *line((60, 1), (62, 1), (64, 1), (65, 1))])
    assert attacks.renewed.tolist() == [1, 0.5, 0.5, 0.5]
    assert attacks.n_sounding.tolist() == [2, 2, 2, 2]


def test_chords_that_change_in_all_notes_are_fully_renewed(tmp_path: Path) -> None:
    attacks = attacks_of(tmp_path, line(((60, 64, 67), 2), ((59, 62, 67), 2)))
    assert attacks.renewed.tolist() == [1, 1]
    assert attacks.joined[1]


@pytest.mark.parametrize(("second", "repeated"), [((60, 64), True), ((60, 65), False)])
def test_a_chord_repeats_only_if_all_its_notes_do(tmp_path: Path, second: tuple[int, int], repeated: bool) -> None:
    attacks = attacks_of(tmp_path, line(((60, 64), 1), (second, 1)))
    assert bool(attacks.repeated[1]) is repeated


def test_a_repeat_over_a_held_note_is_a_repeat(tmp_path: Path) -> None:
    attacks = attacks_of(tmp_path, [(48, 0, 3, 70), *line((67, 1), (67, 1), (69, 1))])
    assert attacks.repeated.tolist() == [False, True, False]


def test_rests_are_counted_from_the_last_sound(tmp_path: Path) -> None:
    attacks = attacks_of(tmp_path, [(60, 1, 1, 70), (62, 2.5, 1, 70), (64, 3.5, 1, 70)])
    assert attacks.rest_before_s.tolist() == [1.0, 0.5, 0.0]
    assert attacks.end_s.tolist() == [2.0, 3.5, 4.5]
