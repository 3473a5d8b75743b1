"""Divide a line into phrases of plausible length, from how likely a phrase is to begin at each note.

Sure beginnings stand. Between them the best division is found by dynamic programming: what a beginning gains are its
log odds, what a phrase costs depends on its length. Stretches longer than half a minute are first cut at their
clearest points, so that no decision depends on music further away.

Units: seconds; log odds. Costs were chosen on held-out chorales and invented songs; lengths are common practice, no
source.
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from phrasewright.model.boundary_features import Floats, Melody

USUAL_S = (2.0, 12.0)
"""Phrases of these lengths cost nothing."""
SHORT_COST, LONG_COST = 0.8, 2.0
"""Cost of being half as long as the shortest usual length, and twice as long as the longest."""
LONGEST_S = 16.0
"""No phrase is longer unless it is one note, or nothing divides it."""
BIAS = 0.4
"""Added to the log odds: F1 is best where a beginning is taken a little before it is as likely as not."""
LEAST_ODDS = -4.5
"""Notes with lower log odds cannot begin a phrase."""
WINDOW_S = 30.0
"""Stretches without a sure cut are divided at their clearest point until they are shorter than this."""
CLEAREST_WITHIN_S = 5.0
"""A point is clear enough to cut a long stretch where nothing within this distance is clearer."""
TIE_S = 8.0
"""Where all points are equally clear, the first of every eight seconds is taken."""
_MOST_POINTS = 500


def length_cost(length_s: Floats) -> Floats:
    """What phrases of each length cost in log odds, shape of `length_s`."""
    octaves = np.log2(np.maximum(length_s, 0.05))
    short = np.maximum(np.log2(USUAL_S[0]) - octaves, 0.0)
    long = np.maximum(octaves - np.log2(USUAL_S[1]), 0.0)
    return np.asarray(SHORT_COST * short**2 + LONG_COST * long**2 + 12.0 * np.maximum(length_s / LONGEST_S - 1.0, 0.0))


def odds_of(probability: Floats) -> Floats:
    """Log odds of each probability, kept within reason, with `BIAS`."""
    p = np.clip(probability, 1e-4, 1 - 1e-4)
    return np.asarray(np.log(p / (1 - p)) + BIAS)


def phrase_begins(melody: Melody, probability: Floats) -> list[int]:
    """Notes of a line at which phrases begin, from the probability of each; nothing is sure but the first."""
    sure = np.zeros(melody.n_notes, dtype=bool)
    return divide(melody.onset_s, melody.release_s, odds=odds_of(probability), sure=sure)


def divide(onset_s: Floats, release_s: Floats, *, odds: Floats, sure: NDArray[np.bool_]) -> list[int]:
    """Notes at which phrases begin, in order; the first note always does.

    Parameters
    ----------
    onset_s, release_s : float arrays, (n_notes,)
        Seconds.
    odds : float array, (n_notes,)
        Log odds of a phrase beginning at each note.
    sure : bool array, (n_notes,)
        Beginnings that stand whatever the odds.
    """
    n = len(onset_s)
    if n == 0:
        return []
    edges = np.flatnonzero(sure | (np.arange(n) == 0)).tolist()
    begins: list[int] = []
    for start, stop in zip(edges, [*edges[1:], n], strict=True):
        for low, high in _windows(onset_s, odds, start, stop):
            begins += _best(onset_s, release_s, odds, low, high)
    return begins


def _windows(onset_s: Floats, odds: Floats, start: int, stop: int) -> list[tuple[int, int]]:
    """Cut a stretch of more than `WINDOW_S` at its clearest likely points, and what is still longer at any clearest."""
    time_s = onset_s[start:stop]
    if time_s[-1] - time_s[0] <= WINDOW_S:
        return [(start, stop)]
    inside = np.round(odds[start:stop], 4)
    inside += 1e-5 * np.r_[0, np.diff(np.floor(time_s / TIE_S)) > 0]  # equal odds: a place that nothing far away moves
    low = np.searchsorted(time_s, time_s - CLEAREST_WITHIN_S, side="left")
    high = np.searchsorted(time_s, time_s + CLEAREST_WITHIN_S, side="right")
    clearest = np.array([inside[i] >= inside[a:b].max() for i, (a, b) in enumerate(zip(low, high, strict=True))])
    clearest &= (time_s - time_s[0] >= CLEAREST_WITHIN_S) & (time_s[-1] - time_s >= CLEAREST_WITHIN_S)
    likely = [0, *np.flatnonzero(clearest & (inside > 0)).tolist(), len(time_s)]
    cuts = [0]
    for a, b in pairwise(likely):
        if time_s[b - 1] - time_s[a] > WINDOW_S:
            cuts += (a + 1 + np.flatnonzero(clearest[a + 1 : b])).tolist()
        cuts.append(b)
    return list(pairwise(start + cut for cut in cuts))


def _best(onset_s: Floats, release_s: Floats, odds: Floats, start: int, stop: int) -> list[int]:
    """Best division of one stretch: the first note of each phrase, by dynamic programming."""
    inner = start + 1 + np.flatnonzero(odds[start + 1 : stop] > LEAST_ODDS)
    if len(inner) > _MOST_POINTS:
        inner = np.sort(inner[np.argsort(-odds[inner], kind="stable")[:_MOST_POINTS]])
    points = np.concatenate(([start], inner))
    released_s = float(release_s[start:stop].max())
    end_s = min(float(onset_s[stop]), released_s) if stop < len(onset_s) else released_s
    at_s = np.append(onset_s[points], end_s)
    gain = np.append(odds[points], 0.0)
    best = np.full(len(at_s), -np.inf)
    best[0] = 0.0
    came = np.zeros(len(at_s), dtype=np.int64)
    value_of = -length_cost(at_s[:, None] - at_s)  # (end, begin)
    for k in range(1, len(at_s)):
        value = best[:k] + value_of[k, :k]
        came[k] = value.argmax()
        best[k] = value[came[k]] + gain[k]
    chosen = []
    k = int(came[-1])
    while k > 0:
        chosen.append(int(points[k]))
        k = int(came[k])
    return [start, *reversed(chosen)]
