"""Trees: the same answers as the library they were fitted with, and nothing but trees is let in."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from sklearn.ensemble import HistGradientBoostingRegressor

from phrasewright.model.trees import MAX_ENTRIES, Trees, check_walk, trees_from
from phrasewright.training.boosting import trees_of


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


def test_a_walk_that_would_take_all_memory_is_refused(fitted: tuple[HistGradientBoostingRegressor, Trees]) -> None:
    """Stumps that all ask one column, each at a threshold of its own: a table of n by n."""
    n = 1 + int(np.sqrt(MAX_ENTRIES))
    root = 3 * np.arange(n, dtype=np.int32)
    own = np.arange(3 * n, dtype=np.int32)
    left, right = own.copy(), own.copy()
    left[root], right[root] = root + 1, root + 2
    stumps = Trees(
        5, np.zeros(1), root, np.zeros(3 * n, dtype=np.int16), np.linspace(0, 1, 3 * n), left, right,
        np.zeros(3 * n, dtype=np.uint8), np.zeros(3 * n),
    )  # fmt: skip
    with pytest.raises(ValueError, match="more than any style's"):
        check_walk([stumps])
    check_walk([fitted[1]] * 6)
