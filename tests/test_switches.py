"""Notes that only select articulations are told from real low and high notes."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from phrasewright.data.instruments import INSTRUMENTS
from phrasewright.data.notes import Notes
from phrasewright.data.switches import switch_mask

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
