"""Too many turns: dips that come faster than a controller lane may turn.

At most twelve reversals larger than four steps in any second are written (common practice, no source). Where quick
notes ask for more, the shallowest dips give way first and the others keep their depth.

Stretches and staircases are those of `thinning.py`. Positions in frames of `FRAME_S`, values in controller steps.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from phrasewright.model.lanes import FRAME_S

if TYPE_CHECKING:
    from phrasewright.model.thinning import Staircase, Stretches

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

REVERSAL_CC = 4
MAX_REVERSALS = 12
MOST_TURNS = MAX_REVERSALS - 2
"""Turns in a second that are left in a stretch; rests may add two."""
_FILLING, _WIDTHS = 6, (31, 65, 101, 151, 201, 301, 401)
ATTEMPTS = _FILLING + len(_WIDTHS)
"""Attempts at a calmer curve: first dips are filled, then it is smoothed over so many frames."""


def reversal_positions(position: Floats, value_cc: Ints) -> list[float]:
    """Where a staircase turns by more than 4 steps: the positions of the turning events, in order."""
    return [float(position[i]) for i in _turns(value_cc)]


def _turns(value_cc: Ints) -> list[int]:
    """The events at which a staircase turns by more than 4 steps, in order: highest and lowest by turns."""
    turns: list[int] = []
    if not len(value_cc):
        return turns
    high = low = int(value_cc[0])
    high_at = low_at = 0
    direction = 0
    for at, value in enumerate(value_cc.tolist()):
        if direction >= 0 and value > high:
            high, high_at = value, at
        if direction <= 0 and value < low:
            low, low_at = value, at
        if direction >= 0 and high - value > REVERSAL_CC:
            if direction > 0:
                turns.append(high_at)
            direction, low, low_at = -1, value, at
        elif direction <= 0 and value - low > REVERSAL_CC:
            if direction < 0:
                turns.append(low_at)
            direction, high, high_at = 1, value, at
    return turns


def restless(stairs: Staircase, stretches: Stretches) -> Ints:
    """The stretches of lanes with too many reversals in some second."""
    lane = stretches.lane[stairs.stretch]
    at = stretches.origin[stairs.stretch] + stairs.position
    step = np.sign(np.diff(stairs.value_cc))
    turn = np.flatnonzero((step[1:] * step[:-1] < 0) & (lane[2:] == lane[:-2])) + 1
    if len(turn) <= MOST_TURNS:
        return np.zeros(0, dtype=np.int64)
    close = (lane[turn[MOST_TURNS:]] == lane[turn[:-MOST_TURNS]]) & _within_a_second(at[turn])
    found = []
    for busy in np.unique(lane[turn[MOST_TURNS:][close]]).tolist():
        rows = slice(*np.searchsorted(lane, [busy, busy + 1]).tolist())
        if np.any(_within_a_second(np.array(reversal_positions(at[rows], stairs.value_cc[rows])))):
            found.append(busy)
    return np.flatnonzero(np.isin(stretches.lane, found))


def _within_a_second(at: Floats) -> NDArray[np.bool_]:
    """Whether `MOST_TURNS` more follow each position within a second; the last that many have no answer."""
    return np.asarray(at[MOST_TURNS:] - at[:-MOST_TURNS] <= 1.0 / FRAME_S)


def calmed(stretches: Stretches, stairs: Staircase, attempt: int) -> Stretches:
    """The curves with the shallowest dips of each crowded second filled up to where they no longer count as turns.

    So of seven joins in a second the strongest keep their depth. What is too restless still after some attempts is
    smoothed, ever wider. The first value of each stretch stays.
    """
    value = stretches.value_cc.copy()
    lane = stretches.lane[stairs.stretch]
    at = stretches.origin[stairs.stretch] + stairs.position
    begins, ends = stretches.origin, stretches.origin + np.diff(stretches.begin)
    for busy in np.unique(lane).tolist():
        rows = slice(*np.searchsorted(lane, [busy, busy + 1]).tolist())
        turns = _turns(stairs.value_cc[rows])
        for low, high, floor_cc in _crowded(at[rows][turns], stairs.value_cc[rows][turns]):
            for k in np.flatnonzero((stretches.lane == busy) & (begins <= high) & (ends > low)).tolist():
                first, start, stop = (
                    stretches.begin[k] - begins[k],
                    int(stretches.begin[k]),
                    int(stretches.begin[k + 1]),
                )
                a, b = max(first + int(low), start), min(first + int(high) + 2, stop)
                if attempt < _FILLING:
                    value[a:b] = np.maximum(value[a:b], floor_cc)
                else:
                    width = _WIDTHS[attempt - _FILLING]
                    a, b = max(a - width, start), min(b + width, stop)
                    value[a:b] = _smoothed(value[a:b], width)
    first = stretches.begin[:-1]
    value[first] = stretches.value_cc[first]  # where each stretch begins is written already: no jump from there
    return replace(stretches, value_cc=value)


def _crowded(at: Floats, level_cc: Ints) -> list[tuple[float, float, float]]:
    """(first, last position, floor) of the dips to fill so that no second holds too many of these turns."""
    places, levels = at.tolist(), level_cc.astype(np.float64).tolist()
    found = []
    k = 0
    while k + MOST_TURNS < len(places):
        if places[k + MOST_TURNS] - places[k] > 1.0 / FRAME_S:
            k += 1
            continue
        inner = range(max(k, 1), min(k + MOST_TURNS, len(places) - 2) + 1)
        dips = [i for i in inner if levels[i] < levels[i - 1]]
        i = min(dips, key=lambda i: min(levels[i - 1], levels[i + 1]) - levels[i])
        lower = i - 1 if levels[i - 1] <= levels[i + 1] else i + 1
        found.append((places[i - 1], places[i + 1], levels[lower] - REVERSAL_CC + 0.5))
        for gone in sorted((i, lower), reverse=True):
            del places[gone], levels[gone]
        k = max(k - MOST_TURNS, 0)
    return found


def _smoothed(value: Floats, width: int) -> Floats:
    """A curve brought to its moving average over `width` frames, faded in and out over half of them."""
    half = width // 2
    padded = np.pad(value, half, mode="edge")
    smooth = np.convolve(padded, np.full(2 * half + 1, 1.0 / (2 * half + 1)), mode="valid")
    i = np.arange(len(value))
    weight = np.clip(np.minimum(i, len(value) - 1 - i) / max(width / 2, 1.0), 0.0, 1.0)
    return np.asarray(value + weight * (smooth - value))


def only(stretches: Stretches, chosen: Ints) -> Stretches:
    """Some of the stretches."""
    length = np.diff(stretches.begin)[chosen]
    begin = np.r_[0, np.cumsum(length)]
    frames = np.repeat(stretches.begin[chosen] - begin[:-1], length) + np.arange(begin[-1])
    return replace(
        stretches,
        value_cc=stretches.value_cc[frames],
        begin=begin,
        spacing=stretches.spacing[frames],
        limit_cc=stretches.limit_cc[frames],
        lane=stretches.lane[chosen],
        origin=stretches.origin[chosen],
    )


def picked(stairs: Staircase, chosen: Ints) -> Staircase:
    """The events of some of the stretches, numbered anew."""
    mine = np.isin(stairs.stretch, chosen)
    number = np.searchsorted(chosen, stairs.stretch[mine])
    return replace(stairs, stretch=number, position=stairs.position[mine], value_cc=stairs.value_cc[mine])


def put_in(stairs: Staircase, changed: Staircase, chosen: Ints) -> Staircase:
    """All events, those of the chosen stretches as changed."""
    rest = ~np.isin(stairs.stretch, chosen)
    stretch = np.r_[stairs.stretch[rest], chosen[changed.stretch]]
    order = np.argsort(stretch, kind="stable")
    position = np.r_[stairs.position[rest], changed.position][order]
    value_cc = np.r_[stairs.value_cc[rest], changed.value_cc][order]
    return replace(stairs, stretch=stretch[order], position=position, value_cc=value_cc)


def put_back(stretches: Stretches, changed: Stretches, chosen: Ints) -> Stretches:
    """All stretches, the chosen ones as changed."""
    length = np.diff(changed.begin)
    frames = np.repeat(stretches.begin[chosen] - changed.begin[:-1], length) + np.arange(length.sum())
    value, limit = stretches.value_cc.copy(), stretches.limit_cc.copy()
    value[frames], limit[frames] = changed.value_cc, changed.limit_cc
    return replace(stretches, value_cc=value, limit_cc=limit)
