"""Boosted trees as flat arrays: checked when built, walked by plain numpy, safe to read from strangers.

Node i leads left where its feature is at most the threshold, an unknown value where `missing` says; children stand
after their parents, so that no walk can go round in a circle; a leaf leads to itself. The prediction is the base plus
the leaves' values, in whatever unit the trees were fitted to.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
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
MAX_NODES, MAX_TREES, MAX_DEPTH = 2_000_000, 20_000, 64
_CHUNK = 16384


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
    depth: NDArray[np.int64] = field(init=False)
    """Steps from each root to its farthest leaf, (n_trees,)."""

    def __post_init__(self) -> None:
        n, n_trees = len(self.feature), len(self.roots)
        for name in ("feature", "threshold", "left", "right", "missing", "value"):
            if getattr(self, name).shape != (n,):
                raise ValueError(f"{name} has shape {getattr(self, name).shape}, and there are {n} nodes")
        if n > MAX_NODES or n_trees > MAX_TREES or (n_trees == 0) != (n == 0) or self.base.shape != (1,):
            raise ValueError(f"{n} nodes in {n_trees} trees are no forest")
        object.__setattr__(self, "depth", self._checked_depth() if n else np.zeros(0, dtype=np.int64))
        if not all(np.isfinite(values).all() for values in (self.threshold, self.value, self.base)):
            raise ValueError("some values are not finite")

    def _checked_depth(self) -> NDArray[np.int64]:
        n, own = len(self.feature), np.arange(len(self.feature))
        if self.roots[0] != 0 or np.any(np.diff(self.roots) <= 0) or self.roots[-1] >= n:
            raise ValueError("roots do not rise from 0 to below the number of nodes")
        if self.feature.min() < 0 or self.feature.max() >= self.n_features:
            raise ValueError(f"feature points outside 0..{self.n_features - 1}")
        tree = np.searchsorted(self.roots, own, side="right") - 1
        stop = np.r_[self.roots[1:], n].astype(np.int64)[tree]
        leaf = (self.left == own) & (self.right == own)
        for name in ("left", "right"):
            child = getattr(self, name)
            if np.any((child <= own) & ~leaf) or np.any(child >= stop):
                raise ValueError(f"{name} leads back, or out of its tree")
        depth = np.zeros(len(self.roots), dtype=np.int64)
        level, at = 0, self.roots.astype(np.int64)
        while len(at := at[~leaf[at]]):
            at = np.unique(np.r_[self.left[at], self.right[at]].astype(np.int64))
            level += 1
            if level > MAX_DEPTH:
                raise ValueError(f"a tree is deeper than {MAX_DEPTH}")
            depth[tree[at]] = level
        return depth

    @property
    def n_trees(self) -> int:
        return len(self.roots)

    def predict(self, rows: NDArray[Any]) -> Array:
        """Prediction for each row, shape (n_rows,), of rows (n_rows, n_features); unknown values are nan."""
        if rows.ndim != 2 or rows.shape[1] != self.n_features:
            raise ValueError(f"trees over {self.n_features} features cannot take rows of shape {rows.shape}")
        out = np.full(len(rows), float(self.base[0]))
        child = np.stack([self.right, self.left], axis=1).ravel().astype(np.intp)  # (2 * n_nodes,)
        feature = self.feature.astype(np.intp)
        missing = self.missing.astype(bool)
        any_unknown = bool(np.isnan(rows).any())
        for start in range(0, len(rows), _CHUNK):
            part = rows[start : start + _CHUNK]
            n = len(part)
            flat = np.ascontiguousarray(part.T).ravel()  # feature after feature
            row = np.arange(n)
            total = np.zeros(n)
            for root, depth in zip(self.roots.tolist(), self.depth.tolist(), strict=True):
                node = np.full(n, root, dtype=np.intp)
                for _ in range(depth):
                    seen = flat.take(feature.take(node) * n + row)
                    goes_left = seen <= self.threshold.take(node)
                    if any_unknown:
                        goes_left |= np.isnan(seen) & missing.take(node)
                    node = child.take(2 * node + goes_left)
                total += self.value.take(node)
            out[start : start + _CHUNK] += total
        return out

    def arrays(self) -> dict[str, NDArray[Any]]:
        """What is stored, by name."""
        return {name: np.ascontiguousarray(getattr(self, name), dtype=kind) for name, kind in ARRAYS.items()}


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
