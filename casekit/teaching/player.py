"""The player: a fresh bench of the same case, played by advice or by unplugging everything, and par.

In: a way to open the case again, and the codes on its sheet. Out: `Played` routes (minutes, bits left) and `Par`, the
minutes that a good route needs.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from casekit.bench import minutes
from casekit.bench.bench import Bench
from casekit.bench.reading import Call
from casekit.bench.sealed import Truth, unseal
from casekit.error import BenchError
from casekit.machine.faults import NO_FAULT
from casekit.machine.harness import Contact
from casekit.machine.intermittent import inner
from casekit.machine.machine import Machine
from casekit.machine.state import State
from casekit.machine.unit import Supply
from casekit.reasoning.advice import Planner, advise
from casekit.reasoning.allclear import Gap, due
from casekit.reasoning.evidence import weigh
from casekit.reasoning.information import classes, discrete_bits
from casekit.reasoning.lookalike import groups
from casekit.reasoning.offer import SCANNER, Offer, Standpoint
from casekit.reasoning.routes import Problem, optimal
from casekit.reasoning.suspect import NONE, Suspect
from casekit.reasoning.verdict import Verdict

SURE = 0.95  # belief in one group of look-alikes from which it may be called (common practice, no source)
SHARE, FEW = 0.005, 12  # suspects with less belief, and more than so many, are not compared as look-alikes
STEPS = 40
CLASSES, TESTS, NODES = 32, 80, 20_000  # the size of what par is worked out on, and how long it is searched
Again = Callable[[], Bench]


@dataclass(frozen=True)
class Played:
    """A route that was played: bits left after these minutes, and how it ended."""

    name: str
    minutes: tuple[float, ...]
    bits: tuple[float, ...]
    end: str

    @classmethod
    def of(cls, name: str, verdict: Verdict, clock: float, end: str = "") -> Played:
        """The curve of a weighed log, up to the clock."""
        now, left = [0.0], [verdict.start_bits]
        for moment in verdict.trail:
            now.append(moment.event.minute if moment.event else 0.0)
            left.append(moment.bits)
        return cls(name, (*now, max(clock, now[-1])), (*left, left[-1]), end)


@dataclass(frozen=True)
class Par:
    """Minutes that a good route needs.

    `expected_min` is the mean of the best route found over the `count` likeliest single faults by the sheet, weighed by
    how likely they are before anything was measured, with `tests` tests to choose from; no route with these has a mean
    below `bound_min`, and none a better one if `exact`. Every fault counts with one size and place, as if these were
    known, and as if it were always there: a trainee who does not know them will need more. `this_min` is what that
    route takes for this very fault (None where it is not one of them).
    """

    title: str
    expected_min: float
    bound_min: float
    exact: bool
    count: int
    tests: int
    this_min: float | None

    def __str__(self) -> str:
        bound = f"none with these tests has a mean below {self.bound_min:.1f}, which is a bound"
        proof = "exact: none with these tests has a lower mean" if self.exact else bound
        this = "" if self.this_min is None else f"; it takes {self.this_min:.1f} minutes to this very fault"
        return (
            f"{self.expected_min:.1f} minutes, the mean of one good route over the {self.count} likeliest faults of "
            f"known size, with {self.tests} tests to choose from ({proof}){this}"
        )


class Player:
    """Plays a bench by the advice that pays best, until one group of look-alikes is sure."""

    def __init__(self, bench: Bench, stored: Sequence[str] = ()):
        self.bench, self.stored = bench, tuple(stored)
        self.verdict = self._weighed()
        self._asked: tuple[Verdict, list[Gap] | None] | None = None

    @property
    def sure(self) -> bool:
        """Whether the likeliest suspect and what is the same repair have nearly all belief, or no fault found may be
        called."""
        if self.clear:
            return True
        best = self.verdict.suspects[self.verdict.best()]
        return best != NONE and belief(self.verdict, together(self.bench.drawing, self.verdict, [best])) >= SURE

    @property
    def clear(self) -> bool:
        """Whether no fault found may be called."""
        return self._due() == []

    def step(self) -> bool:
        """Make the test that pays best; False when there is nothing more to do. Once a drive brought nothing back and
        nothing that is always there is left, do what is still to be done before no fault found is said."""
        bench = self.bench
        if self.sure:
            return False
        if gaps := self._due():
            filled(bench, gaps[0])
            self.verdict = self._weighed()
            return True
        for advice in advise(bench.drawing, self.verdict, Standpoint.after(bench.drawing, bench.events)):
            before = len(bench.events)
            try:
                done(bench, advice.offer)
            except BenchError:
                if len(bench.events) == before:
                    continue  # cannot be done now: the next best
            self.verdict = self._weighed()
            return True
        return False

    def steps(self) -> Iterator[Verdict]:
        """Step until it is sure, or has made so many steps that it must end; after each, what is left."""
        for _ in range(STEPS):
            if not self.step():
                return
            yield self.verdict

    def call(self) -> Call:
        """Call what it is sure of."""
        if self.clear:
            return self.bench.call(NO_FAULT)
        best = self.verdict.suspects[self.verdict.best()]
        return self.bench.call(best.kind, best.place, best.to)

    def play(self) -> Played:
        """Step to the end."""
        for _ in self.steps():
            pass
        end = "sure" if self.sure else "not sure"
        return Played.of("by advice", self.verdict, self.bench.clock, end)

    def _due(self) -> list[Gap] | None:
        if self._asked is None or self._asked[0] is not self.verdict:
            self._asked = self.verdict, due(self.bench.drawing, self.bench.events, self.verdict, self.stored)
        return self._asked[1]

    def _weighed(self) -> Verdict:
        return weigh(self.bench.drawing, list(self.bench.events), self.stored)


def together(drawing: Machine, verdict: Verdict, named: Sequence[Suspect]) -> frozenset[Suspect]:
    """Some suspects with all that would be the same repair: those at the same place, and their look-alikes."""
    places = {s.place for s in named} - {""}  # nothing wrong has no place
    same = {s for s in verdict.suspects if s in named or places & {s.place, s.to}}
    top = [int(k) for k in np.argsort(-verdict.p, kind="stable")[:FEW] if verdict.p[k] > SHARE]
    fits = {verdict.suspects[k]: verdict.fits[k] for k in top}
    if set(fits) - same and set(fits) & set(named):
        for group in groups(drawing, fits):
            if group & set(named):
                same |= group
    return frozenset(same)


def belief(verdict: Verdict, group: frozenset[Suspect]) -> float:
    """How likely one of these is."""
    return float(sum(p for s, p in zip(verdict.suspects, verdict.p, strict=True) if s in group))


def done(bench: Bench, offer: Offer) -> None:
    """Do what is offered: its moves first."""
    for move, what in offer.moves:
        getattr(bench, move)(what)
    match offer.kind:
        case "volts" | "millivolts" | "ohms":
            getattr(bench, offer.kind)(offer.red, offer.black)
        case "scan" | "codes":
            getattr(bench, offer.kind)()
        case "look" | "inside":
            bench.look(offer.place)
        case "shift":
            bench.shift(offer.place, "gently", (offer.red, offer.black))
        case "road test":
            bench.road_test()


def filled(bench: Bench, gap: Gap) -> None:
    """Do what is still to be done before no fault found is said."""
    match gap.kind:
        case "look":
            bench.look(gap.place)
        case "open":
            bench.open_harness(gap.place)
        case "clear":
            plugged(bench, "on")
            bench.clear_codes()
        case "drive":
            plugged(bench, "run")
            bench.road_test()
        case "codes":
            plugged(bench, "on")
            bench.codes()


def plugged(bench: Bench, key: str) -> None:
    """Let go of everything, plug everything in, and turn the key."""
    for name in sorted(bench.state.held):
        bench.release(name)
    for name in sorted(bench.state.unplugged):
        bench.plug(name)
    if bench.state.key != key:
        bench.key(key)


# Routes played ---------------------------------------------------------------------------------------------------


@lru_cache(maxsize=32)
def by_advice(again: Again, stored: tuple[str, ...]) -> Played:
    """The advice, played on a fresh bench."""
    return Player(again(), stored).play()


@lru_cache(maxsize=32)
def unplugging(again: Again, stored: tuple[str, ...]) -> Played:
    """Everything unplugged in order, one after the other, with the supply pins measured each time."""
    bench = again()
    drawing, pins = bench.drawing, supply_pins(bench.drawing)
    bench.key("on")
    for plug in (None, *(p for p in drawing.plugs if p.kind != "control unit")):
        if plug:
            bench.unplug(plug.name)
        for pin in pins:
            bench.volts(pin, drawing.earth)
    verdict = weigh(drawing, list(bench.events), stored)
    return Played.of("unplugging in order", verdict, bench.clock)


def supply_pins(drawing: Machine) -> list[str]:
    """The control unit's cavity of every supply."""
    cavities = drawing.all(Contact)
    return [next(c.name for c in cavities if {c.a, c.b} & set(s.pins)) for s in drawing.all(Supply)]


# Par -------------------------------------------------------------------------------------------------------------


@lru_cache(maxsize=32)
def par(again: Again, stored: tuple[str, ...]) -> Par:
    """Par of a case: expected minutes, and what is proven of them."""
    bench = again()
    problem, _, true = problem_of(bench.drawing, stored, unseal(bench))
    route = optimal(problem, NODES)
    this = None if true is None else route.minutes_for(true)
    return Par(
        bench.title, route.expected_min, route.bound_min, route.exact, len(problem.p), len(problem.outcomes), this
    )


def problem_of(drawing: Machine, stored: tuple[str, ...], truth: Truth) -> tuple[Problem, list[Offer], int | None]:
    """The search for a route in numbers, its tests, and the number of the true fault (None where it is not one alone).

    The likeliest suspects before anything is measured, each with its likeliest size and place and as if it were always
    there, and the true one; the tests that pay best first, and those that tell apart what these do not. What none of
    them tells apart counts as one. Work begins with the key off; tests are those on offer once it is on.
    """
    verdict = weigh(drawing, [], stored)
    cells, true = _few(verdict, truth)
    planner = Planner(drawing, _only(verdict, cells), Standpoint(State("on"), frozenset()))
    h = planner.hypotheses
    keep = [k for k in range(len(h.cells)) if not h.loose[k]]
    # A hypothesis without a cell is "nothing wrong".
    at = {id(c): i for i, c in enumerate(cells)}
    none = next((i for i, c in enumerate(cells) if c.suspect == NONE), -1)
    order = [none if h.cells[k] is None else at[id(h.cells[k])] for k in keep]
    p = np.array([verdict.of(cells[i].suspect) for i in order])
    rows = np.array([_outcomes(planner, k, keep) for k in range(len(planner.offers))])
    chosen = _chosen(planner, rows, p)
    offers, shown = [planner.offers[k] for k in chosen], rows[chosen]
    _, group = np.unique(shown, axis=1, return_inverse=True)
    start = State()
    states = list(dict.fromkeys([start, *(o.state for o in offers)]))
    reach = drawing.access_min | {SCANNER: minutes.SCAN_CONNECT}
    opened = [_opened(o) & reach.keys() for o in offers]
    own = [o.work for o in offers]
    problem = Problem(
        p, shown, np.array(own),
        setting=np.array([states.index(o.state) for o in offers]),
        switch=np.array([[_moving(a, b) for b in states] for a in states]),
        access=opened, reach={x: reach[x] for x in set().union(*opened)}, group=group.ravel(),
    )  # fmt: skip
    return problem, offers, None if true is None else order.index(true)


def _few(verdict: Verdict, truth: Truth) -> tuple[list, int | None]:
    """One cell of each of the likeliest suspects, and the number of the true one's."""
    w = verdict.weighed
    score = w.history[-1] if len(w.history) else np.log([c.weight for c in w.cells])
    faults = [inner(f) for f in truth.specimen.faults]
    alone = faults[0] if len(faults) == 1 else None
    likeliest = [verdict.suspects[k] for k in np.argsort(-verdict.p, kind="stable")[:CLASSES]]
    true = next((s for s in verdict.suspects if alone and _is(s, alone)), None)
    if true and true not in likeliest:
        likeliest[-1] = true
    best: dict[Suspect, int] = {}
    for k in np.argsort(-score, kind="stable"):
        cell = w.cells[k]
        holds = cell.suspect != true or not cell.high > cell.low or cell.low <= _size(alone, cell) <= cell.high
        if cell.suspect in likeliest and holds:
            best.setdefault(cell.suspect, int(k))
    for k in np.argsort(-score, kind="stable"):  # a size outside all cells: the likeliest will do
        if w.cells[k].suspect in likeliest:
            best.setdefault(w.cells[k].suspect, int(k))
    cells = [w.cells[k] for k in best.values()]
    return cells, next((i for i, c in enumerate(cells) if c.suspect == true), None) if true else None


def _is(suspect: Suspect, fault) -> bool:
    ends = {fault.place, getattr(fault, "to", "")}
    return suspect.kind == fault.kind and {suspect.place, suspect.to} == ends


def _size(fault, cell) -> float:
    """The size of a fault in what its suspect counts in; the cell's own where it has none."""
    return next((getattr(fault, n) for n in ("r_ohm", "limit_a", "share", "middle") if hasattr(fault, n)), cell.size)


def _only(verdict: Verdict, cells: Sequence) -> Verdict:
    """The verdict with some cells alone, all of them always there."""
    w = verdict.weighed
    rows = [next(k for k, c in enumerate(w.cells) if c is cell) for cell in cells]
    few = replace(w, cells=list(cells), lasting=w.lasting[rows], loose=np.full(len(rows), -np.inf))
    return replace(verdict, weighed=few)


def _outcomes(planner: Planner, k: int, keep: Sequence[int]) -> np.ndarray:
    """The outcome of one offer under each hypothesis kept."""
    if k in planner.mean:
        equal = np.full(len(keep), 1 / len(keep))
        return classes(equal, planner.mean[k][None, keep], planner.sigma[k][None, keep])[0]
    return planner.outcome[k][keep].argmax(axis=1)


def _chosen(planner: Planner, rows: np.ndarray, p: np.ndarray) -> list[int]:
    """The offers that pay best, cheapest first among those that divide alike, then what tells the rest apart."""
    cost = np.array([o.minutes for o in planner.offers])
    bits = discrete_bits(p, rows)
    ranked = [int(k) for k in np.argsort(-bits / cost, kind="stable") if bits[k] > 1e-6]
    chosen, seen = [], set()
    for k in ranked:
        alike = np.unique(rows[k], return_inverse=True)[1].tobytes()
        if alike not in seen and len(chosen) < TESTS - 30:
            seen.add(alike)
            chosen.append(k)
    for k in sorted(ranked, key=lambda k: cost[k]):
        if len(chosen) == TESTS:
            break
        before = len(np.unique(rows[chosen], axis=1).T)
        if k not in chosen and len(np.unique(rows[[*chosen, k]], axis=1).T) > before:
            chosen.append(k)
    return chosen


def _moving(a: State, b: State) -> float:
    """Minutes from one state to another, places being laid open already."""
    return (minutes.KEY[b.key] if a.key != b.key else 0.0) + minutes.PLUG * len(a.unplugged ^ b.unplugged)


def _opened(offer: Offer) -> frozenset[str]:
    """What must be laid open for an offer."""
    return offer.reached | {what for action, what in offer.moves if action in ("unplug", "plug")}
