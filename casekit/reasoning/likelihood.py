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


class Together:
    """Readings under items (hypotheses), one after another, each judged by what the earlier ones leave open.

    The covariance of all readings is factored as they come (L D L', row by row): of every reading is kept what was new
    in it, its variance, and how that goes with the common quantities; so one more costs only what is new. `log` and
    `slips` are (items, readings): the log likelihood that each reading added, and how likely it is a slip.
    """

    def __init__(self, items: int, quantities: int):
        self.items = items
        self.log, self.slips, self._left, self._d = (np.zeros((items, 0)) for _ in range(4))
        self._with = np.zeros((items, 0, quantities))  # covariance of what was new with the common quantities

    def __len__(self) -> int:
        return self.log.shape[1]

    def add(
        self, values: np.ndarray, mean: np.ndarray, moves: np.ndarray, variance: np.ndarray, slip_density: np.ndarray
    ) -> None:
        """More readings: `values` (n,), `mean` and `variance` (items, n), `moves` (items, n, quantities): how each
        moves per standard uncertainty of what all have in common; `slip_density` (n,), of a slip, per unit."""
        n = len(values)
        if not n:
            return
        ordinary = np.isfinite(mean) & np.isfinite(variance)
        left = values - np.where(ordinary, mean, 0.0)
        fresh = np.where(np.isfinite(moves), moves, 0.0)
        cov = fresh @ fresh.transpose(0, 2, 1)
        cov[:, np.arange(n), np.arange(n)] += np.where(ordinary, variance, 1.0)
        if len(self):
            shared = fresh @ self._with.transpose(0, 2, 1)  # with what was new in every earlier reading
            share = shared / self._d[:, None]
            left -= (share @ self._left[:, :, None])[:, :, 0]
            cov -= share @ shared.transpose(0, 2, 1)
            fresh -= share @ self._with
        log, slips, pivots = np.zeros((self.items, n)), np.zeros((self.items, n)), []
        for k in range(n):
            d = cov[:, k, k]
            usual = (1 - SLIP) * np.exp(-0.5 * np.square(left[:, k]) / d) / np.sqrt(2 * np.pi * d)
            usual[~ordinary[:, k]] = 0.0
            slip = SLIP * slip_density[k]
            log[:, k] = np.log(usual + slip)
            slips[:, k] = slip / (usual + slip)
            d = d + FORGOTTEN * d * (slips[:, k] > 0.5)
            col = cov[:, k + 1 :, k] / d[:, None]
            left[:, k + 1 :] -= col * left[:, k, None]
            fresh[:, k + 1 :] -= col[:, :, None] * fresh[:, k, None]
            cov[:, k + 1 :, k + 1 :] -= col[:, :, None] * cov[:, k, None, k + 1 :]
            pivots.append(d)
        self.log, self.slips = np.hstack([self.log, log]), np.hstack([self.slips, slips])
        self._left, self._d = np.hstack([self._left, left]), np.hstack([self._d, np.stack(pivots, axis=1)])
        self._with = np.concatenate([self._with, fresh], axis=1)

    def cut(self, n: int) -> None:
        """Take back all but the first n readings."""
        self.log, self.slips, self._left, self._d = (x[:, :n] for x in (self.log, self.slips, self._left, self._d))
        self._with = self._with[:, :n]

    def take(self, rows: np.ndarray) -> None:
        """Go on with some of the items alone."""
        self.items = len(rows)
        self.log, self.slips, self._left, self._d = (x[rows] for x in (self.log, self.slips, self._left, self._d))
        self._with = self._with[rows]


def beyond(limit: np.ndarray, mean: np.ndarray, u: np.ndarray) -> np.ndarray:
    """Log likelihood (items, n) of a display that shows OL: the magnitude is more than `limit` (n,)."""
    with np.errstate(invalid="ignore", divide="ignore"):
        share = ndtr((np.abs(mean) - limit) / u)
    return np.log((1 - SLIP) * np.where(np.isfinite(share), share, 0.5) + SLIP)
