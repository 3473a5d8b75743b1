"""Files as sequencers deliver them become the parts a musician sees."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from midi_bytes import END, chunk, control, cue_from, line, name, note, number, program, smf, text

from phrasewright.data.cue import Cue
from phrasewright.data.curves import ALL_LANES
from phrasewright.data.errors import InputError
from phrasewright.data.profiles import read_profile
from phrasewright.data.reading import read_cue

FOUR = [72, 74, 76, 77]
TEMPO_0 = b"\x00\xff\x51\x03\x00\x00\x00"


def cue(folder: Path, *chunks: bytes, kind: int = 1, division: int = 96) -> Cue:
    return cue_from(folder, smf(*chunks, kind=kind, division=division))


def test_a_score_of_tracks(tmp_path: Path) -> None:
    read = cue(
        tmp_path,
        chunk(
            name("A winter cue"), b"\x00\xff\x51\x03\x0f\x42\x40", b"\x00\xff\x58\x04\x03\x02\x18\x08", END
        ),  # 60, 3/4
        chunk(name("Violins I"), program(48), line(FOUR), END),
        chunk(name("Harp"), program(46, channel=2), line(FOUR, channel=2), END),
    )
    violins, harp = read.parts
    assert (violins.index, violins.name, violins.track, violins.channel, violins.program) == (1, "Violins I", 2, 1, 48)
    assert (harp.index, harp.name, harp.track, harp.channel, harp.kind) == (2, "Harp", 3, 2, "decaying")
    np.testing.assert_allclose(violins.notes.onset_s, [0, 1, 2, 3])
    assert (read.duration_s, read.n_bars) == (4.0, 2)
    assert violins.lane_cc == {"dynamics": 1, "expression": 11, "vibrato": 2}
    assert not harp.shaped


def test_type_0_is_cut_by_channels(tmp_path: Path) -> None:
    read = cue(
        tmp_path,
        chunk(
            name("Suite for strings"),  # the piece's name, not an instrument's
            program(73, channel=1),
            program(0, channel=2),
            line([72], channel=1),
            line([60], channel=2),
            line([36], channel=10),
            END,
        ),
        kind=0,
    )
    assert [p.name for p in read.parts] == [f"Suite for strings (channel {c})" for c in (1, 2, 10)]
    assert [p.instrument.name for p in read.parts] == ["flute", "piano", "percussion"]
    assert [p.kind for p in read.parts] == ["sustained", "decaying", "percussive"]
    assert [p.track for p in read.parts] == [1, 1, 1]


def test_everything_on_channel_1_keeps_each_tracks_own_program(tmp_path: Path) -> None:
    read = cue(
        tmp_path,
        chunk(name("Flute"), program(73), line(FOUR), END),
        chunk(name("Harp"), program(46), line(FOUR), END),
        chunk(name("Celli"), program(42), line([48, 50]), END),
        chunk(name("Oboe"), program(68, channel=2), line(FOUR, channel=2), END),
    )
    assert [p.program for p in read.parts] == [73, 46, 42, 68]
    assert [p.kind for p in read.parts] == ["sustained", "decaying", "sustained", "sustained"]
    assert "shares channel 1 with parts 2, 3" in read.parts[0].remarks[0]
    assert "shares channel 1 with parts 1, 2" in read.parts[2].remarks[0]
    assert read.parts[3].remarks == ()


def test_ports_have_channels_of_their_own(tmp_path: Path) -> None:
    port = b"\x00\xff\x21\x01\x01"
    read = cue(tmp_path, chunk(name("Flute"), line(FOUR), END), chunk(port, name("Oboe"), line(FOUR), END))
    assert [p.remarks for p in read.parts] == [(), ()]


def test_a_program_may_stand_in_another_track_if_the_channel_has_one_player(tmp_path: Path) -> None:
    setup = chunk(program(46, channel=1), program(40, channel=2), END)
    harp, one, two = (chunk(line(FOUR, channel=c), END) for c in (1, 2, 2))
    assert [p.program for p in cue(tmp_path, setup, harp, one, two).parts] == [46, None, None]


def test_the_program_in_force_at_the_first_note_counts(tmp_path: Path) -> None:
    late = chunk(program(0), program(71, delta=10), note(60, delta=10), program(12), END)
    assert cue(tmp_path, late).parts[0].program == 71
    after = chunk(note(60), program(71), END)
    assert cue(tmp_path, after).parts[0].program is None


def test_an_instrument_name_serves_where_the_track_name_is_silent(tmp_path: Path) -> None:
    part = cue(tmp_path, chunk(name("Track 4"), text("Bratsche", kind=0x04), line([60, 62]), END)).parts[0]
    assert (part.name, part.instrument.name) == ("Track 4", "viola")


def test_tracks_of_one_instrument_split_by_articulation_are_one_group(tmp_path: Path) -> None:
    names = (
        "Violins I legato",
        "Violins I spicc",
        "Violins I pizz",
        "Violins II legato",
        "Celli",
        "Celli",
        "legato",
        "pizz",
    )
    read = cue(tmp_path, *[chunk(name(n), line(FOUR), END) for n in names])
    assert [p.group for p in read.parts] == [1, 1, 1, 4, 5, 6, 7, 8]
    assert [p.passages[0].kind for p in read.parts[:3]] == ["sustained", "short", "decaying"]


def test_drawn_lanes_are_kept_with_their_times(tmp_path: Path) -> None:
    track = chunk(
        program(73),
        control(1, 30),
        control(1, 50, delta=48),
        control(11, 90, delta=48),
        control(7, 100),
        control(1, 9, channel=2),
        line(FOUR),
        END,
    )
    existing = cue(tmp_path, track).parts[0].existing
    assert set(existing) == {1, 2, 11}
    assert existing[1].time_s.tolist() == [0, 0.25]
    assert existing[1].value_cc.tolist() == [30, 50]
    assert existing[11].time_s.tolist() == [0.5]
    assert existing[2].n_points == 0


@pytest.mark.parametrize(
    ("drawn", "table", "found"),
    [
        ({1: 50}, "", {"dynamics": 50}),
        ({1: 50, 20: 60}, "lanes.dynamics = 20", {"dynamics": 60}),
        ({1: 50}, "lanes.dynamics = 20", {"dynamics": 50}),  # drawn before there was a profile
        ({1: 50, 2: 40}, "lanes.dynamics = 2\nlanes.vibrato = 1", {"dynamics": 40, "vibrato": 50}),
        ({1: 50}, "lanes.dynamics = 2\nlanes.vibrato = 1", {"vibrato": 50}),  # the usual one is another lane's
    ],
)
def test_a_lane_stands_on_its_own_controller_else_on_the_usual_one(
    tmp_path: Path, drawn: dict[int, int], table: str, found: dict[str, int]
) -> None:
    (tmp_path / "own.toml").write_text(f"[flute]\n{table}\n")
    path = tmp_path / "cue.mid"
    events = [control(cc, value) for cc, value in drawn.items()]
    path.write_bytes(smf(chunk(program(73), *events, line(FOUR), END)))
    part = read_cue(path, profile=read_profile(tmp_path / "own.toml") if table else None).parts[0]
    lanes = {lane: curve.value_cc.tolist() for lane in ALL_LANES if (curve := part.drawn(lane)) is not None}
    assert lanes == {lane: [value] for lane, value in found.items()}


def test_lanes_in_a_track_without_notes_are_pointed_out(tmp_path: Path) -> None:
    read = cue(
        tmp_path,
        chunk(control(1, 50), control(7, 50, channel=2), END),
        *(chunk(line(FOUR, channel=c), END) for c in (1, 2)),
    )
    assert "track 1 without notes draws controllers on channel 1" in read.parts[0].remarks[0]
    assert read.parts[1].remarks == ()


@pytest.mark.parametrize(
    ("breath", "modulation", "taken"),
    [
        ([40, 50, 60, 70], [], True),
        ([40, 50, 60, 70], [64], True),
        ([40, 50, 60, 70], [30, 40, 50, 60], False),
        ([40, 41, 42, 43], [], False),  # under six steps
        ([40, 70], [], False),  # one change
        ([], [], False),
    ],
)
def test_breath_is_dynamics_where_it_moves_and_modulation_does_not(
    tmp_path: Path, breath: list[int], modulation: list[int], taken: bool
) -> None:
    lanes = [control(2, value, delta=5) for value in breath] + [control(1, value) for value in modulation]
    part = cue(tmp_path, chunk(name("Flute"), *lanes, line(FOUR), END)).parts[0]
    expected = {"dynamics": 2, "expression": 11} if taken else {"dynamics": 1, "expression": 11, "vibrato": 2}
    assert part.lane_cc == expected
    assert any("controller 2" in remark for remark in part.remarks) == taken


def test_switches_are_no_notes_of_the_line(tmp_path: Path) -> None:
    part = cue(tmp_path, chunk(name("Violins I"), note(24, 5), line(FOUR), note(26, 5), line(FOUR), END)).parts[0]
    assert part.switches.pitch.tolist() == [24, 26]
    assert part.notes.pitch.tolist() == FOUR * 2


def test_one_note_and_empty_tracks(tmp_path: Path) -> None:
    read = cue(tmp_path, chunk(END), chunk(name("Oboe"), END), chunk(note(70), END), chunk())
    assert [(p.index, p.track, p.notes.n_notes) for p in read.parts] == [(1, 3, 1)]


def test_film_frames_have_seconds_and_no_bars(tmp_path: Path) -> None:
    read = cue(tmp_path, chunk(name("Oboe"), line([70, 72], 1000), END), division=0xE728)  # 25 frames of 40 ticks
    np.testing.assert_allclose(read.parts[0].notes.offset_s, [1.0, 2.0])
    assert read.n_bars is None


def test_marks_stand_in_order_with_their_track(tmp_path: Path) -> None:
    read = cue(
        tmp_path,
        chunk(text("Letter A", kind=6, delta=192), END),
        chunk(text("pp"), text("", kind=6), line(FOUR), text("cresc."), END),
    )
    assert [(m.time_s, m.track, m.text) for m in read.marks] == [
        (0.0, 2, "pp"),
        (1.0, 1, "Letter A"),
        (2.0, 2, "cresc."),
    ]


def test_senseless_tempo_and_metre_are_passed_over(tmp_path: Path) -> None:
    metres = b"\x00\xff\x58\x04\x00\x02\x18\x08" + b"\x00\xff\x58\x04\x04\xff\x18\x08" + b"\x00\xff\x58\x02\x03\x02"
    read = cue(tmp_path, chunk(TEMPO_0, b"\x00\xff\x51\x01\x07", metres, line(FOUR), END))
    assert (read.duration_s, read.n_bars) == (2.0, 1)


@pytest.mark.parametrize(
    ("chunks", "said"),
    [
        ([chunk(name("Violins"), END)], "holds no notes; export the parts"),
        ([], "holds no notes"),
        ([chunk(line(FOUR), END), chunk(number(96 * 2 * 3600 * 7) + b"\xff\x2f\x00")], "lasts 7.0 hours"),
        ([chunk(line(FOUR), (number((1 << 28) - 1) + b"\xb0\x40\x00") * 300, END)], "hours by its tempo"),
        ([chunk(b"\x00\xff\x51\x03\x00\x00\x01", line(FOUR), END)], "plays 60000000 quarter notes a minute"),
        ([chunk(name("Vl"), *[b"\x00\x90\x3c\x40"] * 600, END)], "Vl has 600 notes sounding at once at tick 0"),
        ([chunk(b"\x00\xff\x51\x03\x00\x07\xd0", note(60, 96 * 300_000), END)], "lasts 300000 quarter notes"),
        ([chunk(b"\x00\xff\x58\x04\x01\x06\x18\x08", note(60, 96 * 15_000), END)], "has 240000 bars"),
        ([chunk(line(FOUR), END)] * 1001, "has 1001 parts with notes; cues have at most 1000"),
    ],
)
def test_files_without_a_cue_are_refused(tmp_path: Path, chunks: list[bytes], said: str) -> None:
    with pytest.raises(InputError) as fault:
        cue(tmp_path, *chunks)
    assert said in str(fault.value)
    assert "\n" not in str(fault.value)


@settings(max_examples=150, deadline=None)
@given(body=st.binary(max_size=120), where=st.integers(0, 110), division=st.sampled_from([1, 96, 0xE728, 0x7FFF]))
def test_any_damage_is_read_or_refused_in_one_line(
    tmp_path_factory: pytest.TempPathFactory, body: bytes, where: int, division: int
) -> None:
    whole = smf(
        chunk(name("Violins I"), program(48), text("pizz."), control(2, 5), line([12, *FOUR]), END),
        chunk(name("Bass"), line([40, 43], channel=10), END),
        division=division,
    )
    said = ""
    try:
        cue_from(tmp_path_factory.getbasetemp(), whole[: 14 + where] + body + whole[14 + where + len(body) :])
    except InputError as fault:
        said = str(fault)
    assert "\n" not in said


def test_a_file_cut_at_any_byte_or_with_any_byte_at_an_edge_is_read_or_refused(tmp_path: Path) -> None:
    whole = smf(
        chunk(b"\x00\xff\x51\x03\x07\xa1\x20", b"\x00\xff\x58\x04\x03\x02\x18\x08", END),
        chunk(name("Violins I"), program(48), text("pizz."), control(2, 5), line([12, *FOUR]), END),
    )
    told = []
    for at in range(len(whole)):
        for content in (whole[:at], *(whole[:at] + bytes((value,)) + whole[at + 1 :] for value in (0, 127, 128, 255))):
            try:
                cue_from(tmp_path, content)
            except InputError as fault:
                told.append(str(fault))
    assert len(told) > len(whole)
    assert not [line for line in told if "\n" in line]
