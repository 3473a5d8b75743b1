"""Parts side by side: what overlaps, what moves together, what doubles."""

from __future__ import annotations

from pathlib import Path

import pytest
from heard_cues import Row, Voice, hear_voices, line

from phrasewright.model.stretches import Pairs, Stretches, pairs_of, stretches_of

SCALE = line(*((60 + step, 1.0) for step in (0, 2, 4, 5, 7, 9, 11, 12)))


def measured(folder: Path, *rows: list[Row]) -> tuple[Stretches, Pairs]:
    heard = hear_voices(folder, *(Voice("Cello", r) for r in rows)).parts
    parts = [(part.attacks, part.phrases) for part in heard]
    stretches = stretches_of(parts)
    return stretches, pairs_of(stretches, parts)


def test_octaves_double_and_thirds_do_not(tmp_path: Path) -> None:
    third = [(pitch + 4, *rest) for pitch, *rest in SCALE]
    octave = [(pitch - 12, *rest) for pitch, *rest in SCALE]
    _, pairs = measured(tmp_path, SCALE, third, octave)
    doubled = {(int(a), int(b)) for a, b, d in zip(pairs.one, pairs.other, pairs.doubling, strict=True) if d}
    assert doubled == {(0, 2), (2, 0)}
    assert pairs.together == pytest.approx([1.0] * 6)


def test_half_the_attacks_are_together_where_one_moves_twice_as_fast(tmp_path: Path) -> None:
    fast = line(*((60 + step, 0.5) for step in range(16)))
    _, pairs = measured(tmp_path, SCALE, fast)
    assert pairs.together == pytest.approx([0.5, 0.5])
    assert pairs.overlap_s == pytest.approx([4.0, 4.0])


def test_lines_that_do_not_meet_are_no_pair(tmp_path: Path) -> None:
    later = [(pitch, at + 40.0, *rest) for pitch, at, *rest in SCALE]
    _, pairs = measured(tmp_path, SCALE, later)
    assert len(pairs.one) == 0


def test_what_a_stretch_plays(tmp_path: Path) -> None:
    repeated = line(*((60, 0.5),) * 16)
    stretches, _ = measured(tmp_path, SCALE, repeated)
    assert stretches.n_attacks.tolist() == [8, 16]
    assert stretches.variety == pytest.approx([1.0, 1 / 6])
    assert stretches.singing[0] == 1.0 > 0.2 > stretches.singing[1]
    assert stretches.rate == pytest.approx([2.0, 4.0])
    assert stretches.n_classes.tolist() == [7, 1]
