"""Time and memory of the main commands on a synthetic cue: `python tests/benchmark.py [--minutes M] [--parts P]
[--scaling] [--profile] [--pages] [--learning]`.

Prints one line a stage: seconds, as a ratio to mido's own reading (the best of three) of the same file in the same run,
and the peak memory of all its processes together, pages that they share counted once (sampled ten times a second).
Start-up is timed apart and taken off. `shape --style` is in a style learned from corrections of a short cue, in a store
of its own. With `--scaling`, `explain` and `shape` on cues of 1, 10 and 60 minutes: seconds beyond start-up for each
thousand notes, and the ratio to mido's reading; the same figure in every row means that time grows with the notes. With
`--profile`, one shaping by the network in this process: processor seconds and share of each stage, without what it
calls of the others, and line-minutes of music a second. With `--learning`, seconds of `learn` from 1, 5, 20 and 50
corrected cues of a minute and four lines, and the bytes of the store. With `--pages`, the size of report pages of 2, 20
and 60 parts of five minutes, and how long a browser takes from asking for one to having drawn it (the best of three, on
this machine as it is). With `--only shape` (or another line), that line alone, as for the hour of 60 parts.
"""

from __future__ import annotations

import argparse
import importlib
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager, suppress
from pathlib import Path
from typing import Any
from unittest import mock

import mido
import numpy as np

from phrasewright.data.midi import Event, write_events
from phrasewright.inference.shaping import shape_cue

TICKS = 480
PROGRAMS = (40, 41, 42, 43, 48, 73, 68, 71, 70, 60, 56, 57, 58, 52)


def synthetic_cue(path: Path, *, minutes: float, parts: int, seed: int = 1) -> int:
    """Write a cue of connected lines with rests, at 120 quarter notes a minute; return the number of notes."""
    rng = np.random.default_rng(seed)
    end = int(minutes * 120 * TICKS)
    tracks: list[list[Event]] = [[(0, 0, "track_name", {"name": "Tempo"}), (0, 1, "set_tempo", {"tempo": 500_000})]]
    n_notes = 0
    for part in range(parts):
        program = PROGRAMS[part % len(PROGRAMS)]
        own: dict[str, int | str] = {"channel": part % 9}
        track: list[Event] = [(0, -1, "track_name", {"name": f"Part {part + 1}"})]
        track.append((0, 0, "program_change", own | {"program": program}))
        tick, pending, pitch = 0, 0, int(rng.integers(55, 70))
        while tick < end:
            for _ in range(int(rng.integers(6, 14))):
                length = int(rng.choice([120, 240, 240, 480, 480, 960, 1920], p=[0.1, 0.2, 0.2, 0.2, 0.15, 0.1, 0.05]))
                pitch = int(np.clip(pitch + rng.integers(-4, 5), 52, 76))
                velocity = int(rng.integers(60, 90))
                note = own | {"note": pitch}
                track.append((tick + pending, 2, "note_on", note | {"velocity": velocity}))
                tick, pending = tick + pending + length, 0
                track.append((tick, 1, "note_off", note))
                n_notes += 1
            pending = int(rng.choice([0, 480, 960, 3840], p=[0.4, 0.3, 0.2, 0.1]))
        tracks.append(track)
    write_events(path, tracks, ticks_per_beat=TICKS)
    return n_notes


def timed(command: list[str]) -> float:
    """Wall-clock seconds of one command."""
    begin = time.perf_counter()
    subprocess.run(command, check=True, stdout=subprocess.DEVNULL)
    return time.perf_counter() - begin


def memory_kib(process: int) -> int:
    """Memory of a process and all below it now, a page that n of them share counted as 1/n in each."""
    try:
        rows = Path(f"/proc/{process}/smaps_rollup").read_text().splitlines()
        children = Path(f"/proc/{process}/task/{process}/children").read_text().split()
    except OSError:  # it has ended
        return 0
    own = sum(int(row.split()[1]) for row in rows if row.startswith("Pss:"))
    return own + sum(memory_kib(int(child)) for child in children)


def measured(command: list[str]) -> tuple[float, int]:
    """Wall-clock seconds and peak memory in KiB of one command with all its processes."""
    begin, peak_kib = time.perf_counter(), 0
    with subprocess.Popen(command, stdout=subprocess.DEVNULL) as process:
        while process.poll() is None:
            peak_kib = max(peak_kib, memory_kib(process.pid))
            with suppress(subprocess.TimeoutExpired):
                process.wait(0.1)
    if process.returncode:
        raise subprocess.CalledProcessError(process.returncode, command)
    return time.perf_counter() - begin, peak_kib


def mido_reads(cue: Path) -> float:
    """Seconds of mido's own reading."""
    begin = time.perf_counter()
    mido.MidiFile(cue)
    return time.perf_counter() - begin


def learned_style(program: str, folder: Path) -> str:
    """Correct the first pass of a short cue, each lane deeper and louder, and learn a style of it; its name."""
    cue, shaped, corrected = (folder / f"{name}.mid" for name in ("short", "shaped", "corrected"))
    synthetic_cue(cue, minutes=1, parts=4)
    timed([program, "shape", str(cue), "-o", str(shaped)])
    correct(shaped, corrected)
    timed([program, "learn", "bench-hand", str(corrected)])
    return "bench-hand"


def correct(shaped: Path, corrected: Path) -> None:
    """Write a first pass anew with every lane deeper and louder."""
    file = mido.MidiFile(shaped)
    for message in (message for track in file.tracks for message in track if message.type == "control_change"):
        message.value = int(np.clip(1.3 * message.value - 12, 0, 127))
    file.save(corrected)


def learning(program: str) -> None:
    """Print how long it takes to learn from 1 to 50 corrected cues at once, and what the store takes for them."""
    print(" cues  minutes of lines  learned in, s  s a cue  store, kB a minute of lines")
    for n_cues in (1, 5, 20, 50):
        with tempfile.TemporaryDirectory() as folder:
            home = Path(folder, "home")
            os.environ["PHRASEWRIGHT_HOME"] = str(home)
            cues, shaped, corrected = (Path(folder, name) for name in ("cues", "shaped", "corrected"))
            for place in (cues, corrected):
                place.mkdir()
            for number in range(n_cues):
                synthetic_cue(cues / f"{number:02d}.mid", minutes=1, parts=4, seed=number)
            timed([program, "shape", str(cues), "-o", str(shaped)])
            for path in sorted(shaped.glob("*.mid")):
                correct(path, corrected / path.name)
            took_s = timed([program, "learn", "bench-hand", *map(str, sorted(corrected.glob("*.mid")))])
            kept = sum(path.stat().st_size for path in home.glob("store.sqlite*"))
            told = f"{n_cues:5d} {4 * n_cues:17d} {took_s:14.1f} {took_s / n_cues:8.1f} {kept / 4000 / n_cues:28.1f}"
            print(told, flush=True)


def scaling(program: str, *, parts: int) -> None:
    """Print how `explain` and `shape` grow from 1 to 60 minutes, beside mido's own reading."""
    with tempfile.TemporaryDirectory() as folder:
        cue, tiny, out = (Path(folder, f"{name}.mid") for name in ("cue", "tiny", "out"))
        os.environ["PHRASEWRIGHT_HOME"] = str(Path(folder, "home"))
        synthetic_cue(tiny, minutes=0.05, parts=1)
        for title, after in (("explain", ["--json"]), ("shape", ["-o", str(out), "--force"])):
            start_s = min(timed([program, title, str(tiny), *after]) for _ in range(2))
            print(f"{title}, {parts} parts; start-up {start_s:.2f} s")
            print(f"{'minutes':>8} {'notes':>8} {'mido, s':>8} {'beyond start, s':>17} {'ratio':>6}", end="")
            print(f" {'ms/1000 notes':>14}")
            for minutes in (1, 10, 60):
                n_notes = synthetic_cue(cue, minutes=minutes, parts=parts)
                reading_s = mido_reads(cue)
                beyond_s = timed([program, title, str(cue), *after]) - start_s
                each = f"{1e6 * beyond_s / n_notes:14.0f}"
                print(
                    f"{minutes:7d} {n_notes:8d} {reading_s:8.2f} {beyond_s:16.2f} {beyond_s / reading_s:6.1f} {each}",
                    flush=True,
                )


STAGES = (
    ("read", "phrasewright.inference.shaping", "read_cue"),
    ("hear", "phrasewright.inference.shaping", "hear"),
    ("features", "phrasewright.model.prediction", "part_features"),
    ("network", "phrasewright.model.prediction", "predict"),
    ("residue", "phrasewright.model.prediction", "residue_of"),
    ("residue", "phrasewright.model.prediction", "residue_cc"),
    ("limits", "phrasewright.model.prediction", "within_limits"),
    ("lanes", "phrasewright.inference.shaping", "plan_part"),
    ("events", "phrasewright.inference.shaping", "write_lanes"),
    ("file", "phrasewright.inference.shaping", "_woven"),
)
"""Where each stage is entered: its name, and the function by the name its caller knows."""


@contextmanager
def timed_stages() -> Iterator[dict[str, float]]:
    """Processor seconds of each stage, added up while this lasts, less what inner stages take."""
    spent = dict.fromkeys((stage for stage, _, _ in STAGES), 0.0)
    inner = [0.0]

    def watched(stage: str, function: Callable[..., Any]) -> Callable[..., Any]:
        def run(*given: Any, **named: Any) -> Any:
            begin = time.process_time()
            inner.append(0.0)
            try:
                return function(*given, **named)
            finally:
                took = time.process_time() - begin
                spent[stage] += took - inner.pop()
                inner[-1] += took

        return run

    with ExitStack() as stack:
        for stage, module, name in STAGES:
            function = getattr(importlib.import_module(module), name)
            stack.enter_context(mock.patch(f"{module}.{name}", watched(stage, function)))
        yield spent


def profile(*, minutes: float, parts: int) -> None:
    """Print the share of each stage of shaping."""
    with tempfile.TemporaryDirectory() as folder:
        cue, tiny = Path(folder, "cue.mid"), Path(folder, "tiny.mid")
        n_notes = synthetic_cue(cue, minutes=minutes, parts=parts)
        synthetic_cue(tiny, minutes=0.05, parts=1)
        shape_cue(tiny)  # what is imported and loaded once
        begin = time.process_time()
        with timed_stages() as spent:
            shaped = shape_cue(cue)
        whole = time.process_time() - begin
    speed = f"{minutes * parts / whole:.1f} line-minutes a second of one core"
    print(f"{minutes:g} minutes, {parts} parts, {n_notes} notes: {whole:.2f} s, {speed}")
    lanes = [lane["events"] for part in shaped.summary["parts"] for lane in part["lanes"].values()]
    print(f"{sum(lanes) / len(lanes) / minutes / 60:.1f} events a second in each of {len(lanes)} lanes")
    for stage, seconds in {**spent, "the rest": whole - sum(spent.values())}.items():
        print(f"{stage:<10}{seconds:8.2f} s {100 * seconds / whole:5.1f} %")


def pages(program: str, *, minutes: float) -> None:
    """Print size and time to open of pages of shaped cues, and of one compared with what the rules alone write."""
    from browser import count_processor, open_page, opened_browser, processor_s

    print(f"report pages, {minutes:g} minutes; load average {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores")
    with tempfile.TemporaryDirectory() as folder, opened_browser() as browser:
        count_processor(browser)
        cue, out, rules = (Path(folder, f"{name}.mid") for name in ("cue", "out", "rules"))
        for parts in (2, 20, 60):
            synthetic_cue(cue, minutes=minutes, parts=parts)
            shaped, compared = Path(folder, f"shape{parts}.html"), Path(folder, f"compare{parts}.html")
            plain = ["--no-record", "--force"]
            timed([program, "shape", str(cue), "-o", str(out), "--report", str(shaped), *plain])
            timed([program, "shape", str(cue), "-o", str(rules), "--baseline", *plain])
            timed([program, "compare", str(rules), str(out), "--report", str(compared)])
            for title, page in (("shape --report", shaped), ("compare --report", compared)):
                opened_s = min(open_page(browser, page) for _ in range(3))
                size, used = page.stat().st_size / 2**20, f"{processor_s(browser):.2f} s of processor in the page"
                print(f"{title:<18}{parts:3d} parts {size:6.2f} MiB {opened_s:6.2f} s, {used}", flush=True)


def main() -> None:
    arguments = argparse.ArgumentParser(description=__doc__)
    arguments.add_argument("--minutes", type=float, default=10)
    arguments.add_argument("--parts", type=int, default=40)
    arguments.add_argument("--scaling", action="store_true")
    arguments.add_argument("--pages", action="store_true")
    arguments.add_argument("--profile", action="store_true")
    arguments.add_argument("--learning", action="store_true")
    arguments.add_argument("--only", help="One of the lines, such as shape; the hour of 60 parts takes minutes enough.")
    chosen = arguments.parse_args()
    program = str(Path(sys.executable).with_name("phrasewright"))
    if chosen.profile:
        profile(minutes=chosen.minutes, parts=chosen.parts)
        return
    if chosen.pages:
        pages(program, minutes=5)
        return
    if chosen.learning:
        learning(program)
        return
    if chosen.scaling:
        scaling(program, parts=chosen.parts)
        return
    with tempfile.TemporaryDirectory() as folder:
        cue, tiny = Path(folder, "cue.mid"), Path(folder, "tiny.mid")
        n_notes = synthetic_cue(cue, minutes=chosen.minutes, parts=chosen.parts)
        synthetic_cue(tiny, minutes=0.05, parts=1)
        print(f"{chosen.minutes:g} minutes, {chosen.parts} parts, {n_notes} notes, {cue.stat().st_size} bytes")
        reading_s = min(mido_reads(cue) for _ in range(3))
        print(f"{'mido reads it':<28}{reading_s:8.2f} s   1.0")
        print(f"{'phrasewright --help':<28}{timed([program, '--help']):8.2f} s")
        out = str(Path(folder, "out.mid"))
        os.environ["PHRASEWRIGHT_HOME"] = str(Path(folder, "home"))
        style = learned_style(program, Path(folder)) if chosen.only in (None, "shape --style") else ""
        for title, before, cues, after in (
            ("explain --json", ["explain"], (tiny, cue), ["--json"]),
            ("shape --baseline", ["shape"], (tiny, cue), ["--baseline", "--force", "-o", out]),
            ("shape", ["shape"], (tiny, cue), ["--force", "-o", out]),
            ("shape --jobs 1", ["shape"], (tiny, cue), ["--force", "-o", out, "--jobs", "1"]),
            ("shape --style", ["shape"], (tiny, cue), ["--force", "-o", out, "--style", style]),
            ("compare --json", ["compare"], (tiny, cue), ["--json"]),
        ):
            if chosen.only not in (None, title):
                continue
            other = [out] if before == ["compare"] else []
            (start_s, _), (whole_s, peak_kib) = (measured([program, *before, str(c), *other, *after]) for c in cues)
            print(
                f"{title:<28}{whole_s:8.2f} s {(whole_s - start_s) / reading_s:5.1f}   beyond start-up of "
                f"{start_s:.2f} s; peak memory {peak_kib / 1024:.0f} MiB",
                flush=True,
            )


if __name__ == "__main__":
    main()
