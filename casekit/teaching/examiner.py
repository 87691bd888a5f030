"""The examiner: makes exam items of one machine, from the same physics as the bench.

In: a machine, and a number. Out: an `Item`, or None where that number draws none that is fair: one right answer, and
wrong ones that a named wrong idea leads to and that no instrument takes for the right one.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import cached_property, lru_cache

import networkx as nx
import numpy as np

from casekit.bench.meter import FUNCTIONS, INPUT_OHM
from casekit.circuit.change import NOTHING
from casekit.circuit.operating_point import OperatingPoint, solve
from casekit.error import CircuitError
from casekit.files import library
from casekit.machine.drawn import drawn
from casekit.machine.harness import Contact, Wire
from casekit.machine.law import Resistor
from casekit.machine.machine import Machine
from casekit.machine.state import State
from casekit.machine.unit import Supply
from casekit.reasoning.evidence import expectations
from casekit.reasoning.prior import Cell
from casekit.reasoning.suspect import Suspect, suspects
from casekit.reasoning.words import number
from casekit.teaching.ability import BATTERY, EXPLAIN, GROUND, OPENS, RESISTANCE, SHARES
from casekit.teaching.item import Item, Option, listed, shuffled

ON = State("on")
SIZES = {  # of a fault in a question: plain ones
    "short to ground": (0.5, 2.0), "short to battery": (5.0, 20.0), "high resistance": (200.0, 2000.0),
    "sensor shorted": (2.0, 10.0),
}  # fmt: skip
KINDS = ("open", "high resistance", "short to ground", "short to battery", "supply dead", "sensor shorted")
APART = 0.15  # volt, and four uncertainties: how far options must be from each other
BATTERY_V = 8.0  # volt: above, a wire is one of the battery feed
FAINT_V = 0.05  # below, a reading is not asked for as a number: it hangs on terminals
SURE = 0.02  # what a value may be off and still be right, as a share, beside 50 mV


class Examiner:
    """Items of one machine. What every fault shows at every point is worked out once."""

    def __init__(self, name: str):
        self.name, self.file = name, library.machine_file(name)
        self.drawing = drawn(self.file)
        self.expect = expectations(self.drawing)
        self._solved: dict[int, tuple[Machine, OperatingPoint] | None] = {}

    def item(self, kind: str, number: int) -> Item | None:
        """The item of this kind that a number draws; None when it draws none that is fair."""
        rng = np.random.default_rng([number, *kind.encode(), *self.name.encode()])
        return MAKERS[kind](self, f"{kind}-{self.name}-{number}", rng)

    # What everything shows ------------------------------------------------------------------------------------------

    @cached_property
    def points(self) -> list[str]:
        """Points a lead can reach with everything plugged, but for the black lead's."""
        return [p for p in self.drawing.reachable(ON) if p != self.drawing.earth]

    @cached_property
    def cells(self) -> list[Cell]:
        """Every fault that is asked about, with a plain size."""
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
        return self._shown(lambda state: [NOTHING, *(c.change(self.drawing, state) for c in self.cells)])

    @cached_property
    def bare(self) -> np.ndarray:
        """What would stand there without a meter, of the same."""
        family = self.expect.guess.family(ON)
        solved = family.solve([NOTHING, *(c.change(self.drawing, ON) for c in self.cells)])
        return solved.values(family.pick([(p, self.drawing.earth) for p in self.points]))

    @cached_property
    def fed(self) -> dict[str, list[str]]:
        """Sensors that hang on every wire and cavity of a supply, by what is behind it."""
        copper, found = self.drawing.copper(), {}
        supplied = {n for s in self.drawing.all(Supply) for pin in s.pins for n in _net(copper, pin)}
        for part in self.drawing.all((Wire, Contact)):
            if part.a in supplied and part.b in supplied:
                copper.remove_edge(part.a, part.b)
                behind = _net(copper, part.b)
                copper.add_edge(part.a, part.b)
                plugs = [p.name for p in self.drawing.plugs if p.kind == "sensor" and behind & set(p.harness)]
                found[part.name] = sorted(set(plugs), key=_natural)
        return found

    def _idle(self, s: Suspect) -> bool:
        """Whether a short changes nothing, as what it touches is battery or ground already."""
        wall = {"short to battery": lambda v: v > BATTERY_V, "short to ground": lambda v: abs(v) < FAINT_V}.get(s.kind)
        part = next((p for p in self.drawing.all((Wire, Contact)) if p.name == s.place), None)
        return bool(wall and part) and wall(self._sound.volts(part.a, self.drawing.earth))

    @cached_property
    def _sound(self) -> OperatingPoint:
        return solve(self.drawing, ON)

    def u(self, volts: float) -> float:
        """What a reading may be off for the meter and the tolerances of good parts, standard uncertainty in volt."""
        kind = FUNCTIONS["volts"]
        step = kind.ranges[kind.number(volts)].step
        return float(np.hypot((kind.share * abs(volts) + kind.counts * step) / np.sqrt(3), 0.01 * abs(volts)))

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

    def _shown(self, maker: Callable) -> np.ndarray:
        return self.expect.guess.volts(ON, maker, [(p, self.drawing.earth) for p in self.points])

    # Questions ------------------------------------------------------------------------------------------------------

    def reading(self, key: str, rng) -> Item | None:
        """What will this read?"""
        n, k = int(rng.integers(len(self.cells))), int(rng.integers(len(self.points)))
        cell, point, v = self.cells[n], self.points[k], float(self.volts[n + 1, k])
        good = float(self.volts[0, k])
        if not np.isfinite(v) or abs(v - good) < APART:
            return None
        ideas = self._ideas(n, k, v, good)
        wrong = _apart(v, ideas, self.u)
        if len(wrong) < 2 or not self.agrees(n, [k], metered=True):
            return None
        fault = _told(cell)
        where = f"{point} against {self.drawing.earth}"
        ask = f"{fault}, key on, everything plugged. What does a 10 MΩ meter show at {where}?"
        because = (
            f"On the sound machine {point} reads {number(good, 'V')}. {_why(cell, v, good)} The circuit gives "
            f"{number(v, 'V')}."
        )
        rings = ((point, "?"),)
        if rng.random() < 0.3 and abs(v) > FAINT_V:
            within = max(0.05, SURE * abs(v))
            far = tuple((w, idea) for w, idea in wrong if abs(w - v) > 2 * within)
            if far:
                asked = Item(key, "reading", "number", ABILITY[cell.suspect.kind], self.name, ask)
                return replace(asked, value=round(v, 4), unit="V", within=round(within, 3), wrong=far,
                               because=because, rings=rings)  # fmt: skip
        some = [Option(number(v, "V"))] + [Option(number(w, "V"), idea) for w, idea in wrong[:3]]
        order = sorted(range(len(some)), key=lambda j: ([v] + [w for w, _ in wrong[:3]])[j])
        options = tuple(some[j] for j in order)
        return Item(key, "reading", "choice", ABILITY[cell.suspect.kind], self.name, ask, options=options,
                    right=order.index(0), because=because, rings=rings)  # fmt: skip

    def explains(self, key: str, rng) -> Item | None:
        """Which fault explains these readings?"""
        n = int(rng.integers(len(self.cells)))
        row, good = self.volts[n + 1], self.volts[0]
        odd = [k for k in range(len(self.points)) if np.isfinite(row[k]) and abs(row[k] - good[k]) > APART]
        even = [
            k for k in range(len(self.points)) if np.isfinite(row[k]) and abs(row[k] - good[k]) < 0.02 and good[k] > 1
        ]
        if len(odd) < 1 or len(even) < 2:
            return None
        read = [int(k) for k in rng.choice(odd, min(2, len(odd)), replace=False)]
        read += [int(k) for k in rng.choice(even, 2, replace=False)]
        true = self.cells[n].suspect
        # Faults that some reading speaks against, by more than any instrument is off.
        off = np.abs(self.volts[1:, read] - row[read]) / np.array([4 * self.u(row[k]) + APART for k in read])
        out = np.flatnonzero(np.nan_to_num(off, nan=np.inf).max(axis=1) > 1)
        tempting = sorted(out, key=lambda m: (int((off[m] > 1).sum()), -_near(true, self.cells[m].suspect), m))
        options: list[Option] = []
        against: list[str] = []
        for m in tempting:
            s = self.cells[m].suspect
            if s.place != true.place and all(str(s) != o.text for o in options) and len(options) < 3:
                worst = read[int(np.nan_to_num(off[m], nan=np.inf).argmax())]
                idea = "a good reading clears nothing" if worst in even else "one odd reading is as good as another"
                options.append(Option(str(s), idea if s.kind == true.kind else "what ails a circuit does not matter"))
                against.append(f"with {s}, {self.points[worst]} would read otherwise")
        if len(options) < 3 or not self.agrees(n, read):
            return None
        options, right = shuffled(Option(str(true)), options, rng)
        rows = tuple(
            (f"{self.points[k]} against {self.drawing.earth}", number(float(row[k]), "V")) for k in sorted(read)
        )
        others = "; ".join(against)
        others = others[:1].upper() + others[1:]
        return Item(key, "explains", "choice", EXPLAIN, self.name,
                    "Key on, everything plugged. Which fault explains all of these readings?", rows, options, right,
                    because=f"All of them come of this: {_told(self.cells[n])}. {others}.",
                    rings=tuple((self.points[k], number(float(row[k]), "V")) for k in read))  # fmt: skip

    def shares(self, key: str, rng) -> Item | None:
        """Who shares this supply?"""
        names = [n for n, who in self.fed.items() if who]
        place = names[int(rng.integers(len(names)))]
        true = self.fed[place]
        everybody = sorted({s for who in self.fed.values() for s in who}, key=_natural)
        connector = place.rsplit(".", 1)[0] if "." in place else ""
        behind = sorted({s for n, who in self.fed.items() if n.startswith(f"{connector}.") for s in who}, key=_natural)
        supply = max((who for who in self.fed.values() if set(true) <= set(who)), key=len)
        ideas = [(true[:1], "each sensor has its own supply"), (everybody, "all sensors share one supply"),
                 (supply, "what shares a supply is lost with any part of it")]  # fmt: skip
        ideas += [(behind, "a connector is one circuit")] if connector else []
        other = [s for s in supply if s not in true]
        ideas += [(other, "what is before the break is lost, and what is behind it works")] if other else []
        wrong = []
        for who, idea in ideas:
            if who != true and all(who != w for w, _ in wrong):
                wrong.append((who, idea))
        if len(wrong) < 2:
            return None
        options, right = shuffled(Option(listed(true)), [Option(listed(w), idea) for w, idea in wrong[:3]], rng)
        return Item(key, "shares", "choice", SHARES, self.name,
                    f"{place} is open. Which sensors have no supply?", options=options, right=right,
                    because=f"Behind {place} hang {listed(true)}; all others are fed without it.")  # fmt: skip

    def order(self, key: str, rng) -> Item | None:
        """Order the points along a shorted harness by what they read."""
        shorts = [n for n, c in enumerate(self.cells) if c.suspect.kind == "short to ground"]
        n = shorts[int(rng.integers(len(shorts)))]
        row, good = self.volts[n + 1], self.volts[0]
        near = [k for k in range(len(self.points)) if good[k] > 4.5 and np.isfinite(row[k]) and row[k] < 0.8 * good[k]]
        steps: list[int] = []
        for k in sorted(near, key=lambda k: -row[k]):
            if not steps or row[steps[-1]] - row[k] > STEP_V:
                steps.append(k)
        if len(steps) < 3:
            return None
        steps = steps[:4]
        if not self.agrees(n, steps):
            return None
        mixed = [int(k) for k in rng.permutation(len(steps))]
        back = [mixed.index(k) for k in range(len(steps))]
        cell = self.cells[n]
        rows = ", ".join(f"{self.points[k]} {number(float(row[k]), 'V')}" for k in steps)
        return Item(key, "order", "order", ABILITY["short to ground"], self.name,
                    f"{_told(cell)}, key on. Put these points in order, the highest reading against "
                    f"{self.drawing.earth} first.", options=tuple(Option(self.points[steps[k]]) for k in mixed),
                    order=tuple(back), because="The current runs to the short, so the voltage falls towards it: "
                    f"{rows}.")  # fmt: skip

    def point(self, key: str, rng) -> Item | None:
        """Where on the drawing is the voltage first gone?"""
        opens = [n for n, c in enumerate(self.cells) if c.suspect.kind == "open" and self.fed.get(c.suspect.place)]
        n = opens[int(rng.integers(len(opens)))]
        part = self.drawing.part(self.cells[n].suspect.place, (Wire, Contact))
        copper = self.drawing.copper()
        copper.remove_edge(part.a, part.b)
        front, behind = _net(copper, part.a), _net(copper, part.b)
        last, first = ([p for p in self.points if p in side] for side in (front, behind))
        steps = _steps(copper, part.b)
        best = [p for p in first if steps.get(p, 99) == min(steps.get(q, 99) for q in first)] if first else []
        if not best or not last or len(best) > 2:
            return None
        sensor = self.fed[self.cells[n].suspect.place][0]
        return Item(key, "point", "point", ABILITY["open"], self.name,
                    f"{sensor} has no supply because {part.name} is open. Name the first point on the way from the "
                    "control unit where the supply is gone, as near to the break as a lead can reach.",
                    points=tuple(best), because=f"Up to {part.name} the supply is there; {best[0]} is the "
                    "nearest point behind it.", rings=tuple((p, "0 V") for p in best))  # fmt: skip

    # Wrong ideas ----------------------------------------------------------------------------------------------------

    def _ideas(self, n: int, k: int, v: float, good: float) -> list[tuple[float, str]]:
        """Values that wrong ideas lead to, each with the idea."""
        cell, bare = self.cells[n], float(self.bare[n + 1, k])
        kind = cell.suspect.kind
        found = [(good, "the fault does nothing here")]
        if kind in ("open", "supply dead"):
            found.append((0.0, "beyond and before an open there is nothing"))
            found.append((5.0, "an open leaves everything at its supply"))
        if kind == "short to ground":
            found += [(0.0, "a shorted supply reads nought everywhere"),
                      (5.0, "a regulator holds its voltage whatever hangs on it")]  # fmt: skip
        if kind == "short to battery":
            battery = float(self.volts[0, self.points.index(f"{self.file.battery.name}.+")])
            found += [(battery, "a short to battery brings the whole battery voltage"),
                      (5.0, "a regulator holds its voltage whatever is fed into it")]  # fmt: skip
        if kind == "high resistance":
            found += [(0.0, "a high resistance is as good as an open"),
                      (good, "a resistance in a signal wire changes nothing")]  # fmt: skip
        if kind == "sensor shorted":
            found += [(0.0, "a shorted sensor pulls everything to nought"),
                      (5.0, "only the sensor's own signal is hurt")]  # fmt: skip
        if np.isfinite(bare):
            found.append((bare, "the meter takes nothing"))
        found.append((good / 2, "two parts in a row share a voltage by halves"))
        return found


MAKERS = {k: getattr(Examiner, k) for k in ("reading", "explains", "shares", "order", "point")}
SAME_V = 1e-6  # volt: how near two ways of solving must agree
EVEN_V = 0.02  # volt: what a fault moves at most where it is said to change nothing
STEP_V = 0.004  # between points that are to be ordered: more than a meter is off from one reading to the next
ABILITY = {
    "open": OPENS, "supply dead": OPENS, "high resistance": RESISTANCE, "short to ground": GROUND,
    "short to battery": BATTERY, "sensor shorted": GROUND,
}  # fmt: skip


@lru_cache(maxsize=8)
def examiner(name: str) -> Examiner:
    """The examiner of a machine; kept, as its tables are."""
    return Examiner(name)


def _apart(v: float, ideas: list[tuple[float, str]], u: Callable[[float], float]) -> list[tuple[float, str]]:
    """Wrong values that no meter takes for the right one or for each other, each with its first idea."""
    kept: list[tuple[float, str]] = []
    for w, idea in ideas:
        clear = all(abs(w - x) > APART + 4 * (u(w) + u(x)) for x in (v, *(x for x, _ in kept)))
        if np.isfinite(w) and clear:
            kept.append((round(float(w), 3), idea))
    return kept


def _told(cell: Cell) -> str:
    """A fault as a question tells it."""
    s, unit = cell.suspect, "Ω"
    size = f" of {number(cell.size, unit)}" if cell.size else ""
    words = {"supply dead": f"Supply {s.place} gives nothing", "sensor shorted": f"Sensor {s.place} is shorted{size}",
             "open": f"{s.place} is open"}  # fmt: skip
    return words.get(s.kind, f"{s.kind.capitalize()}{size} at {s.place}")


def _why(cell: Cell, v: float, good: float) -> str:
    kind = cell.suspect.kind
    if kind == "short to ground":
        return "The supply gives what its limit allows, and that times the resistance to the short is what is left."
    if kind in ("open", "supply dead"):
        return "What no longer feeds this point is gone, and what else hangs on it decides where it goes."
    if kind == "high resistance":
        return "The resistance and what it feeds share the voltage in proportion to their ohms."
    return "What is fed in works against what holds this point."


def _near(a: Suspect, b: Suspect) -> int:
    """How alike two suspects look: the same kind, a neighbouring name."""
    return 2 * (a.kind == b.kind) + (a.place[:2] == b.place[:2])


def _net(copper, point: str) -> set[str]:
    return nx.node_connected_component(copper, point) if point in copper else {point}


def _steps(copper, point: str) -> dict[str, int]:
    return nx.single_source_shortest_path_length(copper, point) if point in copper else {}


def _natural(name: str) -> tuple[str, int]:
    letters = name.rstrip("0123456789")
    return letters, int(name[len(letters) :] or 0)
