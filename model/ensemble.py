"""What one part does because of the others: it gives way and comes forward as the melody passes on, a counter-melody
moves where the melody rests, and all are a little louder where more play, higher or busier.

The last is loudness that follows from the texture alone: only what differs from the surrounding eight seconds on either
side counts, and it is no substitute for a plan. Where a composer has marked anything, it is left out. Sizes are common
practice without a source; everything depends on what sounds within a few seconds.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from phrasewright.data.cue import Part
from phrasewright.data.notes import sounding_spans
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
STEP_S = 0.25
"""Spacing of the grid on which texture is heard."""
_NEAR_S, _AROUND_S = 3.0, 16.0
_PLAYING_DB, _HEIGHT_DB, _BUSY_DB = 1.2, 0.35, 0.25
"""What twice as many players, an octave, and twice as many attacks add."""
_MOST_DB = 1.2


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


def texture_db(parts: Sequence[Part]) -> Array:
    """Departure from the usual level at every `STEP_S` from time 0, in dB, shape (n_steps,).

    What lies farther away than `_NEAR_S` and half of `_AROUND_S` has no say.
    """
    parts = [part for part in parts if part.notes.n_notes]
    end_s = max((float(part.notes.offset_s.max()) for part in parts), default=0.0)
    n = int(np.ceil(end_s / STEP_S)) + 1
    playing, busy = np.zeros(n), np.zeros(n)
    height, sounding = np.zeros(n), np.zeros(n)
    for part in parts:
        spans = np.clip((sounding_spans(part.notes) / STEP_S).astype(np.int64), 0, n - 1)
        playing += _filled(spans, np.ones(len(spans)), n) > 0
        if part.kind == "percussive":
            continue
        notes = part.notes
        spans = np.clip(np.stack([notes.onset_s, notes.offset_s], axis=1) / STEP_S, 0, n - 1).astype(np.int64)
        height += _filled(spans, notes.pitch.astype(np.float64), n)
        sounding += _filled(spans, np.ones(len(spans)), n)
        np.add.at(busy, np.unique(spans[:, 0]), 1.0)
    near, around = (round(width_s / STEP_S / 2) for width_s in (_NEAR_S, _AROUND_S))
    heard = (playing > 0).astype(np.float64)
    out = np.zeros(n)
    for course, size_db in (
        (np.log2(np.maximum(playing, 1.0)), _PLAYING_DB),
        (height / np.maximum(sounding, 1.0) / 12.0, _HEIGHT_DB),
        (np.log2(1.0 + _mean(busy, heard, near)), _BUSY_DB),
    ):
        smooth = _mean(course, heard, near)
        out += size_db * (smooth - _mean(smooth, heard, around))
    return np.asarray(_MOST_DB * np.tanh(out / _MOST_DB))


def _filled(spans: NDArray[np.int64], weight: Array, n: int) -> Array:
    """Sum of the weights of the spans over each step of the grid, the last step of a span included."""
    edge = np.zeros(n + 1)
    np.add.at(edge, spans[:, 0], weight)
    np.add.at(edge, spans[:, 1] + 1, -weight)
    return np.cumsum(edge[:-1])


def _mean(course: Array, weight: Array, half: int) -> Array:
    """Triangular mean over `half` steps on either side, of steps that count."""
    kernel = np.bartlett(2 * half + 3)[1:-1]
    total = np.convolve(weight, kernel)[half : half + len(weight)]
    mean = np.convolve(course * weight, kernel)[half : half + len(weight)]
    return np.asarray(np.where(total > 1e-9, mean / np.maximum(total, 1e-9), 0.0))
