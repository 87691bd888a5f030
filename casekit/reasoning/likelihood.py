"""How likely readings are together, when each may also be a slip of hand or eye.

In: what was read, and what every hypothesis expects of it: means, what the readings share, and the rest of their
variance. Out: log likelihoods, and which readings look like slips. Gaussian in what is known to vary (JCGM 100), with a
floor: one wrong reading cannot condemn the truth for ever.
"""

from __future__ import annotations

import numpy as np
from scipy.special import ndtr

SLIP = 0.01  # share of readings that are of something else than was written down (common practice, no source)
FORGOTTEN = 1e12  # a slip tells nothing about the readings after it: its variance is this much larger


def together(
    values: np.ndarray, mean: np.ndarray, moves: np.ndarray, variance: np.ndarray, slip_density: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """(log likelihood (items,), probability that each reading is a slip (items, n)).

    `values` (n,), `mean` and `variance` (items, n), `moves` (items, n, quantities): how each reading moves per standard
    uncertainty of what all have in common. `slip_density` (n,) is the density of a slip, per unit of the reading.
    Readings are taken in order; each is judged by what the earlier ones leave open.
    """
    items, n = mean.shape
    ordinary = np.isfinite(mean) & np.isfinite(variance)
    left = values - np.where(ordinary, mean, 0.0)
    cov = np.where(np.isfinite(moves), moves, 0.0) @ np.where(np.isfinite(moves), moves, 0.0).transpose(0, 2, 1)
    cov[:, np.arange(n), np.arange(n)] += np.where(ordinary, variance, 1.0)
    total, slips = np.zeros(items), np.zeros((items, n))
    for k in range(n):
        d = cov[:, k, k]
        usual = (1 - SLIP) * np.exp(-0.5 * np.square(left[:, k]) / d) / np.sqrt(2 * np.pi * d)
        usual[~ordinary[:, k]] = 0.0
        slip = SLIP * slip_density[k]
        total += np.log(usual + slip)
        slips[:, k] = slip / (usual + slip)
        d = d + FORGOTTEN * d * (slips[:, k] > 0.5)
        col = cov[:, k + 1 :, k] / d[:, None]
        left[:, k + 1 :] -= col * left[:, k, None]
        cov[:, k + 1 :, k + 1 :] -= col[:, :, None] * cov[:, k, None, k + 1 :]
    return total, slips


def beyond(limit: np.ndarray, mean: np.ndarray, u: np.ndarray) -> np.ndarray:
    """Log likelihood (items, n) of a display that shows OL: the magnitude is more than `limit` (n,)."""
    with np.errstate(invalid="ignore", divide="ignore"):
        share = ndtr((np.abs(mean) - limit) / u)
    return np.log((1 - SLIP) * np.where(np.isfinite(share), share, 0.5) + SLIP)
