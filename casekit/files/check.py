"""Checking scenario files: what the schema alone cannot see.

In: a path. Out: a `MachineFile` or `CaseFile`, or a `ScenarioError` with one sentence for every problem found.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from itertools import pairwise
from pathlib import Path
from typing import Any, get_args

import networkx as nx
from pydantic import BaseModel

from casekit.error import ScenarioError, hint
from casekit.files import casefile
from casekit.files.blueprint import read_blueprint
from casekit.files.casecheck import LOAD, check_case, unknown_code, unknown_operations
from casekit.files.casefile import CaseFile
from casekit.files.codes import TITLES
from casekit.files.harness import CAVITIES, inline_cavities, piece_names, pieces, wire_ends
from casekit.files.notes import read_notes
from casekit.files.record import SINGULAR, read_record
from casekit.files.schema import MachineFile
from casekit.files.sealed import SUFFIX, read_sealed
from casekit.files.source import Finding, Place, Source
from casekit.files.variants import Variants, check_variants

READERS = {"notes": read_notes, "papers": read_blueprint}  # of files that need no other


def read_machine(path: Path | str) -> MachineFile:
    """Read and check a machine file."""
    return checked_machine(*read_record(MachineFile, path))


def read_case(path: Path | str, machines: dict[str, MachineFile]) -> CaseFile:
    """Read and check a case file against the machines it can name."""
    return checked_case(*read_record(CaseFile, path), machines)


def read_variants(path: Path | str, cases: dict[str, CaseFile], machines: dict[str, MachineFile]) -> Variants:
    """Read and check the variants of a case."""
    return checked_variants(*read_record(Variants, path), cases, machines)


def checked_machine(machine: MachineFile, source: Source) -> MachineFile:
    """A machine, when everything in it is where it can be; `source` says on which line it stands."""
    findings = [*_cross_check(machine), *_check_functions(machine)]
    if not findings:
        findings = list(_check_network(machine))
    _raise_any(source, findings)
    return machine


def checked_case(case: CaseFile, source: Source, machines: dict[str, MachineFile]) -> CaseFile:
    """A case, when its machine can have its faults."""
    _raise_any(source, check_case(case, machines))
    return case


def checked_variants(
    found: Variants, source: Source, cases: dict[str, CaseFile], machines: dict[str, MachineFile]
) -> Variants:
    """The variants of a case, when its machine can have their faults."""
    _raise_any(source, check_variants(found, cases, machines))
    return found


def check_folder(folder: Path | str) -> tuple[list[str], list[str]]:
    """Check all files under a scenarios folder.

    Returns (paths checked, problems found). Raises ScenarioError when there is nothing to check.
    """
    folder = Path(folder)
    paths = [sorted(folder.glob(f"{kind}/*.yaml")) for kind in ("machines", "cases", "variants")]
    paths += [sorted(folder.glob(f"{kind}/*.yaml")) for kind in READERS]
    sealed = sorted(folder.glob(f"cases/*{SUFFIX}"))
    if not any(paths):
        raise ScenarioError([f"{folder}: no machines/*.yaml and no cases/*.yaml here; name the scenarios folder."])
    problems: list[str] = []
    machines = _each(paths[0], read_machine, problems)
    cases = _each(paths[1], lambda path: read_case(path, machines), problems)
    _each(sealed, read_sealed, problems)
    _each(paths[2], lambda path: read_variants(path, cases, machines), problems)
    for some, reader in zip(paths[3:], READERS.values(), strict=True):
        _each(some, reader, problems)
    return [str(p) for each in (*paths, sealed) for p in each], problems


def _each(paths: Iterable[Path], reader: Callable[[Path], Any], problems: list[str]) -> dict[str, Any]:
    """What is read of each file, by its name; what is wrong with the others is added to the problems."""
    found = {}
    for path in paths:
        try:
            found[path.stem] = reader(path)
        except ScenarioError as err:
            problems += err.problems
    return found


def _raise_any(source: Source, findings: Iterable[Finding]) -> None:
    problems = [source.say(place, sentence) for place, sentence in findings]
    if problems:
        raise ScenarioError(problems)


def _cross_check(m: MachineFile) -> Iterator[Finding]:
    """Names used twice, ends that are not there, cavities used twice."""
    unit = m.control_unit
    seen: dict[str, str] = {m.battery.name: "battery", m.key_switch.name: "key_switch", unit.name: "control_unit"}
    groups: dict[Place, Iterable[str]] = {
        ("grounds",): m.grounds,
        ("fuses",): m.fuses,
        ("control_unit", "connectors"): unit.connectors,
        ("control_unit", "supplies"): unit.supplies,
        ("connectors",): m.connectors,
        ("splices",): m.splices,
        ("sensors",): m.sensors,
        ("contact_points",): m.contact_points,
    }
    for place, names in groups.items():
        for name in names:
            if name in seen:
                yield (*place, name), f"{name} is already the name of {seen[name]}; give each part its own name."
            seen[name] = f"a part under {place[-1]}"

    ends, inline = wire_ends(m), inline_cavities(m)
    yield from _check_pins(m, ends)
    runs: dict[str, int] = {}
    used: dict[str, str] = {}
    free = {*m.splices, *m.grounds, f"{m.battery.name}.+", f"{m.battery.name}.-"}
    for k, wire in enumerate(m.wires):
        here: Place = ("wires", k)
        if wire.wire in runs or wire.wire in seen:
            yield here, f"{wire.wire} is used twice; give each wire its own name."
        runs[wire.wire] = k
        count = len(wire.length_m) if isinstance(wire.length_m, list) else 1
        if count != len(wire.path) - 1:
            yield (
                (*here, "length_m"),
                f"wire {wire.wire} has {len(wire.path) - 1} pieces but {count} lengths; "
                "give one length_m for each piece.",
            )
        if len(wire.path) > 9:
            yield here, f"wire {wire.wire} passes more than seven connectors; split the run."
        for j, stop in enumerate(wire.path):
            middle = 0 < j < len(wire.path) - 1
            allowed = inline if middle else ends
            if stop not in allowed:
                yield (*here, "path"), _lost(m, wire.wire, stop, middle, ends, inline)
            elif stop in used and stop not in free:
                yield (
                    (*here, "path"),
                    f"wire {wire.wire} uses {stop}, which wire {used[stop]} has already; "
                    "one cavity takes one wire, so join the wires in a splice.",
                )
            used[stop] = wire.wire
    names = {n for wire in m.wires for n in piece_names(wire)}
    for cp, point in m.contact_points.items():
        for wire in point.wires:
            if wire not in names:
                yield (
                    ("contact_points", cp, "wires", wire),
                    f"contact point {cp} names the wire {wire}, which is not in the harness.{hint(wire, names)}",
                )
    weighed = [*get_args(casefile.Kind), *unit.connectors, *m.connectors, *m.contact_points, *m.sensors, *sorted(names)]
    for name in m.weights:
        if name not in weighed:
            yield (
                ("weights", name),
                f"weights names {name}, which is no kind of fault and no connector, contact point, sensor or wire of "
                f"this machine; correct it or take it out.{hint(name, weighed)}",
            )


def _lost(m: MachineFile, wire: str, stop: str, middle: bool, ends: dict, inline: dict) -> str:
    owner = stop.rsplit(".", 1)[0]
    headers = {n: h.cavities for n, h in m.control_unit.connectors.items()}
    sizes = headers | {n: c.cavities for n, c in m.connectors.items()}
    sizes |= {n: CAVITIES[s.type] for n, s in m.sensors.items()}
    does = "passes" if middle else "ends at"
    known = inline if middle else ends
    if stop in inline and not middle:
        return f"wire {wire} ends at {stop}, an in-line connector; go on to the part behind it."
    if stop in ends and middle:
        return f"wire {wire} passes {stop}, which is not an in-line connector; end the wire there."
    if owner in sizes and "." in stop:
        return (
            f"wire {wire} {does} {stop}, but connector {owner} has cavities 1 to {sizes[owner]}."
            f"{hint(stop, [k for k in known if known[k] == owner])}"
        )
    return f"wire {wire} {does} {stop}, which is not a part of this machine.{hint(stop, known)}"


def _check_pins(m: MachineFile, ends: dict[str, str]) -> Iterator[Finding]:
    """Every control unit pin named once and present."""
    unit = m.control_unit
    roles: list[tuple[Place, str]] = [(("control_unit", "feed"), unit.feed)]
    roles += [(("control_unit", "grounds", k), p) for k, p in enumerate(unit.grounds)]
    roles += [(("control_unit", "returns", k), p) for k, p in enumerate(unit.returns)]
    for name, supply in unit.supplies.items():
        roles += [(("control_unit", "supplies", name, "pins", k), p) for k, p in enumerate(supply.pins)]
    roles += [(("control_unit", "inputs", p), p) for p in unit.inputs]
    pins = [p for p, owner in ends.items() if owner in unit.connectors]
    taken: set[str] = set()
    for place, pin in roles:
        if pin not in pins:
            yield place, f"control unit {unit.name} has no pin {pin}.{hint(pin, pins)}"
        elif pin in taken:
            yield place, f"control unit pin {pin} has two functions; give each pin one."
        taken.add(pin)
    for k, wire in enumerate(m.wires):
        for stop in (wire.path[0], wire.path[-1]):
            if stop in pins and stop not in taken:
                yield (
                    ("wires", k, "path"),
                    f"wire {wire.wire} ends at {stop}, a pin without a function; "
                    "name it under supplies, returns, inputs, feed or grounds.",
                )


def _check_functions(m: MachineFile) -> Iterator[Finding]:
    """What the control unit is told: codes, operations, and which sensors the engine turns."""
    unit = m.control_unit
    coded: list[tuple[Place, BaseModel]] = [
        (("control_unit", "supplies", name, "codes"), supply.codes) for name, supply in unit.supplies.items()
    ]
    coded += [(("sensors", name, "codes"), sensor.codes) for name, sensor in m.sensors.items()]
    for place, codes in coded:
        for key, code in codes:
            if code is not None and code not in TITLES:
                yield (*place, key), f"{SINGULAR[str(place[-3])]} {place[-2]}: {unknown_code(code)}"
    if LOAD in m.operations:
        yield (
            ("operations", LOAD),
            "the operation load is built in (the engine works against a load); give yours another name.",
        )
    roles: dict[str, str] = {}
    for name, sensor in m.sensors.items():
        at, role = getattr(sensor, "at", None), getattr(sensor, "role", "speed")
        for word in unknown_operations(at.held if at else (), m):
            yield (
                ("sensors", name, "at", "held", word),
                f"sensor {name}: held names the operation {word}, which this machine does not have."
                f"{hint(word, m.operations)}",
            )
        if role in ("crank", "cam") and roles.setdefault(role, name) != name:
            yield (
                ("sensors", name),
                f"sensor {name}: {roles[role]} has the role {role} already; give {name} the role speed.",
            )


def _check_network(m: MachineFile) -> Iterator[Finding]:
    """Supplies tied by accident and parts that nothing reaches, found on the copper alone."""
    unit = m.control_unit
    copper = nx.Graph()
    copper.add_nodes_from(wire_ends(m))
    row = {}
    for k, wire in enumerate(m.wires):
        row |= dict.fromkeys(piece_names(wire), k)
    for piece in pieces(m):
        copper.add_edge(piece.a, piece.b, part=piece.name)
    for cavity in inline_cavities(m):
        copper.add_edge(f"{cavity}f", f"{cavity}m", part=cavity)

    rails = [(f"supply {n}", s.pins) for n, s in unit.supplies.items()]
    rails += [("the return", unit.returns), ("ground", [*unit.grounds, *m.grounds]), ("the feed", [unit.feed])]
    for i, (name, pins) in enumerate(rails):
        for other, pins2 in rails[i + 1 :]:
            if {name, other} == {"the return", "ground"}:
                continue
            for path in _paths(copper, pins, pins2):
                parts = [copper.edges[e]["part"] for e in pairwise(path)]
                wire = next(p for p in parts if p in row)
                yield (
                    ("wires", row[wire]),
                    f"{name} and {other} are tied together through {', '.join(parts)}; take one of these wires off.",
                )
                break
    for fuse in (*m.fuses, m.key_switch.name):
        copper.add_edge(f"{fuse}.1", f"{fuse}.2")
    for ground in m.grounds:
        copper.add_edge(ground, "chassis")
    battery = m.battery.name
    if not nx.has_path(copper, f"{battery}.+", unit.feed):
        yield (
            ("control_unit", "feed"),
            f"pin {unit.feed} of {unit.name} is not fed from {battery}.+; add the feed wire.",
        )
    for k, pin in enumerate(unit.grounds):
        if not nx.has_path(copper, f"{battery}.-", pin):
            yield (
                ("control_unit", "grounds", k),
                f"ground pin {pin} of {unit.name} does not reach {battery}.-; add the ground wire.",
            )
    own = {f"{n}.{k}" for n, h in unit.connectors.items() for k in range(1, h.cavities + 1)}
    for name, sensor in m.sensors.items():
        for k in range(1, CAVITIES[sensor.type] + 1):
            if not own & nx.node_connected_component(copper, f"{name}.{k}"):
                yield (
                    ("sensors", name),
                    f"sensor {name} ({sensor.title}): cavity {name}.{k} does not reach the control unit; "
                    f"add a wire to {name}.{k}.",
                )
    for name in m.splices:
        if copper.degree(name) < 2:
            yield ("splices", name), f"splice {name} joins fewer than two wires; wire it or delete it."


def _paths(graph: nx.Graph, sources: list[str], targets: list[str]) -> Iterator[list[str]]:
    for a in sources:
        for b in targets:
            if nx.has_path(graph, a, b):
                yield nx.shortest_path(graph, a, b)
