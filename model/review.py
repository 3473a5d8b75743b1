"""Lanes reviewed: what a listener would stumble over or a colleague would point at, part by part.

One detector a kind, each a function from one written part to the flaws in it: `review_movement.py` (how lanes move),
`review_events.py` (single events, joins and repeats). Units: seconds, controller steps.
"""

from __future__ import annotations

from collections.abc import Callable, Collection

from phrasewright.model.review_events import (
    bare_joins,
    bare_repeats,
    entries,
    jumps,
    missing_starts,
    retriggers,
    stuck,
    too_dense,
)
from phrasewright.model.review_flaws import Flaw, WrittenPart
from phrasewright.model.review_movement import copied_lanes, flat_holds, lone_lanes, machine_holds

_DETECTORS: dict[str, Callable[[WrittenPart], list[Flaw]]] = {
    "one-lane": lone_lanes,
    "copied-lane": copied_lanes,
    "flat-hold": lambda part: flat_holds(part, lone=lone_lanes(part)),
    "bare-join": bare_joins,
    "bare-repeat": bare_repeats,
    "retrigger": retriggers,
    "jump": jumps,
    "entry": entries,
    "stuck": stuck,
    "no-start": missing_starts,
    "dense": too_dense,
    "machine": machine_holds,
}

KINDS = tuple(_DETECTORS)
"""Every kind of finding, in the order in which they are told."""


def review_part(part: WrittenPart, *, kinds: Collection[str] = KINDS) -> list[Flaw]:
    """The flaws of one part, of the given kinds only, in order of time."""
    flaws = [flaw for kind in KINDS if kind in kinds for flaw in _DETECTORS[kind](part)]
    return sorted(flaws, key=lambda flaw: (flaw.start_s, KINDS.index(flaw.kind), flaw.lane or ""))
