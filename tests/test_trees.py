"""Trees: the same answers as the library they were fitted with, and nothing but trees is let in."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from sklearn.ensemble import HistGradientBoostingRegressor

from phrasewright.model.trees import Trees, Walk, trees_from
from phrasewright.training.boosting import no_trees, trees_of


def rows(n: int, seed: int = 0) -> np.ndarray:
    """Rows of five columns, one value in ten unknown."""
    random = np.random.default_rng(seed)
    made = random.normal(size=(n, 5))
    made[random.random(made.shape) < 0.1] = np.nan
    return made.astype(np.float32)


@pytest.fixture(scope="module")
def fitted() -> tuple[HistGradientBoostingRegressor, Trees]:
    x = rows(600)
    y = 70.0 + 9.0 * np.sin(np.nan_to_num(x[:, 0])) + 5.0 * (np.nan_to_num(x[:, 1]) > 0.2) + 3.0 * np.isnan(x[:, 2])
    boosting = HistGradientBoostingRegressor(max_iter=25, max_leaf_nodes=12, early_stopping=False, random_state=0)
    boosting.fit(x, y)
    return boosting, trees_of(boosting)


def test_predictions_are_scikit_learns(fitted: tuple[HistGradientBoostingRegressor, Trees]) -> None:
    boosting, trees = fitted
    x = rows(2000, seed=1)
    assert np.abs(trees.predict(x) - boosting.predict(x)).max() < 1e-6


def test_trees_come_back_from_their_arrays(fitted: tuple[HistGradientBoostingRegressor, Trees]) -> None:
    trees = fitted[1]
    again = trees_from(trees.arrays(), n_features=5)
    assert np.array_equal(again.predict(rows(50, 2)), trees.predict(rows(50, 2)))


def _looping(t: Trees) -> Trees:
    """The second node leads back to the root."""
    left = t.left.copy()
    inner = np.flatnonzero(left != np.arange(len(left)))[1]
    left[inner] = 0
    return replace(t, left=left)


def _astray(t: Trees) -> Trees:
    right = t.right.copy()
    right[0] = t.roots[1]
    return replace(t, right=right)


def _unknown_feature(t: Trees) -> Trees:
    return replace(t, feature=np.full_like(t.feature, 5))


def _not_a_number(t: Trees) -> Trees:
    value = t.value.copy()
    value[-1] = np.inf
    return replace(t, value=value)


def _huge(t: Trees) -> Trees:
    """A sum of such values is no number any more."""
    return replace(t, value=np.full_like(t.value, 1e308))


def _short(t: Trees) -> Trees:
    return replace(t, threshold=t.threshold[:-1])


def _no_root(t: Trees) -> Trees:
    return replace(t, roots=t.roots + 1)


BROKEN = (_looping, _astray, _unknown_feature, _not_a_number, _huge, _short, _no_root)


@pytest.mark.parametrize("broken", BROKEN)
def test_what_is_no_forest_is_refused(
    fitted: tuple[HistGradientBoostingRegressor, Trees], broken: Callable[[Trees], Trees]
) -> None:
    with pytest.raises(ValueError, match=r"leads|points|finite|shape|roots"):
        broken(fitted[1])


def test_other_types_are_refused(fitted: tuple[HistGradientBoostingRegressor, Trees]) -> None:
    arrays = fitted[1].arrays()
    with pytest.raises(ValueError, match="left"):
        trees_from({**arrays, "left": arrays["left"].astype(np.float64)}, n_features=5)
    with pytest.raises(ValueError, match="value"):
        trees_from({name: a for name, a in arrays.items() if name != "value"}, n_features=5)


def test_rows_of_another_width_are_refused(fitted: tuple[HistGradientBoostingRegressor, Trees]) -> None:
    with pytest.raises(ValueError, match="5 features"):
        fitted[1].predict(np.zeros((3, 4), dtype=np.float32))


@pytest.mark.parametrize("n_leaves", [8, 16, 17, 33, 63])
def test_trees_of_any_size_with_any_number_of_thresholds_answer_as_walked_node_by_node(n_leaves: int) -> None:
    """Two forests at once; the columns are asked at more thresholds than a byte can number."""
    x = rows(1500, seed=3)
    forests = []
    for seed in (0, 1):
        boosting = HistGradientBoostingRegressor(
            max_iter=40, max_leaf_nodes=n_leaves, min_samples_leaf=1, early_stopping=False, random_state=seed
        )
        forests.append(trees_of(boosting.fit(x[seed::2], np.random.default_rng(seed).normal(size=len(x) // 2))))
    asked = np.concatenate([forest.threshold[forest.feature == 0] for forest in forests])
    assert n_leaves < 33 or len(np.unique(asked)) > 256
    said = Walk(forests).predict(x)
    for column, forest in enumerate(forests):
        at = np.tile(forest.roots.astype(np.int64), (len(x), 1))
        for _ in range(n_leaves):
            value = np.take_along_axis(x, forest.feature[at].astype(np.int64), axis=1)
            goes_left = np.where(np.isnan(value), forest.missing[at] == 1, value <= forest.threshold[at])
            at = np.where(goes_left, forest.left[at], forest.right[at])
        assert np.abs(said[:, column] - forest.base - forest.value[at].sum(axis=1)).max() < 1e-9


def test_a_forest_of_no_trees_says_its_base() -> None:
    assert np.array_equal(no_trees(5).predict(rows(3)), np.zeros(3))
