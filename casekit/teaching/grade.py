"""How hard a case is: its par, and how many false calls look likely on the way.

In: a case, played once by advice. Out: a `Grade`, kept in `scenarios/grades.csv`, as playing takes a while.
"""

from __future__ import annotations

import csv
import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from casekit.error import ScenarioError
from casekit.files import library
from casekit.files.casefile import CaseFile
from casekit.machine.faults import DRAWING_KINDS
from casekit.reasoning.suspect import NONE, Suspect
from casekit.reasoning.verdict import Verdict
from casekit.teaching.player import Again, Player, par
from casekit.teaching.practice import Fresh, Practice, open_case

BELIEVED = 0.03  # the chance from which a false call is worth a warning (our choice)
STEPS_UP = (25.0, 35.0, 45.0, 60.0)  # the score from which a case is of level 2, 3, 4, 5 (our choice)
COLUMNS = ("case", "par_min", "look_alikes", "twists")


@dataclass(frozen=True)
class Grade:
    """Par in minutes on average (see `player.Par`), and the number of false calls with a chance of 3 % or more at some
    moment of the advice played on the case's own machine: faults that look like it until a test tells them apart.
    `twists` counts what makes a case harder than its minutes: a fault that comes and goes, a second one or
    none, or a wrong drawing.
    """

    par_min: float
    look_alikes: int
    twists: int = 0

    @property
    def level(self) -> int:
        """From 1, easy, to 5: by par times the bits it takes to pick one of so many, and one more for every twist (our
        own rule)."""
        score = self.par_min * math.log2(2 + self.look_alikes)
        return min(1 + sum(score >= step for step in STEPS_UP) + self.twists, 1 + len(STEPS_UP))


def grade(name: str) -> Grade:
    """Play a case and grade it. Takes up to a minute. Raises ScenarioError when there is no such case."""
    return graded(name, play(name)[1])


def play(name: str) -> tuple[Player, list[tuple[float, Verdict]]]:
    """The advice played on a case's own machine: who played it, and after every step the minute and what was left."""
    return played(open_case(name), library.case_file(name).codes)


def played(bench: Practice, codes: Sequence[str]) -> tuple[Player, list[tuple[float, Verdict]]]:
    """The same on a bench that is given."""
    player = Player(bench, tuple(codes))
    return player, [(0.0, player.verdict), *((bench.clock, verdict) for verdict in player.steps())]


def graded(name: str, seen: Iterable[tuple[float, Verdict]]) -> Grade:
    """The grade of a case that was played."""
    return graded_case(library.case_file(name), Fresh(name, None), seen)


def graded_case(case: CaseFile, again: Again, seen: Iterable[tuple[float, Verdict]]) -> Grade:
    """The same of a case that need not be on file; `again` opens it anew."""
    likely = [s for s, (p, _) in false_calls(case, seen).items() if p >= BELIEVED]
    kinds = {fault.kind for fault in case.faults}
    twists = any(f.when for f in case.faults), len(case.faults) != 1, bool(kinds & set(DRAWING_KINDS))
    return Grade(round(par(again, tuple(case.codes)).expected_min, 1), len(likely), sum(twists))


def false_calls(case: CaseFile, seen: Iterable[tuple[float, Verdict]]) -> dict[Suspect, tuple[float, float]]:
    """Every suspect away from the case's own faults: how likely it was at most, and minus the minute of that."""
    true = {name for fault in case.faults for name in (fault.place, fault.to) if name}
    peak: dict[Suspect, tuple[float, float]] = {}
    for minute, verdict in seen:
        for suspect, p in zip(verdict.suspects, verdict.p, strict=True):
            if suspect != NONE and not true & {suspect.place, suspect.to}:
                peak[suspect] = max(peak.get(suspect, (0.0, 0.0)), (float(p), -minute))
    return peak


def grades() -> dict[str, Grade]:
    """The grades on file, by case; a case that has none yet is missing. Raises ScenarioError for a damaged file."""
    path = _path()
    if not path.exists():
        return {}
    found = {}
    with path.open(encoding="utf-8", newline="") as file:
        for number, row in enumerate(csv.DictReader(file), 2):
            try:
                found[row["case"]] = Grade(float(row["par_min"]), int(row["look_alikes"]), int(row["twists"]))
            except (KeyError, TypeError, ValueError):
                raise ScenarioError(
                    [f"{path}:{number}: is no line of case, minutes and two whole numbers; run casekit grade again."]
                ) from None
    return found


def keep(found: dict[str, Grade]) -> Path:
    """Write grades to their file, in the order of difficulty."""
    path = _path()
    with path.open("w", encoding="utf-8", newline="") as file:
        table = csv.writer(file, lineterminator="\n")
        table.writerow(COLUMNS)
        for name, g in sorted(found.items(), key=lambda item: (item[1].level, item[1].par_min, item[0])):
            table.writerow((name, f"{g.par_min:.1f}", g.look_alikes, g.twists))
    return path


def list_cases() -> pd.DataFrame:
    """All cases, the easiest first: name, level from 1 to 5, par in minutes, title, machine, codes stored, complaint.

    A case whose grade is not on file has neither level nor par, and stands at the end.
    """
    known = grades()
    rows = []
    for c in map(library.heading, library.names("cases")):
        g = known.get(c["case"])
        level, par_min = (g.level, g.par_min) if g else (pd.NA, math.nan)
        codes = ", ".join(c["codes"]) or "none"
        rows.append((c["case"], level, par_min, c["title"], c["machine"], codes, c["complaint"]))
    columns = ["case", "level", "par_min", "title", "machine", "codes", "complaint"]
    table = pd.DataFrame(rows, columns=columns).astype({"level": "Int64"})
    return table.sort_values(["level", "par_min", "case"], ignore_index=True)


def _path() -> Path:
    return library.scenario_folder() / "grades.csv"
