"""How loud two controllers are together, in decibels.

Controller 11 follows the level law of General MIDI: `L = 40 log10(CC7 * CC11 / 127^2)` (General MIDI developer
guidelines). Controller 1 crosses sampled dynamic layers: unless an instrument was profiled, 24 dB spread evenly over
its 127 steps (common practice, no source). The two add.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

FULL_CC = 127.0
LEVEL_LAW_DB = 40.0
"""Decibels for a factor of ten in controller 7 or 11 (General MIDI developer guidelines)."""
DYNAMICS_RANGE_DB = 24.0
"""What controller 1 adds from 0 to 127 unless profiled (common practice, no source)."""
DYNAMICS_DB_PER_STEP = DYNAMICS_RANGE_DB / FULL_CC


def expression_to_db(expression_cc: ArrayLike, *, volume_cc: ArrayLike = FULL_CC) -> NDArray[np.float64]:
    """Level of controller 11 under controller 7 in dB: 0 where both are 127, minus infinity at 0."""
    product = np.asarray(expression_cc, dtype=np.float64) * np.asarray(volume_cc, dtype=np.float64)
    with np.errstate(divide="ignore"):
        return np.asarray(LEVEL_LAW_DB * np.log10(product / FULL_CC**2))


def db_to_expression(level_db: ArrayLike) -> NDArray[np.float64]:
    """Controller 11 in steps that gives a level in dB under controller 7 at 127. The inverse of `expression_to_db`."""
    return np.asarray(FULL_CC * 10.0 ** (np.asarray(level_db, dtype=np.float64) / LEVEL_LAW_DB))


def dynamics_to_db(dynamics_cc: ArrayLike) -> NDArray[np.float64]:
    """Level of controller 1 in dB, 0 at 127, of an instrument without a profile. Shape of the input."""
    return np.asarray((np.asarray(dynamics_cc, dtype=np.float64) - FULL_CC) * DYNAMICS_DB_PER_STEP)


def combined_level_db(dynamics_cc: ArrayLike, expression_cc: ArrayLike) -> NDArray[np.float64]:
    """Level of dynamics and expression together in dB, 0 where both are 127. Shape of the inputs."""
    return np.asarray(dynamics_to_db(dynamics_cc) + expression_to_db(expression_cc))
