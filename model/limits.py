"""What any predictor's answer is held to: range of level in a phrase, balance of roles, ranges of the controllers.

Every figure here is common practice without a source. All of it is local: a phrase is measured by itself, against a
level that depends on its role alone, so that an edit elsewhere changes nothing.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from phrasewright.data.notes import sounding_spans
from phrasewright.model.gestures import Gestures, Grid, gestures_of, grid_of, runs_of, window_frames
from phrasewright.model.hearing import EVENTS, CueHearing
from phrasewright.model.lanes import (
    DYNAMICS_DB_PER_STEP,
    FRAME_S,
    LEVEL_LAW_DB,
    DenseLanes,
    combined_level_db,
    frames_in,
)
from phrasewright.model.least_movement import leaning, never_bare, never_flat
from phrasewright.model.levels import COUNTER_DB, TEXTURE_STEP_S, counter_share, hand_over_db, levels_at, on_the_plan
from phrasewright.model.parameters import DEFAULT, RuleParameters
from phrasewright.model.residue import Residue
from phrasewright.model.shapes import Window, bent_into, ease

Array = NDArray[np.float64]
Ints = NDArray[np.int64]
_CLOSINGS = (EVENTS.index("closing-rise"), EVENTS.index("closing-fall"))
_COARSE = 4
"""Frames between those at which levels and ranges are measured and mended: 40 ms, for changes over half a second."""
_LEAST_EXPRESSION_CC = 8.0
"""Below this the level law falls away; only broken input goes there before the ranges are applied."""


def within_limits(
    hearing: CueHearing,
    index: int,
    dense: DenseLanes,
    *,
    parameters: RuleParameters = DEFAULT,
    residue: Residue | None = None,
    gestures: Gestures | None = None,
) -> DenseLanes:
    """The same lanes, every phrase at its role's level and within its range of level, detached notes at one level.

    Parameters
    ----------
    hearing, index
        The cue as heard, and the part, counted from 0.
    dense : DenseLanes
        A predictor's answer for that part; its spread is kept.
    residue : Residue, optional
        The part's residue, where the caller has drawn it already; it moves held notes that would stand still.
    gestures : Gestures, optional
        The part's, where the caller has found them already.
    """
    part = hearing.parts[index]
    value = np.array(dense.value_cc)
    dynamics_cc = dynamics_bounds(hearing, index, parameters=parameters)
    if part.attacks.n_attacks:
        gestures = gestures or gestures_of(hearing, index, parameters=parameters)
        grid = grid_of(gestures, len(value))
        sounding = sounding_frames(hearing, index, len(value)).astype(np.float64)
        if parameters.limits.held_cc > 0.0:
            value = _without_long_arcs(value, gestures, parameters=parameters)
        value = _levelled(hearing, index, value, sounding, gestures, grid, parameters=parameters)
        value = on_the_plan(hearing, index, value, sounding, gestures, grid, parameters=parameters)
        resting_cc = levels_at(hearing, index, gestures.onset_s, parameters=parameters)
        if parameters.limits.held_cc > 0.0:
            bounds = (dynamics_cc, parameters.limits.expression_cc, parameters.limits.vibrato_cc)
            value = never_flat(part, value, gestures, grid, residue, bounds, parameters=parameters)
            value = leaning(part, value, gestures, residue, parameters=parameters)
            value = never_bare(value, gestures, bounds, parameters=parameters)
        value = held_levels(value, gestures, grid, parameters=parameters, rest_cc=resting_cc)
    measured = part.part.responses  # what such a lane may reach follows from its levels
    ranges = {lane: bounds for lane, bounds in part.part.lane_range.items() if lane not in measured}
    value = _in_ranges(value, ranges, dynamics_cc, parameters=parameters)
    return DenseLanes(value, dense.spread_cc)


def _without_long_arcs(value: Array, gestures: Gestures, *, parameters: RuleParameters) -> Array:
    """Dynamics and expression with less of what moves slowly within very long notes, where swells take its place.

    The note's mean and its ends stay, and closings do.
    """
    held = parameters.held
    swells = np.where(np.isin(gestures.event, _CLOSINGS), 0.0, gestures.swell_share(held))
    for i in np.flatnonzero(swells):
        low = int(np.ceil(gestures.onset_s[i] / FRAME_S - 1e-6))
        n = min(int(gestures.end_s[i] / FRAME_S) + 1, len(value)) - low
        frame, half = np.arange(n), round(held.arc_s / 2.0 / FRAME_S)
        around = Window(np.maximum(frame - half, 0), np.minimum(frame + half + 1, n))
        from_end_s = np.minimum(frame, n - 1 - frame) * FRAME_S
        share = (1.0 - held.arc_share) * swells[i] * ease(from_end_s / held.arc_edge_s)
        for lane in (0, 1):
            own = value[low : low + n, lane]
            own += share * (own.mean() - around.mean(own))
    return value


def dynamics_bounds(
    hearing: CueHearing, index: int, *, parameters: RuleParameters = DEFAULT
) -> tuple[float, float]:
    """Lowest and highest dynamics of a part while it sounds: the usual bounds, wider where the plan goes beyond."""
    low, high = hearing.plan.extent_cc(hearing.parts[index].part)
    usual = parameters.limits.dynamics_cc
    return min(low, usual[0]), max(high, usual[1])


def sounding_frames(hearing: CueHearing, index: int, n_frames: int) -> NDArray[np.bool_]:
    """Frames at which a note of the part sounds, shape (n_frames,)."""
    return frames_in(sounding_spans(hearing.parts[index].part.notes), n_frames=n_frames)


def target_level_db(gestures: Gestures, grid: Grid, *, parameters: RuleParameters) -> Array:
    """The mean level each frame's role should have, dB under full, moved smoothly where the role changes."""
    limits = parameters.limits
    offset = gestures.shares(limits.role_offset_db)
    before = np.where(gestures.entry, offset, np.r_[offset[:1], offset[:-1]])
    i = grid.index
    moved = before[i] + (offset[i] - before[i]) * ease(grid.since_s / limits.role_move_s)
    dynamics_cc, expression_cc, _ = parameters.centres_cc()
    return np.asarray(moved + combined_level_db(dynamics_cc, expression_cc))


def _levelled(
    hearing: CueHearing,
    index: int,
    value: Array,
    sounding: Array,
    gestures: Gestures,
    grid: Grid,
    *,
    parameters: RuleParameters,
) -> Array:
    """Every phrase at its level and within its range: found on few frames and carried to all, run by run."""
    few = np.arange(0, len(value), _COARSE)
    coarse = grid_of(gestures, few)
    before = np.maximum(value[few], (-np.inf, _LEAST_EXPRESSION_CC, -np.inf))
    after = _at_level(hearing, index, before.copy(), sounding[few], gestures, coarse, parameters=parameters)
    low, share = np.divmod(np.arange(len(value)), _COARSE)
    high = np.minimum(low + 1, len(few) - 1)
    run = np.cumsum(gestures.entry)
    here, there = run[grid.index], run[coarse.index]
    share = np.where(there[high] != here, 0.0, share / _COARSE)
    share[there[low] != here] = 1.0
    out = value.copy()
    change, ratio = after[:, 0] - before[:, 0], after[:, 1] / before[:, 1]
    out[:, 0] += change[low] + (change[high] - change[low]) * share
    out[:, 1] = np.maximum(out[:, 1], _LEAST_EXPRESSION_CC) * (ratio[low] + (ratio[high] - ratio[low]) * share)
    return out


def _at_level(
    hearing: CueHearing,
    index: int,
    value: Array,
    sounding: Array,
    gestures: Gestures,
    grid: Grid,
    *,
    parameters: RuleParameters,
) -> Array:
    limits = parameters.limits
    n_frames, step = len(value), grid.step
    phrase = gestures.phrase[grid.index]
    closing = np.isin(gestures.event, _CLOSINGS)[grid.index]
    n_phrases = len(hearing.parts[index].phrases)
    free = [lane for lane, name in enumerate(("dynamics", "expression")) if name not in parameters.centre_cc]

    # a phrase's frames run from its first onset to the next phrase's
    first = np.searchsorted(phrase, np.arange(n_phrases + 1))
    edges = first[phrase], first[phrase + 1]
    heard = Window(*window_frames(n_frames, limits.smooth_s, *edges, step=step), sounding)
    # the same with the rests between notes left out, which smooths detached notes more
    on = np.flatnonzero(sounding)
    first_on = np.searchsorted(phrase[on], np.arange(n_phrases + 1))
    edges_on = first_on[phrase[on]], first_on[phrase[on] + 1]
    close = Window(*window_frames(len(on), limits.smooth_s, *edges_on, step=step))
    place = np.arange(len(on))
    half = round(limits.smooth_s / 2.0 / (FRAME_S * step))
    whole = (place - first_on[phrase[on]] >= half) & (first_on[phrase[on] + 1] - 1 - place >= half)
    arcs = Window(*window_frames(n_frames, limits.scaled_s, *edges, step=step), sounding)
    seams = Window(*window_frames(n_frames, limits.seam_s, *runs_of(gestures, grid), step=step))

    # exempt: short phrases, and those that an accent or a closing takes out of the range on purpose
    counted = sounding * ~closing
    eventful = np.bincount(gestures.phrase, gestures.event != 0, minlength=n_phrases) > 0
    length_s = np.array([p.end_s - p.start_s for p in hearing.parts[index].phrases])
    ranged = ~eventful & (length_s >= limits.range_from_s - FRAME_S)
    target_db = target_level_db(gestures, grid, parameters=parameters)
    if len(hearing.texture_db):
        # the texture's rise and fall counts as part of the phrase's range
        lift_db = np.interp(grid.time_s, np.arange(len(hearing.texture_db)) * TEXTURE_STEP_S, hearing.texture_db)
        target_db = target_db + lift_db
        value = lifted(value, lift_db, free)

    value = lifted(value, hand_over_db(gestures, grid, parameters=parameters), free)
    answers = counter_share(hearing, index, gestures, grid)

    near = heard.count > 0.0  # rests are nobody's business
    if answers is not None:
        value = lifted(value, COUNTER_DB * (answers - 1.0), free)
        for lane in (0, 1):
            slow = arcs.mean(value[:, lane])
            away = slow - _phrase_mean(slow, sounding, phrase, n_phrases)[phrase]
            value[:, lane] += seams.mean((answers - 1.0) * away * near)
    for _ in range(2):
        slow = np.stack([arcs.mean(value[:, lane]) for lane in (0, 1)], axis=1)
        mean = np.stack([_phrase_mean(value[:, lane], sounding, phrase, n_phrases) for lane in (0, 1)], axis=1)
        level_db = combined_level_db(value[:, 0], value[:, 1])
        widest = _phrase_range(heard.mean(level_db)[on], phrase[on], n_phrases)
        closely = close.mean(level_db[on])
        narrowest = np.minimum(_phrase_range(closely, phrase[on], n_phrases), widest)
        # and with whole windows only, which leave out half a second at either end
        inner = _phrase_range(closely[whole], phrase[on][whole], n_phrases)
        lacking = np.maximum(
            limits.level_range_db[0] / np.maximum(narrowest, 1e-3),
            np.where(inner > 0.0, limits.inner_range_db / np.maximum(inner, 1e-3), 0.0),
        )
        grow = np.minimum(lacking, limits.most_scale)
        shrink = limits.level_range_db[1] / np.maximum(widest, 1e-3)
        scale = np.where(ranged, np.minimum(np.maximum(grow, 1.0), shrink), 1.0)
        change = (scale[phrase] - 1.0)[:, None] * (slow - mean[phrase]) * near[:, None]
        for lane in (0, 1):
            value[:, lane] += seams.mean(change[:, lane])
        value[:, 1] = np.maximum(value[:, 1], _LEAST_EXPRESSION_CC)
        # balance: the phrase's mean at its role's level, half through either lane
        off_db = _phrase_mean(target_db - combined_level_db(value[:, 0], value[:, 1]), counted, phrase, n_phrases)
        move_db = seams.mean(off_db[phrase])
        value = lifted(value, move_db, free)
        for lane, name in ((0, "dynamics"), (1, "expression")):
            if name in parameters.centre_cc:
                centre = _phrase_mean(parameters.centres_cc()[lane] - value[:, lane], counted, phrase, n_phrases)
                value[:, lane] += seams.mean(centre[phrase])
    return value


def lifted(value: Array, lift_db: Array, free: list[int]) -> Array:
    """The lanes with a lift in dB shared out evenly between the `free` ones of dynamics (0) and expression (1)."""
    share_db = lift_db / max(len(free), 1)
    value = value.copy()
    if 0 in free:
        value[:, 0] += share_db / DYNAMICS_DB_PER_STEP
    if 1 in free:
        value[:, 1] *= 10.0 ** (share_db / LEVEL_LAW_DB)
    return value


def held_levels(
    value: Array,
    gestures: Gestures,
    grid: Grid,
    *,
    parameters: RuleParameters = DEFAULT,
    rest_cc: Array | None = None,
) -> Array:
    """Detached notes at one level each, moved between notes; decaying passages at the lanes' centres.

    `rest_cc`, shape (n_gestures, 3), are levels for the latter where a plan gives them.
    """
    limits = parameters.limits
    still = gestures.frozen | gestures.resting
    if not np.any(still):
        return value
    at = np.minimum(np.ceil(gestures.onset_s / FRAME_S - 1e-6).astype(np.int64), len(value) - 1)
    rest_cc = np.array([parameters.centres_cc()]) if rest_cc is None else rest_cc
    level = np.where(gestures.resting[:, None], rest_cc, value[at])  # (n_gestures, 3)
    following = np.minimum(np.arange(gestures.n_gestures) + 1, gestures.n_gestures - 1)
    onward = ~gestures.entry[following]
    onward[-1] = False
    gap_s = np.minimum(gestures.next_s - gestures.end_s, 10.0)
    tail_s = np.minimum(limits.still_tail_s, limits.still_tail_share * gestures.length_s)
    hold_s = gestures.length_s - np.where(gap_s > limits.still_gap_s, 0.0, tail_s)
    move_s = np.clip(gestures.next_s - gestures.onset_s - hold_s, FRAME_S, limits.still_move_s)
    out = value.copy()

    here = np.flatnonzero(still[grid.index])  # frames of still notes
    i = grid.index[here]
    toward = np.where(onward[i], ease((grid.since_s[here] - hold_s[i]) / move_s[i]), 0.0)
    out[here] = level[i] + (level[following[i]] - level[i]) * toward[:, None]

    # a sustained note before a still one arrives at its level just before the onset
    before = ~still & still[following] & onward
    here = np.flatnonzero(before[grid.index] & (grid.until_s < limits.still_lead_s))
    i = grid.index[here]
    last = value[np.maximum(at[following] - 1, 0)]
    arrive = ease(1.0 - grid.until_s[here] / limits.still_lead_s)
    out[here] = value[here] + (level[following[i]] - last[i]) * arrive[:, None]
    return out


def _in_ranges(
    value: Array,
    ranges: Mapping[str, tuple[int, int]],
    dynamics_cc: tuple[float, float],
    *,
    parameters: RuleParameters,
) -> Array:
    limits = parameters.limits
    out = np.empty_like(value)
    names = ("dynamics", "expression", "vibrato")
    for lane, (name, bounds) in enumerate(
        zip(names, (dynamics_cc, limits.expression_cc, limits.vibrato_cc), strict=True)
    ):
        out[:, lane] = bent_into(value[:, lane], *bounds, knee=limits.knee_cc)
        low, high = ranges.get(name, (0.0, 127.0))
        low, high = (
            (max(low, bounds[0]), min(high, bounds[1])) if max(low, bounds[0]) < min(high, bounds[1]) else (low, high)
        )
        if (low, high) != bounds:
            out[:, lane] = low + (out[:, lane] - bounds[0]) * (high - low) / (bounds[1] - bounds[0])
    return out


def _phrase_mean(value: Array, weight: Array, phrase: Ints, n_phrases: int) -> Array:
    """Weighted mean over each phrase's frames, 0 where the weights are 0. Shape (n_phrases,)."""
    total = np.bincount(phrase, weight, minlength=n_phrases)
    return np.asarray(np.bincount(phrase, value * weight, minlength=n_phrases) / np.maximum(total, 1e-9))


def _phrase_range(value: Array, phrase: Ints, n_phrases: int) -> Array:
    """Highest minus lowest of each phrase's values, 0 where there are none. Shape (n_phrases,)."""
    out = np.zeros(n_phrases)
    present, first = np.unique(phrase, return_index=True)
    if len(present):
        out[present] = np.maximum.reduceat(value, first) - np.minimum.reduceat(value, first)
    return out
