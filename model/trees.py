"""Boosted trees as flat arrays: checked when built, walked by plain numpy, safe to read from strangers.

Node i leads left where its feature is at most the threshold, an unknown value where `missing` says; children stand
after their parents, so that no walk can go round in a circle; a leaf leads to itself. The prediction is the base plus
the leaves' values, in whatever unit the trees were fitted to.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

ARRAYS = {
    "roots": np.int32,
    "feature": np.int16,
    "threshold": np.float64,
    "left": np.int32,
    "right": np.int32,
    "missing": np.uint8,
    "value": np.float64,
    "base": np.float64,
}
"""Names of the arrays and the types they are stored with."""
MAX_NODES, MAX_TREES, MAX_LEAVES = 200_000, 5_000, 63
MAX_VALUE = 1e6
MAX_ENTRIES = 1 << 24
"""Entries of all tables of a walk: 128 MiB, several times what a style takes. A crafted forest could ask for hundreds
of gibibytes: a table is as long as all thresholds of its feature, and there is one a tree."""
_CHUNK = 8192


@dataclass(frozen=True)
class Trees:
    """A sum of trees.

    Parameters
    ----------
    n_features : int
        Columns a row has.
    base : float array, (1,)
        What is predicted before any tree has spoken.
    roots : int array, (n_trees,)
        Where each tree begins, rising; it ends where the next one begins.
    feature, threshold, left, right, missing, value : arrays, (n_nodes,)
        `missing` is 1 where an unknown value leads left.

    Raises
    ------
    ValueError
        Arrays do not fit each other, an index leads elsewhere than forward within its tree, a number is not finite.
    """

    n_features: int
    base: Array
    roots: NDArray[np.int32]
    feature: NDArray[np.int16]
    threshold: Array
    left: NDArray[np.int32]
    right: NDArray[np.int32]
    missing: NDArray[np.uint8]
    value: Array
    def __post_init__(self) -> None:
        n, n_trees = len(self.feature), len(self.roots)
        for name in ("feature", "threshold", "left", "right", "missing", "value"):
            if getattr(self, name).shape != (n,):
                raise ValueError(f"{name} has shape {getattr(self, name).shape}, and there are {n} nodes")
        if n > MAX_NODES or n_trees > MAX_TREES or (n_trees == 0) != (n == 0) or self.base.shape != (1,):
            raise ValueError(f"{n} nodes in {n_trees} trees are no forest")
        if n:
            self._check_shape()
        if not np.isfinite(self.threshold).all():
            raise ValueError("some thresholds are not finite")
        if not all(np.all(np.abs(values) <= MAX_VALUE) for values in (self.value, self.base)):  # nan is neither
            raise ValueError(f"some values are beyond {MAX_VALUE:.0f} or not finite")

    def _check_shape(self) -> None:
        n, own = len(self.feature), np.arange(len(self.feature))
        if self.roots[0] != 0 or np.any(np.diff(self.roots) <= 0) or self.roots[-1] >= n:
            raise ValueError("roots do not rise from 0 to below the number of nodes")
        if self.feature.min() < 0 or self.feature.max() >= self.n_features:
            raise ValueError(f"feature points outside 0..{self.n_features - 1}")
        stop = np.r_[self.roots[1:], n].astype(np.int64)
        tree = np.searchsorted(self.roots, own, side="right") - 1
        leaf = (self.left == own) & (self.right == own)
        for name in ("left", "right"):
            child = getattr(self, name)
            if np.any((child <= own) & ~leaf) or np.any(child >= stop[tree]):
                raise ValueError(f"{name} leads back, or out of its tree")
        parents = np.bincount(np.r_[self.left[~leaf], self.right[~leaf]], minlength=n)
        parents[self.roots] += 1
        if np.any(parents != 1):
            raise ValueError("a node is reached in two ways, or none: left and right are no tree's")
        if np.max(np.diff(np.r_[self.roots, n])) > 2 * MAX_LEAVES - 1:
            raise ValueError(f"a tree has more than {MAX_LEAVES} leaves: roots stand too far apart")

    @property
    def n_trees(self) -> int:
        return len(self.roots)

    @cached_property
    def _alone(self) -> Walk:
        return Walk((self,))

    def predict(self, rows: NDArray[Any]) -> Array:
        """Prediction for each row, shape (n_rows,), of rows (n_rows, n_features); unknown values are nan."""
        return np.asarray(self._alone.predict(rows)[:, 0])

    def arrays(self) -> dict[str, NDArray[Any]]:
        """What is stored, by name."""
        return {name: np.ascontiguousarray(getattr(self, name), dtype=kind) for name, kind in ARRAYS.items()}


class Walk:
    """Several forests over the same rows, walked together; the trees stand turned inside out.

    Leaves stand from left to right, one bit each. Every node that leads right strikes out the leaves on its left; the
    first bit left standing is the answer (Lucchese et al. 2015, from memory). For each feature that a tree asks, a
    table tells what its value leaves standing, all nodes together, so that a row needs one look a feature and tree,
    however deep it is; and where a value falls among the thresholds is found once for all forests.
    """

    def __init__(self, forests: Sequence[Trees]) -> None:
        self.forests = tuple(forests)
        self.n_features = forests[0].n_features if forests else 0
        if any(forest.n_features != self.n_features for forest in forests):
            raise ValueError("forests over different features cannot be walked together")
        self._edges: dict[int, Array] = {}
        inner = [forest.left != np.arange(len(forest.left)) for forest in forests]
        asking = [f.feature[m].tolist() for f, m in zip(forests, inner, strict=True)]  # none where no forest has a say
        for feature in sorted({feature for own in asking for feature in own}):
            asked = [f.threshold[m & (f.feature == feature)] for f, m in zip(forests, inner, strict=True)]
            self._edges[feature] = np.unique(np.concatenate(asked))
        self._tables = [_tables_of(forest, self._edges) for forest in forests]

    def predict(self, rows: NDArray[Any]) -> Array:
        """Predictions of all forests, shape (n_rows, n_forests), of rows (n_rows, n_features); unknown is nan."""
        if rows.ndim != 2 or rows.shape[1] != self.n_features:
            raise ValueError(f"trees over {self.n_features} features cannot take rows of shape {rows.shape}")
        out = np.empty((len(rows), len(self.forests)))
        for start in range(0, len(rows), _CHUNK):
            chunk = rows[start : start + _CHUNK]
            code = {}
            for feature, edges in self._edges.items():
                column = np.ascontiguousarray(chunk[:, feature], dtype=np.float64)
                found = np.searchsorted(edges, column, side="left")
                code[feature] = np.where(np.isnan(column), len(edges) + 1, found)
            for k, (forest, tables) in enumerate(zip(self.forests, self._tables, strict=True)):
                out[start : start + _CHUNK, k] = float(forest.base[0]) + _sums(tables, code, len(chunk))
        return out


_Table = tuple[list[tuple[int, NDArray[Any]]], Array]
"""Of one tree: for each feature it asks, what is left standing by the number of edges below the value (the last entry
is for unknown); and the leaves' values from left to right."""


def _sums(tables: Sequence[_Table], code: Mapping[int, NDArray[np.int64]], n: int) -> Array:
    """Sum of the leaves that each row reaches, shape (n,)."""
    total = np.zeros(n)
    spare: dict[Any, list[NDArray[Any]]] = {
        word: [np.empty(n, dtype=word) for _ in range(2)] for word in (np.dtype(np.int32), np.dtype(np.int64))
    }
    for asked, leaves in tables:
        if not asked:
            total += leaves[0]
            continue
        standing, more = spare[asked[0][1].dtype]
        asked[0][1].take(code[asked[0][0]], out=standing, mode="clip")
        for feature, table in asked[1:]:
            table.take(code[feature], out=more, mode="clip")
            np.bitwise_and(standing, more, out=standing)
        np.negative(standing, out=more)
        np.bitwise_and(standing, more, out=standing)  # the lowest bit alone; its place is the exponent of the number
        if standing.dtype == np.int32:
            place = (standing.astype(np.float32).view(np.int32) >> 23) - 127
        else:
            place = (standing.astype(np.float64).view(np.int64) >> 52) - 1023
        total += leaves.take(place)
    return total


def _tables_of(trees: Trees, edges: Mapping[int, Array]) -> list[_Table]:
    if not trees.n_trees:
        return []
    n, own = len(trees.feature), np.arange(len(trees.feature))
    left, right = trees.left.astype(np.int64), trees.right.astype(np.int64)
    leaf = left == own
    levels, at = [], trees.roots.astype(np.int64)
    while len(at := at[~leaf[at]]):
        levels.append(at)
        at = np.r_[left[at], right[at]]
    count = leaf.astype(np.int64)  # leaves below each node
    for at in reversed(levels):
        count[at] = count[left[at]] + count[right[at]]
    first = np.zeros(n, dtype=np.int64)  # the leftmost of them, counted within the tree
    for at in levels:
        first[left[at]] = first[at]
        first[right[at]] = first[at] + count[left[at]]
    tree = np.searchsorted(trees.roots, own, side="right") - 1
    word = np.int32 if count[trees.roots].max() < 32 else np.int64
    inner = np.concatenate(levels) if levels else np.zeros(0, dtype=np.int64)
    kept = ~(((1 << count[left[inner]]) - 1) << first[inner])
    tables: list[list[tuple[int, NDArray[Any]]]] = [[] for _ in range(trees.n_trees)]
    for feature, cuts in edges.items():
        here = trees.feature[inner] == feature
        asking, row = np.unique(tree[inner[here]], return_inverse=True)
        table = np.full((len(asking), len(cuts) + 2), -1, dtype=np.int64)
        step = np.searchsorted(cuts, trees.threshold[inner[here]]) + 1
        np.bitwise_and.at(table, (row, step), kept[here])
        table[:, :-1] = np.bitwise_and.accumulate(table[:, :-1], axis=1)
        away = trees.missing[inner[here]] == 0
        np.bitwise_and.at(table, (row[away], len(cuts) + 1), kept[here][away])
        for number, values in zip(asking.tolist(), table.astype(word), strict=True):
            tables[number].append((feature, values))
    leaves = np.flatnonzero(leaf)
    leaves = leaves[np.lexsort((first[leaves], tree[leaves]))]
    parted = np.split(trees.value[leaves], np.cumsum(np.bincount(tree[leaves], minlength=trees.n_trees))[:-1])
    return list(zip(tables, parted, strict=True))


def check_walk(forests: Sequence[Trees]) -> None:
    """Refuse forests whose walk would take more memory than any style's. Raises ValueError."""
    n_features = max((forest.n_features for forest in forests), default=0)
    asking, edges = np.zeros(n_features), np.zeros(n_features)
    for forest in forests:
        at = np.flatnonzero(forest.left != np.arange(len(forest.left)))
        tree = np.searchsorted(forest.roots, at, side="right") - 1
        pairs = np.unique(np.stack([forest.feature[at].astype(np.int64), tree]), axis=1)  # (2, n_pairs)
        asking += np.bincount(pairs[0], minlength=n_features)
        edges += np.bincount(forest.feature[at], minlength=n_features)
    n_entries = float(np.sum(asking * (edges + 2.0)))
    if n_entries > MAX_ENTRIES:
        raise ValueError(f"walking its trees would take {n_entries:.0f} entries, more than any style's")


def trees_from(arrays: Mapping[str, NDArray[Any]], *, n_features: int) -> Trees:
    """The trees of `Trees.arrays`.

    Raises
    ------
    ValueError
        An array is missing, of another type, or does not pass the checks of `Trees`.
    """
    for name, kind in ARRAYS.items():
        if name not in arrays or arrays[name].dtype != np.dtype(kind) or arrays[name].ndim != 1:
            raise ValueError(f"{name} is missing or no row of {np.dtype(kind).name}")
    return Trees(n_features=n_features, **{name: arrays[name] for name in ARRAYS})
