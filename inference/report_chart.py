"""The empty chart of a report page: one score strip, one panel of notes, one panel a lane, all on one time axis.

It is drawn by Bokeh. Nothing of a cue is in it: the page fills the named sources with the part that is chosen
(`report_page/page.js`), so that sixty parts need one chart. All text in it is this project's own: names from files
are set by the page as text, never as labels, which the library would read as formulas.
"""

from __future__ import annotations

import json
import re
from functools import lru_cache
from typing import Any, Literal

from phrasewright.inference.panels import FAINT, INK, LANE_COLOUR, PALE, RULE

STRIP_ROWS = ("event", "figure", "role", "phrase")
"""Rows of the score strip from bottom to top, one unit each; rows of one axis that overlap share its height."""
_LEFT, _RIGHT = 76, 12
_STRIP_HEIGHT, _NOTES_HEIGHT, _LANE_HEIGHT = 118, 170, 132
_FONT = "system-ui, 'Segoe UI', Roboto, 'Helvetica Neue', Arial, 'DejaVu Sans', sans-serif"


@lru_cache(maxsize=4)
def chart_json(lanes: tuple[str, ...]) -> str:
    """The chart with panels for these lanes, as JSON of a document of the library; the same bytes in every run."""
    from bokeh.embed import json_item

    text = json.dumps(json_item(_chart(lanes))["doc"])
    names: dict[str, str] = {}
    text = re.sub(r'"(p\d+)"', lambda m: f'"{names.setdefault(m[1], f"m{len(names)}")}"', text)
    return re.sub(r'"[0-9a-f]{8}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{12}"', '"chart"', text)


def library_js() -> str:
    """The part of the charting library that runs in the page, as it comes with the package."""
    from bokeh.resources import Resources

    return "\n".join(Resources(mode="inline", components=["bokeh"], minified=True).js_raw)


def _chart(lanes: tuple[str, ...]) -> Any:
    from bokeh.layouts import column
    from bokeh.models import FixedTicker, Range1d
    from bokeh.models.annotations import BoxAnnotation, Span
    from bokeh.models.tools import CrosshairTool

    shared: dict[str, Any] = {
        "x_range": Range1d(start=0, end=1, name="x"),
        "ticker": FixedTicker(ticks=[], minor_ticks=[], name="bars"),
        "cursor": Span(dimension="height", line_color=INK, line_width=1, line_dash=[1, 2], name="cursor"),
    }
    shared["passage"] = BoxAnnotation(
        name="passage", visible=False, fill_color=PALE, fill_alpha=0.07, line_color=PALE, line_dash=[2, 3],
        level="underlay",
    )  # fmt: skip
    shared["crosshair"] = CrosshairTool(dimensions="height", overlay=shared["cursor"])
    figures = [_strip(shared), _notes(shared), *(_lane(lane, shared) for lane in lanes), _clock(shared)]
    return column(*figures, sizing_mode="stretch_width", spacing=0, name="chart")


Side = Literal["above", "below"]


def _figure(
    shared: dict[str, Any], *, name: str, height: int, y: tuple[float, float], axis: Side | None = None
) -> Any:
    """One panel; its time axis is shown where `axis` (above, below) says, its grid always."""
    from bokeh.models import PanTool, Range1d, WheelZoomTool
    from bokeh.plotting import figure

    pan, wheel = PanTool(dimensions="width"), WheelZoomTool(dimensions="width", modifiers="ctrl")
    panel = figure(
        name=name, height=height, sizing_mode="stretch_width", x_range=shared["x_range"],
        y_range=Range1d(start=y[0], end=y[1], name=f"{name}-y"), toolbar_location=None,
        tools=[pan, wheel, shared["crosshair"]], active_drag=pan, active_scroll=wheel, output_backend="canvas",
        min_border_left=_LEFT, min_border_right=_RIGHT, min_border_top=3, min_border_bottom=3,
        outline_line_color=None, lod_threshold=None, x_axis_location=axis or "below",
    )  # fmt: skip
    for ruled in (*panel.xaxis, *panel.yaxis):
        ruled.update(
            axis_line_color=RULE, major_tick_line_color=RULE, minor_tick_line_color=None, major_label_text_color=PALE,
            major_label_text_font=_FONT, major_label_text_font_size="11px", axis_label_text_font=_FONT,
            axis_label_text_font_size="12px", axis_label_text_font_style="bold", major_tick_in=0, major_tick_out=4,
        )  # fmt: skip
    bars: Any = panel.xgrid[0]
    if axis is None:
        bars.update(axis=None, dimension=0)
        panel.below = []
    else:
        panel.xaxis.ticker = shared["ticker"]
    bars.update(ticker=shared["ticker"], grid_line_color=RULE, grid_line_alpha=0.55, minor_grid_line_color=FAINT)
    panel.ygrid[0].update(grid_line_color=None)
    panel.add_layout(shared["passage"])
    return panel


def _strip(shared: dict[str, Any]) -> Any:
    """Bar numbers, phrase brackets and what was heard, above the notes."""
    from bokeh.core.properties import value
    from bokeh.models import ColumnDataSource, FixedTicker

    panel = _figure(shared, name="strip", height=_STRIP_HEIGHT, y=(0, len(STRIP_ROWS)), axis="above")
    panel.xaxis.name = "bar-axis"
    panel.yaxis.ticker = FixedTicker(ticks=[i + 0.5 for i in range(len(STRIP_ROWS))])
    panel.yaxis.major_label_overrides = {i + 0.5: name for i, name in enumerate(STRIP_ROWS)}
    panel.yaxis.update(major_tick_line_color=None, axis_line_color=None)
    boxes = ColumnDataSource({name: [] for name in ("left", "right", "top", "bottom", "text", "x", "y")}, name="boxes")
    panel.quad("left", "right", "top", "bottom", source=boxes, fill_color=FAINT, line_color=None)
    panel.segment("left", "bottom", "left", "top", source=boxes, line_color=PALE, line_width=1.2)
    label: dict[str, Any] = {"text_font": value(_FONT), "text_font_size": "11px", "text_color": INK}
    label["text_baseline"] = "middle"
    panel.text("x", "y", text="text", source=boxes, x_offset=4, **label)
    brackets = ColumnDataSource({name: [] for name in ("xs", "ys", "text", "x", "y")}, name="brackets")
    panel.multi_line("xs", "ys", source=brackets, line_color=INK, line_width=1.1, line_join="miter")
    panel.text("x", "y", text="text", source=brackets, x_offset=5, y_offset=1, **label)
    return panel


def _notes(shared: dict[str, Any]) -> Any:
    """Notes as bars, darker where struck harder; findings on a part as a whole as triangles along the top."""
    from bokeh.models import ColumnDataSource, FixedTicker

    panel = _figure(shared, name="notes", height=_NOTES_HEIGHT, y=(48, 84))
    panel.background_fill_color = "#fafbfc"
    panel.yaxis.ticker = FixedTicker(ticks=[], name="pitches")
    notes = ColumnDataSource({name: [] for name in ("left", "right", "top", "bottom", "shade")}, name="notes-bars")
    panel.quad("left", "right", "top", "bottom", source=notes, fill_color="shade", line_color="white", line_width=0.5)
    _marks(panel, "notes")
    return panel


def _lane(lane: str, shared: dict[str, Any]) -> Any:
    """A lane: the bands, the shaded difference, the other drawing dashed, the main drawing as a full line.

    Areas get their corners from the page: the library's own area of steps never ends on an empty lane (3.9.2).
    """
    from bokeh.models import ColumnDataSource

    panel = _figure(shared, name=lane, height=_LANE_HEIGHT, y=(0, 127))
    colour = LANE_COLOUR.get(lane, INK)
    panel.yaxis.axis_label = lane
    panel.yaxis.ticker.desired_num_ticks = 4
    panel.yaxis.axis_label_text_color = colour
    panel.ygrid[0].update(grid_line_color=FAINT)
    band = ColumnDataSource({name: [] for name in ("x", "low90", "high90", "low50", "high50")}, name=f"{lane}-band")
    panel.varea("x", "low90", "high90", source=band, fill_color=PALE, fill_alpha=0.16)
    panel.varea("x", "low50", "high50", source=band, fill_color=PALE, fill_alpha=0.20)
    apart = ColumnDataSource({name: [] for name in ("x", "main", "other")}, name=f"{lane}-difference")
    panel.varea(
        "x", "main", "other", source=apart, fill_color=colour, fill_alpha=0.26,
        hatch_pattern="right_diagonal_line", hatch_color=colour, hatch_alpha=0.28, hatch_scale=7, hatch_weight=0.6,
    )  # fmt: skip
    for side, style in (
        ("other", {"line_color": INK, "line_width": 1.2, "line_dash": [5, 3]}),
        ("main", {"line_color": colour, "line_width": 1.8}),
    ):
        source = ColumnDataSource({"x": [], "y": []}, name=f"{lane}-{side}")
        panel.step("x", "y", source=source, mode="after", line_join="miter", **style)
    onsets = ColumnDataSource({"x": [], "low": [], "high": []}, name=f"{lane}-onsets")
    panel.segment("x", "low", "x", "high", source=onsets, line_color=INK, line_width=1)
    _marks(panel, lane)
    return panel


def _clock(shared: dict[str, Any]) -> Any:
    """Minutes and seconds along the lower edge."""
    from bokeh.models import FixedTicker

    panel = _figure(shared, name="clock", height=30, y=(0, 1), axis="below")
    panel.xaxis.update(ticker=FixedTicker(ticks=[], name="seconds"), name="clock-axis")
    panel.xgrid[0].visible = False
    panel.yaxis.visible = False
    return panel


def _marks(panel: Any, name: str) -> None:
    """Findings of the review: triangles where each begins, larger where it matters more."""
    from bokeh.models import ColumnDataSource

    marks = ColumnDataSource({"x": [], "y": [], "size": []}, name=f"{name}-marks")
    panel.scatter(
        "x", "y", size="size", source=marks, marker="inverted_triangle", fill_color=INK, line_color="white",
        line_width=1,
    )  # fmt: skip
