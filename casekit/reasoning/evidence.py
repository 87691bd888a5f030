"""Evidence: the whole log held against every suspect.

In: a drawing, events of a log, and the codes that came with the machine. Out: a `Verdict`: how likely every suspect is
now, with the size and place that fit best, and because of which readings others are not.

Coarse cells of size and place first; cells that are far behind are dropped as soon as they are; what is left is
divided until it hardly matters. A fault that comes and goes is weighed beside the one that is always there: of it a
good reading clears nothing.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache

import numpy as np

from casekit.bench.reading import Event
from casekit.machine.machine import Machine
from casekit.reasoning.alone import alone
from casekit.reasoning.belief import entropy_bits, normalised
from casekit.reasoning.course import Lasting, Loose, Readings
from casekit.reasoning.expectation import BLUNT, OPEN, Expectations
from casekit.reasoning.likelihood import SLIP
from casekit.reasoning.observation import Observation, Sign, came_with, fresh, observed, steps
from casekit.reasoning.predict import Predictor
from casekit.reasoning.prior import LOOSE, LOOSE_KINDS, Cell, cells
from casekit.reasoning.signs import FLOOR, Expected, factor
from casekit.reasoning.suspect import Suspect, suspects
from casekit.reasoning.verdict import UNLIKELY, Fit, Moment, Verdict, Weighed

HOPELESS = 30.0  # nats behind the best: three slips more than the best needs
DIVIDED, DIVIDED_AT_ONCE = 5, 150  # how often cells are divided, and how many at once
BESIDE = -12.0  # nats: how near the best one cell of a suspect must come for those beside it to matter
SMALL = 3e-4  # the share of belief below which a cell need not be divided
NARROW = 0.7  # a cell is narrow enough when its size moves no reading by more of its uncertainty than this
MANY = 800  # cells from which what is kept for all of them is used


@lru_cache(maxsize=4)
def expectations(drawing: Machine) -> Expectations:
    """The expectations on a drawing, with the networks and predictions it has prepared so far."""
    return Expectations(drawing)


def predictor(drawing: Machine) -> Predictor:
    """The predictor of a drawing."""
    return expectations(drawing).guess


@lru_cache(maxsize=4)
def all_cells(drawing: Machine) -> tuple[Cell, ...]:
    """The cells of all single faults of a drawing."""
    return tuple(cells(drawing, suspects(drawing)))


@lru_cache(maxsize=4)
def every_expected(drawing: Machine) -> Expected:
    """What the control unit would do under every cell of a drawing."""
    return Expected(predictor(drawing), all_cells(drawing))


@alone
def weigh(
    drawing: Machine, events: Sequence[Event], stored: Sequence[str] = (), also: Sequence[Suspect] = ()
) -> Verdict:
    """Hold all single faults of a drawing, and those named in `also`, against a log.

    `stored` are the codes that came with the machine, which count until its codes are read.
    """
    numbers, signs = observed(drawing, events)
    known = suspects(drawing) if also else ()
    more = [s for s in also if s not in known]
    every = list(all_cells(drawing)) if not more else cells(drawing, (*known, *more))
    return Weighing(expectations(drawing), numbers, signs, stored).verdict(every, whole=not more)


class Weighing:
    """One log, ready to be held against cells."""

    def __init__(
        self, expect: Expectations, numbers: Sequence[Observation], signs: Sequence[Sign], stored: Sequence[str]
    ):
        self.expect, self.guess = expect, expect.guess
        self.numbers, self.signs, self.stored = list(numbers), list(fresh(signs, stored)), tuple(stored)
        self.steps = list(steps(self.numbers, [*came_with(self.stored), *self.signs]))
        self.readings = Readings(expect, self.numbers, [members for members, sign in self.steps if sign is None])

    # The whole ------------------------------------------------------------------------------------------------------

    def verdict(self, every: Sequence[Cell], whole: bool = False) -> Verdict:
        """Weigh cells, divide what is left, and say what it comes to."""
        found = self.weighed(list(every), whole=whole)
        for _ in range(DIVIDED):
            coarse = self._coarse(found)
            if not len(coarse):
                break
            split = [self.expect.split(found.cells[k]) for k in coarse]
            # What the signs say hardly depends on where in a cell the truth is.
            said = np.repeat(found.parts[:, :, coarse], [len(s) for s in split], axis=2)
            rest = np.setdiff1d(np.arange(len(found.cells)), coarse)
            parts = [part for s in split for part in s]
            finer = self.weighed(parts, found.history.max(axis=1), whole, said)
            found = _both(_chosen(found, rest), finer)
        return self._summed(found)

    def _coarse(self, found: Weighed) -> np.ndarray:
        """Cells to be divided: wide ones that matter by what a part of them may come to, and those beside the best one
        of a suspect that matters, as the answer of a wide cell may bend."""
        if not len(self.steps):
            return np.zeros(0, dtype=int)
        hope = np.minimum(found.history[-1] + found.gain - found.history[-1].max(), 0.0)
        best: dict[Suspect, int] = {}
        for k in np.argsort(hope, kind="stable"):
            best[found.cells[k].suspect] = int(k)
        matter = {s: found.cells[k] for s, k in best.items() if hope[k] > BESIDE}
        beside = np.array([c.suspect in matter and c.touches(matter[c.suspect]) for c in found.cells], dtype=bool)
        some = np.flatnonzero(((hope > np.log(SMALL)) | beside) & found.wide)
        rank = np.where(beside, 0.0, hope)
        return np.sort(some[np.argsort(-rank[some], kind="stable")[:DIVIDED_AT_ONCE]])

    def _score(self, weight: np.ndarray, can: np.ndarray, total: np.ndarray) -> np.ndarray:
        """Log weight of every cell after the log, always there or coming and going."""
        always = weight + total[0] + np.where(can, np.log(1 - LOOSE), 0.0)
        return np.where(can, np.logaddexp(always, weight + total[1] + np.log(LOOSE)), always)

    def _sign(self, sign: Sign, every: list[Cell], need: np.ndarray, whole: bool) -> np.ndarray:
        """Log factors of a sign for the cells `need`, (2, cells)."""
        if whole and len(need) > MANY:
            return np.array(factor(every_expected(self.guess.drawing), sign))[:, need]
        return np.array(factor(Expected(self.guess, [every[k] for k in need]), sign))

    def weighed(
        self, every: list[Cell], best: np.ndarray | None = None, whole: bool = False, said: np.ndarray | None = None
    ) -> Weighed:
        """Log likelihoods of cells, step by step in time; those that fall hopelessly behind are left where they are.

        `best` is the best score of other cells after every step; `whole` says that these are all cells of the
        drawing, or parts of them, whose predictions are kept; `said` are the log factors of signs where they are known.
        """
        n, whole_log = len(every), whole and best is None
        if whole and best is not None:
            self._prepared(every)
        run = (self._resumed(every) if whole_log else None) or _Run(self, every)
        weight, can, r = run.weight, run.can, self.readings
        for t in range(run.done, len(self.steps)):
            members, sign = self.steps[t]
            if sign is None:
                need = np.union1d(run.alive, run.alive_loose) if r.hurt(members) else run.alive
                taken = [self.numbers[k] for k in members]
                fresh = (self.expect.kept if whole else self.expect.of)([every[k] for k in need], taken)
                block = np.ix_(need, members)
                run.mean[block], run.variance[block] = fresh.mean, fresh.variance
                run.shared[block] = np.square(fresh.moves).sum(axis=2)
                run.sized[block] = np.square(fresh.moves[:, :, -OPEN:]).sum(axis=2)
                with np.errstate(invalid="ignore"):  # where nothing settles there is nothing to be gained
                    dulled = np.maximum(1 - np.nan_to_num(BLUNT**2 * run.sized[block] / fresh.variance), 1e-9)
                run.gain[need] += -0.5 * np.log(dulled).sum(axis=1)
                slip = run.lasting.step(members, fresh.rows(np.searchsorted(need, run.alive)))
                run.slips[0][np.ix_(run.alive, members)] = slip
                run.numbers[0, run.alive] = run.lasting.log
                if len(run.alive_loose):
                    its = fresh.rows(np.searchsorted(need, run.alive_loose)) if r.hurt(members) else None
                    slip = run.loose.step(members, its)
                    run.slips[1][np.ix_(run.alive_loose, run.loose.members)] = slip
                    run.numbers[1, run.alive_loose] = run.loose.log
                run.floor += np.log(SLIP * r.slip_density[members]).sum()  # nothing fits worse than nothing but slips
            else:
                need = np.union1d(run.alive, run.alive_loose)
                run.parts[:, t, need] = self._sign(sign, every, need, whole) if said is None else said[:, t, need]
                run.signs += run.parts[:, t]
                run.floor += np.log(FLOOR)
            # What was dropped is not worked out any more: it stays as far behind as it was.
            total = weight + run.numbers + run.signs
            here = max(total[0, run.alive].max(initial=-np.inf), total[1, run.alive_loose].max(initial=-np.inf))
            here = here if best is None else max(here, best[t])
            gone, gone_loose = np.setdiff1d(np.arange(n), run.alive), np.setdiff1d(np.flatnonzero(can), run.alive_loose)
            if np.isfinite(here):
                run.numbers[0, gone] += here - run.before
                run.numbers[1, gone_loose] += here - run.before
                run.before = here
            total = run.course[:, t] = run.numbers + run.signs
            run.history[t] = self._score(weight, can, total)
            top = max(run.history[t].max(initial=-np.inf), run.floor, -np.inf if best is None else best[t])
            hope = weight + run.gain + total
            stay, stay_loose = (hope[k, x] > top - HOPELESS for k, x in enumerate((run.alive, run.alive_loose)))
            if not stay.all():
                run.alive = run.alive[stay]
                run.lasting.take(np.flatnonzero(stay))
            if not stay_loose.all():
                run.alive_loose = run.alive_loose[stay_loose]
                run.loose.take(np.flatnonzero(stay_loose))
        if whole_log:
            self._keep(run)
        mean, variance, shared, sized = run.mean, run.variance, run.shared, run.sized
        u = np.sqrt(variance + shared)
        rest = np.maximum(u**2 - sized, 1e-12)
        with np.errstate(invalid="ignore"):
            wide = (np.sqrt(sized / rest) > NARROW).any(axis=1)
        wide &= np.array([c.high > c.low or c.end > c.begin for c in every], dtype=bool)
        total = run.numbers + run.signs
        return Weighed(
            every, total[0], total[1], mean, u, run.slips, wide, run.history, run.gain, run.parts, run.course
        )

    # Inside ---------------------------------------------------------------------------------------------------------

    def _log(self) -> list[tuple]:
        """What every step depends on: its numbers or sign, and whether a healthy machine explains its spell."""
        r = self.readings
        return [
            (members, [self.numbers[k] for k in members], sign, sign is None and r.hurt(members))
            for members, sign in self.steps
        ]

    def _keep(self, run: _Run) -> None:
        """Keep where all cells of the drawing stand, for when the log has become longer."""
        run.done = len(self.steps)
        self.expect.latest = self._log(), run.copy(self)

    def _resumed(self, every: list[Cell]) -> _Run | None:
        """Where these cells stood when a log ended with which this one begins."""
        if self.expect.latest is None:
            return None
        known, run = self.expect.latest
        return run.copy(self) if run.every == every and known == self._log()[: len(known)] else None

    def _prepared(self, every: list[Cell]) -> None:
        """Work out what few cells expect of all readings, those of one state together."""
        by_state: dict[tuple, list[Observation]] = {}
        for o in self.numbers:
            by_state.setdefault((o.state, o.mended), []).append(o)
        for taken in by_state.values():
            self.expect.kept(every, taken)

    def _summed(self, found: Weighed) -> Verdict:
        weight = np.log([c.weight for c in found.cells])
        history = np.concatenate([weight[None], found.history])
        names = list(dict.fromkeys(c.suspect for c in found.cells))
        number = {s: k for k, s in enumerate(names)}
        owner = np.array([number[c.suspect] for c in found.cells])
        order = np.lexsort((history[-1], owner))
        best = order[np.searchsorted(owner[order], np.arange(len(names)), side="right") - 1]
        each = np.array([np.bincount(owner, p, len(names)) for p in normalised(history)])
        prior = each[0]
        with np.errstate(divide="ignore"):
            logs = np.log(each) - np.log(prior)
        fits = []
        for k in best:
            c, can = found.cells[k], found.cells[k].suspect.kind in LOOSE_KINDS
            loose = can and found.loose[k] + np.log(LOOSE) > found.lasting[k] + np.log(1 - LOOSE)
            fits.append(Fit(c.size, c.at, bool(loose), c.spot))
        bits = entropy_bits(each)
        trail = []
        for t, (members, sign) in enumerate(self.steps, start=1):
            event = sign.event if sign is not None else self.numbers[members[-1]].event
            left = int((logs[t] > logs[t].max() - UNLIKELY).sum())
            trail.append(Moment(event, float(bits[t]), left, float(bits[t - 1] - bits[t])))
        mine = np.array([f.loose for f in fits], dtype=int)
        seen = (found.mean[best], found.u[best], found.slips[mine, best])
        healthy = self.readings.healthy.mean[0], self.readings.healthy_u
        signed = [t for t, (_, sign) in enumerate(self.steps) if sign is not None and sign.event is not None]
        said = found.parts[mine[:, None], np.array(signed, dtype=int)[None], best[:, None]]
        return Verdict(tuple(names), each[-1], tuple(fits), logs[-1], tuple(self.numbers), tuple(self.signs), *seen,
                       healthy, said, float(bits[0]), tuple(trail), found)  # fmt: skip


class _Run:
    """Cells on their way through a log: what is known of them after `done` of its steps."""

    def __init__(self, weighing: Weighing, every: list[Cell]):
        n, count, steps = len(every), len(weighing.numbers), len(weighing.steps)
        self.every, self.done = every, 0
        self.mean, self.variance, self.shared, self.sized = np.full((4, n, count), np.nan)
        self.weight = np.log([c.weight for c in every])
        self.can = np.array([c.suspect.kind in LOOSE_KINDS for c in every], dtype=bool)
        self.numbers, self.signs = np.zeros((2, n)), np.zeros((2, n))  # log likelihoods: always there, coming and going
        self.numbers[1, ~self.can] = -np.inf
        self.slips, self.history = np.zeros((2, n, count)), np.empty((steps, n))
        self.parts, self.course = np.zeros((2, 2, steps, n))
        self.alive, self.alive_loose = np.arange(n), np.flatnonzero(self.can)
        self.lasting, self.loose = Lasting(weighing.readings, n), Loose(weighing.readings, len(self.alive_loose))
        self.floor, self.gain, self.before = self.weight.max(), np.zeros(n), float(self.weight.max())

    def copy(self, weighing: Weighing) -> _Run:
        """The same, to go on from with a log that may be longer."""
        fresh = _Run(weighing, self.every)
        count = self.mean.shape[1]
        for name in ("mean", "variance", "shared", "sized", "slips"):
            getattr(fresh, name)[..., :count] = getattr(self, name)
        for name in ("history", "parts", "course"):
            getattr(fresh, name)[..., : self.done, :] = getattr(self, name)[..., : self.done, :]
        for name in ("numbers", "signs", "gain"):
            getattr(fresh, name)[:] = getattr(self, name)
        fresh.lasting, fresh.loose = self.lasting.copy(weighing.readings), self.loose.copy(weighing.readings)
        fresh.done, fresh.alive, fresh.alive_loose = self.done, self.alive, self.alive_loose
        fresh.floor, fresh.before = self.floor, self.before
        return fresh


def _chosen(w: Weighed, rows: np.ndarray) -> Weighed:
    """Some of the cells."""
    read = (w.mean[rows], w.u[rows], w.slips[:, rows], w.wide[rows])
    rest = (w.history[:, rows], w.gain[rows], w.parts[:, :, rows], w.course[:, :, rows])
    return Weighed([w.cells[k] for k in rows], w.lasting[rows], w.loose[rows], *read, *rest)


def _both(a: Weighed, b: Weighed) -> Weighed:
    axes = {"lasting": 0, "loose": 0, "mean": 0, "u": 0, "slips": 1, "wide": 0, "history": 1, "gain": 0}
    axes |= {"parts": 2, "course": 2}
    return Weighed(
        a.cells + b.cells, *(np.concatenate([getattr(a, n), getattr(b, n)], axis=k) for n, k in axes.items())
    )
