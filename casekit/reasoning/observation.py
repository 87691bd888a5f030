"""Observations: what the log says, as numbers that can be predicted and as signs that can be expected.

In: a drawing and the events of a log. Out: `Observation`s (one number each, with its uncertainty) and `Sign`s (codes,
the driver's words, whether the engine runs, what was seen), each with the spell of time it belongs to and what had
been mended by then.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import zip_longest

import networkx as nx

from casekit.bench.meter import FUNCTIONS, JUMPS, LIVE
from casekit.bench.reading import Event, Finding, Move, Reading
from casekit.machine.machine import Machine
from casekit.machine.program import REFERENCE_V
from casekit.machine.sensors import InductivePickup
from casekit.machine.state import State
from casekit.machine.unit import Core

OHMS = ("ohms", "continuity")
NUMBERS = ("volts", "millivolts", "ohms", "continuity", "loaded volts", "amps")
# Moves that may change where a loose contact lies, or that begin another while.
SPELLS = ("shift", "rock", "road test", "warm up", "repair", "replace", "open harness", "key", "operate", "release")
SCOPE_SHARE, SCOPE_V = 0.02, 0.05  # how exact the mean of a scope's picture is (8 bits of eight divisions and its gain)
INSIDE_V = 0.005  # how far the unit's own converter may be off (common practice, no source)
BEYOND = {"millivolts": 0.6, "ohms": 6e7}  # what a display of OL says: more than this


@dataclass(frozen=True)
class Observation:
    """One number. `function` is that of the instrument; "inside" is the control unit's own volts, "low" and "high" are
    what min/max caught. `gain` is the part of `u` that all readings of one function share, as a share of the value.
    `beyond`: the display showed OL. `jumps`: it did not stand still."""

    function: str
    red: str
    black: str
    value: float
    u: float
    state: State
    event: Event
    spell: int = 0
    gain: float = 0.0
    step: float = 0.0
    load_ohm: float = 0.0
    wires: tuple[str, ...] = ()
    beyond: bool = False
    jumps: bool = False
    mended: frozenset[str] = frozenset()

    @property
    def what(self) -> tuple:
        """What was measured: readings of the same thing have the same."""
        return (self.state, self.function, self.red, self.black, self.load_ohm, self.wires, self.spell, self.mended)

    def __str__(self) -> str:
        e = self.event
        if self.function == "inside":
            return f"{self.wires[0]} inside the control unit ({self.state})"
        where = f"{self.red} against {self.black}" if self.black else " and ".join(self.wires)
        return f"{e.function} {where} ({self.state}), minute {e.minute:.1f}"


@dataclass(frozen=True)
class Sign:
    """Something that was noticed: `kind` is codes, driver, engine, speeds, road, look, inside, opened, repaired, sound
    (what was repaired had been) or proof."""

    kind: str
    state: State
    event: Event
    place: str = ""
    said: tuple[tuple[str, float], ...] = ()
    spell: int = 0
    mended: frozenset[str] = frozenset()
    before: frozenset[str] | None = None  # codes known before these were read
    been: tuple[State, ...] = ()  # states with something unplugged that the control unit lived through before
    cleared: int = 0  # how often codes were cleared before
    lived: frozenset[str] = frozenset()  # positions the key was in since then, everything plugged, and not counted yet


def observed(drawing: Machine, events: Sequence[Event]) -> tuple[list[Observation], list[Sign]]:
    """All numbers and signs of a log, in order. A number that was read again unchanged counts once."""
    numbers: list[Observation] = []
    signs: list[Sign] = []
    spell, mended, state = 0, frozenset(), State()
    opened: set[str] = set()
    been: dict[State, None] = {}
    driven = False
    cleared, lived = 0, set()
    for event, after in zip_longest(events, events[1:]):
        if isinstance(event, Move):
            if event.action in SPELLS or event.state != state:
                spell += 1
            if event.action in ("repair", "replace"):
                mended |= {event.what}
            if event.action == "repair" and not (isinstance(after, Finding) and after.point == event.what):
                signs.append(Sign("sound", event.state, event, event.what, (), spell, mended))
            driven = event.action == "road test"
            if event.action == "clear codes":
                cleared, lived, been = cleared + 1, set(), {}
            elif driven:
                lived |= {"on", "run"}
            if event.action == "open harness":
                opened.add(event.what)
            if sign := _engine(event):
                signs.append(replace(sign, spell=spell, mended=mended))
        elif isinstance(event, Reading):
            for number in _numbers(drawing, event):
                _joined(numbers, replace(number, spell=spell, mended=mended))
            now = {"been": tuple(been), "cleared": cleared, "lived": frozenset(lived if cleared else ())}
            signs += [replace(s, spell=spell, mended=mended, **now) for s in _of_reading(drawing, event)]
        elif isinstance(event, Finding):
            signs += [replace(s, spell=spell, mended=mended) for s in _of_finding(drawing, event, opened, driven)]
        state = event.state
        if state.key in ("on", "run"):
            if state.unplugged:
                been[State(state.key, state.unplugged)] = None
            else:
                lived.add(state.key)
    return numbers, signs


def steps(numbers: Sequence[Observation], signs: Sequence[Sign]) -> Iterator[tuple[list[int], Sign | None]]:
    """What came in, in time: the numbers of one event (members), or one sign."""
    stamped = [(-1.0 if s.event is None else s.event.minute, 1, k, s) for k, s in enumerate(signs)]
    together: dict[int, list[int]] = {}
    for k, o in enumerate(numbers):
        together.setdefault(id(o.event), []).append(k)
    stamped += [(numbers[m[0]].event.minute, 0, m[0], m) for m in together.values()]
    for _, kind, _, what in sorted(stamped, key=lambda x: x[:3]):
        yield (what, None) if kind == 0 else ([], what)


def fresh(signs: Sequence[Sign], stored: Sequence[str]) -> Iterator[Sign]:
    """Signs with what was known of the codes before, nothing once they were cleared; an engine, speeds or words that
    say the same again count once."""
    known, seen = frozenset(stored), set()
    coded, cleared, counted = bool(stored), 0, frozenset()
    for s in signs:
        if s.kind == "codes":
            if s.cleared > cleared:
                known, coded, cleared, counted = frozenset(), True, s.cleared, frozenset()
            yield replace(s, before=known if coded else None, lived=s.lived - counted)
            known, coded = frozenset(code for code, _ in s.said), True
            counted |= s.lived
            continue
        same = (s.kind, s.state, s.said, getattr(s.event, "text", ""), s.mended)
        if s.kind not in ("engine", "speeds", "driver") or same not in seen:
            seen.add(same)
            yield s


def came_with(stored: Sequence[str]) -> list[Sign]:
    """The codes that came with the machine, as a sign before all others."""
    said = tuple((code, 1.0) for code in stored)
    return [Sign("codes", State("off"), None, said=said)] if stored else []


def _joined(numbers: list[Observation], new: Observation) -> None:
    """Add a number; in the place of the same one read before, if it showed the same."""
    for k in range(len(numbers) - 1, -1, -1):
        old = numbers[k]
        if old.what == new.what and old.beyond == new.beyond:
            if new.beyond or abs(old.value - new.value) <= 3 * max(new.step, old.step) + 0.2 * new.u:
                numbers[k] = new
                return
            break
    numbers.append(new)


def _numbers(drawing: Machine, r: Reading) -> Iterator[Observation]:
    """The numbers of one reading. Ohms on a live circuit and what was read at a pierced wire are left out."""
    if any("@" in point for point in (*r.state.bared, r.red, r.black)):
        return
    if r.function == "min/max" and r.state.turning and {r.red, r.black} & _coiled(drawing):
        return  # least and greatest of a pick-up's own voltage are not predicted
    if r.function == "min/max":
        for name, value in (("low", r.low), ("high", r.high)):
            if value is not None and math.isfinite(value):
                yield Observation(name, r.red, r.black, value, r.u, r.state, r, **_kind("volts", value))
        return
    if r.function == "scan":
        (core,) = drawing.all(Core)
        nodes = {c.name: c.node for c in drawing.program.channels if c.kind != "speed" and c.node}
        step = REFERENCE_V / 2**drawing.program.adc_bits
        for name, volts in r.data:
            if name in nodes:
                yield Observation("inside", nodes[name], f"{core.name}.gnd", volts, step + INSIDE_V, r.state, r,
                                  step=step, wires=(name,))  # fmt: skip
        return
    if r.function == "scope":
        data = dict(r.data)
        for name, value in data.items():
            if name.endswith(" mean"):
                red, black = name.split(" ")[:2]
                swing = data[f"{red} {black} greatest"] - data[f"{red} {black} least"]
                u = SCOPE_SHARE * abs(value) + SCOPE_V
                yield Observation("volts", red, black, value, u, r.state, r, step=u,
                                  jumps=swing > 1.0 and not r.state.turning)  # fmt: skip
        return
    if r.function not in NUMBERS or (r.function in OHMS and r.note.startswith(LIVE)):
        return
    jumps = r.note == JUMPS
    data = dict(r.data)
    load = data.get("load_ohm", 0.0)
    wires = tuple(data) if r.function == "amps" else ()
    function = "ohms" if r.function in OHMS else r.function
    if math.isfinite(r.value):
        kind = _kind("volts" if r.function == "loaded volts" else r.function, r.value)
        kind["gain"] = min(kind["gain"], 0.9 * r.u / abs(r.value)) if r.value else kind["gain"]  # a better meter's
        yield Observation(function, r.red, r.black, r.value, r.u, r.state, r, load_ohm=load, wires=wires, jumps=jumps,
                          **kind)  # fmt: skip
    elif r.shown == "OL" and function in BEYOND:
        limit = 600.0 if r.function == "continuity" else BEYOND[function]
        yield Observation(function, r.red, r.black, limit, 0.0, r.state, r, beyond=True)


def _coiled(drawing: Machine) -> set[str]:
    """Points that copper joins to a pick-up's coil, its return left out."""
    copper = drawing.copper()
    pins = [coil.pins[0] for coil in drawing.all(InductivePickup) if coil.pins[0] in copper]
    return {point for pin in pins for point in nx.node_connected_component(copper, pin)}


def _kind(function: str, value: float) -> dict[str, float]:
    """Shared gain error and display step of a meter function at a value."""
    kind = FUNCTIONS[function]
    return {"gain": kind.share / math.sqrt(3), "step": kind.ranges[kind.number(value)].step}


def _engine(move: Move) -> Sign | None:
    """Whether the engine started, or stopped by itself."""
    if move.action == "key" and move.what.startswith("run"):
        runs = move.state.key == "run"
        return Sign("engine", replace(move.state, key="run"), move, said=(("runs", float(runs)),))
    if move.action == "engine":
        return Sign("engine", replace(move.state, key="run"), move, said=(("runs", 0.0),))
    return None


def _of_reading(drawing: Machine, r: Reading) -> Iterator[Sign]:
    if r.function == "codes":
        yield Sign("codes", r.state, r, said=r.data)
    if r.function == "scan" and r.state.turning:
        speeds = {c.name for c in drawing.program.channels if c.kind == "speed"}
        yield Sign("speeds", r.state, r, said=tuple((n, v) for n, v in r.data if n in speeds))


def _road(drawing: Machine, text: str) -> tuple[tuple[str, float], ...]:
    """What was noticed on the road: channels that were wrong, an engine that cut out, a flicker."""
    found = {c.name: 1.0 for c in drawing.program.channels if f"{c.name}: " in text}
    found |= {word: 1.0 for word in ("the engine cut out", "something flickered") if word in text}
    return tuple(found.items())


def _of_finding(drawing: Machine, f: Finding, opened: set[str], driven: bool) -> Iterator[Sign]:
    if f.point == "driver":
        yield Sign("road", f.state, f, said=_road(drawing, f.text)) if driven else Sign("driver", f.state, f)
    elif f.point == "proof":
        yield Sign("proof", f.state, f)
    elif drawing.contact_point(f.point):
        yield Sign("opened" if f.point in opened else "look", f.state, f, f.point)
    elif drawing.plug(f.point):
        yield Sign("inside", f.state, f, f.point)
    elif f.point in drawing.splices():
        yield Sign("opened", f.state, f, f.point)
    elif f.wire or f.mark:
        yield Sign("repaired", f.state, f, f.point)
