"""Faults: what can be wrong, at which place, of which size. Values; injecting one returns a new machine."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import ClassVar

from casekit.error import CircuitError, hint
from casekit.machine.harness import Contact, Path, Wire
from casekit.machine.machine import CHASSIS, Machine, Plug
from casekit.machine.sensors import Potentiometer, PressureSensor
from casekit.machine.unit import Supply


@dataclass(frozen=True)
class ShortToGround:
    """A wire (`at` 0 to 1 along it) or a cavity touches the chassis through `r_ohm`."""

    kind: ClassVar[str] = "short to ground"
    place: str
    r_ohm: float
    at: float = 0.5

    def applied(self, machine: Machine) -> Machine:
        """The machine with the short in it."""
        machine, node = tapped(machine, self.place, self.at)
        return machine.added(Path(f"{self.kind} {self.place}", node, CHASSIS, self.r_ohm))


@dataclass(frozen=True)
class ShortToBattery:
    """A wire or a cavity touches an unswitched battery wire through `r_ohm`."""

    kind: ClassVar[str] = "short to battery"
    place: str
    r_ohm: float
    at: float = 0.5

    def applied(self, machine: Machine) -> Machine:
        """The machine with the short in it."""
        machine, node = tapped(machine, self.place, self.at)
        return machine.added(Path(f"{self.kind} {self.place}", machine.plus, node, self.r_ohm))


@dataclass(frozen=True)
class ShortBetweenWires:
    """Two wires touch through `r_ohm`, at `at` along the first and `at_to` along the second."""

    kind: ClassVar[str] = "short between wires"
    place: str
    to: str
    r_ohm: float
    at: float = 0.5
    at_to: float = 0.5

    def applied(self, machine: Machine) -> Machine:
        """The machine with the short in it."""
        if self.place == self.to:
            raise CircuitError(f"{self.place} cannot touch itself; name another wire that it touches.")
        machine, first = tapped(machine, self.place, self.at)
        machine, second = tapped(machine, self.to, self.at_to)
        return machine.added(Path(f"{self.kind} {self.place} {self.to}", first, second, self.r_ohm))


@dataclass(frozen=True)
class Open:
    """A wire is broken, or the terminals of a cavity do not touch: nothing conducts there."""

    kind: ClassVar[str] = "open"
    place: str
    at: float = 0.5

    def applied(self, machine: Machine) -> Machine:
        """The machine with that connection gone."""
        contact = _contact(machine, self.place)
        if contact is not None:
            return machine.replaced(contact)
        machine, _, right = _cut(machine, self.place, self.at)
        return machine.replaced(right, replace(right, a=right.a + "'"))


@dataclass(frozen=True)
class HighResistance:
    """A wire or the terminals of a cavity have `r_ohm` more than they should."""

    kind: ClassVar[str] = "high resistance"
    place: str
    r_ohm: float
    at: float = 0.5

    def applied(self, machine: Machine) -> Machine:
        """The machine with that resistance in series."""
        contact = _contact(machine, self.place)
        if contact is not None:
            return machine.replaced(contact, replace(contact, r_ohm=contact.r_ohm + self.r_ohm))
        machine, _, right = _cut(machine, self.place, self.at)
        far = replace(right, a=right.a + "'")
        bridge = Path(f"{self.kind} {self.place}", right.a, far.a, self.r_ohm)
        return machine.replaced(right, bridge, far)


@dataclass(frozen=True)
class SensorShorted:
    """A sensor is shorted inside from its first pin (supply, or signal of a two-wire sensor) to its return."""

    kind: ClassVar[str] = "sensor shorted"
    place: str
    r_ohm: float

    def applied(self, machine: Machine) -> Machine:
        """The machine with the short inside the sensor."""
        plug = _sensor(machine, self.place)
        last = 2 if len(plug.device) >= 3 else 1
        return machine.added(Path(f"{self.kind} {self.place}", plug.device[0], plug.device[last], self.r_ohm))


@dataclass(frozen=True)
class SupplyDead:
    """The regulator gives nothing."""

    kind: ClassVar[str] = "supply dead"
    place: str

    def applied(self, machine: Machine) -> Machine:
        """The machine with that regulator off."""
        supply = machine.part(self.place, Supply)
        return machine.replaced(supply, replace(supply, alive=False))


@dataclass(frozen=True)
class SupplyWeak:
    """The regulator limits at `limit_a`, less than it should."""

    kind: ClassVar[str] = "supply weak"
    place: str
    limit_a: float

    def applied(self, machine: Machine) -> Machine:
        """The machine with that regulator weak; a foldback supply folds back in proportion."""
        supply = machine.part(self.place, Supply)
        short = None if supply.short_a is None else supply.short_a * self.limit_a / supply.limit_a
        return machine.replaced(supply, replace(supply, limit_a=self.limit_a, short_a=short))


@dataclass(frozen=True)
class LeakBetweenCavities:
    """Water in a connector joins two of its cavities through `r_ohm`."""

    kind: ClassVar[str] = "leak between cavities"
    place: str
    to: str
    r_ohm: float

    def applied(self, machine: Machine) -> Machine:
        """The machine with the wet path in it."""
        (first, _), (second, _) = _two_cavities(machine, self.place, self.to)
        return machine.added(Path(f"{self.kind} {self.place} {self.to}", first, second, self.r_ohm))


@dataclass(frozen=True)
class CrossedTerminals:
    """Two terminals of a connector stand in each other's cavity: their wires change places.

    At an in-line connector it is the half away from the control unit that is wrong, elsewhere the harness side.
    """

    kind: ClassVar[str] = "crossed terminals"
    place: str
    to: str

    def applied(self, machine: Machine) -> Machine:
        """The machine with the two wires exchanged."""
        pair = _two_cavities(machine, self.place, self.to)
        inline = machine.plug(_connector(self.place)).kind == "in-line"
        a, b = (device if inline else harness for harness, device in pair)
        other = {a: b, b: a}
        for wire in machine.all(Wire):
            moved = replace(wire, a=other.get(wire.a, wire.a), b=other.get(wire.b, wire.b))
            machine = machine.replaced(wire, moved) if moved != wire else machine
        return machine


@dataclass(frozen=True)
class SensorDrifted:
    """A ranged sensor's output is off by `drift`, a share of its supply (the first track of two)."""

    kind: ClassVar[str] = "sensor drifted"
    place: str
    drift: float

    def applied(self, machine: Machine) -> Machine:
        """The machine with that sensor off."""
        part = _ranged(machine, self.place)
        return machine.replaced(part, replace(part, output=part.output.drifted(self.drift)))


@dataclass(frozen=True)
class SensorDeadSpot:
    """A potentiometer's track is worn through in the `span` of its travel (0 to 1; the first track of two)."""

    kind: ClassVar[str] = "sensor dead spot"
    place: str
    span: tuple[float, float]

    @property
    def middle(self) -> float:
        """The middle of what is worn, as a share of the travel."""
        return (self.span[0] + self.span[1]) / 2

    def applied(self, machine: Machine) -> Machine:
        """The machine with that track worn."""
        part = _ranged(machine, self.place)
        if not isinstance(part, Potentiometer):
            raise CircuitError(f"{self.place} of {machine.name} has no track that could wear; name a potentiometer.")
        if not 0 <= self.span[0] < self.span[1] <= 1:
            raise CircuitError(
                f"the dead spot of {self.place} runs from {self.span[0]:g} to {self.span[1]:g}; give two shares of its "
                "travel between 0 and 1, the smaller first."
            )
        return machine.replaced(part, replace(part, dead=self.span))


@dataclass(frozen=True)
class DrawnOnWrongSplice:
    """The drawing is wrong: the end of wire `place` nearer the control unit is really at the splice `to`."""

    kind: ClassVar[str] = "drawn on the wrong splice"
    place: str
    to: str

    def applied(self, machine: Machine) -> Machine:
        """The machine as it really is."""
        wire, splices = _whole_wire(machine, self.place), _splices(machine)
        if wire.a not in splices:
            raise CircuitError(f"wire {self.place} is not drawn at a splice but at {wire.a}; name a wire that is.")
        if self.to not in splices:
            raise CircuitError(f"{self.to} is not a splice of {machine.name}.{hint(self.to, splices)}")
        return machine.replaced(wire, replace(wire, a=self.to))


@dataclass(frozen=True)
class SpliceNotDrawn:
    """The drawing is wrong: wire `place` really starts from a splice in the wire `to`, `at_to` along it."""

    kind: ClassVar[str] = "splice not drawn"
    place: str
    to: str
    at_to: float = 0.5

    def applied(self, machine: Machine) -> Machine:
        """The machine as it really is."""
        if self.place == self.to:
            raise CircuitError(f"{self.place} cannot start from itself; name the wire it really starts from.")
        _whole_wire(machine, self.to)
        machine, node = tapped(machine, self.to, self.at_to)
        wire = _whole_wire(machine, self.place)
        return machine.replaced(wire, replace(wire, a=node))


Fault = (
    ShortToGround | ShortToBattery | ShortBetweenWires | LeakBetweenCavities | Open | HighResistance | CrossedTerminals
    | SensorShorted | SensorDrifted | SensorDeadSpot | SupplyDead | SupplyWeak | DrawnOnWrongSplice | SpliceNotDrawn
)  # fmt: skip

KINDS = tuple(kind.kind for kind in Fault.__args__)
NO_FAULT = "no fault found"  # what is called when nothing is wrong; not a kind of fault
SENSOR_KINDS = (SensorShorted.kind, SensorDrifted.kind, SensorDeadSpot.kind)
SUPPLY_KINDS = (SupplyDead.kind, SupplyWeak.kind)
DRAWING_KINDS = (DrawnOnWrongSplice.kind, SpliceNotDrawn.kind)


def _sensor(machine: Machine, place: str) -> Plug:
    plug = machine.plug(place)
    if plug is None or plug.kind != "sensor":
        known = [p.name for p in machine.plugs if p.kind == "sensor"]
        raise CircuitError(f"{place} is not a sensor of {machine.name}.{hint(place, known)}")
    return plug


def _ranged(machine: Machine, place: str) -> Potentiometer | PressureSensor:
    """The ranged sensor at this place; the first track of a double potentiometer."""
    kinds = (Potentiometer, PressureSensor)
    found = [p for p in machine.all(kinds) if p.name in (place, f"{place} track 1")]
    if not found:
        raise CircuitError(
            f"{place} is not a potentiometer or pressure sensor of {machine.name}."
            f"{hint(place, [p.name.split()[0] for p in machine.all(kinds)])}"
        )
    return found[0]


def _connector(cavity: str) -> str:
    return cavity.rpartition(".")[0]


def _ends(machine: Machine, cavity: str) -> tuple[str, str] | None:
    """The harness terminal of a cavity and the one behind it, whether or not they touch; None if there is none."""
    plug = machine.plug(_connector(cavity))
    if plug is None:
        return None
    terminal = f"{cavity}f" if plug.kind == "in-line" else cavity
    return next((pair for pair in zip(plug.harness, plug.device, strict=True) if pair[0] == terminal), None)


def _two_cavities(machine: Machine, place: str, to: str) -> list[tuple[str, str]]:
    """The ends of two different cavities of one connector."""
    found = []
    for cavity in (place, to):
        ends = _ends(machine, cavity)
        if ends is None:
            known = [c.name for c in machine.all(Contact)]
            raise CircuitError(f"{cavity} is not a wired cavity of {machine.name}.{hint(cavity, known)}")
        found.append(ends)
    if place == to or _connector(place) != _connector(to):
        raise CircuitError(f"{place} and {to} are not two cavities of one connector; name two of the same one.")
    return found


def _contact(machine: Machine, place: str) -> Contact | None:
    """The contact of a cavity; None when the place is a wire."""
    for contact in machine.all(Contact):
        if contact.name == place:
            return contact
    if _ends(machine, place):
        raise CircuitError(f"the terminals of {place} do not touch already; put the second fault at another place.")
    return None


def _whole_wire(machine: Machine, place: str) -> Wire:
    """The part of a wire nearest the control unit."""
    for wire in machine.all(Wire):
        if wire.name == place and wire.start == 0:
            return wire
    raise CircuitError(f"{place} is not a wire of {machine.name}.{hint(place, [w.name for w in machine.all(Wire)])}")


def _splices(machine: Machine) -> set[str]:
    ends = {end for wire in machine.all(Wire) for end in (wire.a, wire.b)}
    return {end for end in ends if "." not in end and "@" not in end} - {stud for stud, _ in machine.studs}


def _cut(machine: Machine, place: str, at: float) -> tuple[Machine, Wire, Wire]:
    """The machine with a wire in two parts at `at`, and these; where it is in two already, it stays so."""
    parts = [wire for wire in machine.all(Wire) if wire.name == place]
    if not parts:
        known = [p.name for p in machine.all((Wire, Contact))]
        raise CircuitError(f"{place} is not a wire or a cavity of {machine.name}.{hint(place, known)}")
    if not 0 <= at <= 1:
        raise CircuitError(f"{at:g} is not a place along {place}; give a share of its length between 0 and 1.")
    lefts, rights = [w for w in parts if w.stop == at], [w for w in parts if w.start == at]
    if lefts and rights:
        return machine, lefts[0], rights[-1]
    part = next(wire for wire in parts if wire.start <= at <= wire.stop)
    left, right = part.cut(at)
    return machine.replaced(part, left, right), left, right


def tapped(machine: Machine, place: str, at: float) -> tuple[Machine, str]:
    """The machine with a node at this place, and the node: a wire is cut in two there, a cavity has one already.

    At a break it is the end nearer the control unit.
    """
    if ends := _ends(machine, place):
        return machine, ends[0]
    machine, left, _ = _cut(machine, place, at)
    return machine, left.b
