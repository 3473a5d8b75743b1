"""Joins, and repeats that can become one note: the same pitch again, connected, slower than five a second.

A bow or a breath leans on such a note anew; a sampled instrument starts it anew, and the seam is heard. Joined, it is
one note that lanes articulate. Units: seconds. The limits are common practice without a source.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from phrasewright.data.cue import PASSAGE_KINDS
from phrasewright.data.notes import Notes
from phrasewright.model.hearing import Attacks
from phrasewright.model.lanes import runs
from phrasewright.model.layers import JOIN_GAP_S, JOIN_SHARE, OVERLAP_S, OVERLAP_SHARE, split_layers

Ints = NDArray[np.int64]

FASTEST_REPEAT_S = 0.2
"""Repeats at five a second and faster are strokes of one movement; a lane cannot follow each."""
RENEWED = 0.5
"""Share of what sounds that must be new at a join: where most is held, a dip would be heard in the held notes."""
TOLERANCE_S = 0.002
"""Rounding of ticks."""


def renewed_joins(a: Attacks) -> NDArray[np.bool_]:
    """Which attacks go on from the one before, in a sustained passage, with half of what sounds new; (n_attacks,)."""
    return np.asarray(a.joined & (a.renewed >= RENEWED) & (a.passage == PASSAGE_KINDS.index("sustained")))


def joinable_repeats(notes: Notes, attacks: Attacks) -> list[Ints]:
    """Indices of the notes that would become one note each, in order of the first; at least two each.

    Every pitch goes by itself: the note that two chords have in common is one of them. `notes` are those of the file,
    `attacks` the part's as heard.
    """
    n = notes.n_notes
    if not n:
        return []
    passage = np.repeat(attacks.passage, attacks.last_note - attacks.first_note + 1)
    sustained = passage == PASSAGE_KINDS.index("sustained")
    order = np.lexsort((notes.onset_tick, notes.pitch))
    i, j = order[:-1], order[1:]
    between_s = notes.onset_s[j] - notes.onset_s[i]
    gap_s = notes.onset_s[j] - notes.offset_s[i]
    length_s = notes.offset_s - notes.onset_s
    overlap = np.minimum(OVERLAP_S, OVERLAP_SHARE * np.minimum(length_s[i], length_s[j]))
    exported = split_layers(notes).connected[j] & (gap_s <= JOIN_SHARE * between_s + 1e-9)
    joins = (notes.pitch[i] == notes.pitch[j]) & sustained[i] & sustained[j]
    joins &= (between_s > FASTEST_REPEAT_S + TOLERANCE_S) & (gap_s > -overlap)
    joins &= (gap_s <= JOIN_GAP_S + 1e-9) | exported
    chains = [order[first : stop + 1] for first, stop in runs(joins).tolist()]
    return sorted(chains, key=lambda chain: int(chain[0]))


def within(chains: Sequence[Ints], notes: Notes, span: tuple[int, int] | None) -> list[Ints]:
    """The same, (n_notes_of_chain,) each, without notes outside a span of ticks (first, after the last)."""
    if span is None:
        return list(chains)
    inside = (notes.onset_tick >= span[0]) & (notes.offset_tick <= span[1])
    kept = []
    for chain in chains:  # notes of one pitch: what lies inside is one stretch of the chain
        own = chain[inside[chain]]
        if len(own) > 1:
            kept.append(own)
    return kept


def joined_notes(notes: Notes, chains: Sequence[Ints]) -> Notes:
    """The notes with each chain as one: the first one's onset and velocity, the last one's offset."""
    if not chains:
        return notes
    offset = {name: getattr(notes, name).copy() for name in ("offset_s", "offset_beat", "offset_tick")}
    stays = np.ones(notes.n_notes, dtype=bool)
    for chain in chains:
        for row in offset.values():
            row[chain[0]] = row[chain[-1]]
        stays[chain[1:]] = False
    rows = [notes.onset_s, offset["offset_s"], notes.onset_beat, offset["offset_beat"], notes.onset_tick]
    rows += [offset["offset_tick"], notes.pitch, notes.velocity]
    return Notes(*(row[stays] for row in rows))
