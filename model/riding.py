"""Shapes ride on the plan: what a predictor drew around mf, carried to the loudness the composer wants.

The plan's own curve replaces the centres; the shapes around them keep their form and change in size: arcs and notes are
smaller in a whisper, accents and sforzandi grow with the level more than anything else. A part without a plan comes
back as it was. Sizes are common practice without a source.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from phrasewright.data.plan import LEVEL_CENTRES_CC, MF_CC, NIENTE_CC, plan_levels
from phrasewright.model.gestures import Gestures, Grid, runs_of, window_frames
from phrasewright.model.hearing import EVENTS, CueHearing
from phrasewright.model.parameters import RuleParameters
from phrasewright.model.shapes import Window, bent_into, ease

Array = NDArray[np.float64]
_ACCENTS = (EVENTS.index("accent"), EVENTS.index("sforzando"))
_RISE, _FALL = EVENTS.index("closing-rise"), EVENTS.index("closing-fall")


def on_the_plan(
    hearing: CueHearing,
    index: int,
    value: Array,
    sounding: Array,
    gestures: Gestures,
    grid: Grid,
    *,
    parameters: RuleParameters,
) -> Array:
    """Lanes drawn around mf, shape (n_frames, 3), at the levels the plan asks of the part.

    `index` counts from 0 into the hearing's parts; `sounding` is 1 where the part sounds, else 0, shape (n_frames,).
    """
    part = hearing.parts[index].part
    if not hearing.plan.covers(part):
        return value
    riding = parameters.riding
    level = plan_levels(hearing.plan, part, grid.time_s)  # (n_frames, 2)
    at = [NIENTE_CC, *LEVEL_CENTRES_CC.values()]
    share = np.interp(level[:, 0], at, riding.shape_share)
    sharp = np.interp(level[:, 0], at, riding.accent_share)
    closing = _closing_share(level[:, 0], gestures, grid, parameters=parameters)

    edges = window_frames(len(value), parameters.limits.scaled_s, *runs_of(gestures, grid))
    arcs = Window(*edges, sounding)
    spikes = _spikes(gestures, grid, parameters=parameters)
    out = value.copy()
    centre = parameters.centres_cc()
    for lane in (0, 1):
        # expression by ratio, since its level goes by ratio; dynamics by difference
        away = value[:, 0] - centre[0] if lane == 0 else np.log(np.maximum(value[:, 1], 1.0) / centre[1])
        slow = arcs.mean(away)
        quick = away - slow
        away = share * closing * slow + (share + (sharp - share) * spikes * (quick > 0)) * quick
        out[:, lane] = level[:, 0] + away if lane == 0 else level[:, 1] * np.exp(away)
    # loud music leans against the ceiling, soft music against the floor, instead of standing at it
    low = min(parameters.limits.dynamics_cc[0], float(level[:, 0].min()))
    high = max(parameters.limits.dynamics_cc[1], float(level[:, 0].max()))
    loud = np.clip((level[:, 0] - LEVEL_CENTRES_CC["f"]) / riding.lean_over_cc, 0.0, 1.0)
    soft = np.clip((LEVEL_CENTRES_CC["p"] - level[:, 0]) / riding.lean_over_cc, 0.0, 1.0)
    under = bent_into(out[:, 0], -np.inf, high, knee=riding.lean_knee_cc)
    above = bent_into(out[:, 0], low, np.inf, knee=riding.lean_knee_cc)
    out[:, 0] += loud * (under - out[:, 0]) + soft * (above - out[:, 0])
    vibrato = 1.0 + riding.vibrato_per_cc * (level[:, 0] - MF_CC[0])
    out[:, 2] = value[:, 2] * np.clip(vibrato, *riding.vibrato_bounds)
    if centre[:2] == MF_CC:  # where the plan asks for what is there already, not even a rounding error changes
        same = (level[:, 0] == MF_CC[0]) & (closing == 1.0)
        out[same] = value[same]
    return out


def levels_at(hearing: CueHearing, index: int, time_s: Array, *, parameters: RuleParameters) -> Array:
    """Where the lanes stand just after each time before any shaping: the plan's level, or the centre; (n_times, 3)."""
    out = np.tile(np.array(parameters.centres_cc()), (len(time_s), 1))
    part = hearing.parts[index].part
    if hearing.plan.covers(part):
        out[:, :2] = plan_levels(hearing.plan, part, time_s + 0.1)
    return out


def _spikes(gestures: Gestures, grid: Grid, *, parameters: RuleParameters) -> Array:
    """1 at accents and sforzandi, 0 away from them, with level turns between, shape (n_frames,)."""
    accent = parameters.accent
    spike = np.isin(gestures.event, _ACCENTS)
    i, j = grid.index, np.minimum(grid.index + 1, gestures.n_gestures - 1)
    after = spike[i] * (1.0 - ease((grid.since_s - 2.0 * accent.rise_s) / (6.0 * max(accent.decay_s))))
    before = spike[j] * (j > i) * ease(1.0 - grid.until_s / (2.0 * accent.rise_s))
    return np.asarray(np.maximum(after, before))


def _closing_share(level_cc: Array, gestures: Gestures, grid: Grid, *, parameters: RuleParameters) -> Array:
    """What is left of a closing's own movement where the plan moves the same way already, shape (n_frames,)."""
    riding = parameters.riding
    out = np.ones(len(level_cc))
    for label, sign in ((_RISE, 1.0), (_FALL, -1.0)):
        mine = np.r_[False, gestures.event == label, False]
        for first, after in np.flatnonzero(mine[1:] != mine[:-1]).reshape(-1, 2):
            low = min(int(np.searchsorted(grid.time_s, gestures.onset_s[first])), len(out) - 1)
            high = min(int(np.searchsorted(grid.time_s, gestures.end_s[after - 1])), len(out) - 1)
            planned_cc = sign * (level_cc[high] - level_cc[low])
            left = float(np.clip(1.0 - planned_cc / riding.closing_full_cc, riding.closing_least, 1.0))
            until = int(np.searchsorted(grid.time_s, gestures.next_s[after - 1]))
            out[low:until] = 1.0 - (1.0 - left) * ease((grid.time_s[low:until] - gestures.onset_s[first]) / 1.0)
    return out
