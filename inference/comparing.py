"""Two or more files of one cue, lane by lane: how they differ, in figures by part, phrase and situation.

The first file is the left one. It decides where parts sound and where phrases begin and end; every other file is
compared with it by time, or, where its notes stand elsewhere, by its notes (`counterparts.py`). Levels are in
controller steps, times in seconds; intervals are 95 %, by phrase.

As a table a comparison has one row a phrase and one a situation, lane by lane, all with the same columns, so that one
file sorts and filters in any spreadsheet.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from phrasewright.data.cue import Cue
from phrasewright.data.curves import ALL_LANES, COLOUR_LANES, LANES
from phrasewright.data.files import check_apart, check_output, write_whole
from phrasewright.data.printing import one_line
from phrasewright.data.profiles import Profile, read_profile
from phrasewright.data.reading import read_cue
from phrasewright.data.tempo import TempoMap
from phrasewright.inference.comparison_text import summary_of, told_apart
from phrasewright.inference.counterparts import Counterpart, counterparts
from phrasewright.model.habits import Habit, habits_of, occurrences
from phrasewright.model.hearing import CueHearing, PartHearing
from phrasewright.model.intervals import interval_by_phrase
from phrasewright.model.listening import hear
from phrasewright.model.metrics import (
    LanePair,
    PhraseSums,
    evaluate_all,
    frames_in_pair,
    lane_pair,
    phrase_ranges,
    phrase_sums,
)
from phrasewright.model.responses import as_filed

if TYPE_CHECKING:
    from pandas import DataFrame

_DECIMALS = 6
AXES = ("phrase", "role", "figure", "event")
COLUMNS = (
    "axis", "label", "part", "name", "lane", "start_s", "end_s", "first_bar", "last_bar", "n_phrases", "n_frames",
    "mae", "mae_low", "mae_high", "bias", "bias_low", "bias_high", "rmse", "left_range", "right_range",
)  # fmt: skip
_WHOLE = ("part", "first_bar", "last_bar", "n_phrases", "n_frames")


@dataclass(frozen=True)
class LaneCompared:
    """One lane of one part that both files have; `bars` holds first and last bar of each phrase, None without metre."""

    heard: PartHearing
    lane: str
    pair: LanePair
    sums: PhraseSums
    bars: Sequence[list[int] | None]


@dataclass(frozen=True)
class Comparison:
    """One file beside the left one: the result for JSON, who stands for whom, and the table, if it was asked for."""

    hearing: CueHearing
    right: Cue
    others: Sequence[Counterpart | None]
    result: dict[str, Any]
    table: DataFrame | None = None


def compare_files(left: Path, rights: Sequence[Path], *, profile: Profile | None = None) -> dict[str, Any]:
    """Compare the lanes of each of `rights` with those of `left`. Returns as `result_of`, raises as `comparisons`."""
    return result_of(comparisons(left, rights, profile=profile), rights)


def compare_into(
    left: Path,
    rights: Sequence[Path],
    *,
    table: Path | None = None,
    report: Path | None = None,
    profile: Path | None = None,
    force: bool = False,
) -> dict[str, Any]:
    """Compare, and write every phrase's and situation's figures into `table` as CSV, a page to look at into `report`.

    Returns as `result_of`.

    Raises
    ------
    InputError
        A file that cannot be read as a cue, or a faulty profile.
    OutputError
        One of them is there already and `force` is not given, or cannot be written.
    """
    inputs = [left, *rights, *([profile] if profile is not None else [])]
    outputs = [out for out in (table, report) if out is not None]
    for out in outputs:
        check_output(out, inputs=inputs, force=force)
    check_apart(outputs)
    entries = read_profile(profile) if profile is not None else None
    compared = comparisons(left, rights, profile=entries, tables=table is not None or report is not None)
    if table is not None:
        named = zip(map(one_line, map(str, rights)), compared, strict=True)
        tables = [(name, one.table) for name, one in named if one.table is not None]
        write_whole(table, csv_of(tables).encode(), force=force, inputs=inputs)
    if report is not None:
        from phrasewright.inference.comparison_page import compare_report
        from phrasewright.inference.reporting import write_report

        write_report(report, compare_report(compared, rights), inputs=inputs, force=force)
    return result_of(compared, rights)


def comparisons(
    left: Path, rights: Sequence[Path], *, profile: Profile | None = None, tables: bool = False
) -> list[Comparison]:
    """Compare the lanes of each of `rights` with those of `left`; with `tables` by phrase and situation too.

    Raises
    ------
    InputError
        A file that cannot be read as a cue.
    """
    hearing = hear(read_cue(left, profile=profile))
    return [compare_cues(hearing, read_cue(right, profile=profile), tables=tables) for right in rights]


def result_of(compared: Sequence[Comparison], rights: Sequence[Path]) -> dict[str, Any]:
    """What the comparisons found, ready for JSON: no NaN.

    Returns
    -------
    dict
        With one right file: `parts` (every part of the left file: `index`, `name`, `lanes`; a lane is the dict of
        `metrics.evaluate`, or None where either file lacks it), `overall` (the same over all frames of all parts),
        `intervals` (of `mae` and `bias` of each lane, None with fewer than two phrases), `phrases` (`part`, `lane`,
        `start_s`, `end_s`, `bars`, `mae` of each phrase of the left file, worst first), `habits` (the fields of
        `habits.Habit`), `remarks` and `summary`. With several: `candidates`, each with `file` and the above.
    """
    if len(compared) == 1:
        return compared[0].result
    return {"candidates": [{"file": str(path), **one.result} for path, one in zip(rights, compared, strict=True)]}


def compare_cues(hearing: CueHearing, right: Cue, *, tables: bool = False) -> Comparison:
    """Compare one cue that has been heard with another."""
    left = as_filed(hearing.cue)
    names = (*LANES, *(lane for lane in COLOUR_LANES if any(lane in part.lane_cc for part in left.parts)))
    files = told_apart([left.path, right.path])
    others, remarks = counterparts(left, right)
    lanes, only_in = _lanes_of_both(hearing, others, names, tempo=left.tempo, files=files)
    figures: dict[tuple[int, str], dict[str, Any]] = {}
    overall: dict[str, dict[str, Any] | None] = dict.fromkeys(names)
    intervals: dict[str, dict[str, Any] | None] = dict.fromkeys(names)
    for lane in names:
        mine = [one for one in lanes if one.lane == lane]
        if mine:
            each, together = evaluate_all([one.pair for one in mine])
            figures |= {(one.heard.part.index, lane): _rounded(a) for one, a in zip(mine, each, strict=True)}
            overall[lane], intervals[lane] = _rounded(together), _intervals([one.sums for one in mine], together)
    parts = [
        {
            "index": heard.part.index,
            "name": heard.part.name,
            "lanes": {lane: figures.get((heard.part.index, lane)) for lane in names},
        }
        for heard in hearing.parts
    ]
    phrases = [row for one in lanes for row in _phrase_rows(one)]
    phrases.sort(key=lambda row: (-row["mae"], row["part"], names.index(row["lane"]), row["start_s"]))
    habits = habits_of(
        [occurrences(one.pair, one.heard.attacks, lane=one.lane) for one in lanes if one.lane in LANES]
    )
    result = {
        "parts": parts,
        "overall": overall,
        "intervals": intervals,
        "phrases": phrases,
        "habits": [_habit_row(habit) for habit in habits],
        "remarks": remarks,
        "summary": summary_of(overall, phrases, habits, only_in, names=(files[0], files[1]), parts=parts),
    }
    return Comparison(hearing, right, others, result, table_of(lanes) if tables else None)


def _lanes_of_both(
    hearing: CueHearing, others: Sequence[Counterpart | None], names: Sequence[str], *, tempo: TempoMap,
    files: Sequence[str],
) -> tuple[list[LaneCompared], dict[str, set[str]]]:  # fmt: skip
    """Each lane that a part and its counterpart have; and which of the two `files` alone have a lane of some part."""
    lanes: list[LaneCompared] = []
    only_in: dict[str, set[str]] = {lane: set() for lane in names}
    for heard, other in zip(hearing.parts, others, strict=True):
        spans_s = np.array([(phrase.start_s, phrase.end_s) for phrase in heard.phrases]).reshape(-1, 2)
        bars = _bars_of(spans_s, tempo)
        for lane in names:
            mine, theirs = heard.part.drawn(lane), other.lane(lane) if other is not None else None
            if mine is not None and theirs is not None and other is not None:
                pair = lane_pair(mine, theirs, notes=other.notes, phrases_s=spans_s)
                lanes.append(LaneCompared(heard, lane, pair, phrase_sums(pair), bars))
            elif mine is not None or theirs is not None:
                only_in[lane].add(files[0] if mine is not None else files[1])
    return lanes, only_in


def _rounded(answers: Mapping[str, float | int | None]) -> dict[str, float | int | None]:
    return {name: round(x, _DECIMALS) if isinstance(x, float) else x for name, x in answers.items()}


def _habit_row(habit: Habit) -> dict[str, Any]:
    row = {name: round(x, _DECIMALS) if isinstance(x, float) else x for name, x in asdict(habit).items()}
    return row | {"interval": [round(x, _DECIMALS) for x in habit.interval] if habit.interval is not None else None}


def _intervals(sums: Sequence[PhraseSums], about: Mapping[str, float | int | None]) -> dict[str, Any]:
    """Intervals of `mae` and `bias`, laid about the figures over all frames (some of which lie in no phrase)."""
    n = np.concatenate([one.n for one in sums])
    found: dict[str, Any] = {}
    for name, total in (("mae", [one.error for one in sums]), ("bias", [one.difference for one in sums])):
        ends, centre = interval_by_phrase(np.concatenate(total), n), about[name]
        if ends is None or centre is None:
            found[name] = None
        else:
            half = (ends[1] - ends[0]) / 2
            found[name] = [round(centre - half, _DECIMALS), round(centre + half, _DECIMALS)]
    return found


def _phrase_rows(one: LaneCompared) -> list[dict[str, Any]]:
    rows = []
    for number, error in zip(one.sums.number.tolist(), (one.sums.error / one.sums.n).tolist(), strict=True):
        phrase = one.heard.phrases[number]
        rows.append(
            {
                "part": one.heard.part.index,
                "lane": one.lane,
                "start_s": round(phrase.start_s, _DECIMALS),
                "end_s": round(phrase.end_s, _DECIMALS),
                "bars": one.bars[number],
                "mae": round(error, _DECIMALS),
            }
        )
    return rows


def _bars_of(spans_s: NDArray[np.float64], tempo: TempoMap) -> list[list[int] | None]:
    """First and last bar of each span (n_spans, 2); an end on a downbeat belongs to the bar before."""
    if not tempo.has_metre:
        return [None] * len(spans_s)
    bar = tempo.bar_at(spans_s - np.array([0.0, 0.05]))
    return [[int(first), int(max(first, last))] for first, last in bar]


def table_of(lanes: Sequence[LaneCompared]) -> DataFrame:
    """One row a phrase (`axis` phrase, `label` its number from 1), one a situation's label in all parts together.

    Columns as in COLUMNS: `part`, `name`, times and bars are empty where a row holds several parts; `left_range` and
    `right_range` are interquartile ranges of the lane within the phrase; intervals stand where two phrases or more
    are behind a row. Phrases come in order of parts and time, then situations in order of axes, lanes and labels.
    """
    from pandas import DataFrame

    rows = [row for one in lanes for row in _phrases(one)] + list(_situations(lanes))
    return DataFrame(rows, columns=list(COLUMNS)).astype({name: "Int64" for name in _WHOLE})


def csv_of(tables: Sequence[tuple[str, DataFrame]]) -> str:
    """The tables of several files as CSV, with the file's name in the first column; figures with four decimals."""
    from pandas import concat

    joined = concat([table.assign(file=name) for name, table in tables], ignore_index=True)
    return str(joined[["file", *COLUMNS]].to_csv(index=False, float_format="%.4f", lineterminator="\n"))


def _phrases(one: LaneCompared) -> Iterator[dict[str, Any]]:
    at = one.pair.counted & (one.pair.phrase >= 0)
    ranges = [phrase_ranges(value_cc[at], one.pair.phrase[at]) for value_cc in (one.pair.left_cc, one.pair.right_cc)]
    for i, number in enumerate(one.sums.number.tolist()):
        phrase, bars = one.heard.phrases[number], one.bars[number] or [None, None]
        yield {
            **_figures([one.sums], slice(i, i + 1)),
            "axis": "phrase",
            "label": str(number + 1),
            "part": one.heard.part.index,
            "name": one.heard.part.name,
            "lane": one.lane,
            "start_s": phrase.start_s,
            "end_s": phrase.end_s,
            "first_bar": bars[0],
            "last_bar": bars[1],
            "left_range": ranges[0][i],
            "right_range": ranges[1][i],
        }


def _situations(lanes: Sequence[LaneCompared]) -> Iterator[dict[str, Any]]:
    """Frames of one label in all parts that have the lane."""
    sums: dict[tuple[int, int, str], list[PhraseSums]] = {}
    for one in lanes:
        labels = {(s.axis, s.label) for s in one.heard.situations}
        for axis, label in labels:
            spans_s = [(s.start_s, s.end_s) for s in one.heard.situations if (s.axis, s.label) == (axis, label)]
            found = phrase_sums(one.pair, among=frames_in_pair(np.array(spans_s), one.pair))
            if len(found.number):
                sums.setdefault((AXES.index(axis), ALL_LANES.index(one.lane), label), []).append(found)
    for (axis_at, lane_at, label), some in sorted(sums.items(), key=lambda row: row[0]):
        yield {**_figures(some), "axis": AXES[axis_at], "label": label, "lane": ALL_LANES[lane_at]}


def _figures(some: Sequence[PhraseSums], which: slice = slice(None)) -> dict[str, Any]:
    """Figures over the phrases (or `which` of them) of several parts."""
    n, error, difference, square = (
        np.concatenate([getattr(one, row) for one in some])[which] for row in ("n", "error", "difference", "square")
    )
    totals = {"mae": error, "bias": difference}
    ends = {name: interval_by_phrase(total, n) or (None, None) for name, total in totals.items()}
    return {
        "n_phrases": len(n),
        "n_frames": int(n.sum()),
        "mae": error.sum() / n.sum(),
        "bias": difference.sum() / n.sum(),
        "rmse": float(np.sqrt(square.sum() / n.sum())),
        **{f"{name}_low": low for name, (low, _) in ends.items()},
        **{f"{name}_high": high for name, (_, high) in ends.items()},
    }
