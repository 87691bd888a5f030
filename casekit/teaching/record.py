"""The learner's record: which variants of which cases were handed out, how they went, and when each case is due.

In: a folder. Out: a `Record`, a local file beside the logs that anybody can read, edit or delete; one line of JSON for
a variant handed out, one for what came of it. It never holds what was wrong with a machine.
"""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path

from casekit.error import ScenarioError
from casekit.files.whole import write_whole
from casekit.teaching.schedule import Due, after_all

FILE = "practice_record.jsonl"  # no case can have this name, so no log has it


@dataclass(frozen=True)
class Entry:
    """A case that was handed out: which individual (`seed`), on which day, and which variant of it; `grade` and
    `minutes` are None until the debrief."""

    case: str
    seed: int
    day: date
    grade: int | None = None
    minutes: float | None = None
    variant: int = 0


class Record:
    """What a learner has done. `entries` as written; `troubles` says, a sentence each, which lines are left out.

    A line is added by replacing the whole file at once, as it is then: it is never half written, and lines that cannot
    be read stay in it. Raises ScenarioError when it cannot be read or written.
    """

    def __init__(self, folder: str | Path):
        self.path = Path(folder).absolute() / FILE
        self.entries: list[Entry] = []
        self.troubles: list[str] = []
        for number, line in enumerate(self._bytes().splitlines(), 1):
            entry = _entry(line)
            if entry:
                self.entries.append(entry)
            elif line.strip():
                self.troubles.append(f"{self.path}: line {number} is damaged and is left out; the rest counts.")

    @property
    def cases(self) -> list[str]:
        """Cases that were handed out, in the order of the first time."""
        return list(dict.fromkeys(e.case for e in self.entries))

    def results(self, case: str) -> list[Entry]:
        """What came of a case, the oldest first; an individual counts once, with its first debrief."""
        first: dict[int, Entry] = {}
        for e in self.entries:
            if e.case == case and e.grade is not None:
                first.setdefault(e.seed, e)
        return list(first.values())

    def begun(self, case: str) -> int | None:
        """The individual that was handed out last and has no debrief yet."""
        done = {e.seed for e in self.results(case)}
        return next((e.seed for e in reversed(self.entries) if e.case == case and e.seed not in done), None)

    def unused(self, case: str) -> int:
        """The seed of an individual that was never handed out, from 1."""
        return 1 + max((e.seed for e in self.entries if e.case == case), default=0)

    def variant(self, case: str, seed: int) -> int:
        """The variant that an individual was."""
        return next(e.variant for e in self.entries if (e.case, e.seed) == (case, seed))

    def fresh(self, case: str, known: Sequence[int]) -> int:
        """Of the variants of a case, one met least often; the case as it was written last, as a lesson may have shown
        it."""
        met = Counter(variant for _, variant in {(e.seed, e.variant) for e in self.entries if e.case == case})
        return min(known, key=lambda variant: (met[variant], variant == 0, variant))

    def due(self, case: str) -> Due:
        """How well a case is known."""
        return after_all(e.grade for e in self.results(case))

    def due_on(self, case: str) -> date | None:
        """The day from which a case is due again; None before its first debrief."""
        results = self.results(case)
        return results[-1].day + timedelta(days=self.due(case).days) if results else None

    def add(self, entry: Entry) -> None:
        """Write an entry down."""
        fields = {"case": entry.case, "seed": entry.seed, "day": entry.day.isoformat()}
        if entry.variant:
            fields["variant"] = entry.variant
        if entry.grade is not None:
            fields |= {"grade": entry.grade, "minutes": round(entry.minutes, 1)}
        self.entries.append(entry)
        if entry.grade is not None:
            fields["next"] = self.due_on(entry.case).isoformat()  # for the reader; worked out anew when it is read
        before = self._bytes()
        gap = b"\n" if before and not before.endswith(b"\n") else b""
        self._replace(before + gap + json.dumps(fields).encode() + b"\n")

    def _bytes(self) -> bytes:
        try:
            return self.path.read_bytes()
        except FileNotFoundError:
            return b""
        except OSError as err:
            raise ScenarioError([_unusable(self.path, "read", err)]) from None

    def _replace(self, whole: bytes) -> None:
        try:
            self.path.parent.mkdir(parents=True, exist_ok=True)
            write_whole(self.path, whole)
        except OSError as err:
            raise ScenarioError([_unusable(self.path, "written", err)]) from None


def _entry(line: bytes) -> Entry | None:
    """A line of the file; None when it is damaged."""
    try:
        fields = json.loads(line)
        case, seed, day = fields["case"], fields["seed"], date.fromisoformat(fields["day"])
        grade, minutes, variant = fields.get("grade"), fields.get("minutes"), fields.get("variant", 0)
    except (AttributeError, KeyError, TypeError, ValueError, RecursionError):
        return None
    numbers = [seed, variant] if grade is None else [seed, variant, grade]
    if not isinstance(case, str) or any(isinstance(n, bool) or not isinstance(n, int) or n < 0 for n in numbers):
        return None
    if grade is not None and (grade > 5 or isinstance(minutes, bool) or not isinstance(minutes, int | float)):
        return None
    return Entry(case, seed, day, grade, minutes, variant)


def _unusable(path: Path, what: str, err: OSError) -> str:
    return f"{path}: the record of your practice cannot be {what} ({err.strerror or err}); name another folder."
