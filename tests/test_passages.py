"""Programs, words and track names say how a stretch is played; articulation keys are told from real notes."""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from midi_bytes import END, chunk, cue_from, line, name, program, smf, text

from phrasewright.data.cue import Part
from phrasewright.data.instruments import INSTRUMENTS
from phrasewright.data.notes import Notes
from phrasewright.data.passages import articulation_words, base_words, switch_mask

FOUR = [72, 74, 76, 77]  # four quarters, two seconds


def part(folder: Path, *events: bytes) -> Part:
    return cue_from(folder, smf(chunk(*events, END))).parts[0]


def kinds(folder: Path, *events: bytes) -> list[str]:
    passages = part(folder, *events).passages
    assert passages[0].start_s == 0
    assert passages[-1].end_s == float(part(folder, *events).notes.offset_s.max())
    assert all(a.end_s == b.start_s for a, b in pairwise(passages))
    return [passage.kind for passage in passages]


def test_a_line_that_is_plucked_for_a_while(tmp_path: Path) -> None:
    plucked = part(tmp_path, program(40), line(FOUR), program(45), line(FOUR), program(40), line(FOUR))
    assert [(p.kind, p.start_s, p.end_s) for p in plucked.passages] == [
        ("sustained", 0.0, 2.0),
        ("decaying", 2.0, 4.0),
        ("sustained", 4.0, 6.0),
    ]
    assert "pizzicato" in plucked.passages[1].why
    assert plucked.kind == "sustained"
    assert "vibrato" in plucked.lane_cc


def test_tremolo_is_sustained(tmp_path: Path) -> None:
    assert kinds(tmp_path, program(48), line(FOUR), program(44), line(FOUR)) == ["sustained"]


def test_a_line_that_begins_plucked_is_still_bowed_later(tmp_path: Path) -> None:
    begun = part(tmp_path, program(45), line(FOUR), program(42), line([48, 50]))
    assert [p.kind for p in begun.passages] == ["decaying", "sustained"]
    assert (begun.kind, begun.instrument.name, begun.program) == ("sustained", "cello", 45)


def test_pizzicato_alone_is_not_shaped(tmp_path: Path) -> None:
    for named in (b"", name("Violins I"), name("Violins I pizz.")):
        plucked = part(tmp_path, named, program(45), line(FOUR))
        assert (plucked.kind, plucked.lane_cc) == ("decaying", {})


def test_a_slot_used_by_two_instruments(tmp_path: Path) -> None:
    both = part(tmp_path, program(0), line(FOUR), program(73), line(FOUR))
    assert [p.kind for p in both.passages] == ["decaying", "sustained"]
    assert both.instrument.name == "flute"


def test_a_program_that_contradicts_the_name_says_nothing(tmp_path: Path) -> None:
    assert kinds(tmp_path, name("Violins I"), program(0), line(FOUR), program(24), line(FOUR)) == ["sustained"]


@pytest.mark.parametrize(
    ("word", "kind"),
    [
        ("pizz.", "decaying"),
        ("Pizzicato", "decaying"),
        ("col legno battuto", "decaying"),
        ("spicc.", "short"),
        ("stacc.", "short"),
        ("sempre staccato", "short"),
        ("sautill\u00e9", "short"),
    ],
)
def test_words_hold_until_arco(tmp_path: Path, word: str, kind: str) -> None:
    found = kinds(tmp_path, name("Viola"), line(FOUR), text(word), line(FOUR), text("arco"), line(FOUR))
    assert found == ["sustained", kind, "sustained"]


@pytest.mark.parametrize("word", ["con sord.", "trem.", "legato", "espr.", "dolce", "Letter A", "harmonics"])
def test_words_that_leave_a_line_sustained(tmp_path: Path, word: str) -> None:
    assert kinds(tmp_path, name("Viola"), line(FOUR), text(word), line(FOUR)) == ["sustained"]


def test_prose_and_lyrics_are_no_instructions(tmp_path: Path) -> None:
    prose = text("Please play the pizzicato version of this cue if the hall is dry")
    lyric = text("stacc", kind=0x05)
    assert kinds(tmp_path, name("Viola"), prose, lyric, line(FOUR)) == ["sustained"]


def test_a_note_played_in_just_ahead_of_the_word_belongs_to_it(tmp_path: Path) -> None:
    early = part(
        tmp_path, name("Viola"), line([60, 62], 96), b"\x00\x90\x40\x50", text("pizz.", delta=5), b"\x5b\x80\x40\x40"
    )
    assert [p.start_s for p in early.passages] == [0.0, 1.0]


def test_notes_pulled_ahead_of_the_bar_belong_to_the_word_on_its_downbeat(tmp_path: Path) -> None:
    pulled = (name("Viola"), line([60, 62, 64, 65]), text("pizz.", delta=23), line([67, 69]))  # 120 ms are 23 ticks
    assert [p.start_s for p in part(tmp_path, *pulled).passages][1] == pytest.approx(2.12, abs=0.01)
    ahead = (
        name("Viola"),
        line([60, 62, 64]),
        b"\x00\x90\x41\x50",
        text("pizz.", delta=23),
        b"\x49\x80\x41\x40",
        line([67]),
    )
    assert [p.start_s for p in part(tmp_path, *ahead).passages] == [0.0, 1.5]


def test_a_word_on_a_note_does_not_reach_back_to_the_one_before(tmp_path: Path) -> None:
    fast = part(tmp_path, name("Viola"), line([60, 62, 64, 65], 24), text("pizz."), line([67, 69], 24))
    assert [p.start_s for p in fast.passages] == [0.0, 0.5]


def test_a_word_before_the_first_note_holds_from_the_start(tmp_path: Path) -> None:
    assert kinds(tmp_path, name("Viola"), text("pizz.", delta=50), line(FOUR), text("arco"), line(FOUR)) == [
        "decaying",
        "sustained",
    ]


def test_a_word_in_the_name_holds_for_the_part(tmp_path: Path) -> None:
    assert kinds(tmp_path, name("Violins I spicc"), program(48), line(FOUR)) == ["short"]
    assert kinds(tmp_path, name("Horns shorts"), program(60), line(FOUR)) == ["short"]
    assert kinds(tmp_path, name("Celli legato"), program(48), line(FOUR)) == ["sustained"]
    short = part(tmp_path, name("Violins I spicc"), program(48), line(FOUR))
    assert short.kind == "sustained"
    assert set(short.lane_cc) == {"dynamics", "expression", "vibrato"}


def test_a_harp_rings_off_whatever_is_said(tmp_path: Path) -> None:
    harp = part(tmp_path, name("Harp"), program(46), text("arco"), line(FOUR))
    assert ([p.kind for p in harp.passages], harp.kind, harp.lane_cc) == (["decaying"], "decaying", {})


def test_names_without_their_articulation() -> None:
    assert base_words("Violins I legato") == base_words("Violins I - Spicc.") == ("violins", "i")
    assert articulation_words("Violins I col legno") == ("col legno",)
    assert articulation_words("Violins I") == ()


LINE = [(i * 0.5, 0.5, 67 + i % 9) for i in range(24)]


def notes(rows: list[tuple[float, float, int]], *, velocity: int = 80) -> Notes:
    """From (onset in s, length in s, pitch)."""
    table = sorted(rows, key=lambda row: (round(row[0] * 1000), -row[2]))
    onset = np.array([row[0] for row in table])
    offset = onset + np.array([row[1] for row in table])
    ticks = [np.rint(a * 1000).astype(np.int64) for a in (onset, offset)]
    pitch = np.array([row[2] for row in table], dtype=np.int64)
    return Notes(onset, offset, onset * 2, offset * 2, *ticks, pitch, np.full(len(pitch), velocity))


def found(rows: list[tuple[float, float, int]], instrument: str = "violin", **more: tuple[int, int]) -> list[int]:
    some = notes(rows)
    return sorted(set(some.pitch[switch_mask(some, INSTRUMENTS[instrument], **more)].tolist()))


@pytest.mark.parametrize(
    "switches",
    [
        [(0.0, 0.05, 24), (3.0, 0.05, 26)],  # struck with the note
        [(2.95, 0.04, 24)],  # just before it
        [(2.9, 6.3, 24), (9.4, 2.0, 25)],  # held under the music
        [(i * 0.5, 0.02, 24 + i % 4) for i in range(24)],  # one before each note
        [(2.9, 0.3, 120)],  # above the range
    ],
)
def test_keys_far_outside_the_range_are_switches(switches: list[tuple[float, float, int]]) -> None:
    assert found(LINE + switches) == sorted({key for _, _, key in switches})


def test_keys_close_under_a_low_instrument_are_switches() -> None:
    low = [(onset, length, pitch - 31) for onset, length, pitch in LINE]  # celli from their low C
    assert found([*low, (2.95, 0.1, 24), (5.0, 2.0, 26)], "cello") == [24, 26]


def test_real_low_and_high_notes_stay_music() -> None:
    assert found([*LINE, (12.0, 0.5, 55), (12.5, 2.0, 105)]) == []
    tuned_down = [(i * 0.5, 0.5, pitch) for i, pitch in enumerate([58, 57, 55, 54, 53, 55, 58, 60])]
    assert found(tuned_down) == []
    bass = [(i * 0.5, 0.5, pitch) for i, pitch in enumerate([40, 28, 24, 23, 24, 28, 36, 43])]
    assert found(bass, "double bass") == []
    assert found([(0.0, 1.0, 41), (1.0, 1.0, 34), (2.0, 3.0, 33), (5.0, 1.0, 41)], "horn") == []


def test_a_lone_low_note_a_tone_below_the_range_is_a_retuned_string() -> None:
    assert found([*LINE, (12.0, 1.5, 54)]) == []


def test_a_transposed_part_has_no_switches() -> None:
    assert found([(onset, length, pitch - 36) for onset, length, pitch in LINE]) == []


def test_chords_of_the_wrong_instrument_stay_music() -> None:
    chords = [(i * 2.0, 2.0, pitch) for i in range(8) for pitch in (48 + i, 52 + i, 60 + i, 67 + i)]
    assert found(chords) == []


def test_an_unknown_instrument_has_only_very_low_switches() -> None:
    unknown = INSTRUMENTS["synth"]
    rows = notes([*LINE, (0.0, 0.1, 12)])
    assert rows.pitch[switch_mask(rows, unknown)].tolist() == [12]
    low = notes([*LINE, (0.0, 0.1, 12), (6.0, 1.0, 40)])
    assert not switch_mask(low, unknown).any()


def test_a_drum_kit_has_none() -> None:
    assert found([*LINE, (0.0, 0.1, 12)], "timpani") == []


def test_a_profile_decides_alone() -> None:
    assert found([*LINE, (0.0, 0.1, 24)], profiled=(67, 68)) == [67, 68]
    assert found([*LINE, (0.0, 0.1, 24)], profiled=(0, 10)) == []
    assert found(LINE, profiled=(0, 127)) == [], "a part that is all switches is none"


@given(
    rows=st.lists(st.tuples(st.floats(0, 60), st.floats(0.01, 4), st.integers(0, 127)), min_size=1, max_size=30),
    name=st.sampled_from(sorted(INSTRUMENTS)),
)
def test_some_music_always_remains_and_nothing_inside_the_range_is_taken(
    rows: list[tuple[float, float, int]], name: str
) -> None:
    some, instrument = notes(rows), INSTRUMENTS[name]
    mask = switch_mask(some, instrument)
    assert not mask.all()
    if (instrument.low, instrument.high) != (0, 127):
        taken = some.pitch[mask]
        assert np.all((taken < instrument.low) | (taken > instrument.high))
