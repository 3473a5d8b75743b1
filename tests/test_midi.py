"""Files go in and come out with every message that is not a lane, byte for byte and tick for tick."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from midi_bytes import END, Message, chunk, control, line, name, note, number, program, smf, text, track_of

from phrasewright.data.errors import InputError
from phrasewright.data.midi import LaneEvents, MidiFile, meta_text, port_of, read_midi, split_midi, weave

LANES = (1, 2, 11)

EVERYTHING = smf(
    chunk(
        b"\x00\xff\x03\x02Vl",  # track name "Vl"
        b"\x00\xff\x7f\x03\x00\x21\x09",  # sequencer specific
        b"\x00\xff\x6e\x02\x01\x02",  # a meta type nobody knows
        b"\x00\xf0\x05\x7e\x7f\x09\x01\xf7",  # system exclusive: General MIDI on
        b"\x00\xf7\x02\xf3\x01",  # escape: any bytes, here a song select
        b"\x00\xb0\x00\x03",  # bank 3
        b"\x00\x20\x01",  # running status: bank, fine
        b"\x00\xc0\x30",  # program 48
        b"\x00\xb0\x07\x64",  # volume 100
        b"\x00\xb0\x40\x7f",  # sustain pedal down
        b"\x00\xb0\x01\x40",  # a lane: dynamics 64
        b"\x00\x90\x3c\x50",  # C4 on
        b"\x00\x40\x50",  # running status: E4 on
        b"\x30\xe0\x00\x50",  # 48 later: pitch bend
        b"\x00\xa0\x3c\x22",  # pressure of C4
        b"\x00\xd0\x33",  # pressure of the channel
        b"\x00\xff\x06\x01A",  # marker "A"
        b"\x30\x90\x3c\x00",  # C4 off by velocity 0
        b"\x00\x80\x40\x11",  # E4 off with a release velocity
        b"\x81\x48\xff\x2f\x00",  # 200 later: End of Track
    ),
    chunk(b"whatever", kind=b"XFIH"),  # a chunk that is no track
    chunk(name("empty"), END),
)


def messages(midi: MidiFile, track: int) -> list[tuple[int, bytes]]:
    """(tick, whole message) of every event but lanes and End of Track."""
    t = midi.tracks[track]
    found = []
    for i in range(t.n_events):
        status, data1 = int(t.status[i]), int(t.data1[i])
        lane = status & 0xF0 == 0xB0 and data1 in LANES
        if not lane and not (status == 0xFF and data1 == 0x2F):
            found.append((int(t.tick[i]), bytes((status,)) + midi.content[int(t.start[i]) : int(t.stop[i])]))
    return found


def lane_events(rows: list[tuple[int, int, int, int]]) -> LaneEvents:
    table = np.array(rows, dtype=np.int64).reshape(-1, 4)
    return LaneEvents(*(np.ascontiguousarray(column) for column in table.T))


def lanes_of(midi: MidiFile, track: int) -> np.ndarray:
    t = midi.tracks[track]
    return ((t.status & 0xF0) == 0xB0) & np.isin(t.data1, LANES)


def test_a_file_without_changes_comes_out_byte_for_byte() -> None:
    midi = split_midi(EVERYTHING, name="x")
    assert weave(midi, removed={}, added={}) == EVERYTHING


def test_every_message_type_keeps_its_tick_and_bytes_when_lanes_are_replaced() -> None:
    midi = split_midi(EVERYTHING, name="x")
    out = weave(
        midi, removed={0: lanes_of(midi, 0)}, added={0: lane_events([(0, 0, 1, 30), (10, 0, 11, 90), (500, 0, 1, 9)])}
    )
    again = split_midi(out, name="x")
    assert messages(again, 0) == messages(midi, 0)
    found = lanes_of(again, 0)
    assert again.tracks[0].tick[found].tolist() == [0, 10, 500]
    assert again.tracks[0].data2[found].tolist() == [30, 90, 9]
    assert out.endswith(EVERYTHING[EVERYTHING.index(b"XFIH") :]), "chunks and tracks after it are copied whole"


def test_lanes_stand_after_bank_and_program_and_before_the_first_note() -> None:
    midi = split_midi(EVERYTHING, name="x")
    again = split_midi(weave(midi, removed={0: lanes_of(midi, 0)}, added={0: lane_events([(0, 0, 1, 30)])}), name="x")
    t = again.tracks[0]
    at = int(np.flatnonzero(lanes_of(again, 0))[0])
    assert np.flatnonzero(t.status == 0xC0)[-1] < at < np.flatnonzero(t.status == 0x90)[0]


def test_lanes_stand_after_a_reset_of_their_own_channel_only() -> None:
    content = smf(
        chunk(
            control(121, 0),  # reset of channel 1
            note(60, 10),
            control(121, 0, channel=2),  # at the note-off, tick 10: reset of channel 2
            b"\x00\x90\x3e\x50",  # D4 of channel 1 at the same tick
            b"\x0a\x80\x3e\x40",
            END,
        )
    )
    midi = split_midi(content, name="x")
    again = split_midi(weave(midi, removed={}, added={0: lane_events([(0, 0, 1, 1), (10, 0, 1, 2)])}), name="x").tracks[
        0
    ]
    rows = list(zip(again.tick.tolist(), again.status.tolist(), again.data1.tolist(), strict=True))
    assert rows.index((0, 0xB0, 121)) < rows.index((0, 0xB0, 1)) < rows.index((0, 0x90, 60))
    assert rows.index((10, 0xB0, 1)) < rows.index((10, 0x90, 62))


def test_only_the_end_of_track_moves_and_only_as_far_as_needed() -> None:
    midi = split_midi(smf(chunk(note(60), END)), name="x")
    for tick, end in ((50, 96), (300, 300)):
        again = split_midi(weave(midi, removed={}, added={0: lane_events([(tick, 0, 1, 5)])}), name="x")
        assert again.tracks[0].end_tick == end
        assert messages(again, 0) == messages(midi, 0)


def test_a_track_without_an_end_gets_one_only_when_it_is_changed() -> None:
    content = smf(chunk(note(60)))
    midi = split_midi(content, name="x")
    assert weave(midi, removed={}, added={}) == content
    again = split_midi(weave(midi, removed={}, added={0: lane_events([(0, 0, 1, 5)])}), name="x")
    assert again.tracks[0].status[-1] == 0xFF


channel_message = st.one_of(
    st.tuples(st.sampled_from([0x80, 0x90, 0xA0, 0xE0]), st.integers(0, 127), st.integers(0, 127)),
    st.tuples(st.just(0xB0), st.sampled_from([0, 1, 2, 7, 10, 11, 32, 33, 43, 64, 121, 123]), st.integers(0, 127)),
    st.tuples(st.sampled_from([0xC0, 0xD0]), st.integers(0, 127)),
)
other_message = st.one_of(
    st.tuples(st.sampled_from([0x01, 0x05, 0x06, 0x07, 0x20, 0x21, 0x51, 0x58, 0x6E, 0x7F]), st.binary(max_size=6)),
    st.tuples(st.sampled_from([0xF0, 0xF7]), st.binary(max_size=6)),
)


@st.composite
def track_bytes(draw: st.DrawFn) -> bytes:
    """A track of any messages, with running status where it is drawn and allowed."""
    out = []
    running = None
    for _ in range(draw(st.integers(0, 25))):
        out.append(number(draw(st.one_of(st.just(0), st.integers(0, 5), st.integers(0, 40_000)))))
        if draw(st.integers(0, 3)):
            high, *data = draw(channel_message)
            status = high | draw(st.integers(0, 2))
            if status == running and draw(st.booleans()):
                out.append(bytes(data))
            else:
                out.append(bytes((status, *data)))
            running = status
        else:
            kind, payload = draw(other_message)
            running = None  # meta and system exclusive messages cancel running status (MIDI 1.0)
            head = bytes((kind,)) if kind in (0xF0, 0xF7) else bytes((0xFF, kind))
            out.append(head + number(len(payload)) + payload)
    return chunk(*out, *([END] if draw(st.booleans()) else []))


added_events = st.lists(
    st.tuples(
        st.one_of(st.integers(0, 20), st.integers(0, 90_000)),
        st.integers(0, 2),
        st.sampled_from(LANES),
        st.integers(0, 127),
    ),
    max_size=8,
)


@settings(max_examples=200, deadline=None)
@given(tracks=st.lists(track_bytes(), min_size=1, max_size=3), alien=st.binary(max_size=9), events=added_events)
def test_any_file_keeps_all_that_is_not_a_lane(
    tracks: list[bytes], alien: bytes, events: list[tuple[int, int, int, int]]
) -> None:
    midi = split_midi(smf(*tracks, chunk(alien, kind=b"abcd")), name="x")
    removed = {i: lanes_of(midi, i) for i in range(len(tracks))}
    again = split_midi(weave(midi, removed=removed, added={0: lane_events(events)} if events else {}), name="x")
    for i in range(len(tracks)):
        assert messages(again, i) == messages(midi, i)
    assert again.content.endswith(chunk(alien, kind=b"abcd"))
    t = again.tracks[0]
    found = np.flatnonzero(lanes_of(again, 0))
    wanted = sorted((tick, channel, cc, value) for tick, channel, cc, value in events)
    assert sorted(zip(t.tick[found], t.status[found] & 15, t.data1[found], t.data2[found], strict=True)) == wanted
    for at in found:
        same = np.flatnonzero((t.tick == t.tick[at]) & (t.status < 0xF0) & ((t.status & 15) == (t.status[at] & 15)))
        high = t.status[same] & 0xF0
        setup = same[(high == 0xC0) | ((high == 0xB0) & np.isin(t.data1[same], (0, 32, 121)))]
        notes = same[(high == 0x90) & (t.data2[same] > 0)]
        assert np.all(setup < at)
        if not len(setup):
            assert np.all(notes > at)


@pytest.mark.parametrize("seed", range(12))
def test_long_runs_of_like_messages_are_read_as_one_by_one(seed: int) -> None:
    """Runs of one and of two data bytes, statuses running over their ends, times of one to four bytes."""
    rng = np.random.default_rng(seed)
    events: list[Message] = []
    tick = 0
    for _ in range(12):
        statuses = [[0x90, 0x80, 0xB0], [0xB1], [0xD0, 0xD1, 0xC0], [0xE0, 0xA0]][int(rng.integers(4))]
        for status in rng.choice(statuses, int(rng.integers(1, 60))).tolist():
            tick += int(rng.choice([0, 1, 127, 128, 20_000, 3_000_000], p=[0.4, 0.2, 0.15, 0.15, 0.05, 0.05]))
            events.append((tick, bytes((status, *rng.integers(0, 128, 1 if status & 0xE0 == 0xC0 else 2).tolist()))))
        if rng.random() < 0.4:
            events.append((tick, b"\xff\x05la"))
    for running in (False, True):
        track = split_midi(smf(track_of(events, running=running)), name="x").tracks[0]
        size = np.where(track.status == 0xFF, 0, track.stop - track.start)
        found = [
            (now, bytes((status, data1, data2)[: 1 + n]) if n else b"\xff\x05la")
            for now, status, data1, data2, n in zip(
                *(a.tolist() for a in (track.tick, track.status, track.data1, track.data2, size)), strict=True
            )
        ]
        assert found == events


@settings(max_examples=300, deadline=None)
@given(content=st.binary(max_size=60), where=st.integers(0, 400))
def test_damage_is_an_input_error_or_a_right_reading_and_never_a_crash(content: bytes, where: int) -> None:
    damaged = EVERYTHING[:where] + content + EVERYTHING[where + len(content) :]
    try:
        midi = split_midi(damaged, name="cue.mid")
    except InputError as fault:
        said = str(fault)
    else:
        said = "cue.mid"
        assert weave(midi, removed={}, added={}) == damaged
    assert said.startswith("cue.mid")
    assert "\n" not in said


def test_running_status_goes_on_after_a_meta_message_as_some_write_it() -> None:
    """The format ends it there, but files hold it; written between lanes, it is spelt out."""
    sysex = b"\x00\xf0\x01\xf7"
    track = chunk(b"\x00\x90\x3c\x40", text("p"), b"\x60\x3c\x00", sysex, b"\x00\x3e\x40\x60\x3e\x00", END)
    midi = split_midi(smf(track), name="cue.mid")
    notes = midi.tracks[0].status == 0x90
    assert midi.tracks[0].data1[notes].tolist() == [60, 60, 62, 62]
    woven = weave(midi, removed={}, added={0: lane_events([(0, 0, 1, 64), (96, 0, 1, 70)])})
    assert messages(split_midi(woven, name="x"), 0) == messages(midi, 0)


def test_seventy_thousand_tracks_of_nothing_are_refused_at_once() -> None:
    with pytest.raises(InputError, match="holds more than 10000 tracks"):
        split_midi(smf(chunk(note(60), END)) + chunk() * 70_000, name="cue.mid")


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"RIFF" + bytes(20), "does not begin with MThd"),
        (b"MThd", "does not begin with MThd"),
        (smf(chunk(note(60), END), kind=2), "type 2"),
        (smf(chunk(note(60), END), kind=7), "file type 7"),
        (smf(chunk(note(60), END), division=0), "0 ticks a quarter"),
        (smf(chunk(note(60), END), division=0xEE28), "SMPTE division 18 frames"),
        (smf(chunk(note(60), END), division=0xE700), "SMPTE division 25 frames x 0 ticks"),
        (smf(chunk(b"\x00\x3c\x40", END)), "track 1: data byte 60 without a status"),
        (smf(chunk(b"\x00\x90\x3c\x90", END)), "data byte over 127"),
        (smf(chunk(b"\x00\xf4", END)), "undefined status byte 0xf4"),
        (smf(chunk(b"\x00\x90\x3c")), "track 1: breaks off inside"),
        (smf(chunk(b"\x00\xff\x01\x7fshort")), "track 1: breaks off inside"),
        (smf(chunk(b"\xff\xff\xff\xff\xff\x90\x3c\x40")), "track 1: breaks off inside"),
        (smf(chunk(note(60), END), chunk(note(60), END))[:-6], "track 2 is cut off"),
    ],
)
def test_errors_say_what_is_wrong_and_where(content: bytes, said: str) -> None:
    with pytest.raises(InputError, match=r"^cue\.mid: ") as fault:
        split_midi(content, name="cue.mid")
    assert said in str(fault.value)


def test_a_missing_file_and_a_folder_are_input_errors(tmp_path: Path) -> None:
    for path in (tmp_path / "missing.mid", tmp_path):
        with pytest.raises(InputError, match="cannot be read"):
            read_midi(path)


def test_names_lose_control_characters_and_keep_their_accents() -> None:
    track = chunk(name("Fl\u00f6te\x1b[31m\tI\u00a0\u202e a"), b"\x00\xff\x03\x05Fl\xf6te", END)  # UTF-8, then Latin-1
    assert meta_text(split_midi(smf(track), name="x"), 0, (3,)) == [(0, "Fl\u00f6te[31m I  a"), (0, "Fl\u00f6te")]


def test_a_file_that_claims_or_holds_more_than_any_cue_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    track = chunk(b"\x00\x90\x3c\x40" + b"\x01\x3c\x40" * 70_000, END)
    monkeypatch.setattr("phrasewright.data.midi.MAX_MESSAGES", 140_004)
    assert len(split_midi(smf(track, track), name="cue.mid").tracks[1].tick) == 70_002
    with pytest.raises(InputError, match=r"^cue\.mid: track 3: the file holds more than 140004 messages"):
        split_midi(smf(track, track, chunk(END)), name="cue.mid")
    monkeypatch.setattr("phrasewright.data.midi.MAX_TRACKS", 5)
    with pytest.raises(InputError, match="more than 5 tracks"):
        split_midi(smf(*[chunk(END)] * 6), name="cue.mid")


def test_lanes_farther_apart_than_a_delta_can_tell_are_refused() -> None:
    """A quarter note of a microsecond: a second later is 32 thousand million ticks later."""
    midi = split_midi(smf(chunk(line([60]), END)), name="cue.mid")
    late = LaneEvents(*(np.array([value]) for value in (32_767_000_000, 0, 11, 90)))
    with pytest.raises(InputError, match=r"track 1: lanes would lie 3276\d+ ticks apart"):
        weave(midi, removed={}, added={0: late})
    fits = LaneEvents(*(np.array([value]) for value in ((1 << 28) - 1, 0, 11, 90)))
    again = split_midi(weave(midi, removed={}, added={0: fits}), name="cue.mid")
    assert again.tracks[0].end_tick == (1 << 28) - 1


def test_a_track_names_its_port() -> None:
    midi = split_midi(smf(chunk(b"\x00\xff\x21\x01\x02", END), chunk(text("a"), END)), name="x")
    assert (port_of(midi, 0), port_of(midi, 1)) == (2, 0)


def test_system_real_time_bytes_in_a_track_are_kept() -> None:
    content = smf(chunk(program(40), b"\x00\xf8", b"\x00\xf2\x01\x02", note(60), END))
    midi = split_midi(content, name="x")
    assert midi.tracks[0].status.tolist() == [0xC0, 0xF8, 0xF2, 0x90, 0x80, 0xFF]
