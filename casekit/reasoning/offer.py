"""Offers: the tests that can be made next, with the moves they need and the minutes they cost.

In: a drawing, the state the machine is in, and what has been laid open. Out: `Offer`s: readings in this state and in
states one or two moves away, scan data, codes, looks, a shift of the harness, a road test.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import networkx as nx

from casekit.bench import minutes
from casekit.bench.reading import Event, Finding, Move, Reading
from casekit.machine.harness import Contact, Wire
from casekit.machine.machine import Machine
from casekit.machine.state import State

SCANNER = "scan data"


@dataclass(frozen=True)
class Offer:
    """One test: `moves` (action, what) to be made first, then `kind` (volts, millivolts, ohms, scan, codes, driver,
    look, inside, shift, road test) at `red` and `black`, or at `place`, in `state`; `minutes` in all, `reached` what is
    laid open by it."""

    kind: str
    state: State
    minutes: float
    moves: tuple[tuple[str, str], ...] = ()
    red: str = ""
    black: str = ""
    place: str = ""
    reached: frozenset[str] = frozenset()

    @property
    def test(self) -> str:
        """What is done, in words."""
        match self.kind:
            case "volts" | "millivolts" | "ohms":
                return f"{self.kind} at {self.red} against {self.black}"
            case "scan":
                return "read the scan data"
            case "codes":
                return "read the codes"
            case "driver":
                return "see what a driver would notice"
            case "look":
                return f"look closely at {self.place}"
            case "inside":
                return f"look into {self.place}"
            case "shift":
                return f"shift the harness gently at {self.place} and watch the volts at {self.red}"
        return "make a road test"

    def __str__(self) -> str:
        done = [f"key {what}" if action == "key" else f"{action} {what}" for action, what in self.moves]
        return ", ".join([*done, self.test])


@dataclass(frozen=True)
class Standpoint:
    """Where somebody stands: the state of the machine, what has been laid open, and what was looked at."""

    state: State
    reached: frozenset[str]
    looked: frozenset[str] = frozenset()
    codes_read: bool = False

    @classmethod
    def after(cls, drawing: Machine, events: Sequence[Event]) -> Standpoint:
        """Where a log ends."""
        reached, looked, codes, state = set(), set(), False, State()
        for e in events:
            if isinstance(e, Reading):
                reached |= {_owner(drawing, lead) for lead in (e.red, e.black) if lead}
                if e.function in ("scan", "codes", "scan trace", "snapshot"):
                    reached.add(SCANNER)
                codes |= e.function == "codes"
            elif isinstance(e, Move) and e.action in ("unplug", "shift", "open harness", "repair", "replace"):
                reached.add(e.what.removesuffix(" gently").removesuffix(" hard"))
            elif isinstance(e, Finding):
                reached.add(e.point)
                looked.add(e.point)
            state = e.state
        return cls(state, frozenset(reached), frozenset(looked), codes)


def offers(drawing: Machine, here: Standpoint) -> list[Offer]:
    """Everything worth doing from here."""
    found = []
    for moves, state, cost, reached in _states(drawing, here):
        spot = replace(here, state=state, reached=reached)
        found += [_after(o, moves, cost) for o in _readings(drawing, spot)]
        if len(moves) <= 1 and state.key != "off":
            found += [_after(o, moves, cost) for o in _unit(spot)]
        found += [
            Offer("inside", state, cost + minutes.LOOK, moves, place=what)
            for action, what in moves if action == "unplug" and what not in here.looked
        ]  # fmt: skip
    return found + list(_harness(drawing, here))


def access(drawing: Machine) -> dict[str, float]:
    """Minutes to get at every connector, stud and contact point."""
    return {p.name: p.access_min for p in (*drawing.plugs, *drawing.contact_points)} | dict(drawing.studs)


def _states(drawing: Machine, here: Standpoint) -> Iterator[tuple[tuple, State, float, frozenset[str]]]:
    """(moves, state, minutes, what is laid open by then) within reach."""
    now, reach = here.state, access(drawing)
    apart = {p.name: p for p in drawing.plugs if p.name in now.unplugged}
    units = any(p.kind == "control unit" for p in apart.values())
    keys = [now.key] if units else dict.fromkeys((now.key, "on", "off", "run"))
    for key in keys:
        turn = () if key == now.key else (("key", key),)
        cost = 0.0 if key == now.key else minutes.KEY[key]
        held = now.held if key == now.key else frozenset()
        state = replace(now, key=key, held=held)
        yield turn, state, cost, here.reached
        if key == "run" or (key == "off" and now.key != "off"):
            continue
        for plug in drawing.plugs:
            if plug.kind == "control unit":
                continue
            pull = plug.name not in now.unplugged
            price = minutes.PLUG + (0.0 if plug.name in here.reached else reach[plug.name] if pull else 0.0)
            other = now.unplugged ^ {plug.name}
            move = (("unplug" if pull else "plug", plug.name),)
            yield turn + move, replace(state, unplugged=other), cost + price, here.reached | {plug.name}


def _readings(drawing: Machine, spot: Standpoint) -> Iterator[Offer]:
    """Volts of every point against battery negative, or ohms on a dead circuit; millivolts along the harness."""
    reach, state = access(drawing), spot.state
    kind = "ohms" if state.key == "off" else "volts"
    points = [p for p in drawing.reachable(state) if p != drawing.earth and "@" not in p]
    pairs = [(kind, p, drawing.earth) for p in points]
    if state.key != "off":
        pairs += [("millivolts", *pair) for pair in along(drawing, state)]
    for function, red, black in pairs:
        owners = frozenset({_owner(drawing, red), _owner(drawing, black)})
        cost = sum(reach.get(o, 0.0) for o in owners - spot.reached) + minutes.LEADS
        yield Offer(function, state, cost, (), red, black, reached=owners)


def along(drawing: Machine, state: State) -> list[tuple[str, str]]:
    """Pairs of points on one net: the one nearest the control unit with every other, to follow millivolts."""
    copper = nx.Graph()
    copper.add_edges_from((w.a, w.b) for w in drawing.all(Wire))
    copper.add_edges_from((c.a, c.b) for c in drawing.all(Contact) if c.connector not in state.unplugged)
    points = [p for p in drawing.reachable(state) if p in copper]
    found = []
    for net in nx.connected_components(copper):
        mine = [p for p in points if p in net]
        if len(mine) > 2 and drawing.earth not in net and drawing.plus not in net:
            found += [(mine[0], p) for p in mine[1:]]
    return found


def _unit(spot: Standpoint) -> Iterator[Offer]:
    cost = minutes.SCAN + (0.0 if SCANNER in spot.reached else minutes.SCAN_CONNECT)
    yield Offer("scan", spot.state, cost, reached=frozenset({SCANNER}))
    if not spot.codes_read:
        yield Offer("codes", spot.state, cost, reached=frozenset({SCANNER}))


def _harness(drawing: Machine, here: Standpoint) -> Iterator[Offer]:
    reach = access(drawing)
    for point in drawing.contact_points:
        there = 0.0 if point.name in here.reached else point.access_min
        if point.name not in here.looked:
            yield Offer("look", here.state, there + minutes.LOOK, place=point.name, reached=frozenset({point.name}))
        if here.state.key == "on":
            net = [w for w, _ in point.wires]
            red = next((p for p in drawing.reachable(here.state) for w in net if _on(drawing, w, p)), "")
            if red:
                lead = 0.0 if _owner(drawing, red) in here.reached else reach.get(_owner(drawing, red), 0.0)
                cost = there + minutes.SHIFT + minutes.LEADS + lead
                yield Offer("shift", here.state, cost, (), red, drawing.earth, point.name)
    if not here.state.unplugged:
        moves = () if here.state.key == "run" else (("key", "run"),)
        yield Offer("road test", replace(here.state, key="run"), minutes.ROAD_TEST + minutes.KEY["run"], moves)


def _on(drawing: Machine, wire: str, point: str) -> bool:
    part = drawing.part(wire, Wire)
    return point in (part.a, part.b)


def _after(offer: Offer, moves: tuple, cost: float) -> Offer:
    return replace(offer, moves=moves, minutes=offer.minutes + cost)


def _owner(drawing: Machine, point: str) -> str:
    """The connector or stud a point belongs to."""
    return point if point in dict(drawing.studs) else point.rsplit(".", 1)[0]
