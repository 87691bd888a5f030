"""The panel: a bench played with plain controls beside its drawing. It computes nothing; it calls the bench."""

from __future__ import annotations

import base64
from collections.abc import Callable
from html import escape

import ipywidgets as widgets
import pandas as pd

from casekit.error import BenchError, CasekitError
from casekit.machine.faults import DRAWING_KINDS, KINDS, SENSOR_KINDS, SUPPLY_KINDS
from casekit.machine.harness import Wire
from casekit.teaching.practice import Practice
from casekit.teaching.scopecontrols import ScopeControls, labelled, menu

CAUTION = (
    "On a real machine: stop it, chock it, keep clear of moving and hot parts, keep airbag and high-voltage circuits "
    "alone, and follow the maker's service information. Ohms on dead circuits only; no test lamp on electronics."
)
FUNCTIONS = [
    ("volts dc", "volts"), ("millivolts dc", "millivolts"), ("ohms", "ohms"), ("continuity", "continuity"),
    ("min/max volts, 10 s", "minmax"), ("volts with 500 Ω across", "loaded"), ("test lamp", "lamp"),
]  # fmt: skip
EXPECTING = ("volts", "millivolts", "ohms", "continuity", "minmax", "loaded")
WATCHED = ("shift", "rock", "road_test")  # moves during which the meter can be watched
SHOWN = ["minute", "action", "what", "red", "black", "expected", "shown", "key", "held", "unplugged", "note", "risk"]


class Panel(widgets.VBox):
    """Drawing, moves, instruments, log, call and debrief of one bench."""

    def __init__(self, bench: Practice):
        self.bench = bench
        self.message, self.status, self.display = widgets.HTML(), widgets.HTML(), widgets.HTML()
        self.table, self.result, self.shown = widgets.HTML(), widgets.HTML(), widgets.HTML()
        self.zoom = menu(
            "Drawing", [("fit", "100%"), ("one and a half", "150%"), ("double", "200%")], width="16em"
        )  # fmt: skip
        self.move = menu("Move", [])
        self.watch = labelled(widgets.Checkbox, "watch the leads meanwhile", value=False, indent=False)
        self.function = menu("Meter", FUNCTIONS)
        self.red, self.black = menu("Red lead", []), menu("Black lead", [])
        self.expect = labelled(widgets.Text, "I expect", placeholder="V or Ω, before you read")
        self.wire = menu("Wire", [w.name for w in bench.drawing.all(Wire)])
        self.scope = ScopeControls(bench)
        self.kind = menu("Fault", list(KINDS))
        self.place, self.to = menu("Place", []), menu("And", [])
        actions = {
            "Do it": self._do_move, "Read": self._read, "Join leads": self._join, "Take jumper off": self._part,
            "Clamp amps": self._clamp, "Zero clamp": self._zero, "Pierce wire": self._pierce,
            "Scan data": self._scan, "Trouble codes": self._codes, "Driver's seat": self._notice,
            "Take picture": self._picture, "Make the call": self._call, "Repair it": self._repair,
            "Hint": self._hint, "Debrief": self._debrief, "What was known when": self._progress,
        }  # fmt: skip
        self.buttons = {
            name: widgets.Button(
                description=name, button_style="primary" if name == "Read" else "",
                layout=widgets.Layout(width="auto"),
            )
            for name in actions
        }  # fmt: skip
        self.picture = widgets.HTML(
            layout=widgets.Layout(flex="4 1 62em", min_width="20em", max_height="56em", overflow="auto")
        )
        for name, button in self.buttons.items():
            button.on_click(self._guarded(actions[name]))
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

        def row(*names: str) -> widgets.HBox:
            return widgets.HBox([self.buttons[n] for n in names], layout=widgets.Layout(flex_flow="row wrap"))

        groups = [
            [heading("Move"), self.move, self.watch, self.buttons["Do it"], self.status, self.message],
            [
                heading("Measure"),
                self.function,
                self.red,
                self.black,
                self.expect,
                self.buttons["Read"],
                self.display,
                row("Join leads", "Take jumper off"),
            ],
            [heading("Control unit and driver"), row("Scan data", "Trouble codes", "Driver's seat", "Hint")],
            [heading("Wire"), self.wire, row("Clamp amps", "Zero clamp", "Pierce wire")],
            [heading("Oscilloscope"), *self.scope.rows, row("Take picture")],
        ]
        if self.bench.sheet:
            groups.append(
                [
                    heading("Call"),
                    self.kind,
                    self.place,
                    self.to,
                    row("Make the call", "Repair it", "Debrief", "What was known when"),
                ]
            )
        else:
            groups.append([heading("Repair"), self.kind, self.place, row("Repair it")])
        wide = widgets.Layout(flex="1 1 22em")
        side = widgets.HBox(
            [widgets.VBox(group, layout=wide) for group in groups],
            layout=widgets.Layout(flex="1 1 24em", flex_flow="row wrap", align_content="flex-start"),
        )
        top = widgets.HBox([self.picture, side], layout=widgets.Layout(flex_flow="row wrap"))
        title = widgets.HTML(f"<h3>{escape(self.bench.title)}</h3>")
        caution = widgets.HTML(f"<small>{escape(CAUTION)}</small>")
        sheet = [widgets.HTML(self.bench.sheet._repr_html_())] if self.bench.sheet else [title]
        return [*sheet, self.zoom, top, self.shown, heading("Log"), self.table, self.result, caution]

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
        move, *where = self.move.value
        watched = self.watch.value and move in WATCHED
        settings = {"watch": (self.red.value, self.black.value)} if watched else {}
        done = getattr(self.bench, move)(*(w for w in where if w), **settings)
        if watched:
            self._show_reading(done, f"{done.red} against {done.black}, meanwhile")
        return str(done)

    def _read(self) -> str:
        text = self.expect.value.strip().replace(",", ".")
        expect = float(text) if text else None
        function = self.function.value
        settings = {"expect": expect} if function in EXPECTING else {}
        settings |= {"load_ohm": 500.0} if function == "loaded" else {}
        reading = getattr(self.bench, function)(self.red.value, self.black.value, **settings)
        self._show_reading(reading, f"{reading.red} against {reading.black}")
        self.expect.value = ""
        return "; ".join(n for n in (reading.note, reading.risk) if n)

    def _join(self) -> str:
        return self.bench.jumper(self.red.value, self.black.value)

    def _part(self) -> str:
        return self.bench.remove_jumper(self.red.value, self.black.value)

    def _pierce(self) -> str:
        return f"{self.bench.pierce(self.wire.value)} can be reached with a lead; {self.bench.events[-1].risk}"

    def _clamp(self) -> str:
        reading = self.bench.amps(self.wire.value)
        self._show_reading(reading, f"clamp on {reading.red}")
        return reading.note

    def _zero(self) -> str:
        return self.bench.zero_clamp()

    def _scan(self) -> str:
        self._show_table("Scan data", self.bench.scan())
        return "scan data is shown below"

    def _codes(self) -> str:
        codes = self.bench.codes()
        self._show_table("Trouble codes", codes)
        return "the trouble codes are shown below" if len(codes) else "there are no trouble codes"

    def _notice(self) -> str:
        return self.bench.notice().text

    def _picture(self) -> str:
        screen = self.scope.taken(self.red.value, self.black.value)
        picture = base64.b64encode(screen.png).decode()
        words = escape(screen.figures().to_string(index=False))
        self.shown.value = f'<img style="max-width:100%" alt="{words}" src="data:image/png;base64,{picture}">'
        return screen.trace.note or "the picture is shown below"

    def _call(self) -> str:
        if self.place.value is None:
            raise BenchError("choose the place first.")
        to = self.to.value if self.kind.value in DRAWING_KINDS else ""
        return repr(self.bench.call(self.kind.value, self.place.value, to or ""))

    def _repair(self) -> str:
        if self.place.value is None:
            raise BenchError("choose the place first.")
        if self.kind.value in SENSOR_KINDS:
            return self.bench.replace(self.place.value)
        if self.kind.value in SUPPLY_KINDS:
            return self.bench.replace(self.bench.unit)
        return self.bench.repair(self.place.value)

    def _debrief(self) -> str:
        self.result.value = self.bench.debrief()._repr_html_()
        for button in self.buttons.values():
            button.disabled = True
        self.buttons["What was known when"].disabled = False
        return "the case is closed; the debrief stands below the log"

    def _hint(self) -> str:
        return self.bench.hint()

    def _progress(self) -> str:
        """The picture takes a while, as two routes are played for it; so it comes when it is asked for."""
        if not self.bench.closed:
            raise BenchError("the picture of what was known when comes after the debrief.")
        self.result.value = self.bench.debrief()._repr_html_() if self.bench.debrief().picture else ""
        return "the picture stands below the debrief"

    # Showing ----------------------------------------------------------------------------------------------------

    def _say(self, sentence: str, trouble: bool = False) -> None:
        mark = "Not possible: " if trouble else ""
        self.message.value = f'<div role="status" aria-live="polite"><i>{escape(mark + sentence)}</i></div>'

    def _show_reading(self, reading, where: str) -> None:
        self.display.value = (
            f'<div role="status" aria-live="polite"><span style="font-size:180%">{escape(reading.shown)}</span><br>'
            f"{escape(where)}, {escape(str(reading.state))}</div>"
        )

    def _show_table(self, title: str, table: pd.DataFrame) -> None:
        rounded = table.to_html(index=False, na_rep="", border=0, justify="left", float_format=lambda x: f"{x:.4g}")
        self.shown.value = f"<b>{escape(title)}</b>{rounded}"

    def _draw(self) -> None:
        # The drawing is never wider than its frame; here it fills the width that the zoom gives it.
        svg = self.bench.picture.svg.replace("max-width:100%", "width:100%", 1)
        self.picture.value = f'<div style="width:{self.zoom.value}">{svg}</div>'

    def _fill_places(self) -> None:
        self.place.options = self.bench.places(self.kind.value)
        self.to.options = self.bench.others(self.kind.value) if self.kind.value in DRAWING_KINDS else []
        self.to.disabled = not self.to.options

    def _refresh(self) -> None:
        """Show the bench as it is now, and keep what was chosen where it can still be chosen."""
        bench = self.bench
        self.status.value = f"<b>{escape(str(bench.state))}</b> · {bench.clock:.1f} minutes"
        moves = [option for m in bench.moves().itertuples() for option in _options(m)]
        points = bench.probe_points()
        for box, options in ((self.move, moves), (self.red, points), (self.black, points)):
            before, last = box.value, box is self.black and box.value is None
            box.options = options
            values = [o[1] if isinstance(o, tuple) else o for o in options]
            if before in values:
                box.value = before
            elif last:
                box.value = bench.drawing.earth
        self.scope.refresh(points)
        table = bench.log[SHOWN].assign(minute=lambda log: log["minute"].round(1))
        html = table.to_html(index=False, na_rep="", border=0, justify="left")
        self.table.value = f'<div style="max-height:24em;overflow:auto">{html}</div>' if len(table) else "empty so far"


def _options(move) -> list[tuple[str, tuple[str, ...]]]:
    """The lines of the move menu for one move: a harness can be shifted gently or hard."""
    words = _words(move)
    if move.move != "shift":
        return [(words, (move.move, move.target))]
    return [(words, (move.move, move.target)), (words.replace("gently", "hard"), (move.move, move.target, "hard"))]


def _words(move) -> str:
    """One line of the move menu."""
    name = f"{move.move.replace('_', ' ')} {move.target}".strip()
    what = move.what.removeprefix(move.target).strip()
    about = "" if move.move == "key" or what == name else f": {what}, {move.where}"
    return f"{name}{about} ({move.minutes:g} min)"


def panel(bench: Practice) -> Panel:
    """The controls for a bench, to be shown as the last line of a cell."""
    return Panel(bench)
