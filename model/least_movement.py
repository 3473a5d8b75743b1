"""What lanes must not lack, whoever predicted them: movement in held notes, a dip at joins and repeats.

Both are lost where lanes are brought to soft levels, where arcs cancel, or where a predictor is too shy; what is
lacking is added there and nowhere else. Units: seconds, steps. All figures are common practice without a source.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from phrasewright.model.gestures import Gestures, Grid
from phrasewright.model.hearing import PartHearing
from phrasewright.model.lanes import FRAME_S
from phrasewright.model.parameters import DEFAULT, RuleParameters
from phrasewright.model.residue import Residue, residue_of
from phrasewright.model.shapes import bent_into, bump, ease

Array = NDArray[np.float64]
Bounds = Sequence[tuple[float, float]]

_MORE_DRIFT = (0.4, -0.4, 0.8, -0.8, 1.2, -1.2, 1.6, -1.6)
"""Shares of the drift that are added, in this order, until a held note moves enough; negative where they cancel."""
_SPARE_CC = 0.2
_STRIDE = 5
"""Frames between looks: whether two seconds are flat needs no finer one."""
_JOIN_NOTE_S, _FASTEST_REPEAT_S, _RENEWED = 0.4, 0.2, 0.5
"""Joins of notes longer than the first dip, and repeats slower than five a second, where half of the sound is new."""
_BESIDE = 4
"""Strokes before and after among which the metre must tell one from another, or there is nothing to lean on."""
_AROUND_FRAMES = 12
"""120 ms: a dip farther from its onset is heard as a swell of its own."""


def never_flat(
    part: PartHearing,
    value: Array,
    gestures: Gestures,
    grid: Grid,
    residue: Residue | None,
    bounds: Bounds,
    *,
    parameters: RuleParameters,
) -> Array:
    """More drift where a held note would stand still, because an arc and a drift cancel or because none was there.

    `value`, shape (n_frames, 3), is changed in place and returned; `bounds` are the lowest and highest step of each
    lane; without `residue` the part's is drawn where it is needed.
    """
    limits, held = parameters.limits, parameters.held
    width = round(limits.held_s / FRAME_S)
    sustained = ~(gestures.frozen | gestures.resting)
    for i in np.flatnonzero((gestures.length_s > limits.held_s) & sustained):
        low = int(np.ceil(gestures.onset_s[i] / FRAME_S - 1e-6))
        high = min(int(gestures.end_s[i] / FRAME_S) + 1, len(value))
        if high - low < width:
            continue
        lanes = value[low:high]
        moved = [_movement(lanes[:, lane], width, bounds[lane], parameters=parameters) for lane in range(3)]
        flat = [lane for lane in range(3) if moved[lane].min() < limits.held_cc]
        if not flat:
            continue
        residue = residue or residue_of(part, gestures, parameters=parameters)
        drift = residue.drift(grid.time_s[low:high])
        drift[:, 2] = drift[:, 0]  # vibrato's own is too slow to help
        rise = ease((grid.time_s[low:high] - gestures.onset_s[i]) / held.move_s)
        fall = ease((gestures.end_s[i] - grid.time_s[low:high]) / held.move_s)
        drift *= (rise * fall)[:, None]
        for lane in flat:
            value[low:high, lane] = _moved(
                lanes[:, lane], drift[:, lane], width, bounds[lane], parameters=parameters
            )
    return value


def _moved(
    lane: Array, drift: Array, width: int, bounds: tuple[float, float], *, parameters: RuleParameters
) -> Array:
    """A held note's lane with as much of the drift added, place by place, as it lacks; (n_frames,).

    One share for the whole of a long note would make a wave of it where a corner of it stands still.
    """
    least_cc, move_s = parameters.limits.held_cc, parameters.held.move_s
    own = _movement(drift, width)
    tried, moved = lane, _movement(lane, width, bounds, parameters=parameters)
    for _ in range(3):
        lacking = np.maximum(least_cc + _SPARE_CC - moved, 0.0)
        if lacking.max() <= _SPARE_CC:
            return tried
        share = np.minimum(lacking / np.maximum(own, 1.0), _MORE_DRIFT[-2])
        tried = tried + _spread(share, width, len(lane), move_s) * drift
        moved = _movement(tried, width, bounds, parameters=parameters)
    best, most = tried, float(moved.min())
    near = _spread((moved < least_cc).astype(np.float64), width, len(lane), move_s)
    for share_of in _MORE_DRIFT:  # where it runs against the arc
        if most >= least_cc:
            break
        more = tried + share_of * near * drift
        least = float(_movement(more, width, bounds, parameters=parameters).min())
        if least > most:
            best, most = more, least
    return best


def _movement(
    lane: Array, width: int, bounds: tuple[float, float] | None = None, *, parameters: RuleParameters = DEFAULT
) -> Array:
    """Range of a lane within `width` frames from every few frames on, shape (n_windows,); as bent into its bounds."""
    lane = lane[::_STRIDE] if bounds is None else bent_into(lane[::_STRIDE], *bounds, knee=parameters.limits.knee_cc)
    seen = sliding_window_view(lane, width // _STRIDE)
    return np.asarray(seen.max(axis=1) - seen.min(axis=1))


def _spread(share: Array, width: int, n_frames: int, move_s: float) -> Array:
    """The largest share of the windows (as in `_movement`) over each frame, with ramps between; (n_frames,)."""
    n_seen = width // _STRIDE
    most = sliding_window_view(np.pad(share, n_seen - 1), n_seen).max(axis=1)  # of the windows that hold a seen frame
    half = max(round(move_s / FRAME_S / _STRIDE), 1)
    even = np.convolve(np.pad(most, half, mode="edge"), np.full(2 * half + 1, 1.0 / (2 * half + 1)), "valid")
    return np.asarray(np.interp(np.arange(n_frames), np.arange(len(even)) * _STRIDE, even))


def leaning(
    part: PartHearing, value: Array, gestures: Gestures, residue: Residue | None, *, parameters: RuleParameters
) -> Array:
    """Long rows of slow repeats lean on the metre: equal dips at every stroke look and sound like a comb.

    A player takes strokes in groups: a new bow or breath on the downbeat, less at the beats, least between them;
    lighter on the way up to a peak, where the line is carried on, and more on the way down. Where notes stand in no
    metre the last counts alone. Only what already dips is made deeper or shallower. `value`, shape (n_frames, 3), is
    changed in place and returned.
    """
    rows = parameters.repeats
    before_s = np.r_[np.inf, np.diff(gestures.onset_s)]
    stroke = gestures.joined & gestures.repeated & ~gestures.entry & ~gestures.frozen & ~gestures.resting
    stroke &= before_s > _FASTEST_REPEAT_S
    edge = np.flatnonzero(np.diff(np.r_[False, stroke, False]))
    spans = edge.reshape(-1, 2)  # first stroke and the one after the last, (n_rows, 2)
    spans = spans[spans[:, 1] - spans[:, 0] >= rows.from_strokes]
    if not len(spans):
        return value
    residue = residue or residue_of(part, gestures, parameters=parameters)
    middle = np.clip(np.rint((gestures.onset_s + 0.5 * gestures.length_s) / FRAME_S), 0, len(value) - 1).astype(int)
    level = value[middle, 0]
    out = value.copy()
    for first, after in spans.tolist():
        i = np.arange(first, after)
        metre = gestures.metre[i]
        beside = sliding_window_view(np.pad(metre, _BESIDE, mode="edge"), 2 * _BESIDE + 1)  # (n_strokes, n_beside)
        lean = np.where(np.ptp(beside, axis=1) > 0.0, np.interp(metre, rows.at_metre, rows.share), 1.0)
        lean = lean * (1.0 - rows.carried * np.tanh((level[i] - level[i - 1]) / rows.carried_cc))
        lean = np.clip(lean * (1.0 + rows.residue * residue.dip[i]), *rows.bounds)
        for k, share in zip(i.tolist(), lean.tolist(), strict=True):
            for lane in (0, 1):
                low, high = _dip_frames(gestures, k, before_s[k], lane, len(value), parameters=parameters)
                line = np.linspace(value[low, lane], value[high - 1, lane], high - low)
                out[low:high, lane] += (share - 1.0) * np.minimum(value[low:high, lane] - line, 0.0)
    value[:] = out
    return value


def _dip_frames(
    gestures: Gestures, k: int, before_s: float, lane: int, n_frames: int, *, parameters: RuleParameters
) -> tuple[int, int]:
    """First frame, and the one after the last, over which a lane dips at a gesture's onset."""
    dip, onset_s = parameters.dip, float(gestures.onset_s[k])
    lead_s = min(dip.before_s[lane], dip.share_before * before_s)
    tail_s = min(dip.after_s[lane], dip.share_after * float(gestures.next_s[k] - onset_s))
    return max(int((onset_s - lead_s) / FRAME_S), 0), min(int((onset_s + tail_s) / FRAME_S) + 2, n_frames)


def never_bare(value: Array, gestures: Gestures, bounds: Bounds, *, parameters: RuleParameters) -> Array:
    """A deeper dip where neither dynamics nor expression would fall enough at a join or a repeat.

    Joins need 3 steps and repeats 5 to be heard; `limits.join_cc` and `limits.repeat_cc` are more, since rounding to
    whole steps takes some. What is lacking is added to both lanes, so that the deeper one just reaches it. `value`,
    shape (n_frames, 3), is changed in place and returned; `bounds` as in `never_flat`.
    """
    limits = parameters.limits
    before_s = np.r_[np.inf, np.diff(gestures.onset_s)]
    long = np.minimum(gestures.length_s, np.r_[np.inf, gestures.length_s[:-1]]) > _JOIN_NOTE_S
    wanted = gestures.joined & ~gestures.entry & ~gestures.frozen & ~gestures.resting & (gestures.renewed >= _RENEWED)
    wanted &= np.where(gestures.repeated, before_s > _FASTEST_REPEAT_S, long)
    at = np.rint(gestures.onset_s / FRAME_S).astype(np.int64)
    index = np.flatnonzero(wanted & (at >= _AROUND_FRAMES) & (at < len(value) - _AROUND_FRAMES))
    if not len(index):
        return value
    near = at[index, None] + np.arange(-_AROUND_FRAMES, _AROUND_FRAMES + 1)  # (n_dips, n_near)
    fall = np.zeros((2, len(index)))
    for lane in (0, 1):
        seen = bent_into(value[near, lane], *bounds[lane], knee=limits.knee_cc)
        fall[lane] = np.max(np.maximum.accumulate(seen, axis=1) - seen, axis=1)
    least = np.where(gestures.repeated[index], limits.repeat_cc, limits.join_cc)
    lacking = np.maximum(least - fall.max(axis=0), 0.0)
    for k in np.flatnonzero(lacking > 0.0).tolist():
        i = index[k]
        for lane in (0, 1):
            low, high = _dip_frames(gestures, i, before_s[i], lane, len(value), parameters=parameters)
            place = np.interp(np.arange(low, high), [low, at[i], high - 1], [-1.0, 0.0, 1.0])
            value[low:high, lane] -= lacking[k] * bump(place)
    return value
