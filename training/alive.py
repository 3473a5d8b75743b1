"""How alive a lane is beside a hand: five figures over one part, and their medians over many.

All lanes in whole steps, rests bridged by straight lines, frames 20 ms apart, against the hand without its noise (see
`life.py` for depth, energy and slopes). This project's definitions:

- depth: joins are onsets less than 60 ms after the sound before them, where the hand dips more than 3 steps;
- repeats: the same at joins on the same pitch;
- accent height: the maximum within 300 ms after an onset minus the value at the note's middle, ratio of means over
  notes where the hand's is over 3;
- arc peaks: the time at which the lane smoothed over one second is highest, in each phrase over 2 s; share within one
  beat of the hand's.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

from phrasewright.model.hearing import CueHearing
from phrasewright.model.limits import sounding_frames
from phrasewright.training.life import FRAME_20_S, bridged, energy_cc2, join_depths_cc, slope_correlation

Array = NDArray[np.float64]
JOIN_S = 0.06
DEEP_CC = 3.0
ACCENT_FRAMES = 15
LEAST_PHRASE_S = 2.0
SMOOTH_FRAMES = 51


@dataclass(frozen=True)
class Life:
    """Sums from which the figures of one lane follow, so that parts can be pooled: add them up.

    `depth_cc`, `repeat_cc`, `accent_cc` are (lane, hand) sums over joins, repeats and notes where the hand's counts;
    `energy_cc2` (lane, hand); `slope_r` sums of correlations weighted by frames; `peaks` (near, all phrases).
    """

    depth_cc: Array
    repeat_cc: Array
    accent_cc: Array
    energy_cc2: Array
    slope_r: Array
    peaks: Array

    def __add__(self, other: Life) -> Life:
        return Life(*(getattr(self, f.name) + getattr(other, f.name) for f in fields(self)))

    def figures(self) -> dict[str, float]:
        """Ratios to the hand, correlation and share; nan where nothing was there to compare."""
        named = zip(("depth", "repeats", "accents", "energy", "slopes", "peaks"), fields(self), strict=True)
        pairs = {name: getattr(self, f.name).tolist() for name, f in named}
        return {name: above / below if below > 0 else float("nan") for name, (above, below) in pairs.items()}


def life_of(hearing: CueHearing, index: int, hand_cc: Array, lane_cc: Array) -> Life:
    """Compare one lane of a part with the hand's, both (n_frames,) on the 10 ms grid from time 0."""
    part = hearing.parts[index]
    sounding = sounding_frames(hearing, index, len(hand_cc))[::2]
    hand, lane = bridged(hand_cc[::2], sounding), bridged(lane_cc[::2], sounding)
    onset_s, end_s, pitch, gap_s = _line(hearing, index)
    joined = gap_s < JOIN_S
    repeated = joined & (np.diff(pitch, prepend=-1) == 0)
    start = np.array([p.start_s for p in part.phrases])
    stop = np.array([p.end_s for p in part.phrases])
    long = stop - start > LEAST_PHRASE_S
    beat_s = hearing.cue.tempo.beat_length_s(start[long])
    apart_s = np.abs(peak_s(hand, start[long], stop[long]) - peak_s(lane, start[long], stop[long]))
    n = float(np.count_nonzero(sounding))
    r = slope_correlation(hand, lane, sounding)
    return Life(
        depth_cc=_deep(join_depths_cc(hand, onset_s[joined]), join_depths_cc(lane, onset_s[joined])),
        repeat_cc=_deep(join_depths_cc(hand, onset_s[repeated]), join_depths_cc(lane, onset_s[repeated])),
        accent_cc=_deep(accent_heights_cc(hand, onset_s, end_s), accent_heights_cc(lane, onset_s, end_s)),
        energy_cc2=np.array([energy_cc2(lane), energy_cc2(hand)]) * n,
        slope_r=np.array([0.0, 0.0]) if hand[sounding].std() == 0 else np.array([0.0 if np.isnan(r) else r * n, n]),
        peaks=np.array([float(np.count_nonzero(apart_s <= beat_s + 1e-9)), float(len(apart_s))]),
    )


def pooled(lives: Sequence[Life]) -> dict[str, float]:
    """Figures over several parts."""
    total = lives[0]
    for life in lives[1:]:
        total += life
    return total.figures()


def accent_heights_cc(value_cc: Array, onset_s: Array, end_s: Array) -> Array:
    """Maximum within 300 ms after each onset minus the value at the note's middle, steps, shape (n_notes,)."""
    last = len(value_cc) - 1
    first = np.rint(onset_s / FRAME_20_S).astype(np.int64)
    middle = np.clip(np.rint((onset_s + end_s) / 2.0 / FRAME_20_S).astype(np.int64), 0, last)
    after = np.clip(first[:, None] + np.arange(ACCENT_FRAMES + 1), 0, last)
    return np.asarray(value_cc[after].max(axis=1) - value_cc[middle])


def peak_s(value_cc: Array, start_s: Array, end_s: Array) -> Array:
    """When the lane smoothed over one second is highest within each phrase, seconds, shape (n_phrases,)."""
    half = SMOOTH_FRAMES // 2
    smooth = np.convolve(np.pad(value_cc, half, mode="edge"), np.full(SMOOTH_FRAMES, 1.0 / SMOOTH_FRAMES), mode="valid")
    first = np.clip(np.rint(start_s / FRAME_20_S).astype(np.int64), 0, len(smooth) - 1)
    stop = np.maximum(np.rint(end_s / FRAME_20_S).astype(np.int64), first + 1)
    at = [a + int(np.argmax(smooth[a:b])) for a, b in zip(first.tolist(), stop.tolist(), strict=True)]
    return np.array(at, dtype=np.float64) * FRAME_20_S


def _deep(hand_cc: Array, lane_cc: Array) -> Array:
    """Sums (lane, hand) where the hand's is over 3 steps."""
    deep = hand_cc > DEEP_CC
    return np.array([lane_cc[deep].sum(), hand_cc[deep].sum()])


def _line(hearing: CueHearing, index: int) -> tuple[Array, Array, NDArray[np.int64], Array]:
    """Onsets, ends, highest pitches of what begins together in a part, and the silence before; shape (n_attacks,)."""
    attacks = hearing.parts[index].attacks
    reach_s = np.maximum.accumulate(attacks.release_s)
    gap_s = np.maximum(attacks.onset_s - np.r_[-1.0, reach_s[:-1]], 0.0)
    return attacks.onset_s, attacks.end_s, attacks.pitch, gap_s
