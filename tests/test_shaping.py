"""A cue in, the same cue with lanes out; what is told about it; faults told in a line."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from midi_bytes import chunk, name, number, smf
from shaped_cues import note, orchestra, program, track, write

from phrasewright.data.errors import InputError, OutputError, UsageError
from phrasewright.data.midi import split_midi
from phrasewright.inference.batch import shape_files, summary_text
from phrasewright.inference.shaping import ShapeOptions, shape_cue

LANE_CC = (1, 2, 11)


def messages_of(content: bytes) -> list[list[tuple[int, bytes]]]:
    """(tick, status and bytes) of every message that is no lane event and no End of Track, by track."""
    midi = split_midi(content, name="file")
    out = []
    for t in midi.tracks:
        rows = []
        for tick, status, data1, start, stop in zip(t.tick, t.status, t.data1, t.start, t.stop, strict=True):
            lane = status & 0xF0 == 0xB0 and data1 in LANE_CC
            if not lane and not (status == 0xFF and data1 == 0x2F):
                rows.append((int(tick), bytes((int(status),)) + content[int(start) : int(stop)]))
        out.append(rows)
    return out


other_messages = st.one_of(
    st.integers(0, 16383).map(lambda v: bytes((0xE0, v & 0x7F, v >> 7))),  # pitch bend
    st.tuples(st.integers(0, 127), st.integers(0, 127)).map(lambda v: bytes((0xA0, *v))),  # poly pressure
    st.integers(0, 127).map(lambda v: bytes((0xD0, v))),  # channel pressure
    st.tuples(st.sampled_from([7, 10, 64, 74, 91, 100, 101, 6, 38, 121]), st.integers(0, 127)).map(
        lambda v: bytes((0xB0, *v))
    ),
    st.binary(max_size=20).map(lambda v: b"\xf0" + number(len(v) + 1) + bytes(b & 0x7F for b in v) + b"\xf7"),
    st.binary(max_size=5).map(lambda v: b"\xf7" + number(len(v)) + v),  # a packet
    st.tuples(st.sampled_from([0x01, 0x05, 0x06, 0x07, 0x20, 0x21, 0x54, 0x59, 0x60, 0x7F]), st.binary(max_size=9)).map(
        lambda v: bytes((0xFF, v[0])) + number(len(v[1])) + v[1]  # marker, lyric, unknown meta
    ),
)


@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    others=st.lists(st.tuples(st.integers(0, 3840), other_messages), max_size=30),
    running=st.booleans(),
    data=st.data(),
)
def test_every_message_that_is_no_lane_survives_with_its_tick(
    tmp_path: Path, others: list[tuple[int, bytes]], running: bool, data: st.DataObject
) -> None:
    events = [event for i in range(4) for event in note(960 * i, data.draw(st.integers(1, 1200)), 60 + i)] + others
    out, now, last = [name("Oboe"), number(0) + b"\xc0\x44"], 0, 0
    for tick, message in sorted(events, key=lambda event: event[0]):
        body = message
        if message[0] >= 0xF0:
            last = 0
        elif running and message[0] == last:
            body = message[1:]
        else:
            last = message[0]
        out.append(number(tick - now) + body)
        now = tick
    alien = chunk(b"what is this", kind=b"XFIH")
    path = tmp_path / "cue.mid"
    path.write_bytes(smf(chunk(*out, b"\x00\xff\x2f\x00"), alien))
    content = shape_cue(path, ShapeOptions(baseline=True)).content
    assert messages_of(content) == messages_of(path.read_bytes())
    assert content.endswith(alien)
    assert b"\xb0\x01" in content


def test_the_summary_tells_each_part(tmp_path: Path) -> None:
    path = orchestra(tmp_path / "cue.mid")
    result = shape_files([path], tmp_path / "out.mid", options=ShapeOptions(baseline=True))
    json.dumps(result, allow_nan=False)
    cue = result["cues"][0]
    assert (cue["in"], cue["out"], cue["style"]) == (str(path), str(tmp_path / "out.mid"), "rules")
    assert cue["seconds"] == pytest.approx(49.875)
    parts = {part["name"]: part for part in cue["parts"]}
    assert [part["index"] for part in cue["parts"]] == [1, 2, 3, 4, 5]
    assert set(parts["Oboe"]["lanes"]) == {"dynamics", "expression", "vibrato"}
    assert set(parts["Horn"]["lanes"]) == {"dynamics", "expression"}, "no vibrato on brass by default"
    assert parts["Oboe"]["skipped"] is None
    assert parts["Harp"]["skipped"]
    assert parts["Drums"]["skipped"]
    written = split_midi((tmp_path / "out.mid").read_bytes(), name="out")
    for lane in parts["Oboe"]["lanes"].values():
        in_file = (written.tracks[0].status == 0xB0) & (written.tracks[0].data1 == lane["cc"])
        assert lane["events"] == np.count_nonzero(in_file)
    text = summary_text(result)
    assert "Oboe" in text
    assert "left as it is" in text


def test_only_the_lanes_asked_for(tmp_path: Path) -> None:
    path = orchestra(tmp_path / "cue.mid")
    result = shape_cue(path, ShapeOptions(baseline=True, lanes=("expression", "vibrato")))
    parts = {part["name"]: part for part in result.summary["parts"]}
    assert set(parts["Oboe"]["lanes"]) == {"expression", "vibrato"}
    assert set(parts["Horn"]["lanes"]) == {"expression"}
    only = shape_cue(path, ShapeOptions(baseline=True, lanes=("vibrato",)))
    parts = {part["name"]: part for part in only.summary["parts"]}
    assert parts["Horn"]["skipped"] == "has no vibrato lane"


def test_a_profile_moves_lanes_and_narrows_ranges(tmp_path: Path) -> None:
    path = orchestra(tmp_path / "cue.mid")
    profile = tmp_path / "mine.toml"
    profile.write_text('["Oboe"]\nlanes.dynamics = 3\nlanes.vibrato = 21\nrange.dynamics = [60, 80]\n')
    result = shape_cue(path, ShapeOptions(baseline=True, profile=profile))
    lanes = result.summary["parts"][0]["lanes"]
    assert {lane: told["cc"] for lane, told in lanes.items()} == {"dynamics": 3, "expression": 11, "vibrato": 21}
    oboe = split_midi(result.content, name="out").tracks[0]
    values = oboe.data2[(oboe.status == 0xB0) & (oboe.data1 == 3)]
    assert values.min() >= 60
    assert values.max() <= 80
    assert np.ptp(values) > 4


def test_several_cues_go_to_a_folder_and_outputs_are_checked_first(tmp_path: Path) -> None:
    cues = [orchestra(tmp_path / "one.mid"), write(tmp_path / "two.mid", track("Oboe", note(0, 960, 70)))]
    shares: list[float] = []
    shape_files(cues, tmp_path / "out", options=ShapeOptions(baseline=True), done=shares.append)
    assert sorted(p.name for p in (tmp_path / "out").iterdir()) == ["one.mid", "two.mid"]
    assert sum(shares) == pytest.approx(2.0)
    (tmp_path / "out" / "one.mid").unlink()
    with pytest.raises(OutputError, match=r"two\.mid: is already there"):
        shape_files(cues, tmp_path / "out", options=ShapeOptions(baseline=True))
    assert not (tmp_path / "out" / "one.mid").exists(), "nothing is written when something would be refused"
    shape_files(cues, tmp_path / "out", options=ShapeOptions(baseline=True), force=True)
    with pytest.raises(OutputError, match="is the input itself"):
        shape_files(cues[:1], cues[0], options=ShapeOptions(baseline=True), force=True)


def test_options_that_mean_nothing(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="'loudness' is no lane"):
        ShapeOptions(lanes=("loudness",))
    with pytest.raises(UsageError, match="'merge' is no way"):
        ShapeOptions(existing="merge")


def test_faults_of_the_input_are_told(tmp_path: Path) -> None:
    (tmp_path / "words.mid").write_text("not music")
    with pytest.raises(InputError, match=r"words\.mid"):
        shape_cue(tmp_path / "words.mid", ShapeOptions(baseline=True))
    with pytest.raises(InputError, match="holds no notes"):
        shape_cue(write(tmp_path / "empty.mid", track("Oboe", [program(0, 68)])), ShapeOptions(baseline=True))


def test_one_note_is_a_cue(tmp_path: Path) -> None:
    path = write(tmp_path / "cue.mid", track("Oboe", note(0, 1, 70)))
    assert shape_cue(path, ShapeOptions(baseline=True)).summary["parts"][0]["skipped"] is None


def test_the_summary_says_why_the_rules_answered(tmp_path: Path) -> None:
    from phrasewright.model.prediction import choose_predictor

    path = write(tmp_path / "cue.mid", track("Oboe", note(0, 960, 70)))
    _, chosen, remark = choose_predictor(False)
    summary = shape_cue(path).summary
    assert summary["style"] == ("rules" if chosen == "rules" else "shipped")
    assert summary["remarks"] == ([remark] if remark else [])
    assert bool(remark) == (chosen == "rules")


def test_a_later_edit_leaves_earlier_bars_alone(tmp_path: Path) -> None:
    """Changing a note in the third phrase changes nothing in the first."""
    events = [event for i in range(24) for event in note(1200 * i, 960, 60 + i % 8)]
    other = [(tick, m if tick < 1200 * 20 else bytes((m[0], m[1] + 5, m[2]))) for tick, m in events]
    lanes = []
    for i, chosen in enumerate((events, other)):
        shaped = shape_cue(write(tmp_path / f"{i}.mid", track("Oboe", chosen)), ShapeOptions(baseline=True))
        t = split_midi(shaped.content, name="out").tracks[0]
        here = (t.status & 0xF0 == 0xB0) & (t.tick < 1200 * 6)
        lanes.append(list(zip(t.tick[here].tolist(), t.data1[here].tolist(), t.data2[here].tolist(), strict=True)))
    assert lanes[0] == lanes[1]
