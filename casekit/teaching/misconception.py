"""Misconceptions of the trade behind a prediction that was far off, named where the log and the drawing show them.

In: a reading, the range that was expected, whether a healthy machine shows that too, the drawing and the verdict. Out:
half a sentence, or nothing. Each says a law, what was done, or what the evidence has shown.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator

import networkx as nx

from casekit.bench.meter import FUNCTIONS, LIVE
from casekit.bench.reading import Reading
from casekit.machine.faults import SensorShorted, ShortToGround
from casekit.machine.harness import Contact, Wire
from casekit.machine.machine import Machine
from casekit.machine.unit import Core, Input, Supply
from casekit.reasoning.verdict import Verdict
from casekit.teaching.player import SURE

PULLED_V = (4.5, 5.5)  # what an input that nothing pulls down stands at, within the usual tolerances
DEAD_V, LIVE_V = 0.1, 0.5  # below: nothing there; above: something expected there (common practice, no source)
SAGGED = 0.9  # a supply below this share of its set value is pulled down (common practice, no source)
FOUND_V = 0.005  # above what a lead on ground shows (common practice, no source)
VOLTS = ("volts", "loaded volts")


def misconception(r: Reading, expected: tuple[float, float], healthy: bool, drawing: Machine, verdict: Verdict) -> str:
    """The first that is recognised; empty if none is."""
    return next(_recognised(r, expected, healthy, drawing, verdict), "")


def _recognised(
    r: Reading, expected: tuple[float, float], healthy: bool, drawing: Machine, verdict: Verdict
) -> Iterator[str]:
    low, high = expected
    if r.note.startswith(LIVE):
        yield "ohms on a live circuit are no ohms: make it dead first, then predict them"
    most = FUNCTIONS["millivolts"].ranges[-1].full
    if r.function == "millivolts" and (low > most or high < -most):
        yield "what is expected on millivolts is written in volt too: 50 mV is 0.05"
    if r.unit in ("V", "A") and low <= -r.value <= high:
        sign = "positive is away from the control unit" if r.unit == "A" else "red counts against black"
        yield f"the size was right and the sign was not: {sign}"
    if r.function not in VOLTS or math.isnan(r.value):
        return
    if r.state.key == "off" and abs(r.value) < DEAD_V and low > LIVE_V:
        yield "the key was off"
    around = _around(drawing, r)
    supplied = any(set(supply.pins) & around(r.red) for supply in drawing.all(Supply))
    if r.state.key == "off" and supplied and low > LIVE_V and not low <= r.value <= high:
        yield "the key was off: no supply gives anything then, and what is there comes from elsewhere"
    if r.state.key != "off" and _grounded(drawing, r, around):
        yield from _pulled(r, expected, healthy, drawing, around(r.red), verdict)
    if abs(r.value) > LIVE_V and low > -LIVE_V and high < LIVE_V and r.black in around(r.red):
        yield (
            "by the drawing copper joins the two points: over sound copper a sensor's current leaves millivolts, and "
            "over an open stands the voltage that is missing behind it"
        )


def _pulled(
    r: Reading, expected: tuple[float, float], healthy: bool, drawing: Machine, here: set[str], verdict: Verdict
) -> Iterator[str]:
    """About a supply that is pulled down, and about inputs that are pulled to somewhere."""
    low, high = expected
    for supply in drawing.all(Supply):
        sagged = FOUND_V < r.value < SAGGED * supply.set_v
        if here & set(supply.pins) and sagged and _shorted(drawing, here, verdict):
            yield (
                "your readings show this supply shorted to ground, and then it reads the little current it still gives "
                "times the resistance from the lead to the short: neither its full voltage nor exactly 0 V"
            )
    for pin in drawing.all(Input):
        if pin.pin not in here:
            continue
        if pin.pull_up and PULLED_V[0] <= r.value <= PULLED_V[1] and high < LIVE_V:
            yield (
                "by the drawing the control unit pulls this input up: where nothing pulls it down, as on the unit's "
                "side of an open, it stands at 5 V and not at 0 V"
            )
        if not pin.pull_up and healthy and abs(r.value) < DEAD_V and low > LIVE_V:
            yield (
                "by the drawing the control unit pulls this input down to ground: where nothing feeds it, as on the "
                "unit's side of an open, it stands at 0 V"
            )


def _around(drawing: Machine, r: Reading) -> Callable[[str], set[str]]:
    """Points that copper joins to a point, by the drawing, with what was unplugged then."""
    copper = drawing.copper(r.state.unplugged)
    return lambda point: nx.node_connected_component(copper, point) if point in copper else {point}


def _grounded(drawing: Machine, r: Reading, around: Callable[[str], set[str]]) -> bool:
    """Whether the black lead was on ground or a return, by the drawing."""
    grounds = {pin for core in drawing.all(Core) for pin in (*core.grounds, *core.returns)}
    return r.black == drawing.earth or bool(grounds & around(r.black))


def _shorted(drawing: Machine, here: set[str], verdict: Verdict) -> bool:
    """Whether, by the evidence, something on this copper is shorted to ground: which one does not matter."""
    parts = {p.name for p in drawing.all((Wire, Contact)) if p.a in here}
    sensors = {p.name for p in drawing.plugs if p.kind == "sensor" and here & set(p.harness)}
    places = {ShortToGround.kind: parts, SensorShorted.kind: sensors}
    p = sum(float(p) for s, p in zip(verdict.suspects, verdict.p, strict=True) if s.place in places.get(s.kind, ()))
    return p >= SURE
