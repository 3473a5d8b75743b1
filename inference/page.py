"""The page of a picture: which span it shows, where its bars and beats stand, and how lanes run across it.

The page runs in quarter notes, so that bars are even whatever the tempo; files without bars run in seconds. Sizes are
in inches, values in controller steps.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from phrasewright.data.cue import Cue
from phrasewright.data.curves import Curve
from phrasewright.data.tempo import TempoMap

LEAST_WIDTH, MOST_WIDTH = 8.6, 60.0
"""The music is never narrower than the print of a landscape page, nor wider than one can scroll through."""

LEAST_TREAD = 1 / 150
"""Inches; a step shorter than this is no step to the eye."""


@dataclass(frozen=True)
class Page:
    """What all blocks share: the span, the axis and where its lines stand.

    `to_x` turns seconds into axis units; `metre` names the metre in each bar that changes it.
    """

    start_s: float
    end_s: float
    to_x: Callable[[ArrayLike], NDArray[np.float64]]
    bar: NDArray[np.int64]
    metre: Mapping[int, str]
    bar_x: NDArray[np.float64]
    beat_x: NDArray[np.float64]
    inch_per_x: float

    @property
    def left(self) -> float:
        """Where the span begins on the axis."""
        return float(self.to_x(self.start_s))

    @property
    def right(self) -> float:
        """Where it ends."""
        return float(self.to_x(self.end_s))

    def cut(self, start_s: float, end_s: float) -> tuple[float, float] | None:
        """The part of a span that lies on the page, on the axis; None where it does not."""
        a, b = max(start_s, self.start_s), min(end_s, self.end_s)
        return (float(self.to_x(a)), float(self.to_x(b))) if b > a else None


def page_of(cue: Cue, *, start_s: float, end_s: float) -> Page:
    """The page of a span: 8.6 inches wide, more for passages of over 60 quarter notes."""
    tempo = cue.tempo
    to_x: Callable[[ArrayLike], NDArray[np.float64]] = tempo.s_to_beat if tempo.has_metre else np.asarray
    bar = np.zeros(0, dtype=np.int64)
    changes: dict[int, str] = {}
    bar_x = beat_x = np.zeros(0)
    if tempo.has_metre:
        first, last = (float(x) for x in tempo.tick_to_bar(tempo.s_to_tick([start_s, end_s])))
        bar = np.arange(int(np.floor(first + 1e-6)), int(np.ceil(last - 1e-6)) + 1)
        tick = tempo.bar_to_tick(bar)
        bar_x = tempo.tick_to_beat(tick)
        metre = np.maximum(np.searchsorted(tempo.metre_tick, tick[:-1], side="right") - 1, 0)
        beats = [
            np.arange(a, b - 1e-6, 4.0 / tempo.metre_denominator[m])
            for a, b, m in zip(bar_x[:-1], bar_x[1:], metre, strict=True)
        ]
        printed = [metre_text(tempo, m) for m in range(len(tempo.metre_bar))]
        changes = {int(tempo.metre_bar[m]): printed[m] for m in range(1, len(printed)) if printed[m] != printed[m - 1]}
        beat_x = np.setdiff1d(np.concatenate([*beats, np.zeros(0)]), bar_x)
    length = float(to_x(end_s) - to_x(start_s))
    quarters = length if tempo.has_metre else 2.0 * length
    width = float(np.clip(0.143 * quarters, LEAST_WIDTH, MOST_WIDTH))
    return Page(start_s, end_s, to_x, bar, changes, bar_x, beat_x, width / max(length, 1e-9))


def metre_text(tempo: TempoMap, metre: int) -> str:
    """A metre of the map as printed, such as 3/4."""
    return f"{tempo.metre_numerator[metre]}/{tempo.metre_denominator[metre]}"


def staircase(curve: Curve, page: Page) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Corners of a lane as a device plays it, on the page: x on the axis, y in steps; empty before its first event."""
    start = curve.at(np.array([page.start_s]))
    inside = (curve.time_s > page.start_s) & (curve.time_s < page.end_s)
    time_s, value = curve.time_s[inside], curve.value_cc[inside]
    if np.isfinite(start[0]):
        time_s, value = np.r_[page.start_s, time_s], np.r_[start, value]
    if len(time_s) == 0:
        return np.zeros(0), np.zeros(0)
    x = page.to_x(np.r_[time_s, page.end_s])
    return np.repeat(x, 2)[1:-1], np.repeat(value, 2)


def thinned(
    x: NDArray[np.float64], y: NDArray[np.float64], page: Page
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """A staircase without the corners nobody can see: where an event follows within 1/150 inch, the line goes to it
    straight. Halves the picture of a whole cue.
    """
    if len(x) < 4:
        return x, y
    keep = np.ones(len(x), dtype=bool)
    tread = (x[1:-1:2] - x[:-2:2]) * page.inch_per_x  # each value's way to the next event
    keep[1:-1:2] = tread >= LEAST_TREAD
    return x[keep], y[keep]


def together(left: Curve, right: Curve, page: Page) -> tuple[NDArray[np.float64], ...]:
    """Both lanes at every corner of either: x, left and right values, only where both have one."""
    times = np.unique(np.r_[left.time_s, right.time_s, page.start_s, page.end_s])
    times = times[(times >= page.start_s) & (times <= page.end_s)]
    values = left.at(times), right.at(times)
    known = np.isfinite(values[0]) & np.isfinite(values[1])
    x = np.repeat(page.to_x(times[known]), 2)[1:]
    return x, *(np.repeat(v[known], 2)[:-1] for v in values)


def clock(time_s: float) -> str:
    """Minutes and seconds, with a tenth where it is not whole."""
    tenths = round(time_s * 10)
    minutes, rest = divmod(tenths, 600)
    return f"{minutes}:{rest // 10:02d}" + (f".{rest % 10}" if rest % 10 else "")
