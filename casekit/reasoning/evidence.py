"""Evidence: the whole log held against every suspect.

In: a drawing, events of a log, and the codes that came with the machine. Out: a `Verdict`: how likely every suspect is
now, with the size and place that fit best, and because of which readings others are not.

Coarse cells of size and place first; cells that are far behind are dropped as soon as they are; what is left is
divided until it hardly matters. A fault that comes and goes is weighed beside the one that is always there: of it a
good reading clears nothing.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from functools import lru_cache

import numpy as np

from casekit.bench.reading import Event
from casekit.circuit.change import NOTHING, Change
from casekit.machine.machine import Machine
from casekit.machine.state import State
from casekit.reasoning.belief import entropy_bits, normalised
from casekit.reasoning.likelihood import between, beyond, together
from casekit.reasoning.observation import Observation, Sign, observed
from casekit.reasoning.predict import Prediction, Predictor
from casekit.reasoning.prior import LOOSE, LOOSE_KINDS, Cell, cells
from casekit.reasoning.signs import FLOOR, Expected, factor
from casekit.reasoning.suspect import NONE, Suspect, suspects
from casekit.reasoning.verdict import UNLIKELY, Fit, Moment, Verdict, Weighed

HOPELESS = 30.0  # nats behind the best: three slips more than the best needs
DIVIDED, SMALL = 5, 1e-4  # how often cells are divided, and the share of belief below which it does not matter
NARROW = 0.7  # a cell is narrow enough when its size moves no reading by more of its uncertainty than this
MANY = 800  # cells from which what is kept for all of them is used
BLUNT = 0.25  # how far the response of a wide cell may bend, as a share of its width
PRESENT, AWAY, FLICKERS = 0.45, 0.45, 0.1  # of a loose fault in a while nobody knows (common practice, no source)
JUMPY = 0.02  # a display that jumps although the fault is always there
SLIP_SPAN, SLIP_V = {"ohms": 20.0, "amps": 20.0}, 15.0  # a slip may be anything: in nats for ohms, else in SI units


@lru_cache(maxsize=4)
def predictor(drawing: Machine) -> Predictor:
    """The predictor of a drawing, with the networks it has prepared so far."""
    return Predictor(drawing)


@lru_cache(maxsize=4)
def all_cells(drawing: Machine) -> tuple[Cell, ...]:
    """The cells of all single faults of a drawing."""
    return tuple(cells(drawing, suspects(drawing)))


@lru_cache(maxsize=4)
def every_expected(drawing: Machine) -> Expected:
    """What the control unit would do under every cell of a drawing."""
    return Expected(predictor(drawing), all_cells(drawing))


def weigh(
    drawing: Machine, events: Sequence[Event], stored: Sequence[str] = (), also: Sequence[Suspect] = ()
) -> Verdict:
    """Hold all single faults of a drawing, and those named in `also`, against a log.

    `stored` are the codes that came with the machine, which count until its codes are read.
    """
    numbers, signs = observed(drawing, events)
    known = suspects(drawing)
    more = [s for s in also if s not in known]
    every = list(all_cells(drawing)) if not more else cells(drawing, (*known, *more))
    return Weighing(predictor(drawing), numbers, signs, stored).verdict(every, whole=not more)


class Weighing:
    """One log, ready to be held against cells."""

    def __init__(self, guess: Predictor, numbers: Sequence[Observation], signs: Sequence[Sign], stored: Sequence[str]):
        self.guess, self.numbers, self.signs, self.stored = guess, list(numbers), list(signs), tuple(stored)
        self.values = np.array([o.value for o in self.numbers])
        self.slip_density = np.array([1 / (2 * SLIP_SPAN.get(o.function, SLIP_V)) for o in self.numbers])
        for k, o in enumerate(self.numbers):
            if o.function == "ohms":
                self.slip_density[k] = 1 / (max(o.value, 0.1) * SLIP_SPAN["ohms"])
        self.plain = np.array([not o.beyond for o in self.numbers], dtype=bool)
        self.steps = list(_steps(self.numbers, [*_came_with(self.stored, self.signs), *self.signs]))
        spells: dict[tuple, list[int]] = {}
        for k, o in enumerate(self.numbers):
            spells.setdefault((o.spell, o.state), []).append(k)
        self.spells = list(spells.values())
        self.healthy = self._healthy()
        self.bad = self._bad()

    # The whole ------------------------------------------------------------------------------------------------------

    def verdict(self, every: Sequence[Cell], whole: bool = False) -> Verdict:
        """Weigh cells, divide what is left, and say what it comes to."""
        found = self.weighed(list(every), whole=whole)
        for _ in range(DIVIDED):
            p = normalised(found.history[-1]) if len(self.steps) else np.zeros(len(found.cells))
            coarse = np.flatnonzero((p > SMALL) & found.wide)
            if not len(coarse):
                break
            parts = [part for k in coarse for part in found.cells[k].split()]
            rest = np.setdiff1d(np.arange(len(found.cells)), coarse)
            found = _both(_chosen(found, rest), self.weighed(parts, found.history.max(axis=1)))
        return self._summed(found)

    def _score(self, weight: np.ndarray, can: np.ndarray, total: np.ndarray) -> np.ndarray:
        """Log weight of every cell after the log, always there or coming and going."""
        always = weight + total[0] + np.where(can, np.log(1 - LOOSE), 0.0)
        return np.where(can, np.logaddexp(always, weight + total[1] + np.log(LOOSE)), always)

    def _sign(self, sign: Sign, every: list[Cell], need: np.ndarray, whole: bool) -> np.ndarray:
        """Log factors of a sign for the cells `need`, (2, cells)."""
        if whole and len(need) > MANY:
            return np.array(factor(every_expected(self.guess.drawing), sign))[:, need]
        return np.array(factor(Expected(self.guess, [every[k] for k in need]), sign))

    def weighed(self, every: list[Cell], best: np.ndarray | None = None, whole: bool = False) -> Weighed:
        """Log likelihoods of cells, step by step in time; those that fall hopelessly behind are left where they are.

        `best` is the best score of other cells after every step; `whole` says that these are all cells of the drawing.
        """
        n, count = len(every), len(self.numbers)
        mean, variance, shared, sized = np.full((4, n, count), np.nan)
        weight = np.log([c.weight for c in every])
        can = np.array([c.suspect.kind in LOOSE_KINDS for c in every], dtype=bool)
        numbers, signs = np.zeros((2, n)), np.zeros((2, n))  # log likelihoods: always there, coming and going
        numbers[1, ~can] = -np.inf
        slips, history = np.zeros((n, count)), np.empty((len(self.steps), n))
        parts = np.zeros((2, len(self.steps), n))
        alive, alive_loose, seen = np.arange(n), np.flatnonzero(can), []
        moves, kept, floor = np.zeros((n, 0, len(self.guess.shared) + 4), dtype=np.float32), np.arange(n), weight.max()
        for t, (members, sign) in enumerate(self.steps):
            if sign is None:
                hurt = self.bad.intersection(members)
                need = np.union1d(alive, alive_loose) if hurt else alive
                fresh = self._predicted([every[k] for k in need], members)
                block = np.ix_(need, members)
                mean[block], variance[block] = fresh.mean, fresh.variance
                shared[block] = np.square(fresh.moves).sum(axis=2)
                sized[block] = np.square(fresh.moves[:, :, -3:]).sum(axis=2)
                seen += members
                own = np.searchsorted(need, alive)
                moves = moves[np.searchsorted(kept, alive)]
                moves, kept = np.concatenate([moves, fresh.moves[own].astype(np.float32)], axis=1), alive
                numbers[0, alive], slip = self._together(seen, mean[alive], moves, variance[alive])
                slips[np.ix_(alive, seen)] = slip
                u = np.sqrt(variance[alive_loose] + shared[alive_loose])
                numbers[1, alive_loose] = self._loose(seen, mean[alive_loose], u)
                floor += np.log(0.01 * self.slip_density[members]).sum()  # nothing fits worse than nothing but slips
            else:
                need = np.union1d(alive, alive_loose)
                parts[:, t, need] = self._sign(sign, every, need, whole)
                signs += parts[:, t]
                floor += np.log(FLOOR)
            total = numbers + signs
            history[t] = self._score(weight, can, total)
            top = max(history[t].max(initial=-np.inf), floor, -np.inf if best is None else best[t])
            alive = alive[weight[alive] + total[0, alive] > top - HOPELESS]
            alive_loose = alive_loose[weight[alive_loose] + total[1, alive_loose] > top - HOPELESS]
        u = np.sqrt(variance + shared)
        rest = np.maximum(u**2 - sized, 1e-12)
        with np.errstate(invalid="ignore"):
            wide = (np.sqrt(sized / rest) > NARROW).any(axis=1)
        wide &= np.array([c.high > c.low or c.end > c.begin for c in every], dtype=bool)
        total = numbers + signs
        return Weighed(every, total[0], total[1], mean, u, slips, wide, history, parts)

    # Inside ---------------------------------------------------------------------------------------------------------

    def _healthy(self) -> Prediction:
        """What a healthy machine predicts of all readings."""
        none, count = [Cell(NONE, 0.0, 0.0, 0.5, 0.5, "", 1.0)], len(self.numbers)
        mean, variance = np.zeros((2, 1, count))
        moves = np.zeros((1, count, len(self.guess.shared) + 4))
        for members, sign in self.steps:
            if sign is None:
                p = self._predicted(none, members)
                mean[:, members], variance[:, members], moves[:, members] = p.mean, p.variance, p.moves
        return Prediction(mean, moves, variance)

    def _predicted(self, some: list[Cell], members: Sequence[int]) -> Prediction:
        """Predictions of readings taken in one state, by cells."""
        state, mended = self.numbers[members[0]].state, self.numbers[members[0]].mended
        taken, drawing = [self.numbers[k] for k in members], self.guess.drawing

        def made(phase: State, end: str = "at") -> list[Change]:
            return [c.change(drawing, phase, mended, end) for c in some]

        width = np.array([c.widths for c in some])
        found = self.guess.predict(state, taken, made, width)
        long = [k for k, c in enumerate(some) if c.end > c.begin]
        along = np.zeros((len(some), len(taken), 1))
        if long:
            ends = self._ends(state, mended, taken, [some[k] for k in long])
            along[long, :, 0] = ends / np.sqrt(12)
        generic = self._generic(some, found, state, taken)
        own, sized = found.moves[:, :, :-2], found.moves[:, :, -2:] + generic
        moves = np.concatenate([own, self._gain(taken, found.mean), sized, along], axis=2)
        own = np.array([max(o.u**2 - (o.gain * o.value) ** 2, 0.0) + (o.step**2) / 6 for o in taken])
        variance = found.variance + own + np.square(BLUNT * moves[:, :, -3:]).sum(axis=2)
        return Prediction(found.mean, moves, variance)

    def _ends(self, state: State, mended: frozenset[str], taken: Sequence[Observation], some: list[Cell]) -> np.ndarray:
        """How far the readings differ between both ends of long cells."""
        both = []
        for end in ("begin", "end"):

            def made(phase: State, end: str = end) -> list[Change]:
                return [c.change(self.guess.drawing, phase, mended, end) for c in some]

            both.append(self.guess.means(state, taken, made))
        return both[1] - both[0]

    def _generic(self, some, found: Prediction, state, taken) -> np.ndarray:
        """What the size does where it is not that of a port: in proportion to what it has done so far."""
        out = np.zeros((len(some), len(taken), 2))
        rows = [k for k, c in enumerate(some) if c.high > c.low and c.suspect.kind in ("supply weak", "sensor drifted")]
        if rows:
            good = self.guess.means(state, taken, lambda phase: [NOTHING])
            share = np.array([(some[k].high - some[k].low) / abs(some[k].size) / np.sqrt(12) for k in rows])
            out[rows, :, 0] = (found.mean[rows] - good) * share[:, None]
        return out

    def _gain(self, taken: Sequence[Observation], mean: np.ndarray) -> np.ndarray:
        """The meter's gain error, which its readings share."""
        return np.broadcast_to(np.array([o.gain * o.value for o in taken])[None, :, None], (*mean.shape, 1))

    def _together(self, seen, mean, moves, variance) -> tuple[np.ndarray, np.ndarray]:
        order = np.argsort(seen, kind="stable")
        seen = np.array(seen)[order]
        plain = self.plain[seen]
        cols, rows = seen[plain], order[plain]
        m = moves[:, rows].astype(float)
        ll, slip = together(self.values[cols], mean[:, cols], m, variance[:, cols], self.slip_density[cols])
        slips = np.zeros((len(mean), len(seen)))
        slips[:, rows] = slip
        if (~plain).any():
            cols, rows = seen[~plain], order[~plain]
            u = np.sqrt(variance[:, cols] + np.square(moves[:, rows]).sum(axis=2))
            part = beyond(self.values[cols], mean[:, cols], u)
            ll = ll + part.sum(axis=1)
            slips[:, rows] = part < np.log(0.1)
        jumps = len({self.numbers[k].spell for k in seen if self.numbers[k].jumps})
        return ll + jumps * np.log(JUMPY), slips

    def _bad(self) -> set[int]:
        """Readings that a healthy machine does not explain."""
        h = self.healthy
        u = np.sqrt(h.variance + np.square(h.moves).sum(axis=2))[0]
        off = np.abs(self.values - h.mean[0]) > 3 * u
        off = np.where(self.plain, off, np.abs(h.mean[0]) < self.values)
        return {int(k) for k in np.flatnonzero(off)} | {k for k, o in enumerate(self.numbers) if o.jumps}

    def _loose(self, seen: Sequence[int], mean: np.ndarray, u: np.ndarray) -> np.ndarray:
        """Log likelihood if the fault comes and goes: in every spell it was there, away, or both."""
        total = np.zeros(len(mean))
        h, bad, seen = self.healthy, self.bad, set(seen)
        h_u = np.sqrt(h.variance + np.square(h.moves).sum(axis=2))
        for members in self.spells:
            members = [k for k in members if k in seen]
            good = self._marginal(members, h.mean, h_u)[0]
            if not bad.intersection(members):
                total += good
                continue
            there = self._marginal(members, mean, u)
            mixed = sum(self._mixed(k, mean[:, k], u[:, k], h.mean[0, k], h_u[0, k]) for k in members)
            away = np.full(len(mean), good)
            some = np.array([there + np.log(PRESENT), away + np.log(AWAY), mixed + np.log(FLICKERS)])
            total += np.logaddexp.reduce(some, axis=0)
        return total

    def _marginal(self, members: Sequence[int], mean: np.ndarray, u: np.ndarray) -> np.ndarray:
        """Log likelihood of readings, each by itself."""
        out = np.zeros(len(mean))
        for k in members:
            slip = 0.01 * self.slip_density[k]
            if not self.plain[k]:
                out += beyond(self.values[k : k + 1], mean[:, k : k + 1], u[:, k : k + 1])[:, 0]
                continue
            with np.errstate(invalid="ignore"):
                z = (self.values[k] - mean[:, k]) / u[:, k]
                density = np.nan_to_num(0.99 * np.exp(-0.5 * z**2) / (np.sqrt(2 * np.pi) * u[:, k]))
            out += np.log(density + slip)
        return out

    def _mixed(self, k: int, mean, u, good: float, good_u: float) -> np.ndarray:
        """Log likelihood of one reading while the fault comes and goes."""
        if not self.plain[k]:
            return np.full(len(mean), np.log(0.5))
        width = np.hypot(np.nan_to_num(u, nan=1.0), good_u)
        mean = np.nan_to_num(mean, nan=good)
        inside = between(self.values[k], np.minimum(mean, good), np.maximum(mean, good), width)
        return np.logaddexp(inside, np.log(0.01 * self.slip_density[k]))

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
        seen = (found.mean[best], found.u[best], found.slips[best])
        h = self.healthy
        healthy = h.mean[0], np.sqrt(h.variance + np.square(h.moves).sum(axis=2))[0]
        mine = np.array([f.loose for f in fits], dtype=int)
        signed = [t for t, (_, sign) in enumerate(self.steps) if sign is not None and sign.event is not None]
        said = found.parts[mine[:, None], np.array(signed, dtype=int)[None], best[:, None]]
        return Verdict(tuple(names), each[-1], tuple(fits), logs[-1], tuple(self.numbers), tuple(self.signs), *seen,
                       healthy, said, float(bits[0]), tuple(trail), found)  # fmt: skip


def _steps(numbers: Sequence[Observation], signs: Sequence[Sign]) -> Iterator[tuple[list[int], Sign | None]]:
    """What came in, in time: the numbers of one event (members), or one sign."""
    stamped = [(-1.0 if s.event is None else s.event.minute, 1, k, s) for k, s in enumerate(signs)]
    together: dict[int, list[int]] = {}
    for k, o in enumerate(numbers):
        together.setdefault(id(o.event), []).append(k)
    stamped += [(numbers[m[0]].event.minute, 0, m[0], m) for m in together.values()]
    for _, kind, _, what in sorted(stamped, key=lambda x: x[:3]):
        yield (what, None) if kind == 0 else ([], what)


def _came_with(stored: Sequence[str], signs: Sequence[Sign]) -> list[Sign]:
    """The codes that came with the machine, as a sign before all others."""
    said = tuple((code, 1.0) for code in stored)
    return [Sign("codes", State("off"), None, said=said)] if stored else []


def _chosen(w: Weighed, rows: np.ndarray) -> Weighed:
    """Some of the cells, which need no more dividing."""
    return Weighed([w.cells[k] for k in rows], w.lasting[rows], w.loose[rows], w.mean[rows], w.u[rows], w.slips[rows],
                   np.zeros(len(rows), dtype=bool), w.history[:, rows], w.parts[:, :, rows])  # fmt: skip


def _both(a: Weighed, b: Weighed) -> Weighed:
    names = ("lasting", "loose", "mean", "u", "slips", "wide")
    joined = (np.concatenate([getattr(a, n), getattr(b, n)]) for n in names)
    history = np.concatenate([a.history, b.history], axis=1)
    return Weighed(a.cells + b.cells, *joined, history, np.concatenate([a.parts, b.parts], axis=2))
