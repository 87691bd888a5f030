"""The multimeter: 6000 counts, 10 Mohm, its own errors and its own test current.

In: a mix of machines (what is there for which share of the time), a state, two probe points. Out: what the display
shows, the value it means and its uncertainty. The specification is invented and of the usual size for a hand-held
instrument.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from casekit.circuit.mean import Mix, Points, average, points
from casekit.circuit.operating_point import OperatingPoint, Unstable
from casekit.circuit.readout import INPUT_OHM
from casekit.machine.law import Cap, Resistor, Valve
from casekit.machine.state import State

COUNTS = 6000
LIVE_V = 0.002  # a difference that already upsets an ohms reading
MINMAX_S = 0.1  # min/max keeps the least and the greatest average over this long
BEEP_OHM = 30.0  # continuity beeps below this
LIVE_COMMON_V = 0.1  # a voltage against battery negative that says the circuit is powered
JUMPS = "the display jumps"
LIVE = "live circuit"  # how the note on ohms of one begins


@dataclass(frozen=True)
class Range:
    """One range: the largest value it shows, and the display's unit, scale and decimals."""

    full: float
    unit: str
    scale: float
    decimals: int
    test_a: float = 0.0

    @property
    def step(self) -> float:
        """One count, in SI units."""
        return 10.0**-self.decimals / self.scale


@dataclass(frozen=True)
class Function:
    """A meter function: its ranges and its accuracy, a share of the reading plus counts."""

    name: str
    si: str
    ranges: tuple[Range, ...]
    share: float
    counts: float

    def half_width(self, value: float, used: Range) -> float:
        """Specification limit for `value` on a range, in SI units.

        >>> volts = Function("volts", "V", (Range(600.0, "V", 1, 1),), 0.01, 3)
        >>> round(volts.half_width(120.0, volts.ranges[0]), 6)
        1.5
        """
        return self.share * abs(value) + self.counts * used.step

    def number(self, value: float) -> int:
        """Which of the ranges a value is shown on: the lowest that holds it, the last if none does."""
        return next((k for k, used in enumerate(self.ranges) if abs(value) <= used.full), len(self.ranges) - 1)

    def u(self, values: np.ndarray) -> np.ndarray:
        """Standard uncertainties of values as they are shown, in SI units; infinite over the top of all ranges."""
        size = np.abs(np.nan_to_num(values))
        step = np.select([size <= used.full for used in self.ranges], [used.step for used in self.ranges], np.inf)
        return (self.share * size + self.counts * step) / math.sqrt(3)


FUNCTIONS = {
    f.name: f
    for f in (
        Function("volts", "V", (Range(6, "V", 1, 3), Range(60, "V", 1, 2), Range(600, "V", 1, 1)), 0.003, 2),
        Function("millivolts", "V", (Range(0.06, "mV", 1e3, 2), Range(0.6, "mV", 1e3, 1)), 0.005, 3),
        Function(
            "ohms",
            "ohm",
            (
                Range(600, "Ω", 1, 1, 1e-3),
                Range(6e3, "kΩ", 1e-3, 3, 1e-4),
                Range(6e4, "kΩ", 1e-3, 2, 1e-5),
                Range(6e5, "kΩ", 1e-3, 1, 1e-6),
                Range(6e6, "MΩ", 1e-6, 3, 1e-7),
                Range(6e7, "MΩ", 1e-6, 2, 1e-8),
            ),
            0.009,
            2,
        ),
        Function("continuity", "ohm", (Range(600, "Ω", 1, 1, 1e-3),), 0.009, 2),
        Function("amps", "A", (Range(6, "A", 1, 3), Range(60, "A", 1, 2)), 0.02, 3),
    )
}


@dataclass(frozen=True)
class Shown:
    """A display: its text, the value it means (nan for none), the standard uncertainty, and a remark."""

    text: str
    value: float
    u: float
    note: str = ""


@dataclass(frozen=True)
class Meter:
    """One individual meter: its gain error as a share of the specification, and its zero error in counts."""

    gain: float = 0.0
    zero: float = 0.0

    @classmethod
    def drawn_by(cls, seed: int) -> Meter:
        """A meter somewhere inside its specification."""
        rng = np.random.default_rng([seed, 7])
        return cls(gain=rng.uniform(-0.6, 0.6), zero=rng.uniform(-0.6, 0.6))

    def measure(self, mix: Mix, state: State, function: str, red: str, black: str) -> Shown:
        """What this meter shows with its leads on `red` and `black`."""
        kind = FUNCTIONS[function]
        try:
            if function in ("ohms", "continuity"):
                return self._ohms(mix, state, kind, red, black)
            found = points(mix, state, (Resistor("meter", red, black, INPUT_OHM),))
        except Unstable:
            return Shown("unstable", math.nan, math.nan, "the display keeps jumping; the circuit finds no steady state")
        note = _moving(found, len(mix), red, black, kind.ranges[0].step)
        return self.display(kind, average(found, lambda p: p.volts(red, black)), note)

    def display(self, kind: Function, value: float, note: str = "") -> Shown:
        """A value on the lowest range that holds it."""
        for used in kind.ranges:
            shown = self._shown(kind, used, value, note)
            if shown is not None:
                return shown
        return Shown("OL", math.nan, math.nan, "more than this function can show; use volts")

    def _shown(self, kind: Function, used: Range, value: float, note: str = "") -> Shown | None:
        """The display on one range, or None when the value is over its counts."""
        read = value * (1 + self.gain * kind.share) + self.zero * kind.counts * used.step * (value != 0)
        count = round(read / used.step)
        if abs(count) > COUNTS:
            return None
        text = f"{count * used.step * used.scale:.{used.decimals}f} {used.unit}".replace("-", "−")
        if count == 0:
            text = text.replace("−", "")
        seen = count * used.step
        return Shown(text, seen, kind.half_width(seen, used) / math.sqrt(3), note)

    def _ohms(self, mix: Mix, state: State, kind: Function, red: str, black: str) -> Shown:
        """Ohms: a test current out of the red lead, ranging up until the display fits."""
        before = points(mix, state)
        note = _live(mix[0][1].earth, red, black, [p for _, p in before])
        # On a live circuit no range makes sense of it; the lowest shows that as well as all of them.
        ranges = kind.ranges[:1] if note else kind.ranges
        found, least = before, 0.0
        for used in ranges:
            if used.full < least:
                continue
            source = ohms_source(used.test_a, red, black)
            found = points(mix, state, (source,), [p for _, p in found])
            volts = average(found, lambda p: p.volts(red, black))
            shown = self._shown(kind, used, volts / used.test_a, note)
            if shown is not None:
                beep = kind.name == "continuity" and not note and shown.value < BEEP_OHM
                return replace(shown, note="it beeps") if beep else shown
            # Ranges that cannot hold what the current that did flow found are passed over.
            amps = min(p.amps("meter") for _, p in found)
            least = 0.9 * abs(volts) / amps if amps > 0 else math.inf
        return Shown("OL", math.inf, math.nan, note)


def loaded_volts(mix: Mix, state: State, red: str, black: str) -> float:
    """Voltage of `red` against `black` through the meter's 10 Mohm, averaged where it moves."""
    found = points(mix, state, (Resistor("meter", red, black, INPUT_OHM),))
    return average(found, lambda p: p.volts(red, black))


def ohms_source(test_a: float, red: str, black: str) -> Valve:
    """The meter's ohms source: `test_a` out of the red lead, at most 3 V open."""
    compliance = Cap("open leads", ((black, 1.0), (red, -1.0)), 100.0, -3.0)
    return Valve("meter", black, red, (Cap.amps("test current", test_a), compliance), rest=1)


def _moving(found: Points, variants: int, red: str, black: str, step: float) -> str:
    """A remark when what the meter averages over differs by much; a display jumps visibly by ten of its steps."""
    values = [p.volts(red, black) for _, p in found]
    swing = max(values) - min(values)
    if variants > 1 and swing > 10 * step:
        return JUMPS
    return "the signal is switching; the meter shows its average" if swing > 0.2 else ""


def _live(earth: str, red: str, black: str, before: list[OperatingPoint]) -> str:
    """A warning when the circuit under the leads is not dead before the test current, else an empty string."""
    volts = max(abs(p.volts(red, black)) for p in before)
    common = max(abs(p.volts(lead, earth)) for p in before for lead in (red, black))
    if volts < LIVE_V and common < LIVE_COMMON_V:
        return ""
    return f"{LIVE} ({max(volts, common):.2f} V): this is not a resistance; make it dead first"
