"""What the personal layer sees of a moment: columns for trees, and smooth columns for a linear head.

All columns have local support: the attack and its neighbours, its phrase, four bars, eight seconds around. Pitch is
measured from the middle of the instrument's range and from what was played around, never from the cue's mean, so that
editing bar 60 leaves bar 10 alone. Seconds unless said otherwise; which columns is common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from phrasewright.data.cue import FAMILIES, PASSAGE_KINDS
from phrasewright.model.features import ATTACK_FEATURES, attack_features
from phrasewright.model.hearing import EVENTS, FIGURES, ROLES, CueHearing
from phrasewright.model.lanes import FRAME_S

Array = NDArray[np.float64]
Ints = NDArray[np.int64]

REST_S = 0.25
LONG_NOTE = 1.6
"""A note so many times as long as those around ends a group (our choice)."""
LOCAL_S = 8.0
FEATURE_VERSION = 2
"""To be raised with every change of columns: styles learned with others are then learned anew from the log."""

_FROM_ATTACKS = (
    *("others_sounding", "others_busy", "others_together", "others_above", "gesture_length", "gesture_since"),
    *("gesture_climb", "gesture_metre", "pitch_phrase", "below_phrase_top"),
    *("renewed", "velocity", "n_notes", "phrase_attacks"),
)
RAW = (
    *("since_onset", "to_end", "note", "note_share", "to_next", "gap_before", "rest_after", "previous", "next"),
    *("pitch", "pitch_local", "pitch_step", "pitch_next", "pitch_phrase_s", "smooth_half", "smooth_one", "smooth_two"),
    *("smooth_four", "smooth_before", "climb", "climb_slow", "phrase_share", "phrase", "since_phrase", "to_phrase_end"),
    *("run_share", "run", "since_run", "to_run_end", "since_peak", "since_two", "in_one_bar", "in_two_bars"),
    *("in_four_bars", "beat", "beat_length", "joined", "repeated", "next_joined", "next_repeated", "role", "figure"),
    *("event", "passage", "family", "solo", "above_run", "above_phrase", "rules_dynamics", "rules_expression"),
    "rules_vibrato",
    *("group_share", "group", "since_group", "to_group_end", "bars_since_entry", "counted_one", "counted_two"),
    *("counted_four", "quick"),
    *_FROM_ATTACKS,
)
"""Columns the trees see."""

N_BASIS = 313
"""Smooth columns the linear head sees."""
_AFTER_S = (0.05, 0.12, 0.25, 0.5, 1.0, 2.0)
_BEFORE_S = (0.03, 0.07, 0.15, 0.3, 0.8)
_BELL_S = (0.03, 0.06, 0.1, 0.16)


@dataclass(frozen=True)
class Moments:
    """Columns at frames of one part: `raw` (n_frames, len(RAW)) and `basis` (n_frames, n_basis), both float32.

    `role` (n_frames,) is the index into ROLES, for the evidence. `deep` is the evidence network's view, (n_frames,
    n_deep), where it was asked.
    """

    raw: NDArray[np.float32]
    basis: NDArray[np.float32]
    role: Ints
    deep: NDArray[np.float32] | None = None


def moments_of(hearing: CueHearing, index: int, frames: Ints, *, rules_cc: Array) -> Moments:
    """The columns at frames of the 10 ms grid. The part has at least one attack.

    Parameters
    ----------
    rules_cc : float array, (n_frames, 3)
        What the rules say there, without anything drawn by chance, steps.
    """
    part, tempo = hearing.parts[index], hearing.cue.tempo
    a, instrument = part.attacks, part.part.instrument
    t = np.asarray(frames * FRAME_S, dtype=np.float64)
    at = np.clip(np.searchsorted(a.onset_s, t + 1e-9, side="right") - 1, 0, None)
    n = a.n_attacks
    pitch = (a.pitch - (instrument.low + instrument.high) / 2.0).astype(np.float64)
    length = np.maximum(a.end_s - a.onset_s, 0.01)
    reach = np.maximum.accumulate(a.release_s)
    gap = np.maximum(np.r_[1.0, a.onset_s[1:] - reach[:-1]], 0.0)
    gap_after = np.r_[gap[1:], 4.0]
    to_next_at = np.r_[a.onset_s[1:], a.end_s[-1] + 10.0]
    since, to_end, to_next = t - a.onset_s[at], a.end_s[at] - t, np.minimum(to_next_at[at] - t, 10.0)
    share = np.clip(since / length[at], 0.0, 1.0)
    step = np.r_[0.0, np.diff(pitch)]
    after = np.r_[np.diff(pitch), 0.0]
    local = _smooth(a.onset_s, pitch, a.onset_s, width_s=LOCAL_S)
    smooth = {width: _smooth(a.onset_s, pitch, t, width_s=width) for width in (0.5, 1.0, 2.0, 4.0, LOCAL_S)}
    late = _smooth(a.onset_s, pitch, t - 0.2, width_s=0.6)
    climb = _smooth(a.onset_s, pitch, t + 0.15, width_s=0.6) - _smooth(a.onset_s, pitch, t - 0.15, width_s=0.6)
    climb_slow = _smooth(a.onset_s, pitch, t + 0.5, width_s=1.0) - _smooth(a.onset_s, pitch, t - 0.5, width_s=1.0)

    phrase_start = np.array([p.start_s for p in part.phrases])
    phrase_end = np.array([p.end_s for p in part.phrases])
    p = a.phrase[at]
    in_phrase = _within(t, phrase_start[p], phrase_end[p])
    first = np.flatnonzero(np.r_[True, gap[1:] >= REST_S])
    run_start, run_end = a.onset_s[first], reach[np.r_[first[1:] - 1, n - 1]]
    run_of = np.searchsorted(first, np.arange(n), side="right") - 1
    in_run = _within(t, run_start[run_of[at]], run_end[run_of[at]])
    # groups end at rests and after long notes, another way of hearing phrases than the project's own
    usual = _local_mean(length)
    group_first = np.flatnonzero(np.r_[True, (gap[1:] >= REST_S) | (length[:-1] > LONG_NOTE * usual[:-1])])
    group_of = np.searchsorted(group_first, np.arange(n), side="right") - 1
    group_start, group_end = a.onset_s[group_first], reach[np.r_[group_first[1:] - 1, n - 1]]
    in_group = _within(t, group_start[group_of[at]], group_end[group_of[at]])
    quick = _smooth(a.onset_s, 1.0 / np.sqrt(length + 0.1), t, width_s=4.0)
    mean_phrase = _mean_by(pitch, length, a.phrase)
    peak_at = _peak_at(pitch, a.onset_s, a.phrase)

    columns = dict(zip(ATTACK_FEATURES, attack_features(hearing, index).T.astype(np.float64), strict=True))
    above_run = _mean_by(columns["others_above"], length, run_of)
    above_phrase = _mean_by(columns["others_above"], length, a.phrase)
    bar = tempo.tick_to_bar(tempo.s_to_tick(t)) - 1.0 if tempo.has_metre else t / 2.0
    beat = tempo.s_to_beat(t)
    begun = run_start[run_of[at]]
    first_bar = tempo.tick_to_bar(tempo.s_to_tick(begun)) - 1.0 if tempo.has_metre else begun / 2.0
    counted = np.maximum(bar - np.floor(first_bar + 1e-6), 0.0)  # bars since the bar of the entry
    exactly = np.maximum(bar - first_bar, 0.0)  # bars since the entry itself
    family = FAMILIES.index(part.part.family)
    joined, repeated = a.joined & (gap < 0.1), a.repeated & a.joined & (gap < 0.1)
    next_joined, next_repeated = np.r_[joined[1:], False], np.r_[repeated[1:], False]
    raw = (
        since, to_end, length[at], share, to_next, np.minimum(gap, 4.0)[at], np.minimum(gap_after, 4.0)[at],
        np.r_[np.nan, length[:-1]][at], np.r_[length[1:], np.nan][at],
        pitch[at], (pitch - local)[at], np.r_[np.nan, step[1:]][at], np.r_[after[:-1], np.nan][at],
        (pitch - mean_phrase)[at], smooth[0.5] - smooth[LOCAL_S], smooth[1.0], smooth[2.0] - smooth[LOCAL_S],
        smooth[4.0], late - smooth[LOCAL_S], climb, climb_slow,
        in_phrase[0], in_phrase[1], in_phrase[2], in_phrase[3], in_run[0], in_run[1], in_run[2], in_run[3],
        t - peak_at[at], t - np.r_[a.onset_s[:1], a.onset_s[:-1]][at],
        np.mod(bar, 1.0), np.mod(bar, 2.0), np.mod(bar, 4.0), np.mod(beat, 1.0), tempo.beat_length_s(t),
        joined[at], repeated[at], next_joined[at], next_repeated[at], a.role[at], a.figure[at], a.event[at],
        a.passage[at], np.full(len(t), family), np.full(len(t), instrument.solo), above_run[at], above_phrase[at],
        *rules_cc.T, *in_group, exactly, np.mod(exactly, 1.0), np.mod(exactly, 2.0), np.mod(exactly, 4.0), quick,
        *(columns[name][at] for name in _FROM_ATTACKS),
    )  # fmt: skip

    log_length, log_next = np.log(np.clip(length, 0.05, 8.0)), np.log(np.clip(np.r_[length[1:], 1.0], 0.05, 8.0))
    s, u = np.maximum(since, 0.0), np.maximum(to_next, 0.0)
    rest_next = (gap_after >= REST_S).astype(np.float64)
    entry = (gap >= REST_S).astype(np.float64)
    sharp = np.isin(a.event, (EVENTS.index("accent"), EVENTS.index("sforzando"))).astype(np.float64)
    leap = np.clip(np.abs(step) / 5.0, 0.0, 2.0)
    up = np.clip(step / 5.0, -2.0, 2.0)
    above = above_run[at]
    blocks: list[Array] = []

    def add(*some: NDArray[Any]) -> None:
        blocks.extend(np.asarray(one, dtype=np.float64) for one in some)

    for c in _AFTER_S:
        fade = np.exp(-s / c)
        add(fade, *(fade * m[at] for m in (joined, repeated, entry, log_length, sharp, leap, up)))
        add(fade * in_phrase[0], fade * (pitch - local)[at] / 5.0, fade * above)
    for c in _BEFORE_S:
        fade = np.exp(-u / c)
        add(fade, *(fade * m[at] for m in (next_joined, next_repeated, rest_next, log_length, log_next)))
    for w in _BELL_S:
        here, there = np.exp(-((s / w) ** 2)), np.exp(-((u / w) ** 2))
        add(here * joined[at] + there * next_joined[at], here * repeated[at] + there * next_repeated[at])
        add(here * (joined * log_length)[at] + there * (next_joined * log_next)[at])
    for c in (0.1, 0.3, 0.8):
        add(np.minimum(s / c, 1.0), np.minimum(s / c, 1.0) * above)
    sized = (
        (share, log_length[at]), (in_phrase[0], np.log(in_phrase[1])), (in_run[0], np.log(in_run[1])),
        (in_group[0], np.log(in_group[1])),
    )  # fmt: skip
    for place, size in sized:
        x = 2.0 * place - 1.0
        for power in (x, x**2, x**3, x**4, np.sin(np.pi * place), np.sin(2 * np.pi * place)):
            add(power, power * size, power * above)
        add(size, size**2)
    add(np.minimum(s, 3.0), np.minimum(s, 3.0) ** 2, np.exp(-in_phrase[2]), np.exp(-in_phrase[3]))
    add(np.exp(-in_run[2]), np.exp(-in_run[3]), np.exp(-in_run[3] / 3.0))
    since_peak = t - peak_at[at]
    add(np.exp(-(since_peak**2) / 0.5), np.exp(-(since_peak**2) / 4.0), np.tanh(since_peak), np.tanh(since_peak / 4.0))
    for rel in (smooth[0.5] - smooth[4.0], smooth[1.0] - smooth[LOCAL_S], late - smooth[4.0], (pitch - local)[at]):
        add(rel / 5.0, np.tanh(rel / 3.0), rel / 5.0 * above)
    add(pitch[at] / 12.0, (pitch[at] / 12.0) ** 2, smooth[1.0] / 12.0, smooth[4.0] / 12.0)
    add((pitch - mean_phrase)[at] / 5.0)
    add(np.tanh(climb), np.tanh(climb_slow / 3.0), np.abs(np.tanh(climb)), np.exp(-np.abs(climb) / 2.0))
    for turn in (bar, bar / 2.0, beat, exactly, exactly / 2.0, exactly / 4.0, counted / 2.0):
        wave = np.sin(2 * np.pi * turn), np.cos(2 * np.pi * turn)
        add(*wave, *(one * smooth[4.0] / 12.0 for one in wave), *(one * (quick - 1.2) for one in wave))
    add(quick, quick**2)
    add(above, above_phrase[at], (above < 0.15) * 1.0, columns["velocity"][at], columns["others_sounding"][at])
    add(columns["others_busy"][at], joined[at], repeated[at], entry[at], leap[at], up[at], log_length[at] ** 2)
    add(*(1.0 * (a.role[at] == k) for k in range(len(ROLES))))
    add(*(1.0 * (a.figure[at] == k) for k in range(len(FIGURES))))
    add(*(1.0 * (a.event[at] == k) for k in range(1, len(EVENTS))))
    add(*(1.0 * (a.passage[at] == k) for k in range(len(PASSAGE_KINDS))))
    add(*(np.full(len(t), 1.0 * (family == k)) for k in range(len(FAMILIES))), *((rules_cc - 72.0).T / 24.0))
    return Moments(
        raw=np.stack([np.asarray(column, dtype=np.float32) for column in raw], axis=1),
        basis=np.stack([block.astype(np.float32) for block in blocks], axis=1),
        role=a.role[at].astype(np.int64),
    )


def _within(t: Array, start: Array, end: Array) -> tuple[Array, Array, Array, Array]:
    """Share, length, seconds since the start and to the end of a stretch."""
    length = np.maximum(end - start, 0.05)
    return np.clip((t - start) / length, 0.0, 1.0), length, np.maximum(t - start, 0.0), np.maximum(end - t, 0.0)


def _mean_by(value: Array, weight: Array, group: Ints) -> Array:
    """Weighted mean of each value's group, shape of `value`."""
    total = np.bincount(group, weight)
    return np.asarray((np.bincount(group, value * weight) / np.maximum(total, 1e-9))[group])


def _local_mean(value: Array) -> Array:
    """Mean over four attacks to either side, fewer at the ends."""
    total = np.r_[0.0, np.cumsum(value)]
    low = np.maximum(np.arange(len(value)) - 4, 0)
    high = np.minimum(np.arange(len(value)) + 5, len(value))
    return np.asarray((total[high] - total[low]) / (high - low))


def _peak_at(pitch: Array, onset_s: Array, group: Ints) -> Array:
    """Onset of the highest note of each note's phrase, the first of equals, shape of `pitch`."""
    order = np.lexsort((onset_s, -pitch, group))
    named, first = np.unique(group[order], return_index=True)
    return np.asarray(onset_s[order[first]][np.searchsorted(named, group)])


def _smooth(onset_s: Array, pitch: Array, time_s: Array, *, width_s: float) -> Array:
    """Mean over the window around each time of the pitch begun last, exactly; shape of `time_s`."""
    last_s = max(float(onset_s[-1]), float(time_s.max(initial=0.0)))
    knots = np.r_[min(float(onset_s[0]), 0.0) - width_s - 1.0, onset_s[1:], last_s + width_s + 1.0]
    total = np.r_[0.0, np.cumsum(pitch * np.diff(knots))]
    ahead = np.interp(time_s + width_s / 2.0, knots, total)
    return np.asarray((ahead - np.interp(time_s - width_s / 2.0, knots, total)) / width_s)
