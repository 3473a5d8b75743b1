"""What users name is a file of a sane size, or refused in one line without waiting or taking memory."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from phrasewright.data.errors import InputError
from phrasewright.data.files import read_file


def refused(path: Path) -> str:
    with pytest.raises(InputError) as told:
        read_file(path, most_bytes=100, what="cue")
    return str(told.value)


def test_a_file_is_read_whole(tmp_path: Path) -> None:
    (tmp_path / "cue.mid").write_bytes(bytes(100))
    (tmp_path / "link.mid").symlink_to("cue.mid")
    assert read_file(tmp_path / "cue.mid", most_bytes=100, what="cue") == bytes(100)
    assert read_file(tmp_path / "link.mid", most_bytes=100, what="cue") == bytes(100)


def test_what_is_no_file_is_refused_at_once(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe.mid")
    (tmp_path / "loop.mid").symlink_to("loop.mid")
    (tmp_path / "zero.mid").symlink_to("/dev/zero")
    assert refused(tmp_path).endswith("cannot be read (it is a folder); name the file of the cue")
    for name in ("pipe.mid", "zero.mid"):
        assert f"{name}: cannot be read (it is a pipe or a device)" in refused(tmp_path / name)
    for name in ("loop.mid", "gone.mid", "x" * 300, "a\0b"):
        assert "check the name and the permissions" in refused(tmp_path / name)


def test_a_file_larger_than_it_may_be_is_not_read(tmp_path: Path) -> None:
    with (tmp_path / "huge.mid").open("wb") as file:
        file.truncate(1 << 40)  # takes no room on the disk
    assert "1099511627776 bytes is more than any cue needs; is it the right file?" in refused(tmp_path / "huge.mid")


def test_a_file_that_says_it_is_empty_is_read_no_further_than_it_may(tmp_path: Path) -> None:
    assert "more than any cue needs" in refused(Path("/proc/cpuinfo"))
