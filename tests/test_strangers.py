"""Files and names from strangers run no code, reach no network, and lead nowhere outside the store."""

from __future__ import annotations

import ast
import json
import os
import shutil
import socket
import struct
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import click
import pytest
from click.testing import CliRunner, Result
from learned_cues import draw, write_cue
from shaped_cues import orchestra
from sound_files import sound_style
from test_architecture import ROOT, SOURCES

from phrasewright.data.corrections import check_style_name
from phrasewright.data.errors import UsageError
from phrasewright.data.store import FILE_NAME
from phrasewright.inference.cli import main

CODE_FROM_DATA = {
    "pickle", "cPickle", "_pickle", "dill", "cloudpickle", "marshal", "shelve", "yaml", "ctypes", "runpy",
    "code", "codeop", "ssl", "urllib.request", "http.client", "ftplib", "smtplib", "requests", "httpx", "aiohttp",
}  # fmt: skip
"""Modules that make code of data, or talk to a network. Styles and weights are safetensors, arrays `packing.py`'s."""
CALLS = {"eval", "exec", "compile", "__import__"}
METHODS = {("torch", "load"), ("torch", "save"), ("os", "system"), ("os", "popen"), ("np", "load"), ("joblib", "load")}


@pytest.mark.parametrize("path", SOURCES, ids=lambda p: str(p.relative_to(ROOT)))
def test_no_code_is_made_of_data(path: Path) -> None:
    for node in ast.walk(ast.parse(path.read_text())):
        names: list[str] = []
        if isinstance(node, ast.Import):
            names = [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            names = [node.module or ""]
        for name in names:
            told = f"{path.name}:{getattr(node, 'lineno', 0)} imports {name}"
            assert not {name, name.split(".")[0]} & CODE_FROM_DATA, told
        if isinstance(node, ast.Call):
            called = node.func
            if isinstance(called, ast.Name):
                assert called.id not in CALLS, f"{path.name}:{node.lineno} calls {called.id}"
            if isinstance(called, ast.Attribute) and isinstance(called.value, ast.Name):
                assert (called.value.id, called.attr) not in METHODS, f"{path.name}:{node.lineno} calls {called.attr}"
            assert not any(k.arg in ("shell", "allow_pickle") for k in node.keywords), f"{path.name}:{node.lineno}"


def run(*arguments: object) -> Result:
    return CliRunner().invoke(main, [str(a) for a in arguments])


def every_command(folder: Path) -> list[tuple[object, ...]]:
    """One call of each command, on files of its own."""
    cue, out = orchestra(folder / "cue.mid", division=96), folder / "out.mid"
    drawn = draw(write_cue(folder / "two.mid", seed=1, n_phrases=3), folder / "drawn.mid")
    (folder / "hand.safetensors").write_bytes(sound_style())
    (folder / "mine.toml").write_text('["Oboe"]\nrange.dynamics = [20, 110]\n')
    (folder / "plan.csv").write_text("bar,level\n1,p\n")
    return [
        ("explain", cue),
        ("shape", cue, "-o", out, "--plan", folder / "plan.csv", "--report", folder / "shaped.html"),
        ("shape", cue, "-o", folder / "own.mid", "--style", folder / "hand.safetensors"),
        ("review", out),
        ("compare", cue, out, "--report", folder / "compared.html", "--csv", folder / "compared.csv"),
        ("picture", out, "--parts", "1", "--bars", "1-2", "-o", folder / "out.svg"),
        ("learn", "mine", drawn, "--report", folder / "learned.html"),
        ("profile", "check", folder / "mine.toml", "--cue", cue),
        ("style", "import", folder / "hand.safetensors"),
        ("style", "list"),
        ("style", "show", "hand"),
        ("style", "export", "hand", folder / "again.safetensors"),
        ("style", "undo", "hand"),
        ("style", "forget", "mine", "drawn.mid"),
        ("style", "delete", "hand"),
        ("style", "check"),
        ("style", "check", "--restore"),
        ("demo", folder / "demo"),
        ("evaluate", "--pieces", "1", "--hands", "0", "--json"),
        ("train", "--out", folder / "weights", "--preset", "small", "--steps", "1"),
    ]


LONG = ("learn", "forget", "demo", "evaluate", "train")
"""Commands that are called in a slow test; judging and training also in `test_evaluation.py` and `test_fitting.py`."""


@pytest.mark.usefixtures("no_network")
def test_no_command_reaches_for_a_network(tmp_path: Path) -> None:
    with pytest.raises(AssertionError, match="a socket was opened"):
        socket.create_connection(("localhost", 9))
    for arguments in every_command(tmp_path):
        if {*LONG} & {*arguments[:2]}:
            continue
        told = run(*arguments)
        assert told.exit_code == 0, (arguments, told.output, told.exception)


def test_every_command_is_among_them(tmp_path: Path) -> None:
    called = {words[:2] if words[0] in ("style", "profile") else words[:1] for words in every_command(tmp_path)}
    known: set[tuple[object, ...]] = set()
    for name, one in main.commands.items():
        known |= {(name, sub) for sub in one.commands} if isinstance(one, click.Group) else {(name,)}
    assert called == known


@pytest.fixture
def watched(tmp_path: Path) -> Iterator[Callable[..., None]]:
    """Runs Python apart; fails where it, or a process it starts, names a place beyond this machine or an address.

    A library that the training libraries load asks for any free door of this machine (`bind` to ::1, 0), only to see
    whether it knows addresses of that kind; nobody is reached so.
    """
    (tmp_path / "watch").mkdir()
    seen = tmp_path / "seen"
    (tmp_path / "watch" / "sitecustomize.py").write_text(
        "import sys\n"
        "def look(event, given):\n"
        "    if event.startswith('socket.') and event.split('.')[1] in (\n"
        "        'connect', 'bind', 'sendto', 'sendmsg', 'getaddrinfo', 'gethostbyname', 'gethostbyaddr'\n"
        "    ) and not any(isinstance(one, (str, bytes)) and one[:1] in ('/', b'/', b'\\0') for one in given[1:2])"
        " and (event, given[1:2]) != ('socket.bind', (('::1', 0),)):\n"
        f"        open({str(seen)!r}, 'a').write(f'{{event}} {{given[1:]!r}} {{sys.argv!r}}\\n')\n"
        "sys.addaudithook(look)\n"
    )
    environment = os.environ | {"PYTHONPATH": str(tmp_path / "watch")}

    def call(*words: object) -> None:
        told = subprocess.run([sys.executable, *map(str, words)], env=environment, capture_output=True, text=True)
        assert told.returncode == 0, (words, told.stderr)
        assert not seen.exists(), seen.read_text()

    yield call
    subprocess.run([sys.executable, "-c", "import socket; socket.gethostbyname('localhost')"], env=environment)
    assert "socket.gethostbyname" in seen.read_text(), "and it would have been seen"


@pytest.mark.slow
def test_no_long_command_reaches_for_one(tmp_path: Path, watched: Callable[..., None]) -> None:
    """With all the processes they start."""
    for arguments in every_command(tmp_path):
        if {*LONG} & {*arguments[:2]} or arguments[0] == "shape":
            watched("-m", "phrasewright.inference.cli", *arguments)


ENTRIES: dict[str, tuple[str, ...] | None] = {
    "boundary_evaluation": ("--every", "40", "--chorales-only"),
    "boundary_fitting": ("--out", "found.safetensors", "--invented", "1"),
    "copying": (),
    "ensemble_evaluation": ("--rules",),
    "hairpins": (),
    "hand_drawn": (),
    "head_evaluation": ("--amounts", "16 s"),
    "learning_evaluation": ("--only", "late_peaks", "--amounts", "16s", "--jobs", "2"),
    "learning_report": (str(ROOT / "docs" / "learning.json"),),
    "role_fitting": ("--every", "40"),
    "score_evaluation": ("--every", "100"),
    "situation_evaluation": (),
    # These train or judge networks for many minutes; what they call is called in test_bands.py and test_fitting.py.
    "bands": None,
    "contenders": None,
    "evaluation": None,
    "tuning": None,
}
"""Every `python -m phrasewright.training.NAME`, and how to call it for a short while."""


def test_every_module_that_can_be_called_is_among_them() -> None:
    callable_ = {path.stem for path in SOURCES if '__name__ == "__main__"' in path.read_text()}
    assert callable_ == {*ENTRIES, "cli"}


@pytest.mark.slow
@pytest.mark.parametrize("name", [name for name, arguments in ENTRIES.items() if arguments is not None])
def test_no_module_that_can_be_called_reaches_for_one(
    name: str, watched: Callable[..., None], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    watched("-m", f"phrasewright.training.{name}", *(ENTRIES[name] or ()))


@pytest.mark.slow
def test_several_processes_work_where_there_is_no_network_at_all(tmp_path: Path) -> None:
    """In a network of their own without any interface, not even to the machine itself."""
    apart = ["unshare", "--user", "--map-root-user", "--net"]
    if shutil.which("unshare") is None or subprocess.run([*apart, "true"], capture_output=True).returncode:
        pytest.skip("no network of one's own is permitted here; the test above stands for it")
    (tmp_path / "in").mkdir()
    for name in ("a.mid", "b.mid"):
        orchestra(tmp_path / "in" / name, division=96)
    words = ["shape", tmp_path / "in", "-o", tmp_path / "out", "--jobs", "2", "--baseline"]
    told = subprocess.run(
        [*apart, sys.executable, "-m", "phrasewright.inference.cli", *map(str, words)], capture_output=True, text=True
    )
    assert told.returncode == 0, told.stderr
    assert sorted(path.name for path in (tmp_path / "out").iterdir()) == ["a.mid", "b.mid"]


def test_links_lead_where_they_say_and_no_output_follows_one(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    cue = orchestra(tmp_path / "cue.mid", division=96)
    before = cue.read_bytes()
    (tmp_path / "precious.mid").write_bytes(b"somebody's own")
    for link, to in (
        ("taken.mid", "precious.mid"), ("self.mid", "cue.mid"), ("loop.mid", "loop.mid"), ("gone.mid", "nothing"),
        ("page.html", "cue.mid"), ("elsewhere", "other"),
    ):  # fmt: skip
        (tmp_path / link).symlink_to(to)
    (tmp_path / "other").mkdir()
    monkeypatch.chdir(tmp_path)
    shaped = ("shape", "cue.mid", "--baseline", "--no-record", "-o")
    for arguments in (
        (*shaped, "taken.mid"), (*shaped, "self.mid", "--force"), (*shaped, "loop.mid"), (*shaped, "gone.mid"),
        (*shaped, "a.mid", "--report", "page.html", "--force"), (*shaped, "loop.mid/deeper.mid"),
        ("explain", "loop.mid"), ("explain", "gone.mid"), ("compare", "cue.mid", "loop.mid"),
        ("shape", "loop.mid", "-o", "b.mid", "--baseline"), ("style", "import", "loop.mid"),
    ):  # fmt: skip
        told = run(*arguments)
        assert told.exit_code == 1, (arguments, told.output, told.exception)
        assert told.stderr.count("\n") == 1
    assert run(*shaped, "taken.mid", "--force").exit_code == 0
    assert not (tmp_path / "taken.mid").is_symlink()
    assert run(*shaped, "elsewhere").exit_code == 0
    assert (tmp_path / "other" / "cue.mid").read_bytes() == (tmp_path / "taken.mid").read_bytes()
    assert run("explain", "self.mid").exit_code == 0
    assert (tmp_path / "precious.mid").read_bytes() == b"somebody's own"
    assert cue.read_bytes() == before


def test_a_store_behind_links_is_the_one_they_lead_to(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Its folder, or the file alone, may lie on another disk; what is put back goes there, too."""
    for name in ("disk", "home"):
        (tmp_path / name).mkdir()
    (tmp_path / "home" / FILE_NAME).symlink_to(tmp_path / "disk" / "mine.sqlite")
    (tmp_path / "folder").symlink_to(tmp_path / "home")
    monkeypatch.setenv("PHRASEWRIGHT_HOME", str(tmp_path / "folder"))
    (tmp_path / "hand.safetensors").write_bytes(sound_style())
    assert run("style", "import", tmp_path / "hand.safetensors").exit_code == 0
    (tmp_path / "disk" / "mine.sqlite").write_bytes(b"no store any more " * 300)
    told = run("style", "check")
    assert told.exit_code == 1
    assert "--restore` puts back the copy" in told.stderr
    assert run("style", "check", "--restore").exit_code == 0
    assert json.loads(run("style", "list", "--json").stdout)["styles"][0]["style"] == "hand"
    assert (tmp_path / "home" / FILE_NAME).is_symlink()
    for to in (FILE_NAME, "nowhere/at/all"):
        (tmp_path / "home" / FILE_NAME).unlink()
        (tmp_path / "home" / FILE_NAME).symlink_to(to)
        told = run("style", "list")
        assert told.exit_code == 1
        assert told.stderr.count("\n") == 1


def test_names_cannot_lead_out_of_the_store(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A style's name is a word in a table, never part of a path; the words are checked all the same."""
    monkeypatch.setenv("PHRASEWRIGHT_HOME", str(tmp_path / "home"))
    file = tmp_path / "hand.safetensors"
    for name in ("../out", "/etc/out", "..", "a/b", "a\\b", "con:", "x" * 41, "ä", "a.b", "", "a\n"):
        with pytest.raises(UsageError):
            check_style_name(name)
        file.write_bytes(renamed(sound_style(), name))
        told = run("style", "import", file)
        assert told.exit_code == 1, name
        assert "no style that can be used" in told.stderr
        file.write_bytes(sound_style())
        assert run("style", "import", file, "--name", name).exit_code in (1, 2), name
    assert run("style", "list", "--json").stdout == '{"styles": []}\n'
    assert sorted(str(path.relative_to(tmp_path)) for path in tmp_path.rglob("*") if path.is_file()) == [
        "hand.safetensors", f"home/{FILE_NAME}",
    ]  # fmt: skip


def renamed(style: bytes, name: str) -> bytes:
    """The style under a name that it could not be given."""
    (size,) = struct.unpack("<Q", style[:8])
    header = json.loads(style[8 : 8 + size])
    settings = json.loads(header["__metadata__"]["style"])
    header["__metadata__"]["style"] = json.dumps(settings | {"name": name})
    raw = json.dumps(header).encode()
    return struct.pack("<Q", len(raw)) + raw + style[8 + size :]


def test_a_cue_from_a_stranger_writes_nowhere_else(tmp_path: Path) -> None:
    """Names within a cue take no part in names of files."""
    from midi_bytes import END, chunk, line, name, program, smf

    cue = tmp_path / "in" / "cue.mid"
    cue.parent.mkdir()
    cue.write_bytes(smf(chunk(name("../../outside"), program(40), line([60, 62, 64, 65]), END)))
    out = tmp_path / "out"
    assert run("shape", cue, "-o", out, "--baseline").exit_code == 0
    assert run("picture", cue, "-o", tmp_path / "out" / "cue.svg").exit_code == 0
    made = sorted(str(path.relative_to(tmp_path)) for path in tmp_path.rglob("*") if path.is_file())
    assert made == ["in/cue.mid", "out/cue.mid", "out/cue.svg"]


def test_a_header_that_claims_more_than_there_is_takes_no_memory(tmp_path: Path) -> None:
    """A header of a few bytes may claim an array of exbibytes, or be one of gibibytes itself."""
    file = tmp_path / "claims.safetensors"
    entry = {"dtype": "F64", "shape": [1 << 57], "data_offsets": [0, 1 << 60]}
    (size,) = struct.unpack("<Q", sound_style()[:8])
    sound = json.loads(sound_style()[8 : 8 + size])
    for header, claimed in (
        ({**sound, "evidence_s": entry}, None), ({"x": entry}, None), (sound, 1 << 62), (sound, (1 << 64) - 1),
    ):  # fmt: skip
        raw = json.dumps(header).encode()
        file.write_bytes(struct.pack("<Q", claimed or len(raw)) + raw + bytes(64))
        told = run("style", "import", file)
        assert told.exit_code == 1
        assert "is no style that can be used" in told.stderr
    with file.open("wb") as hole:
        hole.truncate(1 << 33)
    assert "more than any style needs" in run("style", "import", file).stderr


@pytest.mark.parametrize("kind", ["folder", "pipe", "/dev/zero", "/dev/full"])
def test_a_store_that_is_no_file_is_told(kind: str, own_home: Path) -> None:
    """And not taken for a disk that is full."""
    place = own_home / FILE_NAME
    if kind == "folder":
        place.mkdir()
    elif kind == "pipe":
        os.mkfifo(place)
    else:
        place.symlink_to(kind)
    for words in (("list",), ("check",), ("check", "--restore"), ("show", "hand")):
        told = run("style", *words)
        assert told.exit_code == 1
        assert told.stderr.count("\n") == 1
        assert "is no file; move it away, or set PHRASEWRIGHT_HOME" in told.stderr


def test_a_pipe_or_a_device_is_never_replaced(tmp_path: Path) -> None:
    """Whoever may write beside devices replaced `/dev/full` by a page."""
    cue, pipe = orchestra(tmp_path / "cue.mid", division=96), tmp_path / "pipe.mid"
    os.mkfifo(pipe)
    shaped = ("shape", cue, "--baseline", "--no-record", "--force", "-o")
    page = (*shaped, tmp_path / "a.mid", "--report", pipe)
    for words in ((*shaped, pipe), page, ("compare", cue, cue, "--csv", pipe, "--force")):
        told = run(*words)
        assert told.exit_code == 1
        assert "pipe.mid: is a pipe or a device, which is never replaced" in told.stderr
    assert pipe.is_fifo()


@pytest.mark.parametrize(
    "words",
    [("explain", ""), ("demo", ""), ("train", "--out", ""), ("compare", "", "a"), ("review", "a", "--profile", "")],
    ids=" ".join,
)
def test_an_empty_name_is_not_the_folder_one_stands_in(
    words: tuple[str, ...], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As an unset variable leaves it; the demo went where one stood."""
    monkeypatch.chdir(tmp_path)
    told = run(*words)
    assert told.exit_code == 2
    assert "it is empty; name a file or a folder" in told.stderr
    assert list(tmp_path.iterdir()) == []


def test_a_number_of_thousands_of_digits_names_nothing(tmp_path: Path) -> None:
    """The interpreter makes no number of more than 4300 digits."""
    cue, many = orchestra(tmp_path / "cue.mid", division=96), "9" * 5000
    (tmp_path / "plan.csv").write_text(f"bar,level,parts\n{many},p,\n1,{many},\n1,p,{many}\n")
    (tmp_path / "mine.toml").write_text(f"[violin]\nlanes.dynamics = {many}\n")
    shaped = ("shape", cue, "-o", tmp_path / "out.mid", "--baseline")
    for words, code in (
        (("--parts", many), 2), (("--bars", many), 2), (("--jobs", many), 2), (("--plan", tmp_path / "plan.csv"), 1),
        (("--profile", tmp_path / "mine.toml"), 1),
    ):  # fmt: skip
        told = run(*shaped, *words)
        assert told.exit_code == code, (told.output[:300], told.exception)
        assert isinstance(told.exception, SystemExit)
