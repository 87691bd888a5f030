"""Evidence: readings held against every suspect.

In: a drawing, readings and findings from the log. Out: a `Verdict`: which suspects are left, and because of which
reading each other one is not. A suspect is left while some size and place along the wire explains all readings
together within their uncertainty. One fault is assumed, present all the time.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from casekit.bench.reading import Finding, Reading
from casekit.circuit.family import Change, Family
from casekit.machine.machine import Machine
from casekit.machine.state import State
from casekit.reasoning.suspect import Suspect, suspects

COVERAGE = 3.0  # standard uncertainties a reading may lie off
# What component tolerances add to a prediction, as a share and in volt or ohm (common practice, no source).
TOLERANCE = {"volts": (0.01, 0.002), "millivolts": (0.1, 5e-5), "ohms": (0.03, 0.2)}
SPLITS = 3  # times a cell of sizes and places is divided before it counts as left


@dataclass(frozen=True)
class Reason:
    """The reading a suspect cannot explain: it would have read between `low` and `high` (SI units)."""

    reading: Reading
    low: float
    high: float

    def __str__(self) -> str:
        r, unit = self.reading, "Ω" if self.reading.unit == "ohm" else "V"
        ends = sorted({f"{x:.3g}" for x in (self.low, self.high)}, key=float)
        return f"{r.red} against {r.black} showed {r.shown}; it would have shown about {' to '.join(ends)} {unit}"


@dataclass(frozen=True)
class Verdict:
    """What the evidence leaves: suspects still possible, each with a size and place along the wire that explains all
    readings, and the reason why each other one is not."""

    left: dict[Suspect, tuple[float, float]]
    reasons: dict[Suspect, Reason | Finding]
    used: int


@dataclass(frozen=True)
class _Cell:
    """A suspect with its size between two values and its place between two shares of the wire."""

    suspect: Suspect
    low: float
    high: float
    begin: float
    end: float

    def corners(self) -> list[tuple[float, float]]:
        return [(s, at) for s in {self.low, self.high} for at in {self.begin, self.end}]

    def split(self) -> list[_Cell]:
        sizes = _between(self.low, self.high)
        ats = sorted({self.begin, (self.begin + self.end) / 2, self.end})
        spans = list(pairwise(ats)) or [(self.begin, self.end)]
        return [replace(self, low=lo, high=hi, begin=a, end=b) for lo, hi in sizes for a, b in spans]


def weigh(drawing: Machine, readings: Sequence[Reading], findings: Sequence[Finding] = ()) -> Verdict:
    """Hold all suspects of a drawing against the log.

    Readings without a number, or of ohms on a live circuit, are not used. A contact point found damaged leaves only
    suspects on the damaged wire; one found undamaged clears nothing.
    """
    usable = [r for r in readings if math.isfinite(r.value) and not (r.function == "ohms" and r.note)]
    reasons: dict[Suspect, Reason | Finding] = {}
    cells = [cell for s in suspects(drawing) for cell in _cells(s, drawing)]
    for finding in findings:
        if finding.wire is not None:
            for cell in cells:
                if finding.wire not in (cell.suspect.place, cell.suspect.to):
                    reasons.setdefault(cell.suspect, finding)
            cells = [c for c in cells if finding.wire in (c.suspect.place, c.suspect.to)]
    by_state: dict[State, list[Reading]] = defaultdict(list)
    for reading in usable:
        by_state[reading.state].append(reading)
    groups = sorted(by_state.items(), key=lambda item: (item[0].key == "off", -len(item[1])))
    left: dict[Suspect, tuple[float, float]] = {}
    for level in range(SPLITS + 1):
        fits = dict.fromkeys(cells, True)
        for state, taken in groups:
            sharp = _sift(drawing, state, taken, list(fits), reasons)
            fits = {cell: fits[cell] and sharp[cell] for cell in sharp}
        for cell, settled in fits.items():
            if settled or level == SPLITS:
                left.setdefault(cell.suspect, (cell.high, (cell.begin + cell.end) / 2))
        cells = [part for cell in fits if cell.suspect not in left for part in cell.split()]
    return Verdict(left, {s: why for s, why in reasons.items() if s not in left}, len(usable))


def predictions(
    drawing: Machine, state: State, pairs: Sequence[tuple[str, str]], changes: Sequence[Change | Machine]
) -> tuple[np.ndarray, np.ndarray]:
    """(volts, ohms), each changes x pairs, as a meter would show them: averaged where targets turn."""
    volts, ohms = [], []
    plain = [c if isinstance(c, Change) else Change() for c in changes]
    for phase in drawing.phases(state):
        v, z = Family(drawing, phase, pairs).readings(plain)
        for k, change in enumerate(changes):
            if isinstance(change, Machine):
                v[k : k + 1], z[k : k + 1] = Family(change, phase, pairs).readings([Change()])
        volts.append(v)
        ohms.append(z)
    return np.mean(volts, axis=0), np.mean(ohms, axis=0)


def allowance(function: str, u: float, predicted: np.ndarray) -> np.ndarray:
    """How far a reading may lie from a prediction: coverage times the combined standard uncertainty."""
    share, floor = TOLERANCE[function]
    return COVERAGE * np.hypot(u, np.hypot(share * predicted, floor))


def _cells(suspect: Suspect, drawing: Machine) -> list[_Cell]:
    ends = (0.02, 0.98) if suspect.spread(drawing) else (0.5, 0.5)
    sizes = suspect.sizes
    pairs = list(pairwise(sizes)) or [(sizes[0], sizes[0])]
    return [_Cell(suspect, lo, hi, *ends) for lo, hi in pairs]


def _between(low: float, high: float) -> list[tuple[float, float]]:
    """Four parts of a size range, equal in ratio (from a tenth of the upper end where the lower is zero)."""
    if high == low:
        return [(low, high)]
    knots = np.geomspace(low or high / 10, high, 5)
    knots[0] = low
    return [(float(a), float(b)) for a, b in pairwise(knots)]


def _sift(
    drawing: Machine, state: State, taken: list[Reading], cells: list[_Cell], reasons: dict[Suspect, Reason | Finding]
) -> dict[_Cell, bool]:
    """The cells that can explain all these readings, and whether dividing them further could still change that.

    The nearest miss of a suspect that loses all its cells here becomes its reason.
    """
    keys = {(c.suspect, size, at): None for c in cells for size, at in c.corners()}
    index = {key: k for k, key in enumerate(keys)}
    changes = [suspect.change(drawing, state, size, at) for suspect, size, at in keys]
    volts, ohms = predictions(drawing, state, [(r.red, r.black) for r in taken], changes)
    shown = np.where([r.function == "ohms" for r in taken], ohms, volts)
    allowed = np.column_stack([allowance(r.function, r.u, shown[:, k]) for k, r in enumerate(taken)])
    values = np.array([r.value for r in taken])
    kept: dict[_Cell, bool] = {}
    best: dict[Suspect, tuple[float, Reason]] = {}
    for cell in cells:
        rows = [index[cell.suspect, size, at] for size, at in cell.corners()]
        corner, within = shown[rows], allowed[rows].max(axis=0)
        low, high = corner.min(axis=0), corner.max(axis=0)
        off = np.where(np.isfinite(low), np.maximum(np.maximum(low - values, values - high), 0.0) / within, np.inf)
        worst = int(off.argmax())
        if off[worst] <= 1.0:
            kept[cell] = bool((np.abs(corner - values) <= within).all())
        elif cell.suspect not in best or off[worst] < best[cell.suspect][0]:
            best[cell.suspect] = (float(off[worst]), Reason(taken[worst], float(low[worst]), float(high[worst])))
    reasons |= {suspect: why for suspect, (_, why) in best.items()}
    return kept
