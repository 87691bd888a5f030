"""The panel's controls for what somebody thinks is wrong: their own list of suspects, the call, and the repair."""

from __future__ import annotations

from collections.abc import Callable

import ipywidgets as widgets

from casekit.error import BenchError
from casekit.machine.faults import DRAWING_KINDS, KINDS, NO_FAULT, SENSOR_KINDS, SUPPLY_KINDS
from casekit.teaching.practice import Practice
from casekit.teaching.scopecontrols import menu
from casekit.teaching.ticks import Tick


class CallControls:
    """Kind and place of a fault; `kept` holds a tick for every suspect of the list: ticked while it is possible."""

    def __init__(self, bench: Practice):
        self.bench = bench
        self.kind = menu("Fault", [*KINDS, NO_FAULT])
        self.place, self.to = menu("Place", []), menu("Other end", [])
        self.also = widgets.Checkbox(description="beside the call before: two faults", indent=False)
        self.kept = widgets.VBox()
        self.ticks: dict[str, widgets.Checkbox] = {}
        self.ticked: Callable[[Tick, bool], None] = self.change
        self.kind.observe(lambda change: self._fill(), "value")
        self._fill()

    def _fill(self) -> None:
        others = self.bench.others(self.kind.value) if self.kind.value in DRAWING_KINDS else []
        places = [] if self.kind.value == NO_FAULT else self.bench.places(self.kind.value)
        for box, options in ((self.place, places), (self.to, others)):
            before = box.value
            if list(box.options) != options:  # a menu that is filled anew forgets what was being chosen
                box.options = options
            if before in options:
                box.value = before
        self.place.disabled, self.to.disabled = not self.place.options, not self.to.options

    def _named(self) -> tuple[str, str, str]:
        if self.kind.value == NO_FAULT:
            raise BenchError(f"{NO_FAULT} is a call; choose a kind of fault and its place for the list or a repair.")
        if self.place.value is None:
            raise BenchError("choose the place first.")
        return self.kind.value, self.place.value, (self.to.value or "") if self.kind.value in DRAWING_KINDS else ""

    def keep(self) -> str:
        """Put what is chosen on the list, as possible."""
        kind, place, to = self._named()
        self.bench.tick(kind, place, to)
        return f"{kind} at {place} is on your list; take its tick off when the readings speak against it"

    def call(self) -> str:
        """Make the call; with the box ticked, beside the one before."""
        named = (NO_FAULT,) if self.kind.value == NO_FAULT else self._named()
        call = self.bench.call(*named, also=self.also.value)
        self.also.value = False
        return f"{call!r}; repair it and prove it before the debrief, which ends the case"

    def repair(self) -> str:
        """Repair or replace what is chosen."""
        kind, place, _ = self._named()
        if kind in SENSOR_KINDS:
            return self.bench.replace(place)
        return self.bench.replace(self.bench.unit) if kind in SUPPLY_KINDS else self.bench.repair(place)

    def refresh(self) -> None:
        """Show the list as the bench has it."""
        for tick in self.bench.own.entries:
            name = str(tick)
            if name not in self.ticks:
                self.ticks[name] = widgets.Checkbox(description=name, indent=False, layout=widgets.Layout(width="99%"))
                self.ticks[name].value = tick.possible
                self.ticks[name].observe(lambda change, t=tick: self._changed(t, change["new"]), "value")
            self.ticks[name].value = tick.possible
            self.ticks[name].disabled = self.bench.closed
        self.kept.children = list(self.ticks.values())

    def clear(self) -> None:
        """Forget the list, as the case was begun anew."""
        self.ticks.clear()
        self.also.value = False

    def change(self, tick: Tick, possible: bool) -> str:
        """Keep a suspect or strike it off."""
        self.bench.tick(tick.kind, tick.place, tick.to, possible)
        return f"{tick} is {'kept' if possible else 'struck off'}"

    def _changed(self, tick: Tick, possible: bool) -> None:
        known = next((t for t in self.bench.own.entries if str(t) == str(tick)), None)
        if known and known.possible != possible:
            self.ticked(tick, possible)  # where that is refused, `refresh` puts the tick back
