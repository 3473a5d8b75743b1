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
_CHUNK = 384
"""Rows at a time: what a hundred trees make of them stays near the processor (twice as many take longer a row)."""


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
        """How many."""
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
    first bit left standing is the answer (Lucchese et al. 2015, from memory). All trees and rows ask their first nodes
    at once, then their second ones: numbers of a few bits, since where a value falls among the thresholds of its
    feature is found once for all forests.
    """

    def __init__(self, forests: Sequence[Trees]) -> None:
        self.forests = tuple(forests)
        self.n_features = forests[0].n_features if forests else 0
        if any(forest.n_features != self.n_features for forest in forests):
            raise ValueError("forests over different features cannot be walked together")
        asked = np.concatenate([f.feature[~_is_leaf(f)] for f in forests]) if forests else np.zeros(0, dtype=np.int16)
        cuts = np.concatenate([f.threshold[~_is_leaf(f)] for f in forests]) if forests else np.zeros(0)
        self._edges = {feature: np.unique(cuts[asked == feature]) for feature in np.unique(asked).tolist()}
        self._code = np.min_scalar_type(max((len(edges) for edges in self._edges.values()), default=0))
        self._nodes = [_Nodes(forest, self._edges, self._code) for forest in forests]

    def predict(self, rows: NDArray[Any]) -> Array:
        """Predictions of all forests, shape (n_rows, n_forests), of rows (n_rows, n_features); unknown is nan.

        Raises ValueError for rows of another shape.
        """
        if rows.ndim != 2 or rows.shape[1] != self.n_features:
            raise ValueError(f"trees over {self.n_features} features cannot take rows of shape {rows.shape}")
        codes = np.zeros((2, self.n_features, len(rows)), dtype=self._code)  # unknown leads right, or left
        for feature, edges in self._edges.items():
            column = np.asarray(rows[:, feature], dtype=np.float64)
            codes[:, feature] = np.searchsorted(edges, column, side="left")  # beyond all edges where unknown
            codes[1, feature, np.isnan(column)] = 0
        out = np.empty((len(rows), len(self.forests)))
        for start in range(0, len(rows), _CHUNK):
            chunk = codes[:, :, start : start + _CHUNK].reshape(2 * self.n_features, -1)
            for k, nodes in enumerate(self._nodes):
                out[start : start + _CHUNK, k] = nodes.sums(chunk)
        return out


def _is_leaf(trees: Trees) -> NDArray[np.bool_]:
    return np.asarray(trees.left == np.arange(len(trees.left)))


class _Nodes:
    """A forest by the number of a node in its tree: what all first nodes ask, all second ones, and so on.

    `asked`, `step` and `struck` are (most nodes of a tree, n_trees, 1): the row of the codes, the code up to which a
    row goes left, and the leaves struck out where it goes right (none, where a tree has no such node). `leaves` holds
    the leaves of each tree from left to right, `at` where those of each tree begin.
    """

    def __init__(self, trees: Trees, edges: Mapping[int, Array], code: np.dtype[Any]) -> None:
        leaf = _is_leaf(trees)
        inner, (count, first) = np.flatnonzero(~leaf), _leaves_below(trees)
        tree = np.searchsorted(trees.roots, np.arange(len(leaf)), side="right") - 1
        n_leaves = int(count[trees.roots].max(initial=1))
        words = (np.int8, np.int16, np.int32, np.int64)
        self.word = next(np.dtype(one) for one in words if n_leaves <= 8 * one().itemsize)
        per_tree = np.bincount(tree[inner], minlength=trees.n_trees)
        number = np.arange(len(inner)) - (np.cumsum(per_tree) - per_tree)[tree[inner]]
        shape = int(per_tree.max(initial=0)), trees.n_trees, 1
        self.asked, self.step = np.zeros(shape[:2], dtype=np.int64), np.zeros(shape, dtype=code)
        self.struck = np.zeros(shape, dtype=self.word)
        where, feature = (number, tree[inner]), trees.feature[inner].astype(np.int64)
        self.asked[where] = feature + trees.n_features * trees.missing[inner]
        self.struck[*where, 0] = ((1 << count[trees.left[inner]]) - 1) << first[inner]
        for column, cuts in edges.items():
            here = feature == column
            step = np.searchsorted(cuts, trees.threshold[inner[here]])
            self.step[number[here], tree[inner[here]], 0] = step
        self.base, self.leaves = float(trees.base[0]), np.zeros((trees.n_trees, n_leaves))
        self.leaves[tree[leaf], first[leaf]] = trees.value[leaf]
        self.at = n_leaves * np.arange(trees.n_trees)[:, None]

    def sums(self, codes: NDArray[Any]) -> Array:
        """Base and sum of the leaves that each row reaches, shape (n_rows,), of codes (2 * n_features, n_rows)."""
        shape = (len(self.leaves), codes.shape[1])
        found, right = np.empty(shape, dtype=codes.dtype), np.empty(shape, dtype=np.bool_)
        standing, more = np.zeros(shape, dtype=self.word), np.empty(shape, dtype=self.word)
        for asked, step, struck in zip(self.asked, self.step, self.struck, strict=True):
            codes.take(asked, axis=0, out=found, mode="clip")
            np.greater(found, step, out=right)
            np.copyto(more, right)
            np.multiply(more, struck, out=more)
            np.bitwise_or(standing, more, out=standing)  # what was struck out, so far
        np.invert(standing, out=standing)
        standing &= -standing  # the lowest bit alone; its place is the exponent of the number
        if self.word == np.int64:
            place = ((standing.astype(np.float64).view(np.int64) >> 52) & 0x7FF) - 1023
        else:
            place = ((standing.astype(np.float32).view(np.int32) >> 23) & 0xFF) - 127
        return np.asarray(self.leaves.take(place + self.at, mode="clip").sum(axis=0) + self.base)


def _leaves_below(trees: Trees) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """How many leaves stand below each node, and how many of its tree further left, both (n_nodes,)."""
    left, right, leaf = trees.left.astype(np.int64), trees.right.astype(np.int64), _is_leaf(trees)
    count, first = leaf.astype(np.int64), np.zeros(len(leaf), dtype=np.int64)
    levels, at = [], trees.roots.astype(np.int64)
    while len(at := at[~leaf[at]]):
        levels.append(at)
        at = np.r_[left[at], right[at]]
    for at in reversed(levels):
        count[at] = count[left[at]] + count[right[at]]
    for at in levels:
        first[left[at]] = first[at]
        first[right[at]] = first[at] + count[left[at]]
    return count, first


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
