"""Parts of one cue in forked processes: the same bytes, nothing lost with a process, nothing left behind."""

from __future__ import annotations

import os
import random
import signal
import subprocess
import sys
import time
from collections.abc import Iterable, Iterator
from contextlib import suppress
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from benchmark import synthetic_cue
from shaped_cues import orchestra
from sound_files import sound_style

from phrasewright.data.errors import InputError
from phrasewright.data.store import Store
from phrasewright.inference import parts_at_once, shaping
from phrasewright.inference.parts_at_once import processes_for, results_by_part
from phrasewright.inference.shaping import ShapeOptions, shape_cue
from phrasewright.training.first_passes import record_of

HERE = os.getpid()
NUMBERS = list(range(17, -1, -1))


def squares(numbers: Iterable[int]) -> Iterator[tuple[int, int]]:
    """Three at a time, as lanes are written."""
    waiting = []
    for number in numbers:
        waiting.append((number, number**2))
        if len(waiting) == 3:
            yield from waiting
            waiting.clear()
    yield from waiting


def no_children() -> bool:
    try:
        os.waitpid(-1, os.WNOHANG)
    except ChildProcessError:
        return True
    return False


@pytest.fixture
def clean() -> Iterator[None]:
    """Nothing stays behind: no process, finished or not, and no open file."""
    before = len(os.listdir("/proc/self/fd"))
    mine = set(Path(f"/proc/self/task/{os.getpid()}/children").read_text().split())
    yield
    assert set(Path(f"/proc/self/task/{os.getpid()}/children").read_text().split()) <= mine
    assert len(os.listdir("/proc/self/fd")) == before


@pytest.mark.parametrize("processes", [1, 2, 3, 30])
@pytest.mark.usefixtures("clean")
def test_each_number_is_worked_on_and_told(processes: int) -> None:
    steps: list[int] = []
    found = results_by_part(squares, NUMBERS, processes=processes, done=lambda: steps.append(os.getpid()))
    assert found == {number: number**2 for number in NUMBERS}
    assert steps == [os.getpid()] * len(NUMBERS)


@pytest.mark.usefixtures("clean")
def test_the_work_is_done_elsewhere() -> None:
    def where(numbers: Iterable[int]) -> Iterator[tuple[int, int]]:
        for number in numbers:
            time.sleep(0.01)
            yield number, os.getpid()

    assert len(set(results_by_part(where, NUMBERS, processes=3).values()) - {os.getpid()}) > 1


@pytest.mark.parametrize("sent", [signal.SIGKILL, signal.SIGSEGV, signal.SIGTERM])
@pytest.mark.usefixtures("clean")
def test_what_a_killed_process_had_is_done_here(sent: signal.Signals) -> None:
    here = os.getpid()

    def deadly(numbers: Iterable[int]) -> Iterator[tuple[int, int]]:
        for number in numbers:
            if number % 5 == 0 and os.getpid() != here:
                signal.signal(signal.SIGSEGV, signal.SIG_DFL)
                os.kill(os.getpid(), sent)
            yield number, number**2

    assert results_by_part(deadly, NUMBERS, processes=3) == {number: number**2 for number in NUMBERS}


@pytest.mark.usefixtures("clean")
def test_a_process_killed_while_it_hands_over_loses_nothing() -> None:
    """Half a large answer has gone through the line when it ends."""
    here = os.getpid()

    def large(numbers: Iterable[int]) -> Iterator[tuple[int, bytes]]:
        for number in numbers:
            if os.getpid() != here:
                signal.setitimer(signal.ITIMER_REAL, 0.02)  # ends the process, by default
            yield number, bytes(1 << 27 if number == 3 else 10)

    assert {n: len(b) for n, b in results_by_part(large, [3, 2, 1], processes=2).items()} == {3: 1 << 27, 2: 10, 1: 10}


@pytest.mark.usefixtures("clean")
def test_a_fault_is_raised_as_without_other_processes() -> None:
    def faulty(numbers: Iterable[int]) -> Iterator[tuple[int, int]]:
        for number in numbers:
            if number == 7:
                raise InputError("part 7: no")
            yield number, number

    with pytest.raises(InputError, match=r"^part 7: no$"):
        results_by_part(faulty, NUMBERS, processes=3)


@pytest.mark.usefixtures("clean")
def test_an_interrupt_ends_all_processes() -> None:
    def slow(numbers: Iterable[int]) -> Iterator[tuple[int, int]]:
        for number in numbers:
            yield number, number
            time.sleep(0.05 if number > 3 else 60.0)

    def interrupted() -> None:
        raise KeyboardInterrupt

    begin = time.monotonic()
    with pytest.raises(KeyboardInterrupt):
        results_by_part(slow, NUMBERS, processes=3, done=interrupted)
    assert time.monotonic() - begin < 10.0


@pytest.mark.usefixtures("clean")
def test_where_no_process_can_be_made_all_is_done_here(monkeypatch: pytest.MonkeyPatch) -> None:
    made: list[int] = []
    fork = os.fork

    def scarce() -> int:
        made.append(1)
        if len(made) > 1:
            raise BlockingIOError(11, "Resource temporarily unavailable")
        return fork()

    for least in (0, 1):  # none but one, then none
        made[:] = [1] * least
        monkeypatch.setattr(parts_at_once.os, "fork", scarce)
        assert results_by_part(squares, NUMBERS, processes=3) == {number: number**2 for number in NUMBERS}


def test_only_long_cues_on_several_cores_are_spread(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(parts_at_once.threading, "active_count", lambda: 1)
    monkeypatch.setattr(os, "sched_getaffinity", lambda _: set(range(8)))
    least = parts_at_once.LEAST_SIZE
    assert processes_for([least] * 40) == parts_at_once.MOST_PROCESSES
    assert processes_for([least] * 40, most=2) == 2
    assert processes_for([least] * 40, most=9999) == 16  # two for each core, not all that are asked for
    assert processes_for([least] * 40, most=1) == 1
    assert processes_for([least // 10] * 15) == 1
    assert processes_for([least * 20]) == 1  # one part is not divided
    assert processes_for([]) == 1
    monkeypatch.setattr(os, "sched_getaffinity", lambda _: {3})
    assert processes_for([least] * 40) == 1
    monkeypatch.setattr(os, "sched_getaffinity", lambda _: {3, 4})
    assert processes_for([least] * 40) == 2
    monkeypatch.setattr(parts_at_once.threading, "active_count", lambda: 2)
    assert processes_for([least] * 40) == 1
    monkeypatch.delattr(os, "sched_getaffinity")
    assert processes_for([least] * 40) == 1


@pytest.mark.parametrize(
    "options",
    [
        ShapeOptions(),
        ShapeOptions(baseline=True, join_repeats=True),
        ShapeOptions(baseline=True, bars=(3, 9), existing="blend"),
        ShapeOptions(parts=("2", "3"), lanes_only=True, existing="replace"),
        ShapeOptions(style="hand.safetensors", profile=Path("mine.toml"), plan=Path("plan.csv")),
    ],
    ids=["network", "joined", "bars", "parts", "style"],
)
@pytest.mark.usefixtures("clean")
def test_bytes_do_not_depend_on_processes(
    options: ShapeOptions, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    Path("hand.safetensors").write_bytes(sound_style())
    Path("plan.csv").write_text("bar,level,parts,ramp\n1,p,,\n9,f,,4\n")
    Path("mine.toml").write_text('["*"]\nlanes.dynamics = 21\nlanes.bow = 7\nlanes.attack = 8\nlegato_delay_s = 0.12\n')
    cue = orchestra(tmp_path / "cue.mid")
    alone = shape_cue(cue, options)
    monkeypatch.setattr(shaping, "processes_for", lambda sizes, *, most: min(3, len(sizes)))
    shares: list[float] = []
    spread = shape_cue(cue, options, done=shares.append)
    assert sum(shares) == pytest.approx(1.0)
    assert spread.content == alone.content
    assert spread.summary == alone.summary
    assert spread.spreads.keys() == alone.spreads.keys()
    assert {i: list(own) for i, own in spread.spreads.items()} == {i: list(own) for i, own in alone.spreads.items()}


@pytest.mark.parametrize("options", [ShapeOptions(bars=(3, 9)), ShapeOptions(existing="blend", join_repeats=True)])
def test_lanes_are_told_as_they_stand_in_the_file(options: ShapeOptions, tmp_path: Path) -> None:
    """Once more over a first pass, so that some stay and some are new."""
    first = orchestra(tmp_path / "cue.mid")
    again = tmp_path / "again.mid"
    again.write_bytes(shape_cue(first, ShapeOptions(baseline=True, parts=("1", "3"))).content)
    shaped = shape_cue(again, replace(options, baseline=True))
    told, read = (
        record_of(shaped.cue, shaped.whole, style="rules", version="1", lanes=lanes) for lanes in (shaped.lanes, None)
    )
    for one, other in zip(told.parts, read.parts, strict=True):
        assert one.lanes.keys() == other.lanes.keys()
        for lane in one.lanes:
            assert np.array_equal(one.lanes[lane].time_s, other.lanes[lane].time_s)
            assert np.array_equal(one.lanes[lane].value_cc, other.lanes[lane].value_cc)


@pytest.fixture(scope="module")
def long_cue(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("cue") / "long.mid"
    assert synthetic_cue(path, minutes=5, parts=10) > 2 * parts_at_once.LEAST_SIZE
    return path


def children_of(process: int) -> list[int]:
    try:
        return [int(child) for child in Path(f"/proc/{process}/task/{process}/children").read_text().split()]
    except FileNotFoundError:
        return []


def started(cue: Path, out: Path, *arguments: str) -> subprocess.Popen[bytes]:
    command = [sys.executable, "-m", "phrasewright.inference.cli", "shape", str(cue), "-o", str(out), *arguments]
    return subprocess.Popen(
        command, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, start_new_session=True,
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.SIG_DFL),  # else ignored in the background
    )  # fmt: skip


def working(process: subprocess.Popen[bytes]) -> list[int]:
    """The processes it has forked, when there are two."""
    while process.poll() is None:
        children = children_of(process.pid)
        if len(children) == 2:
            return children
        time.sleep(0.01)
    raise AssertionError("it was done without other processes")


def gone(process: int, *, within_s: float) -> bool:
    stop = time.monotonic() + within_s
    while Path(f"/proc/{process}").exists() and "Z" not in Path(f"/proc/{process}/stat").read_text().split()[2]:
        if time.monotonic() > stop:
            return False
        time.sleep(0.02)
    return True


KILLS = [pytest.param(1, id="once"), pytest.param(50, id="fifty times", marks=pytest.mark.slow)]


@pytest.fixture(scope="module")
def alone(long_cue: Path) -> tuple[bytes, float]:
    """What one process writes, and how long two take (seconds)."""
    out = long_cue.parent / "alone.mid"
    assert started(long_cue, out, "--baseline", "--jobs", "1", "--no-record").communicate()[1] == b""
    begin = time.monotonic()
    process = started(long_cue, out.with_name("two.mid"), "--baseline", "--jobs", "2", "--no-record")
    assert process.communicate()[1] == b""
    assert out.read_bytes() == out.with_name("two.mid").read_bytes()
    return out.read_bytes(), time.monotonic() - begin


@pytest.mark.parametrize("times", KILLS)
def test_a_long_cue_loses_nothing_with_a_process(
    times: int, long_cue: Path, alone: tuple[bytes, float], tmp_path: Path
) -> None:
    """One of the two is killed at any moment; what it had is done by the first."""
    chance, out = random.Random(times), tmp_path / "out.mid"
    whole, length_s = alone
    n_at_work = 0
    for i in range(times):
        process = started(long_cue, out, "--baseline", "--jobs", "2", "--force")
        one = chance.choice(working(process))
        time.sleep(chance.uniform(0.0, length_s / 2) if i else 0.0)
        n_at_work += not gone(one, within_s=0.0)
        with suppress(ProcessLookupError):
            os.kill(one, signal.SIGKILL)
        assert process.communicate()[1] == b""
        assert process.returncode == 0
        assert out.read_bytes() == whole
    assert sorted(path.name for path in tmp_path.iterdir()) == ["out.mid"]
    with Store() as store:
        assert store.check() == []
    assert n_at_work
    print(f"{times} kills of a forked process, {n_at_work} of them at work; each time the same bytes")


@pytest.mark.parametrize("times", KILLS)
@pytest.mark.parametrize("sent", [signal.SIGINT, signal.SIGTERM, signal.SIGHUP, signal.SIGKILL])
def test_what_ends_the_command_ends_its_processes(
    sent: signal.Signals, times: int, long_cue: Path, alone: tuple[bytes, float], tmp_path: Path
) -> None:
    """Control-C, the end of a session and of a terminal go to all of them; a kill here to the first only."""
    chance, out = random.Random(f"{sent} {times}"), tmp_path / "to" / "out.mid"
    whole, length_s = alone
    n_whole = n_forked = 0
    for i in range(times):
        process = started(long_cue, out, "--baseline", "--jobs", "2", "--force")
        if i % 2:
            time.sleep(chance.uniform(0.5, length_s * 1.1))  # the first half second is the interpreter's own
        else:
            working(process)
            time.sleep(chance.uniform(0.0, length_s / 2) if i else 0.0)
        children = children_of(process.pid)
        n_forked += len(children) > 0
        if sent == signal.SIGKILL:
            process.kill()
        else:
            os.killpg(process.pid, sent)
        said = process.communicate()[1].decode()
        assert all(gone(child, within_s=20.0 if sent == signal.SIGKILL else 1.0) for child in children)
        if process.returncode == 0:
            assert said == ""
        elif sent == signal.SIGINT:  # of its 1 the interpreter may make that it was ended by the signal
            assert (said.split(), process.returncode) in ((["Aborted!"], 1), (["Aborted!"], -sent))
        else:
            assert (said, process.returncode) in (("", -sent), ("", 128 + sent))
        if out.exists():
            assert out.read_bytes() == whole
            n_whole += 1
            out.unlink()
        if out.parent.exists() and sent != signal.SIGKILL:
            assert list(out.parent.iterdir()) == []
    with Store() as store:
        assert store.check() == []
    assert n_forked
    assert n_whole < times
    print(f"{times} times {sent.name}: {n_forked} with forked processes, {n_whole} whole files, none half")
