"""The bench: a machine under a technician's hands, with a clock and a log.

In: moves and readings asked for by name. Out: what a real machine would show, and one record of each in the log.
"""

from __future__ import annotations

from casekit.bench.mending import Mending
from casekit.bench.reading import Call, standing
from casekit.error import BenchError, hint, hint_or_some
from casekit.machine.faults import DRAWING_KINDS, KINDS, NO_FAULT


class Bench(Mending):
    """One machine to be diagnosed.

    `drawing` is the machine as drawn. What it is really like is sealed. All moves cost minutes; `clock` counts them.
    Every method raises BenchError, one sentence, when something cannot be done now; the log stays as it was.
    """

    def __repr__(self) -> str:
        return f"<bench: {self.title}; {self.state}; {self.clock:g} minutes, {len(self.events)} log lines>"

    def call(self, kind: str, place: str = "", to: str = "", also: bool = False) -> Call:
        """State the fault: its kind and its place at repair level (wire, cavity, sensor or supply).

        "no fault found" has no place. `to` names the other wire, cavity or splice; for a wrong drawing it must be
        given: where the wire really goes. The last call before the debrief counts, and with it the last one that says
        the drawing is wrong. With `also=True` the call before stands too: two faults at once.
        """
        self._open_for_work()
        if kind == NO_FAULT:
            self._placeless(place or to, also)
        else:
            self._nameable(kind, place, to)
        also = also and kind not in DRAWING_KINDS  # a wrong drawing stands beside any call
        if also:
            self._addable(kind, place)
        call = Call(kind, place, self.state, self.clock, to, also)
        self.events.append(call)
        return call

    def _placeless(self, place: str, also: bool) -> None:
        """Check that a call of nothing names no place, and stands alone."""
        if place:
            raise BenchError(f"{NO_FAULT} has no place, not {place!r}; leave it out, or name a kind of fault.")
        if also:
            raise BenchError(f"{NO_FAULT} cannot stand beside another call; make it without also=True.")

    def _nameable(self, kind: str, place: str, to: str) -> None:
        """Check that there can be a fault of this kind at this place of the drawing, and with this other end."""
        if kind not in KINDS:
            kinds, near = ", ".join(KINDS), hint(str(kind).lower(), [*KINDS, NO_FAULT])
            raise BenchError(f"{kind!r} is not a kind of fault; use one of: {kinds}; or {NO_FAULT}.{near}")
        known = self.places(kind)
        if place not in known:
            if not place:
                raise BenchError(f"say where the {kind} is.{hint_or_some('', known)}")
            raise BenchError(f"a fault of kind {kind} cannot be at {place!r}.{hint_or_some(place, known)}")
        if kind in DRAWING_KINDS and not to:
            raise BenchError(f"say with to= where {place} really goes: a splice, or the wire it is spliced into.")
        others = self.others(kind, place)
        if to and to not in others:
            raise BenchError(f"{to!r} cannot be the other end of a fault of kind {kind} at {place}.{hint(to, others)}")

    def _addable(self, kind: str, place: str) -> None:
        """Check that there is one call, of another fault, that this one can stand beside."""
        before, _ = standing(self.events)
        if not before:
            raise BenchError("there is no call yet that this one could be added to; make it without also=True.")
        if len(before) > 1:
            raise BenchError(
                f"two faults are called already, {before[0]} and {before[1]}; begin anew with a call without also=True."
            )
        if before[0].kind == NO_FAULT:
            raise BenchError(f"the call is {NO_FAULT}; call the fault without also=True, and it takes its place.")
        if (before[0].kind, before[0].place) == (kind, place):
            raise BenchError(f"{kind} at {place} is the call already; add another fault to it.")

    def others(self, kind: str, place: str = "") -> list[str]:
        """What `to` of a call can name: wires, cavities or splices; nothing for kinds with one place.

        With a `place`, only what can go with it: another cavity of its connector, another wire, a splice it is not
        drawn at.
        """
        if kind == "drawn on the wrong splice":
            drawn = self._wire(place).a if place else ""
            return [splice for splice in self.drawing.splices() if splice != drawn]
        if kind in ("short between wires", "splice not drawn"):
            return [wire for wire in self.places(kind) if wire != place]
        if kind in ("leak between cavities", "crossed terminals"):
            connector = place.rpartition(".")[0]
            return [c for c in self.places(kind) if c != place and (not place or c.rpartition(".")[0] == connector)]
        return []
