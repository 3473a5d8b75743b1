"""The voices that roles are given to: a part, or each line of a part that plays several.

A part that plays one line or struck chords is one voice. Where lines of a part move against each other (divisi, a
reduction on one track), phrase by phrase, each of its layers is a voice of its own. Broken chords that are held on, by
fingers or pedal, stay one voice: their notes end together.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from phrasewright.data.cue import Part
from phrasewright.data.notes import Notes
from phrasewright.model.attacks import attacks_of
from phrasewright.model.hearing import Attacks, Phrase
from phrasewright.model.layers import Layers, split_layers

AGAINST = 0.25
"""Share of the attacks of a phrase that begin under or over held notes from which its lines are voices."""
ENDS_APART = 0.4
"""Share of distinct ends among its notes; below it, notes are held until they end together: broken chords."""
MOST_LINES = 6


@dataclass(frozen=True)
class Voice:
    """A voice: index from 0 of its part, its attacks and phrases, and the index in the part of each of its notes."""

    part: int
    attacks: Attacks
    phrases: tuple[Phrase, ...]
    note: NDArray[np.int64]

    def notes_of(self, first: int, last: int) -> NDArray[np.int64]:
        """Index in the part of the notes of a stretch of attacks."""
        return self.note[int(self.attacks.first_note[first]) : int(self.attacks.last_note[last]) + 1]


def voices_of(parts: list[Part], layers: list[Layers], heard: list[tuple[Attacks, tuple[Phrase, ...]]]) -> list[Voice]:
    """The voices of all parts, by part; every note belongs to one."""
    voices = []
    for index, (part, split, (attacks, phrases)) in enumerate(zip(parts, layers, heard, strict=True)):
        apart = [k for k, phrase in enumerate(phrases) if _lines_apart(part.notes, attacks, phrase)]
        if not apart:
            voices.append(Voice(index, attacks, phrases, np.arange(part.notes.n_notes)))
            continue
        inside = np.zeros(part.notes.n_notes, dtype=bool)
        for k in apart:
            inside[phrases[k].first_note : phrases[k].last_note + 1] = True
        masks = [~inside, *(inside & (split.layer == row) for row in np.unique(split.layer[inside]))]
        voices += [_voice(index, part, mask, phrases) for mask in masks if np.any(mask)]
    return voices


def _lines_apart(notes: Notes, attacks: Attacks, phrase: Phrase) -> bool:
    """Whether several lines move against each other in a phrase."""
    own = slice(phrase.first_attack, phrase.last_attack + 1)
    if attacks.n_sounding[own].max() < 2:
        return False
    against = attacks.renewed[own] < 1.0
    if np.mean(against) < AGAINST or np.mean(attacks.n_sounding[own]) > MOST_LINES:
        return False
    ends = np.sort(notes.offset_s[phrase.first_note : phrase.last_note + 1])
    distinct = 1 + int(np.sum(np.diff(ends) > 0.02))
    return distinct >= ENDS_APART * len(ends)


def _voice(index: int, part: Part, mask: NDArray[np.bool_], phrases: tuple[Phrase, ...]) -> Voice:
    """Some of the notes of a part as a voice, divided where the part's phrases begin."""
    notes = part.notes.take(mask)
    attacks = attacks_of(replace(part, notes=notes), split_layers(notes))
    starts_s = np.array([phrase.start_s for phrase in phrases])
    of = np.maximum(np.searchsorted(starts_s, attacks.onset_s + 1e-6, side="right") - 1, 0)
    first = np.flatnonzero(np.r_[True, np.diff(of) > 0])
    last = np.r_[first[1:] - 1, attacks.n_attacks - 1]
    own = tuple(
        replace(
            phrases[k],
            start_s=float(attacks.onset_s[a]),
            first_attack=a,
            last_attack=b,
            first_note=int(attacks.first_note[a]),
            last_note=int(attacks.last_note[b]),
        )
        for a, b, k in zip(first.tolist(), last.tolist(), of[first].tolist(), strict=True)
    )
    return Voice(index, attacks, own, np.flatnonzero(mask))
