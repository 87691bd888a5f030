"""The oscilloscope's controls on the panel: a second pair of leads, time, volts, trigger, what is done meanwhile."""

from __future__ import annotations

from collections.abc import Sequence

import ipywidgets as widgets

from casekit.machine.state import LOAD
from casekit.teaching.practice import Practice
from casekit.teaching.screen import Screen

STYLE = {"description_width": "6.5em"}
WIDE = widgets.Layout(width="99%")
TIMES = [
    (f"{t * 1000:g} ms" if t < 1 else f"{t:g} s", t)
    for t in (0.0005, 0.001, 0.002, 0.005, 0.01, 0.02, 0.05, 0.1, 0.2, 0.5)
]
VOLTS = [(f"{v:g} V" if v >= 1 else f"{v * 1000:g} mV", v) for v in (0.02, 0.05, 0.1, 0.2, 0.5, 1.0, 2.0, 5.0)]
NO_TRIGGER = ("none", None)
TRIGGERS = [NO_TRIGGER, ("rising", "rising"), ("falling", "falling")]


def labelled(kind: type[widgets.Widget], text: str, **settings) -> widgets.Widget:
    """A control with its name before it."""
    return kind(description=text, style=STYLE, layout=settings.pop("layout", WIDE), **settings)


def menu(text: str, options: Sequence, width: str = "99%") -> widgets.Dropdown:
    """A named menu."""
    return labelled(widgets.Dropdown, text, options=options, layout=widgets.Layout(width=width))


class ScopeControls:
    """Channel 1 is on the meter's leads; channel 2, if wanted, on a pair of its own."""

    def __init__(self, bench: Practice):
        self.bench = bench
        self.second = menu("Channel 2", ["off"])
        self.second_black = menu("against", [bench.drawing.earth])
        self.time, self.volts = menu("Time per div.", TIMES), menu("Volts per div.", VOLTS)
        self.time.value, self.volts.value = 0.01, 1.0
        self.trigger = menu("Trigger", TRIGGERS)
        self.level = labelled(widgets.FloatText, "at volts", value=2.5)
        operations = [o.name for o in bench.drawing.operations]
        self.during = menu("Meanwhile", [("nothing", None), *((n, n) for n in (*operations, LOAD, "crank"))])
        self.peak = labelled(widgets.Checkbox, "keep peaks", value=True, indent=False)
        self.rows = [
            self.second, self.second_black, self.time, self.volts, self.trigger, self.level, self.during, self.peak
        ]  # fmt: skip

    def refresh(self, points: Sequence[str]) -> None:
        """The points a lead can reach now; what was chosen stays where it can."""
        for box, options in ((self.second, ["off", *points]), (self.second_black, points)):
            before = box.value
            box.options = options
            box.value = before if before in options else "off" if box is self.second else self.bench.drawing.earth

    def taken(self, red: str, black: str) -> Screen:
        """Take the picture. The volts stand in the middle of the screen when they are below eight divisions."""
        leads = [(red, black)]
        if self.second.value != "off":
            leads.append((self.second.value, self.second_black.value))
        trigger = (1, self.level.value, self.trigger.value) if self.trigger.value else None
        return self.bench.scope(
            leads, s_per_div=self.time.value, v_per_div=self.volts.value, offset_v=2 * self.volts.value,
            trigger=trigger, peak=self.peak.value, during=self.during.value,
        )  # fmt: skip
