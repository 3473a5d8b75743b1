"""Who has the tune, who the bass, who accompanies."""

from __future__ import annotations

from pathlib import Path

from heard_cues import Row, Voice, hear_voices, line, roles

TUNE = [
    (67, 1.0),
    (69, 0.5),
    (71, 0.5),
    (72, 1.5),
    (71, 0.5),
    (69, 1.0),
    (67, 1.0),
    (65, 0.5),
    (67, 0.5),
    (69, 1.5),
    (67, 0.5),
    (64, 3.0),
    (None, 1.0),
]


def tune(*, up: int = 0, at: float = 0.0, velocity: int = 75) -> list[Row]:
    return line(*((None if p is None else p + up, b) for p, b in TUNE), at=at, velocity=velocity)


def broken_chords(low: int) -> list[Row]:
    return line(*([(low + step, 0.5) for step in (0, 7, 4, 7)] * 7))


def test_a_tune_over_broken_chords(tmp_path: Path) -> None:
    top, below = hear_voices(tmp_path, Voice("Oboe", tune()), Voice("Clarinet", broken_chords(48)), bpm=90).parts
    assert set(roles(top)) == {"melody"}
    assert "melody" not in roles(below)


def test_a_cello_tune_under_repeated_quavers(tmp_path: Path) -> None:
    beat = [((72, 76), 0.5)] * 14 + [((71, 77), 0.5)] * 14
    above, cello = hear_voices(tmp_path, Voice("Violins", line(*beat)), Voice("Cello", tune(up=-19)), bpm=90).parts
    assert set(roles(cello)) == {"melody"}
    assert set(roles(above)) == {"chords"}


def test_a_chorale_has_the_tune_on_top_and_the_bass_below(tmp_path: Path) -> None:
    voices = (
        [72, 74, 76, 77, 76, 74, 72],
        [67, 67, 67, 69, 67, 65, 64],
        [64, 62, 60, 60, 60, 59, 55],
        [48, 47, 48, 41, 43, 43, 36],
    )
    names = ("Soprano", "Alto", "Tenor", "Double Bass")
    lines = (line(*((p, 1.0) for p in v[:-1]), (v[-1], 2.0)) for v in voices)
    heard = hear_voices(tmp_path, *(Voice(n, rows) for n, rows in zip(names, lines, strict=True)), bpm=80).parts
    assert [set(roles(part)) for part in heard] == [{"melody"}, {"chords"}, {"chords"}, {"bass"}]


def test_one_held_pitch_under_motion_is_a_pedal(tmp_path: Path) -> None:
    _, low = hear_voices(tmp_path, Voice("Oboe", tune()), Voice("Double Bass", line((36, 13.0))), bpm=90).parts
    assert roles(low) == ["pedal"]


def test_a_moving_lowest_line_is_the_bass(tmp_path: Path) -> None:
    bass = line((48, 2.0), (45, 2.0), (41, 2.0), (43, 2.0), (40, 2.0), (43, 1.0), (36, 2.0))
    _, mid, low = hear_voices(
        tmp_path,
        Voice("Oboe", tune()),
        Voice("Violas", line(((60, 64), 4.0), ((59, 62), 4.0), ((60, 64), 5.0))),
        Voice("Cello", bass),
        bpm=90,
    ).parts
    assert set(roles(low)) == {"bass"}
    assert set(roles(mid)) == {"chords"}


def test_octaves_are_one_melody(tmp_path: Path) -> None:
    one, two, low = hear_voices(
        tmp_path, Voice("Flute", tune(up=12)), Voice("Oboe", tune()), Voice("Bassoon", broken_chords(48)), bpm=90
    ).parts
    assert set(roles(one)) == set(roles(two)) == {"melody"}
    assert "melody" not in roles(low)


def test_two_lines_are_a_melody_and_a_counter_melody(tmp_path: Path) -> None:
    second = line(
        *(
            (None, 1.5),
            (60, 0.5),
            (62, 1.0),
            (64, 1.5),
            (62, 0.5),
            (60, 0.5),
            (59, 0.5),
            (57, 1.5),
            (59, 0.5),
            (60, 1.0),
        ),
        *((62, 0.5), (64, 0.5), (62, 1.5), (60, 1.0)),
        velocity=60,
    )
    top, below, low = hear_voices(
        tmp_path,
        Voice("Oboe", tune()),
        Voice("Clarinet", second),
        Voice("Cello", line((40, 4.0), (41, 4.0), (36, 5.0))),
        bpm=90,
    ).parts
    assert set(roles(top)) == {"melody"}
    assert set(roles(below)) == {"counter"}
    assert set(roles(low)) == {"bass"}


def test_a_lone_line_is_the_melody_wherever_it_lies(tmp_path: Path) -> None:
    heard = hear_voices(tmp_path, Voice("Cello", tune(up=-24)), Voice("Flute", tune(up=12, at=20.0)), bpm=90).parts
    assert [set(roles(part)) for part in heard] == [{"melody"}, {"melody"}]


def test_a_flourish_above_does_not_take_the_tune_away(tmp_path: Path) -> None:
    flourish = line(*((84 + step, 0.125) for step in (0, 2, 4, 5, 7, 9, 11, 12)), at=5.0)
    horn, flute = hear_voices(tmp_path, Voice("Horn", tune(up=-7, velocity=85)), Voice("Flute", flourish), bpm=90).parts
    assert set(roles(horn)) == {"melody"}
    assert "melody" not in roles(flute)


def test_percussion_has_no_tune(tmp_path: Path) -> None:
    drum, tune_ = hear_voices(
        tmp_path, Voice("Percussion", line(*((76, 0.5),) * 26)), Voice("Horn", tune(up=-7)), bpm=90
    ).parts
    assert "melody" not in roles(drum)
    assert set(roles(tune_)) == {"melody"}


def test_every_role_has_a_reason(tmp_path: Path) -> None:
    for part in hear_voices(tmp_path, Voice("Oboe", tune()), Voice("Clarinet", broken_chords(48)), bpm=90).parts:
        said = [s for s in part.situations if s.axis == "role"]
        assert said
        assert all(s.why for s in said)
