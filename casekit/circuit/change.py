"""Changes of a network that leave most of it as it is: what a fault, a lead or an instrument adds.

In: parts that differ, or the two ends of something new. Out: a `Change`: ports of rank one, and valves with other caps.

A port adds `left` times its amount p to the equations, and p is such that  e p + right . x = emf : for a resistance r
between two places left = right = their weights, e = r, p = minus its current; for R more in a branch left = right = the
branch, e = -1/R (0 for an open); for a wire whose end lies elsewhere two ports, of which the nodes of both ends are one
side and the wire is the other.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from functools import lru_cache

from casekit.machine.harness import Contact, Wire
from casekit.machine.law import Cap, Capacitor, Element, Resistor, Source, Valve
from casekit.machine.machine import Machine
from casekit.machine.state import State

Weights = tuple[tuple[str, float], ...]


@dataclass(frozen=True)
class Side:
    """Weights of nodes and of branches (elements): one side of a port."""

    nodes: Weights = ()
    branches: Weights = ()


@dataclass(frozen=True)
class Port:
    """One rank-one change; `e` in the unit of the equation it is in, `emf` in volt."""

    left: Side
    right: Side
    e: float
    emf: float = 0.0


@dataclass(frozen=True)
class Change:
    """Ports, and valves that have other caps (none at all for a regulator that is dead)."""

    ports: tuple[Port, ...] = ()
    valves: tuple[tuple[str, tuple[Cap, ...]], ...] = ()

    def __add__(self, other: Change) -> Change:
        return Change(self.ports + other.ports, self.valves + other.valves)


NOTHING = Change()


def between(weights: Weights, r_ohm: float, emf_v: float = 0.0) -> Change:
    """A resistance (behind a source of `emf_v`) between weighted places: (("B1.1", 1.0), ("chassis", -1.0))."""
    side = Side(nodes=weights)
    return Change((Port(side, side, r_ohm, emf_v),))


def joined(a: str, b: str, r_ohm: float, emf_v: float = 0.0) -> Change:
    """A resistance between two nodes; with `emf_v`, `a` is its plus."""
    return between(((a, 1.0), (b, -1.0)), r_ohm, emf_v)


def opened(branch: str) -> Change:
    """A branch that conducts nothing."""
    side = Side(branches=((branch, 1.0),))
    return Change((Port(side, side, 0.0),))


def lengthened(branch: str, r_ohm: float, more_ohm: float) -> Change:
    """A resistor of `r_ohm` with `more_ohm` added in series (negative for less)."""
    side = Side(branches=((branch, 1.0),))
    return Change((Port(side, side, -_scale(r_ohm) / more_ohm),))


def moved(branch: str, r_ohm: float, old: Weights, new: Weights, sign: float = 1.0) -> Change:
    """The `a` end of a resistor (its `b` end with sign -1) lies at `new` instead of `old`."""
    nodes = Side(nodes=tuple((n, sign * k) for n, k in new) + tuple((n, -sign * k) for n, k in old))
    wire = Side(branches=((branch, 1.0),))
    return Change((Port(nodes, wire, 1.0), Port(wire, nodes, _scale(r_ohm))))


def difference(drawing: Machine, other: Machine, state: State) -> Change:
    """What has to change for a machine to become another one with the same terminals: parts with other values, wires
    with other ends, parts that are gone or new between nodes that exist."""
    same = {id(p) for p in drawing.parts} & {id(p) for p in other.parts}
    old, new = ([p for p in m.parts if id(p) not in same] for m in (drawing, other))
    gone = _elements((p for p in old if p not in new), state)
    come = _elements((p for p in new if p not in old), state)
    return _instead(gone, come)


@lru_cache(maxsize=4096)  # in most states it is the same, and then it is the same object
def _instead(old: tuple[Resistor | Source | Valve, ...], new: tuple[Resistor | Source | Valve, ...]) -> Change:
    come, change = {el.name: el for el in new}, NOTHING
    for before in old:
        name, after = before.name, come.pop(before.name, None)
        if isinstance(before, Valve):
            change += Change((), ((name, after.caps if after else ()),))
        elif after is None:
            change += opened(name)
        else:
            for end, sign in (("a", 1.0), ("b", -1.0)):
                if getattr(before, end) != getattr(after, end):
                    ends = ((getattr(before, end), 1.0),), ((getattr(after, end), 1.0),)
                    change += moved(name, before.r_ohm, *ends, sign)
            if after.r_ohm != before.r_ohm:
                change += lengthened(name, before.r_ohm, after.r_ohm - before.r_ohm)
    for element in come.values():
        change += joined(element.a, element.b, element.r_ohm, getattr(element, "emf_v", 0.0))
    return change


def spot(part: Wire | Contact, at: float) -> tuple[Weights, float]:
    """A point along a wire as weights of its two ends, and the resistance that adds at the point itself."""
    if isinstance(part, Contact):
        return ((part.a, 1.0),), 0.0
    return ((part.a, 1 - at), (part.b, at)), at * (1 - at) * part.r_ohm


def _elements(parts: Iterable, state: State) -> tuple[Resistor | Source | Valve, ...]:
    found: dict[str, Element] = {el.name: el for part in parts for el in part.elements(state)}
    return tuple(el for el in found.values() if not isinstance(el, Capacitor))


def _scale(r_ohm: float) -> float:
    """Equations of resistors are written with their largest coefficient about one."""
    return max(1.0, r_ohm)
