"""Ticks, seconds, quarter notes and bars of one file, converted exactly and in whole arrays.

Ticks are the file's own unit, seconds count from tick 0, beats are quarter notes whatever the metre, bars count from
1 at tick 0. Defaults of the Standard MIDI File: 500000 microseconds a quarter note and 4/4 until said otherwise (from
memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

DEFAULT_TEMPO_US = 500_000
NOMINAL_BEAT_S = 0.5
"""Length of a "beat" where the file has no quarter notes (SMPTE division)."""


@dataclass(frozen=True)
class TempoMap:
    """Piecewise linear tempo and metre.

    Parameters
    ----------
    tick, second : arrays, (n_tempi,)
        Where each tempo begins; the first is tick 0, second 0.
    s_per_tick : float array, (n_tempi,)
        Seconds a tick lasts from there on.
    ticks_per_beat : float
        Ticks in a quarter note; with SMPTE division, in half a second.
    metre_tick, metre_bar, bar_ticks : arrays, (n_metres,)
        Where each metre begins, the number of the bar that begins there, and a bar's length in ticks.
    metre_numerator, metre_denominator : int arrays, (n_metres,)
        The metre as printed.
    has_metre : bool
        False with SMPTE division: there are no bars and no beats then.
    """

    tick: NDArray[np.int64]
    second: NDArray[np.float64]
    s_per_tick: NDArray[np.float64]
    ticks_per_beat: float
    metre_tick: NDArray[np.int64]
    metre_bar: NDArray[np.int64]
    bar_ticks: NDArray[np.float64]
    metre_numerator: NDArray[np.int64]
    metre_denominator: NDArray[np.int64]
    has_metre: bool = True

    def tick_to_s(self, tick: ArrayLike) -> NDArray[np.float64]:
        """Seconds at each tick."""
        tick = np.asarray(tick, dtype=np.float64)
        i = np.maximum(np.searchsorted(self.tick, tick, side="right") - 1, 0)
        return np.asarray(self.second[i] + (tick - self.tick[i]) * self.s_per_tick[i])

    def s_to_tick(self, time_s: ArrayLike) -> NDArray[np.int64]:
        """Nearest tick at each time, never below 0. The inverse of `tick_to_s` for whole ticks."""
        time_s = np.asarray(time_s, dtype=np.float64)
        i = np.maximum(np.searchsorted(self.second, time_s, side="right") - 1, 0)
        tick = self.tick[i] + (time_s - self.second[i]) / self.s_per_tick[i]
        return np.maximum(np.rint(tick), 0).astype(np.int64)

    def tick_to_beat(self, tick: ArrayLike) -> NDArray[np.float64]:
        """Quarter notes from tick 0; shape as given."""
        return np.asarray(np.asarray(tick, dtype=np.float64) / self.ticks_per_beat)

    def s_to_beat(self, time_s: ArrayLike) -> NDArray[np.float64]:
        """Quarter notes from tick 0 at each time, not rounded to ticks."""
        time_s = np.asarray(time_s, dtype=np.float64)
        i = np.maximum(np.searchsorted(self.second, time_s, side="right") - 1, 0)
        return np.asarray((self.tick[i] + (time_s - self.second[i]) / self.s_per_tick[i]) / self.ticks_per_beat)

    def beat_to_s(self, beat: ArrayLike) -> NDArray[np.float64]:
        """Seconds at each quarter note."""
        return self.tick_to_s(np.asarray(beat, dtype=np.float64) * self.ticks_per_beat)

    def beat_length_s(self, time_s: ArrayLike) -> NDArray[np.float64]:
        """Seconds a quarter note lasts at each time."""
        i = np.maximum(np.searchsorted(self.second, np.asarray(time_s), side="right") - 1, 0)
        return np.asarray(self.s_per_tick[i] * self.ticks_per_beat)

    def tick_to_bar(self, tick: ArrayLike) -> NDArray[np.float64]:
        """Bar as a real number: 1.0 at the first downbeat, 1.5 half-way through the first bar. Shape as given."""
        tick = np.asarray(tick, dtype=np.float64)
        i = np.maximum(np.searchsorted(self.metre_tick, tick, side="right") - 1, 0)
        return np.asarray(self.metre_bar[i] + (tick - self.metre_tick[i]) / self.bar_ticks[i])

    def bar_and_beat(self, tick: float) -> tuple[int, float]:
        """The bar in which a tick lies and the beat within it, both from 1; beats are the metre's own unit."""
        bar = float(self.tick_to_bar(tick))
        first = int(bar + 1e-9)
        i = max(int(np.searchsorted(self.metre_tick, tick, side="right")) - 1, 0)
        beat_ticks = 4.0 * self.ticks_per_beat / float(self.metre_denominator[i])
        return first, 1.0 + (bar - first) * float(self.bar_ticks[i]) / beat_ticks

    def bar_at(self, time_s: ArrayLike) -> NDArray[np.int64]:
        """The bar in which each time lies, counted from 1."""
        return np.floor(self.tick_to_bar(self.s_to_tick(time_s)) + 1e-9).astype(np.int64)

    def bar_to_tick(self, bar: ArrayLike) -> NDArray[np.int64]:
        """Tick of each bar's downbeat; `bar` counts from 1."""
        bar = np.asarray(bar, dtype=np.float64)
        i = np.maximum(np.searchsorted(self.metre_bar, bar, side="right") - 1, 0)
        return np.rint(self.metre_tick[i] + (bar - self.metre_bar[i]) * self.bar_ticks[i]).astype(np.int64)

    def bar_length_s(self, time_s: ArrayLike) -> NDArray[np.float64]:
        """Seconds a bar lasts at each time, at the tempo and metre there."""
        tick = self.s_to_tick(time_s)
        i = np.maximum(np.searchsorted(self.metre_tick, tick, side="right") - 1, 0)
        return np.asarray(self.bar_ticks[i] / self.ticks_per_beat * self.beat_length_s(time_s))


def tempo_map(
    tempi: list[tuple[int, int]], metres: list[tuple[int, int, int]], *, ticks_per_beat: int
) -> TempoMap:
    """Build the map of a file with musical time.

    Parameters
    ----------
    tempi : list of (tick, microseconds a quarter note)
        In any order; of several at one tick the last counts.
    metres : list of (tick, numerator, denominator)
        Likewise. A metre that begins inside a bar cuts that bar short: a new bar begins with it.
    ticks_per_beat : int
        The file's division.
    """
    by_tick = {0: DEFAULT_TEMPO_US} | {tick: us for tick, us in sorted(tempi, key=lambda pair: pair[0])}
    tick = np.array(list(by_tick), dtype=np.int64)
    s_per_tick = np.array(list(by_tick.values()), dtype=np.float64) / 1e6 / ticks_per_beat
    second = np.r_[0.0, np.cumsum(np.diff(tick) * s_per_tick[:-1])]

    metre_by_tick = {0: (4, 4)} | {tick: (n, d) for tick, n, d in sorted(metres, key=lambda row: row[0])}
    metre_tick = np.array(list(metre_by_tick), dtype=np.int64)
    numerator, denominator = np.array(list(metre_by_tick.values()), dtype=np.int64).T  # (n_metres,) each
    bar_ticks = ticks_per_beat * 4.0 * numerator / denominator
    bars_in = np.ceil(np.diff(metre_tick) / bar_ticks[:-1] - 1e-9).astype(np.int64)
    return TempoMap(
        tick=tick,
        second=second,
        s_per_tick=s_per_tick,
        ticks_per_beat=float(ticks_per_beat),
        metre_tick=metre_tick,
        metre_bar=np.r_[1, 1 + np.cumsum(bars_in)],
        bar_ticks=bar_ticks,
        metre_numerator=numerator,
        metre_denominator=denominator,
    )


def smpte_map(ticks_per_s: float) -> TempoMap:
    """The map of a file whose division counts film frames: ticks are seconds, tempo and metre do not apply."""
    zero = np.zeros(1, dtype=np.int64)
    four = np.array([4], dtype=np.int64)
    ticks_per_beat = ticks_per_s * NOMINAL_BEAT_S
    return TempoMap(
        tick=zero,
        second=np.zeros(1),
        s_per_tick=np.array([1.0 / ticks_per_s]),
        ticks_per_beat=ticks_per_beat,
        metre_tick=zero.copy(),
        metre_bar=np.ones(1, dtype=np.int64),
        bar_ticks=np.array([4.0 * ticks_per_beat]),
        metre_numerator=four,
        metre_denominator=four.copy(),
        has_metre=False,
    )
