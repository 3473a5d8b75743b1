"""Metrics against published implementations on random data.

Sources: scikit-learn `metrics.mean_absolute_error`, `metrics.root_mean_squared_error`; SciPy
`stats.pearsonr`, `stats.iqr`, `signal.correlate`; NumPy `corrcoef`.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal, stats
from sklearn import metrics

from phrasewright.data.curves import Curve
from phrasewright.data.notes import Notes
from phrasewright.model.metrics import (
    correlation,
    lag_ms,
    lane_pair,
    mean_absolute_error,
    mean_difference,
    phrase_ranges,
    root_mean_square_error,
)


@pytest.mark.parametrize("seed", range(10))
def test_errors_and_correlation(seed: int) -> None:
    rng = np.random.default_rng(seed)
    left = rng.integers(0, 128, 500).astype(float)
    right = np.clip(0.6 * left + rng.normal(20, 15, 500), 0, 127)
    assert mean_absolute_error(left, right) == pytest.approx(metrics.mean_absolute_error(left, right))
    assert root_mean_square_error(left, right) == pytest.approx(metrics.root_mean_squared_error(left, right))
    assert mean_difference(left, right) == pytest.approx(right.mean() - left.mean())
    assert correlation(left, right) == pytest.approx(stats.pearsonr(left, right).statistic)


@pytest.mark.parametrize("seed", range(5))
def test_ranges_within_phrases(seed: int) -> None:
    rng = np.random.default_rng(seed)
    phrase = np.sort(rng.integers(0, 9, 400))
    value = rng.integers(0, 128, 400).astype(float)
    expected = [stats.iqr(value[phrase == k]) for k in np.unique(phrase)]
    np.testing.assert_allclose(phrase_ranges(value, phrase), expected)


@pytest.mark.parametrize("shift", [-37, -5, 0, 8, 21])
def test_lag_is_where_cross_correlation_peaks(shift: int) -> None:
    """A burst inside a long note: cross-correlation with silence around and Pearson's r at each shift peak together."""
    rng = np.random.default_rng(shift + 100)
    burst = np.rint(60 + 20 * np.convolve(rng.normal(size=300), np.hanning(15) / 7, mode="same") * np.hanning(300))
    left = np.r_[np.full(200, 60.0), burst, np.full(200, 60.0)]
    left[200], left[499] = 60, 60
    right = np.roll(left, shift) * 1.0
    time_s = np.arange(700) * 0.01
    notes = Notes(*(np.array([x]) for x in (0.0, 7.0, 0.0, 14.0)), *(np.array([x]) for x in (0, 700, 60, 80)))
    pair = lane_pair(Curve(time_s, left), Curve(time_s.copy(), right), notes=notes, phrases_s=np.array([[0.0, 7.0]]))
    products = signal.correlate(pair.right_slope, pair.left_slope, mode="full")
    lags = signal.correlation_lags(len(pair.right_slope), len(pair.left_slope), mode="full")
    assert lag_ms(pair) == pytest.approx(10 * lags[np.argmax(products)])
    assert lag_ms(pair) == pytest.approx(10 * shift)


@pytest.mark.parametrize("seed", range(3))
def test_lag_against_every_shift_by_corrcoef(seed: int) -> None:
    rng = np.random.default_rng(seed)
    left, right = (np.clip(60 + np.cumsum(rng.integers(-2, 3, 600)), 0, 127).astype(float) for _ in range(2))
    time_s = np.arange(600) * 0.01
    notes = Notes(
        *(np.array(x, dtype=float) for x in ([0.6, 3.0], [2.5, 5.4], [1.2, 6.0], [5.0, 10.8])),
        *(np.array(x) for x in ([60, 300], [250, 540], [60, 62], [80, 80])),
    )
    pair = lane_pair(Curve(time_s, left), Curve(time_s.copy(), right), notes=notes, phrases_s=np.array([[0.6, 5.4]]))
    at = np.flatnonzero(pair.counted)
    r = [np.corrcoef(pair.left_slope[at], pair.right_slope[at + k])[0, 1] for k in range(-50, 51)]
    assert lag_ms(pair) == pytest.approx(10 * (int(np.argmax(r)) - 50))
