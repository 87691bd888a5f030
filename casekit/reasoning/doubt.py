"""Doubt: what to think when no single fault on the drawing explains the log.

In: a drawing, a log and its verdict. Out: `Doubt`s, the likeliest first: a wrong reading (which), two faults, a wrong
drawing (which line), each with the measurement that decides.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import product

import numpy as np

from casekit.bench.reading import Event
from casekit.machine.harness import Wire
from casekit.machine.machine import Machine
from casekit.machine.state import State
from casekit.reasoning.alone import alone
from casekit.reasoning.evidence import Weighing, all_cells, expectations, predictor
from casekit.reasoning.hitting import minimal_hitting_sets
from casekit.reasoning.observation import Observation, observed
from casekit.reasoning.pair import BOTH, REDRAWN, Pair, PairCell, ordered
from casekit.reasoning.prior import Cell, cells
from casekit.reasoning.suspect import DRAWING, NONE, Suspect, redrawn, suspects
from casekit.reasoning.verdict import Verdict

SLIPPED = 0.5  # chance from which a reading is taken for a slip
WITHIN = 4.0  # standard uncertainties within which a reading counts as explained
CONTRADICTED = np.log(0.05)  # a sign this much against an explanation speaks against it
TRUSTED = ("driver", "engine", "speeds", "opened", "repaired", "proof", "inside")  # codes may be old
MANY, PAIRS, TOP = 40, 300, 3  # suspects per reading, pairs weighed, doubts named of each kind


@dataclass(frozen=True)
class Doubt:
    """Something that would make sense of the log: `kind` is "wrong reading", "two faults" or "wrong drawing".

    `p` is how likely it is among the doubts; `measure` says what decides.
    """

    kind: str
    what: str
    p: float
    measure: str
    suspect: Suspect | Pair | None = None

    def __str__(self) -> str:
        return f"{self.kind} ({self.p:.0%}): {self.what}; {self.measure} decides."


def explained(verdict: Verdict) -> bool:
    """Whether some single suspect explains the whole log without a slip and without a sign against it."""
    return any(explains(verdict, k) for k in np.argsort(-verdict.log)[:5] if verdict.log[k] > verdict.log.max() - 3)


def explains(verdict: Verdict, k: int) -> bool:
    """Whether suspect number k explains the whole log without a slip and without a sign against it."""
    said = [x for x, sign in zip(verdict.said[k], verdict.signs, strict=True) if sign.kind in TRUSTED]
    return not misfits(verdict, k) and all(x > CONTRADICTED for x in said)


def misfits(verdict: Verdict, k: int) -> list[int]:
    """Numbers that suspect number k does not explain."""
    return [int(n) for n in np.flatnonzero(verdict.slips[k] > SLIPPED)]


@alone
def doubts(drawing: Machine, events: Sequence[Event], stored: Sequence[str], verdict: Verdict) -> list[Doubt]:
    """What would make sense of the log, the likeliest first; nothing when a single suspect on the drawing does."""
    if explained(verdict):
        return []
    best = verdict.log.max()
    found: list[tuple[float, Doubt]] = []
    for k in np.argsort(-verdict.p)[:TOP]:
        wrong = misfits(verdict, int(k))
        if len(wrong) == 1 and verdict.log[k] > best - 7:
            o = verdict.numbers[wrong[0]]
            what = f"{o} does not fit; without it {verdict.suspects[k]} explains the rest"
            doubt = Doubt(
                "wrong reading", what, 0.0, f"the same reading again ({o.function} {o.red})", verdict.suspects[k]
            )
            found.append((float(np.log(verdict.p[k]) + evidence_of(verdict)), doubt))
    pairs = weigh_pairs(drawing, events, stored, verdict)
    if pairs is not None:
        for k in np.argsort(-pairs.p)[: 2 * TOP]:
            pair = pairs.suspects[k]
            if pairs.p[k] < 0.02 or not explains(pairs, int(k)):
                continue
            doubt = Doubt(pair.kind, _says(drawing, pair), 0.0, _decides(drawing, verdict, pairs, int(k)), pair)
            found.append((float(np.log(pairs.p[k]) + evidence_of(pairs)), doubt))
    if not found:
        return []
    score = np.array([s for s, _ in found])
    p = np.exp(score - score.max())
    p /= p.sum()
    ranked = [replace(doubt, p=float(x)) for (_, doubt), x in zip(found, p, strict=True)]
    return sorted(ranked, key=lambda d: -d.p)


@alone
def weigh_pairs(
    drawing: Machine,
    events: Sequence[Event],
    stored: Sequence[str],
    verdict: Verdict,
    most: int = PAIRS,
    also: Sequence[tuple[Suspect, Suspect]] = (),
) -> Verdict | None:
    """Two faults at once, or one fault on a machine that the drawing has wrong, held against a log.

    Every reading that a healthy machine does not explain is a conflict: at least one of the suspects that explain it
    must be there. Candidates are the minimal hitting sets of these conflicts (Reiter 1987), of two at most, and wrong
    drawings beside whatever explains most; and the pairs in `also`. None when there is nothing to weigh.
    """
    numbers, signs = observed(drawing, events)
    weighing = Weighing(expectations(drawing), numbers, signs, stored)
    singles, lines = list(all_cells(drawing)), cells(drawing, redrawn(drawing))
    abnormal = sorted(weighing.readings.bad)
    best: list[dict[Suspect, Cell]] = [_explaining(weighing, singles, n) for n in abnormal]
    chosen: dict[tuple[Suspect, Suspect], None] = {}
    for pair in minimal_hitting_sets([list(b) for b in best], at_most=2) if best else []:
        if len(pair) == 2:
            chosen[ordered(pair)] = None
    some: dict[Suspect, list[Cell]] = {}
    for found in best:
        for suspect, cell in found.items():
            some.setdefault(suspect, []).append(cell)
    ranked = sorted(chosen, key=lambda pair: -sum(c.weight for s in pair for c in some[s][:1]))[:most]
    joint: list[PairCell] = []
    for a, b in ranked:
        for x, y in product(_distinct(some[a]), _distinct(some[b])):
            joint.append(PairCell(x, y, BOTH * x.weight * y.weight))
    if also:
        every = cells(drawing, list(dict.fromkeys([*suspects(drawing), *(s for pair in also for s in pair)])))
        for pair in map(ordered, also):
            if pair not in ranked:
                both = [[c for c in every if c.suspect == s] for s in pair]
                joint += [PairCell(x, y, BOTH * x.weight * y.weight) for x, y in product(*both)]
    good = [k for k in np.argsort(-verdict.log)[:10] if verdict.suspects[k] != NONE]
    mains = [_fitted(singles, verdict, int(k)) for k in good]
    nothing = Cell(NONE, 0.0, 0.0, 0.5, 0.5, "", 0.2)
    for line in lines:
        for main in (nothing, *mains):
            if main.suspect.place != line.suspect.place:
                joint.append(PairCell(line, main, REDRAWN * line.weight * main.weight))
    return weighing.verdict(joint) if joint and len(weighing.steps) else None


# Inside ------------------------------------------------------------------------------------------------------------


def _within(o: Observation, mean: float, u: float) -> bool:
    if not np.isfinite(mean + u):
        return False
    return abs(mean) + WITHIN * u > o.value if o.beyond else abs(o.value - mean) <= WITHIN * u


def evidence_of(verdict: Verdict) -> float:
    """Log likelihood of the whole log, whichever of the suspects it is."""
    return float(np.logaddexp.reduce(verdict.weighed.history[-1]))


def _explaining(weighing: Weighing, singles: list[Cell], n: int) -> dict[Suspect, Cell]:
    """The likeliest suspects that explain one number by themselves, each with its best cell."""
    one = weighing.expect.kept(singles, [weighing.numbers[n]])
    u = np.sqrt(one.variance + np.square(one.moves).sum(axis=2))[:, 0]
    o = weighing.numbers[n]
    fits = np.array([_within(o, m, s) for m, s in zip(one.mean[:, 0], u, strict=True)])
    off = np.abs(o.value - one.mean[:, 0]) / u
    found: dict[Suspect, tuple[float, Cell]] = {}
    for k in np.flatnonzero(fits):
        cell = singles[k]
        score = -0.5 * min(float(off[k]), 4.0) ** 2 - np.log(u[k]) + np.log(cell.weight)
        if cell.suspect not in found or score > found[cell.suspect][0]:
            found[cell.suspect] = (score, cell)
    top = sorted(found.items(), key=lambda x: -x[1][0])[:MANY]
    return {s: cell for s, (_, cell) in top if s != NONE}


def _distinct(some: list[Cell]) -> list[Cell]:
    return list(dict.fromkeys(some))[:3]


def _fitted(singles: list[Cell], verdict: Verdict, k: int) -> Cell:
    """The coarse cell around a suspect's best fit."""
    fit, suspect = verdict.fits[k], verdict.suspects[k]
    mine = [c for c in singles if c.suspect == suspect and c.low <= fit.size <= c.high]
    return max(mine, key=lambda c: (c.spot == fit.spot, c.weight))


def _says(drawing: Machine, pair: Pair) -> str:
    if pair.first.kind not in DRAWING:
        return f"{pair} together explain everything"
    wire = drawing.part(pair.first.place, Wire)
    to = pair.first.to if pair.first.kind == DRAWING[0] else f"a splice in {pair.first.to} that is not drawn"
    head = f"wire {wire.name}, drawn at {wire.a}, may really start at {to}"
    return head + (f"; with {pair.second} that explains everything" if pair.second != NONE else "")


def _decides(drawing: Machine, verdict: Verdict, pairs: Verdict, k: int) -> str:
    """The reading in the last state that a doubt and the best single suspect expect to differ most in."""
    guess, state = predictor(drawing), verdict.numbers[-1].state if verdict.numbers else None
    if state is None or state.key == "off" or state.turning:
        state = State("on")
    one = verdict.weighed.cells[int(verdict.weighed.history[-1].argmax())]
    mine = [c for c in pairs.weighed.cells if c.suspect == pairs.suspects[k]]
    points = [(p, drawing.earth) for p in drawing.reachable(state) if p != drawing.earth]
    shown, _ = guess.family(state).solve([one.change(drawing, state), mine[0].change(drawing, state)]).readings(points)
    apart = np.nan_to_num(np.abs(shown[0] - shown[1]))
    taken = {(o.red, o.black) for o in verdict.numbers if o.state == state}
    best = max(range(len(points)), key=lambda n: apart[n] * (0.5 if points[n] in taken else 1.0))
    a, b = (f"{float(x):.3g} V" for x in shown[:, best])
    return (
        f"volts at {points[best][0]} against {drawing.earth} ({state}), {b} if it is so and {a} if it is "
        f"{verdict.suspects[verdict.best()]},"
    )
