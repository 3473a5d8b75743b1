"""What the texture says about loudness where nobody else says anything."""

from __future__ import annotations

import numpy as np
from drawn_cues import Line
from marked_cues import marked_cue
from numpy.typing import NDArray
from played_lines import Note, heard, line

from phrasewright.model.listening import hear
from phrasewright.model.texture import STEP_S, texture_db


def at(texture: NDArray[np.float64], first_s: float, last_s: float) -> float:
    return float(texture[round(first_s / STEP_S) : round(last_s / STEP_S)].mean())


def steady(first_beat: float, beats: float, pitch: int) -> list[Note]:
    return line([pitch, pitch + 2] * int(beats / 2), 1.0, start=first_beat)


def test_a_tutti_is_a_little_louder_than_what_surrounds_it() -> None:
    lines = [Line("Violin", 40, steady(0, 60, 67))]
    lines += [Line(f"Part {k}", 42 + k, steady(20, 20, 48 + k)) for k in range(6)]
    texture = heard(*lines).texture_db
    assert 0.4 < at(texture, 12, 18) - at(texture, 2, 7) < 2.4
    assert np.abs(texture).max() <= 1.2


def test_a_line_without_change_has_no_texture_to_speak_of() -> None:
    texture = heard(Line("Violin", 40, steady(0, 60, 67))).texture_db
    assert np.ptp(texture) < 0.3


def test_a_climb_and_a_stir_count_a_little() -> None:
    climb = heard(Line("Violin", 40, steady(0, 30, 60) + steady(30, 30, 79))).texture_db
    assert 0.1 < at(climb, 16, 24) - at(climb, 6, 13) < 1.5


def test_what_is_far_away_has_no_say() -> None:
    one = [Line("Violin", 40, steady(0, 160, 67))]
    more = [*one, Line("Flute", 73, steady(120, 20, 80))]
    plain, changed = heard(*one).texture_db, heard(*more).texture_db
    until = round((60 - 16.5) / STEP_S)
    assert np.array_equal(plain[:until], changed[:until])
    assert not np.array_equal(plain, changed)


def test_where_the_composer_has_spoken_the_texture_is_silent() -> None:
    assert len(hear(marked_cue(conductor=[(3, "f")])).texture_db) == 0
    assert len(hear(marked_cue()).texture_db) > 0


def test_nothing_to_hear_is_no_fault() -> None:
    assert texture_db([]).tolist() == [0.0]
