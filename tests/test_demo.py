"""The demo writes, shapes and tells; it never writes over anything unasked."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from phrasewright.data.cue import FAMILIES
from phrasewright.data.curves import LANES
from phrasewright.data.demo_cues import demo_names
from phrasewright.data.errors import OutputError
from phrasewright.data.reading import read_cue
from phrasewright.inference.demo import CORRECTED, STYLED, make_demo
from phrasewright.inference.shaping import ShapeOptions
from phrasewright.model.hearing import ROLES
from phrasewright.model.personal import Style
from phrasewright.model.style_files import style_bytes
from phrasewright.training.decomposition import differs
from phrasewright.training.personal_fitting import NO_RULES


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, str]:
    folder = tmp_path_factory.mktemp("demo") / "lighthouse"
    return folder, make_demo(folder, options=ShapeOptions(baseline=True), learn=learn_nothing)


def learn_nothing(style: str, corrected: Path, shaped: Path, out: Path) -> None:
    """A style that answers as shipped; learning itself is tested elsewhere."""
    assert corrected.read_bytes() != shaped.read_bytes()
    evidence = np.zeros((len(LANES), len(FAMILIES), len(ROLES)))
    out.write_bytes(style_bytes(Style(style, {}, evidence, {}, NO_RULES)))


def test_every_shaped_part_gets_lanes(demo: tuple[Path, str]) -> None:
    folder, _ = demo
    for name in ("the-lamp-is-lit", "storm-on-one-channel", "storm-split-and-early"):
        before, after = read_cue(folder / "cues" / f"{name}.mid"), read_cue(folder / "shaped" / f"{name}.mid")
        for was, part in zip(before.parts, after.parts, strict=True):
            assert was.notes.pitch.tolist() == part.notes.pitch.tolist()
            for controller in part.lane_cc.values():
                assert part.existing[controller].n_points > 20, (name, part.name, controller)
            if not part.shaped:
                assert all(curve.n_points == 0 for curve in part.existing.values()), (name, part.name)


def test_what_was_played_in_stays(demo: tuple[Path, str]) -> None:
    folder, _ = demo
    before, after = (read_cue(folder / where / "storm-half-drawn.mid") for where in ("cues", "shaped"))
    was, now = (next(p for p in cue.parts if p.name == "Horns") for cue in (before, after))
    notes = was.notes
    begin, end = (before.tempo.tick_to_s(before.tempo.bar_to_tick([bar]))[0] for bar in (9, 12))
    drawn = was.existing[1]
    inside = (drawn.time_s > begin + 0.1) & (drawn.time_s < end)
    assert inside.sum() > 30
    assert (now.existing[1].at(drawn.time_s[inside]) == drawn.value_cc[inside]).all()
    later = now.existing[1].time_s > notes.onset_s[-1] - 20
    assert later.sum() > 20, "the rest is filled"


def test_the_bundled_correction_lies_over_three_parts_of_the_first_pass(demo: tuple[Path, str]) -> None:
    folder, text = demo
    first, corrected = (read_cue(folder / place / f"{CORRECTED}.mid") for place in ("shaped", "corrected"))
    changed = []
    for was, now in zip(first.parts, corrected.parts, strict=True):
        assert was.notes.onset_tick.tolist() == now.notes.onset_tick.tolist()
        lane = now.existing.get(1)
        if lane is not None and not np.array_equal(was.existing[1].value_cc, lane.value_cc):
            changed.append(now.name)
            end_s = float(corrected.tempo.tick_to_s(corrected.tempo.bar_to_tick([25]))[0])
            found = differs(was.existing[1].at(np.arange(1, end_s, 0.1)), lane.at(np.arange(1, end_s, 0.1)))
            assert found, now.name
    assert changed == ["Oboe", "Violins I", "Cellos"]
    for place in (f"corrected/{CORRECTED}.mid", f"styled/{STYLED}.mid", "keeper.safetensors"):
        assert str(folder / place) in text
        assert (folder / place).exists()


def test_it_says_what_to_open_and_to_start_quietly(demo: tuple[Path, str]) -> None:
    folder, text = demo
    for name in demo_names():
        assert str(folder / "shaped" / f"{name}.mid") in text
        assert (folder / "shaped" / f"{name}.mid").exists()
    assert "Start playback at a low monitoring level" in text


def test_nothing_is_overwritten_unasked(demo: tuple[Path, str]) -> None:
    folder, _ = demo
    before = {path: path.read_bytes() for path in folder.rglob("*.mid")}
    assert len(before) == 2 * len(demo_names()) + 2
    with pytest.raises(OutputError, match="is already there; choose another name, or add --force"):
        make_demo(folder)
    assert before == {path: path.read_bytes() for path in folder.rglob("*.mid")}


def test_a_single_file_in_the_way_stops_it_before_anything_is_written(tmp_path: Path) -> None:
    in_the_way = tmp_path / "shaped" / "storm-half-drawn.mid"
    in_the_way.parent.mkdir()
    in_the_way.write_text("mine")
    with pytest.raises(OutputError):
        make_demo(tmp_path)
    assert not (tmp_path / "cues").exists()
    assert in_the_way.read_text() == "mine"


def test_a_folder_that_cannot_be_made(tmp_path: Path) -> None:
    (tmp_path / "lighthouse").write_text("a file")
    with pytest.raises(OutputError, match="lighthouse"):
        make_demo(tmp_path / "lighthouse")
