"""Exam items about chances: how likely is a suspect once a reading has ruled out others? By Bayes' rule.

In: a `FaultTable`, a key, a generator of random numbers. Out: an `Item`, or None where none that is fair was drawn. The
chances before the reading are those of the field weights among the suspects named, in whole percent.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np

from casekit.reasoning.belief import updated
from casekit.reasoning.prior import cells
from casekit.reasoning.suspect import Suspect
from casekit.reasoning.words import number
from casekit.teaching.ability import CHANCE
from casekit.teaching.faulttable import FaultTable
from casekit.teaching.item import Item, Option, shuffled

NAMED = 4
APART = 0.08  # between two options, as a share
SEEN_V = 1.0  # what a reading that is asked about is off at least
LEAST = 0.02  # of the chances before the reading


def chance(t: FaultTable, key: str, rng: np.random.Generator) -> Item | None:
    """How likely is this now?"""
    n = int(rng.integers(len(t.cells)))
    moved = t.moved(n, SEEN_V)
    if not len(moved):
        return None
    k = int(moved[int(rng.integers(len(moved)))])
    v = float(t.volts[n + 1, k])
    against = t.against([k], [v])[:, 0]
    place = t.cells[n].suspect.place
    near = np.flatnonzero(np.abs(t.volts[1:, k] - v) < t.u(v))
    same = [int(m) for m in near if t.cells[int(m)].suspect.place != place]
    out = [int(m) for m in np.flatnonzero(against > 1)]
    if not np.isfinite(v) or not same or len(out) < 2:
        return None
    named = [n, int(rng.choice(same)), *(int(m) for m in rng.choice(out, 2, replace=False))]
    if len({t.cells[m].suspect.place for m in named}) < NAMED:
        return None
    before = _percents(t, named)
    if before.min() < LEAST:
        return None
    after = updated(before, [1.0, 1.0, 0.0, 0.0])
    right = float(after[0])
    ideas = [(float(before[0]), "a reading changes only what it rules out"), (0.5, "all that are left are as likely"),
             (1.0, "what fits a reading is proven"), (0.25, "chances before the reading do not count")]  # fmt: skip
    wrong: list[tuple[float, str]] = []
    for p, idea in ideas:
        if all(abs(p - other) > APART for other in (right, *(w for w, _ in wrong))):
            wrong.append((p, idea))
    if len(wrong) < 2 or not t.agrees(n, [k]) or not t.agrees(named[1], [k]):
        return None
    options, number_right = shuffled(_percent(right), [_percent(p, idea) for p, idea in wrong[:3]], rng)
    rows = tuple((t.told(m), f"{100 * p:.0f} %") for m, p in zip(named, before, strict=True))
    mixed = [rows[int(m)] for m in rng.permutation(NAMED)]
    return Item(key, "chance", "choice", CHANCE, t.name,
                f"Before any reading the suspects, and no others, have these chances. Key on, everything plugged, "
                f"{t.where(k)} shows {number(v, 'V')}. How likely is \"{t.told(n)}\" now?",
                tuple(mixed), options, number_right,
                because=f"It would read otherwise with {t.cells[named[2]].suspect} and with "
                f"{t.cells[named[3]].suspect}; with the other two it reads this. What was theirs is shared in "
                f"proportion: {100 * before[0]:.0f} of {100 * (before[0] + before[1]):.0f}, {100 * right:.0f} %.",
                rings=((t.points[k], number(v, "V")),), level=2)  # fmt: skip


def _percents(t: FaultTable, named: list[int]) -> np.ndarray:
    """Chances of the suspects among themselves, in whole percent that add up to one."""
    weights = _weights(t)
    share = np.array([weights[t.cells[m].suspect] for m in named])
    whole = np.round(100 * share / share.sum())
    whole[whole.argmax()] += 100 - whole.sum()
    return whole / 100


@lru_cache(maxsize=8)
def _weights(t: FaultTable) -> dict[Suspect, float]:
    """Field weights of all suspects of a machine."""
    weights: dict[Suspect, float] = {}
    for cell in cells(t.drawing, [c.suspect for c in t.cells]):
        weights[cell.suspect] = weights.get(cell.suspect, 0.0) + cell.weight
    return weights


def _percent(p: float, idea: str = "") -> Option:
    return Option(f"{100 * p:.0f} %", idea)
