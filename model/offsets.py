"""Whether a part stands a constant time ahead of the bars, as parts do whose notes were pulled ahead for slow samples.

Told, never acted on: a profile decides (`notes_advanced`). Units: seconds, quarter notes.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from phrasewright.data.cue import PASSAGE_KINDS
from phrasewright.data.tempo import TempoMap
from phrasewright.model.hearing import PartHearing

Floats = NDArray[np.float64]

LEAST_ONSETS = 12
"""Fewer attacks tell nothing."""
LEAST_EARLY_S, LEAST_SURE = 0.02, 0.4
"""What is told: earlier than that, and so sure."""
_TRIED_S = np.arange(-0.028, 0.303, 0.007)
"""Notes pulled ahead stand at most so far before the bars; notes that stand behind them are not looked for."""
_GRIDS = ((4.0, 0.15), (1.0, 0.45), (0.5, 0.25), (0.25, 0.1), (1.0 / 3.0, 0.05))
"""Grids in quarter notes, and what it says that an onset stands on one: most notes stand on beats."""
_WIDTH_S, _ON_GRID_S = 0.018, 0.022
_EXACT_S, _EXACT_SHARE = 0.004, (0.3, 0.9)
"""A part that stands so exactly on halves, and on finer grids, in these shares, was never pulled ahead."""
_APART_S, _CLEAR = 0.04, 0.12
"""Offsets farther apart than the first are rivals; a best one that leads by the second is taken as certain."""
_MOST_ONSETS = 200


@dataclass(frozen=True)
class Offset:
    """How far a part's onsets stand ahead of the bars.

    `early_s` is the median over its attacks, `sure` 0..1 says how many more of them agree than by chance, and how
    clearly; `by_kind` gives the same seconds for attacks that begin a line, that are joined, and in short passages,
    where they differ and can be told (`first`, `legato`, `short`, as in a profile).
    """

    early_s: float
    sure: float
    n_onsets: int
    by_kind: dict[str, float]

    @property
    def told(self) -> bool:
        """Whether it is worth telling."""
        return self.early_s >= LEAST_EARLY_S and self.sure >= LEAST_SURE

    @property
    def remark(self) -> str:
        """What to say of it."""
        kinds = ", ".join(f"{name} {early_s:.2f}" for name, early_s in self.by_kind.items())
        return (
            f"its notes stand {self.early_s:.2f} s ahead of the bars{f' ({kinds})' if kinds else ''}, "
            f"sure {self.sure:.2f}: if they were pulled ahead for a slow instrument, a profile says so with "
            "notes_advanced = true and delays; nothing is done about it unasked"
        )


def offset_of(heard: PartHearing, tempo: TempoMap) -> Offset | None:
    """The constant offset of a part, None where there are no bars or too few onsets to tell."""
    attacks = heard.attacks
    if not tempo.has_metre or attacks.n_attacks < LEAST_ONSETS:
        return None
    whole = _estimate(attacks.onset_s, tempo)
    if whole is None:
        return None
    sustained = attacks.passage == PASSAGE_KINDS.index("sustained")
    kinds = {"first": sustained & ~attacks.joined, "legato": sustained & attacks.joined, "short": ~sustained}
    told = {name: _estimate(attacks.onset_s[mask], tempo) for name, mask in kinds.items()}
    by_kind = {name: one[0] for name, one in told.items() if one is not None and one[1] >= LEAST_SURE}
    sure = max(whole[1], min((told[name] or whole)[1] for name in by_kind)) if by_kind else whole[1]
    if by_kind and max(by_kind.values()) - min(by_kind.values()) < 0.01:
        by_kind = {}
    return Offset(whole[0], sure, attacks.n_attacks, by_kind)


def _estimate(onset_s: Floats, tempo: TempoMap) -> tuple[float, float] | None:
    """(early, sure) of some onsets: the shift that brings most of them onto bars, beats and halves."""
    if len(onset_s) < LEAST_ONSETS:
        return None
    onset_s = onset_s[np.unique(np.linspace(0, len(onset_s) - 1, _MOST_ONSETS).astype(int))]
    near = [np.abs(_from_grid_s(onset_s, step, tempo)) <= _EXACT_S for step in (0.5, 1.0 / 6.0, 0.125)]
    if near[0].mean() >= _EXACT_SHARE[0] and np.any(near, axis=0).mean() >= _EXACT_SHARE[1]:
        return 0.0, 1.0
    off_s = {step: _from_grid_s(onset_s + _TRIED_S[:, None], step, tempo) for step, _ in _GRIDS}
    score = np.zeros(len(_TRIED_S))
    for step, weight in _GRIDS:
        score += weight * np.exp(-0.5 * (off_s[step] / _WIDTH_S) ** 2).mean(axis=1)
    best = int(np.argmax(score))
    rivals = np.abs(_TRIED_S - _TRIED_S[best]) > _APART_S
    lead = (score[best] - score[rivals].max()) / score[best]
    near_grid = np.min([np.abs(off_s[step]) for step, _ in _GRIDS[2:]], axis=0) <= _ON_GRID_S  # (n_tried, n_onsets)
    on_grid, chance = near_grid[best], float(near_grid.mean())
    if not np.any(on_grid) or chance >= 1.0:
        return None
    residual = np.stack([off_s[step][best] for step, _ in _GRIDS[2:]])
    chosen = np.take_along_axis(residual, np.abs(residual).argmin(axis=0)[None], axis=0)[0]
    early_s = float(_TRIED_S[best] - np.median(chosen[on_grid]))
    sure = float((on_grid.mean() - chance) / (1.0 - chance) * np.clip(lead / _CLEAR, 0.0, 1.0))
    return round(early_s, 4) + 0.0, round(sure, 3)


def _from_grid_s(time_s: Floats, step_beat: float, tempo: TempoMap) -> Floats:
    """Signed seconds from the nearest multiple of a step, positive behind it; bars for steps of four. Shape as given.
    """
    beat_s = tempo.beat_length_s(np.maximum(time_s, 0.0))
    beat = tempo.s_to_beat(np.maximum(time_s, 0.0))
    if step_beat >= 4.0:
        at = tempo.tick_to_bar(beat * tempo.ticks_per_beat)
        return np.asarray((at - np.rint(at)) * tempo.bar_length_s(np.maximum(time_s, 0.0)))
    at = beat / step_beat
    return np.asarray((at - np.rint(at)) * step_beat * beat_s)
