"""What the personal layer sees of a moment: columns for trees, and smooth columns for a linear head.

All columns have local support: the attack and its neighbours, its phrase, four bars, eight seconds around. Pitch is
measured from the middle of the instrument's range and from what was played around, never from the cue's mean, so that
editing bar 60 leaves bar 10 alone. Seconds unless said otherwise; which columns is common practice, no source.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from phrasewright.data.cue import FAMILIES, PASSAGE_KINDS
from phrasewright.data.curves import LANES
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


def moments_of(hearing: CueHearing, index: int, frames: Ints, *, rules_cc: Array, smooth: bool = True) -> Moments:
    """The columns at frames of the 10 ms grid. The part has at least one attack.

    Parameters
    ----------
    rules_cc : float array, (n_frames, 3)
        What the rules say there, without anything drawn by chance, steps.
    smooth : bool
        Without it `basis` has no columns: they take longer than the others.
    """
    a, t = hearing.parts[index].attacks, np.asarray(frames * FRAME_S, dtype=np.float64)
    at = np.clip(np.searchsorted(a.onset_s, t + 1e-9, side="right") - 1, 0, None)
    own = _of_attacks(hearing, index)
    seen = dict(zip(own, np.stack(list(own.values())).take(at, axis=1), strict=True))
    seen |= _of_frames(hearing, index, t, at, seen)
    seen |= {f"rules_{lane}": rules_cc[:, k] for k, lane in enumerate(LANES)}
    raw = np.empty((len(t), len(RAW)), dtype=np.float32)
    for k, name in enumerate(RAW):
        raw[:, k] = seen[name]
    basis = _smooth_columns(seen) if smooth else np.zeros((len(t), 0), dtype=np.float32)
    return Moments(raw, basis, a.role[at].astype(np.int64))


def _of_attacks(hearing: CueHearing, index: int) -> dict[str, Array]:
    """Columns that stay through a note, by name, each (n_attacks,); names that are not in RAW are for others."""
    part, tempo = hearing.parts[index], hearing.cue.tempo
    a, instrument = part.attacks, part.part.instrument
    n = a.n_attacks
    pitch = (a.pitch - (instrument.low + instrument.high) / 2.0).astype(np.float64)
    length = np.maximum(a.end_s - a.onset_s, 0.01)
    reach = np.maximum.accumulate(a.release_s)
    gap = np.maximum(np.r_[1.0, a.onset_s[1:] - reach[:-1]], 0.0)
    gap_after = np.r_[gap[1:], 4.0]
    step = np.diff(pitch, prepend=np.nan)
    run, run_start, run_end = _groups(a.onset_s, reach, gap[1:] >= REST_S)
    # groups end at rests and after long notes, another way of hearing phrases than the project's own
    ends = (gap[1:] >= REST_S) | (length[:-1] > LONG_NOTE * _local_mean(length)[:-1])
    _, group_start, group_end = _groups(a.onset_s, reach, ends)
    columns = dict(zip(ATTACK_FEATURES, attack_features(hearing, index).T.astype(np.float64), strict=True))
    entry_bar = tempo.tick_to_bar(tempo.s_to_tick(run_start)) - 1.0 if tempo.has_metre else run_start / 2.0
    joined, repeated = a.joined & (gap < 0.1), a.repeated & a.joined & (gap < 0.1)
    log_length = np.log(np.clip(length, 0.05, 8.0))
    in_steps = np.nan_to_num(step) / 5.0
    every: dict[str, Any] = {
        "onset": a.onset_s, "end": a.end_s, "next_onset": np.r_[a.onset_s[1:], a.end_s[-1] + 10.0],
        "last_onset": np.r_[a.onset_s[:1], a.onset_s[:-1]], "peak": _peak_at(pitch, a.onset_s, a.phrase),
        "phrase_start": np.array([p.start_s for p in part.phrases])[a.phrase],
        "phrase_end": np.array([p.end_s for p in part.phrases])[a.phrase],
        "run_start": run_start, "run_end": run_end, "group_start": group_start, "group_end": group_end,
        "entry_bar": entry_bar, "entry_bar_line": np.floor(entry_bar + 1e-6),
        "log_length": log_length, "log_next": np.log(np.clip(np.r_[length[1:], 1.0], 0.05, 8.0)),
        "entry": gap >= REST_S, "rest_next": gap_after >= REST_S,
        "sharp": np.isin(a.event, (EVENTS.index("accent"), EVENTS.index("sforzando"))),
        "leap": np.clip(np.abs(in_steps), 0.0, 2.0), "up": np.clip(in_steps, -2.0, 2.0),
        "note": length, "gap_before": np.minimum(gap, 4.0), "rest_after": np.minimum(gap_after, 4.0),
        "previous": np.r_[np.nan, length[:-1]], "next": np.r_[length[1:], np.nan],
        "pitch": pitch, "pitch_local": pitch - _smooth(a.onset_s, pitch, a.onset_s, width_s=LOCAL_S),
        "pitch_step": step, "pitch_next": np.r_[step[1:], np.nan],
        "pitch_phrase_s": pitch - _mean_by(pitch, length, a.phrase), "joined": joined, "repeated": repeated,
        "next_joined": np.r_[joined[1:], False], "next_repeated": np.r_[repeated[1:], False],
        "role": a.role, "figure": a.figure, "event": a.event, "passage": a.passage,
        "family": np.full(n, FAMILIES.index(part.part.family)), "solo": np.full(n, instrument.solo),
        "above_run": _mean_by(columns["others_above"], length, run),
        "above_phrase": _mean_by(columns["others_above"], length, a.phrase),
        **{name: columns[name] for name in _FROM_ATTACKS},
    }  # fmt: skip
    return {name: np.asarray(column, dtype=np.float64) for name, column in every.items()}


def _of_frames(hearing: CueHearing, index: int, t: Array, at: Ints, seen: Mapping[str, Array]) -> dict[str, Array]:
    """Columns that move with time, by name, each (n_frames,); `seen` are those of the attack of each frame."""
    a, tempo, instrument = hearing.parts[index].attacks, hearing.cue.tempo, hearing.parts[index].part.instrument
    pitch = (a.pitch - (instrument.low + instrument.high) / 2.0).astype(np.float64)
    length = np.maximum(a.end_s - a.onset_s, 0.01)

    def line(width_s: float, *, later_s: float = 0.0) -> Array:
        return _smooth(a.onset_s, pitch, t + later_s, width_s=width_s)

    half, one, two, four, local = (line(width_s) for width_s in (0.5, 1.0, 2.0, 4.0, LOCAL_S))
    late = line(0.6, later_s=-0.2)
    bar = tempo.tick_to_bar(tempo.s_to_tick(t)) - 1.0 if tempo.has_metre else t / 2.0
    beat, exactly = tempo.s_to_beat(t), np.maximum(bar - seen["entry_bar"], 0.0)  # bars since the entry itself
    since = t - seen["onset"]
    out = {
        "since_onset": since, "to_end": seen["end"] - t, "note_share": np.clip(since / seen["note"], 0.0, 1.0),
        "to_next": np.minimum(seen["next_onset"] - t, 10.0),
        "smooth_half": half - local, "smooth_one": one, "smooth_two": two - local, "smooth_four": four,
        "smooth_before": late - local, "half_four": half - four, "one_local": one - local, "late_four": late - four,
        "climb": line(0.6, later_s=0.15) - line(0.6, later_s=-0.15),
        "climb_slow": line(1.0, later_s=0.5) - line(1.0, later_s=-0.5),
        "since_peak": t - seen["peak"], "since_two": t - seen["last_onset"],
        "bar": bar, "beats": beat, "counted": np.maximum(bar - seen["entry_bar_line"], 0.0),
        "in_one_bar": np.mod(bar, 1.0), "in_two_bars": np.mod(bar, 2.0), "in_four_bars": np.mod(bar, 4.0),
        "beat": np.mod(beat, 1.0), "beat_length": tempo.beat_length_s(t), "bars_since_entry": exactly,
        "counted_one": np.mod(exactly, 1.0), "counted_two": np.mod(exactly, 2.0), "counted_four": np.mod(exactly, 4.0),
        "quick": _smooth(a.onset_s, 1.0 / np.sqrt(length + 0.1), t, width_s=4.0),
    }  # fmt: skip
    for span in ("phrase", "run", "group"):
        start, end = seen[f"{span}_start"], seen[f"{span}_end"]
        out[span] = np.maximum(end - start, 0.05)
        out[f"{span}_share"] = np.clip((t - start) / out[span], 0.0, 1.0)
        out[f"since_{span}"], out[f"to_{span}_end"] = np.maximum(t - start, 0.0), np.maximum(end - t, 0.0)
    return out


def _smooth_columns(seen: Mapping[str, Array]) -> NDArray[np.float32]:
    """The columns of the linear head, (n_frames, N_BASIS)."""
    s, u = np.maximum(seen["since_onset"], 0.0), np.maximum(seen["to_next"], 0.0)
    above, one, n = seen["above_run"], np.ones(len(s)), len(s)

    def rows(*names: str) -> list[Array]:
        return [seen[name] for name in names]

    def products(these: Array, those: Sequence[Array]) -> NDArray[np.float32]:
        """Each of these (k, n_frames) with each of those."""
        one, other = these.astype(np.float32), np.stack(those, dtype=np.float32, casting="same_kind")
        return np.asarray((one[:, None] * other).reshape(-1, n))

    def kinds(name: str, numbers: range) -> Array:
        return np.stack([seen[name] == k for k in numbers])

    noted = rows("joined", "repeated", "entry", "log_length", "sharp", "leap", "up", "phrase_share")
    coming = rows("next_joined", "next_repeated", "rest_next", "log_length", "log_next")
    here, there = ([*rows(f"{next_}joined", f"{next_}repeated"), seen[f"{next_}joined"] * seen[length]]
                   for next_, length in (("", "log_length"), ("next_", "log_next")))  # fmt: skip
    blocks = [
        products(_fading(s, _AFTER_S), [one, *noted, seen["pitch_local"] / 5.0, above]),
        products(_fading(u, _BEFORE_S), [one, *coming]),
        products(_fading(s, _BELL_S, power=2), here) + products(_fading(u, _BELL_S, power=2), there),
        products(np.minimum(s / np.array((0.1, 0.3, 0.8))[:, None], 1.0), [one, above]),
    ]
    log_of = {name: np.log(seen[name]) for name in ("phrase", "run", "group")} | {"note": seen["log_length"]}
    for name in ("note", "phrase", "run", "group"):
        place, size = seen[f"{name}_share"], log_of[name]
        x = 2.0 * place - 1.0
        powers = np.stack([x, x**2, x**3, x**4, np.sin(np.pi * place), np.sin(2 * np.pi * place)])
        blocks += [products(powers, [one, size, above]), np.stack([size, size**2])]
    peak, climb = seen["since_peak"], np.tanh(seen["climb"])
    blocks.append(np.stack([
        np.minimum(s, 3.0), np.minimum(s, 3.0) ** 2, np.exp(-seen["since_phrase"]), np.exp(-seen["to_phrase_end"]),
        np.exp(-seen["since_run"]), np.exp(-seen["to_run_end"]), np.exp(-seen["to_run_end"] / 3.0),
        np.exp(-(peak**2) / 0.5), np.exp(-(peak**2) / 4.0), np.tanh(peak), np.tanh(peak / 4.0),
    ]))  # fmt: skip
    for name in ("half_four", "one_local", "late_four", "pitch_local"):
        blocks.append(np.stack([seen[name] / 5.0, np.tanh(seen[name] / 3.0), seen[name] / 5.0 * above]))
    height, line, quick = seen["pitch"] / 12.0, seen["smooth_four"] / 12.0, seen["quick"]
    blocks.append(np.stack([
        height, height**2, seen["smooth_one"] / 12.0, line, seen["pitch_phrase_s"] / 5.0, climb,
        np.tanh(seen["climb_slow"] / 3.0), np.abs(climb), np.exp(-np.abs(seen["climb"]) / 2.0),
    ]))  # fmt: skip
    bar, beat, exactly, counted = rows("bar", "beats", "bars_since_entry", "counted")
    for turn in (bar, bar / 2.0, beat, exactly, exactly / 2.0, exactly / 4.0, counted / 2.0):
        wave = [np.sin(2 * np.pi * turn), np.cos(2 * np.pi * turn)]
        blocks.append(products(np.stack([one, line, quick - 1.2]), wave))
    told = ("velocity", "others_sounding", "others_busy", "joined", "repeated", "entry", "leap", "up")
    rules = [(seen[f"rules_{lane}"] - 72.0) / 24.0 for lane in LANES]
    blocks += [
        np.stack([quick, quick**2, above, seen["above_phrase"], above < 0.15, *rows(*told), seen["log_length"] ** 2]),
        kinds("role", range(len(ROLES))), kinds("figure", range(len(FIGURES))), kinds("event", range(1, len(EVENTS))),
        kinds("passage", range(len(PASSAGE_KINDS))), kinds("family", range(len(FAMILIES))), np.stack(rules),
    ]  # fmt: skip
    return np.concatenate(blocks, dtype=np.float32, casting="unsafe").T


def _fading(seconds: Array, widths_s: Sequence[float], *, power: int = 1) -> Array:
    """How far each width has faded after some seconds, (n_widths, n_frames)."""
    return np.asarray(np.exp(-((seconds / np.array(widths_s)[:, None]) ** power)))


def _groups(onset_s: Array, reach_s: Array, ends: NDArray[np.bool_]) -> tuple[Ints, Array, Array]:
    """Number, start and end of the group of each attack, where `ends` (n_attacks - 1,) tells which end one."""
    first = np.flatnonzero(np.r_[True, ends])
    group = np.asarray(np.cumsum(np.r_[False, ends]), dtype=np.int64)
    return group, onset_s[first][group], reach_s[np.r_[first[1:] - 1, len(onset_s) - 1]][group]


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
