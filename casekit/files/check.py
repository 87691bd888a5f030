"""Checking scenario files: what the schema alone cannot see.

In: a path. Out: a `MachineFile` or `CaseFile`, or a `ScenarioError` with one sentence for every problem found.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from itertools import pairwise
from pathlib import Path
from typing import Any, TypeVar, get_args

import networkx as nx
from pydantic import BaseModel, ValidationError

from casekit.error import ScenarioError, hint
from casekit.files import casefile, schema
from casekit.files.casecheck import LOAD, Finding, check_case, unknown_code, unknown_operations
from casekit.files.casefile import CaseFile
from casekit.files.codes import TITLES
from casekit.files.harness import CAVITIES, inline_cavities, piece_names, pieces, wire_ends
from casekit.files.schema import MachineFile
from casekit.files.source import Place, Source, read
from casekit.files.variants import Variants, check_variants

Kind = TypeVar("Kind", bound=BaseModel)

_KEYS = sorted(
    {
        key
        for record in (*vars(schema).values(), *vars(casefile).values())
        if isinstance(record, type) and issubclass(record, BaseModel)
        for key in record.model_fields
    }
)


_SINGULAR = {
    "sensors": "sensor",
    "supplies": "supply",
    "fuses": "fuse",
    "grounds": "ground",
    "inputs": "input",
    "connectors": "connector",
    "splices": "splice",
    "contact_points": "contact point",
    "operations": "operation",
}


def read_machine(path: Path | str) -> MachineFile:
    """Read and check a machine file."""
    source = read(path)
    machine = _record(MachineFile, source)
    findings = [*_cross_check(machine), *_check_functions(machine)]
    if not findings:
        findings = list(_check_network(machine))
    _raise_any(source, findings)
    return machine


def read_case(path: Path | str, machines: dict[str, MachineFile]) -> CaseFile:
    """Read and check a case file against the machines it can name."""
    source = read(path)
    case = _record(CaseFile, source)
    _raise_any(source, check_case(case, machines))
    return case


def read_variants(path: Path | str, cases: dict[str, CaseFile], machines: dict[str, MachineFile]) -> Variants:
    """Read and check the variants of a case."""
    source = read(path)
    found = _record(Variants, source)
    _raise_any(source, check_variants(found, cases, machines))
    return found


def check_folder(folder: Path | str) -> tuple[list[str], list[str]]:
    """Check all files under a scenarios folder.

    Returns (paths checked, problems found). Raises ScenarioError when there is nothing to check.
    """
    folder = Path(folder)
    paths = [sorted(folder.glob(f"{kind}/*.yaml")) for kind in ("machines", "cases", "variants")]
    if not any(paths):
        raise ScenarioError([f"{folder}: no machines/*.yaml and no cases/*.yaml here; name the scenarios folder."])
    problems: list[str] = []
    machines: dict[str, MachineFile] = {}
    for path in paths[0]:
        try:
            machines[path.stem] = read_machine(path)
        except ScenarioError as err:
            problems += err.problems
    cases: dict[str, CaseFile] = {}
    for path in paths[1]:
        try:
            cases[path.stem] = read_case(path, machines)
        except ScenarioError as err:
            problems += err.problems
    for path in paths[2]:
        try:
            read_variants(path, cases, machines)
        except ScenarioError as err:
            problems += err.problems
    return [str(p) for each in paths for p in each], problems


def _raise_any(source: Source, findings: Iterable[Finding]) -> None:
    problems = [source.say(place, sentence) for place, sentence in findings]
    if problems:
        raise ScenarioError(problems)


def _record(kind: type[Kind], source: Source) -> Kind:
    try:
        record = kind.model_validate(source.data)
    except ValidationError as err:
        # An unknown key comes before the missing one it was meant to be.
        errors = sorted(err.errors(), key=lambda e: e["type"] == "missing")
        problems = [source.say(place, sentence) for place, sentence in map(_speak(source.data), errors)]
        raise ScenarioError(dict.fromkeys(problems)) from None
    slug = source.data[next(iter(kind.model_fields))]
    if slug != source.path.stem:
        key = next(iter(kind.model_fields))
        raise ScenarioError(
            [source.say((key,), f"{slug} does not match the file name; name the file {slug}{source.path.suffix}.")]
        )
    return record


def _speak(data: Any):
    """Turn one pydantic error into (place, sentence)."""

    def speak(err: dict[str, Any]) -> Finding:
        place: list[str | int] = []
        here = data
        for step in err["loc"]:
            if (isinstance(here, dict) and step in here) or (isinstance(here, list) and isinstance(step, int)):
                place.append(step)
                here = here[step]
        missing = err["loc"][-1] if err["loc"] else ""
        part = _part(data, place)
        key = str(place[-1]) if place else str(missing)
        kind = err["type"]
        if kind == "extra_forbidden":
            sentence = f"{part}: unknown key {key}.{hint(key, _KEYS)}"
        elif kind == "missing":
            sentence = f"{part}: the key {missing} is missing; add it."
        elif kind in ("union_tag_invalid", "union_tag_not_found"):
            given = here.get("type") if isinstance(here, dict) else None
            sentence = f"{part}: type is {given or 'missing'}; use one of {', '.join(CAVITIES)}.{hint(given, CAVITIES)}"
        elif kind == "value_error":
            sentence = f"{part}: {err['ctx']['error']}."
        elif kind in ("too_long", "too_short"):
            least, most = err["ctx"].get("min_length"), err["ctx"].get("max_length")
            bound = f"at most {most}" if kind == "too_long" else f"at least {least}"
            sentence = f"{part}: {key} has {len(here)} entries; give {bound}."
        elif kind == "string_pattern_mismatch" and " " in err["ctx"]["pattern"]:
            sentence = f"{part}: {err['input']} is not an operation; name it in small letters, as in raise boom."
        elif kind == "string_pattern_mismatch":
            sentence = (
                f"{part}: {err['input']} is not a name; names are capitals and digits as in B4 "
                "(a machine or case: small letters and hyphens)."
            )
        else:
            sentence = f"{part}: {key} is {err['input']!r}; {err['msg'][0].lower()}{err['msg'][1:]}."
        return tuple(place), sentence

    return speak


def _part(data: Any, place: list[str | int]) -> str:
    """The part a place belongs to, in trade words: `wire W5`, `sensor B4`, `supply V1`."""
    here, part = data, "file"
    for k, step in enumerate(place):
        parent = place[k - 1] if k else None
        here = here[step]
        if parent == "wires" and isinstance(here, dict) and isinstance(step, int):
            part = f"wire {here.get('wire', f'number {step + 1}')}"
        elif parent == "faults" and isinstance(step, int):
            part = f"fault {step + 1}"
        elif parent in _SINGULAR and isinstance(step, str):
            part = f"{_SINGULAR[parent]} {step}"
        elif isinstance(here, dict) and k == 0:
            part = str(step).replace("_", " ")
    return part


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
                yield (*place, key), f"{_SINGULAR[str(place[-3])]} {place[-2]}: {unknown_code(code)}"
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
