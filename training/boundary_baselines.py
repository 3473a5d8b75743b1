"""Simple and published ways to find phrases, to compare with: each gives a strength to every gap, or picks gaps
outright.

Tenney and Polansky 1980 ("Temporal gestalt perception in music", Journal of Music Theory 24:205), from memory: the
distance between neighbouring elements is city-block, a semitone of pitch weighing as much as a tenth of a second
between onsets; a new group begins where the distance is greater than the ones before and after. The same holds one
level up for the groups: the distance between two groups adds the difference of their mean pitches, the time from
start to start, and half the distance across their border. Loudness is left out, since the songs have none.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from phrasewright.model.boundaries import local_boundary_strength
from phrasewright.model.boundary_features import Floats, Melody

TIME_WEIGHT_PER_S = 10.0
"""A tenth of a second weighs as much as a semitone (Tenney and Polansky 1980, from memory)."""
BORDER_WEIGHT = 0.5


def always(melody: Melody) -> NDArray[np.bool_]:
    """A phrase at every note."""
    return np.ones(melody.n_notes, dtype=bool)


def every_rest(melody: Melody) -> NDArray[np.bool_]:
    """A phrase after every silence."""
    return np.asarray(np.r_[True, melody.onset_s[1:] - melody.release_s[:-1] > 1e-3])


def every_two_bars(melody: Melody) -> NDArray[np.bool_]:
    """A phrase two bars after the first note, and so on, upbeats included."""
    pair = np.floor((melody.bar - melody.bar[0]) / 2 + 1e-6)
    return np.asarray(np.r_[True, np.diff(pair) > 0])


def boundary_strength(melody: Melody) -> Floats:
    """Cambouropoulos 2001 over the whole song, scaled to its maximum; 0 where a neighbour is stronger."""
    strength = local_boundary_strength(
        np.abs(np.diff(melody.pitch)),
        inter_onset=np.diff(melody.onset_s),
        rest=np.maximum(melody.onset_s[1:] - melody.release_s[:-1], 0.0),
    )
    beside = np.maximum(np.r_[0.0, strength[:-1]], np.r_[strength[1:], 0.0])
    strength = np.where(strength >= beside, strength, 0.0)
    return np.asarray(np.r_[1.0, strength / max(float(strength.max(initial=0.0)), 1e-9)])


def first_level(melody: Melody) -> NDArray[np.bool_]:
    """Groups of notes by Tenney and Polansky."""
    distance = TIME_WEIGHT_PER_S * np.diff(melody.onset_s) + np.abs(np.diff(melody.pitch))
    return np.asarray(np.r_[True, _peaks(distance)])


def second_level(melody: Melody) -> NDArray[np.bool_]:
    """Groups of groups by Tenney and Polansky."""
    starts = np.flatnonzero(first_level(melody))
    length = np.r_[np.diff(melody.onset_s), 1e-3]
    weighted = np.add.reduceat(melody.pitch * length, starts) / np.add.reduceat(length, starts)
    border = TIME_WEIGHT_PER_S * np.diff(melody.onset_s) + np.abs(np.diff(melody.pitch))
    distance = np.abs(np.diff(weighted)) + TIME_WEIGHT_PER_S * np.diff(melody.onset_s[starts])
    distance += BORDER_WEIGHT * border[starts[1:] - 1]
    begins = np.zeros(melody.n_notes, dtype=bool)
    begins[starts[np.r_[True, _peaks(distance)]]] = True
    return begins


def _peaks(distance: Floats) -> NDArray[np.bool_]:
    """Where a distance is greater than both neighbours; at the ends one neighbour is missing, and nothing begins."""
    peak = np.zeros(len(distance), dtype=bool)
    if len(distance) > 2:
        peak[1:-1] = (distance[1:-1] > distance[:-2]) & (distance[1:-1] > distance[2:])
    return peak
