"""Accents and sforzandi: attacks that stand out by velocity or by a mark.

Precise rather than many: an accent is louder than both its neighbours and clearly louder than the music within a few
attacks; a step to a louder passage is none. Velocities 0..127, times in seconds. Limits are common practice without a
source.
"""

from __future__ import annotations

import re

import numpy as np
from numpy.typing import NDArray

from phrasewright.data.cue import Mark, Part
from phrasewright.model.hearing import EVENTS, Attacks

ACCENT_VELOCITY = 11.0
"""An accent is at least this much louder than the median before it and the median after it."""
SFORZANDO_VELOCITY = 25.0
"""A sforzando at least this much, or marked."""
_SPREADS = 3.0
"""Where velocities scatter, an accent stands out by this many median absolute deviations."""
_SIDE, _SIDE_S = 4, 5.0
"""How many attacks on each side count, and how far away they may lie."""
_SFORZANDO_MARK = re.compile(
    r"^\s*(s?ffz|sfp?z?|sf[pz]?|fz|fp|rfz?|rinf\.?|rinforzando|sforzando|sforzato)\s*$", re.IGNORECASE
)
_ACCENT_MARK = re.compile(r"^\s*(>|accent|marcato|marc\.)\s*$", re.IGNORECASE)
_ACCENT, _SFORZANDO = EVENTS.index("accent"), EVENTS.index("sforzando")


def accents_of(part: Part, attacks: Attacks, *, marks: list[Mark]) -> tuple[NDArray[np.int8], list[str]]:
    """Index into EVENTS (none, accent or sforzando) for each attack, and the reason (empty where there is none).

    Parameters
    ----------
    part, attacks
        One part.
    marks
        The marks that hold for it.
    """
    n = attacks.n_attacks
    event, why = np.zeros(n, dtype=np.int8), [""] * n
    if n == 0 or part.kind == "percussive":
        return event, why
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
    """How much louder each attack is than the louder of its two sides, and whether that makes an accent.

    A second pass leaves out those that stood out in the first, so that an accent does not hide the next one.
    """
    n = attacks.n_attacks
    velocity = attacks.velocity.astype(np.float64)
    above, stands_out = np.zeros(n), np.zeros(n, dtype=bool)
    if n < 4:
        return above, stands_out
    near = np.abs(_windows(attacks.onset_s) - attacks.onset_s[:, None]) <= _SIDE_S
    for _ in range(2):
        plain = np.where(stands_out, np.nan, velocity)
        window = np.where(near, _windows(plain), np.nan)  # (n, 2 * _SIDE)
        before, after = _median(window[:, :_SIDE]), _median(window[:, _SIDE:])
        around = np.fmax(before, after)
        spread = np.fmax(_median(np.abs(window - _median(window)[:, None])), 0.0)
        enough = np.sum(np.isfinite(window), axis=1) >= 3
        above = np.where(np.isfinite(around), velocity - around, 0.0)
        stands_out = enough & (above >= np.fmax(ACCENT_VELOCITY, _SPREADS * spread))
    stands_out[0] = False  # nothing to stand out from yet
    return above, stands_out


def _windows(values: NDArray[np.float64]) -> NDArray[np.float64]:
    """The values before and after each, without its own, NaN beyond the ends; shape (n, 2 * _SIDE)."""
    padded = np.pad(values, _SIDE, constant_values=np.nan)
    window = np.lib.stride_tricks.sliding_window_view(padded, 2 * _SIDE + 1)
    return np.delete(window, _SIDE, axis=1)


def _median(window: NDArray[np.float64]) -> NDArray[np.float64]:
    """Median of the finite values of each row; NaN for rows without any."""
    ordered = np.sort(window, axis=1)  # NaN last
    count = np.sum(np.isfinite(window), axis=1)
    rows = np.arange(len(window))
    low, high = (
        ordered[rows, np.maximum((count - 1) // 2, 0)],
        ordered[rows, np.minimum(count // 2, window.shape[1] - 1)],
    )
    return np.where(count > 0, (low + high) / 2.0, np.nan)
