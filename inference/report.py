"""The report page: one self-contained HTML file that is looked at rather than read, offline, by double click.

The page holds the chart once (`report_chart.py`) and the data of every part packed; it fills the chart with the part
that is chosen. Times on the axis are thousandths of a quarter note (of a second in files without bars), so that bars
are even whatever the tempo; levels are controller steps. Nothing from a file reaches the page but as JSON text or
through the template's escaping; the page itself may load nothing (its content security policy says so).
"""

from __future__ import annotations

import base64
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from importlib.resources import files
from typing import Any

import numpy as np
from numpy.typing import NDArray

from phrasewright.data.curves import ALL_LANES, DEFAULT_CC, Curve
from phrasewright.data.printing import one_line
from phrasewright.data.tempo import TempoMap
from phrasewright.inference.panels import FAINT, INK, LANE_COLOUR, LANE_TINT, PALE, RULE, velocity_shades
from phrasewright.inference.report_chart import STRIP_ROWS, chart_json, library_js
from phrasewright.model.hearing import CueHearing, PartHearing
from phrasewright.model.look_first import SPREAD_STEP_S

UNITS = 1000
LEVELS = (90, 50)
"""Bands drawn, in per cent, the widest first."""


@dataclass(frozen=True)
class ReportPart:
    """One part: of which cue (from 0), as heard, and each lane as drawn by each side, None where a side has none.

    A curve's value may be NaN where that side says nothing. `spreads` holds half of the 68 % band about the first
    side's lanes, as in `look_first.Spreads`.
    """

    cue: int
    heard: PartHearing
    lanes: Mapping[str, Sequence[Curve | None]]
    spreads: Mapping[str, NDArray[np.float32]] = field(default_factory=dict)


@dataclass(frozen=True)
class Place:
    """Where a link leads: a part of the report (from 0), a lane or None, a span in seconds."""

    part: int
    lane: str | None
    start_s: float
    end_s: float


def whole_part(part: int, heard: PartHearing, lane: str | None) -> Place:
    """Where a link to a part as a whole leads."""
    notes = heard.part.notes
    return Place(part, lane, float(notes.onset_s[0]), float(notes.offset_s.max()))


@dataclass(frozen=True)
class Passage:
    """One of the passages to look at first; `size` orders and is drawn as a bar, `text` says it."""

    place: Place
    where: str
    size: float
    text: str


@dataclass(frozen=True)
class Finding:
    """A finding of the review, marked in the chart."""

    place: Place
    kind: str
    severity: str
    text: str


@dataclass(frozen=True)
class Sheet:
    """A table that sorts: titles of columns, rows of cells (text, number or None), and where each row leads."""

    name: str
    title: str
    note: str
    columns: Sequence[str]
    rows: Sequence[Sequence[Any]]
    places: Sequence[Place | None]


@dataclass(frozen=True)
class Report:
    """All of a page.

    `sides` names the drawings: the first as a full line, one of the others at a time as dashes. `widths` holds for each
    lane with spreads half of its 50 % and 90 % bands, where half of the 68 % band is 1.
    """

    title: str
    subject: str
    summary: str
    notes: Sequence[str]
    sides: Sequence[str]
    cues: Sequence[CueHearing]
    parts: Sequence[ReportPart]
    look_title: str
    look_why: str
    passages: Sequence[Passage]
    findings: Sequence[Finding]
    sheets: Sequence[Sheet]
    widths: Mapping[str, Mapping[int, float]] = field(default_factory=dict)


def page_of_report(report: Report) -> str:
    """The whole page as HTML text, the same for the same report in every run."""
    from jinja2 import Environment, StrictUndefined

    folder = files("phrasewright.inference") / "report_page"
    page, style, script = ((folder / name).read_text("utf-8") for name in ("page.html", "page.css", "page.js"))
    template = Environment(autoescape=True, undefined=StrictUndefined, trim_blocks=True).from_string(page)
    colours = {"ink": INK, "pale": PALE, "rule": RULE, "faint": FAINT}
    colours |= {f"{lane}": colour for lane, colour in LANE_COLOUR.items()}
    colours |= {f"{lane}-tint": colour for lane, colour in LANE_TINT.items()}
    return template.render(
        title=one_line(report.title),
        subject=one_line(report.subject),
        summary=one_line(report.summary),
        notes=[one_line(note) for note in report.notes],
        look_title=report.look_title,
        look_why=report.look_why,
        n_passages=len(report.passages),
        colours=colours,
        style=style,
        script=script,
        library=library_js(),
        chart=in_script(chart_json(_lanes(report))),
        data=in_script(json.dumps(_data(report), ensure_ascii=True, allow_nan=False, separators=(",", ":"))),
    )


def in_script(text: str) -> str:
    """JSON that can stand in a script element: no markup can begin or end in it."""
    return text.replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026")


def _lanes(report: Report) -> tuple[str, ...]:
    """The lanes that any side draws in any part, in their order."""
    drawn = {lane for part in report.parts for lane, sides in part.lanes.items() if any(c is not None for c in sides)}
    return tuple(lane for lane in ALL_LANES if lane in drawn)


def _data(report: Report) -> dict[str, Any]:
    axes = [_Axis(hearing) for hearing in report.cues]
    cue_of = [part.cue for part in report.parts]

    def place(at: Place | None) -> list[Any] | None:
        if at is None:
            return None
        start, end = axes[cue_of[at.part]].units(np.array([at.start_s, at.end_s])).tolist()
        return [at.part, at.lane, start, end]

    several = len(report.cues) > 1
    return {
        "sides": [one_line(side) for side in report.sides],
        "rows": STRIP_ROWS,
        "lanes": _lanes(report),
        "bands": {
            lane: [[str(level), round(width[level], 4)] for level in LEVELS] for lane, width in report.widths.items()
        },
        "colour": LANE_COLOUR,
        "shades": [_hex(rgb) for rgb in velocity_shades(np.arange(128))],
        "cues": [axis.packed for axis in axes],
        "parts": [_part(part, axes[part.cue], several=several) for part in report.parts],
        "passages": [
            {"to": place(p.place), "where": one_line(p.where), "size": round(p.size, 4), "text": one_line(p.text)}
            for p in report.passages
        ],
        "findings": [
            {"at": place(f.place), "kind": f.kind, "severity": f.severity, "text": one_line(f.text)}
            for f in report.findings
        ],
        "sheets": [
            {
                "name": sheet.name,
                "title": sheet.title,
                "note": sheet.note,
                "columns": list(sheet.columns),
                "rows": [[one_line(cell) if isinstance(cell, str) else cell for cell in row] for row in sheet.rows],
                "to": [place(at) for at in sheet.places],
            }
            for sheet in report.sheets
        ],
    }


class _Axis:
    """The time axis of one cue: seconds to units, and what the page needs to tell bars and clock times."""

    def __init__(self, hearing: CueHearing) -> None:
        cue, self.tempo = hearing.cue, hearing.cue.tempo
        ends_s = [float(part.notes.offset_s.max(initial=0.0)) for part in cue.parts]
        end_s = max(ends_s, default=0.0) + 1.0
        end = int(self.units(np.array([end_s]))[0])
        bars, metres = np.zeros(0, dtype=np.int64), []
        if self.tempo.has_metre:
            last = int(np.ceil(float(self.tempo.tick_to_bar(self.tempo.s_to_tick(end_s)))))
            ticks = self.tempo.bar_to_tick(np.arange(1, last + 2))
            bars = np.rint(self.tempo.tick_to_beat(ticks) * UNITS).astype(np.int64)
            metres = [
                [int(bar), int(above), int(below)]
                for bar, above, below in zip(
                    self.tempo.metre_bar, self.tempo.metre_numerator, self.tempo.metre_denominator, strict=True
                )
            ]
        knots = self.tempo.tick_to_beat(self.tempo.tick) if self.tempo.has_metre else self.tempo.second
        self.title = one_line(cue.path.name)
        self.packed: dict[str, Any] = {
            "title": self.title,
            "end": end,
            "bars": pack_times(bars),
            "metres": metres,
            "knots": [round(float(x) * UNITS, 3) for x in knots],
            "seconds": [round(float(s), 6) for s in self.tempo.second],
            "pace": _pace(self.tempo),
        }

    def units(self, time_s: NDArray[np.float64]) -> NDArray[np.int64]:
        """Thousandths of a quarter note or second at each time."""
        x = self.tempo.s_to_beat(time_s) if self.tempo.has_metre else np.asarray(time_s)
        return np.maximum(np.rint(x * UNITS), 0).astype(np.int64)


def _pace(tempo: TempoMap) -> float:
    """Seconds a unit lasts after the last knot."""
    return float(tempo.s_per_tick[-1]) * tempo.ticks_per_beat / UNITS if tempo.has_metre else 1 / UNITS


def _part(part: ReportPart, axis: _Axis, *, several: bool) -> dict[str, Any]:
    heard, notes = part.heard, part.heard.part.notes
    onset, offset = axis.units(notes.onset_s), axis.units(notes.offset_s)
    phrases = _spans([(phrase.start_s, phrase.end_s) for phrase in heard.phrases], axis)
    situations = sorted(heard.situations, key=lambda s: (s.start_s, s.axis))
    labels = sorted({(s.axis, s.label) for s in situations})
    lanes = {
        lane: {
            "cc": heard.part.lane_cc.get(lane, DEFAULT_CC.get(lane)),
            "drawn": [_packed_lane(curve, axis) for curve in drawn],
            "band": _packed_spread(part.spreads.get(lane), axis),
        }
        for lane, drawn in part.lanes.items()
        if any(curve is not None for curve in drawn)
    }
    return {
        "cue": part.cue,
        "index": heard.part.index,
        "name": one_line(heard.part.name),
        "of": axis.title if several else "",
        "kind": f"{heard.part.family}, {heard.part.kind}",
        "notes": {
            "at": pack_times(onset), "long": _pack(offset - onset, "<u4"), "pitch": _pack(notes.pitch, "u1"),
            "velocity": _pack(notes.velocity, "u1"),
        },
        "phrases": phrases,
        "labels": [list(label) for label in labels],
        "situations": _spans([(s.start_s, s.end_s) for s in situations], axis)
        | {"label": _pack(np.array([labels.index((s.axis, s.label)) for s in situations], dtype=np.int64), "u1")},
        "lanes": lanes,
    }  # fmt: skip


def _spans(spans_s: Sequence[tuple[float, float]], axis: _Axis) -> dict[str, str]:
    """Spans in order of their starts."""
    edge = axis.units(np.array(spans_s, dtype=np.float64).reshape(-1, 2))
    return {"at": pack_times(edge[:, 0]), "long": _pack(edge[:, 1] - edge[:, 0], "<u4")}


def _packed_lane(curve: Curve | None, axis: _Axis) -> dict[str, str] | None:
    if curve is None:
        return None
    value = np.where(np.isfinite(curve.value_cc), np.rint(curve.value_cc), 255)
    return {"at": pack_times(axis.units(curve.time_s)), "value": _pack(value, "u1")}


def _packed_spread(spread_cc: NDArray[np.float32] | None, axis: _Axis) -> dict[str, str] | None:
    """Spreads in half steps where they change, 255 where nothing is claimed."""
    if spread_cc is None:
        return None
    known = np.isfinite(spread_cc)
    value = np.where(known, np.clip(np.rint(np.where(known, spread_cc, 0) * 2), 0, 254), 255)
    change = np.r_[True, np.diff(value) != 0][: len(value)]
    at = axis.units(np.flatnonzero(change).astype(np.float64) * SPREAD_STEP_S)
    return {"at": pack_times(at), "spread": _pack(value[change], "u1")}


def pack_times(units: NDArray[np.int64]) -> str:
    """Rising whole numbers as the steps between them, 16 bits each; 65535 adds so much and stands for no number.

    In base 64. Raises ValueError where the numbers fall.
    """
    step = np.diff(np.asarray(units, dtype=np.int64), prepend=0)
    if np.any(step < 0):
        raise ValueError("times to pack must not fall")
    place = np.cumsum(step // 65535 + 1) - 1
    packed = np.full(int(place[-1]) + 1 if len(place) else 0, 65535, dtype="<u2")
    packed[place] = np.mod(step, 65535)
    return base64.b64encode(packed.tobytes()).decode("ascii")


def _pack(values: NDArray[Any], kind: str) -> str:
    return base64.b64encode(np.asarray(values).astype(kind).tobytes()).decode("ascii")


def _hex(rgb: NDArray[np.float64]) -> str:
    return "#" + "".join(f"{round(255 * float(x)):02x}" for x in rgb)
