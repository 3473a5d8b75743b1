"""What the network sees: finite, named, and blind to what is far away."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from drawn_cues import Line, write_cue
from played_lines import Note, heard, line

from phrasewright.data.cue import Cue
from phrasewright.data.reading import read_cue
from phrasewright.model.features import ATTACK_FEATURES, FRAME_FEATURES, attack_features, part_features
from phrasewright.model.hearing import CueHearing
from phrasewright.model.listening import hear

BAR_BEATS = 4


def tune(n_bars: int, *, first: int = 67, beats: float = 1.0) -> list[Note]:
    per_bar = round(BAR_BEATS / beats)
    pitches = [first + (k * 5 + k // 7) % 9 for k in range(n_bars * per_bar)]
    return line(pitches, beats)


def column(hearing: CueHearing, name: str, index: int = 0) -> np.ndarray:
    return attack_features(hearing, index)[:, ATTACK_FEATURES.index(name)]


def test_every_column_has_a_name_of_its_own_and_every_number_is_finite() -> None:
    hearing = heard(Line("Violins", 48, tune(4)), Line("Cellos", 42, [(48, 0.0, 16.0, 70)]))
    assert len(set(ATTACK_FEATURES)) == len(ATTACK_FEATURES)
    assert len(set(FRAME_FEATURES)) == len(FRAME_FEATURES)
    for index in (0, 1):
        features = part_features(hearing, index, time_s=np.arange(-0.1, 12.0, 0.013))
        assert features.attack.shape == (hearing.parts[index].attacks.n_attacks, len(ATTACK_FEATURES))
        assert features.frame.shape == (len(features.time_s), len(FRAME_FEATURES))
        assert np.all(np.isfinite(features.attack))
        assert np.all(np.isfinite(features.frame))
        assert np.abs(features.attack).max() < 6.0


def test_a_repeat_a_leap_a_chord_and_a_rest_show() -> None:
    notes = [(60, 0.0, 1.0, 80), (60, 1.0, 1.0, 80), (72, 2.0, 1.0, 80), (76, 5.0, 1.0, 80), (72, 5.0, 1.0, 80)]
    hearing = heard(Line("Violins", 48, notes))
    assert column(hearing, "repeated").tolist() == [0, 1, 0, 0]
    assert column(hearing, "interval").tolist() == pytest.approx([0, 0, 1, 4 / 12])
    assert column(hearing, "n_notes").tolist() == pytest.approx([0, 0, 0, 1])  # log2
    assert column(hearing, "after_rest")[3] == 1
    assert column(hearing, "before_rest")[2] == 1


def test_downbeats_are_told_from_beats_and_only_where_there_is_a_metre() -> None:
    hearing = heard(Line("Violins", 48, tune(3)))
    assert column(hearing, "on_downbeat").tolist() == [1, 0, 0, 0] * 3
    tempo = replace(hearing.cue.tempo, has_metre=False)
    blind = replace(hearing, cue=replace(hearing.cue, tempo=tempo))
    for name in ("bar_sin", "bar_cos", "on_beat", "on_downbeat"):
        assert not column(blind, name).any()


def test_the_lines_around_show_in_density_but_not_how_long_the_cue_is() -> None:
    alone = heard(Line("Violins", 48, tune(4)))
    doubled = heard(Line("Violins", 48, tune(4)), Line("Flute", 73, tune(4, first=79)))
    assert not column(alone, "others_together").any()
    assert np.all(column(doubled, "others_together") > 0)
    assert np.all(column(doubled, "others_above") > 0)


def _edited(path: Path, *, last: int) -> Cue:
    first = tune(60)
    notes = [note if note[1] < BAR_BEATS * 50 else (last, *note[1:]) for note in first]
    return read_cue(write_cue(path, Line("Violins", 48, notes)))


def test_an_edit_in_bar_50_does_not_reach_bar_10(tmp_path: Path) -> None:
    left = attack_features(hear(_edited(tmp_path / "a.mid", last=60)), 0)
    right = attack_features(hear(_edited(tmp_path / "b.mid", last=90)), 0)
    early = slice(0, BAR_BEATS * 20)
    assert np.array_equal(left[early], right[early])
    assert not np.array_equal(left, right)
