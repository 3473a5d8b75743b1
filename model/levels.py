"""What moves a part's level besides its own line: the plan it rides on, and what the other parts do.

Shapes ride on the plan: what a predictor drew around mf is carried to the loudness the composer wants. The plan's own
curve replaces the centres; the shapes around them keep their form and change in size: arcs and notes are smaller in a
whisper, accents and sforzandi grow with the level more than anything else. A part without a plan comes back as it was.

Because of the others a part gives way and comes forward as the melody passes on, a counter-melody moves where the
melody rests, and all are a little louder where more play, higher or busier. The last is loudness that follows from the
texture alone: only what differs from the surrounding eight seconds on either side counts, and it is no substitute for a
plan. Where a composer has marked anything, it is left out.

Sizes are common practice without a source; everything depends on what sounds within a few seconds.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from phrasewright.data.cue import Part
from phrasewright.data.notes import sounding_spans
from phrasewright.data.plan import LEVEL_CENTRES_CC, MF_CC, NIENTE_CC, plan_levels
from phrasewright.model.gestures import Gestures, Grid, runs_of, window_frames
from phrasewright.model.hearing import EVENTS, ROLES, CueHearing
from phrasewright.model.lanes import runs
from phrasewright.model.parameters import RuleParameters
from phrasewright.model.shapes import Window, bent_into, ease

Array = NDArray[np.float64]
_ACCENTS = (EVENTS.index("accent"), EVENTS.index("sforzando"))
_RISE, _FALL = EVENTS.index("closing-rise"), EVENTS.index("closing-fall")
_MELODY, _COUNTER = ROLES.index("melody"), ROLES.index("counter")
HAND_OVER_S = 1.2
"""A part comes forward or gives way over this time."""
COUNTER_SHARE = 0.4
"""So much larger are a counter-melody's arcs where the melody rests or holds, and so much smaller where it moves."""
COUNTER_DB = 2.0
"""And so many dB for each whole of that share it comes forward there."""
_RESTS_S = (0.6, 1.4)
"""A melody whose notes begin farther apart than the first rests in part, than the second altogether."""
TEXTURE_STEP_S = 0.25
"""Spacing of the grid on which texture is heard."""
_NEAR_S, _AROUND_S = 3.0, 16.0
_PLAYING_DB, _HEIGHT_DB, _BUSY_DB = 1.2, 0.35, 0.25
"""What twice as many players, an octave, and twice as many attacks add."""
_MOST_DB = 1.2


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
        for first, after in runs(gestures.event == label):
            low = min(int(np.searchsorted(grid.time_s, gestures.onset_s[first])), len(out) - 1)
            high = min(int(np.searchsorted(grid.time_s, gestures.end_s[after - 1])), len(out) - 1)
            planned_cc = sign * (level_cc[high] - level_cc[low])
            left = float(np.clip(1.0 - planned_cc / riding.closing_full_cc, riding.closing_least, 1.0))
            until = int(np.searchsorted(grid.time_s, gestures.next_s[after - 1]))
            out[low:until] = 1.0 - (1.0 - left) * ease((grid.time_s[low:until] - gestures.onset_s[first]) / 1.0)
    return out


def hand_over_db(gestures: Gestures, grid: Grid, *, parameters: RuleParameters) -> Array:
    """Distance of each frame's role from the centre, dB, moving smoothly where the role changes; shape (n_frames,)."""
    course = gestures.shares(parameters.limits.role_offset_db)[grid.index]
    window = Window(*window_frames(len(course), HAND_OVER_S, *runs_of(gestures, grid), step=grid.step))
    return window.mean(window.mean(course))


def counter_share(hearing: CueHearing, index: int, gestures: Gestures, grid: Grid) -> Array | None:
    """Size of a counter-melody's arcs at each frame, shape (n_frames,); 1 elsewhere. None where it plays no counter.

    `index` counts from 0 into the hearing's parts.
    """
    counter = gestures.role == _COUNTER
    if not np.any(counter):
        return None
    others = [heard.attacks for i, heard in enumerate(hearing.parts) if i != index]
    onset_s = np.sort(np.concatenate([a.onset_s[a.role == _MELODY] for a in others] or [np.zeros(0)]))
    if not len(onset_s):
        return None
    at = np.searchsorted(onset_s, grid.time_s)
    since = np.where(at > 0, grid.time_s - onset_s[np.maximum(at - 1, 0)], 60.0)
    until = np.where(at < len(onset_s), onset_s[np.minimum(at, len(onset_s) - 1)] - grid.time_s, 60.0)
    # a long gap around this moment: the melody holds a note or rests
    rests = ease((since + until - _RESTS_S[0]) / (_RESTS_S[1] - _RESTS_S[0]))
    share = np.where(counter[grid.index], 1.0 + COUNTER_SHARE * (2.0 * rests - 1.0), 1.0)
    window = Window(*window_frames(len(share), 1.0, *runs_of(gestures, grid), step=grid.step))
    return window.mean(share)


def texture_db(parts: Sequence[Part]) -> Array:
    """Departure from the usual level at every `TEXTURE_STEP_S` from time 0, in dB, shape (n_steps,).

    What lies farther away than `_NEAR_S` and half of `_AROUND_S` has no say.
    """
    parts = [part for part in parts if part.notes.n_notes]
    end_s = max((float(part.notes.offset_s.max()) for part in parts), default=0.0)
    n = int(np.ceil(end_s / TEXTURE_STEP_S)) + 1
    playing, busy = np.zeros(n), np.zeros(n)
    height, sounding = np.zeros(n), np.zeros(n)
    for part in parts:
        spans = np.clip((sounding_spans(part.notes) / TEXTURE_STEP_S).astype(np.int64), 0, n - 1)
        playing += _filled(spans, np.ones(len(spans)), n) > 0
        if part.kind == "percussive":
            continue
        notes = part.notes
        spans = np.clip(np.stack([notes.onset_s, notes.offset_s], axis=1) / TEXTURE_STEP_S, 0, n - 1).astype(np.int64)
        height += _filled(spans, notes.pitch.astype(np.float64), n)
        sounding += _filled(spans, np.ones(len(spans)), n)
        np.add.at(busy, np.unique(spans[:, 0]), 1.0)
    near, around = (round(width_s / TEXTURE_STEP_S / 2) for width_s in (_NEAR_S, _AROUND_S))
    heard = (playing > 0).astype(np.float64)
    out = np.zeros(n)
    for course, size_db in (
        (np.log2(np.maximum(playing, 1.0)), _PLAYING_DB),
        (height / np.maximum(sounding, 1.0) / 12.0, _HEIGHT_DB),
        (np.log2(1.0 + _mean(busy, heard, near)), _BUSY_DB),
    ):
        smooth = _mean(course, heard, near)
        out += size_db * (smooth - _mean(smooth, heard, around))
    return np.asarray(_MOST_DB * np.tanh(out / _MOST_DB))


def _filled(spans: NDArray[np.int64], weight: Array, n: int) -> Array:
    """Sum of the weights of the spans over each step of the grid, the last step of a span included."""
    edge = np.zeros(n + 1)
    np.add.at(edge, spans[:, 0], weight)
    np.add.at(edge, spans[:, 1] + 1, -weight)
    return np.cumsum(edge[:-1])


def _mean(course: Array, weight: Array, half: int) -> Array:
    """Triangular mean over `half` steps on either side, of steps that count."""
    kernel = np.bartlett(2 * half + 3)[1:-1]
    total = np.convolve(weight, kernel)[half : half + len(weight)]
    mean = np.convolve(course * weight, kernel)[half : half + len(weight)]
    return np.asarray(np.where(total > 1e-9, mean / np.maximum(total, 1e-9), 0.0))
