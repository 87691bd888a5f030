"""Exam items about drawings that are wrong: two cavities exchanged, a wire on another splice than it is drawn on.

In: a `FaultTable`, a key, a generator of random numbers. Out: an `Item`, or None where none that is fair was drawn.
"""

from __future__ import annotations

from functools import lru_cache
from itertools import combinations

import networkx as nx
import numpy as np

from casekit.circuit.operating_point import solve
from casekit.error import CircuitError
from casekit.machine.faults import DrawnOnWrongSplice, Open
from casekit.machine.harness import Wire
from casekit.machine.machine import Machine
from casekit.reasoning.words import number
from casekit.teaching.ability import DRAWING
from casekit.teaching.faulttable import APART, ON, FaultTable, net
from casekit.teaching.item import Item, Option, shuffled


def drawing(t: FaultTable, key: str, rng: np.random.Generator) -> Item | None:
    """What is wrong with this drawing?"""
    splices = _wrong_splices(t)
    if splices and rng.random() < 0.5:
        return _spliced(t, key, rng, splices)
    return _exchanged(t, key, rng)


# Two cavities that stand exchanged on the drawing ---------------------------------------------------------------------


def _exchanged(t: FaultTable, key: str, rng: np.random.Generator) -> Item | None:
    """A machine that works reads at two cavities what belongs to the other."""
    plugs = [p for p in t.drawing.plugs if p.kind == "in-line" and len(p.harness) > 2]
    plug = plugs[int(rng.integers(len(plugs)))]
    here = [t.points.index(h) for h in plug.harness]
    v = t.volts[0]
    for a, b, c in (tuple(int(k) for k in rng.permutation(here)[:3]) for _ in range(6)):
        if all(abs(v[i] - v[j]) > 2 * APART + 8 * t.u(v[i]) for i, j in combinations((a, b, c), 2)):
            break
    else:
        return None
    names = {k: t.points[k].removesuffix("f") for k in (a, b, c)}
    opens = [n for n, s in enumerate(t.cells) if s.suspect.kind == "open" and s.suspect.place == names[a]]
    shown = {a: float(v[b]), b: float(v[a]), c: float(v[c])}
    # What the open of one of them shows must not be what is read: else the sound machine would be in doubt.
    read = [a, b, c]
    if not opens or t.against(read, [shown[k] for k in read])[opens[0]].max() <= 1:
        return None

    def swapped(i: int, j: int) -> str:
        one, other = sorted((names[i], names[j]), key=_by_cavity)
        return f"{one} and {other} are exchanged on the drawing"

    wrong = [Option(swapped(a, c), "one reading that is off shows which two are exchanged"),
             Option(f"nothing; {names[a]} is open", "a reading that the drawing does not expect is a fault"),
             Option(swapped(b, c), "what reads as drawn may be exchanged as well")]  # fmt: skip
    options, right = shuffled(Option(swapped(a, b)), wrong, rng)
    rows = tuple((t.where(k), number(shown[k], "V")) for k in sorted(read))
    told = ", ".join(f"{t.points[k]} {number(float(v[k]), 'V')}" for k in sorted(read))
    return Item(key, "drawing", "choice", DRAWING, t.name,
                "Everything on this machine works. Key on, everything plugged, the meter shows this. What is wrong "
                "with the drawing?", rows, options, right,
                because=f"By the drawing: {told}. Each of the two shows what the other should, the third is as drawn, "
                "and all works, so the wires are right and their numbers on the drawing are not.",
                rings=tuple((t.points[k], number(shown[k], "V")) for k in sorted(read)), level=2)  # fmt: skip


def _by_cavity(cavity: str) -> tuple[str, int]:
    """A key to sort cavities of a connector."""
    name, _, count = cavity.rpartition(".")
    return name, int(count)


# A wire that is drawn on another splice than it is on -----------------------------------------------------------------


@lru_cache(maxsize=8)
def _wrong_splices(t: FaultTable) -> list[tuple[Wire, str]]:
    """Wires to sensors, each with another splice of the same copper that it could really be on."""
    copper, splices = t.drawing.copper(), set(t.drawing.splices())
    found = []
    for wire in t.drawing.all(Wire):
        if wire.a in splices and t.fed.get(wire.name):
            here = splices & net(copper, wire.a) - {wire.a} - net(t.without(wire), wire.b)
            found += [(wire, splice) for splice in sorted(here)]
    return found


def _spliced(t: FaultTable, key: str, rng: np.random.Generator, every: list[tuple[Wire, str]]) -> Item | None:
    """A wire that is cut kills other sensors than by the drawing."""
    wire, to = every[int(rng.integers(len(every)))]
    copper = t.drawing.copper()
    way = nx.shortest_path(copper, wire.a, to)
    cuts = [w for w in t.drawing.all(Wire) if {w.a, w.b} <= set(way) and w.name != wire.name]
    if not cuts:
        return None
    cut = cuts[int(rng.integers(len(cuts)))]
    by_drawing = _fed_volts(t, None, cut)
    real = _fed_volts(t, DrawnOnWrongSplice(wire.name, to), cut)
    if by_drawing is None or real is None:
        return None
    read = [p for p in real if abs(real[p] - by_drawing[p]) > APART]
    same = [p for p in real if abs(real[p] - by_drawing[p]) < 0.01]
    if not read or not same:
        return None
    rows = [read[int(rng.integers(len(read)))], same[int(rng.integers(len(same)))]]
    true = f"{wire.name} is drawn on {wire.a} and is on {to}"
    options = [Option("nothing; the reading is wrong", "what does not fit the drawing is a slip")]
    for k in rng.permutation(len(every)):
        other, far = every[int(k)]
        if len(options) == 3:
            break
        shown = None if other.name == wire.name else _fed_volts(t, DrawnOnWrongSplice(other.name, far), cut)
        if shown is not None and any(abs(shown[p] - real[p]) > APART + 8 * t.u(real[p]) for p in rows):
            text = f"{other.name} is drawn on {other.a} and is on {far}"
            options.append(Option(text, "any wrong splice would explain it"))
    if len(options) < 3:
        return None
    options, right = shuffled(Option(true), options, rng)
    shown = tuple((f"{p} against {t.drawing.earth}", number(real[p], "V")) for p in rows)
    return Item(key, "drawing", "choice", DRAWING, t.name,
                f"Everything on this machine works. For a trial {cut.name} is cut through in the middle, key on, and "
                "the meter shows this. What is wrong with the drawing?", shown, options, right,
                because=f"By the drawing {rows[0]} would read {number(by_drawing[rows[0]], 'V')} with {cut.name} cut. "
                f"From {to} it reads what was shown, and {rows[1]} stays as drawn.",
                rings=tuple((p, number(real[p], "V")) for p in rows), level=3)  # fmt: skip


@lru_cache(maxsize=4096)
def _fed_volts(t: FaultTable, wrong: DrawnOnWrongSplice | None, cut: Wire) -> dict[str, float] | None:
    """Volts at every sensor's pins that are on a supply, on the machine as it really is, with a wire cut; None
    where there is no steady state."""
    machine: Machine = t.drawing if wrong is None else t.drawing.with_fault(wrong)
    try:
        found = solve(machine.with_fault(Open(cut.name, 0.5)), ON)
    except CircuitError:
        return None
    pins = [h for p in t.drawing.plugs if p.kind == "sensor" for h in p.harness if h in t.supplied]
    return {p: found.volts(p, t.drawing.earth) for p in pins}
