"""Which instrument a part is, from its program, its name or its notes. FIRST CUT, to be replaced."""

from __future__ import annotations

from phrasewright.data.cue import Instrument
from phrasewright.data.notes import Notes

_VIOLIN = Instrument("violins", "strings", "sustained", False, True, 55, 103)
_HARP = Instrument("harp", "plucked", "decaying", True, False, 23, 103)
_DRUMS = Instrument("percussion", "percussion", "percussive", True, False, 0, 127)


def instrument_of(program: int | None, name: str, *, channel: int, notes: Notes) -> tuple[Instrument, str]:
    """The instrument and why."""
    if channel == 10:
        return _DRUMS, "channel 10"
    if program is None or program in {40, 41, 42, 43, 44, 48, 49, 52, 53} or 56 <= program <= 79:
        return _VIOLIN, "program"
    return _HARP, "program"
