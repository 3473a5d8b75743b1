"""Hands to learn from: the rules, each with its own depths, times and centres, less the movement nobody can foresee.

A hand departs from the default along sixteen directions, each a group of parameters that a player changes together. The
vector of departures, in standard deviations, is the network's style input; all zeros is the default hand. How wide each
direction is, is our choice: wide enough to tell hands apart, narrow enough that each stays musical.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from phrasewright.model.parameters import DEFAULT, RuleParameters
from phrasewright.model.prediction import foreseeable

STYLE_NAMES = (
    *("arc_depth", "arc_peak", "arc_balance", "dynamics_centre", "expression_centre", "vibrato_size"),
    *("join_depth", "repeat_depth", "dip_width", "note_weight", "note_sag", "note_decay", "attack_time"),
    *("chord_swing", "accent_size", "vibrato_timing"),
)
N_STYLE = len(STYLE_NAMES)
MOST = 2.5
"""Departures are cut at this many standard deviations."""


@dataclass(frozen=True)
class Hand:
    """Rules with their own parameters, and the departures (n_style,) that made them, in standard deviations."""

    parameters: RuleParameters
    style: NDArray[np.float32]


def default_hand() -> Hand:
    """The rules as shipped, without residual movement."""
    return Hand(foreseeable(DEFAULT), np.zeros(N_STYLE, dtype=np.float32))


def drawn_hand(rng: np.random.Generator) -> Hand:
    """A hand drawn around the default."""
    style = np.clip(rng.normal(size=N_STYLE), -MOST, MOST).astype(np.float32)
    return Hand(foreseeable(departed(DEFAULT, style)), style)


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
