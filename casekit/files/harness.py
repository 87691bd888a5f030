"""The harness of a machine file: every terminal a wire can end at, and every piece of wire.

In: a `MachineFile`. Out: names. Terminals are written ``part.cavity`` (`B4.1`, `X1.7`, `G1.+`); the two halves of an
in-line connector are ``X11.3f`` (towards the control unit) and ``X11.3m``; a device's own pin is ``B4.1m``.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from casekit.files.schema import MachineFile, Wire

CAVITIES = {
    "potentiometer": 3,
    "double potentiometer": 6,
    "pressure": 3,
    "hall": 3,
    "thermistor": 2,
    "platinum": 2,
    "inductive": 2,
}


@dataclass(frozen=True)
class Piece:
    """One unbroken piece of wire between two terminals, `a` nearer the control unit."""

    name: str
    a: str
    b: str
    length_m: float
    area_mm2: float
    colour: str
    temp_c: float


def wire_ends(machine: MachineFile) -> dict[str, str]:
    """Terminals a run of wire can start or end at, each with the part it belongs to."""
    ends: dict[str, str] = {}
    for name, header in machine.control_unit.connectors.items():
        ends |= {f"{name}.{k}": name for k in range(1, header.cavities + 1)}
    for name, sensor in machine.sensors.items():
        ends |= {f"{name}.{k}": name for k in range(1, CAVITIES[sensor.type] + 1)}
    for name in (*machine.splices, *machine.grounds):
        ends[name] = name
    for name in (*machine.fuses, machine.key_switch.name):
        ends |= {f"{name}.1": name, f"{name}.2": name}
    battery = machine.battery.name
    return ends | {f"{battery}.+": battery, f"{battery}.-": battery}


def inline_cavities(machine: MachineFile) -> dict[str, str]:
    """Cavities of the in-line connectors, which a run passes through."""
    return {f"{n}.{k}": n for n, c in machine.connectors.items() for k in range(1, c.cavities + 1)}


def cavity_of(end: str) -> str:
    """The cavity a wire end belongs to: `X11.3` for either half `X11.3f` or `X11.3m`; any other end is its own."""
    return end[:-1] if "." in end and end[-1] in "fm" else end


def piece_names(wire: Wire) -> list[str]:
    """Names of the pieces of one run: `W5`, or `W5a`, `W5b` when it passes a connector."""
    count = len(wire.path) - 1
    return [wire.wire] if count == 1 else [wire.wire + "abcdefgh"[k] for k in range(count)]


def pieces(machine: MachineFile) -> Iterator[Piece]:
    """All pieces of wire of the machine, run by run."""
    for wire in machine.wires:
        lengths = wire.length_m if isinstance(wire.length_m, list) else [wire.length_m]
        last = len(wire.path) - 2
        for k, name in enumerate(piece_names(wire)):
            a = wire.path[k] + ("m" if k > 0 else "")
            b = wire.path[k + 1] + ("f" if k < last else "")
            yield Piece(name, a, b, lengths[k], wire.area_mm2, wire.colour, wire.temp_c)
