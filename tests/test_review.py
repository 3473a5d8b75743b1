"""Each kind of finding: what is found, and what just keeps to the limits is not."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

import mido
import numpy as np
import pytest
from drawn_cues import Line, write_cue
from hypothesis import given, settings
from hypothesis import strategies as st

from phrasewright.data.reading import read_cue
from phrasewright.inference.reviewing import KINDS, review_part, written_part
from phrasewright.model.listening import hear
from phrasewright.model.review_events import turning_times
from phrasewright.model.review_flaws import Flaw, running_range
from phrasewright.model.review_movement import period

Points = Sequence[tuple[float, int]]
Rows = Sequence[tuple[int, float, float, int]]
SLOW: Rows = [(62 + (0, 2, 4, 5, 7, 5, 4, 2)[i % 8], 2.0 * i, 2.0, 70) for i in range(12)]
"""Twelve joined notes of a second each (the beat is half a second)."""
HELD: Rows = [(62, 0.0, 12.0, 70)]
"""One note of six seconds."""


def found(tmp_path: Path, notes: Rows, lanes: Mapping[int, Points], kind: str) -> list[Flaw]:
    path = write_cue(tmp_path / "cue.mid", Line("Cello", 42, notes, {cc: list(row) for cc, row in lanes.items()}))
    hearing = hear(read_cue(path))
    return review_part(written_part(hearing.cue, hearing.parts[0]), kinds=[kind])


def drawn(curve: np.ndarray, *, every: float = 0.05) -> list[tuple[float, int]]:
    """Events every `every` beats where a curve on that grid changes its whole step."""
    value = np.rint(curve).astype(int)
    new = np.r_[True, np.diff(value) != 0]
    return [(i * every, int(value[i])) for i in np.flatnonzero(new)]


def grid(beats: float, *, every: float = 0.05) -> np.ndarray:
    return np.arange(0.0, beats, every)


def living(beats: float, *, centre: float = 70.0, seed: int = 0) -> np.ndarray:
    """A curve that drifts without a period: sines of lengths that share no multiple, with a slow swell."""
    at = grid(beats)
    phase = np.random.default_rng(seed).uniform(0, 6.28, 4)
    sizes = zip((5, 4, 3, 9), (5.3, 3.1, 2.03, 19.0), phase, strict=True)
    waves = [size * np.sin(at * 2 * np.pi / length + begin) for size, length, begin in sizes]
    return np.asarray(centre + np.sum(waves, axis=0))


def dipped(curve: np.ndarray, notes: Rows, depth: float) -> np.ndarray:
    """The curve with a notch of that depth at every onset, a quarter of a beat to each side."""
    at = np.arange(len(curve)) * 0.05
    notch = np.max([np.clip(1 - np.abs(at - row[1]) / 0.25, 0, 1) for row in notes], axis=0)
    return np.asarray(curve - depth * notch)


def test_a_lane_that_moves_alone(tmp_path: Path) -> None:
    flaws = found(tmp_path, SLOW, {1: drawn(living(24)), 11: [(0, 92)]}, "one-lane")
    assert [(f.lane, f.severity) for f in flaws] == [("expression", "medium")]
    assert "stands at 92" in flaws[0].what
    assert flaws[0].end_s > 11
    undrawn = found(tmp_path, SLOW, {1: drawn(living(24))}, "one-lane")
    assert [f.lane for f in undrawn] == ["expression"]
    assert "is not drawn" in undrawn[0].what


def test_two_lanes_that_move_or_both_stand_are_no_lone_lane(tmp_path: Path) -> None:
    assert not found(tmp_path, SLOW, {1: drawn(living(24)), 11: drawn(living(24, centre=90, seed=1))}, "one-lane")
    assert not found(tmp_path, SLOW, {1: [(0, 70)], 11: [(0, 92)]}, "one-lane")


def test_a_lane_that_stands_in_a_rest_is_no_lone_lane(tmp_path: Path) -> None:
    rows = [(62 + i, 2.0 * i, 2.0, 70) for i in range(4)] + [(62 + i, 16.0 + 2.0 * i, 2.0, 70) for i in range(4)]
    bent = living(24, centre=90, seed=1)
    bent[160:340] = bent[160]  # still from beat 8 to 17, and the rest ends at 16
    assert not found(tmp_path, rows, {1: drawn(living(24)), 11: drawn(bent)}, "one-lane")


@pytest.mark.parametrize(("scale", "offset"), [(1.0, 0.0), (0.8, 30.0)])
def test_a_copy_is_one_at_any_level_and_depth(tmp_path: Path, scale: float, offset: float) -> None:
    curve = dipped(living(24), SLOW, 6)
    flaws = found(tmp_path, SLOW, {1: drawn(curve), 11: drawn(curve * scale + offset)}, "copied-lane")
    assert [f.lane for f in flaws] == ["expression"]


def test_related_lanes_are_no_copies(tmp_path: Path) -> None:
    curve, other = living(24), living(24, seed=1)
    kin = 90 + 0.6 * (curve - 70) + 0.4 * (other - 70)
    assert not found(tmp_path, SLOW, {1: drawn(curve), 11: drawn(kin)}, "copied-lane")


def test_two_plain_crescendi_are_no_copies(tmp_path: Path) -> None:
    at = grid(24)
    assert not found(tmp_path, SLOW, {1: drawn(40 + 2 * at), 11: drawn(60 + 1.6 * at)}, "copied-lane")


def test_the_same_swell_twice_is_a_copy(tmp_path: Path) -> None:
    at = grid(24)
    flaws = found(tmp_path, SLOW, {1: drawn(40 + 2 * at), 11: drawn(60 + 2 * at)}, "copied-lane")
    assert [f.lane for f in flaws] == ["expression"]


def test_a_copy_is_found_in_music_full_of_rests(tmp_path: Path) -> None:
    rows = [(62 + i % 5, 2.0 * i, 1.0, 70) for i in range(24)]
    curve = dipped(living(48), rows, 6)
    flaws = found(tmp_path, rows, {1: drawn(curve), 11: drawn(curve * 0.7 + 40)}, "copied-lane")
    assert [f.lane for f in flaws] == ["expression"]
    assert flaws[0].end_s - flaws[0].start_s > 18


def test_a_lone_lane_is_found_in_music_full_of_rests(tmp_path: Path) -> None:
    rows = [(62 + i % 5, 2.0 * i, 1.0, 70) for i in range(24)]
    flaws = found(tmp_path, rows, {1: drawn(living(48)), 11: [(0, 92)]}, "one-lane")
    assert [f.lane for f in flaws] == ["expression"]


def test_vibrato_alone_carries_no_line(tmp_path: Path) -> None:
    stands = [living(24, centre=centre, seed=seed) for centre, seed in ((70, 0), (90, 1))]
    for curve in stands:
        curve[240:] = curve[240]  # from beat 12
    lanes = {1: drawn(stands[0]), 11: drawn(stands[1]), 2: drawn(living(24, seed=2))}
    (flaw,) = (f for f in found(tmp_path, SLOW, lanes, "one-lane") if f.lane is None)
    assert "vibrato moves" in flaw.what
    assert flaw.start_s == pytest.approx(6.0, abs=1.0)


def test_a_held_note_that_stands_still(tmp_path: Path) -> None:
    curve = living(12)
    frozen = curve.copy()
    frozen[80:140] = frozen[80]  # beats 4 to 7: a second and a half
    assert not found(tmp_path, HELD, {1: drawn(frozen), 11: drawn(living(12, centre=90, seed=1))}, "flat-hold")
    frozen[80:180] = frozen[80]  # beats 4 to 9: two and a half seconds
    flaws = found(tmp_path, HELD, {1: drawn(frozen), 11: drawn(living(12, centre=90, seed=1))}, "flat-hold")
    assert [f.lane for f in flaws] == ["dynamics"]
    assert 1.5 < flaws[0].start_s <= 2.05  # a little of the way there and on belongs to it: under 4 steps
    assert 4.45 <= flaws[0].end_s < 5.0


def test_two_still_stretches_with_a_step_between_are_not_told_as_one(tmp_path: Path) -> None:
    curve = np.full(240, 60.0)
    curve[118:122] = 60, 62, 64, 66  # half-way through six seconds, in steps that are no jump
    curve[122:] = 66
    flaws = found(tmp_path, HELD, {1: drawn(curve), 11: drawn(living(12, centre=90, seed=1))}, "flat-hold")
    assert [round(f.start_s) for f in flaws] == [0, 3]
    assert all(f.end_s - f.start_s < 3.2 for f in flaws)


def test_a_still_lane_over_moving_notes_is_told_once(tmp_path: Path) -> None:
    notes = [(60 + i, 5.0 * i, 5.0, 70) for i in range(6)]
    lanes = {1: drawn(living(30)), 11: [(0.0, 92)]}
    assert [f.lane for f in found(tmp_path, notes, lanes, "one-lane")] == ["expression"]
    assert not [f for f in found(tmp_path, notes, lanes, "flat-hold") if f.lane == "expression"]


@pytest.mark.parametrize(("depth", "n"), [(0, 11), (5, 0)])
def test_joins_without_a_dip(tmp_path: Path, depth: int, n: int) -> None:
    swell = 50 + grid(24)
    lanes = {1: drawn(dipped(swell, SLOW, depth)), 11: drawn(swell + 30)}
    assert len(found(tmp_path, SLOW, lanes, "bare-join")) == n


def test_one_lane_that_dips_is_enough_for_a_join(tmp_path: Path) -> None:
    swell = 50 + grid(24)
    lanes = {1: drawn(swell), 11: drawn(dipped(swell + 30, SLOW, 5))}
    assert not found(tmp_path, SLOW, lanes, "bare-join")


def test_quick_notes_and_rests_are_no_bare_joins(tmp_path: Path) -> None:
    swell = 50 + grid(24)
    quick = [(62 + i % 5, 0.5 * i, 0.5, 70) for i in range(40)]
    apart = [(62 + i % 5, 2.0 * i, 1.4, 70) for i in range(12)]
    for notes in (quick, apart):
        assert not found(tmp_path, notes, {1: drawn(swell), 11: drawn(swell + 30)}, "bare-join")


@pytest.mark.parametrize(("depth", "n"), [(0, 11), (4, 11), (7, 0)])
def test_repeats_need_a_deeper_dip_than_joins(tmp_path: Path, depth: int, n: int) -> None:
    same = [(62, 2.0 * i, 2.0, 70) for i in range(12)]
    swell = 50 + grid(24)
    lanes = {1: drawn(dipped(swell, same, depth)), 11: drawn(swell + 30)}
    assert len(found(tmp_path, same, lanes, "bare-repeat")) == n
    assert not found(tmp_path, same, lanes, "bare-join")


def test_strokes_of_five_a_second_are_no_repeats(tmp_path: Path) -> None:
    strokes = [(62, 0.4 * i, 0.4, 70) for i in range(40)]
    swell = 50 + grid(16)
    for kind in ("bare-repeat", "retrigger"):
        assert not found(tmp_path, strokes, {1: drawn(swell), 11: drawn(swell + 30)}, kind)


def test_repeats_that_start_anew_are_one_finding_a_phrase(tmp_path: Path) -> None:
    rows = [(62, float(i), 1.0, 70) for i in range(4)] + [(62, 20.0 + i, 1.0, 70) for i in range(4)]
    flaws = found(tmp_path, rows, {}, "retrigger")
    assert [(round(f.start_s, 2), "3 times" in f.what) for f in flaws] == [(0.5, True), (10.5, True)]


@pytest.mark.parametrize(("size", "n"), [(6, 0), (7, 1), (20, 1)])
def test_a_jump_inside_a_note(tmp_path: Path, size: int, n: int) -> None:
    lanes = {1: [(0.0, 60), (6.0, 60 + size)], 11: [(0.0, 90)]}
    flaws = found(tmp_path, HELD, lanes, "jump")
    assert len(flaws) == n
    if n:
        assert flaws[0].lane == "dynamics"
        assert flaws[0].start_s == pytest.approx(3.0)
        assert f"{size} steps up" in flaws[0].what


def test_between_notes_a_lane_may_jump(tmp_path: Path) -> None:
    rows = [(62, 0.0, 2.0, 70), (64, 4.0, 2.0, 70)]
    assert not found(tmp_path, rows, {1: [(0.0, 40), (3.0, 90)], 11: [(0.0, 90)]}, "jump")


def test_a_rearticulation_may_take_larger_steps_over_three_events(tmp_path: Path) -> None:
    rows = [(62, 0.0, 4.0, 70), (62, 4.0, 4.0, 70)]
    step = 0.06
    gentle = [(0.0, 80), *[(4.05 + step * i, v) for i, v in enumerate((70, 60, 50))]]
    abrupt = [(0.0, 80), *[(4.05 + step * i, v) for i, v in enumerate((70, 60))]]
    assert not found(tmp_path, rows, {1: gentle, 11: [(0.0, 90)]}, "jump")
    assert len(found(tmp_path, rows, {1: abrupt, 11: [(0.0, 90)]}, "jump")) == 1


def test_a_lane_that_shakes(tmp_path: Path) -> None:
    shaking = [(2.0 + 0.1 * i, 60 + 5 * (i % 2)) for i in range(24)]
    flaws = found(tmp_path, HELD, {1: [(0.0, 60), *shaking], 11: [(0.0, 90)]}, "jump")
    assert [f.severity for f in flaws] == ["high"]
    assert "turns back" in flaws[0].what
    slow = [(2.0 + 0.2 * i, 60 + 5 * (i % 2)) for i in range(24)]
    assert not found(tmp_path, HELD, {1: [(0.0, 60), *slow], 11: [(0.0, 90)]}, "jump")


REST: Rows = [(62, 0.0, 4.0, 70), (64, 8.0, 4.0, 70)]


@pytest.mark.parametrize(("last_beat", "n"), [(7.7, 0), (7.9, 1), (8.0, 1)])
def test_an_entry_that_still_moves(tmp_path: Path, last_beat: float, n: int) -> None:
    lane = [(0.0, 60), (last_beat - 0.2, 64), (last_beat, 70)]
    flaws = found(tmp_path, REST, {1: lane, 11: [(0.0, 90)]}, "entry")
    assert len(flaws) == n
    assert all(f.end_s == pytest.approx(4.0) for f in flaws)


def test_a_single_step_or_a_restatement_at_an_entry_is_still(tmp_path: Path) -> None:
    lanes = {1: [(0.0, 60), (6.0, 70), (7.9, 71)], 11: [(0.0, 90), (7.9, 90)]}
    assert not found(tmp_path, REST, lanes, "entry")


@pytest.mark.parametrize(("last", "n"), [(60, 0), (50, 1)])
def test_a_lane_left_behind(tmp_path: Path, last: int, n: int) -> None:
    flaws = found(tmp_path, HELD, {1: [(0.0, 60), (6.0, 66), (14.0, last)], 11: [(0.0, 90)]}, "stuck")
    assert [f.lane for f in flaws] == ["dynamics"] * n


def test_a_lane_without_a_start_value(tmp_path: Path) -> None:
    flaws = found(tmp_path, HELD, {1: [(1.0, 60)], 11: [(0.0, 90)]}, "no-start")
    assert [(f.lane, f.severity) for f in flaws] == [("dynamics", "high")]
    assert "0.5 s after" in flaws[0].what


def test_a_part_without_lanes_is_one_finding(tmp_path: Path) -> None:
    assert [(f.kind, f.lane) for f in found(tmp_path, HELD, {}, "no-start")] == [("no-start", None)]


@pytest.mark.parametrize(("each_s", "n"), [(1 / 60, 0), (1 / 64, 1)])
def test_too_many_events(tmp_path: Path, each_s: float, n: int) -> None:
    many = [(2.0 + 2.0 * each_s * i, 60 + i % 3) for i in range(130)]
    assert len(found(tmp_path, HELD, {1: [(0.0, 60), *many], 11: [(0.0, 90)]}, "dense")) == n


@pytest.mark.parametrize(("beats", "told"), [(1.66, "every 0.8 s"), (2.0, "with the beat")])
def test_a_held_note_that_goes_like_clockwork(tmp_path: Path, beats: float, told: str) -> None:
    clockwork = 70 + 6 * np.sin(grid(12) * 2 * np.pi / beats) + 0.5 * grid(12)
    flaws = found(tmp_path, HELD, {1: drawn(clockwork), 11: drawn(living(12, centre=90))}, "machine")
    assert [f.lane for f in flaws] == ["dynamics"]
    assert told in flaws[0].what


def test_the_beat_is_followed_through_a_ritardando(tmp_path: Path) -> None:
    at = grid(12)
    beating = write_cue(tmp_path / "cue.mid", Line("Cello", 42, HELD, {1: drawn(70 + 6 * np.sin(at * 2 * np.pi))}))
    slowing = mido.MidiFile(beating)
    head = slowing.tracks[0]
    head[:] = [m for m in head if m.type not in ("set_tempo", "end_of_track")]
    head += [mido.MetaMessage("set_tempo", tempo=500_000 + 60_000 * i, time=480 * bool(i)) for i in range(12)]
    slowing.save(beating)
    hearing = hear(read_cue(beating))
    flaws = review_part(written_part(hearing.cue, hearing.parts[0]), kinds=["machine"])
    assert [f.lane for f in flaws] == ["dynamics"]
    assert "with the beat" in flaws[0].what


def test_a_swell_and_a_drift_are_no_machine(tmp_path: Path) -> None:
    swell = 50 + 40 * np.sin(grid(12) * np.pi / 12)
    assert not found(tmp_path, HELD, {1: drawn(swell), 11: drawn(living(12, centre=90, seed=3))}, "machine")


@pytest.mark.parametrize("kind", KINDS)
def test_no_kind_minds_a_part_of_one_short_note(tmp_path: Path, kind: str) -> None:
    assert found(tmp_path, [(62, 0.0, 0.5, 70)], {1: [(0.0, 60)], 11: [(0.0, 90)]}, kind) == []


@settings(max_examples=60, deadline=None)
@given(st.lists(st.integers(0, 127), min_size=1, max_size=60), st.integers(1, 20))
def test_running_ranges_are_those_of_each_window(values: list[int], size: int) -> None:
    x = np.array(values, dtype=np.float64)
    assert running_range(x, size).tolist() == [np.ptp(x[i : i + size]) for i in range(len(x) - size + 1)]


@given(st.floats(0.55, 1.2), st.floats(0.0, 6.28))
def test_a_sine_is_found_with_its_period(length_s: float, phase: float) -> None:
    at_s = np.arange(0, 8, 0.02)
    answer = period(5 * np.sin(at_s * 2 * np.pi / length_s + phase), step_s=0.02)
    assert answer is not None
    assert answer[0] == pytest.approx(length_s, rel=0.05)


def test_turns_of_more_than_four_steps() -> None:
    value = np.array([60, 64, 60, 65, 60, 66, 80, 70], dtype=np.float64)
    assert turning_times(np.arange(8.0), value).tolist() == [3.0, 4.0, 6.0]
