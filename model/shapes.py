"""The elementary curves that rules add up. Pure functions of arrays, with answers of
their first argument's shape unless said otherwise; shares run 0..1, nothing here knows of music.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]


def ease(share: ArrayLike) -> Array:
    """0 before 0, 1 after 1, a cubic with level ends between. Its steepest slope is 1.5 a unit."""
    x = np.clip(share, 0.0, 1.0)
    return np.asarray(x * x * (3.0 - 2.0 * x))


def bump(distance: ArrayLike) -> Array:
    """1 at 0, level at both ends, 0 from distance 1 on: half a cosine. Its steepest slope is pi / 2 a unit."""
    return np.asarray(0.5 + 0.5 * np.cos(np.pi * np.clip(np.abs(distance), 0.0, 1.0)))


def skewed_arc(
    share: Array, *, start: Array, top: Array, end: Array, peak: Array, rise_power: float, fall_power: float
) -> Array:
    """From `start` over `top` at the share `peak` to `end`; level at the top and at both ends.

    A power above 1 makes that flank hold back: the rise begins later, the fall comes later.
    """
    rising = share <= peak
    way = ease(np.where(rising, share / peak, (share - peak) / (1.0 - peak)))
    way[rising] **= rise_power
    way[~rising] **= fall_power
    begin, goal = np.where(rising, start, top), np.where(rising, top, end)
    return np.asarray(begin + (goal - begin) * way)


def through_nodes(share: Array, nodes: tuple[tuple[float, float], ...], *, last_power: float = 1.0) -> Array:
    """Through (place, value) nodes with level turns; the last stretch is a power curve where `last_power` is not 1.

    The power curve still moves when it arrives, as a crescendo into a cut-off does.
    """
    place, value = np.array(nodes).T
    i = np.clip(np.searchsorted(place, share, side="right") - 1, 0, len(place) - 2)
    x = np.clip((share - place[i]) / (place[i + 1] - place[i]), 0.0, 1.0)
    x = np.where(i == len(place) - 2, x**last_power, ease(x)) if last_power != 1.0 else ease(x)
    return np.asarray(value[i] + (value[i + 1] - value[i]) * x)


def softening(share: ArrayLike, *, end: float, power: float) -> Array:
    """The curve by which a performance slows and softens at its end: v(x) = (1 + (w^q - 1) x)^(1/q).

    Friberg and Sundberg 1999, JASA 105:1469: w is the value reached (`end`), q the power. Shape of `share`.
    """
    return np.asarray((1.0 + (end**power - 1.0) * np.clip(share, 0.0, 1.0)) ** (1.0 / power))


def bent_into(value: Array, low: float, high: float, *, knee: float) -> Array:
    """The values, bent smoothly so that they stay within `low`..`high`; unchanged farther than `knee` from both.

    Beyond the knee's start the excess d becomes knee * (1 - exp(-d / knee)): the curve never stands still at the bound.
    """
    knee = min(knee, (high - low) / 2.0)
    out = value.copy()
    above, below = value > high - knee, value < low + knee
    over, under = value[above] - (high - knee), (low + knee) - value[below]
    out[above] = value[above] - over + knee * -np.expm1(-over / knee)
    out[below] = value[below] + under - knee * -np.expm1(-under / knee)
    return out


def running_maximum(value: Array, width: int) -> Array:
    """The highest of `width` values from each on, shape (n_values - width + 1,): of one, two, four ... and the rest."""
    held = 1
    while held < width:
        step = min(held, width - held)
        value = np.maximum(value[:-step], value[step:])
        held += step
    return value


class Window:
    """A moving average whose window differs from frame to frame, cut at the ends of a phrase or a run.

    Parameters
    ----------
    low, high : int arrays, (n_frames,)
        Frame i is averaged over `low[i]` to `high[i]`, the latter not included; at least one frame each.
    weight : float array, (n_frames,), optional
        1 for frames that count, 0 for others; all count without it.
    """

    def __init__(self, low: NDArray[np.int64], high: NDArray[np.int64], weight: Array | None = None) -> None:
        self.low, self.high, self.weight = low, high, weight
        if weight is None:
            self.count = (high - low).astype(np.float64)
        else:
            total = np.concatenate([[0.0], np.cumsum(weight)])
            self.count = total[high] - total[low]

    def mean(self, value: Array) -> Array:
        """Mean around every frame, shape (n_frames,); the frame's own value where nothing counts."""
        total = np.zeros(len(value) + 1)
        np.cumsum(value if self.weight is None else value * self.weight, out=total[1:])
        mean = (total[self.high] - total[self.low]) / np.maximum(self.count, 1.0)
        return mean if self.weight is None else np.asarray(np.where(self.count > 0.5, mean, value))
