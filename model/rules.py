"""The rules: three lanes for one part, as a sum of shapes.

Rule deviations add (Friberg 1991): centre, phrase arc, closing, notes, dips, accents, breath and residue are each
computed alone and summed in controller steps; `limits.py` holds the sum to the promised ranges. Times are seconds.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from phrasewright.model.gestures import Gestures, Grid, gestures_of, grid_of, metre_of
from phrasewright.model.hearing import CueHearing
from phrasewright.model.lanes import DenseLanes, n_frames_for
from phrasewright.model.limits import within_limits
from phrasewright.model.note_shapes import (
    dip_depths_cc,
    dips_cc,
    levels_cc,
    notes_cc,
    spikes_cc,
    vibrato_cc,
    vibrato_swell_cc,
)
from phrasewright.model.parameters import DEFAULT, RuleParameters
from phrasewright.model.phrase_shapes import arc_cc, beats_cc, breath_cc, closing_cc, height_cc
from phrasewright.model.residue import Residue, residue_of
from phrasewright.model.shapes import ease

Array = NDArray[np.float64]
Ints = NDArray[np.int64]


def rules_lanes(hearing: CueHearing, index: int, *, parameters: RuleParameters = DEFAULT) -> DenseLanes:
    """Shape one part by rules. `index` counts from 0 into the hearing's parts; the spread is 0.

    The answer for one phrase depends on that phrase, its neighbours and what sounds with it, nothing farther.
    """
    residue = None
    if hearing.parts[index].attacks.n_attacks:
        gestures = gestures_of(hearing, index, parameters=parameters)
        residue = residue_of(hearing.parts[index], gestures, parameters=parameters)
    raw = raw_lanes(hearing, index, parameters=parameters, residue=residue)
    return within_limits(hearing, index, raw, parameters=parameters, residue=residue)


def raw_lanes(
    hearing: CueHearing, index: int, *, parameters: RuleParameters = DEFAULT, residue: Residue | None = None
) -> DenseLanes:
    """The sum of the shapes before the limits. `residue` saves drawing it where the caller has drawn it already."""
    notes = hearing.parts[index].part.notes
    n_frames = n_frames_for(float(notes.offset_s.max())) if notes.n_notes else 1
    value_cc = raw_cc(hearing, index, np.arange(n_frames), parameters=parameters, residue=residue)
    return DenseLanes(value_cc, np.zeros_like(value_cc))


def raw_cc(
    hearing: CueHearing,
    index: int,
    frames: Ints,
    *,
    parameters: RuleParameters = DEFAULT,
    residue: Residue | None = None,
) -> Array:
    """The same at some frames of the 10 ms grid, their numbers rising: shape (n_frames, 3), steps."""
    value_cc = np.tile(np.array(parameters.centres_cc()), (len(frames), 1))
    if hearing.parts[index].attacks.n_attacks:
        value_cc += _shaped(hearing, index, frames, residue, parameters=parameters)
    return value_cc


def _shaped(
    hearing: CueHearing, index: int, frames: Ints, residue: Residue | None, *, parameters: RuleParameters
) -> Array:
    """Distance from the centres, shape (n_frames, 3), steps."""
    part = hearing.parts[index]
    gestures = gestures_of(hearing, index, parameters=parameters)
    grid = grid_of(gestures, frames)
    residue = residue or residue_of(part, gestures, parameters=parameters)
    touch, solo = parameters.touch(part.part.family), part.part.instrument.solo

    slow_cc = arc_cc(part, gestures, grid, residue, parameters=parameters, touch=touch)
    slow_cc += closing_cc(gestures, grid, parameters=parameters, touch=touch)
    base_cc = height_cc(gestures, len(part.phrases), parameters=parameters)[:, None] + np.zeros(2)
    base_cc += gestures.metre[:, None] * np.array(parameters.note.metre_cc)
    base_cc += residue.level * np.array(parameters.note.residue_cc)
    moving = residue.drift(grid.time_s) * _held_share(gestures, grid, parameters=parameters)[:, None]
    dip_cc = dip_depths_cc(gestures, residue.dip, parameters=parameters, touch=touch, solo=solo)

    lanes = np.zeros((len(frames), 3))
    lanes[:, :2] = slow_cc + moving[:, :2]
    lanes[:, :2] += levels_cc(gestures, grid, base_cc, parameters=parameters, touch=touch, solo=solo)
    lanes[:, :2] += notes_cc(gestures, grid, parameters=parameters, touch=touch, solo=solo)
    lanes[:, :2] += dips_cc(gestures, grid, dip_cc, parameters=parameters)
    lanes[:, :2] += spikes_cc(gestures, grid, parameters=parameters, touch=touch)
    lanes[:, :2] += breath_cc(part, gestures, grid, residue, parameters=parameters, touch=touch, solo=solo)
    lanes[:, :2] += beats_cc(part, gestures, metre_of(hearing, index), grid, parameters=parameters)
    vibrato = vibrato_cc(gestures, grid, parameters=parameters, solo=solo)
    lanes[:, 2] = vibrato + moving[:, 2] - parameters.centres_cc()[2]
    lanes[:, 2] += vibrato_swell_cc(slow_cc[:, 0], vibrato, parameters=parameters, solo=solo)
    return lanes


def drawn_cc(
    hearing: CueHearing,
    index: int,
    frames: Ints,
    gestures: Gestures,
    residue: Residue,
    *,
    parameters: RuleParameters = DEFAULT,
) -> Array:
    """What the draws change of the rules at some frames of the 10 ms grid: shape (n_frames, 3), steps.

    That is `raw_cc` less the answer of the same rules without draws; what does not hang on them stands in neither.
    Weight on the beats inside bursts of quick repeats counts as drawn (see `foreseeable`).
    """
    part = hearing.parts[index]
    grid = grid_of(gestures, frames)
    touch, solo = parameters.touch(part.part.family), part.part.instrument.solo
    none = replace(residue, peak=np.zeros_like(residue.peak), depth=np.zeros_like(residue.depth))
    arc = arc_cc(part, gestures, grid, residue, parameters=parameters, touch=touch)
    arc -= arc_cc(part, gestures, grid, none, parameters=parameters, touch=touch)
    moving = residue.drift(grid.time_s) * _held_share(gestures, grid, parameters=parameters)[:, None]
    level_cc = residue.level * np.array(parameters.note.residue_cc)
    dip_cc = dip_depths_cc(gestures, residue.dip, parameters=parameters, touch=touch, solo=solo)
    dip_cc -= dip_depths_cc(gestures, np.zeros_like(residue.dip), parameters=parameters, touch=touch, solo=solo)

    lanes = np.zeros((len(frames), 3))
    lanes[:, :2] = arc + moving[:, :2]
    lanes[:, :2] += levels_cc(gestures, grid, level_cc, parameters=parameters, touch=touch, solo=solo)
    lanes[:, :2] += dips_cc(gestures, grid, dip_cc, parameters=parameters)
    lanes[:, :2] += breath_cc(part, gestures, grid, residue, parameters=parameters, touch=touch, solo=solo)
    lanes[:, :2] += beats_cc(part, gestures, metre_of(hearing, index), grid, parameters=parameters)
    vibrato = vibrato_cc(gestures, grid, parameters=parameters, solo=solo)
    lanes[:, 2] = vibrato_swell_cc(arc[:, 0], vibrato, parameters=parameters, solo=solo) + moving[:, 2]
    return lanes


def _held_share(gestures: Gestures, grid: Grid, *, parameters: RuleParameters) -> Array:
    """How much of the drift shows at each frame, 0..1: all of it on long notes, a little elsewhere."""
    held = parameters.held
    share = held.always + (1.0 - held.always) * ease((gestures.length_s - held.from_s) / (held.full_s - held.from_s))
    share = np.where(gestures.frozen | gestures.resting, 0.0, share)
    before = np.r_[share[:1], share[:-1]]
    move_s = np.minimum(held.move_s, 0.5 * gestures.length_s)
    i = grid.index
    return np.asarray(before[i] + (share[i] - before[i]) * ease(grid.since_s / move_s[i]))
