"""What stands on a report page of files compared: both drawings, where they differ most, and the figures as tables.

The page itself is `report.py`'s. Levels are controller steps, times seconds from the start of the first file.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from phrasewright.data.curves import ALL_LANES
from phrasewright.inference.comparing import Comparison
from phrasewright.inference.comparison_text import listed, told_apart, where_text
from phrasewright.inference.report import Passage, Place, Report, ReportPart, Sheet, whole_part
from phrasewright.model.look_first import N_PASSAGES

_APART = "The phrases in which the two drawings of a lane are furthest apart."


def compare_report(compared: Sequence[Comparison], rights: Sequence[Path]) -> Report:
    """The page of files beside the first: both drawings, the difference shaded, and the figures. Needs `tables`."""
    hearing = compared[0].hearing
    sides = told_apart([hearing.cue.path, *rights])
    parts: list[ReportPart] = []
    at_part: dict[int, int] = {}
    for i, heard in enumerate(hearing.parts):
        others = [one.others[i] for one in compared]
        lanes = {
            lane: (heard.part.drawn(lane), *(other.lane(lane) if other is not None else None for other in others))
            for lane in ALL_LANES
        }
        if heard.part.notes.n_notes and any(curve is not None for drawn in lanes.values() for curve in drawn):
            at_part[heard.part.index] = len(parts)
            parts.append(ReportPart(0, heard, lanes))
    several = len(compared) > 1
    passages = [
        _apart(row, at_part, side if several else "")
        for side, one in zip(sides[1:], compared, strict=True)
        for row in _worst_of_phrases(one.result["phrases"])
    ]
    passages.sort(key=lambda passage: -passage.size)
    return Report(
        title=" and ".join(sides) if not several else f"{sides[0]} and {len(compared)} others",
        subject=f"Lanes of {sides[0]} (full line) beside {listed(sides[1:])} (dashes), the difference shaded",
        summary=" ".join(one.result["summary"] for one in compared),
        notes=[remark for one in compared for remark in one.result["remarks"]],
        sides=sides,
        cues=[hearing],
        parts=parts,
        look_title="Where to look first",
        look_why=_APART,
        passages=passages[:N_PASSAGES],
        findings=[],
        sheets=_compare_sheets(compared, sides, parts, at_part),
    )


def _worst_of_phrases(rows: Sequence[Mapping[str, Any]]) -> list[Mapping[str, Any]]:
    """The worst lane of each phrase, worst first, as many as are listed; rows stand worst first."""
    best: dict[tuple[int, float], Mapping[str, Any]] = {}
    for row in rows:
        if row["mae"] > 0:
            best.setdefault((row["part"], row["start_s"]), row)
    return list(best.values())[:N_PASSAGES]


def _apart(row: Mapping[str, Any], at_part: Mapping[int, int], side: str) -> Passage:
    place = Place(at_part[row["part"]], row["lane"], row["start_s"], row["end_s"])
    said = f"{row['mae']:.1f} steps apart" + (f", {side}" if side else "")
    return Passage(place, where_text(row), row["mae"], said)


_FIGURES = ("mae", "rmse", "bias", "r", "slope_agreement", "lag_ms", "depth_ratio")
_FIGURE_TITLES = ("Error", "RMS", "Bias", "r", "Same way", "Lag, ms", "Depth")
_COMPARE_NOTE = (
    "Error, RMS and bias (second file minus first) in controller steps; same way: share of moving frames in which both "
    "move in one direction; lag above 0: second later; depth: second as a multiple of the first."
)
_INTERVAL_NOTE = (
    "Error and bias in controller steps with 95 % intervals by phrase; ranges hold the middle half of the values."
)


def _compare_sheets(
    compared: Sequence[Comparison], sides: Sequence[str], parts: Sequence[ReportPart], at_part: Mapping[int, int]
) -> list[Sheet]:
    several, file = len(compared) > 1, ("File",) if len(compared) > 1 else ()
    rows: list[list[Any]] = []
    places: list[Place | None] = []
    for side, one in zip(sides[1:], compared, strict=True):
        extra = [side] if several else []
        for told in one.result["parts"]:
            for lane, figures in told["lanes"].items():
                if figures and figures["n_frames"]:
                    numbers = [_short(figures[name]) for name in _FIGURES]
                    rows.append([f"{told['index']} {told['name']}", *extra, lane, *numbers, figures["n_frames"] / 100])
                    at = at_part[told["index"]]
                    places.append(whole_part(at, parts[at].heard, lane))
        for lane, figures in one.result["overall"].items():
            if figures and figures["n_frames"]:
                numbers = [_short(figures[name]) for name in _FIGURES]
                rows.append(["All parts", *extra, lane, *numbers, figures["n_frames"] / 100])
                places.append(None)
    columns: tuple[str, ...] = ("Part", *file, "Lane", *_FIGURE_TITLES, "Sounding, s")
    sheets = [Sheet("lanes", "Parts and lanes", _COMPARE_NOTE, columns, rows, places)]
    phrases: list[list[Any]] = []
    leads: list[Place | None] = []
    situations: list[list[Any]] = []
    for side, one in zip(sides[1:], compared, strict=True):
        extra = [side] if several else []
        assert one.table is not None
        for row in one.table.to_dict("records"):
            error, bias, rmse = (_short(row[name]) for name in ("mae", "bias", "rmse"))
            if row["axis"] == "phrase":
                bars = f"{row['first_bar']}-{row['last_bar']}" if isinstance(row["first_bar"], int) else ""
                ranges = [_short(row["left_range"]), _short(row["right_range"])]
                phrases.append([row["name"], *extra, row["lane"], int(row["label"]), bars, error, bias, rmse, *ranges])
                leads.append(Place(at_part[row["part"]], row["lane"], row["start_s"], row["end_s"]))
            else:
                first = [row["axis"], *extra, row["label"], row["lane"], row["n_phrases"]]
                ends = {name: [_short(row[f"{name}_low"]), _short(row[f"{name}_high"])] for name in ("mae", "bias")}
                situations.append([*first, error, *ends["mae"], bias, *ends["bias"]])
    worst = sorted(range(len(phrases)), key=lambda i: -(phrases[i][4 + len(file)] or 0))
    columns = ("Part", *file, "Lane", "Phrase", "Bars", "Error", "Bias", "RMS", "First's range", "Second's range")
    sheets.append(
        Sheet("phrases", "Phrases", _INTERVAL_NOTE, columns, [phrases[i] for i in worst], [leads[i] for i in worst])
    )
    columns = ("Axis", *file, "Situation", "Lane", "Phrases", "Error", "from", "to", "Bias", "from ", "to ")
    sheets.append(Sheet("situations", "Situations", _INTERVAL_NOTE, columns, situations, [None] * len(situations)))
    return sheets


def _short(value: Any) -> float | None:
    return None if value is None or value != value else round(float(value), 2)
