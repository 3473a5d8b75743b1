"""Whatever a stranger calls a track, a file or a style, the terminal only ever shows it."""

from __future__ import annotations

import io
import json
import os
import shlex
import signal
import subprocess
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from midi_bytes import END, chunk, line, name, program, smf, text

from phrasewright.inference.cli import main
from phrasewright.inference.terminal import ended_tidily, say

HOSTILE = "Violin \x1b]0;owned\x07\x1b[2J\x9b31m\u202e I\nII"


@pytest.fixture
def place(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder with a cue whose track, marks and file have hostile names."""
    track = chunk(name(HOSTILE), program(40), text(HOSTILE), text("pizz.\x1b[8m"), line([60, 62, 64, 65] * 4), END)
    (tmp_path / "a\x1b[2J\nb.mid").write_bytes(smf(track))
    (tmp_path / "bad\x1b[2J\nb.mid").write_bytes(b"MThd" + HOSTILE.encode())
    (tmp_path / "plan\x1b[2J.csv").write_text(f"bar,level\n{HOSTILE},\x1b[2J\n")
    (tmp_path / "mine\x1b[2J.toml").write_text('["\\u001b[2J"]\nkind = "\\u001b[2J"\n"\\u001b" = 3\n')
    monkeypatch.chdir(tmp_path)
    return tmp_path


def run(*arguments: str) -> Result:
    return CliRunner().invoke(main, list(arguments))


CUE, BAD = "a\x1b[2J\nb.mid", "bad\x1b[2J\nb.mid"


@pytest.mark.parametrize(
    ("arguments", "code"),
    [
        (("explain", CUE), 0),
        (("explain", CUE, "--json"), 0),
        (("shape", CUE, "-o", "o\x1b[2J.mid", "--baseline"), 0),
        (("shape", CUE, "-o", "o.mid", "--baseline", "--json"), 0),
        (("compare", CUE, CUE), 0),
        (("review", CUE), 0),
        (("picture", CUE, "-o", "o\x1b.svg"), 0),
        (("explain", BAD), 1),
        (("compare", CUE, BAD), 1),
        (("shape", CUE, "-o", "o.mid", "--baseline", "--plan", "plan\x1b[2J.csv"), 1),
        (("explain", CUE, "--profile", "mine\x1b[2J.toml"), 1),
        (("shape", CUE, "-o", "o.mid", "--style", BAD), 1),
        (("style", "show", "\x1b[2J"), 1),
        (("style", "import", BAD), 1),
        (("shape", CUE, "-o", "o.mid", "--baseline", "--parts", "\x1b[2J"), 2),
        (("shape", CUE, "-o", "o.mid", "--existing", "\x1b[2J"), 2),
        (("explain", CUE, "--\x1b[2J"), 2),
        (("\x1b[2J",), 2),
    ],
)  # fmt: skip
def test_no_control_character_reaches_the_terminal(place: Path, arguments: tuple[str, ...], code: int) -> None:
    told = run(*arguments)
    assert told.exit_code == code, told.output
    assert all(c.isprintable() or c == "\n" for c in told.stdout + told.stderr), repr(told.output)
    if code == 1:
        assert told.stderr.count("\n") == 1
    if "--json" in arguments:
        assert told.stdout.isascii()
        json.loads(told.stdout)


def test_names_show_even_where_the_terminal_lacks_their_letters(place: Path) -> None:
    cue = place / "ヴァイオリン.mid"
    cue.write_bytes(smf(chunk(name("Violoncèlles Ⅰ"), program(42), line([50, 52]), END)))
    command = [sys.executable, "-m", "phrasewright.inference.cli", "explain", cue.name]
    told = subprocess.run(command, env=os.environ | {"PYTHONIOENCODING": "latin-1"}, capture_output=True, check=True)
    assert "Violoncèlles \\u2160" in told.stdout.decode("latin-1")


def test_a_reader_that_goes_away_ends_the_command_without_a_traceback(place: Path) -> None:
    command = f'"{sys.executable}" -m phrasewright.inference.cli explain "$CUE" | head -c 1'
    known = os.environ | {"CUE": CUE}
    told = subprocess.run(command, shell=True, env=known, capture_output=True, check=True, text=True)
    assert told.stderr == ""


def test_say_writes_what_it_is_given(monkeypatch: pytest.MonkeyPatch) -> None:
    out = io.StringIO()
    monkeypatch.setattr(sys, "stdout", out)
    say("Violoncèlles Ⅰ: 12 notes\n  \x1b[2J")
    assert out.getvalue() == "Violoncèlles Ⅰ: 12 notes\n  \\x1b[2J\n"


def test_a_dollar_sign_in_a_name_is_drawn_as_one(place: Path) -> None:
    track = chunk(name("Violins $\\frac{1$ I"), program(40), line([60, 62, 64, 65]), END)
    Path("$\\sqrt$.mid").write_bytes(smf(track))
    told = run("picture", "$\\sqrt$.mid", "-o", "dollar.svg")
    assert told.exit_code == 0, told.output


@pytest.mark.skipif(not os.path.exists("/dev/full"), reason="needs a device that is always full")
def test_a_full_disk_behind_standard_output_is_told_in_one_line(place: Path) -> None:
    command = [sys.executable, "-m", "phrasewright.inference.cli", "explain", CUE]
    with open("/dev/full", "w") as full:
        ended = subprocess.run(command, stdout=full, stderr=subprocess.PIPE, text=True, cwd=place)
    assert ended.returncode == 1
    assert len(ended.stderr.splitlines()) == 1
    assert ended.stderr.startswith("phrasewright: standard output: cannot be written")


@pytest.mark.parametrize(("sent", "ending"), [(signal.SIGINT, KeyboardInterrupt), (signal.SIGTERM, SystemExit)])
def test_a_request_to_end_stays_one_whatever_becomes_of_it(sent: signal.Signals, ending: type[BaseException]) -> None:
    """A library that was being loaded made a RuntimeError of it, which would have ended in a traceback."""

    @ended_tidily()
    def loading() -> None:
        try:
            signal.raise_signal(sent)
        except BaseException as fault:
            raise RuntimeError("while a class was made") from fault

    with pytest.raises(ending) as told:
        loading()
    if ending is SystemExit:
        assert told.value.args == (128 + sent,)
    with pytest.raises(RuntimeError, match="another"), ended_tidily():
        raise RuntimeError("another")
    assert signal.getsignal(sent) == (signal.default_int_handler if sent == signal.SIGINT else signal.SIG_DFL)


def test_what_is_ignored_stays_ignored() -> None:
    """As after nohup, or in the background of a script."""
    before = signal.signal(signal.SIGHUP, signal.SIG_IGN)
    try:
        with ended_tidily():
            signal.raise_signal(signal.SIGHUP)
    finally:
        signal.signal(signal.SIGHUP, before)


SPOKEN = [("--help",), ("explain", "--help"), ("style", "--help"), ("style", "list", "--help"), ("style", "list")]


@pytest.mark.parametrize("words", SPOKEN, ids=" ".join)
def test_where_nothing_can_be_printed_it_is_told_in_a_line(words: tuple[str, ...]) -> None:
    command = [sys.executable, "-m", "phrasewright.inference.cli", *words]
    with Path("/dev/full").open("w") as full:
        told = subprocess.run(command, stdout=full, stderr=subprocess.PIPE, text=True)
    assert told.returncode == 1
    assert told.stderr.startswith("phrasewright: standard output: cannot be written (")
    assert told.stderr.count("\n") == 1


@pytest.mark.parametrize("shut", [(1,), (2,), (0, 1, 2)], ids=str)
def test_closed_standard_files_are_no_fault_and_no_other_file_takes_their_place(
    shut: tuple[int, ...], place: Path
) -> None:
    """As a program without a terminal may start the tool."""
    words = ["shape", CUE, "-o", "out.mid", "--baseline", "--force"]
    assert run(*words).exit_code == 0
    whole = (place / "out.mid").read_bytes()
    command = [sys.executable, "-m", "phrasewright.inference.cli", *words]
    closing = " ".join(f"{number}>&-" if number else "<&-" for number in shut)
    told = subprocess.run(["bash", "-c", f"{shlex.join(command)} {closing}"], capture_output=True, text=True)
    assert (told.returncode, told.stderr) == (0, "")
    assert (place / "out.mid").read_bytes() == whole
    check = "from phrasewright.inference import terminal as t; import os, sys; t.open_standard_files();"
    check += " sys.exit(os.open('apart', os.O_WRONLY | os.O_CREAT) < 3)"
    assert subprocess.run(["bash", "-c", f"{shlex.join([sys.executable, '-c', check])} {closing}"]).returncode == 0
