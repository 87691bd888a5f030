"""A machine: its parts, its plugs and its places. A value; nothing changes it in place."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import TYPE_CHECKING

import networkx as nx
import numpy as np

from casekit.error import CircuitError, hint
from casekit.machine.harness import Battery, Contact, KeySwitch, Path, Wire
from casekit.machine.law import Element, Resistor
from casekit.machine.program import Program
from casekit.machine.sensors import (
    HallSwitch,
    InductivePickup,
    Output,
    Potentiometer,
    PressureSensor,
    Sensor,
    Thermistor,
)
from casekit.machine.state import LOAD, State
from casekit.machine.unit import Core, Input, Supply

if TYPE_CHECKING:
    from casekit.machine.faults import Fault

Part = Wire | Contact | Path | KeySwitch | Battery | Core | Supply | Input | Sensor

CHASSIS = "chassis"
# How far parts may lie off the drawing, as half widths and as shares of their values (common practice, no source), and
# the limits of a terminal as shares of its usual resistance.
OUTPUT, LIMIT, LENGTH, TRACK, DRAW, COIL, KELVIN = 0.005, 0.05, 0.03, 0.01, 0.05, 0.05, 1.0
TERMINAL = (0.7, 1.5)
JUMPER_OHM = 0.02  # leads and clips of a jumper; common practice, no source


NO_PROGRAM = Program()


@dataclass(frozen=True)
class Plug:
    """A connector that can be unplugged: in-line, at a sensor or at the control unit (`kind`).

    `harness` are the terminals on wires, `device` the pins behind them; for an in-line connector both halves are
    on wires and `device` holds the far half.
    """

    name: str
    kind: str
    title: str
    where: str
    access_min: float
    harness: tuple[str, ...]
    device: tuple[str, ...]


@dataclass(frozen=True)
class ContactPoint:
    """A place where the harness touches metal, with the wires that pass it and how far along each."""

    name: str
    where: str
    wires: tuple[tuple[str, float], ...]
    access_min: float


@dataclass(frozen=True)
class Engine:
    """Speeds in revolutions a minute, and the number of cylinders."""

    crank_rpm: float = 200.0
    idle_rpm: float = 800.0
    load_rpm: float = 1800.0
    cylinders: int = 4

    def rpm(self, state: State) -> float:
        """The speed in this state; zero with the engine stopped."""
        if state.key == "run":
            return self.load_rpm if LOAD in state.held else self.idle_rpm
        return self.crank_rpm if state.key == "crank" else 0.0


@dataclass(frozen=True)
class Operation:
    """Something the operator can hold: `needs` is the key position, `travel_s` how long it takes to get there."""

    name: str
    title: str
    needs: str
    travel_s: float


@dataclass(frozen=True)
class Machine:
    """Parts and places of one machine.

    `studs` are terminals that are always reachable (ground studs, battery posts, fuse and key switch ends) with their
    access minutes; `earth` is the battery's negative post, the zero of all voltages; `program` is what the control
    unit was programmed to expect; `weights` say how many times as often as usual a kind of fault, or a fault at a
    connector, contact point, sensor or wire, is met on this machine, by experience with it.
    """

    name: str
    title: str
    parts: tuple[Part, ...]
    plugs: tuple[Plug, ...]
    studs: tuple[tuple[str, float], ...]
    contact_points: tuple[ContactPoint, ...]
    plus: str
    earth: str
    engine: Engine = Engine()
    operations: tuple[Operation, ...] = ()
    program: Program = NO_PROGRAM
    weights: tuple[tuple[str, float], ...] = ()

    def elements(self, state: State) -> Iterator[Element]:
        """Everything that conducts in this state, jumpers included."""
        for part in self.parts:
            yield from part.elements(state)
        for a, b in sorted(state.joined):
            yield Resistor(f"jumper {a} {b}", a, b, JUMPER_OHM)

    def phases(self, state: State) -> tuple[tuple[float, State], ...]:
        """The states a dc meter averages over, each with its share of the time: one for every number of Hall switches
        that face a tooth while wheels turn, else the state itself.

        Every switch faces a tooth for its own share of the time; that those with the larger share face one whenever
        the others do is a choice of this model, and matters little: they hardly see each other.
        """
        halls = [p for p in self.parts if isinstance(p, HallSwitch) and p.turns]
        shares = {p.wheel.share for p in halls} if state.turning else set()
        if not shares:
            return ((1.0, state),)
        steps = sorted({0.0, 1.0, *(1 - share for share in shares)})
        return tuple((b - a, replace(state, phase=(a + b) / 2)) for a, b in pairwise(steps))

    def turned(self, state: State, key: str) -> State:
        """The state after the key was turned: what needs the engine is let go when it stops, all else with the key."""
        stay = state.held if key == "run" else {o.name for o in self.operations if o.needs != "run" and key != "off"}
        return replace(state, key=key, held=state.held & stay)

    def drive(self, state: State) -> list[State]:
        """The states a machine comes through on the road: warm, idle first, then with everything it can do."""
        warm = replace(state, key="run", hot=True, held=frozenset())
        names = [*(o.name for o in self.operations), LOAD]
        return [warm, *(replace(warm, held=frozenset({name})) for name in names)]

    def with_fault(self, fault: Fault) -> Machine:
        """A new machine in which `fault` is present; this one stays as it is."""
        return fault.applied(self)

    def part(self, name: str, kind: type | tuple[type, ...]) -> Part:
        """The part of this kind and name. Raises CircuitError when there is none."""
        for part in self.parts:
            if part.name == name and isinstance(part, kind):
                return part
        known = [p.name for p in self.parts if isinstance(p, kind)]
        raise CircuitError(f"{name} is not such a part of {self.name}.{hint(name, known)}")

    def all(self, kind: type | tuple[type, ...]) -> tuple[Part, ...]:
        """All parts of this kind, in file order."""
        return tuple(p for p in self.parts if isinstance(p, kind))

    def replaced(self, old: Part, *new: Part) -> Machine:
        """A new machine in which `new` stand in the place of `old`."""
        parts: list[Part] = []
        for part in self.parts:
            parts += new if part is old else [part]
        return replace(self, parts=tuple(parts))

    def added(self, *new: Part) -> Machine:
        """A new machine with these parts as well."""
        return replace(self, parts=(*self.parts, *new))

    def reachable(self, state: State) -> list[str]:
        """Points a lead can reach: harness terminals, bare pins of what is unplugged, both halves of an in-line
        connector, the studs, and what has been laid bare. Not: splices, and wire under tape."""
        points: list[str] = []
        for plug in self.plugs:
            points += plug.harness
            if plug.kind == "in-line" or plug.name in state.unplugged:
                points += plug.device
        return points + [name for name, _ in self.studs] + sorted(state.bared)

    def copper(self, unplugged: frozenset[str] = frozenset()) -> nx.Graph:
        """Points as nodes, joined by wires and by the contacts of all connectors that are not `unplugged`."""
        graph = nx.Graph()
        graph.add_edges_from((w.a, w.b) for w in self.all(Wire))
        graph.add_edges_from((c.a, c.b) for c in self.all(Contact) if c.connector not in unplugged)
        return graph

    def owner(self, point: str) -> str:
        """The connector or stud a point belongs to."""
        return point if point in dict(self.studs) else point.rsplit(".", 1)[0]

    @property
    def access_min(self) -> dict[str, float]:
        """Minutes to get at every connector, stud and contact point, by name."""
        return {p.name: p.access_min for p in (*self.plugs, *self.contact_points)} | dict(self.studs)

    def splices(self) -> list[str]:
        """Names of the splices: nodes where only wires meet, and more than two of them."""
        ends = Counter(end for wire in self.all(Wire) for end in (wire.a, wire.b))
        known = {end for plug in self.plugs for end in (*plug.harness, *plug.device)} | {name for name, _ in self.studs}
        return [end for end, count in ends.items() if count > 1 and end not in known]

    def plug(self, name: str) -> Plug | None:
        """The connector of this name, or None."""
        return next((p for p in self.plugs if p.name == name), None)

    def contact_point(self, name: str) -> ContactPoint | None:
        """The contact point of this name, or None."""
        return next((p for p in self.contact_points if p.name == name), None)

    def as_built(self, seed: int) -> Machine:
        """One individual of this machine: every part within its tolerance, drawn by `seed`.

        Supplies within their set-point tolerance (rectangular), sensor outputs and tracks within 1 %, thermistors
        within 1 K, terminals from 0.7 to 1.5 times their usual resistance, wires within 3 % in length (spreads other
        than the supply's: common practice, no source).
        """
        rng = np.random.default_rng(seed)

        def near(half_width: float) -> float:
            return 1 + half_width * rng.uniform(-1, 1)

        def output(part: Potentiometer | PressureSensor) -> Output:
            return replace(part.output, high=part.output.high * near(OUTPUT))

        def build(part: Part) -> Part:
            match part:
                case Supply():
                    return replace(
                        part, set_v=part.nominal_v * near(part.tolerance), limit_a=part.limit_a * near(LIMIT)
                    )
                case Wire():
                    return replace(part, length_m=part.length_m * near(LENGTH))
                case Contact():
                    return replace(part, r_ohm=part.r_ohm * rng.uniform(*TERMINAL))
                case Potentiometer():
                    return replace(part, track_ohm=part.track_ohm * near(TRACK), output=output(part))
                case PressureSensor():
                    return replace(part, draw_a=part.draw_a * near(DRAW), output=output(part))
                case HallSwitch():
                    return replace(part, draw_a=part.draw_a * near(DRAW))
                case Thermistor():
                    shift = KELVIN * rng.uniform(-1, 1)
                    return replace(part, at=part.at.shifted(shift))
                case InductivePickup():
                    return replace(part, coil_ohm=part.coil_ohm * near(COIL))
            return part

        return replace(self, parts=tuple(build(p) for p in self.parts))
