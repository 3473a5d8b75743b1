"""What lanes must not lack, whoever predicted them: movement in held notes, a dip at joins and repeats.

Both are lost where lanes are brought to soft levels, where arcs cancel, or where a predictor is too shy; what is
lacking is added there and nowhere else. Units: seconds, steps. All figures are common practice without a source.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from phrasewright.model.gestures import Gestures, Grid
from phrasewright.model.hearing import PartHearing
from phrasewright.model.lanes import FRAME_S, runs, spans_of
from phrasewright.model.parameters import RuleParameters
from phrasewright.model.repeats import FASTEST_REPEAT_S, RENEWED
from phrasewright.model.residue import Residue, drift_cc, residue_of
from phrasewright.model.shapes import bent_into, bump, ease, running_maximum

Array = NDArray[np.float64]
Ints = NDArray[np.int64]
Bounds = Sequence[tuple[float, float]]

_MORE_DRIFT = (0.4, -0.4, 0.8, -0.8, 1.2, -1.2, 1.6, -1.6)
"""Shares of the drift that are added, in this order, until a held note moves enough; negative where they cancel."""
_SPARE_CC = 0.2
_STRIDE = 5
"""Frames between looks: whether two seconds are flat needs no finer one."""
_JOIN_NOTE_S = 0.4
"""Joins of notes longer than this dip, and slow repeats, where half of the sound is new."""
_BESIDE = 4
"""Strokes before and after among which the metre must tell one from another, or there is nothing to lean on."""
_AROUND_FRAMES = 12
"""120 ms: a dip farther from its onset is heard as a swell of its own."""


@dataclass(frozen=True)
class _Held:
    """Held notes laid end to end: the frames of one after those of the other.

    Parameters
    ----------
    note : int array, (n_frames,)
        Which note each frame belongs to, counted from 0.
    seen, first, last : int arrays, (n_seen,)
        The frames that are looked at, every few of each note, by their places in the row; of each, which of those seen
        are the first and the last of its note.
    begin : int array, (n_notes,)
        Which of those seen each note begins with.
    width : int
        Windows hold so many frames that are looked at.
    """

    note: Ints
    seen: Ints
    first: Ints
    last: Ints
    begin: Ints
    width: int

    @classmethod
    def of(cls, lengths: Ints, *, width: int) -> _Held:
        """Notes of so many frames each, looked at through windows of `width` frames."""
        n_seen = -(-lengths // _STRIDE)
        owner = np.repeat(np.arange(len(lengths)), n_seen)
        after = np.cumsum(n_seen)
        place = np.arange(len(owner)) - (after - n_seen)[owner]
        return cls(
            note=np.repeat(np.arange(len(lengths)), lengths),
            seen=(np.cumsum(lengths) - lengths)[owner] + _STRIDE * place,
            first=(after - n_seen)[owner],
            last=(after - 1)[owner],
            begin=after - n_seen,
            width=width // _STRIDE,
        )

    def movement(self, lane: Array, bounds: tuple[float, float] | None = None, *, knee: float = 0.0) -> Array:
        """Range of a lane, as bent into its bounds, in the window from each frame seen on, shape (n_seen,).

        Infinite where the window would go on beyond its note.
        """
        value = lane[self.seen] if bounds is None else bent_into(lane[self.seen], *bounds, knee=knee)
        moved = np.full(len(value), np.inf)
        moved[: len(value) - self.width + 1] = running_maximum(value, self.width) + running_maximum(-value, self.width)
        moved[np.arange(len(value)) + self.width - 1 > self.last] = np.inf
        return moved

    def least(self, moved: Array) -> Array:
        """The smallest of each note's windows, shape (n_notes,)."""
        return np.asarray(np.minimum.reduceat(moved, self.begin))

    def spread(self, share: Array, *, move_s: float) -> Array:
        """The largest share of the windows (as in `movement`) over each frame, with ramps between; (n_frames,)."""
        most = running_maximum(np.pad(share, (self.width - 1, 0)), self.width)  # of the windows that hold a seen frame
        half = max(round(move_s / FRAME_S / _STRIDE), 1)
        around = np.arange(len(most))[:, None] + np.arange(-half, half + 1)
        around = np.clip(around, self.first[:, None], self.last[:, None])  # (n_seen, n_around)
        even = most[around] @ np.full(2 * half + 1, 1.0 / (2 * half + 1))
        at = np.searchsorted(self.seen, np.arange(len(self.note)), side="right") - 1
        following = np.minimum(at + 1, self.last[at])
        rise = (even[following] - even[at]) / _STRIDE
        return np.asarray(rise * (np.arange(len(self.note)) - self.seen[at]) + even[at])


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
    low = np.ceil(gestures.onset_s / FRAME_S - 1e-6).astype(np.int64)
    high = np.minimum((gestures.end_s / FRAME_S).astype(np.int64) + 1, len(value))
    sustained = ~(gestures.frozen | gestures.resting)
    index = np.flatnonzero((gestures.length_s > limits.held_s) & sustained & (high - low >= width))
    if not len(index):
        return value
    notes = _Held.of((high - low)[index], width=width)
    frames = spans_of(low[index], high[index])
    for lane in range(3):
        moved = notes.movement(value[frames, lane], bounds[lane], knee=limits.knee_cc)
        flat = notes.least(moved) < limits.held_cc
        if not np.any(flat):
            continue
        residue = residue or residue_of(part, gestures, parameters=parameters)
        still = frames[flat[notes.note]]
        lengths = (high - low)[index[flat]]
        time_s, i = grid.time_s[still], np.repeat(index[flat], lengths)
        drift = drift_cc(time_s, *residue.points[0 if lane == 2 else lane])  # vibrato's own is too slow to help
        drift *= ease((time_s - gestures.onset_s[i]) / held.move_s) * ease((gestures.end_s[i] - time_s) / held.move_s)
        own = _Held.of(lengths, width=width)
        value[still, lane] = _moved(value[still, lane], drift, own, bounds[lane], parameters=parameters)
    return value


def _moved(
    lane: Array, drift: Array, notes: _Held, bounds: tuple[float, float], *, parameters: RuleParameters
) -> Array:
    """Held notes' lane with as much of the drift added, place by place, as it lacks; (n_frames,).

    One share for the whole of a long note would make a wave of it where a corner of it stands still.
    """
    least_cc, knee, move_s = parameters.limits.held_cc, parameters.limits.knee_cc, parameters.held.move_s
    own = np.maximum(notes.movement(drift), 1.0)
    tried, moved = lane, notes.movement(lane, bounds, knee=knee)
    for _ in range(3):
        enough = notes.least(moved) >= least_cc
        if np.all(enough):
            return tried
        lacking = np.maximum(least_cc + _SPARE_CC - moved, 0.0)
        share = np.minimum(lacking / own, _MORE_DRIFT[-2])
        added = notes.spread(share, move_s=move_s) * drift
        tried = tried + np.where(enough[notes.note], 0.0, added)
        moved = notes.movement(tried, bounds, knee=knee)
    best, most = tried, notes.least(moved)
    near = notes.spread((moved < least_cc).astype(np.float64), move_s=move_s)
    for share_of in _MORE_DRIFT:  # where it runs against the arc
        if np.all(most >= least_cc):
            break
        more = tried + share_of * near * drift
        least = notes.least(notes.movement(more, bounds, knee=knee))
        better = (most < least_cc) & (least > most)
        best, most = np.where(better[notes.note], more, best), np.where(better, least, most)
    return best


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
    stroke &= before_s > FASTEST_REPEAT_S
    spans = runs(stroke)  # first stroke and the one after the last, (n_rows, 2)
    spans = spans[spans[:, 1] - spans[:, 0] >= rows.from_strokes]
    if not len(spans):
        return value
    residue = residue or residue_of(part, gestures, parameters=parameters)
    middle = np.clip(np.rint((gestures.onset_s + 0.5 * gestures.length_s) / FRAME_S), 0, len(value) - 1).astype(int)
    level = value[middle, 0]
    out = value.copy()
    strokes, leans = [], []
    for first, after in spans.tolist():
        i = np.arange(first, after)
        metre = gestures.metre[i]
        beside = sliding_window_view(np.pad(metre, _BESIDE, mode="edge"), 2 * _BESIDE + 1)  # (n_strokes, n_beside)
        lean = np.where(np.ptp(beside, axis=1) > 0.0, np.interp(metre, rows.at_metre, rows.share), 1.0)
        lean = lean * (1.0 - rows.carried * np.tanh((level[i] - level[i - 1]) / rows.carried_cc))
        strokes.append(i)
        leans.append(np.clip(lean * (1.0 + rows.residue * residue.dip[i]), *rows.bounds))
    more = np.concatenate(leans) - 1.0
    for lane in (0, 1):
        low, high = _dip_frames(gestures, np.concatenate(strokes), lane, len(value), parameters=parameters)
        n = high - low
        frame, stroke = spans_of(low, high), np.repeat(np.arange(len(n)), n)
        first_cc, last_cc = value[low, lane], value[high - 1, lane]
        line = first_cc[stroke] + ((last_cc - first_cc) / (n - 1))[stroke] * (frame - low[stroke])
        below = np.minimum(value[frame, lane] - line, 0.0)
        np.add.at(out[:, lane], frame, more[stroke] * below)
    value[:] = out
    return value


def _dip_frames(
    gestures: Gestures, i: Ints, lane: int, n_frames: int, *, parameters: RuleParameters
) -> tuple[Ints, Ints]:
    """First frame, and the one after the last, over which a lane dips at the onsets of gestures `i`, not the first."""
    dip, onset_s = parameters.dip, gestures.onset_s[i]
    lead_s = np.minimum(dip.before_s[lane], dip.share_before * (onset_s - gestures.onset_s[i - 1]))
    tail_s = np.minimum(dip.after_s[lane], dip.share_after * (gestures.next_s[i] - onset_s))
    low = np.maximum(((onset_s - lead_s) / FRAME_S).astype(np.int64), 0)
    return low, np.minimum(((onset_s + tail_s) / FRAME_S).astype(np.int64) + 2, n_frames)


def never_bare(value: Array, gestures: Gestures, bounds: Bounds, *, parameters: RuleParameters) -> Array:
    """A deeper dip where neither dynamics nor expression would fall enough at a join or a repeat.

    Joins need 3 steps and repeats 5 to be heard; `limits.join_cc` and `limits.repeat_cc` are more, since rounding to
    whole steps takes some. What is lacking is added to both lanes, so that the deeper one just reaches it. `value`,
    shape (n_frames, 3), is changed in place and returned; `bounds` as in `never_flat`.
    """
    limits = parameters.limits
    before_s = np.r_[np.inf, np.diff(gestures.onset_s)]
    long = np.minimum(gestures.length_s, np.r_[np.inf, gestures.length_s[:-1]]) > _JOIN_NOTE_S
    wanted = gestures.joined & ~gestures.entry & ~gestures.frozen & ~gestures.resting & (gestures.renewed >= RENEWED)
    wanted &= np.where(gestures.repeated, before_s > FASTEST_REPEAT_S, long)
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
    index, lacking = index[lacking > 0.0], lacking[lacking > 0.0]
    for lane in (0, 1):
        low, high = _dip_frames(gestures, index, lane, len(value), parameters=parameters)
        frame, k = spans_of(low, high), np.repeat(np.arange(len(index)), high - low)
        from_onset = frame - at[index][k]
        reach = np.where(from_onset < 0, (at[index] - low)[k], (high - 1 - at[index])[k])
        np.subtract.at(value[:, lane], frame, lacking[k] * bump(from_onset / reach))
    return value
