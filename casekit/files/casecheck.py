"""Checking a case against its machine: each kind of fault has its places and its keys.

In: a `CaseFile` and the machines it can name. Out: findings, each a place in the file and a sentence.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from casekit.error import hint, near
from casekit.files.casefile import CaseFile, Fault
from casekit.files.codes import TITLES
from casekit.files.harness import cavity_of, inline_cavities, pieces, wire_ends
from casekit.files.schema import MachineFile
from casekit.files.source import Finding

LOAD = "load"
"""The operation every machine has: its engine works against a load."""


@dataclass(frozen=True)
class Rule:
    """What one kind of fault needs: the group its `place` comes from, the group of `to`, keys it must and may have."""

    place: str
    to: str = ""
    needs: tuple[str, ...] = ()
    takes: tuple[str, ...] = ()


_SPOT = ("at", "contact")
RULES = {
    "short to ground": Rule("wire or cavity", "", ("r_ohm",), (*_SPOT, "when")),
    "short to battery": Rule("wire or cavity", "", ("r_ohm",), (*_SPOT, "when")),
    "short between wires": Rule("wire", "wire", ("r_ohm",), (*_SPOT, "at_to", "when")),
    "leak between cavities": Rule("cavity", "cavity", ("r_ohm",), ("when",)),
    "open": Rule("wire or cavity", "", (), (*_SPOT, "when")),
    "high resistance": Rule("wire or cavity", "", ("r_ohm",), (*_SPOT, "when")),
    "crossed terminals": Rule("cavity", "cavity"),
    "sensor shorted": Rule("sensor", "", ("r_ohm",), ("when",)),
    "sensor drifted": Rule("ranged sensor", "", ("drift",), ("when",)),
    "sensor dead spot": Rule("track", "", ("span",), ("when",)),
    "supply dead": Rule("supply"),
    "supply weak": Rule("supply", "", ("limit_a",)),
    "drawn on the wrong splice": Rule("wire at a splice", "splice"),
    "splice not drawn": Rule("wire", "wire", (), ("at_to",)),
}
_TO = {
    "wire": "the other wire",
    "cavity": "the other cavity of the same connector",
    "splice": "the splice it really is at",
}
_TRACKS = ("potentiometer", "double potentiometer")
LISTED = 15  # places or codes that are listed; of more, examples are named


def check_case(case: CaseFile, machines: dict[str, MachineFile]) -> Iterator[Finding]:
    """Everything that is wrong with a case: its codes, its machine, its faults one by one and together."""
    machine = machines.get(case.machine)
    for k, code in enumerate(case.codes):
        if code not in TITLES:
            yield ("codes", k), unknown_code(code, machine)
    if machine is None:
        yield (
            ("machine",),
            f"case {case.case} needs the machine {case.machine}, which is not among the checked machine files."
            f"{hint(case.machine, machines)}",
        )
        return
    places = places_of(machine)
    for k, fault in enumerate(case.faults):
        for place, sentence in _check_fault(fault, machine, places):
            yield ("faults", k, *place), sentence
    if len(case.faults) == 2 and case.faults[0].place == case.faults[1].place:
        yield ("faults", 1), f"both faults are at {case.faults[0].place}; put the second one at another place."


def unknown_code(code: str, machine: MachineFile | None = None) -> str:
    """The sentence about a trouble code without a title, with those that a machine can set."""
    alike = near(code, TITLES)
    coded = [*machine.control_unit.supplies.values(), *machine.sensors.values()] if machine else []
    own = sorted({c for part in coded for _, c in part.codes if c is not None})
    known = f" {machine.machine} sets {', '.join(own)}." if own and not alike else ""
    return f"code {code} is not in the kit's list of standard titles.{alike or known}"


def places_of(m: MachineFile) -> dict[str, list[str]]:
    """Names of all places of each group."""
    found = list(pieces(m))
    ends = {cavity_of(end) for piece in found for end in (piece.a, piece.b)}
    plugs = {*m.sensors, *m.control_unit.connectors, *m.connectors}
    wires = [piece.name for piece in found]
    cavities = [c for c, owner in (wire_ends(m) | inline_cavities(m)).items() if owner in plugs and c in ends]
    return {
        "wire": wires,
        "cavity": cavities,
        "wire or cavity": wires + cavities,
        "sensor": list(m.sensors),
        "ranged sensor": [n for n, s in m.sensors.items() if s.type in (*_TRACKS, "pressure")],
        "track": [n for n, s in m.sensors.items() if s.type in _TRACKS],
        "supply": list(m.control_unit.supplies),
        "wire at a splice": [p.name for p in found if p.a in m.splices],  # its end nearer the control unit
        "splice": list(m.splices),
    }


def _check_fault(fault: Fault, m: MachineFile, places: dict[str, list[str]]) -> Iterator[Finding]:
    rule = RULES[fault.kind]
    known = places[rule.place]
    if fault.place not in known:
        yield ("place",), f"a fault of kind {fault.kind} cannot be at {fault.place}{_instead(fault.place, rule, known)}"
        return
    needs = (*rule.needs, "to") if rule.to else rule.needs
    for key in ("to", "contact", "at", "at_to", "r_ohm", "limit_a", "drift", "span", "when"):
        given = getattr(fault, key) is not None
        if given and key not in (*needs, *rule.takes):
            yield (key,), f"a fault of kind {fault.kind} does not take {key}; correct the case."
        elif not given and key in needs:
            what = f"to, {_TO[rule.to]}" if key == "to" else key
            yield (), f"a fault of kind {fault.kind} needs {what}; correct the case."
    if rule.to and fault.to is not None:
        yield from _check_to(fault, m, places[rule.to])
    if fault.span is not None and fault.span[0] >= fault.span[1]:
        yield ("span",), "span must run from the smaller to the larger share of the travel."
    if fault.at is not None and fault.place in places["cavity"]:
        yield ("at",), f"{fault.place} is a cavity, and the fault sits in it; take at out."
    yield from _check_contact(fault, m)
    if fault.when is not None:
        spots = {**m.contact_points, **m.connectors, **m.sensors}
        if fault.when.point not in spots:
            yield (
                ("when", "point"),
                f"{fault.when.point} is not a contact point, an in-line connector or a sensor of {m.machine}."
                f"{hint(fault.when.point, spots)}",
            )
        for name in unknown_operations(fault.when.held, m):
            yield (
                ("when", "held"),
                f"when names the operation {name}, which {m.machine} does not have.{hint(name, m.operations)}",
            )


def _instead(place: str, rule: Rule, known: list[str]) -> str:
    """The end of a sentence about a wrong place: what was meant, or where to look."""
    plug = place.rpartition(".")[0]
    mine = [c for c in known if plug and c.rpartition(".")[0] == plug]
    if mine:
        return f"; wired there are {', '.join(mine)}."
    if alike := near(place, known):
        return f".{alike}"
    if len(known) <= LISTED:
        return f"; it is at a {rule.place}: {', '.join(known) or 'this machine has none'}."
    some = list(dict.fromkeys((known[0], known[-1])))
    return f"; it is at a {rule.place} of the drawing, such as {' or '.join(some)}."


def unknown_operations(held: Iterable[str], m: MachineFile) -> list[str]:
    """Operations among `held` that the machine does not have."""
    return [name for name in held if name not in m.operations and name != LOAD]


def _check_to(fault: Fault, m: MachineFile, known: list[str]) -> Iterator[Finding]:
    """`to` must be of the right group and another one than the place."""
    kind, to = RULES[fault.kind].to, fault.to
    what = f"another {kind} of the machine"
    if kind == "cavity":
        plug = fault.place.rsplit(".", 1)[0]
        known = [c for c in known if c.rsplit(".", 1)[0] == plug]
        what = f"another wired cavity of {plug}"
    elif kind == "splice":
        ends = {end for p in pieces(m) if p.name == fault.place for end in (p.a, p.b)}
        if to in ends:
            yield ("to",), f"wire {fault.place} is drawn at {to} already; name the splice it really is at."
            return
        what = "a splice of the machine"
    known = [c for c in known if c != fault.place]
    if to not in known:
        yield ("to",), f"{to} is not {what}.{hint(to, known)}"


def _check_contact(fault: Fault, m: MachineFile) -> Iterator[Finding]:
    """A contact point must lie on the wires of the fault, and says where on them it is."""
    if fault.contact is None:
        return
    point = m.contact_points.get(fault.contact)
    if point is None:
        yield (
            ("contact",),
            f"contact point {fault.contact} is not on {m.machine}.{hint(fault.contact, m.contact_points)}",
        )
        return
    for wire in (fault.place, fault.to):
        if wire is not None and wire not in point.wires:
            yield ("contact",), f"wire {wire} does not pass contact point {fault.contact}."
    for key in ("at", "at_to"):
        if getattr(fault, key) is not None:
            yield (key,), f"give contact or {key}, not both: the contact point says where on the wire it is."
