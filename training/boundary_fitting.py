"""Fit the phrase boundary model: `python -m phrasewright.training.boundary_fitting`.

Gradient boosting (scikit-learn) in two stages on chorales, madrigals with their rests taken out, and invented songs,
written as plain arrays. The first stage's probabilities that the second one learns from come from trees that have not
seen the song. Every song is learned from with and without its metre, chorales also voice by voice.
"""

from __future__ import annotations

import argparse
import json
import zlib
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from safetensors.numpy import save_file

from phrasewright.model.boundary_features import Floats, Melody, context_of, features_of
from phrasewright.model.boundary_model import (
    LEAST_FIRST,
    SHARED,
    WEIGHTS,
    BoundaryModel,
    Forest,
    shared_context,
    without_metre,
)
from phrasewright.training.boosting import trees_of
from phrasewright.training.boundary_corpus import Song, breaths, chorales
from phrasewright.training.boundary_songs import invented_songs

SEED = 20
N_INVENTED = 2400
FOLDS = 3


@dataclass(frozen=True)
class Settings:
    """How the trees grow; chosen on chorales kept for choices and on invented songs."""

    first_trees: int = 100
    first_leaves: int = 16
    second_trees: int = 180
    second_leaves: int = 24
    depth: int = 7
    rate: float = 0.1
    least_in_leaf: int = 60
    flatten: float = 5.0


@dataclass(frozen=True)
class Case:
    """One song as it is learned from: lines heard together, with a weight."""

    song: Song
    fold: int
    weight: float


def held_out(song: Song) -> bool:
    """Whether a chorale is kept for the figures: every fifth tune."""
    return zlib.crc32(song.group.encode()) % 5 == 0


def fold_of(song: Song) -> int:
    """The fold, 0 to FOLDS - 1, in which a song is held back with all of its group."""
    return zlib.crc32(("fold " + song.group).encode()) % FOLDS


def unmetred(song: Song) -> Song:
    """The song as if nothing were known of its bars."""
    return replace(song, lines=tuple(without_metre(line) for line in song.lines))


def single_lines(song: Song) -> list[Song]:
    """Each line as a song of its own."""
    return [replace(song, lines=(line,), begins=(b,)) for line, b in zip(song.lines, song.begins, strict=True)]


def unrested(song: Song, rng: np.random.Generator) -> Song:
    """A song without its rests: the note before is held through, or the rest is left out."""
    lines = []
    for line in song.lines:
        gap_s = np.r_[np.maximum(line.onset_s[1:] - line.release_s[:-1], 0.0), 0.0]
        if rng.random() < 0.5:
            lines.append(replace(line, release_s=line.release_s + gap_s))
        else:
            earlier_s = np.r_[0.0, np.cumsum(gap_s)[:-1]]
            cut = replace(line, onset_s=line.onset_s - earlier_s, release_s=line.release_s - earlier_s)
            lines.append(without_metre(cut))
    return replace(song, lines=tuple(lines))


def for_choices(song: Song) -> bool:
    """Whether a chorale is one of those by which settings were chosen; the final trees learn from it."""
    return zlib.crc32(song.group.encode()) % 5 == 1


def learning_cases(*, n_invented: int = N_INVENTED, seed: int = SEED, choosing: bool = False) -> list[Case]:
    """Everything the model learns from: with metre, without, together, alone."""
    cases = []
    rng = np.random.default_rng(seed)
    for song in chorales():
        if held_out(song) or (choosing and for_choices(song)):
            continue
        for version in (song, unmetred(song)):
            cases.append(Case(version, fold_of(song), 1.0))
            cases += [Case(line, fold_of(song), 0.5) for line in single_lines(version)]
    for song in breaths():
        cases.append(Case(unrested(song, rng), fold_of(song), 0.15))
    for song in invented_songs(n_invented, seed=seed):
        cases += [Case(version, fold_of(replace(song, group=song.name)), 1.0) for version in (song, unmetred(song))]
    return cases


def fit(cases: Sequence[Case], settings: Settings | None = None, *, n_processes: int = 1) -> BoundaryModel:
    """Both stages from the cases; features are computed in `n_processes`."""
    settings = settings or Settings()
    lines = [
        (case, line, begins) for case in cases for line, begins in zip(case.song.lines, case.song.begins, strict=True)
    ]
    with ProcessPoolExecutor(n_processes) as pool:
        table = list(pool.map(_rows, [line for _, line, _ in lines], chunksize=64))
    names = _names()
    fold = np.concatenate([np.full(line.n_notes, case.fold) for case, line, _ in lines])
    truth = np.concatenate([begins for _, _, begins in lines])
    weight = np.concatenate([np.full(line.n_notes, case.weight) for case, line, _ in lines])
    weight[np.cumsum([0] + [line.n_notes for _, line, _ in lines[:-1]])] = 0.0  # the first note is no question
    stacked = np.concatenate(table)
    learn = weight > 0
    first_p = np.zeros(len(truth))
    size = (settings.first_trees, settings.first_leaves)
    for k in range(FOLDS):
        some = learn & (fold != k)
        trees = _boosted(settings, size, stacked[some], truth[some], weight[some])
        first_p[fold == k] = trees.predict_proba(stacked[fold == k])[:, 1]
    first = _boosted(settings, size, stacked[learn], truth[learn], weight[learn])
    split = np.split(first_p, np.cumsum([line.n_notes for _, line, _ in lines])[:-1])
    edges = np.cumsum([0] + [len(case.song.lines) for case in cases])
    own = [split[a:b] for a, b in pairwise(edges.tolist())]
    with ProcessPoolExecutor(n_processes) as pool:
        contexts = list(pool.map(_context_rows, [case.song.lines for case in cases], own, chunksize=64))
    more = _context_names()
    wide = np.hstack([stacked, np.concatenate(contexts)])
    size = (settings.second_trees, settings.second_leaves)
    again = learn & (first_p >= LEAST_FIRST)
    second = _boosted(settings, size, wide[again], truth[again], weight[again])
    return BoundaryModel(forest_of(first, names), forest_of(second, (*names, *more)))


def _names() -> tuple[str, ...]:
    """Features of the first stage, in order."""
    return tuple(features_of(invented_songs(1, seed=0)[0].lines[0]))


def _context_names() -> tuple[str, ...]:
    """What the second stage sees besides, in order."""
    line = invented_songs(1, seed=0)[0].lines[0]
    return (*context_of(line, np.zeros(line.n_notes)), *SHARED)


def _rows(line: Melody) -> NDArray[np.float32]:
    """Features of one line; shape (n_notes, n_features)."""
    return np.stack(list(features_of(line).values()), axis=1).astype(np.float32)


def _context_rows(lines: Sequence[Melody], first: Sequence[Floats]) -> NDArray[np.float32]:
    """Context of lines heard together, one below the other; shape (n_notes of all lines, n_features)."""
    shared = shared_context(lines, first)
    rows = [context_of(line, p) | others for line, p, others in zip(lines, first, shared, strict=True)]
    return np.concatenate([np.stack(list(r.values()), axis=1) for r in rows]).astype(np.float32)


def _boosted(
    settings: Settings, size: tuple[int, int], x: NDArray[np.float32], y: NDArray[np.bool_], weight: Floats
) -> Any:
    from sklearn.ensemble import HistGradientBoostingClassifier

    trees = HistGradientBoostingClassifier(
        max_iter=size[0],
        max_leaf_nodes=size[1],
        max_depth=settings.depth,
        learning_rate=settings.rate,
        min_samples_leaf=settings.least_in_leaf,
        l2_regularization=settings.flatten,
        max_features=0.5,
        early_stopping=False,
        random_state=SEED,
    )
    return trees.fit(x, y, sample_weight=weight)


def forest_of(trees: Any, names: tuple[str, ...]) -> Forest:
    """scikit-learn's trees as plain arrays, in single precision as they are stored."""
    found = trees_of(trees)
    threshold, value = (np.clip(own, -1e30, 1e30).astype(np.float32) for own in (found.threshold, found.value))
    return Forest(names, replace(found, threshold=threshold.astype(np.float64), value=value.astype(np.float64)))


def save(model: BoundaryModel, path: Path) -> None:
    """Write both stages as arrays with the names of their features."""
    tensors: dict[str, NDArray[Any]] = {}
    about: dict[str, Any] = {}
    for stage, forest in (("first", model.first), ("second", model.second)):
        arrays = forest.trees.arrays()
        tensors[f"{stage}.roots"] = arrays["roots"]
        for name in ("threshold", "value"):
            tensors[f"{stage}.{name}"] = arrays[name].astype(np.float32)
        for name in ("left", "right", "feature"):
            tensors[f"{stage}.{name}"] = arrays[name].astype(np.int16)
        tensors[f"{stage}.missing_left"] = arrays["missing"]
        about[stage] = {"names": forest.names, "base": float(arrays["base"][0])}
    save_file(tensors, str(path), metadata={"forests": json.dumps(about)})


def main(arguments: Sequence[str] | None = None) -> None:
    """Fit on everything but the chorales held out for the figures, and write the weights."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--out", type=Path, default=WEIGHTS, help="file to write")
    parser.add_argument("--invented", type=int, default=N_INVENTED, help="how many invented songs")
    parser.add_argument("--processes", type=int, default=1, help="processes that compute features")
    parser.add_argument("--choosing", action="store_true", help="leave out the chorales kept for choices, too")
    chosen = parser.parse_args(arguments)
    cases = learning_cases(n_invented=chosen.invented, choosing=chosen.choosing)
    save(fit(cases, n_processes=chosen.processes), chosen.out)
    print(f"{len(cases)} songs and versions; {chosen.out}: {chosen.out.stat().st_size} bytes")


if __name__ == "__main__":
    main()
