"""The command line as users and scripts meet it: exit codes, streams, help."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import click
import mido
import pytest
from click.testing import CliRunner, Result

from phrasewright.inference import cli


def run(*arguments: object) -> Result:
    return CliRunner().invoke(cli.main, [str(a) for a in arguments])


@pytest.fixture
def cue(tmp_path: Path) -> Path:
    """Eight bars of a violin line in quarter notes."""
    file = mido.MidiFile(ticks_per_beat=480)
    name, program = mido.MetaMessage("track_name", name="Violins I"), mido.Message("program_change", program=48)
    track = mido.MidiTrack([name, program])
    for i in range(32):
        pitch = 62 + (0, 2, 4, 5, 7, 5, 4, 2)[i % 8]
        track += [mido.Message("note_on", note=pitch, velocity=70), mido.Message("note_off", note=pitch, time=480)]
    file.tracks.append(track)
    path = tmp_path / "cue.mid"
    file.save(path)
    return path


def test_every_option_is_documented_with_an_example() -> None:
    for name, command in cli.main.commands.items():
        shown = run(name, "--help")
        assert shown.exit_code == 0
        assert f"Example: phrasewright {name}" in shown.output
        for option in command.params:
            if isinstance(option, click.Option) and option.name != "help":
                assert option.help is not None, f"{name} {option.name} has no help"
                assert "Example: " in option.help, f"{name} {option.name} has no example"


def test_shape_writes_a_copy_and_leaves_the_cue_alone(cue: Path, tmp_path: Path) -> None:
    before = cue.read_bytes()
    out = tmp_path / "out.mid"
    result = run("shape", cue, "-o", out, "--baseline")
    assert result.exit_code == 0, result.output
    assert cue.read_bytes() == before
    controllers = {m.control for m in mido.MidiFile(out).tracks[0] if m.type == "control_change"}
    assert controllers == {1, 2, 11}
    assert "Violins I" in result.output


def test_shape_json_is_one_object_and_nothing_else(cue: Path, tmp_path: Path) -> None:
    out = tmp_path / "out.mid"
    result = run("shape", cue, "-o", out, "--baseline", "--json")
    summary = json.loads(result.stdout)
    assert set(summary) == {"cues"}
    (told,) = summary["cues"]
    assert {"in", "out", "seconds", "style", "parts"} <= set(told)
    (part,) = told["parts"]
    assert part["index"] == 1
    assert part["name"] == "Violins I"
    assert part["family"] == "strings"
    assert part["kind"] == "sustained"
    assert part["skipped"] is None
    assert part["lanes"]["dynamics"]["cc"] == 1
    written = [m for m in mido.MidiFile(out).tracks[0] if m.type == "control_change" and m.control == 1]
    assert part["lanes"]["dynamics"]["events"] == len(written)


def test_an_existing_output_is_refused_unless_forced(cue: Path, tmp_path: Path) -> None:
    out = tmp_path / "out.mid"
    out.write_bytes(b"mine")
    result = run("shape", cue, "-o", out, "--baseline")
    assert result.exit_code == 1
    assert "--force" in result.stderr
    assert out.read_bytes() == b"mine"
    assert run("shape", cue, "-o", out, "--baseline", "--force").exit_code == 0
    assert out.read_bytes() != b"mine"


def test_the_output_is_never_the_cue_itself(cue: Path) -> None:
    before = cue.read_bytes()
    result = run("shape", cue, "-o", cue, "--baseline", "--force")
    assert result.exit_code == 1
    assert cue.read_bytes() == before


def test_a_page_replaces_neither_what_was_read_nor_another_output(cue: Path, tmp_path: Path) -> None:
    out, plan, profile = tmp_path / "out.mid", tmp_path / "plan.csv", tmp_path / "mine.toml"
    plan.write_text("bar,level,parts,ramp\n1,p,,\n")
    profile.write_text('["Violins*"]\nlanes.vibrato = 21\n')
    read = {plan: plan.read_bytes(), profile: profile.read_bytes()}
    command = ["shape", cue, "-o", out, "--baseline", "--force", "--plan", plan, "--profile", profile]
    assert run(*command, "--report", out).exit_code == 2
    assert not out.exists()
    for path in read:
        assert run(*command, "--report", path).exit_code == 1
    assert run("compare", cue, cue, "--csv", profile, "--profile", profile, "--force").exit_code == 1
    assert run("compare", cue, cue, "--csv", tmp_path / "one", "--report", tmp_path / "one").exit_code == 2
    learn = ["learn", "hand", cue, "--shaped", tmp_path / "first.mid", "--force", "--report"]
    (tmp_path / "first.mid").write_bytes(cue.read_bytes())
    assert run(*learn, tmp_path / "first.mid").exit_code == 1
    assert (tmp_path / "first.mid").read_bytes() == cue.read_bytes()
    assert {path: path.read_bytes() for path in read} == read


def test_two_cues_need_a_folder_and_names_must_not_clash(cue: Path, tmp_path: Path) -> None:
    twin = tmp_path / "twin" / "cue.mid"
    twin.parent.mkdir()
    twin.write_bytes(cue.read_bytes())
    assert run("shape", cue, twin, "-o", tmp_path / "one.mid", "--baseline").exit_code in (1, 2)
    clash = run("shape", cue, twin, "-o", tmp_path / "folder", "--baseline")
    assert clash.exit_code in (1, 2)
    assert "cue.mid" in clash.stderr
    other = tmp_path / "other.mid"
    other.write_bytes(cue.read_bytes())
    assert run("shape", cue, other, "-o", tmp_path / "folder", "--baseline").exit_code == 0
    assert sorted(p.name for p in (tmp_path / "folder").iterdir()) == ["cue.mid", "other.mid"]


@pytest.mark.parametrize(
    ("content", "told"),
    [
        (b"", "MThd"),
        (b"MThd\0\0\0\6\0\2\0\1\x01\xe0", "type 2"),
        (b"MThd\0\0\0\6\0\1\0\1\x01\xe0MTrk\0\0\0\4\0\xff\x2f\0", "no notes"),
        (b"MThd\0\0\0\6\0\1\0\1\0\0MTrk\0\0\0\4\0\xff\x2f\0", "0 ticks"),
        (b"MThd\0\0\0\6\0\1\0\1\x01\xe0MTrk\0\0\0\x09\0\xff\x2f\0", "cut off"),
    ],
)
@pytest.mark.parametrize("command", ["shape", "explain", "compare", "picture"])
def test_bad_files_end_in_one_line_and_exit_1(command: str, content: bytes, told: str, tmp_path: Path) -> None:
    bad = tmp_path / "bad.mid"
    bad.write_bytes(content)
    more = {"shape": ["-o", tmp_path / "o.mid"], "compare": [bad], "picture": ["-o", tmp_path / "o.svg"]}
    result = run(command, bad, *more.get(command, []))
    assert result.exit_code == 1, result.output
    assert result.stdout == ""
    assert len(result.stderr.splitlines()) == 1
    assert told in result.stderr
    assert "bad.mid" in result.stderr


def test_a_missing_file_is_told_in_one_line(tmp_path: Path) -> None:
    result = run("explain", tmp_path / "nowhere.mid")
    assert result.exit_code == 1
    assert "nowhere.mid" in result.stderr
    assert len(result.stderr.splitlines()) == 1


@pytest.mark.parametrize(
    "options",
    [
        ["--lanes", "dynamics,volume"],
        ["--bars", "9-3"],
        ["--bars", "x"],
        ["--existing", "melt"],
        ["--parts", ""],
        ["-o", ""],
        ["--unknown"],
    ],
)
def test_wrong_usage_exits_2(cue: Path, tmp_path: Path, options: list[str]) -> None:
    result = run("shape", cue, "-o", tmp_path / "o.mid", *options)
    assert result.exit_code == 2, result.output
    assert not (tmp_path / "o.mid").exists()


def test_unknown_parts_name_what_there_is(cue: Path, tmp_path: Path) -> None:
    result = run("shape", cue, "-o", tmp_path / "o.mid", "--parts", "Kazoo", "--baseline")
    assert result.exit_code in (1, 2)
    assert "Kazoo" in result.stderr
    assert "Violins I" in result.stderr


def test_bars_of_a_file_in_film_frames_are_wrong_usage(tmp_path: Path) -> None:
    # header: type 0, one track, division -25 frames x 40 ticks; program 48, one note of two seconds
    path = tmp_path / "frames.mid"
    track = b"\0\xc0\x30" b"\0\x90\x3c\x40" b"\x8f\x50\x80\x3c\x40" b"\0\xff\x2f\0"
    path.write_bytes(b"MThd\0\0\0\6\0\0\0\1\xe7\x28MTrk" + len(track).to_bytes(4, "big") + track)
    assert run("shape", path, "-o", tmp_path / "o.mid", "--baseline", "--bars", "1-2").exit_code == 2
    assert run("shape", path, "-o", tmp_path / "o.mid", "--baseline").exit_code == 0
    told = json.loads(run("explain", path, "--json").stdout)
    assert told["cue"]["bars"] is None
    assert all(phrase["start_beat"] is None for part in told["parts"] for phrase in part["phrases"])


def test_explain_and_compare_print_json(cue: Path, tmp_path: Path) -> None:
    told = json.loads(run("explain", cue, "--json").stdout)
    assert told["parts"][0]["n_notes"] == 32
    out = tmp_path / "out.mid"
    run("shape", cue, "-o", out, "--baseline")
    compared = json.loads(run("compare", out, out, "--json").stdout)
    figures = compared["overall"]["dynamics"]
    assert figures["mae"] == 0
    assert figures["r"] == pytest.approx(1)


def test_pages_tables_and_pictures_beside_another_file_are_written(cue: Path, tmp_path: Path) -> None:
    out, page, table, picture = (tmp_path / name for name in ("out.mid", "page.html", "figures.csv", "line.svg"))
    assert run("shape", cue, "-o", out, "--baseline", "--no-record", "--report", page).exit_code == 0
    assert page.read_text("utf-8").startswith("<!doctype html>")
    compared = run("compare", out, out, "--csv", table, "--report", tmp_path / "compared.html", "--json")
    assert set(json.loads(compared.stdout)) >= {"parts", "overall", "phrases", "summary"}
    assert table.read_text().startswith("file,axis,label,part")
    assert run("picture", out, "--bars", "1-2", "--beside", out, "-o", picture).exit_code == 0
    assert "dashes: out.mid" in picture.read_text()
    refused = run("compare", out, out, "--csv", table)
    assert refused.exit_code == 1
    assert "already there" in refused.stderr


def test_a_name_that_is_no_utf_8_is_a_name_like_any(cue: Path, tmp_path: Path) -> None:
    """Archives from other systems unpack to such names; records, tables and pages hold text."""
    named = tmp_path / os.fsdecode(b"caf\xe9.mid")
    try:
        named.write_bytes(cue.read_bytes())
    except OSError:
        pytest.skip("this disk takes UTF-8 names only")
    out = tmp_path / os.fsdecode(b"geformt\xe9.mid")
    table, page = tmp_path / "figures.csv", tmp_path / "page.html"
    shaped = run("shape", named, "-o", out, "--baseline", "--report", page)
    assert shaped.exit_code == 0, shaped.output
    compared = run("compare", out, out, "--csv", table, "--report", tmp_path / "compared.html")
    assert compared.exit_code == 0, compared.output
    assert "geformt\\udce9.mid,phrase" in table.read_text("utf-8")
    learned = run("learn", "hand", out, "--json")
    assert json.loads(learned.stdout)["used"] is False, learned.output


def test_two_runs_give_the_same_bytes(cue: Path, tmp_path: Path) -> None:
    for name in ("a.mid", "b.mid"):
        command = ["-m", "phrasewright.inference.cli", "shape", str(cue), "-o", str(tmp_path / name), "--baseline"]
        subprocess.run([sys.executable, *command], check=True, stdout=subprocess.DEVNULL)
    assert (tmp_path / "a.mid").read_bytes() == (tmp_path / "b.mid").read_bytes()
