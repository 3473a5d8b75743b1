"""What a lane does where its part rests: it holds, glides to the value of the next entry, and waits there.

After an offset into a rest the lane holds, so that the release sounds as played. Then it moves in small steps to the
value with which the next note enters, and stands still from at least 100 ms before that entry. After a long rest the
value is stated again. Units: ticks, seconds, controller steps. All figures are common practice without a source.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from phrasewright.data.tempo import TempoMap
from phrasewright.model.thinning import MIN_SPACING_S

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

REST_S = 0.25
"""Silence from which a rest counts; shorter gaps are bridged by the curve."""
HOLD_S = 0.4
"""How long a lane holds after an offset, or half the rest if that is shorter."""
LEAD_S, LEAST_LEAD_S = 0.12, 0.1
"""How far ahead of an entry its value is reached: aimed at, and at least."""
TAIL_S = 1.0
"""From the last offset to the return to the start value."""
GLIDE_STEP_CC = 4
GLIDE_CC_PER_S = 40.0
"""Step and speed of the way to the next entry, where there is time."""
LONG_REST_S, LONG_REST_BARS = 8.0, 4.0
"""After so long a rest the entry value is restated: players may have lost it by chasing, resets or looping."""


def floor_tick(time_s: Floats, tempo: TempoMap) -> Ints:
    """The last tick at or before each time."""
    tick = tempo.s_to_tick(time_s)
    return np.maximum(tick - (tempo.tick_to_s(tick) > time_s + 1e-9), 0)


def rest_events(
    end: Ints, start: Ints, old: Floats, new: Floats, from_stay: NDArray[np.bool_], to_stay: NDArray[np.bool_],
    tempo: TempoMap,
) -> tuple[Ints, Ints]:
    """(tick, value) of the events in rests; all arrays of shape (n_rests,).

    Parameters
    ----------
    end, start : int
        Ticks where the sound ends and where it goes on.
    old, new : float
        The value held at the end, and that of the next entry.
    from_stay, to_stay : bool
        The rest begins behind, or ends at, a stretch that stays as drawn: there is no hold then, or no lead.
    """
    end_s, start_s = tempo.tick_to_s(end), tempo.tick_to_s(start)
    hold_s = end_s + np.where(from_stay, 0.0, np.minimum(HOLD_S, (start_s - end_s) / 2))
    ahead_s = np.maximum(start_s - LEAD_S, np.minimum(hold_s, start_s - LEAST_LEAD_S))
    arrive_s = np.where(to_stay, np.maximum(start_s - 1.5 * MIN_SPACING_S, hold_s), ahead_s)
    room_s = np.maximum(arrive_s - hold_s, 0.0)
    way = np.abs(new - old)
    # One event fewer than fit: the last may be a restatement.
    fit = np.floor(room_s / (MIN_SPACING_S * 1.15))
    n_events = np.where(way > 0, np.clip(np.ceil(way / GLIDE_STEP_CC), 1, np.maximum(fit, 1)), 0).astype(np.int64)
    least_s = n_events * MIN_SPACING_S * 1.15
    glide_s = np.minimum(room_s, np.maximum(least_s, np.minimum(way / GLIDE_CC_PER_S, 1.0)))
    rest = np.repeat(np.arange(len(end)), n_events)
    j = np.arange(len(rest)) - np.repeat(np.cumsum(n_events) - n_events, n_events) + 1.0
    share = j / np.maximum(n_events[rest], 1)
    level = np.rint(old[rest] + (new - old)[rest] * share)
    lowest = tempo.s_to_tick(hold_s)
    lowest += tempo.tick_to_s(lowest) < hold_s - 1e-9
    highest = floor_tick(arrive_s, tempo)
    latest = np.where(to_stay, start - 1, np.maximum(floor_tick(start_s - LEAST_LEAD_S, tempo), 0))
    highest = np.minimum(np.maximum(highest, np.minimum(lowest, latest)), latest)
    tick = tempo.s_to_tick(hold_s[rest] + glide_s[rest] * share)
    tick = np.maximum(np.minimum(np.maximum(tick, lowest[rest]), highest[rest]), end[rest])

    rest_bars = tempo.tick_to_bar(start) - tempo.tick_to_bar(end) if tempo.has_metre else np.zeros(len(end))
    long_rest = ~to_stay & ((start_s - end_s >= LONG_REST_S) | (rest_bars >= LONG_REST_BARS))
    return np.r_[tick, highest[long_rest]], np.r_[level, new[long_rest]].astype(np.int64)
