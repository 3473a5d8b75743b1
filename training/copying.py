"""What the limits cost: a lane written as controller events and read back as it would sound.

The written lane is a staircase (`model/events.py`): steps, rates, entries and rests as every written file has them.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from phrasewright.model.events import LaneRequest, sound_of, step_limits, write_lanes
from phrasewright.model.hearing import EVENTS, CueHearing
from phrasewright.model.lanes import frame_times_s

Array = NDArray[np.float64]
GESTURE_S = (-0.15, 0.3)
"""How far a re-articulation, accent or sforzando reaches around its onset, as in shaping a file."""


def as_written_cc(hearing: CueHearing, index: int, value_cc: Array) -> Array:
    """Dense lanes (n_frames, n_lanes) on the 10 ms grid as they sound once written: whole steps, held."""
    part, tempo = hearing.parts[index], hearing.cue.tempo
    notes, attacks = part.part.notes, part.attacks
    n_frames = len(value_cc)
    sharp = np.isin(attacks.event, [EVENTS.index("accent"), EVENTS.index("sforzando")])
    onset_s = attacks.onset_s[sharp | (attacks.repeated & (attacks.rest_before_s < 0.25))]
    reach_s = np.maximum.accumulate(notes.offset_s)[:-1]
    silent = notes.onset_s[1:] > reach_s + 1e-9
    limit_cc = step_limits(
        n_frames,
        gesture_s=np.stack([onset_s + GESTURE_S[0], onset_s + GESTURE_S[1]], axis=1),
        gap_s=np.stack([reach_s[silent], notes.onset_s[1:][silent]], axis=1),
    )
    none = np.zeros(0, dtype=np.int64)
    requests = [LaneRequest(sound_of(notes), lane, limit_cc, (), none) for lane in value_cc.T]
    out = np.zeros(value_cc.shape)
    time_s = frame_times_s(n_frames)
    for lane, (tick, level) in enumerate(write_lanes(requests, tempo)):
        at = np.searchsorted(tempo.tick_to_s(tick), time_s + 1e-9, side="right") - 1
        out[:, lane] = level[np.maximum(at, 0)]
    return out
