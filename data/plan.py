"""The loudness a composer wants across a cue, and the table it can be written in.

A plan holds, for every part, changes of level in order of time. Levels are steps of the dynamics controller; to each
belongs a level of expression. Times are seconds from the start of the file.

The table is a CSV file with the header `bar,level,parts,ramp`:

    bar,level,parts,ramp
    1,p,,
    17,f,"1,3,Violins I",4

`level` is a mark (ppp to fff, niente, sfz and its kin) or a number of steps 0..127; `parts` are numbers or names, empty
for all; `ramp` is empty for a step, else the number of bars over which the level is reached, ending at this bar. Before
the first row the level is mf, the default.
"""

from __future__ import annotations

import csv
import json
import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from numpy.typing import ArrayLike, NDArray

from phrasewright.data.cue import Cue, Mark, Part
from phrasewright.data.errors import InputError, UsageError, all_told
from phrasewright.data.files import read_file
from phrasewright.data.notes import Notes

LEVEL_CENTRES_CC: Mapping[str, float] = {"pp": 30.0, "p": 44.0, "mp": 58.0, "mf": 72.0, "f": 90.0, "ff": 108.0}
"""Where dynamics stands at each printed level (common practice, no source)."""
EXPRESSION_CENTRES_CC: Mapping[str, float] = {"pp": 80.0, "p": 84.0, "mp": 88.0, "mf": 92.0, "f": 98.0, "ff": 104.0}
"""Where expression stands at each printed level, within 76..104 (common practice, no source)."""
NIENTE_CC, NIENTE_EXPRESSION_CC = 12.0, 48.0
"""Where both stand at "niente": the low ends of their ranges while sounding."""
LEVELS_CC: Mapping[str, float] = {"niente": NIENTE_CC, "n": NIENTE_CC, "ppp": 20.0, **LEVEL_CENTRES_CC, "fff": 116.0}
"""Dynamics of every mark that a table may name."""
ACCENT_MARKS = ("sfz", "sf", "fz", "sffz", "ffz", "sfp", "fp", "rfz", "rf")
"""Marks of a single attack; those that end in p go on in p."""
FP_S = (0.12, 0.5)
"""The attack of an fp stands for the first, the level after it is reached after the second."""
MF_CC = LEVEL_CENTRES_CC["mf"], EXPRESSION_CENTRES_CC["mf"]

_EXPRESSION = np.array(
    [
        [NIENTE_CC, LEVELS_CC["ppp"], *LEVEL_CENTRES_CC.values(), LEVELS_CC["fff"]],
        [NIENTE_EXPRESSION_CC, 76.0, *EXPRESSION_CENTRES_CC.values(), 104.0],
    ]
)
_STEP_JOINED_S = (0.1, 0.08)
"""A step into a joined note begins so long before the onset and is over so long after it."""
_STEP_FREE_S = 0.12
"""A step into a note after a gap is over at the onset and begins at most so long before."""
_STEP_HELD_S = (0.05, 0.25)
"""The same within a held note: no attack helps, so it takes longer."""
_EARLY_S, _LATE_S = 0.15, 0.35
"""A note that begins at most so long before or after a step takes it at its onset."""
_JOINED_S = 0.06
_SHORTEST_RAMP_S = 0.3
_RAMP_KNOTS = 24
_MAX_PLAN_BYTES = 1 << 20
_COLUMNS = ("bar", "level", "parts", "ramp")


@dataclass(frozen=True)
class Change:
    """One change of level: a ramp that reaches `level_cc` at `end_s`, or a step where there is no time for one.

    `why` is the mark or the row as written.
    """

    start_s: float
    end_s: float
    level_cc: float
    why: str = ""

    @property
    def is_step(self) -> bool:
        """Whether there is no time for a ramp."""
        return self.end_s - self.start_s < _SHORTEST_RAMP_S


@dataclass(frozen=True)
class Plan:
    """The loudness wanted of every part.

    Parameters
    ----------
    changes : mapping from part number (from 1) to changes in order of `end_s`
        Parts without any stand at mf, the default.
    accents : tuple of Mark
        Accents of a table, as marks in the parts' tracks.
    origin : str
        `table`, `marks`, or `none`.
    """

    changes: Mapping[int, tuple[Change, ...]] = field(default_factory=dict)
    accents: tuple[Mark, ...] = ()
    origin: str = "none"

    def covers(self, part: Part) -> bool:
        """Whether the plan says anything of this part."""
        return bool(self.changes.get(part.index))

    def extent_cc(self, part: Part) -> tuple[float, float]:
        """Lowest and highest level of dynamics that the plan asks of a part; mf where it asks none."""
        levels = [change.level_cc for change in self.changes.get(part.index, ())] or [MF_CC[0]]
        return min(levels), max(levels)

    def as_marks(self, cue: Cue) -> tuple[Mark, ...]:
        """The plan in words, as marks of each part's track, for listeners who read marks.

        A ramp is `cresc.` or `dim.` at its start and the level reached at its end.
        """
        marks = list(self.accents)
        for part in cue.parts:
            at_cc = MF_CC[0]
            for change in self.changes.get(part.index, ()):
                if not change.is_step and change.level_cc != at_cc:
                    word = "cresc." if change.level_cc > at_cc else "dim."
                    marks.append(_mark(cue, part, change.start_s, word))
                marks.append(_mark(cue, part, change.end_s, nearest_mark(change.level_cc)))
                at_cc = change.level_cc
        return tuple(sorted(marks, key=lambda mark: (mark.tick, mark.track)))


def expression_at(level_cc: ArrayLike) -> NDArray[np.float64]:
    """Expression that belongs to a level of dynamics, both in steps: straight between printed ones. Shape as given."""
    return np.asarray(np.interp(np.asarray(level_cc, dtype=np.float64), *_EXPRESSION))


def nearest_mark(level_cc: float) -> str:
    """The printed level, ppp to fff, nearest to a level of dynamics in steps."""
    printed = [name for name in LEVELS_CC if name not in ("n", "niente")]
    return min(printed, key=lambda name: abs(LEVELS_CC[name] - level_cc))


def plan_levels(plan: Plan, part: Part, times_s: NDArray[np.float64]) -> NDArray[np.float64]:
    """Level the plan asks of a part at each time: dynamics and expression in steps, shape (n_times, 2).

    Steps happen at the onset of the note they concern; a ramp's corners are rounded a little and it never turns back.
    """
    if not plan.covers(part):
        return np.tile(np.array(MF_CC), (len(times_s), 1))
    at_s, level = _knots(plan.changes[part.index], part.notes)
    return np.stack([np.interp(times_s, at_s, level[:, lane]) for lane in (0, 1)], axis=1)


def _knots(changes: Sequence[Change], notes: Notes) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Times, rising, and (dynamics, expression) there, between which the level runs straight."""
    at_s = [0.0]
    level = [MF_CC]
    first_s = float(notes.onset_s[0]) if notes.n_notes else 0.0
    share = np.linspace(0.0, 1.0, _RAMP_KNOTS + 1)
    rounded = 0.5 * share + 0.5 * share * share * (3.0 - 2.0 * share)
    for change in changes:
        target = change.level_cc, float(expression_at(change.level_cc))
        if change.end_s <= first_s:  # before the first note nothing has to move
            at_s, level = [0.0], [target]
            continue
        if change.is_step:
            begin_s, end_s, turn = *_step_s(change.end_s, notes), share * share * (3.0 - 2.0 * share)
        else:
            begin_s, end_s, turn = change.start_s, change.end_s, rounded
            while len(at_s) > 1 and at_s[-1] > begin_s and at_s[-1] - begin_s < 0.5:
                begin_s = at_s[-1]  # the step it starts from comes first
        begin_s, end_s = max(begin_s, 0.0), max(end_s, begin_s + 1e-3, 1e-3)
        start = tuple(float(np.interp(begin_s, at_s, [row[lane] for row in level])) for lane in (0, 1))
        while at_s and at_s[-1] >= begin_s:
            at_s.pop()
            level.pop()
        at_s += (begin_s + (end_s - begin_s) * share).tolist()
        level += [(start[0] + (target[0] - start[0]) * x, start[1] + (target[1] - start[1]) * x) for x in turn.tolist()]
    return np.array(at_s), np.array(level)


def _step_s(time_s: float, notes: Notes) -> tuple[float, float]:
    """Where a step begins and where it is over: at the onset it concerns, within a held note where there is none."""
    onset_s = notes.onset_s
    i = int(np.searchsorted(onset_s, time_s - _EARLY_S))
    near = i < len(onset_s) and onset_s[i] <= time_s + _LATE_S
    until_s = float(notes.offset_s[:i].max()) if i else 0.0
    if not near and until_s > time_s + _STEP_HELD_S[1]:
        return time_s - _STEP_HELD_S[0], time_s + _STEP_HELD_S[1]
    if i >= len(onset_s):
        return time_s, time_s + _STEP_HELD_S[1]
    on_s = float(onset_s[i])
    gap_s = on_s - until_s
    if gap_s <= _JOINED_S:
        return on_s - _STEP_JOINED_S[0], on_s + _STEP_JOINED_S[1]
    return on_s - min(_STEP_FREE_S, gap_s), on_s


def _mark(cue: Cue, part: Part, time_s: float, text: str) -> Mark:
    tick = int(cue.tempo.s_to_tick(time_s))
    return Mark(tick, float(cue.tempo.tick_to_s(tick)), part.track, text)


# --- what is kept of a plan ------------------------------------------------------------------------------


def plan_text(plan: Plan, cue: Cue) -> str:
    """A plan in JSON, to be kept beside what was shaped by it: changes and accents by the number of the part."""
    changes = [[number, c.start_s, c.end_s, c.level_cc, c.why] for number, own in plan.changes.items() for c in own]
    accents = [[p.index, m.time_s, m.text] for m in plan.accents for p in cue.parts if p.track == m.track]
    return json.dumps({"changes": changes, "accents": accents})


def plan_from_text(text: str, cue: Cue) -> Plan:
    """The plan of `plan_text`."""
    told = json.loads(text)
    parts = {part.index: part for part in cue.parts}
    changes: dict[int, list[Change]] = {}
    for number, *values in told["changes"]:
        changes.setdefault(number, []).append(Change(*values))
    accents = [_mark(cue, parts[number], time_s, mark) for number, time_s, mark in told["accents"]]
    return Plan({number: tuple(own) for number, own in changes.items()}, tuple(dict.fromkeys(accents)), "table")


def plan_carried(text: str, *, sources: Mapping[int, int], moved_s: Callable[[float], float]) -> str:
    """The text of a plan for another version of its cue.

    `sources` gives for the number of each part there the number of the part that it was, `moved_s` what a time became.
    """
    told = json.loads(text)
    changes, accents = [], []
    for number, source in sources.items():
        for was, start_s, end_s, *level in told["changes"]:
            if was == source:
                changes.append([number, moved_s(start_s), moved_s(end_s), *level])
        accents += [[number, moved_s(time_s), mark] for was, time_s, mark in told["accents"] if was == source]
    return json.dumps({"changes": changes, "accents": accents})


# --- the table -------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Row:
    """One row of a table: bar and ramp in bars, the level or None for an accent alone, part numbers or None for all."""

    line: int
    bar: float
    level_cc: float | None
    accent: str
    parts: frozenset[int] | None
    ramp: float


def read_plan(path: Path, cue: Cue) -> Plan:
    """Read the plan of a cue from a table.

    Raises
    ------
    InputError
        The file cannot be read or any row is at fault; all faults in one message, with their lines.
    UsageError
        The cue has no bars (SMPTE division).
    """
    if not cue.tempo.has_metre or cue.n_bars is None:
        raise UsageError(
            f"{cue.path}: counts film frames, not bars (SMPTE division), and a plan counts bars; leave the plan out"
        )
    faults: list[str] = []
    rows = [_row(line, cells, cue, faults) for line, cells in _table(path, faults)]
    taken: dict[tuple[float, int | None, bool], int] = {}
    for row in rows:
        for number in row.parts or (None,) if row else ():
            assert row is not None
            key = row.bar, number, row.level_cc is None
            if key in taken:
                whom = "all parts" if number is None else f"part {number}"
                faults.append(f"line {row.line}: bar {row.bar:g} is given for {whom} in line {taken[key]} already")
            taken.setdefault(key, row.line)
    if faults:
        raise InputError(f"{path}: {all_told(faults)}")
    return _plan_of([row for row in rows if row is not None], cue)


def _table(path: Path, faults: list[str]) -> list[tuple[int, dict[str, str]]]:
    """(line number, cells by column) of every row; an unusable header is a fault, and no row is read then."""
    try:
        text = read_file(path, most_bytes=_MAX_PLAN_BYTES, what="plan").decode("utf-8-sig")
    except UnicodeDecodeError as fault:
        raise InputError(f"{path}: is no text in UTF-8; save the table as CSV in UTF-8") from fault
    lines = text.splitlines()
    first = next((line for line in lines if line.strip()), "")
    delimiter = ";" if ";" in first and "," not in first else ","
    reader = csv.reader(lines, delimiter=delimiter, skipinitialspace=True)
    header: list[str] | None = None
    rows = []
    try:
        for cells in reader:
            cells = [cell.strip() for cell in cells]
            if not any(cells):
                continue
            if header is None:
                header = [cell.lower() for cell in cells]
                if not {"bar", "level"} <= set(header) <= set(_COLUMNS) or len(set(header)) < len(header):
                    raise InputError(
                        f"{path}: line {reader.line_num}: the header is {','.join(cells)[:200]!r}; "
                        f"write {','.join(_COLUMNS)}, of which parts and ramp may be missing"
                    )
            elif len(cells) > len(header) and any(cells[len(header) :]):
                faults.append(
                    f"line {reader.line_num}: {len(cells)} cells under {len(header)} columns; "
                    'quote a list of parts, as in "1,3"'
                )
            else:
                rows.append((reader.line_num, dict(zip(header, cells, strict=False))))
    except csv.Error as fault:
        raise InputError(f"{path}: line {reader.line_num}: {fault}; save it as CSV") from fault
    if header is None:
        raise InputError(f"{path}: is empty; its first line is {','.join(_COLUMNS)}")
    return rows


def _row(line: int, cells: Mapping[str, str], cue: Cue, faults: list[str]) -> _Row | None:
    before = len(faults)
    bar = _number(cells.get("bar", ""))
    if bar is None or bar < 1:
        faults.append(f"line {line}: bar {cells.get('bar', '')!r} is no bar; bars count from 1")
    elif cue.n_bars is not None and bar >= cue.n_bars + 1:
        faults.append(f"line {line}: bar {bar:g} lies beyond the end of {cue.path.name}, which has {cue.n_bars} bars")
    word = cells.get("level", "")
    accent = word if word in ACCENT_MARKS else ""
    level_cc = LEVELS_CC.get(word, LEVELS_CC["p"] if accent.endswith("p") else _number(word))
    if (level_cc is None and not accent) or (level_cc is not None and not 0 <= level_cc <= 127):
        faults.append(
            f"line {line}: level {word!r} is none; write ppp, pp, p, mp, mf, f, ff, fff, niente, sfz or 0 to 127"
        )
    ramp = _number(cells.get("ramp", "") or "0")
    if ramp is None or ramp < 0:
        faults.append(f"line {line}: ramp {cells.get('ramp', '')!r} is no number of bars; leave it empty for a step")
    parts = _parts(line, cells.get("parts", ""), cue, faults)
    if len(faults) > before or bar is None or ramp is None:
        return None
    return _Row(line, bar, level_cc, accent, parts, ramp)


def _number(text: str) -> float | None:
    try:
        number = float(text)
    except ValueError:
        return None
    return number if math.isfinite(number) else None


def _parts(line: int, text: str, cue: Cue, faults: list[str]) -> frozenset[int] | None:
    if not text:
        return None
    chosen: set[int] = set()
    for entry in next(csv.reader([text], skipinitialspace=True)):
        found = cue.parts_called(entry)
        if not found:
            names = ", ".join(f"{part.index} {part.name}" for part in cue.parts)
            faults.append(f"line {line}: no part is called or numbered {entry.strip()!r}; the parts are {names}")
        chosen |= found
    return frozenset(chosen)


def _plan_of(rows: list[_Row], cue: Cue) -> Plan:
    changes: dict[int, list[tuple[float, int, Change]]] = {}
    accents = []
    for row in rows:
        end_s = float(cue.tempo.tick_to_s(cue.tempo.bar_to_tick(row.bar)))
        start_s = float(cue.tempo.tick_to_s(cue.tempo.bar_to_tick(max(row.bar - row.ramp, 1.0))))
        for part in cue.parts:
            if row.parts is not None and part.index not in row.parts:
                continue
            if row.accent:
                accents.append(_mark(cue, part, end_s, row.accent))
            if row.level_cc is not None:
                why, own = f"line {row.line}", int(row.parts is not None)
                mine = changes.setdefault(part.index, [])
                # at one bar what is said of a part comes after what is said of all
                if row.accent == "fp":
                    mine.append((end_s, own, Change(end_s, end_s, LEVELS_CC["f"], why)))
                    mine.append((end_s + FP_S[1], own, Change(end_s + FP_S[0], end_s + FP_S[1], row.level_cc, why)))
                else:
                    mine.append((end_s, own, Change(min(start_s, end_s), end_s, row.level_cc, why)))
    ordered = {
        index: tuple(change for _, _, change in sorted(own, key=lambda row: row[:2])) for index, own in changes.items()
    }
    return Plan(ordered, tuple(dict.fromkeys(accents)), "table")
