"""From a machine file to the control unit's program: which input every sensor was meant for, and what it means."""

from __future__ import annotations

from collections.abc import Iterator

import networkx as nx

from casekit.files import schema
from casekit.files.harness import inline_cavities, pieces
from casekit.files.schema import MachineFile
from casekit.machine.program import Channel, Program


def program(m: MachineFile) -> Program:
    """The program of a machine as its file draws it."""
    unit = m.control_unit
    return Program(tuple(_channels(m)), unit.adc_bits, unit.adc_hz, unit.scan_hz)


def _channels(m: MachineFile) -> Iterator[Channel]:
    unit, inputs = m.control_unit, _inputs(m)
    for name, supply in unit.supplies.items():
        yield Channel(f"supply {name}", name, f"sensor supply {name}", "V", "supply", f"{unit.name}.{name}",
                      low_code=supply.codes.low, high_code=supply.codes.high)  # fmt: skip
    for name, s in m.sensors.items():
        words = {"sensor": name, "title": s.title, "works": s.works, "lost": s.lost, "substitute": s.substitute}
        codes = {"low_code": s.codes.low, "high_code": s.codes.high}
        label = f"{name} {s.title}"
        match s:
            case schema.DoublePotentiometer():
                first, second = f"{label} track 1", f"{label} track 2"
                ranged = {"unit": s.unit, "kind": "share", "span": s.range}
                yield Channel(name=first, node=_node(inputs, f"{name}.2"), low=s.low, high=s.high, twin=second,
                              mismatch_code=s.codes.mismatch, **words, **ranged, **codes)  # fmt: skip
                yield Channel(name=second, node=_node(inputs, f"{name}.5"), low=s.low2, high=s.high2,
                              low_code=s.codes.low2, high_code=s.codes.high2, **words, **ranged)  # fmt: skip
            case schema.Potentiometer() | schema.PressureSensor():
                yield Channel(name=label, unit=s.unit, kind="share", node=_node(inputs, f"{name}.2"), low=s.low,
                              high=s.high, span=s.range, **words, **codes)  # fmt: skip
            case schema.Thermistor() | schema.Platinum():
                pin = inputs.get(f"{name}.1", "")
                pull_ohm = (unit.inputs[pin].pull_up_ohm if pin else None) or 0.0
                kind, r0_ohm = ("platinum", s.r0_ohm) if isinstance(s, schema.Platinum) else ("ntc", 0.0)
                yield Channel(name=label, unit="°C", kind=kind, node=_node(inputs, f"{name}.1"), pull_ohm=pull_ohm,
                              r0_ohm=r0_ohm, **words, **codes)  # fmt: skip
            case schema.HallSwitch(role="position"):
                yield Channel(name=label, unit="", kind="switch", node=_node(inputs, f"{name}.2"), **words)
            case _:
                signal = f"{name}.2" if isinstance(s, schema.HallSwitch) else f"{name}.1"
                yield Channel(name=label, unit="r/min", kind="speed", node=_node(inputs, signal), role=s.role,
                              missing_code=s.codes.missing, **words)  # fmt: skip


def _inputs(m: MachineFile) -> dict[str, str]:
    """The control unit input that every sensor cavity is joined to by copper."""
    copper = nx.Graph()
    copper.add_edges_from((p.a, p.b) for p in pieces(m))
    copper.add_edges_from((f"{c}f", f"{c}m") for c in inline_cavities(m))
    found: dict[str, str] = {}
    for pin in m.control_unit.inputs:
        if pin in copper:
            found |= dict.fromkeys(nx.node_connected_component(copper, pin), pin)
    return found


def _node(inputs: dict[str, str], cavity: str) -> str:
    """The node the converter measures for this cavity."""
    return f"input {inputs[cavity]} inside" if cavity in inputs else ""
