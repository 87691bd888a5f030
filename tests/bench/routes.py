"""How much a route loses against the best one, and what is proven where the best one is not found.

Run: python tests/bench/routes.py. Problems are drawn from a seed: outcomes at random, uneven probabilities, minutes
from 1 to 10 (or all one), and (where it says so) settings to change and covers to open once. Not a test.
"""

from __future__ import annotations

import numpy as np
from timing import machine_line, timed

from casekit.reasoning.routes import Problem, greedy, optimal

ROWS = (  # hypotheses, tests, outcomes, kind, problems
    (8, 20, 3, "plain", 40),
    (16, 40, 3, "plain", 40),
    (32, 80, 3, "plain", 30),
    (32, 80, 2, "equal costs", 10),
    (16, 40, 3, "settings and covers", 30),
    (32, 80, 3, "settings and covers", 20),
    (32, 80, 3, "look-alikes", 20),
    (32, 80, 3, "mostly as good", 6),
    (60, 80, 3, "plain", 8),
    (60, 80, 3, "settings and covers", 5),
    (60, 80, 2, "equal costs", 2),
    (60, 80, 3, "mostly as good", 2),
    (120, 80, 3, "settings and covers", 3),
)
NODES = 20_000


def problem(random: np.random.Generator, size: int, tests: int, ways: int, kind: str) -> Problem:
    """One problem at random."""
    p, outcomes = random.dirichlet(np.ones(size)), random.integers(0, ways, (tests, size))
    if kind == "mostly as good":  # a test shows something else under one hypothesis in eight
        outcomes *= random.random(outcomes.shape) < 0.125 * ways / (ways - 1)
    minutes = np.ones(tests) if kind == "equal costs" else random.uniform(1, 10, tests)
    if kind == "look-alikes":
        return Problem(p, outcomes, minutes, group=random.integers(0, size // 3, size))
    if kind != "settings and covers":
        return Problem(p, outcomes, minutes)
    switch = random.uniform(1, 8, (4, 4))
    np.fill_diagonal(switch, 0)
    reach = dict(zip("abcde", random.uniform(2, 12, 5), strict=True))
    access = [frozenset(x for x in reach if random.random() < 0.2) for _ in range(tests)]
    return Problem(p, outcomes, minutes, random.integers(0, 4, tests), switch, 0, access, reach)


def percent(found: list[float]) -> str:
    """Mean and worst loss."""
    return f"{100 * (np.mean(found) - 1):7.2f} {100 * (np.max(found) - 1):6.1f}"


def main() -> None:
    """Print the table."""
    print(machine_line())
    print(
        f"Loss in percent over the proven optimum (mean, worst); where none is proven, over the bound. {NODES} nodes."
    )
    print(f"{'size':>9} {'kind':22}{'proven':>8}{'best found':>15}{'greedy':>15}{'look ahead':>15}{'s each':>8}")
    small: list[float] = []
    for size, tests, ways, kind, count in ROWS:
        loss: dict[str, list[float]] = {"best": [], "greedy": [], "ahead": []}
        proven, spent = 0, 0.0
        for seed in range(count):
            one = problem(np.random.default_rng([seed, size]), size, tests, ways, kind)
            took, best = timed(lambda p=one: optimal(p, NODES))
            spent += took
            proven += best.exact
            for name, route in (("best", best), ("greedy", greedy(one)), ("ahead", greedy(one, 1))):
                loss[name].append(route.expected_min / best.bound_min)
        if size <= 32:
            small += loss["best"]
        print(
            f"{size:4} x {tests:2} {kind:22}{proven:4}/{count:<3}",
            *map(percent, loss.values()),
            f"{spent / count:8.2f}",
        )
    print(
        f"\nUp to 32 hypotheses the best route found loses {100 * (np.mean(small) - 1):.3f} % on average to the bound."
    )


if __name__ == "__main__":
    main()
