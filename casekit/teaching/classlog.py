"""The logs of a class: found in a folder, sorted out, played again, and judged.

In: a folder with logs below it. Out: an `Attempt` for every log that counts, and a sentence for every one that does
not, or not wholly. No file is touched, and one that is damaged costs nothing but itself.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from casekit.bench.reading import Call, Move, Reading
from casekit.error import CasekitError, ScenarioError
from casekit.files import library
from casekit.teaching.again import do_again
from casekit.teaching.debrief import Debrief
from casekit.teaching.grade import grades
from casekit.teaching.kept import name_of
from casekit.teaching.logbook import Log, read_log
from casekit.teaching.practice import Practice
from casekit.teaching.record import FILE
from casekit.teaching.schedule import grade_of
from casekit.teaching.variant import variant_of

UNSIGNED = "unsigned"  # whoever gave no sign, and whose log lies in no folder of its own
MOST_BYTES, MOST_LINES = 5_000_000, 3000  # of one log: a day of readings is a tenth of that
STATES = ("no call yet", "called", "debriefed")


@dataclass(frozen=True)
class Attempt:
    """One trainee's work on one case, played again.

    `state` is one of `STATES`; `came` the debrief, None without a call. `first` is the point first probed. `ideas` are
    misconceptions recognised behind predictions that were far off, `grade` the mark from 0 to 5 of
    `schedule.grade_of`. `troubles` says what of the log was left out or came out differently.
    """

    trainee: str
    case: str
    variant: int
    seed: int | None
    state: str
    minutes: float
    readings: int
    first: str
    hints: int
    came: Debrief | None
    par_min: float | None
    grade: int | None
    ideas: tuple[str, ...] = ()
    troubles: tuple[str, ...] = ()

    @property
    def solved(self) -> bool:
        """Whether the call was right and supported by the trainee's own readings."""
        return self.came is not None and self.came.right and self.came.supported


@dataclass(frozen=True)
class ClassLogs:
    """All attempts, by case and trainee, and the troubles with files."""

    attempts: tuple[Attempt, ...]
    troubles: tuple[str, ...]

    @property
    def cases(self) -> list[str]:
        """The cases that were worked on."""
        return list(dict.fromkeys(a.case for a in self.attempts))


def class_logs(folder: Path | str, told: Callable[[int, int], None] | None = None) -> ClassLogs:
    """Read, sort out and judge all logs below a folder; takes a few seconds a log. `told(done, all)` is called after
    each. Raises ScenarioError when there is no such folder."""
    found, troubles = sorted_out(folder)
    attempts = []
    for k, log in enumerate(found, 1):
        try:
            attempts.append(judged(log))
        except CasekitError as err:
            troubles.append(f"{log.path}: {err}")
        except Exception as err:  # one log, whatever is in it, must not cost those of the others
            troubles.append(f"{log.path}: cannot be played again ({type(err).__name__}); it is left out.")
        if told:
            told(k, len(found))
    attempts.sort(key=lambda a: (a.case, a.trainee))
    return ClassLogs(tuple(attempts), tuple(troubles))


def sorted_out(folder: Path | str) -> tuple[list[Log], list[str]]:
    """The logs that count, each with the sign of its trainee, and what became of the others."""
    folder = Path(folder)
    if not folder.is_dir():
        raise ScenarioError([f"{folder}: there is no such folder; name the folder of the class's logs."])
    found, troubles = [], []
    for path in sorted(p for p in folder.rglob("*") if p.is_file() and p.name != FILE):
        if path.suffix != ".jsonl":
            if not path.name.startswith("."):
                troubles.append(f"{path}: is not a log; it is left out.")
            continue
        try:
            if path.stat().st_size > MOST_BYTES:
                raise ScenarioError([f"{path}: is over {MOST_BYTES:,} bytes, which no log is; it is left out."])
            log = read_log(path)
            if len(log.lines) > MOST_LINES:
                raise ScenarioError([f"{path}: has {len(log.lines)} lines, which no log has; it is left out."])
        except ScenarioError as err:
            troubles.append(str(err))
            continue
        above = path.relative_to(folder).parts[:-1]
        log = replace(log, trainee=log.trainee or (above[0] if above else UNSIGNED))
        troubles += [f"{path}: {text}." for text in log.troubles]
        found.append(log)
    return _once(found, troubles), troubles


def judged(log: Log) -> Attempt:
    """Play a log again and judge it. Raises ScenarioError when its case is not here."""
    case = variant_of(log.case, log.variant)
    bench = Practice(library.machine_file(case.machine), case, log.seed, variant=log.variant)
    troubles = list(log.troubles)
    debriefed = False
    for line in log.lines:
        if line.do == "debrief":
            debriefed = True
            continue
        _, trouble = do_again(bench, line)
        troubles += [trouble] if trouble else []
    called = any(isinstance(e, Call) for e in bench.events)
    came = bench.debrief() if called else None
    hints = sum(isinstance(e, Move) and e.action == "hint" for e in bench.events)
    known = grades().get(log.case)
    par_min = known.par_min if known else None
    far = came.foresight.far if came and came.foresight else []
    return Attempt(
        log.trainee, log.case, log.variant, log.seed, STATES[called + (called and debriefed)], bench.clock,
        sum(isinstance(e, Reading) for e in bench.events), _first(bench), hints, came, par_min,
        grade_of(came, par_min, hints) if came else None,
        tuple(dict.fromkeys(s.idea for s in far if s.idea)), tuple(troubles),
    )  # fmt: skip


# Inside ---------------------------------------------------------------------------------------------------------------


def _once(found: Sequence[Log], troubles: list[str]) -> list[Log]:
    """One log for every trainee and case: copies and earlier states of a log do not count, of several attempts the
    longest does. A log that is word for word another trainee's is told, and counts."""
    kept: dict[tuple, Log] = {}
    for log in found:
        key = (log.trainee, log.case, log.variant, log.seed)
        other = kept.get(key)
        if other is None:
            kept[key] = log
            continue
        # The longer one; of equals that which lies under the name a bench gives it.
        less, more = sorted((other, log), key=lambda x: (len(x.lines), x.path.stem == name_of(*key[1:])))
        kept[key] = more
        copy = more.lines[: len(less.lines)] == less.lines
        what = "is a copy of" if copy and len(more.lines) == len(less.lines) else "is an earlier state of"
        what = what if copy else "is another attempt beside the longer one in"
        troubles.append(f"{less.path}: {what} {more.path.name}; it does not count twice.")
    seen: dict[tuple, Log] = {}
    for log in kept.values():
        same = seen.setdefault((log.case, log.variant, log.seed, repr(log.lines)), log)
        if same is not log and log.lines:
            troubles.append(
                f"{log.path}: is word for word the log of {same.trainee}; both count, and it is worth asking."
            )
    return list(kept.values())


def _first(bench: Practice) -> str:
    """The point the red lead, or the clamp, was first put on."""
    for event in bench.events:
        if isinstance(event, Reading) and event.function not in ("scan", "scan trace", "codes", "snapshot"):
            return event.red
    return ""


def ideas(attempts: Sequence[Attempt]) -> list[tuple[str, int]]:
    """Misconceptions, and behind how many trainees' predictions they were recognised, the commonest first."""
    return Counter(idea for a in attempts for idea in a.ideas).most_common()


def false_calls(attempts: Sequence[Attempt]) -> list[tuple[str, int]]:
    """Calls that were not right, and how many trainees made them, the commonest first."""
    return Counter(a.came.call for a in attempts if a.came and not a.came.right).most_common()
