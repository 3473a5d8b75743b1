"""How a little of a hand determines the rest: an exact Bayesian linear head over the network's view of a moment.

The network (`network.py`) is trained on thousands of invented hands so that a linear head on its features, fitted to a
little of a hand, predicts the rest (Harrison et al. 2018, "ALPaCA"; Bertinetto et al. 2019 solve the same ridge
problem without the spread). The head starts from what is usual among hands: a normal prior with a mean and a precision
for each feature and lane, which travel with the weights and are read here without torch.

How evidence is weighed: frames of one curve are not independent, so a frame counts by the seconds it stands for times
`facts_per_s`, which was learned with the features: the precision a second of a drawn lane brings. Give `weight_s` in
seconds (times whatever less than one says that a passage counts less), never one a frame.

Units: lanes in controller steps outside, in units of `SCALE_CC` around `MIDDLE_CC` inside.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from safetensors import SafetensorError, safe_open

from phrasewright.data.errors import InputError

Array = NDArray[np.float64]
MIDDLE_CC, SCALE_CC = 72.0, 24.0
EVIDENCE_WEIGHTS = Path(__file__).parent / "weights" / "evidence.safetensors"
CARD = EVIDENCE_WEIGHTS.with_name("base.json")
_NAMES = ("head.mean", "head.log_precision", "head.log_facts", "head.noise")


@dataclass(frozen=True)
class HeadPrior:
    """What is known of a hand before it has drawn anything. `n` is the number of features, and a constant, the last.

    Parameters
    ----------
    mean, precision : float array, (n, 3)
        Of each coefficient of each lane.
    facts_per_s : float array, (3,)
        Precision that a second of a drawn lane brings.
    noise : float array, (n, 3)
        Coefficients of the logarithm of the spread that no evidence takes away, units of `SCALE_CC`.
    """

    mean: Array
    precision: Array
    facts_per_s: Array
    noise: Array


@dataclass(frozen=True)
class Head:
    """One lane of a hand: `mean` (n,) and `covariance` (n, n) of its coefficients, `noise` (n,) as in the prior."""

    mean: Array
    covariance: Array
    noise: Array

    def answer(self, features: NDArray[np.float32]) -> tuple[Array, Array]:
        """Centre and standard deviation in steps, each (n_frames,), from features (n_frames, n - 1)."""
        x = with_constant(features)
        known = np.einsum("fi,ij,fj->f", x, self.covariance, x)
        left = np.exp(2.0 * np.clip(x @ self.noise, -6.0, 2.0))
        return MIDDLE_CC + SCALE_CC * (x @ self.mean), SCALE_CC * np.sqrt(np.maximum(known, 0.0) + left)


def fitted_head(
    prior: HeadPrior, *, lane: int, features: NDArray[np.float32], target_cc: Array, weight_s: Array
) -> Head:
    """The head of one lane (its number in LANES) after evidence; without frames, the prior itself.

    Parameters
    ----------
    features : float array, (n_frames, n - 1)
        From `evidence_features` in `prediction.py`.
    target_cc, weight_s : float array, (n_frames,)
        What the hand drew, steps, and the seconds each frame stands for (0 where nothing is known).
    """
    x = with_constant(features)
    y = (target_cc - MIDDLE_CC) / SCALE_CC
    w = prior.facts_per_s[lane] * weight_s
    precision = np.diag(prior.precision[:, lane]) + (x * w[:, None]).T @ x
    covariance = np.linalg.inv(precision)
    mean = covariance @ (prior.precision[:, lane] * prior.mean[:, lane] + x.T @ (w * y))
    return Head(mean, (covariance + covariance.T) / 2.0, prior.noise[:, lane])


def with_constant(features: NDArray[np.float32]) -> Array:
    """Features and a column of ones, (n_frames, n), in double precision."""
    return np.concatenate([features.astype(np.float64), np.ones((len(features), 1))], axis=1)


@lru_cache(maxsize=2)
def head_prior(path: Path = EVIDENCE_WEIGHTS) -> HeadPrior:
    """The prior that travels with weights.

    Raises
    ------
    InputError
        The file is missing, damaged or no evidence network's.
    """
    try:
        with safe_open(path, framework="numpy") as file:
            mean, precision, facts, noise = (file.get_tensor(name).astype(np.float64) for name in _NAMES)
    except (OSError, SafetensorError, TypeError) as fault:  # numpy does not know some kinds of numbers
        raise InputError(f"{path}: no usable weights ({fault}); install again or train them anew") from fault
    return HeadPrior(mean, np.exp(precision), np.exp(facts), noise)


@lru_cache(maxsize=4)
def band_factors(case: str, card: Path = CARD) -> Mapping[int, tuple[float, ...]]:
    """Factors on the spread of each lane that make bands of 50, 68 and 90 %; all 1 where the card knows of none.

    Parameters
    ----------
    case : str
        `default`: on `spread_cc` of the network's own answer; `one cue`: on what `Head.answer` calls its deviation.
    """
    found = json.loads(card.read_text(encoding="utf-8")).get("bands", {}) if card.exists() else {}
    return {level: tuple(found.get(case, {}).get(str(level), (1.0, 1.0, 1.0))) for level in (50, 68, 90)}
