"""What a comparison says in words: how the other hand plays, a table, and where the files are furthest apart."""

from __future__ import annotations

import io
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from phrasewright.data.curves import ALL_LANES, HIGHER
from phrasewright.model.habits import Habit

N_OFTEN = 6
"""A habit is told when it was seen so often; LEAST_STEPS and LEAST_MS are the least that is worth a word."""
LEAST_STEPS, LEAST_MS = 1.5, 30.0
N_WORST = 5
"""How many of the worst phrases the text names."""
_AS = {"vibrato": "as strong", "bow": "as high", "attack": "as hard"}


def summary_of(
    overall: Mapping[str, Any],
    phrases: Sequence[Mapping[str, Any]],
    habits: Sequence[Habit],
    only_in: Mapping[str, set[str]],
    *,
    names: tuple[str, str],
    parts: Sequence[Mapping[str, Any]],
) -> str:
    """What a composer would want to hear first: what the other hand does otherwise, which lane differs most and where.

    `names` are those of the left and the right file (`told_apart`); `phrases` stand worst first.
    """
    alone = [
        f"{_subject(lane, 'is')} only in {next(iter(files))}."
        for lane, files in only_in.items()
        if overall[lane] is None and len(files) == 1
    ]
    measured = [lane for lane in ALL_LANES if overall.get(lane) and overall[lane]["n_frames"]]
    if not measured:
        return " ".join(["No lane of a part is in both files while it sounds: nothing to compare.", *alone])
    measured.sort(key=lambda lane: -overall[lane]["mae"])
    worst = overall[measured[0]]
    if worst["mae"] == 0:
        return " ".join([f"No difference in {listed(sorted(measured, key=ALL_LANES.index))}.", *alone])
    told = habit_clauses(habits)
    sentences = [f"Beside {names[0]}, {names[1]} {listed(told)}."] if told else []
    sentences += [
        f"{_subject(measured[0], 'differs')} most, by {worst['mae']:.1f} steps on average: in {names[1]} "
        f"{'they are' if measured[0] == 'dynamics' else 'it is'} {_manner(measured[0], worst)}."
    ]
    sentences += [
        f"{_subject(lane, 'differs')} by {overall[lane]['mae']:.1f} steps: {_manner(lane, overall[lane])}."
        if overall[lane]["mae"] >= 0.05
        else f"{_subject(lane, 'is')} {'all but ' if overall[lane]['mae'] else ''}the same."
        for lane in measured[1:]
    ]
    if phrases:
        row = phrases[0]
        name = next(part["name"] for part in parts if part["index"] == row["part"])
        sentences.append(f"Furthest apart: {name}, {where_text(row)}, {row['lane']}, {row['mae']:.0f} steps.")
    return " ".join(sentences + alone)


def told_apart(paths: Sequence[Path]) -> list[str]:
    """Names of files, with as much of their folders as tells them apart: a cue and its copy often share a name."""
    names = [path.name for path in paths]
    if len(set(names)) == len(names):
        return names
    longer = [str(Path(*path.parts[-2:])) for path in paths]
    return longer if len(set(longer)) == len(longer) else [f"{i}: {name}" for i, name in enumerate(longer, 1)]


def habit_clauses(habits: Sequence[Habit]) -> list[str]:
    """What the right hand does otherwise, such as `dips half as deep at joins (dynamics, 4.1 steps against 8.3)`.

    Only what differs by more than chance among phrases, by a tenth at least; of several lanes the one that shows most.
    """
    said: dict[str, list[str]] = {}
    for name, (verb, how, where, unit) in _CLAUSES.items():
        some = [habit for habit in habits if habit.name == name and habit.differs and habit.n >= N_OFTEN]
        if not some:
            continue
        habit = max(some, key=lambda one: max(one.left, one.right))
        least, ratio = min(habit.left, habit.right), habit.right / max(habit.left, 1e-9)
        if max(habit.left, habit.right) < LEAST_STEPS or 0.9 < ratio < 1.1:
            continue
        figures = f"({habit.lane}, {habit.right:.1f} {unit} against {habit.left:.1f})"
        if least >= 0.1 * max(habit.left, habit.right):
            said.setdefault(f"{verb} {_times(ratio)} {how}", []).append(f"{where} {figures}")
        elif ratio < 1:
            said.setdefault(f"hardly {verb}", []).append(f"{where} {figures}")
        else:
            said.setdefault(verb, []).append(f"{where}, where the first hardly does {figures}")
    clauses = [f"{manner} {' and '.join(places)}" for manner, places in said.items()]
    for habit in habits:
        later_ms = 1000 * (habit.right - habit.left)
        if habit.name == "vibrato_delay_s" and habit.differs and habit.n >= N_OFTEN and abs(later_ms) >= LEAST_MS:
            times = f"{habit.right:.2f} s after the note's beginning against {habit.left:.2f}"
            clauses.append(f"starts vibrato {abs(later_ms):.0f} ms {'later' if later_ms > 0 else 'earlier'} ({times})")
    return clauses


_CLAUSES = {
    "join_dip_cc": ("dips", "as deep", "at joins", "steps"),
    "repeat_dip_cc": ("dips", "as deep", "at repeated notes", "steps"),
    "held_movement_cc_per_s": ("moves", "as much", "in held notes", "steps a second"),
}
_NAMED_RATIOS = (
    (0.25, "a quarter"),
    (1 / 3, "a third"),
    (0.5, "half"),
    (2 / 3, "two thirds"),
    (0.75, "three quarters"),
    (2.0, "twice"),
    (3.0, "three times"),
)


def _times(ratio: float) -> str:
    for value, name in _NAMED_RATIOS:
        if abs(np.log(ratio / value)) < 0.1:
            return name
    return f"{ratio:.1f} times" if ratio >= 1 else f"{100 * ratio:.0f} %"


def _subject(lane: str, verb: str) -> str:
    """The lane at the head of a sentence; dynamics are a plural."""
    plural = {"is": "are", "differs": "differ"}
    return f"{lane.capitalize()} {plural[verb] if lane == 'dynamics' else verb}"


def _manner(lane: str, answers: Mapping[str, Any]) -> str:
    higher, lower = HIGHER[lane]
    bias, depth, lag = answers["bias"], answers["depth_ratio"], answers["lag_ms"]
    said = [f"{_AS.get(lane, 'as loud')} on average"]
    if abs(bias) >= 0.5:
        said = [f"{abs(bias):.1f} steps {higher if bias > 0 else lower}"]
    if depth is not None:
        same = 0.95 <= depth <= 1.05
        said.append("as deep" if same else f"{'deeper' if depth > 1 else 'shallower'} ({depth:.2f} times the depth)")
    if lag is not None:
        said.append("at the same time" if lag == 0 else f"{abs(lag):.0f} ms {'later' if lag > 0 else 'earlier'}")
    return listed(said)


def listed(words: Sequence[str]) -> str:
    """Words as a sentence has them: a, b and c."""
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}"


def where_text(row: Mapping[str, Any]) -> str:
    """The bars of a phrase, or its seconds where there are none."""
    if row["bars"] is None:
        return f"{row['start_s']:.1f} to {row['end_s']:.1f} s"
    first, last = row["bars"]
    return f"bar {first}" if first == last else f"bars {first} to {last}"


def compare_text(result: Mapping[str, Any]) -> str:
    """The result of `compare_files` to read: a table of parts and lanes, the worst phrases, remarks and the summary."""
    if "candidates" not in result:
        return _one_text(result)
    blocks = [f"{candidate['file']}\n\n{_one_text(candidate)}" for candidate in result["candidates"]]
    nearest = sorted(result["candidates"], key=_distance)
    ranking = [f"  {i}. {c['file']}  {_figure(_distance(c), '.1f')} steps" for i, c in enumerate(nearest, 1)]
    return "\n\n".join([*blocks, "\n".join(["Nearest first (mean error over lanes and sounding frames):", *ranking])])


def _distance(result: Mapping[str, Any]) -> float:
    lanes = [lane for lane in result["overall"].values() if lane and lane["n_frames"]]
    total = sum(lane["n_frames"] for lane in lanes)
    return sum(lane["mae"] * lane["n_frames"] for lane in lanes) / total if total else float("inf")


def _one_text(result: Mapping[str, Any]) -> str:
    from rich import box
    from rich.console import Console
    from rich.table import Table

    table = Table(box=box.SIMPLE_HEAD, pad_edge=False, show_edge=False)
    table.add_column("Part", overflow="fold", max_width=28)
    table.add_column("Lane")
    for title in ("Error", "RMS", "Bias", "r", "Same way", "Lag", "Depth", "Sounding"):
        table.add_column(title, justify="right", no_wrap=True)
    names = {part["index"]: part["name"] for part in result["parts"]}
    silent = []
    for part in result["parts"]:
        rows = [(lane, answers) for lane, answers in part["lanes"].items() if answers]
        if not rows:
            silent.append(part["name"])
        for i, (lane, answers) in enumerate(rows):
            table.add_row(f"{part['index']} {part['name']}" if i == 0 else "", lane, *_cells(answers))
    overall = [(lane, answers) for lane, answers in result["overall"].items() if answers]
    spans = [
        f"{lane} {overall_of['mae']:.1f} ({ends[0]:.1f} to {ends[1]:.1f})"
        for lane, overall_of in overall
        if (ends := (result["intervals"][lane] or {}).get("mae"))
    ]
    table.add_section()
    for i, (lane, answers) in enumerate(overall):
        table.add_row("All parts" if i == 0 else "", lane, *_cells(answers))

    lines: list[str] = []
    if overall:
        page = io.StringIO()
        console = Console(file=page, width=108, color_system=None, force_terminal=False, highlight=False, markup=False)
        console.print(table)
        lines += [line.rstrip() for line in page.getvalue().rstrip().splitlines()]
        lines += ["", "Error, RMS and bias (second file minus first) in controller steps; lag above 0: second later."]
    if spans:
        lines += [f"Error with its 95 % interval by phrase: {', '.join(spans)}."]
    if silent:
        lines += ["", f"No lane in both files: {', '.join(silent)}."]
    if result["phrases"] and result["phrases"][0]["mae"] > 0:
        lines += ["", "Furthest apart:"]
        lines += [
            f"  {names[row['part']]}, {where_text(row)}, {row['lane']}: {row['mae']:.1f} steps"
            for row in result["phrases"][:N_WORST]
            if row["mae"] > 0
        ]
    if result["remarks"]:
        lines += ["", *(f"Note: {remark}." for remark in result["remarks"])]
    return "\n".join([*lines, "", result["summary"]]).lstrip("\n")


def _cells(answers: Mapping[str, Any]) -> list[str]:
    agreement = answers["slope_agreement"]
    return [
        _figure(answers["mae"], ".1f"),
        _figure(answers["rmse"], ".1f"),
        _figure(answers["bias"], "+.1f"),
        _figure(answers["r"], ".2f"),
        "-" if agreement is None else f"{100 * agreement:.0f} %",
        "-" if answers["lag_ms"] is None else f"{answers['lag_ms']:+.0f} ms",
        _figure(answers["depth_ratio"], ".2f"),
        f"{answers['n_frames'] / 100:.1f} s",
    ]


def _figure(value: float | None, form: str) -> str:
    return "-" if value is None or not np.isfinite(value) else format(value, form)
