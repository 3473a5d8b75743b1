"""Files and names from strangers run no code, reach no network, and lead nowhere outside the store."""

from __future__ import annotations

import ast
import json
import socket
import struct
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
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


def test_no_command_reaches_for_a_network(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def forbidden(*_: object, **__: object) -> None:
        raise AssertionError("a socket was opened")

    for name in ("connect", "connect_ex", "bind", "sendto"):
        monkeypatch.setattr(socket.socket, name, forbidden)
    for name in ("create_connection", "getaddrinfo", "gethostbyname"):
        monkeypatch.setattr(socket, name, forbidden)
    with pytest.raises(AssertionError, match="a socket was opened"):
        socket.create_connection(("localhost", 9))

    cue, out = orchestra(tmp_path / "cue.mid", division=96), tmp_path / "out.mid"
    (tmp_path / "hand.safetensors").write_bytes(sound_style())
    for arguments in (
        ("explain", cue),
        ("shape", cue, "-o", out),
        ("shape", cue, "-o", tmp_path / "own.mid", "--style", tmp_path / "hand.safetensors"),
        ("review", out),
        ("compare", cue, out),
        ("picture", out, "--parts", "1", "-o", tmp_path / "out.svg"),
        ("style", "import", tmp_path / "hand.safetensors"),
        ("style", "list"),
        ("style", "show", "hand"),
        ("style", "export", "hand", tmp_path / "again.safetensors"),
        ("style", "check"),
    ):
        told = run(*arguments)
        assert told.exit_code == 0, (arguments, told.output, told.exception)


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
