"""Least-squares adjustment: what measured values, with uncertainties that may be correlated, say of a few parameters.

In: a model, measured values, their covariance. Out: `Adjusted`: parameters with covariance, and how well each value
agrees.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.optimize import least_squares

from casekit.error import CasekitError
from casekit.reasoning.uncertainty import propagated

ABSORBED = 1e-3  # share of a value's variance below which what is left of it after the fit says nothing
IDLE = 0.01  # what a parameter moved from end to end must change in the sum of squares to be told by the values
LOOSEST = 1e6  # ends of a parameter without bounds, in units of `scale`
STEP = 1e-3  # step of the sensitivities, in units of `scale`


@dataclass(frozen=True)
class Adjusted:
    """`values` (M,) with `covariance` (M,M); `fitted` (N,) what the model gives there; `chi2` the weighted sum of
    squares on `freedom` degrees of freedom; `pulls` (N,) every residual over its own standard uncertainty (nan where
    the fit leaves it none)."""

    values: np.ndarray
    covariance: np.ndarray
    fitted: np.ndarray
    chi2: float
    freedom: int
    pulls: np.ndarray

    @property
    def u(self) -> np.ndarray:
        """Standard uncertainties of the parameters, (M,)."""
        return np.sqrt(np.diag(self.covariance))


def adjusted(
    model: Callable[..., Sequence[float]],
    start: Sequence[float],
    measured: Sequence[float],
    covariance: np.ndarray,
    bounds: tuple[Sequence[float], Sequence[float]] | None = None,
    scale: Sequence[float] | None = None,
) -> Adjusted:
    """Parameters that make r = measured - model(*parameters) least, as rᵀV⁻¹r (generalised least squares).

    `start` are M values to begin with, between `bounds` if there are any; `covariance` V is that of the N measured
    values; `scale` is how far a parameter must move to matter (none: its own size). The estimator is linear near its
    end, and its covariance is that of the measured values propagated through it (JCGM 100:2008, 5.2). A parameter on
    which no value depends, or which they could not tell within its bounds, has an infinite variance. Raises
    CasekitError where the shapes do not fit, and where V is no covariance.
    """
    start, y = np.asarray(start, dtype=float), np.asarray(measured, dtype=float)
    v = np.asarray(covariance, dtype=float)
    if v.shape != (len(y), len(y)):
        raise CasekitError(f"There are {len(y)} measured values and a covariance {v.shape}; give one row for each.")
    try:
        root = np.linalg.cholesky(v)
    except np.linalg.LinAlgError:
        raise CasekitError("The covariance is not positive; give every measured value an uncertainty.") from None
    size = np.where(start == 0, 1.0, np.abs(start)) if scale is None else np.asarray(scale, dtype=float)
    wide = np.full(len(start), np.inf)
    low, high = (np.asarray(end, dtype=float) for end in bounds or (-wide, wide))

    def off(x: np.ndarray) -> np.ndarray:
        return np.linalg.solve(root, y - np.asarray(model(*(x * size)), dtype=float))

    def slopes(x: np.ndarray) -> np.ndarray:
        steps = STEP * np.eye(len(x))
        ends = [(np.maximum(x - step, low / size), np.minimum(x + step, high / size)) for step in steps]
        return np.stack([(off(b) - off(a)) / np.sum(b - a) for a, b in ends], axis=1)

    if not len(start):
        fitted = np.asarray(model(), dtype=float)
        alone = np.linalg.solve(root, y - fitted)
        return Adjusted(
            start, np.zeros((0, 0)), fitted, float(alone @ alone), len(y), (y - fitted) / np.sqrt(np.diag(v))
        )
    found = least_squares(off, start / size, slopes, (low / size, high / size), xtol=1e-10, ftol=1e-10, gtol=1e-10)
    values = found.x * size
    slope = -root @ found.jac / size  # of the model, (N, M)
    weighted = np.linalg.solve(v, slope)
    normal = slope.T @ weighted
    span = np.minimum(high - low, LOOSEST * size)
    free = np.flatnonzero(np.diag(normal) * span**2 > IDLE)
    spread = np.diag(np.full(len(start), np.inf))
    rest = v
    if len(free):
        estimator = np.linalg.pinv(normal[np.ix_(free, free)]) @ weighted[:, free].T
        spread[np.ix_(free, free)] = propagated(estimator, v)
        rest = v - slope[:, free] @ spread[np.ix_(free, free)] @ slope[:, free].T
    fitted = np.asarray(model(*values), dtype=float)
    own = np.diag(rest)
    with np.errstate(invalid="ignore", divide="ignore"):
        pulls = np.where(own > ABSORBED * np.diag(v), (y - fitted) / np.sqrt(np.abs(own)), np.nan)
    return Adjusted(values, spread, fitted, 2 * float(found.cost), len(y) - len(free), pulls)
