"""The control unit's rules: what it makes of the voltages and speeds it sees, and how the machine then behaves.

In: the program, a `View` and a state. Out: faults the unit sees, values it shows and uses, and what a driver would
notice. Nothing here solves a circuit or knows a fault, so whoever weighs evidence may use the same rules as the unit.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from casekit.machine.program import MISMATCH, MISMATCH_S, Channel, Program
from casekit.machine.state import State

LOGIC_V = 4.65  # below this the control unit is in reset (a fixed 5 V regulator's datasheet, Oct 2008)
SEEN_SHARE = 0.5  # share of a pick-up's voltage that must arrive between the unit's inputs; invented
SWING_V = 2.0  # a Hall signal must swing at least this far inside the unit; invented
VISIBLE = 0.05  # how far a value must be off, as a share of its range (or of 100 degrees), to be noticed; invented
STALLS = 0.25  # the engine stalls when the crankshaft signal is missing for more than this share of the time; invented

# What a driver notices.
DARK, STAYS_ON = "nothing on the panel lights up", "the warning lamp stays on"
REDUCED, LONG_CRANKING = "power is reduced", "the engine starts only after long cranking"
COMES_AND_GOES, USUAL = "things come and go while you watch", "nothing unusual"


@dataclass(frozen=True)
class View:
    """Voltages (volt) and speeds (revolutions a minute of the wheel) by channel name; `alive`: the unit has power."""

    alive: bool
    volts: dict[str, float]
    rpm: dict[str, float]


@dataclass(frozen=True)
class Seen:
    """A fault the unit sees: its code (None if it has none), the channel, what is wrong, and how long it must last."""

    code: str | None
    channel: str
    text: str
    debounce_s: float


def seen(program: Program, what: View, state: State) -> list[Seen]:
    """The faults the unit sees in a view, debounce aside."""
    if not what.alive:
        return []
    found = [fault for channel in program.channels for fault in _wrong(program, channel, what, state)]
    return list(dict.fromkeys(found))


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


def behaviour(
    program: Program, faults: Sequence[Seen], state: State, wavers: bool = False, off: Mapping[str, bool] | None = None
) -> list[str]:
    """What a driver would notice, by the unit's rules: reduced power, lost functions, hard starting. `off`: what is
    `visibly_off`; where the unit sees no fault in it, a function works with a wrong value, and that shows."""
    bad = {fault.channel for fault in faults}
    wrong = {name: high for name, high in (off or {}).items() if name not in bad}
    plain = {c.name: c.name.removeprefix(f"{c.sensor} ") for c in program.channels}  # no driver says "B2"
    shows = [f"{plain[name]} plainly too {'high' if high else 'low'}" for name, high in wrong.items()]
    lines = []
    if state.key == "off":
        return ["everything is dark with the key off"]
    if state.key == "on":
        return [STAYS_ON if bad else "the lamps go through their test and go out", *shows]
    pedal = {c.name for c in program.channels if c.twin} | {c.twin for c in program.channels if c.twin}
    supplies = {c.name for c in program.channels if c.kind == "supply"}
    if bad & (pedal | supplies):
        lines.append(REDUCED)
    if any(c.role == "cam" and c.name in bad for c in program.channels):
        lines.append(LONG_CRANKING)
    if wavers:
        lines.append(COMES_AND_GOES)
    for channel in program.channels:
        if channel.kind == "supply":
            continue
        sensor = {c.name for c in program.channels if c.sensor == channel.sensor}
        works = channel.works if state.key == "run" and not wrong.keys() & sensor else None
        text = channel.lost if bad & sensor else works
        if text and text not in lines:
            lines.append(text)
    return lines + shows


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


def visibly_off(program: Program, what: View, due: View) -> dict[str, bool]:
    """Channels whose value anyone who knows the machine sees to be wrong beside what is due, each with whether it is
    too high; one that should have a value and has none counts as too high."""
    now, good = values(program, what, ()), values(program, due, ())
    found: dict[str, bool] = {}
    for channel in program.channels:
        width = channel.span[1] - channel.span[0] if channel.kind == "share" else 100.0
        if channel.kind != "supply" and channel.name in good:
            apart = now.get(channel.name, (math.inf,))[0] - good[channel.name][0]
            if abs(apart) > VISIBLE * width:
                found[channel.name] = apart > 0
    return found


def _wrong(program: Program, channel: Channel, what: View, state: State) -> Iterator[Seen]:
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


def _expected(program: Program, channel: Channel, what: View, state: State) -> bool:
    """A speed signal is missed while the crankshaft is seen to turn; the crankshaft's own whenever the engine turns."""
    crank = [c for c in program.channels if c.role == "crank"]
    return channel.role == "crank" or not crank or any(what.rpm.get(c.name, 0.0) > 0 for c in crank)
