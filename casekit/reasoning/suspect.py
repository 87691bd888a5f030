"""Suspects: every fault a drawing allows, by kind and place at repair level.

In: a machine as drawn. Out: suspects, each able to say what it would change in a network for a size and a place along
the wire.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import combinations, pairwise

import networkx as nx

from casekit.circuit.change import NOTHING, Change, between, difference, joined, lengthened, moved, opened, spot
from casekit.error import CircuitError
from casekit.machine import faults
from casekit.machine.harness import Contact, Wire
from casekit.machine.machine import CHASSIS, Machine
from casekit.machine.sensors import Potentiometer, PressureSensor
from casekit.machine.state import State
from casekit.machine.unit import Supply

# Sizes between which a fault of each kind is looked for, in ohm (ampere for a weak supply, a share of the supply for a
# drifted sensor, a share of the travel for where a track is worn); every step is taken for as likely as the next
# (common practice, no source).
SHORT_OHM = (0.0, 0.03, 0.2, 1.0, 6.0, 40.0, 300.0, 3000.0)
BATTERY_OHM = (0.0, 1.0, 10.0, 50.0, 300.0, 3000.0)
LEAK_OHM = (30.0, 300.0, 3000.0, 30_000.0)
SERIES_OHM = (1.0, 6.0, 40.0, 300.0, 3000.0, 30_000.0)
LIMIT_A = (0.005, 0.02, 0.05, 0.1, 0.2)
DRIFT = (-0.4, -0.2, -0.1, -0.05, -0.02, 0.02, 0.05, 0.1, 0.2, 0.4)
WORN = tuple(k / 10 for k in range(11))
ON_WIRES = ("short to ground", "short to battery", "open", "high resistance")
STEADY = (*ON_WIRES, "short between wires", "leak between cavities", "sensor shorted", "none")  # alike in all states
DRAWING = faults.DRAWING_KINDS


@dataclass(frozen=True)
class Suspect:
    """A kind of fault at a place; `to` is the other wire, cavity or splice where the kind has one.

    The kind `none` says that nothing is wrong.
    """

    kind: str
    place: str
    to: str = ""

    def __str__(self) -> str:
        if self.kind == "none":
            return "nothing wrong"
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
            case "high resistance":
                return SERIES_OHM
            case "supply weak":
                return LIMIT_A
            case "sensor drifted":
                return DRIFT
            case "sensor dead spot":
                return WORN
        return (0.0,)

    @property
    def worn(self) -> bool:
        """Whether it is a worn track: what that changes depends on where a lever stands."""
        return self.kind == faults.SensorDeadSpot.kind

    def middle(self, low: float, high: float) -> float:
        """The size in the middle of two: of resistances and currents the geometric mean."""
        if low <= 0 or self.kind in ("sensor drifted", "sensor dead spot"):
            return (low + high) / 2
        return math.sqrt(low * high)

    def change(self, drawing: Machine, state: State, size: float = 0.0, at: float = 0.5) -> Change:
        """What this suspect changes in the network of a drawing in a state."""
        match self.kind:
            case "none":
                return NOTHING
            case "leak between cavities":
                ends = [drawing.part(name, Contact).a for name in (self.place, self.to)]
                return joined(*ends, size)
            case "sensor shorted":
                pins = drawing.plug(self.place).device
                return joined(pins[0], pins[min(2, len(pins) - 1)], size)
            case "splice not drawn":
                wire, (far, local) = drawing.part(self.place, Wire), spot(drawing.part(self.to, Wire), at)
                change = moved(wire.name, wire.r_ohm, ((wire.a, 1.0),), far)
                return change + lengthened(wire.name, wire.r_ohm, local) if local else change
            case (
                "supply dead" | "supply weak" | "sensor drifted" | "sensor dead spot" | "crossed terminals"
                | "drawn on the wrong splice"
            ):  # fmt: skip
                return difference(drawing, drawing.with_fault(self.fault(size)), state)
        part = drawing.part(self.place, (Wire, Contact))
        if self.kind in ("open", "high resistance"):  # of an unplugged contact they change nothing
            return opened(part.name) if self.kind == "open" else lengthened(part.name, part.r_ohm, size)
        near, local = spot(part, at)
        if self.kind == "short between wires":
            far, other = spot(drawing.part(self.to, Wire), 0.5)
            return between((*near, *((n, -k) for n, k in far)), size + local + other)
        other = drawing.plus if self.kind == "short to battery" else CHASSIS
        return between((*near, (other, -1.0)), size + local)

    def fault(self, size: float = 0.0, at: float = 0.5) -> faults.Fault:
        """This suspect as a fault of this size at this share of the wire; `none` is no fault."""
        match self.kind:
            case "short to ground":
                return faults.ShortToGround(self.place, size, at)
            case "short to battery":
                return faults.ShortToBattery(self.place, size, at)
            case "short between wires":
                return faults.ShortBetweenWires(self.place, self.to, size, at)
            case "leak between cavities":
                return faults.LeakBetweenCavities(self.place, self.to, size)
            case "open":
                return faults.Open(self.place, at)
            case "high resistance":
                return faults.HighResistance(self.place, size, at)
            case "sensor shorted":
                return faults.SensorShorted(self.place, size)
            case "sensor drifted":
                return faults.SensorDrifted(self.place, size)
            case "sensor dead spot":
                half = (WORN[1] - WORN[0]) / 2
                return faults.SensorDeadSpot(self.place, (max(size - half, 0.0), min(size + half, 1.0)))
            case "supply dead":
                return faults.SupplyDead(self.place)
            case "supply weak":
                return faults.SupplyWeak(self.place, size)
            case "crossed terminals":
                return faults.CrossedTerminals(self.place, self.to)
            case "drawn on the wrong splice":
                return faults.DrawnOnWrongSplice(self.place, self.to)
            case "splice not drawn":
                return faults.SpliceNotDrawn(self.place, self.to, at)
        raise CircuitError(f"{self} is no fault; name one of a kind that a part can have.")


NONE = Suspect("none", "")


def suspects(drawing: Machine) -> tuple[Suspect, ...]:
    """All single faults of a drawing, `none` first."""
    return (NONE, *_all(drawing))


def redrawn(drawing: Machine) -> tuple[Suspect, ...]:
    """All ways the drawing may be wrong about one wire: it starts at another splice of the machine; or, if it carries a
    sensor supply, from a splice that is not drawn, in a wire of another supply."""
    splices, supply = sorted(drawing.splices()), _supplies(drawing)
    wires = [wire for wire in drawing.all(Wire) if wire.a in splices]
    wrong = [
        Suspect("drawn on the wrong splice", wire.name, splice)
        for wire in wires
        for splice in splices if splice not in (wire.a, wire.b)
    ]  # fmt: skip
    missing = [
        Suspect("splice not drawn", wire.name, other.name)
        for wire in wires if wire.a in supply
        for other in drawing.all(Wire) if supply.get(other.a, supply[wire.a]) != supply[wire.a]
    ]  # fmt: skip
    return (*wrong, *missing)


def _supplies(drawing: Machine) -> dict[str, str]:
    """The sensor supply that every point on copper belongs to, by the drawing."""
    copper = drawing.copper()
    pins = {pin: supply.name for supply in drawing.all(Supply) for pin in supply.pins if pin in copper}
    return {end: name for pin, name in pins.items() for end in nx.node_connected_component(copper, pin)}


def _all(drawing: Machine) -> Iterator[Suspect]:
    for part in drawing.all((Wire, Contact)):
        for kind in ON_WIRES:
            yield Suspect(kind, part.name)
    touching = {pair for point in drawing.contact_points for pair in combinations([w for w, _ in point.wires], 2)}
    for pair in sorted(touching):
        yield Suspect("short between wires", *pair)
    for plug in drawing.plugs:
        cavities = [c.name for c in drawing.all(Contact) if c.connector == plug.name]
        for pair in pairwise(cavities):
            yield Suspect("leak between cavities", *pair)
            yield Suspect("crossed terminals", *pair)
        if plug.kind == "sensor":
            yield Suspect("sensor shorted", plug.name)
    for name in dict.fromkeys(p.name.split()[0] for p in drawing.all((Potentiometer, PressureSensor))):
        yield Suspect("sensor drifted", name)
    for name in dict.fromkeys(p.name.split()[0] for p in drawing.all(Potentiometer)):
        yield Suspect("sensor dead spot", name)
    for supply in drawing.all(Supply):
        yield Suspect("supply dead", supply.name)
        yield Suspect("supply weak", supply.name)
