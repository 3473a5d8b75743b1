"""How alive a lane is beside a hand: six figures, as sums that can be pooled over parts and pieces.

A low mean error hides dead curves, so these are judged beside it. All lanes in whole steps, rests bridged by straight
lines, frames 20 ms apart, against the hand without its noise. This project's definitions:

- depth: joins are onsets less than 60 ms after the sound before them, where the hand dips more than 3 steps; the dip is
  the lower of the values 200 ms before and after minus the minimum within 120 ms; ratio of means;
- repeats: the same at joins on the same pitch;
- energy: power between .5 and 6 Hz while the part sounds or rests between, ratio;
- slopes: differences of the 100 ms moving average, correlation over sounding frames;
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

Array = NDArray[np.float64]
FRAME_20_S = 0.02
BAND_HZ = (0.5, 6.0)
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
    everything = np.ones(hearing.parts[index].attacks.n_attacks, dtype=bool)
    return lives_of(hearing, index, hand_cc, lane_cc, [everything])[0]


def lives_of(
    hearing: CueHearing, index: int, hand_cc: Array, lane_cc: Array, wheres: Sequence[NDArray[np.bool_]]
) -> list[Life]:
    """The same for some attacks at a time: those of each mask (n_attacks,), and the frames from them to the next.

    Of phrases, those count of which half the attacks or more do.
    """
    part = hearing.parts[index]
    sounding = sounding_frames(hearing, index, len(hand_cc))[::2]
    hand, lane = bridged(hand_cc[::2], sounding), bridged(lane_cc[::2], sounding)
    onset_s, end_s, pitch, gap_s = _line(hearing, index)
    joined = gap_s < JOIN_S
    repeated = joined & (np.diff(pitch, prepend=-1) == 0)
    dips = [join_depths_cc(v, onset_s) for v in (hand, lane)]
    accents = [accent_heights_cc(v, onset_s, end_s) for v in (hand, lane)]
    power = [in_band(v) ** 2 for v in (lane, hand)]
    slopes = [np.r_[np.zeros(3), slopes_cc(v), np.zeros(2)] for v in (hand, lane)]
    start = np.array([p.start_s for p in part.phrases])
    stop = np.array([p.end_s for p in part.phrases])
    long = stop - start > LEAST_PHRASE_S
    near = (
        np.abs(peak_s(hand, start, stop) - peak_s(lane, start, stop)) <= hearing.cue.tempo.beat_length_s(start) + 1e-9
    )
    at = np.clip(np.searchsorted(onset_s, np.arange(len(hand)) * FRAME_20_S + 1e-9, side="right") - 1, 0, None)
    whole = np.maximum(np.bincount(part.attacks.phrase, minlength=len(start)), 1)
    judged = sounding & (np.arange(len(hand)) >= 3) & (np.arange(len(hand)) < len(hand) - 2)
    found = []
    for where in wheres:
        inside = where[at]
        on = judged & inside
        n = float(np.count_nonzero(on))
        still = n == 0 or hand[on].std() == 0
        r = 0.0 if still else _correlation(slopes[0][on], slopes[1][on])
        phrases = long & (np.bincount(part.attacks.phrase, where, len(start)) >= 0.5 * whole)
        found.append(
            Life(
                depth_cc=_deep(*(depth[joined & where] for depth in dips)),
                repeat_cc=_deep(*(depth[repeated & where] for depth in dips)),
                accent_cc=_deep(*(height[where] for height in accents)),
                energy_cc2=np.array([float(one[inside].sum()) for one in power]),
                slope_r=np.array([r * n, 0.0 if still else n]),
                peaks=np.array([float(np.count_nonzero(near & phrases)), float(np.count_nonzero(phrases))]),
            )
        )
    return found


def pooled(lives: Sequence[Life]) -> dict[str, float]:
    """Figures over several parts."""
    total = lives[0]
    for life in lives[1:]:
        total += life
    return total.figures()


def bridged(value_cc: Array, sounding: NDArray[np.bool_]) -> Array:
    """A lane in whole steps, with straight lines where nothing sounds; both of shape (n_frames,)."""
    at = np.flatnonzero(sounding)
    if len(at) == 0:
        return np.asarray(np.rint(value_cc))
    return np.asarray(np.interp(np.arange(len(value_cc)), at, np.rint(value_cc[at])))


def join_depths_cc(value_cc: Array, joins_s: Array) -> Array:
    """Depth at each join in steps, shape (n_joins,). `value_cc` stands every 20 ms from time 0."""
    n = len(value_cc)
    frame = np.rint(joins_s / FRAME_20_S).astype(np.int64)
    around = np.clip(frame[:, None] + np.arange(-6, 7), 0, n - 1)  # within 120 ms
    sides = np.minimum(value_cc[np.clip(frame - 10, 0, n - 1)], value_cc[np.clip(frame + 10, 0, n - 1)])
    return np.asarray(sides - value_cc[around].min(axis=1))


def in_band(value_cc: Array) -> Array:
    """What of a lane moves between .5 and 6 Hz, steps, shape (n_frames,); its mean square is the power."""
    hz = np.fft.rfftfreq(len(value_cc), FRAME_20_S)
    spectrum = np.fft.rfft(value_cc - value_cc[:1]) * ((hz >= BAND_HZ[0]) & (hz <= BAND_HZ[1]))
    return np.asarray(np.fft.irfft(spectrum, len(value_cc)))


def slopes_cc(value_cc: Array) -> Array:
    """Differences of the 100 ms moving average, steps a frame, shape (n_frames - 5,)."""
    return np.asarray(np.diff(np.convolve(value_cc, np.ones(5) / 5.0, mode="valid")))


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


def _correlation(left: Array, right: Array) -> float:
    """Pearson's, 0 where either stands still."""
    return float(np.corrcoef(left, right)[0, 1]) if left.std() > 0 and right.std() > 0 else 0.0


def _line(hearing: CueHearing, index: int) -> tuple[Array, Array, NDArray[np.int64], Array]:
    """Onsets, ends, highest pitches of what begins together in a part, and the silence before; shape (n_attacks,)."""
    attacks = hearing.parts[index].attacks
    reach_s = np.maximum.accumulate(attacks.release_s)
    gap_s = np.maximum(attacks.onset_s - np.r_[-1.0, reach_s[:-1]], 0.0)
    return attacks.onset_s, attacks.end_s, attacks.pitch, gap_s
