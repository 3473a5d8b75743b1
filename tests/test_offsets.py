"""A part pulled ahead of the bars is told from one that is not; free time, off-beats and tremolo are no reason to."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from shaped_cues import note, program, track, write

from phrasewright.data.demo_cues import write_demo
from phrasewright.data.profiles import read_profile
from phrasewright.data.reading import read_cue
from phrasewright.inference import cli
from phrasewright.inference.shaping import ShapeOptions, shape_cue
from phrasewright.model.listening import hear
from phrasewright.model.offsets import Offset, offset_of

BEAT, BPM = 480, 100
TUNE = (1.0, 1.0, 0.5, 0.5, 1.0, 1.5, 0.5, 2.0, 0.25, 0.25, 0.5, 1.0, 2.0)


def tune_beats(n: int) -> np.ndarray:
    return 8.0 + np.r_[0.0, np.cumsum(np.tile(TUNE, n // len(TUNE) + 1))][:n]


def written(folder: Path, beats: np.ndarray, *, early_s: np.ndarray | float = 0.0) -> Path:
    """A violin section at 100 quarter notes a minute; each note lasts up to the next."""
    ticks = np.rint(beats * BEAT - np.asarray(early_s) * BPM / 60 * BEAT).astype(int)
    ticks = np.maximum.accumulate(ticks + 0)
    ends = np.r_[ticks[1:], ticks[-1] + BEAT]
    events = [program(0, 48), (0, b"\xff\x51\x03" + round(60e6 / BPM).to_bytes(3, "big"))]
    for i, (on, off) in enumerate(zip(ticks.tolist(), ends.tolist(), strict=True)):
        events += note(on, max(off - on, 20), 60 + (i * 5) % 12)
    return write(folder / "cue.mid", track("Violins I", events))


def found(path: Path) -> Offset | None:
    hearing = hear(read_cue(path))
    return offset_of(hearing.parts[0], hearing.cue.tempo)


@pytest.mark.parametrize("early_s", [0.03, 0.06, 0.1, 0.15, 0.2, 0.25])
def test_a_constant_offset_is_told(tmp_path: Path, early_s: float) -> None:
    offset = found(written(tmp_path, tune_beats(80), early_s=early_s))
    assert offset is not None
    assert offset.told
    assert offset.early_s == pytest.approx(early_s, abs=0.003)


def test_it_is_told_of_played_notes_too(tmp_path: Path) -> None:
    scatter = np.random.default_rng(5).normal(0.0, 0.012, 80)
    offset = found(written(tmp_path, tune_beats(80), early_s=0.12 + scatter))
    assert offset is not None
    assert offset.told
    assert offset.early_s == pytest.approx(0.12, abs=0.01)


def test_notes_on_the_bars_and_played_around_them_are_not(tmp_path: Path) -> None:
    for scatter_s in (0.0, 0.012):
        scatter = np.random.default_rng(6).normal(0.0, scatter_s, 80)
        offset = found(written(tmp_path, tune_beats(80), early_s=scatter))
        assert offset is not None
        assert not offset.told
        assert offset.early_s == pytest.approx(0.0, abs=0.01)


def test_free_time_has_no_offset(tmp_path: Path) -> None:
    told = 0
    for seed in range(6):
        beats = 8.0 + np.cumsum(np.random.default_rng(seed).uniform(0.4, 2.0, 80))
        offset = found(written(tmp_path, beats))
        told += offset is not None and offset.told
    assert told == 0


def test_off_beats_and_tremolo_are_not_taken_for_notes_pulled_ahead(tmp_path: Path) -> None:
    for beats in (8.5 + np.arange(60), 8.0 + np.arange(200) / 8, 8.0 + np.arange(120) / 3):
        offset = found(written(tmp_path, beats))
        assert offset is None or not offset.told


def test_too_few_notes_and_film_frames_tell_nothing(tmp_path: Path) -> None:
    assert found(written(tmp_path, tune_beats(6), early_s=0.1)) is None
    events = [program(0, 42), *(e for i in range(40) for e in note(500 * i, 500, 50 + i % 5))]
    assert found(write(tmp_path / "frames.mid", track("Cello", events), division=((256 - 25) << 8) | 40)) is None


def test_openings_and_joined_notes_are_told_apart(tmp_path: Path) -> None:
    """Three notes to a line, the first pulled ahead farther: what a profile wants to know."""
    beats, early = [], []
    for k in range(30):
        beats += [8.0 + 5 * k, 9.0 + 5 * k, 10.0 + 5 * k]
        early += [0.2, 0.1, 0.1]
    events = [program(0, 48)]
    for i, (beat, early_s) in enumerate(zip(beats, early, strict=True)):
        on = round((beat - early_s * 2) * BEAT)
        off = round((beats[i + 1] - early[i + 1] * 2) * BEAT) if i % 3 < 2 else on + BEAT
        events += note(on, off - on, 60 + i % 7)
    offset = found(write(tmp_path / "cue.mid", track("Violins I", events)))
    assert offset is not None
    assert offset.told
    assert offset.by_kind["first"] == pytest.approx(0.2, abs=0.005)
    assert offset.by_kind["legato"] == pytest.approx(0.1, abs=0.005)


def test_the_demo_variant_pulled_ahead(tmp_path: Path) -> None:
    """Told for most parts of that file, for none of the cue it was made from, nor with a profile that says so."""
    write_demo("storm-split-and-early", tmp_path / "early.mid")
    write_demo("storm-over-the-rocks", tmp_path / "plain.mid")
    told = json.loads(CliRunner().invoke(cli.main, ["explain", str(tmp_path / "early.mid"), "--json"]).stdout)
    offsets = [part["offset"] for part in told["parts"]]
    sure = [o for o in offsets if o is not None and o["told"]]
    assert len(sure) >= 0.8 * len(offsets)
    assert all(abs(o["early_s"] - 0.12) < 0.005 for o in sure)
    profile = tmp_path / "mine.toml"
    delays = "first_delay_s = 0.12\nlegato_delay_s = 0.12\nshort_delay_s = 0.12\nnotes_advanced = true\n"
    profile.write_text(f'["*"]\n{delays}', encoding="utf-8")
    for path, given in ((tmp_path / "plain.mid", None), (tmp_path / "early.mid", read_profile(profile))):
        hearing = hear(read_cue(path, profile=given))
        found_ = [offset_of(heard, hearing.cue.tempo) for heard in hearing.parts]
        assert not any(offset is not None and offset.told for offset in found_)


def test_it_is_a_remark_and_changes_nothing(tmp_path: Path) -> None:
    path = written(tmp_path, tune_beats(40), early_s=0.12)
    shaped = shape_cue(path, ShapeOptions(baseline=True))
    assert any("0.12 s ahead of the bars" in remark for remark in shaped.summary["parts"][0]["remarks"])
    assert "0.12 s ahead of the bars" in CliRunner().invoke(cli.main, ["explain", str(path)]).stdout
    profile = tmp_path / "mine.toml"
    profile.write_text('["*"]\nnotes_advanced = true\n', encoding="utf-8")
    assert shape_cue(path, ShapeOptions(baseline=True, profile=profile)).content == shaped.content
