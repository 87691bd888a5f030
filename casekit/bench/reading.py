"""What the log is made of: readings, findings, moves and the call."""

from __future__ import annotations

from dataclasses import dataclass

from casekit.machine.state import State


@dataclass(frozen=True)
class Reading:
    """One value from one instrument.

    `shown` is the display; `value` is what it says in SI units (volt or ohm; nan when the display shows no number);
    `u` is the standard uncertainty of the instrument (JCGM 100: half width of the specification over root three).
    Sign: `red` against `black`. `minute` is the clock when it was taken.
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
    expected: float | None = None
    note: str = ""

    def __repr__(self) -> str:
        note = f"  ({self.note})" if self.note else ""
        return f"{self.shown}  {self.red} against {self.black}, {self.state}, minute {self.minute:g}{note}"


@dataclass(frozen=True)
class Finding:
    """What was seen at a contact point; `wire` is the wire found damaged, or None."""

    point: str
    text: str
    wire: str | None
    state: State
    minute: float

    def __repr__(self) -> str:
        return f"{self.point}: {self.text}, minute {self.minute:g}"


@dataclass(frozen=True)
class Move:
    """Something done to the machine; `state` is the state after it."""

    action: str
    what: str
    state: State
    minute: float


@dataclass(frozen=True)
class Call:
    """The stated fault and its place."""

    kind: str
    place: str
    state: State
    minute: float

    def __repr__(self) -> str:
        return f"called: {self.kind} at {self.place}, minute {self.minute:g}"


Event = Reading | Finding | Move | Call


def row(event: Event) -> dict[str, object]:
    """One line of the log: the columns that this kind of event fills, and the state of the machine."""
    line: dict[str, object] = {"minute": event.minute}
    match event:
        case Reading():
            line |= {"action": "reading", "what": event.function, "red": event.red, "black": event.black}
            line |= {"shown": event.shown, "value": event.value, "unit": event.unit, "u": event.u}
            line |= {"expected": event.expected, "note": event.note}
        case Finding():
            line |= {"action": "look", "what": event.point, "shown": event.text}
        case Move():
            line |= {"action": event.action, "what": event.what}
        case Call():
            line |= {"action": "call", "what": f"{event.kind} at {event.place}"}
    return line | {"key": event.state.key, "unplugged": ", ".join(sorted(event.state.unplugged))}
