"""What each group of features is worth: duration, interval, position in phrase, repetition, chord density.

Ridge and trees learn anew without the group's columns. The network is asked with the group's columns shuffled among
the attacks (and among the frames) of the part: what it loses is what it made of them, an upper bound of what they are
worth, for other columns may tell the same and it was never taught to do without.
"""

from __future__ import annotations

import zlib
from collections.abc import Callable, Collection, Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from phrasewright.data.curves import LANES
from phrasewright.model.features import ATTACK_FEATURES, FEATURE_GROUPS, FRAME_FEATURES, part_features
from phrasewright.model.lanes import FRAME_S
from phrasewright.training.simple_models import View, default_cc, fitted

Array = NDArray[np.float64]
Found = dict[str, dict[str, dict[str, float]]]


def ablation_of(judged: Sequence[View], known: Sequence[View], weights: Path, done: Callable[[str], object]) -> Found:
    """Mean absolute error against the default hand by contender, lane and group left out ('' for none)."""
    from phrasewright.model.network import load_weights, predict

    network = load_weights(weights)
    found: Found = {who: {lane: {} for lane in LANES} for who in ("ridge", "boosting", "network")}
    for group, names in {"": (), **FEATURE_GROUPS}.items():
        done(f"without {group}" if group else "with all features")
        models = fitted(known, ("ridge", "boosting"), without=names)
        off: dict[str, list[Array]] = {who: [] for who in found}
        for view in judged:
            wanted = np.rint(default_cc(view))
            for who, model in models.items():
                off[who].append(np.abs(np.rint(model(view.columns)) - wanted))
            time_s = np.asarray(view.frames * FRAME_S, dtype=np.float64)
            f = part_features(view.hearing, view.index, time_s=time_s)
            rng = np.random.default_rng(zlib.crc32(group.encode()))
            attack, frame = (
                shuffled(table, columns, names, rng)
                for table, columns in ((f.attack, ATTACK_FEATURES), (f.frame, FRAME_FEATURES))
            )
            centre, _ = predict(network, attack=attack, onset_s=f.onset_s, frame=frame, at=f.at)
            off["network"].append(np.abs(np.rint(centre) - wanted))
        for who, rows in off.items():
            mean = np.concatenate(rows).mean(axis=0)
            for lane, value in zip(LANES, mean.tolist(), strict=True):
                found[who][lane][group] = round(value, 3)
    return found


def shuffled(
    table: NDArray[np.float32], columns: Sequence[str], names: Collection[str], rng: np.random.Generator
) -> NDArray[np.float32]:
    """The table with the named columns from another row, the same for all of them."""
    chosen = [k for k, name in enumerate(columns) if name in names]
    out = table.copy()
    out[:, chosen] = table[rng.permutation(len(table))][:, chosen]
    return out
