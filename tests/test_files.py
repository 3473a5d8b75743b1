"""Files are read at a sane size or refused in one line; they appear whole or not at all, never over what a user has."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from phrasewright.data.errors import InputError, OutputError, UsageError
from phrasewright.data.files import output_paths, read_file, write_whole


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


def test_a_name_that_ends_in_mid_is_a_file() -> None:
    assert output_paths([Path("a.mid")], "out.mid") == [Path("out.mid")]
    assert output_paths([Path("a.mid")], "Out.MIDI") == [Path("Out.MIDI")]
    assert output_paths([Path("x/a.mid"), Path("x/b.mid")], "out") == [Path("out/a.mid"), Path("out/b.mid")]


def test_several_cues_need_a_folder() -> None:
    with pytest.raises(UsageError, match=r"out\.mid is one file, but there are 2 cues"):
        output_paths([Path("a.mid"), Path("b.mid")], "out.mid")


def test_two_results_of_one_name_are_refused() -> None:
    with pytest.raises(UsageError, match=r"x/a\.mid and y/A\.mid would both become"):
        output_paths([Path("x/a.mid"), Path("y/A.mid")], "out")


def test_folders_are_made(tmp_path: Path) -> None:
    write_whole(tmp_path / "deep" / "er" / "a.mid", b"one")
    assert (tmp_path / "deep" / "er" / "a.mid").read_bytes() == b"one"


def test_nothing_is_overwritten_unless_asked(tmp_path: Path) -> None:
    out = tmp_path / "a.mid"
    out.write_bytes(b"precious")
    with pytest.raises(OutputError, match=r"is already there.*--force"):
        write_whole(out, b"new")
    assert out.read_bytes() == b"precious"
    write_whole(out, b"new", force=True)
    assert out.read_bytes() == b"new"
    assert sorted(p.name for p in tmp_path.iterdir()) == ["a.mid"], "nothing is left beside it"


def test_an_input_is_never_replaced(tmp_path: Path) -> None:
    cue = tmp_path / "cue.mid"
    cue.write_bytes(b"the only copy")
    (tmp_path / "same.mid").symlink_to(cue)
    for name in ("cue.mid", "same.mid"):
        with pytest.raises(OutputError, match="is the input itself"):
            write_whole(tmp_path / name, b"new", force=True, inputs=[cue])
    assert cue.read_bytes() == b"the only copy"


def test_a_place_that_cannot_be_written_is_told(tmp_path: Path) -> None:
    (tmp_path / "file").write_bytes(b"")
    with pytest.raises(OutputError, match="cannot be written"):
        write_whole(tmp_path / "file" / "a.mid", b"new")
    with pytest.raises(OutputError, match="is a folder"):
        write_whole(tmp_path, b"new", force=True)


def test_a_name_that_no_folder_takes_is_told(tmp_path: Path) -> None:
    with pytest.raises(OutputError, match="cannot be written"):
        output_paths([Path("a.mid")], tmp_path / ("x" * 300 + ".mid"))
    for name in ("x" * 300 + ".mid", "a\0b.mid"):
        with pytest.raises(OutputError, match="cannot be written"):
            write_whole(tmp_path / name, b"new", force=True)


def test_a_link_to_nowhere_is_something_a_user_has(tmp_path: Path) -> None:
    link = tmp_path / "out.mid"
    link.symlink_to(tmp_path / "on-the-unplugged-disk.mid")
    with pytest.raises(OutputError, match="is already there"):
        write_whole(link, b"new")
    assert link.is_symlink()


def test_what_a_killed_process_left_is_cleared_away(tmp_path: Path) -> None:
    old, new, other = (tmp_path / name for name in (".a.mid.x1.part", ".a.mid.x2.part", ".b.mid.x1.part"))
    for path in (old, new, other):
        path.write_bytes(b"half")
    for path in (old, other):
        os.utime(path, (1.0, 1.0))
    write_whole(tmp_path / "a.mid", b"whole")
    assert sorted(p.name for p in tmp_path.iterdir()) == [".a.mid.x2.part", ".b.mid.x1.part", "a.mid"]
