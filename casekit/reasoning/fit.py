"""Fits: one suspect against readings, its size and place such that the weighted sum of squares is least.

In: a drawing, observations, a suspect. Out: a `Fit`, which finds the `Valley` of any of these readings.
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
from casekit.reasoning.expectation import Expectations
from casekit.reasoning.observation import Observation
from casekit.reasoning.predict import Predictor
from casekit.reasoning.prior import WHOLE, Cell
from casekit.reasoning.suspect import Suspect

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
class Valley:
    """An adjustment, and the grid around it with its sums of squares."""

    best: Adjusted
    points: np.ndarray
    score: np.ndarray


class Fit:
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

    def spans(self, points: np.ndarray, score: np.ndarray) -> Iterator[tuple[np.ndarray, np.ndarray]]:
        """For every parameter the intervals in which its profile stays within each of `WITHIN`."""
        for axis in range(points.shape[1]):
            values = np.unique(points[:, axis])
            profile = np.array([score[points[:, axis] == v].min() for v in values]) - score.min()
            yield tuple(_within(values, profile, limit) for limit in WITHIN)


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


def _on(drawing: Machine, spot: str, place: str) -> float:
    """How far along a wire a contact point lies."""
    point = drawing.contact_point(spot)
    where = dict(point.wires) if point else {}
    if place not in where:
        raise BenchError(f"{place} does not pass {spot}; name another contact point, or leave it out.")
    return where[place]
