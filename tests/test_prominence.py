"""What stands out of what sounds with it: each reason alone."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from heard_cues import Row, Voice, hear_voices, line, roles

from phrasewright.model.prominence import WEIGHTS, melodies
from phrasewright.model.stretches import pairs_of, stretches_of

TUNE = ((67, 1.0), (69, 0.5), (71, 0.5), (72, 1.0), (71, 0.5), (69, 0.5), (67, 1.0), (65, 0.5), (64, 0.5), (62, 2.0))
EVEN = (67, 69, 71, 72, 71, 69, 67, 69, 65, 67, 69, 71, 69, 67, 65, 64)


def tune(*, up: int = 0, times: int = 2, velocity: int = 75) -> list[Row]:
    return line(*((pitch + up, length) for pitch, length in TUNE * times), velocity=velocity)


def even(*, up: int = 0) -> list[Row]:
    """A tune in nothing but quavers, as dances have them."""
    return line(*((pitch + up, 0.5) for pitch in EVEN * 2))


@pytest.mark.parametrize("instrument", ["Cello", "Horn", "Bassoon"])
def test_a_low_tune_under_held_violins_has_the_melody(tmp_path: Path, instrument: str) -> None:
    chords = ((79, 76, 72), (77, 74, 71), (79, 76, 72), (77, 72, 69))
    desks = [line(*((chord[k], 4.0) for chord in chords)) for k in range(3)]
    voices = [Voice(name, rows) for name, rows in zip(("Violins I", "Violins II", "Violas"), desks, strict=True)]
    *above, low = hear_voices(tmp_path, *voices, Voice(instrument, even(up=-17)), bpm=100).parts
    assert set(roles(low)) == {"melody"}
    assert all("melody" not in roles(part) for part in above)


def test_a_cello_tune_stands_out_of_broken_chords_above_it(tmp_path: Path) -> None:
    broken = line(*((pitch, 0.5) for chord in ((72, 76, 79), (71, 74, 79)) * 2 for pitch in chord * 2 + chord[:2]))
    bass = line(*((pitch, 4.0) for pitch in (43, 38, 43, 43)))
    above, tune_, _ = hear_voices(
        tmp_path, Voice("Harp", broken), Voice("Cello", tune(up=-12)), Voice("Double Bass", bass), bpm=100
    ).parts
    assert set(roles(tune_)) == {"melody"}
    assert "melody" not in roles(above)


def test_of_lines_in_one_rhythm_the_upper_one_sings_though_a_figure_lies_above(tmp_path: Path) -> None:
    """A choir under a piano: the soprano has the melody, the alto goes with it, the piano accompanies."""
    figure = line(*((pitch, 0.5) for pitch in (76, 79, 84, 79) * 8))
    top, alto, piano = hear_voices(
        tmp_path, Voice("Soprano", tune()), Voice("Alto", tune(up=-4)), Voice("Piano", figure), bpm=80
    ).parts
    assert set(roles(top)) == {"melody"}
    assert "melody" not in roles(alto) + roles(piano)


def test_of_two_like_tunes_the_louder_one_has_the_melody(tmp_path: Path) -> None:
    under = line((None, 0.5), *((pitch - 7, length) for pitch, length in TUNE * 2), velocity=110)
    over, low = hear_voices(tmp_path, Voice("Oboe", tune(velocity=50)), Voice("Clarinet", under), bpm=90).parts
    assert "melody" in roles(low)
    assert "melody" not in roles(over)


@pytest.mark.parametrize(("points", "sings"), [(5.0, "line"), (20.0, "flourish")])
def test_a_flourish_must_stand_out_clearly_to_silence_a_longer_line(tmp_path: Path, points: float, sings: str) -> None:
    """Else nobody would sing from the end of the flourish to the end of the line."""
    flourish = line((None, 2.0), *((pitch, 0.5) for pitch in (79, 81, 83)), (84, 0.5))
    hearing = hear_voices(tmp_path, Voice("Flute", flourish), Voice("Violins", tune(times=1)), bpm=80)
    stretches = stretches_of([(part.attacks, part.phrases) for part in hearing.parts])
    pairs = pairs_of(stretches, [(part.attacks, part.phrases) for part in hearing.parts])
    rank = np.where(stretches.part == 0, points, 0.0)
    melody = melodies(stretches, pairs, rank, able=np.ones(len(rank), dtype=bool))
    assert set(stretches.part[melody]) == {1 if sings == "line" else 0}


def test_what_speaks_for_a_melody_is_common_practice() -> None:
    against = {name for name, points in WEIGHTS.items() if points < 0}
    assert against == {"returns", "even", "accompanying", "under", "held"}
    assert sum(abs(points) for points in WEIGHTS.values()) == pytest.approx(100, abs=5)
