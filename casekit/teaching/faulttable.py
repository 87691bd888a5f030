"""The fault table: what every fault of a machine shows at every point, worked out once for all its exam items.

In: the name of a machine. Out: a `FaultTable`: faults of a plain size by what a meter reads with each, what the same
kinds of faults of any size could read, and a second way of solving that a table's rows are held against.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import cached_property, lru_cache

import networkx as nx
import numpy as np

from casekit.bench.meter import FUNCTIONS, INPUT_OHM
from casekit.circuit.change import NOTHING, Change
from casekit.circuit.operating_point import OperatingPoint, solve
from casekit.error import CircuitError
from casekit.files import library
from casekit.machine.drawn import drawn
from casekit.machine.harness import Contact, Wire
from casekit.machine.law import Resistor
from casekit.machine.machine import Machine
from casekit.machine.rules import LOGIC_V, View, seen
from casekit.machine.state import State
from casekit.machine.unit import Core, Input, Supply
from casekit.reasoning.evidence import expectations
from casekit.reasoning.predict import Views
from casekit.reasoning.prior import Cell
from casekit.reasoning.suspect import Suspect, suspects
from casekit.reasoning.words import number

ON = State("on")
SIZES = {  # of a fault in a question: plain ones
    "short to ground": (0.5, 2.0), "short to battery": (5.0, 20.0), "high resistance": (200.0, 2000.0),
    "sensor shorted": (2.0, 10.0),
}  # fmt: skip
KINDS = ("open", "high resistance", "short to ground", "short to battery", "supply dead", "sensor shorted")
APART = 0.15  # volt, and four uncertainties: how far what is to be told apart must be
BATTERY_V = 8.0  # volt: above, a wire is one of the battery feed
LIVE_V = 0.3  # above, a point has a voltage of its own to lose
FAINT_V = 0.05  # below, a reading is not asked for as a number: it hangs on terminals
SAME_V = 1e-6  # volt: how near two ways of solving must agree
STEPS, LEAST_OHM = 14, 0.02  # sizes of every suspect that "any size" is tried with, from this one on


class FaultTable:
    """What every fault shows at every point of one machine, key on and everything plugged."""

    def __init__(self, name: str):
        self.name, self.file = name, library.machine_file(name)
        self.drawing = drawn(self.file)
        self.expect = expectations(self.drawing)
        self._solved: dict[int, tuple[Machine, OperatingPoint] | None] = {}

    @cached_property
    def points(self) -> list[str]:
        """Points a lead can reach with everything plugged, but for the black lead's."""
        return [p for p in self.drawing.reachable(ON) if p != self.drawing.earth]

    @cached_property
    def cells(self) -> list[Cell]:
        """Every fault that is asked about, with a plain size: those that leave the control unit its power, as nobody
        would have to weigh a dead one against the others."""
        every, dark = self._plain, self._plain_views.logic_v[1:] < LOGIC_V
        return [cell for cell, dead in zip(every, dark, strict=True) if not dead]

    @cached_property
    def _plain(self) -> list[Cell]:
        """Every fault of a plain size that the drawing allows."""
        rng, made = np.random.default_rng(len(self.name)), []
        for s in suspects(self.drawing):
            if s.kind in KINDS and not self._idle(s):
                low, high = SIZES.get(s.kind, (0.0, 0.0))
                size = float(f"{np.exp(rng.uniform(np.log(low), np.log(high))):.1g}") if low else 0.0
                made.append(Cell(s, size, size, 0.5, 0.5, "", 1.0))
        return made

    @cached_property
    def volts(self) -> np.ndarray:
        """What a meter shows at every point, (1 + faults, points); the first row is of the healthy machine."""
        return self._shown(self._every)

    @cached_property
    def bare(self) -> np.ndarray:
        """What would stand there without a meter, of the same."""
        family = self.expect.guess.family(ON)
        solved = family.solve(self._every(ON))
        return solved.values(family.pick([(p, self.drawing.earth) for p in self.points]))

    @cached_property
    def supplied(self) -> set[str]:
        """Points on the copper of any sensor supply."""
        copper = self.drawing.copper()
        return {n for s in self.drawing.all(Supply) for pin in s.pins for n in net(copper, pin)}

    @cached_property
    def returns(self) -> set[str]:
        """Points on the copper of any sensor return."""
        copper = self.drawing.copper()
        return {n for core in self.drawing.all(Core) for pin in core.returns for n in net(copper, pin)}

    @cached_property
    def grounded(self) -> set[str]:
        """Points on the copper that joins the battery's negative post and the control unit's grounds."""
        copper, core = self.drawing.copper(), self.drawing.all(Core)
        ends = [self.drawing.earth, *(pin for c in core for pin in c.grounds)]
        return {n for end in ends for n in net(copper, end)}

    @cached_property
    def fed(self) -> dict[str, list[str]]:
        """Sensors that hang on every wire and cavity of a supply, by what is behind it."""
        copper, found = self.drawing.copper(), {}
        for part in self.drawing.all((Wire, Contact)):
            if part.a in self.supplied and part.b in self.supplied:
                copper.remove_edge(part.a, part.b)
                behind = net(copper, part.b)
                copper.add_edge(part.a, part.b)
                plugs = [p.name for p in self.drawing.plugs if p.kind == "sensor" and behind & set(p.harness)]
                found[part.name] = sorted(set(plugs), key=by_number)
        return found

    def _idle(self, s: Suspect) -> bool:
        """Whether a short changes nothing, as what it touches is battery or ground already, or is one from post to
        post of the battery, where a fuse goes or a wire burns and the unit has no power."""
        part = next((p for p in self.drawing.all((Wire, Contact)) if p.name == s.place), None)
        if part is None or s.kind not in ("short to battery", "short to ground"):
            return False
        v = self.sound.volts(part.a, self.drawing.earth)
        return v > BATTERY_V or part.a in self.grounded or (s.kind == "short to ground" and abs(v) < FAINT_V)

    @cached_property
    def sound(self) -> OperatingPoint:
        """The sound machine."""
        return solve(self.drawing, ON)

    def moved(self, n: int, by: float) -> np.ndarray:
        """Points at which a fault shows something else than the sound machine, by more than so many volt, or nothing
        that stands still."""
        return np.flatnonzero(np.abs(np.nan_to_num(self.volts[n + 1], nan=np.inf) - self.volts[0]) > by)

    def spared(self, n: int, by: float) -> np.ndarray:
        """Points that a fault leaves as they are on the sound machine, within so many volt; grounds aside."""
        off = np.abs(np.nan_to_num(self.volts[n + 1], nan=np.inf) - self.volts[0])
        return np.flatnonzero((off < by) & (self.volts[0] > LIVE_V))

    def without(self, part: Wire | Contact) -> nx.Graph:
        """The copper of the drawing without a wire or a contact."""
        copper = self.drawing.copper()
        copper.remove_edge(part.a, part.b)
        return copper

    def u(self, volts: np.ndarray | float) -> np.ndarray:
        """What readings may be off for the meter and the tolerances of good parts, standard uncertainties in volt."""
        return np.hypot(FUNCTIONS["volts"].u(volts), 0.01 * np.abs(volts))

    def agrees(self, n: int, points: list[int], metered: bool = False) -> bool:
        """Whether a network built anew with this fault, solved by itself, shows the same at these points: without a
        meter, which one solution tells of all points, and with one at each if asked."""
        earth = self.drawing.earth
        alone = self._alone(n)
        if alone is None:
            return False
        sick, free = alone
        for k in points:
            if not abs(free.volts(self.points[k], earth) - self.bare[n + 1, k]) <= SAME_V:
                return False
            if metered:
                meter = Resistor("meter", self.points[k], earth, INPUT_OHM)
                shown = solve(sick, ON, [meter], free).volts(self.points[k], earth)
                if not abs(shown - self.volts[n + 1, k]) <= SAME_V:
                    return False
        return True

    def _alone(self, n: int) -> tuple[Machine, OperatingPoint] | None:
        """The machine with this fault and its solution, by itself; None where it has none."""
        if n not in self._solved:
            cell = self.cells[n]
            sick = self.drawing.with_fault(cell.suspect.fault(cell.size, cell.at))
            try:
                self._solved[n] = sick, solve(sick, ON)
            except CircuitError:
                self._solved[n] = None
        return self._solved[n]

    def _every(self, state: State) -> list[Change]:
        return _changes(self.drawing, self.cells, state)

    def _shown(self, maker: Callable) -> np.ndarray:
        return self.expect.guess.volts(ON, maker, [(p, self.drawing.earth) for p in self.points])

    # Any size -------------------------------------------------------------------------------------------------------

    @cached_property
    def wide(self) -> tuple[list[Suspect], np.ndarray, np.ndarray]:
        """Suspects, and the least and greatest reading of each at every point between two neighbouring sizes:
        (suspects, steps, points) twice. A fault without a size has steps that are all alike."""
        rows: list[Cell] = []
        for cell in self.cells:
            sizes = cell.suspect.sizes
            low = max(sizes[0], LEAST_OHM)
            grid = np.geomspace(low, sizes[-1], STEPS) if len(sizes) > 1 else np.zeros(STEPS)
            rows += [Cell(cell.suspect, float(r), float(r), 0.5, 0.5, "", 1.0) for r in grid]
        volts = self._shown(lambda state: [c.change(self.drawing, state) for c in rows])
        volts = np.nan_to_num(volts.reshape(len(self.cells), STEPS, -1), nan=np.inf)
        pair = np.stack([volts[:, :-1], volts[:, 1:]])
        return [c.suspect for c in self.cells], pair.min(axis=0), pair.max(axis=0)

    def against(self, read: Sequence[int], shown: Sequence[float]) -> np.ndarray:
        """How far each fault of the table is from readings at some points, whatever its size: (faults, readings) in
        units of what tells two readings apart; a row with nothing above 1 could show them all.

        Of the sizes of a fault the one counts that comes nearest with all readings together.
        """
        _, low, high = self.wide
        v = np.asarray(shown, dtype=float)
        room = 4 * self.u(v) + APART
        off = np.maximum(low[:, :, list(read)] - v, v - high[:, :, list(read)]) / room
        best = off.max(axis=2).argmin(axis=1)
        return np.maximum(off[np.arange(len(off)), best], 0.0)

    # What the control unit says -------------------------------------------------------------------------------------

    @cached_property
    def _plain_views(self) -> Views:
        """What the control unit sees on the sound machine and with every fault that the drawing allows."""
        return self.expect.guess.views(ON, lambda state: _changes(self.drawing, self._plain, state))

    @cached_property
    def _views(self) -> Views:
        """What it sees on the sound machine and with every fault of the table."""
        plain = self._plain_views
        kept = np.r_[True, ~(plain.logic_v[1:] < LOGIC_V)]
        by_name = ({name: v[kept] for name, v in what.items()} for what in (plain.volts, plain.arrives))
        return Views(plain.logic_v[kept], *by_name)

    @cached_property
    def inside(self) -> dict[str, tuple[str, np.ndarray]]:
        """By sensor pin that ends at an input: the channel, and the volts its scan data give, (1 + faults,)."""
        copper, found = self.drawing.copper(), {}
        for channel in self.drawing.program.channels:
            if channel.kind in ("share", "ntc", "platinum") and channel.name in self._views.volts:
                pin = next((f"{i.pin}" for i in self.drawing.all(Input) if i.inside == channel.node), None)
                for point in self.points:
                    if pin and point.rsplit(".", 1)[0] == channel.sensor and point in net(copper, pin):
                        found[point] = channel.name, self._views.volts[channel.name]
        return found

    def codes(self, n: int) -> list[tuple[str, str]]:
        """What the control unit stores with a fault: (code, channel and what it says)."""
        what = View(True, {name: float(v[n + 1]) for name, v in self._views.volts.items()}, {})
        return [(s.code, f"{s.channel}: {s.text}") for s in seen(self.drawing.program, what, ON) if s.code]

    # Words ----------------------------------------------------------------------------------------------------------

    def told(self, n: int) -> str:
        """A fault as a question tells it."""
        cell = self.cells[n]
        s, unit = cell.suspect, "Ω"
        size = f" of {number(cell.size, unit)}" if cell.size else ""
        words = {
            "supply dead": f"Supply {s.place} gives nothing",
            "sensor shorted": f"Sensor {s.place} has an internal short{size}",
            "open": f"{s.place} is open",
        }
        return words.get(s.kind, f"{s.kind.capitalize()}{size} at {s.place}")

    def side(self, n: int, k: int) -> str:
        """Where a lead at a cavity sits that is broken itself: its name alone does not say."""
        place, point = self.cells[n].suspect.place, self.points[k]
        if self.cells[n].suspect.kind not in ("open", "high resistance"):
            return ""
        sides = {place: "harness's side", f"{place}f": "side of the control unit", f"{place}m": "side of the sensors"}
        return f" (the red lead is on the {sides[point]} of it)" if point in sides else ""

    def where(self, k: int) -> str:
        """A point as a question names it, with the black lead's."""
        return f"{self.points[k]} against {self.drawing.earth}"


@lru_cache(maxsize=8)
def fault_table(name: str) -> FaultTable:
    """The table of a machine; kept."""
    return FaultTable(name)


def _changes(drawing: Machine, cells: Sequence[Cell], state: State) -> list[Change]:
    """Nothing, and then every fault."""
    return [NOTHING, *(c.change(drawing, state) for c in cells)]


def net(copper: nx.Graph, point: str) -> set[str]:
    """Points that copper joins to this one."""
    return nx.node_connected_component(copper, point) if point in copper else {point}


def by_number(name: str) -> tuple[str, int]:
    """A key to sort names by their letters and then their number: B2 before B10."""
    letters = name.rstrip("0123456789")
    return letters, int(name[len(letters) :] or 0)
