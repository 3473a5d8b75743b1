"""The only orchestral lanes drawn by hand in the open that were found, beside what is shaped for the same notes.

music21's wheel holds `midi/testPrimitive/test04.mid`, in which flute, oboe, horn, bassoon and clarinet have expression
(CC11) drawn over a few of their phrases. The predictors see the notes alone. A figure, not a gate: one person, one
piece, one controller, under five minutes.

    python -m phrasewright.training.hand_drawn

prints, over the drawn and sounding frames of each part: the mean absolute error with an offset a part taken off, the
share of frames where the hand moves over 5 steps a second at which the lane goes its way (slopes over half a second:
the hand's lanes come in steps of four or five; .5 is chance), and the correlation
with the hand, each drawn stretch about its mean; for a constant, the rules and the network.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from phrasewright.data.curves import Curve
from phrasewright.data.errors import InputError
from phrasewright.data.reading import read_cue
from phrasewright.model.hearing import CueHearing
from phrasewright.model.lanes import FRAME_S
from phrasewright.model.limits import sounding_frames
from phrasewright.model.listening import hear
from phrasewright.model.prediction import Predictor, network_lanes
from phrasewright.model.rules import rules_lanes
from phrasewright.training.boundary_corpus import corpus_root

Array = NDArray[np.float64]
EXPRESSION, EXPRESSION_CC = 1, 11
LEAST_POINTS, LONGEST_GAP_S, LEAST_RANGE_CC = 12, 0.25, 6.0
"""A stretch is drawn where so many points follow each other within this time and span this many steps."""
SLOPE_FRAMES = 50
MOVING_CC_PER_S = 5.0


@dataclass(frozen=True)
class Stretches:
    """One part's hand-drawn expression: at frames of the 10 ms grid its value, and the stretch each belongs to.

    All of shape (n_frames,); `name` and `index` (from 0) are the part's.
    """

    name: str
    index: int
    frames: NDArray[np.int64]
    value_cc: Array
    stretch: NDArray[np.int64]


def drawn_file() -> Path:
    """The file in the installed music21.

    Raises
    ------
    InputError
        It is not there.
    """
    path = corpus_root().parent / "midi" / "testPrimitive" / "test04.mid"
    if not path.exists():
        raise InputError(f"{path}: not in this version of music21")
    return path


def hand_drawn() -> tuple[CueHearing, list[Stretches]]:
    """The cue as heard from its notes, and each part in which something is drawn over at least five seconds."""
    hearing = hear(read_cue(drawn_file()))
    found = []
    for index, part in enumerate(hearing.parts):
        curve = part.part.existing.get(EXPRESSION_CC)
        if curve is not None and part.part.shaped:
            sounding = sounding_frames(hearing, index, round(float(part.part.notes.offset_s.max()) / FRAME_S) + 1)
            drawn = drawn_stretches(curve, sounding, name=part.part.name, index=index)
            if len(drawn.frames) * FRAME_S >= 5.0:
                found.append(drawn)
    return hearing, found


def drawn_stretches(curve: Curve, sounding: NDArray[np.bool_], *, name: str, index: int) -> Stretches:
    """Where a curve was drawn while the part sounds."""
    new = np.flatnonzero(np.r_[True, np.diff(curve.time_s) > LONGEST_GAP_S])
    frames, stretch = [], []
    for k, (first, stop) in enumerate(zip(new.tolist(), [*new[1:].tolist(), curve.n_points], strict=True)):
        if stop - first < LEAST_POINTS or np.ptp(curve.value_cc[first:stop]) < LEAST_RANGE_CC:
            continue
        low, high = (int(np.ceil(curve.time_s[i] / FRAME_S)) for i in (first, stop - 1))
        mine = np.arange(low, min(high, len(sounding)))
        mine = mine[sounding[mine]]
        frames.append(mine)
        stretch.append(np.full(len(mine), k))
    empty = np.zeros(0, dtype=np.int64)
    at = np.concatenate([empty, *frames])
    return Stretches(name, index, at, curve.at(at * FRAME_S), np.concatenate([empty, *stretch]))


def agreement(drawn: Stretches, lane_cc: Array) -> tuple[float, float, float]:
    """Error with the offset off (steps), share of slopes that agree, correlation within stretches, of one lane.

    `lane_cc` stands on the whole 10 ms grid, shape (n_frames,).
    """
    lane = np.rint(lane_cc)[drawn.frames]
    off = drawn.value_cc - lane
    error = float(np.abs(off - np.median(off)).mean())
    n = SLOPE_FRAMES
    inside = drawn.frames[n:] - drawn.frames[:-n] == n
    wanted, found = ((v[n:] - v[:-n])[inside] for v in (drawn.value_cc, lane))
    moving = np.abs(wanted) > MOVING_CC_PER_S * n * FRAME_S
    agree = float(np.mean(np.sign(wanted[moving]) == np.sign(found[moving])))
    number = np.unique(drawn.stretch, return_inverse=True)[1]
    count = np.bincount(number)
    left, right = (v - (np.bincount(number, v) / count)[number] for v in (drawn.value_cc, lane))
    r = float(np.corrcoef(left, right)[0, 1]) if right.std() > 0 else float("nan")
    return error, agree, r


def main() -> None:
    """Print the table."""
    hearing, parts = hand_drawn()
    contenders: dict[str, Predictor] = {"rules": rules_lanes, "network": network_lanes}
    print(f"{'':<10} {'seconds':>7} {'constant':>8}  " + "  ".join(f"{name}: error agree     r" for name in contenders))
    for drawn in parts:
        middle = float(np.abs(drawn.value_cc - np.median(drawn.value_cc)).mean())
        cells = []
        for name, lanes in contenders.items():
            error, agree, r = agreement(drawn, lanes(hearing, drawn.index).value_cc[:, EXPRESSION])
            cells.append(f"{'':<{len(name) + 1}} {error:5.1f} {agree:5.2f} {r:5.2f}")
        print(f"{drawn.name:<10} {len(drawn.frames) * FRAME_S:7.1f} {middle:8.1f}  " + "  ".join(cells), flush=True)


if __name__ == "__main__":
    main()
