"""Where lanes are written: which parts, which bars, and what stays at the edges.

Outside the chosen bars every lane sounds as before. A note that crosses an edge keeps its old lane: to its offset
where it comes in from before, from its onset where it goes on beyond. Units: ticks.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from phrasewright.data.cue import Cue, Part
from phrasewright.data.errors import UsageError
from phrasewright.model.events import LAST_TICK

OVERLAP_S = 0.15
"""A legato overlap shorter than this, and than a third of its note, does not cross an edge."""


def select_parts(cue: Cue, wanted: Sequence[str] | None) -> frozenset[int]:
    """Numbers (from 1) of the parts chosen by number or name; all where `wanted` is None.

    A name matches regardless of case and surrounding blanks; where two parts share it, both are chosen.

    Raises
    ------
    UsageError
        A number or name that no part of the cue has.
    """
    if wanted is None:
        return frozenset(part.index for part in cue.parts)
    chosen: set[int] = set()
    for entry in wanted:
        named = cue.parts_called(entry)
        if not named:
            key = entry.strip().strip('"').strip()
            names = ", ".join(f"{part.index} {part.name}" for part in cue.parts)
            raise UsageError(f"{cue.path}: no part is called or numbered {key!r}; the parts are {names}")
        chosen |= named
    if not chosen:
        raise UsageError(f"{cue.path}: no part was named; give numbers or names, or leave the option out")
    return frozenset(chosen)


def bar_ticks(cue: Cue, bars: tuple[int, int] | None) -> tuple[int, int] | None:
    """First tick of the chosen bars and the tick after the last, None for the whole cue.

    Raises
    ------
    UsageError
        The file has no bars (SMPTE division), or the bars lie outside the cue or run backwards.
    """
    if bars is None:
        return None
    first, last = bars
    if not cue.tempo.has_metre or cue.n_bars is None:
        raise UsageError(f"{cue.path}: counts film frames, not bars (SMPTE division); leave the bars out")
    if first < 1 or last < first:
        raise UsageError(f"bars {first}-{last}: count from 1 and give the earlier bar first")
    if first > cue.n_bars:
        raise UsageError(f"{cue.path}: has {cue.n_bars} bars, bar {first} does not exist; choose earlier bars")
    start = int(cue.tempo.bar_to_tick(first))
    end = int(cue.tempo.bar_to_tick(last + 1)) if last < cue.n_bars else LAST_TICK
    return start, end


def outside(part: Part, span: tuple[int, int] | None, cue: Cue) -> list[tuple[int, int]]:
    """The stretches (first tick, tick after the last) of a part that stay as they are, in order.

    The earlier value is restated at the span's last tick, so the stretch behind the span begins there. A note pulled
    ahead of the span's first bar, as a heard part tells, belongs to it from the bar line on.
    """
    if span is None:
        return []
    start, end = span
    notes = part.file_notes
    into = (notes.onset_tick < start) & (notes.offset_tick > start) & (part.notes.onset_tick < start)
    first = int(notes.offset_tick[into].max()) if np.any(into) else start
    if end >= LAST_TICK:
        return [(0, min(first, LAST_TICK))] if first > 0 else []
    beyond_s = notes.offset_s - float(cue.tempo.tick_to_s(end))
    overlap = (beyond_s < OVERLAP_S) & (beyond_s < (notes.offset_s - notes.onset_s) / 3)
    out_of = (notes.onset_tick < end) & (notes.offset_tick > end) & ~overlap
    last = min(int(notes.onset_tick[out_of].min()) if np.any(out_of) else end, end - 1)
    if last <= first:
        return [(0, LAST_TICK)]
    return [(0, first), (last, LAST_TICK)] if first > 0 else [(last, LAST_TICK)]
