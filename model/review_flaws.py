"""What a review looks at and what it answers with: one part as written, and the flaws found in it.

Units: seconds, controller steps. A lane is a staircase: a value holds until the next event.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from phrasewright.data.curves import Curve
from phrasewright.data.notes import Notes, sounding_spans
from phrasewright.data.tempo import TempoMap
from phrasewright.model.hearing import Attacks, Phrase
from phrasewright.model.lanes import FRAME_S, frames_in

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Mask = NDArray[np.bool_]

LEVEL_LANES = ("dynamics", "expression")
"""The two lanes that carry a line; vibrato colours it."""
SEVERITIES = ("low", "medium", "high")


@dataclass(frozen=True)
class Flaw:
    """One thing to look at.

    Parameters
    ----------
    kind : str
        What kind of flaw it is, such as `flat-hold`.
    lane : str or None
        The lane to mend; None where it is the part as a whole.
    start_s, end_s : float
        Where, in seconds.
    what : str
        The sentence to print after the place: numbers first, then what to do about it.
    severity : str
        `high` where everybody hears it, `medium` where it sounds lifeless, `low` where it may be meant.
    """

    kind: str
    lane: str | None
    start_s: float
    end_s: float
    what: str
    severity: str


@dataclass(frozen=True)
class WrittenPart:
    """One part as it stands in a file.

    Parameters
    ----------
    notes : Notes
        At least one.
    attacks : Attacks
        By their note-ons.
    phrases : sequence of Phrase
    lanes : mapping from lane name to Curve
        The lanes with at least one event.
    late : set of lane names
        Lanes whose first event stands behind the first note-on in the file.
    sustained_s : float array, (n_passages, 2)
        Where lanes are expected.
    gesture_s : float array, (n_gestures, 2)
        Around re-articulations, accents and sforzandi, where a larger step is allowed.
    tempo : TempoMap
    sounding_s : float array, (n_attacks,), or None
        Where each attack is heard; None where that is its note-on.
    usual : mapping from lane name to Curve
        Lanes of an instrument with a measured response, as they would stand by the default law: whether they move
        enough is judged by these.
    """

    notes: Notes
    attacks: Attacks
    phrases: Sequence[Phrase]
    lanes: Mapping[str, Curve]
    late: frozenset[str]
    sustained_s: Floats
    gesture_s: Floats
    tempo: TempoMap
    sounding_s: Floats | None = None
    usual: Mapping[str, Curve] = field(default_factory=dict)

    def audible(self, lane: str) -> Curve:
        """A lane in steps of the default law."""
        return self.usual.get(lane, self.lanes[lane])

    @property
    def onset_s(self) -> Floats:
        """Where each attack is heard, shape (n_attacks,)."""
        return self.attacks.onset_s if self.sounding_s is None else self.sounding_s

    @cached_property
    def n_frames(self) -> int:
        """Frames from time 0 to the last offset."""
        return int(np.floor(self.notes.offset_s.max() / FRAME_S + 1e-6)) + 1

    @cached_property
    def frames_cc(self) -> Mapping[str, Floats]:
        """Each lane on the grid in steps of the default law, NaN before its first event. Shape (n_frames,) each."""
        time_s = np.arange(self.n_frames, dtype=np.float64) * FRAME_S + 1e-6  # an event on the grid point counts there
        return {lane: self.audible(lane).at(time_s) for lane in self.lanes}

    @cached_property
    def sounding(self) -> Mask:
        """Frames in which the part sounds. Shape (n_frames,)."""
        return frames_in(sounding_spans(self.notes), n_frames=self.n_frames)

    @cached_property
    def sustained(self) -> Mask:
        """Frames of passages for which lanes are expected. Shape (n_frames,)."""
        return frames_in(self.sustained_s, n_frames=self.n_frames)

    @cached_property
    def drawn(self) -> bool:
        """Whether dynamics or expression move at all: only what someone drew can be judged as a drawing."""
        lanes = (self.lanes[lane] for lane in LEVEL_LANES if lane in self.lanes)
        return any(np.ptp(curve.value_cc) > 0 for curve in lanes)


def running_range(value: Floats, size: int) -> Floats:
    """Highest minus lowest of the `size` values from each place on, shape (n - size + 1,); NaN where one is NaN.

    Windows double in size until the next doubling would be too large; two such windows cover the whole.
    """
    if len(value) < size:
        return np.zeros(0)
    high, low, reach = value, value, 1
    while reach * 2 <= size:
        high, low = np.maximum(high[:-reach], high[reach:]), np.minimum(low[:-reach], low[reach:])
        reach *= 2
    rest = size - reach
    n = len(value) - size + 1
    return np.asarray(np.maximum(high[:n], high[rest : rest + n]) - np.minimum(low[:n], low[rest : rest + n]))


def steps_text(n_cc: float) -> str:
    """A number of steps in words."""
    n = round(abs(n_cc))
    return f"{n} step" if n == 1 else f"{n} steps"
