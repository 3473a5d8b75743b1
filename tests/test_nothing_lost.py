"""Whatever ends a command (a kill, a flipped bit, a shut folder), files are whole or absent and the store is sound.

The default run kills a few times; `pytest -m slow tests/test_nothing_lost.py` kills fifty times each.
"""

from __future__ import annotations

import os
import random
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from shaped_cues import orchestra
from sound_files import sound_style
from stored_cues import learn, record, rows_of

from phrasewright.data.copies import COPY_NAME
from phrasewright.data.midi import split_midi
from phrasewright.data.store import FILE_NAME, Store
from phrasewright.inference.cli import main
from phrasewright.model.style_files import style_bytes, style_from

KILLS = [pytest.param(3, id="a few times"), pytest.param(50, id="fifty times", marks=pytest.mark.slow)]


def run(*arguments: object) -> Result:
    return CliRunner().invoke(main, [str(a) for a in arguments])


def started(*arguments: object) -> subprocess.Popen[bytes]:
    command = [sys.executable, "-m", "phrasewright.inference.cli", *map(str, arguments)]
    return subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE)


@pytest.fixture
def cue(tmp_path: Path) -> Path:
    return orchestra(tmp_path / "cue.mid", division=96)


def lasts_s(*arguments: object) -> float:
    """How long a command takes when nobody kills it."""
    begin = time.monotonic()
    process = started(*arguments)
    process.communicate()
    assert process.returncode == 0
    return time.monotonic() - begin


@pytest.mark.parametrize("times", KILLS)
def test_a_killed_shape_leaves_whole_files_and_a_sound_store(times: int, cue: Path, tmp_path: Path) -> None:
    """Killed at any moment, most of them near the end, where files and records are written."""
    chance = random.Random(times)
    whole = tmp_path / "whole.mid"
    length_s = lasts_s("shape", cue, "-o", whole, "--baseline")
    out = tmp_path / "killed" / "out.mid"
    n_whole = 0
    for _ in range(times):
        process = started("shape", cue, "-o", out, "--baseline", "--force")
        time.sleep(length_s * chance.choice((chance.uniform(0.0, 1.2), chance.uniform(0.7, 1.2))))
        process.send_signal(signal.SIGKILL)
        process.communicate()
        if out.exists():
            assert out.read_bytes() == whole.read_bytes()
            n_whole += 1
            out.unlink()
        with Store() as store:
            assert store.check() == []
    assert run("shape", cue, "-o", out, "--baseline").exit_code == 0, "what a kill left does not stand in the way"
    assert out.read_bytes() == whole.read_bytes()
    assert cue.read_bytes() == orchestra(tmp_path / "again.mid", division=96).read_bytes()
    print(f"{times} kills, {n_whole} whole files, {len(list(out.parent.iterdir())) - 1} hidden leftovers")


@pytest.mark.parametrize("times", KILLS)
def test_a_killed_import_leaves_all_of_a_style_or_nothing(times: int, tmp_path: Path) -> None:
    chance = random.Random(times)
    file = tmp_path / "hand.safetensors"
    file.write_bytes(sound_style())
    sound = style_from(sound_style(), source="sound")
    length_s = lasts_s("style", "import", file, "--name", "first")
    n_whole = 0
    for i in range(times):
        process = started("style", "import", file, "--name", f"hand-{i}")
        time.sleep(length_s * chance.choice((chance.uniform(0.0, 1.2), chance.uniform(0.6, 1.2))))
        process.send_signal(signal.SIGKILL)
        process.communicate()
        with Store() as store:
            assert store.check() == []
            if f"hand-{i}" in store.styles():
                kept = style_from(store.version_payload(f"hand-{i}", 1), source="kept")
                assert style_bytes(replace(kept, name=sound.name)) == style_bytes(sound)
                n_whole += 1
    assert run("style", "import", file, "--name", "last").exit_code == 0
    print(f"{times} kills, {n_whole} styles whole")


def test_an_interrupted_shape_clears_its_file_away(cue: Path, tmp_path: Path) -> None:
    """Control-C, as a user would: one word, no traceback, nothing left."""
    out = tmp_path / "folder" / "out.mid"
    for wait_s in (0.3, 0.8, 1.2):
        process = started("shape", cue, "-o", out, "--baseline", "--force")
        time.sleep(wait_s)
        process.send_signal(signal.SIGINT)
        _, told = process.communicate()
        if out.parent.exists():
            assert [path.name for path in out.parent.iterdir()] in ([], ["out.mid"])
        if process.returncode == 1:
            assert told.decode().strip() == "Aborted!"


@pytest.mark.parametrize("times", [60, pytest.param(3000, marks=pytest.mark.slow)])
def test_a_bit_flipped_anywhere_is_told_or_does_no_harm(times: int, own_home: Path, tmp_path: Path) -> None:
    """`style check` finds it and offers the copy, or everything reads as it did; no command ends in a traceback."""
    with Store() as store:
        store.record_shaped(record())
        for i in range(2):
            learn(store, "hand", payload=sound_style(), cue=str(i) * 64)
        whole = rows_of(store)
    path, chance, n_found = own_home / FILE_NAME, random.Random(times), 0
    raw, copy = path.read_bytes(), (own_home / COPY_NAME).read_bytes()
    for i in range(times):
        damaged = bytearray(raw)
        damaged[chance.randrange(len(raw))] ^= 1 << chance.randrange(8)
        for other in own_home.iterdir():
            other.unlink()
        (own_home / COPY_NAME).write_bytes(copy)
        path.write_bytes(damaged)
        for arguments in (("list",), ("show", "hand"), ("export", "hand", tmp_path / f"{i}.safetensors"), ("check",)):
            told = run("style", *arguments)
            assert told.exception is None or isinstance(told.exception, SystemExit), (i, arguments, told.exception)
            assert told.exit_code in (0, 1)
        if told.exit_code == 0:
            with Store() as store:
                assert rows_of(store) == whole
            continue
        n_found += 1
        last = told.stderr.splitlines()[-1]
        if "update phrasewright" in last:
            continue
        assert "`phrasewright style check --restore` puts back the copy of 20" in last
        if n_found % 10 == 0:
            assert run("style", "check", "--restore").exit_code == 0
            with Store() as store:
                assert rows_of(store) == whole
    assert n_found > times / 4
    print(f"{times} bits flipped, {n_found} told, the rest without harm")


def test_a_store_that_is_shut_or_no_folder_does_not_stop_shaping(cue: Path, tmp_path: Path) -> None:
    (tmp_path / "file").write_text("no folder")
    (tmp_path / "home" / FILE_NAME).mkdir(parents=True)  # a folder where the file should be
    for home in ("file", "home"):
        result = CliRunner().invoke(
            main, ["shape", str(cue), "-o", str(tmp_path / f"{home}.mid"), "--baseline"],
            env={"PHRASEWRIGHT_HOME": str(tmp_path / home)},
        )  # fmt: skip
        assert result.exit_code == 0, result.output
        assert "not recorded: " in result.stdout
        listed = CliRunner().invoke(main, ["style", "list"], env={"PHRASEWRIGHT_HOME": str(tmp_path / home)})
        assert listed.exit_code == 1
        assert listed.stderr.count("\n") == 1


@pytest.fixture
def shut() -> Iterator[Callable[[Path], None]]:
    """Makes a folder and what is in it readable only, and us somebody whom that stops."""

    def close(folder: Path) -> None:
        for path in (folder, *folder.rglob("*")):
            path.chmod(0o555 if path.is_dir() else 0o444)
        for above in folder.parents[:-2]:  # within the folder of temporary files
            above.chmod(0o755)
        if os.getuid() == 0:  # whom no permission stops
            os.setresuid(65534, 65534, 0)

    mine = os.getresuid()
    yield close
    os.setresuid(*mine)


def test_a_store_that_may_only_be_read_is_read(
    cue: Path, tmp_path: Path, shut: Callable[[Path], None], monkeypatch: pytest.MonkeyPatch
) -> None:
    home, out = tmp_path / "home", Path(tempfile.mkdtemp())
    out.chmod(0o777)
    monkeypatch.setenv("PHRASEWRIGHT_HOME", str(home))
    (tmp_path / "hand.safetensors").write_bytes(sound_style())
    assert run("style", "import", tmp_path / "hand.safetensors").exit_code == 0
    before = {path.name: path.read_bytes() for path in home.iterdir()}
    shut(home)
    try:
        for arguments, code in (
            (("style", "list"), 0),
            (("style", "show", "hand"), 0),
            (("style", "export", "hand", out / "hand.safetensors"), 0),
            (("style", "check"), 0),
            (("style", "check", "--restore"), 0),
            (("shape", cue, "-o", out / "out.mid", "--baseline"), 0),
            (("shape", cue, "-o", out / "own.mid", "--baseline", "--style", "hand"), 0),
            (("style", "undo", "hand"), 1),
            (("style", "delete", "hand"), 1),
            (("style", "import", tmp_path / "hand.safetensors", "--name", "other"), 1),
            (("learn", "other", out / "own.mid", "--shaped", cue), 1),
        ):
            told = run(*arguments)
            assert told.exit_code == code, (arguments, told.output, told.exception)
            if code:
                assert told.stderr.count("\n") == 1
                assert "PHRASEWRIGHT_HOME" in told.stderr
            elif arguments[0] == "shape":
                assert "not recorded: " in told.stdout
        assert (out / "hand.safetensors").read_bytes() == sound_style()
    finally:
        os.setresuid(*os.getresuid()[2:] * 3)
        shutil.rmtree(out)
    assert {path.name: path.read_bytes() for path in home.iterdir()} == before


def test_finished_changes_in_a_log_that_cannot_be_brought_in_are_not_missed(
    tmp_path: Path, shut: Callable[[Path], None], monkeypatch: pytest.MonkeyPatch
) -> None:
    home = tmp_path / "home"
    with Store(tmp_path / "open") as store:
        learn(store, "hand")
        shutil.copytree(tmp_path / "open", home)  # as a killed process leaves it: all of it is in the log
    assert (home / f"{FILE_NAME}-wal").stat().st_size
    monkeypatch.setenv("PHRASEWRIGHT_HOME", str(home))
    shut(home)
    told = run("style", "list")
    assert told.exit_code == 1
    assert "copy the store's folder to where you may write" in told.stderr
    os.setresuid(*os.getresuid()[2:] * 3)
    shutil.copytree(home, tmp_path / "copy")
    for path in ((tmp_path / "copy"), *(tmp_path / "copy").iterdir()):
        path.chmod(0o755)
    with Store(tmp_path / "copy") as store:
        assert store.styles() == ["hand"]


def test_places_that_are_shut_are_told(cue: Path) -> None:
    """As a user who may not write to one folder, and not look into another."""
    folder = Path(tempfile.mkdtemp())
    nobody = 65534 if os.geteuid() == 0 else os.geteuid()
    try:
        shutil.copy(cue, folder / "cue.mid")
        shutil.copy(cue, folder / "secret.mid")
        assert run("shape", folder / "cue.mid", "-o", folder / "first.mid", "--baseline", "--no-record").exit_code == 0
        shut, blind = folder / "shut", folder / "blind"
        shut.mkdir()
        blind.mkdir()
        folder.chmod(0o755)
        shut.chmod(0o555)
        blind.chmod(0o000)
        (folder / "secret.mid").chmod(0o000)
        os.seteuid(nobody)
        for arguments in (
            ("shape", folder / "cue.mid", "-o", shut / "a.mid"),
            ("shape", folder / "cue.mid", "-o", shut / "deeper" / "a.mid"),
            ("shape", folder / "cue.mid", "-o", blind / "a.mid"),
            ("shape", folder / "cue.mid", "-o", folder / "first.mid", "--force"),
            ("shape", folder / "secret.mid", "-o", folder / "b.mid"),
            ("shape", blind / "cue.mid", "-o", folder / "b.mid"),
            ("shape", blind, "-o", folder / "b"),
            ("explain", folder / "secret.mid"),
        ):
            options = ("--baseline", "--no-record") if arguments[0] == "shape" else ()
            told = run(*arguments, *options)
            assert told.exit_code == 1, (arguments, told.output)
            assert told.stderr.count("\n") == 1
            assert "ermission" in told.stderr or "cannot be written" in told.stderr, told.stderr
    finally:
        os.seteuid(os.getuid())
        shutil.rmtree(folder)


@pytest.mark.parametrize("n", [3, pytest.param(8, marks=pytest.mark.slow)])
def test_shapes_at_once_share_one_store(n: int, tmp_path: Path) -> None:
    cues = [orchestra(tmp_path / f"cue{i}.mid", division=96 + 24 * i) for i in range(n)]
    running = [started("shape", cue, "-o", tmp_path / "out" / cue.name, "--baseline") for cue in cues]
    for process in running:
        _, told = process.communicate(timeout=100)
        assert process.returncode == 0, told.decode()
    for cue in cues:
        split_midi((tmp_path / "out" / cue.name).read_bytes(), name=cue.name)
    with Store() as store:
        assert store.check() == []
        known = [row[0] for row in store._db.execute("SELECT name FROM shaped")]
    assert sorted(known) == sorted(cue.name for cue in cues)
