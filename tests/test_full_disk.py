"""A disk that fills up: one line that says so, nothing half written, and a sound store.

The default run fills it under a few commands; `pytest -m slow tests/test_full_disk.py` under all that write.
"""

from __future__ import annotations

import os
import resource
import signal
import subprocess
import sys
from collections.abc import Iterator
from functools import partial
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from learned_cues import draw, write_cue
from shaped_cues import orchestra
from sound_files import sound_style
from stored_cues import rows_of

from phrasewright.data.store import FILE_NAME, Store
from phrasewright.inference.cli import main
from phrasewright.training import personal_fitting
from phrasewright.training.boosting import Boosting


def run(*arguments: object) -> Result:
    return CliRunner().invoke(main, [str(a) for a in arguments])


@pytest.fixture
def cue(tmp_path: Path) -> Path:
    return orchestra(tmp_path / "cue.mid", division=96)


def full(limit: int) -> None:
    """In a child: no file may grow beyond `limit` bytes, as on a full disk; the signal for it becomes an error."""
    signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    resource.setrlimit(resource.RLIMIT_FSIZE, (limit, limit))


@pytest.mark.parametrize("limit", [0, 3000])
def test_a_full_disk_is_told_and_leaves_nothing_half_written(limit: int, cue: Path, tmp_path: Path) -> None:
    with Store():
        pass  # the store was there before the disk filled up
    out = tmp_path / "out.mid"
    command = [sys.executable, "-m", "phrasewright.inference.cli", "shape", str(cue), "-o", str(out), "--baseline"]
    told = subprocess.run(command, capture_output=True, text=True, preexec_fn=lambda: full(limit))
    assert told.returncode == 1
    assert told.stderr.startswith(f"phrasewright: {out}: cannot be written (")
    assert told.stderr.count("\n") == 1
    assert sorted(path.name for path in tmp_path.iterdir()) == ["cue.mid"]
    with Store() as store:
        assert store.check() == []


def test_a_disk_too_full_for_the_record_still_gets_the_file(cue: Path, tmp_path: Path) -> None:
    with Store():
        pass
    out = tmp_path / "out.mid"
    assert run("shape", cue, "-o", out, "--baseline", "--no-record").exit_code == 0
    limit = len(out.read_bytes()) + 100
    command = [sys.executable, "-m", "phrasewright.inference.cli", "shape", str(cue), "-o", str(out), "--baseline"]
    told = subprocess.run([*command, "--force"], capture_output=True, text=True, preexec_fn=lambda: full(limit))
    assert told.returncode == 0, told.stderr
    assert "not recorded: " in told.stdout
    assert "make room on the disk" in told.stdout
    with Store() as store:
        assert store.check() == []


@pytest.fixture
def disk(tmp_path: Path) -> Iterator[Path]:
    """A file system of 2 MiB in memory; the administrator alone may mount one."""
    place = tmp_path / "disk"
    place.mkdir()
    mount = ["mount", "-t", "tmpfs", "-o", "size=2m", "tmpfs", str(place)]
    if os.geteuid() != 0 or subprocess.run(mount, capture_output=True).returncode:
        pytest.skip("mounting is not permitted here; the tests with a limit of bytes stand for it")
    yield place
    subprocess.run(["umount", place], check=True)


WRITING: dict[str, tuple[str, ...]] = {
    "shape": ("shape", "cue.mid", "-o", "out/out.mid", "--baseline", "--report", "out/page.html"),
    "lanes": ("shape", "cue.mid", "-o", "out/out.mid", "--baseline", "--no-record", "--lanes-only"),
    "learn": ("learn", "new", "drawn.mid", "--report", "out/page.html"),
    "compare": ("compare", "cue.mid", "drawn.mid", "--csv", "out/out.csv", "--report", "out/page.html"),
    "vector": ("picture", "cue.mid", "--bars", "1-4", "-o", "out/out.svg"),
    "bitmap": ("picture", "cue.mid", "--bars", "1-4", "-o", "out/out.png"),
    "import": ("style", "import", "hand.safetensors", "--name", "new"),
    "export": ("style", "export", "hand", "out/out.safetensors"),
    "undo": ("style", "undo", "hand"),
    "delete": ("style", "delete", "hand"),
    "check": ("style", "check"),
    "restore": ("style", "check", "--restore"),
    "demo": ("demo", "out/demo"),
}


QUICK = ("import", "delete", "check", "restore", "shape")
PARTLY = ("shape", "learn")
"""What is written, or was corrected, is kept even where a page about it finds no room."""


@pytest.mark.parametrize("of", [pytest.param(of, marks=[] if of in QUICK else [pytest.mark.slow]) for of in WRITING])
def test_a_disk_that_fills_up_under_any_command(
    of: str, cue: Path, disk: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The store and all outputs lie on it; nothing, four blocks, and enough for some of it are free."""
    monkeypatch.setattr(personal_fitting, "Boosting", partial(Boosting, n_trees=10, rate=0.3))
    monkeypatch.setenv("PHRASEWRIGHT_HOME", str(disk / "home"))
    monkeypatch.chdir(tmp_path)
    (tmp_path / "out").symlink_to(disk / "out")
    (disk / "out").mkdir()
    (tmp_path / "hand.safetensors").write_bytes(sound_style())
    if of in ("learn", "compare"):
        draw(write_cue(cue, seed=1, n_phrases=2), tmp_path / "drawn.mid")
    assert run("style", "import", tmp_path / "hand.safetensors").exit_code == 0
    with Store() as store:
        before = rows_of(store)
    stored = (disk / "home" / FILE_NAME).read_bytes()
    for free in (0, 16 << 10, 128 << 10):
        if of == "restore":
            (disk / "home" / FILE_NAME).write_bytes(b"no store any more")
        room = os.statvfs(disk)
        (disk / "filler").write_bytes(bytes(room.f_bavail * room.f_bsize - free))
        told = run(*WRITING[of])
        (disk / "filler").unlink()
        assert told.exception is None or isinstance(told.exception, SystemExit), told.exc_info
        assert told.exit_code in (0, 1)
        assert told.exit_code == 0 or told.stderr.count("\n") == 1, told.stderr
        left = [path for path in disk.rglob("*") if path.is_file() and "home" not in path.parts]
        assert not [path for path in left if path.name.startswith(".")], "no half file stays"
        if told.exit_code == 1:
            assert "space" in told.stderr or "make room on the disk" in told.stderr, told.stderr
        for path in left:
            path.unlink()
        if of == "restore" and told.exit_code == 1:
            assert (disk / "home" / FILE_NAME).read_bytes() == b"no store any more"
            (disk / "home" / FILE_NAME).write_bytes(stored)
        with Store() as store:
            assert store.check() == []
            assert told.exit_code == 0 or rows_of(store) == before or of in PARTLY
