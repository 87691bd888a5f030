"""A case that is kept: a bench whose log is saved as it goes, and that is opened again where it was left.

In: the name of a case and a folder. Out: a `Kept`, a `Practice` that writes down every call that changed something; on
opening again, the calls are made again on a fresh bench, which gives the same readings.
"""

from __future__ import annotations

import inspect
import math
import os
from collections.abc import Callable
from datetime import date
from functools import wraps
from pathlib import Path

from casekit.bench.reading import Finding, Move, Reading
from casekit.bench.sealed import seal, unseal
from casekit.error import BenchError, CasekitError
from casekit.files import library
from casekit.teaching.debrief import Debrief
from casekit.teaching.grade import grades
from casekit.teaching.logbook import Line, Logbook, plain
from casekit.teaching.practice import Practice, checked
from casekit.teaching.record import Entry, Record
from casekit.teaching.schedule import grade_of
from casekit.teaching.variant import variant_of

FOLDER = os.environ.get("CASEKIT_LOGS", "casekit-logs")
# Every public method that changes the log, the clock, the state or the list of suspects.
WRITTEN = (
    "key", "operate", "release", "unplug", "plug", "look", "open_harness", "notice", "shift", "rock", "warm_up",
    "road_test", "volts", "millivolts", "ohms", "continuity", "minmax", "lamp", "loaded", "amps", "zero_clamp", "scope",
    "scan", "scan_trace", "codes", "snapshot", "repair", "replace", "clear_codes", "prove", "jumper", "remove_jumper",
    "pierce", "tick", "call", "hint", "debrief",
)  # fmt: skip
TOLD = 3  # troubles that are told one by one
CLOSE_MIN = 1e-6  # clocks that differ by less are the same


class Kept(Practice):
    """A case whose every call is written down in a logbook, and made again when the case is opened again."""

    def __init__(self, book: Logbook):
        case = variant_of(book.case, book.variant)
        super().__init__(library.machine_file(case.machine), case, book.seed, variant=book.variant)
        self._within = True  # nothing is written while what was written is done again, or one call makes another
        self._logbook = book
        self._reopening = True  # what is done again is no news for the learner's record
        again = [self._do_again(line) for line in self._logbook.lines]
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
            fresh = Kept(Logbook(book.path, book.case, book.seed, book.variant))
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

    def _do_again(self, line: Line) -> tuple[bool, str]:
        """Make a call that was written down; whether it could be made, and what came out differently, in words."""
        method = getattr(self, line.do) if line.do in WRITTEN else None
        try:
            inspect.signature(method).bind(*line.args, **line.settings)
        except TypeError:  # no such method, or not with these arguments
            return False, f"line {line.number} is damaged and is left out"
        before, refused = len(self.events), ""
        try:
            method(*line.args, **line.settings)
        except CasekitError as err:
            refused = str(err)
        except Exception as err:  # a line written by hand can hold anything, and must not cost the lines after it
            refused = f"{type(err).__name__}: {err}"
        what, shown = f"line {line.number}, {line},", self._shown(before)
        if refused and not line.refused:
            return False, f"{what} cannot be done now: {refused.rstrip('.')}"
        for was, now in zip(line.shown, shown, strict=False):
            if was != now:
                return True, f"{what} showed {was} then and shows {now} now"
        if len(line.shown) != len(shown) or line.state != str(self.state):
            return True, f"{what} came out differently: {line.state} then, {self.state} now"
        if not math.isclose(line.minute, self.clock, abs_tol=CLOSE_MIN):
            return True, f"{what} ended at minute {line.minute:.1f} then and at {self.clock:.1f} now"
        return True, ""

    def _shown(self, before: int) -> tuple[str, ...]:
        """What the readings and findings since an event showed, with the numbers that came with them."""
        texts: list[str] = []
        for event in self.events[before:]:
            if isinstance(event, Reading):
                texts += [event.shown, *(f"{name} {value:.4g}" for name, value in event.data)]
            elif isinstance(event, Finding):
                texts.append(event.text)
        return tuple(texts)

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
                    came = {"minute": self.clock, "state": str(self.state), "shown": self._shown(before)}
                    write(asked | came | ({"refused": refused} if refused else {}))

    return kept


for _name in WRITTEN:
    setattr(Kept, _name, _written(getattr(Kept, _name)))


def resume_case(name: str, seed: int | None = None, folder: str | Path | None = None, variant: int = 0) -> Kept:
    """Open a case where it was left: what is done on the bench is saved at once, and is there again next time.

    `seed` and `variant` as for open_case. The log is a file in `folder` (`casekit-logs` in the current directory, or
    what the environment says in CASEKIT_LOGS), one line a call; `bench.reopened` says what was made again and what had
    to be left out; `bench.start_over()` begins anew. Raises ScenarioError when there is no such case, and when the file
    there is not its log or cannot be written; BenchError while another bench writes to it.
    """
    return Kept(opened(name, seed, folder, variant))


def opened(name: str, seed: int | None = None, folder: str | Path | None = None, variant: int = 0) -> Logbook:
    """The logbook of a case, as for `resume_case`, without making its calls again."""
    variant_of(name, variant)  # for a case that is not there no file is made
    seed = checked(seed)
    which = name if variant == 0 else f"{name}-v{variant}"
    stem = which if seed is None else f"{which}-{seed}"
    return Logbook(Path(FOLDER if folder is None else folder) / f"{stem}.jsonl", name, seed, variant)


def _told(count: int, troubles: list[str]) -> str:
    """What was done again, and what was not."""
    many = "1 entry" if count == 1 else f"{count} entries"
    said = [f"the case is where you left it: {many} in its log"] if count else []
    more = len(troubles) - TOLD
    said += troubles[:TOLD] + ([f"{more} more lines came out differently or are left out"] if more > 0 else [])
    return f"{'; '.join(said)}." if said else ""
