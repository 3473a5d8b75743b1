"""Chords and divisi of one part, split into sounding layers.

A layer is one line within a part: 0 is the highest. A note that connects to a note before it continues that note's
layer; a legato overlap is a join of one line, not a chord. Where everything sounding changes at once the layers are
numbered anew by height, so what is heard depends on the music since the last full change and on nothing earlier.

Units: seconds, MIDI pitches. The limits of a join are common practice without a source.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from phrasewright.data.notes import Notes

TOGETHER_S = 0.035
"""Notes that start within this time of the first start together: one chord (common practice, no source)."""
JOIN_GAP_S = 0.060
"""Longest silence between two notes of one line that still counts as connected (common practice, no source)."""
JOIN_SHARE = 0.05
"""In score exports, which shorten all notes by one share: longest gap as a share of the inter-onset time (practice)."""
OVERLAP_S = 0.150
"""Overlaps shorter than this, and than a third of the shorter note, are legato joins (common practice, no source)."""
OVERLAP_SHARE = 1 / 3
_MOST_ALIGNED = 8
_SHARE_TOLERANCE = 0.006
_SHARE_NEIGHBOURS = 6
_SHARE_WITNESSES = 3


@dataclass(frozen=True)
class Layers:
    """How the notes of one part connect; all arrays have shape (n_notes,).

    Parameters
    ----------
    layer : int
        The line within the part, 0 the highest.
    previous, following : int
        Index of the note before and after in the same layer, -1 where there is none.
    connected : bool
        The note continues `previous` without a break: a gap within the join limits, or a legato overlap.
    sounding_end_s : float
        Offset, cut at the onset of the note that takes over where the overlap is legato.
    attack : int
        Number of the attack that holds the note.
    """

    layer: NDArray[np.int64]
    previous: NDArray[np.int64]
    following: NDArray[np.int64]
    connected: NDArray[np.bool_]
    sounding_end_s: NDArray[np.float64]
    attack: NDArray[np.int64]


def split_layers(notes: Notes) -> Layers:
    """Split the notes of one part into layers.

    One pass over the attacks; time grows with notes times the notes sounding together.
    """
    n = notes.n_notes
    on, off, pitch = notes.onset_s.tolist(), notes.offset_s.tolist(), notes.pitch.tolist()
    layer, previous, attack_of, end_s = [0] * n, [-1] * n, [0] * n, list(off)
    single, legato = _single_line(notes)
    sounding: list[int] = []
    last_of: dict[int, int] = {}
    i, n_attacks = 0, 0
    while i < n:
        if single[i]:  # nothing is held: the note goes on in the top layer
            if legato[i]:
                end_s[i - 1] = on[i]
            previous[i] = last_of.get(0, -1)
            last_of[0], attack_of[i], sounding = i, n_attacks, [i]
            i, n_attacks = i + 1, n_attacks + 1
            continue
        j = _attack_end(on, off, i)
        new = sorted(range(i, j), key=lambda k: -pitch[k])
        shortest = min(off[k] - on[k] for k in new)
        held, ending = [], []
        for k in sounding:
            overlap = off[k] - on[i]
            if overlap <= 0:
                ending.append(k)
            elif overlap < OVERLAP_S and overlap < OVERLAP_SHARE * min(off[k] - on[k], shortest):
                ending.append(k)
                end_s[k] = on[i]
            else:
                held.append(k)
        gap_s = on[i] - max((off[k] for k in ending), default=on[i])
        for k, row in zip(new, _choose(new, held, ending, layer, pitch, gap_s), strict=True):
            layer[k] = row
            previous[k] = last_of.get(row, -1)
        for k in new:
            last_of[layer[k]] = k
            attack_of[k] = n_attacks
        sounding = held + new
        i, n_attacks = j, n_attacks + 1
    prev = np.array(previous, dtype=np.int64)
    following = np.full(n, -1, dtype=np.int64)
    following[prev[prev >= 0]] = np.flatnonzero(prev >= 0)
    ends = np.array(end_s, dtype=np.float64)
    return Layers(
        layer=np.array(layer, dtype=np.int64),
        previous=prev,
        following=following,
        connected=_connected(notes, prev, ends),
        sounding_end_s=ends,
        attack=np.array(attack_of, dtype=np.int64),
    )


def _single_line(notes: Notes) -> tuple[list[bool], list[bool]]:
    """Notes that start alone while at most a legato overlap of the note before sounds; those with such an overlap."""
    on_s, off_s = notes.onset_s, notes.offset_s
    length_s = off_s - on_s
    overlap_s = np.r_[0.0, off_s[:-1] - on_s[1:]]
    legato = np.r_[False, overlap_s[1:] > 0]
    short = (overlap_s < OVERLAP_S) & (overlap_s < OVERLAP_SHARE * np.minimum(length_s, np.r_[np.inf, length_s[:-1]]))
    earlier_s = np.r_[-np.inf, -np.inf, np.maximum.accumulate(off_s)[:-2]][: len(on_s)]  # all but the note before
    alone = np.r_[True, np.diff(on_s) > TOGETHER_S]
    single = alone & np.r_[alone[1:], True] & (~legato | short) & (earlier_s <= on_s)
    return single.tolist(), (legato & single).tolist()


def _attack_end(on: list[float], off: list[float], i: int) -> int:
    """One past the last note that starts together with note i, while one of them still sounds."""
    j, reach = i + 1, off[i]
    while j < len(on) and on[j] - on[i] <= TOGETHER_S and on[j] < reach:
        reach = max(reach, off[j])
        j += 1
    return j


def _aligned(pitches: list[int], lines: list[tuple[int, int]]) -> list[int]:
    """The layers that fewer notes than lines go on in, both from the top, so that they move least."""
    best = min(
        combinations(lines, len(pitches)),
        key=lambda chosen: sum(abs(line[1] - pitch) for line, pitch in zip(chosen, pitches, strict=True)),
    )
    return [layer for layer, _ in best]


def _choose(
    new: list[int], held: list[int], ending: list[int], layer: list[int], pitch: list[int], gap_s: float
) -> list[int]:
    """Layers for the new notes, which come highest first."""
    if not held:
        if 1 < len(new) < len(ending) <= _MOST_ALIGNED and gap_s <= JOIN_GAP_S:  # one of them ends, or two meet
            return _aligned([pitch[k] for k in new], sorted((layer[k], pitch[k]) for k in ending))
        return list(range(len(new)))
    used = {layer[k] for k in held}
    free = [k for k in ending if layer[k] not in used]
    rows: list[int] = []
    if len(free) > len(new):  # more lines end than start: each new note continues the nearest
        for k in new:
            nearest = min((e for e in free if layer[e] not in rows), key=lambda e: abs(pitch[e] - pitch[k]))
            rows.append(layer[nearest])
        return sorted(rows)
    rows = [layer[k] for k in free]
    row = 0
    while len(rows) < len(new):
        if row not in used and row not in rows:
            rows.append(row)
        row += 1
    return sorted(rows)


def _connected(notes: Notes, previous: NDArray[np.int64], ends_s: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Whether each note continues the one before in its layer."""
    has = previous >= 0
    at = np.maximum(previous, 0)
    gap_s = notes.onset_s - ends_s[at]
    between_s = notes.onset_s - notes.onset_s[at]
    near = has & (gap_s <= JOIN_GAP_S + 1e-9) & (gap_s > -OVERLAP_S)
    share = np.divide(gap_s, between_s, out=np.full(len(gap_s), np.inf), where=has & (between_s > 0))
    shortened = has & (share <= JOIN_SHARE + 1e-9) & (share >= 0)
    if np.any(shortened & ~near):
        shortened &= _share_has_witnesses(share)
    return np.asarray(near | shortened)


def _share_has_witnesses(share: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Whether at least three of the twelve notes around were shortened by the same share (a score export)."""
    finite = np.where(np.isfinite(share), share, -1.0)
    padded = np.pad(finite, _SHARE_NEIGHBOURS, constant_values=-1.0)
    n = len(share)
    count = np.zeros(n, dtype=np.int64)
    for step in range(-_SHARE_NEIGHBOURS, _SHARE_NEIGHBOURS + 1):
        if step:
            other = padded[_SHARE_NEIGHBOURS + step : _SHARE_NEIGHBOURS + step + n]
            count += np.abs(other - finite) <= _SHARE_TOLERANCE
    return count >= _SHARE_WITNESSES
