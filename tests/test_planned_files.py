"""A plan from file to file: what is written, what is kept, what is said."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner, Result
from lane_checks import all_faults, lane_of
from marked_cues import BAR, BEAT, marked_file
from shaped_cues import control, film_frames

from phrasewright.data.curves import Curve
from phrasewright.data.errors import InputError, UsageError
from phrasewright.data.reading import read_cue
from phrasewright.inference import cli
from phrasewright.inference.shaping import ShapeOptions, shape_cue
from phrasewright.model.events import gesture_spans
from phrasewright.model.listening import hear


def run(*arguments: object) -> Result:
    return CliRunner().invoke(cli.main, [str(a) for a in arguments])


def plan_file(folder: Path, *rows: str) -> Path:
    path = folder / "loudness.csv"
    path.write_text("\n".join(["bar,level,parts,ramp", *rows]) + "\n", encoding="utf-8")
    return path


def dynamics(path: Path, content: bytes, *, part: int = 1, cc: int = 1) -> Curve:
    cue = read_cue(path)
    lane = lane_of(content, cue, cue.parts[part - 1], cc)
    return Curve(lane.time_s, lane.value_cc.astype(np.float64))


def mean_between(curve: Curve, first_s: float, last_s: float) -> float:
    return float(np.mean(curve.at(np.arange(first_s, last_s, 0.01))))


@pytest.mark.parametrize("baseline", [True, False], ids=["rules", "network"])
def test_lanes_of_a_plan_keep_to_what_every_lane_keeps_to(tmp_path: Path, baseline: bool) -> None:
    path = marked_file(tmp_path / "cue.mid")
    rows = ("1,p,,", "4,ff,Violin,", "6,subito p,,", "9,f,,2", "11,sfz,,", "14,niente,,3")
    plan = plan_file(tmp_path, *(row for row in rows if "subito" not in row), "6,p,,")
    content = shape_cue(path, ShapeOptions(baseline=baseline, plan=plan)).content
    cue = read_cue(path)
    for heard in hear(cue).parts:
        assert all_faults(content, cue, heard.part, gesture_spans(heard)) == []


def test_the_file_follows_table_marks_and_nothing_in_this_order(tmp_path: Path) -> None:
    marked = marked_file(tmp_path / "marked.mid", conductor=[(1, "pp")])
    plain = marked_file(tmp_path / "plain.mid")
    plan = plan_file(tmp_path, "1,ff,,")
    means = [
        mean_between(dynamics(path, shape_cue(path, ShapeOptions(baseline=True, plan=asked)).content), 1.0, 3.5)
        for path, asked in ((marked, plan), (marked, None), (plain, None))
    ]
    assert means[0] == pytest.approx(108, abs=8)
    assert means[1] == pytest.approx(30, abs=8)
    assert means[2] == pytest.approx(72, abs=10)


def test_a_sudden_p_is_heard_at_its_onset_in_the_file(tmp_path: Path) -> None:
    path = marked_file(tmp_path / "cue.mid")
    content = shape_cue(path, ShapeOptions(baseline=True, plan=plan_file(tmp_path, "1,f,,", "4,p,,"))).content
    curve = dynamics(path, content)
    assert mean_between(curve, 5.5, 5.8) - mean_between(curve, 6.15, 6.4) > 30


def test_what_is_drawn_stays_whatever_the_plan_says(tmp_path: Path) -> None:
    drawn = [control(tick, 1, 60 + (tick // 120) % 40) for tick in range(0, 2 * BAR, 120)]
    path = marked_file(tmp_path / "cue.mid", extra={1: drawn})
    shaped = shape_cue(path, ShapeOptions(baseline=True, plan=plan_file(tmp_path, "1,pp,,")))
    kept = shaped.summary["parts"][0]["lanes"]["dynamics"]["kept"]
    assert kept
    lane = lane_of(shaped.content, read_cue(path), read_cue(path).parts[0], 1)
    mine = lane.tick < 2 * BAR - BEAT
    assert list(zip(lane.tick[mine].tolist(), lane.value_cc[mine].tolist(), strict=True)) == [
        (tick, 60 + (tick // 120) % 40) for tick in range(0, 2 * BAR - BEAT, 120)
    ]
    assert mean_between(dynamics(path, shaped.content), 5.0, 7.0) < 40


def test_a_value_set_in_the_file_is_the_centre_of_what_the_plan_moves(tmp_path: Path) -> None:
    path = marked_file(tmp_path / "cue.mid", extra={1: [control(0, 1, 64)]})
    content = shape_cue(path, ShapeOptions(baseline=True, plan=plan_file(tmp_path, "9,f,,"))).content
    curve = dynamics(path, content)
    assert mean_between(curve, 4.0, 12.0) == pytest.approx(64, abs=4)
    assert mean_between(curve, 16.5, 27.0) == pytest.approx(64 + 18, abs=6)


def test_the_summary_says_where_loudness_came_from(tmp_path: Path) -> None:
    marked, plain = marked_file(tmp_path / "m.mid", conductor=[(1, "p")]), marked_file(tmp_path / "p.mid")
    said = [
        shape_cue(path, ShapeOptions(baseline=True, plan=plan)).summary["remarks"]
        for path, plan in ((marked, None), (plain, None), (plain, plan_file(tmp_path, "1,p,,")))
    ]
    assert said == [["loudness follows the dynamic marks in the file"], [], ["loudness follows the plan"]]


def test_the_command_line_takes_a_plan_and_tells_its_faults(tmp_path: Path) -> None:
    path = marked_file(tmp_path / "cue.mid")
    good = plan_file(tmp_path, "1,p,,", '9,f,"1,Cello",4')
    assert run("shape", path, "-o", tmp_path / "out.mid", "--plan", good, "--baseline").exit_code == 0
    bad = plan_file(tmp_path, "1,soft,,", "80,p,,")
    told = run("shape", path, "-o", tmp_path / "bad.mid", "--plan", bad)
    assert told.exit_code == 1
    assert "line 2" in told.stderr
    assert "line 3" in told.stderr
    assert told.stderr.count("\n") == 1
    assert not (tmp_path / "bad.mid").exists()
    film = film_frames(tmp_path / "film.mid")
    assert run("shape", film, "-o", tmp_path / "f.mid", "--plan", plan_file(tmp_path, "1,p,,")).exit_code == 2


def test_errors_of_the_library(tmp_path: Path) -> None:
    path = marked_file(tmp_path / "cue.mid")
    with pytest.raises(InputError):
        shape_cue(path, ShapeOptions(plan=tmp_path / "none.csv"))
    with pytest.raises(UsageError):
        shape_cue(film_frames(tmp_path / "film.mid"), ShapeOptions(plan=plan_file(tmp_path, "1,p,,")))
