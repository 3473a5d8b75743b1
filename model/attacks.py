"""From the notes of a part to its attacks: everything that starts together, and what it starts over.

See `hearing.Attacks` for the meaning and the units of each field. Phrase, role, figure and event are filled in later.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from phrasewright.data.cue import PASSAGE_KINDS, Part
from phrasewright.data.notes import Notes
from phrasewright.model.hearing import Attacks
from phrasewright.model.layers import Layers

REPEAT_WITHIN_S = 1.0
"""A pitch struck again after a longer silence than this is a new entry, not a repeat (common practice, no source)."""


def attacks_of(part: Part, layers: Layers) -> Attacks:
    """The attacks of a part; phrase, role, figure and event are zero until they are heard."""
    notes = part.notes
    n = notes.n_notes
    if n == 0:
        return _empty()
    first = np.flatnonzero(np.r_[True, np.diff(layers.attack) > 0])
    last = np.r_[first[1:] - 1, n - 1]
    onset_s = notes.onset_s[first]
    release_s = np.maximum.reduceat(notes.offset_s, first)
    next_s = np.r_[onset_s[1:], np.inf]
    reach_s = np.maximum.accumulate(notes.offset_s)
    before_s = np.r_[0.0, reach_s[first[1:] - 1]]
    rest_s = np.maximum(onset_s - before_s, 0.0)
    n_notes = last - first + 1
    n_sounding = _sounding(notes, layers, first, last)
    at = np.maximum(layers.previous, 0)
    same = (layers.previous >= 0) & (notes.pitch[at] == notes.pitch)
    same &= notes.onset_s - layers.sounding_end_s[at] <= REPEAT_WITHIN_S
    joined = np.logical_or.reduceat(layers.connected, first) | (rest_s <= 0)
    joined[0] = False
    blank = np.zeros(len(first), dtype=np.int8)
    return Attacks(
        onset_s=onset_s,
        onset_beat=notes.onset_beat[first],
        end_s=np.minimum(release_s, next_s),
        release_s=release_s,
        pitch=np.maximum.reduceat(notes.pitch, first),
        low_pitch=np.minimum.reduceat(notes.pitch, first),
        n_notes=n_notes,
        n_sounding=n_sounding,
        velocity=np.maximum.reduceat(notes.velocity, first),
        renewed=n_notes / n_sounding,
        joined=joined,
        repeated=np.logical_and.reduceat(same, first),
        rest_before_s=rest_s,
        phrase=np.zeros(len(first), dtype=np.int64),
        role=blank,
        figure=blank.copy(),
        event=blank.copy(),
        passage=passage_at(part, onset_s),
        first_note=first,
        last_note=last,
    )


def passage_at(part: Part, time_s: NDArray[np.float64]) -> NDArray[np.int8]:
    """Index into PASSAGE_KINDS of the passage that holds each time."""
    starts_s = np.array([p.start_s for p in part.passages])
    kinds = np.array([PASSAGE_KINDS.index(p.kind) for p in part.passages], dtype=np.int8)
    if not len(kinds):
        return np.zeros(len(time_s), dtype=np.int8)
    return kinds[np.maximum(np.searchsorted(starts_s, time_s + 1e-6, side="right") - 1, 0)]


def _sounding(notes: Notes, layers: Layers, first: NDArray[np.int64], last: NDArray[np.int64]) -> NDArray[np.int64]:
    """Notes that sound just after each attack, its own included; what a join takes over does not count."""
    ended = np.searchsorted(np.sort(layers.sounding_end_s), notes.onset_s[first] + 1e-6, side="right")
    return np.asarray(np.maximum(last + 1 - ended, last - first + 1))


def _empty() -> Attacks:
    real = np.zeros(0)
    whole = np.zeros(0, dtype=np.int64)
    flag = np.zeros(0, dtype=bool)
    small = np.zeros(0, dtype=np.int8)
    return Attacks(
        *(real, real, real, real, whole, whole, whole, whole, whole, real, flag, flag, real, whole),
        *(small, small, small, small, whole, whole),
    )
