"""Sums of exponentials and a straight line: bounds over a span, and the first time one falls below zero.

f(t) = sum over k of a_k e^(rate_k t) + c0 + c1 t, one row for every function. With real rates every term is monotone,
so that bounds over a span need its two ends only; they get tight as the span is divided. Terms of nearly the same rate
(two inputs with the same filter) often cancel: they are bounded together, as a slow sum times one exponential.
"""

from __future__ import annotations

import numpy as np

CLOSE = 0.02  # rates nearer than this to their neighbour, as a share, are bounded together
DEPTH, PARTS = 16, 8  # how often, and into how many parts, a span is divided before it counts as a point


def grouped(rate: np.ndarray) -> np.ndarray:
    """A number for every rate, the same for those within CLOSE of their neighbour; `rate` in ascending order."""
    if np.iscomplexobj(rate) or len(rate) < 2:
        return np.arange(len(rate))
    apart = np.diff(rate) > CLOSE * np.abs(rate[:-1])
    return np.concatenate([[0], np.cumsum(apart)])


def spread(
    a: np.ndarray, rate: np.ndarray, group: np.ndarray, begin: np.ndarray, end: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """(low, high), pieces x rows: bounds of sum a_k e^(rate_k t) on spans.

    `a` is pieces x rows x modes, `rate` and `group` pieces x modes, `begin` and `end` one per piece.
    """
    if not rate.shape[1]:
        return np.zeros(a.shape[:2]), np.zeros(a.shape[:2])
    begin, end = begin[:, None], end[:, None]
    if np.iscomplexobj(rate):
        middle = np.real(np.einsum("nck,nk->nc", a, np.exp(rate * (begin + end) / 2)))
        size = np.exp(np.maximum(rate.real * begin, rate.real * end))
        size *= np.minimum(np.abs(rate) * (end - begin) / 2, 2.0)
        swing = np.einsum("nck,nk->nc", np.abs(a), size)
        return middle - swing, middle + swing
    same = group[:, :, None] == group[:, None, :]
    slowest = rate.shape[1] - 1 - np.argmax(same[:, ::-1], axis=1)
    head = np.take_along_axis(rate, slowest, axis=1)
    own = rate - head  # zero for the slowest of every group, below zero for the others, so that nothing overflows
    first, last = a * np.exp(own * begin)[:, None, :], a * np.exp(own * end)[:, None, :]
    member = (group[:, :, None] == np.arange(group.max(initial=0) + 1)).astype(float)
    low = np.einsum("nck,nkg->ncg", np.minimum(first, last), member)
    high = np.einsum("nck,nkg->ncg", np.maximum(first, last), member)
    leads = np.zeros(member.shape[::2])
    np.put_along_axis(leads, group, head, axis=1)
    early, late = np.exp(leads * begin)[:, None, :], np.exp(leads * end)[:, None, :]
    return np.minimum(low * early, low * late).sum(axis=2), np.maximum(high * early, high * late).sum(axis=2)


class Rates:
    """The rates of one configuration (1/s, ascending), grouped once for all, and what is asked of sums over them."""

    def __init__(self, rate: np.ndarray):
        self.rate, self.group = rate, grouped(rate)
        self.heads = np.flatnonzero(np.diff(self.group, prepend=-1))
        self.lead = rate[np.flatnonzero(np.diff(self.group, append=-1))]  # the slowest of every group
        self.own = rate - self.lead[self.group]

    def value(self, a: np.ndarray, c0: np.ndarray, c1: np.ndarray, t: float) -> np.ndarray:
        """All functions at `t`."""
        return np.real(a @ np.exp(self.rate * t)) + c0 + c1 * t

    def bounds(
        self, a: np.ndarray, c0: np.ndarray, c1: np.ndarray, begin: np.ndarray, end: np.ndarray
    ) -> tuple[np.ndarray, np.ndarray]:
        """(low, high), spans x rows: every function stays between them from `begin` to `end`, one of each per span."""
        line_a, line_b = c0 + c1 * begin[:, None], c0 + c1 * end[:, None]
        low, high = np.minimum(line_a, line_b), np.maximum(line_a, line_b)
        if np.iscomplexobj(self.rate):
            rate, group = (np.broadcast_to(x, (len(begin), len(x))) for x in (self.rate, self.group))
            least, most = spread(np.broadcast_to(a, (len(begin), *a.shape)), rate, group, begin, end)
            return low + least, high + most
        first, last = a * np.exp(self.own * begin[:, None])[:, None], a * np.exp(self.own * end[:, None])[:, None]
        early, late = np.exp(self.lead * begin[:, None])[:, None], np.exp(self.lead * end[:, None])[:, None]
        least = np.add.reduceat(np.minimum(first, last), self.heads, axis=2)
        most = np.add.reduceat(np.maximum(first, last), self.heads, axis=2)
        low += np.minimum(least * early, least * late).sum(axis=2)
        high += np.maximum(most * early, most * late).sum(axis=2)
        return low, high

    def first_below(self, a: np.ndarray, c0: np.ndarray, c1: np.ndarray, span: float, tolerance: float) -> float | None:
        """The first time in (0, span] at which a function lies more than `tolerance` below zero, or None.

        It is given as a time at which the function lies between half and all of the tolerance below zero, if rounding
        allows. Spans on which the bounds exclude it are passed over; where a function falls all the way its root is
        found by bracketing. So no crossing is missed, however short.
        """
        risky = self._loosely(a, c0, c1, span) < -tolerance
        if not risky.any():
            return None
        some = a[risky], c0[risky], c1[risky]
        if self._monotone(*some, 0.0, span):
            return self._fallen(*some, 0.0, span, tolerance)
        return self._search(*some, self._scale(span), tolerance, DEPTH)

    def _monotone(self, a: np.ndarray, c0: np.ndarray, c1: np.ndarray, begin: float, end: float) -> bool:
        """Whether every function surely rises all the way, or falls all the way."""
        down, up = self.bounds(a * self.rate, c1, np.zeros(len(c1)), np.array([begin]), np.array([end]))
        return bool(((up <= 0) | (down >= 0)).all())

    def _scale(self, span: float) -> np.ndarray:
        """Where the first spans begin and end: evenly on a logarithmic scale from the fastest rate on."""
        fastest = np.abs(self.rate[:1]).max(initial=0.0)
        many = int(np.clip(np.log2(max(fastest * span, 1.0)), 2, 30))
        return np.concatenate([[0.0], span * 2.0 ** np.arange(1 - many, 1)])

    def _search(self, a, c0, c1, edges: np.ndarray, tolerance: float, depth: int) -> float | None:
        """The first time after edges[0] at which a function lies more than `tolerance` below zero, or None."""
        low, _ = self.bounds(a, c0, c1, edges[:-1], edges[1:])
        risky = low < -tolerance
        for k in np.flatnonzero(risky.any(axis=1)):
            rows, end = risky[k], edges[k + 1]
            some = a[rows], c0[rows], c1[rows]
            if self._monotone(*some, edges[k], end):
                hit = self._fallen(*some, edges[k], end, tolerance)
            elif depth <= 0:
                hit = end if self.value(*some, end).min() < -tolerance else None
            else:
                hit = self._search(*some, np.linspace(edges[k], end, PARTS + 1), tolerance, depth - 1)
            if hit is not None:
                return hit
        return None

    def _loosely(self, a: np.ndarray, c0: np.ndarray, c1: np.ndarray, span: float) -> np.ndarray:
        """A quick lower bound from 0 to `span`: every term by itself."""
        if np.iscomplexobj(self.rate):
            return np.full(len(c0), -np.inf)
        return np.minimum(a, a * np.exp(self.rate * span)).sum(axis=1) + c0 + np.minimum(c1 * span, 0.0)

    def _fallen(self, a, c0, c1, begin: float, end: float, tolerance: float) -> float | None:
        """The first time one of some monotone functions lies below; None if none does on this span."""
        if self.value(a, c0, c1, begin).min() < -tolerance / 2:
            return begin
        hit = None
        for k in np.flatnonzero(self.value(a, c0, c1, end) < -tolerance):
            until = end if hit is None else hit
            if hit is None or self.value(a[k], c0[k], c1[k], hit) < -tolerance:
                hit = self._root(a[k], c0[k], c1[k], begin, until, tolerance)
        return hit

    def _root(self, a, c0: float, c1: float, begin: float, end: float, tolerance: float) -> float:
        """Where a function falls below between two times: Newton's steps, halves of the bracket where they leave it."""
        steep, goal, t = a * self.rate, -0.75 * tolerance, end
        while end - begin > np.spacing(end):
            grown = np.exp(self.rate * t)
            over, slope = (a @ grown).real + c0 + c1 * t - goal, (steep @ grown).real + c1
            if abs(over) <= 0.25 * tolerance:
                return t
            begin, end = (t, end) if over > 0 else (begin, t)
            t = t - over / slope if slope else begin
            if not begin < t < end:
                t = (begin + end) / 2
        return end
