"""Belief: weights over hypotheses that add up to one, and how evidence moves them.

In: log weights or probabilities, and likelihoods. Out: probabilities, entropies in bits.
"""

from __future__ import annotations

import numpy as np

from casekit.error import CasekitError


def normalised(log_weights: np.ndarray) -> np.ndarray:
    """Probabilities (along the last axis) from natural logarithms of weights; -inf is a weight of zero.

    The largest logarithm is taken out first, so that weights far below 1e-308 keep their ratios.

    >>> normalised([-1000.0, -1000.0, -np.inf]).tolist()
    [0.5, 0.5, 0.0]
    """
    log_weights = np.asarray(log_weights, dtype=float)
    if np.isnan(log_weights).any() or (log_weights == np.inf).any():
        raise CasekitError("The weights hold a value that is no number; check the likelihood that gave it.")
    largest = log_weights.max(axis=-1, keepdims=True, initial=-np.inf)
    if np.isinf(largest).any():
        raise CasekitError(
            "The weights leave no hypothesis possible; measure again, or allow two faults or a wrong drawing."
        )
    weights = np.exp(log_weights - largest)
    return weights / weights.sum(axis=-1, keepdims=True)


def entropy_bits(p: np.ndarray) -> np.ndarray:
    """Entropy -Σ p log2 p of probabilities along the last axis, in bits; 0 log 0 is 0 (Shannon 1948).

    >>> float(entropy_bits([0.5, 0.25, 0.25, 0.0]))
    1.5
    """
    p = np.asarray(p, dtype=float)
    return -(p * np.log2(p, out=np.zeros_like(p), where=p > 0)).sum(axis=-1)


def updated(p: np.ndarray, likelihood: np.ndarray) -> np.ndarray:
    """Bayes' rule: probabilities after evidence that has this likelihood under each hypothesis.

    `p` (..., S) and `likelihood` (..., S) broadcast; a likelihood is a probability or a density, never below zero.
    """
    p, likelihood = np.asarray(p, dtype=float), np.asarray(likelihood, dtype=float)
    if (p < 0).any() or (likelihood < 0).any():
        raise CasekitError("The evidence has a weight below zero; give probabilities or densities.")
    with np.errstate(divide="ignore"):
        return normalised(np.log(p) + np.log(likelihood))
