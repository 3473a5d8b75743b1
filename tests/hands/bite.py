"""A player who bites into every note and lets it go.

Each note starts from a deep dip, shoots up within a tenth of a second and dies away exponentially, slower on longer
notes; dips belong to every join and come back in every repeat, deeper. Groups, cut at rests and wherever a note is at
least three times the one before, begin strong and lose a little with each note. Expression bites less and dies later
than dynamics. Vibrato follows the decay.
"""

from __future__ import annotations

import numpy as np

from hands.fader import Array, line_of, on_the_fader
from phrasewright.model.hearing import CueHearing


def draw(hearing: CueHearing, index: int, *, seed: int = 0, noise: bool = True) -> Array:
    """Dynamics, expression, vibrato on the 10 ms grid, (n_frames, 3), steps."""
    line = line_of(hearing, index)
    length_s = line.length_s
    fresh = (line.gap_s >= 0.2) | (length_s > 3.0 * np.r_[np.inf, length_s[:-1]])
    count = np.arange(line.n_notes) - np.maximum.accumulate(np.where(fresh, np.arange(line.n_notes), 0))
    worn = 1.0 / (1.0 + 0.12 * count)
    joined = line.gap_s < 0.06
    again = joined & (np.diff(line.pitch, prepend=0.0) == 0)
    room = np.clip(length_s / 0.35, 0.35, 1.0)  # quick notes leave no room to bite
    bite = (8.0 + 10.0 * worn + 2.0 * np.clip(np.diff(line.pitch, prepend=line.pitch[0]) / 5.0, -1.0, 1.5)) * room
    dip = np.where(joined, 12.0, 5.0) * room + 5.0 * again * room
    tau_s = 0.14 + 0.35 * np.minimum(length_s, 2.0)
    since_s, at = line.since_s, line.at

    def shot(rise_s: float, slower: float) -> Array:
        return np.asarray((1.0 - np.exp(-since_s / rise_s)) * np.exp(-since_s / (slower * tau_s[at])))

    ahead_s = np.r_[line.onset_s, 1e9][np.minimum(at + 1, line.n_notes)] - line.time_s
    ahead_s = np.where(line.time_s < line.onset_s[0], line.onset_s[0] - line.time_s, ahead_s)
    next_dip = np.r_[dip, 0.0][np.minimum(at + 1, line.n_notes)]
    pull = next_dip * np.clip(1.0 - ahead_s / 0.1, 0.0, 1.0) ** 1.5 + dip[at] * np.exp(-((since_s / 0.075) ** 2))
    dynamics = 60.0 + 14.0 * worn[at] + bite[at] * 1.15 * shot(0.065, 1.0) - pull
    expression = 86.0 + 7.0 * worn[at] + bite[at] * 0.75 * shot(0.075, 1.8) - 0.75 * pull
    vibrato = 20.0 + 2.8 * bite[at] * (1.0 - np.exp(-since_s / 0.25)) * np.exp(-since_s / (3.0 * tau_s[at]))
    vibrato = np.convolve(np.pad(vibrato, 8, mode="edge"), np.full(17, 1.0 / 17.0), mode="valid")
    return on_the_fader(np.stack([dynamics, expression, vibrato], axis=1), line, seed=seed, noise=noise)
