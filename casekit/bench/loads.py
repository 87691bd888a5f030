"""What a technician hangs on a circuit to load it: a test lamp and a fixed resistor; and the clamp ammeter.

In: two points or a wire. Out: elements, and what is seen of them. Sizes are invented and usual for the trade.
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np

from casekit.circuit.operating_point import OperatingPoint
from casekit.machine.law import Cap, Element, Resistor, Valve

LAMP_W = 4.0  # test lamp at its rated voltage
# Current of a filament as a share of its rated one at a share of rated voltage: about the 0.55th power of it; a cold
# filament has about a tenth of its hot resistance (common practice, no source).
FILAMENT = ((0.0, 0.0), (0.02, 0.116), (0.1, 0.282), (0.35, 0.561), (1.0, 1.0), (2.4, 1.62))
GLOW = ((0.75, "bright"), (0.35, "dim"), (0.12, "a dull glow"))
LOAD_OHM = 50.0
LOAD_LIMITS_OHM = (5.0, 10_000.0)
CLAMP_DRIFT_A = 0.004  # drift of the clamp's zero in ten minutes, standard deviation


def lamp(red: str, black: str, rated_v: float) -> list[Element]:
    """The filament of a test lamp, both ways: i rises more and more slowly with v."""
    amps = LAMP_W / rated_v
    caps = []
    for (u0, i0), (u1, i1) in pairwise(FILAMENT):
        slope = (i1 - i0) * amps / ((u1 - u0) * rated_v)
        caps.append((1 / slope, u0 * rated_v - i0 * amps / slope))
    return [
        Valve(name, a, b, tuple(Cap("filament", ((a, 1.0), (b, -1.0)), r_ohm, e_v) for r_ohm, e_v in caps))
        for name, a, b in (("test lamp", red, black), ("test lamp back", black, red))
    ]


def glow(volts: float, rated_v: float) -> str:
    """What the lamp looks like with this voltage across it."""
    share = abs(volts) / rated_v
    return next((word for least, word in GLOW if share >= least), "dark")


def load(red: str, black: str, r_ohm: float) -> list[Element]:
    """A fixed resistor."""
    return [Resistor("load resistor", red, black, r_ohm)]


def wire_amps(point: OperatingPoint, wire: str) -> float:
    """Current in a wire where it leaves its end nearer the control unit, positive away from the unit; in ampere."""
    # A wire that a fault or a probe has cut is there in parts, the first of them named from 0 on.
    name = next(n for n in point.network.position if n == wire or n.startswith(f"{wire} 0-"))
    return point.amps(name)


def drift(seed: int, minutes: float) -> float:
    """How far the clamp's zero has wandered in this time, in ampere: the same for the same seed and time."""
    steps = np.random.default_rng([seed, 29]).normal(0.0, CLAMP_DRIFT_A, 200)
    whole = minutes / 10
    k = min(int(whole), len(steps) - 1)
    return float(steps[:k].sum() + steps[k] * (whole - k))
