"""Test theory: how hard items are, how well they tell candidates apart, and how able a candidate is.

In: answers of candidates to items, 1 right and 0 wrong (nan where an item was not put). Out: difficulties,
discriminations, reliability, abilities with their standard errors, and items that deserve a look.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.optimize import minimize
from scipy.special import expit

from casekit.error import CasekitError

PRIOR_LOGITS = 1.5  # standard deviation of abilities before a paper is marked (our choice, wide)
GRID = np.linspace(-6.0, 6.0, 241)  # logits over which abilities are averaged
TINY = 1e-12  # the least chance that is reckoned with
K_FACTOR = 32.0  # of the rating after Elo, as in its published examples
FEW, LOW, HARD, EASY = 20, 0.15, 0.2, 0.95  # from how many answers an item is judged, and by what (common practice)


def chance(ability: float | np.ndarray, difficulty: float | np.ndarray, slope: float = 1.0, guess: float = 0.0):
    """The chance of a right answer, c + (1 - c) / (1 + exp(-a (ability - difficulty))), in logits.

    With a = 1 and c = 0 that is the Rasch model; c is the chance of a guess (three-parameter logistic model; F. B.
    Baker, The Basics of Item Response Theory, 2nd ed., 2001).

    >>> round(float(chance(0.0, 2.0)), 2)
    0.12
    """
    return guess + (1 - guess) * expit(slope * (np.asarray(ability) - difficulty))


def kr20(right: np.ndarray) -> float:
    """Kuder and Richardson's formula 20, k/(k-1) (1 - sum pq / variance of totals), of (candidates, items) answers.

    Both variances are those of the population; mixing them with n - 1 for the totals is a common error. nan where all
    totals are equal. Raises CasekitError for fewer than two items or candidates, and for answers that are missing.
    """
    x = _answers(right)
    if min(x.shape) < 2 or np.isnan(x).any():
        raise CasekitError("KR-20 needs at least two candidates and two items, every item answered by all.")
    p, total = x.mean(axis=0), x.sum(axis=1)
    if total.var() == 0:
        return math.nan
    k = x.shape[1]
    return float(k / (k - 1) * (1 - (p * (1 - p)).sum() / total.var()))


def point_biserial(right: Sequence[float], totals: Sequence[float]) -> float:
    """How far an item goes with a total, (M1 - M0) / s sqrt(pq) with the population's s: the same as Pearson's r. nan
    where all or none were right or all totals are equal."""
    x, y = np.asarray(right, dtype=float), np.asarray(totals, dtype=float)
    p, s = x.mean(), y.std()
    if p in (0.0, 1.0) or s == 0:
        return math.nan
    return float((y[x == 1].mean() - y[x == 0].mean()) / s * math.sqrt(p * (1 - p)))


@dataclass(frozen=True)
class Ability:
    """A candidate's ability in logits, its standard error, and the interval that holds it with 95 %."""

    logits: float
    error: float

    @property
    def interval(self) -> tuple[float, float]:
        """From and to, 95 %."""
        return self.logits - 1.96 * self.error, self.logits + 1.96 * self.error

    def share(self, difficulty: float = 0.0, guess: float = 0.0) -> tuple[float, float, float]:
        """The share of items of this difficulty that would be right: from, about, to."""
        low, high = self.interval
        return tuple(float(chance(x, difficulty, guess=guess)) for x in (low, self.logits, high))


def ability(right: Sequence[float], difficulty: Sequence[float], guess: Sequence[float] | float = 0.0) -> Ability:
    """The ability behind some answers to items of known difficulty: mean and standard deviation of what is left of a
    wide normal prior (expected a posteriori; R. D. Bock and R. J. Mislevy, 1982), so that all right or all wrong has
    an answer too. Raises CasekitError where the numbers do not agree."""
    x, b = np.asarray(right, dtype=float), np.asarray(difficulty, dtype=float)
    if x.shape != b.shape:
        raise CasekitError(f"There are {x.size} answers and {b.size} difficulties; give one for each item.")
    there = ~np.isnan(x)
    p = chance(GRID[:, None], b[None, there], guess=np.broadcast_to(guess, b.shape)[there])
    log = np.where(x[there] == 1, np.log(p), np.log1p(-p)).sum(axis=1) - 0.5 * np.square(GRID / PRIOR_LOGITS)
    weight = np.exp(log - log.max())
    weight /= weight.sum()
    mean = float(weight @ GRID)
    return Ability(mean, math.sqrt(float(weight @ np.square(GRID - mean))))


def difficulties(right: np.ndarray, guess: np.ndarray | float = 0.0) -> np.ndarray:
    """Difficulties of items in logits from (candidates, items) answers, nan where not put; their mean is 0. `guess` is
    the chance of a blind guess, one for all or (items,).

    Marginal maximum likelihood of the Rasch model: abilities are normal with a spread that is fitted too, and averaged
    over, so that items all or none got right stay finite only by a weak prior of 3 logits.
    """
    x = _answers(right)
    there, one = ~np.isnan(x), np.nan_to_num(x)
    z = np.linspace(-4, 4, 41)
    w = np.exp(-0.5 * z**2)
    w /= w.sum()

    def cost(theta: np.ndarray) -> tuple[float, np.ndarray]:
        b, spread = theta[:-1], math.exp(theta[-1])
        p = np.clip(chance(spread * z[:, None], b[None], guess=guess), TINY, 1 - TINY)  # (nodes, items)
        like = one @ np.log(p).T + (there - one) @ np.log1p(-p).T + np.log(w)  # (candidates, nodes)
        top = like.max(axis=1, keepdims=True)
        each = np.exp(like - top)
        post = each / each.sum(axis=1, keepdims=True)
        value = -(top[:, 0] + np.log(each.sum(axis=1))).sum() + 0.5 * np.square(b / 3).sum()
        slope = (1 - guess) * (lambda q: q * (1 - q))(expit(spread * z[:, None] - b[None]))  # of p by ability
        score = (post.T @ one) / p - (post.T @ (there - one)) / (1 - p)  # (nodes, items)
        by_b = (score * slope).sum(axis=0) + b / 9
        by_spread = -(score * slope * spread * z[:, None]).sum()
        return value, np.append(by_b, by_spread)

    share = np.clip(np.nanmean(x, axis=0), 0.02, 0.98)
    start = np.append(-np.log(share / (1 - share)), 0.0)
    found = minimize(cost, start, jac=True, method="L-BFGS-B", bounds=[(-8, 8)] * x.shape[1] + [(-3, 2)]).x[:-1]
    return found - found.mean()


@dataclass(frozen=True)
class Judged:
    """An item from what candidates made of it: how many answered, the share that was right, how it goes with the rest
    of the paper, and why it deserves a look (empty: it does not)."""

    answers: int
    share: float
    discrimination: float
    weak: str


def judged(right: np.ndarray) -> list[Judged]:
    """Every item of a paper, from (candidates, items) answers; its discrimination is against the rest of the paper."""
    x = _answers(right)
    found = []
    for k in range(x.shape[1]):
        there = ~np.isnan(x[:, k])
        rest = np.nansum(np.delete(x[there], k, axis=1), axis=1)
        share = float(x[there, k].mean()) if there.any() else math.nan
        r = point_biserial(x[there, k], rest) if there.any() else math.nan
        found.append(Judged(int(there.sum()), share, r, _weak(int(there.sum()), share, r)))
    return found


def expected_score(rating: float, other: float) -> float:
    """The score to be expected of one rating against another, 1 / (1 + 10^((other - rating) / 400)) (A. E. Elo, The
    Rating of Chessplayers, 1978).

    >>> round(expected_score(2400, 2000), 3)
    0.909
    """
    return 1 / (1 + 10 ** ((other - rating) / 400))


def rated(rating: float, scores: Sequence[tuple[float, float]], k: float = K_FACTOR) -> float:
    """A rating after (other's rating, score from 0 to 1) each: it moves by k times score less expectation."""
    return rating + k * sum(score - expected_score(rating, other) for other, score in scores)


def brier(said: float, happened: bool) -> float:
    """(said - what happened)^2 of one event; 0 is best, and on average nobody does better than by what they believe."""
    return (said - float(happened)) ** 2


def log_score(said: float, happened: bool) -> float:
    """-log2 of the chance that was given to what happened, in bits; 0 is best."""
    p = said if happened else 1 - said
    return -math.log2(p) if p > 0 else math.inf


def _answers(right: np.ndarray) -> np.ndarray:
    x = np.asarray(right, dtype=float)
    if x.ndim != 2 or not np.isin(x[~np.isnan(x)], (0.0, 1.0)).all():
        raise CasekitError("Answers are a table of candidates by items, 1 right, 0 wrong, nan where not put.")
    return x


def _weak(answers: int, share: float, r: float) -> str:
    if answers < FEW:
        return ""
    if share >= EASY:
        return f"nearly everybody gets it right ({share:.0%}), so it tells nothing"
    if math.isnan(r) or r < LOW:
        why = "those who do well elsewhere get it wrong as often as the others"
        with_rest = f"it goes with the rest by {0.0 if math.isnan(r) else r:.2f}"
        return f"{why} ({with_rest}): is an option wrong, or read in two ways?"
    if share <= HARD:
        return f"hardly anybody gets it right ({share:.0%}): was it taught?"
    return ""
