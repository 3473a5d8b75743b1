"""A hand's head alone on hands kept for choices: error, life and coverage after a little of each hand.

    python -m phrasewright.training.head_evaluation [--amounts "16 s,one cue"]

Nothing but the evidence network and the exact head (`model/evidence.py`): what a style adds to it is judged by
`learning_evaluation.py`. The hand draws with an unsteady arm and is judged without it, in whole steps, on movements
not learned from. Coverage is the share of sounding frames within the calibrated bands, in percent; no gate.
"""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from phrasewright.data.curves import LANES
from phrasewright.model.evidence import band_factors, fitted_head, head_prior
from phrasewright.model.lanes import FRAME_S, n_frames_for, stands_for_s
from phrasewright.model.limits import sounding_frames
from phrasewright.model.prediction import evidence_features, prediction_frames
from phrasewright.training.alive import life_of, pooled
from phrasewright.training.material import (
    AMOUNTS,
    HANDS,
    Hand,
    Span,
    hands_at,
    spans_to_judge,
    spans_to_learn,
    validation_movements,
)

Array = NDArray[np.float64]
View = tuple[NDArray[np.int64], NDArray[np.float32], NDArray[np.bool_]]
TOLD = ("depth", "accents", "energy", "slopes", "peaks")


class Views:
    """Frames, features and what sounds of parts, made once."""

    def __init__(self) -> None:
        self.made: dict[tuple[int, int], View] = {}

    def of(self, span: Span) -> View:
        """Prediction frames (n,), features there (n, n_features), and what sounds on the whole grid."""
        key = id(span.hearing), span.index
        if key not in self.made:
            n_frames = n_frames_for(float(span.hearing.parts[span.index].part.notes.offset_s.max()))
            frames = prediction_frames(span.hearing, span.index, n_frames=n_frames)
            features = evidence_features(span.hearing, span.index, frames)
            self.made[key] = frames, features, sounding_frames(span.hearing, span.index, n_frames)
        return self.made[key]


def head_figures(hand: Hand, learn: Sequence[Span], judge: Sequence[Span], *, views: Views) -> dict[str, Any]:
    """Error by lane, figures of life by lane, and shares within the bands of 50 and 90 % in percent."""
    shown = [_drawn(hand, span, seed, views) for seed, span in enumerate(learn)]
    features, target, weight = (np.concatenate([one[k] for one in shown]) for k in range(3))
    heads = [
        fitted_head(head_prior(), lane=lane, features=features, target_cc=target[:, lane], weight_s=weight)
        for lane in range(len(LANES))
    ]
    factors = {level: np.array(row) for level, row in band_factors("one cue").items()}
    off: list[Array] = []
    inside: dict[int, list[Array]] = {50: [], 90: []}
    lives: list[list[Any]] = [[] for _ in LANES]
    for span in judge:
        frames, seen, sounding = views.of(span)
        true = np.clip(hand(span.hearing, span.index, noise=False), 0.0, 127.0)
        every = np.arange(len(true))
        answers = [head.answer(seen) for head in heads]
        said = np.stack([np.interp(every, frames, np.clip(centre, 0.0, 127.0)) for centre, _ in answers], axis=1)
        sure = np.stack([np.interp(every, frames, spread) for _, spread in answers], axis=1)
        on = sounding[: len(true)]
        off.append(np.abs(np.rint(said) - np.rint(true))[on])
        for level, rows in inside.items():
            rows.append((np.abs(said - true) <= sure * factors[level])[on])
        for lane, row in enumerate(lives):
            row.append(life_of(span.hearing, span.index, true[:, lane], np.rint(said[:, lane])))
    return {
        "mae": np.concatenate(off).mean(axis=0),
        "life": [pooled(row) for row in lives],
        "covered": {level: 100.0 * float(np.concatenate(rows).mean()) for level, rows in inside.items()},
    }


def _drawn(hand: Hand, span: Span, seed: int, views: Views) -> tuple[NDArray[np.float32], Array, Array]:
    """Features, the hand's lanes and the seconds each frame stands for, over what sounds of a span."""
    frames, seen, sounding = views.of(span)
    time_s = frames * FRAME_S
    inside = sounding[frames] & (time_s >= span.start_s) & (time_s < span.end_s)
    drawn = np.clip(np.rint(hand(span.hearing, span.index, seed=seed)), 0.0, 127.0)
    return seen[inside], drawn[np.minimum(frames, len(drawn) - 1)][inside], stands_for_s(frames)[inside]


def main(arguments: Sequence[str] | None = None) -> None:
    """Print a line a hand and lane, and the medians over hands."""
    parser = argparse.ArgumentParser(description="A hand's head alone on the validation hands.")
    parser.add_argument("--amounts", default="16 s,one cue", help=f"of {', '.join(AMOUNTS)}")
    given = parser.parse_args(arguments)
    movements, views = validation_movements(), Views()
    judge = spans_to_judge(movements)
    for amount in given.amounts.split(","):
        learn = spans_to_learn(movements, amount)
        found = {n: head_figures(h, learn, judge, views=views) for n, h in hands_at(HANDS, "validation").items()}
        print(f"\n{amount:<34}{'error':>8}" + "".join(f"{name:>9}" for name in TOLD))
        for k, lane in enumerate(LANES):
            rows = {name: [one["mae"][k], *(one["life"][k][t] for t in TOLD)] for name, one in found.items()}
            for name, row in {**rows, "median": np.nanmedian(list(rows.values()), axis=0)}.items():
                print(f"{name:<20}{lane:<14}" + f"{row[0]:8.2f}" + "".join(f"{x:9.2f}" for x in row[1:]))
        for name, one in found.items():
            print(f"{name:<20}error {one['mae'].mean():.2f}, inside 50 %: {one['covered'][50]:.0f}", end="")
            print(f", inside 90 %: {one['covered'][90]:.0f}")
        print(f"mean error {np.mean([one['mae'].mean() for one in found.values()]):.2f}", flush=True)


if __name__ == "__main__":
    main()
