"""Simpler models than the network, on the same columns, and what each group of columns is worth to all of them.

The best constant, ridge regression and boosted trees learn the default hand (the rules without what cannot be
foreseen) over a few pieces the network may see too. Columns are those of `features.py`, attack and frame side by side,
at sounding frames 20 ms apart.

What a group is worth (duration, interval, position in phrase, repetition, chord density): ridge and trees learn anew
without its columns. The network is asked with the group's columns shuffled among the attacks (and among the frames) of
the part: what it loses is what it made of them, an upper bound of what they are worth, for other columns may tell the
same and it was never taught to do without.
"""

from __future__ import annotations

import zlib
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from phrasewright.data.curves import LANES
from phrasewright.data.errors import InputError
from phrasewright.model.features import ATTACK_FEATURES, FEATURE_GROUPS, FRAME_FEATURES, part_features
from phrasewright.model.hearing import CueHearing
from phrasewright.model.lanes import FRAME_S, n_frames_for
from phrasewright.model.limits import sounding_frames
from phrasewright.model.parameters import DEFAULT
from phrasewright.model.prediction import foreseeable
from phrasewright.model.rules import raw_lanes

Array = NDArray[np.float64]
Found = dict[str, dict[str, dict[str, float]]]
Model = Callable[[NDArray[np.float32]], Array]
"""From columns (n_frames, n_columns) to lanes (n_frames, 3), steps."""
STEP = 2
COLUMNS = (*FRAME_FEATURES, *ATTACK_FEATURES)
"""Names of the columns; a name in both tables stands twice."""
TREES = 200
MOST_ROWS = 20_000
"""Rows the simple models learn from, drawn evenly: more change the figures by less than their intervals."""


@dataclass(frozen=True)
class View:
    """One part as the models see it: `columns` (n_frames, n_columns) at `frames` (n_frames,) of the 10 ms grid.

    `n_frames` is the length of that grid, `at` (n_frames,) the attack of each frame, `phrase` its phrase.
    """

    hearing: CueHearing
    index: int
    columns: NDArray[np.float32]
    frames: NDArray[np.int64]
    at: NDArray[np.int64]
    phrase: NDArray[np.int64]
    n_frames: int

    def on_grid(self, value_cc: Array) -> Array:
        """Lanes at `frames`, shape (n_frames, 3), on the whole grid by straight lines."""
        every = np.arange(self.n_frames)
        return np.stack([np.interp(every, self.frames, lane) for lane in value_cc.T], axis=1)


def view_of(hearing: CueHearing, index: int) -> View | None:
    """The part at `index` (from 0), None where it has no attack."""
    part = hearing.parts[index]
    if not part.attacks.n_attacks:
        return None
    n_frames = n_frames_for(float(part.part.notes.offset_s.max()))
    frames = np.flatnonzero(sounding_frames(hearing, index, n_frames)[::STEP]) * STEP
    features = part_features(hearing, index, time_s=np.asarray(frames * FRAME_S, dtype=np.float64))
    columns = np.concatenate([features.frame, features.attack[features.at]], axis=1)
    return View(hearing, index, columns, frames, features.at, part.attacks.phrase[features.at], n_frames)


def default_cc(view: View) -> Array:
    """What the default hand draws at the view's frames, (n_frames, 3), steps."""
    lanes = raw_lanes(view.hearing, view.index, parameters=foreseeable(DEFAULT)).value_cc
    return np.asarray(lanes[view.frames])


def fitted(views: Sequence[View], names: Collection[str], *, without: Collection[str] = ()) -> Mapping[str, Model]:
    """The named models (`constant`, `ridge`, `boosting`), fitted to the default hand over the views.

    `without` names columns that the models do not see.

    Raises
    ------
    InputError
        scikit-learn is not installed.
    """
    try:
        from sklearn.ensemble import HistGradientBoostingRegressor
        from sklearn.linear_model import Ridge
    except ImportError as fault:
        raise InputError("scikit-learn is not installed; pip install 'phrasewright[test]'") from fault
    seen = np.array([name not in without for name in COLUMNS])
    x = np.concatenate([view.columns for view in views])
    y = np.concatenate([default_cc(view) for view in views])
    every = max(len(x) // MOST_ROWS, 1)
    x, y = x[::every][:, seen], y[::every]
    models: dict[str, Model] = {}
    if "constant" in names:
        middle = np.median(y, axis=0)
        models["constant"] = lambda columns: np.tile(middle, (len(columns), 1))
    if "ridge" in names:
        line = Ridge(alpha=10.0).fit(x, y)
        models["ridge"] = lambda columns: np.asarray(line.predict(columns[:, seen]), dtype=np.float64)
    if "boosting" in names:
        how = {"max_iter": TREES, "learning_rate": 0.08, "random_state": 0}
        forests = [HistGradientBoostingRegressor(**how).fit(x, lane) for lane in y.T]
        models["boosting"] = lambda columns: np.stack([f.predict(columns[:, seen]) for f in forests], axis=1)
    return models


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
