"""Slips among readings: the one, or the two, without which all others agree; or that they contradict each other.

In: a `Fit`. Out: `Sifted`: what is used and what is left out, what could be left out as well, and which readings agree
among themselves where no few can be left out.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from scipy.special import chdtri

from casekit.reasoning.adjustment import Adjusted
from casekit.reasoning.fit import Fit, Valley

# Readings further off than this many standard uncertainties are not explained: one in 500 good ones (our choice).
APART = 3.1
LEVEL = 1e-3  # how seldom good readings have a sum of squares that is called too large (our choice)
RIVAL = 6.0  # by how much one left out must beat another in the sum of squares: twenty times as likely
FIRSTS = 4  # of two left out, one is among these that help most when left out alone (spares fits)
LEAST_FOR_TWO = 5  # readings: two are only left out where more stay
GROUPS = 3  # groups that are named


@dataclass(frozen=True)
class Sifted:
    """Readings by number: those in `use` agree, but for those `out`. `instead` are others that could be left out in
    their place and lead elsewhere. Where no few can be left out, `groups` are those that agree among themselves, the
    largest first (it is in use); `undecided` says that one of these two is so."""

    valley: Valley
    use: tuple[int, ...]
    out: tuple[int, ...] = ()
    instead: tuple[tuple[int, ...], ...] = ()
    groups: tuple[tuple[int, ...], ...] = ()
    undecided: bool = False


def agree(best: Adjusted) -> bool:
    """Whether adjusted readings agree: each by itself, and all together by the test of the sum of squares (chi squared
    at `LEVEL`)."""
    pulls = np.abs(np.nan_to_num(best.pulls))
    return pulls.max(initial=0.0) <= APART and best.chi2 <= chdtri(max(best.freedom, 1), LEVEL)


def sifted(fit: Fit, most: int = 2) -> Sifted:
    """Sift the readings of a fit.

    The one whose removal lowers the sum of squares most, if all others then agree: Baarda's data snooping of geodetic
    adjustment (1968, from memory), with a fit of its own for every reading that is left out, as a slip can move the
    fit so far that its own residual is the smallest of all. If no single one helps, two; and if that does not, the
    groups are told. With `most` 1 no further than one is looked.
    """
    every = range(len(fit.taken))
    whole = fit.least(every)
    if agree(whole.best):
        return Sifted(whole, tuple(every))
    if len(every) > 1:
        singles = {(k,): fit.least(_without(every, (k,))) for k in every}
        if found := _chosen(fit, singles):
            return found
        if most < 2:
            return _apart(fit, whole, False)
        firsts = sorted(every, key=lambda k: singles[k,].best.chi2)[:FIRSTS]
        pairs = [p for p in combinations(every, 2) if set(p) & set(firsts) and len(every) >= LEAST_FOR_TWO]
        if found := _chosen(fit, {p: fit.least(_without(every, p)) for p in pairs}):
            return found
    return _apart(fit, whole, most > 1)


# Inside ---------------------------------------------------------------------------------------------------------------


def _without(every: Iterable[int], out: tuple[int, ...]) -> list[int]:
    return [k for k in every if k not in out]


def _chosen(fit: Fit, valleys: dict[tuple[int, ...], Valley]) -> Sifted | None:
    """The best of what may be left out, if all others then agree."""
    good = sorted((p for p in valleys if agree(valleys[p].best)), key=lambda p: valleys[p].best.chi2)
    if not good:
        return None
    best, *others = good
    here = valleys[best]
    rivals = [p for p in others if valleys[p].best.chi2 - here.best.chi2 < RIVAL and _elsewhere(fit, here, valleys[p])]
    return Sifted(here, tuple(_without(range(len(fit.taken)), best)), best, tuple(rivals), (), bool(rivals))


def _elsewhere(fit: Fit, one: Valley, other: Valley) -> bool:
    """Whether one of two fits has its size or place outside what the other allows."""
    for here, there in ((one, other), (other, one)):
        for (_, (low, high)), value in zip(fit.spans(here.points, here.score), there.best.values, strict=True):
            if not low <= value <= high:
                return True
    return False


def _apart(fit: Fit, whole: Valley, groups: bool) -> Sifted:
    """Readings that contradict each other, in groups that agree: those that pass through one point of a grid, give or
    take what lies between its points, and then agree by a fit."""
    every = tuple(range(len(fit.taken)))
    mean, v = fit.expected(whole.best.values, every)
    off = np.abs([o.value for o in fit.taken] - mean) / np.sqrt(np.diag(v))
    if not groups:
        out = tuple(int(k) for k in np.flatnonzero(off > APART))
        return Sifted(whole, tuple(_without(every, out)), out, (), (), True)
    near, made, rest = _near(fit, np.sqrt(np.diag(v))), [], list(every)
    best = whole
    while rest and len(made) < GROUPS:
        point = near[:, rest].sum(axis=1).argmax()
        group = [k for k in rest if near[point, k]]
        while group and not agree((valley := fit.least(group)).best):
            pulls = np.abs(np.nan_to_num(valley.best.pulls))
            group.pop(int(pulls.argmax()))
        if not group:
            break
        best = best if made else valley
        made.append(tuple(group))
        rest = _without(rest, made[-1])
    use = made[0] if made else ()
    return Sifted(best, use, tuple(_without(every, use)), (), tuple(made), True)


def _near(fit: Fit, u: np.ndarray) -> np.ndarray:
    """Which readings agree with which points of the whole grid, (P,N)."""
    points = fit.grid(fit.low, fit.high)
    mean = np.nan_to_num(fit.means(points, range(len(fit.taken))), nan=np.inf)
    shape = [len(np.unique(axis)) for axis in points.T]
    cube, slack = mean.reshape(*shape, -1), np.zeros_like(mean).reshape(*shape, -1)
    for axis in range(len(shape)):
        with np.errstate(invalid="ignore"):
            step = np.nan_to_num(np.abs(np.diff(cube, axis=axis)), nan=0.0, posinf=0.0) / 2
        edge = np.zeros_like(np.take(step, [0], axis=axis))
        slack += np.maximum(np.concatenate([step, edge], axis), np.concatenate([edge, step], axis))
    return np.abs(np.array([o.value for o in fit.taken]) - mean) <= APART * u + slack.reshape(mean.shape)
