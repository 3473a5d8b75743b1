"""The rules: three lanes for one part, as a sum of shapes.

Rule deviations add (Friberg 1991): centre, phrase arc, closing, notes, dips, accents, breath and residue are each
computed alone and summed in controller steps; `limits.py` holds the sum to the promised ranges. Times are seconds.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from phrasewright.model.gestures import Gestures, Grid, gestures_of, grid_of, metre_of
from phrasewright.model.hearing import CueHearing
from phrasewright.model.lanes import DenseLanes, n_frames_for
from phrasewright.model.limits import within_limits
from phrasewright.model.note_shapes import dips_cc, notes_cc, spikes_cc, vibrato_cc
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
    with_events: bool = True,
) -> Array:
    """The same at some frames of the 10 ms grid, their numbers rising: shape (n_frames, 3), steps.

    Without events, closings and accents are left out: what two answers differ by needs them in neither.
    """
    value_cc = np.tile(np.array(parameters.centres_cc()), (len(frames), 1))
    if hearing.parts[index].attacks.n_attacks:
        value_cc += _shaped(hearing, index, frames, residue, parameters=parameters, with_events=with_events)
    return value_cc


def _shaped(
    hearing: CueHearing,
    index: int,
    frames: Ints,
    residue: Residue | None,
    *,
    parameters: RuleParameters,
    with_events: bool,
) -> Array:
    """Distance from the centres, shape (n_frames, 3), steps."""
    part = hearing.parts[index]
    gestures = gestures_of(hearing, index, parameters=parameters)
    grid = grid_of(gestures, frames)
    residue = residue or residue_of(part, gestures, parameters=parameters)
    touch, solo = parameters.touch(part.part.family), part.part.instrument.solo

    slow_cc = arc_cc(part, gestures, grid, residue, parameters=parameters, touch=touch)
    if with_events:
        slow_cc += closing_cc(gestures, grid, parameters=parameters, touch=touch)
    base_cc = height_cc(gestures, len(part.phrases), parameters=parameters)[:, None] + np.zeros(2)
    base_cc += gestures.metre[:, None] * np.array(parameters.note.metre_cc)
    base_cc += residue.level * np.array(parameters.note.residue_cc)
    moving = residue.drift(grid.time_s) * _held_share(gestures, grid, parameters=parameters)[:, None]

    lanes = np.zeros((len(frames), 3))
    lanes[:, :2] = slow_cc + moving[:, :2]
    lanes[:, :2] += notes_cc(gestures, grid, base_cc, parameters=parameters, touch=touch, solo=solo)
    lanes[:, :2] += dips_cc(gestures, grid, residue.dip, parameters=parameters, touch=touch, solo=solo)
    if with_events:
        lanes[:, :2] += spikes_cc(gestures, grid, parameters=parameters, touch=touch)
    lanes[:, :2] += breath_cc(part, gestures, grid, residue, parameters=parameters, touch=touch, solo=solo)
    lanes[:, :2] += beats_cc(part, gestures, metre_of(hearing, index), grid, parameters=parameters)
    vibrato = vibrato_cc(gestures, grid, slow_cc[:, 0], parameters=parameters, solo=solo)
    lanes[:, 2] = vibrato + moving[:, 2] - parameters.centres_cc()[2]
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
