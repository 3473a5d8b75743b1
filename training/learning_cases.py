"""What a user may do otherwise than correct whole cues: cases of `learning_evaluation`, each one number or two; and
bow and attack lanes, which only some instruments have.

All cases learn from one cue (four lines, two minutes) of the hands kept apart unless said otherwise, and are judged on
the same cues as everything else. Steps, mean absolute error over the lanes named.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from phrasewright.data.curves import ALL_LANES, COLOUR_LANES, LANES
from phrasewright.model.colour_lanes import ruled_cc
from phrasewright.model.hearing import ROLES, CueHearing
from phrasewright.model.lanes import FRAME_S
from phrasewright.model.personal import Style, colour_departures_cc, style_lanes
from phrasewright.training.learning_evaluation import (
    Correction,
    corrections_by,
    examples_of_corrections,
    fitted_to,
    kept,
)
from phrasewright.training.material import Hand, Span
from phrasewright.training.personal_examples import OLDER, part_examples
from phrasewright.training.personal_fitting import fit_style, joined_examples
from phrasewright.training.simple_models import judged_frames

Array = NDArray[np.float64]
CASES = ("one lane", "one part", "one kind", "changed mind")


def evaluate_case(case: str, hand: Hand, spans: Mapping[str, Sequence[Span]], *, seed: int) -> dict[str, Any]:
    """The figures of one of CASES for one hand. `spans` holds `cue` and `judge`. Raises KeyError for another name."""
    return {
        "one lane": _one_lane,
        "one part": _one_part,
        "one kind": _one_kind,
        "changed mind": _changed_mind,
    }[case](hand, spans["cue"], spans["judge"], seed)


def _one_lane(hand: Hand, learn: Sequence[Span], judge: Sequence[Span], seed: int) -> dict[str, Any]:
    corrections = [replace(c, lanes=(False, True, False)) for c in corrections_by(hand, learn, seed=seed)]
    off, shipped = _errors(fitted_to(corrections)[0].style, hand, judge)
    return {
        "why": "only expression corrected; its error, as shipped, and how much the other lanes changed",
        "expression": off[:, 1].mean(), "shipped": shipped[:, 1].mean(),
        "others moved": float(np.abs(off[:, [0, 2]] - shipped[:, [0, 2]]).max()),
    }  # fmt: skip


def _one_part(hand: Hand, learn: Sequence[Span], judge: Sequence[Span], seed: int) -> dict[str, Any]:
    style = fitted_to(corrections_by(hand, learn, seed=seed)[:1])[0].style
    told: dict[str, Any] = {"why": "only the first violin corrected; error of the first parts and of the others"}
    for name, some in (("first", [s for s in judge if s.index == 0]), ("others", [s for s in judge if s.index > 0])):
        off, shipped = _errors(style, hand, some)
        told |= {name: off.mean(), f"{name} shipped": shipped.mean()}
    return told


def _one_kind(hand: Hand, learn: Sequence[Span], judge: Sequence[Span], seed: int) -> dict[str, Any]:
    melody = ROLES.index("melody")
    examples = examples_of_corrections(corrections_by(hand, learn, seed=seed))
    style = fit_style(examples.only(examples.moments.role == melody), name="judged", about={}).style
    own: list[Array] = []
    shipped: list[Array] = []
    tune = []
    for span in judge:
        for rows, found in zip((own, shipped), _errors(style, hand, [span]), strict=True):
            rows.append(found)
        tune.append(_role_at(span) == melody)
    off, base, is_tune = np.concatenate(own), np.concatenate(shipped), np.concatenate(tune)
    return {
        "why": "only melodies corrected; error of melodies and of all else",
        "melody": off[is_tune].mean(), "melody shipped": base[is_tune].mean(),
        "else": off[~is_tune].mean(), "else shipped": base[~is_tune].mean(),
    }  # fmt: skip


def _changed_mind(hand: Hand, learn: Sequence[Span], judge: Sequence[Span], seed: int) -> dict[str, Any]:
    now = corrections_by(hand, learn, seed=seed)
    middle = [c.value_cc.mean(axis=0) for c in now]
    before = [Correction(c.span, np.clip(2.0 * m - c.value_cc, 0.0, 127.0)) for c, m in zip(now, middle, strict=True)]
    old, new = examples_of_corrections(before), examples_of_corrections(now)
    old = replace(old, weight_s=OLDER * old.weight_s)
    first = fit_style(old, name="judged", about={}).style
    both = fit_style(joined_examples([old, new]), name="judged", about={}).style
    return {
        "why": "all drawn upside down, then corrected; error before, after, and had it been drawn so at once",
        "before": _errors(first, hand, judge)[0].mean(), "after": _errors(both, hand, judge)[0].mean(),
        "at once": _errors(fit_style(new, name="judged", about={}).style, hand, judge)[0].mean(),
        "band, at once": _band(fit_style(new, name="judged", about={}).style), "band after": _band(both),
    }  # fmt: skip


def _band(style: Style) -> float:
    return float(np.mean([model.error_cc[0] for model in style.lanes.values()]))


def _errors(style: Style, hand: Hand, judge: Sequence[Span]) -> tuple[Array, Array]:
    """Distances from the hand in a style and as shipped, each (n_frames, 3)."""
    own, base = [], []
    for span in judge:
        frames = judged_frames(span.hearing, span.index)
        true = np.clip(hand(span.hearing, span.index, noise=False), 0.0, 127.0)[frames]
        said = style_lanes(span.hearing, span.index, style, shipped=kept).value_cc[frames]
        own.append(np.abs(np.rint(said) - np.rint(true)))
        base.append(np.abs(np.rint(kept(span.hearing, span.index).value_cc[frames]) - np.rint(true)))
    return np.concatenate(own).reshape(-1, len(LANES)), np.concatenate(base).reshape(-1, len(LANES))


def _role_at(span: Span) -> NDArray[np.int64]:
    attacks = span.hearing.parts[span.index].attacks
    time_s = judged_frames(span.hearing, span.index) * FRAME_S
    at = np.searchsorted(attacks.onset_s, time_s + 1e-9, side="right") - 1
    return attacks.role[np.maximum(at, 0)].astype(np.int64)


def evaluate_colours(hand: Hand, learn: Sequence[Span], judge: Sequence[Span], *, seed: int) -> dict[str, Array]:
    """Errors of the rules, of the rules with the gain and offset that fit best, and of a style, all beside the same
    dynamics: each (3,) for bow, attack, and attack at note-ons. `hand` draws these two lanes, (n_frames, 2); the spans
    are `with_colours`."""
    made, count = [], 0
    for span in learn:
        shipped, own = kept(span.hearing, span.index), hand(span.hearing, span.index, seed=seed + count)
        n_frames, at = min(len(own), shipped.n_frames), slice(len(LANES), len(ALL_LANES))
        target, weight = np.full((n_frames, len(ALL_LANES)), np.nan), np.zeros((n_frames, len(ALL_LANES)))
        target[:, 0], target[:, at] = shipped.value_cc[:n_frames, 0], own[:n_frames]
        time_s = np.arange(n_frames) * FRAME_S
        weight[(time_s >= span.start_s) & (time_s < span.end_s), at] = 1.0
        made.append(
            part_examples(span.hearing, span.index, target, weight=weight, shipped=shipped, phrase_from=count)
        )
        count += len(span.hearing.parts[span.index].phrases)
    e = joined_examples(made)
    style = fit_style(e, name="judged", about={}).style
    line = [np.polyfit(e.shipped_cc[:, k], e.target_cc[:, k], 1, w=np.sqrt(e.weight_s[:, k])) for k in (3, 4)]
    off: dict[str, list[list[Array]]] = {way: [[], [], []] for way in ("rules", "gain", "learned")}
    for span in judge:
        dynamics_cc = kept(span.hearing, span.index).value_cc[:, 0]
        true = hand(span.hearing, span.index, noise=False)
        frames = judged_frames(span.hearing, span.index)
        onset_s = span.hearing.parts[span.index].attacks.onset_s
        at_keys = np.minimum(np.ceil(onset_s / FRAME_S - 1e-6).astype(np.int64), len(true) - 1)
        moved = colour_departures_cc(span.hearing, span.index, style, dynamics_cc)
        for k, lane in enumerate(COLOUR_LANES):
            rules = ruled_cc(lane, span.hearing, span.index, dynamics_cc)
            said = {"rules": rules, "gain": np.polyval(line[k], rules), "learned": rules + moved.get(lane, 0.0)}
            for way, value in said.items():
                apart = np.abs(np.clip(value[: len(true)], 0.0, 127.0) - true[:, k])
                off[way][k].append(apart[frames])
                if lane == "attack":
                    off[way][2].append(apart[at_keys])
    return {way: np.array([np.concatenate(rows).mean() for rows in lanes]) for way, lanes in off.items()}


def with_colours(spans: Sequence[Span]) -> tuple[Span, ...]:
    """The same music on instruments that have a bow and an attack lane."""
    numbers = {lane: 20 + k for k, lane in enumerate(COLOUR_LANES)}
    heard: dict[int, CueHearing] = {}
    for span in spans:
        parts = (replace(p, part=replace(p.part, lane_cc={**p.part.lane_cc, **numbers})) for p in span.hearing.parts)
        heard[id(span.hearing)] = heard.get(id(span.hearing)) or replace(span.hearing, parts=tuple(parts))
    return tuple(replace(span, hearing=heard[id(span.hearing)]) for span in spans)
