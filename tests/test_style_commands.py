"""The commands of learning, from the shell: learn, style, shape --style, and what is recorded."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner, Result
from learned_cues import draw, few_trees, write_cue  # noqa: F401
from safetensors.numpy import load, save

from phrasewright.data.store import Store
from phrasewright.inference.cli import main


def run(*arguments: object) -> Result:
    return CliRunner().invoke(main, [str(a) for a in arguments])


@pytest.fixture(scope="module")
def kept(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with a cue, a hand's lanes over it, and a store that learned them."""
    folder = tmp_path_factory.mktemp("kept")
    draw(write_cue(folder / "cue.mid", seed=1, n_phrases=2), folder / "drawn.mid")
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("PHRASEWRIGHT_HOME", str(folder / "home"))
        told = run("learn", "string-hand", folder / "drawn.mid", "--json")
        assert told.exit_code == 0, told.output
        assert json.loads(told.output)["used"]
    return folder


@pytest.fixture
def folder(kept: Path, own_home: Path) -> Path:
    """That folder, its store copied into the test's own."""
    (own_home / "store.sqlite").write_bytes((kept / "home" / "store.sqlite").read_bytes())
    return kept


def test_shaping_in_a_style_changes_the_lanes_and_names_the_style(folder: Path, tmp_path: Path) -> None:
    told = run("shape", folder / "cue.mid", "-o", tmp_path / "own.mid", "--style", "string-hand", "--json")
    assert told.exit_code == 0, told.output
    assert json.loads(told.output)["cues"][0]["style"] == "string-hand"
    run("shape", folder / "cue.mid", "-o", tmp_path / "shipped.mid")
    assert (tmp_path / "own.mid").read_bytes() != (tmp_path / "shipped.mid").read_bytes()
    run("shape", folder / "cue.mid", "-o", tmp_path / "again.mid", "--style", "string-hand")
    assert (tmp_path / "own.mid").read_bytes() == (tmp_path / "again.mid").read_bytes()


def test_what_is_shaped_is_recorded_unless_asked_not_to(folder: Path, tmp_path: Path) -> None:
    run("shape", folder / "cue.mid", "-o", tmp_path / "a.mid", "--baseline", "--no-record")
    assert json.loads(run("learn", "new", tmp_path / "a.mid", "--json").output)["passages"] > 0  # taken for the hand's
    run("shape", folder / "cue.mid", "-o", tmp_path / "b.mid", "--baseline")
    assert json.loads(run("learn", "other", tmp_path / "b.mid", "--json").output)["passages"] == 0


def test_a_store_that_cannot_be_used_does_not_stop_shaping(
    folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "file").write_text("no folder")
    monkeypatch.setenv("PHRASEWRIGHT_HOME", str(tmp_path / "file"))
    told = run("shape", folder / "cue.mid", "-o", tmp_path / "a.mid", "--baseline", "--json")
    assert told.exit_code == 0
    assert any(line.startswith("not recorded:") for line in json.loads(told.output)["cues"][0]["remarks"])


def test_undo_leads_back_to_the_shipped_answer(folder: Path, tmp_path: Path) -> None:
    assert "predicts as shipped" in run("style", "undo", "string-hand").output
    told = run("shape", folder / "cue.mid", "-o", tmp_path / "undone.mid", "--style", "string-hand")
    assert told.exit_code == 0, told.output
    run("shape", folder / "cue.mid", "-o", tmp_path / "shipped.mid")
    assert (tmp_path / "undone.mid").read_bytes() == (tmp_path / "shipped.mid").read_bytes()
    again = run("style", "undo", "string-hand")
    assert again.exit_code == 1
    assert "nothing to undo" in again.output


def test_a_style_travels_in_one_file(folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    file = tmp_path / "hand.safetensors"
    assert run("style", "export", "string-hand", file).exit_code == 0
    assert run("style", "export", "string-hand", file).exit_code == 1  # there already
    run("shape", folder / "cue.mid", "-o", tmp_path / "here.mid", "--style", "string-hand")
    monkeypatch.setenv("PHRASEWRIGHT_HOME", str(tmp_path / "elsewhere"))
    assert run("style", "import", file).exit_code == 0
    taken = run("style", "import", file)
    assert taken.exit_code == 1
    assert "--name" in taken.output
    with Store() as store:
        assert store.version_payload("string-hand", 1) == file.read_bytes()
    run("shape", folder / "cue.mid", "-o", tmp_path / "there.mid", "--style", "string-hand")
    run("shape", folder / "cue.mid", "-o", tmp_path / "by-file.mid", "--style", file)
    assert (tmp_path / "here.mid").read_bytes() == (tmp_path / "there.mid").read_bytes()
    assert (tmp_path / "here.mid").read_bytes() == (tmp_path / "by-file.mid").read_bytes()
    further = run("learn", "string-hand", folder / "drawn.mid")
    assert further.exit_code == 1
    assert "imported" in further.output


def test_a_style_taken_under_another_name_goes_by_it(folder: Path, tmp_path: Path) -> None:
    file, again = tmp_path / "hand.safetensors", tmp_path / "again.safetensors"
    run("style", "export", "string-hand", file)
    run("style", "import", file, "--name", "borrowed")
    told = run("shape", folder / "cue.mid", "-o", tmp_path / "own.mid", "--style", "borrowed", "--json")
    assert json.loads(told.output)["cues"][0]["style"] == "borrowed"
    run("style", "export", "borrowed", again)
    other = run("shape", folder / "cue.mid", "-o", tmp_path / "by-file.mid", "--style", again, "--json")
    assert json.loads(other.output)["cues"][0]["style"] == "borrowed"
    run("shape", folder / "cue.mid", "-o", tmp_path / "first.mid", "--style", "string-hand")
    for name in ("own.mid", "by-file.mid"):
        assert (tmp_path / name).read_bytes() == (tmp_path / "first.mid").read_bytes()


def test_one_first_pass_for_several_corrections_is_wrong_usage(folder: Path) -> None:
    drawn = folder / "drawn.mid"
    told = run("learn", "string-hand", drawn, drawn, "--shaped", folder / "cue.mid")
    assert told.exit_code == 2
    assert "learn one by one" in told.output


def test_show_tells_what_the_version_in_use_stands_on(folder: Path) -> None:
    assert run("style", "show", "string-hand").output.rstrip().endswith("; in use")
    forgotten = run("style", "forget", "string-hand", folder / "drawn.mid").output
    assert forgotten.strip().endswith("without drawn.mid; nothing else was learned: predicts as shipped")
    told = json.loads(run("style", "show", "string-hand", "--json").output)
    assert told["cues"] == []
    assert run("style", "undo", "string-hand").exit_code == 0
    assert json.loads(run("style", "show", "string-hand", "--json").output)["cues"] == ["drawn.mid"]


def _hostile(good: bytes) -> dict[str, bytes]:
    arrays = load(good)
    size = int.from_bytes(good[:8], "little")
    meta = json.loads(good[8 : 8 + size])["__metadata__"]
    settings = json.loads(meta["style"])
    loop = arrays["dynamics.trees.left"].copy()
    loop[0] = 0

    def with_(**changed: object) -> dict[str, str]:
        return {"style": json.dumps({**settings, **changed})}

    return {
        "empty": b"",
        "text": b"not a style at all, but long enough",
        "pickle": b"\x80\x04\x95\x10\x00\x00\x00\x00\x00\x00\x00\x8c\x02os\x94.",
        "cut": good[: len(good) // 2],
        "huge header": (1 << 60).to_bytes(8, "little") + good[8:],
        "no settings": save(arrays),
        "path for a name": save(arrays, metadata=with_(name="../../etc/hand")),
        "later format": save(arrays, metadata=with_(format=9)),
        "lanes": save(arrays, metadata=with_(lanes=["dynamics", "loudness"])),
        "odd facts": save(arrays, metadata=with_(about={"passages": "many", "music_s": float("nan")})),
        "circle": save({**arrays, "dynamics.trees.left": loop}, metadata=meta),
        "nan": save({**arrays, "dynamics.stack": np.full(4, np.nan)}, metadata=meta),
        "extra": save({**arrays, "more": np.zeros(3)}, metadata=meta),
        "missing": save({k: v for k, v in arrays.items() if k != "evidence_s"}, metadata=meta),
    }


def test_hostile_files_are_refused_in_one_line(folder: Path, tmp_path: Path) -> None:
    file = tmp_path / "hand.safetensors"
    run("style", "export", "string-hand", file)
    for name, content in _hostile(file.read_bytes()).items():
        bad = tmp_path / "bad.safetensors"
        bad.write_bytes(content)
        told = run("style", "import", bad, "--name", "stranger")
        assert told.exit_code == 1, (name, told.output, told.exception)
        assert len(told.output.strip().splitlines()) == 1, name
        assert "bad.safetensors" in told.output, name
    with Store() as store:
        assert store.styles() == ["string-hand"]
    assert run("style", "import", tmp_path / "nowhere.safetensors").exit_code == 1


def test_styles_are_listed_shown_checked_and_deleted(folder: Path) -> None:
    assert "string-hand: version 1, 4 passages" in run("style", "list").output
    told = json.loads(run("style", "show", "string-hand", "--json").output)
    assert told["cues"] == ["drawn.mid"]
    assert {kind["family"] for kind in told["kinds"]} == {"strings"}
    assert "dynamics: moves between" in run("style", "show", "string-hand").output
    assert run("style", "check").output.strip() == "the store is sound"
    assert run("style", "forget", "string-hand", "drawn.mid").exit_code == 0
    assert run("style", "delete", "string-hand").exit_code == 0
    gone = run("style", "show", "string-hand")
    assert gone.exit_code == 1
    assert "no style is called" in gone.output


def test_shaping_by_rules_loads_no_network_and_no_learning(folder: Path, tmp_path: Path) -> None:
    code = (
        "import sys; from click.testing import CliRunner; from phrasewright.inference.cli import main;"
        f"told = CliRunner().invoke(main, ['shape', {str(folder / 'cue.mid')!r}, '-o', {str(tmp_path / 'a.mid')!r},"
        " '--baseline']); assert told.exit_code == 0, told.output;"
        "assert not {'torch', 'sklearn', 'music21'} & set(sys.modules)"
    )
    subprocess.run([sys.executable, "-c", code], check=True)


def test_rules_fitted_to_a_style_shape_without_a_network(folder: Path, tmp_path: Path) -> None:
    code = (
        "import sys; from click.testing import CliRunner; from phrasewright.inference.cli import main;"
        f"told = CliRunner().invoke(main, ['shape', {str(folder / 'cue.mid')!r}, '-o', {str(tmp_path / 'a.mid')!r},"
        " '--baseline', '--style', 'string-hand']); assert told.exit_code == 0, told.output;"
        "assert not {'torch', 'sklearn', 'music21'} & set(sys.modules)"
    )
    subprocess.run([sys.executable, "-c", code], check=True)
    run("shape", folder / "cue.mid", "-o", tmp_path / "rules.mid", "--baseline")
    told = run("compare", folder / "drawn.mid", tmp_path / "a.mid", tmp_path / "rules.mid", "--json")
    fitted, rules = (one["overall"] for one in json.loads(told.output)["candidates"])
    for lane in ("dynamics", "expression"):
        assert fitted[lane]["mae"] < 0.95 * rules[lane]["mae"]


def test_a_picture_shows_what_a_style_does_otherwise(folder: Path, tmp_path: Path) -> None:
    picture = tmp_path / "hand.svg"
    shown = run("style", "show", "string-hand", "--picture", picture, "--json")
    assert shown.exit_code == 0, shown.output
    changes = json.loads(shown.output)["changes"]
    assert changes["dynamics"]["level_cc"][0] > 0.0  # a loud hand
    assert "depth of phrases, dynamics" in picture.read_text(encoding="utf-8")
    again = run("style", "show", "string-hand", "--picture", picture)
    assert again.exit_code == 1
    assert "--force" in again.output
    assert run("style", "show", "string-hand", "--picture", tmp_path / "hand.gif").exit_code == 1
