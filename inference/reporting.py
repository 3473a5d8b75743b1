"""What stands on a report page of shaped cues, and of what was learned from corrected ones.

The page itself is `report.py`'s. Times are seconds from the start of the file, levels controller steps.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from phrasewright.data.curves import ALL_LANES, LANES, Curve
from phrasewright.data.files import check_output, write_whole
from phrasewright.data.midi import split_midi
from phrasewright.data.profiles import Profile, read_profile
from phrasewright.data.reading import cue_of, read_cue
from phrasewright.inference.comparison_text import where_text
from phrasewright.inference.page import clock
from phrasewright.inference.report import Finding, Passage, Place, Report, ReportPart, Sheet, page_of_report, whole_part
from phrasewright.inference.reviewing import review_cue
from phrasewright.inference.shaping import STYLE_NAMES, Shaped
from phrasewright.model.evidence import band_factors
from phrasewright.model.hearing import CueHearing, PartHearing
from phrasewright.model.listening import hear
from phrasewright.model.look_first import N_PASSAGES

_UNSURE = (
    "Where the model is least sure, by what is usual for the lane in this cue. ± is half of the band in which two of "
    "three hands should stay."
)
_FINDINGS_FIRST = "The rules claim no spread: the findings of the review that weigh most, each kind and part in turn."


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
        shown = _parts_shown(number, hearing, one, before)
        at_part = {part.heard.part.index: len(parts) + k for k, part in enumerate(shown)}
        parts += shown
        told = {row["index"]: row["lanes"] for row in one.summary["parts"]}
        for part in shown:
            index = part.heard.part.index
            for lane, written in ((lane, drawn[0]) for lane, drawn in part.lanes.items() if drawn[0] is not None):
                mine = [row for row in review if row["part"] == index and row["lane"] in (lane, None)]
                spread = part.spreads.get(lane)
                rows.append(_lane_row(part.heard, lane, written, told[index].get(lane), spread, len(mine)))
                places.append(whole_part(at_part[index], part.heard, lane))
        findings += [_finding(row, at_part) for row in review if row["part"] in at_part]
        passages += [_unsure(row, at_part) for row in one.summary.get("look_first", ())]
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
        look_why=_UNSURE if passages else _FINDINGS_FIRST,
        passages=passages[:N_PASSAGES] or _weightiest(findings),
        findings=findings,
        sheets=[
            Sheet("lanes", "Parts and lanes", _LANES_NOTE, _LANE_COLUMNS, rows, places),
            _findings_sheet(findings, parts),
        ],
        widths=_widths(shipped=style == STYLE_NAMES["network"]),
    )


_LANE_COLUMNS = ("Part", "Lane", "Controller", "Events", "Kept", "Lowest", "Highest", "Mean", "Spread", "Findings")
_LANES_NOTE = (
    "Levels in controller steps; the mean is over time while the part sounds; spread is half of the band that two "
    "thirds of hands should stay in. Each name leads to its lane."
)


def _widths(*, shipped: bool) -> dict[str, dict[int, float]]:
    """Half of each lane's 50 % and 90 % bands where half of the 68 % band is 1, as the model's card has them."""
    factors = band_factors("default" if shipped else "one cue")
    if factors[50] == factors[90]:  # a card that knows of none: the double exponential spread of the training's loss
        laplace = {level: np.log(100 / (100 - level)) / np.log(100 / 32) for level in (50, 90)}
        return {lane: {level: float(width) for level, width in laplace.items()} for lane in LANES}
    return {
        lane: {level: factors[level][i] / factors[68][i] for level in (50, 90)} for i, lane in enumerate(LANES)
    }


def _parts_shown(
    number: int, hearing: CueHearing, one: Shaped, before: Mapping[tuple[int, str], Curve]
) -> list[ReportPart]:
    """The parts of the cue of that number (from 0) with any lane, each as written and as the file held it `before`."""
    shown = []
    for heard in hearing.parts:
        part = heard.part
        lanes = {lane: (part.drawn(lane), before.get((part.index, lane))) for lane in ALL_LANES}
        if part.notes.n_notes and any(curve is not None for drawn in lanes.values() for curve in drawn):
            shown.append(ReportPart(number, heard, lanes, one.spreads.get(part.index, {})))
    return shown


def _written_and_before(
    one: Shaped, profile: Profile | None
) -> tuple[CueHearing, dict[tuple[int, str], Curve]]:
    """The cue as written, heard; and the lanes that the file held before, by part number and lane."""
    path = Path(one.summary["in"])
    written = cue_of(split_midi(one.whole, name=str(path)), path=path, profile=profile)
    before = {}
    for part in read_cue(path, profile=profile).parts:
        for lane in ALL_LANES:
            curve = part.drawn(lane)
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


def _unsure(row: Mapping[str, Any], at_part: Mapping[int, int]) -> Passage:
    place = Place(at_part[row["part"]], row["lane"], row["start_s"], row["end_s"])
    return Passage(place, where_text(row), row["stands_out"], f"±{row['spread']:.0f} steps")


def _finding(row: Mapping[str, Any], at_part: Mapping[int, int]) -> Finding:
    place = Place(at_part[row["part"]], row["lane"], row["start_s"], row["end_s"])
    return Finding(place, row["kind"], row["severity"], row["text"])


def _weightiest(findings: Sequence[Finding]) -> list[Passage]:
    """Where no spread is claimed: the findings to be mended first, of each kind and part one before a second."""
    weight = {"high": 3.0, "medium": 2.0, "low": 1.0}
    times: Counter[tuple[int, str]] = Counter()
    rows = []
    for finding in findings:
        again = times[finding.place.part, finding.kind]
        times[finding.place.part, finding.kind] += 1
        rows.append((-weight[finding.severity], again, finding))
    rows.sort(key=lambda row: row[:2])
    return [
        Passage(finding.place, f"from {clock(finding.place.start_s)}", -size, finding.kind)
        for size, _, finding in rows[:N_PASSAGES]
    ]


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
        said += " Listen first where the model is least sure, beginning at a low monitoring level."
    return said


class HeldBack(Protocol):
    """What was foretold of corrected phrases while they were held back; fields as in `training.learning`."""

    @property
    def hearing(self) -> CueHearing: ...
    @property
    def part(self) -> int: ...
    @property
    def time_s(self) -> NDArray[np.float64]: ...
    @property
    def hand_cc(self) -> NDArray[np.float64]: ...
    @property
    def before_cc(self) -> NDArray[np.float64]: ...
    @property
    def after_cc(self) -> NDArray[np.float64]: ...


def learn_report(result: Mapping[str, Any], held_back: Sequence[HeldBack]) -> Report:
    """The page of what was learned: the hand's lanes, and what the style said of them before and after, unseen.

    `after` was foretold with each phrase held back, so the page shows what the style will do, not what it remembers.
    """
    cues: list[CueHearing] = []
    parts: list[ReportPart] = []
    found: list[tuple[Passage, list[Any]]] = []
    for one in held_back:
        number = next((i for i, cue in enumerate(cues) if cue is one.hearing), len(cues))
        if number == len(cues):
            cues.append(one.hearing)
        lanes = {
            lane: [_with_gaps(one.time_s, cc[:, column]) for cc in (one.hand_cc, one.after_cc, one.before_cc)]
            for column, lane in enumerate(ALL_LANES)
        }
        found += _phrases_off(one, at=len(parts))
        parts.append(ReportPart(number, one.hearing.parts[one.part - 1], lanes))
    passages, rows = [passage for passage, _ in found], [row for _, row in found]
    places: list[Place | None] = [passage.place for passage in passages]
    passages.sort(key=lambda passage: -passage.size)
    columns = ("Part", "Lane", "Phrase", "Before", "After", "Change")
    return Report(
        title=f"{result['style']}, version {result['version']}",
        subject="Your lanes (full line) beside what the style says of phrases it had not seen (dashes)",
        summary=_learn_summary(result),
        notes=list(result["remarks"]),
        sides=("your lane", "after", "before"),
        cues=cues,
        parts=parts,
        look_title="Where it is still farthest from you",
        look_why="Phrases in which the style, not having seen them, is farthest from your lane; in steps.",
        passages=passages[:N_PASSAGES],
        findings=[],
        sheets=[Sheet("phrases", "Phrases held back", _HELD_NOTE, columns, rows, places)],
    )


def _phrases_off(one: HeldBack, *, at: int) -> list[tuple[Passage, list[Any]]]:
    """Each lane and phrase of one part: how far the style was from the hand, as a passage and as a row of the sheet.

    `at` is the part's place on the page.
    """
    heard = one.hearing.parts[one.part - 1]
    found = []
    for column, lane in enumerate(ALL_LANES):
        off_cc = np.abs(np.stack([one.before_cc, one.after_cc])[:, :, column] - one.hand_cc[:, column])  # (2, n_frames)
        known = np.isfinite(off_cc).all(axis=0)
        for number, phrase in enumerate(heard.phrases, 1):
            inside = known & (one.time_s >= phrase.start_s) & (one.time_s < phrase.end_s)
            if not np.any(inside):
                continue
            before, after = off_cc[:, inside].mean(axis=1).tolist()
            place = Place(at, lane, phrase.start_s, phrase.end_s)
            passage = Passage(place, f"phrase {number}", after, f"{after:.1f} steps off, {before:.1f} before")
            figures = [round(x, 2) for x in (before, after, after - before)]
            found.append((passage, [heard.part.name, lane, number, *figures]))
    return found


_HELD_NOTE = "Mean distance from your lane in controller steps, of the version before and of this one; below 0: nearer."


def _learn_summary(result: Mapping[str, Any]) -> str:
    said = f"{result['passages']} passages, {result['music_s']:.0f} s of music; {result['why']}."
    held = result["held_out"]
    if held is None:
        return said + " Nothing could be held back, so there is nothing to show: correct a second passage."
    low, high = held["interval"]
    return (
        f"{said} On {held['n_phrases']} phrases held back it was {held['before']:.1f} steps from your hand before and "
        f"is {held['after']:.1f} now (change {low:+.1f} to {high:+.1f}, 95 % by phrase)."
    )


def _with_gaps(time_s: NDArray[np.float64], value_cc: NDArray[np.float64]) -> Curve | None:
    """Values at frames as a lane that says nothing where frames are missing; None where it never says anything."""
    known = np.isfinite(value_cc)
    if not np.any(known):
        return None
    order = np.argsort(time_s, kind="stable")
    time_s, value_cc = time_s[order], value_cc[order]
    usual = float(np.median(np.diff(time_s))) if len(time_s) > 1 else 0.05
    after = np.flatnonzero(np.diff(time_s, append=np.inf) > 4 * usual)
    every = np.r_[time_s, time_s[after] + usual]
    values = np.clip(np.r_[value_cc, np.full(len(after), np.nan)], 0, 127)
    order = np.argsort(every, kind="stable")
    return Curve(every[order], values[order])
