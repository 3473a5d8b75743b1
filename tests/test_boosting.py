"""Forests over bins cut once: the trees that scikit-learn's own estimator grows on the same bins."""

from __future__ import annotations

import numpy as np
from sklearn.ensemble import HistGradientBoostingRegressor

from phrasewright.training.boosting import N_BINS, Boosting, binned, boost, no_trees

HOW = Boosting(n_trees=20, columns=1.0, n_leaves=12)


def rows(n: int, seed: int = 0) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Rows of six columns, one of them the same everywhere, a value in ten unknown; target and weight."""
    random = np.random.default_rng(seed)
    x = random.normal(size=(n, 6))
    x[random.random(x.shape) < 0.1] = np.nan
    x[:, 3] = 2.0
    y = 70.0 + 9.0 * np.sin(np.nan_to_num(x[:, 0])) + 5.0 * (np.nan_to_num(x[:, 1]) > 0.2) + 3.0 * np.isnan(x[:, 2])
    return x.astype(np.float32), y, 0.5 + random.random(n)


def test_trees_are_those_of_the_library_on_the_same_bins() -> None:
    x, y, weight = rows(900)
    table = binned(x)
    trees = boost(table, y, weight, how=HOW)
    codes = np.full(x.shape, 0.0)
    codes[:, table.columns] = np.where(table.codes == N_BINS - 1, np.nan, table.codes)
    theirs = HistGradientBoostingRegressor(
        max_iter=HOW.n_trees, learning_rate=HOW.rate, max_leaf_nodes=HOW.n_leaves, min_samples_leaf=HOW.least_in_leaf,
        l2_regularization=HOW.flatten, max_bins=N_BINS - 1, early_stopping=False, random_state=0,
    ).fit(codes, y, sample_weight=weight / weight.mean())  # fmt: skip
    assert np.abs(trees.predict(x) - theirs.predict(codes)).max() < 0.01
    assert np.abs(trees.predict(x) - y).mean() < 0.6 * np.abs(y - y.mean()).mean()


def test_the_same_rows_give_the_same_trees() -> None:
    x, y, weight = rows(300)
    one, other = (boost(binned(x), y, weight, how=Boosting(n_trees=5)) for _ in range(2))
    assert all(np.array_equal(a, b) for a, b in zip(one.arrays().values(), other.arrays().values(), strict=True))


def test_columns_that_never_change_are_not_asked() -> None:
    x, y, weight = rows(300)
    table = binned(x)
    assert table.columns.tolist() == [0, 1, 2, 4, 5]
    asked = boost(table, y, weight, how=HOW)
    assert 3 not in asked.feature[asked.left != np.arange(len(asked.left))]


def test_rows_without_any_column_are_answered_by_their_mean() -> None:
    trees = boost(binned(np.ones((40, 2), np.float32)), np.arange(40.0), np.ones(40), how=HOW)
    assert trees.predict(np.zeros((3, 2), np.float32)).tolist() == [19.5] * 3
    assert no_trees(2).predict(np.zeros((3, 2), np.float32)).tolist() == [0.0] * 3
