"""A comparison as one table: a row for each phrase, and one for each situation, lane by lane.

Every row has the same columns, so that one file sorts and filters in any spreadsheet. Levels are in controller steps,
times in seconds, intervals 95 % by phrase.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from phrasewright.data.curves import ALL_LANES
from phrasewright.model.metrics import PhraseSums, frames_in_pair, interval_by_phrase, phrase_ranges, phrase_sums

if TYPE_CHECKING:
    from phrasewright.inference.comparing import LaneCompared

AXES = ("phrase", "role", "figure", "event")
COLUMNS = (
    "axis", "label", "part", "name", "lane", "start_s", "end_s", "first_bar", "last_bar", "n_phrases", "n_frames",
    "mae", "mae_low", "mae_high", "bias", "bias_low", "bias_high", "rmse", "left_range", "right_range",
)  # fmt: skip


def table_of(lanes: Sequence[LaneCompared]) -> pd.DataFrame:
    """One row a phrase (`axis` phrase, `label` its number from 1), one a situation's label in all parts together.

    Columns as in COLUMNS: `part`, `name`, times and bars are empty where a row holds several parts; `left_range` and
    `right_range` are interquartile ranges of the lane within the phrase; intervals stand where two phrases or more
    are behind a row. Phrases come in order of parts and time, then situations in order of axes, lanes and labels.
    """
    rows = [row for one in lanes for row in _phrases(one)] + list(_situations(lanes))
    return pd.DataFrame(rows, columns=list(COLUMNS)).astype({name: "Int64" for name in _WHOLE})


def csv_of(tables: Sequence[tuple[str, pd.DataFrame]]) -> str:
    """The tables of several files as CSV, with the file's name in the first column; figures with four decimals."""
    joined = pd.concat([table.assign(file=name) for name, table in tables], ignore_index=True)
    return str(joined[["file", *COLUMNS]].to_csv(index=False, float_format="%.4f", lineterminator="\n"))


_WHOLE = ("part", "first_bar", "last_bar", "n_phrases", "n_frames")


def _phrases(one: LaneCompared) -> Iterator[dict[str, Any]]:
    at = one.pair.counted & (one.pair.phrase >= 0)
    ranges = [phrase_ranges(value_cc[at], one.pair.phrase[at]) for value_cc in (one.pair.left_cc, one.pair.right_cc)]
    for i, number in enumerate(one.sums.number.tolist()):
        phrase, bars = one.heard.phrases[number], one.bars[number] or [None, None]
        yield {
            **_figures([one.sums], slice(i, i + 1)),
            "axis": "phrase",
            "label": str(number + 1),
            "part": one.heard.part.index,
            "name": one.heard.part.name,
            "lane": one.lane,
            "start_s": phrase.start_s,
            "end_s": phrase.end_s,
            "first_bar": bars[0],
            "last_bar": bars[1],
            "left_range": ranges[0][i],
            "right_range": ranges[1][i],
        }


def _situations(lanes: Sequence[LaneCompared]) -> Iterator[dict[str, Any]]:
    """Frames of one label in all parts that have the lane."""
    sums: dict[tuple[int, int, str], list[PhraseSums]] = {}
    for one in lanes:
        labels = {(s.axis, s.label) for s in one.heard.situations}
        for axis, label in labels:
            spans_s = [(s.start_s, s.end_s) for s in one.heard.situations if (s.axis, s.label) == (axis, label)]
            found = phrase_sums(one.pair, among=frames_in_pair(np.array(spans_s), one.pair))
            if len(found.number):
                sums.setdefault((AXES.index(axis), ALL_LANES.index(one.lane), label), []).append(found)
    for (axis_at, lane_at, label), some in sorted(sums.items(), key=lambda row: row[0]):
        yield {**_figures(some), "axis": AXES[axis_at], "label": label, "lane": ALL_LANES[lane_at]}


def _figures(some: Sequence[PhraseSums], which: slice = slice(None)) -> dict[str, Any]:
    """Figures over the phrases (or `which` of them) of several parts."""
    n, error, difference, square = (
        np.concatenate([getattr(one, row) for one in some])[which] for row in ("n", "error", "difference", "square")
    )
    totals = {"mae": error, "bias": difference}
    ends = {name: interval_by_phrase(total, n) or (None, None) for name, total in totals.items()}
    return {
        "n_phrases": len(n),
        "n_frames": int(n.sum()),
        "mae": error.sum() / n.sum(),
        "bias": difference.sum() / n.sum(),
        "rmse": float(np.sqrt(square.sum() / n.sum())),
        **{f"{name}_low": low for name, (low, _) in ends.items()},
        **{f"{name}_high": high for name, (_, high) in ends.items()},
    }
