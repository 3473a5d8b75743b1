"""What a hand does otherwise than the shipped model, in figures and in words a composer uses.

Each corrected phrase is split into level, timing and the rest (`model/decomposition.py`); depth is the interquartile
range beside the shipped curve's; joins and repeats are measured by how deep a lane dips there. Medians over phrases,
ratios of means over joins, with 95 % intervals drawn by phrase (2000 draws, seeded). Only what its interval sets
apart from nothing is put in words.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from phrasewright.data.corrections import LoggedCorrection
from phrasewright.data.curves import ALL_LANES, COLOUR_LANES, HIGHER
from phrasewright.model.decomposition import decompose
from phrasewright.model.hearing import CueHearing
from phrasewright.model.intervals import interval_of, resamples
from phrasewright.model.lanes import FRAME_S
from phrasewright.model.personal import Predictor
from phrasewright.training.alive import join_depths_cc

Array = NDArray[np.float64]
_LEAST_FRAMES = 60
_DRAWS = 2000
_FEW = 4


def changes_of(
    logged: Sequence[LoggedCorrection], hearings: Mapping[int, CueHearing], *, shipped: Predictor
) -> dict[str, dict[str, list[float]]]:
    """For each lane that was corrected in at least four phrases: `level_cc`, `depth`, `lag_ms`, `joins`, `repeats`.

    Each is [value, low, high]; depth, joins and repeats are ratios to the shipped curve. Joins and repeats are absent
    where there were too few. Of colour lanes only the level is told, beside the first pass.
    """
    known: dict[tuple[int, int], Array] = {}
    found: dict[str, list[tuple[float, float, float]]] = {lane: [] for lane in ALL_LANES}
    dips: dict[str, dict[str, list[tuple[float, float]]]] = {lane: {"joins": [], "repeats": []} for lane in ALL_LANES}
    for one in logged:
        own = one.correction
        if own.kind not in ("changed", "drawn"):
            continue
        hearing, key = hearings[one.cue_id], (one.cue_id, own.part)
        if key not in known:
            known[key] = shipped(hearing, own.part - 1).value_cc
        frames = np.arange(int(own.start_s / FRAME_S) + 1, min(int(own.end_s / FRAME_S), len(known[key])))
        time_s = np.asarray(frames * FRAME_S, dtype=np.float64)
        left = own.left.at(time_s)
        if own.lane not in COLOUR_LANES:
            base = known[key][frames, ALL_LANES.index(own.lane)]
        else:  # no model foresees these: beside what was written
            base = np.full(len(frames), np.nan) if own.predicted is None else own.predicted.at(time_s)
        there = np.isfinite(left) & np.isfinite(base)
        frames, left, base = frames[there], left[there], base[there]
        if len(frames) < _LEAST_FRAMES:
            continue
        split = decompose(base, left)
        wide = [float(np.subtract(*np.percentile(values, [75, 25]))) for values in (left, base)]
        found[own.lane].append((split.level_cc, wide[0] / max(wide[1], 1.0), 1000.0 * split.lag_s))
        attacks = hearing.parts[own.part - 1].attacks
        inside = attacks.joined & (attacks.onset_s > own.start_s + 0.2) & (attacks.onset_s < own.end_s - 0.2)
        for kind, mask in (("joins", inside & ~attacks.repeated), ("repeats", inside & attacks.repeated)):
            at_s = attacks.onset_s[mask] - frames[0] * FRAME_S
            if len(at_s) and own.lane not in COLOUR_LANES:
                dips[own.lane][kind].append(
                    (float(join_depths_cc(left[::2], at_s).sum()), float(join_depths_cc(base[::2], at_s).sum()))
                )
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


def _median(values: Array) -> list[float]:
    drawn = np.median(values[resamples(len(values), n_draws=_DRAWS)], axis=1)
    return [round(float(v), 2) for v in (np.median(values), *interval_of(drawn))]


def _ratio(pairs: Array) -> list[float]:
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
