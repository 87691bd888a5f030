"""Expected information of 1,200 tests over 500 suspects: the grid against quadrature.

Run: python tests/bench/information.py. Readings are invented, drawn from a seed. Quadrature is timed on a sample of
tests and scaled; the ratios carry over, the seconds are this machine's. Not a test.
"""

from __future__ import annotations

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

from itertools import pairwise

import numpy as np
from scipy.integrate import quad
from timing import machine_line, median_s, timed

from casekit.reasoning.information import classes, discrete_bits, gaussian_bits

TESTS, SUSPECTS, SAMPLE, SLOW = 1200, 500, 24, 3
ROOT = np.sqrt(2 * np.pi)


def density(v: np.ndarray, p: np.ndarray, mean: np.ndarray, sigma: np.ndarray) -> np.ndarray:
    """Mixture density of readings (V,)."""
    z = (v[:, None] - mean) / sigma
    return np.exp(-0.5 * z * z) @ (p / (sigma * ROOT))


def own_nats(p: np.ndarray, sigma: np.ndarray) -> float:
    """Mean entropy of one reading when the suspect is known."""
    return float(p @ np.log(sigma * ROOT * np.exp(0.5)))


def gauss_legendre(p: np.ndarray, mean: np.ndarray, sigma: np.ndarray) -> float:
    """Information in nats: six nodes in every piece of about one sigma that any reading comes near."""
    order = np.argsort(mean)
    m, s = mean[order], sigma[order]
    begins = np.concatenate([[True], m[1:] - 7 * s[1:] > np.maximum.accumulate(m + 7 * s)[:-1]])
    first = np.flatnonzero(begins)
    ends = np.append(first[1:], len(m)) - 1
    nodes, weights = np.polynomial.legendre.leggauss(6)
    total = 0.0
    for a, b in zip(first, ends, strict=True):
        low, high = (m - 7 * s)[a : b + 1].min(), (m + 7 * s)[a : b + 1].max()
        knots = np.linspace(low, high, int(np.ceil((high - low) / s[a : b + 1].min())) + 1)
        half = np.diff(knots) / 2
        v = ((knots[:-1] + half)[:, None] + half[:, None] * nodes).ravel()
        f = density(v, p[order][a : b + 1], m[a : b + 1], s[a : b + 1])
        total -= float((f * np.log(np.maximum(f, 1e-300)) * (half[:, None] * weights).ravel()).sum())
    return total - own_nats(p, sigma)


def adaptive(p: np.ndarray, mean: np.ndarray, sigma: np.ndarray) -> float:
    """Information in nats by scipy's adaptive quadrature, asked for 0.001 nat."""
    scaled = p / (sigma * ROOT)

    def integrand(v: float) -> float:
        z = (v - mean) / sigma
        f = float(np.exp(-0.5 * z * z) @ scaled)
        return -f * np.log(f) if f > 0 else 0.0

    low, high = float((mean - 7 * sigma).min()), float((mean + 7 * sigma).max())
    # A first cut into volts keeps it from stepping over narrow peaks.
    knots = np.linspace(low, high, 51)
    parts = [quad(integrand, a, b, epsabs=2e-5, limit=400)[0] for a, b in pairwise(knots)]
    return sum(parts) - own_nats(p, sigma)


def readings(random: np.random.Generator, healthy: float) -> np.ndarray:
    """(tests, suspects) volts: this share reads as a good machine does, within millivolts; the rest do not."""
    good = random.uniform(0, 5, (TESTS, 1)) + random.normal(0, 0.004, (TESTS, SUSPECTS))
    return np.where(random.random((TESTS, SUSPECTS)) < healthy, good, random.uniform(0, 5, (TESTS, SUSPECTS)))


def main() -> None:
    """Print the table."""
    print(machine_line())
    print(f"{TESTS} tests x {SUSPECTS} suspects; quadrature timed on {SAMPLE} (adaptive: {SLOW}) tests and scaled")
    random = np.random.default_rng(0)
    p = random.dirichlet(np.ones(SUSPECTS))
    group = np.arange(SUSPECTS) // 3
    some = np.linspace(0, TESTS - 1, SAMPLE).astype(int)
    for name, healthy in (("most read as good", 0.7), ("all readings spread", 0.0)):
        mean = readings(random, healthy)
        sigma = 0.005 + 0.005 * mean.clip(0)
        bits = gaussian_bits(p, mean, sigma)
        grid = median_s(lambda m=mean, s=sigma: gaussian_bits(p, m, s))
        fixed = np.array([gauss_legendre(p, mean[t], sigma[t]) for t in some])
        error = np.abs(bits[some] * np.log(2) - fixed).max()
        coarse = np.abs(discrete_bits(p, classes(p, mean, sigma))[some] * np.log(2) - fixed).max()
        fixed_s = TESTS / SAMPLE * median_s(lambda m=mean, s=sigma: [gauss_legendre(p, m[t], s[t]) for t in some], 3)
        spent, by_quad = timed(lambda m=mean, s=sigma: [adaptive(p, m[t], s[t]) for t in some[:SLOW]])
        quad_s = TESTS / SLOW * spent
        rows = {
            "grid": (grid, f"worst {error:.4f} nat"),
            "grid, groups of three": (median_s(lambda m=mean, s=sigma: gaussian_bits(p, m, s, group)), ""),
            "classes (shortlist)": (
                median_s(lambda m=mean, s=sigma: discrete_bits(p, classes(p, m, s))),
                f"worst {coarse:.4f} nat",
            ),
            "Gauss-Legendre": (fixed_s, "the reference"),
            "adaptive quadrature": (quad_s, f"worst {np.abs(by_quad - fixed[:SLOW]).max():.4f} nat"),
        }
        print(f"\n{name}")
        for row, (seconds, note) in rows.items():
            print(f"{row:24} {seconds * 1e3:12.1f} ms {seconds / grid:10.1f} x   {note}")


if __name__ == "__main__":
    main()
