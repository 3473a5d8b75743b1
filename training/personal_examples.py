"""Examples to learn a style from: lanes a hand drew over spans of parts, or corrections as the log holds them.

Frames stand where predictions do, dense around onsets, each with the seconds it stands for.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from phrasewright.data.corrections import Correction, LoggedCorrection
from phrasewright.data.cue import FAMILIES
from phrasewright.data.curves import ALL_LANES, COLOUR_LANES, LANES
from phrasewright.model.colour_lanes import ruled_cc
from phrasewright.model.hearing import CueHearing, PartHearing
from phrasewright.model.lanes import FRAME_S, DenseLanes, stands_for_s
from phrasewright.model.limits import sounding_frames
from phrasewright.model.personal import personal_moments, plan_lift_cc
from phrasewright.model.prediction import Predictor, prediction_frames
from phrasewright.model.responses import by_default_law, timing_of
from phrasewright.training.personal_fitting import Examples, joined_examples

Array = NDArray[np.float64]
Ints = NDArray[np.int64]

OLDER = 0.35
"""What a correction says where the same lane of the same phrase was corrected again later."""
_AGREE_CUES = 3
"""Trims enter the style only when so many cues agree in their direction."""


def part_examples(
    hearing: CueHearing,
    index: int,
    target_cc: Array,
    *,
    weight: Array,
    shipped: DenseLanes,
    phrase_from: int = 0,
) -> Examples:
    """Examples of one part, with the plan's lift taken away.

    Parameters
    ----------
    target_cc, weight : float arrays, (n_frames, 3), or with the colour lanes (n_frames, 5)
        On the 10 ms grid: the hand's lanes, nan where not known, and how much they say (0 for nothing).
    shipped : DenseLanes
        The curve without a style.
    phrase_from : int
        Added to the part's phrase numbers.
    """
    part = hearing.parts[index]
    more = ((0, 0), (0, len(ALL_LANES) - target_cc.shape[1]))
    target_cc, weight = np.pad(target_cc, more, constant_values=np.nan), np.pad(weight, more)
    n_frames = min(len(target_cc), shipped.n_frames)
    frames = prediction_frames(hearing, index, n_frames=n_frames)
    frames = frames[sounding_frames(hearing, index, n_frames)[frames]]
    frames = frames[np.any(weight[frames] > 0, axis=1)]
    start_s = np.array([p.start_s for p in part.phrases])
    phrase = np.clip(np.searchsorted(start_s, frames * FRAME_S + 1e-9, side="right") - 1, 0, None)
    lift = lift_cc(hearing, index, frames)
    dynamics_cc = np.array(shipped.value_cc[:, 0])
    dynamics_cc[:n_frames] = np.where(np.isfinite(target_cc[:n_frames, 0]), target_cc[:n_frames, 0], dynamics_cc)
    base = np.zeros((len(frames), len(ALL_LANES)))
    base[:, : len(LANES)] = shipped.value_cc[frames]
    for column, lane in enumerate(ALL_LANES):
        if lane in COLOUR_LANES and np.any(weight[frames, column] > 0):
            base[:, column] = ruled_cc(lane, hearing, index, dynamics_cc)[frames]
    return Examples(
        moments=personal_moments(hearing, index, frames),
        shipped_cc=base - lift,
        target_cc=np.nan_to_num(target_cc[frames]) - lift,
        weight_s=weight[frames] * stands_for_s(frames)[:, None],
        phrase=np.asarray(phrase + phrase_from, dtype=np.int64),
        family=np.full(len(frames), FAMILIES.index(part.part.family), dtype=np.int64),
        frame=np.asarray(frames, dtype=np.int64),
        dynamics_cc=dynamics_cc[frames],
    )


def lift_cc(hearing: CueHearing, index: int, frames: Ints) -> Array:
    """The lift of the cue's plan in every lane, (n_frames, len(ALL_LANES)): colour lanes have none of their own."""
    return np.pad(plan_lift_cc(hearing, index, frames), ((0, 0), (0, len(COLOUR_LANES))))


def examples_of(
    logged: Sequence[LoggedCorrection], hearings: Mapping[int, CueHearing], *, shipped: Predictor
) -> tuple[Examples, dict[int, tuple[int, int, int]]]:
    """Examples of logged corrections, and for each phrase number its (cue id, part from 1, phrase).

    Parameters
    ----------
    hearings : mapping from cue id to CueHearing
    shipped : function
        What answers without a style.
    """
    keep = _trims_that_count(logged)
    taught, idle = _taught(logged, keep), _left_beside_dynamics(logged)
    latest = {_place(one): one.id for one in logged}
    groups: dict[tuple[int, int], list[LoggedCorrection]] = {}
    for one in logged:
        groups.setdefault((one.cue_id, one.correction.part), []).append(one)
    made, names, count = [], {}, 0
    phrase_numbers: dict[tuple[str, int, int], int] = {}
    for (cue_id, number), some in groups.items():
        hearing, index = hearings[cue_id], number - 1
        base = shipped(hearing, index)
        layers: list[list[LoggedCorrection]] = []  # the same phrase drawn twice in one cue stands in two layers
        for one in some:
            free = next((layer for layer in layers if not _meets(layer, one)), None)
            if free is None:
                layers.append([one])
            else:
                free.append(one)
        for layer in layers:
            target = np.full((base.n_frames, len(ALL_LANES)), np.nan)
            weight = np.zeros_like(target)
            for one in layer:
                span, values = _drawn_frames(one.correction, hearing.parts[index], base.n_frames, level=one.id in keep)
                lane = ALL_LANES.index(one.correction.lane)
                target[span, lane] = values
                if one.correction.lane not in taught or one.id in idle:
                    continue
                weight[span, lane] = one.correction.weight * (1.0 if latest[_place(one)] == one.id else OLDER)
            weight[~np.isfinite(target)] = 0.0
            if not np.any(weight):
                continue
            found = part_examples(hearing, index, target, weight=weight, shipped=base)
            numbers = np.zeros(len(found.phrase), dtype=np.int64)
            for p in np.unique(found.phrase).tolist():
                key = (some[0].fingerprint, number, p)
                if key not in phrase_numbers:
                    phrase_numbers[key] = count
                    count += 1
                names[phrase_numbers[key]] = (cue_id, number, p)
                numbers[found.phrase == p] = phrase_numbers[key]
            made.append(replace(found, phrase=numbers))
    return joined_examples(made), names


def _place(one: LoggedCorrection) -> tuple[str, int, str, int]:
    return one.fingerprint, one.correction.part, one.correction.lane, one.correction.phrase


def _left_beside_dynamics(logged: Sequence[LoggedCorrection]) -> set[int]:
    """Ids of bow lanes left alone where dynamics was drawn anew: the rules' bow would follow it, this one says nothing.
    """
    redrawn = {
        (one.session, one.correction.part, one.correction.phrase)
        for one in logged
        if one.correction.lane == "dynamics" and one.correction.kind in ("changed", "drawn")
    }
    return {
        one.id
        for one in logged
        if one.correction.lane == "bow" and one.correction.kind == "agreed"
        and (one.session, one.correction.part, one.correction.phrase) in redrawn
    }  # fmt: skip


def _meets(layer: Sequence[LoggedCorrection], one: LoggedCorrection) -> bool:
    own = one.correction
    return any(
        o.correction.lane == own.lane and o.correction.start_s < own.end_s and own.start_s < o.correction.end_s
        for o in layer
    )


def _drawn_frames(
    correction: Correction, heard: PartHearing, n_frames: int, *, level: bool
) -> tuple[Ints, Array]:
    """Frames of a correction and the hand's values there; a trim keeps the first pass's level unless it counts.

    As an instrument without a profile would have them: it speaks at once, and its values follow the default laws.
    """
    part, timing = heard.part, timing_of(heard)
    if timing is not None and correction.lane == "attack":
        timing = timing.of_keys
    first, last = np.ceil(np.array([correction.start_s, correction.end_s]) / FRAME_S - 1e-6).astype(int).tolist()
    frames = np.arange(max(first, 0), min(last, n_frames))
    time_s = frames * FRAME_S if timing is None else timing.to_file_s(frames * FRAME_S)
    curve = correction.left
    if correction.kind == "trim" and not level and correction.predicted is not None:
        curve = correction.predicted
    lane, value_cc = correction.lane, curve.at(time_s)
    spread_cc = part.lane_range.get(lane) if lane in COLOUR_LANES else None
    return frames, by_default_law(lane, value_cc, part.responses.get(lane), spread_cc=spread_cc)


def _taught(logged: Sequence[LoggedCorrection], keep: set[int]) -> set[str]:
    """Lanes that a hand drew or changed anywhere, `keep` being the ids of trims that count.

    A lane that was only ever left as the shipped model had it, beside others that were changed, is as shipped; where
    nothing else was taught, what was approved is.
    """
    known = {
        one.correction.lane
        for one in logged
        if one.correction.kind in ("changed", "drawn") or one.id in keep
        or (one.predicted_by != "shipped" and one.correction.lane in LANES)
    }  # fmt: skip
    return known or set(ALL_LANES)


def _trims_that_count(logged: Sequence[LoggedCorrection]) -> set[int]:
    """Ids of trims whose lane and direction three cues agree on: balance is not style before that."""
    cues: dict[tuple[str, bool], set[str]] = {}
    sign: dict[int, tuple[str, bool]] = {}
    for one in logged:
        own = one.correction
        if own.kind != "trim" or own.predicted is None:
            continue
        time_s = np.arange(own.start_s, own.end_s, 0.05)
        up = float(np.nanmedian(own.left.at(time_s) - own.predicted.at(time_s))) > 0
        sign[one.id] = (own.lane, up)
        cues.setdefault((own.lane, up), set()).add(one.fingerprint)
    return {id_ for id_, key in sign.items() if len(cues[key]) >= _AGREE_CUES and not cues.get((key[0], not key[1]))}
