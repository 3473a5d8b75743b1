"""The prior of hands: who might sit at the faders. One table of distributions, and people drawn from it.

Wide on purpose, so that an unseen person falls inside it; the shipped default does not come from here but from the
rules. A person is drawn a table at a time: `HAND` once, `LANE` for each lane, where a lane may take after the first one
instead (`kin`). Sizes are controller steps, times seconds. The figures are our choice (common practice, no source),
made without reading a hand kept for judging; after the first errors on the validation hands, cuts counted from an entry
were added.

`prior_curves.py` says what each name draws.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from phrasewright.data.curves import LANES

Rng = np.random.Generator


@dataclass(frozen=True)
class Dice:
    """A number that is 0 but for a share `often`, and then even from `low` to `high`, in logarithms where `log`.

    With `signed` it is as often negative as positive.
    """

    low: float
    high: float
    often: float = 1.0
    log: bool = False
    signed: bool = False

    def throw(self, rng: Rng) -> float:
        """One number; takes three from the generator whatever comes out, so that names stay independent."""
        here, share, side = rng.random(3)
        if here >= self.often:
            return 0.0
        if self.log:
            value = float(np.exp(np.log(self.low) + share * (np.log(self.high) - np.log(self.low))))
        else:
            value = self.low + share * (self.high - self.low)
        return -value if self.signed and side < 0.5 else value


HAND: Mapping[str, Dice] = {
    # what the hand is made of: the rules with other parameters (1), shapes of its own (0), or both
    "rules": Dice(0.25, 1.0, often=0.45),
    "rules_width": Dice(0.5, 1.8),
    # how it cuts phrases: as heard (up to 0), at rests (1), after long notes (2), every four or two bars (3, 4), the
    # same counted from its entry (5, 6)
    "cut": Dice(-3.0, 6.0),
    "merges": Dice(0.0, 0.5, often=0.5),
    "splits": Dice(0.0, 0.6, often=0.4),
    # melody and accompaniment
    "accompaniment_flat": Dice(0.15, 1.0, often=0.5),
    "accompaniment_level": Dice(-16.0, 3.0, often=0.7),
    "bass_level": Dice(-8.0, 6.0, often=0.3),
    "counter_level": Dice(-8.0, 4.0, often=0.4),
    # the fader: rests between turns, comes in steps, overshoots, follows late
    "turns_s": Dice(0.08, 0.5, often=0.2, log=True),
    "grain": Dice(2.0, 5.0, often=0.15),
    "overshoot": Dice(0.1, 0.5, often=0.25),
    "late_s": Dice(-0.08, 0.2, often=0.5),
}
"""Once a hand."""

LANE: Mapping[str, Dice] = {
    "centre": Dice(-22.0, 22.0),  # around the lane's usual centre
    # arcs over phrases, of any skew; depth grows with length by a power; a second, longer arc
    "arc": Dice(4.0, 38.0, often=0.8, log=True),
    "arc_down": Dice(0.0, 1.0, often=0.12),  # more than 0: the arc hangs
    "peak": Dice(0.08, 0.95),
    "peak_follows_top": Dice(0.2, 1.0, often=0.3),
    "rise": Dice(0.5, 2.5, log=True),
    "fall": Dice(0.5, 2.5, log=True),
    "arc_by_length": Dice(0.0, 0.8, often=0.6),
    "slope": Dice(2.0, 14.0, often=0.25, signed=True),  # a straight line over the phrase
    "long_arc": Dice(3.0, 16.0, often=0.35, signed=True),
    # levels that stay for a phrase
    "terrace_height": Dice(1.0, 8.0, often=0.25, signed=True),
    "terrace_many": Dice(2.0, 10.0, often=0.25, signed=True),
    "terrace_quick": Dice(2.0, 8.0, often=0.2, signed=True),
    "terrace_grain": Dice(4.0, 12.0, often=0.4),
    # contour, height, the others, velocity
    "contour": Dice(1.0, 10.0, often=0.5, log=True, signed=True),
    "contour_window": Dice(-0.99, 3.99),  # half a second, one, two, four
    "climb": Dice(1.0, 8.0, often=0.25, signed=True),
    "height": Dice(1.0, 9.0, often=0.35, signed=True),
    "busy": Dice(2.0, 10.0, often=0.25, signed=True),
    "velocity": Dice(2.0, 10.0, often=0.3),
    "quick": Dice(2.0, 12.0, often=0.25, signed=True),
    # metre: bars and beats that breathe
    "bar": Dice(1.0, 8.0, often=0.35, log=True, signed=True),
    "bars": Dice(1.0, 8.0, often=0.3, log=True, signed=True),  # over two or four
    "bar_phase": Dice(0.0, 1.0),
    "beat": Dice(0.5, 4.0, often=0.2, signed=True),
    # the note: accents, late swells, sag, a swell in the middle
    "accent": Dice(2.0, 22.0, often=0.5, log=True),
    "accent_rise_s": Dice(0.015, 0.2, log=True),
    "accent_fall_s": Dice(0.08, 1.2, log=True),
    "accent_on_bar": Dice(0.3, 2.0, often=0.4),
    "late_swell": Dice(2.0, 24.0, often=0.35, log=True),
    "late_power": Dice(0.7, 4.0, log=True),
    "sag": Dice(2.0, 16.0, often=0.4, log=True),
    "sag_s": Dice(0.2, 3.0, log=True),
    "middle": Dice(2.0, 18.0, often=0.3, log=True, signed=True),
    "long_notes": Dice(2.0, 12.0, often=0.3, signed=True),
    # joins, repeats, entries, releases
    "join": Dice(1.5, 26.0, often=0.75, log=True),
    "repeat": Dice(0.6, 2.5, log=True),
    "dip_before_s": Dice(0.02, 0.16, log=True),
    "dip_after_s": Dice(0.02, 0.22, log=True),
    "dip_by_length": Dice(0.2, 1.0, often=0.5),
    "dip_by_leap": Dice(0.2, 1.0, often=0.3),
    "entry": Dice(3.0, 30.0, often=0.5, log=True),
    "entry_s": Dice(0.1, 1.5, log=True),
    "release": Dice(3.0, 30.0, often=0.5, log=True),
    "release_s": Dice(0.1, 1.5, log=True),
    # marks
    "mark_accent": Dice(4.0, 30.0, often=0.8),
    "closing": Dice(5.0, 40.0, often=0.8),
    # movement that starts late on a note, as vibrato does
    "onset_wait_s": Dice(0.0, 0.6),
    "onset_grow_s": Dice(0.1, 1.2, log=True),
    "onset_growth": Dice(4.0, 40.0, often=0.25, log=True),
    # whatever else follows from the notes: a random small net over the smooth columns
    "whim": Dice(0.5, 8.0, often=0.7, log=True),
    "lag_s": Dice(-0.15, 0.3, often=0.4),
}
"""Once a lane."""

USUAL_CC = (72.0, 88.0, 60.0)
"""Centre of each lane around which people differ."""
KIN = (0.0, 0.7, 0.4)
"""How often a lane takes after dynamics: the same habits, each a little larger or smaller, some its own."""
KIN_OWN, KIN_SPREAD, KIN_GAIN = 0.25, 0.35, (0.4, 1.3)
VIBRATO_GROWTH = 0.75
"""How often vibrato grows on long notes."""
_SIZES = (
    *("arc", "slope", "long_arc", "terrace_height", "terrace_many", "terrace_quick", "contour", "climb", "height"),
    *("busy", "velocity", "quick", "bar", "bars", "beat", "accent", "late_swell", "sag", "middle", "long_notes"),
    *("join", "entry", "release", "mark_accent", "closing", "whim"),
)


@dataclass(frozen=True)
class Person:
    """A hand of the prior: its habits, and a seed for its rules, its whims and what it decides by chance in a piece."""

    seed: int
    hand: Mapping[str, float]
    lanes: tuple[Mapping[str, float], ...]


def drawn_person(seed: int) -> Person:
    """The person of a seed, always the same."""
    rng = np.random.default_rng([seed, 77])
    hand = {name: dice.throw(rng) for name, dice in HAND.items()}
    lanes: list[dict[str, float]] = []
    for number, _ in enumerate(LANES):
        own = {name: dice.throw(rng) for name, dice in LANE.items()}
        if rng.random() < KIN[number]:
            gain = rng.uniform(*KIN_GAIN)
            for name, value in lanes[0].items():
                like, factor = rng.random() >= KIN_OWN, float(np.exp(rng.normal(0.0, KIN_SPREAD)))
                if like and name not in ("centre", "lag_s"):
                    own[name] = value * gain * factor if name in _SIZES else value
        if number == 2 and rng.random() < VIBRATO_GROWTH and not own["onset_growth"]:
            own["onset_growth"] = rng.uniform(8.0, 45.0)
        own["centre"] += USUAL_CC[number]
        lanes.append(own)
    return Person(seed, hand, tuple(lanes))
