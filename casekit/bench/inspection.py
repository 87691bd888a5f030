"""What is seen at a place: real damage, rub marks that mean something and rub marks that do not.

In: the specimen and a place. Out: a `Sight` in words; chance is drawn from the case's seed and the place, so that
looking twice shows the same. How sure a look is stands beside `Finding` in `bench.reading`.
"""

from __future__ import annotations

import zlib
from dataclasses import dataclass

import numpy as np

from casekit.bench.reading import FALSE_MARK, FOUND_LASTING, FOUND_LOOSE, LAST, NEAR
from casekit.bench.specimen import Specimen
from casekit.machine.faults import DRAWING_KINDS, Fault, SpliceNotDrawn
from casekit.machine.harness import Contact, Wire
from casekit.machine.intermittent import Intermittent, inner
from casekit.machine.machine import ContactPoint, Machine, Plug

CLEAN = "no damage to be seen"
DAMAGE = {
    "short to ground": "rubbed through, bare copper against the metal",
    "short to battery": "rubbed through, bare copper against a battery wire",
    "short between wires": "rubbed through to its neighbour",
    "open": "broken",
    "high resistance": "green with corrosion under split insulation",
}
INSIDE = {
    "open": "the terminal of cavity {place} is pushed back and does not touch",
    "high resistance": "the terminal of cavity {place} is green with corrosion",
    "leak between cavities": "there is water between cavities {place} and {to}",
    "crossed terminals": "the wires of cavities {place} and {to} stand in each other's place",
}


@dataclass(frozen=True)
class Sight:
    """What was seen: a text; the wire or cavity found damaged for certain; the wire that has a rub mark; the kind of
    fault that the damage is."""

    text: str
    damaged: str | None = None
    mark: str | None = None
    kind: str = ""


def at_contact_point(specimen: Specimen, drawing: Machine, point: ContactPoint) -> Sight:
    """A close look at the harness at a contact point, without moving it."""
    rng = np.random.default_rng([specimen.seed, 19, zlib.crc32(point.name.encode())])
    find, mark, which = rng.uniform(), rng.uniform(), int(rng.integers(len(point.wires)))
    for fault, loose in _at(specimen, point):
        if not loose and find < FOUND_LASTING:
            return _damage(drawing, point, fault)
        if loose and find < FOUND_LOOSE:
            return _marked(drawing, point, fault.place)
    if mark < FALSE_MARK:
        return _marked(drawing, point, point.wires[which][0])
    return Sight(CLEAN)


def inside(specimen: Specimen, plug: Plug, drawing: Machine) -> Sight:
    """A look into an unplugged connector or sensor: its terminals."""
    own = {c.name for c in drawing.all(Contact) if c.connector == plug.name}
    for fault, _ in _uncured(specimen):
        if fault.place in own and fault.kind in INSIDE:
            text = INSIDE[fault.kind].format(place=fault.place, to=getattr(fault, "to", ""))
            return Sight(text, damaged=fault.place, kind=fault.kind)
    return Sight(CLEAN)


def opened_at(specimen: Specimen, drawing: Machine, point: ContactPoint) -> Sight:
    """The harness opened at a contact point: whatever is wrong there is seen, and a splice that is not drawn."""
    for fault, _ in _at(specimen, point):
        return _damage(drawing, point, fault)
    spots = dict(point.wires)
    for fault, _ in _uncured(specimen, drawn_too=True):
        if isinstance(fault, SpliceNotDrawn) and abs(spots.get(fault.to, 2.0) - fault.at_to) < NEAR:
            colour = drawing.part(fault.place, Wire).colour
            return Sight(f"the {colour} wire {fault.place} is spliced into {fault.to} here, which no drawing shows")
    return Sight(CLEAN)


def opened_splice(specimen: Specimen, drawing: Machine, splice: str) -> Sight:
    """A splice laid open: the last stretch of every wire there, and which wires really meet in it."""
    texts, damaged, mark, kind = [], None, None, ""
    for fault, _ in _uncured(specimen):
        wire = next((w for w in drawing.all(Wire) if w.name == fault.place), None)
        if wire is not None and fault.kind in DAMAGE:
            near = 1 - fault.at if wire.b == splice else fault.at if wire.a == splice else 1.0
            if near <= LAST:
                damaged, kind = wire.name, fault.kind
                texts.append(f"the {wire.colour} wire {wire.name} is {DAMAGE[fault.kind]} beside the splice")
    for fault, _ in _uncured(specimen, drawn_too=True):
        if fault.kind in DRAWING_KINDS:
            wire = drawing.part(fault.place, Wire)
            if fault.to == splice:
                mark = wire.name
                texts.append(f"the {wire.colour} wire {wire.name} joins here, which the drawing does not show")
            elif wire.a == splice:
                mark = wire.name
                texts.append(f"the {wire.colour} wire {wire.name}, drawn here, does not join here")
    return Sight("; ".join(texts) or "the wires that meet here are those of the drawing", damaged, mark, kind)


def _uncured(specimen: Specimen, drawn_too: bool = False) -> list[tuple[Fault, bool]]:
    """The faults still there, each with whether it comes and goes."""
    found = []
    for k, fault in enumerate(specimen.faults):
        if k not in specimen.cured or (drawn_too and inner(fault).kind in DRAWING_KINDS):
            found.append((inner(fault), isinstance(fault, Intermittent)))
    return found


def _at(specimen: Specimen, point: ContactPoint) -> list[tuple[Fault, bool]]:
    """The uncured faults on wires that pass a contact point, at that point."""
    spots = dict(point.wires)
    return [
        (fault, loose) for fault, loose in _uncured(specimen)
        if fault.kind in DAMAGE and fault.place in spots and abs(spots[fault.place] - fault.at) < NEAR
    ]  # fmt: skip


def _damage(drawing: Machine, point: ContactPoint, fault: Fault) -> Sight:
    colour = drawing.part(fault.place, Wire).colour
    text = f"the {colour} wire {fault.place} is {DAMAGE[fault.kind]} at the {point.where}"
    return Sight(text, damaged=fault.place, kind=fault.kind)


def _marked(drawing: Machine, point: ContactPoint, wire: str) -> Sight:
    colour = drawing.part(wire, Wire).colour
    text = f"a rub mark on the {colour} wire {wire} at the {point.where}; whether it goes through cannot be seen"
    return Sight(text, mark=wire)
