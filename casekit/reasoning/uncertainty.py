"""Uncertainty in the words of JCGM 100 (the GUM): standard, combined, expanded, propagated.

In: limits or standard uncertainties with their shapes; a function of several quantities. Out: standard uncertainties,
coverage factors, expanded uncertainties, correlations.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy.special import ndtr

from casekit.error import CasekitError

CELLS = 4000  # of the grid on which shapes are convolved, over the whole span
TAIL = 6.0  # standard deviations of a normal shape that the grid holds


@dataclass(frozen=True)
class Component:
    """One line of an uncertainty budget: its standard uncertainty (times sensitivity) and its shape."""

    u: float
    shape: Literal["normal", "rectangular"] = "normal"

    def __post_init__(self) -> None:
        if self.shape not in ("normal", "rectangular"):
            raise CasekitError(f"Component has the shape {self.shape!r}; write 'normal' or 'rectangular'.")
        if not 0 <= self.u < math.inf:
            raise CasekitError(f"Component has the standard uncertainty {self.u}; give zero or a positive number.")


def rectangular(half_width: float) -> float:
    """Standard uncertainty of a value that is anywhere within ± `half_width`: a/√3 (JCGM 100:2008, 4.3.7)."""
    return half_width / math.sqrt(3)


def combined(*u: float) -> float:
    """Combined standard uncertainty of independent components, √Σu² (JCGM 100:2008, 5.1.2)."""
    return math.hypot(*u)


def coverage_factor(components: Sequence[Component], probability: float = 0.9545) -> float:
    """How many combined standard uncertainties hold the value with this probability.

    The shapes are convolved numerically (normal ones are one normal first), so a budget that is one rectangle gives
    √3 times the probability and a normal one 2.00 at 95.45 %. Components are independent and symmetrical.
    """
    if not 0 < probability < 1:
        raise CasekitError(f"The coverage probability is {probability}; give a number between 0 and 1.")
    u = combined(*(c.u for c in components))
    if u == 0:
        raise CasekitError("The budget has no component above zero; name at least one source of uncertainty.")
    normal = combined(*(c.u for c in components if c.shape == "normal")) / u
    # The middle cell is centred on zero; what is narrower than a cell is lost, which is far below what is printed.
    widths = [math.sqrt(3) * c.u / u for c in components if c.shape == "rectangular" and c.u > 0]
    half = CELLS // 2
    step = (sum(widths) + TAIL * normal) / half
    edges = (np.arange(-half, half + 2) - 0.5) * step
    mass = np.diff(ndtr(edges / normal)) if normal else np.eye(1, CELLS + 1, half)[0]
    for a in widths:
        mass = np.convolve(mass, np.diff(np.clip((edges + a) / (2 * a), 0, 1)), "same")
    # Probability within ± each edge of the upper half; the density is flat within a cell.
    within = np.concatenate([[0.0], mass[half] + 2 * np.concatenate([[0.0], np.cumsum(mass[half + 1 :])])])
    upper = np.concatenate([[0.0], edges[half + 1 :]])
    return float(np.interp(probability * within[-1], within, upper))


def expanded(components: Sequence[Component], probability: float = 0.9545) -> tuple[float, float]:
    """Coverage factor k and expanded uncertainty U = k·u (JCGM 100:2008, 6.2 and 6.3)."""
    k = coverage_factor(components, probability)
    return k, k * combined(*(c.u for c in components))


def propagated(jacobian: np.ndarray, covariance: np.ndarray) -> np.ndarray:
    """Covariance (N,N) of results from that of the inputs (M,M) and the sensitivities (N,M): J V Jᵀ."""
    jacobian = np.atleast_2d(np.asarray(jacobian, dtype=float))
    return jacobian @ np.asarray(covariance, dtype=float) @ jacobian.T


def propagate(
    function: Callable[..., Sequence[float]],
    values: Sequence[float],
    u: Sequence[float],
    correlation: np.ndarray | None = None,
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Values, standard uncertainties and correlations of what a function makes of its inputs (JCGM 100:2008, H.2).

    `function(*values)` returns one or N numbers; `u` are the M standard uncertainties of the inputs, `correlation`
    (M,M) theirs (none: independent). Sensitivities are central differences over a hundredth of each u, so a function
    that bends strongly within one u is beyond this method. A result without uncertainty correlates with nothing.
    """
    values, u = np.asarray(values, dtype=float), np.asarray(u, dtype=float)
    correlation = np.eye(len(values)) if correlation is None else np.asarray(correlation, dtype=float)
    if not values.shape == u.shape == correlation.shape[:1] == correlation.shape[1:]:
        raise CasekitError(
            f"The inputs are {values.size} values, {u.size} uncertainties and {correlation.shape} correlations; "
            "give one of each for every input."
        )
    result = np.atleast_1d(np.asarray(function(*values), dtype=float))
    jacobian = np.zeros((len(result), len(values)))
    for k in np.flatnonzero(u):
        step = np.zeros(len(values))
        step[k] = u[k] / 100
        jacobian[:, k] = np.subtract(function(*(values + step)), function(*(values - step))) / (2 * step[k])
    covariance = propagated(jacobian, correlation * np.outer(u, u))
    spread = np.sqrt(np.diag(covariance))
    between = np.eye(len(result))
    known = np.flatnonzero(spread)
    rows = np.ix_(known, known)
    between[rows] = covariance[rows] / np.outer(spread[known], spread[known])
    np.fill_diagonal(between, 1.0)
    return result, spread, between
