"""What the control unit sees, inside, before its pins, and whether the engine runs on it.

In: the machine (or mix) and a state. Out: voltages and speeds by channel. What the unit makes of them is in
`machine.rules`. Nothing here looks at a fault: a fault shows only in voltages.
"""

from __future__ import annotations

from dataclasses import replace

from casekit.circuit.mean import Mix, Points, average, only, points
from casekit.circuit.operating_point import OperatingPoint, Unstable, solve
from casekit.machine.machine import Machine
from casekit.machine.program import Channel, Program
from casekit.machine.rules import LOGIC_V, SEEN_SHARE, STALLS, SWING_V, View
from casekit.machine.sensors import HallSwitch, InductivePickup
from casekit.machine.state import State
from casekit.machine.unit import Core


def view(mix: Mix, state: State) -> View:
    """What the unit sees on average in a state; with the key off it sees nothing."""
    machine = mix[0][1]
    (core,) = machine.all(Core)
    if state.key == "off":
        return View(False, {}, {})
    try:
        found = points(mix, state)
    except Unstable:
        return View(True, {}, {})
    vcc = average(found, lambda p: p.volts(f"{core.name}.vcc", f"{core.name}.gnd"))
    if vcc < LOGIC_V:
        return View(False, {}, {})
    return View(True, _volts(found, machine.program, core), _speeds(mix, state))


def _volts(found: Points, program: Program, core: Core) -> dict[str, float]:
    ground = f"{core.name}.gnd"

    def mean(channel: Channel) -> float:
        return average(found, lambda p: p.volts(channel.node, ground))

    return {c.name: mean(c) for c in program.channels if c.kind != "speed" and c.node}


def _speeds(mix: Mix, state: State) -> dict[str, float]:
    """Speed of every wheel while its signal arrives; a signal that is missing part of the time counts by its share."""
    machine = mix[0][1]
    rpm = machine.engine.rpm(state)
    speeds = {}
    for channel in machine.program.channels:
        if channel.kind == "speed":
            share = sum(part for part, variant in mix if arrives(variant, state, channel)) if rpm else 0.0
            turns = _wheel(machine, channel).turns
            speeds[channel.name] = rpm * turns if share > 1 - STALLS else 0.0
    return speeds


def _wheel(machine: Machine, channel: Channel):
    return machine.part(channel.sensor, (HallSwitch, InductivePickup)).wheel


def arrives(machine: Machine, state: State, channel: Channel) -> bool:
    """Whether the unit sees the edges of a speed signal while its wheel turns."""
    part = machine.part(channel.sensor, (HallSwitch, InductivePickup))
    (core,) = machine.all(Core)
    try:
        if isinstance(part, InductivePickup):
            rest = solve(machine, state)
            turned = solve(machine.replaced(part, replace(part, emf_v=1.0)), state)
            inside = [n for n in turned.network.index if n.startswith("input ")]
            steps = [turned.volts(n) - rest.volts(n) for n in inside]
            return max(steps) - min(steps) >= SEEN_SHARE
        turning = state if state.turning else replace(state, key="crank")
        low, high = (_inside(solve(machine, replace(turning, phase=phase)), channel, core) for phase in (0, 1))
        return abs(high - low) >= SWING_V
    except Unstable:
        return False


def _inside(point: OperatingPoint, channel: Channel, core: Core) -> float:
    return point.volts(channel.node, f"{core.name}.gnd")


def engine_runs(mix: Mix, state: State) -> bool:
    """Whether the engine starts and keeps running: the unit has power and sees the crankshaft turn most of the time."""
    turning = replace(state, key="run")
    sees = 0.0
    for share, machine in mix:
        try:
            (core,) = machine.all(Core)
            on = replace(state, key="on")
            vcc = solve(machine, on).volts(f"{core.name}.vcc", f"{core.name}.gnd")
            crank = [c for c in machine.program.channels if c.role == "crank"]
            if vcc >= LOGIC_V and all(arrives(machine, turning, c) for c in crank):
                sees += share
        except Unstable:
            continue
    return sees > 1 - STALLS


def healthy(machine: Machine, state: State) -> View:
    """The view of a machine that is the same all the time."""
    return view(only(machine), state)
