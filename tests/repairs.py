"""Simulated repairs: a fault of a drawn kind, place and size on an individual machine, and what was measured there.

All invented and seeded; what is typed in is what the bench's display showed, so digits and tolerances are in it.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace
from itertools import pairwise

import networkx as nx
import numpy as np

from casekit.bench.bench import Bench
from casekit.bench.meter import Meter
from casekit.bench.reading import Reading
from casekit.bench.sealed import Truth
from casekit.bench.specimen import Specimen
from casekit.files import library
from casekit.machine.drawn import drawn
from casekit.machine.harness import Battery, Contact, Wire
from casekit.machine.machine import Machine
from casekit.machine.sensors import Potentiometer, PressureSensor, Thermistor
from casekit.machine.state import State
from casekit.machine.unit import Supply
from casekit.reasoning.observation import Observation, observed
from casekit.reasoning.spread import BATTERY, ENGINE_KELVIN, OPERATING
from casekit.reasoning.suspect import Suspect, suspects
from casekit.teaching.bay import Bay
from casekit.teaching.typed import typed

SIZES = {
    "short to ground": (0.5, 300.0), "short to battery": (20.0, 3000.0), "high resistance": (20.0, 3000.0),
    "leak between cavities": (100.0, 5000.0), "sensor shorted": (5.0, 300.0), "sensor drifted": (0.03, 0.2),
    "supply weak": (0.01, 0.05),
}  # fmt: skip
MINUS = "\u2212"  # as the display has it
READ = 8  # points, those next to what is faulty among them


@dataclass(frozen=True)
class Repair:
    """The drawing, the true fault, its size and place, and what was typed in."""

    drawing: Machine
    suspect: Suspect
    size: float
    at: float
    numbers: tuple[Observation, ...]
    bay: Bay
    wrong: Reading | None


def repair(number: int, written: Callable[[str], str] = str) -> Repair:
    """Simulated repair of this number. `written` is how a display is written down: the first that it changes, from one
    of the readings on that is drawn by chance, is the wrong one."""
    rng = np.random.default_rng([number, 7])
    names = library.names("machines")
    name = names[number % len(names)]
    plan = drawn(library.machine_file(name))
    kinds = list(SIZES)
    kind = kinds[int(rng.integers(len(kinds)))]
    some = [s for s in suspects(plan) if s.kind == kind]
    suspect = some[int(rng.integers(len(some)))]
    low, high = SIZES[kind]
    size, at = float(np.exp(rng.uniform(np.log(low), np.log(high)))), float(rng.uniform(0.05, 0.95))
    built = _operated(plan.as_built(number), rng)
    meter = Meter(rng.uniform(-1, 1), rng.uniform(-1, 1))
    specimen = Specimen(built, (suspect.fault(size, at),), meter, number)
    wrong = None
    bench, bay = Bench(plan, Truth(specimen)), Bay(library.machine_file(name), (), {})
    bench.key("on")
    bay.key("on")
    for point in _points(plan, suspect, rng):
        shown = as_read = bench.volts(point, plan.earth).shown
        if wrong is None and len(bay.events) > number % READ:
            shown = written(shown)
        typed(bay, f"volts {point} {plan.earth} {shown}")
        wrong = bay.events[-1] if shown != as_read else wrong
    return Repair(plan, suspect, size, at, tuple(observed(plan, bay.events)[0]), bay, wrong)


def transposed(shown: str) -> str:
    """Two digits beside each other changed places, the first that differ: 0.311 V as 0.131 V."""
    for k, (a, b) in enumerate(pairwise(shown)):
        if a.isdigit() and b.isdigit() and a != b:
            return f"{shown[:k]}{b}{a}{shown[k + 2 :]}"
    return shown


def misplaced(shown: str) -> str:
    """The decimal point a place too far right: 0.311 V as 03.11 V; too far left where that is beyond 60 V."""
    value, unit = shown.split()
    amount = float(value.replace(MINUS, "-"))
    by = 10 if abs(amount) < 6 else 0.1
    return f"{by * amount:.{len(value.partition('.')[2])}f} {unit}" if amount else shown


def doubled(shown: str) -> str:
    """Twice as high, and a volt more."""
    return f"{2 * float(shown.split()[0].replace(MINUS, '-')) + 1:.3f}"


def unsigned(shown: str) -> str:
    """The sign lost, or one where there was none."""
    if not any(c in shown for c in "123456789"):
        return shown
    return shown[1:] if shown[0] in f"-{MINUS}" else f"-{shown}"


def _operated(built: Machine, rng) -> Machine:
    """The individual at operating values that are off by what the reasoning takes for their standard uncertainty."""
    off, parts = {}, []
    for part in built.parts:
        by = off.setdefault(part.name.split()[0], rng.normal()) if hasattr(part, "name") else 0.0
        match part:
            case Potentiometer() | PressureSensor():
                out = part.output
                part = replace(part, output=out.drifted(OPERATING * abs(out.high - out.low) * by))
            case Thermistor():
                part = replace(part, at=part.at.shifted(ENGINE_KELVIN * by))
            case Battery():
                part = replace(part, rest_v=part.rest_v * (1 + BATTERY * by), run_v=part.run_v * (1 + BATTERY * by))
        parts.append(part)
    return replace(built, parts=tuple(parts))


def _points(plan: Machine, suspect: Suspect, rng) -> list[str]:
    """Points to probe: those of the part itself or next to it, then others on its copper, then elsewhere."""
    copper, own, near = plan.copper(), [], []
    known = [p for p in plan.reachable(State("on")) if p != plan.earth]
    places = {suspect.place, suspect.to} - {""}
    ends = [end for part in plan.all((Wire, Contact)) if part.name in places for end in (part.a, part.b)]
    ends += [pin for plug in plan.plugs if plug.name in places for pin in plug.harness]
    ends += [pin for supply in plan.all(Supply) if supply.name in places for pin in supply.pins]
    for end in ends:
        steps = nx.single_source_shortest_path_length(copper, end) if end in copper else {}
        mine = sorted((p for p in known if p in steps), key=steps.get)
        own += mine[:1]
        near += mine[1:]
    chosen = list(dict.fromkeys(own))
    for some in (near, known):
        rest = [p for p in dict.fromkeys(some) if p not in chosen]
        chosen += [str(p) for p in rng.permutation(rest)[: max(0, READ - len(chosen))]]
    return chosen
