"""Profiled instruments from file to file, as delivered: slow samples, notes pulled ahead, other controllers."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner, Result
from lane_checks import all_faults, lane_of
from learned_cues import draw, hand_cc, write_cue
from shaped_cues import control, line, note, orchestra, program, track, write

from phrasewright.data.corrections import Correction, LoggedCorrection
from phrasewright.data.cue import Cue
from phrasewright.data.curves import Curve
from phrasewright.data.demo_cues import write_demo
from phrasewright.data.profiles import read_profile
from phrasewright.data.reading import read_cue
from phrasewright.inference import cli
from phrasewright.inference.shaping import ShapeOptions, shape_cue
from phrasewright.model.events import gesture_spans
from phrasewright.model.hearing import CueHearing
from phrasewright.model.lanes import dynamics_to_db, expression_to_db
from phrasewright.model.listening import hear
from phrasewright.model.rules import rules_lanes
from phrasewright.training.corrections import corrections_of
from phrasewright.training.personal_examples import examples_of

BEAT = 480
WHOLE = """
["*"]
lanes.bow = 20
lanes.attack = 21
first_delay_s = {first}
legato_delay_s = {legato}
short_delay_s = 0.03
notes_advanced = {advanced}
response.dynamics = {dynamics}
response.expression = [[0, -60], [64, -20], [127, 0]]
"""


def run(*arguments: object) -> Result:
    return CliRunner().invoke(cli.main, [str(a) for a in arguments])


def profile_file(folder: Path, text: str) -> Path:
    path = folder / "mine.toml"
    path.write_text(text, encoding="utf-8")
    return path


def shaped(path: Path, profile: Path | None = None, **choices: object) -> tuple[Cue, bytes]:
    """The cue as its profile reads it, and the file shaped by the rules."""
    content = shape_cue(path, ShapeOptions(baseline=True, profile=profile, **choices)).content  # type: ignore[arg-type]
    return read_cue(path, profile=read_profile(profile) if profile else None), content


@pytest.mark.parametrize(
    ("first", "legato", "advanced", "dynamics"),
    [
        (0.2, 0.12, "false", "[[1, -36], [64, -14], [127, 0]]"),
        (0.2, 0.12, "true", "[[0, -9], [127, 0]]"),
        (0.7, 0.5, "false", "[[0, -90], [127, 0]]"),
        (0.7, 0.5, "true", "[[0, -24], [127, 0]]"),
        (-0.1, -0.05, "false", "[[0, -40], [30, -39], [127, 0]]"),
    ],
    ids=["late", "pulled ahead", "later than notes and rests are long", "pulled far ahead", "early"],
)
def test_lanes_of_profiled_instruments_keep_to_what_every_lane_keeps_to(
    tmp_path: Path, first: float, legato: float, advanced: str, dynamics: str
) -> None:
    """Entries stand still from 100 ms ahead to the note-on, tails return once, steps stay small."""
    path = orchestra(tmp_path / "cue.mid")
    profile = profile_file(tmp_path, WHOLE.format(first=first, legato=legato, advanced=advanced, dynamics=dynamics))
    cue, content = shaped(path, profile)
    for heard in hear(cue).parts:
        part = cue.parts[heard.part.index - 1]
        if part.shaped:
            assert set(part.lane_cc) >= {"dynamics", "expression", "bow", "attack"}
            assert all_faults(content, cue, part, gesture_spans(heard)) == []


LEGATO = [(4 + i, 1, 62 + 2 * (i % 3)) for i in range(8)]


def one_line(folder: Path, notes: list[tuple[float, float, int]] | None = None, name: str = "Violins I") -> Path:
    """Joined crotchets at 120 a minute after an empty bar."""
    rows = LEGATO if notes is None else notes
    events = [e for at, beats, pitch in rows for e in note(round(at * BEAT), round(beats * BEAT), pitch)]
    return write(folder / "line.mid", track(name, [program(0, 48), *events]))


def dips_s(cue: Cue, content: bytes, around_s: np.ndarray, *, cc: int = 11) -> np.ndarray:
    """Where the lane is lowest within 0.3 s of each time."""
    lane = lane_of(content, cue, cue.parts[0], cc)
    found = []
    for at_s in around_s.tolist():
        grid_s = np.arange(at_s - 0.3, at_s + 0.3, 0.005)
        i = np.searchsorted(lane.time_s, grid_s, side="right") - 1
        value = lane.value_cc[i].astype(float)
        lowest = grid_s[value <= value.min()]
        found.append(float(lowest.mean()))
    return np.array(found)


def test_joins_dip_where_late_notes_are_heard(tmp_path: Path) -> None:
    path = one_line(tmp_path)
    profile = profile_file(tmp_path, '["violin*"]\nfirst_delay_s = 0.2\nlegato_delay_s = 0.12\n')
    on_s = np.array([at / 2 for at, _, _ in LEGATO[1:]], dtype=np.float64)
    plain, late = (dips_s(*shaped(path, p), on_s) - on_s for p in (None, profile))
    assert np.median(late - plain) == pytest.approx(0.12, abs=0.02)


def test_a_delay_leaves_the_entry_at_the_note_on(tmp_path: Path) -> None:
    """The value a part enters with is there 100 ms before the key goes down, and stays until it sounds."""
    path = one_line(tmp_path, [(4, 2, 60), (8, 2, 64), (12, 4, 65)])
    profile = profile_file(tmp_path, '["*"]\nfirst_delay_s = 0.25\n')
    cue, content = shaped(path, profile)
    for cc in (1, 11):
        lane = lane_of(content, cue, cue.parts[0], cc)
        for on_s in (2.0, 4.0, 6.0):
            still = (lane.time_s > on_s - 0.1 + 1e-6) & (lane.time_s < on_s + 0.24)
            assert not np.any(still)
            assert np.any((lane.time_s > on_s + 0.24) & (lane.time_s < on_s + 1.0)), "then it moves"


def test_notes_pulled_ahead_are_phrased_as_on_the_bars(tmp_path: Path) -> None:
    """The demo cue with every note 0.12 s early: phrases, accents and roles are those of the cue on the bars."""
    write_demo("storm-over-the-rocks", tmp_path / "plain.mid")
    write_demo("storm-split-and-early", tmp_path / "early.mid")
    delays = "first_delay_s = 0.12\nlegato_delay_s = 0.12\nshort_delay_s = 0.12\nnotes_advanced = true\n"
    profile = read_profile(profile_file(tmp_path, f'["*"]\n{delays}'))
    plain = {p.part.name: p for p in hear(read_cue(tmp_path / "plain.mid")).parts}
    shared: dict[str, list[float]] = {"early": [], "told": []}
    for label, given in (("early", None), ("told", profile)):
        for heard in hear(read_cue(tmp_path / "early.mid", profile=given)).parts:
            own = plain.get(heard.part.name)
            if own is not None:
                here, there = ({p.first_note for p in h.phrases} for h in (heard, own))
                shared[label].append(len(here & there) / len(here | there))
    assert np.mean(shared["told"]) > 0.93
    assert np.mean(shared["told"]) > np.mean(shared["early"]) + 0.05


def test_two_parts_agree_where_they_sound_not_where_keys_go_down(tmp_path: Path) -> None:
    """Violins pulled ahead by their delay beside a flute on the bars: one attack, not two."""
    early = round(0.15 * 2 * BEAT)
    violins = [program(0, 48)]
    flute = [program(0, 73, channel=1)]
    for i in range(8):
        violins += note((8 + 2 * i) * BEAT - early, 2 * BEAT, 72 + i % 3)
        flute += note((8 + 2 * i) * BEAT, 2 * BEAT, 84 + i % 3, channel=1)
    path = write(tmp_path / "two.mid", track("Violins I", violins), track("Flute", flute))
    delays = "first_delay_s = 0.15\nlegato_delay_s = 0.15\nnotes_advanced = true\n"
    profile = profile_file(tmp_path, f'["Violins*"]\n{delays}')
    heard = hear(read_cue(path, profile=read_profile(profile))).parts
    assert heard[0].attacks.onset_s == pytest.approx(heard[1].attacks.onset_s, abs=1e-3)
    assert heard[0].attacks.onset_beat == pytest.approx(np.round(heard[0].attacks.onset_beat), abs=1e-6)
    cue, content = shaped(path, profile)
    dips = dips_s(cue, content, heard[1].attacks.onset_s[1:])
    assert np.median(np.abs(dips - heard[1].attacks.onset_s[1:])) < 0.06


# --- responses -------------------------------------------------------------------------------------------


def mean_cc(cue: Cue, content: bytes, cc: int, part: int = 0) -> float:
    lane = lane_of(content, cue, cue.parts[part], cc)
    notes = cue.parts[part].notes
    grid_s = np.arange(float(notes.onset_s[0]), float(notes.offset_s[-1]), 0.01)
    return float(lane.value_cc[np.searchsorted(lane.time_s, grid_s, side="right") - 1].mean())


@pytest.mark.parametrize("level", ["p", "mf", "f"])
@pytest.mark.parametrize(
    "pairs", [[[0, -60], [127, 0]], [[1, -40], [40, -30], [90, -6], [127, 0]], [[0, -12], [127, 0]]]
)
def test_a_planned_level_comes_out_level(tmp_path: Path, level: str, pairs: list[list[int]]) -> None:
    path = one_line(tmp_path)
    plan = tmp_path / "plan.csv"
    plan.write_text(f"bar,level,parts,ramp\n1,{level},,\n", encoding="utf-8")
    profile = profile_file(tmp_path, f'["Violin*"]\nresponse.dynamics = {pairs}\n')
    cue, usual = shaped(path, plan=plan)
    _, own = shaped(path, profile, plan=plan)
    step, db = np.array(pairs, dtype=float).T
    want = dynamics_to_db(mean_cc(cue, usual, 1)) + expression_to_db(mean_cc(cue, usual, 11))
    comes = np.interp(mean_cc(cue, own, 1), step, db) + expression_to_db(mean_cc(cue, own, 11))
    assert comes == pytest.approx(want, abs=1.2)


def test_a_response_that_falls_stops_everything(tmp_path: Path) -> None:
    path = one_line(tmp_path)
    profile = profile_file(tmp_path, '["*"]\nresponse.dynamics = [[0, -20], [64, -30], [127, 0]]\n')
    for arguments in (
        ("shape", path, "-o", tmp_path / "out.mid", "--no-record"), ("explain", path), ("review", path),
        ("compare", path, path), ("picture", path, "-o", tmp_path / "out.svg"),
    ):  # fmt: skip
        result = run(*arguments, "--profile", profile)
        assert result.exit_code == 1
        assert "falls from -20 dB at 0 to -30 dB at 64" in result.stderr
    assert not (tmp_path / "out.mid").exists()


# --- controllers -----------------------------------------------------------------------------------------


def test_breath_as_dynamics_by_profile(tmp_path: Path) -> None:
    """A wind instrument whose dynamics are on controller 2: no vibrato is written there, what is drawn is kept."""
    notes = [e for i in range(16) for e in note((4 + i) * BEAT, BEAT, 72 + (i % 5))]
    drawn = [control(4 * BEAT + 60 * i, 2, 40 + (i * 7) % 40) for i in range(60)]
    path = write(tmp_path / "cue.mid", track("Oboe", [program(0, 68), *notes, *drawn]))
    profile = profile_file(tmp_path, "[oboe]\nlanes.dynamics = 2\nfirst_delay_s = 0.05\n")
    told = shape_cue(path, ShapeOptions(baseline=True, profile=profile)).summary["parts"][0]
    assert {lane: row["cc"] for lane, row in told["lanes"].items()} == {"dynamics": 2, "expression": 11}
    assert told["lanes"]["dynamics"]["kept"]


def test_a_profile_of_other_lanes_leaves_breath_as_dynamics(tmp_path: Path) -> None:
    """What is drawn on controller 2 alone is dynamics, also where the profile only adds an attack lane."""
    notes = [e for i in range(16) for e in note((4 + i) * BEAT, BEAT, 72 + (i % 5))]
    drawn = [control(4 * BEAT + 60 * i, 2, 40 + (i * 7) % 40) for i in range(60)]
    path = write(tmp_path / "cue.mid", track("Flute", [program(0, 73), *notes, *drawn]))
    profile = profile_file(tmp_path, "[flute]\nlanes.attack = 30\nlegato_delay_s = 0.1\n")
    told = shape_cue(path, ShapeOptions(baseline=True, profile=profile)).summary["parts"][0]
    assert {lane: row["cc"] for lane, row in told["lanes"].items()} == {"dynamics": 2, "expression": 11, "attack": 30}
    assert told["lanes"]["dynamics"]["kept"]


def test_a_pattern_holds_for_its_parts_only(tmp_path: Path) -> None:
    path = orchestra(tmp_path / "cue.mid")
    profile = profile_file(tmp_path, '["violin*"]\nlanes.bow = 20\nlanes.attack = 21\n[horn]\nlanes.attack = 30\n')
    summary = shape_cue(path, ShapeOptions(baseline=True, profile=profile)).summary
    told = {p["name"]: p["lanes"] for p in summary["parts"]}
    assert list(told["Violins I"]) == ["dynamics", "expression", "vibrato", "bow", "attack"]
    assert told["Horn"]["attack"]["cc"] == 30
    assert "attack" not in told["Oboe"]


def test_the_fourth_lane_can_be_chosen_alone_and_is_kept_when_drawn(tmp_path: Path) -> None:
    events = [program(0, 48), *line(BEAT)]
    events += [control(60 * i, 20, 30 + (i * 5) % 50) for i in range(100)]
    path = write(tmp_path / "cue.mid", track("Violins I", events))
    profile = profile_file(tmp_path, '["Violins*"]\nlanes.bow = 20\nlanes.attack = 21\n')
    result = run("shape", path, "-o", tmp_path / "out.mid", "--profile", profile, "--baseline", "--no-record",
                 "--lanes", "bow,attack", "--json")  # fmt: skip
    lanes = json.loads(result.stdout)["cues"][0]["parts"][0]["lanes"]
    assert set(lanes) == {"bow", "attack"}
    assert lanes["bow"]["kept"]
    first, last = lanes["bow"]["kept"][0]
    cue = read_cue(path, profile=read_profile(profile))
    rows = []
    for file in (path, tmp_path / "out.mid"):
        lane = lane_of(file.read_bytes(), cue, cue.parts[0], 20)
        inside = (lane.time_s >= first) & (lane.time_s < last)
        rows.append((lane.tick[inside].tolist(), lane.value_cc[inside].tolist()))
    assert rows[0] == rows[1]
    replaced = shape_cue(path, ShapeOptions(baseline=True, profile=profile, existing="replace")).summary["parts"][0]
    assert replaced["lanes"]["bow"]["kept"] == []


ELSEWHERE = '["*"]\nlanes.dynamics = 21\nlanes.expression = 23\nlanes.vibrato = 22\n'


def test_lanes_drawn_again_on_another_controller_are_corrections(tmp_path: Path) -> None:
    cue = write_cue(tmp_path / "cue.mid", seed=3)
    (tmp_path / "shaped.mid").write_bytes(shaped(cue)[1])
    corrected = draw(cue, tmp_path / "corrected.mid", lanes=(21, 23, 22), controllers=(21, 23, 22))
    profile = read_profile(profile_file(tmp_path, ELSEWHERE))
    first = read_cue(tmp_path / "shaped.mid")
    found = corrections_of(read_cue(corrected, profile=profile), store=None, shaped=first).corrections
    n_phrases = sum(len(heard.phrases) for heard in hear(read_cue(cue)).parts)
    for lane in ("dynamics", "expression", "vibrato"):
        own = [c for c in found if c.lane == lane and c.kind == "changed"]
        assert len(own) > 0.8 * n_phrases
        assert all(c.predicted is not None for c in own), "the first pass stands on the usual controller"
    unread = corrections_of(read_cue(corrected), store=None, shaped=first)
    assert not unread.corrections, "without the profile nothing is drawn"


@pytest.mark.slow
def test_lanes_drawn_again_on_another_controller_are_learned_by_profile(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("PHRASEWRIGHT_HOME", str(tmp_path / "home"))
    cue = write_cue(tmp_path / "cue.mid", seed=3)
    assert run("shape", cue, "-o", tmp_path / "shaped.mid", "--baseline").exit_code == 0
    corrected = draw(cue, tmp_path / "corrected.mid", lanes=(21, 23, 22), controllers=(21, 23, 22))
    profile = profile_file(tmp_path, ELSEWHERE)
    told = json.loads(run("learn", "my-hand", corrected, "--profile", profile, "--json").stdout)
    assert told["used"]
    assert told["music_s"] > 20.0
    assert told["held_out"]["after"] < told["held_out"]["before"]


def test_a_picture_shows_the_fourth_lane(tmp_path: Path) -> None:
    path = one_line(tmp_path)
    profile = profile_file(tmp_path, '["Violins*"]\nlanes.bow = 20\n')
    _, content = shaped(path, profile)
    (tmp_path / "shaped.mid").write_bytes(content)
    out = tmp_path / "line.svg"
    assert run("picture", tmp_path / "shaped.mid", "-o", out, "--profile", profile).exit_code == 0
    assert "bow" in out.read_text(encoding="utf-8")


SLOW_AND_STEEP = '["*"]\nfirst_delay_s = 0.15\nlegato_delay_s = 0.15\nresponse.dynamics = [[0, -60], [127, 0]]\n'


def on_slow_and_steep(hearing: CueHearing, index: int) -> np.ndarray:
    """What `hand_cc` has to draw on that instrument: .15 s later, and where its levels are; shape (n_frames, 3)."""
    own = hand_cc(hearing, index)
    late = np.vstack([np.repeat(own[:1], 15, axis=0), own[:-15]])
    late[:, 0] = 127.0 + dynamics_to_db(late[:, 0]) * 127.0 / 60.0
    return late


def test_examples_of_a_slow_and_steep_instrument_are_those_of_any(tmp_path: Path) -> None:
    """What a hand drew late and on other values teaches what it would have drawn at once and on the usual ones."""
    cue = write_cue(tmp_path / "cue.mid", seed=3)
    profile = read_profile(profile_file(tmp_path, SLOW_AND_STEEP))
    found = []
    for given in (None, profile):
        hearing = hear(read_cue(cue, profile=given))
        own = hand_cc(hearing, 0) if given is None else on_slow_and_steep(hearing, 0)
        phrase = hearing.parts[0].phrases[1]
        left = Curve(np.arange(len(own)) * 0.01, own[:, 0])
        drawn = Correction(1, "Violin", "dynamics", 1, phrase.start_s, phrase.end_s, "drawn", 1.0, None, left)
        logged = LoggedCorrection(1, 1, "hand", 1, "cue", "file", "rules", "1", "", drawn)
        found.append(examples_of([logged], {1: hearing}, shipped=rules_lanes)[0])
    same, at, also_at = np.intersect1d(found[0].frame, found[1].frame, return_indices=True)
    assert len(same) > 50
    inside = slice(3, -25)  # the last tenths of a line end with its key, late or not
    apart = found[1].target_cc[also_at, 0][inside] - found[0].target_cc[at, 0][inside]
    assert np.abs(apart).mean() < 1.0


@pytest.mark.slow
def test_a_hand_on_a_slow_and_steep_instrument_is_learned_as_on_any(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Drawn late and on other values, as the instrument asks: the style is the one learned without a profile."""
    monkeypatch.setenv("PHRASEWRIGHT_HOME", str(tmp_path / "home"))
    cue = write_cue(tmp_path / "cue.mid", seed=3)
    profile = profile_file(tmp_path, SLOW_AND_STEEP)
    plain = draw(cue, tmp_path / "plain.mid")
    profiled = draw(cue, tmp_path / "profiled.mid", hand=on_slow_and_steep)
    told = [
        json.loads(run("learn", name, file, "--json", *options).stdout)
        for name, file, options in (("plain", plain, ()), ("slow", profiled, ("--profile", profile)))
    ]
    assert all(one["used"] for one in told)
    errors = [one["held_out"]["after"] for one in told]
    assert errors[1] < errors[0] + 1.0
    without = json.loads(run("learn", "unsaid", profiled, "--json").stdout)
    assert without["held_out"]["after"] > errors[1]
    read = read_cue(cue)
    contents = [shape_cue(cue, ShapeOptions(style=name)).content for name in ("plain", "slow")]
    lanes = [lane_of(content, read, read.parts[0], 1) for content in contents]
    times = np.arange(2.0, 20.0, 0.05)
    one, other = (lane.value_cc[np.searchsorted(lane.time_s, times, side="right") - 1] for lane in lanes)
    assert np.abs(one - other).mean() < 4.0


def test_the_first_note_of_chosen_bars_is_shaped_though_its_key_goes_down_before_them(tmp_path: Path) -> None:
    """Notes pulled ahead of bar 3: its first note sounds on the bar line, and has its new lane from there on."""
    early = 0.24
    path = one_line(tmp_path, [(4 + 4 * i - early, 4, 62 + 2 * (i % 3)) for i in range(4)])
    profile = profile_file(tmp_path, '["*"]\nfirst_delay_s = 0.12\nlegato_delay_s = 0.12\nnotes_advanced = true\n')
    cue, content = shaped(path, profile, bars=(3, 3))
    for cc in (1, 11):
        lane = lane_of(content, cue, cue.parts[0], cc)
        assert np.all(lane.tick[lane.value_cc != lane.value_cc[0]] >= 8 * BEAT)
        assert np.any((lane.tick >= 8 * BEAT) & (lane.tick < 11 * BEAT))


@pytest.mark.parametrize("advanced", ["false", "true"])
def test_bars_of_a_slow_instrument_leave_all_else_alone(tmp_path: Path, advanced: str) -> None:
    """Outside the bars every lane sounds as before, and inside it arrives within four steps of what stays."""
    path = orchestra(tmp_path / "cue.mid")
    dynamics = "[[1, -36], [64, -14], [127, 0]]"
    profile = profile_file(tmp_path, WHOLE.format(first=0.2, legato=0.12, advanced=advanced, dynamics=dynamics))
    cue, first = shaped(path, profile)
    whole = tmp_path / "first.mid"
    whole.write_bytes(first)
    for bars in ((3, 4), (5, 9), (12, 20)):
        _, again = shaped(whole, profile, bars=bars, existing="replace")
        start, end = (int(cue.tempo.bar_to_tick(bar)) for bar in (bars[0], bars[1] + 1))
        for part in cue.parts:
            for cc in part.lane_cc.values() if part.shaped else ():
                before, after = (lane_of(content, cue, part, cc) for content in (first, again))
                ticks = np.arange(0, int(part.notes.offset_tick.max()), 5)
                outside = ticks[(ticks < start) | (ticks >= end - 1)]
                assert np.array_equal(before.at_tick(outside), after.at_tick(outside))
                seam = int(after.at_tick(np.array([end - 2]))[0]) - int(after.at_tick(np.array([end - 1]))[0])
                sounds = np.any((part.notes.onset_tick < end - 2) & (part.notes.offset_tick > end))
                assert abs(seam) <= 6 or not sounds


def test_a_lane_on_the_fine_controller_of_another_is_not_taken_for_its_fine_values(tmp_path: Path) -> None:
    events = [program(0, 48), *line(BEAT), *(control(60 * i, 52, 30 + (i * 5) % 50) for i in range(100))]
    path = write(tmp_path / "cue.mid", track("Violins I", events))
    profile = profile_file(tmp_path, '["Violins*"]\nlanes.bow = 20\nlanes.attack = 52\n')
    cue, content = shaped(path, profile)
    before, after = (lane_of(c, cue, cue.parts[0], 52) for c in (path.read_bytes(), content))
    drawn = before.tick[before.tick < 40 * BEAT // 8]
    assert np.array_equal(before.at_tick(drawn), after.at_tick(drawn))


def test_review_and_compare_take_the_times_of_notes_pulled_ahead(tmp_path: Path) -> None:
    """Entries are looked for at note-ons, joins where they sound; a file beside itself has no remark."""
    notes = LEGATO + [(14 + i, 1, 67 - i) for i in range(6)]
    path = one_line(tmp_path, [(at - 0.3, beats, pitch) for at, beats, pitch in notes])
    profile = profile_file(tmp_path, '["*"]\nfirst_delay_s = 0.15\nlegato_delay_s = 0.15\nnotes_advanced = true\n')
    (tmp_path / "shaped.mid").write_bytes(shaped(path, profile)[1])
    found = json.loads(run("review", tmp_path / "shaped.mid", "--profile", profile, "--json").stdout)["findings"]
    assert [row for row in found if row["kind"] in ("entry", "bare-join", "bare-repeat", "stuck", "jump")] == []
    told = run("compare", tmp_path / "shaped.mid", tmp_path / "shaped.mid", "--profile", profile, "--json")
    compared = json.loads(told.stdout)
    assert compared["remarks"] == []
    assert compared["overall"]["dynamics"]["mae"] == 0
    usual = json.loads(run("compare", tmp_path / "shaped.mid", tmp_path / "shaped.mid", "--json").stdout)
    assert compared["overall"]["dynamics"]["n_frames"] == usual["overall"]["dynamics"]["n_frames"]
