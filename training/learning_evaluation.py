"""How well hands kept apart are learned: error and figures of life beside simpler ways, by amount of music.

    python -m phrasewright.training.learning_evaluation --hands validation --amounts 16s,cue

Prints, for each amount and hand, mean absolute error in steps over lanes and sounding frames (50 a second, whole steps,
against the hand without its noise) of the best constant, the shipped curve, the shipped curve with offset and gain
fitted, the linear head alone, the opponent (the stronger of its two cuts), the personal layer, and a second drawing by
the same hand (the noise floor); then depth, energy and slopes of the opponent and the personal layer.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from phrasewright.data.curves import LANES
from phrasewright.model.hearing import CueHearing
from phrasewright.model.lanes import FRAME_S, DenseLanes
from phrasewright.model.personal import Style, personal_moments, style_lanes
from phrasewright.model.prediction import choose_predictor, prediction_frames
from phrasewright.training.alive import Life, life_of, pooled
from phrasewright.training.hands_apart import Hand, hands_at, log_run
from phrasewright.training.material import Span, spans_to_judge, spans_to_learn, test_movements, validation_movements
from phrasewright.training.opponent import CUTS, Drawn, Opponent, frame_count, judged_frames
from phrasewright.training.personal_examples import part_examples
from phrasewright.training.personal_fitting import Examples, fit_style, joined_examples

Array = NDArray[np.float64]
AMOUNTS = {"16s": "16 s", "cue": "one cue", "three": "three cues", "ten": "ten cues"}
HANDS = Path(__file__).parent.parent / "tests" / "hands"
WAYS = ("constant", "shipped", "fitted", "linear", "opponent", "personal", "noise")
_CACHE: dict[tuple[int, int], DenseLanes] = {}


def _kept(hearing: CueHearing, index: int) -> DenseLanes:
    """The shipped answer for a part, kept."""
    key = (id(hearing), index)
    if key not in _CACHE:
        _CACHE[key] = choose_predictor(False)[0](hearing, index)
    return _CACHE[key]


def shipped_lanes(span: Span) -> DenseLanes:
    """The shipped answer for a span's part."""
    return _kept(span.hearing, span.index)


def examples_of_spans(spans: Sequence[Span], hand: Hand, *, seed: int) -> Examples:
    """What a hand, with its noise, shows over spans."""
    made, count = [], 0
    for number, span in enumerate(spans):
        drawn = np.clip(np.rint(hand(span.hearing, span.index, seed=seed + number)), 0.0, 127.0)
        frames = np.arange(len(drawn)) * FRAME_S
        inside = ((frames >= span.start_s) & (frames < span.end_s)).astype(np.float64)
        weight = np.repeat(inside[:, None], len(LANES), axis=1)
        shipped = shipped_lanes(span)
        made.append(part_examples(span.hearing, span.index, drawn, weight=weight, shipped=shipped, phrase_from=count))
        count += len(span.hearing.parts[span.index].phrases)
    return joined_examples(made)


def evaluate_hand(
    hand: Hand, learn: Sequence[Span], judge: Sequence[Span], *, seed: int, opponents: Sequence[str] = CUTS
) -> dict[str, Any]:
    """Errors of all ways for one hand, and figures of life of the opponent and the personal layer."""
    examples = examples_of_spans(learn, hand, seed=seed)
    began = time.monotonic()
    style = fit_style(examples, name="judged", about={}).style
    took_s = time.monotonic() - began
    drawn = [
        Drawn(s.hearing, s.index, np.clip(np.rint(hand(s.hearing, s.index, seed=seed + i)), 0, 127), s.start_s, s.end_s)
        for i, s in enumerate(learn)
    ]
    trees = {cut: Opponent(cut).fit(drawn) for cut in opponents}
    weight = examples.weight_s
    constant = np.array([_median(examples.target_cc[:, k], weight[:, k]) for k in range(3)])
    gain, offset = _gains(examples)
    off: dict[str, list[Array]] = {way: [] for way in (*WAYS, *trees)}
    lives: dict[str, list[list[Life]]] = {way: [[], [], []] for way in ("personal", *trees)}
    for span in judge:
        frames = judged_frames(span.hearing, span.index)
        true = np.clip(hand(span.hearing, span.index, noise=False), 0.0, 127.0)
        shipped = shipped_lanes(span).value_cc
        said = {
            "constant": np.tile(constant, (len(shipped), 1)),
            "shipped": shipped,
            "fitted": offset + gain * shipped,
            "linear": _linear(span, style, shipped),
            "personal": style_lanes(span.hearing, span.index, style, shipped=_kept).value_cc,
            "noise": hand(span.hearing, span.index, seed=seed + 77),
            **{cut: o.predict(span.hearing, span.index) for cut, o in trees.items()},
        }
        for way, lanes in said.items():
            whole = np.clip(np.rint(lanes[: len(true)]), 0.0, 127.0)
            off[way].append(np.abs(whole[frames] - np.rint(true[frames])))
            if way in lives:
                for k in range(3):
                    lives[way][k].append(life_of(span.hearing, span.index, true[:, k], whole[:, k]))
    mae = {way: float(np.concatenate(rows).mean()) for way, rows in off.items() if rows}
    best = min(trees, key=lambda cut: mae[cut])
    mae["opponent"] = mae[best]
    life = {way: [pooled(rows) for rows in lives[key]] for way, key in (("personal", "personal"), ("opponent", best))}
    stacks = {lane: model.stack.round(2).tolist() for lane, model in style.lanes.items()}
    return {"mae": {way: mae[way] for way in WAYS}, "life": life, "fit_s": took_s, "stack": stacks}


def _linear(span: Span, style: Style, shipped: Array) -> Array:
    """The linear head alone."""
    frames = prediction_frames(span.hearing, span.index, n_frames=frame_count(span.hearing, span.index))
    moments = personal_moments(span.hearing, span.index, frames)
    out = shipped.copy()
    every = np.arange(len(out))
    for lane, model in style.lanes.items():
        said = moments.basis.astype(np.float64) @ model.coefficients[:-1] + float(model.coefficients[-1])
        out[:, LANES.index(lane)] = np.interp(every, frames, np.clip(said, *model.range_cc))
    return out


def _gains(examples: Examples) -> tuple[Array, Array]:
    """Gain and offset of each shipped lane that fit the examples best."""
    gain, offset = np.ones(3), np.zeros(3)
    for k in range(3):
        x, y, w = examples.shipped_cc[:, k], examples.target_cc[:, k], examples.weight_s[:, k]
        mean_x, mean_y = np.average(x, weights=w), np.average(y, weights=w)
        power = np.average((x - mean_x) ** 2, weights=w)
        gain[k] = np.average((x - mean_x) * (y - mean_y), weights=w) / power if power > 1e-9 else 0.0
        offset[k] = mean_y - gain[k] * mean_x
    return gain, offset


def _median(value: Array, weight: Array) -> float:
    order = np.argsort(value)
    return float(value[order][np.searchsorted(np.cumsum(weight[order]), weight.sum() / 2.0)])


def table(rows: Mapping[tuple[str, str], dict[str, Any]]) -> str:
    """The figures for people: one line an amount and hand."""
    lines = [f"{'amount':<10} {'hand':<14} " + " ".join(f"{way:>9}" for way in WAYS) + "    ratio  fit s"]
    for (amount, name), found in rows.items():
        mae = found["mae"]
        told = " ".join(f"{mae[way]:>9.2f}" for way in WAYS)
        lines.append(f"{amount:<10} {name:<14} {told} {mae['personal'] / mae['opponent']:>8.2f} {found['fit_s']:>6.1f}")
        for way, lives in found["life"].items():
            told = "; ".join(
                f"{lane[:3]} depth {f['depth']:.2f} energy {f['energy']:.2f} slopes {f['slopes']:.2f}"
                for lane, f in zip(LANES, lives, strict=True)
            )
            lines.append(f"{'':<10} {way:<14} {told}")
    for amount in dict.fromkeys(amount for amount, _ in rows):
        ratios = [f["mae"]["personal"] / f["mae"]["opponent"] for (a, _), f in rows.items() if a == amount]
        lines.append(f"{amount}: mean ratio of error to the opponent {np.mean(ratios):.3f}")
    return "\n".join(lines)


def main(argv: Sequence[str] | None = None) -> None:
    """The command."""
    parser = argparse.ArgumentParser(prog="phrasewright.training.learning_evaluation", description=__doc__)
    parser.add_argument("--hands", choices=("validation", "test"), default="validation")
    parser.add_argument("--only", help="names of hands, separated by commas")
    parser.add_argument("--amounts", default="16s,cue", help="of 16s, cue, three, ten")
    parser.add_argument("--seeds", type=int, default=1)
    parser.add_argument("--folder", type=Path, default=HANDS)
    chosen = parser.parse_args(argv)
    hands = hands_at(chosen.folder, chosen.hands)
    movements = validation_movements() if chosen.hands == "validation" else test_movements()
    judge = spans_to_judge(movements)
    rows = {}
    for amount in chosen.amounts.split(","):
        learn = spans_to_learn(movements, AMOUNTS[amount])
        for name, hand in hands.items():
            if chosen.only and name not in chosen.only.split(","):
                continue
            for seed in range(chosen.seeds):
                label = name if chosen.seeds == 1 else f"{name}/{seed}"
                rows[amount, label] = evaluate_hand(hand, learn, judge, seed=1000 * seed)
                print(table({(amount, label): rows[amount, label]}), rows[amount, label]["stack"], file=sys.stderr)
    print(table(rows))
    if chosen.hands == "test":
        mae = {f"{amount} {name}": found["mae"] for (amount, name), found in rows.items()}
        log_run(chosen.folder, command="learning_evaluation " + " ".join(argv or sys.argv[1:]), figures=mae)


if __name__ == "__main__":
    main()
