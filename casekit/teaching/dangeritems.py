"""Exam items about what harms: which of these must not be done here?

In: a `FaultTable`, a key, a generator of random numbers. Out: an `Item`, or None where none that is fair was drawn.
What harms is worked out on the sound machine: the amperes that would flow, the volts that would stand where they must
not. Limits are common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from casekit.bench.loads import LAMP_W, lamp
from casekit.circuit.change import joined
from casekit.circuit.operating_point import solve
from casekit.error import CircuitError
from casekit.machine.harness import Wire
from casekit.machine.law import Element
from casekit.machine.machine import JUMPER_OHM
from casekit.reasoning.words import number
from casekit.teaching.ability import SAFE
from casekit.teaching.faulttable import BATTERY_V, ON, FaultTable
from casekit.teaching.item import Item, Option, shuffled

LIVE_V, DEAD_V = 0.5, 0.01  # above: no ohms; below: nothing flows where a jumper is laid to ground
SHUNT_OHM, FUSE_A = 0.02, 10.0  # a meter on amps with its leads, and its fuse
MOST_V, SAGS = 6.0, 0.95  # what a 5 V circuit stands at most; the share of a supply that a lamp must leave
TRIES = 12  # points that are tried for a deed of one kind
FEW_A, FEW = 0.1, 0.02  # what flows at most, and how far volts move at most, where nothing is harmed


@dataclass(frozen=True)
class Deed:
    """Something that may be done: what, at which point (its number), what comes of it, whether it harms, and the wrong
    idea of who thinks it does."""

    what: str
    point: int
    then: str
    harms: bool
    idea: str


class Dangers:
    """What may be done on a machine and what comes of it; worked out once."""

    def __init__(self, t: FaultTable):
        self.t = t
        self._lamps: dict[int, float] = {}
        plus, earth = t.drawing.plus, t.drawing.earth
        self.feed = self._jumped([(plus, p, JUMPER_OHM) for p in t.points])
        self.ground = self._jumped([(p, earth, JUMPER_OHM) for p in t.points])
        self.amps = self._jumped([(p, earth, SHUNT_OHM) for p in t.points])

    def draw(self, rng: np.random.Generator, harms: bool, kinds: list[str]) -> Deed | None:
        """A deed of one of these kinds, the first that has any, at a drawn point, that harms or clearly does not."""
        for kind in kinds:
            for k in rng.permutation(len(self.t.points))[:TRIES]:
                done = getattr(self, f"_{kind}")(int(k), harms)
                if done is not None and done.harms == harms:
                    return done
        return None

    # Kinds of deeds -------------------------------------------------------------------------------------------------

    def _volts(self, k: int, harms: bool) -> Deed | None:
        v = float(self.t.volts[0, k])
        return Deed(f"volts with a 10 MΩ meter, key on, at {self.t.where(k)}", k,
                    f"{number(v, 'V')} are shown, and next to nothing is taken", False,
                    "a meter on volts harms electronics")  # fmt: skip

    def _ohms(self, k: int, harms: bool) -> Deed | None:
        v, where = float(self.t.volts[0, k]), self.t.where(k)
        if harms:
            then = f"{number(v, 'V')} stand there, so no ohms are shown and the meter is driven"
            return Deed(f"ohms, key on, at {where}", k, then, True, "") if abs(v) > LIVE_V else None
        return Deed(f"ohms, key off and the battery taken off, at {where}", k, "nothing is live", False,
                    "ohms are never measured on a harness")  # fmt: skip

    def _lamp(self, k: int, harms: bool) -> Deed | None:
        v = float(self.t.volts[0, k])
        if not (v > BATTERY_V or self.t.points[k] in self.t.supplied):
            return None
        if k not in self._lamps:
            self._lamps[k] = self._volts_with(
                k, lamp(self.t.points[k], self.t.drawing.earth, self.t.file.battery.rest_v)
            )
        left = self._lamps[k]
        sunk = left < SAGS * v
        # A supply that holds out is still electronics: a lamp there is never called harmless.
        if not np.isfinite(left) or (not sunk and (v < BATTERY_V or left < (1 - FEW) * v)):
            return None
        then = f"the {number(v, 'V')} there {'sink to' if sunk else 'stay at'} {number(left, 'V')}"
        return Deed(f"a {LAMP_W:g} W test lamp, key on, at {self.t.where(k)}", k, then, sunk,
                    "a test lamp is never used at all")  # fmt: skip

    def _amps(self, k: int, harms: bool) -> Deed | None:
        # Across two points it is a piece of wire, and never called harmless, however little flows on a sound machine.
        if not self._flows(k, self.amps[k]):
            return None
        return Deed(f"the meter on amps, key on, at {self.t.where(k)}", k,
                    f"{number(abs(self.amps[k]), 'A')} flow, far beyond its fuse", True, "")  # fmt: skip

    def _clamp(self, k: int, harms: bool) -> Deed | None:
        wires = [w.name for w in self.t.drawing.all(Wire) if self.t.points[k] in (w.a, w.b)]
        if not wires:
            return None
        return Deed(f"a clamp ammeter, key on, around {wires[0]}", k, "it touches no metal and takes nothing", False,
                    "whatever shows amperes loads the circuit")  # fmt: skip

    def _ground(self, k: int, harms: bool) -> Deed | None:
        much = self._flows(k, self.ground[k])
        if much is None or self._at_battery(k):
            return None
        flow, where = f"{number(abs(self.ground[k]), 'A')} flow", self.t.where(k)
        if much:
            return Deed(f"a jumper without a fuse, key on, at {where}", k, f"{flow}, a fire", True, "")
        return Deed(f"a jumper with a fuse, key on, at {where}", k, f"{flow}, as it is on ground already", False,
                    "a jumper to ground is always a short")  # fmt: skip

    def _feed(self, k: int, harms: bool) -> Deed | None:
        v, amps = float(self.t.volts[0, k]), abs(self.feed[k])
        if not np.isfinite(amps) or self._at_battery(k):
            return None
        what = f"a fused jumper from {self.t.drawing.plus}, key on, at {self.t.points[k]}"
        risen = self.t.volts[0, self.t.points.index(self.t.drawing.plus)] - amps * JUMPER_OHM
        if LIVE_V < v < MOST_V < risen:
            return Deed(what, k, f"about {number(risen, 'V')} stand where {number(v, 'V')} belong", True, "")
        if v > BATTERY_V and amps < FUSE_A:
            return Deed(what, k, f"{number(amps, 'A')} flow, as battery voltage belongs there", False,
                        "battery voltage is laid on nothing")  # fmt: skip
        return None

    # Inside ---------------------------------------------------------------------------------------------------------

    def _flows(self, k: int, amps: float) -> bool | None:
        """Whether far too much flows through a piece of wire to ground; None where it is neither that nor nothing, and
        on a sensor return, where nobody lays anything."""
        if abs(amps) > FUSE_A:
            return True
        if self.t.points[k] in self.t.returns:
            return None
        return False if abs(self.t.volts[0, k]) < DEAD_V and abs(amps) < FEW_A else None

    def _at_battery(self, k: int) -> bool:
        """Whether a point is a post of the battery itself."""
        return self.t.points[k] in (self.t.drawing.plus, self.t.drawing.earth)

    def _jumped(self, pairs: list[tuple[str, str, float]]) -> list[float]:
        """Amperes through pieces of wire, one at a time; nan where there is no steady state."""
        family = self.t.expect.guess.family(ON)
        solved = family.solve([joined(a, b, r_ohm) for a, b, r_ohm in pairs])
        volts = solved.values(family.pick([(a, b) for a, b, _ in pairs]))
        return [float(volts[n, n]) / r_ohm for n, (_, _, r_ohm) in enumerate(pairs)]

    def _volts_with(self, k: int, hung: list[Element]) -> float:
        try:
            found = solve(self.t.drawing, ON, hung, self.t.sound)
        except CircuitError:
            return np.nan
        return found.volts(self.t.points[k], self.t.drawing.earth)


@lru_cache(maxsize=8)
def dangers(t: FaultTable) -> Dangers:
    """What may be done on a machine; kept."""
    return Dangers(t)


def danger(t: FaultTable, key: str, rng: np.random.Generator) -> Item | None:
    """Which of these must not be done? One harms, by what the circuit gives; the others do not."""
    d = dangers(t)
    kinds = ["ohms", "lamp", "amps", "feed", "ground"]
    bad = d.draw(rng, True, [kinds[int(k)] for k in rng.permutation(len(kinds))])
    others = ["volts", "ohms", "lamp", "clamp", "feed", "ground"]
    good = [d.draw(rng, False, [others[int(k)]]) for k in rng.permutation(len(others))]
    safe = [deed for deed in good if deed][:3]
    if bad is None or len(safe) < 3:
        return None
    options, right = shuffled(Option(bad.what), [Option(deed.what, deed.idea) for deed in safe], rng)
    told = "; ".join(f"{deed.what}: {deed.then}" for deed in (bad, *safe))
    return Item(key, "danger", "choice", SAFE, t.name,
                "The machine is sound. Which of these must not be done? (The maker's service information comes first.)",
                options=options, right=right, because=f"{told[:1].upper()}{told[1:]}.",
                rings=((t.points[bad.point], "no"),), level=1 + bad.what.startswith("a fused jumper from"))  # fmt: skip
