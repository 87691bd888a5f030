"""Practice on one's own: the next case by what is due, then by difficulty, always on a machine not met before.

In: the learner's `Record` and the cases by difficulty. Out: a `Turn`, the bench to go on with, a table of progress.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path

import pandas as pd

from casekit.error import ScenarioError
from casekit.teaching.grade import list_cases
from casekit.teaching.kept import Kept, logs, resume_case
from casekit.teaching.practice import variants
from casekit.teaching.record import Entry, Record

MASTERED_DAYS = 15  # the interval of SM-2 after three times well in a row; from it on a case counts as mastered (ours)


@dataclass(frozen=True)
class Turn:
    """The case to go on with, and why this one."""

    case: str
    why: str


def turn(record: Record, cases: Sequence[str], day: date) -> Turn:
    """What was begun comes first, then what has been due longest, then a new case, then what is due soonest."""
    for case in cases:
        if record.begun(case) is not None:
            return Turn(case, "begun, and not yet brought to a debrief")
    known = sorted((record.due_on(case), k) for k, case in enumerate(cases) if record.due_on(case))
    if known and known[0][0] <= day:
        since, k = known[0]
        return Turn(cases[k], "due today" if since == day else f"due since {since}")
    for case in cases:
        if record.due_on(case) is None:
            return Turn(case, "new: the next in difficulty")
    if not known:
        raise ScenarioError(["there are no cases to practise on; see casekit.list_cases()."])
    soonest, k = known[0]
    return Turn(cases[k], f"nothing is due today; this one would be on {soonest}")


def practice(folder: str | Path | None = None, today: date | None = None) -> Kept:
    """The bench to practise on next, kept as with `resume_case`; a line printed says why this case.

    What was begun is gone on with. Otherwise the case comes as a variant you have met least often, the complaint being
    the same and the fault at another place or of another size, on a machine and with a meter you have not met, drawn
    anew within their tolerances. Its debrief goes into your record,
    `practice_record.jsonl` in the folder of the logs; delete the file to begin anew. Raises ScenarioError when that
    cannot be read or written.
    """
    where, day = logs(folder), today or date.today()
    record = Record(where)
    now = turn(record, _cases(), day)
    seed = record.begun(now.case)
    if seed is None:
        seed, number = record.unused(now.case), record.fresh(now.case, variants(now.case))
        while _met(where, now.case, seed):  # before the record was deleted, or by its seed
            seed += 1
        record.add(Entry(now.case, seed, day, variant=number))
    else:
        number = record.variant(now.case, seed)
    bench = resume_case(now.case, seed, folder, number)
    print("\n".join([*record.troubles, f"{bench.sheet.title}: {now.why}."]))
    return bench


def progress(folder: str | Path | None = None, today: date | None = None) -> pd.DataFrame:
    """All cases, the easiest first: how often practised, last grade (0 to 5), day due, and how it stands.

    `stands` is begun, due, mastered (due again after 15 days or more), learning or new; `next` marks the case that
    `practice` would open. Damaged lines of the record are told in a line printed.
    """
    record, day = Record(logs(folder)), today or date.today()
    for trouble in record.troubles:
        print(trouble)
    cases = _cases()
    now = turn(record, cases, day)
    rows = []
    for case in cases:
        results, due_on = record.results(case), record.due_on(case)
        grade = results[-1].grade if results else pd.NA
        rows.append((case, len(results), grade, due_on or "", _stands(record, case, day), now.why * (case == now.case)))
    columns = ["case", "times", "last_grade", "due_on", "stands", "next"]
    return pd.DataFrame(rows, columns=columns).astype({"last_grade": "Int64"})


def _met(where: Path, case: str, seed: int) -> bool:
    """Whether there is a log of this individual, of whichever variant."""
    return (where / f"{case}-{seed}.jsonl").exists() or any(where.glob(f"{case}-v*-{seed}.jsonl"))


def _stands(record: Record, case: str, day: date) -> str:
    due_on = record.due_on(case)
    if record.begun(case) is not None:
        return "begun"
    if due_on is None:
        return "new"
    if due_on <= day:
        return "due"
    return "mastered" if record.due(case).days >= MASTERED_DAYS else "learning"


def _cases() -> list[str]:
    return list(list_cases()["case"])
