"""Throw odd files and arguments at the tool and see that each ends in one clear line or in a right result.

    python tests/fuzz.py --inputs 20000 --seed 1

Each input is one number of one target, so that `--only TARGET --first N --inputs 1` repeats one. An input fails by any
other exception than the project's own, by lasting over 5 seconds of a processor, by asking for more than 1 GiB, or by
an answer that is wrong: notes changed in what `shape` wrote, a number that is not finite, control characters on the
terminal. Faults are counted by the place they come from, and with `--keep FOLDER` one input of each is written there.
"""

from __future__ import annotations

import argparse
import json
import os
import random
import resource
import shutil
import signal
import sys
import tempfile
import time
import traceback
import zlib
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field, replace
from multiprocessing import get_context
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent))

import fuzzed_files as odd
from fuzzed_commands import command_line, odd_place
from sound_files import sound_cue, sound_hearing, sound_record, sound_store, sound_style, sound_weights

from phrasewright.data.cue import Cue
from phrasewright.data.errors import PhrasewrightError, UsageError
from phrasewright.data.midi import split_midi, weave
from phrasewright.data.plan import read_plan
from phrasewright.data.profiles import read_profile
from phrasewright.data.reading import cue_of, read_cue
from phrasewright.model.hearing import CueHearing
from phrasewright.model.listening import hear
from phrasewright.model.rules import rules_lanes

LIMIT_S = 5.0
LIMIT_BYTES = 1 << 30
MOST_S = 3600.0
"""Seconds of all parts together that are shaped here: that takes half a millisecond each,
however little they hold."""
SHARES = {
    "reading": 50, "hearing": 14, "plan": 12, "profile": 9, "style": 2, "weights": 4, "arguments": 3, "store": 3,
    "packed": 3,
}  # fmt: skip
"""Of a hundred inputs, how many go to each target."""


class Slow(BaseException):
    """An input lasted too long."""


class WrongError(Exception):
    """An answer that is no right result."""


@dataclass
class Tally:
    """What came of some inputs: how many were answered and refused by target, how far they came, faults by place."""

    answered: Counter[str] = field(default_factory=Counter)
    refused: Counter[str] = field(default_factory=Counter)
    ends: Counter[tuple[str, str]] = field(default_factory=Counter)
    faults: dict[str, list[tuple[str, int]]] = field(default_factory=dict)
    told: dict[str, str] = field(default_factory=dict)
    slowest_s: float = 0.0

    def add(self, other: Tally) -> None:
        self.answered += other.answered
        self.refused += other.refused
        self.ends += other.ends
        for place, some in other.faults.items():
            self.faults.setdefault(place, []).extend(some)
        self.told |= other.told
        self.slowest_s = max(self.slowest_s, other.slowest_s)


# --- targets: each takes a random source and a folder, and returns once the answer was looked at -----------------


def try_reading(chance: random.Random, folder: Path) -> Cue:
    """Split a file and read its parts."""
    content = odd.midi(chance)
    path = folder / "cue.mid"
    path.write_bytes(content)
    midi = split_midi(content, name="cue.mid")
    if weave(midi, removed={}, added={}) != content:
        raise WrongError("a file without changes came out changed")
    cue = cue_of(midi, path=path)
    _check_cue(cue)
    return cue


def try_hearing(chance: random.Random, folder: Path) -> str:
    """Read a file, then explain it, shape it by the rules, or review it and compare it with itself."""
    cue = try_reading(chance, folder)
    how = chance.random()
    if how < 0.3 or len(cue.parts) * cue.duration_s > MOST_S:
        _check_heard(hear(cue))
        return "heard"
    if how < 0.8:
        from phrasewright.inference.shaping import Chosen, ShapeOptions, shape_cue

        options = ShapeOptions(existing=chance.choice(("keep", "replace", "blend")))
        if chance.random() < 0.3 and cue.n_bars:
            first = chance.randrange(1, cue.n_bars + 1)
            options = replace(options, bars=(first, min(first + chance.randrange(4), cue.n_bars)))
        shaped = shape_cue(cue.path, options, chosen_by=Chosen(rules_lanes, "rules")).content
        check_shaped(cue.midi.content, shaped)
        return "lanes written" if shaped != cue.midi.content else "nothing to write"
    from phrasewright.inference.comparing import compare_files
    from phrasewright.inference.reviewing import review_file

    json.dumps(review_file(cue.path), allow_nan=False)
    json.dumps(compare_files(cue.path, (cue.path,)), allow_nan=False)
    return "reviewed and compared"


def _check_cue(cue: Cue) -> None:
    for part in cue.parts:
        notes = part.notes
        if not all(np.isfinite(a).all() for a in (notes.onset_s, notes.offset_s, notes.onset_beat)):
            raise WrongError("a time is not finite")
        if notes.n_notes and (np.any(notes.offset_tick <= notes.onset_tick) or notes.onset_s.min() < 0):
            raise WrongError("a note ends before it begins")


def _check_heard(hearing: CueHearing) -> None:
    from phrasewright.inference.explaining import explain_dict, explain_text

    told = explain_dict(hearing)
    json.dumps(told, allow_nan=False)
    explain_text(hearing)
    for part in told["parts"]:
        if len(part["notes"]) != part["n_notes"]:
            raise WrongError("not every note has a role")
        if any(p["end_s"] < p["start_s"] for p in part["phrases"]):
            raise WrongError("a phrase ends before it begins")


def check_shaped(before: bytes, after: bytes) -> None:
    """Every message but controllers is there as it was, at its tick, in its order."""
    one, other = split_midi(before, name="before"), split_midi(after, name="after")
    if len(one.tracks) != len(other.tracks) or one.content[:14] != other.content[:14]:
        raise WrongError("header or tracks changed")
    for a, b in zip(one.tracks, other.tracks, strict=True):
        rows = []
        for midi, track in ((one, a), (other, b)):
            kept = np.flatnonzero(((track.status & 0xF0) != 0xB0) & ~((track.status == 0xFF) & (track.data1 == 0x2F)))
            rows.append(
                [
                    (int(track.tick[i]), int(track.status[i]), midi.content[int(track.start[i]) : int(track.stop[i])])
                    for i in kept.tolist()
                ]
            )
        if rows[0] != rows[1]:
            raise WrongError("a message that is no lane was changed, moved or lost")


def try_plan(chance: random.Random, folder: Path) -> None:
    path = folder / "plan.csv"
    path.write_bytes(odd.plan_table(chance))
    cue = sound_cue()
    plan = read_plan(path, cue)
    if chance.random() < 0.2:
        lanes = rules_lanes(hear(cue, plan=plan), 0).value_cc
        if not np.isfinite(lanes).all() or lanes.min() < 0 or lanes.max() > 127:
            raise WrongError("a plan leads lanes out of their range")


def try_profile(chance: random.Random, folder: Path) -> None:
    path = folder / "profile.toml"
    path.write_bytes(odd.profile_text(chance))
    profile = read_profile(path)
    cue = read_cue(sound_cue().path, profile=profile)
    if chance.random() < 0.2:
        from phrasewright.inference.shaping import Chosen, ShapeOptions, shape_cue

        shaped = shape_cue(cue.path, ShapeOptions(profile=path), chosen_by=Chosen(rules_lanes, "rules"))
        check_shaped(cue.midi.content, shaped.content)


def try_style(chance: random.Random, folder: Path) -> None:
    from phrasewright.data.store import Store
    from phrasewright.inference.styles import import_style, list_styles, show_style, show_text
    from phrasewright.model.personal import colour_departures_cc, style_lanes
    from phrasewright.model.style_files import style_from

    content = odd.tensors(chance, sound_style())
    path = folder / "style.safetensors"
    path.write_bytes(content)
    style = style_from(content, source="style")
    lanes = style_lanes(sound_hearing(), 0, style, shipped=rules_lanes)
    colours = colour_departures_cc(sound_hearing(), 0, style, lanes.value_cc[:, 0])
    if not all(np.isfinite(values).all() for values in (lanes.value_cc, *colours.values())):
        raise WrongError("a style that was taken gives lanes that are not finite")
    if chance.random() < 0.1:
        with Store(folder / "home") as store:
            version = import_style(store, path)
            show_text(show_style(store, version.style))
            json.dumps(list_styles(store), allow_nan=False)
            store.delete(version.style)


def try_weights(chance: random.Random, folder: Path) -> None:
    import numpy as np

    from phrasewright.model.network import load_weights

    path = folder / "weights.safetensors"
    path.write_bytes(odd.tensors(chance, sound_weights()))
    weights = load_weights(path)
    if not all(np.isfinite(tensor).all() for tensor in weights.tensors.values()):
        raise WrongError("weights that are not finite were taken")


def try_store(chance: random.Random, folder: Path) -> None:
    from phrasewright.data.store import FILE_NAME, Store
    from phrasewright.inference.styles import list_styles

    home = folder / "store"
    shutil.rmtree(home, ignore_errors=True)
    home.mkdir()
    (home / FILE_NAME).write_bytes(odd.damaged(sound_store(), chance))
    with Store(home) as store:
        faults = store.check()
        for name in store.styles():
            store.versions(name)
            store.corrections(name)
        list_styles(store)
    if faults:
        raise PhrasewrightError("; ".join(faults))


def try_packed(chance: random.Random, folder: Path) -> None:
    from phrasewright.data.packing import MAGIC, unpack
    from phrasewright.data.schema import record_parts

    content = sound_record()
    if chance.random() < 0.5:
        content = odd.mutated(content, chance)
    else:
        content = MAGIC + zlib.compress(odd.mutated(zlib.decompress(content[4:]), chance))
    record_parts(unpack(content))


def try_arguments(chance: random.Random, folder: Path) -> None:
    """Whole commands on a folder of files, folders, pipes, devices and links."""
    from click.testing import CliRunner

    from phrasewright.inference.cli import main

    place = odd_place(folder)
    words = command_line(chance)
    before = os.getcwd()
    os.chdir(place)
    try:
        told = CliRunner().invoke(main, words, env={"PHRASEWRIGHT_HOME": str(folder / "home")})
    finally:
        os.chdir(before)
    if told.exception is not None and not isinstance(told.exception, SystemExit):
        raise told.exception
    if told.exit_code not in (0, 1, 2, 3):
        raise WrongError(f"exit code {told.exit_code}")
    lines = told.stderr.splitlines()
    several = "check" in words or (words[0] == "shape" and len(lines) > 1)  # a line for each fault, or each cue
    if told.exit_code == 1 and not (
        len(lines) == 1 or (several and all(li.startswith("phrasewright: ") for li in lines))
    ):
        raise WrongError(f"not one line: {told.stderr!r}")
    if not all(c.isprintable() or c == "\n" for c in told.stdout + told.stderr):
        raise WrongError("control characters on the terminal")
    if told.exit_code == 0 and "--json" in words:
        json.loads(told.stdout)
    if told.exit_code == 1:
        raise PhrasewrightError(told.stderr)
    if told.exit_code == 2:
        raise UsageError(told.stderr)


TARGETS: dict[str, Callable[[random.Random, Path], object]] = {
    "reading": try_reading, "hearing": try_hearing, "plan": try_plan, "profile": try_profile, "style": try_style,
    "weights": try_weights,
    "arguments": try_arguments, "store": try_store, "packed": try_packed,
}  # fmt: skip

# --- the run ----------------------------------------------------------------------------------------------------------


@contextmanager
def limits() -> Iterator[None]:
    """At most a gibibyte more than is taken already; an alarm is ready to ring."""

    def ring(*_: object) -> None:
        raise Slow(f"lasts over {LIMIT_S:.0f} s, or waits for ever")

    taken = int(Path("/proc/self/statm").read_text().split()[0]) * resource.getpagesize()
    soft, hard = resource.getrlimit(resource.RLIMIT_AS)
    resource.setrlimit(resource.RLIMIT_AS, (taken + LIMIT_BYTES, hard))
    before = [(alarm, signal.signal(alarm, ring)) for alarm in (signal.SIGALRM, signal.SIGPROF)]
    try:
        yield
    finally:
        for alarm, handler in before:
            signal.signal(alarm, handler)
        resource.setrlimit(resource.RLIMIT_AS, (soft, hard))


def _watch(seconds: float) -> None:
    """Ring after so long of a processor, and, where an input waits for something, after six times as long."""
    signal.setitimer(signal.ITIMER_PROF, seconds)
    signal.setitimer(signal.ITIMER_REAL, 6 * seconds)


def warm_up(targets: Sequence[str]) -> None:
    """Load what is loaded late, so that its memory and time count for no input."""
    for target in targets:
        with tempfile.TemporaryDirectory() as folder, suppress(Exception):  # the run itself will find what is wrong
            TARGETS[target](random.Random(0), Path(folder))


def run(target: str, first: int, n: int, *, seed: int, keep: Path | None = None) -> Tally:
    """Run inputs `first` to `first + n - 1` of one target."""
    tally = Tally()
    with tempfile.TemporaryDirectory() as name, limits():
        folder = Path(name)
        for number in range(first, first + n):
            chance = random.Random(f"{seed} {target} {number}")
            start_s = time.process_time()
            _watch(LIMIT_S)
            try:
                end = TARGETS[target](chance, folder)
                tally.answered[target] += 1
                tally.ends[target, end if isinstance(end, str) else "read"] += 1
            except PhrasewrightError as told:
                _watch(0)
                tally.refused[target] += 1
                if target != "arguments" and target != "store" and (not str(told) or "\n" in str(told)):
                    _note(tally, target, number, WrongError(f"a message of no line or several: {told!r}"))
            except (Exception, Slow) as fault:
                _watch(0)
                place = _note(tally, target, number, fault)
                if keep is not None and len(tally.faults[place]) == 1:
                    _keep(folder, keep / f"{target}-{number}")
            finally:
                _watch(0)
            tally.slowest_s = max(tally.slowest_s, time.process_time() - start_s)
    return tally


def _note(tally: Tally, target: str, number: int, fault: BaseException) -> str:
    frames = [f for f in traceback.extract_tb(fault.__traceback__) if "fuzz" not in f.filename]
    own = [f for f in frames if any(f"/{part}/" in f.filename for part in ("data", "model", "inference", "training"))]
    last = (own or frames)[-1:] or [traceback.FrameSummary("fuzz.py", 0, "")]
    place = f"{target}: {type(fault).__name__} at {Path(last[0].filename).name}:{last[0].lineno}"
    if isinstance(fault, WrongError):
        place = f"{target}: {fault}"[:160]
    tally.faults.setdefault(place, []).append((target, number))
    tally.told[place] = f"{type(fault).__name__}: {fault}"[:200]
    return place


def _keep(folder: Path, where: Path) -> None:
    where.mkdir(parents=True, exist_ok=True)
    for path in folder.iterdir():
        if path.is_file():
            shutil.copy(path, where)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--inputs", type=int, default=20_000, help="how many, over all targets")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", choices=TARGETS, help="one target")
    parser.add_argument("--first", type=int, default=0, help="number of the first input")
    parser.add_argument("--processes", type=int, default=1)
    parser.add_argument("--keep", type=Path, help="folder for one input of each fault")
    chosen = parser.parse_args()
    shares = {chosen.only: 100} if chosen.only else SHARES
    jobs = []
    for target, share in shares.items():
        n = chosen.inputs * share // 100
        jobs += [(target, chosen.first + at, min(50, n - at)) for at in range(0, n, 50)]
    jobs.sort(key=lambda job: zlib.crc32(repr(job).encode()))  # so that a run cut short has seen something of each
    tally = Tally()
    start_s = time.monotonic()
    with ProcessPoolExecutor(
        chosen.processes, mp_context=get_context("spawn"), initializer=warm_up, initargs=(tuple(shares),)
    ) as pool:
        waiting = [pool.submit(run, *job, seed=chosen.seed, keep=chosen.keep) for job in jobs]
        with suppress(KeyboardInterrupt):  # tells what was seen until then
            for i, done in enumerate(waiting, 1):
                tally.add(done.result())
                if sys.stderr.isatty():
                    print(f"\r{i} of {len(jobs)} batches", end="", file=sys.stderr)
        pool.shutdown(wait=False, cancel_futures=True)
    print(f"{'target':<10} {'inputs':>7} {'answered':>9} {'refused':>8} {'faults':>7}")
    totals = [0, 0, 0]
    for target in shares:
        bad = sum(t == target for some in tally.faults.values() for t, _ in some)
        row = tally.answered[target], tally.refused[target], bad
        totals = [one + other for one, other in zip(totals, row, strict=True)]
        print(f"{target:<10} {sum(row):>7} {row[0]:>9} {row[1]:>8} {row[2]:>7}")
    print(f"{'all':<10} {sum(totals):>7} {totals[0]:>9} {totals[1]:>8} {totals[2]:>7}")
    print(f"{time.monotonic() - start_s:.0f} s, the slowest input {tally.slowest_s:.2f} s")
    for target in shares:
        ends = sorted((n, end) for (of, end), n in tally.ends.items() if of == target)[::-1]
        if len(ends) > 1:
            print(f"{target}: " + ", ".join(f"{n} {end}" for n, end in ends))
    for place, some in sorted(tally.faults.items(), key=lambda row: -len(row[1])):
        print(f"{len(some):>6}  {place}\n        {tally.told[place]!r}, input {some[0][1]}")
    return 1 if tally.faults else 0


if __name__ == "__main__":
    sys.exit(main())
