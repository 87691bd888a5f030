"""What a slow instrument averages over: the wheels' phases, a retrying supply's on and off times, and a fault that
comes and goes.

In: machines with their shares of the time, a state. Out: operating points with their shares.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence

from casekit.circuit.network import Network
from casekit.circuit.operating_point import OperatingPoint, operating_point, solve
from casekit.machine.law import Element, Valve
from casekit.machine.machine import Machine
from casekit.machine.state import State

Mix = tuple[tuple[float, Machine], ...]  # shares of the time, summing to one, and the machine as it is then
Points = list[tuple[float, OperatingPoint]]


def only(machine: Machine) -> Mix:
    """A machine that is the same all the time."""
    return ((1.0, machine),)


def points(mix: Mix, state: State, extra: Iterable[Element] = (), near: Sequence[OperatingPoint] = ()) -> Points:
    """The operating points of a mix in a state, with `extra` elements (an instrument's) joined to it, and their shares.

    `near` are points of the same mix and state without the extra elements, in the same order: the search starts there.
    A retrying supply that stands at its limit is on for its duty and off for the rest.
    """
    extra = tuple(extra)
    found: Points = []
    phases = [(share * weight, machine, phase) for share, machine in mix for weight, phase in machine.phases(state)]
    starts = near if len(near) == len(phases) else [None] * len(phases)
    for (share, machine, phase), start in zip(phases, starts, strict=True):
        point = solve(machine, phase, extra, start)
        resting = retrying(point)
        duty = min((v.retry.duty for v in resting), default=1.0)
        found.append((share * duty, point))
        if resting:
            gone = {v.name for v in resting}
            left = (el for el in (*machine.elements(phase), *extra) if el.name not in gone)
            off = operating_point(Network(left, machine.earth))
            found.append((share * (1 - duty), off))
    return found


def retrying(point: OperatingPoint) -> list[Valve]:
    """The valves of a network that stand at the limit at which they shut and try again."""
    valves = [point.network.elements[k] for k in point.network.valves]
    return [v for v in valves if v.retry is not None and point.piece(v.name) == v.retry.label]


def average(found: Points, value: Callable[[OperatingPoint], float]) -> float:
    """The mean of something over the shares."""
    return sum(share * value(point) for share, point in found)
