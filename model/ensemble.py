"""What one part does because of the others: it gives way and comes forward as the melody passes on, and a
counter-melody moves where the melody rests.

Sizes are common practice without a source; everything depends on what sounds within a few seconds.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from phrasewright.model.gestures import Gestures, Grid, runs_of, window_frames
from phrasewright.model.hearing import ROLES, CueHearing
from phrasewright.model.parameters import RuleParameters
from phrasewright.model.shapes import Window, ease

Array = NDArray[np.float64]
_MELODY, _COUNTER = ROLES.index("melody"), ROLES.index("counter")
HAND_OVER_S = 1.2
"""A part comes forward or gives way over this time."""
COUNTER_SHARE = 0.4
"""So much larger are a counter-melody's arcs where the melody rests or holds, and so much smaller where it moves."""
COUNTER_DB = 2.0
"""And so many dB for each whole of that share it comes forward there."""
_RESTS_S = (0.6, 1.4)
"""A melody whose notes begin farther apart than the first rests in part, than the second altogether."""


def hand_over_db(gestures: Gestures, grid: Grid, *, parameters: RuleParameters) -> Array | None:
    """Distance of each frame's role from the centre, dB, moving smoothly where the role changes; shape (n_frames,).

    None where the part keeps one role.
    """
    offset = gestures.shares(parameters.limits.role_offset_db)
    if np.ptp(offset) == 0.0:
        return None
    course = offset[grid.index]
    window = Window(*window_frames(len(course), HAND_OVER_S, *runs_of(gestures, grid), step=grid.step))
    return window.mean(window.mean(course))


def counter_share(hearing: CueHearing, index: int, gestures: Gestures, grid: Grid) -> Array | None:
    """Size of a counter-melody's arcs at each frame, shape (n_frames,); 1 elsewhere. None where it plays no counter.

    `index` counts from 0 into the hearing's parts.
    """
    counter = gestures.role == _COUNTER
    if not np.any(counter):
        return None
    others = [heard.attacks for i, heard in enumerate(hearing.parts) if i != index]
    onset_s = np.sort(np.concatenate([a.onset_s[a.role == _MELODY] for a in others] or [np.zeros(0)]))
    if not len(onset_s):
        return None
    at = np.searchsorted(onset_s, grid.time_s)
    since = np.where(at > 0, grid.time_s - onset_s[np.maximum(at - 1, 0)], 60.0)
    until = np.where(at < len(onset_s), onset_s[np.minimum(at, len(onset_s) - 1)] - grid.time_s, 60.0)
    # a long gap around this moment: the melody holds a note or rests
    rests = ease((since + until - _RESTS_S[0]) / (_RESTS_S[1] - _RESTS_S[0]))
    share = np.where(counter[grid.index], 1.0 + COUNTER_SHARE * (2.0 * rests - 1.0), 1.0)
    window = Window(*window_frames(len(share), 1.0, *runs_of(gestures, grid), step=grid.step))
    return window.mean(share)
