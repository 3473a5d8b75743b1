"""The vibrato lane: waits on long notes, grows, follows dynamics a little, eases at joins and in fast notes."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from phrasewright.model.gestures import Gestures, Grid, grid_of, runs_of, window_frames
from phrasewright.model.hearing import FIGURES
from phrasewright.model.lanes import FRAME_S
from phrasewright.model.parameters import RuleParameters
from phrasewright.model.shapes import Window, bump, ease

Array = NDArray[np.float64]
_FAST = (FIGURES.index("run"), FIGURES.index("repeated"))


def vibrato_cc(gestures: Gestures, grid: Grid, dynamics_cc: Array, *, parameters: RuleParameters, solo: bool) -> Array:
    """Vibrato in steps without its drift, shape (n_frames,). `dynamics_cc`: slow dynamics less its centre, steps."""
    vibrato = parameters.vibrato
    full = vibrato.solo_cc if solo else vibrato.section_cc
    ease_by = (vibrato.solo_ease if solo else vibrato.section_ease) * gestures.joined * gestures.renewed
    shorter_s = np.minimum(gestures.length_s, np.r_[gestures.length_s[:1], gestures.length_s[:-1]])
    ease_by = ease_by * ease((shorter_s - vibrato.fast_s) / vibrato.join_from_s)  # fast notes share one movement
    # the notes of a run or of quick repeats are fast, however long the gesture; a trill is one held note
    note_s = gestures.length_s / np.where(np.isin(gestures.figure, _FAST), gestures.n_attacks, 1)
    share = ease((note_s - vibrato.fast_s) / (vibrato.slow_s - vibrato.fast_s))
    target = full * (vibrato.fast_share + (1.0 - vibrato.fast_share) * share)
    target = target * parameters.centres_cc()[2] / type(parameters)().centres_cc()[2]
    start = np.where(gestures.entry, vibrato.entry_share * target, np.r_[0.0, target[:-1]])
    wait_s = np.minimum(vibrato.wait_s + vibrato.wait_per_length * gestures.length_s, vibrato.longest_wait_s)
    grow_s = np.clip(vibrato.grow_per_length * gestures.length_s, *vibrato.grow_s)
    squeeze = np.minimum(1.0, vibrato.latest_share * gestures.length_s / (wait_s + grow_s))
    wait_s, grow_s = wait_s * squeeze, grow_s * squeeze
    i, j = grid.index, np.minimum(grid.index + 1, gestures.n_gestures - 1)
    whole = grid_of(gestures, int(grid.frame[-1]) + 1 + round(vibrato.settle_s / FRAME_S))
    k = whole.index
    value = start[k] + (target[k] - start[k]) * ease((whole.since_s - wait_s[k]) / grow_s[k])
    settle = Window(*window_frames(len(value), vibrato.settle_s, *runs_of(gestures, whole)))
    for _ in range(2):  # twice a moving average: no corners
        value = settle.mean(value)
    value = value[grid.frame]
    ease_s = np.minimum(vibrato.ease_s, 0.5 * gestures.length_s)
    onward = (j > i) & ~gestures.entry[j]
    value = value * np.where(onward, 1.0 - ease_by[j] * bump(grid.until_s / ease_s[i]), 1.0)
    value = value * (1.0 - ease_by[i] * bump(grid.since_s / (2.0 * ease_s[i])))
    return np.asarray(value + vibrato.follow_dynamics * dynamics_cc * value / full)
