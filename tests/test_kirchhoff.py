"""Kirchhoff's current law and the power balance, after every solve: every machine, every fault."""

import numpy as np
import pytest
from everyfault import faults, machines, running

from casekit.circuit.network import LEAK_S
from casekit.circuit.operating_point import OperatingPoint, Unstable, solve
from casekit.machine.law import Resistor, Source, Valve
from casekit.machine.machine import Machine
from casekit.machine.state import State


def states(machine: Machine) -> list[State]:
    """Key on; the engine turning; key off; an in-line connector and a sensor unplugged."""
    inline = next(p.name for p in machine.plugs if p.kind == "in-line")
    return [State("on"), *running(machine), State("off"), State("on", frozenset({inline, "B7"}))]


def nodal_rest(op: OperatingPoint) -> tuple[float, float]:
    """Largest sum of currents leaving a node (leak included), and the largest current there is, in ampere."""
    net = op.network
    amps = op.x[net.n :]
    rest = LEAK_S * op.x[: net.n]
    np.add.at(rest, net.a[net.a >= 0], amps[net.a >= 0])
    np.subtract.at(rest, net.b[net.b >= 0], amps[net.b >= 0])
    return float(np.abs(rest).max()), float(np.abs(amps).max())


def powers(op: OperatingPoint) -> tuple[float, float, float]:
    """(given by sources, taken by resistors and valves, least taken by a valve), in watt.

    Resistors are counted as R i^2 and sources as E i - R i^2, from their laws, not from node voltages.
    """
    given = taken = 0.0
    least = np.inf
    for element in op.network.elements:
        i = op.amps(element.name)
        match element:
            case Resistor():
                taken += element.r_ohm * i * i
            case Source():
                given -= element.emf_v * i
                taken += element.r_ohm * i * i
            case Valve():
                used = (op.volts(element.a) - op.volts(element.b)) * i
                taken += used
                least = min(least, used)
    return given, taken + float(LEAK_S * (op.x[: op.network.n] ** 2).sum()), least


@pytest.mark.parametrize("machine", machines(), ids=lambda m: m.name)
def test_current_law_and_power_balance(machine, finding):
    """Every fault with the key on, and in turn in one of the other states."""
    count, worst, unstable = 0, 0.0, []
    on, *others = states(machine)
    for k, fault in enumerate([None, *faults(machine)]):
        sick = machine.with_fault(fault) if fault else machine
        for state in (on, others[k % len(others)]):
            try:
                op = solve(sick, state)
            except Unstable:
                unstable.append((fault, state))
                continue
            rest, largest = nodal_rest(op)
            assert rest <= 1e-12 * max(1.0, largest), (fault, state)
            given, taken, least = powers(op)
            assert taken == pytest.approx(given, rel=1e-9, abs=1e-12), (fault, state)
            # A valve only takes power: it holds current back, it drives none.
            assert least >= -1e-9, (fault, state)
            count, worst = count + 1, max(worst, rest / max(1.0, largest))
    finding(f"Kirchhoff: {count} networks of {machine.name}, worst current left at a node {worst:.1e} of the largest")
    assert len(unstable) <= 0.01 * count, unstable
