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
from phrasewright.data.tempo import TempoMap
from phrasewright.model.hearing import EVENTS, Attacks

ACCENT_VELOCITY = 11.0
"""An accent is at least this much louder than the median before it and the median after it."""
SFORZANDO_VELOCITY = 25.0
"""A sforzando at least this much, or marked."""
_ROW, _ROW_S = 4, 4.0
"""So many heavy attacks in a row, within so much time, are accents; more of them are a louder passage."""
_SIDE, _SIDE_S = 4, 16.0
"""How many attacks on each side count, and how far away they may lie."""
_SFORZANDO_MARK = re.compile(
    r"^\s*(s?ffz|sfp?z?|sf[pz]?|fz|fp|rfz?|rinf\.?|rinforzando|sforzando|sforzato)\s*$", re.IGNORECASE
)
_ACCENT_MARK = re.compile(r"^\s*(>|accent|marcato|marc\.)\s*$", re.IGNORECASE)
_LEVEL_MARK = re.compile(r"^\s*(p{1,4}|mp|mf|f{1,4}|cresc\.?|crescendo)\s*$", re.IGNORECASE)
_BESIDE_S, _HEAVY_VELOCITY, _APART_S = 1.0, 85, 0.25
"""Strokes this heavy between silences this long are compared with what others play within so much."""
_ACCENT, _SFORZANDO = EVENTS.index("accent"), EVENTS.index("sforzando")


def accents_of(
    parts: list[Part],
    attacks: list[Attacks],
    *,
    marks: tuple[Mark, ...],
    strokes: list[NDArray[np.bool_]],
    tempo: TempoMap,
) -> list[tuple[NDArray[np.int8], list[str]]]:
    """For each part the index into EVENTS (none, accent or sforzando) of each attack, and the reasons (empty for none).

    Parameters
    ----------
    parts, attacks
        Of the whole cue.
    marks
        Of the whole cue.
    strokes : bool arrays, (n_notes,)
        For each part, which notes belong to a trill or tremolo: only its first stroke can be an accent.
    """
    tracks = {part.track for part in parts}
    around = _Around(attacks)
    louder = _above_neighbours(attacks, tempo)
    found = []
    for number, (part, a, figured, (above, stands_out)) in enumerate(zip(parts, attacks, strokes, louder, strict=True)):
        event, why = np.zeros(a.n_attacks, dtype=np.int8), [""] * a.n_attacks
        found.append((event, why))
        if a.n_attacks == 0 or part.kind == "percussive":
            continue
        inside = figured[a.first_note] & np.r_[False, figured[a.first_note[:-1]] & (np.diff(a.onset_s) < 0.25)]
        own_marks = marks_for(part, marks, tracks)
        marked = _by_a_level(a, own_marks)
        for i in np.flatnonzero(stands_out & ~inside & ~marked).tolist():
            event[i] = _SFORZANDO if above[i] >= SFORZANDO_VELOCITY else _ACCENT
            why[i] = f"velocity {above[i]:.0f} over the music around"
        for i in _without_surroundings(a).tolist():
            over = float(a.velocity[i]) - around.median(number, float(a.onset_s[i]))
            if over >= SFORZANDO_VELOCITY:
                event[i], why[i] = _SFORZANDO, f"velocity {over:.0f} over what the other parts play"
            elif event[i]:
                event[i], why[i] = 0, ""
        for mark in own_marks:
            kind = _SFORZANDO if _SFORZANDO_MARK.match(mark.text) else _ACCENT if _ACCENT_MARK.match(mark.text) else 0
            if kind:
                i = int(np.searchsorted(a.onset_s, mark.time_s - 0.15))
                if i < a.n_attacks and a.onset_s[i] <= mark.time_s + 0.3:
                    event[i], why[i] = kind, f"marked {mark.text.strip()}"
    return found


def _by_a_level(attacks: Attacks, marks: list[Mark]) -> NDArray[np.bool_]:
    """Attacks whose loudness a mark explains: the first of a marked level, the first after the beginning of a cresc."""
    explained = np.zeros(attacks.n_attacks, dtype=bool)
    for mark in marks:
        if _LEVEL_MARK.match(mark.text):
            i = int(np.searchsorted(attacks.onset_s, mark.time_s - 0.15))
            step = 1 if mark.text.strip().lower().startswith("c") else 0
            explained[i : i + 1 + step] = True
    return explained


class _Around:
    """What the other parts strike within a second of a time."""

    def __init__(self, attacks: list[Attacks]) -> None:
        part = np.repeat(np.arange(len(attacks)), [a.n_attacks for a in attacks])
        onset_s = np.concatenate([a.onset_s for a in attacks]) if attacks else np.zeros(0)
        order = np.argsort(onset_s, kind="stable")
        self._part, self._onset_s = part[order], onset_s[order]
        self._velocity = np.concatenate([a.velocity for a in attacks])[order] if attacks else np.zeros(0)

    def median(self, number: int, time_s: float) -> float:
        """Median velocity of the other parts, infinite where they are silent."""
        low, high = np.searchsorted(self._onset_s, [time_s - _BESIDE_S, time_s + _BESIDE_S])
        others = self._velocity[low:high][self._part[low:high] != number]
        return float(np.median(others)) if len(others) else np.inf


def _without_surroundings(attacks: Attacks) -> NDArray[np.int64]:
    """Heavy attacks between silences that have nothing but such attacks around them in their own part."""
    heavy = attacks.velocity >= _HEAVY_VELOCITY
    silent = np.r_[True, attacks.rest_before_s[1:] >= _APART_S] & np.r_[attacks.rest_before_s[1:] >= _APART_S, True]
    alone = heavy & silent
    near = _windows(np.where(alone, 1.0, 0.0))
    return np.flatnonzero(alone & (np.nanmin(np.where(np.isfinite(near), near, 1.0), axis=1) > 0.5))


def marks_for(part: Part, marks: tuple[Mark, ...], tracks_with_notes: set[int]) -> list[Mark]:
    """Marks of the part's own track, and those of tracks without notes, which hold for all."""
    return [mark for mark in marks if mark.track == part.track or mark.track not in tracks_with_notes]


def _above_neighbours(
    attacks: list[Attacks], tempo: TempoMap
) -> list[tuple[NDArray[np.float64], NDArray[np.bool_]]]:
    """For each part, how much louder each attack is than the louder of its two sides, and whether that is an accent.

    Up to `_ROW` heavy attacks in a row within `_ROW_S` are measured by what stands before the first and after the
    last. A second pass leaves out those that stood out in the first, so that an accent does not hide the next one; a
    side of nothing else stays. Beside a rest of a bar, or where the part begins or ends, the other side decides.
    """
    sizes = [a.n_attacks for a in attacks]
    n = sum(sizes)
    if not n:
        return [(np.zeros(0), np.zeros(0, dtype=bool)) for _ in attacks]
    velocity = np.concatenate([a.velocity for a in attacks]).astype(np.float64)
    onset_s, end_s, rest_s = (
        np.concatenate([getattr(a, name) for a in attacks]) for name in ("onset_s", "end_s", "rest_before_s")
    )
    begins = rest_s >= tempo.bar_length_s(onset_s)
    begins[[a for a, size in zip(np.cumsum(sizes) - sizes, sizes, strict=True) if size]] = True
    section = np.cumsum(begins).astype(np.int64)  # parts stand end to end, each in sections of its own
    above, stands_out = np.zeros(n), np.zeros(n, dtype=bool)
    number = np.arange(n)
    for _ in range(2):
        best, found = np.full(n, -np.inf), np.zeros(n, dtype=bool)
        before, after = (_side(velocity, stands_out, onset_s, section, step) for step in (-1, 1))
        least = velocity
        for row in range(1, min(_ROW, n) + 1):
            last = np.minimum(number + row - 1, n - 1)
            fits = (number + row <= n) & (section[last] == section)
            fits &= (row == 1) | (end_s[last] - onset_s <= _ROW_S)
            least = np.minimum(least, velocity[last])
            around = np.fmax(before, after[last])
            enough = fits & np.isfinite(around) & (least - around >= ACCENT_VELOCITY)
            if row > 1:  # a row begins and ends at once; what swells is no accent
                beside = np.maximum(
                    np.where((number > 0) & (section[number - 1] == section), velocity[number - 1], 0.0),
                    np.where(section[np.minimum(last + 1, n - 1)] == section, np.r_[velocity, 0.0][last + 1], 0.0),
                )
                enough &= least - beside >= ACCENT_VELOCITY
            for k in range(row):
                at = number[enough] + k
                found[at] = True
                np.maximum.at(best, at, velocity[at] - around[enough])
        above = np.where(found, best, 0.0)
        if np.array_equal(found, stands_out):
            break
        stands_out = found
    edges = np.cumsum(sizes)[:-1]
    return list(zip(np.split(above, edges), np.split(stands_out, edges), strict=True))


def _side(
    velocity: NDArray[np.float64],
    stands_out: NDArray[np.bool_],
    onset_s: NDArray[np.float64],
    section: NDArray[np.int64],
    step: int,
) -> NDArray[np.float64]:
    """Median velocity of up to four attacks before (-1) or after (1) each, NaN where there are none."""
    place = np.arange(len(velocity))[:, None] + step * np.arange(1, _SIDE + 1)  # (n, _SIDE)
    real = np.clip(place, 0, len(velocity) - 1)
    known = (place == real) & (section[real] == section[:, None])
    known &= np.abs(onset_s[real] - onset_s[:, None]) <= _SIDE_S
    near = np.where(known, velocity[real], np.nan)
    middle = _median(np.where(stands_out[real], np.nan, near))
    bare = np.flatnonzero(np.isnan(middle))
    middle[bare] = _median(near[bare])
    return middle


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
