"""Figures of life: a low mean error hides dead curves, so depth, energy and slopes are judged beside it.

All compare a lane with another over frames 20 ms apart: rests bridged by straight lines, values in whole steps.
Definitions are this project's: depth at a join is the lower of the values 200 ms before and after minus the minimum
within 120 ms, over joins where the reference dips more than 3 steps; energy is the power between .5 and 6 Hz; slopes
are differences of the 100 ms moving average.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
FRAME_20_S = 0.02


def bridged(value_cc: Array, sounding: NDArray[np.bool_]) -> Array:
    """A lane in whole steps, with straight lines where nothing sounds; both of shape (n_frames,)."""
    at = np.flatnonzero(sounding)
    if len(at) == 0:
        return np.asarray(np.rint(value_cc))
    return np.asarray(np.interp(np.arange(len(value_cc)), at, np.rint(value_cc[at])))


def join_depths_cc(value_cc: Array, joins_s: Array) -> Array:
    """Depth at each join in steps, shape (n_joins,). `value_cc` stands every 20 ms from time 0."""
    n = len(value_cc)
    frame = np.rint(joins_s / FRAME_20_S).astype(np.int64)
    around = np.clip(frame[:, None] + np.arange(-6, 7), 0, n - 1)  # within 120 ms
    sides = np.minimum(value_cc[np.clip(frame - 10, 0, n - 1)], value_cc[np.clip(frame + 10, 0, n - 1)])
    return np.asarray(sides - value_cc[around].min(axis=1))


def depth_ratio(reference_cc: Array, value_cc: Array, joins_s: Array) -> float:
    """Mean depth over mean depth of the reference, at joins where the reference dips more than 3; nan without any."""
    wanted = join_depths_cc(reference_cc, joins_s)
    deep = wanted > 3.0
    return float(join_depths_cc(value_cc, joins_s)[deep].mean() / wanted[deep].mean()) if np.any(deep) else float("nan")


def energy_cc2(value_cc: Array) -> float:
    """Power between .5 and 6 Hz, in squared steps."""
    spectrum = np.abs(np.fft.rfft(value_cc - value_cc.mean())) ** 2
    hz = np.fft.rfftfreq(len(value_cc), FRAME_20_S)
    return float(spectrum[(hz >= 0.5) & (hz <= 6.0)].sum() / len(value_cc) ** 2 * 2.0)


def slopes_cc(value_cc: Array) -> Array:
    """Differences of the 100 ms moving average, steps a frame, shape (n_frames - 5,)."""
    return np.asarray(np.diff(np.convolve(value_cc, np.ones(5) / 5.0, mode="valid")))


def slope_correlation(reference_cc: Array, value_cc: Array, sounding: NDArray[np.bool_]) -> float:
    """Pearson correlation of slopes over sounding frames; nan where either stands still."""
    on = sounding[3:-2]
    left, right = slopes_cc(reference_cc)[on], slopes_cc(value_cc)[on]
    return float(np.corrcoef(left, right)[0, 1]) if left.std() > 0 and right.std() > 0 else float("nan")
