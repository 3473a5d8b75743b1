"""Put bugs into the arithmetic that everything rests on, one at a time, and see that a test finds each.

    python tests/mutations.py [NUMBER ...]

Each bug is one change of text in a copy of the project, in a folder of its own; the named test file must pass without
it and fail with it. A bug that no test finds, or whose text is no longer in the file, is a fault, and the exit code is
1. Takes minutes.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))

from check import FOLDERS, ROOT


@dataclass(frozen=True)
class Bug:
    """`right` stands once in `file`; with `wrong` instead, `tests` must fail."""

    what: str
    file: str
    right: str
    wrong: str
    tests: str


BUGS = (
    Bug(
        "seconds of a tempo are counted at the tempo after it",
        "data/tempo.py", "np.cumsum(np.diff(tick) * s_per_tick[:-1])", "np.cumsum(np.diff(tick) * s_per_tick[1:])",
        "tests/test_tempo.py",
    ),
    Bug(
        "seconds to ticks take the tempo of the place before",
        "data/tempo.py", "(time_s - self.second[i]) / self.s_per_tick[i]\n        return np.maximum",
        "(time_s - self.second[i]) / self.s_per_tick[i - 1]\n        return np.maximum",
        "tests/test_tempo.py",
    ),
    Bug(
        "the level law is one of power, not of amplitude",
        "model/lanes.py", "LEVEL_LAW_DB = 40.0", "LEVEL_LAW_DB = 20.0", "tests/test_lanes.py",
    ),
    Bug(
        "a controller's value begins after its own time, not at it",
        "data/curves.py", 'np.searchsorted(self.time_s, time_s, side="right") - 1',
        'np.searchsorted(self.time_s, time_s, side="left") - 1', "tests/test_curves.py",
    ),
    Bug(
        "overlapping notes of one pitch end last on, first off",
        "data/notes.py", "place = begun[fresh][group] + ended - ended[fresh][group]", "place = begun - 1",
        "tests/test_notes.py",
    ),
    Bug(
        "running status is forgotten after a note",
        "data/midi.py", "                running = status\n", "                running = 0\n", "tests/test_midi.py",
    ),
    Bug(
        "a ramp of a plan begins after its bar instead of before",
        "data/plan.py", "max(row.bar - row.ramp, 1.0)", "max(row.bar + row.ramp, 1.0)", "tests/test_plan.py",
    ),
    Bug(
        "depth is the left over the right",
        "model/metrics.py", "np.median(right_ranges) / np.median(left_ranges)",
        "np.median(left_ranges) / np.median(right_ranges)",
        "tests/test_metrics.py",
    ),
    Bug(
        "a late lane has a negative lag",
        "model/metrics.py", "return float(shift[best] * FRAME_S * 1000)",
        "return float(-shift[best] * FRAME_S * 1000)",
        "tests/test_metrics.py",
    ),
    Bug(
        "a slope is the change over twice the time it took",
        "model/metrics.py", "held[:-span_frames]) / (span_frames * FRAME_S)",
        "held[:-span_frames]) / (2 * span_frames * FRAME_S)", "tests/test_metrics.py",
    ),
    Bug(
        "events are passed over up to three steps away",
        "model/thinning.py", "_ROUNDING_CC = 0.9", "_ROUNDING_CC = 3.0", "tests/test_thinning.py",
    ),
    Bug(
        "entry values come at the onset, not a tenth of a second before",
        "model/rests.py", "LEAD_S, LEAST_LEAD_S = 0.12, 0.1", "LEAD_S, LEAST_LEAD_S = 0.0, 0.0",
        "tests/test_events.py",
    ),
    Bug(
        "notes are foretold along the slope of the other cue's beats",
        "data/alignment.py", "slope[k] * (beat - knots[k, 0])", "slope[k] * (beat - knots[k, 1])",
        "tests/test_alignment.py",
    ),
    Bug(
        "leaves on the right are numbered by those on the right",
        "model/trees.py", "first[right[at]] = first[at] + count[left[at]]",
        "first[right[at]] = first[at] + count[right[at]]", "tests/test_trees.py",
    ),
    Bug(
        "the stack's weights are given to the voices in the wrong order",
        "model/personal.py", "voices @ model.stack", "voices @ model.stack[::-1]", "tests/test_personal.py",
    ),
    Bug(
        "a seam is led to the wrong side of what stays",
        "model/existing.py", "out[c : b + 1] += ramp[-(b + 1 - c) :] * (out[b] + tail - out[c : b + 1])",
        "out[c : b + 1] += ramp[-(b + 1 - c) :] * (out[b] - tail - out[c : b + 1])", "tests/test_existing.py",
    ),
    Bug(
        "attacks of one part see those of the next",
        "model/network.py", "(wanted == there) & (part[there] == part[:, None])", "(wanted == there)",
        "tests/test_network.py",
    ),
)  # fmt: skip


def copied(folder: Path) -> None:
    """The sources and tests in a folder of their own, under links by which the copy is imported."""
    for name in (*FOLDERS, "tests"):
        shutil.copytree(ROOT / name, folder / name, ignore=shutil.ignore_patterns("__pycache__", ".mypy_cache"))
    shutil.copy(ROOT / "pyproject.toml", folder)
    links = folder / "links" / "phrasewright"
    links.mkdir(parents=True)
    for name in FOLDERS:
        (links / name).symlink_to(folder / name, target_is_directory=True)


def tested(folder: Path, tests: str) -> int:
    """Exit code of a test file in the copy; 1 where a test failed."""
    environment = os.environ | {"PYTHONPATH": str(folder / "links"), "OMP_NUM_THREADS": "1"}
    command = [sys.executable, "-B", "-m", "pytest", "-q", "-x", "-p", "no:cacheprovider", "-p", "no:xdist", tests]
    return subprocess.run(command, cwd=folder, env=environment, capture_output=True).returncode


def main() -> int:
    chosen = [int(word) for word in sys.argv[1:]] or range(1, len(BUGS) + 1)
    n_missed = 0
    sound: dict[str, int] = {}
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        copied(folder)
        for number in chosen:
            bug = BUGS[number - 1]
            path = folder / bug.file
            before = path.read_text(encoding="utf-8")
            begin_s = time.monotonic()
            if bug.tests not in sound:
                sound[bug.tests] = tested(folder, bug.tests)
            if sound[bug.tests]:
                told = "its tests fail without it"
            elif before.count(bug.right) != 1:
                told = f"its text stands {before.count(bug.right)} times in the file"
            else:
                path.write_text(before.replace(bug.right, bug.wrong), encoding="utf-8")
                code = tested(folder, bug.tests)
                path.write_text(before, encoding="utf-8")
                told = {0: "NOT FOUND by its tests", 1: "found"}.get(code, f"the tests did not run (exit {code})")
            n_missed += told != "found"
            print(f"{number:>2}  {told:<24} {time.monotonic() - begin_s:4.0f} s  {bug.what} ({bug.file})", flush=True)
    print(f"{len(chosen) - n_missed} of {len(chosen)} found")
    return 1 if n_missed else 0


if __name__ == "__main__":
    sys.exit(main())
