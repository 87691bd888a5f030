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
from casekit.reasoning.belief import entropy_bits, normalised
from casekit.reasoning.expectation import BLUNT, OPEN, Expectations
from casekit.reasoning.likelihood import SLIP, beyond, together
from casekit.reasoning.observation import Observation, Sign, came_with, fresh, observed, steps
from casekit.reasoning.predict import Prediction, Predictor
from casekit.reasoning.prior import LOOSE, LOOSE_KINDS, Cell, cells, presence
from casekit.reasoning.signs import FLOOR, Expected, factor
from casekit.reasoning.suspect import NONE, Suspect, suspects
from casekit.reasoning.verdict import UNLIKELY, Fit, Moment, Verdict, Weighed

HOPELESS = 30.0  # nats behind the best: three slips more than the best needs
DIVIDED, DIVIDED_AT_ONCE = 5, 150  # how often cells are divided, and how many at once
BESIDE = -12.0  # nats: how near the best one cell of a suspect must come for those beside it to matter
SMALL = 3e-4  # the share of belief below which a cell need not be divided
NARROW = 0.7  # a cell is narrow enough when its size moves no reading by more of its uncertainty than this
MANY = 800  # cells from which what is kept for all of them is used
# Of the time that a flickering fault may be there, and how far that share differs from one reading to the next.
SHARES = (0.005, 0.02, 0.06, 0.15, 0.3, 0.5, 0.7, 0.85, 0.94, 0.98, 0.995)
UNEVEN, AT_LEAST = 0.35, 0.004
STEADY, SWING_V = 0.05, 0.1  # a display that stands still although the fault flickers by this much
JUMPY = 1e-4  # a display that jumps although the fault is always there


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
        self.values = np.array([o.value for o in self.numbers])
        self.slip_density = np.array([expect.slip(o) for o in self.numbers])
        self.plain = np.array([not o.beyond for o in self.numbers], dtype=bool)
        self.steps = list(steps(self.numbers, [*came_with(self.stored), *self.signs]))
        spells: dict[tuple, list[int]] = {}
        for k, o in enumerate(self.numbers):
            spells.setdefault((o.spell, o.state), []).append(k)
        self.spells = list(spells.values())
        self.spell_of = {k: n for n, members in enumerate(self.spells) for k in members}
        self.healthy = self._healthy()
        self.bad = self._bad()

    # The whole ------------------------------------------------------------------------------------------------------

    def verdict(self, every: Sequence[Cell], whole: bool = False) -> Verdict:
        """Weigh cells, divide what is left, and say what it comes to."""
        found = self.weighed(list(every), whole=whole)
        for _ in range(DIVIDED):
            coarse = self._coarse(found)
            if not len(coarse):
                break
            split = [found.cells[k].split() for k in coarse]
            # What the signs say hardly depends on where in a cell the truth is.
            said = np.repeat(found.parts[:, :, coarse], [len(s) for s in split], axis=2)
            rest = np.setdiff1d(np.arange(len(found.cells)), coarse)
            finer = self.weighed([part for s in split for part in s], found.history.max(axis=1), said=said)
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
        drawing, `said` are the log factors of signs where they are known.
        """
        n, count = len(every), len(self.numbers)
        mean, variance, shared, sized = np.full((4, n, count), np.nan)
        moves = np.zeros((n, count, self.expect.columns), dtype=np.float32)
        weight = np.log([c.weight for c in every])
        can = np.array([c.suspect.kind in LOOSE_KINDS for c in every], dtype=bool)
        numbers, signs = np.zeros((2, n)), np.zeros((2, n))  # log likelihoods: always there, coming and going
        numbers[1, ~can] = -np.inf
        slips, history = np.zeros((2, n, count)), np.empty((len(self.steps), n))
        parts = np.zeros((2, len(self.steps), n))
        alive, alive_loose, seen = np.arange(n), np.flatnonzero(can), []
        floor, gain, before = weight.max(), np.zeros(n), float(weight.max())
        for t, (members, sign) in enumerate(self.steps):
            if sign is None:
                hurt = any(self.bad.intersection(self.spells[self.spell_of[k]]) for k in members)
                need = np.union1d(alive, alive_loose) if hurt else alive
                taken = [self.numbers[k] for k in members]
                if whole:
                    fresh = self.expect.kept(every, need, taken)
                else:
                    fresh = self.expect.of([every[k] for k in need], taken)
                block = np.ix_(need, members)
                mean[block], variance[block] = fresh.mean, fresh.variance
                shared[block] = np.square(fresh.moves).sum(axis=2)
                sized[block] = np.square(fresh.moves[:, :, -OPEN:]).sum(axis=2)
                dulled = np.maximum(1 - BLUNT**2 * sized[block] / fresh.variance, 1e-9)
                gain[need] += -0.5 * np.log(dulled).sum(axis=1)
                seen += members
                moves[block] = fresh.moves
                now = np.ix_(alive, seen)
                numbers[0, alive], slips[0][now] = self._together(seen, mean[now], moves[now], variance[now])
                now = np.ix_(alive_loose, seen)
                numbers[1, alive_loose], slips[1][now] = self._loose(seen, mean[now], moves[now], variance[now])
                floor += np.log(SLIP * self.slip_density[members]).sum()  # nothing fits worse than nothing but slips
            else:
                need = np.union1d(alive, alive_loose)
                parts[:, t, need] = self._sign(sign, every, need, whole) if said is None else said[:, t, need]
                signs += parts[:, t]
                floor += np.log(FLOOR)
            # What was dropped is not worked out any more: it stays as far behind as it was.
            total = weight + numbers + signs
            here = max(total[0, alive].max(initial=-np.inf), total[1, alive_loose].max(initial=-np.inf))
            here = here if best is None else max(here, best[t])
            gone, gone_loose = np.setdiff1d(np.arange(n), alive), np.setdiff1d(np.flatnonzero(can), alive_loose)
            if np.isfinite(here):
                numbers[0, gone] += here - before
                numbers[1, gone_loose] += here - before
                before = here
            total = numbers + signs
            history[t] = self._score(weight, can, total)
            top = max(history[t].max(initial=-np.inf), floor, -np.inf if best is None else best[t])
            hope = weight + gain + total
            alive = alive[hope[0, alive] > top - HOPELESS]
            alive_loose = alive_loose[hope[1, alive_loose] > top - HOPELESS]
        u = np.sqrt(variance + shared)
        rest = np.maximum(u**2 - sized, 1e-12)
        with np.errstate(invalid="ignore"):
            wide = (np.sqrt(sized / rest) > NARROW).any(axis=1)
        wide &= np.array([c.high > c.low or c.end > c.begin for c in every], dtype=bool)
        total = numbers + signs
        return Weighed(every, total[0], total[1], mean, u, slips, wide, history, gain, parts)

    # Inside ---------------------------------------------------------------------------------------------------------

    def _healthy(self) -> Prediction:
        """What a healthy machine predicts of all readings."""
        none, count = [Cell(NONE, 0.0, 0.0, 0.5, 0.5, "", 1.0)], len(self.numbers)
        mean, variance = np.zeros((2, 1, count))
        moves = np.zeros((1, count, self.expect.columns))
        for members, sign in self.steps:
            if sign is None:
                p = self.expect.of(none, [self.numbers[k] for k in members])
                mean[:, members], variance[:, members], moves[:, members] = p.mean, p.variance, p.moves
        return Prediction(mean, moves, variance)

    def _together(
        self, seen: list[int], mean: np.ndarray, moves: np.ndarray, variance: np.ndarray, steady: bool = True
    ) -> tuple[np.ndarray, np.ndarray]:
        """(log likelihood, chance that each is a slip) of readings; `steady`: the fault does not come and go."""
        order = np.argsort(seen, kind="stable")
        seen = np.array(seen)[order]
        plain = self.plain[seen]
        cols, rows = seen[plain], order[plain]
        moved = moves[:, rows].astype(float)
        log, slip = together(self.values[cols], mean[:, rows], moved, variance[:, rows], self.slip_density[cols])
        slips = np.zeros((len(mean), len(seen)))
        slips[:, rows] = slip
        if (~plain).any():
            cols, rows = seen[~plain], order[~plain]
            u = np.sqrt(variance[:, rows] + np.square(moves[:, rows], dtype=float).sum(axis=2))
            part = beyond(self.values[cols], mean[:, rows], u)
            log = log + part.sum(axis=1)
            slips[:, rows] = part < np.log(0.1)
        if steady:
            log = log + len({self.numbers[k].spell for k in seen if self.numbers[k].jumps}) * np.log(JUMPY)
        return log, slips

    def _bad(self) -> set[int]:
        """Readings that a healthy machine does not explain."""
        h = self.healthy
        u = np.sqrt(h.variance + np.square(h.moves).sum(axis=2))[0]
        off = np.abs(self.values - h.mean[0]) > 3 * u
        off = np.where(self.plain, off, np.abs(h.mean[0]) < self.values)
        return {int(k) for k in np.flatnonzero(off)} | {k for k, o in enumerate(self.numbers) if o.jumps}

    def _loose(
        self, seen: list[int], mean: np.ndarray, moves: np.ndarray, variance: np.ndarray
    ) -> tuple[np.ndarray, np.ndarray]:
        """(log likelihood, chance that each reading is a slip) if the fault comes and goes.

        In a spell that a healthy machine explains it was away, which clears nothing. In every other one it was there,
        away, or flickering, whichever fits best; then all readings are weighed together.
        """
        h, at = self.healthy, {k: n for n, k in enumerate(seen)}
        mean, moves, variance = mean.copy(), moves.copy(), variance.copy()
        good = np.array([k for k in seen if not self.bad.intersection(self.spells[self.spell_of[k]])], dtype=int)
        where = [at[k] for k in good]
        mean[:, where], moves[:, where], variance[:, where] = h.mean[:, good], h.moves[:, good], h.variance[:, good]
        if not len(mean) or len(good) == len(seen):
            log, slips = self._together(seen, mean[:1], moves[:1], variance[:1], False)
            return np.repeat(log, len(mean), axis=0), np.repeat(slips, len(mean), axis=0)
        chances = np.zeros(len(mean))
        for members in self.spells:
            if not self.bad.intersection(members) or not (members := [k for k in members if k in at]):
                continue
            cols = [at[k] for k in members]
            there = mean[:, cols], moves[:, cols], variance[:, cols]
            options = self._options(members, *there)
            best = np.argmax([o[0] for o in options], axis=0)
            chances += np.choose(best, [o[1] for o in options])
            for n, option in enumerate(options):
                rows = np.flatnonzero(best == n)
                block = np.ix_(rows, cols)
                mean[block], moves[block], variance[block] = (x[rows] for x in option[2:])
        log, slips = self._together(seen, mean, moves, variance, False)
        return chances + log, slips

    def _options(self, members: list[int], mean, moves, variance):
        """(log weight, log chance, mean, moves, variance) if the fault was there, away or flickering in a spell."""
        h, n = self.healthy, len(mean)
        away = [np.repeat(x[:, members], n, axis=0) for x in (h.mean, h.moves, h.variance)]
        known = np.isfinite(mean)
        there = [np.where(known, mean, away[0]), np.where(known[..., None], moves, away[1]),
                 np.where(known, variance, away[2])]  # fmt: skip
        chance = np.log(presence(self.numbers[members[0]].state))
        if any(self.numbers[k].jumps for k in members):
            chance[:2] += np.log(JUMPY)
        ends = np.array([self.numbers[k].function in ("low", "high") for k in members])
        low = np.array([self.numbers[k].function == "low" for k in members])
        step = there[0] - away[0]
        made = [(chance[0], *there), (chance[1], *away)]
        # Where it would flicker much a display jumps; one that stands still hardly flickers.
        still = ("low", "high", "inside")
        steady = [n for n, k in enumerate(members) if not (self.numbers[k].jumps or self.numbers[k].function in still)]
        flickers = chance[2] + np.log(STEADY) * (np.abs(step[:, steady]) > SWING_V).any(axis=1)
        for share in SHARES:
            now = away[0] + share * step
            now = np.where(ends, np.where(low, np.minimum(there[0], away[0]), np.maximum(there[0], away[0])), now)
            spread = np.where(ends, UNEVEN / 4, AT_LEAST + UNEVEN * share * (1 - share)) * step
            flicker = away[2] + share * (there[2] - away[2]) + np.square(spread)
            moved = away[1] + share * (there[1] - away[1])
            made.append((flickers - np.log(len(SHARES)), now, moved, flicker))
        u = [np.sqrt(m[3] + np.square(m[2], dtype=float).sum(axis=2)) for m in made]
        marginal = [self._marginal(members, m[1], w) for m, w in zip(made, u, strict=True)]
        return [(m[0] + x, np.broadcast_to(m[0], n), *m[1:]) for m, x in zip(made, marginal, strict=True)]

    def _marginal(self, members: Sequence[int], mean: np.ndarray, u: np.ndarray) -> np.ndarray:
        """Log likelihood of readings, each by itself."""
        out = np.zeros(len(mean))
        for n, k in enumerate(members):
            if not self.plain[k]:
                out += beyond(self.values[k : k + 1], mean[:, n : n + 1], u[:, n : n + 1])[:, 0]
                continue
            z = (self.values[k] - mean[:, n]) / u[:, n]
            usual = np.exp(-0.5 * z**2) / (np.sqrt(2 * np.pi) * u[:, n])
            out += np.log((1 - SLIP) * usual + SLIP * self.slip_density[k])
        return out

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
        h = self.healthy
        healthy = h.mean[0], np.sqrt(h.variance + np.square(h.moves).sum(axis=2))[0]
        signed = [t for t, (_, sign) in enumerate(self.steps) if sign is not None and sign.event is not None]
        said = found.parts[mine[:, None], np.array(signed, dtype=int)[None], best[:, None]]
        return Verdict(tuple(names), each[-1], tuple(fits), logs[-1], tuple(self.numbers), tuple(self.signs), *seen,
                       healthy, said, float(bits[0]), tuple(trail), found)  # fmt: skip


def _chosen(w: Weighed, rows: np.ndarray) -> Weighed:
    """Some of the cells."""
    read = (w.mean[rows], w.u[rows], w.slips[:, rows], w.wide[rows])
    rest = (w.history[:, rows], w.gain[rows], w.parts[:, :, rows])
    return Weighed([w.cells[k] for k in rows], w.lasting[rows], w.loose[rows], *read, *rest)


def _both(a: Weighed, b: Weighed) -> Weighed:
    axes = {"lasting": 0, "loose": 0, "mean": 0, "u": 0, "slips": 1, "wide": 0, "history": 1, "gain": 0, "parts": 2}
    return Weighed(
        a.cells + b.cells, *(np.concatenate([getattr(a, n), getattr(b, n)], axis=k) for n, k in axes.items())
    )
