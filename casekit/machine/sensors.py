"""Sensors: each with its law, between its own pins (`B4.1m` and so on)."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import lru_cache

from casekit.machine.law import Cap, Element, Gate, Resistor, Source, Valve
from casekit.machine.state import LOAD, State

# Steinhart-Hart through -40, 25 and 140 C of a published automotive NTC table (2044 ohm at 25 C).
NTC_A, NTC_B, NTC_C = 1.33620e-3, 2.55949e-4, 1.50825e-7
# Platinum, IEC 60751:2008: R = R0 (1 + A t + B t^2 + C (t - 100) t^3), C below 0 C only.
PT_A, PT_B, PT_C = 3.9083e-3, -5.775e-7, -4.183e-12


@dataclass(frozen=True)
class Operating:
    """The operating variable with key on (engine stopped), with the engine running, under load, and while an
    operation is held (the first that is)."""

    on: float
    run: float
    load: float | None = None
    held: tuple[tuple[str, float], ...] = ()

    @classmethod
    def fixed(cls, value: float) -> Operating:
        """The same value in every state."""
        return cls(value, value)

    def value(self, state: State) -> float:
        """The value in this state; with key off, or cranking, it stays as with key on."""
        for name, value in self.held:
            if name in state.held:
                return value
        if state.key == "run":
            return self.load if self.load is not None and LOAD in state.held else self.run
        return self.on

    def degrees(self, state: State) -> float:
        """The value of a temperature: that of the running engine once the machine is warm, whatever the key says."""
        return self.value(replace(state, key="run")) if state.hot else self.on

    def shifted(self, by: float) -> Operating:
        """All values moved by the same amount."""
        load = None if self.load is None else self.load + by
        return Operating(self.on + by, self.run + by, load, tuple((n, v + by) for n, v in self.held))

    def scaled(self, by: float) -> Operating:
        """All values multiplied by the same factor: what is nought stays nought."""
        load = None if self.load is None else self.load * by
        return Operating(self.on * by, self.run * by, load, tuple((n, v * by) for n, v in self.held))


@dataclass(frozen=True)
class Ripple:
    """A sine on the operating variable: `amount` up and down, `per_rev` times an engine revolution."""

    amount: float
    per_rev: float


@dataclass(frozen=True)
class Wheel:
    """A toothed wheel: `teeth` places, the last `missing` of them left out, `turns` for each engine revolution;
    `tooth` is the share of a pitch that is tooth."""

    teeth: int
    missing: int
    turns: float
    tooth: float

    @property
    def share(self) -> float:
        """Share of a turn that is tooth."""
        return self.tooth * (self.teeth - self.missing) / self.teeth


@dataclass(frozen=True)
class Output:
    """Output of a ranged sensor as a share of its supply: `low` and `high` at the two ends of `span`."""

    low: float
    high: float
    span: tuple[float, float]
    at: Operating
    ripple: Ripple | None = None

    def travel(self, state: State) -> float:
        """The operating variable as a share of its span in this state."""
        return (self.at.value(state) - self.span[0]) / (self.span[1] - self.span[0])

    def share(self, state: State) -> float:
        """The output as a share of the supply in this state, never beyond its ends."""
        return min(max(self.low + (self.high - self.low) * self.travel(state), 0.0), 1.0)

    def drifted(self, by: float) -> Output:
        """The same output, moved by a share of the supply."""
        return replace(self, low=self.low + by, high=self.high + by)


@dataclass(frozen=True)
class Potentiometer:
    """Three-wire potentiometer on pins supply, signal, return.

    The wiper stands at the share `output` of the track, measured from the return end;
    `wiper_ohm` is in series with the signal; in the `dead` part of its travel the wiper touches nothing. A load R_L on
    the wiper pulls it down by the textbook loading error
    a^2 (1-a) / (b + a (1-a)), b = R_L / track.
    """

    name: str
    pins: tuple[str, str, str]
    track_ohm: float
    wiper_ohm: float
    output: Output
    dead: tuple[float, float] | None = None

    def elements(self, state: State) -> Iterator[Element]:
        """Two track parts and the wiper."""
        supply, signal, back = self.pins
        a, wiper = self.output.share(state), f"{self.name}.wiper"
        yield Resistor(f"{self.name} track high", supply, wiper, self.track_ohm * (1 - a))
        yield Resistor(f"{self.name} track low", wiper, back, self.track_ohm * a)
        if self.dead is None or not self.dead[0] <= self.output.travel(state) <= self.dead[1]:
            yield Resistor(f"{self.name} wiper", wiper, signal, self.wiper_ohm)


@dataclass(frozen=True)
class PressureSensor:
    """Ratiometric sensor with an output stage, on pins supply, signal, return.

    Output = ratio x supply behind `out_ohm`, sourcing from the supply pin and sinking to the return pin, each up to
    `out_limit_a`. It draws `draw_a` down to `brown_out_v` and proportionally less below; under brown-out the output
    falls steeply and is off below 0.6 of it (shape of the brown-out: common practice, no source).
    """

    name: str
    pins: tuple[str, str, str]
    draw_a: float
    out_ohm: float
    out_limit_a: float
    brown_out_v: float
    output: Output

    def elements(self, state: State) -> Iterator[Element]:
        """Supply current, sourcing half and sinking half of the output stage."""
        vs, out, gnd = self.pins
        k, r, limit = self.output.share(state), self.out_ohm, Cap.amps("output limit", self.out_limit_a)
        yield Valve(f"{self.name} supply current", vs, gnd, _draw(vs, gnd, self.draw_a, self.brown_out_v))
        steep, foot = 2.5, 0.6 * self.brown_out_v
        yield Valve(
            f"{self.name} output source",
            vs,
            out,
            (
                limit,
                Cap("in range", ((vs, k), (gnd, 1 - k), (out, -1.0)), r, 0.0),
                Cap("brown-out", ((vs, k * steep), (gnd, 1 - k * steep), (out, -1.0)), r, k * steep * foot),
                # It cannot lift its output above its own supply, nor, sinking, pull it below its own return.
                Cap("at supply", ((vs, 1.0), (out, -1.0)), r, 0.0),
            ),
            rest=1,
        )
        yield Valve(
            f"{self.name} output sink",
            out,
            gnd,
            (
                limit,
                Cap("in range", ((out, 1.0), (gnd, k - 1), (vs, -k)), r, 0.0),
                Cap("brown-out", ((vs, 1.0), (gnd, -1.0)), self.brown_out_v / self.out_limit_a, 0.0),
                Cap("at return", ((out, 1.0), (gnd, -1.0)), r, 0.0),
            ),
            rest=-1,
        )


@dataclass(frozen=True)
class HallSwitch:
    """Hall switch with open collector on pins supply, signal, return.

    The output pulls to return through `on_ohm` while it faces its target and has at least `brown_out_v`; the pull-up
    is the control unit's. With the engine running the target turns.
    """

    name: str
    pins: tuple[str, str, str]
    draw_a: float
    on_ohm: float
    out_limit_a: float
    brown_out_v: float
    target: bool
    wheel: Wheel = Wheel(1, 0, 1.0, 0.5)
    role: str = "speed"

    @property
    def turns(self) -> bool:
        """Whether a wheel turns before it; a position switch faces its target or not."""
        return self.role != "position"

    def elements(self, state: State) -> Iterator[Element]:
        """Supply current, and the output transistor while the target is there."""
        vs, out, gnd = self.pins
        yield Valve(f"{self.name} supply current", vs, gnd, _draw(vs, gnd, self.draw_a, self.brown_out_v))
        if state.phase > 1 - self.wheel.share if state.turning and self.turns else self.target:
            caps = (Cap("on", ((out, 1.0), (gnd, -1.0)), self.on_ohm, 0.0), Cap.amps("output limit", self.out_limit_a))
            yield Valve(f"{self.name} output", out, gnd, caps, Gate(vs, gnd, self.brown_out_v))


@dataclass(frozen=True)
class Thermistor:
    """Two-wire thermometer on pins signal, return; the operating variable is degrees Celsius.

    An NTC thermistor, or a platinum one of `r0_ohm` at 0 C where that is given.
    """

    name: str
    pins: tuple[str, str]
    at: Operating
    r0_ohm: float | None = None

    def temp_c(self, state: State) -> float:
        """The temperature in this state: a thermistor sits in water or air that warms slowly, platinum in the exhaust
        follows the engine at once."""
        return self.at.degrees(state) if self.r0_ohm is None else self.at.value(state)

    def r_ohm(self, temp_c: float) -> float:
        """Resistance in ohm at a temperature."""
        return ntc_ohm(temp_c) if self.r0_ohm is None else platinum_ohm(temp_c, self.r0_ohm)

    def elements(self, state: State) -> Iterator[Element]:
        """One resistor."""
        yield Resistor(self.name, *self.pins, self.r_ohm(self.temp_c(state)))


@dataclass(frozen=True)
class InductivePickup:
    """Two-wire inductive pick-up on pins signal, return: a coil.

    `emf_v` stands for one half-wave of the running signal; at rest, and for a dc meter, it is zero.
    """

    name: str
    pins: tuple[str, str]
    coil_ohm: float
    emf_v: float = 0.0
    wheel: Wheel = Wheel(20, 1, 1.0, 0.5)
    volts_at_1000_rpm: float = 6.0
    role: str = "crank"

    def elements(self, state: State) -> Iterator[Element]:
        """The coil."""
        yield Source(self.name, *self.pins, self.emf_v, self.coil_ohm)


Sensor = Potentiometer | PressureSensor | HallSwitch | Thermistor | InductivePickup


@lru_cache(maxsize=256)
def ntc_ohm(temp_c: float) -> float:
    """Resistance of the kit's NTC thermistor in ohm, Steinhart-Hart solved for R.

    1/T = A + B ln R + C (ln R)^3, solved in closed form; valid from -40 to 140 C.

    >>> round(ntc_ohm(25.0))
    2044
    """
    y = (NTC_A - 1 / (temp_c + 273.15)) / NTC_C
    p = NTC_B / NTC_C
    root = math.sqrt((p / 3) ** 3 + (y / 2) ** 2)
    return math.exp(math.cbrt(root - y / 2) - math.cbrt(root + y / 2))


def platinum_ohm(temp_c: float, r0_ohm: float = 100.0) -> float:
    """Resistance of a platinum thermometer in ohm, from -200 to 850 C (IEC 60751:2008).

    >>> round(platinum_ohm(100.0), 2)
    138.51
    """
    cold = PT_C * (temp_c - 100) * temp_c**3 if temp_c < 0 else 0.0
    return r0_ohm * (1 + PT_A * temp_c + PT_B * temp_c**2 + cold)


def _draw(vs: str, gnd: str, draw_a: float, brown_out_v: float) -> tuple[Cap, ...]:
    """Supply current: constant above brown-out, proportional below."""
    ramp = Cap("brown-out", ((vs, 1.0), (gnd, -1.0)), brown_out_v / draw_a, 0.0)
    return Cap.amps("in range", draw_a), ramp
