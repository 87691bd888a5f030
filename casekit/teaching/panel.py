"""The panel: a bench played with plain controls beside its drawing. It computes nothing; it calls the bench."""

from __future__ import annotations

from collections.abc import Callable
from html import escape

import ipywidgets as widgets

from casekit.error import CasekitError
from casekit.machine.faults import KINDS
from casekit.teaching.practice import Practice

WIDE = widgets.Layout(width="99%")
LABELLED = {"description_width": "6.5em"}
CAUTION = (
    "On a real machine: stop it, chock it, keep clear of moving and hot parts, keep airbag and high-voltage circuits "
    "alone, and follow the maker's service information. Ohms on dead circuits only."
)


class Panel(widgets.VBox):
    """Drawing, moves, meter, log, call and debrief of one bench."""

    def __init__(self, bench: Practice):
        self.bench = bench
        self.message = widgets.HTML()
        self.status = widgets.HTML()
        self.display = widgets.HTML()
        self.table = widgets.HTML()
        self.result = widgets.HTML()
        self.zoom = widgets.Dropdown(
            options=[("fit", "100%"), ("one and a half", "150%"), ("double", "200%")], description="Drawing",
            style=LABELLED, layout=widgets.Layout(width="16em"),
        )  # fmt: skip
        self.move = widgets.Dropdown(description="Move", style=LABELLED, layout=WIDE)
        self.function = widgets.Dropdown(
            options=[("volts dc", "volts"), ("millivolts dc", "millivolts"), ("ohms", "ohms")],
            description="Meter", style=LABELLED, layout=WIDE,
        )  # fmt: skip
        self.red = widgets.Dropdown(description="Red lead", style=LABELLED, layout=WIDE)
        self.black = widgets.Dropdown(description="Black lead", style=LABELLED, layout=WIDE)
        self.expect = widgets.Text(
            description="I expect", placeholder="V or Ω, before you read", style=LABELLED, layout=WIDE
        )
        self.kind = widgets.Dropdown(options=KINDS, description="Fault", style=LABELLED, layout=WIDE)
        self.place = widgets.Dropdown(description="Place", style=LABELLED, layout=WIDE)
        self.buttons = {
            name: widgets.Button(description=name, button_style=style, layout=widgets.Layout(width="auto"))
            for name, style in (("Do it", ""), ("Read", "primary"), ("Make the call", ""), ("Debrief", ""))
        }
        self.picture = widgets.HTML(
            layout=widgets.Layout(flex="4 1 62em", min_width="20em", max_height="56em", overflow="auto")
        )
        for name, action in (
            ("Do it", self._do_move), ("Read", self._read), ("Make the call", self._call), ("Debrief", self._debrief)
        ):  # fmt: skip
            self.buttons[name].on_click(self._guarded(action))
        self.kind.observe(lambda change: self._fill_places(), "value")
        self.zoom.observe(lambda change: self._draw(), "value")
        super().__init__(self._arranged())
        self._draw()
        self._fill_places()
        self._refresh()

    def _arranged(self) -> list[widgets.Widget]:
        """Drawing and controls side by side where there is room, else the drawing first and the controls in a row."""

        def heading(text: str) -> widgets.HTML:
            return widgets.HTML(f"<b>{escape(text)}</b>")

        groups = [
            [heading("Move"), self.move, self.buttons["Do it"], self.status, self.message],
            [heading("Measure"), self.function, self.red, self.black, self.expect, self.buttons["Read"], self.display],
        ]
        if self.bench.sheet:
            last = widgets.HBox([self.buttons["Make the call"], self.buttons["Debrief"]])
            groups.append([heading("Call"), self.kind, self.place, last])
        wide = widgets.Layout(flex="1 1 22em")
        side = widgets.HBox(
            [widgets.VBox(group, layout=wide) for group in groups],
            layout=widgets.Layout(flex="1 1 24em", flex_flow="row wrap", align_content="flex-start"),
        )
        top = widgets.HBox([self.picture, side], layout=widgets.Layout(flex_flow="row wrap"))
        title = widgets.HTML(f"<h3>{escape(self.bench.title)}</h3>")
        caution = widgets.HTML(f"<small>{escape(CAUTION)}</small>")
        return [title, self.zoom, top, heading("Log"), self.table, self.result, caution]

    # Actions ----------------------------------------------------------------------------------------------------

    def _guarded(self, action: Callable[[], str]) -> Callable[[widgets.Button], None]:
        """A click handler that shows the bench's sentence when something cannot be done."""

        def click(button: widgets.Button) -> None:
            try:
                self._say(action())
            except CasekitError as err:
                self._say(str(err), trouble=True)
            except ValueError:
                self._say("write the expected value as a number, such as 4.98, or leave it empty.", trouble=True)
            self._refresh()

        return click

    def _do_move(self) -> str:
        move, target = self.move.value
        return str(getattr(self.bench, move)(target))

    def _read(self) -> str:
        text = self.expect.value.strip().replace(",", ".")
        expect = float(text) if text else None
        reading = getattr(self.bench, self.function.value)(self.red.value, self.black.value, expect=expect)
        where = f"{escape(reading.red)} against {escape(reading.black)}, {escape(str(reading.state))}"
        self.display.value = (
            f'<div role="status" aria-live="polite"><span style="font-size:180%">{escape(reading.shown)}</span><br>'
            f"{where}</div>"
        )
        self.expect.value = ""
        return reading.note

    def _call(self) -> str:
        return repr(self.bench.call(self.kind.value, self.place.value))

    def _debrief(self) -> str:
        self.result.value = self.bench.debrief()._repr_html_()
        for button in self.buttons.values():
            button.disabled = True
        return "the case is closed; the debrief stands below the log"

    # Showing ----------------------------------------------------------------------------------------------------

    def _say(self, sentence: str, trouble: bool = False) -> None:
        mark = "Not possible: " if trouble else ""
        self.message.value = f'<div role="status" aria-live="polite"><i>{escape(mark + sentence)}</i></div>'

    def _draw(self) -> None:
        # The drawing is never wider than its frame; here it fills the width that the zoom gives it.
        svg = self.bench.picture.svg.replace("max-width:100%", "width:100%", 1)
        self.picture.value = f'<div style="width:{self.zoom.value}">{svg}</div>'

    def _fill_places(self) -> None:
        self.place.options = self.bench.places(self.kind.value)

    def _refresh(self) -> None:
        """Show the bench as it is now, and keep what was chosen where it can still be chosen."""
        bench = self.bench
        self.status.value = f"<b>{escape(str(bench.state))}</b> · {bench.clock:g} minutes"
        moves = [
            (f"{m.move} {m.target}{_what(m)} ({m.minutes:g} min)", (m.move, m.target))
            for m in bench.moves().itertuples()
        ]
        points = bench.probe_points()
        for menu, options in ((self.move, moves), (self.red, points), (self.black, points)):
            before, last = menu.value, menu is self.black and menu.value is None
            menu.options = options
            values = [o[1] if isinstance(o, tuple) else o for o in options]
            if before in values:
                menu.value = before
            elif last:
                menu.value = bench.drawing.earth
        log = bench.log[["minute", "action", "what", "red", "black", "expected", "shown", "key", "unplugged", "note"]]
        table = log.to_html(index=False, na_rep="", border=0, justify="left")
        self.table.value = f'<div style="max-height:24em;overflow:auto">{table}</div>' if len(log) else "empty so far"


def _what(move) -> str:
    return "" if move.move == "key" else f": {move.what.removeprefix(move.target).strip()}, {move.where}"


def panel(bench: Practice) -> Panel:
    """The controls for a bench, to be shown as the last line of a cell."""
    return Panel(bench)
