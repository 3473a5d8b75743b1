"""How two drawings of one lane differ: error, likeness of movement, lag and depth.

Everything is measured on frames: a 10 ms grid from time 0, frame i at `i * FRAME_S` seconds. A frame is *counted*
where the part sounds in the left drawing (a note is on: onset <= t < offset), or within 50 ms before an onset, and
both lanes have a value. Between events a lane holds its value, as a MIDI controller does; before its first event it
has none, so those frames are not counted (a device's own default is unknown), and no movement is claimed there:
slopes take the first value for them.

Order of work: `lane_pair` builds and checks the frames, one pure function answers each question, `evaluate` gathers
the answers, and `evaluate_all` those of several parts together, a long part weighing more than a short one. Values are
in controller steps ("steps"), slopes in steps a second. An answer that does not exist is None, never NaN.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from phrasewright.data.curves import Curve
from phrasewright.data.notes import Notes, sounding_spans
from phrasewright.model.lanes import FRAME_S, first_frame, frames_in

LEAD_S = 0.05
"""Frames this long before an onset are counted: there an entry or a join is prepared (common practice, no source)."""
HALF_SLOPE_FRAMES = 5
"""A slope looks 50 ms ahead and 50 ms back."""
MOVING_STEPS_PER_S = 5.0
"""A lane that changes faster than this is moving."""
MAX_LAG_FRAMES = 50
"""Lags up to 500 ms either way are tried."""
_EDGE_FRAMES = MAX_LAG_FRAMES + HALF_SLOPE_FRAMES

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]
Answers = dict[str, float | int | None]


@dataclass(frozen=True)
class LanePair:
    """One lane drawn twice over the same frames. All arrays have shape (n_frames,).

    Parameters
    ----------
    left_cc, right_cc : float
        Values held at each frame, in steps; before the first event the first value.
    left_slope, right_slope : float
        In steps a second.
    counted : bool
        Frames that count. The first and last 50 frames never do, so that a shift does not leave the grid.
    phrase : int
        Number of the phrase a frame lies in, -1 outside every phrase; numbers rise with time.
    """

    left_cc: Floats
    right_cc: Floats
    left_slope: Floats
    right_slope: Floats
    counted: Mask
    phrase: NDArray[np.int64]

    def __post_init__(self) -> None:
        validate(self)


def validate(pair: LanePair) -> None:
    """Check that the rows of a pair fit each other.

    Raises
    ------
    ValueError
        Rows of different length, values that are not finite, or counted frames within 500 ms of either end.
    """
    rows = (pair.left_cc, pair.right_cc, pair.left_slope, pair.right_slope, pair.counted, pair.phrase)
    if len({row.shape for row in rows}) > 1 or pair.counted.ndim != 1:
        raise ValueError(f"LanePair needs equal rows, got {[row.shape for row in rows]}")
    if not all(np.all(np.isfinite(row)) for row in rows[:4]):
        raise ValueError("LanePair values and slopes must be finite; leave frames without a value uncounted")
    if np.any(pair.counted[:MAX_LAG_FRAMES]) or np.any(pair.counted[len(pair.counted) - MAX_LAG_FRAMES :]):
        raise ValueError(f"LanePair needs {MAX_LAG_FRAMES} uncounted frames at either end")


def frame_index(time_s: Floats) -> NDArray[np.int64]:
    """Index of the frame at or after each time in the rows of a `LanePair`, which are padded at either end."""
    return first_frame(time_s) + _EDGE_FRAMES


def frames_in_pair(spans_s: Floats, pair: LanePair) -> Mask:
    """Frames of a pair in any of the spans (n_spans, 2), as `frames_in`; shape (n_frames,)."""
    inner = frames_in(spans_s, n_frames=len(pair.counted) - 2 * _EDGE_FRAMES)
    return np.pad(inner, _EDGE_FRAMES)


def sounding_frames(notes: Notes, *, n_frames: int) -> Mask:
    """Frames in which a note is on, or that lie within 50 ms before an onset. Shape (n_frames,)."""
    lead = np.stack([notes.onset_s - LEAD_S, notes.onset_s], axis=1)  # (n_notes, 2)
    return frames_in(np.concatenate([sounding_spans(notes), lead]), n_frames=n_frames)


def held_frames(curve: Curve, *, n_frames: int) -> Floats:
    """Value held at each frame in steps, NaN before the first event. Of several events at one time the last holds."""
    if curve.n_points == 0:
        return np.full(n_frames, np.nan)
    index = np.searchsorted(first_frame(curve.time_s), np.arange(n_frames), side="right") - 1
    return np.where(index >= 0, curve.value_cc[np.maximum(index, 0)], np.nan)


def slopes(value_cc: Floats) -> Floats:
    """Value 50 ms after minus value 50 ms before, over .1 s, in steps a second. Shape of `value_cc`.

    Beyond either end the value is taken to hold.
    """
    if len(value_cc) == 0:
        return np.zeros(0)
    held = np.pad(value_cc, HALF_SLOPE_FRAMES, mode="edge")
    span_frames = 2 * HALF_SLOPE_FRAMES
    return np.asarray((held[span_frames:] - held[:-span_frames]) / (span_frames * FRAME_S))


def lane_pair(left: Curve, right: Curve, *, notes: Notes, phrases_s: Floats) -> LanePair:
    """Put two drawings of a lane on frames.

    Parameters
    ----------
    left, right : Curve
        The lane in either file, at least one event each.
    notes : Notes
        The part's notes in the left file: they say where it sounds.
    phrases_s : float array, (n_phrases, 2)
        Start and end of the left file's phrases in seconds, in order. Where two overlap, a frame belongs to the later
        one.

    Raises
    ------
    ValueError
        A lane without events.
    """
    if left.n_points == 0 or right.n_points == 0:
        raise ValueError("a lane without events cannot be compared")
    n_frames = int(first_frame(notes.offset_s.max(initial=0.0))) + 1
    counted = sounding_frames(notes, n_frames=n_frames)
    values = []
    for curve in (left, right):
        value_cc = held_frames(curve, n_frames=n_frames + _EDGE_FRAMES)
        counted &= np.isfinite(value_cc[:n_frames])
        filled = np.where(np.isfinite(value_cc), value_cc, curve.value_cc[0])
        values.append(np.pad(filled, (_EDGE_FRAMES, 0), mode="edge"))
    phrase = np.full(n_frames, -1, dtype=np.int64)
    for number, (start, end) in enumerate(first_frame(np.asarray(phrases_s).reshape(-1, 2))):
        phrase[max(start, 0) : max(end, 0)] = number
    return LanePair(
        left_cc=values[0],
        right_cc=values[1],
        left_slope=slopes(values[0]),
        right_slope=slopes(values[1]),
        counted=np.pad(counted, _EDGE_FRAMES),
        phrase=np.pad(phrase, _EDGE_FRAMES, constant_values=-1),
    )


def mean_absolute_error(left_cc: Floats, right_cc: Floats) -> float | None:
    """Mean of |right - left| in steps; None without frames."""
    return float(np.mean(np.abs(right_cc - left_cc))) if len(left_cc) else None


def root_mean_square_error(left_cc: Floats, right_cc: Floats) -> float | None:
    """Root of the mean of (right - left)^2 in steps; None without frames."""
    return float(np.sqrt(np.mean(np.square(right_cc - left_cc)))) if len(left_cc) else None


def mean_difference(left_cc: Floats, right_cc: Floats) -> float | None:
    """Mean of right - left in steps: positive where the right drawing is higher; None without frames."""
    return float(np.mean(right_cc - left_cc)) if len(left_cc) else None


def correlation(left_cc: Floats, right_cc: Floats) -> float | None:
    """Pearson's r, -1..1, without unit; None without frames or where either lane is constant."""
    if len(left_cc) == 0 or np.ptp(left_cc) == 0 or np.ptp(right_cc) == 0:
        return None
    left, right = left_cc - left_cc.mean(), right_cc - right_cc.mean()
    return float(np.clip(left @ right / np.sqrt((left @ left) * (right @ right)), -1.0, 1.0))


def slope_agreement(left_slope: Floats, right_slope: Floats) -> float | None:
    """Of frames in which either lane moves over 5 steps a second, the share where both slopes have one sign, 0..1.

    A lane that moves beside one that stands still (slope 0) does not agree. None where neither moves.
    """
    moving = (np.abs(left_slope) > MOVING_STEPS_PER_S) | (np.abs(right_slope) > MOVING_STEPS_PER_S)
    if not np.any(moving):
        return None
    return float(np.mean(np.sign(left_slope[moving]) == np.sign(right_slope[moving])))


def lag_ms(pair: LanePair) -> float | None:
    """Shift that makes the slopes most alike, in milliseconds: positive where the right drawing is later.

    For each shift k of -50..50 frames, Pearson's r of the left slope at every counted frame t and the right slope at
    t + k (which may lie outside the counted frames: the lane exists there too). The answer is the shift of the
    greatest r; of equal ones the smallest, and of +k and -k the positive. Resolution 10 ms. None where the left
    slopes, or the right ones at every shift, are constant: two lanes of which one stands still have no lag.
    """
    return lag_sums(pair).lag_ms()


@dataclass(frozen=True)
class LagSums:
    """What the correlation of slopes needs at each shift of -50..50 frames; sums of several parts add up.

    `n`, `left`, `left_square` count the frames and sum the left slopes and their squares; `right`, `right_square` and
    `product` sum the shifted right slopes, their squares and their products with the left ones, shape (n_shifts,).
    """

    n: int
    left: float
    left_square: float
    right: Floats
    right_square: Floats
    product: Floats

    @classmethod
    def nothing(cls) -> LagSums:
        """The sums over no frames."""
        none = np.zeros(2 * MAX_LAG_FRAMES + 1)
        return cls(0, 0.0, 0.0, none, none, none)

    def __add__(self, other: LagSums) -> LagSums:
        return LagSums(
            self.n + other.n,
            self.left + other.left,
            self.left_square + other.left_square,
            self.right + other.right,
            self.right_square + other.right_square,
            self.product + other.product,
        )

    def lag_ms(self) -> float | None:
        """The shift of the greatest correlation, as told at `lag_ms`."""
        if self.n == 0:
            return None
        left_power = self.left_square - self.left**2 / self.n
        right_power = self.right_square - self.right**2 / self.n
        product = self.product - self.left * self.right / self.n
        smallest = 1e-9 * max(self.left_square, float(self.right_square.max()))
        defined = (right_power > smallest) & (left_power > smallest)
        if not np.any(defined):
            return None
        r = np.full(len(product), -np.inf)
        r[defined] = product[defined] / np.sqrt(left_power * right_power[defined])
        shift = np.arange(-MAX_LAG_FRAMES, MAX_LAG_FRAMES + 1)
        by_size = np.lexsort((-shift, np.abs(shift)))
        best = by_size[np.argmax(r[by_size] >= r.max() - 1e-9)]
        return float(shift[best] * FRAME_S * 1000)


def lag_sums(pair: LanePair) -> LagSums:
    """The sums behind `lag_ms`, by fast Fourier transform."""
    inner = slice(MAX_LAG_FRAMES, len(pair.counted) - MAX_LAG_FRAMES)
    counted = pair.counted[inner].astype(np.float64)
    left, right = pair.left_slope[inner] * counted, pair.right_slope
    n_shifts = 2 * MAX_LAG_FRAMES + 1
    n_padded = 1 << (len(right) - 1).bit_length()  # no wrap-around: the shifted left rows end within the right one
    rows = np.fft.rfft(np.stack([counted, left]), n_padded)  # (2, n_frequencies)
    spectra = np.fft.rfft(np.stack([right, right**2]), n_padded)  # (2, n_frequencies)
    products = np.stack([spectra[0] * rows[0].conj(), spectra[1] * rows[0].conj(), spectra[0] * rows[1].conj()])
    sum_right, sum_square, sum_product = np.fft.irfft(products, n_padded)[:, :n_shifts]  # (3, n_shifts)
    n_counted = int(np.count_nonzero(pair.counted))
    return LagSums(n_counted, float(left.sum()), float(left @ left), sum_right, sum_square, sum_product)


def phrase_ranges(value_cc: Floats, phrase: NDArray[np.int64]) -> Floats:
    """Interquartile range of the values in each phrase that has frames, in steps. Shape (n_phrases_with_frames,).

    Quartiles are interpolated linearly between order statistics. Frames of phrase -1 are left out.
    """
    inside = phrase >= 0
    value_cc, phrase = value_cc[inside], phrase[inside]
    if len(phrase) == 0:
        return np.zeros(0)
    ordered = value_cc[np.lexsort((value_cc, phrase))]
    _, count = np.unique(phrase, return_counts=True)
    start = np.cumsum(count) - count

    def quantile(q: float) -> Floats:
        place = start + q * (count - 1)
        below = np.floor(place).astype(np.int64)
        above = np.minimum(below + 1, start + count - 1)
        return np.asarray(ordered[below] + (place - below) * (ordered[above] - ordered[below]))

    return quantile(0.75) - quantile(0.25)


def depth_ratio(left_ranges: Floats, right_ranges: Floats) -> float | None:
    """How deep the right drawing moves within phrases, as a multiple of the left: over 1 is deeper.

    The median over the left file's phrases of the right lane's `phrase_ranges`, over that of the left lane. None
    without phrases or where the left's median is 0.
    """
    if len(left_ranges) == 0 or np.median(left_ranges) == 0:
        return None
    return float(np.median(right_ranges) / np.median(left_ranges))


@dataclass(frozen=True)
class PhraseSums:
    """Sums over the counted frames of each phrase that has some; all arrays have shape (n_phrases,).

    `number` is the phrase's, `n` counts frames, `error`, `difference` and `square` sum |right - left|, right - left and
    its square.
    """

    number: NDArray[np.int64]
    n: Floats
    error: Floats
    difference: Floats
    square: Floats


def phrase_sums(pair: LanePair, *, among: Mask | None = None) -> PhraseSums:
    """The sums of each phrase, over all counted frames or those of them that are `among`, shape (n_frames,)."""
    inside = pair.counted & (pair.phrase >= 0)
    if among is not None:
        inside &= among
    number, at = np.unique(pair.phrase[inside], return_inverse=True)
    difference = (pair.right_cc - pair.left_cc)[inside]
    error, signed, square = (
        np.bincount(at, weights=w).astype(np.float64) for w in (np.abs(difference), difference, difference**2)
    )
    return PhraseSums(number, np.bincount(at).astype(np.float64), error, signed, square)


def evaluate(pair: LanePair) -> Answers:
    """All answers for one pair.

    Returns
    -------
    dict
        `mae`, `rmse`, `bias` (right minus left) in steps, `r`, `slope_agreement`, `lag_ms`, `depth_ratio` and
        `n_frames` (how many frames counted); None where an answer does not exist.
    """
    return evaluate_all([pair])[1]


def evaluate_all(pairs: Sequence[LanePair]) -> tuple[list[Answers], Answers]:
    """The answers for each of several pairs, and those for all their frames and phrases together.

    The second is what `evaluate` would answer to all frames laid end to end, each phrase a phrase of its own.
    """
    each: list[Answers] = []
    lags, rows, ranges = [LagSums.nothing()], [np.zeros((4, 0))], [np.zeros((2, 0))]
    for pair in pairs:
        at = pair.counted
        lags.append(lag_sums(pair))
        rows.append(np.stack([pair.left_cc[at], pair.right_cc[at], pair.left_slope[at], pair.right_slope[at]]))
        ranges.append(np.stack([phrase_ranges(value_cc, pair.phrase[at]) for value_cc in rows[-1][:2]]))
        each.append(_answers(rows[-1], lags[-1], ranges[-1]))
    if len(pairs) == 1:
        return each, each[0]
    return each, _answers(np.concatenate(rows, axis=1), sum(lags[1:], lags[0]), np.concatenate(ranges, axis=1))


def _answers(rows: Floats, lag: LagSums, ranges: Floats) -> Answers:
    """From values and slopes of both drawings at the frames that count, (4, n_frames), and (2, n_phrases) ranges."""
    left_cc, right_cc, left_slope, right_slope = rows
    return {
        "mae": mean_absolute_error(left_cc, right_cc),
        "rmse": root_mean_square_error(left_cc, right_cc),
        "bias": mean_difference(left_cc, right_cc),
        "r": correlation(left_cc, right_cc),
        "slope_agreement": slope_agreement(left_slope, right_slope),
        "lag_ms": lag.lag_ms(),
        "depth_ratio": depth_ratio(*ranges),
        "n_frames": len(left_cc),
    }
