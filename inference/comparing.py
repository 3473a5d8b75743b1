"""Two or more files of one cue, lane by lane: how they differ, in figures, in a table and in a sentence.

The first file is the left one. It decides where parts sound and where phrases begin and end; every other file is
compared with it by time as it stands: notes are not matched. Levels are in controller steps, times in seconds.
"""

from __future__ import annotations

import io
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from phrasewright.data.cue import Cue, Part
from phrasewright.data.curves import DEFAULT_CC, LANES, Curve
from phrasewright.data.notes import Notes
from phrasewright.data.profiles import Profile
from phrasewright.data.reading import read_cue
from phrasewright.data.tempo import TempoMap
from phrasewright.model.hearing import CueHearing, PartHearing
from phrasewright.model.listening import hear
from phrasewright.model.metrics import LanePair, evaluate, lane_pair, phrase_errors, pooled

SAME_ONSET_S = 0.01
"""Onsets closer than this are the same: a rounding of ticks, not another performance (common practice, no source)."""
N_WORST = 5
"""How many of the worst phrases the text names."""
_DECIMALS = 6
_HIGHER = {"dynamics": ("louder", "softer"), "expression": ("louder", "softer"), "vibrato": ("stronger", "weaker")}


def compare_files(left: Path, rights: Sequence[Path], *, profile: Profile | None = None) -> dict[str, Any]:
    """Compare the lanes of each of `rights` with those of `left`.

    Returns
    -------
    dict
        With one right file: `parts` (every part of the left file: `index`, `name`, `lanes`; a lane is the dict of
        `metrics.evaluate`, or None where either file lacks it), `overall` (the same over all frames of all parts),
        `phrases` (`part`, `lane`, `start_s`, `end_s`, `bars`, `mae` of each phrase of the left file, worst first),
        `remarks` and `summary`. With several: `candidates`, each with `file` and the above. Ready for JSON: no NaN.

    Raises
    ------
    InputError
        A file that cannot be read as a cue.
    """
    hearing = hear(read_cue(left, profile=profile))
    results = [compare_cues(hearing, read_cue(right, profile=profile)) for right in rights]
    if len(results) == 1:
        return results[0]
    return {"candidates": [{"file": str(path), **result} for path, result in zip(rights, results, strict=True)]}


def compare_cues(hearing: CueHearing, right: Cue) -> dict[str, Any]:
    """Compare one cue with another that has been heard. Returns as `compare_files` with one right file."""
    left = hearing.cue
    matches, remarks = match_parts(left, right)
    remarks = _length_remarks(left, right, matches) + remarks
    pairs: dict[str, list[LanePair]] = {lane: [] for lane in LANES}
    parts: list[dict[str, Any]] = []
    phrases: list[dict[str, Any]] = []
    only_in: dict[str, set[Path]] = {lane: set() for lane in LANES}
    for heard, other in zip(hearing.parts, matches, strict=True):
        part = heard.part
        if other is not None:
            remarks += _part_remarks(part, other, left, right)
        spans_s = np.array([(phrase.start_s, phrase.end_s) for phrase in heard.phrases]).reshape(-1, 2)
        bars = _bars_of(spans_s, left.tempo)
        lanes: dict[str, Any] = {}
        for lane in LANES:
            mine, theirs = lane_of(part, lane), lane_of(other, lane) if other is not None else None
            if mine is None or theirs is None:
                lanes[lane] = None
                only_in[lane] |= {left.path} if mine is not None else {right.path} if theirs is not None else set()
                continue
            pair = lane_pair(mine, theirs, notes=part.notes, phrases_s=spans_s)
            pairs[lane].append(pair)
            lanes[lane] = _rounded(evaluate(pair))
            phrases += _phrase_rows(pair, heard, lane, bars)
        parts.append({"index": part.index, "name": part.name, "lanes": lanes})
    overall = {lane: _rounded(evaluate(pooled(some))) if some else None for lane, some in pairs.items()}
    phrases.sort(key=lambda row: (-row["mae"], row["part"], LANES.index(row["lane"]), row["start_s"]))
    return {
        "parts": parts,
        "overall": overall,
        "phrases": phrases,
        "remarks": remarks,
        "summary": _summary(overall, phrases, only_in, hearing, right.path),
    }


def lane_of(part: Part, lane: str) -> Curve | None:
    """The lane as drawn in a part, None where it has no event.

    A shaped part says which controller carries the lane; otherwise the usual controller does, unless the part uses
    that one for another lane (breath as dynamics).
    """
    cc = part.lane_cc.get(lane)
    if cc is None:
        cc = DEFAULT_CC[lane]
        if cc in part.lane_cc.values():
            return None
    curve = part.existing.get(cc)
    return curve if curve is not None and curve.n_points else None


def match_parts(left: Cue, right: Cue) -> tuple[list[Part | None], list[str]]:
    """For each part of the left cue its counterpart, by name, the remaining ones in order; and what to tell of it."""
    waiting = list(right.parts)
    found: list[Part | None] = []
    for part in left.parts:
        same = next((other for other in waiting if _key(other) == _key(part)), None)
        if same is not None:
            waiting.remove(same)
        found.append(same)
    remarks = []
    for i, part in enumerate(left.parts):
        if found[i] is None and waiting:
            other = waiting.pop(0)
            found[i] = other
            remarks.append(f"{part.name} is not in {right.path.name}; {other.name}, next in order, stands for it")
        elif found[i] is None:
            remarks.append(f"{part.name} is not in {right.path.name}")
    remarks += [f"{other.name} is only in {right.path.name}" for other in waiting]
    return found, remarks


def _key(part: Part) -> str:
    return " ".join(part.name.split()).casefold()


def _length_remarks(left: Cue, right: Cue, matches: Sequence[Part | None]) -> list[str]:
    """Files of different length; not where all notes are the same and only the end of the file moved."""
    same = all(
        other is not None and _first_difference(part.notes, other.notes) is None
        for part, other in zip(left.parts, matches, strict=True)
    )
    if same or abs(left.duration_s - right.duration_s) <= 1.0:
        return []
    lengths = f"{left.path.name} lasts {left.duration_s:.1f} s, {right.path.name} {right.duration_s:.1f} s"
    return [f"{lengths}: lanes are compared by time as they stand"]


def _first_difference(left: Notes, right: Notes) -> int | None:
    """Index of the first left note without its like at the same place, None where all are alike."""
    n = min(left.n_notes, right.n_notes)
    apart = np.abs(left.onset_s[:n] - right.onset_s[:n]) > SAME_ONSET_S
    apart |= left.pitch[:n] != right.pitch[:n]
    if np.any(apart):
        return int(np.argmax(apart))
    return None if left.n_notes == right.n_notes else min(n, left.n_notes - 1)


def _part_remarks(part: Part, other: Part, left: Cue, right: Cue) -> list[str]:
    remarks = []
    at = _first_difference(part.notes, other.notes)
    if at is not None and part.notes.n_notes:
        time_s = float(part.notes.onset_s[at])
        where = f"bar {_bar(left.tempo, time_s)}" if left.tempo.has_metre else f"{time_s:.1f} s"
        remarks.append(
            f"{part.name}: the notes differ from {where} on ({part.notes.n_notes} in {left.path.name}, "
            f"{other.notes.n_notes} in {right.path.name}); its lanes are compared by time as they stand"
        )
    for lane in LANES:
        here, there = part.lane_cc.get(lane), other.lane_cc.get(lane)
        if here is not None and there is not None and here != there:
            remarks.append(
                f"{part.name}: {lane} is controller {here} in {left.path.name}, controller {there} in {right.path.name}"
            )
    return remarks


def _rounded(answers: Mapping[str, float | int | None]) -> dict[str, float | int | None]:
    return {name: round(x, _DECIMALS) if isinstance(x, float) else x for name, x in answers.items()}


def _bar(tempo: TempoMap, time_s: float) -> int:
    return int(np.floor(tempo.tick_to_bar(tempo.s_to_tick(time_s)) + 1e-9))


def _phrase_rows(
    pair: LanePair, heard: PartHearing, lane: str, bars: Sequence[list[int] | None]
) -> Iterator[dict[str, Any]]:
    for number, error in zip(*(row.tolist() for row in phrase_errors(pair)), strict=True):
        phrase = heard.phrases[number]
        yield {
            "part": heard.part.index,
            "lane": lane,
            "start_s": round(phrase.start_s, _DECIMALS),
            "end_s": round(phrase.end_s, _DECIMALS),
            "bars": bars[number],
            "mae": round(error, _DECIMALS),
        }


def _bars_of(spans_s: NDArray[np.float64], tempo: TempoMap) -> list[list[int] | None]:
    """First and last bar of each span (n_spans, 2); an end on a downbeat belongs to the bar before."""
    if not tempo.has_metre:
        return [None] * len(spans_s)
    bar = np.floor(tempo.tick_to_bar(tempo.s_to_tick(spans_s - np.array([0.0, 0.05]))) + 1e-9).astype(np.int64)
    return [[int(first), int(max(first, last))] for first, last in bar]


def _summary(
    overall: Mapping[str, Any],
    phrases: Sequence[Mapping[str, Any]],
    only_in: Mapping[str, set[Path]],
    hearing: CueHearing,
    right: Path,
) -> str:
    """What a composer would want to hear first: which lane differs most, how, and where it is worst."""
    alone = [
        f"{_subject(lane, 'is')} only in {next(iter(paths)).name}."
        for lane, paths in only_in.items()
        if overall[lane] is None and len(paths) == 1
    ]
    measured = [lane for lane in LANES if overall[lane] and overall[lane]["n_frames"]]
    if not measured:
        return " ".join(["No lane of a part is in both files while it sounds: nothing to compare.", *alone])
    measured.sort(key=lambda lane: -overall[lane]["mae"])
    worst = overall[measured[0]]
    if worst["mae"] == 0:
        return " ".join([f"No difference in {_listed(sorted(measured, key=LANES.index))}.", *alone])
    sentences = [
        f"{_subject(measured[0], 'differs')} most, by {worst['mae']:.1f} steps on average: in {right.name} "
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
        name = next(heard.part.name for heard in hearing.parts if heard.part.index == row["part"])
        sentences.append(f"Furthest apart: {name}, {_where(row)}, {row['lane']}, {row['mae']:.0f} steps.")
    return " ".join(sentences + alone)


def _subject(lane: str, verb: str) -> str:
    """The lane at the head of a sentence; dynamics are a plural."""
    plural = {"is": "are", "differs": "differ"}
    return f"{lane.capitalize()} {plural[verb] if lane == 'dynamics' else verb}"


def _manner(lane: str, answers: Mapping[str, Any]) -> str:
    higher, lower = _HIGHER[lane]
    bias, depth, lag = answers["bias"], answers["depth_ratio"], answers["lag_ms"]
    said = ["as loud on average" if lane != "vibrato" else "as strong on average"]
    if abs(bias) >= 0.5:
        said = [f"{abs(bias):.1f} steps {higher if bias > 0 else lower}"]
    if depth is not None:
        same = 0.95 <= depth <= 1.05
        said.append("as deep" if same else f"{'deeper' if depth > 1 else 'shallower'} ({depth:.2f} times the depth)")
    if lag is not None:
        said.append("at the same time" if lag == 0 else f"{abs(lag):.0f} ms {'later' if lag > 0 else 'earlier'}")
    return _listed(said)


def _listed(words: Sequence[str]) -> str:
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}"


def _where(row: Mapping[str, Any]) -> str:
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
    if silent:
        lines += ["", f"No lane in both files: {', '.join(silent)}."]
    if result["phrases"] and result["phrases"][0]["mae"] > 0:
        lines += ["", "Furthest apart:"]
        lines += [
            f"  {names[row['part']]}, {_where(row)}, {row['lane']}: {row['mae']:.1f} steps"
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
