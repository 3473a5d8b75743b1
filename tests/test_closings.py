"""How a cue and its sections end: on a held sonority that falls, unless there is evidence for a rise."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from heard_cues import Row, Voice, events, hear_voices, line

from phrasewright.model.hearing import EVENTS, CueHearing

BODY = [(67, 2.0), (69, 2.0), (67, 2.0), (65, 2.0), (67, 2.0), (69, 2.0), (67, 2.0), (65, 2.0)]
END = [(67, 2.0), (65, 2.0), (67, 4.0)]


def closing(heard: CueHearing) -> set[str]:
    return {s.label for part in heard.parts for s in part.situations if s.label.startswith("closing")}


def louder(rows: list[Row], *, by: int) -> list[Row]:
    last = len(rows) - 1
    return [(p, at, b, v + round(by * i / last)) for i, (p, at, b, v) in enumerate(rows)]


def test_a_cue_ends_falling(tmp_path: Path) -> None:
    heard = hear_voices(tmp_path, Voice("Violins", line(*BODY, *END)))
    assert closing(heard) == {"closing-fall"}
    found = events(heard.parts[0])
    assert found[-1] == "closing-fall"
    assert set(found[:-1]) == {"none"}


def test_slow_chords_that_go_on_at_one_pace_have_no_closing(tmp_path: Path) -> None:
    assert closing(hear_voices(tmp_path, Voice("Horns", line(*((p, 8.0) for p in (60, 62, 64, 62, 60)))))) == set()


def test_a_short_last_stroke_is_no_closing(tmp_path: Path) -> None:
    assert closing(hear_voices(tmp_path, Voice("Violins", line(*BODY, (67, 1.0))))) == set()


def test_a_held_chord_that_rises_into_one_last_stroke_closes_the_cue(tmp_path: Path) -> None:
    held = [(p, 16.0, 6.0, 95) for p in (72, 79)]
    rows = [*line(*BODY), *held, (84, 22.0, 1.0, 115)]
    heard = hear_voices(tmp_path, Voice("Violins", rows))
    assert closing(heard) == {"closing-rise"}
    assert events(heard.parts[0])[-3:] == ["closing-rise"] * 3
    soft = [(p, at, b, 60) for p, at, b, _ in rows]
    assert closing(hear_voices(tmp_path, Voice("Violins", soft), marks=[(16.0, "dim.")])) == set()


def test_what_is_held_into_the_end_belongs_to_it_and_so_do_strokes_of_one_pitch(tmp_path: Path) -> None:
    tremolo = [(55, 24.0 + 0.25 * i, 0.25, 70) for i in range(32)]
    held = [(48, 20.0, 12.0, 70)]
    tune = line(*BODY, *BODY[:4], (67, 8.0))
    heard = hear_voices(tmp_path, Voice("Violins", tune), Voice("Violas", tremolo), Voice("Cello", held))
    assert [events(part).count("closing-fall") for part in heard.parts] == [1, 32, 1]


def test_the_approach_is_shaped_with_the_closing(tmp_path: Path) -> None:
    heard = hear_voices(tmp_path, Voice("Violins", line(*BODY, *END))).parts[0]
    shaped = heard.attacks.event == EVENTS.index("closing-fall")
    assert shaped[-1]
    assert heard.attacks.onset_s[shaped][0] <= heard.attacks.release_s[-1] - 3.0
    assert not shaped[0]


@pytest.mark.parametrize("mark", ["cresc.", "crescendo", "molto cresc."])
def test_a_mark_makes_it_rise(tmp_path: Path, mark: str) -> None:
    heard = hear_voices(tmp_path, Voice("Violins", line(*BODY, *END)), marks=[(16.0, mark)])
    assert closing(heard) == {"closing-rise"}
    assert any(mark in s.why for s in heard.parts[0].situations if s.label == "closing-rise")


def test_a_falling_mark_outweighs_a_climbing_top(tmp_path: Path) -> None:
    rows = line(*BODY, (72, 2.0), (76, 2.0), (79, 4.0), velocity=90)
    assert closing(hear_voices(tmp_path, Voice("Violins", rows))) == {"closing-rise"}
    assert closing(hear_voices(tmp_path, Voice("Violins", rows), marks=[(16.0, "dim.")])) == {"closing-fall"}


def test_rising_velocities_make_it_rise(tmp_path: Path) -> None:
    assert closing(hear_voices(tmp_path, Voice("Violins", louder(line(*BODY, *END, velocity=50), by=60)))) == {
        "closing-rise"
    }
    assert closing(hear_voices(tmp_path, Voice("Violins", louder(line(*BODY, *END, velocity=100), by=-40)))) == {
        "closing-fall"
    }


def test_parts_that_come_in_make_it_rise(tmp_path: Path) -> None:
    added = [Voice(name, line((p, 4.0), at=20.0, velocity=90)) for name, p in (("Horns", 60), ("Trombones", 52))]
    assert closing(hear_voices(tmp_path, Voice("Violins", line(*BODY, *END)), *added)) == {"closing-rise"}


def test_all_parts_close_alike_and_percussion_with_them(tmp_path: Path) -> None:
    low = [(p - 24, *rest) for p, *rest in line(*BODY, *END)]
    drum = line(*((76, 1.0),) * 24)
    heard = hear_voices(tmp_path, Voice("Violins", line(*BODY, *END)), Voice("Cello", low), Voice("Percussion", drum))
    assert [events(part)[-1] for part in heard.parts] == ["closing-fall"] * 3
    assert set(events(heard.parts[2])[:-4]) == {"none"}


def test_a_section_closes_before_a_long_rest_of_all(tmp_path: Path) -> None:
    rows = line(*BODY, *END) + line(*BODY, *END, at=32.0)
    found = events(hear_voices(tmp_path, Voice("Violins", rows)).parts[0])
    assert found[len(BODY) + len(END) - 1] == "closing-fall"
    assert found[len(BODY) + len(END)] == "none"
    assert found[-1] == "closing-fall"


def test_a_part_that_has_stopped_long_before_does_not_close(tmp_path: Path) -> None:
    heard = hear_voices(
        tmp_path, Voice("Violins", line(*BODY, *END)), Voice("Oboe", line((72, 2.0), (71, 2.0), (72, 2.0)))
    )
    assert set(events(heard.parts[1])) == {"none"}


def test_a_part_that_leaves_just_before_the_closing_is_shaped_as_before(tmp_path: Path) -> None:
    """Its last phrase bears no name of a closing, so it has to stay within the range of any phrase."""
    low = [(p - 24, *rest) for p, *rest in line(*BODY, (67, 2.0), (65, 2.0))]
    heard = hear_voices(tmp_path, Voice("Violins", line(*BODY, *END)), Voice("Cello", low))
    assert events(heard.parts[0])[-1] == "closing-fall"
    assert set(events(heard.parts[1])) == {"none"}
    assert not np.any(heard.parts[1].attacks.event)
