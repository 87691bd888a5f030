"""Harness parts: wire, contact, stray path, ground stud, battery, fuse and key switch."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

from casekit.machine.law import Element, Resistor, Source
from casekit.machine.state import State

RHO_20 = 1 / 58  # ohm mm2/m, standard annealed copper at 20 C (IEC 60028)
ALPHA_20 = 0.00393  # 1/K, constant-mass coefficient at 20 C (IEC 60028)


@dataclass(frozen=True)
class Wire:
    """One unbroken conductor between two terminals.

    Resistance follows R = rho20 (1 + alpha (T - 20 C)) L / A with the standard annealed-copper constants
    (IEC 60028: rho20 = 1/58 ohm mm2/m, alpha = 0.00393 /K). A stranded class 5 conductor may be up to 13 % above
    rho L / A (IEC 60228, e.g. 39.0 against 34.5 ohm/km for 0.5 mm2), which `stranding` carries.

    `start` and `stop` say which part of the drawn piece this is (0 and 1 unless a fault has cut it).

    >>> round(Wire("W1", "X1.5", "SP1", length_m=2.0, area_mm2=0.5).r_ohm, 4)
    0.0779
    """

    name: str
    a: str
    b: str
    length_m: float
    area_mm2: float
    colour: str = ""
    temp_c: float = 20.0
    stranding: float = 1.13
    start: float = 0.0
    stop: float = 1.0

    @property
    def r_ohm(self) -> float:
        """Resistance in ohm at `temp_c`."""
        return RHO_20 * (1 + ALPHA_20 * (self.temp_c - 20.0)) * self.stranding * self.length_m / self.area_mm2

    def cut(self, at: float) -> tuple[Wire, Wire]:
        """The two parts left and right of position `at` (0 to 1 along the drawn piece), meeting at one new node."""
        share = (at - self.start) / (self.stop - self.start)
        node = f"{self.name}@{at:g}"
        left = replace(self, b=node, length_m=self.length_m * share, stop=at)
        right = replace(self, a=node, length_m=self.length_m * (1 - share), start=at)
        return left, right

    def elements(self, state: State) -> Iterator[Element]:
        """A resistor between the two ends; the parts of a cut wire carry their span in the name."""
        whole = (self.start, self.stop) == (0.0, 1.0)
        name = self.name if whole else f"{self.name} {self.start:g}-{self.stop:g}"
        yield Resistor(name, self.a, self.b, self.r_ohm)


@dataclass(frozen=True)
class Contact:
    """The mated terminals of one cavity. Unplugging the connector takes it out of the circuit."""

    name: str
    connector: str
    a: str
    b: str
    r_ohm: float

    def elements(self, state: State) -> Iterator[Element]:
        """A resistor while the connector is plugged, nothing while it is not."""
        if self.connector not in state.unplugged:
            yield Resistor(self.name, self.a, self.b, self.r_ohm)


@dataclass(frozen=True)
class Path:
    """A resistance between two nodes: a bolt, a trace, or one that should not be there."""

    name: str
    a: str
    b: str
    r_ohm: float

    def elements(self, state: State) -> Iterator[Element]:
        """A resistor, always."""
        yield Resistor(self.name, self.a, self.b, self.r_ohm)


@dataclass(frozen=True)
class KeySwitch:
    """Closed in every position but `off`."""

    name: str
    a: str
    b: str
    r_ohm: float

    def elements(self, state: State) -> Iterator[Element]:
        """A resistor unless the key is off."""
        if state.key != "off":
            yield Resistor(self.name, self.a, self.b, self.r_ohm)


@dataclass(frozen=True)
class Battery:
    """Battery with charging: `rest_v` with the engine stopped, `run_v` while it runs, behind `r_ohm`.

    The starter pulls it down to `crank_v` at the first compression; while cranking it stays about a third of
    the way back up (shape: common practice, no source).
    """

    name: str
    plus: str
    minus: str
    rest_v: float
    run_v: float
    r_ohm: float
    crank_v: float = 9.6

    @property
    def cranking_v(self) -> float:
        """The mean while the starter turns."""
        return self.crank_v + 0.35 * (self.rest_v - self.crank_v)

    def elements(self, state: State) -> Iterator[Element]:
        """One source, plus against minus."""
        emf = {"run": self.run_v, "crank": self.cranking_v}.get(state.key, self.rest_v)
        yield Source(self.name, self.plus, self.minus, emf, self.r_ohm)
