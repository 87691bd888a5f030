"""A case that is kept: a bench whose log is saved as it goes, and that is opened again where it was left.

In: the name of a case and a folder. Out: a `Kept`, a `Practice` that writes down every call that changed something; on
opening again, the calls are made again on a fresh bench, which gives the same readings.
"""

from __future__ import annotations

import os
import re
from collections.abc import Callable
from datetime import date
from functools import wraps
from pathlib import Path

from casekit.bench.reading import Move
from casekit.bench.sealed import seal, unseal
from casekit.error import BenchError, CasekitError
from casekit.files import library
from casekit.teaching.again import WRITTEN, do_again, shown_since
from casekit.teaching.debrief import Debrief
from casekit.teaching.grade import grades
from casekit.teaching.logbook import Logbook, plain
from casekit.teaching.practice import Practice, checked
from casekit.teaching.record import Entry, Record
from casekit.teaching.schedule import grade_of
from casekit.teaching.variant import variant_of

FOLDER = os.environ.get("CASEKIT_LOGS", "casekit-logs")
TRAINEE = os.environ.get("CASEKIT_TRAINEE", "")
SIGN = r"[A-Za-z0-9_-]{0,16}"
TOLD = 3  # troubles that are told one by one


class Kept(Practice):
    """A case whose every call is written down in a logbook, and made again when the case is opened again."""

    def __init__(self, book: Logbook):
        case = variant_of(book.case, book.variant)
        super().__init__(library.machine_file(case.machine), case, book.seed, variant=book.variant)
        self._within = True  # nothing is written while what was written is done again, or one call makes another
        self._logbook = book
        self._reopening = True  # what is done again is no news for the learner's record
        again = [do_again(self, line) for line in self._logbook.lines]
        troubles = [*(trouble for _, trouble in again if trouble), *self._logbook.troubles]
        self.reopened = _told(sum(done for done, _ in again), troubles)
        self._within = self._reopening = False

    @wraps(Practice.debrief)  # the same to whoever asks for help on it; the learner's record is told as well
    def debrief(self) -> Debrief:
        came = super().debrief()
        if not self._reopening:
            self._note(came)
        return came

    def start_over(self) -> str:
        """Begin the case anew, on this very bench; what was written down is kept aside under a numbered name.

        Raises BenchError when another bench has written to the log since, or nothing can be written there.
        """
        book = self._logbook
        aside = book.put_aside()
        try:
            fresh = Kept(Logbook(book.path, book.case, book.seed, book.variant, book.trainee))
        except CasekitError:
            book.put_back(aside)
            raise
        # The same object, so that whatever holds this bench goes on with it.
        vars(self).clear()
        vars(self).update(vars(fresh))
        seal(self, unseal(fresh))
        return f"begun anew; what was done before is kept in {aside}"

    def _note(self, came: Debrief) -> None:
        """Into the record goes the first debrief of what `casekit.practice` handed out."""
        book = self._logbook
        record = Record(book.path.parent)
        mine = book.seed is not None and record.begun(book.case) == book.seed
        if not mine or record.variant(book.case, book.seed) != book.variant:
            return
        hints = sum(isinstance(e, Move) and e.action == "hint" for e in self.events)
        known = grades().get(book.case)
        grade = grade_of(came, known.par_min if known else None, hints)
        record.add(Entry(book.case, book.seed, date.today(), grade, came.minutes, book.variant))

    def _open_for_work(self) -> None:
        if self.closed:
            raise BenchError(
                "this case is closed after its debrief; begin it anew with Start over, or bench.start_over()."
            )

    def _standing(self) -> tuple:
        """What a call may change, as far as a trainee can see it."""
        return self.clock, self.state, len(self.events), self.closed, self.own.entries


def _written(method: Callable) -> Callable:
    """A method that is written down when it has changed something, also when it was refused half-way."""

    @wraps(method)
    def kept(self: Kept, *args, **settings):
        if self._within:
            return method(self, *args, **settings)
        # Before it is done, as a list could change meanwhile, and what cannot be written must not be done.
        asked = {"do": method.__name__, "args": plain(args), "settings": {k: plain(v) for k, v in settings.items()}}
        with self._logbook.turn() as write:
            standing, before, refused = self._standing(), len(self.events), ""
            self._within = True
            try:
                return method(self, *args, **settings)
            except BaseException as err:
                refused = str(err) or type(err).__name__
                raise
            finally:
                self._within = False
                if self._standing() != standing:
                    came = {"minute": self.clock, "state": str(self.state), "shown": shown_since(self, before)}
                    write(asked | came | ({"refused": refused} if refused else {}))

    return kept


for _name in WRITTEN:
    setattr(Kept, _name, _written(getattr(Kept, _name)))


def resume_case(
    name: str, seed: int | None = None, folder: str | Path | None = None, variant: int = 0, trainee: str | None = None
) -> Kept:
    """Open a case where it was left: what is done on the bench is saved at once, and is there again next time.

    `seed` and `variant` as for open_case. The log is a file in `folder` (`casekit-logs` in the current directory, or
    what the environment says in CASEKIT_LOGS), one line a call; `bench.reopened` says what was made again and what had
    to be left out; `bench.start_over()` begins anew. In a class, `trainee` is your number or short sign there, never
    your name (or CASEKIT_TRAINEE says it): the log then lies in a folder of its own below. Raises ScenarioError when
    there is no such case, and when the file there is not its log or cannot be written; BenchError while another bench
    writes to it.
    """
    return Kept(opened(name, seed, folder, variant, trainee))


def opened(
    name: str, seed: int | None = None, folder: str | Path | None = None, variant: int = 0, trainee: str | None = None
) -> Logbook:
    """The logbook of a case, as for `resume_case`, without making its calls again."""
    variant_of(name, variant)  # for a case that is not there no file is made
    seed, trainee = checked(seed), _sign(trainee)
    return Logbook(logs(folder, trainee) / f"{name_of(name, variant, seed)}.jsonl", name, seed, variant, trainee)


def name_of(case: str, variant: int, seed: int | None) -> str:
    """What the log of a case is called, without its ending."""
    which = case if variant == 0 else f"{case}-v{variant}"
    return which if seed is None else f"{which}-{seed}"


def logs(folder: str | Path | None = None, trainee: str | None = None) -> Path:
    """The folder in which the logs of a trainee lie."""
    return Path(FOLDER if folder is None else folder) / _sign(trainee)


def _sign(trainee: str | None) -> str:
    """The sign of a trainee, checked; empty for who has none."""
    sign = TRAINEE if trainee is None else trainee
    if not isinstance(sign, str) or not re.fullmatch(SIGN, sign):
        raise BenchError(
            f"the trainee is {sign!r}; write a number or short sign such as T07 (letters, digits, - and _), not a name."
        )
    return sign


def _told(count: int, troubles: list[str]) -> str:
    """What was done again, and what was not."""
    many = "1 entry" if count == 1 else f"{count} entries"
    said = [f"the case is where you left it: {many} in its log"] if count else []
    more = len(troubles) - TOLD
    said += troubles[:TOLD] + ([f"{more} more lines came out differently or are left out"] if more > 0 else [])
    return f"{'; '.join(said)}." if said else ""
