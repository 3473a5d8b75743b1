"""Many cues at once: the same bytes however many work on them, failures told and the rest done."""

from __future__ import annotations

import json
import os
import signal
import socket
import sqlite3
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import mido
import numpy as np
import pytest
from click.testing import CliRunner, Result
from shaped_cues import Event, control, line, note, one_track, orchestra, program, track, write

from phrasewright.data.errors import InputError, OutputError, UsageError, WorkerError
from phrasewright.data.midi import split_midi
from phrasewright.inference import batch, cli
from phrasewright.inference.batch import cue_paths, shape_files, summary_text
from phrasewright.inference.shaping import ShapeOptions, shape_cue

RULES = ShapeOptions(baseline=True)


def run(*arguments: object) -> Result:
    return CliRunner().invoke(cli.main, [str(a) for a in arguments])


@pytest.fixture
def cues(tmp_path: Path) -> Path:
    """A folder of three cues, one that is no music, and what is no cue at all."""
    folder = tmp_path / "cues"
    (folder / "older").mkdir(parents=True)
    orchestra(folder / "storm.mid")
    write(folder / "Lamp.MIDI", track("Oboe", [program(0, 68), *line(480)]))
    one_track(folder / "all.mid")
    orchestra(folder / "older" / "storm.mid")
    (folder / "notes.txt").write_text("bar 12 louder")
    (folder / "broken.mid").write_bytes(b"not music")
    return folder


def test_a_folder_stands_for_its_cues_by_name(cues: Path, tmp_path: Path) -> None:
    assert [p.name for p in cue_paths([cues])] == ["Lamp.MIDI", "all.mid", "broken.mid", "storm.mid"]
    assert cue_paths([cues / "storm.mid", tmp_path / "nowhere.mid"])[1] == tmp_path / "nowhere.mid"
    (tmp_path / "empty").mkdir()
    with pytest.raises(InputError, match=r"empty: holds no \.mid or \.midi file"):
        cue_paths([tmp_path / "empty"])
    with pytest.raises(UsageError, match="would both become"):
        shape_files([cues, cues / "older"], tmp_path / "out", options=RULES)
    assert not (tmp_path / "out").exists()


def test_bytes_do_not_depend_on_how_many_work(cues: Path, tmp_path: Path) -> None:
    told = []
    for jobs in (1, 2):
        steps: list[float] = []
        told.append(shape_files([cues], tmp_path / str(jobs), options=RULES, jobs=jobs, done=steps.append))
        assert sum(steps) == pytest.approx(4.0)
        assert [Path(cue["in"]).name for cue in told[-1]["cues"]] == ["Lamp.MIDI", "all.mid", "storm.mid"]
    for name in ("Lamp.MIDI", "all.mid", "storm.mid"):
        assert (tmp_path / "1" / name).read_bytes() == (tmp_path / "2" / name).read_bytes()
    assert [cue["parts"] for cue in told[0]["cues"]] == [cue["parts"] for cue in told[1]["cues"]]


def test_no_more_processes_are_started_than_there_are_cues(
    cues: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Five hundred for two cues took minutes to start."""
    started: list[int] = []

    @contextmanager
    def workers(jobs: int, cluster: str | None) -> Iterator[tuple[int, float | None]]:
        started.append(jobs)
        yield 1, None

    monkeypatch.setattr(batch, "_workers", workers)
    for cores in (8, 1):
        monkeypatch.setattr(os, "cpu_count", lambda cores=cores: cores)
        shape_files([cues], tmp_path / str(cores), options=RULES, jobs=500)
    assert started == [len(cue_paths([cues])), 2]


def test_a_process_that_is_ended_from_outside_costs_nothing_but_time(cues: Path, tmp_path: Path) -> None:
    from joblib.externals.loky import reusable_executor

    for i in range(3):
        orchestra(cues / f"more-{i}.mid")
    alone = shape_files([cues], tmp_path / "alone", options=RULES)
    killed: list[int] = []

    def kill_once(_: float) -> None:
        if not killed:
            killed.extend(reusable_executor._executor._processes)
            os.kill(killed[0], signal.SIGKILL)

    told = shape_files([cues], tmp_path / "out", options=RULES, jobs=2, done=kill_once)
    assert killed
    assert [cue["in"] for cue in told["cues"]] == [cue["in"] for cue in alone["cues"]]
    for cue in alone["cues"]:
        name = Path(cue["out"]).name
        assert (tmp_path / "out" / name).read_bytes() == (tmp_path / "alone" / name).read_bytes()


@pytest.mark.parametrize("jobs", [1, 2])
def test_failures_are_told_in_a_line_each_and_the_rest_is_done(
    cues: Path, tmp_path: Path, own_home: Path, jobs: int
) -> None:
    (cues / "silent.mid").write_bytes(write(tmp_path / "x.mid", track("Oboe", [])).read_bytes())
    result = run("shape", cues, "-o", tmp_path / "out", "--baseline", "--json", "--jobs", jobs)
    assert result.exit_code == 1
    told = json.loads(result.stdout)
    assert [Path(failure["in"]).name for failure in told["failed"]] == ["broken.mid", "silent.mid"]
    lines = result.stderr.splitlines()
    assert len(lines) == 2
    assert "broken.mid: not a Standard MIDI File" in lines[0]
    assert "silent.mid: holds no notes" in lines[1]
    assert sorted(p.name for p in (tmp_path / "out").iterdir()) == ["Lamp.MIDI", "all.mid", "storm.mid"]
    with sqlite3.connect(own_home / "store.sqlite") as store:
        names = {row[0] for row in store.execute("SELECT name FROM shaped")}
    store.close()
    assert names == {"Lamp.MIDI", "all.mid", "storm.mid"}


def test_a_table_sums_up_several_cues(cues: Path, tmp_path: Path) -> None:
    result = shape_files([cues], tmp_path / "out", options=RULES)
    rows = [row.split() for row in summary_text(result).splitlines()]
    assert ["cue", "length", "parts", "shaped", "events", "kept"] in rows
    assert ["broken.mid", "failed"] in rows
    events = [str(sum(lane["events"] for p in cue["parts"] for lane in p["lanes"].values())) for cue in result["cues"]]
    assert ["storm.mid", "0:50", "5", "3", events[2], "0"] in rows


def test_what_cannot_be_used_for_any_cue_is_told_once_and_nothing_is_written(cues: Path, tmp_path: Path) -> None:
    result = run("shape", cues, "-o", tmp_path / "out", "--style", "no-such-hand")
    assert result.exit_code == 1
    assert len(result.stderr.splitlines()) == 1
    (tmp_path / "mine.toml").write_text("[oops")
    result = run("shape", cues, "-o", tmp_path / "out", "--profile", tmp_path / "mine.toml")
    assert result.exit_code == 1
    assert len(result.stderr.splitlines()) == 1
    assert not (tmp_path / "out").exists()


def test_places_that_cannot_be_written_are_refused_first(cues: Path, tmp_path: Path) -> None:
    (tmp_path / "file").write_bytes(b"")
    with pytest.raises(OutputError, match="file: is a file, not a folder"):
        shape_files([cues], tmp_path / "file" / "out", options=RULES)
    with pytest.raises(OutputError, match="is the input itself"):
        shape_files([cues], cues, options=RULES, force=True)
    if os.geteuid() != 0:  # who may write everywhere cannot be refused
        (tmp_path / "locked").mkdir(mode=0o500)
        with pytest.raises(OutputError, match="locked: cannot be written to"):
            shape_files([cues], tmp_path / "locked" / "out", options=RULES)


def test_a_folder_inside_the_cues_or_called_like_a_file_is_a_folder(cues: Path, tmp_path: Path) -> None:
    inside = shape_files([cues], cues / "shaped", options=RULES)
    assert len(inside["cues"]) == 3
    again = shape_files([cues], cues / "shaped", options=RULES, force=True)
    assert len(again["cues"]) == 3, "what was written is no cue of the folder"
    (tmp_path / "album.mid").mkdir()
    shape_files([cues], tmp_path / "album.mid", options=RULES)
    assert (tmp_path / "album.mid" / "storm.mid").is_file()


def lane_events(content: bytes) -> list[list[tuple[int, int, int, int]]]:
    out = []
    for t in split_midi(content, name="file").tracks:
        rows = zip(t.tick.tolist(), t.status.tolist(), t.data1.tolist(), t.data2.tolist(), strict=True)
        out.append([row for row in rows if row[1] & 0xF0 == 0xB0 and row[2] in (1, 2, 11)])
    return out


@pytest.mark.parametrize("make", [orchestra, one_track])
def test_lanes_only_are_the_same_lanes_and_nothing_else(tmp_path: Path, make: object) -> None:
    path = make(tmp_path / "cue.mid")  # type: ignore[operator]
    whole = shape_cue(path, RULES)
    alone = shape_cue(path, ShapeOptions(baseline=True, lanes_only=True))
    (tmp_path / "alone.mid").write_bytes(alone.content)
    left, cue = mido.MidiFile(tmp_path / "alone.mid"), mido.MidiFile(path)
    assert (left.type, left.ticks_per_beat) == (cue.type, cue.ticks_per_beat)
    assert [t.name for t in left.tracks] == [t.name for t in cue.tracks]
    kinds = {m.type for t in left.tracks for m in t}
    assert kinds <= {"track_name", "set_tempo", "time_signature", "control_change", "end_of_track"}
    assert lane_events(alone.content) == lane_events(whole.content)
    assert alone.summary == whole.summary
    assert left.length == pytest.approx(mido.MidiFile(path).length, abs=3.0)


def test_lanes_only_hold_kept_phrases_and_leave_out_parts_that_were_not_shaped(tmp_path: Path) -> None:
    def solo(channel: int) -> list[Event]:
        events = [program(0, 40, channel=channel), control(5, 7, 90, channel=channel)]
        for i in range(8):
            events += note(960 * i, 960, 60 + i, channel=channel)
        values = 60 + 20 * np.sin(np.arange(32) / 5)
        return events + [control(240 * i, 1, round(v), channel=channel) for i, v in enumerate(values)]

    head = track("Tempo", [(0, b"\xff\x51\x03\x0a\x00\x00"), (960, b"\xff\x51\x03\x06\x00\x00"), (0, b"\xff\x06\x01A")])
    path = write(tmp_path / "cue.mid", head, track("Violin", solo(0)), track("Viola", solo(1)))
    chosen = {"baseline": True, "parts": ("Violin",)}
    whole = lane_events(shape_cue(path, ShapeOptions(**chosen)).content)  # type: ignore[arg-type]
    content = shape_cue(path, ShapeOptions(**chosen, lanes_only=True)).content  # type: ignore[arg-type]
    assert lane_events(content) == [[], whole[1], []]
    assert set(lane_events(path.read_bytes())[1]) <= set(lane_events(content)[1]), "the hand's own lane is with it"
    (tmp_path / "alone.mid").write_bytes(content)
    tempi = [m.tempo for m in mido.MidiFile(tmp_path / "alone.mid").tracks[0] if m.type == "set_tempo"]
    assert tempi == [0x0A0000, 0x060000]


def test_lanes_imported_beside_the_notes_are_known_when_they_come_back(tmp_path: Path) -> None:
    """The store holds the whole first pass, whichever half of it was written."""
    path = orchestra(tmp_path / "cue.mid")
    assert run("shape", path, "-o", tmp_path / "lanes.mid", "--baseline", "--lanes-only").exit_code == 0
    assert run("shape", path, "-o", tmp_path / "whole.mid", "--baseline", "--no-record").exit_code == 0
    told = json.loads(run("learn", "my-hand", tmp_path / "whole.mid", "--json").stdout)
    assert told["passages"] == 0
    assert "found no correction" in told["why"]


def test_without_the_package_a_cluster_is_told_with_what_to_install(
    cues: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, "distributed", None)
    with pytest.raises(WorkerError, match=r"install phrasewright\[cluster\]"):
        shape_files([cues], tmp_path / "out", options=RULES, cluster="tcp://127.0.0.1:9")


def test_a_cluster_that_loses_a_worker_does_all_the_same(cues: Path, tmp_path: Path) -> None:
    distributed = pytest.importorskip("distributed")
    for i in range(3):
        orchestra(cues / f"more-{i}.mid")
    alone = shape_files([cues], tmp_path / "alone", options=RULES)
    cluster = distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None, host="127.0.0.1"
    )
    try:
        victim = next(iter(cluster.workers.values())).process.pid
        killed: list[int] = []

        def kill_once(_: float) -> None:
            if not killed:
                os.kill(victim, signal.SIGKILL)
                killed.append(victim)

        told = shape_files(
            [cues], tmp_path / "out", options=RULES, cluster=cluster.scheduler_address, done=kill_once
        )
    finally:
        cluster.close()
    assert killed
    assert [cue["in"] for cue in told["cues"]] == [cue["in"] for cue in alone["cues"]]
    assert told["failed"] == alone["failed"]
    for cue in alone["cues"]:
        name = Path(cue["out"]).name
        assert (tmp_path / "out" / name).read_bytes() == (tmp_path / "alone" / name).read_bytes()


def test_a_cluster_that_is_not_there_is_told(cues: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    pytest.importorskip("distributed")
    monkeypatch.setattr("phrasewright.inference.batch.CLUSTER_WAIT_S", 0.5)
    with socket.create_server(("127.0.0.1", 0)) as other:  # a server that is no scheduler
        page = f"127.0.0.1:{other.getsockname()[1]}"
        for address in ("tcp://127.0.0.1:9", "nonsense", "tcp://x:y", page):
            with pytest.raises(WorkerError, match="no scheduler answers there"):
                shape_files([cues], tmp_path / "out", options=RULES, cluster=address)
    assert not (tmp_path / "out").exists()


def test_a_name_too_long_for_any_folder_is_told(tmp_path: Path) -> None:
    assert cue_paths([tmp_path / ("x" * 300)]) == [tmp_path / ("x" * 300)]  # reading tells what is wrong
