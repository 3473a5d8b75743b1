"""Accents and sforzandi: attacks that stand out by velocity, by a mark, or as the syncopated top of a leap.

Precise rather than many: an accent is louder than both its neighbours and clearly louder than the music within a few
attacks; a step to a louder passage is none. Velocities 0..127, times in seconds. Limits are common practice without a
source.
"""

from __future__ import annotations

import re

import numpy as np
from numpy.typing import NDArray

from phrasewright.data.cue import Mark, Part
from phrasewright.data.tempo import TempoMap
from phrasewright.model.hearing import EVENTS, Attacks

ACCENT_VELOCITY = 14.0
"""An accent is at least this much louder than the median around it."""
SFORZANDO_VELOCITY = 30.0
"""A sforzando at least this much, or marked."""
NEIGHBOUR_VELOCITY = 8.0
"""And this much louder than the attack before and the attack after."""
_SPREADS = 3.5
"""Where velocities scatter, an accent stands out by this many median absolute deviations."""
_AROUND, _AROUND_S = 6, 6.0
_SFORZANDO_MARK = re.compile(
    r"^\s*(s?ffz|sfp?z?|sf[pz]?|fz|fp|rfz?|rinf\.?|rinforzando|sforzando|sforzato)\s*$", re.IGNORECASE
)
_ACCENT_MARK = re.compile(r"^\s*(>|accent|marcato|marc\.)\s*$", re.IGNORECASE)
_LEAP = 7
_ACCENT, _SFORZANDO = EVENTS.index("accent"), EVENTS.index("sforzando")


def accents_of(
    part: Part, attacks: Attacks, *, marks: list[Mark], tempo: TempoMap
) -> tuple[NDArray[np.int8], list[str]]:
    """Index into EVENTS (none, accent or sforzando) for each attack, and the reason (empty where there is none).

    Parameters
    ----------
    part, attacks
        One part.
    marks
        The marks that hold for it.
    tempo
        Of the file; only its beats are used, and only where it has any.
    """
    n = attacks.n_attacks
    event, why = np.zeros(n, dtype=np.int8), [""] * n
    if n == 0 or part.kind == "percussive":
        return event, why
    for i in np.flatnonzero(_syncopated_tops(attacks, tempo)).tolist():
        event[i], why[i] = _ACCENT, "the syncopated top of a leap"
    above, stands_out = _above_neighbours(attacks)
    for i in np.flatnonzero(stands_out).tolist():
        event[i] = _SFORZANDO if above[i] >= SFORZANDO_VELOCITY else _ACCENT
        why[i] = f"velocity {above[i]:.0f} over the music around"
    for mark in marks:
        kind = _SFORZANDO if _SFORZANDO_MARK.match(mark.text) else _ACCENT if _ACCENT_MARK.match(mark.text) else 0
        if kind:
            i = int(np.searchsorted(attacks.onset_s, mark.time_s - 0.15))
            if i < n and attacks.onset_s[i] <= mark.time_s + 0.3:
                event[i], why[i] = kind, f"marked {mark.text.strip()}"
    return event, why


def marks_for(part: Part, marks: tuple[Mark, ...], tracks_with_notes: set[int]) -> list[Mark]:
    """Marks of the part's own track, and those of tracks without notes, which hold for all."""
    return [mark for mark in marks if mark.track == part.track or mark.track not in tracks_with_notes]


def _above_neighbours(attacks: Attacks) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
    """How much louder each attack is than the median around it, and whether that makes an accent."""
    n = attacks.n_attacks
    velocity = attacks.velocity.astype(np.float64)
    if n < 4:
        return np.zeros(n), np.zeros(n, dtype=bool)
    window = _windows(velocity)  # (n, 2 * _AROUND)
    near = np.abs(_windows(attacks.onset_s) - attacks.onset_s[:, None]) <= _AROUND_S
    window = np.where(near, window, np.nan)
    enough = np.sum(np.isfinite(window), axis=1) >= 3
    median = _median(window)
    spread = _median(np.abs(window - median[:, None]))
    above = velocity - median
    before, after = np.r_[np.nan, velocity[:-1]], np.r_[velocity[1:], np.nan]
    beside = np.fmax(before, after)
    stands_out = enough & (above >= np.maximum(ACCENT_VELOCITY, _SPREADS * spread))
    stands_out[0] = False  # nothing to stand out from yet
    return above, stands_out & (velocity - beside >= NEIGHBOUR_VELOCITY)


def _windows(values: NDArray[np.float64]) -> NDArray[np.float64]:
    """The values before and after each, without its own, NaN beyond the ends; shape (n, 2 * _AROUND)."""
    padded = np.pad(values, _AROUND, constant_values=np.nan)
    window = np.lib.stride_tricks.sliding_window_view(padded, 2 * _AROUND + 1)
    return np.delete(window, _AROUND, axis=1)


def _median(window: NDArray[np.float64]) -> NDArray[np.float64]:
    """Lower median of the finite values of each row; 0 for rows without any."""
    ordered = np.sort(window, axis=1)  # NaN last
    count = np.sum(np.isfinite(window), axis=1)
    middle = ordered[np.arange(len(window)), np.maximum((count - 1) // 2, 0)]
    return np.where(count > 0, middle, 0.0)


def _syncopated_tops(attacks: Attacks, tempo: TempoMap) -> NDArray[np.bool_]:
    """Attacks off the beat after a leap of a fifth or more, higher than six attacks around, held over the beat."""
    n = attacks.n_attacks
    answer = np.zeros(n, dtype=bool)
    if n < 7 or not tempo.has_metre:
        return answer
    between = np.diff(attacks.onset_beat)
    leap = np.diff(attacks.pitch)
    beat = attacks.onset_beat
    off_beat = np.abs(beat - np.rint(beat)) > 0.15
    crosses = np.r_[np.floor(beat[1:] - 1e-6) > np.floor(beat[:-1]), False]  # still sounds when the next beat comes
    longer = np.r_[False, between[1:] >= 1.9 * between[:-1], False]
    padded = np.pad(attacks.pitch.astype(np.float64), 3, constant_values=-np.inf)
    around = np.lib.stride_tricks.sliding_window_view(padded, 7)
    top = attacks.pitch > np.delete(around, 3, axis=1).max(axis=1)
    answer[1:] = (leap >= _LEAP) & off_beat[1:] & crosses[1:] & longer[1:] & top[1:]
    return answer
