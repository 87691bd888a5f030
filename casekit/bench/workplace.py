"""The workplace: the machine's state, the clock and the log, and what can be reached.

What every move and every instrument of the bench stands on. Time passes here, and the control unit lives through it.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence

import networkx as nx
import pandas as pd

from casekit.bench import chatter, minutes, view
from casekit.bench.reading import Event, Move, row
from casekit.bench.sealed import Truth, seal, unseal
from casekit.error import BenchError, CircuitError, hint, hint_or_some
from casekit.machine import rules
from casekit.machine.harness import Wire
from casekit.machine.machine import Machine, Plug
from casekit.machine.rules import Seen
from casekit.machine.state import LOAD, State
from casekit.machine.unit import Core, Input, Supply

LOG_COLUMNS = [
    "minute", "action", "what", "red", "black", "shown", "value", "unit", "u", "expected", "sure", "key", "held",
    "unplugged", "note", "risk",
]  # fmt: skip


class Workplace:
    """A machine, a clock and a log. What the machine is really like is sealed."""

    def __init__(self, drawing: Machine, truth: Truth, title: str = ""):
        seal(self, truth)
        self.drawing = drawing
        self.title = title or drawing.title
        self.state = State()
        self.clock = 0.0
        self.events: list[Event] = []
        self.closed = False
        self._reached: set[str] = set()
        self._touched = 0  # how often something hidden may have changed: what was lived through before does not count

    @property
    def log(self) -> pd.DataFrame:
        """All moves, readings and findings in order, with the clock in minutes."""
        return table(self.events)

    # Time -------------------------------------------------------------------------------------------------------

    def _moved(self, action: str, what: str, cost: float, state: State, risk: str = "") -> None:
        """Something was done: the state changes, and the time it took passes."""
        self.state = state
        self._pass(cost)
        self.events.append(Move(action, what, state, self.clock, risk))

    def _pass(self, cost: float) -> None:
        """Minutes pass; the control unit sees what it sees in them."""
        self._live(self.state, cost * 60)
        self.clock += cost

    def _live(self, state: State, seconds: float) -> dict[Seen, float]:
        """The control unit lives through a while in a state; returns the faults it saw, with how long each counted."""
        if state.key == "off" or seconds <= 0:
            return {}
        truth = unseal(self)
        faults = self._faults_seen(state)
        lasting = {fault: min(longest, seconds) for fault, longest in faults.items()}
        if any(fault.code for fault in lasting):
            truth.memory.live(lasting, lambda: self._snapshot(state))
        return lasting

    def _faults_seen(self, state: State) -> dict[Seen, float]:
        """The faults the unit sees in a state, each with the time its debounce counts to, at the most."""
        key = (state, self._touched)
        specimen, lived = unseal(self).specimen, unseal(self).lived
        if specimen.wavers(state):
            return chatter.longest(specimen, state, self.clock)
        if key not in lived:
            what = view.view(specimen.mix(state, self.clock), state)
            lived[key] = dict.fromkeys(rules.seen(self.drawing.program, what, state), float("inf"))
        return lived[key]

    def _counted(self, state: State) -> list[Seen]:
        """The faults that last long enough in this state to count: only these are acted on."""
        return [fault for fault, longest in self._faults_seen(state).items() if longest >= fault.debounce_s]

    def _snapshot(self, state: State) -> dict[str, str]:
        what = view.view(unseal(self).specimen.mix(state, self.clock), state)
        shown = rules.values(self.drawing.program, what, ())
        values = {name: f"{value:.4g} {unit}" for name, (value, unit, _) in shown.items() if value is not None}
        return {"state": str(state), **values}

    def _remember(self) -> None:
        """Give the codes stored before the machine came in the values of a state in which the unit would set them."""
        entries = unseal(self).memory.entries
        held = [frozenset(), *(frozenset({o.name}) for o in self.drawing.operations), frozenset({LOAD})]
        states = [State("on"), *(State("run", held=h, hot=hot) for hot in (False, True) for h in held)]
        for state in states:
            if all(entry.snapshot for entry in entries.values()):
                return
            for fault in self._counted(state):
                entry = entries.get(fault.code)
                if entry is not None and not entry.snapshot:
                    entry.snapshot = self._snapshot(state)

    def _stalled(self) -> str:
        """The engine stops when it has lost what it runs on."""
        if self.state.key != "run" or view.engine_runs(self._mix(), self.state):
            return ""
        self._moved("engine", "the engine stops", 0.0, self.drawing.turned(self.state, "on"))
        return "; the engine stops, the key is on"

    def _mix(self):
        return unseal(self).specimen.mix(self.state, self.clock)

    # Reaching ---------------------------------------------------------------------------------------------------

    def probe_points(self) -> list[str]:
        """Names of the points a lead can reach now.

        Plugged: cavities from the back, on the wire side. Unplugged: the harness terminals and the bare pins (`m`).
        Always: ground studs, battery posts, fuse and key switch ends; what was opened or pierced. Not: splices, and
        wire under tape.
        """
        return self.drawing.reachable(self.state)

    def _reachable(self, point: str) -> None:
        points = self.probe_points()
        if point in points:
            return
        if point == "":
            raise BenchError("a reading is taken between two points; name both, such as ('G1.+', 'G1.-').")
        text = str(point)
        owner = text.rsplit(".", 1)[0]
        if text.endswith("m") and self.drawing.plug(owner) and text[:-1] in points:
            raise BenchError(f"{point} is behind the plugged connector {owner}; unplug {owner} first.")
        halves = [p for p in (f"{point}f", f"{point}m") if p in points]
        if halves:
            raise BenchError(f"{point} has two halves; probe {halves[0]} or {halves[1]}.")
        instead = self._ends(text, points) or hint(point, points)
        raise BenchError(f"{point!r} is not a point a lead can reach on this machine now.{instead}")

    def _ends(self, name: str, points: list[str]) -> str:
        """Where a lead reaches a wire or a splice that was named as a point; empty for anything else."""
        wires = self.drawing.all(Wire)
        if name in self.drawing.splices():
            ends = [end for w in wires if name in (w.a, w.b) for end in (w.a, w.b) if end in points]
            such = f", such as {ends[0]}" if ends else ""
            return f" A splice is under tape: probe where its wires end{such}."
        wire = next((w for w in wires if w.name == name), None)
        if wire is None:
            return ""
        ends = [end for end in (wire.a, wire.b) if end in points]
        at = f", at {' or '.join(ends)}" if ends else ""
        return f" It is a wire: probe where it ends{at}."

    def _leads(self, *pairs: tuple[str, str]) -> float:
        """Minutes to put leads on these pairs of points; nothing is done yet."""
        for pair in pairs:
            if isinstance(pair, str) or not isinstance(pair, Sequence) or len(pair) != 2:
                raise BenchError(f"{pair!r} is not a pair of points; write (red, black), such as ('G1.+', 'G1.-').")
            for lead in pair:
                self._reachable(lead)
            if pair[0] == pair[1]:
                raise BenchError(f"both leads are on {pair[0]}; put one of them somewhere else.")
        return sum(self._reach(owner) for owner in self._owners(pairs)) + minutes.LEADS * len(pairs)

    def _lead(self, *pairs: tuple[str, str], more: float = 0.0) -> None:
        """Put leads on these pairs of points, with `more` minutes for what comes with it; they stay uncovered."""
        cost = self._leads(*pairs)
        self._reached |= self._owners(pairs)
        self._pass(cost + more)

    def _owners(self, pairs: Iterable[tuple[str, str]]) -> set[str]:
        return {self._owner(lead) for pair in pairs for lead in pair}

    def _owner(self, point: str) -> str:
        """The connector or stud a probe point belongs to."""
        return point if point in self.state.bared else self.drawing.owner(point)

    def _reach(self, name: str) -> float:
        """Minutes to get at a connector, stud or contact point: nothing once it has been uncovered."""
        return 0.0 if name in self._reached else self.drawing.access_min.get(name, 0.0)

    def _wire(self, name: str) -> Wire:
        try:
            return self.drawing.part(name, Wire)
        except CircuitError:
            known = [w.name for w in self.drawing.all(Wire)]
            raise BenchError(f"{name!r} is not a wire of this machine.{hint_or_some(name, known)}") from None

    def _electronic(self, point: str) -> bool:
        """Whether a point belongs, by the drawing, to a sensor supply, a return or an input of the control unit."""
        copper = self.drawing.copper()
        pins = {pin for s in self.drawing.all(Supply) for pin in s.pins} | {i.pin for i in self.drawing.all(Input)}
        pins |= {pin for core in self.drawing.all(Core) for pin in core.returns}
        return point in copper and bool(pins & nx.node_connected_component(copper, point))

    def _open_for_work(self) -> None:
        if self.closed:
            raise BenchError("this case is closed after its debrief; open it again with casekit.open_case to go on.")


def table(events: Sequence[Event], columns: Sequence[str] = LOG_COLUMNS) -> pd.DataFrame:
    """Events, one line each; a text that is missing is empty."""
    rows = pd.DataFrame([row(event) for event in events], columns=list(columns))
    texts = [c for c in columns if c not in ("minute", "value", "u", "expected", "sure")]
    missing = [c for c in ("expected", "sure") if c in columns]  # nan, also beside a range, which is a text
    rows = rows.assign(**{c: rows[c].where(rows[c].notna(), math.nan) for c in missing})
    return rows.assign(**{c: rows[c].astype(object).where(rows[c].notna(), "") for c in texts})


def plugs_named(drawing: Machine, name: str) -> list[Plug]:
    """The connector or sensor of this name; all connectors of the control unit for the unit's own name."""
    if any(core.name == name for core in drawing.all(Core)):
        return [p for p in drawing.plugs if p.kind == "control unit"]
    plug = drawing.plug(name)
    if plug is None:
        known = [p.name for p in drawing.plugs]
        raise BenchError(f"{name!r} is not a connector or sensor of this machine.{hint_or_some(name, known)}")
    return [plug]
