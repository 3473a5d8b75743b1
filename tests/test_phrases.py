"""Phrases as a musician would mark them, each note in exactly one, and no decision from far away."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from heard_cues import Row, Voice, hear_voices, line, phrase_starts, write_voices
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from phrasewright.data.reading import read_cue
from phrasewright.data.tempo import TempoMap, smpte_map, tempo_map
from phrasewright.model.hearing import PartHearing
from phrasewright.model.listening import hear
from phrasewright.model.phrases import LONGEST_S, Line, find_cuts

QUESTION = [(67, 1.0), (69, 1.0), (71, 1.0), (72, 1.0), (74, 1.5), (72, 0.5), (71, 2.0)]
ANSWER = [(72, 1.0), (71, 1.0), (69, 1.0), (67, 1.0), (66, 1.5), (64, 0.5), (62, 2.0)]


def check_partition(heard: PartHearing) -> None:
    """Phrases follow each other without gaps in notes and attacks, in order of time."""
    at = 0
    for number, phrase in enumerate(heard.phrases):
        assert phrase.first_note == at
        assert phrase.last_note >= phrase.first_note
        assert phrase.end_s > phrase.start_s
        assert 0 <= phrase.strength <= 1
        assert phrase.why
        assert set(heard.attacks.phrase[phrase.first_attack : phrase.last_attack + 1].tolist()) == {number}
        at = phrase.last_note + 1
    assert at == heard.part.notes.n_notes


def test_a_breath_between_question_and_answer_ends_the_phrase(tmp_path: Path) -> None:
    tune = line(*QUESTION[:-1], (71, 1.5), (None, 0.5), *ANSWER)
    heard = hear_voices(tmp_path, Voice("Oboe", tune), bpm=96).parts[0]
    assert phrase_starts(heard) == [0.0, 5.0]
    assert "rest" in heard.phrases[1].why


def test_long_notes_and_whole_bars_part_a_tune_without_rests(tmp_path: Path) -> None:
    heard = hear_voices(tmp_path, Voice("Oboe", line(*QUESTION, *ANSWER, *QUESTION, *ANSWER)), bpm=96).parts[0]
    assert phrase_starts(heard) == [0.0, 5.0, 10.0, 15.0]
    check_partition(heard)


def test_detached_notes_are_not_parted_by_their_silences(tmp_path: Path) -> None:
    heard = hear_voices(
        tmp_path, Voice("Violins", line(*([(72, 1.0), (74, 1.0), (76, 1.0), (74, 1.0)] * 2), share=0.4))
    )
    assert len(heard.parts[0].phrases) == 1


def test_a_silence_of_a_bar_always_ends_a_phrase(tmp_path: Path) -> None:
    heard = hear_voices(tmp_path, Voice("Oboe", line((72, 1), (74, 1), (None, 4), (76, 1), (77, 1)))).parts[0]
    assert phrase_starts(heard) == [0.0, 3.0]
    assert heard.phrases[1].strength == 1


def test_chords_are_phrased_by_their_attacks(tmp_path: Path) -> None:
    chords = [((60, 64, 67), 2.0), ((60, 65, 69), 2.0), ((59, 62, 67), 2.0), ((60, 64, 67), 1.5), (None, 0.5)]
    heard = hear_voices(tmp_path, Voice("Choir", line(*chords, *chords)), bpm=80).parts[0]
    assert phrase_starts(heard) == [0.0, 6.0]
    assert [phrase.first_note for phrase in heard.phrases] == [0, 12]


def test_tracks_of_one_instrument_share_their_phrases(tmp_path: Path) -> None:
    tune = line(*QUESTION[:-1], (71, 1.5), (None, 0.5), *ANSWER)
    cue = read_cue(write_voices(tmp_path / "split.mid", Voice("One", tune[::2]), Voice("Two", tune[1::2]), bpm=96))
    cue = replace(cue, parts=tuple(replace(part, group=1) for part in cue.parts))
    one, two = hear(cue).parts
    assert [(p.start_s, p.end_s) for p in one.phrases] == [(p.start_s, p.end_s) for p in two.phrases]
    assert phrase_starts(one) == [0.0, 5.0]
    assert one.part.notes.onset_s[one.phrases[0].last_note] < 5.0
    assert two.part.notes.onset_s[two.phrases[0].last_note] < 5.0


def test_without_metre_a_breath_is_still_heard() -> None:
    on_s = np.array([0.0, 0.6, 1.2, 1.8, 2.7, 3.0, 4.8, 5.4, 6.0, 6.6])
    off_s = np.append(on_s[1:], 7.8)
    off_s[5] = 4.2
    pitch = np.array([67.0, 69, 71, 72, 74, 71, 72, 71, 69, 67])
    cuts = find_cuts(Line(on_s, on_s * 2, off_s, pitch), smpte_map(1000.0))
    assert [cut.time_s for cut in cuts] == [0.0, 4.8]


def even_line(n: int) -> Line:
    on_s = np.arange(n) * 0.25
    return Line(on_s, on_s * 2, on_s + 0.25, 60.0 + np.arange(n) % 4)


@pytest.mark.parametrize("tempo", [smpte_map(1000.0), tempo_map([], [], ticks_per_beat=480)])
def test_an_endless_figure_is_cut_into_phrases_of_bearable_length(tempo: TempoMap) -> None:
    starts = [cut.time_s for cut in find_cuts(even_line(1200), tempo)]
    lengths = np.diff([*starts, 300.0])
    assert lengths.max() <= 2 * LONGEST_S
    assert lengths.min() >= 1.0


@settings(deadline=None, max_examples=15, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    st.lists(
        st.tuples(st.sampled_from([None, 60, 62, 64, 65, 67, (60, 64)]), st.sampled_from([0.25, 0.5, 1.0, 2.0, 4.0])),
        min_size=1,
        max_size=60,
    ).filter(lambda steps: any(what is not None for what, _ in steps))
)
def test_every_note_belongs_to_one_phrase(tmp_path: Path, steps: list[tuple[int | None, float]]) -> None:
    check_partition(hear_voices(tmp_path, Voice("Oboe", line(*steps))).parts[0])


def sixty_bars(change: list[Row]) -> list[Row]:
    """A long line without a rest; the change replaces bar 60."""
    rng = np.random.default_rng(3)
    steps = []
    for _ in range(70):
        rhythm = [[1.0, 1.0, 2.0], [0.5] * 8, [1.5, 0.5, 1.0, 1.0], [4.0]][rng.integers(4)]
        steps += [(int(60 + rng.integers(13)), beats) for beats in rhythm]
    return [row for row in line(*steps) if not 236 <= row[1] < 240] + change


def test_an_edit_in_bar_60_leaves_the_phrases_near_bar_10_alone(tmp_path: Path) -> None:
    one = hear_voices(tmp_path, Voice("Oboe", sixty_bars(line((72, 4.0), at=236)))).parts[0]
    two = hear_voices(tmp_path, Voice("Oboe", sixty_bars(line((72, 1.0), (None, 2.0), (55, 1.0), at=236)))).parts[0]
    until_s = 40 * 2.0
    assert [p for p in one.phrases if p.end_s < until_s] == [p for p in two.phrases if p.end_s < until_s]


def test_an_edit_in_bar_10_leaves_the_phrases_near_bar_60_alone(tmp_path: Path) -> None:
    rows = sixty_bars(line((72, 4.0), at=236))
    edited = [(p + 5, *rest) if 36 <= rest[0] < 40 else (p, *rest) for p, *rest in rows]
    one, two = (hear_voices(tmp_path, Voice("Oboe", r)).parts[0] for r in (rows, edited))
    from_s = 30 * 2.0
    assert [p for p in one.phrases if p.start_s > from_s] == [p for p in two.phrases if p.start_s > from_s]
