"""The control unit: its core, its regulated sensor supplies and its inputs."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from casekit.machine.law import Cap, Capacitor, Element, Resistor, Retry, Valve
from casekit.machine.state import State

TRACE_OHM = 0.01  # a board trace with its pin; invented, of the usual size
DIODE_V, DIODE_OHM = 0.6, 10.0


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

    Regulates `set_v` behind `r_ohm` until `limit_a`. Beyond it holds the current (constant-current), folds it back
    towards `short_a` in proportion to the output voltage, or shuts off and retries (`retry`). With too little input it
    follows the input less `dropout_v`. It cannot take current in: fed from outside it is blocked, and the output rises
    with what feeds it.
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
    out_f: float = 4.7e-6
    retry: Retry | None = None

    @property
    def inside(self) -> str:
        """The node the control unit measures: inside, before its pin."""
        return f"{self.unit}.{self.name}"

    def elements(self, state: State) -> Iterator[Element]:
        """The pass transistor, the feedback divider and a trace to every pin."""
        rail, gnd, out = f"{self.unit}.rail", f"{self.unit}.gnd", self.inside
        if self.alive:
            caps = regulator_caps(
                rail, out, gnd, self.set_v, self.r_ohm, self.dropout_v, self.limit_a, self.short_a, self.nominal_v
            )
            yield Valve(f"supply {self.name}", rail, out, caps, retry=self.retry)
        yield Capacitor(f"supply {self.name} capacitor", out, gnd, self.out_f)
        yield Resistor(f"supply {self.name} divider", out, gnd, self.sense_ohm)
        for pin in self.pins:
            yield Resistor(f"supply {self.name} trace {pin}", out, pin, TRACE_OHM)


@dataclass(frozen=True)
class Input:
    """An input pin: one pull resistor, then `filter_ohm` to the node the converter measures, with `filter_f` to ground
    and clamp diodes to the logic supply and to ground."""

    name: str
    unit: str
    pin: str
    pull_ohm: float
    pull_up: bool
    filter_ohm: float
    filter_f: float = 1e-7

    @property
    def inside(self) -> str:
        """The node the converter measures."""
        return f"{self.name} inside"

    def elements(self, state: State) -> Iterator[Element]:
        """Pull resistor, filter and two clamps."""
        gnd, vcc, inside = f"{self.unit}.gnd", f"{self.unit}.vcc", self.inside
        yield Resistor(f"{self.name} pull", self.pin, vcc if self.pull_up else gnd, self.pull_ohm)
        yield Resistor(f"{self.name} filter", self.pin, inside, self.filter_ohm)
        yield Capacitor(f"{self.name} capacitor", inside, gnd, self.filter_f)
        high = Cap("clamp", ((inside, 1.0), (vcc, -1.0)), DIODE_OHM, DIODE_V)
        low = Cap("clamp", ((gnd, 1.0), (inside, -1.0)), DIODE_OHM, DIODE_V)
        yield Valve(f"{self.name} upper clamp", inside, vcc, (high,), rest=-1)
        yield Valve(f"{self.name} lower clamp", gnd, inside, (low,), rest=-1)


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
