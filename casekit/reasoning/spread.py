"""What is not known about a healthy machine: how far its parts and its operating values may lie off the drawing.

In: a drawing. Out: for every such quantity the part as it would be one standard uncertainty away (JCGM 100; a
tolerance is a rectangle, its standard uncertainty the half width over root three).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from casekit.machine.harness import Battery, Contact, Wire
from casekit.machine.machine import COIL, DRAW, KELVIN, LENGTH, LIMIT, OUTPUT, TERMINAL, TRACK, Machine, Part
from casekit.machine.sensors import HallSwitch, InductivePickup, Output, Potentiometer, PressureSensor, Thermistor
from casekit.machine.unit import Input, Supply
from casekit.reasoning.uncertainty import combined, rectangular

# Standard uncertainties of operating values (common practice, no source): what a gauge, a tank or an engine really
# stands at while somebody measures, as a share of the span, in kelvin, as a share of the battery's voltage; and the
# half width of a pull resistor.
OPERATING, ENGINE_KELVIN, BATTERY = 0.02, 2.0, 0.02
PULL = 0.01


def shared(drawing: Machine) -> Iterator[tuple[Part, Part]]:
    """(part, the part one standard uncertainty away): quantities that many readings have in common."""
    for part in drawing.parts:
        match part:
            case Supply():
                yield part, replace(part, set_v=part.set_v + rectangular(part.nominal_v * part.tolerance))
                yield part, replace(part, limit_a=part.limit_a * (1 + rectangular(LIMIT)))
            case Battery():
                more = 1 + BATTERY
                yield part, replace(part, rest_v=part.rest_v * more, run_v=part.run_v * more, crank_v=part.crank_v)
            case Potentiometer():
                yield part, replace(part, track_ohm=part.track_ohm * (1 + rectangular(TRACK)))
                yield part, replace(part, output=_off(part.output))
            case PressureSensor():
                yield part, replace(part, draw_a=part.draw_a * (1 + rectangular(DRAW)))
                yield part, replace(part, output=_off(part.output))
            case HallSwitch():
                yield part, replace(part, draw_a=part.draw_a * (1 + rectangular(DRAW)))
            case Thermistor():
                yield part, replace(part, at=part.at.shifted(combined(rectangular(KELVIN), ENGINE_KELVIN)))
            case InductivePickup():
                yield part, replace(part, coil_ohm=part.coil_ohm * (1 + rectangular(COIL)))
            case Input():
                yield part, replace(part, pull_ohm=part.pull_ohm * (1 + rectangular(PULL)))


def copper(drawing: Machine) -> Iterator[tuple[Part, Part]]:
    """The same for every wire and every contact: each of these touches few readings."""
    terminal = rectangular((TERMINAL[1] - TERMINAL[0]) / 2)
    for part in drawing.all((Wire, Contact)):
        if isinstance(part, Wire):
            yield part, replace(part, length_m=part.length_m * (1 + rectangular(LENGTH)))
        else:
            yield part, replace(part, r_ohm=part.r_ohm * (1 + terminal))


def _off(output: Output) -> Output:
    """An output one standard uncertainty higher: its own error, and that of what it measures."""
    by = combined(rectangular(output.high * OUTPUT), OPERATING * abs(output.high - output.low))
    return output.drifted(by)
