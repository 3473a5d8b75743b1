"""Movement that has no reason in the notes: where it comes from, and how it runs.

Each phrase has its own stream of random numbers, seeded by what it contains (intervals and durations in beats), by its
part, and by how often that content was heard in the part before; all draws of a part are made phrase by phrase from
these. So an edit elsewhere changes nothing here, yet neither a repeated bar nor a doubling part repeats the movement.

The drift runs through turning points on alternate sides of the middle whose distances in time and size are drawn anew
each time: it never stands still, is not periodic and knows nothing of the beat. Notes longer than one bow or breath
have swells besides, as if the sound were fed anew: slower and wider, of no even length either.
"""

from __future__ import annotations

import hashlib
import math
from collections import Counter
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from phrasewright.model.gestures import Gestures
from phrasewright.model.hearing import PartHearing
from phrasewright.model.lanes import spans_of
from phrasewright.model.parameters import Held, RuleParameters

_ARC_CC = 7.0
"""Height of the gentle swell that a phrase gives a held note, where draws are chosen."""
_BEAT_GRID = 96.0
"""Durations are compared in steps of a 96th of a beat, so that rounding of ticks does not matter."""
LONG = 4096
"""Beyond so many samples (a note held for over three minutes) autocorrelation goes by way of the spectrum: summing
each lag takes the square of the length, seconds for a pedal of half an hour."""
Array = NDArray[np.float64]
Points = tuple[Array, Array]
"""Turning points: seconds, steps."""


def phrase_streams(part: PartHearing) -> list[np.random.Generator]:
    """One generator a phrase, in order."""
    notes = part.part.notes
    first = np.array([phrase.first_note for phrase in part.phrases], dtype=np.int64)
    count = np.array([phrase.last_note + 1 for phrase in part.phrases], dtype=np.int64) - first
    index, base = spans_of(first, first + count), np.repeat(first, count)
    onset = np.rint((notes.onset_beat[index] - notes.onset_beat[base]) * _BEAT_GRID)
    length = np.rint((notes.offset_beat[index] - notes.onset_beat[index]) * _BEAT_GRID)
    rows = np.stack([onset, length, notes.pitch[index] - notes.pitch[base]]).astype("<i8")  # (3, n_notes)
    seen: Counter[bytes] = Counter()
    streams = []
    for begin, end in pairwise([0, *np.cumsum(count).tolist()]):
        content = rows[:, begin:end].tobytes()
        seen[content] += 1
        name = f"{part.part.index}/{part.part.name}/{seen[content]}".encode()
        seed = int.from_bytes(hashlib.blake2b(content + name, digest_size=8).digest(), "little")
        streams.append(np.random.Generator(np.random.PCG64(seed)))
    return streams


def n_draws(length_s: float, leg_s: tuple[float, float]) -> int:
    """Turning points that surely cover a stretch of `length_s`; each needs three uniform draws."""
    return math.ceil((max(length_s, 0.0) + leg_s[1]) / leg_s[0]) + 2


def turning_points(
    draws: list[Array], start_s: Array, end_s: Array, *, leg_s: tuple[float, float], size_cc: tuple[float, float]
) -> tuple[Array, Array]:
    """Turning points of the drifts of several stretches at once.

    Parameters
    ----------
    draws : list of (n_points, 3) arrays
        Uniform draws 0..1 of each stretch (`n_draws` rows): whether the leg is short or long, how long within its kind,
        and how far from the middle the point lies. The first row also places the first point and picks the side.
    start_s, end_s : (n_stretches,)
        Points begin up to one leg before the start and stop at the end.

    Returns
    -------
    time_s, value_cc : (n_points,) each, stretch after stretch
    """
    count = np.array([len(rows) for rows in draws])
    stretch = np.repeat(np.arange(len(draws)), count)
    first = np.r_[0, np.cumsum(count)[:-1]]
    rows = np.concatenate(draws)  # (n_points, 3)
    # long and short legs, few between: legs near one length would make a period
    share = np.where(rows[:, 0] < 0.5, 0.3 * rows[:, 1], 0.75 + 0.25 * rows[:, 1])
    leg = leg_s[0] + (leg_s[1] - leg_s[0]) * share
    run = np.cumsum(leg)
    begin_s = start_s - rows[first, 0] * leg_s[1]
    time_s = begin_s[stretch] + (run - run[first][stretch])
    side = np.where(rows[first, 1] < 0.5, 1.0, -1.0)[stretch]
    alternate = np.where((np.arange(len(rows)) - first[stretch]) % 2, -1.0, 1.0)
    value_cc = (size_cc[0] + (size_cc[1] - size_cc[0]) * rows[:, 2]) * side * alternate
    keep = time_s < end_s[stretch]
    return time_s[keep], value_cc[keep]


def least_periodic(candidates: list[Points], spans_s: list[tuple[float, float]]) -> int:
    """Which of the candidates (times, values) repeats itself least on the given held notes, counted from 0.

    What counts is the highest local peak of the biased autocorrelation beyond half a second, of the drift on top of a
    gentle swell such as a phrase gives it.
    """
    step_s = 0.05
    worst = np.zeros(len(candidates))
    for start_s, end_s in spans_s:
        time_s = np.arange(start_s, end_s, step_s)
        swell = _ARC_CC * np.sin(np.pi * (time_s - start_s) / (end_s - start_s))
        for k, (point_s, point_cc) in enumerate(candidates):
            worst[k] = max(worst[k], autocorrelation_peak(drift_cc(time_s, point_s, point_cc) + swell, step_s=step_s))
    return int(np.argmin(worst))


def autocorrelation_peak(value: Array, *, step_s: float, from_s: float = 0.5) -> float:
    """Highest local peak of the biased autocorrelation beyond `from_s`, 0 where there is none. `value`: (n,)."""
    moved = value - value.mean()
    if len(moved) <= LONG:
        row = np.correlate(moved, moved, "full")[len(moved) - 1 :]
    else:
        spectrum = np.fft.rfft(moved, 1 << (2 * len(moved)).bit_length())
        row = np.fft.irfft(spectrum * spectrum.conj())[: len(moved)]
    if len(row) < 3 or row[0] <= 0.0:
        return 0.0
    row = row / row[0]
    peak = (row[1:-1] > row[:-2]) & (row[1:-1] >= row[2:]) & (np.arange(1, len(row) - 1) * step_s >= from_s)
    return float(row[1:-1][peak].max()) if np.any(peak) else 0.0


def swell_points(draws: Array, start_s: float, end_s: float, *, share: float, held: Held) -> tuple[Points, Points]:
    """Turning points of the swells of one long note in dynamics and in expression: seconds, steps; 0 at both its ends.

    Parameters
    ----------
    draws : (n_points, 5)
        Uniform draws 0..1: of each point those of `turning_points`, its size in expression, and how much earlier
        expression turns there.
    share : float
        How much of the swells shows, 0..1.
    """
    leg_s, size_cc = held.swell_leg_s, held.swell_cc
    (time_s, dynamics_cc), (_, expression_cc) = (
        turning_points([rows], np.array([start_s]), np.array([end_s]), leg_s=leg_s, size_cc=size_cc)
        for rows in (draws[:, :3], draws[:, [0, 1, 3]])
    )
    low, high = held.swell_lead_s
    lead_s = low + (high - low) * draws[: len(time_s), 4]
    points = []
    for at_s, value_cc in ((time_s, dynamics_cc), (time_s - lead_s, expression_cc)):
        keep = (at_s > start_s + held.swell_edge_s) & (at_s < end_s - held.swell_edge_s)
        points.append((np.r_[start_s, at_s[keep], end_s], np.r_[0.0, share * value_cc[keep], 0.0]))
    return points[0], points[1]


def drift_cc(time_s: Array, point_s: Array, point_cc: Array) -> Array:
    """The drift through its turning points, half a cosine between each two. Shape of `time_s`, in steps."""
    if len(point_s) < 2:
        return np.zeros(len(time_s))
    i = np.clip(np.searchsorted(point_s, time_s, side="right") - 1, 0, len(point_s) - 2)
    share = np.clip((time_s - point_s[i]) / (point_s[i + 1] - point_s[i]), 0.0, 1.0)
    return np.asarray(point_cc[i] + (point_cc[i + 1] - point_cc[i]) * (0.5 - 0.5 * np.cos(np.pi * share)))


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
    swells : two pairs of arrays
        The same of the swells of long notes, in dynamics and in expression; 0 elsewhere.
    """

    peak: Array
    depth: Array
    level: Array
    dip: Array
    place: Array
    points: tuple[Points, ...]
    swells: tuple[Points, ...]

    def drift(self, time_s: Array) -> Array:
        """The three lanes' drift, and the swells of long notes, shape (n_frames, 3), steps."""
        drift = np.stack([drift_cc(time_s, *points) for points in self.points], axis=1)
        for lane, points in enumerate(self.swells):
            drift[:, lane] += drift_cc(time_s, *points)
        return drift


def residue_of(part: PartHearing, gestures: Gestures, *, parameters: RuleParameters) -> Residue:
    """Draw everything one part needs; no turning points where the drift has no size."""
    held = parameters.held
    kinds = ((held.leg_s, held.size_cc), (held.leg_s, held.size_cc), (held.vibrato_leg_s, held.vibrato_size_cc))
    drifts = any(held.size_cc + held.vibrato_size_cc)
    edges = np.searchsorted(gestures.phrase, np.arange(len(part.phrases) + 1))
    start_s = np.array([phrase.start_s for phrase in part.phrases])
    own_end_s = np.array([phrase.end_s for phrase in part.phrases])
    end_s = np.minimum(np.r_[start_s[1:], np.inf], own_end_s + 1.0)
    per_phrase, per_gesture, places = [], [], []
    drift: tuple[list[Array], list[Array], list[Array]] = ([], [], [])
    swell_share = gestures.swell_share(held) * drifts
    swells: list[tuple[Points, Points]] = []
    for p, stream in enumerate(phrase_streams(part)):
        n = int(edges[p + 1] - edges[p])
        per_phrase.append(stream.standard_normal(3))
        per_gesture.append(stream.standard_normal((n, 3)))
        places.append(stream.random(n))
        own = slice(int(edges[p]), int(edges[p + 1]))
        long = np.flatnonzero(gestures.length_s[own] > held.choose_from_s) + own.start
        spans_s = [(float(gestures.onset_s[i]), float(gestures.end_s[i])) for i in long]
        for lane, (leg_s, size_cc) in enumerate(kinds if drifts else ()):
            rows = n_draws(float(end_s[p] - start_s[p]), leg_s)
            drawn = [stream.random((rows, 3)) for _ in range(held.choose_of if spans_s else 1)]
            chosen = 0
            if spans_s:
                span = (start_s[p : p + 1], end_s[p : p + 1])
                points = [turning_points([one], *span, leg_s=leg_s, size_cc=size_cc) for one in drawn]
                chosen = least_periodic(points, spans_s)
            drift[lane].append(drawn[chosen])
        for i in (np.flatnonzero(swell_share[own]) + own.start).tolist():
            points = [
                turning_points([drift[k][-1]], start_s[p : p + 1], end_s[p : p + 1], leg_s=leg_s, size_cc=size_cc)
                for k, (leg_s, size_cc) in enumerate(kinds[:2])
            ]
            span_s = float(gestures.onset_s[i]), float(gestures.end_s[i])
            swells.append(_swells(stream, points, *span_s, share=float(swell_share[i]), held=held))
    none = np.zeros(0)
    phrase_draws, gesture_draws = np.array(per_phrase), np.concatenate(per_gesture)
    return Residue(
        peak=phrase_draws[:, 0],
        depth=phrase_draws[:, 1:],
        level=gesture_draws[:, :2],
        dip=gesture_draws[:, 2],
        place=np.concatenate(places),
        points=tuple(
            _in_order(*turning_points(draws, start_s, end_s, leg_s=leg_s, size_cc=size_cc)) if drifts else (none, none)
            for draws, (leg_s, size_cc) in zip(drift, kinds, strict=True)
        ),
        swells=tuple(_end_to_end([both[lane] for both in swells]) for lane in (0, 1)),
    )


def _end_to_end(points: list[Points]) -> Points:
    """The turning points of one note after those of the other."""
    none = np.zeros(0)
    return np.concatenate([none, *(at for at, _ in points)]), np.concatenate([none, *(value for _, value in points)])


def _swells(
    stream: np.random.Generator,
    drift: list[Points],
    start_s: float,
    end_s: float,
    *,
    share: float,
    held: Held,
) -> tuple[Points, Points]:
    """Of several draws of the swells of one note, those that repeat themselves least on top of its drift.

    The same gentle arc stands below closings too: chosen on top of a closing's own course, more of them were periodic.
    """
    step_s = 0.05
    time_s = np.arange(start_s, end_s, step_s)
    arc = _ARC_CC * held.arc_share * np.sin(np.pi * (time_s - start_s) / (end_s - start_s))
    own = [arc + drift_cc(time_s, *points) for points in drift]
    rows = n_draws(end_s - start_s, held.swell_leg_s)
    drawn = [
        swell_points(draws, start_s, end_s, share=share, held=held)
        for draws in stream.random((held.choose_of, rows, 5))
    ]
    worst = [
        max(autocorrelation_peak(own[k] + drift_cc(time_s, *one[k]), step_s=step_s) for k in (0, 1)) for one in drawn
    ]
    return drawn[int(np.argmin(worst))]


def _in_order(time_s: Array, value_cc: Array) -> Points:
    """The same turning points without those that come too early after the last phrase's."""
    reach = np.maximum.accumulate(np.r_[-np.inf, time_s[:-1]])
    keep = time_s > reach + 0.15
    return time_s[keep], value_cc[keep]
