"""Whether the engine starts: the control unit must be powered and must see the crankshaft pick-up turn."""

from __future__ import annotations

from dataclasses import replace

from casekit.circuit.operating_point import Unstable, solve
from casekit.machine.machine import Machine
from casekit.machine.sensors import InductivePickup
from casekit.machine.state import State
from casekit.machine.unit import Core, Input

LOGIC_V = 4.5  # below this the control unit is in reset (a 5 V regulator's reset asserts near 4.65 V)
SEEN_SHARE = 0.5  # share of the coil's voltage that must arrive between the unit's pins; invented


def starts(machine: Machine, state: State) -> bool:
    """True when logic is powered and at least half of every pick-up's voltage arrives between two input pins."""
    (core,) = machine.all(Core)
    inputs = {i.pin for i in machine.all(Input)}
    try:
        rest = solve(machine, state)
        if rest.volts(f"{core.name}.vcc", f"{core.name}.gnd") < LOGIC_V:
            return False
        for pickup in machine.all(InductivePickup):
            turned = solve(machine.replaced(pickup, replace(pickup, emf_v=1.0)), state)
            steps = [turned.volts(pin) - rest.volts(pin) for pin in inputs]
            if max(steps) - min(steps) < SEEN_SHARE:
                return False
    except Unstable:
        return False
    return True
