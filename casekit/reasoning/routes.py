"""Routes: in which order to test so that the fault is known soonest on average.

In: a `Problem` (hypotheses, tests with outcomes, minutes that depend on what has been done). Out: a `Route`, the whole
decision tree with its expected minutes, and a bound that no route can beat. Minutes are any unit of cost.
"""

from __future__ import annotations

import heapq
import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from casekit.error import CasekitError

SAME = 1e-9  # minutes: routes this close are equally good
WIDTH = 24  # tests tried by a look ahead, the most informative per minute
TRACE = 1e-12  # weight in the search of what is thought impossible, so that it is still cleared up cheaply


@dataclass(frozen=True)
class Problem:
    """What may be wrong, and what may be tested at what cost.

    `p` (S,) are probabilities of hypotheses (scaled to one), `outcomes` (T,S) the whole number each test shows under
    each, `minutes` (T,) what it costs by itself. Beyond that, a test may need

    - a setting of the machine: `setting` (T,) numbers it (-1: any will do); going from a to b costs `switch`[a, b],
      and the work begins in `start`;
    - places to be laid open: `access` is a set of place names per test; each costs its `reach` the first time only.

    `group` (S,) numbers what need not be told apart (repair-level look-alikes; default: nothing).
    """

    p: np.ndarray
    outcomes: np.ndarray
    minutes: np.ndarray
    setting: np.ndarray | None = None
    switch: np.ndarray | None = None
    start: int = 0
    access: Sequence[frozenset] | None = None
    reach: Mapping = field(default_factory=dict)
    group: np.ndarray | None = None

    def __post_init__(self) -> None:
        p = np.asarray(self.p, dtype=float)
        outcomes = np.atleast_2d(np.asarray(self.outcomes, dtype=int))
        tests, s = outcomes.shape
        if p.shape != (s,) or not (p >= 0).all() or not 0 < p.sum() < math.inf:
            raise CasekitError(f"The route has {s} hypotheses in its outcomes; give one probability for each.")
        fill = {
            "p": p / p.sum(),
            "outcomes": outcomes,
            "minutes": np.asarray(self.minutes, dtype=float),
            "setting": np.full(tests, -1) if self.setting is None else np.asarray(self.setting, dtype=int),
            "switch": np.zeros((1, 1)) if self.switch is None else np.asarray(self.switch, dtype=float),
            "access": tuple(map(frozenset, [()] * tests if self.access is None else self.access)),
            "group": np.arange(s) if self.group is None else np.asarray(self.group, dtype=int),
        }
        for name, value in fill.items():
            object.__setattr__(self, name, value)
        if not len(self.minutes) == len(self.setting) == len(self.access) == tests or len(self.group) != s:
            raise CasekitError(f"The route has {tests} tests and {s} hypotheses; every list must be that long.")
        if max(self.setting.max(initial=0), self.start) >= len(self.switch):
            raise CasekitError("A test needs a setting without a row in `switch`; give minutes between all settings.")
        if missing := sorted(str(x) for x in set().union(*self.access) - set(self.reach)):
            raise CasekitError(f"Place {missing[0]} has no minutes; say in `reach` how long it takes to lay it open.")
        if min(self.minutes.min(initial=0), self.switch.min(), *self.reach.values(), 0) < 0:
            raise CasekitError("The route has a test with minutes below zero; give zero or more.")

    def cost(self, test: int, setting: int, reached: frozenset) -> tuple[float, int, frozenset]:
        """Minutes of a test from here, and the setting and the open places after it."""
        need = int(self.setting[test])
        move = self.switch[setting, need] if need >= 0 else 0.0
        fresh = self.access[test] - reached
        minutes = self.minutes[test] + move + sum(self.reach[x] for x in fresh)
        return float(minutes), need if need >= 0 else setting, reached | fresh


@dataclass(frozen=True)
class Step:
    """One test, and for each outcome that may come the next step (None: done)."""

    test: int
    children: tuple[tuple[int, Step | None], ...]


@dataclass(frozen=True)
class Route:
    """A decision tree; no route has an expectation below `bound_min`, and none a better one if `exact`."""

    problem: Problem = field(repr=False)
    tree: Step | None = field(repr=False)
    exact: bool = False
    bound_min: float = 0.0

    @property
    def expected_min(self) -> float:
        """Minutes on average over the hypotheses."""
        return float(sum(p * self.minutes_for(s) for s, p in enumerate(self.problem.p) if p > 0))

    def order_for(self, s: int) -> tuple[int, ...]:
        """The tests taken, in order, where hypothesis s is true."""
        return tuple(self._walk(s))

    def minutes_for(self, s: int) -> float:
        """Minutes until it is done where hypothesis s is true."""
        total, setting, reached = 0.0, self.problem.start, frozenset()
        for test in self._walk(s):
            minutes, setting, reached = self.problem.cost(test, setting, reached)
            total += minutes
        return total

    def _walk(self, s: int) -> Iterator[int]:
        step = self.tree
        while step is not None:
            yield step.test
            step = dict(step.children)[int(self.problem.outcomes[step.test, s])]


def greedy(problem: Problem, ahead: int = 0) -> Route:
    """The test with the most information per minute, again and again (Johnson 1960).

    With `ahead` = 1 the 24 best are tried, each with the plain greedy route after it, and the one with the fewest
    expected minutes is taken; with 2 the route after it looks one ahead itself, and so on.
    """
    search = _Search(problem)
    return search.route(lambda key: search.pick(key, ahead), bound=search.low(search.root))


def in_order(problem: Problem, order: Sequence[int]) -> Route:
    """The route that takes tests in a fixed order and leaves out those that could tell nothing any more."""
    search = _Search(problem)

    def next_of(key: _Key) -> int:
        test = next((t for t in order if t in search.facts(key[0]).tests), None)
        if test is None:
            raise CasekitError("The order ends before the hypotheses are told apart; name more tests.")
        return test

    return search.route(next_of, bound=search.low(search.root))


def optimal(problem: Problem, nodes: int = 200_000) -> Route:
    """The route of least expected minutes; where `nodes` do not suffice, the best one found and a proven bound.

    Branch and bound over what is left, the setting and the open places, each solved once. Bounds: cheapest test times
    Huffman's expected length, least minutes per bit times entropy, and the way to the next useful test. The first
    limit is the bound itself and rises until the best route is found, so that a search cut short has still proven
    something. Exact for 32 hypotheses and 80 tests in about a second, and often beyond.
    """
    search = _Search(problem)
    root = search.root
    rough = [search.route(lambda key, n=n: search.pick(key, n), bound=0.0) for n in (0, 1)]
    best = min(rough, key=lambda r: r.expected_min)
    search.left = nodes
    bound, pace, solved = search.low(root), 0.02, not root[0]
    while search.left > 0 and not solved and bound < best.expected_min - SAME:
        limit = min(best.expected_min + 2 * SAME, bound + pace * best.expected_min)
        value, solved = search.solve(root, limit)
        bound, pace = max(bound, value), pace * 1.5
    best = min(best, search.route(search.best, bound=0.0), key=lambda r: r.expected_min)
    exact = solved or bound >= best.expected_min - SAME
    return Route(problem, best.tree, exact, best.expected_min if exact else bound)


def huffman(p: Sequence[float], branches: int = 2) -> float:
    """Least expected number of tests with this many outcomes each that tell all of `p` apart (Huffman 1952).

    >>> huffman([0.5, 0.25, 0.25])
    1.5
    """
    heap = [float(x) for x in p]
    heap += [0.0] * (-(len(heap) - 1) % (branches - 1))
    heapq.heapify(heap)
    length = 0.0
    while len(heap) > 1:
        joined = sum(heapq.heappop(heap) for _ in range(branches))
        length += joined
        heapq.heappush(heap, joined)
    return length


_Key = tuple[int, int, int]  # hypotheses left (bits), setting, open places (bits)


@dataclass(frozen=True)
class _Facts:
    """What holds of a set of hypotheses wherever the machine stands; minutes are weighted by its probability."""

    weight: float
    tests: np.ndarray  # those that divide it
    own: np.ndarray  # their minutes by themselves
    rest: np.ndarray  # least minutes after each of them
    gain: np.ndarray  # bits each of them tells
    base: float  # least minutes in all


class _Search:
    """Hypotheses no test tells apart are one here; costs are minutes times probability."""

    def __init__(self, problem: Problem):
        self.problem = problem
        self.shown, member = np.unique(problem.outcomes, axis=1, return_inverse=True)
        n = self.shown.shape[1]
        self.p = np.bincount(member.ravel(), problem.p, n)
        self.p[self.p == 0] = TRACE
        groups = [set(problem.group[member.ravel() == k].tolist()) for k in range(n)]
        # Look-alikes of different groups stay together for good: they are a group of their own.
        names = [("one", *g) if len(g) == 1 else ("many", k) for k, g in enumerate(groups)]
        number = {name: k for k, name in enumerate(dict.fromkeys(names))}
        self.group = np.array([number[name] for name in names])
        self.plain = len(number) == n
        self.same = [sum(1 << k for k in np.flatnonzero(self.group == g).tolist()) for g in range(len(number))]
        self.outcomes = np.array([np.unique(row, return_inverse=True)[1].ravel() for row in self.shown])
        self.k = int(self.outcomes.max(initial=0)) + 1
        self.names = sorted(problem.reach, key=str)
        self.access = [sum(1 << k for k, x in enumerate(self.names) if x in a) for a in problem.access]
        self.to = problem.switch[:, np.maximum(problem.setting, 0)] * (problem.setting >= 0)
        self.left = 0
        self._facts: dict[int, _Facts] = {}
        self._parts: dict[tuple[int, int], list[tuple[int, int]]] = {}
        self._extra: dict[tuple[int, int], np.ndarray] = {}
        self._picked: dict[tuple[_Key, int], int] = {}
        self._spent: dict[tuple[_Key, int], float] = {}
        self.exact: dict[_Key, tuple[float, int]] = {}
        self.lower: dict[_Key, float] = {}
        self.upper: dict[_Key, tuple[float, int]] = {}
        everything = (1 << n) - 1
        self.root: _Key = (0 if self.done(everything) else everything, problem.start, 0)

    def done(self, left: int) -> bool:
        """Whether what is left is one group."""
        return left & ~self.same[self.group[(left & -left).bit_length() - 1]] == 0

    def facts(self, left: int) -> _Facts:
        if left not in self._facts:
            self._facts[left] = self._found(left)
        return self._facts[left]

    def _found(self, left: int) -> _Facts:
        who = _bits(left)
        p, shown = self.p[who], self.outcomes[:, who]
        tests = np.flatnonzero((shown != shown[:, :1]).any(axis=1))
        shown = shown[tests]
        rows, k = len(tests), self.k
        at = (shown + k * np.arange(rows)[:, None]).ravel()
        many = np.broadcast_to(p, shown.shape).ravel()
        weight = np.bincount(at, many, rows * k).reshape(rows, k)
        if self.plain:
            inner = (p * np.log2(p)).sum()
            mixed = np.bincount(at, minlength=rows * k).reshape(rows, k) > 1
            of_group = p
        else:
            _, group = np.unique(self.group[who], return_inverse=True)
            g = int(group.max()) + 1
            cells = np.bincount(at * g + np.tile(group, rows), many, rows * k * g).reshape(rows, k, g)
            inner = _xlog(cells).sum(axis=(1, 2))
            mixed = (cells > 0).sum(axis=2) > 1
            of_group = np.bincount(group, p)
        after = _xlog(weight).sum(axis=1) - inner  # entropy left, in bits times weight
        whole = float(p.sum())
        before = float(_xlog(np.array([whole])).sum() - _xlog(of_group).sum())
        own = self.problem.minutes[tests]
        ways = (weight > 0).sum(axis=1)
        per_bit, cheapest = float((own / np.log2(ways)).min()), float(own.min())
        rest = np.maximum(per_bit * after, cheapest * (weight * mixed).sum(axis=1))
        coded = cheapest * huffman(of_group, int(ways.max()))
        base = max(coded, per_bit * before, float((whole * own + rest).min()))
        gain = before - after
        if gain.max() <= SAME * whole:  # nothing about the groups yet: divide the hypotheses
            gain = _xlog(np.array([whole])).sum() - _xlog(weight).sum(axis=1)
        return _Facts(whole, tests, own, rest, np.maximum(gain, 0.0), base)

    def extra(self, key: _Key) -> np.ndarray:
        """Minutes on top of their own for all tests, from a setting with some places open."""
        at = key[1:]
        if at not in self._extra:
            reach = [self.problem.reach[name] for name in self.names]
            fresh = [sum(reach[k] for k in _bits(a & ~at[1])) if a else 0.0 for a in self.access]
            self._extra[at] = self.to[at[0]] + np.array(fresh)
        return self._extra[at]

    def children(self, key: _Key, test: int) -> list[tuple[int, _Key]]:
        """What each outcome leaves: (a hypothesis that shows it, key)."""
        left, setting, reached = key
        if (left, test) not in self._parts:
            parts: dict[int, int] = {}
            row = self.outcomes[test]
            for s in _bits(left):
                parts[row[s]] = parts.get(row[s], 0) | 1 << s
            self._parts[left, test] = [((m & -m).bit_length() - 1, 0 if self.done(m) else m) for m in parts.values()]
        need = int(self.problem.setting[test])
        after = need if need >= 0 else setting, reached | self.access[test]
        return [(s, (m, *after)) for s, m in self._parts[left, test]]

    def low(self, key: _Key) -> float:
        """Minutes that no route from here can beat."""
        if not key[0]:
            return 0.0
        facts = self.facts(key[0])
        base = facts.base + facts.weight * float(self.extra(key)[facts.tests].min())
        return max(base, self.lower.get(key, 0.0))

    def pick(self, key: _Key, ahead: int) -> int:
        """The test a greedy route takes."""
        if (key, ahead) not in self._picked:
            facts = self.facts(key[0])
            cost = facts.weight * (facts.own + self.extra(key)[facts.tests])
            order = np.lexsort((-facts.gain, -facts.gain / np.maximum(cost, SAME * facts.weight)))
            if ahead:
                tried = {k: cost[k] + self._after(key, int(facts.tests[k]), ahead - 1) for k in order[:WIDTH].tolist()}
                order = sorted(tried, key=tried.get)
            self._picked[key, ahead] = int(facts.tests[order[0]])
        return self._picked[key, ahead]

    def _minutes(self, key: _Key, ahead: int) -> float:
        """Minutes of the greedy route from here."""
        if not key[0]:
            return 0.0
        if (key, ahead) not in self._spent:
            facts, test = self.facts(key[0]), self.pick(key, ahead)
            cost = facts.own[np.searchsorted(facts.tests, test)] + self.extra(key)[test]
            self._spent[key, ahead] = facts.weight * float(cost) + self._after(key, test, ahead)
        return self._spent[key, ahead]

    def _after(self, key: _Key, test: int, ahead: int) -> float:
        return sum([self._minutes(child, ahead) for _, child in self.children(key, test)])

    def solve(self, key: _Key, limit: float) -> tuple[float, bool]:
        """(least minutes from here, True) if they are below `limit`, else (minutes no route can beat, False)."""
        if not key[0]:
            return 0.0, True
        if key in self.exact:
            return self.exact[key][0], True
        low = self.low(key)
        if low >= limit or self.left <= 0:
            return low, False
        self.left -= 1
        facts = self.facts(key[0])
        cost = facts.weight * (facts.own + self.extra(key)[facts.tests])
        lows = cost + facts.rest
        best, test, floor = math.inf, -1, math.inf
        for k in np.argsort(lows, kind="stable").tolist():
            if lows[k] >= min(best, limit):
                floor = min(floor, float(lows[k]))
                break
            kids = [kid for _, kid in self.children(key, int(facts.tests[k])) if kid[0]]
            each = [self.low(kid) for kid in kids]
            total, whole = float(cost[k]) + sum(each), True
            # The child with most to do first: it is the likeliest to show that this test is no good.
            for i in sorted(range(len(kids)), key=lambda i: -each[i]):
                room = min(best, limit) - (total - each[i])
                value, solved = self.solve(kids[i], room) if room > each[i] else (each[i], False)
                total += value - each[i]
                whole = whole and solved
                if not solved and (total >= min(best, limit) or self.left <= 0):
                    break
            if whole and total < best:
                best, test = total, int(facts.tests[k])
            elif not whole:
                floor = min(floor, total)
        if test >= 0:
            self.upper[key] = best, test
            if floor >= best - SAME * facts.weight:
                self.exact[key] = best, test
                return best, True
        self.lower[key] = max(low, min(floor, best))
        return self.lower[key], False

    def best(self, key: _Key) -> int:
        """The best test found: proven, or found, or greedy with a look ahead."""
        known = self.exact.get(key) or self.upper.get(key)
        return known[1] if known else self.pick(key, 1)

    def route(self, pick, bound: float) -> Route:
        """The tree that grows from picking a test for every key."""

        def grown(key: _Key) -> Step | None:
            if not key[0]:
                return None
            test, kids = pick(key), []
            for s, kid in self.children(key, test):
                kids.append((int(self.shown[test, s]), grown(kid)))
            return Step(test, tuple(sorted(kids, key=lambda kid: kid[0])))

        return Route(self.problem, grown(self.root), False, bound)


def _bits(mask: int) -> list[int]:
    """Numbers of the bits that are set."""
    return [k for k, bit in enumerate(bin(mask)[:1:-1]) if bit == "1"]


def _xlog(w: np.ndarray) -> np.ndarray:
    return w * np.log2(w, out=np.zeros_like(w), where=w > 0)
