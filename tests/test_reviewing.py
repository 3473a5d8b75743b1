"""A file reviewed: places, text, the command with its exit codes, and what the tool's own lanes must not be told."""

from __future__ import annotations

import json
from pathlib import Path

import mido
import pytest
from click.testing import CliRunner, Result
from drawn_cues import Line, ramp, write_cue
from shaped_cues import control, film_frames, note, orchestra, program, track, write

from phrasewright.data.errors import InputError, UsageError
from phrasewright.data.reading import read_cue
from phrasewright.inference import cli
from phrasewright.inference.reviewing import KINDS, place_text, review_file, review_text
from phrasewright.inference.shaping import ShapeOptions, shape_cue

KEYS = {"kind", "part", "lane", "bar", "start_s", "end_s", "text", "severity"}


def run(*arguments: object) -> Result:
    return CliRunner().invoke(cli.main, [str(a) for a in arguments])


@pytest.fixture
def jumping(tmp_path: Path) -> Path:
    """A cello note of six bars that jumps by 20 steps in bar 3 on beat 2, and never comes back."""
    lanes = {1: [*ramp(0, 8.5, 50, 60), (9.0, 80), *ramp(10, 24, 80, 92)], 11: ramp(0, 24, 70, 100)}
    return write_cue(tmp_path / "jump.mid", Line("Cello", 42, [(48, 0.0, 24.0, 70)], lanes))


def test_a_finding_tells_where_and_by_how_much(jumping: Path) -> None:
    (jump,) = review_file(jumping, kinds=["jump"])["findings"]
    assert set(jump) >= KEYS
    assert (jump["kind"], jump["part"], jump["lane"], jump["bar"]) == ("jump", 1, "dynamics", 3)
    assert jump["start_s"] == pytest.approx(4.5)
    assert jump["text"].startswith("bar 3.2, Cello, dynamics: jumps 20 steps up")
    assert jump["severity"] == "high"


def test_kinds_and_ignore_choose_what_is_told(jumping: Path) -> None:
    told = {row["kind"] for row in review_file(jumping)["findings"]}
    assert {"jump", "stuck"} <= told
    assert "jump" not in {row["kind"] for row in review_file(jumping, ignore=["jump"])["findings"]}
    with pytest.raises(UsageError, match="hiccup"):
        review_file(jumping, kinds=["hiccup"])
    with pytest.raises(UsageError, match="nothing is left"):
        review_file(jumping, kinds=["jump"], ignore=["jump"])


def test_text_puts_the_loudest_first_and_counts(jumping: Path) -> None:
    text = review_text(review_file(jumping))
    assert text.index("To mend first:") < text.index("bar 3.2, Cello, dynamics: jumps")
    assert "jump 1" in text.splitlines()[-1]
    assert review_text({"findings": []}) == "Nothing to mend."


def test_places_count_beats_of_the_metre(tmp_path: Path) -> None:
    path = write_cue(tmp_path / "six.mid", Line("Oboe", 68, [(70, 0.0, 9.0, 70)]), metre=(6, 8))
    tempo = read_cue(path).tempo
    assert place_text(tempo, 0.0) == "bar 1.1"
    assert place_text(tempo, 1.25) == "bar 1.6"  # five eighths of a quarter second
    assert place_text(tempo, 1.5) == "bar 2.1"


def test_without_bars_places_are_seconds(tmp_path: Path) -> None:
    findings = review_file(film_frames(tmp_path / "film.mid"))["findings"]
    assert findings
    assert all(row["bar"] is None for row in findings)
    assert not any("bar" in row["text"].split(",")[0] for row in findings)


def test_a_start_value_on_the_tick_of_the_first_note_must_stand_before_it(tmp_path: Path) -> None:
    events = [program(0, 42), *note(0, 960, 60), control(0, 1, 60), control(0, 11, 90)]
    before = write(tmp_path / "before.mid", track("Cello", events))
    assert not review_file(before, kinds=["no-start"])["findings"]
    late = mido.MidiFile(before)
    messages = late.tracks[0]
    lane = next(m for m in messages if m.type == "control_change" and m.control == 1)
    messages.remove(lane)
    messages.insert(next(i for i, m in enumerate(messages) if m.type == "note_on") + 1, lane)
    late.save(tmp_path / "late.mid")
    assert [row["lane"] for row in review_file(tmp_path / "late.mid", kinds=["no-start"])["findings"]] == ["dynamics"]


def test_a_profile_says_where_the_lanes_are(tmp_path: Path) -> None:
    lanes = {21: [(0.0, 60), (6.0, 90)], 11: [(0.0, 90)]}
    path = write_cue(tmp_path / "cue.mid", Line("Cello", 42, [(48, 0.0, 12.0, 70)], lanes))
    profile = tmp_path / "mine.toml"
    profile.write_text('["Cello*"]\nlanes.dynamics = 21\n')
    assert not review_file(path, kinds=["jump"])["findings"]
    assert [row["lane"] for row in review_file(path, kinds=["jump"], profile=profile)["findings"]] == ["dynamics"]


def test_plucked_and_struck_parts_are_not_reviewed(tmp_path: Path) -> None:
    told = review_file(orchestra(tmp_path / "cue.mid"))["findings"]
    harp = next(part.index for part in read_cue(tmp_path / "cue.mid").parts if part.name == "Harp")
    assert told
    assert harp not in {row["part"] for row in told}


def test_what_the_tool_writes_keeps_its_own_limits(tmp_path: Path) -> None:
    out = tmp_path / "shaped.mid"
    out.write_bytes(shape_cue(orchestra(tmp_path / "cue.mid"), ShapeOptions(baseline=True)).content)
    limits = ["jump", "entry", "stuck", "no-start", "dense", "one-lane", "copied-lane"]
    assert review_file(out, kinds=limits)["findings"] == []


def test_the_command_exits_3_only_on_what_was_asked(jumping: Path) -> None:
    assert run("review", jumping).exit_code == 0
    assert run("review", jumping, "--fail-on", "dense").exit_code == 0
    failed = run("review", jumping, "--fail-on", "dense", "--fail-on", "jump", "--json")
    assert failed.exit_code == 3
    assert {row["kind"] for row in json.loads(failed.stdout)["findings"]} >= {"jump", "stuck"}


def test_the_command_refuses_what_makes_no_sense(jumping: Path, tmp_path: Path) -> None:
    unknown = run("review", jumping, "--kinds", "hiccup")
    assert unknown.exit_code == 2
    assert all(kind in unknown.stderr for kind in KINDS)
    assert run("review", jumping, "--ignore", "jump", "--fail-on", "jump").exit_code == 2
    bad = tmp_path / "bad.mid"
    bad.write_bytes(b"RIFF")
    assert run("review", bad).exit_code == 1
    with pytest.raises(InputError):
        review_file(bad)


def test_a_bare_join_on_the_downbeat_belongs_to_the_bar_it_opens(tmp_path: Path) -> None:
    rows = [(60 + k % 4, 4.0 * k, 4.0, 70) for k in range(4)]
    lanes = {1: [(0.0, 60), (1.0, 70), (9.0, 75)], 11: [(0.0, 80), (1.0, 86), (9.0, 90)]}
    path = write_cue(tmp_path / "cello.mid", Line("Cello", 42, rows, lanes))
    findings = review_file(path, kinds=["bare-join"])["findings"]
    assert [row["bar"] for row in findings] == [2, 3, 4]
    assert [row["text"].split(",")[0] for row in findings] == ["bar 2.1", "bar 3.1", "bar 4.1"]
