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
from casekit.machine.harness import Wire
from casekit.machine.machine import Machine
from casekit.machine.state import LOAD, State

SCANNER = "scan data"


@dataclass(frozen=True)
class Offer:
    """One test: `moves` (action, what) to be made first, then `kind` (volts, millivolts, scan, codes, look, inside,
    shift, road test) at `red` and `black`, or at `place`, in `state`; `minutes` in all, of which
    `work` is the test itself; `reached` what is laid open by it."""

    kind: str
    state: State
    minutes: float
    moves: tuple[tuple[str, str], ...] = ()
    red: str = ""
    black: str = ""
    place: str = ""
    reached: frozenset[str] = frozenset()
    work: float = 0.0

    @property
    def test(self) -> str:
        """What is done, in words."""
        match self.kind:
            case "volts" | "millivolts":
                return f"{self.kind} at {self.red} against {self.black}"
            case "scan":
                return "read the scan data"
            case "codes":
                return "read the codes"
            case "look":
                return f"look closely at {self.place}"
            case "inside":
                return f"look into {self.place}"
            case "shift":
                return f"shift the harness gently at {self.place} and watch the volts at {self.red}"
        return "make a road test"

    def __str__(self) -> str:
        words = {"key": "key ", "operate": "hold ", "release": "let go of "}
        done = [f"{words.get(action, action + ' ')}{what}" for action, what in self.moves]
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
                reached |= {drawing.owner(lead) for lead in (e.red, e.black) if lead}
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


def offers(drawing: Machine, here: Standpoint, operate: bool = False, there: bool = False) -> list[Offer]:
    """Everything worth doing from here; with `operate` also while something is held, for faults that come and go;
    `there` says that such a fault shows just now, so that plugs are pulled in the state in which it does."""
    found = []
    states = list(_states(drawing, here, operate and there)) + (list(_held(drawing, here)) if operate else [])
    for moves, state, cost, reached in states:
        spot = replace(here, state=state, reached=reached)
        found += _readings(drawing, spot, moves, cost)
        if not any(action in ("unplug", "plug") for action, _ in moves) and state.key != "off":
            found += _unit(spot, moves, cost)
        found += [
            Offer("inside", state, cost + minutes.LOOK, moves, place=what, work=minutes.LOOK)
            for action, what in moves if action == "unplug" and what not in here.looked
        ]  # fmt: skip
    return found + list(_harness(drawing, here))


def _states(drawing: Machine, here: Standpoint, loose: bool) -> Iterator[tuple[tuple, State, float, frozenset[str]]]:
    """(moves, state, minutes, what is laid open by then) within reach."""
    now, reach = here.state, drawing.access_min
    apart = {p.name: p for p in drawing.plugs if p.name in now.unplugged}
    units = any(p.kind == "control unit" for p in apart.values())
    keys = [now.key] if units else dict.fromkeys((now.key, "on", "off", "run"))
    for key in keys:
        turn = () if key == now.key else (("key", key),)
        cost = 0.0 if key == now.key else minutes.KEY[key]
        state = drawing.turned(now, key)
        yield turn, state, cost, here.reached
        # Plugs are pulled with the key as it is, or on; with the engine running only for a fault that comes and goes,
        # and with whatever is held let go of meanwhile.
        if key != now.key if loose else key != ("on" if now.key in ("run", "crank") else now.key):
            continue
        before = tuple(("release", name) for name in sorted(state.held))
        after = tuple(("operate", name) for name in sorted(state.held))
        held_min = minutes.OPERATE * len(before + after)
        for plug in drawing.plugs:
            if plug.kind == "control unit":
                continue
            pull = plug.name not in now.unplugged
            price = minutes.PLUG + (0.0 if plug.name in here.reached else reach[plug.name] if pull else 0.0)
            other = now.unplugged ^ {plug.name}
            move = (("unplug" if pull else "plug", plug.name),)
            moves = (*turn, *before, *move, *after)
            yield moves, replace(state, unplugged=other), cost + price + held_min, here.reached | {plug.name}


def _held(drawing: Machine, here: Standpoint) -> Iterator[tuple[tuple, State, float, frozenset[str]]]:
    """States in which something is held: an operation, or the engine against a load."""
    known = {o.name: o.needs for o in drawing.operations} | {LOAD: "run"}
    for name, needs in known.items():
        key = "run" if needs == "run" or here.state.key == "run" else "on"
        turn = () if key == here.state.key else (("key", key),)
        cost = minutes.OPERATE + (minutes.KEY[key] if turn else 0.0)
        if name not in here.state.held:
            turned = drawing.turned(here.state, key)
            state = replace(turned, held=turned.held | {name})
            yield (*turn, ("operate", name)), state, cost, here.reached


def _readings(drawing: Machine, spot: Standpoint, moves: tuple, before: float) -> Iterator[Offer]:
    """After `moves` that take `before` minutes: volts of every point against battery negative; millivolts along the
    harness. Ohms are left out: through the control unit and sensors they hardly tell more than volts do, and they pass
    where a load would fail."""
    reach, state = drawing.access_min, spot.state
    points = [p for p in drawing.reachable(state) if p != drawing.earth and "@" not in p]
    pairs = [("volts", p, drawing.earth) for p in points]
    if state.key != "off":
        pairs += [("millivolts", *pair) for pair in along(drawing, state)]
    for function, red, black in pairs:
        owners = frozenset({drawing.owner(red), drawing.owner(black)})
        cost = sum(reach.get(o, 0.0) for o in owners - spot.reached) + minutes.LEADS
        yield Offer(function, state, cost + before, moves, red, black, reached=owners, work=minutes.LEADS)


def along(drawing: Machine, state: State) -> list[tuple[str, str]]:
    """Pairs of points on one net: the one nearest the control unit with every other, to follow millivolts."""
    copper = drawing.copper(state.unplugged)
    points = [p for p in drawing.reachable(state) if p in copper]
    found = []
    for net in nx.connected_components(copper):
        mine = [p for p in points if p in net]
        if len(mine) > 2 and drawing.earth not in net and drawing.plus not in net:
            found += [(mine[0], p) for p in mine[1:]]
    return found


def _unit(spot: Standpoint, moves: tuple, before: float) -> Iterator[Offer]:
    cost = minutes.SCAN + (0.0 if SCANNER in spot.reached else minutes.SCAN_CONNECT) + before
    yield Offer("scan", spot.state, cost, moves, reached=frozenset({SCANNER}), work=minutes.SCAN)
    if not spot.codes_read and not spot.state.unplugged:  # stored codes say nothing about what is unplugged now
        yield Offer("codes", spot.state, cost, moves, reached=frozenset({SCANNER}), work=minutes.SCAN)


def _harness(drawing: Machine, here: Standpoint) -> Iterator[Offer]:
    reach = drawing.access_min
    for point in drawing.contact_points:
        there = 0.0 if point.name in here.reached else point.access_min
        if point.name not in here.looked:
            yield Offer("look", here.state, there + minutes.LOOK, place=point.name,
                        reached=frozenset({point.name}), work=minutes.LOOK)  # fmt: skip
        if here.state.key == "on":
            net = [w for w, _ in point.wires]
            red = next((p for p in drawing.reachable(here.state) for w in net if _on(drawing, w, p)), "")
            if red:
                lead = 0.0 if drawing.owner(red) in here.reached else reach.get(drawing.owner(red), 0.0)
                cost = there + minutes.SHIFT + minutes.LEADS + lead
                yield Offer("shift", here.state, cost, (), red, drawing.earth, point.name, work=cost)
    if not here.state.unplugged:
        moves = () if here.state.key == "run" else (("key", "run"),)
        yield Offer("road test", replace(here.state, key="run"), minutes.ROAD_TEST + minutes.KEY["run"], moves,
                    work=minutes.ROAD_TEST)  # fmt: skip


def _on(drawing: Machine, wire: str, point: str) -> bool:
    part = drawing.part(wire, Wire)
    return point in (part.a, part.b)
