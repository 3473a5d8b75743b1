"""A player who listens to the others, with a heavy fader.

Dynamics goes with how many notes all parts together begin in the two seconds around, a tutti lifting everyone. The part
that begins most notes itself has the say and stands out; the others keep under it. A repeated pitch builds up from
stroke to stroke and drops when the pitch changes. What the player wants, steps from note to note; what the hand
does is a heavy fader: it starts late, moves with limited speed and swings past its goal. Expression has the lighter
fader and hears only the part's own rhythm. Vibrato is for quiet moments.
"""

from __future__ import annotations

import numpy as np

from hands.fader import Array, Line, line_of, on_the_fader
from phrasewright.model.hearing import CueHearing


def draw(hearing: CueHearing, index: int, *, seed: int = 0, noise: bool = True) -> Array:
    """Dynamics, expression, vibrato on the 10 ms grid, (n_frames, 3), steps."""
    line = line_of(hearing, index)
    busy = [_onsets_around(p.part.notes.onset_s, line.time_s) for p in hearing.parts if p.part.notes.n_notes]
    own = _onsets_around(line.onset_s, line.time_s)
    crowd = np.sqrt(np.sum(busy, axis=0))
    leads = own >= 0.999 * np.max(busy, axis=0)
    at_onset = np.clip(np.rint(line.onset_s * 100).astype(np.int64), 0, len(own) - 1)
    build = _built_up(line)
    goal = 34.0 + 11.0 * crowd[at_onset] + 9.0 * leads[at_onset] + 2.2 * np.minimum(build, 5.0)
    heard = line.gap_s < 0.06
    lift = _lift(line, np.where(heard, 6.0 + 3.0 * (build > 0), 0.0))
    dynamics = _heavy(goal[line.at], hz=0.9, damping=0.45, most_cc_per_s=90.0) - lift
    lively = 6.0 * np.exp(-line.length_s / 0.4) + 4.0 * leads[at_onset] + 1.5 * np.minimum(build, 5.0)
    swell = 6.0 * np.sin(np.pi * line.within) * np.minimum(line.length_s[line.at], 1.5)
    expression = 85.0 + _heavy(lively[line.at] + swell, hz=2.2, damping=0.6, most_cc_per_s=120.0) - 1.2 * lift
    quiet = np.clip(line.since_s - 0.3, 0.0, 1.0) * np.clip(5.0 - crowd, 0.5, 4.0)
    vibrato = 12.0 + _heavy(18.0 * quiet, hz=0.8, damping=0.8, most_cc_per_s=70.0)
    return on_the_fader(np.stack([dynamics, expression, vibrato], axis=1), line, seed=seed, noise=noise)


def _onsets_around(onset_s: Array, time_s: Array) -> Array:
    """Onsets a second in the two seconds around each frame, nearer ones counting more."""
    count = np.zeros(len(time_s))
    inside = onset_s[onset_s <= time_s[-1]]
    np.add.at(count, np.rint(inside * 100).astype(np.int64), 1.0)
    tent = 1.0 - np.abs(np.linspace(-1.0, 1.0, 201))
    return np.asarray(np.convolve(np.pad(count, 100), tent, mode="valid"))


def _built_up(line: Line) -> Array:
    """How many times each note's pitch has just been struck before it, without a rest."""
    same = (np.diff(line.pitch, prepend=-1.0) == 0) & (line.gap_s < 0.25)
    index = np.arange(line.n_notes)
    return np.asarray(index - np.maximum.accumulate(np.where(same, 0, index)), dtype=np.float64)


def _lift(line: Line, depth: Array) -> Array:
    """The hand gives at an onset: a lopsided bell, lowest just at it."""
    ahead = np.clip(np.searchsorted(line.onset_s, line.time_s), 0, line.n_notes - 1)
    ahead_s = line.onset_s[ahead] - line.time_s
    before = depth[ahead] * np.where(ahead_s >= 0, 1.0 / (1.0 + (np.maximum(ahead_s, 0.0) / 0.035) ** 4), 0.0)
    after = depth[line.at] / (1.0 + (line.since_s / 0.07) ** 3)
    return np.asarray(np.maximum(before, np.where(line.time_s >= line.onset_s[0], after, 0.0)))


def _heavy(goal: Array, *, hz: float, damping: float, most_cc_per_s: float) -> Array:
    """A weight on a spring that is drawn to the goal, no faster than it may; starts at rest at the first goal."""
    out = np.empty(len(goal))
    pull, brake = (2.0 * np.pi * hz) ** 2, 2.0 * damping * 2.0 * np.pi * hz
    at, speed = float(goal[0]), 0.0
    for i, aim in enumerate(goal.tolist()):
        speed += 0.01 * (pull * (aim - at) - brake * speed)
        speed = min(max(speed, -most_cc_per_s), most_cc_per_s)
        at += 0.01 * speed
        out[i] = at
    return out
