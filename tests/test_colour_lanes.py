"""The bow goes toward the bridge with dynamics, attacks are hard where a player would begin hard."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from lane_checks import lane_of
from shaped_cues import note, program, track, write

from phrasewright.data.profiles import read_profile
from phrasewright.data.reading import read_cue
from phrasewright.inference.shaping import ShapeOptions, shape_cue
from phrasewright.model.colour_lanes import bow_cc
from phrasewright.model.hearing import CueHearing
from phrasewright.model.lanes import n_frames_for
from phrasewright.model.listening import hear

BEAT = 480
PROFILE = '["Violin*"]\nlanes.bow = 20\nlanes.attack = 21\n'


def violin(folder: Path, rows: list[tuple[float, float, int, int]], *, text: str = PROFILE) -> tuple[Path, Path]:
    """A solo violin at 120 quarter notes a minute; notes as (beat, beats, pitch, velocity)."""
    events = [program(0, 40)]
    for at, beats, pitch, velocity in rows:
        events += note(round(at * BEAT), round(beats * BEAT), pitch, velocity=velocity)
    profile = folder / "mine.toml"
    profile.write_text(text, encoding="utf-8")
    return write(folder / "cue.mid", track("Violin", events)), profile


def heard_of(path: Path, profile: Path) -> CueHearing:
    return hear(read_cue(path, profile=read_profile(profile)))


def values_at(path: Path, profile: Path, times_s: list[float], *, cc: int, **choices: object) -> list[int]:
    options = ShapeOptions(baseline=True, profile=profile, **choices)  # type: ignore[arg-type]
    content = shape_cue(path, options).content
    cue = read_cue(path, profile=read_profile(profile))
    lane = lane_of(content, cue, cue.parts[0], cc)
    return [int(v) for v in lane.value_cc[np.searchsorted(lane.time_s, times_s, side="right") - 1]]


LINE = [(4 + 2 * i, 2.0, pitch, 70) for i, pitch in enumerate((67, 69, 69, 69, 71, 72))] + [
    (18, 2.0, 67, 70), (20, 2.0, 71, 70), (22, 2.0, 69, 124), (24, 2.0, 67, 70),
]  # fmt: skip


def attack_values(folder: Path, **choices: object) -> dict[str, int]:
    path, profile = violin(folder, LINE)
    at = {
        "opening": 2.0, "joined": 3.0, "repeat": 4.0, "second repeat": 5.0, "entry": 9.0, "accent": 11.0, "after": 12.0,
    }  # fmt: skip
    found = values_at(path, profile, [s + 0.001 for s in at.values()], cc=21, **choices)
    return dict(zip(at, found, strict=True))


def test_attacks_are_hard_at_openings_accents_and_repeats_only(tmp_path: Path) -> None:
    value = attack_values(tmp_path)
    for hard in ("opening", "repeat", "second repeat", "entry", "accent"):
        assert value[hard] > 75
    for soft in ("joined", "after"):
        assert value[soft] < 45
    assert value["accent"] > value["opening"]


def test_an_attack_is_there_when_the_key_goes_down(tmp_path: Path) -> None:
    """Also where the instrument is heard much later: what it looks at is the note-on."""
    path, profile = violin(tmp_path, LINE)
    late = tmp_path / "late.toml"
    late.write_text(PROFILE + "first_delay_s = 0.2\nlegato_delay_s = 0.2\n", encoding="utf-8")
    times = [4.0 - 0.02, 4.0, 5.0, 11.0]
    for table in (profile, late):
        assert min(values_at(path, table, times, cc=21)) > 75


def test_accents_scale_with_the_plan(tmp_path: Path) -> None:
    found = {}
    for level in ("p", "mf", "ff"):
        plan = tmp_path / f"{level}.csv"
        plan.write_text(f"bar,level,parts,ramp\n1,{level},,\n", encoding="utf-8")
        found[level] = attack_values(tmp_path, plan=plan)
    assert found["p"]["accent"] + 8 < found["mf"]["accent"] < found["ff"]["accent"] - 5


def test_the_bow_goes_toward_the_bridge_with_dynamics(tmp_path: Path) -> None:
    found = {}
    path, profile = violin(tmp_path, [(4 + 2 * i, 2.0, 67 + i, 70) for i in range(6)])
    for level in ("pp", "mf", "ff"):
        plan = tmp_path / f"{level}.csv"
        plan.write_text(f"bar,level,parts,ramp\n1,{level},,\n", encoding="utf-8")
        found[level] = np.mean(values_at(path, profile, np.arange(2.5, 7.5, 0.1).tolist(), cc=20, plan=plan))
    assert found["pp"] + 20 < found["mf"] < found["ff"] - 15


def test_the_bow_goes_toward_the_fingerboard_in_soft_high_passages(tmp_path: Path) -> None:
    def mean_bow(pitch: int, level_cc: float) -> float:
        hearing = heard_of(*violin(tmp_path, [(4 + i, 1.0, pitch + i % 3, 70) for i in range(12)]))
        n_frames = n_frames_for(8.0)
        return float(bow_cc(hearing, 0, np.full(n_frames, level_cc))[300:700].mean())

    low, high = 62, 96
    assert mean_bow(high, 44.0) < mean_bow(low, 44.0) - 15
    assert mean_bow(high, 95.0) == pytest.approx(mean_bow(low, 95.0), abs=1.0)
    assert mean_bow(high, 44.0) < 30


def test_the_bow_is_slower_than_dynamics(tmp_path: Path) -> None:
    hearing = heard_of(*violin(tmp_path, [(4 + i, 1.0, 67 + i % 3, 70) for i in range(12)]))
    n_frames = n_frames_for(8.0)
    time_s = np.arange(n_frames) * 0.01
    quick = 72.0 + 10.0 * np.sin(2 * np.pi * 4.0 * time_s)
    slow = 72.0 + 10.0 * np.sin(2 * np.pi * 0.2 * time_s)
    sounding = slice(250, 750)
    assert np.ptp(bow_cc(hearing, 0, quick)[sounding]) < 4
    assert np.ptp(bow_cc(hearing, 0, slow)[sounding]) > 8


def test_colour_lanes_keep_to_a_profiled_range(tmp_path: Path) -> None:
    path, profile = violin(tmp_path, LINE, text=PROFILE + "range.attack = [20, 64]\nrange.bow = [40, 90]\n")
    for cc, low, high, least in ((21, 20, 64, 25), (20, 40, 90, 6)):
        found = values_at(path, profile, np.arange(0.0, 13.0, 0.01).tolist(), cc=cc)
        assert low <= min(found)
        assert max(found) <= high
        assert max(found) - min(found) > least


def test_a_bow_beside_drawn_dynamics_follows_what_was_drawn(tmp_path: Path) -> None:
    """Not the prediction that was not written: where the hand swells, the bow goes to the bridge."""
    events = [program(0, 40), *(e for i in range(8) for e in note((4 + 2 * i) * BEAT, 2 * BEAT, 67 + i % 4))]
    hand = [0.0, 1.0, 0.1, 1.0]
    drawn = [
        ((4 + 4 * i) * BEAT + k * 40, bytes((0xB0, 1, round(40 + 60 * (a + (b - a) * k / 47)))))
        for i, (a, b) in enumerate(zip(hand, [*hand[1:], 0.0], strict=True)) for k in range(48)
    ]  # fmt: skip
    profile = tmp_path / "mine.toml"
    profile.write_text(PROFILE, encoding="utf-8")
    path = write(tmp_path / "cue.mid", track("Violin", [*events, *drawn]))
    times = np.arange(2.2, 9.8, 0.1).tolist()
    by_hand, bow = (values_at(path, profile, times, cc=cc) for cc in (1, 20))
    assert np.corrcoef(by_hand, bow)[0, 1] > 0.7
