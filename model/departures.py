"""How a hand departs from the default: sixteen directions, each a group of the rules' parameters that a player changes
together; and the rules fitted to a hand along them.

All zeros is the default hand. How wide each direction is, is our choice: wide enough to tell hands apart, narrow enough
that each stays musical.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from phrasewright.data.curves import LANES
from phrasewright.model.gestures import gestures_of, grid_of
from phrasewright.model.hearing import CueHearing
from phrasewright.model.lanes import DenseLanes
from phrasewright.model.limits import held_levels
from phrasewright.model.parameters import DEFAULT, RuleParameters
from phrasewright.model.residue import residue_of
from phrasewright.model.rules import raw_lanes

STYLE_NAMES = (
    *("arc_depth", "arc_peak", "arc_balance", "dynamics_centre", "expression_centre", "vibrato_size"),
    *("join_depth", "repeat_depth", "dip_width", "note_weight", "note_sag", "note_decay", "attack_time"),
    *("chord_swing", "accent_size", "vibrato_timing"),
)
N_STYLE = len(STYLE_NAMES)
MOST = 2.5
"""Departures are cut at this many standard deviations."""


@dataclass(frozen=True)
class FittedRules:
    """Rules fitted to corrections.

    Parameters
    ----------
    style : float array, (N_STYLE,)
        Departures from the default hand, in standard deviations, at most MOST.
    offset_cc : float array, (3,)
        Added to each lane after that, steps.
    """

    style: NDArray[np.float32]
    offset_cc: NDArray[np.float64]

    def lanes(self, hearing: CueHearing, index: int) -> DenseLanes:
        """The lanes of a part without its plan; detached notes at one level each."""
        parameters = departed(DEFAULT, self.style)
        # swells stand in for an arc that only the limits take away; a hand's arcs stay
        parameters = replace(parameters, held=replace(parameters.held, swell_from_s=np.inf))
        if not hearing.parts[index].attacks.n_attacks:
            return raw_lanes(hearing, index, parameters=parameters)
        gestures = gestures_of(hearing, index, parameters=parameters)
        residue = residue_of(hearing.parts[index], gestures, parameters=parameters)
        value = raw_lanes(hearing, index, parameters=parameters, residue=residue).value_cc + self.offset_cc
        value = held_levels(value, gestures, grid_of(gestures, len(value)), parameters=parameters)
        return DenseLanes(np.clip(value, 0.0, 127.0), np.zeros((len(value), len(LANES))))


def departed(base: RuleParameters, style: NDArray[np.float32]) -> RuleParameters:
    """The parameters at these departures, (n_style,), from the base."""
    z = dict(zip(STYLE_NAMES, style.astype(float).tolist(), strict=True))

    def times(group: Any, factor: float, *names: str) -> Any:
        return replace(group, **{name: _scaled(getattr(group, name), factor) for name in names})

    arc = times(base.arc, np.exp(0.3 * z["arc_depth"]), "depth_cc", "taper_cc")
    balance = np.exp(0.2 * z["arc_balance"])
    arc = replace(
        arc,
        depth_cc=(float(arc.depth_cc[0] * balance), float(arc.depth_cc[1] / balance)),
        peak=float(np.clip(arc.peak + 0.07 * z["arc_peak"], 0.35, 0.8)),
    )
    note = times(base.note, np.exp(0.35 * z["note_weight"]), "weight_cc", "opening_cc", "entry_deficit_cc", "metre_cc")
    note = times(note, np.exp(0.35 * z["note_sag"]), "sag_cc")
    note = times(note, np.exp(0.25 * z["note_decay"]), "decay_s", "decay_per_length")
    note = times(note, np.exp(0.2 * z["attack_time"]), "attack_s")
    dip = times(base.dip, np.exp(0.25 * z["join_depth"]), "join_cc")
    dip = times(dip, np.exp(0.2 * z["repeat_depth"]), "repeat_cc")
    dip = times(dip, np.exp(0.15 * z["dip_width"]), "before_s", "after_s")
    accent = times(base.accent, np.exp(0.25 * z["accent_size"]), "accent_cc", "sforzando_cc")
    vibrato = times(base.vibrato, np.exp(0.2 * z["vibrato_size"]), "solo_cc", "section_cc")
    vibrato = times(vibrato, np.exp(0.25 * z["vibrato_timing"]), "wait_s", "wait_per_length", "grow_per_length")
    dynamics_cc, expression_cc, vibrato_cc = base.centres_cc()
    return replace(
        base,
        centre_cc={
            "dynamics": float(np.clip(dynamics_cc + 7.0 * z["dynamics_centre"], 40, 100)),
            "expression": float(np.clip(expression_cc + 4.0 * z["expression_centre"], 76, 104)),
            "vibrato": vibrato_cc,
        },
        arc=arc,
        note=note,
        dip=dip,
        chords=times(base.chords, np.exp(0.3 * z["chord_swing"]), "swing_cc", "rate_cc_per_s", "step_cc"),
        accent=accent,
        closing=times(base.closing, np.exp(0.2 * z["accent_size"]), "rise_cc", "fall_cc"),
        vibrato=vibrato,
    )


def _scaled(value: Any, factor: float) -> Any:
    if isinstance(value, tuple):
        return tuple(float(v * factor) for v in value)
    return float(value * factor)
