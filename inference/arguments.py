"""What users write on the command line, read into values; each fault says what is wrong and how to write it.

Nothing here knows the command-line library: each function takes the text of one argument and raises ValueError.
"""

from __future__ import annotations

import csv

FINDINGS = {
    "one-lane": "only one of dynamics and expression moves, or vibrato alone",
    "copied-lane": "two lanes follow each other like copies",
    "flat-hold": "a lane within 4 steps for 2 s of a held note",
    "bare-join": "joined longer notes without a dip of 3 steps",
    "bare-repeat": "a connected repeat, slower than five a second, without a dip of 5 steps",
    "retrigger": "repeats that shape --join-repeats would make one note of; one finding a phrase",
    "jump": "steps over 6 inside a note (12 at repeats and accents), or over 12 turns a second",
    "entry": "a lane still moving within 100 ms before an entry after a rest",
    "stuck": "a lane left off its start value at the end",
    "no-start": "no value before the first note",
    "dense": "over 60 events in a second",
    "machine": "movement of a held note that comes round, in seconds or with the beat",
}
"""Kinds of findings and what they mean in a line each, in the order in which they are told."""


def review_help() -> str:
    """What `review --help` says, kinds and all."""
    kinds = "\n".join(f"  {kind:<12} {meaning}" for kind, meaning in FINDINGS.items())
    job = "Look over the lanes of a file: what stands still, jumps, joins badly or is left behind, with where and why."
    return f"{job}\n\nKinds of findings (each may be meant; --ignore leaves it out):\n\n\b\n{kinds}"


def selected_parts(text: str) -> tuple[str, ...]:
    """Part numbers and names separated by commas; a name that holds a comma is quoted.

    Raises
    ------
    ValueError
        There is no name, or an empty one.
    """
    chosen = tuple(item.strip() for item in next(csv.reader([text], skipinitialspace=True), []))
    if not chosen or not all(chosen):
        raise ValueError(f"{text!r} names no part; write numbers or names, such as 1,3,\"Violins I\"")
    return chosen


def span_of_bars(text: str) -> tuple[int, int]:
    """First and last bar, counted from 1, from `17-32` or `17`.

    Raises
    ------
    ValueError
        It is no span, runs backwards, or begins before bar 1.
    """
    first, _, last = text.partition("-")
    try:
        bars = int(first), int(last or first)
    except ValueError:
        raise ValueError(f"{text!r} is no span of bars; write it as 17-32") from None
    if not 1 <= bars[0] <= bars[1]:
        raise ValueError(f"{text!r} runs backwards or begins before bar 1; write it as 17-32")
    return bars


def chosen_lanes(text: str) -> tuple[str, ...]:
    """Lane names separated by commas, in the lanes' own order.

    Raises
    ------
    ValueError
        One of them is no lane.
    """
    from phrasewright.data.curves import ALL_LANES

    return tuple(lane for lane in ALL_LANES if lane in _known(text, ALL_LANES, "lane"))


def chosen_kinds(text: str) -> tuple[str, ...]:
    """Kinds of findings separated by commas.

    Raises
    ------
    ValueError
        One of them is no kind.
    """
    return _known(text, tuple(FINDINGS), "kind of finding")


def _known(text: str, known: tuple[str, ...], what: str) -> tuple[str, ...]:
    chosen = tuple(word.strip() for word in text.split(","))
    unknown = [word for word in chosen if word not in known]
    if unknown:
        raise ValueError(f"{unknown[0]!r} is no {what}; choose from {', '.join(known)}")
    return chosen
