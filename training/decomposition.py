"""What the hand did to a first pass: whether anything at all; level, depth, timing and the rest; and in words.

Balance is not style: a lane moved up or down says something of the cue, not of the hand's shapes. So every correction
is split into a level offset, a gain about the phrase's mean (depth), a lag, and what these do not explain.

A sequencer that saves a file may thin a lane and move its events by a few ticks; within such bounds nothing was
corrected.

What a hand does otherwise than the shipped model is told by medians of these over phrases, and joins and repeats by how
deep a lane dips there (ratios of means), with 95 % intervals drawn by phrase. Only what its interval sets apart from
nothing is put in words.

Units: controller steps, seconds; frames of 10 ms. Figures are common practice without a source.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from phrasewright.data.corrections import Correction, LoggedCorrection
from phrasewright.data.curves import ALL_LANES, COLOUR_LANES, HIGHER
from phrasewright.model.hearing import CueHearing
from phrasewright.model.intervals import interval_of, resamples
from phrasewright.model.lanes import FRAME_S
from phrasewright.model.prediction import Predictor
from phrasewright.training.alive import join_depths_cc

Floats = NDArray[np.float64]

SHIFT_FRAMES = 3
"""Frames an event may have moved in resampling, to either side."""
MEAN_CC, LOCAL_CC = 2.0, 4.0
"""A lane differs if it does by more than the first on average, or by more than the second over LOCAL_FRAMES."""
LOCAL_FRAMES = 15
_LONG = 5
MAX_LAG_S = 0.3
_MOVING_CC = 0.5
_MAX_GAIN = 4.0
_LAG_GAIN_CC = 0.5
"""A lag is told only where it explains this much more, root mean square (no source)."""
_LEAST_FRAMES = 60
"""Shorter passages show no depth."""
_FEW = 4
"""With fewer phrases nothing is told."""
_DRAWS = 2000


@dataclass(frozen=True)
class Decomposition:
    """left = mean of predicted + level + depth * (predicted, later by lag, minus its mean) + residual.

    Parameters
    ----------
    level_cc : float
        Mean of what was left minus mean of what was predicted.
    depth : float
        Gain about the mean, 0..4; 1 where the prediction does not move.
    lag_s : float
        Positive where the hand is later, at most 0.3.
    residual_cc : float array, (n_frames,)
        What is not explained.
    r : float
        Correlation of prediction and hand at that lag, 0 where either stands still.
    """

    level_cc: float
    depth: float
    lag_s: float
    residual_cc: Floats
    r: float


def distance_cc(predicted: Floats, left: Floats) -> Floats:
    """How far each frame of a lane lies outside what was predicted within SHIFT_FRAMES, shape (n_frames,), steps."""
    padded = np.pad(predicted, SHIFT_FRAMES, mode="edge")
    windows = np.lib.stride_tricks.sliding_window_view(padded, 2 * SHIFT_FRAMES + 1)
    high, low = windows.max(axis=1), windows.min(axis=1)  # (n_frames, 7) to (n_frames,)
    return np.asarray(np.maximum(np.maximum(left - high, low - left), 0.0))


def differs(predicted: Floats, left: Floats) -> bool:
    """Whether a lane is another than the predicted one, beyond what saving it in a sequencer does.

    The very ends of a longer phrase count on average only: where notes were pulled ahead of their lanes, or bars were
    inserted before, another value may be held there for a moment.

    Parameters
    ----------
    predicted, left : float arrays, (n_frames,)
        The sounding frames of one phrase, one after the other.
    """
    if not len(left):
        return False
    off = distance_cc(predicted, left)
    width = min(LOCAL_FRAMES, len(off))
    inner = off[width:-width] if len(off) > _LONG * width else off
    local = np.convolve(inner, np.ones(width) / width, "valid")
    return bool(off.mean() > MEAN_CC or local.max() > LOCAL_CC)


def level_only(predicted: Floats, left: Floats) -> float | None:
    """By how many steps the lane was moved up or down, stopping at 0 and 127; None if its shape was changed too."""
    if not len(left):
        return None
    inside = (left > 0) & (left < 127)
    level = float(np.median((left - predicted)[inside])) if np.any(inside) else float(np.median(left - predicted))
    return None if differs(np.clip(predicted + level, 0.0, 127.0), left) else level


def decompose(predicted: Floats, left: Floats) -> Decomposition:
    """Split a correction.

    Parameters
    ----------
    predicted, left : float arrays, (n_frames,)
        The sounding frames of one phrase, one after the other.

    Raises
    ------
    ValueError
        The two are not of one length, or empty.
    """
    if predicted.shape != left.shape or predicted.ndim != 1 or not len(left):
        raise ValueError(f"decompose needs two equal rows of frames, got {predicted.shape} and {left.shape}")
    mean, level = float(predicted.mean()), float(left.mean() - predicted.mean())
    if np.std(predicted) < _MOVING_CC or np.std(left) < _MOVING_CC:
        depth = 1.0 if np.std(predicted) < _MOVING_CC else 0.0
        return Decomposition(level, depth, 0.0, left - mean - level - depth * (predicted - mean), 0.0)
    reach = min(round(MAX_LAG_S / FRAME_S), len(left) // 4)
    lags = np.arange(-reach, reach + 1)
    frames = np.arange(len(left))
    moved = predicted[np.clip(frames - lags[:, None], 0, len(left) - 1)]  # (n_lags, n_frames)
    moved = moved - moved.mean(axis=1, keepdims=True)
    centred = left - left.mean()
    power = np.sqrt((moved**2).sum(axis=1) * (centred**2).sum())
    r = (moved @ centred) / np.maximum(power, 1e-9) - 1e-6 * np.abs(lags)
    best = int(r.argmax())
    unexplained = np.sqrt(np.maximum(1.0 - r[[best, reach]] ** 2, 0.0)) * np.std(left)
    if unexplained[0] > unexplained[1] - _LAG_GAIN_CC:
        best = reach
    depth = float(np.clip(moved[best] @ centred / max((moved[best] ** 2).sum(), 1e-9), 0.0, _MAX_GAIN))
    residual = centred - depth * moved[best]
    return Decomposition(level, depth, float(lags[best]) * FRAME_S, residual, float(max(r[best], 0.0)))


def changes_of(
    logged: Sequence[LoggedCorrection], hearings: Mapping[int, CueHearing], *, shipped: Predictor
) -> dict[str, dict[str, list[float]]]:
    """For each lane that was corrected in at least four phrases: `level_cc`, `depth`, `lag_ms`, `joins`, `repeats`.

    Each is [value, low, high]; depth, joins and repeats are ratios to the shipped curve. Joins and repeats are absent
    where there were too few. Of colour lanes only the level is told, beside the first pass.
    """
    known: dict[tuple[int, int], Floats] = {}
    found: dict[str, list[tuple[float, float, float]]] = {lane: [] for lane in ALL_LANES}
    dips: dict[str, dict[str, list[tuple[float, float]]]] = {lane: {"joins": [], "repeats": []} for lane in ALL_LANES}
    for one in logged:
        own = one.correction
        if own.kind not in ("changed", "drawn"):
            continue
        hearing, key = hearings[one.cue_id], (one.cue_id, own.part)
        if key not in known:
            known[key] = shipped(hearing, own.part - 1).value_cc
        frames, left, base = _both_drawings(own, known[key])
        if len(frames) < _LEAST_FRAMES:
            continue
        split = decompose(base, left)
        wide = [float(np.subtract(*np.percentile(values, [75, 25]))) for values in (left, base)]
        found[own.lane].append((split.level_cc, wide[0] / max(wide[1], 1.0), 1000.0 * split.lag_s))
        if own.lane in COLOUR_LANES:
            continue
        attacks = hearing.parts[own.part - 1].attacks
        inside = attacks.joined & (attacks.onset_s > own.start_s + 0.2) & (attacks.onset_s < own.end_s - 0.2)
        for kind, mask in (("joins", inside & ~attacks.repeated), ("repeats", inside & attacks.repeated)):
            at_s = attacks.onset_s[mask] - frames[0] * FRAME_S
            if len(at_s):
                depths = [float(join_depths_cc(values[::2], at_s).sum()) for values in (left, base)]
                dips[own.lane][kind].append((depths[0], depths[1]))
    told: dict[str, dict[str, list[float]]] = {}
    for lane, rows in found.items():
        if len(rows) < _FEW:
            continue
        table = np.array(rows)
        names = ("level_cc",) if lane in COLOUR_LANES else ("level_cc", "depth", "lag_ms")
        told[lane] = {name: _median(table[:, k]) for k, name in enumerate(names)}
        for kind, pairs in dips[lane].items():
            if len(pairs) >= _FEW and sum(below for _, below in pairs) > 0.0:
                told[lane][kind] = _ratio(np.array(pairs))
    return told


def _both_drawings(own: Correction, shipped_cc: Floats) -> tuple[NDArray[np.int64], Floats, Floats]:
    """Frames of a correction where both drawings have a value, what was left there, and what it is held against.

    That is the shipped model's lane, `shipped_cc` of shape (n_frames, n_lanes); no model foresees bow and attack, which
    are held against what was written.
    """
    frames = np.arange(int(own.start_s / FRAME_S) + 1, min(int(own.end_s / FRAME_S), len(shipped_cc)))
    time_s = np.asarray(frames * FRAME_S, dtype=np.float64)
    left = own.left.at(time_s)
    if own.lane not in COLOUR_LANES:
        base = shipped_cc[frames, ALL_LANES.index(own.lane)]
    else:
        base = np.full(len(frames), np.nan) if own.predicted is None else own.predicted.at(time_s)
    there = np.isfinite(left) & np.isfinite(base)
    return frames[there], left[there], base[there]


def _median(values: Floats) -> list[float]:
    """Median of (n_phrases,) with its interval."""
    drawn = np.median(values[resamples(len(values), n_draws=_DRAWS)], axis=1)
    return [round(float(v), 2) for v in (np.median(values), *interval_of(drawn))]


def _ratio(pairs: Floats) -> list[float]:
    """Sum over sum of (n_phrases, 2) with its interval."""
    sums = pairs[resamples(len(pairs), n_draws=_DRAWS)].sum(axis=1)
    ends = interval_of(sums[:, 0] / np.maximum(sums[:, 1], 1e-6))
    return [round(float(v), 2) for v in (pairs[:, 0].sum() / pairs[:, 1].sum(), *ends)]


def words_of(changes: Mapping[str, Any]) -> list[str]:
    """The same in words, one line a finding, surest only."""
    lines = []
    for lane, found in changes.items():
        for name, (value, low, high) in found.items():
            if name == "level_cc" and low * high > 0.0 and abs(value) >= 1.0:
                way, between = HIGHER[lane][0 if value > 0 else 1], f"{low:+.0f} to {high:+.0f}"
                lines.append(f"{lane} {abs(value):.0f} steps {way} ({between})")
            elif name == "lag_ms" and low * high > 0.0 and abs(value) >= 20.0:
                way = "later" if value > 0 else "earlier"
                lines.append(f"{lane} {abs(value):.0f} ms {way} ({low:+.0f} to {high:+.0f} ms)")
            elif name in ("depth", "joins", "repeats") and (low > 1.05 or high < 0.95):
                what = {"depth": "phrases", "joins": "joins", "repeats": "re-articulations"}[name]
                way = "deeper" if value > 1.0 else "shallower"
                if name != "depth" and value < 0.1:
                    lines.append(f"{lane}: {what} hardly show")
                    continue
                share = f"{100 * (low - 1):+.0f} to {100 * (high - 1):+.0f} %"
                lines.append(f"{lane}: {what} {100 * abs(value - 1):.0f} % {way} ({share})")
    return lines
