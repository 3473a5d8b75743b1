"""The parts of one long cue at once, in processes that are forked after the cue was read and heard.

Shaping one part asks for nothing from shaping another, and threads would wait for each other (the interpreter runs one
at a time). A forked process shares what was read and heard with this one, page by page, so nothing is sent to it but
numbers of parts: all lie in one pipe, and who is free takes the next. No lock is held by anybody, so a process that is
killed blocks nobody. What it had not handed back is done here, and so is what it failed at, so that a fault is raised
as if there had been no other process.

Only on Linux: elsewhere forking does not exist or is not safe beside system libraries. And only while this process has
one thread; matrices are multiplied with one too (`network.py`), so that there are none to lose.
"""

from __future__ import annotations

import os
import signal
import threading
import warnings
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import suppress
from multiprocessing.connection import Connection, Pipe, wait
from typing import NoReturn, TypeVar

T = TypeVar("T")
Work = Callable[[Iterable[int]], Iterable[tuple[int, T]]]
"""Draws numbers of parts one by one, each when the one before is predicted, and gives back results when it likes."""

MOST_PROCESSES = 4
"""More bring little: reading, hearing and writing remain, and each takes memory."""
MOST_A_CORE = 2
"""Processes for each core, however many are asked for: more wait for each other and take memory."""
LEAST_SIZE = 2000
"""Attacks a process should have to work on, or it costs more than it brings."""
_ENDING = {signal.SIGINT, signal.SIGTERM, *([signal.SIGHUP] if hasattr(signal, "SIGHUP") else [])}
_NUMBER_BYTES, _MOST_NUMBERS = 4, 8192
"""A pipe holds at least so many numbers of parts without anybody reading, and hands over each of them whole."""


def processes_for(sizes: Sequence[int], *, most: int | None = None) -> int:
    """How many processes pay for parts of so many attacks: 1 where all is to be done here.

    Parameters
    ----------
    most : int or None
        What the user allows, None for as many as pay.
    """
    if not hasattr(os, "sched_getaffinity") or threading.active_count() > 1 or len(sizes) > _MOST_NUMBERS:
        return 1
    cores = len(os.sched_getaffinity(0))
    allowed = min(cores, MOST_PROCESSES) if most is None else min(most, MOST_A_CORE * cores)
    return max(min(allowed, sum(sizes) // LEAST_SIZE, len(sizes)), 1)


def results_by_part(
    work: Work[T], order: Sequence[int], *, processes: int, done: Callable[[], object] = lambda: None
) -> dict[int, T]:
    """What `work` gives for each number in `order`, begun in that order; `done` is called for each that is predicted.

    Raises
    ------
    Exception
        Whatever `work` raises.
    """
    results: dict[int, T] = {}
    if processes > 1:
        _gather(results, work, order, processes, done)
    left = [number for number in order if number not in results]
    results.update(work(_told(left, done)))
    return results


def _told(numbers: Iterable[int], done: Callable[[], object]) -> Iterator[int]:
    for number in numbers:
        yield number
        done()


def _gather(
    results: dict[int, T], work: Work[T], order: Sequence[int], processes: int, done: Callable[[], object]
) -> None:
    """Put into `results` what forked processes make of the numbers; some may be missing."""
    numbers, more = os.pipe()
    os.write(more, b"".join(number.to_bytes(_NUMBER_BYTES, "little") for number in order))
    os.close(more)  # nobody else has this end, so that the pipe ends with the last number
    workers: dict[Connection, int] = {}
    try:
        _start(workers, work, numbers, processes)
        at_work = set(workers)
        while at_work:
            for line in wait(list(at_work)):
                assert isinstance(line, Connection)
                try:
                    found = line.recv()
                except (EOFError, OSError):  # it has ended, well or not
                    at_work.discard(line)
                    continue
                if found is None:
                    done()
                else:
                    results[found[0]] = found[1]
    finally:
        os.close(numbers)
        for line, process in workers.items():
            line.close()
            os.kill(process, signal.SIGKILL)  # one that is done has nothing left to do; others are not wanted
            os.waitpid(process, 0)


def _start(workers: dict[Connection, int], work: Work[T], numbers: int, processes: int) -> None:
    """Start processes, as many as the system lets, that work on what they draw from `numbers`; each by its line.

    An interrupt from the keyboard goes to all processes of a terminal: it is for the first to answer, who ends these.
    Other signals end each as they would any process.
    """
    before = signal.pthread_sigmask(signal.SIG_BLOCK, _ENDING)
    try:
        with suppress(OSError), warnings.catch_warnings():
            warnings.simplefilter("ignore", DeprecationWarning)  # of forking beside threads: there are none that matter
            for _ in range(processes):
                here, there = Pipe(duplex=False)
                with there:  # closed here, so that the line ends with the process
                    process = os.fork()
                    if not process:
                        _work(work, numbers, there, [*workers, here])
                workers[here] = process
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


def _work(work: Work[T], numbers: int, line: Connection, others: Sequence[Connection]) -> NoReturn:
    """The life of a forked process. Whatever goes wrong ends it without a word: the first process does what is missing.
    """
    try:
        for number in _ENDING - {signal.SIGINT}:
            if callable(signal.getsignal(number)):  # what is to be cleared away is the first process's
                signal.signal(number, signal.SIG_DFL)
        signal.pthread_sigmask(signal.SIG_UNBLOCK, _ENDING - {signal.SIGINT})
        for other in others:
            other.close()  # else the end of the first process would not be seen
        for answer in work(_told(_drawn(numbers), lambda: line.send(None))):
            line.send(answer)
    finally:
        os._exit(0)  # no clean-up of what belongs to the first process: buffers, locks, files


def _drawn(numbers: int) -> Iterator[int]:
    while drawn := os.read(numbers, _NUMBER_BYTES):
        yield int.from_bytes(drawn, "little")
