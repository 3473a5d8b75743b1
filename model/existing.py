"""What is already drawn: kept, replaced or blended, phrase by phrase.

A phrase in which a lane changes three or more times over six or more steps was drawn by hand. With `keep` it stays
exactly; with `blend` its level and arc stay (an average over one beat) and the prediction adds what moves faster;
with `replace` it goes. Lanes written beside a drawn one follow it: the same turning points, with their own depth and
lag. A lane that holds values without ever being drawn is a level someone chose: the new lane is centred on it.

Units: ticks and seconds, controller steps. Figures are common practice without a source. Everything depends on a
phrase and its neighbours only.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from phrasewright.data.midi import Track
from phrasewright.data.tempo import TempoMap
from phrasewright.model.events import Sound, Stay, pieces_of
from phrasewright.model.lanes import FRAME_S
from phrasewright.model.rests import GLIDE_STEP_CC, HOLD_S, LEAD_S, REST_S, TAIL_S
from phrasewright.model.thinning import MIN_SPACING_S, STEP_LIMIT_CC

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Mask = NDArray[np.bool_]

EXISTING_MODES = ("keep", "replace", "blend")
DRAWN_CHANGES, DRAWN_RANGE_CC = 3, 6
"""A lane that changes so often in a phrase, over so many steps, was drawn there."""
LEAD_IN_S = 1.0
"""So much of a rest before a kept phrase may belong to it: hands prepare an entry there."""
FADE_S = 0.25
"""Over this time a lane that follows or blends gives way to a neighbour that does not."""
RAMP_CC_PER_S = 200.0
"""A cliff between joined phrases is taken up no faster than this."""
BEND_SHARE = 0.85
"""Of the speed that events of six steps could reach, how much a bend towards a seam asks for."""
FOLLOW = {
    ("dynamics", "expression"): (0.6, -0.06),
    ("dynamics", "vibrato"): (0.8, 0.2),
    ("expression", "dynamics"): (1.2, 0.06),
    ("expression", "vibrato"): (0.8, 0.25),
    ("vibrato", "dynamics"): (0.5, -0.15),
    ("vibrato", "expression"): (0.3, -0.2),
    ("dynamics", "bow"): (0.6, 0.1),
    ("expression", "bow"): (0.5, 0.15),
    ("vibrato", "bow"): (0.3, 0.0),
}
"""(drawn lane, lane that follows): depth, and lag in seconds. Expression arrives first, dynamics after it, vibrato
last.
"""
OWN_SHARE = 0.5
"""Share of a following lane's own fast movement (faster than a beat) that it keeps."""


@dataclass(frozen=True)
class Drawn:
    """A lane as it stands in the file: arrays of shape (n_events,), ticks not decreasing."""

    tick: Ints
    value_cc: Ints

    def at(self, tick: int) -> int | None:
        """The value in force at a tick, its own events included; None before the first event."""
        i = int(np.searchsorted(self.tick, tick, side="right")) - 1
        return int(self.value_cc[i]) if i >= 0 else None


@dataclass(frozen=True)
class PhraseTicks:
    """Phrases of a part in ticks: onset of the first note, end of the last; arrays of shape (n_phrases,)."""

    start: Ints
    end: Ints


def read_drawn(track: Track, *, channel: int, controller: int) -> Drawn:
    """The events of one controller on one channel (from 0) of a track."""
    mine = (track.status == (0xB0 | channel)) & (track.data1 == controller)
    return Drawn(track.tick[mine], track.data2[mine])


def drawn_phrases(drawn: Drawn, phrases: PhraseTicks) -> Mask:
    """Which phrases were drawn by hand, shape (n_phrases,)."""
    out = np.zeros(len(phrases.start), dtype=bool)
    if len(drawn.tick) < DRAWN_CHANGES:
        return out
    first = np.searchsorted(drawn.tick, phrases.start, side="right")
    stop = np.searchsorted(drawn.tick, phrases.end, side="right")
    for i in np.flatnonzero(stop - first >= DRAWN_CHANGES).tolist():
        a, b = int(first[i]), int(stop[i])
        held = drawn.value_cc[max(a - 1, 0) : b]
        out[i] = np.count_nonzero(np.diff(held)) >= DRAWN_CHANGES and np.ptp(held) >= DRAWN_RANGE_CC
    return out


def kept_stretches(keep: Mask, phrases: PhraseTicks, tempo: TempoMap) -> list[tuple[int, int]]:
    """(first tick, tick after the last) of what stays with the kept phrases, lead-in and tail included, in order."""
    rows: list[tuple[int, int]] = []
    n = len(keep)
    start_s, end_s = tempo.tick_to_s(phrases.start), tempo.tick_to_s(phrases.end)
    i = 0
    while i < n:
        if not keep[i]:
            i += 1
            continue
        j = i
        while j + 1 < n and keep[j + 1]:
            j += 1
        if i == 0:
            first = 0
        else:
            rest_s = float(start_s[i] - end_s[i - 1])
            free_s = rest_s - min(HOLD_S, rest_s / 2)
            lead_s = min(max(LEAD_S, min(LEAD_IN_S, free_s / 2)), free_s)
            first = int(tempo.s_to_tick(start_s[i] - lead_s)) if rest_s >= REST_S else int(phrases.start[i])
        if j == n - 1:
            last = max(int(tempo.s_to_tick(end_s[j] + TAIL_S)), int(phrases.end[j]) + 1)
        else:
            rest_s = float(start_s[j + 1] - end_s[j])
            tail_s = end_s[j] + min(HOLD_S, rest_s / 2)
            last = int(tempo.s_to_tick(tail_s)) + 1 if rest_s >= REST_S else int(phrases.start[j + 1])
        rows.append((first, last))
        i = j + 1
    return rows


def stays_of(drawn: Drawn, *, outside: Sequence[tuple[int, int]], kept: Sequence[tuple[int, int]]) -> list[Stay]:
    """Stretches that stay, merged, with the values the lane has at their ends."""
    stays: list[Stay] = []
    merged: list[list[int]] = []
    for first, last in sorted([*outside, *kept]):
        if merged and first <= merged[-1][1]:
            merged[-1][1] = max(merged[-1][1], last)
        else:
            merged.append([first, last])
    opens_outside = {first for first, _ in outside}
    for first, last in merged:
        start_cc, stated = drawn.at(first), bool(np.any(drawn.tick == first))
        if first == 0 and 0 in opens_outside:
            stated = True
        elif start_cc is None and first not in opens_outside:
            inside = drawn.value_cc[(drawn.tick > first) & (drawn.tick < last)]
            start_cc = int(inside[0]) if len(inside) else None
        stays.append(Stay(first, last, start_cc, drawn.at(last - 1), stated))
    return stays


def moving_average(value: Floats, width: int) -> Floats:
    """Centred average over `width` frames, over fewer at the ends. Shape of `value`."""
    half = max(width, 1) // 2
    total = np.r_[0.0, np.cumsum(value)]
    i = np.arange(len(value))
    low, high = np.maximum(i - half, 0), np.minimum(i + half + 1, len(value))
    return np.asarray((total[high] - total[low]) / (high - low))


def held_frames(drawn: Drawn, tempo: TempoMap, n_frames: int) -> Floats:
    """The drawn lane on the frame grid; before its first event the value of that event. Shape (n_frames,), NaN if
    empty.
    """
    if not len(drawn.tick):
        return np.full(n_frames, np.nan)
    i = np.searchsorted(tempo.tick_to_s(drawn.tick), np.arange(n_frames) * FRAME_S + 1e-9, side="right") - 1
    return drawn.value_cc[np.maximum(i, 0)].astype(np.float64)


def phrase_frames(phrases: PhraseTicks, tempo: TempoMap, n_frames: int) -> Ints:
    """First frame of each phrase and the one after its last, shape (n_phrases, 2), at least one frame each."""
    first = np.clip(np.ceil(tempo.tick_to_s(phrases.start) / FRAME_S - 1e-6).astype(np.int64), 0, n_frames - 1)
    last = np.floor(tempo.tick_to_s(phrases.end) / FRAME_S + 1e-6).astype(np.int64) + 1
    return np.stack([first, np.clip(last, first + 1, n_frames)], axis=1)


def _edge_weight(frames: Ints, i: int, chosen: Mask) -> Floats:
    """Fade of phrase i towards joined neighbours that are not chosen, shape (n_frames of the phrase,)."""
    a, b = frames[i]
    weight = np.ones(b - a)
    ramp = np.minimum(np.arange(1, b - a + 1) / (FADE_S / FRAME_S), 1.0)
    rest = REST_S / FRAME_S
    if i > 0 and not chosen[i - 1] and a - frames[i - 1, 1] < rest:
        weight = np.minimum(weight, ramp)
    if i + 1 < len(chosen) and not chosen[i + 1] and frames[i + 1, 0] - b < rest:
        weight = np.minimum(weight, ramp[::-1])
    return weight


def centred(dense: Floats, held: Floats, frames: Ints, *, low: float, high: float) -> Floats:
    """The lane moved so that its mean over each phrase and its neighbours is the level that was set there.

    Where that level lies so near an end of the range that the lane would be cut off, the lane moves as far as it
    fits. Between phrases the shift changes evenly. `held` is the lane that was set, on the frame grid.
    """
    n = len(frames)
    if not n or np.isnan(held[0]):
        return dense
    rows = [(dense[a:b], held[a:b]) for a, b in frames.tolist()]
    sums = np.array([[x.sum(), len(x), x.min(), x.max(), y.mean()] for x, y in rows])  # (n_phrases, 5)
    padded = np.pad(sums[:, :2], ((1, 1), (0, 0)))
    around = padded[:-2] + padded[1:-1] + padded[2:]  # (n_phrases, 2)
    shift = sums[:, 4] - around[:, 0] / around[:, 1]
    shift = np.minimum(shift, np.maximum(high - sums[:, 3], 0.0))
    shift = np.maximum(shift, np.minimum(low - sums[:, 2], 0.0))
    middle = frames.mean(axis=1)
    return np.asarray(dense + np.interp(np.arange(len(dense)), middle, shift))


def following(
    dense: Floats, source: Floats, frames: Ints, chosen: Mask, *, pair: tuple[str, str], beat_frames: Ints,
    low: float, high: float,
) -> Floats:
    """The lane with the chosen phrases following a drawn lane beside it: its turning points, own depth, lag and detail.

    Parameters
    ----------
    dense, source : float arrays, (n_frames,)
        The predicted lane, and the drawn one beside it.
    frames : int array, (n_phrases, 2)
    chosen : bool array, (n_phrases,)
        Phrases in which `source` was drawn.
    pair : (drawn lane, this lane)
    beat_frames : int array, (n_phrases,)
        Length of a beat.
    low, high : float
        The lane's range: the depth is reduced where it would be cut off.
    """
    depth, lag_s = FOLLOW[pair]
    lag = round(lag_s / FRAME_S)
    out = dense.copy()
    for i in np.flatnonzero(chosen).tolist():
        a, b = frames[i].tolist()
        smooth = moving_average(source[a:b], 21)
        moved = smooth[np.clip(np.arange(b - a) - lag, 0, b - a - 1)]
        swing = depth * (moved - moved.mean())
        own = dense[a:b] - moving_average(dense[a:b], int(beat_frames[i]))
        centre = float(np.clip(dense[a:b].mean(), low, high))
        above, below = max(float(swing.max()), 1e-9), max(-float(swing.min()), 1e-9)
        room = min((high - centre) / above, (centre - low) / below, 1.0)
        new = centre + max(room, 0.3) * swing + OWN_SHARE * own
        out[a:b] += _edge_weight(frames, i, chosen) * (new - dense[a:b])
    return out


def blended(dense: Floats, held: Floats, frames: Ints, chosen: Mask, *, beat_frames: Ints) -> Floats:
    """The lane, (n_frames,), with the chosen phrases at the level and arc of the drawn one: its one-beat average, plus
    what moves faster. Parameters as in `following`; `held` is the drawn lane on the frame grid.
    """
    out = dense.copy()
    for i in np.flatnonzero(chosen).tolist():
        a, b = frames[i].tolist()
        width = int(beat_frames[i])
        new = moving_average(held[a:b], width) + dense[a:b] - moving_average(dense[a:b], width)
        out[a:b] = new
    return _softened_joins(out, frames, chosen)


def _softened_joins(dense: Floats, frames: Ints, chosen: Mask) -> Floats:
    """Cliffs between joined phrases, one blended and one not, are taken up by the one that was not drawn."""
    n = len(chosen)
    for i in range(n - 1):
        left_end, right = int(frames[i, 1]), int(frames[i + 1, 0])
        if chosen[i] == chosen[i + 1] or right - left_end >= REST_S / FRAME_S:
            continue
        step = dense[right] - dense[left_end - 1]
        width = max(int(FADE_S / FRAME_S), int(abs(step) / RAMP_CC_PER_S / FRAME_S))
        if chosen[i]:
            stop = min(right + width, int(frames[i + 1, 1]))
            dense[right:stop] -= step * np.linspace(1.0, 0.0, stop - right)
        else:
            begin = max(left_end - width, int(frames[i, 0]))
            dense[begin:left_end] += step * np.linspace(0.0, 1.0, left_end - begin)
    return dense


def joined_to_stays(
    dense: Floats, sound: Sound, stays: Sequence[Stay], kept_start: set[int], tempo: TempoMap
) -> Floats:
    """The curve, (n_frames,), led into and out of stretches that stay, over half a beat: no seam is wider than 4 steps.

    Also across rests too short for a glide. `kept_start` holds the first ticks of stays that open with a kept phrase's
    lead-in or end with its tail; across a rest, only those pull at an entry behind them.
    """
    if not stays:
        return dense
    out = dense.copy()
    pieces = pieces_of(sound, stays)
    stay_start = np.array([s.start_tick for s in stays])
    stay_end = np.array([s.end_tick for s in stays])
    start_value: float | None = None  # of the whole lane, to which it returns where the stay behind states nothing
    for start, end, from_seam, to_seam in zip(
        pieces.start_tick.tolist(), pieces.end_tick.tolist(), pieces.from_seam.tolist(), pieces.to_seam.tolist(),
        strict=True,
    ):
        start_s, end_s = float(tempo.tick_to_s(start)), float(tempo.tick_to_s(end))
        a = min(int(np.ceil(start_s / FRAME_S - 1e-6)), len(dense) - 1)
        b = min(max(int(np.floor(end_s / FRAME_S + 1e-6)), a), len(dense) - 1)
        if start_value is None:
            start_value = float(np.rint(out[a]))
        lead = tail = 0.0
        i = int(np.searchsorted(stay_end, start, side="right")) - 1
        if i >= 0 and not np.any((sound.offset_tick > stay_end[i]) & (sound.offset_tick <= start)):
            stay = stays[i]
            pulls = from_seam or (stay.start_tick in kept_start and start > stay.end_tick)
            if pulls and stay.end_cc is not None:
                room_s = start_s - LEAD_S - float(tempo.tick_to_s(stay.end_tick))
                lead = _excess(stay.end_cc - float(out[a]), 0.0 if from_seam else room_s)
        j = int(np.searchsorted(stay_start, end, side="left"))
        if j < len(stays) and not np.any((sound.onset_tick >= end) & (sound.onset_tick < stay_start[j])):
            stay = stays[j]
            goal = start_value if stay.start_cc is None else stay.start_cc
            rest_s = float(tempo.tick_to_s(stay.start_tick)) - end_s
            tail = _excess(goal - float(out[b]), 0.0 if to_seam else rest_s - min(HOLD_S, rest_s / 2))
        most = (b - a) // 2 if lead and tail else b - a
        if lead:
            _bend_start(out, a, b, lead, most, _slowest(start_s, tempo))
        if tail:
            _bend_end(out, b, tail, most, _slowest(end_s, tempo))
    return out


def _bend_start(out: Floats, a: int, b: int, lead: float, most: int, slowest: tuple[float, float]) -> None:
    """Bend the lane in place from its value at frame a plus `lead`, over at most `most` frames, none behind b."""
    width, spare = _bend_frames(out[a : a + most + 1] - out[a] - lead, *slowest)
    width = min(int(np.clip(width, 1, max(most, 1))), b - a + 1)
    ramp = np.minimum(np.linspace(1.0 + spare / width, 0.0, width), 1.0)
    out[a : a + width] += ramp * (out[a] + lead - out[a : a + width])


def _bend_end(out: Floats, b: int, tail: float, most: int, slowest: tuple[float, float]) -> None:
    """Bend the lane in place to its value at frame b plus `tail`, over at most `most` frames."""
    width, spare = _bend_frames(out[b - most : b + 1][::-1] - out[b] - tail, *slowest)
    width = int(np.clip(width, 1, max(most, 1)))
    ramp = np.minimum(np.linspace(0.0, 1.0 + spare / width, width + 1), 1.0)
    c = max(b - width, 0)
    out[c : b + 1] += ramp[-(b + 1 - c) :] * (out[b] + tail - out[c : b + 1])


def _slowest(time_s: float, tempo: TempoMap) -> tuple[float, float]:
    """Half a beat, and how far apart events stand at least, a whole number of ticks; frames, not rounded."""
    beat_s = float(tempo.beat_length_s(time_s))
    tick_s = beat_s / tempo.ticks_per_beat
    return beat_s / 2 / FRAME_S, float(np.ceil(MIN_SPACING_S / tick_s - 1e-9) * tick_s / FRAME_S)


def _bend_frames(way_cc: Floats, half_beat: float, spacing: float) -> tuple[int, float]:
    """Over how many frames a curve bends, and how many of them are left at the value it bends to.

    Half a beat, or longer where events `spacing` frames apart cannot go so fast: each steps by so much at most, and
    none stands right before the seam. `way_cc` is how far the curve lies from that value, from the seam on.
    """
    way = float(np.abs(way_cc[: int(half_beat) + 1]).max())
    return int(max(half_beat, way / (BEND_SHARE * STEP_LIMIT_CC) * spacing + 2 * spacing)), 2 * spacing


def _excess(way: float, room_s: float) -> float:
    """What of a way (controller steps) does not fit into a glide of four-step events over `room_s` seconds."""
    fit = GLIDE_STEP_CC * int(max(room_s, 0.0) / (MIN_SPACING_S * 1.15))
    return way if fit == 0 else float(np.sign(way) * max(abs(way) - fit, 0.0))

