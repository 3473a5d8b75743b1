"""Two players' bow and attack lanes, by formulas of their own over the notes; they share nothing with the rules.

`peaks` turns to the bridge where a line between rests is highest and away from it elsewhere, and begins notes as hard
as the leap to them is wide. `beats` begins every bow near the bridge and lets it glide off, and begins notes by their
place in the bar, softer and softer through a line. No note comes out twice alike: each is up to some steps off.
"""

from __future__ import annotations

import numpy as np

from hands.fader import Array, Line, line_of
from phrasewright.model.hearing import CueHearing

READY_S = 0.04
"""How long before a note the attack lane is moved."""
UNSTEADY_CC = 2.0


def peaks(hearing: CueHearing, index: int, *, seed: int = 0, noise: bool = True) -> Array:
    """Bow and attack on the 10 ms grid, (n_frames, 2), steps."""
    line = line_of(hearing, index)
    begin, end, mine = _between_rests(line)
    top = np.array([line.onset_s[mine == k][np.argmax(line.pitch[mine == k])] for k in range(len(begin))])
    here = mine[line.at]
    wide = 0.15 + 0.25 * (end - begin)[here]
    bow = 36.0 + 70.0 * np.exp(-(((line.time_s - top[here] - 0.2) / wide) ** 2))
    leap = np.abs(np.diff(line.pitch, prepend=line.pitch[:1]))
    return _left(line, bow, 26.0 + 11.0 * np.clip(leap - 1.0, 0.0, 8.0), seed=seed, noise=noise)


def beats(hearing: CueHearing, index: int, *, seed: int = 0, noise: bool = True) -> Array:
    """Bow and attack on the 10 ms grid, (n_frames, 2), steps."""
    line = line_of(hearing, index)
    begin, end, mine = _between_rests(line)
    place = (line.onset_s - begin[mine]) / (end - begin)[mine]
    in_bar = np.mod(line.bar + 0.02, 1.0)
    bow = 94.0 - 46.0 * (1.0 - np.exp(-line.since_s / 0.6))
    attack = np.where(in_bar < 0.05, 108.0, np.where(np.abs(in_bar - 0.52) < 0.05, 76.0, 46.0)) - 26.0 * place
    return _left(line, bow, attack, seed=seed, noise=noise)


def _between_rests(line: Line) -> tuple[Array, Array, np.ndarray]:
    """Begin and end of lines between rests of a quarter second, seconds, and the line of each note."""
    first = np.flatnonzero((line.gap_s >= 0.25) | (np.arange(line.n_notes) == 0))
    last = np.r_[first[1:] - 1, line.n_notes - 1]
    mine = np.searchsorted(first, np.arange(line.n_notes), side="right") - 1
    return line.onset_s[first], line.end_s[last], mine


def _left(line: Line, bow: Array, attack: Array, *, seed: int, noise: bool) -> Array:
    """The lanes as drawn: attack stands from just before a note until just before the next."""
    ahead = np.clip(np.searchsorted(line.onset_s, line.time_s + READY_S, side="right") - 1, 0, None)
    lanes = np.stack([bow, attack[ahead]], axis=1)
    if noise:
        off = np.random.default_rng([seed, line.n_notes]).normal(0.0, UNSTEADY_CC, (line.n_notes, 2))
        lanes = lanes + np.stack([off[line.at, 0], off[ahead, 1]], axis=1)
    return np.asarray(np.clip(np.rint(lanes) if noise else lanes, 0.0, 127.0))
