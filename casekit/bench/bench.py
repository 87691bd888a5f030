"""The bench: a machine under a technician's hands, with a clock and a log.

In: moves and readings asked for by name. Out: what a real machine would show, and one record of each in the log.
"""

from __future__ import annotations

import math

import pandas as pd

from casekit.bench import engine, minutes
from casekit.bench.reading import Call, Event, Finding, Move, Reading, row
from casekit.bench.sealed import Truth, seal, unseal
from casekit.error import BenchError, CircuitError, hint
from casekit.machine.faults import KINDS
from casekit.machine.harness import Contact, Wire
from casekit.machine.machine import Machine, Plug
from casekit.machine.state import State
from casekit.machine.unit import Core, Supply

LOG_COLUMNS = [
    "minute", "action", "what", "red", "black", "shown", "value", "unit", "u", "expected", "key", "unplugged", "note"
]  # fmt: skip


class Bench:
    """One machine to be diagnosed.

    `drawing` is the machine as drawn. What it is really like is sealed. All moves cost minutes; `clock` counts them.
    Every method raises BenchError, one sentence, when something cannot be done now; the log stays as it was.
    """

    def __init__(self, drawing: Machine, truth: Truth, title: str = "", brief: str = ""):
        seal(self, truth)
        self.drawing = drawing
        self.title = title or drawing.title
        self.brief = brief
        self.state = State()
        self.clock = 0.0
        self.events: list[Event] = []
        self.closed = False
        self._reached: set[str] = set()

    def __repr__(self) -> str:
        return f"<bench: {self.title}; {self.state}; {self.clock:g} minutes, {len(self.events)} log lines>"

    # Looking around ---------------------------------------------------------------------------------------------

    def probe_points(self) -> list[str]:
        """Names of the points a lead can reach now.

        Plugged: cavities from the back, on the wire side. Unplugged: the harness terminals and the bare pins (`m`).
        Always: ground studs, battery posts, fuse and key switch ends. Not: splices, and wire under tape.
        """
        return self.drawing.reachable(self.state)

    def moves(self) -> pd.DataFrame:
        """What can be done now: move, target, what it is, where, minutes."""
        rows = [
            ("key", key, f"key {key}", "cab", minutes.KEY[key]) for key in ("off", "on", "run") if key != self.state.key
        ]
        for plug in self.drawing.plugs:
            move = "plug" if plug.name in self.state.unplugged else "unplug"
            rows.append((move, plug.name, plug.title, plug.where, self._reach(plug.name) + minutes.PLUG))
        for point in self.drawing.contact_points:
            wires = ", ".join(w for w, _ in point.wires)
            rows.append(("look", point.name, f"inspect the harness ({wires})", point.where,
                         self._reach(point.name) + minutes.LOOK))  # fmt: skip
        return pd.DataFrame(rows, columns=["move", "target", "what", "where", "minutes"])

    @property
    def log(self) -> pd.DataFrame:
        """All moves, readings and findings in order, with the clock in minutes."""
        table = pd.DataFrame([row(event) for event in self.events], columns=LOG_COLUMNS)
        texts = [c for c in LOG_COLUMNS if c not in ("minute", "value", "u", "expected")]
        return table.assign(**{c: table[c].astype(object).where(table[c].notna(), "") for c in texts})

    # Moves ------------------------------------------------------------------------------------------------------

    def key(self, position: str) -> str:
        """Turn the key to "off", "on" (engine stopped) or "run". Returns what happened."""
        self._open_for_work()
        if position not in ("off", "on", "run"):
            raise BenchError(f"the key has no position {position!r}; use 'off', 'on' or 'run'.")
        apart = sorted(p for p in self.state.unplugged if self._plug(p).kind == "control unit")
        if position != "off" and apart:
            raise BenchError(
                f"the key stays off while control unit connector {apart[0]} is unplugged; plug {apart[0]} first."
            )
        on = State("on", self.state.unplugged)
        if position == "run" and not engine.starts(unseal(self).machine, on):
            self._moved("key", "run: the engine cranks and does not start", minutes.KEY["run"], on)
            return "the engine cranks and does not start; the key is on"
        self._moved("key", position, minutes.KEY[position], State(position, self.state.unplugged))
        return f"key {position}"

    def unplug(self, name: str) -> str:
        """Unplug a connector, a sensor, or the whole control unit by its name (key off first for the control unit)."""
        self._open_for_work()
        plugs = [p for p in self._named(name) if p.name not in self.state.unplugged]
        if not plugs:
            raise BenchError(f"{name} is unplugged already; plug it first.")
        if self.state.key != "off" and any(p.kind == "control unit" for p in plugs):
            raise BenchError(f"turn the key off before unplugging {name}: never unplug a powered control unit.")
        for plug in plugs:
            self._moved("unplug", plug.name, self._reach(plug.name) + minutes.PLUG,
                        State(self.state.key, self.state.unplugged | {plug.name}))  # fmt: skip
            self._reached.add(plug.name)
        return f"{name} is unplugged" + self._stalled()

    def plug(self, name: str) -> str:
        """Plug a connector, a sensor, or the whole control unit in again."""
        self._open_for_work()
        plugs = [p for p in self._named(name) if p.name in self.state.unplugged]
        if not plugs:
            raise BenchError(f"{name} is plugged in already.")
        if self.state.key != "off" and any(p.kind == "control unit" for p in plugs):
            raise BenchError(f"turn the key off before plugging {name} in: never plug into a powered control unit.")
        for plug in plugs:
            self._moved("plug", plug.name, minutes.PLUG, State(self.state.key, self.state.unplugged - {plug.name}))
        return f"{name} is plugged in"

    def look(self, point: str) -> Finding:
        """Look closely at the harness at a contact point, without moving it."""
        self._open_for_work()
        place = self.drawing.contact_point(point)
        if place is None:
            known = [p.name for p in self.drawing.contact_points]
            raise BenchError(f"{point} is not a contact point; there is {', '.join(known)}.{hint(point, known)}")
        self.clock += self._reach(point) + minutes.LOOK
        self._reached.add(point)
        text, wire = "no damage to be seen", None
        for fault in unseal(self).faults:
            at = dict(place.wires).get(fault.place)
            if at is not None and abs(at - getattr(fault, "at", -1)) < 0.02:
                wire = fault.place
                colour = self.drawing.part(wire, Wire).colour
                text = f"the {colour} wire {wire} is {DAMAGE.get(fault.kind, 'damaged')} at the {place.where}"
        finding = Finding(point, text, wire, self.state, self.clock)
        self.events.append(finding)
        return finding

    # Instruments ------------------------------------------------------------------------------------------------

    def volts(self, red: str, black: str, expect: float | None = None) -> Reading:
        """DC volts between two probe points, `red` against `black`. `expect` (in volt) is noted before the reading."""
        return self._measure("volts", red, black, expect)

    def millivolts(self, red: str, black: str, expect: float | None = None) -> Reading:
        """DC millivolts, for drops along a harness; over 0.6 V it shows OL. Value and `expect` are in volt."""
        return self._measure("millivolts", red, black, expect)

    def ohms(self, red: str, black: str, expect: float | None = None) -> Reading:
        """Ohms between two probe points, on a dead circuit; on a live one it warns and shows what a meter shows."""
        return self._measure("ohms", red, black, expect)

    # The call ---------------------------------------------------------------------------------------------------

    def call(self, kind: str, place: str) -> Call:
        """State the fault: its kind and its place at repair level (wire, cavity, sensor or supply).

        The last call before the debrief counts.
        """
        self._open_for_work()
        if kind not in KINDS:
            raise BenchError(f"{kind!r} is not a kind of fault; use one of: {', '.join(KINDS)}.")
        known = self.places(kind)
        if place not in known:
            raise BenchError(f"a fault of kind {kind} cannot be at {place!r}.{hint(place, known)}")
        call = Call(kind, place, self.state, self.clock)
        self.events.append(call)
        return call

    def places(self, kind: str) -> list[str]:
        """Places a fault of this kind can be at: sensors, supplies, or wires and cavities."""
        if kind == "sensor shorted":
            return [p.name for p in self.drawing.plugs if p.kind == "sensor"]
        if kind in ("supply dead", "supply weak"):
            return [s.name for s in self.drawing.all(Supply)]
        wires = [w.name for w in self.drawing.all(Wire)]
        return wires if kind == "short between wires" else wires + [c.name for c in self.drawing.all(Contact)]

    # Inside -----------------------------------------------------------------------------------------------------

    def _measure(self, function: str, red: str, black: str, expect: float | None) -> Reading:
        self._open_for_work()
        for lead in (red, black):
            self._reachable(lead)
        if red == black:
            raise BenchError(f"both leads are on {red}; put one of them somewhere else.")
        if expect is not None and not (isinstance(expect, int | float) and math.isfinite(expect)):
            raise BenchError(f"the expected value {expect!r} is not a number; write it in volt or ohm or leave it out.")
        truth = unseal(self)
        try:
            shown = truth.meter.measure(truth.machine, self.state, function, red, black)
        except CircuitError:
            # The solver's own sentence names parts of the sealed machine.
            raise BenchError(
                f"no reading between {red} and {black}: try other points; this one has no answer."
            ) from None
        owners = {self._owner(red), self._owner(black)}
        self.clock += minutes.LEADS + sum(self._reach(owner) for owner in sorted(owners))
        self._reached |= owners
        reading = Reading(
            function, red, black, shown.text, shown.value, "ohm" if function == "ohms" else "V", shown.u, self.state,
            self.clock, expect, shown.note,
        )  # fmt: skip
        self.events.append(reading)
        return reading

    def _reachable(self, point: str) -> None:
        points = self.probe_points()
        if point in points:
            return
        if point.endswith("m") and point[:-1] in points:
            owner = self._owner(point[:-1])
            raise BenchError(f"{point} is behind the plugged connector {owner}; unplug {owner} first.")
        halves = [p for p in (f"{point}f", f"{point}m") if p in points]
        if halves:
            raise BenchError(f"{point} has two halves; probe {halves[0]} or {halves[1]}.")
        raise BenchError(f"{point!r} is not a point a lead can reach on this machine now.{hint(point, points)}")

    def _owner(self, point: str) -> str:
        """The connector or stud a probe point belongs to."""
        return point if point in self._access else point.rsplit(".", 1)[0]

    @property
    def _access(self) -> dict[str, float]:
        d = self.drawing
        return {p.name: p.access_min for p in (*d.plugs, *d.contact_points)} | dict(d.studs)

    def _reach(self, name: str) -> float:
        """Minutes to get at a connector, stud or contact point: nothing once it has been uncovered."""
        return 0.0 if name in self._reached else self._access[name]

    def _plug(self, name: str) -> Plug:
        plug = self.drawing.plug(name)
        if plug is None:
            known = [p.name for p in self.drawing.plugs]
            raise BenchError(f"{name!r} is not a connector or sensor of this machine.{hint(name, known)}")
        return plug

    def _named(self, name: str) -> list[Plug]:
        """The plug of this name; all connectors of the control unit for the unit's own name."""
        if any(core.name == name for core in self.drawing.all(Core)):
            return [p for p in self.drawing.plugs if p.kind == "control unit"]
        return [self._plug(name)]

    def _moved(self, action: str, what: str, cost: float, state: State) -> None:
        self.clock += cost
        self.state = state
        self.events.append(Move(action, what, state, self.clock))

    def _stalled(self) -> str:
        """The engine stops when what was unplugged takes away what it runs on."""
        on = State("on", self.state.unplugged)
        if self.state.key == "run" and not engine.starts(unseal(self).machine, on):
            self._moved("engine", "the engine stops", 0.0, on)
            return "; the engine stops, the key is on"
        return ""

    def _open_for_work(self) -> None:
        if self.closed:
            raise BenchError("this case is closed after its debrief; open it again with casekit.open_case to go on.")


DAMAGE = {
    "short to ground": "rubbed through, bare copper against the metal",
    "short to battery": "rubbed through, bare copper against a battery wire",
    "short between wires": "rubbed through to its neighbour",
    "open": "broken",
    "high resistance": "green with corrosion under split insulation",
}
