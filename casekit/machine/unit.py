"""The control unit: its core, its regulated sensor supplies and its inputs."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from casekit.machine.law import Cap, Element, Resistor, Valve
from casekit.machine.state import State

TRACE_OHM = 0.01  # a board trace with its pin; invented, of the usual size
DIODE_V = 0.6


@dataclass(frozen=True)
class Core:
    """Feed, ground and logic of the control unit.

    The unit's own consumption is a resistor sized for `load_a` at 12.6 V; its logic runs from a 5 V regulator of its
    own (`vcc`), on which the pull-ups stand, so that a shorted sensor supply does not take them down.
    """

    name: str
    feed: str
    grounds: tuple[str, ...]
    returns: tuple[str, ...]
    load_ohm: float
    logic_ohm: float = 80.0

    def elements(self, state: State) -> Iterator[Element]:
        """Traces, own load, logic regulator and logic load."""
        n = self.name
        rail, gnd, vcc = f"{n}.rail", f"{n}.gnd", f"{n}.vcc"
        yield Resistor(f"{n} feed", self.feed, rail, TRACE_OHM)
        for pin in (*self.grounds, *self.returns):
            yield Resistor(f"{n} trace {pin}", pin, gnd, TRACE_OHM)
        yield Resistor(f"{n} load", rail, gnd, self.load_ohm)
        yield Valve(f"{n} logic supply", rail, vcc, regulator_caps(rail, vcc, gnd, 5.0, 0.02, 0.4, 0.5, None))
        yield Resistor(f"{n} logic load", vcc, gnd, self.logic_ohm)


@dataclass(frozen=True)
class Supply:
    """A regulated sensor supply (the standard's sensor reference voltage).

    Regulates `set_v` behind `r_ohm` until `limit_a`. Beyond it holds the current (constant-current) or folds it back
    towards `short_a` in proportion to the output voltage. With too little input it follows the input less `dropout_v`.
    It cannot take current in: fed from outside it is blocked, and the output rises with what feeds it.
    """

    name: str
    unit: str
    pins: tuple[str, ...]
    nominal_v: float
    set_v: float
    tolerance: float
    r_ohm: float
    limit_a: float
    short_a: float | None
    dropout_v: float
    alive: bool = True
    sense_ohm: float = 20_000.0

    def elements(self, state: State) -> Iterator[Element]:
        """The pass transistor, the feedback divider and a trace to every pin."""
        rail, gnd, out = f"{self.unit}.rail", f"{self.unit}.gnd", f"{self.unit}.{self.name}"
        if self.alive:
            caps = regulator_caps(
                rail, out, gnd, self.set_v, self.r_ohm, self.dropout_v, self.limit_a, self.short_a, self.nominal_v
            )
            yield Valve(f"supply {self.name}", rail, out, caps)
        yield Resistor(f"supply {self.name} divider", out, gnd, self.sense_ohm)
        for pin in self.pins:
            yield Resistor(f"supply {self.name} trace {pin}", out, pin, TRACE_OHM)


@dataclass(frozen=True)
class Input:
    """An input pin: one pull resistor, and clamp diodes to the logic supply and to ground behind `clamp_ohm`."""

    name: str
    unit: str
    pin: str
    pull_ohm: float
    pull_up: bool
    clamp_ohm: float

    def elements(self, state: State) -> Iterator[Element]:
        """Pull resistor and two clamps."""
        gnd, vcc = f"{self.unit}.gnd", f"{self.unit}.vcc"
        yield Resistor(f"{self.name} pull", self.pin, vcc if self.pull_up else gnd, self.pull_ohm)
        high = Cap("clamp", ((self.pin, 1.0), (vcc, -1.0)), self.clamp_ohm, DIODE_V)
        low = Cap("clamp", ((gnd, 1.0), (self.pin, -1.0)), self.clamp_ohm, DIODE_V)
        yield Valve(f"{self.name} upper clamp", self.pin, vcc, (high,), rest=-1)
        yield Valve(f"{self.name} lower clamp", gnd, self.pin, (low,), rest=-1)


def regulator_caps(
    rail: str, out: str, gnd: str, set_v: float, r_ohm: float, dropout_v: float,
    limit_a: float, short_a: float | None, nominal_v: float = 5.0,
) -> tuple[Cap, ...]:  # fmt: skip
    """Upper limits of a series regulator's current: regulation, dropout, and the current limit."""
    if short_a is None:
        limit = Cap.amps("current limit", limit_a)
    else:
        slope = (limit_a - short_a) / nominal_v
        limit = Cap("foldback", ((out, slope), (gnd, -slope)), 1.0, -short_a)
    return (
        Cap("regulating", ((out, -1.0), (gnd, 1.0)), r_ohm, -set_v),
        Cap("dropout", ((rail, 1.0), (out, -1.0)), 0.5, dropout_v),
        limit,
    )
