"""How well the base draws without evidence, on pieces it never saw: error and life, by lane and by situation.

Contenders: the best constant, the rules, ridge regression and boosted trees on the network's own columns (all three
taught by the default hand), and the network. They are held against the default hand (the rules without what cannot be
foreseen: there the rules are right by definition), against fresh hands of the prior and, where named, hands kept apart.
What each foresees counts, before residue and limits; values in whole steps; the hand without its noise.

Figures, each with a 95 % interval from resampling pieces: mean absolute error; the same without each phrase's mean
(what is left when balance is taken off); error of the level that expression makes, in dB; and the figures of life of
`alive.py`.
Over several hands, errors are means and ratios are medians.

    phrasewright evaluate [--weights FILE] [--json] [--pieces N] [--hands N] [--apart NAMES] [--ablation]
    python -m phrasewright.training.evaluation --record

`--record` runs the property tests of the rules on the shipped weights (in a checkout) and writes their outcome and the
figures into the model card; `shape` uses the network only if that outcome is good.
"""

from __future__ import annotations

import importlib.util
import json
import subprocess
import sys
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from phrasewright.data.curves import LANES
from phrasewright.data.errors import InputError, UsageError
from phrasewright.model.features import FEATURE_GROUPS
from phrasewright.model.hearing import EVENTS, FIGURES, ROLES, CueHearing
from phrasewright.model.intervals import resamples
from phrasewright.model.lanes import LEVEL_LAW_DB
from phrasewright.model.listening import hear
from phrasewright.model.personal_features import moments_of
from phrasewright.model.prediction import WEIGHTS, network_raw_cc
from phrasewright.training.alive import Life, lives_of
from phrasewright.training.cards import amend_card
from phrasewright.training.corpus import HELD_OUT, Score, cue_of, held_out, kept_score, score_names, training_sketch
from phrasewright.training.material import HANDS, Hand, hands_at
from phrasewright.training.prior import drawn_person
from phrasewright.training.prior_curves import drawn_cc, sight_of
from phrasewright.training.simple_models import View, ablation_of, default_cc, fitted, view_of
from phrasewright.training.textures import Line, Sketch

Array = NDArray[np.float64]
Drawer = Callable[[View], Array]
"""Who draws: lanes at a view's frames, (n_frames, 3), steps."""
CONTENDERS = ("constant", "rules", "ridge", "boosting", "network")
FIGURES_OF = ("error", "no mean", "dB", "depth", "repeats", "accents", "energy", "slopes", "peaks")
"""Figures in the order of `_sums`; the first three are errors, the rest ratios to the hand, correlation and share."""
SITUATIONS = ("all", *ROLES, *FIGURES[1:], *EVENTS[1:])
QUARTET = (("Violin I", 40), ("Violin II", 40), ("Viola", 41), ("Cello", 42))
PROPERTY_TESTS = tuple(
    f"tests/test_{name}.py" for name in ("musical_claims", "note_claims", "movement_claims", "lane_contract")
)
TAUGHT = ("haydn/opus1no1/movement1", "mozart/k155/movement1", "bach/bwv101.7", "bach/bwv103.6")
TAUGHT_SEEDS, JUDGED_SEEDS = range(40, 60), range(5_000_000_000, 5_000_000_100)
"""Invented cues the simple models learn from, and those everybody is judged on: no training cue has such a seed."""
PERSON_SEED = 7_700_000_000
"""Fresh people of the prior are counted from here: none was ever trained on."""
RESAMPLED = 400
MOST_LINES = 8
"""Invented cues of more lines are left out, for cost."""
BARS = 32


@dataclass(frozen=True)
class Judged:
    """Who is judged on what: held-out pieces by name, with a view of each part, and hands by kind and name."""

    pieces: Mapping[str, list[View]]
    hands: Mapping[tuple[str, str], Drawer]
    contenders: Mapping[str, Drawer]


def evaluate(
    weights: Path | None = None,
    *,
    n_pieces: int = 12,
    n_hands: int = 3,
    seed: int = 0,
    apart: Sequence[str] = (),
    folder: Path = HANDS,
    ablation: bool = False,
    done: Callable[[str], object] = lambda what: None,
) -> dict[str, Any]:
    """All figures.

    Parameters
    ----------
    weights : Path, optional
        Other weights than the shipped ones.
    n_pieces, n_hands : int
        Held-out pieces (quartet movements, chorales and invented cues by turns) and fresh hands of the prior.
    seed : int
        Other fresh hands and other resampling.
    apart : sequence of str
        Names of validation hands in `folder`.
    ablation : bool
        What each group of features is worth, too.
    done : function of str
        Called with what is being done.

    Returns
    -------
    dict
        `pieces` and `hands` (kind to names); `figures`: for each kind of hand, contender, lane and situation the
        figures of FIGURES_OF as [value, low, high], null where there is nothing to compare; `ablation` where asked for.

    Raises
    ------
    InputError
        music21 or scikit-learn is not installed, or the weights cannot be used.
    UsageError
        No such hand.
    """
    from phrasewright.model.network import load_weights

    weights = weights or WEIGHTS
    load_weights(weights)  # a fault is told before minutes have passed
    people = {f"person {seed * 1000 + k}": _person(PERSON_SEED + seed * 1000 + k) for k in range(n_hands)}
    hands: dict[tuple[str, str], Drawer] = {("default", "rules"): default_cc}
    hands |= {("prior", name): hand for name, hand in people.items()}
    hands |= {("apart", name): hand for name, hand in _apart(apart, folder).items()}
    done("reading pieces")
    pieces = {name: _views(hearing) for name, hearing in held_out_cues(n_pieces)}
    known = [view for hearing in taught_cues() for view in _views(hearing)]
    done("fitting the simple models")
    models = fitted(known, ("constant", "ridge", "boosting"))
    contenders: dict[str, Drawer] = {name: partial(_modelled, model) for name, model in models.items()}
    contenders |= {"rules": default_cc, "network": partial(_network_cc, weights=weights)}
    judged = Judged(pieces, hands, contenders)
    figures = figures_of(sums_of(judged, done), seed=seed)
    kinds = {kind: [name for k, name in hands if k == kind] for kind in dict.fromkeys(k for k, _ in hands)}
    result = {"pieces": list(pieces), "hands": kinds, "figures": figures}
    if ablation:
        result["ablation"] = ablation_of([v for views in pieces.values() for v in views], known, weights, done)
    return result


def held_out_cues(n: int) -> Iterator[tuple[str, CueHearing]]:
    """Names and hearings of `n` pieces: movements, chorales, invented cues by turns (the movements are four).

    Raises InputError where music21 is not installed.
    """
    if importlib.util.find_spec("music21") is None:
        raise InputError("music21 is not installed; pip install 'phrasewright[test]'")
    chorales = (name for name in score_names() if held_out(name) and name not in HELD_OUT)
    kinds = [iter(HELD_OUT), chorales, (f"invented {seed}" for seed in JUDGED_SEEDS)]
    while n and kinds:
        kind = kinds.pop(0)
        name = next(kind, None)
        if name is None:
            continue
        kinds.append(kind)
        if name.startswith("invented"):
            sketch = training_sketch(int(name.split()[1]), scores=())
            if len(sketch.lines) > MOST_LINES:
                continue
            yield name, hear(cue_of(sketch))
        else:
            yield name, quartet_cue(kept_score(name), n_bars=BARS)
        n -= 1


def taught_cues() -> Iterator[CueHearing]:
    """What the simple models learn from."""
    for name in TAUGHT:
        yield quartet_cue(kept_score(name), n_bars=BARS)
    for seed in TAUGHT_SEEDS:
        sketch = training_sketch(seed, scores=())
        if len(sketch.lines) <= MOST_LINES:
            yield hear(cue_of(sketch))


def quartet_cue(score: Score, *, n_bars: int | None = 48) -> CueHearing:
    """The opening of a score for four lines as a cue, as written, at 90 quarter notes a minute, velocities all 80."""
    end = (n_bars or 10_000) * score.metre[0] * 4.0 / score.metre[1]
    rows = [tuple((at, length, pitch, 80) for at, length, pitch, _ in line if at < end) for line in score.lines[:4]]
    lines = tuple(Line(name, program, r) for (name, program), r in zip(QUARTET, rows, strict=False) if r)
    return hear(cue_of(Sketch(lines, ((0.0, 90.0),), score.metre)))


def sums_of(judged: Judged, done: Callable[[str], object]) -> dict[tuple[str, str, str], Array]:
    """Sums by kind of hand, hand and contender: (n_pieces, n_lanes, n_situations, n_figures, 2), numerator first."""
    shape = (len(judged.pieces), len(LANES), len(SITUATIONS), len(FIGURES_OF), 2)
    sums = {(*hand, who): np.zeros(shape) for hand in judged.hands for who in judged.contenders}
    for number, (name, views) in enumerate(judged.pieces.items()):
        done(f"judging {name}")
        for view in views:
            drawn = {who: contender(view) for who, contender in judged.contenders.items()}
            for hand, draw in judged.hands.items():
                wanted = draw(view)
                for who, lanes in drawn.items():
                    sums[*hand, who][number] += _sums(view, wanted, lanes)
    return sums


def figures_of(sums: Mapping[tuple[str, str, str], Array], *, seed: int) -> dict[str, Any]:
    """Figures with intervals: kind of hand, contender, lane, situation, figure."""
    out: dict[str, Any] = {}
    n_pieces = len(next(iter(sums.values())))
    drawn = resamples(n_pieces, n_draws=RESAMPLED, seed=seed)
    count = np.apply_along_axis(np.bincount, 1, drawn, minlength=n_pieces)
    count = np.concatenate([np.ones((1, n_pieces)), count])  # the pieces as they are come first
    for kind, who in dict.fromkeys((kind, who) for kind, _, who in sums):
        mine = np.stack([value for (k, _, w), value in sums.items() if (k, w) == (kind, who)])
        total = np.einsum("rp,hplsfk->rhlsfk", count, mine)
        with np.errstate(divide="ignore", invalid="ignore"):
            ratio = total[..., 0] / np.where(total[..., 1] > 0, total[..., 1], np.nan)  # (resampled, hand, ...)
        errors, life = ratio[..., :3], ratio[..., 3:]
        value = np.concatenate([_middle(errors, np.nanmean), _middle(life, np.nanmedian)], axis=-1)
        low, high = (_middle(value[1:], partial(np.nanquantile, q=q), axis=0) for q in (0.025, 0.975))
        table = np.stack([value[0], low, high], axis=-1)  # (lane, situation, figure, 3)
        out.setdefault(kind, {})[who] = {
            lane: {
                situation: {name: _told(row) for name, row in zip(FIGURES_OF, rows, strict=True)}
                for situation, rows in zip(SITUATIONS, table[k], strict=True)
                if np.isfinite(rows[0][0])
            }
            for k, lane in enumerate(LANES)
        }
    return out


def _middle(value: Array, how: Callable[..., Any], axis: int = 1) -> Array:
    """A mean, median or quantile over hands (or resamplings) that know nothing of nan warnings."""
    empty = np.all(np.isnan(value), axis=axis)
    filled = np.where(np.expand_dims(empty, axis), 0.0, value)
    return np.where(empty, np.nan, how(filled, axis=axis))


def _told(row: Array) -> list[float | None]:
    return [round(float(v), 3) if np.isfinite(v) else None for v in row]


def _sums(view: View, wanted: Array, lanes: Array) -> Array:
    """Sums of one part, (n_lanes, n_situations, n_figures, 2)."""
    hand, lane = (np.clip(np.rint(v), 1.0, 127.0) for v in (wanted, lanes))
    where = situations_of(view)
    inside = np.stack([mask[view.at] for mask in where]).astype(np.float64)  # (n_situations, n_frames)
    n_phrases = int(view.phrase.max()) + 1
    count = np.maximum(np.bincount(view.phrase, minlength=n_phrases), 1)
    out = np.zeros((len(LANES), len(SITUATIONS), len(FIGURES_OF), 2))
    grids = [view.on_grid(v) for v in (hand, lane)]
    for k in range(len(LANES)):
        off = lane[:, k] - hand[:, k]
        mean = (np.bincount(view.phrase, off, n_phrases) / count)[view.phrase]
        level = np.abs(LEVEL_LAW_DB * np.log10(lane[:, k] / hand[:, k])) if LANES[k] == "expression" else np.zeros(0)
        for figure, error in enumerate((np.abs(off), np.abs(off - mean), level)):
            if len(error):
                out[k, :, figure] = np.stack([inside @ error, inside.sum(axis=1)], axis=1)
        lives = lives_of(view.hearing, view.index, grids[0][:, k], grids[1][:, k], where)
        out[k, :, 3:] = np.stack([_life(life) for life in lives])
    return out


def _life(life: Life) -> Array:
    """The six figures as (6, 2), in the order of FIGURES_OF."""
    return np.stack([life.depth_cc, life.repeat_cc, life.accent_cc, life.energy_cc2, life.slope_r, life.peaks])


def situations_of(view: View) -> list[NDArray[np.bool_]]:
    """For each of SITUATIONS, which attacks of the part are in it."""
    a = view.hearing.parts[view.index].attacks
    axes = ((a.role, range(len(ROLES))), (a.figure, range(1, len(FIGURES))), (a.event, range(1, len(EVENTS))))
    return [np.ones(a.n_attacks, dtype=bool), *(axis == k for axis, labels in axes for k in labels)]


def _views(hearing: CueHearing) -> list[View]:
    shaped = [i for i, part in enumerate(hearing.parts) if part.part.shaped]
    return [view for i in shaped if (view := view_of(hearing, i)) is not None]


def _modelled(model: Callable[[NDArray[np.float32]], Array], view: View) -> Array:
    return model(view.columns)


def _network_cc(view: View, *, weights: Path) -> Array:
    return np.asarray(network_raw_cc(view.hearing, view.index, weights=weights)[0][view.frames])


def _person(seed: int) -> Drawer:
    person = drawn_person(seed)

    def draw(view: View) -> Array:
        moments = moments_of(view.hearing, view.index, view.frames, rules_cc=default_cc(view))
        return drawn_cc(person, sight_of(view.hearing, view.index, view.frames, at=view.at, moments=moments))

    return draw


def _apart(names: Sequence[str], folder: Path) -> dict[str, Drawer]:
    if not names:
        return {}
    known = hands_at(folder, "validation")
    unknown = [name for name in names if name not in known]
    if unknown:
        raise UsageError(f"{unknown[0]!r} is no hand kept for choices; choose from {', '.join(known)}")
    return {name: partial(_apart_cc, known[name]) for name in names}


def _apart_cc(hand: Hand, view: View) -> Array:
    return np.asarray(hand(view.hearing, view.index, noise=False)[view.frames])


def evaluation_text(result: Mapping[str, Any]) -> str:
    """The figures for people: a table a kind of hand and lane, then by situation against the default hand."""
    lines = [f"{len(result['pieces'])} held-out pieces: {', '.join(result['pieces'])}"]
    for kind, names in result["hands"].items():
        told = "the default hand" if kind == "default" else f"hands {kind}: {', '.join(names)}"
        lines += [
            "",
            f"Against {told} (95 % by piece)",
            "",
            _row(("lane", "", *FIGURES_OF)),
            _rule(2 + len(FIGURES_OF)),
        ]
        for lane in LANES:
            for who in CONTENDERS:
                found = result["figures"][kind][who][lane]["all"]
                lines.append(_row((lane, who, *(_cell(found[name]) for name in FIGURES_OF))))
    lines += ["", "By situation against the default hand: errors, then how alive the network is", ""]
    life = FIGURES_OF[3:]
    lines += [_row(("lane", "situation", *CONTENDERS, *life)), _rule(2 + len(CONTENDERS) + len(life))]
    default = result["figures"]["default"]
    for lane in LANES:
        for situation in default["network"][lane]:
            errors = [f"{default[who][lane][situation]['error'][0]:.2f}" for who in CONTENDERS]
            found = default["network"][lane][situation]
            alive = ["" if found[name][0] is None else f"{found[name][0]:.2f}" for name in life]
            lines.append(_row((lane, situation, *errors, *alive)))
    if "ablation" in result:
        groups, table = tuple(FEATURE_GROUPS), result["ablation"]
        lines += [
            "",
            "Steps of error that each group of features saves (network: its columns shuffled; else left out)",
            "",
        ]
        lines += [_row(("lane", "", "with all", *groups)), _rule(3 + len(groups))]
        for lane in LANES:
            for who, found in table.items():
                cost = [f"{found[lane][group] - found[lane]['']:+.2f}" for group in groups]
                lines.append(_row((lane, who, f"{found[lane]['']:.2f}", *cost)))
    return "\n".join(lines)


def _cell(found: Sequence[float | None]) -> str:
    if found[0] is None:
        return ""
    return f"{found[0]:.2f}" if found[1] is None else f"{found[0]:.2f} [{found[1]:.2f}, {found[2]:.2f}]"


def _row(cells: Sequence[str]) -> str:
    return "| " + " | ".join(cells) + " |"


def _rule(n: int) -> str:
    return "|" + " --- |" * n


def property_tests_pass() -> bool:
    """Whether every property test of the rules passes on the shipped weights; run from the root of a checkout."""
    command = [sys.executable, "-m", "pytest", "-q", "-n0", "-k", "network", *PROPERTY_TESTS]
    return subprocess.run(command, check=False).returncode == 0


def main(arguments: Sequence[str] | None = None) -> None:
    """Write the outcome of the property tests, and the figures, into the card of the shipped weights."""
    given = list(sys.argv[1:] if arguments is None else arguments)
    if given != ["--record"]:
        raise SystemExit("phrasewright evaluate prints the tables; here --record is all there is")
    result = evaluate(apart=tuple(hands_at(HANDS, "validation")), done=lambda what: print(what, file=sys.stderr))
    tables = {
        kind: {who: {lane: found["all"] for lane, found in lanes.items()} for who, lanes in table.items()}
        for kind, table in result["figures"].items()
    }
    card = json.loads(WEIGHTS.with_suffix(".json").read_text(encoding="utf-8"))
    old = {"fit to the teacher", "hands apart"}  # tables of earlier versions
    figures = {name: value for name, value in card["figures"].items() if name not in old} | {"evaluation": tables}
    amend_card(WEIGHTS, passed_property_tests=property_tests_pass(), figures=figures)
    print(evaluation_text(result))


if __name__ == "__main__":
    main()
