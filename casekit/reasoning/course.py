"""The course of a log: its readings one step after another, if the fault is always there and if it comes and goes.

In: `Readings` (the numbers of a log with what a healthy machine predicts) and, step by step, what cells expect of them.
Out: log likelihoods of the cells and which readings would be slips. A fault that comes and goes is weighed beside the
one that is always there: of it a good reading clears nothing.
"""

from __future__ import annotations

from collections.abc import Sequence
from copy import copy

import numpy as np

from casekit.reasoning.expectation import Expectations
from casekit.reasoning.likelihood import SLIP, Together, beyond
from casekit.reasoning.observation import Observation
from casekit.reasoning.predict import Prediction, stacked
from casekit.reasoning.prior import Cell, presence
from casekit.reasoning.suspect import NONE

# Of the time that a flickering fault may be there, and how far that share differs from one reading to the next.
SHARES = (0.005, 0.02, 0.06, 0.15, 0.3, 0.5, 0.7, 0.85, 0.94, 0.98, 0.995)
UNEVEN, AT_LEAST = 0.35, 0.004
STEADY, SWING_V = 0.05, 0.1  # a display that stands still although the fault flickers by this much
JUMPY = 1e-4  # a display that jumps although the fault is always there


class Readings:
    """The numbers of a log as arrays, the spells they were taken in, and what a healthy machine predicts of them.

    `bad` are those that a healthy machine does not explain; `steps` are the members of every step in time.
    """

    def __init__(self, expect: Expectations, numbers: Sequence[Observation], steps: Sequence[Sequence[int]]):
        self.numbers, self.columns = list(numbers), expect.columns
        self.values = np.array([o.value for o in numbers])
        self.slip_density = np.array([expect.slip(o) for o in numbers])
        self.plain = np.array([not o.beyond for o in numbers], dtype=bool)
        self.spell = [(o.spell, o.state) for o in numbers]
        none, count = [Cell(NONE, 0.0, 0.0, 0.5, 0.5, "", 1.0)], len(numbers)
        mean, variance = np.zeros((2, 1, count))
        moves = np.zeros((1, count, expect.columns))
        for members in steps:
            p = expect.of(none, [numbers[k] for k in members])
            mean[:, members], variance[:, members], moves[:, members] = p.mean, p.variance, p.moves
        self.healthy = Prediction(mean, moves, variance)
        off = np.abs(self.values - mean[0]) > 3 * self.healthy_u
        off = np.where(self.plain, off, np.abs(mean[0]) < self.values)
        self.bad = {int(k) for k in np.flatnonzero(off)} | {k for k, o in enumerate(numbers) if o.jumps}
        self._hurt = {self.spell[k] for k in self.bad}

    @property
    def healthy_u(self) -> np.ndarray:
        """Standard uncertainty of what a healthy machine predicts, (n,)."""
        return np.sqrt(self.healthy.variance + np.square(self.healthy.moves).sum(axis=2))[0]

    def hurt(self, members: Sequence[int]) -> bool:
        """Whether a healthy machine does not explain all of the spell that these were taken in."""
        return any(self.spell[k] in self._hurt for k in members)


class Lasting:
    """Some cells under a log, step by step, if the fault is always there. `log`, one for every cell."""

    def __init__(self, readings: Readings, items: int):
        self.readings = readings
        self.together, self.apart = Together(items, readings.columns), np.zeros(items)
        self.jumping: set = set()

    @property
    def log(self) -> np.ndarray:
        """Log likelihood of all readings so far."""
        return self.together.log.sum(axis=1) + self.apart + len(self.jumping) * np.log(JUMPY)

    def step(self, members: Sequence[int], expected: Prediction) -> np.ndarray:
        """More readings, with what each cell expects of them; returns how likely each is a slip, (cells, members)."""
        r = self.readings
        self.jumping |= {r.numbers[k].spell for k in members if r.numbers[k].jumps}
        slips, apart = _added(r, self.together, members, expected)
        self.apart = self.apart + apart
        return slips

    def take(self, rows: np.ndarray) -> None:
        """Go on with some of the cells alone."""
        self.together.take(rows)
        self.apart = self.apart[rows]

    def copy(self, readings: Readings) -> Lasting:
        """The same, to go on from with a longer log."""
        fresh = copy(self)
        fresh.readings, fresh.together, fresh.jumping = readings, copy(self.together), set(self.jumping)
        return fresh


class Loose:
    """The same if the fault comes and goes.

    In a spell that a healthy machine explains it was away, which clears nothing. In every other one it was there, away,
    or flickering, whichever fits best; then all readings are weighed together. `members` are those of the spell that
    goes on: what they looked like may change with every further one.
    """

    def __init__(self, readings: Readings, items: int):
        self.readings, self.items = readings, items
        self.together, self.apart = Together(1, readings.columns), np.zeros(1)  # one for all, until a spell is bad
        self.members: list[int] = []
        self._spell = self._expected = None  # the spell that goes on, and what was expected in it
        self._begin, self._now = 0, (np.zeros(1), np.zeros(1))

    @property
    def log(self) -> np.ndarray:
        """Log likelihood of all readings so far, with the chances of where the fault was."""
        found = self.together.log.sum(axis=1) + self.apart + sum(self._now)
        return np.broadcast_to(found, self.items)

    def step(self, members: Sequence[int], expected: Prediction) -> np.ndarray:
        """More readings, with what each cell expects of them while the fault is there; returns how likely each of
        `self.members` is a slip, (cells, members)."""
        r, new = self.readings, list(members)
        if r.spell[new[0]] != self._spell:
            self._spell, self._begin = r.spell[new[0]], len(self.together)
            self.apart, self._now = self.apart + sum(self._now), (np.zeros(1), np.zeros(1))
            self.members, self._expected = [], None
        h = r.healthy
        if not r.hurt(new):
            self.members = new
            every = h.of(new).rows(np.zeros(self.together.items, dtype=int))
            slips, apart = _added(r, self.together, new, every)
            self.apart = self.apart + apart
            return np.broadcast_to(slips, (self.items, len(new)))
        if self.together.items != self.items:
            self.together.take(np.zeros(self.items, dtype=int))
        self.together.cut(self._begin)
        self.members += new
        self._expected = expected if self._expected is None else stacked([self._expected, expected], axis=1)
        chance, chosen = self._fitting(self._expected)
        slips, apart = _added(r, self.together, self.members, chosen)
        self._now = chance, apart
        return slips

    def take(self, rows: np.ndarray) -> None:
        """Go on with some of the cells alone."""
        if self.together.items == self.items:
            self.together.take(rows)
        self.apart, *now = (x[rows] if len(x) == self.items else x for x in (self.apart, *self._now))
        self._now = tuple(now)
        if self._expected is not None:
            self._expected = self._expected.rows(rows)
        self.items = len(rows)

    def copy(self, readings: Readings) -> Loose:
        """The same, to go on from with a longer log."""
        fresh = copy(self)
        fresh.readings, fresh.together, fresh.members = readings, copy(self.together), list(self.members)
        return fresh

    def _fitting(self, expected: Prediction) -> tuple[np.ndarray, Prediction]:
        """Log chance and expectations of what fits each cell best in a spell: the fault was there, away or flickering
        for a share of the time."""
        r, members, n = self.readings, self.members, len(expected.mean)
        h, known = r.healthy, np.isfinite(expected.mean)
        away = [x[:, members] for x in (h.mean, h.moves, h.variance)]
        there = [np.where(known, expected.mean, away[0]), np.where(known, expected.variance, away[2])]
        more = np.where(known[..., None], expected.moves - away[1], 0.0)  # moves of the fault beyond the healthy ones
        chance = np.log(presence(r.numbers[members[0]].state))
        if any(r.numbers[k].jumps for k in members):
            chance[:2] += np.log(JUMPY)
        ends = np.array([r.numbers[k].function in ("low", "high") for k in members])
        low = np.array([r.numbers[k].function == "low" for k in members])
        step = there[0] - away[0]
        # Where it would flicker much a display jumps; one that stands still hardly flickers.
        still = ("low", "high", "inside")
        steady = [n for n, k in enumerate(members) if not (r.numbers[k].jumps or r.numbers[k].function in still)]
        flickers = chance[2] + np.log(STEADY) * (np.abs(step[:, steady]) > SWING_V).any(axis=1)
        flickers -= np.log(len(SHARES))
        shares = np.array([1.0, 0.0, *SHARES])
        chances = np.stack([np.full(n, chance[0]), np.full(n, chance[1]), *[flickers] * len(SHARES)])
        end = np.where(low, np.minimum(there[0], away[0]), np.maximum(there[0], away[0]))
        means, variances = [there[0], np.repeat(away[0], n, axis=0)], [there[1], np.repeat(away[2], n, axis=0)]
        for share in SHARES:
            spread = np.where(ends, UNEVEN / 4, AT_LEAST + UNEVEN * share * (1 - share)) * step
            means.append(np.where(ends, end, away[0] + share * step))
            variances.append(away[2] + share * (there[1] - away[2]) + np.square(spread))
        own, both, its = np.square(away[1]).sum(axis=2), (away[1] * more).sum(axis=2), np.square(more).sum(axis=2)
        moved = [np.maximum(own + share * (2 * both + share * its), 0.0) for share in shares]  # squared, all together
        u = [np.sqrt(v + m) for v, m in zip(variances, moved, strict=True)]
        fits = chances + [self._marginal(members, m, w) for m, w in zip(means, u, strict=True)]
        best, every = np.argmax(fits, axis=0), np.arange(n)
        moves = away[1] + shares[best][:, None, None] * more
        return chances[best, every], Prediction(np.stack(means)[best, every], moves, np.stack(variances)[best, every])

    def _marginal(self, members: Sequence[int], mean: np.ndarray, u: np.ndarray) -> np.ndarray:
        """Log likelihood of readings, each by itself."""
        r, out = self.readings, np.zeros(len(mean))
        for n, k in enumerate(members):
            if not r.plain[k]:
                out += beyond(r.values[k : k + 1], mean[:, n : n + 1], u[:, n : n + 1])[:, 0]
                continue
            z = (r.values[k] - mean[:, n]) / u[:, n]
            usual = np.exp(-0.5 * z**2) / (np.sqrt(2 * np.pi) * u[:, n])
            out += np.log((1 - SLIP) * usual + SLIP * r.slip_density[k])
        return out


def _added(
    r: Readings, together: Together, members: Sequence[int], expected: Prediction
) -> tuple[np.ndarray, np.ndarray]:
    """Weigh readings with those before; (how likely each is a slip, log likelihood of displays of OL beside them)."""
    members, before = np.array(members), len(together)
    slips, apart = np.zeros(expected.mean.shape), np.zeros(len(expected.mean))
    plain = r.plain[members]
    some = members[plain]
    together.add(
        r.values[some], expected.mean[:, plain], expected.moves[:, plain].astype(float), expected.variance[:, plain],
        r.slip_density[some],
    )  # fmt: skip
    slips[:, plain] = together.slips[:, before:]
    if not plain.all():
        u = np.sqrt(expected.variance + np.square(expected.moves, dtype=float).sum(axis=2))[:, ~plain]
        part = beyond(r.values[members[~plain]], expected.mean[:, ~plain], u)
        slips[:, ~plain] = part < np.log(0.1)
        apart = part.sum(axis=1)
    return slips, apart
