"""The demo: write the demo cues, shape them, learn from a bundled correction, and say what to open.

The correction is a table of lanes over three parts of the first cue (`data/demo/`; drawn by a formula: late swells,
deep joins, vibrato that waits), laid over the first pass as a hand would. The style goes into the demo's own folder,
never into the user's store.
"""

from __future__ import annotations

import csv
from collections.abc import Callable
from dataclasses import replace
from importlib.resources import files
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from phrasewright.data.demo_cues import demo_names, write_demos
from phrasewright.data.files import check_output, write_whole
from phrasewright.data.midi import LaneEvents, weave
from phrasewright.data.reading import read_cue
from phrasewright.inference.batch import shape_files
from phrasewright.inference.shaping import ShapeOptions

_CAUTION = (
    "Start playback at a low monitoring level: lanes on controllers 1, 2 and 11 can be loud with an instrument that\n"
    "answers them otherwise than yours."
)

CORRECTED, STYLED, STYLE = "the-lamp-is-lit", "storm-over-the-rocks", "keeper"
Learn = Callable[[str, Path, Path, Path], object]
"""Learns a style (its name) from a corrected file and its first pass, and writes it to a file, in this order."""

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
    learn: Learn | None = None,
) -> str:
    """Write the demo cues to `folder/cues`, the shaped ones under the same names to `folder/shaped`.

    With `learn`, one is corrected (`folder/corrected`), the style learned from it (`folder/keeper.safetensors`), and
    another shaped in it (`folder/styled`).

    Parameters
    ----------
    folder : Path
        Made if absent.
    force : bool
        Replace files that are already there.
    options : ShapeOptions, optional
        How to shape.

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
    corrected, styled = folder / "corrected" / f"{CORRECTED}.mid", folder / "styled" / f"{STYLED}.mid"
    kept = folder / f"{STYLE}.safetensors"
    for place in (cues, shaped):
        for name in names:
            check_output(place / f"{name}.mid", inputs=(), force=force)
    for out in (corrected, styled, kept) if learn is not None else ():
        check_output(out, inputs=(), force=force)
    paths = write_demos(cues)
    shape_files(paths, shaped, options=options, force=force)
    if learn is not None:
        first = shaped / corrected.name
        write_whole(corrected, corrected_bytes(first), force=force)
        learn(STYLE, corrected, first, kept)
        in_style = replace(options or ShapeOptions(), style=str(kept))
        shape_files([cues / styled.name], styled, options=in_style, force=force)
    return demo_text(folder, learned=learn is not None)


def corrected_bytes(shaped: Path) -> bytes:
    """The first pass with the bundled correction in it: between a lane's first and last event there, it replaces."""
    cue = read_cue(shaped)
    text = (files("phrasewright.data") / "demo" / f"{CORRECTED}-corrected.csv").read_text(encoding="utf-8")
    lanes: dict[tuple[str, str], list[tuple[int, int]]] = {}
    for row in csv.DictReader(text.splitlines()):
        lanes.setdefault((row["part"], row["lane"]), []).append((int(row["tick"]), int(row["value"])))
    removed: dict[int, NDArray[np.bool_]] = {}
    rows: dict[int, list[NDArray[np.int64]]] = {}
    for part in cue.parts:
        at, track = part.track - 1, cue.midi.tracks[part.track - 1]
        for lane, cc in part.lane_cc.items():
            if (part.name, lane) not in lanes:
                continue
            tick, value = np.array(lanes[part.name, lane], dtype=np.int64).T
            same = (track.status == (0xB0 | (part.channel - 1))) & (track.data1 == cc)
            mask = removed.setdefault(at, np.zeros(track.n_events, dtype=bool))
            mask |= same & (track.tick >= tick[0]) & (track.tick <= tick[-1])
            here = np.full(len(tick), part.channel - 1), np.full(len(tick), cc)
            rows.setdefault(at, []).append(np.stack([tick, *here, value]))
    added = {}
    for at, tables in rows.items():
        table = np.concatenate(tables, axis=1)  # (4, n_events)
        added[at] = LaneEvents(*table[:, np.argsort(table[0], kind="stable")])
    return weave(cue.midi, removed=removed, added=added)


def demo_text(folder: Path, *, learned: bool = False) -> str:
    """What stands in the folder and what to listen for."""
    lines = [f"Music for a short film about a lighthouse keeper, in {folder}:", ""]
    for name in demo_names():
        lines.append(f"{folder / 'shaped' / name}.mid   (before: {folder / 'cues' / name}.mid)")
        lines += [f"    {line}" for line in _LISTEN[name].splitlines()]
    if learned:
        lines += [
            "",
            f"{folder / 'corrected' / CORRECTED}.mid   (Oboe, Violins I and Cellos redrawn, bars 1-24)",
            f"{folder / STYLE}.safetensors   (the style learned from it)",
            f"{folder / 'styled' / STYLED}.mid   (shaped in that style)",
            "    Violins I, bars 17-24: swells that come late and joins that go deep, as in the corrected cue.",
        ]
    lines += ["", "Open a file of `shaped` in a sequencer beside the same file of `cues`.", _CAUTION]
    return "\n".join(lines)
