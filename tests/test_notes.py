"""Note-ons and note-offs become the notes a player hears; notes refuse what is no music and know when they sound."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from midi_bytes import END, chunk, control, line, note, smf

from phrasewright.data.midi import split_midi
from phrasewright.data.notes import Notes, channels_with_notes, pair_notes, sounding_spans
from phrasewright.data.tempo import tempo_map


def notes(rows: list[tuple[int, int, int]]) -> Notes:
    """From (onset, offset, pitch), a tick being a hundredth of a second."""
    onset, offset, pitch = np.array(rows, dtype=np.int64).reshape(-1, 3).T.copy()
    s = (onset / 100, offset / 100)
    return Notes(*s, s[0] * 2, s[1] * 2, onset, offset, pitch, np.full(len(pitch), 80))


def test_sounding_spans_merge_what_overlaps_or_touches() -> None:
    held = notes([(0, 500, 48), (100, 200, 60), (500, 600, 50), (700, 800, 52)])
    np.testing.assert_allclose(sounding_spans(held), [[0, 6], [7, 8]])
    assert sounding_spans(notes([])).shape == (0, 2)


def test_the_highest_of_a_chord_stands_first() -> None:
    assert notes([(0, 10, 67), (0, 10, 60)]).pitch.tolist() == [67, 60]
    with pytest.raises(ValueError, match="highest first"):
        notes([(0, 10, 60), (0, 10, 67)])


def test_notes_are_checked_when_built() -> None:
    with pytest.raises(ValueError, match="sorted by onset"):
        notes([(50, 60, 60), (0, 10, 60)])
    with pytest.raises(ValueError, match="at least one tick"):
        notes([(0, 0, 60)])
    with pytest.raises(ValueError, match=r"0\.\.127"):
        notes([(0, 10, 128)])
    with pytest.raises(ValueError, match="one length"):
        Notes(np.zeros(2), *(np.zeros(1) for _ in range(7)))


def test_notes_cannot_be_changed_in_place() -> None:
    with pytest.raises(ValueError, match="read-only"):
        notes([(0, 10, 60)]).pitch[0] = 61


def test_taking_keeps_rows_together() -> None:
    some = notes([(0, 10, 60), (20, 30, 62), (40, 50, 64)]).take(np.array([True, False, True]))
    assert (some.pitch.tolist(), some.onset_s.tolist(), some.offset_tick.tolist()) == ([60, 64], [0.0, 0.4], [10, 50])


def paired(*events: bytes, channel: int = 0) -> Notes:
    track = split_midi(smf(chunk(*events)), name="x").tracks[0]
    return pair_notes(track, channel, tempo_map([], [], ticks_per_beat=96))


def spans(notes: Notes) -> list[tuple[int, int, int]]:
    return list(zip(notes.pitch.tolist(), notes.onset_tick.tolist(), notes.offset_tick.tolist(), strict=True))


def test_a_note_on_without_velocity_ends_a_note() -> None:
    assert spans(paired(b"\x00\x90\x3c\x50", b"\x60\x3c\x00", END)) == [(60, 0, 96)]


def test_overlapping_notes_of_one_pitch_end_in_the_order_they_began() -> None:
    on, off = b"\x30\x90\x3c\x50", b"\x30\x80\x3c\x40"  # each 48 ticks later
    assert spans(paired(on, on, off, off, END)) == [(60, 48, 144), (60, 96, 192)]


def test_a_missing_note_off_does_not_shift_the_notes_after_it() -> None:
    on, off = b"\x30\x90\x3c\x50", b"\x30\x80\x3c\x40"
    found = spans(paired(on, on, off, on, off, b"\x60\xff\x2f\x00"))
    assert found == [(60, 48, 96), (60, 96, 144), (60, 192, 240)]


def test_a_note_left_hanging_ends_with_the_next_onset() -> None:
    assert spans(paired(b"\x00\x90\x3c\x50", note(62, delta=96), note(64), END)) == [
        (60, 0, 96),
        (62, 96, 192),
        (64, 192, 288),
    ]


def test_chords_without_any_note_off_change_at_each_onset() -> None:
    low, high = b"\x30\x90\x3c\x50\x00\x40\x50", b"\x30\x90\x3d\x50\x00\x41\x50"
    found = spans(paired(low, high, b"\x60\xff\x2f\x00"))
    assert found == [(64, 48, 96), (60, 48, 96), (65, 96, 192), (61, 96, 192)]


def test_a_grace_note_whose_note_off_was_sorted_before_it_does_not_drone() -> None:
    grace = b"\x00\x80\x48\x40\x00\x90\x48\x50"  # C5 off, C5 on, at one tick
    found = spans(paired(note(60), grace, note(62), note(64), grace, note(65), END))
    assert [row for row in found if row[0] == 72] == [(72, 96, 97), (72, 288, 289)]
    assert len(found) == 6


def test_all_notes_off_ends_what_sounds() -> None:
    for controller in (120, 123):
        on = b"\x00\x90\x3c\x50\x00\x40\x50"
        assert spans(paired(on, control(controller, 0, delta=48), line([62]), END))[:2] == [(64, 0, 48), (60, 0, 48)]


event = st.tuples(st.sampled_from(["on", "on", "off", "off", "silence"]), st.integers(60, 63))


@settings(max_examples=100, deadline=None)
@given(events=st.lists(event, max_size=40))
def test_each_note_off_ends_the_note_of_its_pitch_that_has_sounded_longest(events: list[tuple[str, int]]) -> None:
    """Where nothing hangs at the end; an off of what does not sound is passed over."""
    written, wanted = [], []
    sounding: list[list[int]] = []
    for tick, (kind, pitch) in enumerate([*events, ("silence", 60)], start=1):
        written.append(b"\x01" + bytes({"on": (0x90, pitch, 64), "off": (0x80, pitch, 64)}.get(kind, (0xB0, 123, 0))))
        if kind == "on":
            sounding.append([pitch, tick, -1])
            wanted.append(sounding[-1])
        ended = {"on": [], "off": [row for row in sounding if row[0] == pitch][:1]}.get(kind, sounding)
        for row in ended:
            row[2] = tick
        sounding = [row for row in sounding if row[2] < 0]
    assert spans(paired(*written, END)) == [tuple(row) for row in wanted]


def test_the_last_note_left_hanging_ends_with_the_track() -> None:
    assert spans(paired(line([62]), b"\x00\x90\x3c\x50", b"\x82\x00\xff\x2f\x00")) == [(62, 0, 96), (60, 96, 352)]


def test_two_players_on_one_note_with_one_note_off_both_keep_their_length() -> None:
    on = b"\x00\x90\x3c\x50"
    assert spans(paired(on, on, b"\x60\x80\x3c\x40", END)) == [(60, 0, 96), (60, 0, 96)]


def test_a_note_of_no_length_lasts_one_tick_and_a_lone_note_off_is_nothing() -> None:
    assert spans(paired(b"\x00\x80\x40\x40", note(60, 0), END)) == [(60, 0, 1)]


def test_a_held_pedal_lengthens_notes_to_its_release() -> None:
    events = (control(64, 127), note(60, 48), note(64, 48), control(64, 0, delta=96), END)
    assert spans(paired(*events)) == [(60, 0, 192), (64, 48, 192)]


def test_a_pedal_ends_at_the_next_strike_of_the_pitch() -> None:
    events = (control(64, 100), note(60, 48), note(60, 48, delta=48), control(64, 63, delta=96), END)
    assert spans(paired(*events)) == [(60, 0, 96), (60, 96, 240)]


def test_a_half_pressed_pedal_holds_nothing_and_one_never_released_holds_to_the_end() -> None:
    assert spans(paired(control(64, 63), note(60, 48), b"\x60\xff\x2f\x00")) == [(60, 0, 48)]
    assert spans(paired(control(64, 64), note(60, 48), b"\x60\xff\x2f\x00")) == [(60, 0, 144)]


def test_a_pedal_of_another_channel_holds_nothing() -> None:
    assert spans(paired(control(64, 127, channel=2), note(60, 48), b"\x60\xff\x2f\x00")) == [(60, 0, 48)]


def test_a_pedal_pressed_with_the_release_holds_what_still_sounds_then() -> None:
    events = (note(60, 48), control(64, 127), note(62, 48), control(64, 0, delta=48), END)
    assert spans(paired(*events))[1] == (62, 48, 144)


def test_channels_are_told_apart() -> None:
    track = split_midi(
        smf(chunk(note(60, channel=3), note(62, channel=1), control(1, 5, channel=7), END)), name="x"
    ).tracks[0]
    assert channels_with_notes(track) == [0, 2]
    assert spans(paired(note(60, channel=3), note(62, channel=1), END, channel=2)) == [(60, 0, 96)]
