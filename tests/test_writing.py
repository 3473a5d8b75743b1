"""Files appear whole or not at all, never over something a user has."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from phrasewright.data.errors import OutputError, UsageError
from phrasewright.inference.writing import output_paths, write_whole


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
