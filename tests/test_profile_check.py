"""`profile check` says what each table would do, and every fault of a file at once."""

from __future__ import annotations

import json
from pathlib import Path

from click.testing import CliRunner, Result
from shaped_cues import orchestra

from phrasewright.inference import cli

TEXT = """
["Violins*"]
lanes.dynamics = 21
lanes.bow = 2
range.dynamics = [0, 100]
response.dynamics = [[1, -48], [127, 0]]
first_delay_s = 0.2
legato_delay_s = 0.1
notes_advanced = true
switches = [12, 23]

[horn]
response.dynamics = [[0, -8], [127, 0]]

["violins i"]
kind = "unshaped"

["*"]
notes_advanced = true

[oboe]
lanes.attack = 30
"""


def check(folder: Path, text: str, *options: object) -> Result:
    path = folder / "mine.toml"
    path.write_text(text, encoding="utf-8")
    return CliRunner().invoke(cli.main, ["profile", "check", str(path), *map(str, options)])


def test_what_each_table_would_do(tmp_path: Path) -> None:
    result = check(tmp_path, TEXT, "--json")
    assert result.exit_code == 0
    violins, horn, first, all_, oboe = json.loads(result.stdout)["tables"]
    assert (violins["table"], violins["switches"], violins["notes_advanced"]) == ("Violins*", [12, 23], True)
    assert violins["lanes"]["dynamics"]["cc"] == 21
    assert violins["lanes"]["dynamics"]["range"] == [12, 100]
    assert violins["lanes"]["bow"]["cc"] == 2
    assert violins["delays_s"] == {"first": 0.2, "legato": 0.1, "short": 0.0}
    marks = violins["lanes"]["dynamics"]["response"]["marks"]
    assert list(marks) == ["pp", "p", "mp", "mf", "f", "ff"]
    assert sorted(marks.values()) == list(marks.values())
    assert abs(marks["mf"] - (127 - 10.4 * 126 / 48)) < 2  # 10.4 dB under full, by the default law
    assert any("vibrato is not written: its usual controller 2" in said for said in violins["remarks"])
    assert any("lowest for pp, p" in said for said in horn["remarks"])
    assert any("nothing is written" in said for said in first["remarks"])
    assert any("changes nothing without delays" in said for said in all_["remarks"])
    assert oboe["lanes"]["attack"] == {"cc": 30, "range": [0, 127], "response": None}


def test_which_parts_of_a_cue_each_table_holds_for(tmp_path: Path) -> None:
    cue = orchestra(tmp_path / "cue.mid")
    told = json.loads(check(tmp_path, TEXT, "--cue", cue, "--json").stdout)["tables"]
    names = {row["table"]: [part["name"] for part in row["parts"]] for row in told}
    assert names == {
        "Violins*": [], "horn": ["Horn"], "violins i": ["Violins I"], "*": ["Harp", "Drums"], "oboe": ["Oboe"],
    }  # fmt: skip


def test_in_words(tmp_path: Path) -> None:
    said = check(tmp_path, TEXT).stdout
    for expected in (
        "5 tables, no fault",
        "controller 21, 12 to 100 while sounding",
        "response: 48 dB from 1 to 127; pp ",
        "first notes 0.2 s, legato notes 0.1 s, short notes 0 s after the note-on; the notes of the file were pulled",
        "switches    keys 12 to 23",
        "controllers, ranges and levels as usual",
    ):
        assert expected in said


def test_all_faults_on_one_line(tmp_path: Path) -> None:
    text = "[a]\nlanes.dynamics = 300\nfirst_delay_s = 90\n[b]\nresponse.dynamics = [[0, 0], [64, -9]]\n"
    result = check(tmp_path, text)
    assert result.exit_code == 1
    assert result.stdout == ""
    assert result.stderr.count("\n") == 1
    for expected in ("mine.toml", "lanes.dynamics = 300", "first_delay_s = 90", "falls from 0 dB at 0 to -9 dB at 64"):
        assert expected in result.stderr
    missing = CliRunner().invoke(cli.main, ["profile", "check", str(tmp_path / "none.toml")])
    assert missing.exit_code == 1
    assert "cannot be read" in missing.stderr
