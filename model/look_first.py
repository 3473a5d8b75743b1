"""Where to look first: the phrases of which a predictor is least sure.

A lane's spread is compared with what is usual for that lane in the cue, in units of how much it varies there (median
and median absolute deviation), so that vibrato, which is free everywhere, does not crowd out dynamics. The order is for
people only; nothing that is written depends on it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np
from numpy.typing import NDArray

from phrasewright.data.curves import LANES
from phrasewright.data.notes import Notes, sounding_spans
from phrasewright.model.hearing import CueHearing
from phrasewright.model.lanes import FRAME_S, DenseLanes, frames_in

SPREAD_STEP_S = 0.05
"""Spreads are kept at this spacing: they move slowly."""
N_PASSAGES = 10
LEAST_DEVIATION_CC = 0.25
LEAST_S = 0.5
"""Shorter phrases are no passages to look at."""

Spreads = Mapping[int, Mapping[str, NDArray[np.float32]]]
"""Half the width of the 68 % band, in steps, by part (from 1) and lane, each SPREAD_STEP_S from time 0; NaN where
nothing is claimed."""


@dataclass(frozen=True)
class Unsure:
    """A phrase (counted from 0) of a part (from 1).

    `spread_cc` is its mean spread in steps, `times_usual` how often the lane's usual one that is, `stands_out` how far
    above that it is in the lane's deviations.
    """

    part: int
    lane: str
    phrase: int
    start_s: float
    end_s: float
    spread_cc: float
    times_usual: float
    stands_out: float


def claimed_spreads(
    dense: DenseLanes,
    notes: Notes,
    *,
    kept_s: Mapping[str, Sequence[Sequence[float]]],
    written_s: tuple[float, float] = (0.0, np.inf),
) -> dict[str, NDArray[np.float32]]:
    """The spread of each lane in `kept_s` where the part sounds and the lane was not kept as it was drawn.

    Nothing is claimed outside `written_s`, the stretch that was to be shaped. Lanes for which the predictor claims no
    spread anywhere (the rules) are left out.
    """
    every = round(SPREAD_STEP_S / FRAME_S)
    found = {}
    for lane, spans in kept_s.items():
        if lane not in LANES or not np.any(dense.spread_cc[:, LANES.index(lane)]):
            continue
        spread = dense.spread_cc[::every, LANES.index(lane)].astype(np.float32)
        inside = partial(frames_in, n_frames=len(spread), step_s=SPREAD_STEP_S)
        known = inside(sounding_spans(notes)) & ~inside(np.array(spans).reshape(-1, 2))
        known &= inside(np.minimum([written_s], len(spread) * SPREAD_STEP_S))
        found[lane] = np.where(known, spread, np.float32(np.nan))
    return found


def least_sure(hearing: CueHearing, spreads: Spreads, *, n: int = N_PASSAGES) -> list[Unsure]:
    """At most `n` phrases, the least sure first, each with the lane that stands out most; of equals the earlier."""
    rows: list[tuple[int, str, int, float]] = []
    for heard in hearing.parts:
        spans_s = np.array([(phrase.start_s, phrase.end_s) for phrase in heard.phrases]).reshape(-1, 2)
        for lane, spread in spreads.get(heard.part.index, {}).items():
            edge = np.clip(np.rint(spans_s / SPREAD_STEP_S).astype(np.int64), 0, len(spread)).ravel()
            known = np.append(np.isfinite(spread), False)  # one more, for spans that end with the lane
            n_known = np.add.reduceat(known, edge, dtype=np.int64)[::2] * (edge[::2] < edge[1::2])
            total = np.add.reduceat(np.where(known, np.append(spread, 0.0), 0.0), edge)[::2]
            for number in np.flatnonzero(n_known * SPREAD_STEP_S >= LEAST_S).tolist():
                rows.append((heard.part.index, lane, number, float(total[number] / n_known[number])))
    usual: dict[str, tuple[float, float]] = {}
    for lane in {row[1] for row in rows}:
        mean = np.array([row[3] for row in rows if row[1] == lane])
        middle = float(np.median(mean))
        usual[lane] = middle, max(1.4826 * float(np.median(np.abs(mean - middle))), LEAST_DEVIATION_CC)
    best: dict[tuple[int, int], tuple[float, str, float]] = {}
    for index, lane, number, spread_cc in rows:
        middle, deviation = usual[lane]
        stands_out = (spread_cc - middle) / deviation
        if (index, number) not in best or stands_out > best[index, number][0]:
            best[index, number] = stands_out, lane, spread_cc
    phrases = {key: hearing.parts[key[0] - 1].phrases[key[1]] for key in best}
    first = sorted(best, key=lambda key: (-best[key][0], phrases[key].start_s, key[0]))[:n]
    found = []
    for index, number in first:
        (stands_out, lane, spread_cc), phrase = best[index, number], phrases[index, number]
        times = spread_cc / max(usual[lane][0], 1e-9)
        found.append(Unsure(index, lane, number, phrase.start_s, phrase.end_s, spread_cc, times, stands_out))
    return found
