"""The panels of one part in a picture: notes under their phrases, what was heard in them, and one staircase a lane.

Everything is told by place, shape, shade and words as well as by colour: the page survives a black-and-white copier.
The lane colours are after the set of Okabe and Ito 2008 ("Color Universal Design"; from memory), darkened for print,
and told apart with any kind of colour vision. Sizes are in inches, text in points, as the drawing library wants them.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from phrasewright.data.cue import Part
from phrasewright.data.curves import DEFAULT_CC, LANES, Curve
from phrasewright.inference.page import Page, clock, staircase, together
from phrasewright.model.hearing import PartHearing

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

INK, PALE, RULE, FAINT = "#1b242c", "#5c6770", "#9aa4ac", "#e3e7ea"
LANE_COLOUR = {"dynamics": "#0072B2", "expression": "#C04F00", "vibrato": "#00795A"}
LANE_TINT = {"dynamics": "#e3eff7", "expression": "#fbeadf", "vibrato": "#e0f2ec"}
SHORT_LABEL = {
    "repeated": "rep.",
    "detached": "det.",
    "tremolo": "trem.",
    "trill": "tr",
    "accent": ">",
    "sforzando": "sfz",
    "closing-rise": "rise",
    "closing-fall": "fall",
    "melody": "mel.",
    "counter": "ctr.",
    "chords": "chd.",
    "pedal": "ped.",
}
NOTE_NAMES = ("C", "C#", "D", "D#", "E", "F", "F#", "G", "G#", "A", "A#", "B")
STYLE: Any = {
    "font.family": "sans-serif",
    "font.sans-serif": ["DejaVu Sans", "Helvetica", "Arial"],
    "font.size": 8.0,
    "text.color": INK,
    "axes.edgecolor": RULE,
    "axes.linewidth": 0.6,
    "xtick.color": PALE,
    "ytick.color": PALE,
    "path.simplify": False,
    "svg.fonttype": "none",
    "svg.hashsalt": "phrasewright",
}

LEFT, RIGHT = 1.15, 0.35
_TITLE, _BRACKETS, _STRIP, _LANE, _NO_LANES, _GAP, _FOOT = 0.26, 0.36, 0.17, 0.80, 0.30, 0.09, 0.24
_LEAST_GRID = 0.08
"""Beat lines closer than this are left out."""
_POINT = 1 / 72
_CHARACTER = 0.56
"""Width of an average character, as a share of the type size (measured on the font the library brings)."""
_LEAST_RANGE_CC = 24
"""A lane's axis covers at least this many steps, so that a drift of three steps does not look like a swell."""


Stretches = tuple[tuple[str, float, float], ...]
"""Names with first and last x; those of one row do not overlap."""


@dataclass(frozen=True)
class Block:
    """One part to draw: as heard, its lanes, and the lanes of a second file laid over them.

    `strips` holds the rows of stretches of each axis of what was heard; `low` and `high` bound the pitches shown.
    """

    heard: PartHearing
    lanes: dict[str, Curve]
    over: dict[str, Curve]
    strips: tuple[tuple[str, tuple[Stretches, ...]], ...]
    low: float
    high: float

    @property
    def notes_height(self) -> float:
        return float(np.clip(0.085 * (self.high - self.low), 0.9, 2.4))

    @property
    def shown(self) -> tuple[str, ...]:
        """Lanes that either file has, in the order of the lane axis."""
        return tuple(lane for lane in LANES if lane in self.lanes or lane in self.over)

    @property
    def height(self) -> float:
        strips = _STRIP * sum(len(rows) for _, rows in self.strips) + (_GAP if self.strips else 0.0)
        lanes = len(self.shown) * (_LANE + _GAP) if self.shown else _NO_LANES + _GAP
        return _TITLE + _BRACKETS + self.notes_height + _GAP + strips + lanes + _FOOT


def block_of(heard: PartHearing, page: Page, *, lanes: dict[str, Curve], over: dict[str, Curve]) -> Block:
    """Gather what one part shows on a page: the axes of situations present and the range of pitches."""
    notes = heard.part.notes
    inside = (notes.offset_s > page.start_s) & (notes.onset_s < page.end_s)
    pitch = notes.pitch[inside] if np.any(inside) else np.array([60])
    middle, half = (pitch.min() + pitch.max()) / 2, max((pitch.max() - pitch.min()) / 2, 4) + 1.5
    rows = {axis: _rows(_stretches(heard, axis, page)) for axis in ("role", "figure", "event")}
    strips = tuple((axis, found) for axis, found in rows.items() if found)
    return Block(heard, lanes, over, strips, float(middle - half), float(middle + half))


def draw_block(figure: Figure, block: Block, page: Page, *, top: float) -> None:
    """Draw one part, its upper edge `top` inches above the figure's lower edge."""
    width, height = figure.get_size_inches()

    def panel(upper: float, tall: float, name: str) -> Axes:
        box = (LEFT / width, (upper - tall) / height, 1 - (LEFT + RIGHT) / width, tall / height)
        axes = figure.add_axes(box, label=f"{name}-{block.heard.part.index}")
        axes.set_xlim(page.left, page.right)
        axes.tick_params(length=0, pad=3, labelsize=6.5)
        axes.set_xticks([])
        for side in ("top", "right", "left", "bottom"):
            axes.spines[side].set_visible(False)
        return axes

    _title(figure, block.heard.part, top=top)
    top -= _TITLE
    _draw_phrases(panel(top, _BRACKETS, "phrases"), block.heard, page)
    top -= _BRACKETS
    _draw_notes(panel(top, block.notes_height, "notes"), block, page)
    top -= block.notes_height + _GAP
    for axis, rows in block.strips:
        for i, row in enumerate(rows):
            name = axis if i == 0 else ""
            _draw_strip(panel(top, _STRIP, f"{axis}{i or ''}"), row, name, page)
            top -= _STRIP
    top -= _GAP if block.strips else 0.0
    for lane in block.shown:
        axes = panel(top, _LANE, lane)
        _draw_lane(axes, block, lane, page)
        top -= _LANE + _GAP
    if not block.shown:
        axes = panel(top, _NO_LANES, "no-lanes")
        axes.set_yticks([])
        _say(axes, "no lanes drawn")
    _draw_seconds(axes, page)


def _say(axes: Axes, words: str) -> None:
    where: dict[str, Any] = {"transform": axes.transAxes, "ha": "center", "va": "center"}
    axes.text(0.5, 0.5, words, color=PALE, style="italic", **where)


def _title(figure: Figure, part: Part, *, top: float) -> None:
    width, height = figure.get_size_inches()
    y = (top - 0.16) / height
    head = f"{part.index}  {part.name}"
    figure.text(LEFT / width, y, head, fontsize=11, fontweight="bold", va="baseline")
    kind = f"{part.instrument.name}, {part.kind}"
    figure.text(1 - RIGHT / width, y, kind, fontsize=7.5, color=PALE, ha="right", va="baseline")


def _grid(axes: Axes, page: Page) -> None:
    low, high = axes.get_ylim()
    if len(page.beat_x) and np.diff(page.beat_x).min(initial=np.inf) * page.inch_per_x > _LEAST_GRID:
        _strokes(axes, page.beat_x, low, high, color=FAINT, linewidth=0.5, zorder=0)
    _strokes(axes, page.bar_x, low, high, color=RULE, linewidth=0.6, zorder=0.5)


def _strokes(axes: Axes, x: NDArray[np.float64], low: float, high: float, **style: Any) -> None:
    """Upright strokes as one broken line: a page of thousands is drawn and stored much sooner than stroke by stroke."""
    broken = np.stack([x, x, np.full(len(x), np.nan)], axis=1).ravel()  # (3 * n_strokes,)
    axes.plot(broken, np.tile([low, high, np.nan], len(x)), solid_capstyle="butt", **style)


def _draw_phrases(axes: Axes, heard: PartHearing, page: Page) -> None:
    """Bar numbers along the top, phrase brackets with their numbers below them."""
    index = heard.part.index
    axes.set_ylim(0, 1)
    axes.set_yticks([])
    width_inch = page.inch_per_x * float(np.diff(page.bar_x).min(initial=np.inf))
    every = next(n for n in (1, 2, 4, 8, 16, 32, 64, 128, 256, 512, 1024, 4096) if n * width_inch > 0.32 or n == 4096)
    for bar, x in zip(page.bar[:-1].tolist(), page.bar_x[:-1].tolist(), strict=True):
        if (bar - 1) % every == 0 or bar == page.bar[0] or bar in page.metre:
            said = f"{bar}   {page.metre[bar]}" if bar in page.metre else str(bar)
            axes.text(x, 0.74, said, fontsize=7, color=PALE, ha="left", va="bottom", gid=f"bar-{index}-{bar}")
    inset = 0.02 / page.inch_per_x
    for number, phrase in enumerate(heard.phrases, 1):
        cut = page.cut(phrase.start_s, phrase.end_s)
        if cut is None:
            continue
        a, b = cut[0] + inset, max(cut[1] - inset, cut[0] + inset)
        x, y = [a, b], [0.42, 0.42]
        if phrase.start_s >= page.start_s - 1e-6:
            x, y = [a, *x], [0.12, *y]
        if phrase.end_s <= page.end_s + 1e-6:
            x, y = [*x, b], [*y, 0.12]
        style: dict[str, Any] = {"linewidth": 0.8, "solid_joinstyle": "miter", "clip_on": False}
        axes.plot(x, y, color=INK, gid=f"phrase-{index}-{number}", **style)
        for label in (f"phrase {number}", str(number)):
            if _fits(label, b - a, page, points=6.5):
                box = {"facecolor": "white", "edgecolor": "none", "pad": 1.2}
                axes.text((a + b) / 2, 0.42, label, fontsize=6.5, ha="center", va="center", bbox=box)
                break


def _fits(label: str, width_x: float, page: Page, *, points: float) -> bool:
    return len(label) * _CHARACTER * points * _POINT + 0.06 <= width_x * page.inch_per_x


def _draw_notes(axes: Axes, block: Block, page: Page) -> None:
    from matplotlib.collections import PolyCollection

    axes.set_ylim(block.low, block.high)
    axes.set_facecolor("#fafbfc")
    notes = block.heard.part.notes
    inside = (notes.offset_s > page.start_s) & (notes.onset_s < page.end_s)
    a = page.to_x(np.maximum(notes.onset_s[inside], page.start_s))
    b = page.to_x(np.minimum(notes.offset_s[inside], page.end_s))
    pitch = notes.pitch[inside].astype(np.float64)
    corners = np.stack([a, b, b, a], axis=1), pitch[:, None] + np.array([-0.45, -0.45, 0.45, 0.45])  # (n_notes, 4) each
    bars = PolyCollection(
        list(np.stack(corners, axis=2)),
        facecolors=velocity_shades(notes.velocity[inside]),
        edgecolors="white",
        linewidths=0.5,
        zorder=2,
    )
    bars.set_gid(f"notes-{block.heard.part.index}")
    axes.add_collection(bars, autolim=False)
    if len(pitch) == 0:
        axes.set_yticks([])
        _grid(axes, page)
        _say(axes, "silent here")
        return
    ticks = _pitch_ticks(pitch.astype(np.int64), block.low, block.high)
    axes.set_yticks(ticks, [pitch_name(p) for p in ticks])
    axes.hlines([p for p in ticks if p % 12 == 0], page.left, page.right, color=RULE, linewidth=0.4, zorder=0.4)
    _grid(axes, page)


def velocity_shades(velocity: NDArray[np.int64]) -> NDArray[np.float64]:
    """Fill of each note, red, green and blue in 0..1, shape (n_notes, 3): pale at velocity 20, ink at 120."""
    share = np.clip((velocity - 20) / 100, 0.0, 1.0)[:, None]  # (n_notes, 1)
    pale, ink = np.array([0.74, 0.79, 0.83]), np.array([0.09, 0.13, 0.17])
    return np.asarray(pale + share * (ink - pale))


def pitch_name(pitch: int) -> str:
    """Name of a MIDI pitch, 60 being C4."""
    return f"{NOTE_NAMES[pitch % 12]}{pitch // 12 - 1}".replace("#", "\N{MUSIC SHARP SIGN}")


def _pitch_ticks(pitch: NDArray[np.int64], low: float, high: float) -> list[int]:
    """Every C, and the lowest and highest note where they stand clear of one."""
    ticks = [p for p in range(int(np.ceil(low)), int(high) + 1) if p % 12 == 0]
    for p in (int(pitch.min()), int(pitch.max())):
        if all(abs(p - q) >= 2 for q in ticks):
            ticks.append(p)
    return sorted(ticks)


def _draw_strip(axes: Axes, row: Stretches, name: str, page: Page) -> None:
    """One row of what was heard, as ruled stretches with their names, which may run on where nothing follows."""
    axes.set_ylim(0, 1)
    axes.set_yticks([0.5], [name])
    gap = 0.015 / page.inch_per_x
    for (label, a, b), next_x in zip(row, [x for _, x, _ in row[1:]] + [page.right], strict=True):
        axes.fill_between([a, max(b - gap, a)], 0.1, 0.9, color=FAINT, linewidth=0, zorder=1)
        axes.plot([a, a], [0.1, 0.9], color=PALE, linewidth=0.9, zorder=2, solid_capstyle="butt")
        for text in (label, SHORT_LABEL.get(label, label)):
            if _fits(text, next_x - a, page, points=6.5):
                axes.text(a + 0.035 / page.inch_per_x, 0.48, text, fontsize=6.5, va="center", zorder=3)
                break


def _rows(stretches: Iterable[tuple[str, float, float]]) -> tuple[Stretches, ...]:
    """Each stretch in the first row in which it overlaps nothing: layers of one part may be heard differently."""
    rows: list[list[tuple[str, float, float]]] = []
    for stretch in stretches:
        free = next((row for row in rows if row[-1][2] <= stretch[1] + 1e-6), None)
        if free is None:
            rows.append([stretch])
        else:
            free.append(stretch)
    return tuple(tuple(row) for row in rows)


def _stretches(heard: PartHearing, axis: str, page: Page) -> list[tuple[str, float, float]]:
    """Situations of one axis on the page in order; those of one name that touch become one, but for single events."""
    near = 0.02 / page.inch_per_x
    found: list[tuple[str, float, float]] = []
    latest: dict[str, int] = {}
    for situation in sorted((s for s in heard.situations if s.axis == axis), key=lambda s: s.start_s):
        cut, label = page.cut(situation.start_s, situation.end_s), situation.label
        if cut is None:
            continue
        if axis != "event" and label in latest and cut[0] - found[latest[label]][2] < near:
            _, a, b = found[latest[label]]
            found[latest[label]] = (label, a, max(b, cut[1]))
        else:
            latest[label] = len(found)
            found.append((label, *cut))
    return found


def _draw_lane(axes: Axes, block: Block, lane: str, page: Page) -> None:
    part = block.heard.part
    name = f"{lane}-{part.index}"
    mine, over = block.lanes.get(lane), block.over.get(lane)
    drawn = [staircase(curve, page) for curve in (mine, over) if curve is not None]
    low, high = _value_range(np.concatenate([y for _, y in drawn]))
    axes.set_ylim(low, high)
    axes.set_yticks([t for t in range(0, 128, 10 if high - low <= 45 else 20) if low + 1 <= t <= high - 1])
    onset_x = page.to_x(part.notes.onset_s[(part.notes.onset_s >= page.start_s) & (part.notes.onset_s < page.end_s)])
    onset_x = np.unique(onset_x)
    dense = np.diff(onset_x).min(initial=np.inf) * page.inch_per_x < _LEAST_GRID
    _strokes(axes, onset_x, low, low + 0.07 * (high - low), color=INK, linewidth=0.35 if dense else 0.7, zorder=2)
    axes.axhline(low, color=RULE, linewidth=0.6)
    _grid(axes, page)
    if mine is not None:
        x, y = drawn[0]
        axes.plot(x, y, color=LANE_COLOUR[lane], linewidth=1.3, solid_joinstyle="miter", zorder=3, gid=name)
        if not block.over:
            axes.fill_between(x, low, y, color=LANE_TINT[lane], linewidth=0, zorder=0.2)
    if over is not None:
        dashes: dict[str, Any] = {"linewidth": 1.0, "linestyle": (0, (3, 1.5)), "zorder": 2.5, "gid": f"{name}-over"}
        axes.plot(*drawn[-1], color=INK, **dashes)
    if mine is not None and over is not None:
        x, left_cc, right_cc = together(mine, over, page)
        axes.fill_between(x, left_cc, right_cc, color=LANE_COLOUR[lane], alpha=0.25, linewidth=0, zorder=1)
    edge = -0.30 / ((page.right - page.left) * page.inch_per_x)
    label: dict[str, Any] = {"transform": axes.transAxes, "ha": "right", "clip_on": False}
    axes.text(edge, 0.56, lane, fontsize=8, fontweight="bold", color=LANE_COLOUR[lane], va="bottom", **label)
    cc = part.lane_cc.get(lane, DEFAULT_CC[lane])
    axes.text(edge, 0.48, f"CC {cc}", fontsize=6.5, color=PALE, va="top", **label)


def _value_range(value_cc: NDArray[np.float64]) -> tuple[float, float]:
    if len(value_cc) == 0:
        return 0.0, 127.0
    low, high = float(value_cc.min()), float(value_cc.max())
    half = max((high - low) / 2 * 1.18, _LEAST_RANGE_CC / 2)
    middle = (low + high) / 2
    low, high = middle - half, middle + half
    return (low, high) if low >= -4 else (-4.0, high - low - 4)


def _draw_seconds(axes: Axes, page: Page) -> None:
    """Clock time under the last panel of a block."""
    room = (page.right - page.left) * page.inch_per_x / 0.75
    span_s = page.end_s - page.start_s
    step = next(s for s in (0.5, 1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 3600) if span_s / s <= room or s == 3600)
    times = np.arange(np.ceil(page.start_s / step - 1e-9), np.floor(page.end_s / step + 1e-9) + 1) * step
    axes.set_xticks(page.to_x(times).tolist(), [clock(t) for t in times.tolist()])
    axes.tick_params(axis="x", length=2.5, width=0.5, color=RULE, pad=2, labelsize=6.5)
