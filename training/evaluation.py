"""How well a set of weights draws, on movements it never saw: error and life, beside a constant and a ridge regression.

Two tables. *Fit to the teacher*: the network against the default hand (the rules without what cannot be foreseen),
beside the best constant and a ridge regression on the network's own features. *Hands apart* (`--hands FILE`): network
and rules, each after an offset a lane fitted to the hand over the cue, against hands that did not teach either.

    python -m phrasewright.training.evaluation [--weights FILE] [--hands tests/hands_apart.py] [--json] [--record]

`--record` runs the property tests on the shipped weights (in a checkout that has them) and writes their outcome and the
tables into the model card; `shape` uses the network only if that outcome is good.
"""

from __future__ import annotations

import argparse
import importlib.util
import json
import subprocess
import sys
from collections import defaultdict
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from phrasewright.data.curves import LANES
from phrasewright.model.features import part_features
from phrasewright.model.hearing import CueHearing
from phrasewright.model.lanes import FRAME_S
from phrasewright.model.limits import sounding_frames
from phrasewright.model.listening import hear
from phrasewright.model.parameters import DEFAULT
from phrasewright.model.prediction import WEIGHTS, foreseeable, network_lanes, network_raw_cc
from phrasewright.model.rules import raw_lanes, rules_lanes
from phrasewright.training.cards import amend_card
from phrasewright.training.corpus import HELD_OUT, Score, cue_of, read_score
from phrasewright.training.examples import STEP
from phrasewright.training.life import bridged, depth_ratio, energy_cc2, slope_correlation
from phrasewright.training.textures import Line, Sketch

Array = NDArray[np.float64]
Hand = Callable[[CueHearing, int], Array]
Table = dict[str, dict[str, float]]
QUARTET = (("Violin I", 40), ("Violin II", 40), ("Viola", 41), ("Cello", 42))
PROPERTY_TESTS = tuple(
    f"tests/test_{name}.py" for name in ("musical_claims", "note_claims", "movement_claims", "lane_contract")
)
FITTED_ON = ("haydn/opus1no1/movement1", "mozart/k155/movement1")
"""Where constant and ridge are fitted: movements the network may see too."""


def quartet_cue(score: Score, *, n_bars: int | None = 48) -> CueHearing:
    """The opening of a quartet movement as a cue, as written, at 90 quarter notes a minute, velocities all 80."""
    end = (n_bars or 10_000) * score.metre[0] * 4.0 / score.metre[1]
    rows = [tuple((at, length, pitch, 80) for at, length, pitch, _ in line if at < end) for line in score.lines[:4]]
    lines = tuple(Line(name, program, r) for (name, program), r in zip(QUARTET, rows, strict=False) if r)
    return hear(cue_of(Sketch(lines, ((0.0, 90.0),), score.metre)))


def fit_to_teacher(cues: Sequence[CueHearing], fitted_on: Sequence[CueHearing], *, weights: Path) -> Table:
    """Mean absolute errors against the default hand for constant, ridge and network; the network's figures of life."""
    from sklearn.linear_model import Ridge

    known = [_frames(hearing, i) for hearing in fitted_on for i in range(len(hearing.parts))]
    target = np.concatenate([t for _, t, _ in known])
    constant = np.median(target, axis=0)
    ridge = Ridge(alpha=10.0).fit(np.concatenate([x for x, _, _ in known]), target)
    errors: dict[str, list[Array]] = defaultdict(list)
    life: dict[str, list[list[float]]] = {lane: [] for lane in LANES}
    for hearing in cues:
        for i, part in enumerate(hearing.parts):
            features, wanted, frame_no = _frames(hearing, i)
            drawn, _ = network_raw_cc(hearing, i, weights=weights)
            errors["constant"].append(np.abs(wanted - constant))
            errors["ridge"].append(np.abs(wanted - ridge.predict(features)))
            errors["network"].append(np.abs(wanted - drawn[frame_no]))
            teacher = raw_lanes(hearing, i, parameters=foreseeable(DEFAULT)).value_cc
            joins_s = part.attacks.onset_s[part.attacks.joined]
            for k, lane in enumerate(LANES):
                life[lane].append(figures_of_life(hearing, i, teacher[:, k], drawn[:, k], joins_s=joins_s))
    table = {name: dict(zip(LANES, _pooled(rows), strict=True)) for name, rows in errors.items()}
    for k, name in enumerate(("depth_ratio", "energy_ratio", "slope_r")):
        table[name] = {lane: round(float(np.nanmedian([row[k] for row in rows])), 3) for lane, rows in life.items()}
    return table


def figures_of_life(
    hearing: CueHearing, index: int, reference_cc: Array, value_cc: Array, *, joins_s: Array
) -> list[float]:
    """Depth ratio, energy ratio and slope correlation of one lane, both (n_frames,) on the 10 ms grid."""
    sounding = sounding_frames(hearing, index, len(reference_cc))[::STEP]
    left, right = bridged(reference_cc[::STEP], sounding), bridged(value_cc[::STEP], sounding)
    energy = energy_cc2(left)
    return [
        depth_ratio(left, right, joins_s),
        energy_cc2(right) / energy if energy > 0 else float("nan"),
        slope_correlation(left, right, sounding),
    ]


def against_hands(cues: Sequence[CueHearing], hands: Mapping[str, Hand], *, weights: Path) -> Table:
    """Mean absolute error of network and rules, over all lanes, against each hand; an offset a lane is fitted a cue."""
    table: Table = {}
    for name, hand in hands.items():
        row: dict[str, list[Array]] = defaultdict(list)
        for hearing in cues:
            drawn: dict[str, list[Array]] = defaultdict(list)
            for i in range(len(hearing.parts)):
                lanes = {
                    "hand": hand(hearing, i),
                    "network": network_lanes(hearing, i, weights=weights).value_cc,
                    "rules": rules_lanes(hearing, i).value_cc,
                }
                sounding = sounding_frames(hearing, i, len(lanes["hand"]))
                for who, value in lanes.items():
                    drawn[who].append(value[sounding])
            wanted = np.concatenate(drawn["hand"])
            row["constant"].append(np.abs(wanted - np.median(wanted, axis=0)))
            for who in ("rules", "network"):
                away = wanted - np.concatenate(drawn[who])
                row[who].append(np.abs(away - np.median(away, axis=0)))
        table[name] = {who: round(float(np.concatenate(parts).mean()), 3) for who, parts in row.items()}
    return table


def property_tests_pass() -> bool:
    """Whether every property test of the rules passes on the shipped weights; run from the root of a checkout."""
    command = [sys.executable, "-m", "pytest", "-q", "-k", "network", *PROPERTY_TESTS]
    return subprocess.run(command, check=False).returncode == 0


def hands_in(path: Path) -> dict[str, Hand]:
    """The `HANDS` of a Python file."""
    spec = importlib.util.spec_from_file_location(path.stem, path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return dict(module.HANDS)


def _frames(hearing: CueHearing, index: int) -> tuple[NDArray[np.float32], Array, NDArray[np.int64]]:
    """Features of each sounding frame and its attack, the default hand's lanes there, and the frames' numbers."""
    teacher = raw_lanes(hearing, index, parameters=foreseeable(DEFAULT)).value_cc
    frame_no = np.flatnonzero(sounding_frames(hearing, index, len(teacher)))[::STEP]
    features = part_features(hearing, index, time_s=np.asarray(frame_no * FRAME_S, dtype=np.float64))
    return np.concatenate([features.frame, features.attack[features.at]], axis=1), teacher[frame_no], frame_no


def _pooled(errors: Sequence[Array]) -> list[float]:
    return [round(float(e), 3) for e in np.concatenate(errors).mean(axis=0)]


def main(arguments: Sequence[str] | None = None) -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(description="Judge network weights on movements they never saw.")
    parser.add_argument("--weights", type=Path, default=WEIGHTS)
    parser.add_argument("--hands", type=Path)
    parser.add_argument("--json", action="store_true")
    parser.add_argument("--record", action="store_true")
    given = parser.parse_args(arguments)
    cues = [quartet_cue(read_score(name)) for name in HELD_OUT]
    known = [quartet_cue(read_score(name)) for name in FITTED_ON]
    tables = {"fit to the teacher": fit_to_teacher(cues, known, weights=given.weights)}
    if given.hands:
        tables["hands apart"] = against_hands(cues, hands_in(given.hands), weights=given.weights)
    if given.record:
        figures = json.loads(WEIGHTS.with_suffix(".json").read_text(encoding="utf-8"))["figures"] | tables
        amend_card(WEIGHTS, passed_property_tests=property_tests_pass(), figures=figures)
    if given.json:
        print(json.dumps(tables))
        return
    for title, table in tables.items():
        columns = list(next(iter(table.values())))
        print(f"\n{title} (steps; ratios where named)\n{'':14}" + "".join(f"{c:>12}" for c in columns))
        for name, row in table.items():
            print(f"{name:14}" + "".join(f"{row[c]:12.3f}" for c in columns))
    sys.stdout.flush()


if __name__ == "__main__":
    main()
