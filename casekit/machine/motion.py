"""What changes while a record is taken: wheels that turn, sensors that are swept, a battery that is cranked, and faults
that come and go.

In: a machine, a state, a span of the clock in seconds, and what is done meanwhile. Out: a `Scene`: the elements that
stay, those that change at known times, and the sources that are driven. Smooth movements are stairs of small steps
(a five-hundredth of a sensor's range, 24 to a ripple's period) and the pick-up's waves eight straight lines a tooth, so
that what is solved is exact for what is written here.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from casekit.error import CircuitError
from casekit.machine.harness import Battery
from casekit.machine.law import Changing, Driven, Element, Source
from casekit.machine.machine import Machine, Part
from casekit.machine.sensors import (
    HallSwitch,
    InductivePickup,
    Operating,
    Potentiometer,
    PressureSensor,
    Wheel,
)
from casekit.machine.state import State

LEAD_IN = 0.1  # what is done meanwhile begins after this share of the record
STAIR = 500  # steps a sweep over the whole range is divided into
RIPPLE_STEPS = 24
DIP_S = 0.02  # the starter pulls the battery down within this time (common practice, no source)
COMPRESSION = 0.15  # ripple of the cranked battery, as a share of its dip (common practice, no source)


@dataclass(frozen=True)
class Presence:
    """A fault that comes and goes: the machine with it, whether it is there at first, and the times that changes."""

    machine: Machine
    there: bool
    times: Sequence[float]


@dataclass(frozen=True)
class Scene:
    """A network in time; `earth` is the zero of all voltages."""

    elements: tuple[Element, ...]
    changing: tuple[Changing, ...]
    driven: tuple[Driven, ...]
    earth: str


@dataclass(frozen=True)
class Meanwhile:
    """The state before and after something is done during a record, when it begins and how long it takes (second)."""

    before: State
    after: State
    begin: float
    travel_s: float

    def progress(self, t: np.ndarray) -> np.ndarray:
        """How far it has got, 0 to 1."""
        return np.clip((t - self.begin) / self.travel_s, 0.0, 1.0)


def meanwhile(machine: Machine, state: State, span: tuple[float, float], what: str | None) -> Meanwhile | None:
    """What is done during a record: an operation of the machine, `load`, or `crank`; None for nothing."""
    if what is None:
        return None
    begin = span[0] + LEAD_IN * (span[1] - span[0])
    if what == "crank":
        return Meanwhile(state, replace(state, key="crank"), begin, DIP_S)
    travel_s = next((o.travel_s for o in machine.operations if o.name == what), 1.0)
    return Meanwhile(state, replace(state, held=state.held | {what}), begin, travel_s)


def scene(
    machine: Machine, state: State, span: tuple[float, float], doing: Meanwhile | None = None,
    presences: Iterable[Presence] = (), wheels: bool = True,
) -> Scene:  # fmt: skip
    """The machine in time. Without `wheels` everything that turns stands still in the state's phase."""
    changing: list[Changing] = []
    driven: list[Driven] = []
    still: list[Part] = []
    for part in machine.parts:
        moved = _moved(machine, part, state, span, doing, wheels)
        if moved is None:
            still.append(part)
        elif isinstance(moved, Driven):
            driven.append(moved)
        else:
            changing.append(moved)
    moving = {p.name for p in machine.parts} - {p.name for p in still}
    elements = {el.name: el for el in replace(machine, parts=tuple(still)).elements(state)}
    taken: set[str] = set()
    for presence in presences:
        parts = tuple(p for p in presence.machine.parts if p.name not in moving)
        other = {el.name: el for el in replace(presence.machine, parts=parts).elements(state)}
        gone = [el for name, el in elements.items() if other.get(name) != el]
        come = [el for name, el in other.items() if elements.get(name) != el]
        if taken & {el.name for el in gone}:
            raise CircuitError("two faults that come and go share a part of the harness; place them apart.")
        taken |= {el.name for el in gone}
        starts = (span[0] - 1.0, *presence.times)
        order = tuple((k + presence.there) % 2 for k in range(len(starts)))
        changing.append(Changing((tuple(gone), tuple(come)), starts, order))
    fixed = tuple(el for el in elements.values() if el.name not in taken)
    return Scene(fixed, tuple(changing), tuple(driven), machine.earth)


def _moved(
    machine: Machine, part: Part, state: State, span: tuple[float, float], doing: Meanwhile | None, wheels: bool
) -> Changing | Driven | None:
    """What this part does in time; None when it stays as it is."""
    turns = state.turning or (doing is not None and doing.after.turning)
    match part:
        case Battery() if doing is not None and doing.after.key == "crank":
            return _cranked(machine, part, doing, span[1])
        case Battery() if state.key == "crank" and wheels:
            return _cranking(machine, part, span)
        case HallSwitch() if turns and wheels and part.turns:
            return _hall(machine, part, state, span, doing)
        case InductivePickup() if turns and wheels:
            return _pickup(machine, part, state, span, doing)
        case Potentiometer() | PressureSensor():
            return _swept(machine, part, state, span, doing, wheels)
    return None


def edges(wheel: Wheel, turns: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """(turns, facing): where a wheel changes between gap and tooth within two limits of its own turns, in order."""
    first, last = int(np.floor(turns[0])), int(np.ceil(turns[1]))
    teeth = np.arange(wheel.teeth - wheel.missing)
    begin = (np.arange(first, last + 1)[:, None] + teeth / wheel.teeth).ravel()
    at = np.column_stack([begin, begin + wheel.tooth / wheel.teeth]).ravel()
    facing = np.tile([True, False], len(begin))
    inside = (at > turns[0]) & (at < turns[1])
    return at[inside], facing[inside]


def faces(wheel: Wheel, turns: float) -> bool:
    """Whether a tooth stands before the sensor at this angle of the wheel (in turns)."""
    place = (turns % 1.0) * wheel.teeth
    return place < wheel.teeth - wheel.missing and place % 1.0 < wheel.tooth


def _turning(machine: Machine, state: State, span: tuple[float, float], doing: Meanwhile | None):
    """(begin, end, revolutions a second): the part of the record in which the engine turns at one speed."""
    if doing is not None and doing.after.turning and not state.turning:
        return doing.begin, span[1], machine.engine.rpm(doing.after) / 60
    return span[0], span[1], machine.engine.rpm(state) / 60


def _hall(machine, part: HallSwitch, state: State, span, doing) -> Changing:
    begin, end, per_s = _turning(machine, state, span, doing)
    speed = per_s * part.wheel.turns
    at, facing = edges(part.wheel, np.array([begin, end]) * speed)
    turning = state if state.turning else doing.after
    forms = [tuple(part.elements(replace(turning, phase=phase))) for phase in (0, 1)]
    before = part.target if not state.turning else faces(part.wheel, begin * speed)
    first = faces(part.wheel, begin * speed)
    starts, order = [span[0] - 1.0, begin], [int(before), int(first)]
    return Changing(tuple(forms), (*starts, *(at / speed)), (*order, *facing.astype(int)))


def _pickup(machine, part: InductivePickup, state: State, span, doing) -> Driven:
    begin, end, per_s = _turning(machine, state, span, doing)
    speed, wheel = per_s * part.wheel.turns, part.wheel
    peak = part.volts_at_1000_rpm * per_s * 60 / 1000
    first, last = int(np.floor(begin * speed * wheel.teeth)), int(np.ceil(end * speed * wheel.teeth))
    places = np.arange(first, last + 1)
    wave = np.sin(2 * np.pi * np.arange(8) / 8)
    there = places % wheel.teeth < wheel.teeth - wheel.missing
    times = ((places[:, None] + np.arange(8) / 8) / (speed * wheel.teeth)).ravel()
    volts = np.where(there[:, None], peak * wave, 0.0).ravel()
    after = times > begin
    source = Source(part.name, *part.pins, 0.0, part.coil_ohm)
    return Driven(source, (begin, *times[after]), (0.0, *volts[after]))


def _cranked(machine, part: Battery, doing: Meanwhile, end: float) -> Driven:
    """The battery when the starter engages: the dip, then a ripple with every compression."""
    times, volts = _compressions(machine, part, doing.begin + DIP_S, end)
    source = Source(part.name, part.plus, part.minus, part.rest_v, part.r_ohm)
    return Driven(source, (doing.begin, doing.begin + DIP_S, *times), (part.rest_v, part.crank_v, *volts))


def _cranking(machine, part: Battery, span: tuple[float, float]) -> Driven:
    """The battery while the starter turns."""
    times, volts = _compressions(machine, part, *span)
    return Driven(Source(part.name, part.plus, part.minus, part.cranking_v, part.r_ohm), tuple(times), tuple(volts))


def _compressions(machine, part: Battery, begin: float, end: float) -> tuple[np.ndarray, np.ndarray]:
    """(times, volts) at the turning points of the cranked battery's ripple, in step with the engine."""
    half = 60 / machine.engine.crank_rpm / machine.engine.cylinders
    steps = np.arange(int(np.floor(begin / half)) + 1, int(np.ceil(end / half)) + 1)
    swing = COMPRESSION * (part.rest_v - part.crank_v)
    return steps * half, part.cranking_v + swing * (-1.0) ** steps


def _swept(machine, part, state: State, span, doing, wheels: bool) -> Changing | None:
    """A ranged sensor whose operating variable moves: stairs of the operation, or of the ripple."""
    at, low, high = part.output.at, *part.output.span
    begin, end = at.value(state), at.value(doing.after) if doing else at.value(state)
    ripple = part.output.ripple if wheels and state.key == "run" else None
    if begin != end:
        count = max(int(np.ceil(abs(end - begin) / (high - low) * STAIR)), 1)
        shares = np.arange(count + 1) / count
        values = begin + (end - begin) * shares
        starts = doing.begin + doing.travel_s * shares
        starts[0] = span[0] - 1.0
        order = np.arange(count + 1)
    elif ripple is not None:
        period = 60 / machine.engine.rpm(state) / ripple.per_rev
        first, last = int(np.floor(span[0] / period * RIPPLE_STEPS)), int(np.ceil(span[1] / period * RIPPLE_STEPS))
        steps = np.arange(first, last + 1)
        wave = np.sin(2 * np.pi * (np.arange(RIPPLE_STEPS) + 0.5) / RIPPLE_STEPS)
        values = np.clip(begin + ripple.amount * wave, low, high)
        starts, order = steps * period / RIPPLE_STEPS, steps % RIPPLE_STEPS
    else:
        return None
    steady = replace(state, held=frozenset(), key="on" if state.key == "off" else state.key)
    forms = tuple(
        tuple(replace(part, output=replace(part.output, at=Operating.fixed(float(v)))).elements(steady)) for v in values
    )
    return Changing(forms, tuple(starts), tuple(int(k) for k in order))
