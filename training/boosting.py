"""Boosting of squared error over columns cut into bins once, shared by all lanes, folds and forests of a style.

The trees are grown by scikit-learn's own grower (the part of `HistGradientBoostingRegressor` that is not public; a test
compares the two); its estimator cuts every column anew for every fit, with weights most of the time goes there.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from phrasewright.model.trees import Trees

Array = NDArray[np.float64]
N_BINS = 64
"""Bins of a column, the last one for unknown values."""
FAR = 1e300


@dataclass(frozen=True)
class Boosting:
    """How a forest is grown (chosen on the hands kept for choices)."""

    n_trees: int = 100
    rate: float = 0.1
    n_leaves: int = 20
    least_in_leaf: int = 15
    flatten: float = 1.0
    columns: float = 0.5
    """Share of the columns tried at each split."""


@dataclass(frozen=True)
class Binned:
    """Rows cut into bins.

    Parameters
    ----------
    codes : uint8 array, (n_rows, n_kept), column after column
        Bin of each value, `N_BINS - 1` for unknown.
    edges : list of float arrays
        For each kept column, the highest value of each bin but the last.
    columns : int array, (n_kept,)
        Which columns are kept: those that are not the same everywhere.
    n_columns : int
        How many there were.
    """

    codes: NDArray[np.uint8]
    edges: list[Array]
    columns: NDArray[np.int64]
    n_columns: int

    def only(self, rows: NDArray[Any]) -> Binned:
        """Some of the rows, by mask or number."""
        return Binned(np.asfortranarray(self.codes[rows]), self.edges, self.columns, self.n_columns)


def binned(raw: NDArray[np.float32]) -> Binned:
    """Cut each column of (n_rows, n_columns) where its values part into equal shares."""
    shares = np.linspace(0.0, 1.0, N_BINS)[1:-1]
    codes, edges, columns = [], [], []
    for column, values in enumerate(raw.T):
        known = np.sort(values[np.isfinite(values)])
        if not len(known) or (known[0] == known[-1] and len(known) == len(values)):
            continue
        at = np.minimum((shares * len(known)).astype(np.int64), len(known) - 1)
        cuts = np.unique(known[at])
        cuts = cuts[cuts < known[-1]]
        code = np.searchsorted(cuts, values, side="left")
        codes.append(np.where(np.isfinite(values), code, N_BINS - 1).astype(np.uint8))
        edges.append(cuts.astype(np.float64))
        columns.append(column)
    table = np.asfortranarray(np.stack(codes, axis=1)) if codes else np.zeros((len(raw), 0), np.uint8, order="F")
    return Binned(table, edges, np.array(columns, dtype=np.int64), raw.shape[1])


def boost(rows: Binned, target: Array, weight: Array, *, how: Boosting) -> Trees:
    """Trees whose sum comes near the target, squared distances weighed by `weight`, both (n_rows,)."""
    from sklearn.ensemble._hist_gradient_boosting.grower import TreeGrower

    w = (weight / weight.mean()).astype(np.float32)
    base = float(np.average(target, weights=weight))
    forest: list[Any] = []
    said = np.full(len(target), base)
    rng = np.random.default_rng(0)
    n_known = np.array([len(one) + 1 for one in rows.edges], dtype=np.uint32)
    unknown = np.any(rows.codes == N_BINS - 1, axis=0).astype(np.uint8)
    thresholds = [np.r_[one, FAR] for one in rows.edges]
    for _ in range(how.n_trees if len(rows.edges) else 0):
        grower = TreeGrower(
            X_binned=rows.codes, gradients=((said - target) * w).astype(np.float32), hessians=w, n_bins=N_BINS,
            n_bins_non_missing=n_known, has_missing_values=unknown, max_leaf_nodes=how.n_leaves,
            min_samples_leaf=how.least_in_leaf, l2_regularization=how.flatten, feature_fraction_per_split=how.columns,
            rng=rng, shrinkage=how.rate, n_threads=1,
        )  # fmt: skip
        grower.grow()
        for leaf in grower.finalized_leaves:
            said[np.asarray(leaf.sample_indices)] += leaf.value
        forest.append(grower.make_predictor(binning_thresholds=thresholds).nodes)
    return _as_trees(forest, base, rows.n_columns, columns=rows.columns)


def trees_of(boosting: Any) -> Trees:
    """scikit-learn's fitted HistGradientBoostingRegressor (squared error, no categories) as flat arrays."""
    base = float(np.ravel(boosting._baseline_prediction)[0])
    return _as_trees([one.nodes for (one,) in boosting._predictors], base, int(boosting.n_features_in_))


def no_trees(n_columns: int) -> Trees:
    """A forest that says 0."""
    return _as_trees([], 0.0, n_columns)


def _as_trees(
    forest: list[Any], base: float, n_columns: int, *, columns: NDArray[np.int64] | None = None
) -> Trees:
    feature, threshold, left, right, missing, value = ([np.zeros(0)] for _ in range(6))
    roots, n = [], 0
    for nodes in forest:
        own = np.arange(len(nodes)) + n
        leaf = nodes["is_leaf"].astype(bool)
        roots.append(n)
        asked = nodes["feature_idx"].astype(np.int64)
        feature.append(np.where(leaf, 0, asked if columns is None else columns[np.where(leaf, 0, asked)]))
        threshold.append(np.where(leaf, 0.0, np.clip(nodes["num_threshold"], -FAR, FAR)))
        left.append(np.where(leaf, own, nodes["left"].astype(np.int64) + n))
        right.append(np.where(leaf, own, nodes["right"].astype(np.int64) + n))
        missing.append(nodes["missing_go_to_left"])
        value.append(np.where(leaf, nodes["value"], 0.0))
        n += len(nodes)
    return Trees(
        n_features=n_columns,
        base=np.array([base]),
        roots=np.array(roots, dtype=np.int32),
        feature=np.concatenate(feature).astype(np.int16),
        threshold=np.concatenate(threshold).astype(np.float64),
        left=np.concatenate(left).astype(np.int32),
        right=np.concatenate(right).astype(np.int32),
        missing=np.concatenate(missing).astype(np.uint8),
        value=np.concatenate(value).astype(np.float64),
    )
