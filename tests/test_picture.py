"""Pictures: what a teacher sees on the page."""

from __future__ import annotations

import os
import subprocess
import sys
import xml.etree.ElementTree as ET
from pathlib import Path
from typing import Any

import matplotlib as mpl
import numpy as np
import pytest
from drawn_cues import Line, ramp, write_cue
from matplotlib.figure import Figure

from phrasewright.data.errors import InputError, OutputError, UsageError
from phrasewright.data.midi import read_midi
from phrasewright.data.reading import read_cue
from phrasewright.inference.picture import build_figure, chosen_parts, draw_picture
from phrasewright.model.listening import hear

SVG = "{http://www.w3.org/2000/svg}"
SCALE = [(60 + i % 8, float(i), 1.0, 40 + 5 * (i % 8)) for i in range(32)]
CHORDS = [(p, 4.0 * i, 4.0, 70) for i in range(8) for p in (48, 52, 55)]
SWELL = {1: [*ramp(0, 8, 40, 80), *ramp(8.25, 30, 79, 45)], 11: ramp(0, 30, 80, 100), 2: ramp(0, 30, 30, 60)}


@pytest.fixture
def cue(tmp_path: Path) -> Path:
    return write_cue(
        tmp_path / "harbour.mid",
        Line("Violins I", 48, SCALE, SWELL),
        Line("Cellos", 48, CHORDS, {1: [(0.0, 60)], 11: [(0.0, 90)]}),
        Line("Harp", 46, SCALE[:4]),
    )


def texts(svg: Path) -> list[str]:
    return ["".join(element.itertext()).strip() for element in ET.parse(svg).iter(f"{SVG}text")]


def group(svg: Path, name: str) -> ET.Element:
    return next(element for element in ET.parse(svg).iter(f"{SVG}g") if element.get("id") == name)


def n_shapes(element: ET.Element) -> int:
    return sum(1 for child in element.iter() if child.tag in (f"{SVG}path", f"{SVG}use"))


def ids(svg: Path) -> set[str]:
    return {element.get("id", "") for element in ET.parse(svg).iter()}


def drawn(figure: Figure, name: str) -> Any:
    """The line or the shapes of that name; their numbers are quarter notes and steps or pitches."""
    return next(artist for artist in figure.artists if artist.get_gid() == name)


def notes_drawn(figure: Figure, part: int) -> int:
    return len(drawn(figure, f"notes-{part}").get_paths())


def test_every_note_of_the_passage_is_drawn_once(cue: Path, tmp_path: Path) -> None:
    hearing = hear(read_cue(cue))
    assert notes_drawn(build_figure(hearing), 1) == 32
    assert notes_drawn(build_figure(hearing, bars=(3, 4)), 1) == 8
    assert notes_drawn(build_figure(hearing, bars=(3, 4), parts=["2"]), 2) == 6
    draw_picture(cue, tmp_path / "line.svg", bars=(3, 4), parts=["1"])
    assert n_shapes(group(tmp_path / "line.svg", "notes-1")) == 8


def test_a_note_held_into_the_passage_is_drawn_from_its_edge(tmp_path: Path) -> None:
    path = write_cue(tmp_path / "held.mid", Line("Oboe", 68, [(72, 0.0, 10.0, 80), (74, 10.0, 6.0, 80)]))
    figure = build_figure(hear(read_cue(path)), bars=(2, 2))
    (bar,) = drawn(figure, "notes-1").get_paths()
    assert bar.vertices[:, 0].min() == pytest.approx(4.0)
    assert bar.vertices[:, 0].max() == pytest.approx(8.0)


def test_labels_are_text_and_say_what_is_seen(cue: Path, tmp_path: Path) -> None:
    draw_picture(cue, tmp_path / "line.svg", bars=(2, 5), parts=["1"])
    words = texts(tmp_path / "line.svg")
    for word in ("harbour, bars 2 to 5", "1  Violins I", "dynamics", "expression", "vibrato", "CC 1", "CC 11", "CC 2",
                 "role", "C4", "4/4   quarter note = 120"):  # fmt: skip
        assert word in words, word
    assert [w for w in words if w in "2345"] == ["2", "3", "4", "5"]
    assert any(word.startswith("phrase ") for word in words)
    assert {"melody", "counter", "chords", "bass", "pedal"} & set(words)


def test_each_phrase_has_a_bracket(cue: Path, tmp_path: Path) -> None:
    draw_picture(cue, tmp_path / "line.svg", parts=[1])
    n_phrases = len(hear(read_cue(cue)).parts[0].phrases)
    assert {f"phrase-1-{k}" for k in range(1, n_phrases + 1)} <= ids(tmp_path / "line.svg")
    assert f"phrase-1-{n_phrases + 1}" not in ids(tmp_path / "line.svg")


def test_names_in_the_drawing_are_unique(cue: Path, tmp_path: Path) -> None:
    draw_picture(cue, tmp_path / "all.svg")
    names = [element.get("id") for element in ET.parse(tmp_path / "all.svg").iter() if element.get("id")]
    assert len(names) == len(set(names))


def test_a_lane_the_file_lacks_is_not_drawn(cue: Path, tmp_path: Path) -> None:
    draw_picture(cue, tmp_path / "line.svg", parts=["Cellos"])
    assert {"dynamics-2", "expression-2"} <= ids(tmp_path / "line.svg")
    assert "vibrato-2" not in ids(tmp_path / "line.svg")
    draw_picture(cue, tmp_path / "harp.svg", parts=["Harp"])
    assert "no lanes drawn" in texts(tmp_path / "harp.svg")


def test_the_drawn_lane_is_the_lane_of_the_file(cue: Path) -> None:
    figure = build_figure(hear(read_cue(cue)), parts=[1])
    line = drawn(figure, "dynamics-1")
    x, y = np.asarray(line.get_xdata()), np.asarray(line.get_ydata())
    assert x[0] == 0
    assert y[0] == 40
    assert y.max() == 80
    assert x[np.argmax(y)] == pytest.approx(8.0)
    inches = line.get_transform().transform(np.column_stack([x, y])) / figure.dpi
    assert np.ptp(inches[:, 1]) <= 0.8  # the height of its panel
    eighty = [text for text in figure.texts if text.get_text() == "80"]
    up = [text.get_transform().transform(text.get_position())[1] / figure.dpi for text in eighty]
    assert any(inches[np.argmax(y), 1] == pytest.approx(level) for level in up)


def test_corners_nobody_can_see_are_left_out_and_all_others_stay(tmp_path: Path) -> None:
    quick = [(0.01 * k, 60 + k % 2) for k in range(400)]
    path = write_cue(tmp_path / "dense.mid", Line("Oboe", 68, SCALE, {1: quick}))
    near = np.asarray(drawn(build_figure(hear(read_cue(path))), "dynamics-1").get_xdata())
    assert 400 < len(near) < 500
    slow = write_cue(tmp_path / "slow.mid", Line("Oboe", 68, SCALE, {1: ramp(0, 30, 40, 80)}))
    assert len(drawn(build_figure(hear(read_cue(slow))), "dynamics-1").get_xdata()) == 2 * 41


def test_without_a_choice_the_parts_with_lanes_are_drawn(cue: Path) -> None:
    read = read_cue(cue)
    assert [part.name for part in chosen_parts(read, None)] == ["Violins I", "Cellos"]
    assert [part.name for part in chosen_parts(read, ["harp", 1, "1"])] == ["Violins I", "Harp"]


def test_two_runs_give_the_same_bytes(cue: Path, tmp_path: Path) -> None:
    for suffix in ("svg", "png"):
        first, second = tmp_path / f"a.{suffix}", tmp_path / f"b.{suffix}"
        draw_picture(cue, first, bars=(1, 4))
        draw_picture(cue, second, bars=(1, 4))
        assert first.read_bytes() == second.read_bytes()
    assert b"date" not in (tmp_path / "a.svg").read_bytes().lower()


def test_the_settings_of_the_drawing_library_stay(cue: Path, tmp_path: Path) -> None:
    before = dict(mpl.rcParams)
    draw_picture(cue, tmp_path / "a.svg", bars=(1, 2))
    assert dict(mpl.rcParams) == before


@pytest.mark.parametrize("settings", [b"text.usetex: True\nsavefig.dpi: 3000\nlines.linewidth: 9\n", b"\xff\xfe\0"])
def test_settings_of_the_folder_one_stands_in_are_not_obeyed(settings: bytes, cue: Path, tmp_path: Path) -> None:
    """They came with somebody's cue, and may start a program."""
    draw_picture(cue, tmp_path / "usual.svg")
    (tmp_path / "theirs").mkdir()
    (tmp_path / "theirs" / "matplotlibrc").write_bytes(settings)
    words = [sys.executable, "-m", "phrasewright.inference.cli", "picture", str(cue), "-o", "picture.svg"]
    environment = os.environ | {"MPLBACKEND": "nowhere"}
    told = subprocess.run(words, cwd=tmp_path / "theirs", env=environment, capture_output=True, text=True)
    assert (told.returncode, told.stderr) == (0, "")
    assert (tmp_path / "theirs" / "picture.svg").read_bytes() == (tmp_path / "usual.svg").read_bytes()


def test_a_second_file_is_laid_over(cue: Path, tmp_path: Path) -> None:
    louder = {1: [(beat, value + 10) for beat, value in SWELL[1]]}
    other = write_cue(tmp_path / "by hand.mid", Line("Violins I", 48, SCALE, louder))
    draw_picture(cue, tmp_path / "both.svg", parts=[1], other=other)
    assert {"dynamics-1", "dynamics-1-over", "expression-1"} <= ids(tmp_path / "both.svg")
    assert "expression-1-over" not in ids(tmp_path / "both.svg")
    assert any("dashes: by hand.mid" in word for word in texts(tmp_path / "both.svg"))


def test_bar_lines_follow_the_metre_and_its_changes_are_printed(tmp_path: Path) -> None:
    path = write_cue(tmp_path / "waltz.mid", Line("Oboe", 68, SCALE[:14]), metre=(3, 4), later=(6.0, 2, 4))
    draw_picture(path, tmp_path / "waltz.svg")
    words = texts(tmp_path / "waltz.svg")
    assert "3/4   quarter note = 120" in words
    assert [w for w in words if w[0] in "12345678" and w[1:] in ("", "   2/4")] == ["1", "2", "3   2/4", "4", "5", "6"]


def test_a_silent_passage_says_so(tmp_path: Path) -> None:
    path = write_cue(tmp_path / "rest.mid", Line("Oboe", 68, [(72, 0.0, 2.0, 80), (72, 16.0, 2.0, 80)]))
    draw_picture(path, tmp_path / "rest.svg", bars=(2, 3))
    assert "silent here" in texts(tmp_path / "rest.svg")


def test_film_frames_have_no_bars(tmp_path: Path) -> None:
    path = tmp_path / "film.mid"
    # an oboe note of 480 ticks
    track = bytes([0, 0xC0, 68, 0, 0x90, 72, 80, 0x83, 0x60, 0x80, 72, 0, 0, 0xFF, 0x2F, 0])
    division = bytes([256 - 25, 40])  # 25 frames of 40 ticks
    head = b"MThd" + (6).to_bytes(4, "big") + bytes([0, 0, 0, 1]) + division
    path.write_bytes(head + b"MTrk" + len(track).to_bytes(4, "big") + track)
    assert read_midi(path).ticks_per_s == 1000
    draw_picture(path, tmp_path / "film.svg")
    assert {"0:00", "0:00.5"} <= set(texts(tmp_path / "film.svg"))
    with pytest.raises(UsageError, match=r"film\.mid: counts film frames"):
        draw_picture(path, tmp_path / "bars.svg", bars=(1, 2))


def test_what_cannot_be_drawn_is_told(cue: Path, tmp_path: Path) -> None:
    out = tmp_path / "line.svg"
    with pytest.raises(UsageError, match=r"'Tuba'; the parts are 1 Violins I, 2 Cellos, 3 Harp"):
        draw_picture(cue, out, parts=["Tuba"])
    with pytest.raises(UsageError, match="'4'"):
        draw_picture(cue, out, parts=["4"])
    with pytest.raises(UsageError, match="has 8 bars, bar 90 does not exist"):
        draw_picture(cue, out, bars=(90, 91))
    with pytest.raises(OutputError, match=r"harbour\.mid"):
        draw_picture(cue, cue.parent / "harbour.mid", force=True)
    with pytest.raises(OutputError, match=r"line\.pdf: pictures are written as \.svg or \.png"):
        draw_picture(cue, tmp_path / "line.pdf")
    assert not out.exists()


def test_an_existing_picture_stays_unless_forced(cue: Path, tmp_path: Path) -> None:
    out = tmp_path / "line.svg"
    out.write_text("mine")
    with pytest.raises(OutputError, match=r"line\.svg"):
        draw_picture(cue, out, bars=(1, 2))
    assert out.read_text() == "mine"
    draw_picture(cue, out, bars=(1, 2), force=True)
    assert out.read_text().startswith("<?xml")
    assert {p.name for p in tmp_path.iterdir()} == {"harbour.mid", "line.svg"}


def test_a_picture_nobody_could_read_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = write_cue(tmp_path / "big.mid", *(Line(f"Violin {k}", 40, SCALE[:4]) for k in range(1, 6)))
    monkeypatch.setattr("phrasewright.inference.picture.MAX_HEIGHT", 12.0)
    with pytest.raises(InputError, match=r"big\.mid: 5 parts make a picture 1\d inches high; choose some .* --parts"):
        draw_picture(path, tmp_path / "big.png")
    draw_picture(path, tmp_path / "big.png", parts=["1"])


def test_a_long_cue_gets_a_wide_page(tmp_path: Path) -> None:
    path = write_cue(tmp_path / "long.mid", Line("Oboe", 68, [(72, 4.0 * k, 3.0, 80) for k in range(60)]))
    hearing = hear(read_cue(path))
    assert build_figure(hearing).get_size_inches()[0] > 2 * build_figure(hearing, bars=(1, 8)).get_size_inches()[0]


@pytest.mark.parametrize("name", ["$x_1$ \\frac", "<b>&", "\u30f4\u30a1\u30a4\u30aa\u30ea\u30f3", "\U0001f3bb solo"])
@pytest.mark.parametrize("suffix", ["svg", "png"])
def test_any_name_is_printed_as_it_is(tmp_path: Path, name: str, suffix: str) -> None:
    path = write_cue(tmp_path / "cue.mid", Line(name, 40, SCALE[:4]))
    draw_picture(path, tmp_path / f"cue.{suffix}")
    if suffix == "svg":
        assert f"1  {name}" in texts(tmp_path / "cue.svg")


def test_a_name_without_end_is_cut(tmp_path: Path) -> None:
    path = write_cue(tmp_path / "cue.mid", Line("Violin " * 40, 40, SCALE[:4]))
    draw_picture(path, tmp_path / "cue.svg")
    (title,) = (text for text in texts(tmp_path / "cue.svg") if text.startswith("1  Violin"))
    assert len(title) < 70
    assert title.endswith("\u2026")


def test_a_passage_that_reaches_beyond_the_end_stops_there_and_says_so(cue: Path, tmp_path: Path) -> None:
    draw_picture(cue, tmp_path / "line.svg", bars=(6, 90))
    assert "harbour, bars 6 to 8" in texts(tmp_path / "line.svg")
