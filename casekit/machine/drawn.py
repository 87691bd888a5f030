"""From a machine file to a machine as drawn: every record becomes parts with their laws."""

from __future__ import annotations

from collections.abc import Iterator

from casekit.files import schema
from casekit.files.harness import CAVITIES, pieces
from casekit.files.schema import PULL_DOWN_OHM, MachineFile
from casekit.machine.harness import Battery, Contact, KeySwitch, Path, Wire
from casekit.machine.law import Retry
from casekit.machine.machine import CHASSIS, ContactPoint, Engine, Machine, Operation, Part, Plug
from casekit.machine.programmed import program
from casekit.machine.sensors import (
    HallSwitch,
    InductivePickup,
    Operating,
    Output,
    Potentiometer,
    PressureSensor,
    Ripple,
    Thermistor,
    Wheel,
)
from casekit.machine.unit import Core, Input, Supply


def drawn(m: MachineFile) -> Machine:
    """The machine as its file draws it, with nominal values."""
    battery = m.battery.name
    plus, earth = f"{battery}.+", f"{battery}.-"
    studs = [(name, g.access_min) for name, g in m.grounds.items()]
    studs += [(f"{n}.{k}", f.access_min) for n, f in m.fuses.items() for k in (1, 2)]
    studs += [(f"{m.key_switch.name}.{k}", 3.0) for k in (1, 2)]
    studs += [(plus, 1.0), (earth, 1.0)]
    return Machine(
        name=m.machine,
        title=m.title,
        parts=tuple(_parts(m, plus, earth)),
        plugs=tuple(_plugs(m)),
        studs=tuple(studs),
        contact_points=tuple(
            ContactPoint(name, p.where, tuple(p.wires.items()), p.access_min) for name, p in m.contact_points.items()
        ),
        plus=plus,
        earth=earth,
        engine=Engine(**m.engine.model_dump()),
        operations=tuple(Operation(name, o.title, o.needs, o.travel_s) for name, o in m.operations.items()),
        program=program(m),
        weights=tuple(m.weights.items()),
    )


def _parts(m: MachineFile, plus: str, earth: str) -> Iterator[Part]:
    unit, used = m.control_unit, _used(m)
    yield Battery(m.battery.name, plus, earth, m.battery.rest_v, m.battery.run_v, m.battery.r_ohm, m.battery.crank_v)
    for name, fuse in m.fuses.items():
        yield Path(name, f"{name}.1", f"{name}.2", fuse.r_ohm)
    key = m.key_switch.name
    yield KeySwitch(key, f"{key}.1", f"{key}.2", m.key_switch.r_ohm)
    for name, ground in m.grounds.items():
        yield Path(f"{name} bolt", name, CHASSIS, ground.r_ohm)
    for piece in pieces(m):
        yield Wire(piece.name, piece.a, piece.b, piece.length_m, piece.area_mm2, piece.colour, piece.temp_c)
    for name, header in unit.connectors.items():
        for pin in _cavities(name, header.cavities, used):
            yield Contact(pin, name, pin, f"{pin}m", header.r_ohm)
    for name, inline in m.connectors.items():
        for cavity in _cavities(name, inline.cavities, used, "f"):
            yield Contact(cavity, name, f"{cavity}f", f"{cavity}m", inline.r_ohm)
    yield Core(
        unit.name,
        f"{unit.feed}m",
        tuple(f"{p}m" for p in unit.grounds),
        tuple(f"{p}m" for p in unit.returns),
        12.6 / unit.load_a,
    )
    for name, s in unit.supplies.items():
        pins = tuple(f"{p}m" for p in s.pins)
        retry = Retry("current limit", s.on_s, s.off_s) if s.protection == "retry" else None
        yield Supply(name, unit.name, pins, s.nominal_v, s.nominal_v, s.tolerance, s.r_ohm, s.limit_a, s.short_a,
                     s.dropout_v, out_f=s.out_f, retry=retry)  # fmt: skip
    for pin, i in unit.inputs.items():
        pull = i.pull_up_ohm or i.pull_down_ohm or PULL_DOWN_OHM
        yield Input(f"input {pin}", unit.name, f"{pin}m", pull, i.pull_up_ohm is not None, i.filter_ohm, i.filter_f)
    for name, sensor in m.sensors.items():
        pins = [f"{name}.{k}" for k in range(1, CAVITIES[sensor.type] + 1)]
        for pin in pins:
            yield Contact(pin, name, pin, f"{pin}m", sensor.r_ohm)
        yield from _sensor(name, sensor, [f"{pin}m" for pin in pins])


def _sensor(name: str, s: schema.AnySensor, pins: list[str]) -> Iterator[Part]:
    match s:
        case schema.Potentiometer():
            yield Potentiometer(name, tuple(pins), s.track_ohm, s.wiper_ohm, _output(s, s.low, s.high))
        case schema.DoublePotentiometer():
            first, second = _output(s, s.low, s.high), _output(s, s.low2, s.high2)
            yield Potentiometer(f"{name} track 1", tuple(pins[:3]), s.track_ohm, s.wiper_ohm, first)
            yield Potentiometer(f"{name} track 2", tuple(pins[3:]), s.track_ohm, s.wiper_ohm, second)
        case schema.PressureSensor():
            yield PressureSensor(name, tuple(pins), s.draw_a, s.out_ohm, s.out_limit_a, s.brown_out_v,
                                 _output(s, s.low, s.high))  # fmt: skip
        case schema.HallSwitch():
            yield HallSwitch(name, tuple(pins), s.draw_a, s.on_ohm, s.out_limit_a, s.brown_out_v, s.target, _wheel(s),
                             s.role)  # fmt: skip
        case schema.Thermistor():
            yield Thermistor(name, tuple(pins), _at(s))
        case schema.Platinum():
            yield Thermistor(name, tuple(pins), _at(s), s.r0_ohm)
        case schema.InductivePickup():
            yield InductivePickup(name, tuple(pins), s.coil_ohm, 0.0, _wheel(s), s.volts_at_1000_rpm, s.role)


def _at(sensor: schema.Ranged | schema.Thermistor | schema.Platinum) -> Operating:
    at = sensor.at
    return Operating(at.on, at.run, at.load, tuple(at.held.items()))


def _output(sensor: schema.Ranged, low: float, high: float) -> Output:
    ripple = Ripple(sensor.ripple.amount, sensor.ripple.per_rev) if sensor.ripple else None
    return Output(low, high, sensor.range, _at(sensor), ripple)


def _wheel(sensor: schema.HallSwitch | schema.InductivePickup) -> Wheel:
    return Wheel(**sensor.wheel.model_dump())


def _used(m: MachineFile) -> set[str]:
    """Terminals that have a wire."""
    return {end for piece in pieces(m) for end in (piece.a, piece.b)}


def _cavities(name: str, count: int, used: set[str], half: str = "") -> list[str]:
    """Cavities of a connector that have a wire."""
    return [f"{name}.{k}" for k in range(1, count + 1) if f"{name}.{k}{half}" in used]


def _plugs(m: MachineFile) -> Iterator[Plug]:
    unit, used = m.control_unit, _used(m)
    for name, h in unit.connectors.items():
        ends = tuple(_cavities(name, h.cavities, used))
        yield Plug(name, "control unit", f"control unit {unit.name}, connector {name}", "at the control unit",
                   h.access_min, ends, tuple(f"{c}m" for c in ends))  # fmt: skip
    for name, c in m.connectors.items():
        ends = _cavities(name, c.cavities, used, "f")
        yield Plug(name, "in-line", f"in-line connector {name}", c.where, c.access_min,
                   tuple(f"{e}f" for e in ends), tuple(f"{e}m" for e in ends))  # fmt: skip
    for name, s in m.sensors.items():
        ends = tuple(f"{name}.{k}" for k in range(1, CAVITIES[s.type] + 1))
        yield Plug(name, "sensor", f"{name} {s.title}", s.where, s.access_min, ends, tuple(f"{e}m" for e in ends))
