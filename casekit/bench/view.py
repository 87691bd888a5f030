"""What the control unit sees, inside, before its pins; what it makes of it; and how the machine then behaves.

In: the machine (or mix) and a state. Out: voltages and speeds by channel, faults the unit sees, values it shows and
uses, and what a driver would notice. Nothing here looks at a fault: a fault shows only in voltages.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from casekit.bench.memory import Seen
from casekit.circuit.mean import Mix, Points, average, only, points
from casekit.circuit.operating_point import OperatingPoint, Unstable, solve
from casekit.machine.machine import Machine
from casekit.machine.program import MISMATCH, MISMATCH_S, Channel, Program
from casekit.machine.sensors import HallSwitch, InductivePickup
from casekit.machine.state import State
from casekit.machine.unit import Core

LOGIC_V = 4.65  # below this the control unit is in reset (a fixed 5 V regulator's datasheet, Oct 2008)
SEEN_SHARE = 0.5  # share of a pick-up's voltage that must arrive between the unit's inputs; invented
SWING_V = 2.0  # a Hall signal must swing at least this far inside the unit; invented
STALLS = 0.25  # the engine stalls when the crankshaft signal is missing for more than this share of the time; invented


@dataclass(frozen=True)
class View:
    """Voltages (volt) and speeds (revolutions a minute of the wheel) by channel name; `alive`: the unit has power."""

    alive: bool
    volts: dict[str, float]
    rpm: dict[str, float]


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


# What the unit makes of it ---------------------------------------------------------------------------------------


def seen(program: Program, what: View, state: State) -> list[Seen]:
    """The faults the unit sees in a view, debounce aside."""
    if not what.alive:
        return []
    found = [fault for channel in program.channels for fault in _wrong(program, channel, what, state)]
    return list(dict.fromkeys(found))


def _wrong(program: Program, channel: Channel, what: View, state: State):
    if channel.kind == "speed":
        if state.turning and what.rpm.get(channel.name, 0.0) == 0.0 and _expected(program, channel, what, state):
            yield Seen(channel.missing_code, channel.name, "no signal", channel.debounce_s)
        return
    volts = what.volts.get(channel.name)
    if volts is None:
        return
    yield from out_of_range(channel, volts)
    if channel.twin and channel.mismatch_code:
        other = program.channel(channel.twin)
        if channel.twin in what.volts and mismatched(channel, other, volts, what.volts[channel.twin]):
            yield Seen(channel.mismatch_code, channel.name, "the two tracks disagree", MISMATCH_S)


def out_of_range(channel: Channel, volts: float) -> list[Seen]:
    """The fault of a voltage beyond the channel's limits, if it is."""
    if channel.limits_v is None:
        return []
    low, high = channel.limits_v
    if volts < low:
        return [Seen(channel.low_code, channel.name, "voltage too low", channel.debounce_s)]
    if volts > high:
        return [Seen(channel.high_code, channel.name, "voltage too high", channel.debounce_s)]
    return []


def mismatched(channel: Channel, other: Channel, volts: float, other_volts: float) -> bool:
    """Whether two tracks of one shaft disagree."""
    return abs(channel.travel(volts) - other.travel(other_volts)) > MISMATCH


def _expected(program: Program, channel: Channel, what: View, state: State) -> bool:
    """A speed signal is missed while the crankshaft is seen to turn; the crankshaft's own whenever the engine turns."""
    crank = [c for c in program.channels if c.role == "crank"]
    return channel.role == "crank" or not crank or any(what.rpm.get(c.name, 0.0) > 0 for c in crank)


# How the machine behaves -----------------------------------------------------------------------------------------


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


def behaviour(program: Program, faults: Sequence[Seen], state: State, wavers: bool = False) -> list[str]:
    """What a driver would notice, by the unit's rules: reduced power, lost functions, hard starting."""
    bad = {fault.channel for fault in faults}
    lines = []
    if state.key == "off":
        return ["everything is dark with the key off"]
    if state.key == "on":
        return ["the warning lamp stays on" if bad else "the lamps go through their test and go out"]
    pedal = {c.name for c in program.channels if c.twin} | {c.twin for c in program.channels if c.twin}
    supplies = {c.name for c in program.channels if c.kind == "supply"}
    if bad & (pedal | supplies):
        lines.append("power is reduced")
    if any(c.role == "cam" and c.name in bad for c in program.channels):
        lines.append("the engine starts only after long cranking")
    if wavers:
        lines.append("things come and go while you watch")
    for channel in program.channels:
        if channel.kind == "supply":
            continue
        sensor = {c.name for c in program.channels if c.sensor == channel.sensor}
        text = channel.lost if bad & sensor else channel.works if state.key == "run" else None
        if text and text not in lines:
            lines.append(text)
    return lines


def values(program: Program, what: View, faults: Sequence[Seen]) -> Mapping[str, tuple[float | None, str, bool]]:
    """Channel name -> (value in use, unit, substituted). None where there is no good value and no substitute."""
    bad = {fault.channel for fault in faults}
    shown: dict[str, tuple[float | None, str, bool]] = {}
    for channel in program.channels:
        if channel.kind == "speed":
            shown[channel.name] = what.rpm.get(channel.name, 0.0), channel.unit, False
        elif channel.name in what.volts:
            volts = what.volts[channel.name]
            volts = volts if channel.kind == "supply" else program.converted(volts)
            spoilt = channel.name in bad and channel.kind != "supply"
            shown[channel.name] = (channel.substitute if spoilt else channel.value(volts)), channel.unit, spoilt
    return shown


def healthy(machine: Machine, state: State) -> View:
    """The view of a machine that is the same all the time."""
    return view(only(machine), state)
