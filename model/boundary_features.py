"""What the boundary model looks at: how each note of a line differs from its neighbours, and what it repeats.

Row k belongs to the gap before note k: does a phrase begin there? Everything is local: neighbours within 8 notes,
parallel places within 32 notes and 12 s, sure rests within 16 s. What cannot be known (no metre, beyond the ends, no
other parts) is NaN.

Two stages share the features. The second also sees the first stage's probabilities: how a place compares with its
surroundings, with places in the same rhythm, and with places at the same point of the bar.

Units: with metre, lengths are measured in quarter notes, otherwise in seconds, and always relative to the usual length
around. Scale of degrees: Krumhansl and Kessler 1982 (profile values from memory).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from phrasewright.model.boundaries import local_boundary_strength

Floats = NDArray[np.float64]
AROUND = 8
"""Notes on both sides that say what is usual here."""
REACH = 32
"""Notes on both sides in which repeated rhythm is looked for."""
REACH_S = 12.0
"""No likeness is looked for further away than this."""
FAR_BARS = 8
"""Bars on both sides in which like places in the bar are looked for."""
SURE_NOTES, SURE_S = 32, 16.0
"""How far away a sure rest still tells where in the phrase a note stands."""
BAR_STEPS = 48
"""Places told apart in a bar."""
TRUSTED = 0.45
"""Onsets must lie on a grid of the beat as closely as this (0 anywhere, 1 exactly) for the metre to be used."""

_MAJOR = np.array([6.35, 2.23, 3.48, 2.33, 4.38, 4.09, 2.52, 5.19, 2.39, 3.66, 2.29, 2.88])
_MINOR = np.array([6.33, 2.68, 3.52, 5.38, 2.60, 3.53, 2.54, 4.75, 3.98, 2.69, 3.34, 3.17])
_KEYS = np.stack([np.roll((p - p.mean()) / p.std(), k) for p in (_MAJOR, _MINOR) for k in range(12)])  # (24, 12)


Span = tuple[NDArray[np.int64], NDArray[np.int64]]
"""First index, and first index beyond, of the surroundings of each note."""


@dataclass(frozen=True)
class Melody:
    """One line as the model hears it; arrays of shape (n_notes,).

    Parameters
    ----------
    onset_s, release_s
        Seconds.
    pitch
        MIDI pitch, the highest of a chord.
    onset_beat
        Quarter notes.
    bar
        Bar as a real number, whole on downbeats; NaN where there is no metre.
    bar_beats
        Quarter notes in the bar; NaN where there is no metre.
    """

    onset_s: Floats
    release_s: Floats
    pitch: Floats
    onset_beat: Floats
    bar: Floats
    bar_beats: Floats

    @property
    def n_notes(self) -> int:
        """How many."""
        return len(self.onset_s)

    def around(self, reach: int) -> Span:
        """Notes within `reach` notes and `REACH_S` seconds of each."""
        at, (low, high) = np.arange(self.n_notes), self._in_reach
        return np.maximum(low, at - reach), np.minimum(high, at + reach + 1)

    @cached_property
    def _in_reach(self) -> Span:
        low = np.searchsorted(self.onset_s, self.onset_s - REACH_S, side="left")
        return low, np.searchsorted(self.onset_s, self.onset_s + REACH_S, side="right")


def shifted(values: Floats, by: int) -> Floats:
    """Element k + `by` at place k, NaN beyond the ends."""
    out = np.full(len(values), np.nan)
    if by >= 0:
        out[: max(len(values) - by, 0)] = values[by:]
    else:
        out[-by:] = values[:by]
    return out


def windowed_mean(values: Floats, span: Span) -> Floats:
    """Mean of what is known in the surroundings of each."""
    known = np.isfinite(values)
    total, count = np.zeros(len(values) + 1), np.zeros(len(values) + 1, dtype=np.int64)
    np.cumsum(np.where(known, values, 0.0), out=total[1:])
    np.cumsum(known, out=count[1:])
    low, high = span
    n = count[high] - count[low]
    mean = np.divide(total[high] - total[low], n, out=np.full(len(values), np.nan), where=n > 0)
    return np.asarray(np.round(mean, 6))  # free of what was summed before


def windows(values: Floats, reach: int) -> Floats:
    """Neighbours of each within `reach`, NaN beyond the ends; shape (n, 2 * reach + 1)."""
    padded = np.full(len(values) + 2 * reach, np.nan)
    padded[reach : reach + len(values)] = values
    return np.asarray(np.lib.stride_tricks.sliding_window_view(padded, 2 * reach + 1))


def _median_around(values: Floats) -> Floats:
    """Median of what is known within `AROUND` on both sides of each; 1 where nothing is known."""
    ordered = np.sort(windows(values, AROUND), axis=1)
    n_known = np.isfinite(ordered).sum(axis=1)
    middle = ordered[np.arange(len(values)), np.maximum(n_known - 1, 0) // 2]
    return np.where(n_known > 0, np.maximum(middle, 1e-3), 1.0)


def metre_trust(melody: Melody) -> Floats:
    """How closely the onsets around each note keep to a grid of the beat: 0 anywhere, 1 exactly; NaN without metre."""
    if not np.isfinite(melody.bar).any():
        return np.full(melody.n_notes, np.nan)
    best = np.zeros(melody.n_notes)
    span = melody.around(16)
    for parts in (1, 2, 3):
        turn = 2 * np.pi * parts * melody.onset_beat
        best = np.maximum(best, np.hypot(windowed_mean(np.cos(turn), span), windowed_mean(np.sin(turn), span)))
    return best


def features_of(melody: Melody) -> dict[str, Floats]:
    """Features of every gap by name; each of shape (n_notes,), row 0 means nothing."""
    n = melody.n_notes
    metred = bool(np.isfinite(melody.bar).any())
    clock = melody.onset_beat if metred else melody.onset_s
    gap_s = np.diff(melody.onset_s)
    last_s = max(float(melody.release_s[-1] - melody.onset_s[-1]), 1e-3)
    ioi_s = np.r_[np.maximum(gap_s, 1e-3), last_s]
    if metred:
        rate = ioi_s[-2] / max(clock[-1] - clock[-2], 1e-3) if n > 1 else 0.5
        ioi = np.r_[np.maximum(np.diff(clock), 1e-3), last_s / max(rate, 1e-3)]
    else:
        ioi = ioi_s
    reach_s = np.maximum.accumulate(melody.release_s)
    rest_s = np.r_[0.0, np.maximum(melody.onset_s[1:] - reach_s[:-1], 0.0)]  # before each note
    rest = rest_s / np.r_[1.0, ioi_s[:-1]]
    rest[rest_s < 0.06] = 0.0
    usual, usual_s = _median_around(ioi), _median_around(ioi_s)
    spans = {reach: melody.around(reach) for reach in (4, AROUND, 2 * AROUND, REACH)}
    out: dict[str, Floats] = {}
    log = np.log2(ioi)
    for j in range(-4, 4):
        out[f"length{j:+d}"] = np.clip(shifted(log, j) - np.log2(usual), -3, 3)
    before = shifted(ioi, -1)
    out["ratio_before"] = np.clip(shifted(log, -1) - shifted(log, -2), -3, 3)
    out["ratio_after"] = np.clip(shifted(log, -1) - log, -3, 3)
    for j in (-1, 0, 1):
        out[f"rest{j:+d}"] = np.clip(shifted(rest_s, j) / usual_s, 0, 8)
    out["rest_s"] = np.minimum(rest_s, 4.0)
    out["rest_share"] = rest
    out["rests_around"] = windowed_mean(np.where(rest > 0.2, 1.0, 0.0), spans[4])
    out["usual_s"] = np.clip(usual_s, 0.05, 2.0)
    out["length_s"] = np.clip(shifted(ioi_s, -1), 0.03, 6.0)
    with np.errstate(invalid="ignore"):
        for reach in (3, AROUND):
            near = windows(before, reach)
            known = np.isfinite(near)
            n_known = known.sum(axis=1).clip(1)
            out[f"shorter_{reach}"] = np.sum((near < 0.93 * before[:, None]) & known, axis=1) / n_known
            out[f"as_long_{reach}"] = np.sum((near > 0.93 * before[:, None]) & known, axis=1) / n_known
    out |= _since_as_long(before, clock, usual, spans[REACH])
    out |= _pitches(melody.pitch, ioi, spans)
    interval = np.abs(np.diff(melody.pitch))
    for window in (6, 16):
        if n > 1:
            strength = local_boundary_strength(interval, inter_onset=ioi[:-1], rest=rest[1:] * ioi[:-1], window=window)
            out[f"strength_{window}"] = np.r_[np.nan, strength]
        else:
            out[f"strength_{window}"] = np.full(n, np.nan)
    out |= _repeats(log, melody)
    out |= _since_rest(melody, rest_s, usual_s)
    out |= _metre(melody, ioi, spans)
    return out


def _since_as_long(before: Floats, clock: Floats, usual: Floats, span: Span) -> dict[str, Floats]:
    """How long since and until a note about as long as the one before the gap, in usual lengths and in notes."""
    out = {}
    for name, sign in (("since", -1), ("until", 1)):
        notes, at = _nearest_above(before, 0.9 * before, sign, span)
        out[f"{name}_as_long_notes"] = notes
        out[f"{name}_as_long"] = np.minimum(np.abs(clock - clock[at]) / usual, 64.0)
    return out


def _nearest_above(values: Floats, least: Floats, sign: int, span: Span) -> tuple[Floats, NDArray[np.int64]]:
    """How many places before (sign -1) or after the nearest value above `least` stands, and where.

    At most `REACH`, and within the surroundings of that reach.
    """
    near = windows(values, REACH - 1)[:, REACH:] if sign > 0 else windows(values, REACH - 1)[:, REACH - 2 :: -1]
    with np.errstate(invalid="ignore"):
        above = near > least[:, None]  # (n, REACH - 1)
    notes = np.where(above.any(axis=1), above.argmax(axis=1) + 1, REACH)
    low, high = span
    own = np.arange(len(values))
    notes = np.minimum(notes, np.maximum(high - 1 - own if sign > 0 else own - low, 1))
    at = np.clip(np.arange(len(values)) + sign * notes, 0, len(values) - 1)
    return notes.astype(np.float64), at


def _pitches(pitch: Floats, ioi: Floats, spans: dict[int, Span]) -> dict[str, Floats]:
    """Intervals around, height in the surroundings, and how well the two notes rest in the key."""
    n = len(pitch)
    out: dict[str, Floats] = {}
    interval = np.clip(pitch - shifted(pitch, -1), -12, 12)  # into each note
    for j in range(-3, 4):
        out[f"interval{j:+d}"] = shifted(interval, j)
    size = np.abs(interval)
    out["leap"] = size - windowed_mean(size, spans[AROUND])
    middle = windowed_mean(pitch, spans[2 * AROUND])
    out["height_before"] = np.clip(shifted(pitch, -1) - middle, -15, 15)
    out["height"] = np.clip(pitch - middle, -15, 15)
    classes = np.zeros((n, 12))
    classes[np.arange(n), pitch.astype(np.int64) % 12] = np.minimum(ioi, 4.0)
    total = np.vstack([np.zeros(12), np.cumsum(classes, axis=0)])
    low, high = spans[REACH]
    held = np.round(total[high] - total[low], 3)  # (n, 12)
    best = np.round(held @ _KEYS.T, 3).argmax(axis=1)
    now = _KEYS[best, pitch.astype(np.int64) % 12]
    last = np.r_[0, pitch[:-1].astype(np.int64) % 12]
    out["rests_in_key"] = _KEYS[best, last]
    out["starts_in_key"] = now
    return out


def _lagged(values: Floats, inside: NDArray[np.bool_]) -> NDArray[np.float32]:
    """How far each value is from those 3 to `REACH` places later, infinite where not `inside`; shape (n, REACH - 2)."""
    small = values.astype(np.float32)
    later = np.lib.stride_tricks.sliding_window_view(np.pad(small, (0, REACH)), REACH + 1)[:, 3:]
    return np.asarray(np.where(inside, np.abs(later - small[:, None]), np.float32(np.inf)))


def _within(melody: Melody) -> NDArray[np.bool_]:
    """Whether the notes 3 to `REACH` places later exist and begin within `REACH_S`; shape (n, REACH - 2)."""
    high = melody.around(REACH)[1]
    return np.asarray(np.arange(melody.n_notes)[:, None] + np.arange(3, REACH + 1) < high[:, None])


def _later_best(values: NDArray[np.float32]) -> NDArray[np.float32]:
    """Largest of the values that lead to each place; `values` of shape (n, REACH - 2) stand at the earlier place."""
    n = len(values)
    out = np.zeros(n, dtype=np.float32)
    for column, lag in enumerate(range(3, min(REACH + 1, n))):
        np.maximum(out[lag:], values[: n - lag, column], out=out[lag:])
    return out


def _repeats(log: Floats, melody: Melody) -> dict[str, Floats]:
    """Longest run of rhythm and of tune from each note on that is heard elsewhere too; the same for endings."""
    interval = np.r_[np.diff(melody.pitch), 0.0]
    step = np.r_[False, np.abs(np.diff(log)) > 0.3]  # a change of length makes a rhythm worth knowing
    weight = np.where(step, 1.0, 0.35).astype(np.float32)[:, None]
    inside = _within(melody)
    like = (_lagged(log, inside) < 0.25).astype(np.float32)  # (n, REACH - 2)
    same = like * (_lagged(interval, inside) < 0.5)
    out: dict[str, Floats] = {}
    for kind, match in (("rhythm", like), ("tune", same)):
        run = _run_ahead(match, weight)
        out[f"{kind}_back"] = _later_best(run).astype(np.float64)
        out[f"{kind}_ahead"] = run.max(axis=1).astype(np.float64)
    run = _run_ahead(like[::-1], weight[::-1])[::-1]
    out["ending_back"] = shifted(_later_best(run).astype(np.float64), -1)  # the ending before the gap
    out["ending_ahead"] = shifted(run.max(axis=1).astype(np.float64), -1)
    return out


def _run_ahead(match: NDArray[np.float32], weight: NDArray[np.float32]) -> NDArray[np.float32]:
    """Summed weight of the unbroken matches from each place on, at most eight of them; shape of `match`."""
    worth = match * weight
    total = worth.copy()
    for _ in range(7):
        total[:-1] = worth[:-1] + match[:-1] * total[1:]
    return total


def _since_rest(melody: Melody, rest_s: Floats, usual_s: Floats) -> dict[str, Floats]:
    """Notes, time and bars since the last sure beginning (the start, or a long rest) and until the next."""
    n = melody.n_notes
    sure = np.flatnonzero((rest_s > np.maximum(2.0 * usual_s, 0.8)) | (np.arange(n) == 0))
    at = np.arange(n)
    last = sure[np.searchsorted(sure, at, side="left") - 1]  # before this gap
    last[0] = 0
    ahead = np.append(sure, n)[np.searchsorted(sure, at, side="right")]
    ends_s = np.append(melody.onset_s, melody.release_s[-1])
    since_s, until_s = melody.onset_s - melody.onset_s[last], ends_s[ahead] - melody.onset_s
    near = (at - last <= SURE_NOTES) & (since_s <= SURE_S)
    close = (ahead - at <= SURE_NOTES) & (until_s <= SURE_S)
    out = {
        "notes_since_rest": np.where(near, at - last, np.nan),
        "notes_until_rest": np.where(close, ahead - at, np.nan),
        "time_since_rest": np.where(near, np.minimum(since_s / usual_s, 64), np.nan),
        "time_until_rest": np.where(close, np.minimum(until_s / usual_s, 64), np.nan),
    }
    bars = np.where(near, np.round(melody.bar - melody.bar[last], 3), np.nan)
    out["bars_since_rest"] = bars
    for length in (1, 2, 4):
        turn = np.mod(bars + 0.02, length)
        out[f"off_{length}_bars"] = np.minimum(turn, length - turn)
    return out


def _metre(melody: Melody, ioi: Floats, spans: dict[int, Span]) -> dict[str, Floats]:
    """Where in the bar the note and the one before begin, and how long the bar is."""
    place = np.mod(melody.bar + 1e-3, 1.0)
    beats = melody.bar_beats
    out = {
        "place": place,
        "place_before": shifted(place, -1),
        "to_downbeat": np.mod(-melody.bar + 1e-3, 1.0) * beats,
        "bar_beats": beats,
        "bar_s": _bar_s(melody),
        "length_bars": np.clip(shifted(ioi, -1) / beats, 0, 4),
        "crosses_bar": np.floor(melody.bar + 0.01) - np.floor(shifted(melody.bar, -1) + 0.01),
    }
    on = np.where(np.isfinite(place), (place < 0.02) * 1.0, np.nan)
    out["on_downbeat"] = on
    mean = windowed_mean(ioi, spans[AROUND])
    out["bar_notes"] = beats / np.maximum(mean, 1e-3)
    turn = 2 * np.pi * np.where(ioi > 1.4 * mean, place, np.nan)
    out["long_gather"] = np.hypot(windowed_mean(np.cos(turn), spans[REACH]), windowed_mean(np.sin(turn), spans[REACH]))
    return out


def _bar_s(melody: Melody) -> Floats:
    """Seconds a bar lasts around each note."""
    span_s = shifted(melody.onset_s, AROUND) - melody.onset_s
    span = shifted(melody.bar, AROUND) - melody.bar
    with np.errstate(invalid="ignore", divide="ignore"):
        bar_s = np.where(span > 0, span_s / span, np.nan)
    return np.clip(bar_s, 0.2, 12.0)


def context_of(melody: Melody, first: Floats) -> dict[str, Floats]:
    """What the second stage sees of the first stage's probabilities `first`, (n_notes,)."""
    first = first.copy()
    first[0] = np.nan
    out: dict[str, Floats] = {f"first{j:+d}": shifted(first, j) for j in range(-4, 5)}
    with np.errstate(invalid="ignore"):
        for reach in (4, 12):
            near = windows(first, reach)
            known = np.isfinite(near)
            out[f"clearer_{reach}"] = np.sum((near > first[:, None]) & known, axis=1).astype(np.float64)
            out[f"mean_{reach}"] = windowed_mean(first, melody.around(reach))
    clock = melody.onset_beat if np.isfinite(melody.bar).any() else melody.onset_s
    usual = _median_around(np.diff(clock, append=np.nan))
    for name, sign in (("since", -1), ("until", 1)):
        notes, at = _nearest_above(first, np.maximum(0.8 * first, 0.3), sign, melody.around(REACH))
        out[f"{name}_clear_notes"] = notes
        out[f"{name}_clear"] = np.minimum(np.abs(clock - clock[at]) / usual, 64.0)
        out[f"{name}_clear_bars"] = np.minimum(np.abs(melody.bar - melody.bar[at]), 16.0)
    out["even_spans"] = np.abs(np.log2((out["since_clear"] + 0.5) / (out["until_clear"] + 0.5)))
    out |= _alike(np.log2(np.maximum(np.diff(clock, append=clock[-1] + 1.0), 1e-3)), first, _within(melody))
    out |= _same_place(melody, first)
    return out


def _alike(log: Floats, first: Floats, inside: NDArray[np.bool_]) -> dict[str, Floats]:
    """Mean first-stage probability at places in like rhythm within `REACH` notes, and the highest of them."""
    n = len(log)
    apart = np.zeros((n, REACH - 2), dtype=np.float32)
    one = np.minimum(_lagged(log, inside), 1.0)
    for j in (-2, -1, 0, 1, 2):
        low, high = max(-j, 0), n - max(j, 0)
        moved = np.full_like(apart, 0.5)
        if high > low:
            moved[low:high] = one[low + j : high + j]
        apart += moved
    near = np.exp(-4.0 * apart) * inside  # (n, REACH - 2)
    p = np.nan_to_num(first, nan=0.9).astype(np.float32)
    later = np.lib.stride_tricks.sliding_window_view(np.pad(p, (0, REACH)), REACH + 1)[:, 3:]
    ahead = near * later
    total, weight, top = ahead.sum(axis=1), near.sum(axis=1), ahead.max(axis=1)
    for column, lag in enumerate(range(3, min(REACH + 1, n))):
        back = near[: n - lag, column]
        total[lag:] += back * p[: n - lag]
        weight[lag:] += back
        np.maximum(top[lag:], back * p[: n - lag], out=top[lag:])
    mean = np.divide(total, weight, out=np.full(n, np.nan, dtype=np.float32), where=weight > 0.05)
    return {
        "alike_mean": mean.astype(np.float64),
        "alike_weight": np.minimum(weight, 12.0).astype(np.float64),
        "alike_top": top.astype(np.float64),
    }


def _same_place(melody: Melody, first: Floats) -> dict[str, Floats]:
    """First-stage probability at the same place of other bars: all, those an even number away, and every fourth."""
    bar, n = melody.bar, melody.n_notes
    names = ("place_1", "place_2", "place_4", "place_share")
    known = np.isfinite(bar)
    if not known.any():
        return {name: np.full(n, np.nan) for name in names}
    step = np.where(known, np.rint(np.nan_to_num(bar) * BAR_STEPS), 0).astype(np.int64)
    low = step.min()
    margin = FAR_BARS * BAR_STEPS
    grid = np.zeros(step.max() - low + 2 * margin + 1)
    at = step - low + margin
    p = np.nan_to_num(first, nan=0.9)
    np.maximum.at(grid, at, p)
    sums = {1: np.zeros(n), 2: np.zeros(n), 4: np.zeros(n)}
    far = np.nan_to_num(np.clip(np.floor(REACH_S / _bar_s(melody)), 1, FAR_BARS), nan=1.0)
    for away in range(1, FAR_BARS + 1):
        for sign in (-1, 1):
            value = np.where(away <= far, grid[at + sign * away * BAR_STEPS], 0.0)
            for every in sums:
                if away % every == 0:
                    sums[every] += value
    inside = np.minimum(bar - bar.min(), far) + np.minimum(bar.max() - bar, far)
    out = {f"place_{every}": sums[every] / np.maximum(inside / every, 1.0) for every in sums}
    around = windowed_mean(p, melody.around(REACH))
    out["place_share"] = out["place_1"] / np.maximum(around, 0.02)
    return out
