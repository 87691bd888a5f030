"""The live lab: how far a class is, while it works, from the logs as they arrive in a shared folder.

In: a folder. Out: a `LiveLab`, a table that renews itself in a notebook. It reads ends of logs and plays nothing, so
that it is quick; it shows what was done, never what is wrong.
"""

from __future__ import annotations

import asyncio
import time
from collections.abc import Sequence
from html import escape
from pathlib import Path

import ipywidgets
import pandas as pd

from casekit.error import BenchError, ScenarioError
from casekit.files import library
from casekit.teaching.classlog import UNSIGNED, sorted_out
from casekit.teaching.logbook import Log
from casekit.teaching.markup import bullets

COLUMNS = ("trainee", "case", "minutes", "done", "readings", "hints", "calls", "state", "last", "quiet_s")
READINGS = ("volts", "millivolts", "ohms", "continuity", "minmax", "lamp", "loaded", "amps", "scope", "scan", "codes")
QUIET_S = 300  # seconds without anything new from which a trainee may need help (our choice)


class LiveLab:
    """The class now. `refresh()` looks again; `watch()` does so by itself until `stop()`."""

    def __init__(self, folder: Path | str):
        self.folder = Path(folder)
        self.widget = ipywidgets.HTML()
        self._task: asyncio.Task | None = None
        self._show(*sorted_out(self.folder))  # a folder that is not there is told at once

    def refresh(self) -> pd.DataFrame:
        """Look again: one line for every trainee and case, who has been quiet longest first."""
        try:
            return self._show(*sorted_out(self.folder))
        except ScenarioError as err:  # the share is away for a moment
            return self._show([], [str(err)])

    def watch(self, every_s: float = 5.0) -> LiveLab:
        """Look again by itself, every so many seconds, as long as the notebook runs."""
        if not isinstance(every_s, int | float) or isinstance(every_s, bool) or not 1 <= every_s <= 600:
            raise BenchError(f"{every_s!r} seconds is no interval; write 1 to 600.")
        self.stop()
        try:
            self._task = asyncio.get_running_loop().create_task(self._again(every_s))
        except RuntimeError:
            raise BenchError("there is no notebook running here; call refresh() by hand.") from None
        return self

    def stop(self) -> None:
        """Look no more."""
        if self._task:
            self._task.cancel()
        self._task = None

    def _show(self, found: Sequence[Log], troubles: list[str]) -> pd.DataFrame:
        now, self.troubles = time.time(), troubles
        rows = sorted((_row(log, now) for log in found), key=lambda row: (row[7] == "debriefed", -row[-1], row[:2]))
        self.table = pd.DataFrame(rows, columns=list(COLUMNS))
        self.widget.value = _html(rows, troubles)
        return self.table

    async def _again(self, every_s: float) -> None:
        while True:
            await asyncio.sleep(every_s)
            self.refresh()

    def __repr__(self) -> str:
        return self.table.to_string(index=False)

    def _ipython_display_(self) -> None:
        from IPython.display import display

        display(self.widget)


def live_lab(folder: Path | str) -> LiveLab:
    """A class at work: its logs as they arrive in a folder. Raises ScenarioError when there is no such folder."""
    return LiveLab(folder)


def _row(log: Log, now: float) -> tuple:
    """What the log of a trainee says so far."""
    did = [line.do for line in log.lines]
    state = "debriefed" if "debrief" in did else "called" if "call" in did else "at work" if did else "opened"
    last = str(log.lines[-1]) if log.lines else ""
    try:
        quiet = max(0, round(now - log.path.stat().st_mtime))
    except OSError:
        quiet = 0
    minutes = max((line.minute for line in log.lines), default=0.0)
    return (
        log.trainee or UNSIGNED, log.case, round(minutes, 1), len(did), sum(d in READINGS for d in did),
        did.count("hint"), did.count("call"), state, last, quiet,
    )  # fmt: skip


def _html(rows: Sequence[tuple], troubles: Sequence[str]) -> str:
    """The table; who may need help is said in words, not in colour alone."""
    known = library.names("cases")
    heads = ("Trainee", "Case", "Minutes", "Done", "Readings", "Hints", "Stands", "Last", "Quiet for")
    top = "".join(f'<th scope="col" style="text-align:left;padding-right:1em">{head}</th>' for head in heads)
    body = ""
    for trainee, case, minutes, done, readings, hints, calls, state, last, quiet in rows:
        help_ = quiet > QUIET_S and state in ("at work", "opened")
        stands = f"{state}{f', {calls} times' if calls > 1 else ''}" + ("; may need help" if help_ else "")
        stands += "" if case in known else "; this case is not here"
        cells = (trainee, case, f"{minutes:.1f}", done, readings, hints, stands, last, _time(quiet))
        weight = ' style="font-weight:bold"' if help_ else ""
        body += f"<tr{weight}>" + "".join(
            f'<td style="text-align:left;padding-right:1em">{escape(str(c))}</td>' for c in cells
        ) + "</tr>"  # fmt: skip
    said = f"<p>{len(rows)} logs, looked at {time.strftime('%H:%M:%S')}.</p>"
    more = f"<p>Not read, or not wholly:</p>{bullets(troubles)}" if troubles else ""
    return f"{said}<table><thead><tr>{top}</tr></thead><tbody>{body}</tbody></table>{more}"


def _time(seconds: int) -> str:
    return f"{seconds} s" if seconds < 120 else f"{seconds // 60} min"
