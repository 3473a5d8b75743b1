"""Local boundary strength of a melody: how strongly each gap between two notes sounds like a boundary.

Cambouropoulos 2001 ("The local boundary detection model (LBDM) and its application in the study of expressive
timing", ICMC), from its public description: the degree of change between neighbouring intervals is
r_i = |x_i - x_{i+1}| / (x_i + x_{i+1}), 0 where both are 0; the strength of interval i is x_i (r_{i-1} + r_i); each
profile is scaled to its maximum; the total is .25 pitch + .50 inter-onset + .25 rest.

Departure: `local_boundary_strength` takes the maximum over a window around each interval where `window` is given, so
that a change far away does not change the strength here. Without a window it is the published formula. At both ends
the missing neighbour contributes no change.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from phrasewright.model.shapes import running_maximum

PITCH_WEIGHT, ONSET_WEIGHT, REST_WEIGHT = 0.25, 0.50, 0.25
"""Weights of the three profiles (Cambouropoulos 2001)."""


def change_strength(profile: NDArray[np.float64]) -> NDArray[np.float64]:
    """Strength of each interval of one profile before scaling: the interval times the change on its two sides.

    Parameters
    ----------
    profile : float array, (n_intervals,)
        Intervals, not negative, of any unit.

    Returns
    -------
    float array, (n_intervals,)
        In the profile's unit.
    """
    x = np.asarray(profile, dtype=np.float64)
    if np.any(x < 0):
        raise ValueError("Intervals of a boundary profile must not be negative")
    if len(x) == 0:
        return np.zeros(0)
    total = x[:-1] + x[1:]
    change = np.divide(np.abs(x[:-1] - x[1:]), total, out=np.zeros_like(total), where=total > 0)
    return np.asarray(x * (np.r_[0.0, change] + np.r_[change, 0.0]))


def local_boundary_strength(
    pitch_interval: NDArray[np.float64],
    *,
    inter_onset: NDArray[np.float64],
    rest: NDArray[np.float64],
    window: int | None = None,
) -> NDArray[np.float64]:
    """Boundary strength of each interval between neighbouring notes, 0..1.

    Parameters
    ----------
    pitch_interval : float array, (n_notes - 1,)
        Absolute size in semitones.
    inter_onset, rest : float array, (n_notes - 1,)
        Onset to onset, and offset to the next onset (0 where they overlap), both in one unit of time.
    window : int, optional
        Scale each profile to its maximum within so many intervals on both sides; without it, to its maximum.

    Returns
    -------
    float array, (n_notes - 1,)
        Element i belongs to the gap between note i and note i + 1.
    """
    total = np.zeros(len(pitch_interval))
    weighted = ((pitch_interval, PITCH_WEIGHT), (inter_onset, ONSET_WEIGHT), (rest, REST_WEIGHT))
    for profile, weight in weighted:
        strength = change_strength(profile)
        if len(strength) == 0:
            continue
        top = np.full(len(strength), strength.max()) if window is None else windowed_maximum(strength, window=window)
        total += weight * np.divide(strength, top, out=np.zeros_like(strength), where=top > 0)
    return total


def windowed_maximum(values: NDArray[np.float64], *, window: int) -> NDArray[np.float64]:
    """Maximum within `window` elements on both sides of each, shape of `values`."""
    padded = np.pad(np.asarray(values, dtype=np.float64), window, constant_values=-np.inf)
    return running_maximum(padded, 2 * window + 1)
