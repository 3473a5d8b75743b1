"""Connected repeats become one note each, and nothing else of a file changes."""

from __future__ import annotations

import json
from pathlib import Path

import mido
import numpy as np
import pytest
from click.testing import CliRunner, Result
from lane_checks import all_faults, lane_of
from shaped_cues import chords, control, line, note, orchestra, program, track, write

from phrasewright.data.reading import read_cue
from phrasewright.inference import cli
from phrasewright.inference.reviewing import review_file
from phrasewright.model.events import gesture_spans
from phrasewright.model.listening import hear
from phrasewright.model.repeats import joinable_repeats, joined_notes, within

BEAT = 480
Row = tuple[float, float, int]


def run(*arguments: object) -> Result:
    return CliRunner().invoke(cli.main, [str(a) for a in arguments])


def strings(path: Path, rows: list[Row], *, velocities: list[int] | None = None) -> Path:
    """Violins at 120 quarter notes a minute; notes as (beat, beats, pitch)."""
    events = [program(0, 48)]
    for i, (at, beats, pitch) in enumerate(rows):
        velocity = velocities[i] if velocities else 70
        events += note(round(at * BEAT), round(beats * BEAT), pitch, velocity=velocity)
    return write(path, track("Violins I", events))


def chains_of(path: Path) -> list[list[int]]:
    heard = hear(read_cue(path)).parts[0]
    return [chain.tolist() for chain in joinable_repeats(heard.part.notes, heard.attacks)]


def row(*pitches: int, beats: float = 1.0, length: float = 1.0) -> list[Row]:
    return [(4 + beats * i, beats * length, pitch) for i, pitch in enumerate(pitches)]


@pytest.mark.parametrize(
    ("rows", "expected"),
    [
        (row(60, 60, 60, 62), [[0, 1, 2]]),
        (row(60, 62, 60, 62), []),
        (row(60, 60, 62, 62), [[0, 1], [2, 3]]),
        (row(60, 60, 60, beats=0.4), []),  # five a second
        (row(60, 60, 60, beats=0.42), [[0, 1, 2]]),
        (row(60, 60, 60, length=0.9), [[0, 1, 2]]),  # gaps of 50 ms
        (row(60, 60, 60, length=0.86), []),  # gaps of 70 ms
        (row(*[60] * 6, beats=4, length=0.96), [[0, 1, 2, 3, 4, 5]]),  # 80 ms, but a score export's 4 %
        ([(4, 1.2, 60), (5, 1.0, 60)], [[0, 1]]),  # an overlap of 100 ms
        ([(4, 1.4, 60), (5, 1.0, 60)], []),  # of 200 ms
    ],
)
def test_which_repeats_are_one_note(tmp_path: Path, rows: list[Row], expected: list[list[int]]) -> None:
    assert chains_of(strings(tmp_path / "cue.mid", rows)) == expected


def test_the_note_that_chords_have_in_common_is_a_repeat(tmp_path: Path) -> None:
    rows = [(4.0, 4.0, p) for p in (60, 64, 67)] + [(8.0, 4.0, p) for p in (60, 65, 69)]
    path = strings(tmp_path / "cue.mid", rows)
    notes = read_cue(path).parts[0].notes
    assert [notes.pitch[chain].tolist() for chain in chains_of(path)] == [[60, 60]]


def test_struck_and_short_notes_are_left(tmp_path: Path) -> None:
    events = [e for i in range(4) for e in note((4 + i) * BEAT, BEAT, 60)]
    harp = write(tmp_path / "harp.mid", track("Harp", [program(0, 46), *events]))
    plucked = write(tmp_path / "pizz.mid", track("Violins pizz.", [program(0, 45), *events]))
    assert chains_of(harp) == chains_of(plucked) == []


# --- the file --------------------------------------------------------------------------------------------


def messages(content: Path) -> list[tuple[int, mido.Message]]:
    rows = []
    for number, part in enumerate(mido.MidiFile(content).tracks):
        at = 0
        for message in part:
            at += message.time
            rows.append((number, at, message.copy(time=0)))
    return rows


def others(path: Path) -> list[tuple[int, mido.Message]]:
    """Everything but notes, lanes and End of Track."""
    return [
        r for r in messages(path)
        if r[2].type not in ("note_on", "note_off", "end_of_track")
        and not (r[2].type == "control_change" and r[2].control in (1, 2, 11))
    ]  # fmt: skip


def played(path: Path, *, part: int = 0) -> list[tuple[int, int, int, int]]:
    notes = read_cue(path).parts[part].notes
    return list(
        zip(notes.onset_tick.tolist(), notes.offset_tick.tolist(), notes.pitch.tolist(), notes.velocity.tolist(),
            strict=True)
    )  # fmt: skip


def join(path: Path, out: Path, *options: object) -> list[dict[str, object]]:
    result = run("shape", path, "-o", out, "--join-repeats", "--baseline", "--no-record", "--json", *options)
    assert result.exit_code == 0, result.stderr
    told = json.loads(result.stdout)["cues"][0]["parts"]
    return [joined for part in told for joined in part["joined"]]


def test_one_note_with_the_first_velocity_and_the_last_end(tmp_path: Path) -> None:
    path = strings(tmp_path / "cue.mid", row(60, 60, 60, 62), velocities=[50, 60, 90, 70])
    told = join(path, tmp_path / "out.mid")
    assert played(tmp_path / "out.mid") == [(4 * BEAT, 7 * BEAT, 60, 50), (7 * BEAT, 8 * BEAT, 62, 70)]
    assert told == [
        {"pitch": 60, "n_notes": 3, "start_s": 2.0, "end_s": 3.5, "start_beat": 4.0, "end_beat": 7.0, "bar": 2}
    ]


def test_nothing_else_of_the_file_changes(tmp_path: Path) -> None:
    path = orchestra(tmp_path / "cue.mid")
    told = join(path, tmp_path / "out.mid")
    assert {t["pitch"] for t in told} >= {67, 55}
    assert others(tmp_path / "out.mid") == others(path)
    before, after = (sum(p.notes.n_notes for p in read_cue(f).parts) for f in (path, tmp_path / "out.mid"))
    assert before - after == sum(int(str(t["n_notes"])) - 1 for t in told)
    for part in (3, 4):  # the harp and the drums
        assert played(path, part=part) == played(tmp_path / "out.mid", part=part)


def test_off_by_default_and_undone_by_shaping_again(tmp_path: Path) -> None:
    path = orchestra(tmp_path / "cue.mid")
    content = path.read_bytes()
    join(path, tmp_path / "out.mid")
    assert path.read_bytes() == content
    run("shape", path, "-o", tmp_path / "again.mid", "--baseline", "--no-record")
    assert [played(path, part=i) for i in range(5)] == [played(tmp_path / "again.mid", part=i) for i in range(5)]


def test_only_in_the_chosen_parts_and_bars(tmp_path: Path) -> None:
    path = orchestra(tmp_path / "cue.mid")
    joined = join(path, tmp_path / "parts.mid", "--parts", "Horn")
    assert joined
    assert played(path) == played(tmp_path / "parts.mid")
    assert played(path, part=2) != played(tmp_path / "parts.mid", part=2)
    rows = strings(tmp_path / "long.mid", row(*[60] * 8))
    told = join(rows, tmp_path / "bars.mid", "--bars", "2-2")
    assert [t["n_notes"] for t in told] == [4]
    assert len(played(tmp_path / "bars.mid")) == 5
    assert played(tmp_path / "bars.mid")[1:] == played(rows)[4:]


def test_the_joined_note_is_articulated_where_its_repeats_were(tmp_path: Path) -> None:
    path = strings(tmp_path / "cue.mid", row(*[67] * 6, 65, length=0.95))
    join(path, tmp_path / "out.mid")
    cue = read_cue(tmp_path / "out.mid")
    content = (tmp_path / "out.mid").read_bytes()
    for cc, least in ((1, 5), (11, 5)):
        lane = lane_of(content, cue, cue.parts[0], cc)
        for i in range(1, 6):
            on_s = 2.0 + 0.5 * i
            around = np.arange(on_s - 0.15, on_s + 0.2, 0.005)
            value = lane.value_cc[np.searchsorted(lane.time_s, around, side="right") - 1]
            assert max(value[:20]) - value.min() >= least


def test_lanes_of_joined_notes_keep_to_what_every_lane_keeps_to(tmp_path: Path) -> None:
    """Also where a gap between repeats was closed: no jump there, since the note now sounds."""
    gaps = strings(tmp_path / "gaps.mid", row(*[67] * 6, 65, *[60] * 5, length=0.92))
    for path in (orchestra(tmp_path / "cue.mid"), gaps):
        gestures = [gesture_spans(heard) for heard in hear(read_cue(path)).parts]
        join(path, tmp_path / "out.mid", "--force")
        content = (tmp_path / "out.mid").read_bytes()
        cue = read_cue(tmp_path / "out.mid")
        for part, gesture_s in zip(cue.parts, gestures, strict=True):
            if part.shaped:
                assert all_faults(content, cue, part, gesture_s) == []


def test_every_joined_note_is_listed_in_words(tmp_path: Path) -> None:
    path = strings(tmp_path / "cue.mid", row(60, 60, 60, 62))
    result = run("shape", path, "-o", tmp_path / "out.mid", "--join-repeats", "--baseline", "--no-record")
    assert "bar 2: 3 notes of pitch 60 joined into one of 1.50 s" in result.stdout


def test_what_a_review_finds_is_what_is_joined(tmp_path: Path) -> None:
    path = orchestra(tmp_path / "cue.mid")
    found = review_file(path, kinds=["retrigger"])["findings"]
    told = join(path, tmp_path / "out.mid")
    assert found
    assert {f["part"] for f in found} == {1, 2, 3}
    again = sum(int(str(t["n_notes"])) - 1 for t in told)
    said = [f["text"].split("anew ")[1].split(" ")[0] for f in found]
    assert sum(1 if word == "once" else int(word) for word in said) == again
    assert review_file(tmp_path / "out.mid", kinds=["retrigger"])["findings"] == []


def test_a_note_without_an_end_of_its_own_is_left(tmp_path: Path) -> None:
    """All Notes Off ends it: joining would take the end of another note away."""
    events = [program(0, 48), (4 * BEAT, bytes((0x90, 60, 70))), control(5 * BEAT, 123, 0), *note(5 * BEAT, BEAT, 60)]
    path = write(tmp_path / "cue.mid", track("Violins I", events))
    before = played(path)
    assert join(path, tmp_path / "out.mid") == []
    assert played(tmp_path / "out.mid") == before


def test_joined_cues_are_found_again_by_learning(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """What was recorded has the notes that were written: an untouched joined file holds no correction."""
    monkeypatch.setenv("PHRASEWRIGHT_HOME", str(tmp_path / "home"))
    path = strings(tmp_path / "cue.mid", row(*[60] * 4, *[62] * 4, *[64] * 4, *[65] * 4))
    assert run("shape", path, "-o", tmp_path / "out.mid", "--join-repeats", "--baseline").exit_code == 0
    told = json.loads(run("learn", "hand", tmp_path / "out.mid", "--json").stdout)
    assert told["passages"] == 0
    assert not told["used"]


def test_it_cannot_be_asked_for_without_notes(tmp_path: Path) -> None:
    path = orchestra(tmp_path / "cue.mid")
    result = run("shape", path, "-o", tmp_path / "out.mid", "--join-repeats", "--lanes-only")
    assert result.exit_code == 2
    assert "choose one" in result.stderr


def test_joined_notes_and_spans(tmp_path: Path) -> None:
    events = [program(0, 48), *line(BEAT), *chords(BEAT, channel=1)]
    heard = hear(read_cue(write(tmp_path / "cue.mid", track("Violins I", events)))).parts[0]
    notes = heard.part.notes
    chains = joinable_repeats(notes, heard.attacks)
    after = joined_notes(notes, chains)
    assert after.n_notes == notes.n_notes - sum(len(chain) - 1 for chain in chains)
    assert joined_notes(notes, []) is notes
    first = chains[0]
    span = (int(notes.onset_tick[first[0]]), int(notes.offset_tick[first[1]]))
    assert [chain.tolist() for chain in within(chains, notes, span)] == [first[:2].tolist()]
