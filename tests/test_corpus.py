"""The cues the network learns from: readable, varied, repeatable, and free of what is kept for tests."""

from __future__ import annotations

from pathlib import Path

import mido
import numpy as np
import pytest

from phrasewright.data.errors import InputError
from phrasewright.model.hearing import FIGURES
from phrasewright.model.listening import hear
from phrasewright.training.corpus import (
    HELD_OUT,
    Score,
    cue_of,
    held_out,
    in_register,
    midi_bytes,
    performed,
    read_score,
    score_names,
    subdivided,
    training_sketch,
)
from phrasewright.training.textures import PLAYERS, Line, Sketch, invented

SMALL = Score(
    "haydn/opus1no1/movement1",
    tuple(tuple((float(k), 1.0, p + k % 5, 0) for k in range(64)) for p in (72, 65, 60, 48)),
    (4, 4),
)


def test_nothing_kept_for_tests_is_learned_from() -> None:
    names = [name for name in score_names() if not held_out(name)]
    assert len(names) > 300
    assert not any(word in name for name in names for word in ("beethoven", "schumann", "essen"))
    assert not set(names) & set(HELD_OUT)
    with pytest.raises(InputError, match="kept for tests"):
        read_score("beethoven/opus18no1/movement1")


def test_every_sixth_chorale_or_so_is_held_out() -> None:
    chorales = [name for name in score_names() if name.startswith("bach/")]
    assert 0.1 < np.mean([held_out(name) for name in chorales]) < 0.25


def test_a_score_is_read_as_lines_of_notes() -> None:
    """Bach's chorale BWV 66.6 as printed: four voices, 4/4, an upbeat of two eighths in the soprano."""
    score = read_score("bach/bwv66.6")
    assert score.metre == (4, 4)
    assert len(score.lines) == 4
    assert [row[:3] for row in score.lines[0][:3]] == [(0.0, 0.5, 73), (0.5, 0.5, 71), (1.0, 1.0, 69)]


def test_a_seed_gives_the_same_cue_and_another_seed_another() -> None:
    first, again, other = (midi_bytes(training_sketch(seed, scores=[SMALL])) for seed in (3, 3, 4))
    assert first == again
    assert first != other


@pytest.mark.parametrize("seed", range(6))
def test_cues_are_read_whole_by_an_independent_reader(seed: int, tmp_path: Path) -> None:
    sketch = training_sketch(seed, scores=[SMALL])
    path = tmp_path / "cue.mid"
    path.write_bytes(midi_bytes(sketch))
    tracks = mido.MidiFile(path).tracks
    for line, track in zip(sketch.lines, tracks[1:], strict=True):
        assert track.name == line.name
        assert sum(m.type == "note_on" and m.velocity > 0 for m in track) == len(line.rows)
    cue = cue_of(sketch)
    assert [part.program for part in cue.parts] == [line.program for line in sketch.lines]
    assert any(part.shaped for part in cue.parts)


def test_invented_cues_hold_every_figure() -> None:
    found: set[int] = set()
    for seed in range(12):
        rng = np.random.default_rng(seed)
        hearing = hear(cue_of(performed(invented(rng), rng)))
        found |= {int(f) for part in hearing.parts for f in part.attacks.figure}
    assert found == set(range(len(FIGURES)))


def test_lines_are_put_where_the_player_can_play_them() -> None:
    player = next(p for p in PLAYERS if p.name == "Tuba")
    moved = in_register([(0.0, 1.0, 84, 0), (1.0, 1.0, 91, 0), (2.0, 1.0, 60, 0)], player)
    assert all(player.low <= pitch <= player.high for _, _, pitch, _ in moved)
    assert [pitch % 12 for _, _, pitch, _ in moved] == [0, 7, 0]


def test_a_subdivided_note_keeps_its_length() -> None:
    rows = subdivided([(0.0, 2.25, 60, 0)], 0.5)
    assert [row[0] for row in rows] == [0.0, 0.5, 1.0, 1.5, 2.0]
    assert sum(row[1] for row in rows) == pytest.approx(2.25)


def test_words_and_marks_reach_the_reader() -> None:
    line = Line("Violas", 41, tuple((float(k), 1.0, 60, 80) for k in range(16)), ((4.0, "pizz."), (12.0, "arco")))
    cue = cue_of(Sketch((line,), ((0.0, 120.0),), marks=((8.0, "cresc."),)))
    assert [(p.kind, p.start_s) for p in cue.parts[0].passages][1:] == [("decaying", 2.0), ("sustained", 6.0)]
    assert [(mark.text, mark.time_s) for mark in cue.marks if mark.text == "cresc."] == [("cresc.", 4.0)]
