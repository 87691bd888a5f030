"""Evidence: readings held against every suspect.

In: a drawing, readings and findings from the log. Out: a `Verdict`: which suspects are left, and because of which
reading each other one is not. A suspect is left while some size and place along the wire explains all readings
together within their uncertainty. One fault is assumed: first one that is there all the time; when none such explains
the readings, one that comes and goes, of which a good reading clears nothing.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import networkx as nx
import numpy as np

from casekit.bench.meter import FUNCTIONS, INPUT_OHM, MINMAX_S
from casekit.bench.reading import Finding, Reading
from casekit.circuit.family import Change, Family
from casekit.machine.faults import SupplyDead
from casekit.machine.harness import Contact, Wire
from casekit.machine.law import Element, Resistor, Source
from casekit.machine.machine import Machine
from casekit.machine.sensors import InductivePickup
from casekit.machine.state import State
from casekit.machine.unit import Supply
from casekit.reasoning.suspect import Suspect, suspects

OHMS = ("ohms", "continuity")
COVERAGE = 3.0  # standard uncertainties a reading may lie off
# What component tolerances add to a prediction, as a share and in volt or ohm (common practice, no source).
TOLERANCE = {
    "volts": (0.01, 0.002),
    "millivolts": (0.1, 5e-5),
    "ohms": (0.03, 0.2),
    "continuity": (0.03, 0.2),
}
WATCHED, JUMPS = "watched", "the display jumps"  # readings taken while a loose fault may have come and gone
BEYOND_V = 3.0  # how far above the reading the meter's test current comes from
FLOATING_OHM = 1e6  # seen from its leads, a voltage behind this much is the meter's own doing
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
    readings, and the reason why each other one is not. `loose`: only faults that come and go explain them."""

    left: dict[Suspect, tuple[float, float]]
    reasons: dict[Suspect, Reason | Finding]
    used: int
    loose: bool = False


# What was predicted already of readings taken together: by suspect, size and place, what each would show at the least
# and at the most, and how far off it may lie.
Known = dict[tuple[Reading, ...], dict[tuple, tuple[np.ndarray, np.ndarray, np.ndarray]]]


@dataclass(frozen=True)
class _Leads:
    """What the meter itself is to the circuit, as a part of the machine."""

    name: str
    element: Element

    def elements(self, state: State) -> Iterator[Element]:
        """Its resistor, or the source of its test current."""
        yield self.element


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


def weigh(
    drawing: Machine, readings: Sequence[Reading], findings: Sequence[Finding] = (), also: Sequence[Suspect] = ()
) -> Verdict:
    """Hold all suspects of a drawing, and those named in `also`, against the log.

    Readings without a number, or of ohms on a live circuit, are not used. A contact point found damaged leaves only
    suspects on the damaged wire; one found undamaged clears nothing.
    """
    usable = list(_usable(drawing, readings))
    every = list(dict.fromkeys((*suspects(drawing), *also)))
    known: Known = defaultdict(dict)
    verdict = _weigh(drawing, usable, findings, every, False, known)
    if usable and not verdict.left:
        return _weigh(drawing, usable, findings, [s for s in every if s.kind != "none"], True, known)
    return verdict


def _usable(drawing: Machine, readings: Sequence[Reading]) -> Iterator[Reading]:
    """Readings that can be weighed; a min/max reading counts as two. What was read with something hung on the circuit,
    of a current, or at a pierced wire is not used, nor min/max of a pick-up whose wheel turns."""
    wired = _joined(drawing)
    coils = {wired.get(pin) for coil in drawing.all(InductivePickup) for pin in coil.pins}
    for r in readings:
        if any("@" in point for point in r.state.bared):
            continue
        if r.low is not None and r.state.turning and {wired.get(r.red), wired.get(r.black)} & (coils - {None}):
            continue
        if (
            r.function in TOLERANCE
            and math.isfinite(r.value)
            and not (r.function in OHMS and r.note.startswith("live"))
        ):
            yield r
        elif r.low is not None and r.high is not None and math.isfinite(r.low) and math.isfinite(r.high):
            yield from (replace(r, function="volts", value=value, note=WATCHED) for value in (r.low, r.high))


def _weigh(
    drawing: Machine, usable: Sequence[Reading], findings: Sequence[Finding], every: Sequence[Suspect], loose: bool,
    known: Known,
) -> Verdict:  # fmt: skip
    reasons: dict[Suspect, Reason | Finding] = {}
    cells = [cell for s in every for cell in _cells(s, drawing)]
    for finding in findings:
        if finding.wire is not None:
            for cell in cells:
                if finding.wire not in (cell.suspect.place, cell.suspect.to):
                    reasons.setdefault(cell.suspect, finding)
            cells = [c for c in cells if finding.wire in (c.suspect.place, c.suspect.to)]
    together: dict[tuple, list[Reading]] = defaultdict(list)
    for reading in usable:
        alone = (reading.red, reading.black, reading.shown) if reading.function in OHMS else ()
        together[reading.state, alone].append(reading)
    # What rules out much at little cost comes first: a dead circuit, then many readings at once; ohms one by one.
    groups = sorted(map(tuple, together.values()), key=_order)
    used = len(usable) + sum(f.wire is not None for f in findings)
    left: dict[Suspect, tuple[float, float]] = {}
    for level in range(SPLITS + 1):
        fits = dict.fromkeys(cells, (True, True))
        for taken in groups:
            found = _sift(drawing, taken, list(fits), reasons, loose, known[taken])
            fits = {cell: (fits[cell][0] and sharp, fits[cell][1] and close) for cell, (sharp, close) in found.items()}
        for cell, (sharp, close) in fits.items():
            if sharp or (level == SPLITS and close):
                left.setdefault(cell.suspect, (cell.high, (cell.begin + cell.end) / 2))
        cells = [part for cell in fits if cell.suspect not in left for part in cell.split()]
    return Verdict(left, {s: why for s, why in reasons.items() if s not in left}, used, loose)


def _order(taken: Sequence[Reading]) -> tuple[bool, bool, int]:
    return taken[0].function in OHMS, taken[0].state.key != "off", -len(taken)


def predictions(
    drawing: Machine, state: State, pairs: Sequence[tuple[str, str]], changes: Sequence[Change | Machine]
) -> tuple[np.ndarray, np.ndarray]:
    """(volts, ohms), each changes x pairs, as a meter would show them: averaged where targets turn."""
    found = list(_by_phase(drawing, state, pairs, changes))
    return sum(share * v for share, v, _ in found), sum(share * z for share, _, z in found)


def _by_phase(
    drawing: Machine, state: State, pairs: Sequence[tuple[str, str]], changes: Sequence[Change | Machine]
) -> Iterator[tuple[float, np.ndarray, np.ndarray]]:
    """(share of the time, volts, ohms) of every phase of what turns."""
    plain = [c if isinstance(c, Change) else Change() for c in changes]
    for share, phase in drawing.phases(state):
        v, z = _solved(drawing, phase, pairs, plain)
        for k, change in enumerate(changes):
            if isinstance(change, Machine):
                v[k : k + 1], z[k : k + 1] = _solved(change, phase, pairs, [Change()])
        yield share, v, z


def _solved(
    machine: Machine, state: State, pairs: Sequence[tuple[str, str]], changes: Sequence[Change]
) -> tuple[np.ndarray, np.ndarray]:
    """(volts, ohms) in one phase; a supply that retries at its limit is averaged over its on and off times."""
    family = Family(machine, state, pairs)
    volts, ohms = family.readings(changes)
    for supply in machine.all(Supply):
        if supply.retry is None or not supply.alive:
            continue
        at_limit = np.flatnonzero(family.limited(f"supply {supply.name}", supply.retry.label))
        if len(at_limit):
            dead = Family(machine.with_fault(SupplyDead(supply.name)), state, pairs)
            off, _ = dead.readings([changes[k] for k in at_limit])
            volts[at_limit] = supply.retry.duty * volts[at_limit] + (1 - supply.retry.duty) * off
    return volts, ohms


def expected(
    drawing: Machine, state: State, taken: Sequence[Reading], changes: Sequence[Change | Machine]
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """(what each reading would show at the least, at the most, how far off it may lie), each changes x readings.

    Least and most are the same but for min/max, while wheels turn or a supply shuts and tries again.

    Where the meter's own current decides, it is put into the network: ohms are volts over the test current of the range
    that was shown, and a point that nothing ties down is pulled by the meter's 10 Mohm. Two points that no copper joins
    differ by the tolerances of both.
    """
    shown, allowed = np.empty((2, len(changes), len(taken)))
    wired = _joined(drawing)
    apart = [r.black != drawing.earth and wired.get(r.red, 0) != wired.get(r.black, 1) for r in taken]
    each = [(lead, drawing.earth) for r, two in zip(taken, apart, strict=True) if two for lead in (r.red, r.black)]
    plain = [k for k, r in enumerate(taken) if r.function not in OHMS]
    if plain:
        volts, ohms = predictions(drawing, state, [(taken[k].red, taken[k].black) for k in plain] + each, changes)
        shown[:, plain] = volts[:, : len(plain)]
        levels = iter(np.split(volts[:, len(plain) :], len(each) // 2, axis=1) if each else ())
    for k, r in enumerate(taken):
        if r.function in OHMS:
            # A source that gives the test current of the range just where the reading stands.
            emf_v = BEYOND_V + r.value * _test_a(r)
            meter = Source("meter", r.red, r.black, emf_v, BEYOND_V / _test_a(r))
            volts_on = np.minimum(_with_meter(drawing, state, r, meter, changes), emf_v * (1 - 1e-9))
            shown[:, k] = volts_on * meter.r_ohm / (emf_v - volts_on)
        else:
            loose = np.flatnonzero(ohms[:, plain.index(k)] > FLOATING_OHM)
            if len(loose):
                meter = Resistor("meter", r.red, r.black, INPUT_OHM)
                shown[loose, k] = _with_meter(drawing, state, r, meter, [changes[j] for j in loose])
        allowed[:, k] = allowance(r.function, r.u, shown[:, k])
        if apart[k] and r.function not in OHMS:
            level = TOLERANCE["volts"][0] * np.linalg.norm(next(levels), axis=1)
            allowed[:, k] = np.hypot(allowed[:, k], COVERAGE * level)
    least, most = shown.copy(), shown.copy()
    watched = [k for k, r in enumerate(taken) if r.note == WATCHED]
    pairs = [(taken[k].red, taken[k].black) for k in watched]
    if watched and state.turning:
        phases = [v for _, v, _ in _by_phase(drawing, state, pairs, changes)]
        least[:, watched], most[:, watched] = np.min(phases, axis=0), np.max(phases, axis=0)
    if watched and any(s.retry for s in drawing.all(Supply)):
        for rows, low, high in _retried(drawing, state, pairs, changes):
            where = np.ix_(rows, watched)
            least[where], most[where] = np.minimum(least[where], low), np.maximum(most[where], high)
    return least, most, allowed


def _retried(
    drawing: Machine, state: State, pairs: Sequence[tuple[str, str]], changes: Sequence[Change | Machine]
) -> Iterator[tuple[np.ndarray, np.ndarray, np.ndarray]]:
    """For every supply that shuts and tries again: the changes that make it, and the least and greatest means over the
    windows of min/max, which hold a part of its time on, all of it, or none."""
    plain = [c for c in changes if isinstance(c, Change)]
    rows = np.array([k for k, c in enumerate(changes) if isinstance(c, Change)], dtype=int)
    for supply in drawing.all(Supply):
        if supply.retry is None or not supply.alive or not plain:
            continue
        family = Family(drawing, state, pairs)
        on, _ = family.readings(plain)
        at_limit = np.flatnonzero(family.limited(f"supply {supply.name}", supply.retry.label))
        if len(at_limit):
            dead = Family(drawing.with_fault(SupplyDead(supply.name)), state, pairs)
            off, _ = dead.readings([plain[k] for k in at_limit])
            shares = max(0.0, 1 - supply.retry.off_s / MINMAX_S), min(1.0, supply.retry.on_s / MINMAX_S)
            ends = [off + share * (on[at_limit] - off) for share in shares]
            yield rows[at_limit], np.minimum(*ends), np.maximum(*ends)


def _with_meter(
    drawing: Machine, state: State, r: Reading, meter: Element, changes: Sequence[Change | Machine]
) -> np.ndarray:
    """Volts between the leads of a reading with the meter in the network, one for every change."""
    leads = _Leads("meter", meter)
    changes = [c.added(leads) if isinstance(c, Machine) else c for c in changes]
    volts, ohms = predictions(drawing.added(leads), state, [(r.red, r.black)], changes)
    return (volts * (1 + ohms / INPUT_OHM))[:, 0]  # less the meter that every prediction has anyway


def _test_a(r: Reading) -> float:
    """The meter's test current in the range an ohms reading was shown in."""
    number, unit = r.shown.split(" ")
    decimals = len(number.partition(".")[2])
    return next(x.test_a for x in FUNCTIONS[r.function].ranges if (x.unit, x.decimals) == (unit, decimals))


def _joined(drawing: Machine) -> dict[str, int]:
    """Every point of the harness with the number of the copper it belongs to."""
    copper = nx.Graph()
    copper.add_edges_from((p.a, p.b) for p in drawing.all((Wire, Contact)))
    return {point: k for k, piece in enumerate(nx.connected_components(copper)) for point in piece}


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
    """Four parts of a size range (from a tenth of the upper end where the lower is zero)."""
    if high == low:
        return [(low, high)]
    # Ohms are divided in equal ratios, a drift that may go either way in equal steps.
    knots = np.linspace(low, high, 5) if low < 0 < high else np.geomspace(low or high / 10, high, 5)
    knots[0] = low
    return [(float(a), float(b)) for a, b in pairwise(knots)]


def _sift(
    drawing: Machine, taken: Sequence[Reading], cells: list[_Cell],
    reasons: dict[Suspect, Reason | Finding], loose: bool, known: dict[tuple, tuple[np.ndarray, ...]],
) -> dict[_Cell, tuple[bool, bool]]:  # fmt: skip
    """The cells that may explain all these readings, each with two answers: whether all its corners do, so that
    dividing it further would change nothing, and whether one of them comes close (within twice what is allowed).

    The nearest miss of a suspect that loses all its cells here becomes its reason. A `loose` fault explains what it
    would show while it is there, what a good machine would show while it is away, and where the display jumped or was
    watched for a while anything between the two.
    """
    state = taken[0].state
    keys = list({(c.suspect, size, at): None for c in cells for size, at in c.corners()})
    index = {key: k for k, key in enumerate(keys)}
    fresh = [key for key in keys if key not in known]
    changes = [suspect.change(drawing, state, size, at) for suspect, size, at in fresh]
    known |= dict(zip(fresh, zip(*expected(drawing, state, taken, changes), strict=True), strict=True))
    least, most, allowed = (
        np.array([known[key][k] for key in keys]).reshape(len(keys), len(taken)) for k in range(3)
    )  # fmt: skip
    values = np.array([r.value for r in taken])
    good, away, spread = None, np.full(len(taken), np.inf), np.zeros(len(taken), dtype=bool)
    if loose:
        *good, within = (array[0] for array in expected(drawing, state, taken, [Change()]))
        away = _outside(values, *good) / within
        spread = np.array([r.note in (WATCHED, JUMPS) for r in taken])
    kept: dict[_Cell, tuple[bool, bool]] = {}
    best: dict[Suspect, tuple[float, Reason]] = {}
    for cell in cells:
        rows = [index[cell.suspect, size, at] for size, at in cell.corners()]
        within = allowed[rows].max(axis=0)
        low, high = least[rows].min(axis=0), most[rows].max(axis=0)
        if good is not None:
            low = np.where(spread, np.minimum(low, good[0]), low)
            high = np.where(spread, np.maximum(high, good[1]), high)
        off = np.where(np.isfinite(low), _outside(values, low, high) / within, np.inf)
        off = np.minimum(off, away)
        worst = int(off.argmax())
        if off[worst] <= 1.0:
            worst_of = np.minimum(np.where(spread, 0.0, _outside(values, least[rows], most[rows]) / within), away).max(
                axis=1
            )
            kept[cell] = bool((worst_of <= 1.0).all()), bool((worst_of <= 2.0).any())
        elif cell.suspect not in best or off[worst] < best[cell.suspect][0]:
            best[cell.suspect] = (float(off[worst]), Reason(taken[worst], float(low[worst]), float(high[worst])))
    reasons |= {suspect: why for suspect, (_, why) in best.items()}
    return kept


def _outside(values: np.ndarray, low: np.ndarray, high: np.ndarray) -> np.ndarray:
    """How far values lie outside their limits."""
    return np.maximum(np.maximum(low - values, values - high), 0.0)
