"""All random draws of one part, made phrase by phrase from the phrases' own streams."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from phrasewright.model.drift import drift_cc, least_periodic, n_draws, phrase_streams, turning_points
from phrasewright.model.gestures import Gestures
from phrasewright.model.hearing import PartHearing
from phrasewright.model.parameters import RuleParameters

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Residue:
    """What has no reason in the notes.

    Parameters
    ----------
    peak : float array, (n_phrases,)
        Standard normal, for the place of the arc's peak.
    depth : float array, (n_phrases, 2)
        Standard normal, for the arc's depth in dynamics and expression.
    level : float array, (n_gestures, 2)
        Standard normal, for each gesture's level.
    dip : float array, (n_gestures,)
        Standard normal, for each dip's depth.
    place : float array, (n_gestures,)
        Uniform 0..1, for where a bow changes.
    points : three pairs of arrays
        Turning points of the drift of each lane: seconds, steps.
    """

    peak: Array
    depth: Array
    level: Array
    dip: Array
    place: Array
    points: tuple[tuple[Array, Array], ...]

    def drift(self, time_s: Array) -> Array:
        """The three lanes' drift, shape (n_frames, 3), steps."""
        return np.stack([drift_cc(time_s, *points) for points in self.points], axis=1)


def residue_of(part: PartHearing, gestures: Gestures, *, parameters: RuleParameters) -> Residue:
    """Draw everything one part needs."""
    held = parameters.held
    kinds = ((held.leg_s, held.size_cc), (held.leg_s, held.size_cc), (held.vibrato_leg_s, held.vibrato_size_cc))
    edges = np.searchsorted(gestures.phrase, np.arange(len(part.phrases) + 1))
    start_s = np.array([phrase.start_s for phrase in part.phrases])
    own_end_s = np.array([phrase.end_s for phrase in part.phrases])
    end_s = np.minimum(np.r_[start_s[1:], np.inf], own_end_s + 1.0)
    per_phrase, per_gesture, places = [], [], []
    drift: tuple[list[Array], list[Array], list[Array]] = ([], [], [])
    for p, stream in enumerate(phrase_streams(part)):
        n = int(edges[p + 1] - edges[p])
        per_phrase.append(stream.standard_normal(3))
        per_gesture.append(stream.standard_normal((n, 3)))
        places.append(stream.random(n))
        own = slice(int(edges[p]), int(edges[p + 1]))
        long = np.flatnonzero(gestures.length_s[own] > held.choose_from_s) + own.start
        spans_s = [(float(gestures.onset_s[i]), float(gestures.end_s[i])) for i in long]
        for lane, (leg_s, size_cc) in enumerate(kinds):
            rows = n_draws(float(end_s[p] - start_s[p]), leg_s)
            drawn = [stream.random((rows, 3)) for _ in range(held.choose_of if spans_s else 1)]
            chosen = 0
            if spans_s:
                span = (start_s[p : p + 1], end_s[p : p + 1])
                points = [turning_points([one], *span, leg_s=leg_s, size_cc=size_cc) for one in drawn]
                chosen = least_periodic(points, spans_s)
            drift[lane].append(drawn[chosen])
    phrase_draws, gesture_draws = np.array(per_phrase), np.concatenate(per_gesture)
    return Residue(
        peak=phrase_draws[:, 0],
        depth=phrase_draws[:, 1:],
        level=gesture_draws[:, :2],
        dip=gesture_draws[:, 2],
        place=np.concatenate(places),
        points=tuple(
            _in_order(*turning_points(draws, start_s, end_s, leg_s=leg_s, size_cc=size_cc))
            for draws, (leg_s, size_cc) in zip(drift, kinds, strict=True)
        ),
    )


def _in_order(time_s: Array, value_cc: Array) -> tuple[Array, Array]:
    """The same turning points without those that come too early after the last phrase's."""
    reach = np.maximum.accumulate(np.r_[-np.inf, time_s[:-1]])
    keep = time_s > reach + 0.15
    return time_s[keep], value_cc[keep]
