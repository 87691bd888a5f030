"""Estimates: the size and the place of a fault, fitted to what was measured while it was there.

In: a drawing, observations, and a suspect (or a kind of fault, to find the places that fit). Out: an `Estimate`, with
the intervals that 68 and 95 % of such fits hold, and the readings it cannot explain.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cached_property, lru_cache

import numpy as np

from casekit.circuit.change import Change
from casekit.error import BenchError
from casekit.machine.harness import Contact, Wire
from casekit.machine.machine import TERMINAL, Machine, Part
from casekit.machine.state import State
from casekit.reasoning import spread
from casekit.reasoning.adjustment import Adjusted, adjusted
from casekit.reasoning.alone import alone
from casekit.reasoning.expectation import Expectations
from casekit.reasoning.observation import Observation
from casekit.reasoning.predict import Predictor
from casekit.reasoning.prior import WHOLE, Cell
from casekit.reasoning.suspect import Suspect, suspects
from casekit.reasoning.words import COVERAGE, UNITS, number

# Readings further off than this many standard uncertainties are not explained: one in 500 good ones (our choice).
APART = 3.1
WITHIN = (1.0, 3.841)  # how far the sum of squares may rise over its least for 68.3 and 95 % of one parameter
ALONG, SIZES = 11, 31  # places along the wire that are tried at once, and sizes
ROUGH_V = (1.0, 0.1, 0.01)  # what readings are taken to be off when a fit begins, beside their instrument
TINY_V = 1e-5  # and what they are off at least
QUICK, QUICK_V = (31, 3), 0.05  # how coarse a first look at every place is
LOST_V = 1e3  # stands for a reading where nothing settles
TURNS = 2  # how often the covariance is taken again where the fit has ended
ROUNDS = 4  # how often the grid is drawn closer
NEAR = 14.0  # what of a grid is kept: this far over the least sum of squares
LINEAR = ("sensor drifted", "sensor dead spot")  # sizes that count in steps, not in factors
TINIEST = 1e-3  # ohm: the least resistance a fit tells from none at all
WIDER = 10.0  # by what factor beyond its usual sizes a fault is looked for


@dataclass(frozen=True)
class Missed:
    """A reading that the fit does not explain: what it should have shown, the standard uncertainty of that, and by how
    many of its own standard uncertainties it is off."""

    reading: Observation
    expected: float
    u: float
    pull: float

    def __str__(self) -> str:
        unit = UNITS.get(self.reading.function, "V")
        shown = self.reading.event.shown if self.reading.function != "inside" else number(self.reading.value, unit)
        return (
            f"{self.reading} showed {shown}, and the fit expects {number(self.expected, unit)} "
            f"± {number(COVERAGE * self.u, unit)}"
        )


@dataclass(frozen=True)
class Estimate:
    """A fault fitted to readings.

    `size` in ohm (ampere of a weak supply, share of its supply of a drifted sensor, share of the travel of a worn
    track; None for a fault without a size), `at` the share of the wire (None where the place does not matter). Of each,
    `size_68` and `size_95`, `at_68` and `at_95` are the intervals that contain the truth in so many per cent of fits.
    `chi2` is the weighted sum of squares of the `used` readings on `freedom` degrees of freedom; `missed` those that
    are not explained and were left out. `spot` is the contact point the fault was said to be at, `widest` the sizes
    between which it was looked for.
    """

    suspect: Suspect
    size: float | None
    size_68: tuple[float, float] | None
    size_95: tuple[float, float] | None
    at: float | None
    at_68: tuple[float, float] | None
    at_95: tuple[float, float] | None
    chi2: float
    freedom: int
    used: int
    missed: tuple[Missed, ...] = ()
    spot: str = ""
    widest: tuple[float, float] = (-np.inf, np.inf)

    @property
    def unknown(self) -> bool:
        """Whether the readings say nothing of the size: every size that is looked for fits."""
        return self.size is not None and (self.size_95[0] <= self.widest[0] and self.size_95[1] >= self.widest[1])

    @property
    def undecided(self) -> bool:
        """Whether readings contradict each other and nothing says which of them is wrong."""
        return len(self.missed) > 1 and self.freedom < 1

    def __str__(self) -> str:
        parts = []
        if self.unknown:
            parts.append("of a size that these readings do not tell")
        elif self.size is not None:
            unit = {"supply weak": "A"}.get(self.suspect.kind, "" if self.suspect.kind in LINEAR else "Ω")
            low, high = (number(x, unit).strip() for x in self.size_95)
            span = f"{low} to {high}"
            span = f"below {high}" if self.size_95[0] <= self.widest[0] else span
            span = f"above {low}" if self.size_95[1] >= self.widest[1] else span
            parts.append(f"{number(self.size, unit).strip()} (95 %: {span})")
        if self.at is not None:
            parts.append(f"{self.at:.0%} along the wire (95 %: {self.at_95[0]:.0%} to {self.at_95[1]:.0%})")
        many = f"{self.used} reading{'' if self.used == 1 else 's'}"
        fits = f"sum of squares {self.chi2:.1f} on {self.freedom}"
        return f"{self.suspect}: {', '.join([*parts, many, fits])}"


@alone
def estimate(drawing: Machine, numbers: Sequence[Observation], suspect: Suspect, spot: str = "") -> Estimate:
    """Fit a suspect to readings taken while the fault was there.

    `spot` names the contact point it was found at, so that its place is known. Readings of OL are not fitted. What
    is further off than `APART` standard uncertainties is left out, the worst first, as long as more readings than
    parameters stay. Raises BenchError where there is nothing to fit.
    """
    fit = _Fit(drawing, numbers, suspect, spot)
    use = list(range(len(fit.taken)))
    missed: list[int] = []
    while True:
        found = fit.least(use)
        best = found.best
        pulls = np.abs(np.nan_to_num(best.pulls))
        worst = int(pulls.argmax())
        if pulls[worst] <= APART:
            break
        if len(use) - 1 <= len(best.values):  # what contradicts each other cannot be told apart
            missed += [use[k] for k in np.flatnonzero(pulls > APART)]
            return fit.told(found, use, missed)
        missed.append(use.pop(worst))
    return fit.told(found, use, missed)


@alone
def ranked(drawing: Machine, numbers: Sequence[Observation], kind: str, most: int = 5) -> list[Estimate]:
    """The places a fault of this kind fits best, the best first: by the likelihood of its best size and place."""
    every = [s for s in suspects(drawing) if s.kind == kind]
    if not every:
        raise BenchError(f"{kind} can be nowhere on this drawing; name another kind of fault.")
    scored = []
    for suspect in every:
        fit = _Fit(drawing, numbers, suspect, "")
        scored.append((fit.quick(), str(suspect), suspect))
    found = [estimate(drawing, numbers, s) for _, _, s in sorted(scored)[: most + 2]]
    return sorted(found, key=lambda e: (len(e.missed), e.chi2))[:most]


class Jointly(Predictor):
    """Predictions in which every wire and terminal is a quantity that readings share: a fit hangs on how they err
    together, where the evidence takes what few readings feel as each reading's own."""

    @cached_property
    def shared(self) -> list[tuple[Part, Part]]:
        """All that is not known about a healthy machine."""
        return [*spread.shared(self.drawing), *spread.copper(self.drawing)]

    @cached_property
    def copper(self) -> list[tuple[Part, Part]]:
        """Nothing is left for one reading alone."""
        return []


@lru_cache(maxsize=2)
def _expectations(drawing: Machine) -> Expectations:
    """Of a machine whose terminals are in the middle of what they may be, which is above what is usual."""
    middle = sum(TERMINAL) / 2
    parts = (replace(p, r_ohm=middle * p.r_ohm) if isinstance(p, Contact) else p for p in drawing.parts)
    typical = replace(drawing, parts=tuple(parts))
    return Expectations(typical, Jointly(typical))


# Inside ---------------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Valley:
    """An adjustment, and the grid around it with its sums of squares."""

    best: Adjusted
    points: np.ndarray
    score: np.ndarray


class _Fit:
    """One suspect against readings: parameters are its size (as a logarithm where it counts in factors) and place."""

    def __init__(self, drawing: Machine, numbers: Sequence[Observation], suspect: Suspect, spot: str):
        self.expect, self.suspect, self.spot = _expectations(drawing), suspect, spot
        self.drawing = self.expect.drawing
        self.taken = [o for o in numbers if not o.beyond and not o.jumps]
        if not self.taken:
            raise BenchError(
                f"{suspect}: there is no reading to fit; enter what was measured while the fault was there."
            )
        sizes = suspect.sizes
        self.sized = len(sizes) > 1
        self.log = self.sized and suspect.kind not in LINEAR
        wire = next((w for w in drawing.all(Wire) if w.name == suspect.place), None)
        self.placed = wire is not None and suspect.kind.startswith("short") and not spot
        self.at = 0.5
        if spot:
            self.at = _on(drawing, spot, suspect.place)
        self.low, self.high = [], []
        if self.log:
            self.low.append(np.log(max(sizes[0] / WIDER, TINIEST)))
            self.high.append(np.log(sizes[-1] * WIDER))
        elif self.sized:
            self.low.append(sizes[0])
            self.high.append(sizes[-1])
        turn = np.exp if self.log else float
        self.widest = (float(turn(self.low[0])), float(turn(self.high[0]))) if self.sized else (-np.inf, np.inf)
        self.scale = [1.0 if self.log else 0.1] if self.sized else []  # how far each parameter moves to matter
        if self.placed:
            self.low.append(WHOLE[0])
            self.high.append(WHOLE[1])
            self.scale.append(0.1)

    def cells(self, points: np.ndarray) -> list[Cell]:
        """One narrow cell for every point (P, M)."""
        made = []
        for point in points:
            size = (np.exp(point[0]) if self.log else point[0]) if self.sized else self.suspect.sizes[0]
            at = point[-1] if self.placed else self.at
            made.append(Cell(self.suspect, float(size), float(size), float(at), float(at), self.spot, 1.0))
        return made

    def expected(self, point: np.ndarray, use: Sequence[int]) -> tuple[np.ndarray, np.ndarray]:
        """Means (N,) and covariance (N,N) of some readings at one point.

        What a meter's zero is off, all its readings share, as they share its gain; what is left to each is rounding.
        """
        taken, (cell,) = [self.taken[k] for k in use], self.cells(point[None])
        mean, moves = np.empty(len(taken)), np.empty((len(taken), self.expect.columns))
        for members in _states(taken):
            found = self.expect.of([cell], [taken[k] for k in members])
            mean[members], moves[members] = found.mean[0], found.moves[0]
        v = moves @ moves.T
        zero = np.array([max(o.u - o.gain * abs(o.value), 0.0) for o in taken])
        names = np.array([o.function for o in taken])
        v += np.outer(zero, zero) * (names[:, None] == names)
        return mean, v + np.diag([max(o.step, 1e-3 * o.u) ** 2 / 12 + TINY_V**2 for o in taken])

    def means(self, points: np.ndarray, use: Sequence[int]) -> np.ndarray:
        """What some readings are expected to show at every point, (P,N)."""
        taken, cells = [self.taken[k] for k in use], self.cells(points)
        found = np.empty((len(cells), len(taken)))
        for members in _states(taken):
            some, mended = [taken[k] for k in members], taken[members[0]].mended

            def changes(phase: State, mended=mended) -> list[Change]:
                return [c.change(self.drawing, phase, mended) for c in cells]

            found[:, members] = self.expect.guess.means(some[0].state, some, changes)
        return found

    def score(self, points: np.ndarray, use: Sequence[int], v: np.ndarray) -> np.ndarray:
        """The weighted sum of squares of every point, (P,); infinite where nothing settles."""
        off = np.array([self.taken[k].value for k in use]) - self.means(points, use)
        good = np.isfinite(off).all(axis=1)
        out = np.full(len(points), np.inf)
        out[good] = np.square(np.linalg.solve(np.linalg.cholesky(v), off[good].T)).sum(axis=0)
        return out

    def quick(self) -> float:
        """About the least sum of squares, from one coarse grid."""
        use = range(len(self.taken))
        width = np.diag([o.u**2 + QUICK_V**2 for o in self.taken])
        return float(self.score(self.grid(self.low, self.high, *QUICK), use, width).min())

    def grid(self, low: Sequence[float], high: Sequence[float], sizes: int = SIZES, along: int = ALONG) -> np.ndarray:
        """Points (P, M) evenly between two corners."""
        if not self.low:
            return np.zeros((1, 0))
        counts = ([sizes] if self.sized else []) + ([along] if self.placed else [])
        axes = [np.linspace(a, b, n) for a, b, n in zip(low, high, counts, strict=True)]
        return np.stack([x.ravel() for x in np.meshgrid(*axes, indexing="ij")], axis=1)

    def begin(self, use: Sequence[int]) -> tuple[np.ndarray, float]:
        """The best point when each reading is weighed by its instrument and a rough width alone, the width taken
        smaller in turn, so that a narrow valley is found; and its sum of squares."""
        low, high = np.array(self.low), np.array(self.high)
        own = np.array([self.taken[k].u for k in use]) ** 2
        for rough_v in ROUGH_V:
            points, score, low, high = self.closer(use, np.diag(own + rough_v**2), low, high, 1)
            if not np.isfinite(score).any():
                raise BenchError(f"{self.suspect}: no size of it has a steady state; name another fault.")
        return points[score.argmin()], float(score.min())

    def closer(
        self, use: Sequence[int], v: np.ndarray, low: np.ndarray, high: np.ndarray, rounds: int
    ) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
        """A grid drawn closer some rounds around the best point between two corners: points, scores, and its own
        corners."""
        for turn in range(rounds + 1):
            points = self.grid(low, high)
            score = self.score(points, use, v)
            if turn < rounds and self.low:
                near = points[score <= score.min() + NEAR]
                step = (high - low) / np.array([max(len(np.unique(x)) - 1, 1) for x in points.T])
                low = np.maximum(near.min(axis=0) - step, self.low)
                high = np.minimum(near.max(axis=0) + step, self.high)
        return points, score, low, high

    def least(self, use: Sequence[int]) -> Valley:
        """The adjustment, with the covariance of the readings at the point where it ends."""
        point, _ = self.begin(use)
        low, high = np.array(self.low), np.array(self.high)
        values = np.array([self.taken[k].value for k in use])
        for _ in range(TURNS):
            _, v = self.expected(point, use)
            points, score, *_ = self.closer(use, v, low, high, ROUNDS if self.low else 0)
            found = adjusted(
                lambda *x: np.nan_to_num(self.means(np.array([x]), use)[0], nan=LOST_V), points[score.argmin()], values,
                v, (self.low, self.high), self.scale,
            )  # fmt: skip
            point = found.values
        return Valley(found, points, score)

    def told(self, found: Valley, use: Sequence[int], missed: Sequence[int]) -> Estimate:
        """What it comes to."""
        best, spans = found.best, list(self.spans(found.points, found.score))
        size = at = size_68 = size_95 = at_68 = at_95 = None
        if self.sized:
            turn = np.exp if self.log else np.array
            size, (size_68, size_95) = float(turn(best.values[0])), (_pair(turn(x)) for x in spans[0])
        if self.placed:
            at, (at_68, at_95) = float(best.values[-1]), map(_pair, spans[-1])
        out = []
        for k in sorted(missed):
            (mean,), ((variance,),) = self.expected(best.values, [k])
            u, o = float(np.sqrt(variance)), self.taken[k]
            out.append(Missed(o, float(mean), u, (o.value - float(mean)) / u))
        return Estimate(self.suspect, size, size_68, size_95, at, at_68, at_95, best.chi2, best.freedom, len(use),
                        tuple(out), self.spot, self.widest)  # fmt: skip

    def spans(self, points: np.ndarray, score: np.ndarray) -> Iterator[tuple[np.ndarray, np.ndarray]]:
        """For every parameter the intervals in which its profile stays within each of `WITHIN`."""
        for axis in range(points.shape[1]):
            values = np.unique(points[:, axis])
            profile = np.array([score[points[:, axis] == v].min() for v in values]) - score.min()
            yield tuple(_within(values, profile, limit) for limit in WITHIN)


def _states(taken: Sequence[Observation]) -> list[list[int]]:
    """Readings of one state together, by number."""
    groups: dict[tuple, list[int]] = {}
    for k, o in enumerate(taken):
        groups.setdefault((o.state, o.mended), []).append(k)
    return list(groups.values())


def _within(values: np.ndarray, profile: np.ndarray, limit: float) -> np.ndarray:
    """Where a profile around its least point crosses a limit, by straight lines between its points."""
    inside = np.flatnonzero(profile <= limit)
    first, last = inside[0], inside[-1]
    ends = [values[first], values[last]]
    if first > 0:
        ends[0] = np.interp(-limit, [-profile[first - 1], -profile[first]], [values[first - 1], values[first]])
    if last < len(values) - 1:
        ends[1] = np.interp(limit, [profile[last], profile[last + 1]], [values[last], values[last + 1]])
    return np.array(ends)


def _pair(ends: np.ndarray) -> tuple[float, float]:
    return float(ends[0]), float(ends[1])


def _on(drawing: Machine, spot: str, place: str) -> float:
    """How far along a wire a contact point lies."""
    point = drawing.contact_point(spot)
    where = dict(point.wires) if point else {}
    if place not in where:
        raise BenchError(f"{place} does not pass {spot}; name another contact point, or leave it out.")
    return where[place]
