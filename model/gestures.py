"""What is shaped as one note: a note, a chord, or a run, a trill, a tremolo, a burst of fast repeats taken together.

Beside the gestures stands the frame grid: which gesture governs each frame, and how far it has come.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from phrasewright.data.cue import PASSAGE_KINDS
from phrasewright.model.hearing import EVENTS, FIGURES, ROLES, CueHearing
from phrasewright.model.lanes import FRAME_S
from phrasewright.model.parameters import Held, RuleParameters

Array = NDArray[np.float64]
Ints = NDArray[np.int64]
Mask = NDArray[np.bool_]

_RUN, _TRILL, _TREMOLO = FIGURES.index("run"), FIGURES.index("trill"), FIGURES.index("tremolo")
_REPEATED, _DETACHED = FIGURES.index("repeated"), FIGURES.index("detached")
_SPIKES = (EVENTS.index("accent"), EVENTS.index("sforzando"))
_FAR_S = 1e6
_LONG_S = 0.8
"""A detached note this long is shaped like any other."""


@dataclass(frozen=True)
class Gestures:
    """Gestures of one part in order; arrays of shape (n_gestures,).

    Parameters
    ----------
    onset_s, end_s, next_s : float
        Where it starts, where its sound ends or the next begins, and where the next begins (far away for the last).
    length_s : float
        `end_s - onset_s`, at least 10 ms.
    pitch : float
        Of its highest line, mean over its attacks.
    climb : float
        Semitones from its first to its last attack.
    entry : bool
        After a rest of at least a quarter of a second, or the first.
    joined, repeated, renewed, phrase, role, figure, event, passage
        Of its first attack, as in `Attacks`.
    n_attacks, first_attack : int
    metre : float, 0..1
        1 on a downbeat, 0.5 on the half bar, 0.3 on other beats, 0 between.
    frozen : bool
        One level for the whole note: detached, or a short passage.
    resting : bool
        A decaying passage, where lanes rest.
    """

    onset_s: Array
    end_s: Array
    next_s: Array
    length_s: Array
    pitch: Array
    climb: Array
    entry: Mask
    joined: Mask
    repeated: Mask
    renewed: Array
    phrase: Ints
    role: Ints
    figure: Ints
    event: Ints
    passage: Ints
    n_attacks: Ints
    first_attack: Ints
    metre: Array
    frozen: Mask
    resting: Mask

    @property
    def n_gestures(self) -> int:
        """How many."""
        return len(self.onset_s)

    def shares(self, by_role: Mapping[str, float]) -> Array:
        """Value of a mapping from role name for every gesture, shape (n_gestures,)."""
        table = np.array([by_role[role] for role in ROLES])
        return np.asarray(table[self.role])

    def swell_share(self, held: Held) -> Array:
        """How far swells take the place of the arc in each gesture, 0..1: in long single notes and chords."""
        plain = (self.n_attacks == 1) & ~self.frozen & ~self.resting
        ramp_s = max(held.swell_full_s - held.swell_from_s, FRAME_S)
        return np.asarray(plain * np.clip((self.length_s - held.swell_from_s) / ramp_s, 0.0, 1.0))


@dataclass(frozen=True)
class Grid:
    """Frames of one part, rising, not always all of them: their numbers on the 10 ms grid, time, governing gesture,
    seconds since its onset (not below 0) and to the next onset."""

    frame: Ints
    time_s: Array
    index: Ints
    since_s: Array
    until_s: Array

    @property
    def step(self) -> int:
        """Distance between the first two frames: that of all of them, where they are evenly spaced."""
        return int(self.frame[1] - self.frame[0]) if len(self.frame) > 1 else 1


def gestures_of(hearing: CueHearing, index: int, *, parameters: RuleParameters) -> Gestures:
    """Take together what is shaped as one note. `index` counts from 0 into the hearing's parts; at least one attack."""
    part = hearing.parts[index]
    a = part.attacks
    spike = np.isin(a.event, _SPIKES)
    apart_s = np.diff(a.onset_s)
    one = (
        (a.figure[1:] == a.figure[:-1])
        & (a.phrase[1:] == a.phrase[:-1])
        & (a.passage[1:] == a.passage[:-1])
        & ~spike[1:]
    )
    one &= a.rest_before_s[1:] < parameters.limits.entry_rest_s
    one &= np.isin(a.figure[1:], (_RUN, _TRILL, _TREMOLO)) | (
        (a.figure[1:] == _REPEATED) & (apart_s < parameters.dip.fast_repeat_s)
    )
    one &= ~(a.repeated[1:] & (apart_s >= parameters.dip.fast_repeat_s) & (a.figure[1:] == _RUN))
    first = np.flatnonzero(np.r_[True, ~one])
    last = np.r_[first[1:] - 1, a.n_attacks - 1]
    passage = a.passage[first].astype(np.int64)
    n_attacks = last - first + 1
    onset_s, end_s = a.onset_s[first], a.end_s[last]
    short = PASSAGE_KINDS.index("short")
    detached = (a.figure[first] == _DETACHED) & ~a.joined[first] & (end_s - onset_s < _LONG_S)
    return Gestures(
        onset_s=onset_s,
        end_s=end_s,
        next_s=np.r_[onset_s[1:], _FAR_S],
        length_s=np.maximum(end_s - onset_s, 0.01),
        pitch=np.add.reduceat(a.pitch.astype(np.float64), first) / n_attacks,
        climb=(a.pitch[last] - a.pitch[first]).astype(np.float64),
        entry=np.r_[True, a.rest_before_s[first[1:]] >= parameters.limits.entry_rest_s],
        joined=a.joined[first],
        repeated=a.repeated[first],
        renewed=a.renewed[first],
        phrase=a.phrase[first],
        role=a.role[first].astype(np.int64),
        figure=a.figure[first].astype(np.int64),
        event=a.event[first].astype(np.int64),
        passage=passage,
        n_attacks=n_attacks,
        first_attack=first,
        metre=metre_of(hearing, index)[first],
        frozen=(detached | (passage == short)) & (n_attacks == 1),
        resting=passage == PASSAGE_KINDS.index("decaying"),
    )


def metre_of(hearing: CueHearing, index: int) -> Array:
    """Weight of each attack's place in its bar, 0..1, shape (n_attacks,); zeros where the file has no metre."""
    part, tempo = hearing.parts[index], hearing.cue.tempo
    if not tempo.has_metre:
        return np.zeros(part.attacks.n_attacks)
    tick = part.part.notes.onset_tick[part.attacks.first_note]
    metre = np.maximum(np.searchsorted(tempo.metre_tick, tick, side="right") - 1, 0)
    share = np.mod(tempo.tick_to_bar(tick), 1.0)
    share = np.where(share > 0.999, 0.0, share)
    beat = share * tempo.metre_numerator[metre]
    on_beat = np.abs(beat - np.rint(beat)) < 0.04
    half = (np.abs(share - 0.5) < 0.01) & (tempo.metre_numerator[metre] % 2 == 0)
    return np.asarray(np.select([share < 0.01, half, on_beat], [1.0, 0.5, 0.3], 0.0))


def grid_of(gestures: Gestures, frames: int | Ints) -> Grid:
    """The frames and who governs them: so many from the first on, or those of the given numbers."""
    frame = np.arange(frames) if isinstance(frames, int) else frames
    time_s = np.asarray(frame * FRAME_S, dtype=np.float64)
    first = np.searchsorted(time_s + 1e-6, gestures.onset_s)  # frame of each gesture
    first[:1] = 0
    index = np.repeat(np.arange(gestures.n_gestures), np.diff(first, append=len(frame)))
    return Grid(
        frame=frame,
        time_s=time_s,
        index=index,
        since_s=np.maximum(time_s - gestures.onset_s[index], 0.0),
        until_s=gestures.next_s[index] - time_s,
    )


def window_frames(n_frames: int, width_s: float, start: Ints, end: Ints, *, step: int = 1) -> tuple[Ints, Ints]:
    """First frame and frame after the last of a window of `width_s` around every frame, cut to `start`..`end`.

    Frames are numbered one after the other; `step` says how far apart they lie on the 10 ms grid.
    """
    half = round(width_s / 2.0 / (FRAME_S * step))
    frame = np.arange(n_frames)
    return np.maximum(frame - half, start), np.minimum(frame + half + 1, end)


def runs_of(gestures: Gestures, grid: Grid) -> tuple[Ints, Ints]:
    """First frame and frame after the last of the stretch without rest each frame lies in."""
    run = np.cumsum(gestures.entry)[grid.index] - 1
    edges = np.searchsorted(run, np.arange(run[-1] + 2))
    return edges[run], edges[run + 1]
