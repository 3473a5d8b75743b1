"""Three test hands, drawn by formulas that share nothing with the rules: judges of the network that did not teach it.

Each is a function of the notes as heard, to dynamics, expression and vibrato on the 10 ms grid, in steps. They differ
from the rules on purpose: in where a phrase peaks, in what a note does, in how lanes relate. They are not meant to be
beautiful.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from phrasewright.model.hearing import CueHearing
from phrasewright.model.lanes import frame_times_s, n_frames_for

Lanes = NDArray[np.float64]
Hand = Callable[[CueHearing, int], Lanes]


def tide(hearing: CueHearing, index: int) -> Lanes:
    """A slow player: each phrase a sine that peaks in the middle, each note a smaller one, joins as triangles."""
    time_s, onset_s, length_s, at, place = _grid(hearing, index)
    within = np.clip((time_s - onset_s[at]) / length_s[at], 0.0, 1.0)
    phrase = np.sin(np.pi * place)
    note = np.sin(np.pi * within)
    nearest_s = _distance_to_joins(hearing, index, time_s)
    notch = np.maximum(1.0 - nearest_s / 0.12, 0.0)
    dynamics = 60.0 + 18.0 * phrase + 4.0 * note - 5.0 * notch
    expression = 86.0 + 9.0 * phrase**2 + 5.0 * note - 8.0 * notch
    vibrato = 25.0 + 35.0 * np.minimum(within, 0.6) * np.minimum(length_s[at], 2.0)
    return np.stack([dynamics, expression, vibrato], axis=1)


def climber(hearing: CueHearing, index: int) -> Lanes:
    """A player who follows pitch above all, leans on long notes late, and lets expression fall through the phrase."""
    time_s, onset_s, length_s, at, place = _grid(hearing, index)
    attacks = hearing.parts[index].attacks
    height = np.cumsum(np.exp(-0.2 * np.arange(12)))[-1]
    smooth = np.convolve(attacks.pitch - 60.0, np.exp(-0.2 * np.arange(12)) / height)[: attacks.n_attacks]
    late = np.clip((time_s - onset_s[at]) / length_s[at], 0.0, 1.0) ** 2 * np.minimum(length_s[at], 3.0)
    drop = np.exp(-((_distance_to_joins(hearing, index, time_s) / 0.07) ** 2))
    dynamics = 68.0 + 0.9 * smooth[at] + 4.0 * late - 6.0 * drop
    expression = 92.0 + 8.0 * (1.0 - place) - 5.0 * drop + 2.0 * late
    vibrato = 30.0 + 10.0 * late
    return np.stack([dynamics, expression, vibrato], axis=1)


def speaker(hearing: CueHearing, index: int) -> Lanes:
    """A player who speaks each note: a sharp start that falls in a straight line, phrases that only fall."""
    time_s, onset_s, length_s, at, place = _grid(hearing, index)
    since_s = np.maximum(time_s - onset_s[at], 0.0)
    start = np.minimum(since_s / 0.08, 1.0)
    fall = np.minimum(since_s / np.maximum(length_s[at], 0.5), 1.0)
    dynamics = 84.0 - 16.0 * place + 8.0 * start - 12.0 * fall
    expression = 100.0 - 10.0 * place + 9.0 * start - 9.0 * fall
    vibrato = np.where(length_s[at] > 0.7, 60.0 * np.minimum(since_s / 1.2, 1.0), 12.0)
    return np.stack([dynamics, expression, vibrato], axis=1)


HANDS: dict[str, Hand] = {"tide": tide, "climber": climber, "speaker": speaker}


def _grid(hearing: CueHearing, index: int) -> tuple[Lanes, Lanes, Lanes, NDArray[np.int64], Lanes]:
    """Frame times, onsets and lengths of attacks, each frame's attack, each frame's place in its phrase 0..1."""
    part = hearing.parts[index]
    time_s = frame_times_s(n_frames_for(float(part.part.notes.offset_s.max())))
    onset_s = part.attacks.onset_s
    at = np.clip(np.searchsorted(onset_s, time_s, side="right") - 1, 0, None)
    starts = np.array([phrase.start_s for phrase in part.phrases])
    ends = np.array([phrase.end_s for phrase in part.phrases])
    p = part.attacks.phrase[at]
    place = np.clip((time_s - starts[p]) / np.maximum(ends[p] - starts[p], 0.1), 0.0, 1.0)
    return time_s, onset_s, np.maximum(part.attacks.end_s - onset_s, 0.05), at, place


def _distance_to_joins(hearing: CueHearing, index: int, time_s: Lanes) -> Lanes:
    """Seconds to the nearest connected onset, 10 where there is none."""
    attacks = hearing.parts[index].attacks
    joins = attacks.onset_s[attacks.joined]
    if len(joins) == 0:
        return np.full(len(time_s), 10.0)
    after = np.clip(np.searchsorted(joins, time_s), 0, len(joins) - 1)
    return np.minimum(np.abs(joins[after] - time_s), np.abs(joins[np.maximum(after - 1, 0)] - time_s))
