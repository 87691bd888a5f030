"""The panel: a bench played on its drawing and with plain controls. It computes nothing; it calls the bench.

In: a bench. Out: a widget. Leads are landed by clicking the drawing or by a menu; everything has a name and a key.
"""

from __future__ import annotations

import base64
from collections.abc import Callable
from html import escape

import ipywidgets as widgets
import pandas as pd

from casekit.bench.reading import Call, Event, Finding, Move, Reading
from casekit.error import BenchError, CasekitError
from casekit.machine.harness import Wire
from casekit.teaching.board import Board
from casekit.teaching.callcontrols import CallControls
from casekit.teaching.caution import CAUTION
from casekit.teaching.practice import Practice
from casekit.teaching.scopecontrols import ScopeControls, labelled, menu
from casekit.teaching.written import HOW, predicted, unit

FUNCTIONS = [
    ("volts dc", "volts"), ("millivolts dc", "millivolts"), ("ohms", "ohms"), ("continuity", "continuity"),
    ("min/max volts, 10 s", "minmax"), ("volts with 500 Ω across", "loaded"), ("test lamp", "lamp"),
]  # fmt: skip
WATCHED = ("shift", "rock", "road_test")  # moves during which the meter can be watched
SURE = [(f"{p} %", p / 100) for p in (50, 60, 70, 80, 90, 95, 99)]
ENDS = ("Make the call", "Repair it", "Debrief", "What was known when", "Start over")
ONCE_MORE = "press Start over once more to begin this case anew; the log so far is kept aside"
LEFT = 'style="text-align:left;vertical-align:top;white-space:normal"'
FRAME = "border:1px solid;padding:0.4em 0.8em;margin:0.4em 0;line-height:1.4"
COLUMNS = ("minute", "what", "where", "expected", "shown", "state", "remark")


class Panel(widgets.VBox):
    """Drawing, moves, instruments, log, suspects, call and debrief of one bench.

    `predict`: a reading waits until it is written down what is expected; who is fluent switches that off.
    """

    def __init__(self, bench: Practice, predict: bool = True):
        self.bench = bench
        self.message, self.status, self.display = widgets.HTML(), widgets.HTML(), widgets.HTML()
        self.table, self.result, self.shown = widgets.HTML(), widgets.HTML(), widgets.HTML()
        self.board = Board(bench, self._picked)
        self.move = menu("Move", [])
        self.watch = labelled(widgets.Checkbox, "watch the meter meanwhile", value=False, indent=False)
        self.function = menu("Meter", FUNCTIONS)
        self.red, self.black = menu("Red lead", []), menu("Black lead", [])
        self.predict = labelled(widgets.Checkbox, "predict before reading", value=predict, indent=False)
        self.expect = labelled(widgets.Text, "I expect", placeholder="4.98, or 4.9 to 5.1 V")
        self.sure = menu("How sure", SURE)
        self.sure.value = 0.8
        self.at_once = labelled(widgets.Checkbox, "read when a lead is landed", value=not predict, indent=False)
        self.wire = menu("Wire", [w.name for w in bench.drawing.all(Wire)])
        self.scope, self.calls = ScopeControls(bench), CallControls(bench)
        self.calls.ticked = self._guarded(self.calls.change)
        actions = {
            "Do it": self._do_move, "Read": self._read, "Fit jumper": self._join, "Take jumper off": self._part,
            "Clamp amps": self._clamp, "Zero clamp": self._zero, "Pierce wire": self._pierce,
            "Scan data": self._scan, "Trouble codes": self._codes, "Snapshots": self._snapshots,
            "Driver's seat": self._notice,
            "Take picture": self._picture, "Keep as suspect": self.calls.keep, "Make the call": self.calls.call,
            "Repair it": self.calls.repair,
            "Hint": self._hint, "Debrief": self._debrief, "What was known when": self._progress,
        }  # fmt: skip
        if hasattr(bench, "start_over"):  # only a case that is kept
            actions["Start over"] = self._start_over
        self.buttons = {
            name: widgets.Button(
                description=name, button_style="primary" if name == "Read" else "",
                layout=widgets.Layout(width="auto"),
            )
            for name in actions
        }  # fmt: skip
        self.buttons["Debrief"].tooltip = "ends the case: nothing can be measured, called or repaired after it"
        for name, button in self.buttons.items():
            button.on_click(self._guarded(actions[name]))
        self._lines: list[str] = []
        self._run, self._said, self._read_out = bench.own, "", ""
        self._options: tuple = ()
        super().__init__(self._arranged())
        if bench.closed or bench.reopened:
            self._say(f"{bench.reopened} {self._debrief() if bench.closed else ''}".strip())
        self._refresh()

    def _arranged(self) -> list[widgets.Widget]:
        """Drawing and controls side by side where there is room, else the drawing first and the controls in a row."""

        def heading(text: str) -> widgets.HTML:
            return widgets.HTML(f"<b>{escape(text)}</b>")

        def row(*names: str) -> widgets.HBox:
            return widgets.HBox([self.buttons[n] for n in names], layout=widgets.Layout(flex_flow="row wrap"))

        calls, what = self.calls, [self.calls.kind, self.calls.place]
        if self.bench.sheet:
            ends = row(*(n for n in ENDS if n in self.buttons))
            call = [heading("Suspects and call"), *what, calls.to, row("Keep as suspect"), calls.kept, calls.also, ends]
        else:
            call = [heading("Repair"), *what, row("Repair it")]
        leads = [self.function, self.red, self.black]
        expected = [self.predict, self.expect, self.sure, row("Read"), self.display, self.at_once]
        groups = [
            [self.status, self.message, heading("Measure"), *leads, *expected, row("Fit jumper", "Take jumper off")],
            [heading("Move"), self.move, self.watch, self.buttons["Do it"]],
            [
                heading("Control unit and driver"),
                row("Scan data", "Trouble codes", "Snapshots", "Driver's seat", "Hint"),
            ],
            call,
            [heading("Wire"), self.wire, row("Clamp amps", "Zero clamp", "Pierce wire")],
            [heading("Oscilloscope"), *self.scope.rows, row("Take picture")],
        ]
        wide = widgets.Layout(flex="1 1 22em")
        side = widgets.HBox(
            [widgets.VBox(group, layout=wide) for group in groups],
            layout=widgets.Layout(flex="1 1 24em", flex_flow="row wrap", align_content="flex-start"),
        )
        left = widgets.VBox(
            [self.board, self.shown, self.result, heading("Log, the latest first"), self.table],
            layout=widgets.Layout(flex="4 1 50em", min_width="20em"),
        )
        top = widgets.HBox([left, side], layout=widgets.Layout(flex_flow="row wrap", align_items="flex-start"))
        title = widgets.HTML(f"<h3>{escape(self.bench.title)}</h3>")
        caution = widgets.HTML(f"<small>{escape(CAUTION)}</small>")
        sheet = [widgets.HTML(self.bench.sheet._repr_html_())] if self.bench.sheet else [title]
        return [*sheet, top, caution]

    # Actions ----------------------------------------------------------------------------------------------------

    def _guarded(self, action: Callable[..., str]) -> Callable[..., None]:
        """A handler that shows the bench's sentence when something cannot be done."""

        def done(*picked: object) -> None:
            self._read_out = ""
            try:
                self._say(action(*(p for p in picked if not isinstance(p, widgets.Button))))
            except CasekitError as err:
                self._say(str(err), trouble=True)
            self._refresh()

        return done

    def _picked(self, kind: str, name: str, lead: str) -> None:
        """Something on the drawing was picked."""
        self._guarded({"point": self._land, "plug": self._choose, "spot": self._choose}[kind])(name, lead)

    def _land(self, point: str, lead: str) -> str:
        box = self.red if lead == "red" else self.black
        if point not in box.options:
            raise BenchError(f"no lead can reach {point!r} now; choose a point that is marked on the drawing.")
        box.value = point
        ready = self.at_once.value and not self.predict.value and self.red.value != self.black.value
        return self._read() if ready else f"{lead} lead on {point}"

    def _choose(self, name: str, lead: str) -> str:
        """Offer the first move there is for a connector, a sensor or a contact point; it is not made yet."""
        words, value = next((o for o in self.move.options if o[1][1] == name), (None, None))
        if value is None:
            raise BenchError(f"there is nothing to be done at {name!r} now.")
        self.move.value = value
        return f"{words}: press Do it, or choose another move"

    def _do_move(self) -> str:
        if self.move.value is None:
            raise BenchError("choose a move first.")
        move, *where = self.move.value
        watched = self.watch.value and move in WATCHED
        settings = {"watch": (self.red.value, self.black.value)} if watched else {}
        done = getattr(self.bench, move)(*(w for w in where if w), **settings)
        if watched:
            self._show_reading(done, f"{done.red} against {done.black}, meanwhile")
        self.move.value = None  # what was done once is not done again by the same press
        return str(done)

    def _read(self) -> str:
        function = self.function.value
        settings = {} if function == "lamp" else self._expected(function)
        settings |= {"load_ohm": 500.0} if function == "loaded" else {}
        reading = getattr(self.bench, function)(self.red.value, self.black.value, **settings)
        self._show_reading(reading, f"{reading.red} against {reading.black}")
        self.expect.value = ""
        return "; ".join(n for n in (reading.note, reading.risk) if n)

    def _expected(self, function: str) -> dict[str, object]:
        """What was written down before the reading: a number or a range, and how sure."""
        text = self.expect.value.strip()
        if not text:
            if self.predict.value:
                raise BenchError(
                    f"{HOW} ({unit(function)}), and how sure you are; or switch off “predict before reading”."
                )
            return {}
        return {"expect": predicted(text, function), "sure": self.sure.value}

    def _join(self) -> str:
        return self.bench.jumper(self.red.value, self.black.value)

    def _part(self) -> str:
        return self.bench.remove_jumper(self.red.value, self.black.value)

    def _pierce(self) -> str:
        return f"{self.bench.pierce(self.wire.value)} can be reached with a lead; {self.bench.events[-1].risk}"

    def _clamp(self) -> str:
        reading = self.bench.amps(self.wire.value, **self._expected("amps"))
        self._show_reading(reading, f"clamp on {reading.red}")
        self.expect.value = ""
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

    def _snapshots(self) -> str:
        """The values kept with every code that was last read."""
        read = [e for e in self.bench.events if isinstance(e, Reading) and e.function == "codes"]
        if not read:
            raise BenchError("read the trouble codes first; a snapshot belongs to a code.")
        if not read[-1].data:
            raise BenchError("there are no trouble codes, and so no snapshots.")
        kept = [
            self.bench.snapshot(code).set_index("channel").rename(columns={"value": code}) for code, _ in read[-1].data
        ]
        self._show_table("Snapshots", pd.concat(kept, axis=1).rename_axis("channel").reset_index())
        return "the values kept with each code are shown below"

    def _notice(self) -> str:
        return self.bench.notice().text

    def _picture(self) -> str:
        screen = self.scope.taken(self.red.value, self.black.value)
        picture = base64.b64encode(screen.png).decode()
        words = escape(screen.figures().to_string(index=False))
        self.shown.value = f'<img style="max-width:100%" alt="{words}" src="data:image/png;base64,{picture}">'
        return screen.trace.note or "the picture is shown below"

    def _debrief(self) -> str:
        self.result.value = self.bench.debrief()._repr_html_()
        return "the case is closed; the debrief stands below the drawing"

    def _hint(self) -> str:
        return self.bench.hint()

    def _progress(self) -> str:
        """The picture takes a while, as two routes are played for it; so it comes when it is asked for."""
        if not self.bench.closed:
            raise BenchError("the picture of what was known when comes after the debrief.")
        self.result.value = self.bench.debrief()._repr_html_() if self.bench.debrief().picture else ""
        return "the picture stands below the debrief"

    def _start_over(self) -> str:
        """At the second press, as there is no way back on the panel."""
        return self.bench.start_over() if self._said == ONCE_MORE else ONCE_MORE

    # Showing ----------------------------------------------------------------------------------------------------

    def _say(self, sentence: str, trouble: bool = False) -> None:
        self._said = ("Not possible: " if trouble else "") + sentence
        self.message.value = f"<i>{escape(self._said)}</i>"

    def _show_reading(self, reading, where: str) -> None:
        self.display.value = (
            f'<div style="{FRAME}"><span style="font-size:240%">{escape(reading.shown)}</span><br>'
            f"{escape(where)}, {escape(str(reading.state))}</div>"
        )
        self._read_out = f"{reading.shown}, {where}, {reading.state}"

    def _show_table(self, title: str, table: pd.DataFrame) -> None:
        rounded = table.to_html(index=False, na_rep="", border=0, justify="left", float_format=lambda x: f"{x:.4g}")
        self.shown.value = f"<b>{escape(title)}</b>{rounded if len(table) else ''}"

    def _refresh(self) -> None:
        """Show the bench as it is now, and keep what was chosen where it can still be chosen."""
        bench = self.bench
        self.status.value = f"<b>{escape(str(bench.state))}</b> · {bench.clock:.1f} minutes"
        moves = [option for m in bench.moves().itertuples() for option in _options(m)]
        points = bench.probe_points()
        if (moves, points) != self._options:  # a menu that is filled anew costs more than all the rest
            self._options = moves, points
            for box, options in ((self.move, moves), (self.red, points), (self.black, points)):
                before = box.value
                if list(box.options) != options:
                    box.options = options
                values = [o[1] if isinstance(o, tuple) else o for o in options]
                off = bench.drawing.earth if box is self.black else None
                box.value = before if before in values else off
                if before != box.value and before and box is not self.move:
                    self._say(f"{self._said}; the lead that was on {before} has come off".removeprefix("; "))
            self.scope.refresh(points)
        for name, button in self.buttons.items():
            button.disabled = name != "Start over" and bench.closed != (name == "What was known when")
        if self._run is not bench.own:  # the case was begun anew, here or in a cell
            self._run = bench.own
            self._lines.clear()
            self.calls.clear()
            self.result.value = self.shown.value = self.display.value = ""
        self.calls.refresh()
        said = "; ".join(s for s in (self._read_out, self._said) if s)
        self.board.show(self.red.value or "", self.black.value or "", said)
        self._lines += [_line(event) for event in bench.events[len(self._lines) :]]
        head = "".join(f'<th scope="col" {LEFT}>{escape(c)}</th>' for c in COLUMNS)
        body = "".join(reversed(self._lines))
        self.table.value = (
            f'<div style="max-height:24em;overflow:auto" tabindex="0" role="region" aria-label="Log">'
            f"<table><thead><tr>{head}</tr></thead><tbody>{body}</tbody></table></div>"
            if body
            else "empty so far"
        )


def _line(event: Event) -> str:
    """One line of the log."""
    where = expected = shown = remark = ""
    match event:
        case Reading():
            what, shown = event.function, event.shown
            where = f"{event.red} against {event.black}" if event.black else event.red
            size = 1e-3 if event.function == "millivolts" else 1.0  # as the display has it
            low, high = event.expected if isinstance(event.expected, tuple) else (event.expected, None)
            ends = [f"{x / size:.4g}" for x in (low, high) if x is not None]
            expected = f"{' to '.join(ends)} {unit(event.function)}" if ends else ""
            expected += f", {100 * event.sure:.0f} % sure" if expected and event.sure else ""
            remark = "; ".join(n for n in (event.note, event.risk) if n)
        case Finding():
            what, shown = event.point if event.point in ("driver", "proof") else f"look {event.point}", event.text
        case Move():
            what, remark = f"{event.action} {event.what}", event.risk
        case Call():
            what, shown = "call", str(event)
    cells = [f"{event.minute:.1f}", what, where, expected, shown, str(event.state), remark]
    if not where and not expected and shown:  # a sentence: it has the room of three
        cells[2:5] = [shown]
    wide = {2: ' colspan="3"'} if len(cells) < len(COLUMNS) else {}
    return f"<tr>{''.join(f'<td{wide.get(k, str())} {LEFT}>{escape(c)}</td>' for k, c in enumerate(cells))}</tr>"


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


def panel(bench: Practice, predict: bool = True) -> Panel:
    """The controls for a bench, to be shown as the last line of a cell.

    With `predict` a reading waits for what is expected of it; there is a switch for it on the panel as well. Raises
    BenchError when `bench` is no bench.
    """
    if not isinstance(bench, Practice):
        raise BenchError(f"{bench!r} is not a bench; open one with casekit.open_case or casekit.open_machine.")
    return Panel(bench, predict)
