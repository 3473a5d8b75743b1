"""The panels of one part in a picture: notes under their phrases, what was heard in them, and one staircase a lane.

Everything is told by place, shape, shade and words as well as by colour: the page survives a black-and-white copier.
The lane colours are after the set of Okabe and Ito 2008 ("Color Universal Design"; from memory), darkened for print,
and told apart with any kind of colour vision. Sizes are in inches, text in points, as the drawing library wants them.

Everything is laid straight on the figure through an affine map for each panel, without the library's axes and ticks:
those took half the time of a whole cue's picture.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from phrasewright.data.cue import Part
from phrasewright.data.curves import ALL_LANES, DEFAULT_CC, Curve
from phrasewright.inference.page import Page, clock, staircase, thinned, together
from phrasewright.model.hearing import PartHearing

if TYPE_CHECKING:
    from matplotlib.figure import Figure
    from matplotlib.transforms import Transform

INK, PALE, RULE, FAINT = "#1b242c", "#5c6770", "#9aa4ac", "#e3e7ea"
LANE_COLOUR = {
    "dynamics": "#0072B2", "expression": "#C04F00", "vibrato": "#00795A", "bow": "#7A4B94", "attack": "#7A6200",
}  # fmt: skip
LANE_TINT = {
    "dynamics": "#e3eff7", "expression": "#fbeadf", "vibrato": "#e0f2ec", "bow": "#efe6f4", "attack": "#f4eed6",
}  # fmt: skip
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
    "text.parse_math": False,  # a dollar sign in a track's name is a dollar sign
}

LEFT, RIGHT = 1.15, 0.35
_TITLE, _BRACKETS, _STRIP, _LANE, _NO_LANES, _GAP, _FOOT = 0.26, 0.36, 0.17, 0.80, 0.30, 0.09, 0.24
_LEAST_GRID = 0.08
"""Beat lines closer than this are left out."""
_POINT = 1 / 72
_CHARACTER = 0.56
"""Width of an average character, as a share of the type size (measured on the font the library brings)."""
_LONGEST_NAME = 60
_LEAST_RANGE_CC = 24
"""A lane's axis covers at least this many steps, so that a drift of three steps does not look like a swell."""


Floats = NDArray[np.float64]
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
        """Inches for the notes: more for a wide range of pitches."""
        return float(np.clip(0.085 * (self.high - self.low), 0.9, 2.4))

    @property
    def shown(self) -> tuple[str, ...]:
        """Lanes that either file has, in the order of the lane axis."""
        return tuple(lane for lane in ALL_LANES if lane in self.lanes or lane in self.over)

    @property
    def height(self) -> float:
        """Inches for everything the part shows."""
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


@dataclass(frozen=True)
class Panel:
    """A strip of the page across its width: `bottom` and `tall` in inches, `low` to `high` in units of its own.

    Shapes are given in axis units of the page (x) and the panel's own (y).
    """

    figure: Figure
    page: Page
    bottom: float
    tall: float
    low: float
    high: float

    def __post_init__(self) -> None:
        from matplotlib.transforms import Affine2D

        across, up = self.page.inch_per_x, self.tall / (self.high - self.low)
        place = Affine2D().translate(-self.page.left, -self.low).scale(across, up).translate(LEFT, self.bottom)
        object.__setattr__(self, "to_page", place + self.figure.dpi_scale_trans)

    to_page: Transform = field(init=False)

    def text(self, x: float, y: float, words: str, **style: Any) -> None:
        """Words at a place."""
        self.figure.text(x, y, words, transform=self.to_page, **style)

    def line(self, x: Sequence[float] | Floats, y: Sequence[float] | Floats, **style: Any) -> None:
        """One line through places, broken where a coordinate is NaN."""
        from matplotlib.lines import Line2D

        self.figure.add_artist(Line2D(x, y, transform=self.to_page, **style))

    def strokes(self, x: Floats, low: float, high: float, **style: Any) -> None:
        """Upright strokes as one broken line: thousands are drawn and stored much sooner than stroke by stroke."""
        broken = np.stack([x, x, np.full(len(x), np.nan)], axis=1).ravel()  # (3 * n_strokes,)
        self.line(broken, np.tile([low, high, np.nan], len(x)), solid_capstyle="butt", **style)

    def shapes(self, corners: Sequence[Floats], *, gid: str | None = None, **style: Any) -> None:
        """Filled polygons, (n_corners, 2) each."""
        from matplotlib.collections import PolyCollection

        shapes = PolyCollection(corners, transform=self.to_page, **style)
        shapes.set_gid(gid)
        self.figure.add_artist(shapes)

    def beside(self, y: float, words: str, **style: Any) -> None:
        """Words in the margin, ending before the panel."""
        self.text(self.page.left - 0.05 / self.page.inch_per_x, y, words, ha="right", **style)

    def grid(self) -> None:
        """Bar lines, and beats where they do not stand too close."""
        page = self.page
        if len(page.beat_x) and np.diff(page.beat_x).min(initial=np.inf) * page.inch_per_x > _LEAST_GRID:
            self.strokes(page.beat_x, self.low, self.high, color=FAINT, linewidth=0.5, zorder=0)
        self.strokes(page.bar_x, self.low, self.high, color=RULE, linewidth=0.6, zorder=0.5)

    def say(self, words: str) -> None:
        """Words in the middle of an empty panel."""
        middle = (self.page.left + self.page.right) / 2, (self.low + self.high) / 2
        self.text(*middle, words, color=PALE, style="italic", ha="center", va="center")


def draw_block(figure: Figure, block: Block, page: Page, *, top: float) -> None:
    """Draw one part, its upper edge `top` inches above the figure's lower edge."""
    _title(figure, block.heard.part, top=top)
    top -= _TITLE + _BRACKETS
    _draw_phrases(Panel(figure, page, top, _BRACKETS, 0.0, 1.0), block.heard)
    top -= block.notes_height
    _draw_notes(Panel(figure, page, top, block.notes_height, block.low, block.high), block)
    top -= _GAP
    for axis, rows in block.strips:
        for i, row in enumerate(rows):
            top -= _STRIP
            _draw_strip(Panel(figure, page, top, _STRIP, 0.0, 1.0), row, axis if i == 0 else "")
    top -= _GAP if block.strips else 0.0
    for lane in block.shown:
        top -= _LANE
        _draw_lane(figure, block, lane, page, bottom=top)
        top -= _GAP
    if not block.shown:
        top -= _NO_LANES
        Panel(figure, page, top, _NO_LANES, 0.0, 1.0).say("no lanes drawn")
        top -= _GAP
    _draw_seconds(Panel(figure, page, top, _GAP, 0.0, 1.0))


def _title(figure: Figure, part: Part, *, top: float) -> None:
    width, height = figure.get_size_inches()
    y = (top - 0.16) / height
    name = part.name if len(part.name) <= _LONGEST_NAME else part.name[: _LONGEST_NAME - 1] + "\N{HORIZONTAL ELLIPSIS}"
    head = f"{part.index}  {name}"
    figure.text(LEFT / width, y, head, fontsize=11, fontweight="bold", va="baseline")
    kind = f"{part.instrument.name}, {part.kind}"
    figure.text(1 - RIGHT / width, y, kind, fontsize=7.5, color=PALE, ha="right", va="baseline")


def _draw_phrases(panel: Panel, heard: PartHearing) -> None:
    """Bar numbers along the top, phrase brackets with their numbers below them."""
    index, page = heard.part.index, panel.page
    width_inch = page.inch_per_x * float(np.diff(page.bar_x).min(initial=np.inf))
    least = 0.32 if len(page.bar) <= 25 else 0.9
    every = next(n for n in (1, 2, 4, 8, 16, 32, 64, 128, 256, 512, 1024, 4096) if n * width_inch > least or n == 4096)
    for bar, x in zip(page.bar[:-1].tolist(), page.bar_x[:-1].tolist(), strict=True):
        if (bar - 1) % every == 0 or bar == page.bar[0] or bar in page.metre:
            said = f"{bar}   {page.metre[bar]}" if bar in page.metre else str(bar)
            panel.text(x, 0.74, said, fontsize=7, color=PALE, ha="left", va="bottom", gid=f"bar-{index}-{bar}")
    inset = 0.02 / page.inch_per_x
    for number, phrase in enumerate(heard.phrases, 1):
        cut = page.cut(phrase.start_s, phrase.end_s)
        if cut is None:
            continue
        a, b = cut[0] + inset, max(cut[1] - inset, cut[0] + inset)
        x, y = [a, b], [0.42, 0.42]
        for label in (f"phrase {number}", str(number)):
            if _fits(label, b - a, page, points=6.5):
                panel.text((a + b) / 2, 0.42, label, fontsize=6.5, ha="center", va="center_baseline")
                half = _width(label, page, points=6.5) / 2
                x, y = [a, (a + b) / 2 - half, np.nan, (a + b) / 2 + half, b], [0.42, 0.42, np.nan, 0.42, 0.42]
                break
        if phrase.start_s >= page.start_s - 1e-6:
            x, y = [a, *x], [0.12, *y]
        if phrase.end_s <= page.end_s + 1e-6:
            x, y = [*x, b], [*y, 0.12]
        panel.line(x, y, color=INK, linewidth=0.8, solid_joinstyle="miter", gid=f"phrase-{index}-{number}")


def _width(label: str, page: Page, *, points: float) -> float:
    """About how wide a label is, in axis units, with a little air."""
    return (len(label) * _CHARACTER * points * _POINT + 0.06) / page.inch_per_x


def _fits(label: str, width_x: float, page: Page, *, points: float) -> bool:
    return _width(label, page, points=points) <= width_x


def _draw_notes(panel: Panel, block: Block) -> None:
    page, notes = panel.page, block.heard.part.notes
    left, right = page.left, page.right
    sheet = np.array([[left, panel.low], [right, panel.low], [right, panel.high], [left, panel.high]])
    panel.shapes([sheet], facecolors="#fafbfc", linewidths=0, zorder=-1)
    panel.grid()
    inside = (notes.offset_s > page.start_s) & (notes.onset_s < page.end_s)
    if not np.any(inside):
        panel.say("silent here")
        return
    a = page.to_x(np.maximum(notes.onset_s[inside], page.start_s))
    b = page.to_x(np.minimum(notes.offset_s[inside], page.end_s))
    pitch = notes.pitch[inside].astype(np.float64)
    corners = np.stack([a, b, b, a], axis=1), pitch[:, None] + np.array([-0.45, -0.45, 0.45, 0.45])  # (n_notes, 4) each
    style: dict[str, Any] = {"edgecolors": "white", "linewidths": 0.5, "zorder": 2}
    shades = velocity_shades(notes.velocity[inside])
    panel.shapes(list(np.stack(corners, axis=2)), facecolors=shades, gid=f"notes-{block.heard.part.index}", **style)
    for p in _pitch_ticks(notes.pitch[inside], block.low, block.high):
        panel.beside(p, pitch_name(p), fontsize=6.5, color=PALE, va="center_baseline")
        if p % 12 == 0:
            panel.line([page.left, page.right], [p, p], color=RULE, linewidth=0.4, zorder=0.4)


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


def _draw_strip(panel: Panel, row: Stretches, name: str) -> None:
    """One row of what was heard, as ruled stretches with their names, which may run on where nothing follows."""
    page = panel.page
    if name:
        panel.beside(0.5, name, fontsize=6.5, color=PALE, va="center_baseline")
    a = np.array([x for _, x, _ in row])
    b = np.maximum(np.array([x for *_, x in row]) - 0.015 / page.inch_per_x, a)
    corners = np.stack([a, b, b, a], axis=1), np.tile([0.1, 0.1, 0.9, 0.9], (len(row), 1))  # (n_stretches, 4) each
    panel.shapes(list(np.stack(corners, axis=2)), facecolors=FAINT, linewidths=0, zorder=1)
    panel.strokes(a, 0.1, 0.9, color=PALE, linewidth=0.9, zorder=2)
    for (label, x, _), next_x in zip(row, [x for _, x, _ in row[1:]] + [page.right], strict=True):
        for text in (label, SHORT_LABEL.get(label, label)):
            if _fits(text, next_x - x, page, points=6.5):
                panel.text(x + 0.035 / page.inch_per_x, 0.5, text, fontsize=6.5, va="center_baseline", zorder=3)
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


def _draw_lane(figure: Figure, block: Block, lane: str, page: Page, *, bottom: float) -> None:
    part = block.heard.part
    name = f"{lane}-{part.index}"
    mine, over = block.lanes.get(lane), block.over.get(lane)
    drawn = [staircase(curve, page) for curve in (mine, over) if curve is not None]
    low, high = _value_range(np.concatenate([y for _, y in drawn]))
    panel = Panel(figure, page, bottom, _LANE, low, high)
    for t in range(0, 128, 10 if high - low <= 45 else 20):
        if low + 1 <= t <= high - 1:
            panel.beside(t, str(t), fontsize=6.5, color=PALE, va="center_baseline")
    onset_x = page.to_x(part.notes.onset_s[(part.notes.onset_s >= page.start_s) & (part.notes.onset_s < page.end_s)])
    onset_x = np.unique(onset_x)
    dense = np.diff(onset_x).min(initial=np.inf) * page.inch_per_x < _LEAST_GRID
    panel.strokes(onset_x, low, low + 0.07 * (high - low), color=INK, linewidth=0.35 if dense else 0.7, zorder=2)
    panel.line([page.left, page.right], [low, low], color=RULE, linewidth=0.6)
    panel.grid()
    if mine is not None:
        x, y = thinned(*drawn[0], page)
        panel.line(x, y, color=LANE_COLOUR[lane], linewidth=1.3, solid_joinstyle="miter", zorder=3, gid=name)
        if not block.over and len(x):
            below = np.column_stack([np.r_[x[0], x, x[-1]], np.r_[low, y, low]])
            panel.shapes([below], facecolors=LANE_TINT[lane], linewidths=0, zorder=0.2)
    if over is not None:
        dashes: dict[str, Any] = {"linewidth": 1.0, "linestyle": (0, (3, 1.5)), "zorder": 2.5, "gid": f"{name}-over"}
        panel.line(*thinned(*drawn[-1], page), color=INK, **dashes)
    if mine is not None and over is not None:
        x, left_cc, right_cc = together(mine, over, page)
        between = np.column_stack([np.r_[x, x[::-1]], np.r_[left_cc, right_cc[::-1]]])
        panel.shapes([between], facecolors=LANE_COLOUR[lane], alpha=0.25, linewidths=0, zorder=1)
    edge, middle = page.left - 0.30 / page.inch_per_x, (low + high) / 2
    up = 0.06 * (high - low)
    label: dict[str, Any] = {"ha": "right", "fontsize": 8, "fontweight": "bold", "color": LANE_COLOUR[lane]}
    panel.text(edge, middle + up, lane, va="bottom", **label)
    cc = part.lane_cc.get(lane, DEFAULT_CC.get(lane))
    panel.text(edge, middle - up / 3, f"CC {cc}", fontsize=6.5, color=PALE, ha="right", va="top")


def _value_range(value_cc: NDArray[np.float64]) -> tuple[float, float]:
    if len(value_cc) == 0:
        return 0.0, 127.0
    low, high = float(value_cc.min()), float(value_cc.max())
    half = max((high - low) / 2 * 1.18, _LEAST_RANGE_CC / 2)
    middle = (low + high) / 2
    low, high = middle - half, middle + half
    return (low, high) if low >= -4 else (-4.0, high - low - 4)


def _draw_seconds(panel: Panel) -> None:
    """Clock time under the last panel of a block."""
    page = panel.page
    room = (page.right - page.left) * page.inch_per_x / 0.75
    span_s = page.end_s - page.start_s
    step = next(s for s in (0.5, 1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 3600) if span_s / s <= room or s == 3600)
    times = np.arange(np.ceil(page.start_s / step - 1e-9), np.floor(page.end_s / step + 1e-9) + 1) * step
    panel.strokes(page.to_x(times), 0.55, 1.0, color=RULE, linewidth=0.5)
    for time_s, x in zip(times.tolist(), page.to_x(times).tolist(), strict=True):
        panel.text(x, 0.4, clock(time_s), fontsize=6.5, color=PALE, ha="center", va="top")
