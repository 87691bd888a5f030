"""Readings and drops against 400-bit interval arithmetic (python-flint), exact opens and dead shorts among them."""

import random
from dataclasses import replace

import pytest
from everyfault import faults, machines, running
from interval import enclose

from casekit.bench.meter import INPUT_OHM
from casekit.circuit.operating_point import Unstable, solve
from casekit.machine.faults import Open, ShortToBattery
from casekit.machine.law import Resistor, Valve
from casekit.machine.state import State
from casekit.machine.unit import Core

pytestmark = pytest.mark.reference

READINGS, DROPS = 200, 40


def sample(machine, count, purpose):
    """Seeded (fault, state, pair): a third exact opens and dead shorts, a third of the states with a plug apart."""
    rng = random.Random(f"{machine.name} {purpose}")
    everything = faults(machine)
    exact = [f for f in everything if isinstance(f, Open) or getattr(f, "r_ohm", 1.0) == 0.0]
    plugs = [p.name for p in machine.plugs if p.kind != "control unit"]
    states = [State("on"), State("off"), *running(machine)]
    for k in range(count):
        state = rng.choice(states)
        if k % 3 == 1:
            state = replace(state, unplugged=frozenset({rng.choice(plugs)}))
        points = machine.reachable(state)
        yield rng.choice(exact if k % 3 == 0 else everything), state, rng.sample(points, 2)


@pytest.mark.parametrize("machine", machines(), ids=lambda m: m.name)
def test_every_loaded_reading_within_a_nanovolt(machine, finding):
    worst, count = 0.0, 0
    for fault, state, (red, black) in sample(machine, READINGS, "readings"):
        try:
            op = solve(machine.with_fault(fault), state, [Resistor("meter", red, black, INPUT_OHM)])
        except Unstable:
            continue
        exact = enclose(op)
        off = abs(exact.volts(red, black) - op.volts(red, black))
        assert off < 1e-9, (fault, state, red, black, off)
        worst, count = max(worst, float(off.upper())), count + 1
    finding(f"intervals: {count} readings on {machine.name}, worst deviation {worst:.1e} V")
    assert count >= 180


@pytest.mark.parametrize("machine", machines(), ids=lambda m: m.name)
def test_every_drop_above_a_nanovolt_to_nine_digits(machine, finding):
    """R i along every wire, contact and resistor; and the chosen valve pieces are those of the exact solution.

    Beside the sample every return is put on battery by a dead short with the key off: some hundred ampere flow next to
    nanovolts along resistors of many kilohm.
    """
    worst, count = 0.0, 0
    (core,) = machine.all(Core)
    hardest = [(ShortToBattery(pin[:-1], 0.0), State("off")) for pin in core.returns]
    for fault, state in [*((fault, state) for fault, state, _ in sample(machine, DROPS, "drops")), *hardest]:
        try:
            op = solve(machine.with_fault(fault), state)
        except Unstable:
            continue
        exact = enclose(op)
        for element in op.network.elements:
            if isinstance(element, Resistor):
                true = element.r_ohm * exact.amps(element.name)
                if abs(true) > 1e-9:
                    off = abs(op.drop(element.name) / true - 1)
                    worst, count = max(worst, float(off.upper())), count + 1
                    assert off < 1e-9, (fault, state, element.name, off)
            elif isinstance(element, Valve):
                allowed = [float(exact.allowed(cap).mid()) for cap in element.caps]
                carried = float(exact.amps(element.name).mid())
                open_ = not element.gate or (
                    exact.volts(element.gate.plus, element.gate.minus) >= element.gate.at_least_v
                )
                assert carried == pytest.approx(max(0.0, min(allowed)) if open_ else 0.0, rel=1e-9, abs=1e-9)
    finding(f"intervals: {count} drops above 1 nV on {machine.name}, worst deviation {worst:.1e} relative")
    assert count >= 1000
