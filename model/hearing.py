"""What is heard in a cue: attacks, phrases, and the three axes of situations.

An *attack* is everything of one part that starts together (within 35 ms): a single note of a line, or a chord. Rules,
network and writer all work on attacks; a line of single notes has one attack a note.

Everything here has local support: editing bar 60 does not change what is heard in bar 10.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from phrasewright.data.cue import Cue, Part
from phrasewright.data.plan import Plan

ROLES = ("melody", "counter", "chords", "bass", "pedal")
FIGURES = ("none", "repeated", "held", "run", "detached", "trill", "tremolo")
EVENTS = ("none", "accent", "sforzando", "closing-rise", "closing-fall")


@dataclass(frozen=True)
class Attacks:
    """The attacks of one part in order; all arrays have shape (n_attacks,) unless said otherwise.

    Parameters
    ----------
    onset_s, onset_beat : float
        Where it starts.
    end_s : float
        Where its own notes have all ended, or the next attack begins, whichever is first. With `end_s` of one and
        `onset_s` of the next equal or within a join, the sound goes on.
    release_s : float
        Where the last of its own notes ends (a held note may outlast later attacks).
    pitch, low_pitch : int
        Highest and lowest of its own notes.
    n_notes : int
        How many of its own notes.
    n_sounding : int
        How many notes of the part sound just after the onset, those held from before included.
    velocity : int
        The loudest of its notes.
    renewed : float, 0..1
        Share of the sounding notes that start here, over those that continue a sounding line: 1 for a single line, less
        over held notes. A join dip is scaled by it.
    joined : bool
        Connected to the sound before: gap of at most 60 ms (or 5 % of the inter-onset time in score exports), or
        overlap.
    repeated : bool
        The same pitches as the attack before, in the layer it continues.
    rest_before_s : float
        Silence of the part before this attack, 0 when something still sounds; the first attack counts from time 0.
    phrase : int
        Index into the part's phrases.
    role, figure, event : int8
        Index into ROLES, FIGURES, EVENTS.
    passage : int8
        Index into PASSAGE_KINDS: how the note is played.
    first_note, last_note : int
        Its notes are `notes[first_note : last_note + 1]` of the part.
    """

    onset_s: NDArray[np.float64]
    onset_beat: NDArray[np.float64]
    end_s: NDArray[np.float64]
    release_s: NDArray[np.float64]
    pitch: NDArray[np.int64]
    low_pitch: NDArray[np.int64]
    n_notes: NDArray[np.int64]
    n_sounding: NDArray[np.int64]
    velocity: NDArray[np.int64]
    renewed: NDArray[np.float64]
    joined: NDArray[np.bool_]
    repeated: NDArray[np.bool_]
    rest_before_s: NDArray[np.float64]
    phrase: NDArray[np.int64]
    role: NDArray[np.int8]
    figure: NDArray[np.int8]
    event: NDArray[np.int8]
    passage: NDArray[np.int8]
    first_note: NDArray[np.int64]
    last_note: NDArray[np.int64]

    @property
    def n_attacks(self) -> int:
        """How many."""
        return len(self.onset_s)


@dataclass(frozen=True)
class Phrase:
    """One phrase of a part. Notes count from 0 in onset order, highest first in a chord; beats are quarter notes.

    It begins with its first onset and ends where its sound ends, at the latest where the next phrase begins. Tracks of
    one instrument share these times. `strength`, 0..1, tells how surely it begins there: 1 at the start and after a
    long rest, little where a long line had to be divided somewhere.
    """

    start_s: float
    end_s: float
    start_beat: float
    end_beat: float
    first_note: int
    last_note: int
    first_attack: int
    last_attack: int
    strength: float
    why: str


@dataclass(frozen=True)
class Situation:
    """A named stretch on one axis (`role`, `figure` or `event`), with the reason in words."""

    axis: str
    label: str
    start_s: float
    end_s: float
    why: str


@dataclass(frozen=True)
class PartHearing:
    """One part as heard. `layer` gives each note's line within the part, 0 the highest; shape (n_notes,)."""

    part: Part
    attacks: Attacks
    phrases: tuple[Phrase, ...]
    situations: tuple[Situation, ...]
    layer: NDArray[np.int64]
    note_role: NDArray[np.int8]
    note_figure: NDArray[np.int8]
    note_event: NDArray[np.int8]


@dataclass(frozen=True)
class CueHearing:
    """A whole cue as heard, parts in file order; percussive and unshaped parts are heard too, for context.

    `plan` is the loudness wanted of each part: a composer's table, or what the marks in the file come to. Where neither
    says anything, `texture_db`, every `levels.TEXTURE_STEP_S` seconds, shape (n_steps,), is what the texture suggests.
    """

    cue: Cue
    parts: tuple[PartHearing, ...]
    plan: Plan = field(default_factory=Plan)
    texture_db: NDArray[np.float64] = field(default_factory=lambda: np.zeros(0))
