"""All machines, every fault of every kind at every place, and seeded probe pairs.

In: the files in scenarios/machines. Out: faults and pairs that are the same on every run.
"""

from __future__ import annotations

import itertools
import random
import zlib
from functools import cache
from pathlib import Path

from casekit.files.check import read_machine
from casekit.machine import faults as f
from casekit.machine.drawn import drawn
from casekit.machine.harness import Contact, Wire
from casekit.machine.machine import Machine
from casekit.machine.sensors import Potentiometer, PressureSensor
from casekit.machine.state import LOAD, State
from casekit.machine.unit import Supply

SCENARIOS = Path(__file__).parent.parent / "scenarios" / "machines"
BUNDLE_PAIRS = 40  # shorts between wires that share no contact point, sampled
GROUND_OHM, BATTERY_OHM, BETWEEN_OHM = (0.0, 0.3, 0.8, 4.0, 60.0), (0.0, 0.5, 3.0, 40.0), (0.0, 0.4, 2.0, 150.0)
EXTRA_OHM = (0.5, 8.0, 120.0, 3_000.0, 50_000.0)
LEAK_OHM, DRIFT, SPAN = (60.0, 1_500.0, 40_000.0), (-0.3, -0.05, 0.08, 0.4), ((0.0, 0.3), (0.2, 0.8), (0.6, 1.0))


@cache
def machines() -> tuple[Machine, ...]:
    """Every machine of the scenarios folder, as drawn."""
    return tuple(drawn(read_machine(path)) for path in sorted(SCENARIOS.glob("*.yaml")))


def seeded(machine: Machine, purpose: str) -> random.Random:
    """A random generator that depends on the machine and the purpose only."""
    return random.Random(zlib.crc32(f"{machine.name} {purpose}".encode()))


def faults(machine: Machine) -> list[f.Fault]:
    """Every fault of every kind at every place, one size each; exact dead shorts (0 ohm) are among the sizes."""
    rng = seeded(machine, "faults")
    found: list[f.Fault] = []
    for part in machine.all((Wire, Contact)):
        at = rng.choice((0.1, 0.35, 0.5, 0.8)) if isinstance(part, Wire) else 0.5
        found += [
            f.ShortToGround(part.name, rng.choice(GROUND_OHM), at),
            f.ShortToBattery(part.name, rng.choice(BATTERY_OHM), at),
            f.Open(part.name, at),
            f.HighResistance(part.name, rng.choice(EXTRA_OHM), at),
        ]
    touching = {
        (a, b): (at, to)
        for point in machine.contact_points
        for (a, at), (b, to) in itertools.combinations(point.wires, 2)
    }
    names = [wire.name for wire in machine.all(Wire)]
    others = [pair for pair in itertools.combinations(names, 2) if pair not in touching]
    for pair in rng.sample(others, min(BUNDLE_PAIRS, len(others))):
        touching[pair] = (0.5, 0.5)
    found += [f.ShortBetweenWires(a, b, rng.choice(BETWEEN_OHM), *spot) for (a, b), spot in touching.items()]
    found += [f.SensorShorted(p.name, rng.choice((0.0, 1.5))) for p in machine.plugs if p.kind == "sensor"]
    for supply in machine.all(Supply):
        found += [f.SupplyDead(supply.name), f.SupplyWeak(supply.name, 0.25 * supply.limit_a)]
    for a, b in neighbours(machine):
        found += [f.LeakBetweenCavities(a, b, rng.choice(LEAK_OHM)), f.CrossedTerminals(a, b)]
    for name, part in ranged(machine).items():
        found.append(f.SensorDrifted(name, rng.choice(DRIFT)))
        if isinstance(part, Potentiometer):
            found.append(f.SensorDeadSpot(name, rng.choice(SPAN)))
    starts = splices(machine)
    for wire in machine.all(Wire):
        if wire.a in starts:
            to = rng.choice(sorted(starts - {wire.a, wire.b}))
            found.append(f.DrawnOnWrongSplice(wire.name, to))
            found.append(f.SpliceNotDrawn(wire.name, rng.choice([n for n in names if n != wire.name]), 0.4))
    return found


def neighbours(machine: Machine) -> list[tuple[str, str]]:
    """Pairs of wired cavities that follow one another in a connector."""
    contacts = machine.all(Contact)
    return [(a.name, b.name) for a, b in itertools.pairwise(contacts) if a.connector == b.connector]


def ranged(machine: Machine) -> dict[str, Potentiometer | PressureSensor]:
    """Ranged sensors by name; the first track of a double potentiometer."""
    parts: dict[str, Potentiometer | PressureSensor] = {}
    for part in machine.all((Potentiometer, PressureSensor)):
        parts.setdefault(part.name.split()[0], part)
    return parts


def splices(machine: Machine) -> set[str]:
    """All splices of a machine, by what ends in them: wires that are not at a terminal or a stud."""
    ends = {end for wire in machine.all(Wire) for end in (wire.a, wire.b)}
    return {end for end in ends if "." not in end} - {name for name, _ in machine.studs}


def sampled(machine: Machine, each: int) -> list[f.Fault]:
    """At most `each` faults of every kind, drawn by the machine's name, in the order of `faults`."""
    rng = seeded(machine, "sample")
    everything = faults(machine)
    kinds = {kind: [k for k, fault in enumerate(everything) if fault.kind == kind] for kind in f.KINDS}
    chosen = {k for found in kinds.values() for k in rng.sample(found, min(each, len(found)))}
    return [everything[k] for k in sorted(chosen)]


def running(machine: Machine) -> list[State]:
    """The engine cranked; running, in every phase of the wheels; and warm, with each operation held and under load."""
    held = [frozenset({LOAD}), *(frozenset({o.name}) for o in machine.operations)]
    phases = [state.phase for _, state in machine.phases(State("run"))]
    return [
        State("crank", phase=phases[0]),
        *(State("run", phase=phase) for phase in phases),
        *(State("run", phase=phases[-1], held=names, hot=True) for names in held),
    ]


def states(machine: Machine, faults: list[f.Fault]) -> list[tuple[f.Fault, State]]:
    """Every fault with key on; a quarter of them also with a connector unplugged, an eighth with the engine turning, an
    eighth with the key off."""
    rng = seeded(machine, "states")
    plugs, turning = [p.name for p in machine.plugs], running(machine)
    found = []
    for k, fault in enumerate(faults):
        found.append((fault, State("on")))
        if k % 4 == 0:
            found.append((fault, State("on", frozenset({rng.choice(plugs)}))))
        elif k % 8 == 1:
            found.append((fault, turning[k // 8 % len(turning)]))
        elif k % 8 == 5:
            found.append((fault, State("off")))
    return found


def probe_points(machine: Machine) -> list[str]:
    """All terminals a probe can reach: both halves of every connector, and the studs."""
    ends = [end for plug in machine.plugs for end in (*plug.harness, *plug.device)]
    return list(dict.fromkeys([*ends, *(name for name, _ in machine.studs)]))


def probe_pairs(machine: Machine, count: int, rng: random.Random) -> list[tuple[str, str]]:
    """`count` different pairs of probe points; every other one is against the battery's negative post."""
    points = [p for p in probe_points(machine) if p != machine.earth]
    pairs: dict[tuple[str, str], None] = {}
    while len(pairs) < count:
        p, q = rng.sample(points, 2)
        pairs[(p, machine.earth if len(pairs) % 2 else q)] = None
    return list(pairs)
