"""The panel of a sitting: questions, options, the drawing to pick on, the time that is left, flags, and the marks.

In: a `Sitting`. Out: a widget. It computes nothing; it calls the sitting, and knows what a candidate may see.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from contextlib import suppress
from html import escape
from pathlib import Path

import ipywidgets as widgets

from casekit.error import BenchError, CasekitError
from casekit.files import library
from casekit.machine.drawn import drawn
from casekit.teaching.awaysitting import AwaySitting
from casekit.teaching.board import PointBoard
from casekit.teaching.caution import CAUTION
from casekit.teaching.classline import Line
from casekit.teaching.exampaper import EXAM_CAUTION, HOW, ExamPaper
from casekit.teaching.item import LETTERS
from casekit.teaching.itemview import stem
from casekit.teaching.scopecontrols import labelled, menu
from casekit.teaching.sitting import Sitting

TICK_S = 5.0  # how often the time that is left is shown anew
SURE = [("not said", 0.0), *((f"{p} %", p / 100) for p in (50, 60, 70, 80, 90, 95, 99))]
ONCE_MORE = "press Hand in once more to end this sitting; {}"
ROW = widgets.Layout(flex_flow="row wrap")


class SitPanel(widgets.VBox):
    """One sitting on a screen. `number` is the item that is shown."""

    def __init__(self, sitting: Sitting | AwaySitting):
        self.sitting, self.number, self._ending = sitting, 1, False
        self.drafts: dict[int, str] = {}  # what was picked or typed and not yet answered
        self.title = widgets.HTML(f"<h3>{escape(sitting.paper.title)}</h3><p>{escape(HOW)}</p>")
        self.clock, self.said, self.question = widgets.HTML(), widgets.HTML(), widgets.HTML()
        self.go = menu("Item", [])
        self.choice = widgets.RadioButtons(options=[], layout=widgets.Layout(width="auto", max_width="60em"))
        self.text = labelled(widgets.Text, "Answer")
        self.sure = menu("How sure", SURE)
        self.drawing = widgets.VBox()
        self.marks = widgets.VBox()
        self.buttons = {
            name: widgets.Button(description=name, layout=widgets.Layout(width="auto"))
            for name in ("Back", "Answer", "Next", "Flag", "Pause", "Hand in")
        }
        actions = {"Back": lambda: self._turn(-1), "Next": lambda: self._turn(1), "Answer": self._answer,
                   "Flag": self._flag, "Pause": self._pause, "Hand in": self._hand_in}  # fmt: skip
        for name, button in self.buttons.items():
            button.on_click(self._guarded(actions[name]))
        self.go.observe(self._gone, "value")
        self._boards: dict[str, PointBoard] = {}
        row = widgets.HBox(list(self.buttons.values()), layout=ROW)
        self.caution = widgets.HTML()
        super().__init__([self.title, self.clock, self.go, self.question, self.choice, self.text, self.sure, row,
                          self.said, self.drawing, self.marks, self.caution])  # fmt: skip
        self._say("; ".join(sitting.troubles))
        self._refresh()
        self._ticking()

    # Actions --------------------------------------------------------------------------------------------------------

    def _guarded(self, action: Callable[[], str]) -> Callable[[object], None]:
        def done(_: object) -> None:
            ending, self._ending = self._ending, False
            self._draft()
            try:
                self._say(action() if action != self._hand_in else self._hand_in(ending))
            except CasekitError as err:
                self._say(str(err), trouble=True)
            self._refresh()

        return done

    def _turn(self, by: int) -> str:
        self.number = min(max(self.number + by, 1), len(self.sitting.paper.items))
        return ""

    def _answer(self) -> str:
        item = self.sitting.paper.items[self.number - 1]
        given: object = self._given()
        if item.form == "number":
            with suppress(ValueError):
                given = float(str(given).strip().removesuffix(item.unit).replace(",", "."))
        told = self.sitting.answer(self.number, given, self.sure.value or None)
        self.drafts.pop(self.number, None)
        self._turn(1)
        return told

    def _given(self) -> str:
        """What is picked or typed now."""
        if self.sitting.paper.items[self.number - 1].form != "choice":
            return self.text.value
        return "" if self.choice.index is None else LETTERS[self.choice.index]

    def _draft(self) -> None:
        """Keep what is picked or typed and was not answered, for when the item is shown again."""
        given = self._given()
        self.drafts.pop(self.number, None)
        if given and given != str(self.sitting.answers.get(self.number, "")):
            self.drafts[self.number] = given

    def _flag(self) -> str:
        return self.sitting.flag(self.number)

    def _pause(self) -> str:
        return self.sitting.go_on() if self.sitting.paused else self.sitting.pause()

    def _hand_in(self, sure: bool = False) -> str:
        if self.sitting.handed_in:
            return "the marks are shown below" if self._show_marks() else "the marks are not released yet"
        left = len(self.sitting.paper.items) - len(self.sitting.answers)
        if not sure:
            self._ending = True
            told = f"{left} items are not answered" if left else "every item is answered"
            told += f"; picked, not answered: {', '.join(map(str, sorted(self.drafts)))}" if self.drafts else ""
            return ONCE_MORE.format(told)
        self.sitting.hand_in()
        return "handed in"

    def _gone(self, change: dict) -> None:
        if change["new"] and change["new"] != self.number:
            self._draft()
            self.number = change["new"]
            self._say("")
            self._refresh()

    def _picked(self, kind: str, name: str, lead: str) -> None:
        if kind == "point":
            self.text.value = name
            self._say(f"{name} is picked; press Answer")
            self._show_drawing()

    # Showing --------------------------------------------------------------------------------------------------------

    def _refresh(self) -> None:
        s = self.sitting
        number, items = self.number, [(self._line(n), n) for n in range(1, len(s.paper.items) + 1)]
        if tuple(items) != self.go.options:
            self.go.unobserve(self._gone, "value")  # new options begin at the first
            self.go.options = items
            self.go.value = number
            self.go.observe(self._gone, "value")
        self.go.value = number
        self._tell_time()
        hidden = s.handed_in or s.paused
        asked = s.show(self.number)
        item = asked.item
        body = "<p>This sitting is paused.</p>" if s.paused else stem(item)
        self.question.value = "" if s.handed_in else f"<p><b>{self.number}.</b></p>{body}"
        options = [f"{LETTERS[k]}  {o.text}" for k, o in enumerate(item.options)]
        if item.form == "choice" and list(self.choice.options) != options:
            self.choice.options = options
        before = self.drafts.get(self.number, asked.answer)
        if item.form == "choice":
            known = isinstance(before, str) and len(before) == 1 and before.upper() in LETTERS
            self.choice.index = LETTERS.index(before.upper()) if known else None
        elif item.options and not hidden:
            self.question.value += "".join(f"<p>{escape(o)}</p>" for o in options)
        if item.form != "choice":
            self.text.value = "" if before is None else str(before)
            self.text.description = f"Answer in {item.unit}" if item.unit else "Answer"
        self.sure.value = s.sure.get(self.number, 0.0)
        for box, there in ((self.choice, item.form == "choice"), (self.text, item.form != "choice"), (self.sure, True)):
            box.layout.display = None if there and not hidden else "none"
        for name, button in self.buttons.items():
            button.disabled = (s.handed_in and name != "Hand in") or (s.paused and name != "Pause")
        self.buttons["Hand in"].description = "Marks" if s.handed_in else "Hand in"
        self.go.disabled = hidden
        self.buttons["Pause"].description = "Go on" if s.paused else "Pause"
        self._show_drawing(hidden)
        # While items are asked nothing stands here that answers one.
        self.caution.value = f"<small>{escape(CAUTION if s.handed_in else EXAM_CAUTION)}</small>"
        if s.handed_in and not self.marks.children:
            self._show_marks()

    def _line(self, n: int) -> str:
        s = self.sitting
        marks = (("answered", n in s.answers), ("picked, not answered", n in self.drafts), ("flagged", n in s.flags))
        return ", ".join([str(n), *(word for word, there in marks if there)])

    def _show_drawing(self, hidden: bool = False) -> None:
        """The drawing of the item's machine; on it the point that is picked."""
        item = self.sitting.paper.items[self.number - 1]
        if hidden:
            self.drawing.children = ()
            return
        if item.machine not in self._boards:
            file = library.machine_file(item.machine)
            self._boards[item.machine] = PointBoard(file, drawn(file), self._picked)
        board = self._boards[item.machine]
        board.mark(self.text.value if item.form == "point" else "")
        if self.drawing.children != (board,):
            self.drawing.children = (board,)

    def _show_marks(self) -> bool:
        """Show the marks; whether there are any yet."""
        try:
            result = self.sitting.result()
        except CasekitError as err:  # a service keeps marks until they are released
            self.marks.children = (widgets.HTML(f"<p>{escape(str(err))}</p>"),)
            return False
        why = widgets.HTML()
        which = menu("Explain", [(str(n), n) for n in range(1, len(self.sitting.paper.items) + 1)])

        def explain(change: dict) -> None:
            why.value = result.explain(change["new"])._repr_html_()

        which.observe(explain, "value")
        why.value = result.explain(1)._repr_html_()
        self.marks.children = (widgets.HTML(result._repr_html_()), which, why)
        return True

    def _tell_time(self) -> None:
        s = self.sitting
        done = f"{len(s.answers)} of {len(s.paper.items)} answered, {len(s.flags)} flagged"
        self.clock.value = f"<b>{'handed in' if s.handed_in else f'{s.left_min:.0f} minutes left'}</b>, {done}"

    def _ticking(self) -> None:
        """Show the time again and again where there is a loop to do that in, as a kernel has."""
        try:
            loop = asyncio.get_running_loop()
        except RuntimeError:
            return

        def tick() -> None:
            if not self.sitting.handed_in and self.comm is not None:
                self._tell_time()
                loop.call_later(TICK_S, tick)

        loop.call_later(TICK_S, tick)

    def _say(self, text: str, trouble: bool = False) -> None:
        role = "alert" if trouble else "status"
        self.said.value = f'<div role="{role}">{escape(text)}</div>' if text else ""


def sit(paper: ExamPaper | str, path: Path | str = "", at: str = "", token: str | None = None) -> SitPanel:
    """Sit a paper on a panel. The file takes every answer, and a sitting that was cut off goes on where it was.

    `at` is the address of a case service: `paper` is then the id of one that is set there, and no file is needed.
    `token` says who you are; without one CASEKIT_TOKEN counts, or that of your JupyterHub.
    """
    if at:
        return SitPanel(AwaySitting(Line(at, token), str(paper)))
    if not isinstance(paper, ExamPaper) or not str(path):
        example = "casekit.sit(casekit.exam_paper('sensor-supplies'), 'mine.jsonl')"
        raise BenchError(f"a paper is sat with a file for its answers, such as {example}.")
    return SitPanel(Sitting(paper, path))
