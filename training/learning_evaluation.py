"""How well hands kept apart are learned: error and figures of life beside simpler ways, by amount of music.

    python -m phrasewright.training.learning_evaluation --hands validation --amounts 16s,cue --jobs 2

For each amount, hand and seed: mean absolute error in steps over lanes and sounding frames (50 a second, whole steps,
against the hand without its noise), with and without each phrase's mean, of every way in WAYS; depth, accents, energy
and slopes of the opponent and the personal layer; and the stack's ablation: each voice alone, and each left out.
`--cases` adds what a user may do otherwise: one lane, one part or one kind of passage corrected, a changed mind, cues
learned one by one. `--colours` judges bow and attack instead, by hands of their own. `--out FILE.json` keeps everything
for the tables and the learning curve (`learning_report.py`).

Nothing but the hands' own drawings differs between seeds. Every case runs in a process of its own with `--jobs`.
"""

from __future__ import annotations

import argparse
import json
import multiprocessing
import sys
import time
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from phrasewright.data.curves import LANES
from phrasewright.model.hearing import CueHearing
from phrasewright.model.lanes import FRAME_S, DenseLanes
from phrasewright.model.personal import VOICES, Style, evidence_of, personal_moments, style_lanes
from phrasewright.model.prediction import choose_predictor, prediction_frames
from phrasewright.model.rules import rules_lanes
from phrasewright.training.alive import Life, life_of, pooled
from phrasewright.training.learning_report import figures_for_log, summary, table
from phrasewright.training.material import (
    HANDS,
    Hand,
    Span,
    final_movements,
    hands_at,
    log_run,
    spans_to_judge,
    spans_to_learn,
    validation_movements,
)
from phrasewright.training.personal_examples import part_examples
from phrasewright.training.personal_fitting import Examples, Fitted, fit_style, joined_examples, stacked
from phrasewright.training.rules_fitting import DrawnPart, fit_rules
from phrasewright.training.simple_models import CUTS, Drawn, Opponent, judged_frames

Array = NDArray[np.float64]
AMOUNTS = {"16s": "16 s", "cue": "one cue", "three": "three cues", "ten": "ten cues"}
WAYS = ("constant", "shipped", "gain", "rules", "rules fitted", "ridge", "opponent", "noise", "personal")
_KEPT: dict[tuple[int, int, str], DenseLanes] = {}


def kept(hearing: CueHearing, index: int, *, way: str = "shipped") -> DenseLanes:
    """What the shipped model, or the rules, say of a part, computed once."""
    key = (id(hearing), index, way)
    if key not in _KEPT:
        predict = choose_predictor(False)[0] if way == "shipped" else rules_lanes
        _KEPT[key] = predict(hearing, index)
    return _KEPT[key]


@dataclass(frozen=True)
class Correction:
    """A span a hand corrected: its lanes in whole steps on the 10 ms grid, and which lanes count."""

    span: Span
    value_cc: Array
    lanes: tuple[bool, bool, bool] = (True, True, True)


def corrections_by(hand: Hand, spans: Sequence[Span], *, seed: int) -> list[Correction]:
    """What a hand, with its noise, leaves over spans."""
    return [
        Correction(s, np.clip(np.rint(hand(s.hearing, s.index, seed=seed + i)), 0.0, 127.0))
        for i, s in enumerate(spans)
    ]


def examples_of_corrections(corrections: Sequence[Correction]) -> Examples:
    """The same as the personal layer sees it."""
    made, count = [], 0
    for own in corrections:
        span = own.span
        time_s = np.arange(len(own.value_cc)) * FRAME_S
        inside = ((time_s >= span.start_s) & (time_s < span.end_s)).astype(np.float64)
        weight = inside[:, None] * np.array(own.lanes)
        shipped = kept(span.hearing, span.index)
        made.append(
            part_examples(span.hearing, span.index, own.value_cc, weight=weight, shipped=shipped, phrase_from=count)
        )
        count += len(span.hearing.parts[span.index].phrases)
    return joined_examples(made)


def fitted_to(corrections: Sequence[Correction]) -> tuple[Fitted, Examples]:
    """The personal layer learned from corrections."""
    examples = examples_of_corrections(corrections)
    return fit_style(examples, name="judged", about={}, all_voices=True), examples


def evaluate_hand(hand: Hand, learn: Sequence[Span], judge: Sequence[Span], *, seed: int) -> dict[str, Any]:
    """Errors of all ways for one hand, figures of life of the opponent and the personal layer, and the ablation."""
    corrections = corrections_by(hand, learn, seed=seed)
    began = time.process_time()
    fitted, examples = fitted_to(corrections)
    took_s = time.process_time() - began
    style = fitted.style
    opponents = {
        cut: Opponent(cut).fit([Drawn(c.span.hearing, c.span.index, c.value_cc, c.span.start_s, c.span.end_s)
                                for c in corrections])
        for cut in CUTS
    }  # fmt: skip
    rules, _ = fit_rules([drawn_part(c) for c in corrections])
    constant = np.array([_median(examples.target_cc[:, k], examples.weight_s[:, k]) for k in range(3)])
    gain, offset = _gains(examples)
    stacks = ablated(fitted, examples)
    score = _Score(judge, hand)
    for span in judge:
        shipped = kept(span.hearing, span.index).value_cc
        said = {
            "constant": np.tile(constant, (len(shipped), 1)),
            "shipped": shipped,
            "gain": offset + gain * shipped,
            "rules": kept(span.hearing, span.index, way="rules").value_cc,
            "rules fitted": rules.lanes(span.hearing, span.index).value_cc,
            "personal": style_lanes(span.hearing, span.index, style, shipped=kept).value_cc,
            "noise": hand(span.hearing, span.index, seed=seed + 77),
            **{cut: o.predict(span.hearing, span.index) for cut, o in opponents.items()},
            **voices_apart(span, style, stacks),
        }
        score.add(span, said, alive=("personal", *opponents))
    errors, without_mean = score.errors(), score.errors(without_mean=True)
    best = min(opponents, key=lambda cut: errors[cut])
    for found in (errors, without_mean):
        found["opponent"], found["ridge"] = found[best], found["only linear"]
    return {
        "mae": {way: errors[way] for way in WAYS},
        "shape": {way: without_mean[way] for way in WAYS},
        "ablation": {way: errors[way] for way in errors if way.startswith(("only ", "without "))},
        "life": {"personal": score.life("personal"), "opponent": score.life(best)},
        "fit_s": took_s,
        "stack": {lane: model.stack.round(2).tolist() for lane, model in style.lanes.items()},
    }


def drawn_part(own: Correction) -> DrawnPart:
    """A correction as the rules are fitted to it."""
    span = own.span
    frames = judged_frames(span.hearing, span.index, start_s=span.start_s, end_s=span.end_s)
    weight = np.full((len(frames), len(LANES)), 2.0 * FRAME_S) * np.array(own.lanes)
    whole = np.zeros(len(frames), dtype=np.int64)
    return DrawnPart(span.hearing, span.index, frames, own.value_cc[frames], weight, whole)


def ablated(fitted: Fitted, examples: Examples) -> dict[str, dict[str, Array]]:
    """Stacks of each voice alone, and of all but one, weighed anew on the same held-back phrases; by way and lane."""
    stacks: dict[str, dict[str, Array]] = {}
    for number, voice in enumerate(VOICES):
        rest = [i for i in range(len(VOICES)) if i != number]
        for lane in fitted.style.lanes:
            column = LANES.index(lane)
            known = np.isfinite(fitted.voices_cc[:, column, 0])
            stacks.setdefault(f"only {voice}", {})[lane] = np.eye(len(VOICES))[number]
            stack = np.zeros(len(VOICES))
            voices, target = fitted.voices_cc[known, column], examples.target_cc[known, column]
            stack[rest] = stacked(voices[:, rest], target, examples.weight_s[known, column])
            stacks.setdefault(f"without {voice}", {})[lane] = stack
    return stacks


def voices_apart(span: Span, style: Style, stacks: Mapping[str, Mapping[str, Array]]) -> dict[str, Array]:
    """A part's lanes, (n_frames, 3), under other stacks, all voices asked once."""
    base = kept(span.hearing, span.index)
    frames = prediction_frames(span.hearing, span.index, n_frames=base.n_frames)
    moments = personal_moments(span.hearing, span.index, frames)
    family, every = span.hearing.parts[span.index].part.family, np.arange(base.n_frames)
    out = {way: np.array(base.value_cc) for way in stacks}
    for lane, model in style.lanes.items():
        column = LANES.index(lane)
        voices = model.voices(moments, base.value_cc[frames, column])
        trust = np.interp(every, frames, evidence_of(style, lane=lane, family=family, role=moments.role))
        for way, by_lane in stacks.items():
            said = np.clip(voices @ by_lane[lane], *style.lanes[lane].range_cc)
            out[way][:, column] += trust * (np.interp(every, frames, said) - base.value_cc[:, column])
    return out


class _Score:
    """Distances from a hand without its noise, and figures of life, over all that is judged."""

    def __init__(self, judge: Sequence[Span], hand: Hand) -> None:
        self.true = [np.clip(hand(s.hearing, s.index, noise=False), 0.0, 127.0) for s in judge]
        self.judge = list(judge)
        self.off: dict[str, list[Array]] = {}
        self.off_shape: dict[str, list[Array]] = {}
        self.lives: dict[str, list[list[Life]]] = {}

    def add(self, span: Span, said: Mapping[str, Array], *, alive: Sequence[str]) -> None:
        """Judge what each way says of a part; `alive` get figures of life."""
        true = self.true[self.judge.index(span)]
        frames = judged_frames(span.hearing, span.index)
        start_s = np.array([p.start_s for p in span.hearing.parts[span.index].phrases])
        phrase = np.clip(np.searchsorted(start_s, frames * FRAME_S + 1e-9, side="right") - 1, 0, None)
        for way, lanes in said.items():
            whole = np.clip(np.rint(lanes[: len(true)]), 0.0, 127.0)
            off = whole[frames] - np.rint(true[frames])
            self.off.setdefault(way, []).append(np.abs(off))
            self.off_shape.setdefault(way, []).append(np.abs(off - _phrase_means(off, phrase)))
            if way in alive:
                lives = self.lives.setdefault(way, [[], [], []])
                for k in range(3):
                    lives[k].append(life_of(span.hearing, span.index, true[:, k], whole[:, k]))

    def errors(self, *, without_mean: bool = False) -> dict[str, float]:
        """Mean distance of each way in steps, with or without each phrase's mean."""
        rows = self.off_shape if without_mean else self.off
        return {way: float(np.concatenate(own).mean()) for way, own in rows.items()}

    def life(self, way: str) -> list[dict[str, float]]:
        """Figures of life of one way, lane by lane."""
        return [pooled(rows) for rows in self.lives[way]]


def _phrase_means(off: Array, phrase: NDArray[np.int64]) -> Array:
    n = np.maximum(np.bincount(phrase), 1)
    return np.stack([(np.bincount(phrase, off[:, k]) / n)[phrase] for k in range(off.shape[1])], axis=1)


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


@dataclass(frozen=True)
class _Task:
    """One case to run in a process of its own."""

    amount: str
    hand: str
    seed: int
    folder: Path
    kind: str
    case: str = ""


_SPANS: dict[str, tuple[Span, ...]] = {}


def _run(task: _Task) -> tuple[_Task, dict[str, Any]]:
    hand = hands_at(task.folder, task.kind)[task.hand]
    learn, judge = _SPANS[task.amount], _SPANS["judge"]
    if task.case:
        from phrasewright.training.learning_cases import evaluate_case

        return task, evaluate_case(task.case, hand, _SPANS, seed=1000 * task.seed)
    return task, evaluate_hand(hand, learn, judge, seed=1000 * task.seed)


def _mapped(run: Callable[[_Task], Any], tasks: Sequence[_Task], jobs: int) -> Iterable[Any]:
    """Results in the order of the tasks; processes begin as copies of this one, with everything heard already."""
    if jobs <= 1:
        yield from map(run, tasks)
        return
    with multiprocessing.get_context("fork").Pool(jobs, maxtasksperchild=4) as pool:
        yield from pool.imap(run, tasks, chunksize=1)


def _print_colours(amounts: Sequence[str], folder: Path) -> None:
    """Errors of bow, of attack, and of attack at note-ons, by amount of music and hand."""
    from phrasewright.training.learning_cases import evaluate_colours, with_colours

    movements = validation_movements()
    judge = with_colours(spans_to_judge(movements))
    learn = {amount: with_colours(spans_to_learn(movements, AMOUNTS[amount])) for amount in amounts}
    print(f"{'amount':<7} {'hand':<8} {'way':<8} {'bow':>6} {'attack':>7} {'at note-ons':>12}")
    for amount in amounts:
        for name, hand in hands_at(folder, "colours").items():
            for way, off in evaluate_colours(hand, learn[amount], judge, seed=0).items():
                print(f"{amount:<7} {name:<8} {way:<8} {off[0]:>6.2f} {off[1]:>7.2f} {off[2]:>12.2f}", flush=True)


def main(argv: Sequence[str] | None = None) -> None:
    """The command."""
    parser = argparse.ArgumentParser(prog="phrasewright.training.learning_evaluation", description=__doc__)
    parser.add_argument("--hands", choices=("validation", "test"), default="validation")
    parser.add_argument("--only", help="names of hands, separated by commas")
    parser.add_argument("--amounts", default="16s,cue", help="of 16s, cue, three, ten")
    parser.add_argument("--seeds", type=int, default=1, help="drawings by each hand")
    parser.add_argument("--cases", action="store_true", help="the cases a user may make, too, with the first seed")
    parser.add_argument("--colours", action="store_true", help="bow and attack lanes instead, on the validation music")
    parser.add_argument("--jobs", type=int, default=1, help="processes")
    parser.add_argument("--out", type=Path, help="JSON file for the figures")
    parser.add_argument("--folder", type=Path, default=HANDS, help="the hands kept apart")
    chosen = parser.parse_args(argv)
    if chosen.colours:
        _print_colours(chosen.amounts.split(","), chosen.folder)
        return
    hands = hands_at(chosen.folder, chosen.hands)
    names = [name for name in hands if not chosen.only or name in chosen.only.split(",")]
    if not names:
        parser.error(f"--only {chosen.only}: the hands are {', '.join(hands)}")
    movements = validation_movements() if chosen.hands == "validation" else final_movements()
    amounts = chosen.amounts.split(",")
    _SPANS.update({amount: spans_to_learn(movements, AMOUNTS[amount]) for amount in amounts})
    _SPANS["judge"] = spans_to_judge(movements)
    if chosen.cases:
        _SPANS.update({amount: spans_to_learn(movements, AMOUNTS[amount]) for amount in ("cue",)})
    for span in {(id(s.hearing), s.index): s for spans in _SPANS.values() for s in spans}.values():
        for way in ("shipped", "rules"):
            kept(span.hearing, span.index, way=way)
    # the longest first, so that none of them is left alone at the end
    tasks = [
        _Task(amount, name, seed, chosen.folder, chosen.hands)
        for amount in sorted(amounts, key=list(AMOUNTS).index, reverse=True)
        for seed in range(chosen.seeds)
        for name in names
    ]
    if chosen.cases:
        from phrasewright.training.learning_cases import CASES

        tasks += [_Task("cue", name, 0, chosen.folder, chosen.hands, case) for case in CASES for name in names]
    rows = []
    for task, found in _mapped(_run, tasks, chosen.jobs):
        row = {"amount": task.amount, "hand": task.hand, "seed": task.seed, "case": task.case, **found}
        rows.append(row)
        if chosen.out:  # whatever stops the run, what is there is kept
            chosen.out.write_text(json.dumps(rows), encoding="utf-8")
        if not task.case:
            print(table([row]), row["stack"], file=sys.stderr, flush=True)
    rows.sort(key=lambda row: (row["case"], list(AMOUNTS).index(row["amount"]), names.index(row["hand"]), row["seed"]))
    if chosen.out:
        chosen.out.write_text(json.dumps(rows), encoding="utf-8")
    print(table(rows))
    print(summary(rows))
    if chosen.hands == "test":
        command = "learning_evaluation " + " ".join(argv or sys.argv[1:])
        log_run(chosen.folder, command=command, figures=figures_for_log(rows))


if __name__ == "__main__":
    main()
