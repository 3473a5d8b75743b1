"""Simpler ways that ours have to beat: models on the network's columns, and boosted trees on what a correction shows.

Against the network: the best constant, ridge regression and boosted trees learn the default hand (the rules without
what cannot be foreseen) over a few pieces the network may see too. Columns are those of `features.py`, attack and frame
side by side, at sounding frames 20 ms apart. What a group of columns is worth (duration, interval, position in phrase,
repetition, chord density): ridge and trees learn anew without it. The network is asked with the group's columns
shuffled among the attacks (and among the frames) of the part: what it loses is what it made of them, an upper bound of
what they are worth, for other columns may tell the same and it was never taught to do without.

Against learning a hand, the opponent: scikit-learn's `HistGradientBoostingRegressor(max_iter=200, learning_rate=0.08,
random_state=0)`, one a lane, on 50 frames a second where the part sounds, and plain features of the notes, with nothing
learned beforehand. Phrases are cut at rests alone, or as the project hears them: the stronger of the two is what a
personal layer has to beat. Lines are taken as attacks, the highest pitch speaking for a chord. Seconds.
"""

from __future__ import annotations

import zlib
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

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
"""Every second frame of the 10 ms grid: 50 a second."""
COLUMNS = (*FRAME_FEATURES, *ATTACK_FEATURES)
"""Names of the columns; a name in both tables stands twice."""
TREES = 200
MOST_ROWS = 20_000
"""Rows the simple models learn from, drawn evenly: more change the figures by less than their intervals."""
CUTS = ("rests", "heard")
REST_S = 0.25
"""Silence that cuts a phrase."""
FEATURES = (
    *("since_onset_s", "to_offset_s", "note_s", "note_share", "to_next_onset_s"),
    *("pitch_from_mean", "pitch_from_previous", "pitch_to_next", "previous_s", "next_s", "gap_before_s"),
    *("phrase_share", "phrase_s", "since_phrase_s", "to_phrase_end_s"),
    *("in_one_bar", "in_two_bars", "in_four_bars", "to_cue_end_s"),
    *("same_as_previous", "same_as_next", "beat_s", "smooth_pitch"),
)


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
    frames = judged_frames(hearing, index)
    features = part_features(hearing, index, time_s=np.asarray(frames * FRAME_S, dtype=np.float64))
    columns = np.concatenate([features.frame, features.attack[features.at]], axis=1)
    phrase, n_frames = part.attacks.phrase[features.at], frame_count(hearing, index)
    return View(hearing, index, columns, frames, features.at, phrase, n_frames)


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
    """The table, (n_rows, n_columns), with the named columns from another row, the same for all of them."""
    chosen = [k for k, name in enumerate(columns) if name in names]
    out = table.copy()
    out[:, chosen] = table[rng.permutation(len(table))][:, chosen]
    return out


@dataclass(frozen=True)
class Drawn:
    """What a hand drew over a part, or over a stretch of it.

    Parameters
    ----------
    hearing, index
        The cue as heard, and the part, counted from 0.
    value_cc : float array, (n_frames, 3)
        Dynamics, expression, vibrato on the 10 ms grid from time 0.
    start_s, end_s : float
        Only there it counts.
    """

    hearing: CueHearing
    index: int
    value_cc: Array
    start_s: float = 0.0
    end_s: float = np.inf


@dataclass
class Opponent:
    """Trees for three lanes. `cut` says where phrases end: at `rests`, or as `heard` by the project."""

    cut: str = "rests"
    _trees: list[Any] = field(default_factory=list)

    def fit(self, corrections: Sequence[Drawn]) -> Opponent:
        """Learn from the sounding frames of all corrections; forgets what it knew.

        Raises
        ------
        ValueError
            Fewer than two sounding frames, or `cut` is unknown.
        """
        from sklearn.ensemble import HistGradientBoostingRegressor

        known, wanted = [], []
        for drawn in corrections:
            frames = judged_frames(drawn.hearing, drawn.index, start_s=drawn.start_s, end_s=drawn.end_s)
            known.append(note_features(drawn.hearing, drawn.index, frames, cut=self.cut))
            wanted.append(drawn.value_cc[frames])
        features, target = np.concatenate(known), np.concatenate(wanted)
        if len(features) < 2:
            raise ValueError(f"{len(features)} sounding frames are too few to learn from")
        self._trees = []
        for lane in range(len(LANES)):
            trees = HistGradientBoostingRegressor(max_iter=200, learning_rate=0.08, random_state=0)
            self._trees.append(trees.fit(features, target[:, lane]))
        return self

    def predict(self, hearing: CueHearing, index: int) -> Array:
        """Lanes of a part, (n_frames, 3) on the 10 ms grid; rests, and every other frame, by straight lines.

        Raises ValueError before `fit`.
        """
        n_frames = frame_count(hearing, index)
        frames = judged_frames(hearing, index)
        if not self._trees:
            raise ValueError("fit the opponent before it predicts")
        if not len(frames):
            return np.zeros((n_frames, len(LANES)))
        features = note_features(hearing, index, frames, cut=self.cut)
        grid = np.arange(n_frames)
        return np.stack([np.interp(grid, frames, trees.predict(features)) for trees in self._trees], axis=1)


def frame_count(hearing: CueHearing, index: int) -> int:
    """Frames of the part's 10 ms grid."""
    return n_frames_for(float(hearing.parts[index].part.notes.offset_s.max()))


def judged_frames(hearing: CueHearing, index: int, *, start_s: float = 0.0, end_s: float = np.inf) -> NDArray[np.int64]:
    """Numbers on the 10 ms grid of the sounding frames, 50 a second, from `start_s` to before `end_s`; (n_judged,)."""
    frames = np.flatnonzero(sounding_frames(hearing, index, frame_count(hearing, index))[::STEP]) * STEP
    return np.asarray(frames[(frames * FRAME_S >= start_s) & (frames * FRAME_S < end_s)])


def note_features(hearing: CueHearing, index: int, frames: NDArray[np.int64], *, cut: str) -> Array:
    """FEATURES at frames of the 10 ms grid, shape (n_frames, n_features); unknown neighbours are nan.

    Raises
    ------
    ValueError
        `cut` is none of CUTS.
    """
    if cut not in CUTS:
        raise ValueError(f"cut must be one of {CUTS}, got {cut!r}")
    part, tempo = hearing.parts[index], hearing.cue.tempo
    a = part.attacks
    t = np.asarray(frames * FRAME_S, dtype=np.float64)
    at = np.clip(np.searchsorted(a.onset_s, t + 1e-9, side="right") - 1, 0, None)
    onset_s, offset_s, pitch = a.onset_s, a.release_s, a.pitch.astype(np.float64)
    length_s = np.maximum(offset_s - onset_s, 0.01)
    before, after = np.r_[np.nan, pitch[:-1]], np.r_[pitch[1:], np.nan]
    reach_s = np.maximum.accumulate(offset_s)
    gap_s = np.maximum(np.r_[onset_s[0], onset_s[1:] - reach_s[:-1]], 0.0)
    since_s, to_offset_s = t - onset_s[at], offset_s[at] - t

    if cut == "rests":
        first = np.flatnonzero(np.r_[True, gap_s[1:] >= REST_S])
        start_s, end_s = onset_s[first], reach_s[np.r_[first[1:] - 1, len(onset_s) - 1]]
    else:
        start_s = np.array([p.start_s for p in part.phrases])
        end_s = np.array([p.end_s for p in part.phrases])
    phrase = np.clip(np.searchsorted(start_s, t + 1e-9, side="right") - 1, 0, None)
    phrase_s = np.maximum(end_s - start_s, 0.01)[phrase]
    since_phrase_s = t - start_s[phrase]

    bar = tempo.tick_to_bar(tempo.s_to_tick(t)) - 1.0 if tempo.has_metre else t / 2.0
    columns = (
        since_s, to_offset_s, length_s[at], np.clip(since_s / length_s[at], 0.0, 1.0),
        np.r_[onset_s[1:], np.nan][at] - t,
        pitch[at] - float(np.mean(pitch)), (pitch - before)[at], (after - pitch)[at],
        np.r_[np.nan, length_s[:-1]][at], np.r_[length_s[1:], np.nan][at], gap_s[at],
        np.clip(since_phrase_s / phrase_s, 0.0, 1.0), phrase_s, since_phrase_s, end_s[phrase] - t,
        np.mod(bar, 1.0), np.mod(bar, 2.0), np.mod(bar, 4.0), hearing.cue.duration_s - t,
        (pitch == before)[at], (pitch == after)[at], tempo.beat_length_s(t),
        smooth_pitch(onset_s, pitch, t) - float(np.mean(pitch)),
    )  # fmt: skip
    return np.stack([np.asarray(column, dtype=np.float64) for column in columns], axis=1)


def smooth_pitch(onset_s: Array, pitch: Array, time_s: Array, *, width_s: float = 1.0) -> Array:
    """Mean over the second around each time of the pitch begun last, exactly; shape of `time_s`."""
    last_s = max(float(onset_s[-1]), float(time_s.max(initial=0.0)))
    knots = np.r_[min(float(onset_s[0]), 0.0) - width_s, onset_s[1:], last_s + width_s]
    total = np.r_[0.0, np.cumsum(pitch * np.diff(knots))]
    ahead = np.interp(time_s + width_s / 2.0, knots, total)
    return np.asarray((ahead - np.interp(time_s - width_s / 2.0, knots, total)) / width_s)
