"""Faults: what can be wrong, at which place, of which size. Values; injecting one returns a new machine."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import ClassVar

from casekit.error import CircuitError, hint
from casekit.machine.harness import Contact, Path, Wire
from casekit.machine.machine import CHASSIS, Machine
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
        machine, node = _tap(machine, self.place, self.at)
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
        machine, node = _tap(machine, self.place, self.at)
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
        machine, first = _tap(machine, self.place, self.at)
        machine, second = _tap(machine, self.to, self.at_to)
        return machine.added(Path(f"{self.kind} {self.place} {self.to}", first, second, self.r_ohm))


@dataclass(frozen=True)
class Open:
    """A wire is broken, or the terminals of a cavity do not touch: nothing conducts there."""

    kind: ClassVar[str] = "open"
    place: str
    at: float = 0.5

    def applied(self, machine: Machine) -> Machine:
        """The machine with that connection gone."""
        part = _wire_or_contact(machine, self.place, self.at)
        if isinstance(part, Contact):
            return machine.replaced(part)
        left, right = part.cut(self.at)
        return machine.replaced(part, left, replace(right, a=right.a + "'"))


@dataclass(frozen=True)
class HighResistance:
    """A wire or the terminals of a cavity have `r_ohm` more than they should."""

    kind: ClassVar[str] = "high resistance"
    place: str
    r_ohm: float
    at: float = 0.5

    def applied(self, machine: Machine) -> Machine:
        """The machine with that resistance in series."""
        part = _wire_or_contact(machine, self.place, self.at)
        if isinstance(part, Contact):
            return machine.replaced(part, replace(part, r_ohm=part.r_ohm + self.r_ohm))
        left, right = part.cut(self.at)
        far = replace(right, a=right.a + "'")
        bridge = Path(f"{self.kind} {self.place}", left.b, far.a, self.r_ohm)
        return machine.replaced(part, left, bridge, far)


@dataclass(frozen=True)
class SensorShorted:
    """A sensor is shorted inside from its first pin (supply, or signal of a two-wire sensor) to its return."""

    kind: ClassVar[str] = "sensor shorted"
    place: str
    r_ohm: float

    def applied(self, machine: Machine) -> Machine:
        """The machine with the short inside the sensor."""
        plug = machine.plug(self.place)
        if plug is None or plug.kind != "sensor":
            known = [p.name for p in machine.plugs if p.kind == "sensor"]
            raise CircuitError(f"{self.place} is not a sensor of {machine.name}.{hint(self.place, known)}")
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


Fault = (
    ShortToGround | ShortToBattery | ShortBetweenWires | Open | HighResistance | SensorShorted | SupplyDead | SupplyWeak
)

KINDS = tuple(
    kind.kind
    for kind in (
        ShortToGround, ShortToBattery, ShortBetweenWires, Open, HighResistance, SensorShorted, SupplyDead, SupplyWeak
    )
)  # fmt: skip


def _wire_or_contact(machine: Machine, place: str, at: float) -> Wire | Contact:
    """The wire part around `at`, or the contact of a cavity."""
    for part in machine.parts:
        if part.name == place and isinstance(part, Contact):
            return part
        if part.name == place and isinstance(part, Wire) and part.start <= at <= part.stop:
            return part
    known = [p.name for p in machine.all((Wire, Contact))]
    raise CircuitError(f"{place} is not a wire or a cavity of {machine.name}.{hint(place, known)}")


def _tap(machine: Machine, place: str, at: float) -> tuple[Machine, str]:
    """The machine with a node at this place, and the node: a wire is cut in two there, a cavity has one already."""
    part = _wire_or_contact(machine, place, at)
    if isinstance(part, Contact):
        return machine, part.a
    left, right = part.cut(at)
    return machine.replaced(part, left, right), left.b
