"""Suspects: every single fault a drawing allows, by kind and place at repair level.

In: a machine as drawn. Out: suspects, each able to say what it would change in a network.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise

from casekit.circuit.family import Change
from casekit.machine.faults import CrossedTerminals, SensorDrifted, SupplyDead, SupplyWeak
from casekit.machine.harness import Contact, Wire
from casekit.machine.machine import CHASSIS, Machine
from casekit.machine.state import State
from casekit.machine.unit import Supply

# Sizes between which a fault of each kind is looked for, in ohm (ampere for a weak supply).
SHORT_OHM = (0.0, 0.03, 0.2, 1.0, 6.0, 40.0, 300.0, 3000.0)
BATTERY_OHM = (0.0, 1.0, 10.0, 50.0, 300.0)
LEAK_OHM = (30.0, 300.0, 3000.0, 30_000.0)
DRIFT = (-0.4, -0.1, -0.02, 0.02, 0.1, 0.4)
SERIES_OHM = (1.0, 6.0, 40.0, 300.0, 3000.0)
LIMIT_A = (0.005, 0.02, 0.05, 0.1, 0.2)


@dataclass(frozen=True)
class Suspect:
    """A kind of fault at a place; `to` is the second wire of a short between wires."""

    kind: str
    place: str
    to: str = ""

    def __str__(self) -> str:
        return f"{self.kind} at {self.place}" + (f" (to {self.to})" if self.to else "")

    @property
    def sizes(self) -> tuple[float, ...]:
        """Sizes that bound the search; one alone for a fault without a size."""
        match self.kind:
            case "short to ground" | "short between wires" | "sensor shorted":
                return SHORT_OHM
            case "short to battery":
                return BATTERY_OHM
            case "leak between cavities":
                return LEAK_OHM
            case "sensor drifted":
                return DRIFT
            case "high resistance":
                return SERIES_OHM
            case "supply weak":
                return LIMIT_A
        return (0.0,)

    def spread(self, drawing: Machine) -> bool:
        """Whether it matters where along the wire the fault sits (a short; not a break)."""
        return self.kind.startswith("short") and any(w.name == self.place for w in drawing.all(Wire))

    def change(self, drawing: Machine, state: State, size: float, at: float) -> Change | Machine:
        """What this suspect changes: a rank-one change, or a machine of its own for a bad supply."""
        match self.kind:
            case "supply dead":
                return drawing.with_fault(SupplyDead(self.place))
            case "supply weak":
                return drawing.with_fault(SupplyWeak(self.place, size))
            case "sensor drifted":
                return drawing.with_fault(SensorDrifted(self.place, size))
            case "crossed terminals":
                return drawing.with_fault(CrossedTerminals(self.place, self.to))
            case "leak between cavities":
                ends = [drawing.part(name, Contact).a for name in (self.place, self.to)]
                return Change(((ends[0], 1.0), (ends[1], -1.0)), e=size)
            case "none":
                return Change()
            case "sensor shorted":
                pins = drawing.plug(self.place).device
                return Change(((pins[0], 1.0), (pins[min(2, len(pins) - 1)], -1.0)), e=size)
        part = drawing.part(self.place, (Wire, Contact))
        if self.kind in ("open", "high resistance"):
            if isinstance(part, Contact) and part.connector in state.unplugged:
                return Change()
            return Change(branch=part.name, e=0.0 if self.kind == "open" else -1 / size)
        near, local = _spot(part, at)
        if self.kind == "short between wires":
            far, other = _spot(drawing.part(self.to, Wire), 0.5)
            return Change((*near, *((n, -k) for n, k in far)), e=size + local + other)
        far = drawing.plus if self.kind == "short to battery" else CHASSIS
        return Change((*near, (far, -1.0)), e=size + local)


def suspects(drawing: Machine) -> tuple[Suspect, ...]:
    """All suspects of a drawing, `none` (nothing is wrong now) first.

    Crossed terminals and drifted sensors are not among them: each is a network of its own, and they are weighed only
    when they are named.
    """
    return (Suspect("none", ""), *_all(drawing))


def _all(drawing: Machine) -> Iterator[Suspect]:
    for part in drawing.all((Wire, Contact)):
        for kind in ("short to ground", "short to battery", "open", "high resistance"):
            yield Suspect(kind, part.name)
    for point in drawing.contact_points:
        wires = [w for w, _ in point.wires]
        for k, wire in enumerate(wires):
            for other in wires[k + 1 :]:
                yield Suspect("short between wires", wire, other)
    for plug in drawing.plugs:
        cavities = [c.name for c in drawing.all(Contact) if c.connector == plug.name]
        for name, neighbour in pairwise(cavities):
            yield Suspect("leak between cavities", name, neighbour)
        if plug.kind == "sensor":
            yield Suspect("sensor shorted", plug.name)
    for supply in drawing.all(Supply):
        yield Suspect("supply dead", supply.name)
        yield Suspect("supply weak", supply.name)


def _spot(part: Wire | Contact, at: float) -> tuple[tuple[tuple[str, float], ...], float]:
    """A point along a wire as weights of its two ends, and the resistance that adds at the point itself."""
    if isinstance(part, Contact):
        return ((part.a, 1.0),), 0.0
    return ((part.a, 1 - at), (part.b, at)), at * (1 - at) * part.r_ohm
