"""Pictures for lessons and notes: a passage with what was heard in it and its lanes, and what a style does otherwise.

A passage is one block a part, from top to bottom, with notes, phrases, what was heard in them, and the lanes below;
`panels.py` draws them. The page runs in quarter notes, so that bars are even whatever the tempo, with clock time under
each block; files without bars run in seconds. A style is a dot and a 95 % interval a habit and lane. Text stays text in
SVG. Two runs give the same bytes. Sizes are in inches.
"""

from __future__ import annotations

import importlib.util
import io
import os
import sys
import warnings
from collections.abc import Iterator, Mapping, Sequence
from contextlib import ExitStack, chdir, contextmanager, suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from phrasewright.data.cue import Cue, Part
from phrasewright.data.curves import ALL_LANES, Curve
from phrasewright.data.errors import InputError, OutputError
from phrasewright.data.files import check_output, write_whole
from phrasewright.data.printing import printable
from phrasewright.data.profiles import Profile
from phrasewright.data.reading import read_cue
from phrasewright.inference.counterparts import Counterpart, counterparts
from phrasewright.inference.lane_plans import bar_ticks, select_parts
from phrasewright.inference.page import Page, metre_text, page_of
from phrasewright.inference.panels import FAINT, INK, LANE_COLOUR, LEFT, PALE, RIGHT, STYLE, block_of, draw_block
from phrasewright.model.hearing import CueHearing
from phrasewright.model.listening import hear

if TYPE_CHECKING:
    from matplotlib.figure import Figure

FORMATS = (".svg", ".png")
PNG_DPI, STYLE_DPI = 200, 150
MAX_PIXELS = 25_000_000
"""A larger PNG gets fewer dots an inch."""
_QUICK = {"compress_level": 4}
"""A tenth larger than at the usual level, and written in a third of the time."""
MAX_HEIGHT = 100.0
"""A taller picture is refused: nobody could read it."""
_TOP, _BOTTOM, _BETWEEN = 0.62, 0.30, 0.26
_ROWS = {"level_cc": "level", "depth": "depth of phrases", "joins": "depth of joins", "repeats": "depth of repeats",
         "lag_ms": "later"}  # fmt: skip
_AXES = (("steps", ("level_cc",)), ("times the shipped depth", ("depth", "joins", "repeats")), ("ms", ("lag_ms",)))
_STILL = {"level_cc": 0.0, "depth": 1.0, "joins": 1.0, "repeats": 1.0, "lag_ms": 0.0}


def draw_picture(
    path_in: Path,
    path_out: Path,
    *,
    bars: tuple[int, int] | None = None,
    parts: Sequence[str | int] | None = None,
    other: Path | None = None,
    profile: Profile | None = None,
    force: bool = False,
) -> None:
    """Draw a passage of a cue into an .svg or .png file.

    Parameters
    ----------
    bars : (first, last), optional
        Counted from 1, both drawn; without it the whole cue.
    parts : sequence of str or int, optional
        Numbers from 1 or names; without it every part that has lanes or is shaped.
    other : Path, optional
        A second file whose lanes are laid over, the difference shaded.
    force : bool
        Replace an output that is there.

    Raises
    ------
    InputError
        A cue that cannot be read, or too many parts for one picture.
    OutputError
        The output is there already, cannot be written, or is neither .svg nor .png.
    UsageError
        A part or bar that the cue does not have.
    """
    _check_format(path_out)
    inputs = [path_in] if other is None else [path_in, other]
    check_output(path_out, inputs=inputs, force=force)
    hearing = hear(read_cue(path_in, profile=profile))
    over = read_cue(other, profile=profile) if other is not None else None
    content = picture_bytes(hearing, path_out.suffix.lower(), bars=bars, parts=parts, over=over)
    write_whole(path_out, content, force=force, inputs=inputs)


def picture_bytes(
    hearing: CueHearing,
    suffix: str,
    *,
    bars: tuple[int, int] | None = None,
    parts: Sequence[str | int] | None = None,
    over: Cue | None = None,
) -> bytes:
    """The picture as the bytes of an .svg or .png file (`suffix`). Raises as `draw_picture`."""
    with _own_settings(), warnings.catch_warnings():
        warnings.filterwarnings("ignore", message=r"Glyph \d+ .* missing from font")  # boxes in a PNG, text in an SVG
        figure = build_figure(hearing, bars=bars, parts=parts, over=over)
        return _saved(figure, suffix, dpi=PNG_DPI)


@contextmanager
def _own_settings() -> Iterator[None]:
    """Draw by our settings alone: the library also obeys a file in the folder one stands in, or in the user's, which
    may change the picture, start a program to set text (seen with version 3.10), or be no text at all.
    """
    with ExitStack() as stack:
        if "matplotlib" not in sys.modules:  # it reads such a file as it is loaded: let it find the one it came with
            os.environ.pop("MPLBACKEND", None)  # which may name a kind of window that there is not
            found = importlib.util.find_spec("matplotlib")
            with suppress(OSError):  # stands in a folder that is gone, where no such file can be
                if found is not None and found.origin is not None:
                    stack.enter_context(chdir(Path(found.origin).parent / "mpl-data"))
        import matplotlib as mpl

        stack.pop_all().close()
        stack.enter_context(mpl.rc_context())
        mpl.rcdefaults()
        mpl.rcParams.update(STYLE)
        yield


def _check_format(path: Path) -> None:
    if path.suffix.lower() not in FORMATS:
        raise OutputError(f"{path}: pictures are written as .svg or .png; end the name with one of them")


def _saved(figure: Figure, suffix: str, *, dpi: int) -> bytes:
    """A figure as the bytes of an .svg or .png file, the same in every run; a large PNG gets fewer dots an inch."""
    page = io.BytesIO()
    if suffix == ".svg":
        figure.savefig(page, format="svg", metadata=dict.fromkeys(("Date", "Creator", "Format", "Type")))
    else:
        width, height = figure.get_size_inches()
        dots = min(dpi, int(np.sqrt(MAX_PIXELS / (width * height))))
        figure.savefig(page, format="png", dpi=dots, metadata={"Software": None}, pil_kwargs=_QUICK)
    return page.getvalue()


def chosen_parts(cue: Cue, parts: Sequence[str | int] | None) -> tuple[Part, ...]:
    """The parts asked for, in file order; without a choice those that are shaped or have lanes, else all.

    Raises UsageError for a part the cue lacks.
    """
    if parts is None:
        return tuple(part for part in cue.parts if part.shaped or _lanes_of(part)) or cue.parts
    chosen = select_parts(cue, [str(part) for part in parts])
    return tuple(part for part in cue.parts if part.index in chosen)


def _lanes_of(part: Part) -> dict[str, Curve]:
    return {lane: curve for lane in ALL_LANES if (curve := part.drawn(lane)) is not None}


def _lanes_over(other: Counterpart | None) -> dict[str, Curve]:
    """The lanes of a part of the second file, on the first file's time."""
    if other is None:
        return {}
    return {lane: curve for lane in ALL_LANES if (curve := other.lane(lane)) is not None}


def build_figure(
    hearing: CueHearing,
    *,
    bars: tuple[int, int] | None = None,
    parts: Sequence[str | int] | None = None,
    over: Cue | None = None,
) -> Figure:
    """The picture as a figure, one block a part from top to bottom. Raises as `draw_picture`."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    cue = hearing.cue
    others = counterparts(cue, over)[0] if over is not None else [None] * len(cue.parts)
    start_s, end_s = _span(cue, bars)
    page = page_of(cue, start_s=start_s, end_s=end_s)
    width = (page.right - page.left) * page.inch_per_x + LEFT + RIGHT
    blocks = [
        block_of(hearing.parts[i], page, lanes=_lanes_of(cue.parts[i]), over=_lanes_over(others[i]))
        for i in (part.index - 1 for part in chosen_parts(cue, parts))
    ]
    height = _TOP + sum(block.height for block in blocks) + _BETWEEN * (len(blocks) - 1) + _BOTTOM
    if height > MAX_HEIGHT:
        raise InputError(
            f"{cue.path}: {len(blocks)} parts make a picture {height:.0f} inches high; choose some of them with --parts"
        )
    figure = Figure(figsize=(width, height), facecolor="white")
    FigureCanvasAgg(figure)
    _heading(figure, cue, page, bars)
    top = height - _TOP
    for block in blocks:
        draw_block(figure, block, page, top=top)
        top -= block.height + _BETWEEN
    _footing(figure, cue, over)
    return figure


def _heading(figure: Figure, cue: Cue, page: Page, bars: tuple[int, int] | None) -> None:
    width, height = figure.get_size_inches()
    title = printable(cue.path.stem)
    if bars is not None:
        last = min(bars[1], cue.n_bars or bars[1])
        title += f", bar {last}" if bars[0] == last else f", bars {bars[0]} to {last}"
    figure.text(LEFT / width, 1 - 0.34 / height, title, fontsize=14, va="baseline")
    tempo = cue.tempo
    if tempo.has_metre:
        metre = max(int(np.searchsorted(tempo.metre_bar, page.bar[0], side="right")) - 1, 0)
        beats_per_min = 60 / float(tempo.beat_length_s(page.start_s))
        said = f"{metre_text(tempo, metre)}   quarter note = {beats_per_min:.0f}"
        figure.text(1 - RIGHT / width, 1 - 0.34 / height, said, fontsize=8, color=PALE, ha="right", va="baseline")


def _footing(figure: Figure, cue: Cue, over: Cue | None) -> None:
    width, height = figure.get_size_inches()
    said = ["Notes are darker where struck harder", "short strokes under a lane are onsets"]
    if over is not None:
        said.append(f"line: {printable(cue.path.name)}, dashes: {printable(over.path.name)}, tint: the difference")
    words = "; ".join(said) + "."
    figure.text(LEFT / width, 0.14 / height, words, fontsize=6.5, color=PALE, va="baseline", style="italic")


def _span(cue: Cue, bars: tuple[int, int] | None) -> tuple[float, float]:
    end_s = max(float(part.notes.offset_s.max(initial=0.0)) for part in cue.parts)
    if bars is None:
        if cue.tempo.has_metre:
            after = np.ceil(cue.tempo.tick_to_bar(cue.tempo.s_to_tick(end_s)) - 1e-6)
            return 0.0, float(cue.tempo.tick_to_s(cue.tempo.bar_to_tick(after)))
        return 0.0, end_s + 0.5
    bar_ticks(cue, bars)
    first, last = bars
    edges = cue.tempo.tick_to_s(cue.tempo.bar_to_tick([first, min(last, cue.n_bars or last) + 1]))
    return float(edges[0]), float(edges[1])


def draw_style(told: Mapping[str, Any], path: Path, *, force: bool) -> None:
    """Draw what `show_style` tells. The line through each panel is the shipped model.

    Raises
    ------
    InputError
        The style rests on too few phrases for any figure.
    OutputError
        The file is there already without `force`, cannot be written, or is neither .svg nor .png.
    """
    _check_format(path)
    changes: Mapping[str, Mapping[str, list[float]]] = told["changes"]
    if not any(changes.values()):
        raise InputError(f"style {told['style']}: rests on too few phrases for a picture; correct four in a lane")
    check_output(path, inputs=[], force=force)
    rows = [(lane, name) for name in _ROWS for lane in ALL_LANES if name in changes.get(lane, {})]
    with _own_settings():
        from matplotlib.backends.backend_agg import FigureCanvasAgg
        from matplotlib.figure import Figure

        figure = Figure(figsize=(7.0, 1.3 + 0.28 * len(rows)), layout="constrained")
        FigureCanvasAgg(figure)
        heights = [sum(name in names for _, name in rows) for _, names in _AXES]
        shown = [(axis, height) for axis, height in zip(_AXES, heights, strict=True) if height]
        panels = figure.subplots(len(shown), 1, squeeze=False, height_ratios=[height for _, height in shown])[:, 0]
        for panel, ((unit, names), _) in zip(panels, shown, strict=True):
            own = [row for row in rows if row[1] in names]
            for at, (lane, name) in enumerate(own):
                value, low, high = changes[lane][name]
                panel.plot([low, high], [at, at], color=LANE_COLOUR[lane], linewidth=2.0)
                panel.plot([value], [at], "o", color=LANE_COLOUR[lane], markersize=6)
            panel.axvline(_STILL[names[0]], color=PALE, linewidth=1.0)
            panel.set_yticks(range(len(own)), [f"{_ROWS[name]}, {lane}" for lane, name in own])
            panel.set_ylim(len(own) - 0.5, -0.5)
            panel.set_xlabel(unit)
            panel.grid(axis="x", color=FAINT)
            panel.tick_params(length=0)
            for side in ("top", "right", "left"):
                panel.spines[side].set_visible(False)
        music = f"{told['passages']} passages, {told['music_s']:.0f} s of music"
        figure.suptitle(f"{told['style']}: {music}; the line is the shipped model", color=INK, fontsize=10)
        content = _saved(figure, path.suffix.lower(), dpi=STYLE_DPI)
    write_whole(path, content, force=force)
