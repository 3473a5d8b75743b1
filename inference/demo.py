"""The demo: write the demo cues, shape them, and say what to open and what to listen for."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from phrasewright.data.demo_cues import demo_names, write_demos
from phrasewright.data.errors import OutputError
from phrasewright.inference.batch import shape_files
from phrasewright.inference.shaping import ShapeOptions
from phrasewright.inference.writing import check_output

_CAUTION = (
    "Start playback at a low monitoring level: lanes on controllers 1, 2 and 11 can be loud with an instrument that\n"
    "answers them otherwise than yours."
)

_LISTEN = {
    "the-lamp-is-lit": (
        "Oboe, bars 5-12: joins and weight in the keeper's song. Violas, 13-20: repeats struck anew by dips.\n"
        "All strings, 29-33: a rise in two stages. Choir and Double Basses, 45-49: held notes that fall away."
    ),
    "storm-over-the-rocks": (
        "Horns, bars 9-16: the storm. Violins I, 17-24: the same in longer breaths; 25-28: runs as one gesture.\n"
        "Clarinet, 35-38: the song comes back. Everybody, 65-73: a rise in two stages to the last stroke."
    ),
    "storm-on-one-channel": "As a sequencer exports it with all tracks on channel 1: the parts are still told apart.",
    "storm-split-and-early": (
        "Violins I as one track an articulation, overlapping lines, every note 120 ms before the bar:\n"
        "the tracks share their phrases and keep their own lanes."
    ),
    "storm-half-drawn": (
        "Dynamics played in by hand in Horns, Clarinet, Violins I and Cellos, bars 1-12: kept as drawn,\n"
        "continued from bar 13, and a lone expression value taken as the centre of the new lane."
    ),
}


def make_demo(
    folder: Path,
    *,
    force: bool = False,
    options: ShapeOptions | None = None,
    done: Callable[[], object] = lambda: None,
) -> str:
    """Write the demo cues to `folder/cues`, the shaped ones under the same names to `folder/shaped`.

    Parameters
    ----------
    folder : Path
        Made if absent.
    force : bool
        Replace files that are already there.
    options : ShapeOptions, optional
        How to shape.
    done : callable
        Called after each of the cues.

    Returns
    -------
    str
        What was written and what to open, for people.

    Raises
    ------
    OutputError
        A file is already there and `force` is not given, or cannot be written; nothing has been written then.
    """
    names = demo_names()
    cues, shaped = folder / "cues", folder / "shaped"
    for place in (cues, shaped):
        for name in names:
            check_output(place / f"{name}.mid", inputs=(), force=force)
    try:
        cues.mkdir(parents=True, exist_ok=True)
        paths = write_demos(cues)
    except OSError as fault:
        raise OutputError(f"{cues}: cannot be written ({fault.strerror or fault}); choose another folder") from fault
    shape_files(paths, shaped, options=options, force=force, done=done)
    return demo_text(folder)


def demo_text(folder: Path) -> str:
    """What stands in the folder and what to listen for."""
    lines = [f"Music for a short film about a lighthouse keeper, in {folder}:", ""]
    for name in demo_names():
        lines.append(f"{folder / 'shaped' / name}.mid   (before: {folder / 'cues' / name}.mid)")
        lines += [f"    {line}" for line in _LISTEN[name].splitlines()]
    lines += ["", "Open a file of `shaped` in a sequencer beside the same file of `cues`.", _CAUTION]
    return "\n".join(lines)
