"""Loudness that follows from the texture alone: how many play, how high, how busy.

Only what differs from the surrounding eight seconds on either side counts, and it moves all parts together by little:
it is no substitute for a plan. Where a composer has marked anything, this is left out. Sizes are common practice
without a source.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from phrasewright.data.cue import Part
from phrasewright.data.notes import sounding_spans

Array = NDArray[np.float64]
STEP_S = 0.25
"""Spacing of the grid on which texture is heard."""
_NEAR_S, _AROUND_S = 3.0, 16.0
_PLAYING_DB, _HEIGHT_DB, _BUSY_DB = 1.2, 0.35, 0.25
"""What twice as many players, an octave, and twice as many attacks add."""
_MOST_DB = 1.2


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
