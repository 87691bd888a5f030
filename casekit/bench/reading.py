"""What the log is made of: readings, findings, moves and the call."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from casekit.machine.faults import DRAWING_KINDS
from casekit.machine.state import State

# How sure a close look at a contact point is (common practice, no source): the chance that damage that is always there
# is seen, that damage that comes and goes leaves a rub mark to be seen, and that a place shows a mark without damage.
FOUND_LASTING, FOUND_LOOSE, FALSE_MARK = 0.95, 0.75, 1 / 12
# How far a look reaches, as a share of the wire (common practice, no source).
LAST = 0.15  # the stretch that is seen when the splice at the wire's end is laid open
NEAR = 0.02  # how near to the contact point damage is seen


@dataclass(frozen=True)
class Reading:
    """One value from one instrument.

    `shown` is the display; `value` is what it says in SI units (volt or ohm; nan when the display shows no number);
    `u` is the standard uncertainty of the instrument (JCGM 100: half width of the specification over root three).
    Sign: `red` against `black`. `minute` is the clock when it was taken. `low` and `high` are what a min/max reading
    caught. `risk` says what could have been harmed by taking it. `expected` is the value, or (low, high), noted before
    it was taken, in the same unit; `sure` the chance (0.5 to 0.99) given for its lying in that range.

    `data` are the numbers that came with it, by name, as they were shown and never finer. Scan data: volts inside of a
    channel, or revolutions a minute of a speed channel. Codes: 1 for a stored code, 0.5 for a pending one. Clamp: 1 for
    every wire it is around. Loaded volts: `load_ohm`. Test lamp: `rated_v`. Oscilloscope: "RED BLACK least", "greatest"
    and "mean" of the picture, in volt. Scan trace: "CHANNEL least" and "greatest", in the channel's unit.
    """

    function: str
    red: str
    black: str
    shown: str
    value: float
    unit: str
    u: float
    state: State
    minute: float
    expected: float | tuple[float, float] | None = None
    note: str = ""
    low: float | None = None
    high: float | None = None
    risk: str = ""
    data: tuple[tuple[str, float], ...] = ()
    sure: float | None = None

    def __repr__(self) -> str:
        notes = "; ".join(n for n in (self.note, self.risk) if n)
        where = f"{self.red} against {self.black}" if self.black else self.red
        return f"{self.shown}  {where}, {self.state}, minute {self.minute:.1f}" + (f"  ({notes})" if notes else "")


@dataclass(frozen=True)
class Finding:
    """What was seen or noticed at a place; `wire` is the wire or cavity found damaged and `kind` what the damage is,
    `mark` a wire with a rub mark."""

    point: str
    text: str
    wire: str | None
    state: State
    minute: float
    mark: str | None = None
    kind: str = ""

    def __repr__(self) -> str:
        return f"{self.point}: {self.text}, minute {self.minute:.1f}"


@dataclass(frozen=True)
class Move:
    """Something done to the machine; `state` is the state after it. `risk` says what it could have harmed."""

    action: str
    what: str
    state: State
    minute: float
    risk: str = ""


@dataclass(frozen=True)
class Call:
    """The stated fault and its place, or "no fault found" without one; `to` is the other wire, cavity or splice where
    the kind has one. `also` says that it is there beside the call before."""

    kind: str
    place: str
    state: State
    minute: float
    to: str = ""
    also: bool = False

    def __str__(self) -> str:
        return called(self.kind, self.place, self.to)

    def __repr__(self) -> str:
        return f"called{' also' if self.also else ''}: {self}, minute {self.minute:.1f}"


def standing(events: Sequence[Event]) -> tuple[tuple[Call, ...], Call | None]:
    """The calls that count: the last one with those it was added to, and the last that says the drawing is wrong."""
    made = [e for e in events if isinstance(e, Call)]
    faults = [c for c in made if c.kind not in DRAWING_KINDS]
    first = max((k for k, c in enumerate(faults) if not c.also), default=0)
    return tuple(faults[first:]), next((c for c in reversed(made) if c.kind in DRAWING_KINDS), None)


def called(kind: str, place: str, to: str = "") -> str:
    """A fault in words: its kind, its place, and the other end of those that have one. No fault has no place."""
    return kind + (f" at {place}" if place else "") + (f" to {to}" if to else "")


Event = Reading | Finding | Move | Call


def row(event: Event) -> dict[str, object]:
    """One line of the log: the columns that this kind of event fills, and the state of the machine."""
    line: dict[str, object] = {"minute": event.minute}
    match event:
        case Reading():
            line |= {"action": "reading", "what": event.function, "red": event.red, "black": event.black}
            line |= {"shown": event.shown, "value": event.value, "unit": event.unit, "u": event.u}
            line |= {"expected": _written(event.expected), "sure": event.sure, "note": event.note, "risk": event.risk}
        case Finding():
            line |= {"action": "look", "what": event.point, "shown": event.text}
        case Move():
            line |= {"action": event.action, "what": event.what, "risk": event.risk}
        case Call():
            line |= {"action": "call", "what": str(event)}
    held = [*sorted(event.state.held), *(["warm"] if event.state.hot else [])]
    line |= {"key": event.state.key, "held": ", ".join(held)}
    return line | {"unplugged": ", ".join(sorted(event.state.unplugged))}


def _written(expected: float | tuple[float, float] | None) -> float | str | None:
    """A range as a person writes it; a number stays one."""
    return f"{expected[0]:.9g} to {expected[1]:.9g}" if isinstance(expected, tuple) else expected
