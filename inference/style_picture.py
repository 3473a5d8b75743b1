"""What a style does otherwise than the shipped model, as a picture: a dot and a 95 % interval a habit and lane."""

from __future__ import annotations

from collections.abc import Mapping
from io import BytesIO
from pathlib import Path
from typing import Any

from phrasewright.data.curves import ALL_LANES
from phrasewright.data.errors import InputError, OutputError
from phrasewright.inference.panels import FAINT, INK, LANE_COLOUR, PALE, STYLE
from phrasewright.inference.picture import FORMATS
from phrasewright.inference.writing import check_output, write_whole

_ROWS = {"level_cc": "level", "depth": "depth of phrases", "joins": "depth of joins", "repeats": "depth of repeats",
         "lag_ms": "later"}  # fmt: skip
_AXES = (("steps", ("level_cc",)), ("times the shipped depth", ("depth", "joins", "repeats")), ("ms", ("lag_ms",)))
_STILL = {"level_cc": 0.0, "depth": 1.0, "joins": 1.0, "repeats": 1.0, "lag_ms": 0.0}


def draw_style(told: Mapping[str, Any], path: Path, *, force: bool) -> None:
    """Draw what `show_style` tells. The line through each panel is the shipped model.

    Raises
    ------
    InputError
        The style rests on too few phrases for any figure.
    OutputError
        The file is there already without `force`, cannot be written, or is neither .svg nor .png.
    """
    if path.suffix.lower() not in FORMATS:
        raise OutputError(f"{path}: pictures are written as .svg or .png; end the name with one of them")
    changes: Mapping[str, Mapping[str, list[float]]] = told["changes"]
    if not any(changes.values()):
        raise InputError(f"style {told['style']}: rests on too few phrases for a picture; correct four in a lane")
    check_output(path, inputs=[], force=force)
    import matplotlib as mpl
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    rows = [(lane, name) for name in _ROWS for lane in ALL_LANES if name in changes.get(lane, {})]
    with mpl.rc_context(STYLE):
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
        page = BytesIO()
        if path.suffix.lower() == ".svg":
            figure.savefig(page, format="svg", metadata=dict.fromkeys(("Date", "Creator", "Format", "Type")))
        else:
            figure.savefig(page, format="png", dpi=150, metadata={"Software": None})
    write_whole(path, page.getvalue(), force=force)
