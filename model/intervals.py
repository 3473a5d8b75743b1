"""How sure a figure is: 95 % intervals by phrase, piece or hand, of which each is one decision and not its frames.

Two ways. Where the figure is a mean of frames, the standard error over phrases gives it at once (`interval_by_phrase`).
For any other figure all phrases, pieces or hands are drawn anew many times (`resamples`), and the interval holds the
middle of what the figure becomes (`interval_of`; the percentile bootstrap, Efron 1979, from memory).
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


def resamples(n: int, *, n_draws: int = 1000, seed: int | np.random.Generator = 0) -> NDArray[np.int64]:
    """Indices of `n` things drawn anew with replacement, shape (n_draws, n); a generator goes on where it stands."""
    return np.random.default_rng(seed).integers(0, n, size=(n_draws, n))


def interval_of(drawn: Floats | Sequence[float], *, tail: float = 0.025) -> tuple[float, float]:
    """The ends of what a figure becomes over resamples, (n_draws,), with the share `tail` left out at either end."""
    low, high = np.quantile(drawn, [tail, 1.0 - tail])
    return float(low), float(high)


def interval_by_phrase(total: Floats, n: Floats) -> tuple[float, float] | None:
    """95 % interval of the mean `total.sum() / n.sum()`, phrases being what was drawn anew, not frames.

    The ratio estimator's standard error over phrases (Cochran 1977, Sampling Techniques, chapter 6; from memory) and
    Student's quantile. None with fewer than two phrases.
    """
    n_phrases = len(n)
    if n_phrases < 2:
        return None
    mean = total.sum() / n.sum()
    variance = n_phrases / (n_phrases - 1) * np.square(total - mean * n).sum() / np.square(n.sum())
    half = student_quantile(n_phrases - 1) * float(np.sqrt(variance))
    return float(mean) - half, float(mean) + half


def student_quantile(freedom: int) -> float:
    """Student's 97.5 % point, to .002: the series of Abramowitz and Stegun 1964, 26.7.5 (from memory).

    Written out because the library that has it takes a quarter of a second to load.
    """
    if freedom < 4:
        return (12.7062, 4.3027, 3.1824)[freedom - 1]
    z = 1.959964
    terms: tuple[float, ...] = (
        (z**3 + z) / 4,
        (5 * z**5 + 16 * z**3 + 3 * z) / 96,
        (3 * z**7 + 19 * z**5 + 17 * z**3 - 15 * z) / 384,
        (79 * z**9 + 776 * z**7 + 1482 * z**5 - 1920 * z**3 - 945 * z) / 92160,
    )
    return z + sum((term / freedom ** (k + 1) for k, term in enumerate(terms)), 0.0)
