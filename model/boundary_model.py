"""A learned sense for where phrases begin: two stages of decision trees over local features, in plain numpy.

The first stage hears each line by itself; the second hears it again knowing what the first thought of the surroundings,
of like places, and of the other lines at that moment. Both work without metre: it was taken away half of the time when
they learned. Trained by `phrasewright.training.boundary_fitting`; the card beside the weights says on what.

Probabilities, 0..1; row k belongs to a phrase beginning at note k.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from safetensors import SafetensorError, safe_open

from phrasewright.data.errors import InputError
from phrasewright.model.boundary_features import TRUSTED, Floats, Melody, context_of, features_of, metre_trust
from phrasewright.model.trees import ARRAYS, Trees, trees_from

WEIGHTS = Path(__file__).parent / "weights" / "boundaries.safetensors"
TOGETHER_S = 0.035
"""Notes this near begin together."""
SILENT_S = 2.0
"""A line that is silent for so long on both sides has no say."""
SHARED = ("others", "others_mean", "others_top", "others_begin", "others_before", "others_rest")
LEAST_FIRST = 0.015
"""Notes to which the first stage gives less are not heard a second time."""
_STORED = {name: name for name in ("roots", "feature", "threshold", "left", "right", "value")}
_STORED["missing"] = "missing_left"
"""Names of the trees' arrays, and under which they are stored."""


@dataclass(frozen=True)
class Forest:
    """Trees over named features; they add up to log odds.

    Parameters
    ----------
    names
        Features, in order.
    trees : Trees
    """

    names: tuple[str, ...]
    trees: Trees

    def log_odds(self, features: Mapping[str, Floats]) -> Floats:
        """Log odds for every row of the named features, each of shape (n,). Raises ValueError where one is missing."""
        missing = [name for name in self.names if name not in features]
        if missing:
            raise ValueError(f"the model asks for features that are not computed: {', '.join(missing)}")
        columns = np.array([features[name] for name in self.names], dtype=np.float32)  # (n_features, n)
        return np.asarray(np.round(self.trees.predict(columns.T), 4))


@dataclass(frozen=True)
class BoundaryModel:
    """Both stages."""

    first: Forest
    second: Forest


def without_metre(melody: Melody) -> Melody:
    """The same notes as if nothing were known of bars and beats."""
    unknown = np.full(melody.n_notes, np.nan)
    return Melody(melody.onset_s, melody.release_s, melody.pitch, melody.onset_s * 2, unknown, unknown)


def keeps_to_metre(melody: Melody) -> bool:
    """Whether most of the notes lie on the beat's grid, so that bars tell anything."""
    trust = metre_trust(melody)
    return bool(np.isfinite(trust).any() and np.median(trust) >= TRUSTED)


def begin_probabilities(melodies: Sequence[Melody], *, model: BoundaryModel | None = None) -> list[Floats]:
    """Probability of a phrase beginning at each note of lines that sound together; each of shape (n_notes,).

    Lines without notes get an empty array. The first note of a line gets 1.
    """
    return begins_of_songs([melodies], model=model)[0]


def begins_of_songs(songs: Sequence[Sequence[Melody]], *, model: BoundaryModel | None = None) -> list[list[Floats]]:
    """The same for several songs, of which none hears the others; quicker than one by one."""
    model = model or load_boundary_model()
    melodies = [melody for song in songs for melody in song]
    edges = np.cumsum([0, *(len(song) for song in songs)]).tolist()
    features = [features_of(melody) if melody.n_notes else {} for melody in melodies]
    first = _heard(model.first, features, [np.arange(melody.n_notes) for melody in melodies])
    shared = [row for a, b in pairwise(edges) for row in shared_context(melodies[a:b], first[a:b])]
    rich = [
        own | context_of(melody, p) | others if melody.n_notes else {}
        for melody, own, p, others in zip(melodies, features, first, shared, strict=True)
    ]
    again = [np.flatnonzero(p >= LEAST_FIRST) for p in first]
    answer = [p.copy() for p in first]
    for p, rows, second in zip(answer, again, _heard(model.second, rich, again), strict=True):
        p[rows] = second
        p[:1] = 1.0
    return [answer[a:b] for a, b in pairwise(edges)]


def _heard(forest: Forest, features: Sequence[dict[str, Floats]], rows: Sequence[NDArray[np.int64]]) -> list[Floats]:
    """Probabilities at some rows of several lines, all trees walked at once."""
    full = [(own, some) for own, some in zip(features, rows, strict=True) if own]
    if not full:
        return [np.zeros(0) for _ in features]
    joined = {name: np.concatenate([own[name][some] for own, some in full]) for name in forest.names}
    return np.split(probability(forest.log_odds(joined)), np.cumsum([len(some) for some in rows])[:-1])


def probability(log_odds: Floats) -> Floats:
    """0..1 from log odds, shape of `log_odds`."""
    return np.asarray(1.0 / (1.0 + np.exp(-np.clip(log_odds, -30, 30))))


def shared_context(melodies: Sequence[Melody], first: Sequence[Floats]) -> list[dict[str, Floats]]:
    """What the other lines do at each note: how many sound, begin here, and how clear a beginning it is for them.

    Parameters
    ----------
    melodies
        Lines that sound together.
    first
        The first stage's probabilities for each, (n_notes,).
    """
    active = [i for i, melody in enumerate(melodies) if melody.n_notes]
    if len(active) < 2:
        return [{name: np.full(m.n_notes, 0.0 if name == "others" else np.nan) for name in SHARED} for m in melodies]
    time_s = np.concatenate([melodies[i].onset_s for i in active])
    order = np.argsort(time_s, kind="stable")
    time_s = time_s[order]
    values = np.concatenate([np.r_[0.5, first[i][1:]] for i in active])
    before_s, rests_s = [], []
    for i in active:
        m = melodies[i]
        before_s.append(np.r_[0.0, np.diff(m.onset_s)])
        rests_s.append(np.r_[0.0, np.maximum(m.onset_s[1:] - np.maximum.accumulate(m.release_s)[:-1], 0.0)])
    columns = [values, values**4, np.ones(len(values)), np.minimum(np.concatenate(before_s), 4.0)]
    columns.append(np.minimum(np.concatenate(rests_s), 4.0))
    sums = [np.r_[0.0, np.cumsum(column[order])] for column in columns]
    spans = [sounding_spans(melodies[i], reach_s=SILENT_S) for i in active]
    starts = np.sort(np.concatenate([a for a, _ in spans]))
    ends = np.sort(np.concatenate([b for _, b in spans]))
    own_columns = np.split(np.stack(columns), np.cumsum([melodies[i].n_notes for i in active])[:-1], axis=1)
    answer: list[dict[str, Floats]] = [{} for _ in melodies]
    for i, own in zip(active, own_columns, strict=True):
        onset_s = melodies[i].onset_s
        low = np.searchsorted(time_s, onset_s - TOGETHER_S, side="left")
        high = np.searchsorted(time_s, onset_s + TOGETHER_S, side="right")
        n = np.searchsorted(starts, onset_s, side="right") - np.searchsorted(ends, onset_s, side="left") - 1
        total, top, begin, before, rest = (np.round(s[high] - s[low] - o, 5) for s, o in zip(sums, own, strict=True))
        some = np.where(n > 0, n, np.nan)
        came = np.where(begin > 0, begin, np.nan)
        answer[i] = {
            "others": np.minimum(n, 8).astype(np.float64),
            "others_mean": np.clip(total / some, 0, 1),
            "others_top": np.clip(np.maximum(top, 0) ** 0.25, 0, 1.5) + 0 * some,
            "others_begin": np.clip(begin / some, 0, 1),
            "others_before": before / came,
            "others_rest": rest / came,
        }
    for i, melody in enumerate(melodies):
        if not answer[i]:
            answer[i] = {name: np.full(melody.n_notes, np.nan) for name in SHARED}
    return answer


def sounding_spans(melody: Melody, *, reach_s: float) -> tuple[Floats, Floats]:
    """Starts and ends of the stretches in which a line sounds, widened on both sides and merged."""
    end_s = np.maximum.accumulate(melody.release_s)
    first = np.flatnonzero(np.r_[True, melody.onset_s[1:] > end_s[:-1] + 2 * reach_s])
    return melody.onset_s[first] - reach_s, end_s[np.r_[first[1:] - 1, len(end_s) - 1]] + reach_s


@lru_cache(maxsize=1)
def load_boundary_model(path: Path = WEIGHTS) -> BoundaryModel:
    """The shipped model.

    Raises
    ------
    InputError
        The file is missing or damaged.
    """
    try:
        with safe_open(path, framework="numpy") as file:
            about = json.loads(file.metadata()["forests"])
            first, second = (_forest(file, stage, about[stage]) for stage in ("first", "second"))
    except (OSError, SafetensorError, KeyError, TypeError, ValueError) as fault:
        problem = f"{path}: these are no weights of the phrase model ({fault}); install the package anew"
        raise InputError(problem) from fault
    return BoundaryModel(first, second)


def _forest(file: Any, stage: str, about: dict[str, Any]) -> Forest:
    stored = {name: file.get_tensor(f"{stage}.{name}") for name in _STORED.values()}
    arrays = {name: stored[own].astype(ARRAYS[name]) for name, own in _STORED.items()}
    trees = trees_from({**arrays, "base": np.array([float(about["base"])])}, n_features=len(about["names"]))
    return Forest(tuple(about["names"]), trees)
