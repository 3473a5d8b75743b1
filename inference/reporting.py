"""What stands on a report page: of shaped cues, and of files compared.

The page itself is `report.py`'s. Times are seconds from the start of the file, levels controller steps.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from phrasewright.data.curves import ALL_LANES, Curve
from phrasewright.data.midi import split_midi
from phrasewright.data.profiles import Profile, read_profile
from phrasewright.data.reading import cue_of, read_cue
from phrasewright.inference.comparing import Comparison
from phrasewright.inference.comparison_text import where_text
from phrasewright.inference.counterparts import lane_of
from phrasewright.inference.report import Finding, Passage, Place, Report, ReportPart, Sheet, page_of_report
from phrasewright.inference.reviewing import review_cue
from phrasewright.inference.shaping import Shaped
from phrasewright.inference.writing import check_output, write_whole
from phrasewright.model.hearing import CueHearing, PartHearing
from phrasewright.model.listening import hear
from phrasewright.model.look_first import N_PASSAGES

_UNSURE = (
    "Where the model is least sure, by what is usual for the lane in this cue. ± is half of the band in which two of "
    "three hands should stay."
)
_APART = "The phrases in which the two drawings of a lane are furthest apart."


def write_report(path: Path, report: Report, *, inputs: Sequence[Path], force: bool) -> None:
    """Write the page whole or not at all. Raises OutputError as `check_output` does."""
    check_output(path, inputs=inputs, force=force)
    write_whole(path, page_of_report(report).encode("utf-8"), force=force, inputs=inputs)


def shape_report(shaped: Sequence[Shaped], *, profile: Path | None = None) -> Report:
    """The page of shaped cues: lanes as written, what was drawn before as dashes, bands, review, look first."""
    entries = read_profile(profile) if profile is not None else None
    cues: list[CueHearing] = []
    parts: list[ReportPart] = []
    passages: list[Passage] = []
    findings: list[Finding] = []
    rows: list[list[Any]] = []
    places: list[Place | None] = []
    for number, one in enumerate(shaped):
        hearing, before = _written_and_before(one, entries)
        cues.append(hearing)
        review = review_cue(hearing)["findings"]
        at_part: dict[int, int] = {}
        for heard, told in zip(hearing.parts, one.summary["parts"], strict=True):
            part = heard.part
            lanes = {lane: (lane_of(part, lane), before.get((part.index, lane))) for lane in ALL_LANES}
            if not part.notes.n_notes or not any(curve is not None for drawn in lanes.values() for curve in drawn):
                continue
            at_part[part.index] = len(parts)
            spreads = one.spreads.get(part.index, {})
            parts.append(ReportPart(number, heard, lanes, spreads))
            for lane, (written, _) in lanes.items():
                if written is None:
                    continue
                mine = [row for row in review if row["part"] == part.index and row["lane"] in (lane, None)]
                rows.append(_lane_row(heard, lane, written, told["lanes"].get(lane), spreads.get(lane), len(mine)))
                places.append(_whole(at_part[part.index], heard, lane))
        findings += [_finding(row, at_part) for row in review if row["part"] in at_part]
        passages += [_unsure(row, hearing, at_part) for row in one.summary.get("look_first", ())]
    passages.sort(key=lambda passage: -passage.size)
    before_any = any(lanes[1] is not None for part in parts for lanes in part.lanes.values())
    names = ", ".join(Path(one.summary["in"]).name for one in shaped)
    style = shaped[0].summary["style"] if shaped else ""
    return Report(
        title=names if len(shaped) < 4 else f"{len(shaped)} cues",
        subject=f"Lanes as shaped, style: {style}",
        summary=_shape_summary(rows, findings, passages, before_any=before_any),
        notes=[f"{Path(one.summary['in']).name}: {said}" for one in shaped for said in _remarks(one)],
        sides=("written", "as it was") if before_any else ("written",),
        cues=cues,
        parts=parts,
        look_title="Where to look first",
        look_why=_UNSURE if passages else "The rules claim no spread; the review's findings are listed below.",
        passages=passages[:N_PASSAGES],
        findings=findings,
        sheets=[
            Sheet("lanes", "Parts and lanes", _LANES_NOTE, _LANE_COLUMNS, rows, places),
            _findings_sheet(findings, parts),
        ],
    )


_LANE_COLUMNS = ("Part", "Lane", "Controller", "Events", "Kept", "Lowest", "Highest", "Mean", "Spread", "Findings")
_LANES_NOTE = (
    "Levels in controller steps; the mean is over time while the part sounds; spread is half of the band that two "
    "thirds of hands should stay in. Each name leads to its lane."
)


def _written_and_before(
    one: Shaped, profile: Profile | None
) -> tuple[CueHearing, dict[tuple[int, str], Curve]]:
    """The cue as written, heard; and the lanes that the file held before, by part number and lane."""
    path = Path(one.summary["in"])
    written = cue_of(split_midi(one.whole, name=str(path)), path=path, profile=profile)
    before = {}
    for part in read_cue(path, profile=profile).parts:
        for lane in ALL_LANES:
            curve = lane_of(part, lane)
            if curve is not None:
                before[part.index, lane] = curve
    return hear(written), before


def _lane_row(
    heard: PartHearing, lane: str, written: Curve, told: Mapping[str, Any] | None, spread: Any, n_findings: int
) -> list[Any]:
    end_s = float(heard.part.notes.offset_s.max())
    time_s = np.arange(float(heard.part.notes.onset_s[0]), end_s, 0.05)
    value = written.at(time_s)
    wide = None if spread is None or not np.any(np.isfinite(spread)) else round(float(np.nanmean(spread)), 1)
    return [
        f"{heard.part.index} {heard.part.name}", lane, told["cc"] if told else None, written.n_points,
        len(told["kept"]) if told else None, int(written.value_cc.min()), int(written.value_cc.max()),
        round(float(np.nanmean(value)), 1) if np.any(np.isfinite(value)) else None, wide, n_findings,
    ]  # fmt: skip


def _whole(part: int, heard: PartHearing, lane: str | None) -> Place:
    notes = heard.part.notes
    return Place(part, lane, float(notes.onset_s[0]), float(notes.offset_s.max()))


def _unsure(row: Mapping[str, Any], hearing: CueHearing, at_part: Mapping[int, int]) -> Passage:
    place = Place(at_part[row["part"]], row["lane"], row["start_s"], row["end_s"])
    return Passage(place, where_text(row), row["stands_out"], f"±{row['spread']:.0f} steps")


def _finding(row: Mapping[str, Any], at_part: Mapping[int, int]) -> Finding:
    place = Place(at_part[row["part"]], row["lane"], row["start_s"], row["end_s"])
    return Finding(place, row["kind"], row["severity"], row["text"])


def _findings_sheet(findings: Sequence[Finding], parts: Sequence[ReportPart]) -> Sheet:
    order = {"high": 1, "medium": 2, "low": 3}
    rows = []
    for f in findings:
        name = parts[f.place.part].heard.part.name
        rows.append([name, f.place.lane or "", f.kind, order[f.severity], round(f.place.start_s, 1), f.text])
    note = "Found in the lanes as written, and marked in the chart; weight 1 is to be mended first, 3 is perhaps meant."
    columns = ("Part", "Lane", "Finding", "Weight", "Second", "What and where")
    return Sheet("findings", "Findings of the review", note, columns, rows, [f.place for f in findings])


def _remarks(one: Shaped) -> list[str]:
    said = [f"{part['name']}: {remark}" for part in one.summary["parts"] for remark in part["remarks"]]
    said += [f"{part['name']} is left as it is: {part['skipped']}" for part in one.summary["parts"] if part["skipped"]]
    return [*one.summary["remarks"], *said]


def _shape_summary(
    rows: Sequence[Sequence[Any]], findings: Sequence[Finding], passages: Sequence[Passage], *, before_any: bool
) -> str:
    n_parts, kinds = len({row[0] for row in rows}), Counter(finding.kind for finding in findings)
    said = f"{len(rows)} lanes in {n_parts} parts, {sum(row[3] for row in rows)} events."
    if before_any:
        said += " What the file held before lies beside it as dashes."
    told = ", ".join(f"{kind} {n}" for kind, n in kinds.most_common())
    said += f" The review finds {len(findings)}: {told}." if findings else " The review finds nothing to mend."
    if passages:
        said += " Listen first where the model is least sure."
    return said


def compare_report(compared: Sequence[Comparison], rights: Sequence[Path]) -> Report:
    """The page of files beside the first: both drawings, the difference shaded, and the figures. Needs `tables`."""
    hearing = compared[0].hearing
    sides = _told_apart([hearing.cue.path, *rights])
    parts: list[ReportPart] = []
    at_part: dict[int, int] = {}
    for i, heard in enumerate(hearing.parts):
        others = [one.others[i] for one in compared]
        lanes = {
            lane: (lane_of(heard.part, lane), *(other.lane(lane) if other is not None else None for other in others))
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
        subject=f"Lanes of {sides[0]} (full line) beside {_listed(sides[1:])} (dashes), the difference shaded",
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


def _listed(words: Sequence[str]) -> str:
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}"


def _told_apart(paths: Sequence[Path]) -> list[str]:
    """Names of files, with as much of their folders as tells them apart."""
    names = [path.name for path in paths]
    if len(set(names)) == len(names):
        return names
    longer = [str(Path(*path.parts[-2:])) for path in paths]
    return longer if len(set(longer)) == len(longer) else [f"{i}: {name}" for i, name in enumerate(longer, 1)]


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
                    places.append(_whole(at, parts[at].heard, lane))
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
