"""What learning is judged on: music used for nothing else, and hands kept apart from all training.

The music are quartets by Beethoven and Schumann, in two sets that share no movement: one for choices (`validation`),
one for the final figures (`test`). Each has ten cues to learn from and three to be judged on. A cue is the first two
minutes of a movement, four lines, read from the installed music21 when asked for, written as a Standard MIDI File and
read back as a user's file is. Parsed scores are kept in a folder of the system's temporary files; nothing of them is
copied into the repository. Tempi are quarter notes a minute, our choice after the movement's heading; velocities are
all 80.

The hands stand outside the package (`tests/hands`), a Python package with mappings from names to hands: VALIDATION, to
choose by, TEST, to be looked at once, and COLOURS, which draw bow and attack lanes. Each run on TEST appends a line to
`runs.csv` there.
"""

from __future__ import annotations

import csv
import importlib
import json
import os
import subprocess
import sys
import tempfile
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import cache, partial
from pathlib import Path
from typing import Protocol, cast

import numpy as np
from numpy.typing import NDArray

from phrasewright.data.errors import InputError
from phrasewright.data.midi import split_midi
from phrasewright.data.notes import sounding_spans
from phrasewright.data.reading import cue_of
from phrasewright.model.hearing import CueHearing
from phrasewright.model.listening import hear
from phrasewright.training.corpus import kept_json, lines_from, midi_bytes
from phrasewright.training.score_reading import corpus_root
from phrasewright.training.textures import Line, Row, Sketch

CUE_S = 120.0
PLAYERS = (("Violin I", 40), ("Violin II", 40), ("Viola", 41), ("Cello", 42))
AMOUNTS = ("16 s", "one cue", "three cues", "ten cues")
N_CUES = {"16 s": 1, "one cue": 1, "three cues": 3, "ten cues": 10}
SHORT_S = 16.0
HANDS = Path(__file__).parent.parent / "tests" / "hands"
"""Where the hands kept apart stand in a checkout."""
_LOG = "runs.csv"


@dataclass(frozen=True)
class Movement:
    """A movement by its name in music21's corpus, and its tempo in quarter notes a minute."""

    name: str
    bpm: float


@dataclass(frozen=True)
class Movements:
    """What to learn from, in this order, and what to be judged on."""

    learned: tuple[Movement, ...]
    judged: tuple[Movement, ...]


@dataclass(frozen=True)
class Quartet:
    """A movement as four lines of rows, the quarter notes at which bars begin (and the last ends), and its metre."""

    lines: tuple[tuple[Row, ...], ...]
    bars: tuple[float, ...]
    metre: tuple[int, int]


@dataclass(frozen=True)
class Span:
    """A stretch of one part of a cue: `index` counts from 0 into the hearing's parts, seconds from the file's start."""

    hearing: CueHearing
    index: int
    start_s: float
    end_s: float


def final_movements() -> Movements:
    """The movements of the final figures: look at them once."""
    return Movements(
        learned=(
            Movement("beethoven/opus59no1/movement1", 116),
            Movement("schumann_robert/opus41no1/movement4", 60),
            Movement("beethoven/opus59no2/movement1", 126),
            Movement("schumann_robert/opus41no1/movement1", 66),
            Movement("beethoven/opus59no2/movement2", 58),
            Movement("beethoven/opus59no1/movement2", 120),
            Movement("schumann_robert/opus41no1/movement2", 112),
            Movement("beethoven/opus59no2/movement4", 150),
            Movement("schumann_robert/opus41no1/movement3", 150),
            Movement("beethoven/opus59no1/movement4", 116),
        ),
        judged=(
            Movement("beethoven/opus59no1/movement3", 56),
            Movement("schumann_robert/opus41no1/movement5", 138),
            Movement("beethoven/opus59no2/movement3", 120),
        ),
    )


def validation_movements() -> Movements:
    """The movements on which choices are made; where a file holds a whole quartet, its beginning."""
    return Movements(
        learned=(
            Movement("beethoven/opus18no1/movement1", 132),
            Movement("beethoven/opus59no3/movement2", 84),
            Movement("beethoven/opus18no4", 120),
            Movement("beethoven/opus18no1/movement2", 69),
            Movement("beethoven/opus74", 60),
            Movement("beethoven/opus18no3", 120),
            Movement("beethoven/opus59no3/movement1", 100),
            Movement("beethoven/opus18no5", 110),
            Movement("beethoven/opus18no1/movement4", 108),
            Movement("beethoven/opus59no3/movement4", 152),
        ),
        judged=(
            Movement("beethoven/opus132", 80),
            Movement("beethoven/opus18no1/movement3", 160),
            Movement("beethoven/opus59no3/movement3", 104),
        ),
    )


def cue_bytes(movement: Movement, *, seconds: float = CUE_S, folder: Path | None = None) -> bytes:
    """The beginning of a movement as a Standard MIDI File, whole bars, at most `seconds` and a bar long.

    Raises
    ------
    InputError
        music21 or the movement is not installed.
    """
    quartet = _lines_of(movement.name, folder=folder)
    end = next((bar for bar in quartet.bars if bar >= seconds * movement.bpm / 60.0), quartet.bars[-1])
    cut = [tuple((at, min(n, end - at), p, v) for at, n, p, v in rows if at < end - 1e-6) for rows in quartet.lines]
    named = zip(PLAYERS, cut, strict=False)
    tracks = tuple(Line(name, program, rows) for (name, program), rows in named if rows)
    return midi_bytes(Sketch(tracks, ((0.0, movement.bpm),), quartet.metre))


@cache
def heard(movement: Movement, *, seconds: float = CUE_S, folder: Path | None = None) -> CueHearing:
    """The beginning of a movement, read and heard as a user's file is."""
    name = f"{movement.name.replace('/', '-')}.mid"
    return hear(cue_of(split_midi(cue_bytes(movement, seconds=seconds, folder=folder), name=name), path=Path(name)))


def spans_to_learn(movements: Movements, amount: str, *, folder: Path | None = None) -> tuple[Span, ...]:
    """What of the music has been corrected: 16 s of one line, or one, three or ten whole cues (AMOUNTS).

    The 16 s are the first of the first cue's first part in which it sounds for nine tenths of the time and begins at
    least eight notes.
    """
    hearings = [heard(movement, folder=folder) for movement in movements.learned[: N_CUES[amount]]]
    if amount == "16 s":
        start_s = first_full_s(hearings[0], 0)
        return (Span(hearings[0], 0, start_s, start_s + SHORT_S),)
    return _whole(hearings)


def spans_to_judge(movements: Movements, *, folder: Path | None = None) -> tuple[Span, ...]:
    """The three cues kept apart, all parts, whole."""
    return _whole([heard(movement, folder=folder) for movement in movements.judged])


def first_full_s(hearing: CueHearing, index: int) -> float:
    """Where 16 s of one line that hardly rests begin, seconds; 0 where there are none."""
    notes = hearing.parts[index].part.notes
    spans = sounding_spans(notes)
    for start_s in notes.onset_s.tolist():
        end_s = start_s + SHORT_S
        sounding_s = float(np.clip(np.minimum(spans[:, 1], end_s) - np.maximum(spans[:, 0], start_s), 0, None).sum())
        begun = np.count_nonzero((notes.onset_s >= start_s) & (notes.onset_s < end_s))
        if sounding_s >= 0.9 * SHORT_S and begun >= 8:
            return float(start_s)
    return 0.0


def _whole(hearings: Sequence[CueHearing]) -> tuple[Span, ...]:
    return tuple(Span(h, i, 0.0, np.inf) for h in hearings for i in range(len(h.parts)))


def _lines_of(name: str, *, folder: Path | None) -> Quartet:
    """A movement parsed; from the folder where they were parsed before."""
    folder = folder or Path(tempfile.gettempdir()) / f"phrasewright-quartets-{os.getuid()}"
    lines, bars, metre = kept_json(folder / f"{name.replace('/', '-')}.json", partial(_parsed, name))
    return Quartet(lines_from(lines), tuple(bars), (metre[0], metre[1]))


def _parsed(name: str) -> tuple[list[list[Row]], list[float], tuple[int, int]]:
    """Read a quartet. Some of its parts leave bars short, so bars begin where the fullest part has them begin; a bar
    short in all parts (an upbeat) is moved to the end of a whole one."""
    path = corpus_root() / f"{name}.mxl"
    if not path.exists():
        raise InputError(f"{path}: not in this version of music21")
    from music21 import converter, meter, stream

    score = converter.parse(path, forceSource=True)  # no pickles
    parts = list(score.getElementsByClass(stream.Part))[:4]
    as_written = [list(p.getElementsByClass(stream.Measure)) for p in parts]
    n_bars = min(len(row) for row in as_written)
    length = [max(float(row[i].highestTime) for row in as_written) for i in range(n_bars)]  # before ties lengthen notes
    measures = [list(p.stripTies().getElementsByClass(stream.Measure)) for p in parts]
    metre = next(iter(parts[0].recurse().getElementsByClass(meter.TimeSignature)), None)
    whole = float(np.median(length))
    lead = max(whole - length[0], 0.0)
    start = np.r_[0.0, lead + np.cumsum(length)]
    start[1:] = np.round(start[1:], 6)
    lines: list[list[Row]] = []
    for row in measures:
        notes: set[Row] = set()
        for i in range(n_bars):
            at = float(start[i]) + (lead if i == 0 else 0.0)
            for event in row[i].flatten().notes:
                n = float(event.duration.quarterLength)
                if n > 0:
                    notes |= {(round(at + float(event.offset), 6), n, int(p.midi), 80) for p in event.pitches}
        lines.append(sorted(notes))
    return lines, start.tolist(), (4, 4) if metre is None else (int(metre.numerator), int(metre.denominator))


class Hand(Protocol):
    """A person: dynamics, expression and vibrato over a part, (n_frames, 3) on the 10 ms grid, steps.

    `seed` moves the unsteadiness of the arm, `noise=False` takes it away.
    """

    def __call__(
        self, hearing: CueHearing, index: int, *, seed: int = 0, noise: bool = True
    ) -> NDArray[np.float64]: ...


def hands_at(folder: Path, kind: str) -> Mapping[str, Hand]:
    """The hands of a folder, of one kind: `validation`, `test` or `colours`.

    Raises
    ------
    InputError
        The folder is no such package.
    """
    if not (folder / "__init__.py").exists():
        raise InputError(f"{folder}: no package of hands; name the folder tests/hands of a checkout")
    parent = str(folder.resolve().parent)
    if parent not in sys.path:
        sys.path.insert(0, parent)
    return cast(Mapping[str, Hand], getattr(importlib.import_module(folder.name), kind.upper()))


def log_run(folder: Path, *, command: str, figures: Mapping[str, object]) -> None:
    """Append a line to the log of the folder: commit (+ where files differ), UTC date, command, figures."""
    asking = ["git", "describe", "--always", "--exclude=*", "--dirty=+"]
    asked = subprocess.run(asking, cwd=folder, capture_output=True, text=True, check=False)
    commit = asked.stdout.strip() or "unknown"
    date = datetime.now(UTC).isoformat(timespec="seconds")
    with (folder / _LOG).open("a", newline="", encoding="utf-8") as file:
        csv.writer(file, lineterminator="\n").writerow([commit, date, command, json.dumps(figures, sort_keys=True)])
