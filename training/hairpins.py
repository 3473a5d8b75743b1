"""Printed hairpins as a mirror of the shaped dynamics: `python -m phrasewright.training.hairpins [--network]`.

Quartets by Beethoven and Schumann, read from the installed music21 and never trained on. For every printed wedge with
more than one onset under it, does the shaped dynamics lane go the wedge's way from its first to its last quarter?
Starts and stops are matched in time order within a part. Wedges with "cresc." or "dim." in words at their start are
left out: many of those were added for playback. The contour baseline goes the way of the pitch, the top note of its
first and last third; ties count as wrong for every contender. The score becomes a cue without any dynamics or words
and in one velocity.

Intervals are 95 %, from resampling wedges within a work. A figure, not a gate.
"""

from __future__ import annotations

import argparse
import re
import xml.etree.ElementTree as ElementTree
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from phrasewright.model.hearing import CueHearing
from phrasewright.model.intervals import interval_of, resamples
from phrasewright.model.lanes import FRAME_S
from phrasewright.model.listening import hear
from phrasewright.model.prediction import Predictor, network_lanes
from phrasewright.model.rules import rules_lanes
from phrasewright.training.boundary_corpus import BarClock, corpus_root, musicxml_parts, pitch_of
from phrasewright.training.corpus import cue_of
from phrasewright.training.textures import Line, Row, Sketch

WORKS = {
    "Schumann op. 41/1": "schumann_robert/opus41no1",
    "Beethoven op. 59/1": "beethoven/opus59no1",
    "Beethoven op. 59/2": "beethoven/opus59no2",
}
_WORDS = re.compile(r"\b(cresc|dim|decresc)", re.IGNORECASE)
_PROGRAMS, _VELOCITY, _BPM = (40, 40, 41, 42), 72, 96.0
_BEAT_S = 60.0 / _BPM


@dataclass(frozen=True)
class Wedge:
    """A hairpin: index from 0 of its part, quarter notes, and whether it opens."""

    part: int
    start_beat: float
    end_beat: float
    rises: bool


def read_movement(path: Path) -> tuple[list[list[Row]], list[Wedge]]:
    """The notes of a movement by part, ties joined, and its clean wedges, starts and stops matched in time order.

    Bars begin where the longest part has them: some parts leave bars short.
    """
    parts = [_read_bars(part) for part in musicxml_parts(path)]
    n_bars = max(len(bars) for bars in parts)
    lengths = [max(bars[k].length for bars in parts if k < len(bars)) for k in range(n_bars)]
    starts = np.r_[0.0, np.cumsum(lengths)]
    lines, wedges = [], []
    for number, bars in enumerate(parts):
        lines.append(_joined([(starts[k] + at, *rest) for k, bar in enumerate(bars) for at, *rest in bar.notes]))
        signs = sorted((starts[k] + at, what) for k, bar in enumerate(bars) for at, what in bar.signs)
        words = [starts[k] + at for k, bar in enumerate(bars) for at in bar.words]
        opened: list[tuple[float, str]] = []
        for at, what in signs:
            if what != "stop":
                opened.append((at, what))
            elif opened:
                begin, kind = opened.pop(0)
                if at > begin and not any(abs(begin - word) < 1.0 for word in words):
                    wedges.append(Wedge(number, begin, at, kind == "crescendo"))
    return lines, list(dict.fromkeys(wedges))


@dataclass(frozen=True)
class _Bar:
    """What a bar of one part holds, in quarter notes from its start; a note is (at, length, pitch, tied from
    before)."""

    length: float
    notes: list[tuple[float, float, int, bool]]
    signs: list[tuple[float, str]]
    words: list[float]


def _read_bars(part: ElementTree.Element) -> list[_Bar]:
    clock, bars = BarClock(), []
    for measure in part.iter("measure"):
        bar = _Bar(0.0, [], [], [])
        for at, length, item in clock.items(measure):
            if item.tag == "direction":
                there = at + float(item.findtext("offset", "0")) / clock.divisions
                bar.signs.extend((there, str(w.get("type"))) for w in item.iter("wedge") if w.get("type") != "continue")
                bar.words.extend(there for w in item.iter("words") if _WORDS.search(w.text or ""))
            elif item.find("pitch") is not None and length > 0:
                tied = any(tie.get("type") == "stop" for tie in item.iter("tie"))
                bar.notes.append((at, length, pitch_of(item), tied))
        bars.append(replace(bar, length=clock.reach))
    return bars


def _joined(notes: list[tuple[float, float, int, bool]]) -> list[Row]:
    """Rows with tied notes joined; a pitch struck while it sounds ends before."""
    rows: list[tuple[float, float, int, int]] = []
    latest: dict[int, int] = {}
    for at, length, pitch, tied in sorted(notes):
        k = latest.get(pitch)
        if k is not None and tied and abs(rows[k][0] + rows[k][1] - at) < 1e-3:
            rows[k] = (rows[k][0], rows[k][1] + length, pitch, _VELOCITY)
            continue
        if k is not None and rows[k][0] + rows[k][1] > at:
            if at - rows[k][0] < 1e-3:
                continue
            rows[k] = (rows[k][0], at - rows[k][0], pitch, _VELOCITY)
        latest[pitch] = len(rows)
        rows.append((at, length, pitch, _VELOCITY))
    return rows


def agreement(
    hearing: CueHearing, wedges: Sequence[Wedge], lanes: Predictor
) -> NDArray[np.float64]:
    """For each wedge with more than one onset whether the lane and the contour go its way.

    Shape (n_wedges, 2), 0 or 1.
    """
    dense: dict[int, NDArray[np.float64]] = {}
    found = []
    for wedge in wedges:
        notes = hearing.parts[wedge.part].part.notes
        start_s, end_s = wedge.start_beat * _BEAT_S, wedge.end_beat * _BEAT_S
        inside = (notes.onset_s >= start_s - 0.02) & (notes.onset_s < end_s - 0.02)
        if np.sum(inside) < 2:
            continue
        if wedge.part not in dense:
            dense[wedge.part] = np.asarray(lanes(hearing, wedge.part).value_cc[:, 0], dtype=np.float64)
        lane = dense[wedge.part]
        low, high = (min(round(at / FRAME_S), len(lane) - 1) for at in (start_s, end_s))
        quarter = max((high - low) // 4, 1)
        goes = float(lane[max(high - quarter, low) : high].mean() - lane[low : low + quarter].mean())
        pitch = notes.pitch[inside].astype(np.float64)
        third = max(len(pitch) // 3, 1)
        climbs = float(pitch[-third:].max() - pitch[:third].max())
        sign = 1.0 if wedge.rises else -1.0
        found.append((goes * sign > 0, climbs * sign > 0))
    return np.array(found, dtype=np.float64).reshape(-1, 2)


def work_rows(folder: str, contenders: dict[str, Predictor]) -> dict[str, NDArray[np.float64]]:
    """Right and wrong of each contender, and of the contour, over the wedges of a work; arrays of shape (n_wedges,)."""
    rows: dict[str, list[NDArray[np.float64]]] = {title: [] for title in (*contenders, "contour")}
    for path in sorted((corpus_root() / folder).glob("*.mxl")):
        lines, wedges = read_movement(path)
        named = tuple(Line(f"Part {k}", _PROGRAMS[min(k, 3)], tuple(notes)) for k, notes in enumerate(lines))
        hearing = hear(cue_of(Sketch(named, ((0.0, _BPM),))))
        for number, (title, lanes) in enumerate(contenders.items()):
            table = agreement(hearing, wedges, lanes)
            rows[title].append(table[:, 0])
            if number == 0:
                rows["contour"].append(table[:, 1])
    return {title: np.concatenate(values) for title, values in rows.items()}


def main(arguments: Sequence[str] | None = None) -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--network", action="store_true", help="the shipped network too")
    contenders: dict[str, Predictor] = {"rules": rules_lanes}
    if parser.parse_args(arguments).network:
        contenders["network"] = network_lanes
    print("share of printed hairpins whose way the dynamics lane goes")
    print(f"  {'':<20} {'wedges':>7}  " + "  ".join(f"{title:<20}" for title in (*contenders, "contour")))
    rng = np.random.default_rng(0)
    for work, folder in WORKS.items():
        rows = work_rows(folder, contenders)
        cells, n = [], 0
        for values in rows.values():
            n = len(values)
            low, high = interval_of(values[resamples(n, seed=rng)].mean(axis=1))
            cells.append(f"{values.mean():.3f} [{low:.2f}, {high:.2f}]")
        print(f"  {work:<20} {n:7d}  " + "  ".join(f"{cell:<20}" for cell in cells), flush=True)


if __name__ == "__main__":
    main()
