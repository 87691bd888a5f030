"""The report of a class: one page for every case, one for every trainee, and a table of marks.

In: `ClassLogs`. Out: a `ClassReport` that shows itself in a notebook, prints as PDF, and writes a CSV of marks.
"""

from __future__ import annotations

import base64
import re
import secrets
from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace
from html import escape
from pathlib import Path
from statistics import median

import pandas as pd

from casekit.error import BenchError
from casekit.files import library
from casekit.teaching import progress
from casekit.teaching.classlog import Attempt, ClassLogs, class_logs, false_calls, ideas
from casekit.teaching.marked import marked
from casekit.teaching.markup import bullets, table
from casekit.teaching.paper import printed, saved, sheet

MARKS = (
    "trainee", "case", "variant", "seed", "state", "right", "supported", "minutes", "par_min", "mark", "readings",
    "predictions", "held", "hints", "risks", "condemned", "first",
)  # fmt: skip
FAILED = 6  # points named at which predictions failed
FOOT = "Invented machine and data, for teaching. Trainees are shown by their signs alone."


class ClassReport:
    """What a class did. `logs` are the attempts and troubles it was made of."""

    def __init__(self, logs: ClassLogs):
        self.logs = logs

    @property
    def marks(self) -> pd.DataFrame:
        """One line for every trainee and case: state, outcome, minutes and par, mark from 0 to 5, predictions, hints,
        risky moves, good parts condemned, and what was probed first."""
        return pd.DataFrame([_marks(a) for a in self.logs.attempts], columns=list(MARKS))

    def page(self, case: str) -> str:
        """One page about a case, as HTML."""
        mine = [a for a in self.logs.attempts if a.case == case]
        if not mine:
            raise BenchError(f"nobody in this class has worked on {case!r}; there is: {', '.join(self.logs.cases)}.")
        return "".join((_head(mine), _table(mine), _lists(mine), _firsts(mine)))

    def trainee(self, sign: str) -> str:
        """One page about a trainee, as HTML: every case with its debrief, move by move."""
        mine = [a for a in self.logs.attempts if a.trainee == sign]
        if not mine:
            raise BenchError(f"there is no log of {sign!r}; there is: {', '.join(self.signs)}.")
        return f"<h1>{escape(sign)}</h1>" + "".join(map(_own, mine))

    @property
    def signs(self) -> list[str]:
        """The signs of all trainees."""
        return sorted({a.trainee for a in self.logs.attempts})

    def html(self) -> str:
        """All pages: the cases, the trainees, and what could not be read."""
        parts = [f"<section>{self.page(case)}</section>" for case in self.logs.cases]
        parts += [f"<section>{self.trainee(sign)}</section>" for sign in self.signs]
        if self.logs.troubles or not parts:
            parts.append(f"<section><h1>What could not be read</h1>{self._troubles()}</section>")
        return "".join(parts)

    def pdf(self, path: Path | str, paper: str = "a4") -> int:
        """Print the report; how many pages it has. Raises MissingError without WeasyPrint, BenchError when nothing can
        be written there."""
        document = printed(sheet("Class report", self.html(), paper, FOOT))
        saved(path, document.write_pdf(pdf_tags=True))
        return len(document.pages)

    def csv(self, path: Path | str) -> None:
        """Write the marks. Raises BenchError when nothing can be written there."""
        saved(path, self.marks.to_csv(index=False).encode())

    def __repr__(self) -> str:
        lines = [_summary([a for a in self.logs.attempts if a.case == case]) for case in self.logs.cases]
        return "\n".join([*lines, *self.logs.troubles]) or "There is no log in this folder."

    def _repr_html_(self) -> str:
        return "".join(map(self.page, self.logs.cases)) + (
            f"<h2>What could not be read</h2>{self._troubles()}" if self.logs.troubles or not self.logs.cases else ""
        )

    def _troubles(self) -> str:
        return bullets(self.logs.troubles or ["There is no log in this folder."])


def class_report(
    folder: Path | str, anonymous: bool = False, told: Callable[[int, int], None] | None = None
) -> ClassReport:
    """The report of all logs below a folder. With `anonymous` every sign is replaced by a number drawn at random, in
    the troubles as well, which then name no file. Raises ScenarioError when there is no such folder."""
    logs = class_logs(folder, told)
    return ClassReport(nameless(logs) if anonymous else logs)


def nameless(logs: ClassLogs) -> ClassLogs:
    """The same with numbers in place of signs, in an order that says nothing about the signs."""
    signs = sorted({a.trainee for a in logs.attempts})
    secrets.SystemRandom().shuffle(signs)
    digits = len(str(len(signs)))
    number = {sign: f"trainee {k:0{digits}}" for k, sign in enumerate(signs, 1)}
    attempts = sorted((replace(a, trainee=number[a.trainee]) for a in logs.attempts), key=lambda a: (a.case, a.trainee))
    kinds = Counter(_kind(text, signs) for text in logs.troubles)
    troubles = [f"{'1 log' if n == 1 else f'{n} logs'}: {kind}" for kind, n in sorted(kinds.items())]
    return ClassLogs(tuple(attempts), tuple(troubles))


# Pages ----------------------------------------------------------------------------------------------------------------


def _head(mine: Sequence[Attempt]) -> str:
    case = library.case_file(mine[0].case)
    return f"<h1>{escape(case.title)}</h1><p>{escape(_summary(mine))}</p>"


def _summary(mine: Sequence[Attempt]) -> str:
    """How a class did with a case, in a sentence or two."""
    called = [a for a in mine if a.came]
    said = f"{mine[0].case}: {sum(a.solved for a in mine)} of {len(mine)} made a right and supported call"
    lucky = sum(a.came.right and not a.came.supported for a in called)
    said += f", {lucky} a right one that their readings do not support" if lucky else ""
    said += f", {len(mine) - len(called)} none yet" if len(called) < len(mine) else ""
    if called:
        took = median(a.came.decided for a in called)
        said += f". Half of the calls were made within {took:.0f} minutes"
        said += f"; par is {mine[0].par_min:.0f}" if mine[0].par_min else ""
    return f"{said}."


def _table(mine: Sequence[Attempt]) -> str:
    heads = ("Trainee", "Outcome", "Call", "Minutes", "Times par", "Mark", "First lead", "Predictions held", "Risky")
    rows = []
    for a in mine:
        times = f"{a.came.decided / a.par_min:.1f}" if a.par_min and a.came else ""
        called = str(a.came.call) if a.came else ""
        risks = str(len(a.came.risks)) if a.came and a.came.risks else ""
        mark = "" if a.grade is None else str(a.grade)
        rows.append((_which(a), outcome(a), called, f"{a.minutes:.1f}", times, mark, a.first, _held(a), risks))
    return table(heads, rows)


def outcome(a: Attempt) -> str:
    """What came of an attempt, in words."""
    if a.came is None:
        return a.state
    what = "right" if a.came.right else "part of it" if a.came.partly else "wrong"
    support = "supported" if a.came.supported else "not supported"
    return f"{what}, {support}"


def _firsts(mine: Sequence[Attempt]) -> str:
    """Where the red lead was put first, on the drawing: a ring with the number of trainees."""
    firsts = Counter(a.first for a in mine if a.first)
    if not firsts:
        return ""
    words = "; ".join(f"{point} ({n})" for point, n in firsts.most_common())
    machine = library.machine_file(library.case_file(mine[0].case).machine)
    # WeasyPrint takes the drawing's own "height:auto" for a height.
    plain = re.sub(r' style="max-width[^"]*"', "", marked(machine, firsts), count=1)
    picture = base64.b64encode(plain.encode()).decode()
    alt = escape(f"Wiring drawing with the points probed first: {words}", quote=True)
    return (
        f"<h2>Where the red lead was put first</h2><p>{escape(words)}</p>"
        f'<img alt="{alt}" style="width:100%;max-height:none;display:block" src="data:image/svg+xml;base64,{picture}">'
    )


def _lists(mine: Sequence[Attempt]) -> str:
    """False calls, misconceptions, risks and condemned parts, with how many trainees they concern."""
    parts = (
        ("False calls", _counted(false_calls(mine))),
        ("Predictions that failed", _failed(mine)),
        ("What stood behind those that were far off", _counted(ideas(mine))),
        ("Moves that risked parts or evidence", _counted(_risks(mine))),
        ("Good parts condemned", _counted(Counter(p for a in mine if a.came for p in a.came.condemned).most_common())),
        ("About the logs", [f"{a.trainee}: {text}." for a in mine for text in a.troubles]),
    )
    return "".join(f"<h2>{head}</h2>{bullets(items)}" for head, items in parts if items)


def _failed(mine: Sequence[Attempt]) -> list[str]:
    """Where predictions failed, and for how many of those who made one there, the worst first."""
    made: dict[str, list[bool]] = {}
    for a in mine:
        for s in a.came.foresight.scored if a.came and a.came.foresight else ():
            made.setdefault(f"{s.reading.function} {s.reading.red} ({s.reading.state})", []).append(s.held)
    worst = sorted(made.items(), key=lambda item: (sum(item[1]) - len(item[1]), item[0]))
    return [f"{what}: {len(h) - sum(h)} of {len(h)} failed" for what, h in worst if not all(h)][:FAILED]


def _risks(mine: Sequence[Attempt]) -> list[tuple[str, int]]:
    """Risks without their minutes, and how many trainees took them."""
    told = [{text.partition(": ")[2] for text in a.came.risks} for a in mine if a.came]
    return Counter(text for some in told for text in some).most_common()


def _own(a: Attempt) -> str:
    """What a trainee is told about one case."""
    title = library.case_file(a.case).title
    head = f"<h2>{escape(title)}: {escape(outcome(a))}</h2>"
    if a.came is None:
        return f"{head}<p>{a.minutes:.1f} minutes, {a.readings} readings, and no call yet.</p>"
    rows = [row for row in a.came.lines() if row[0] != "What was wrong"]
    rows.insert(1, ("What was wrong", f"{a.came.truth}."))
    mark = f"<p>Mark {a.grade} of 5.</p>" if a.grade is not None else ""
    return f"{head}{mark}<table>{progress.headed(rows)}</table>{progress.html(a.came.moves)}"


# Small things ---------------------------------------------------------------------------------------------------------


def _marks(a: Attempt) -> tuple:
    c = a.came
    scored = c.foresight.scored if c and c.foresight else ()
    return (
        a.trainee, a.case, a.variant, "" if a.seed is None else a.seed, a.state, c.right if c else "",
        c.supported if c else "", round(a.minutes, 1), a.par_min, "" if a.grade is None else a.grade, a.readings,
        len(scored), sum(s.held for s in scored), a.hints, len(c.risks) if c else 0, len(c.condemned) if c else 0,
        a.first,
    )  # fmt: skip


def _which(a: Attempt) -> str:
    more = [f"variant {a.variant}"] if a.variant else []
    more += [f"seed {a.seed}"] if a.seed is not None else []
    return f"{a.trainee} ({', '.join(more)})" if more else a.trainee


def _held(a: Attempt) -> str:
    scored = a.came.foresight.scored if a.came and a.came.foresight else ()
    return f"{sum(s.held for s in scored)} of {len(scored)}" if scored else ""


def _counted(items: Iterable[tuple[str, int]]) -> list[str]:
    return [f"{text} ({n} {'trainee' if n == 1 else 'trainees'})" for text, n in items]


def _kind(trouble: str, signs: Sequence[str]) -> str:
    """A trouble without the file it is about, and without anybody's sign."""
    text = re.sub(r"\S+\.jsonl", "another log", trouble.split(": ", 1)[-1])
    for sign in signs:
        text = re.sub(rf"\b{re.escape(sign)}\b", "another trainee", text)
    return text
