"""A bench that is elsewhere: the same calls as a local one, made at a case service, which gives readings only.

In: the name of a case and the address of a service. Out: an `Away`, a `Practice` without a truth: what a trainee's own
machine never had, nobody can look up there.
"""

from __future__ import annotations

from functools import wraps

from casekit.error import BenchError
from casekit.files.schema import MachineFile
from casekit.machine.drawn import drawn
from casekit.teaching.again import WRITTEN
from casekit.teaching.classline import Line
from casekit.teaching.logbook import plain
from casekit.teaching.parcel import unpacked
from casekit.teaching.practice import Practice, Sheet
from casekit.teaching.practice import open_case as open_here
from casekit.teaching.ticks import Ticks


class Away(Practice):
    """A bench at a case service. What can be done and what it costs is known here, what a reading shows is not."""

    def __init__(self, line: Line, case: str, anew: bool = False):
        # Nothing of a local bench is set up: there is no truth here.
        found = line.post("benches", {"case": case, "anew": anew})
        self._line, self._bench = line, str(found["bench"])
        self.machine_file = MachineFile.model_validate(found["machine"])
        self.drawing = drawn(self.machine_file)
        self.sheet = Sheet(str(found["title"]), ((str(head), str(text)) for head, text in found["sheet"]))
        self.title, self.stored = str(found["title"]), tuple(found["codes"])
        self.events, self.own = [], Ticks()
        self._picture = self._debrief = self._again = None
        self._take(found)
        many = len(self.events)
        self.reopened = f"the case is where you left it: {many} entries in its log." if many else ""

    def __repr__(self) -> str:
        return f"<bench at {self._line.at}: {self.title}; {self.state}; {self.clock:g} minutes>"

    def _take(self, found: dict) -> None:
        """How things stand, and what is new in the log."""
        self.state, self.clock = unpacked(found["state"]), float(found["clock"])
        self.closed, self._reached = bool(found["closed"]), set(map(str, found["reached"]))
        new = [unpacked(e) for e in found["events"]]
        self.events = [*self.events[: int(found["before"])], *new]
        self.own.take(map(unpacked, found["own"]))

    def _ask(self, do: str, args: tuple, settings: dict) -> object:
        """Make a call at the service. Raises BenchError with its sentence when something cannot be done now."""
        body = {"do": do, "args": plain(args), "settings": {k: plain(v) for k, v in settings.items()},
                "seen": len(self.events)}  # fmt: skip
        found = self._line.post(f"benches/{self._bench}/calls", body)
        self._take(found)
        if found["refused"]:
            raise BenchError(str(found["refused"]))
        return unpacked(found["result"])


def open_case(
    name: str, seed: int | None = None, variant: int = 0, at: str = "", token: str | None = None, anew: bool = False
) -> Practice:
    """Open a case: a bench on a machine with a fault nobody has told you about.

    `seed` draws the individual machine and meter within their tolerances; without it a case is always the same. A
    `variant` other than 0 has the same complaint and codes and another fault behind it, and stands at other operating
    values; `casekit.variants` lists them. Raises ScenarioError when there is no such case or variant.

    `at` is the address of a case service, or "class" for the one of your classroom: the bench is there then, as you
    left it (with `anew` a new one), and only readings come from it. `token` says who you are; without one CASEKIT_TOKEN
    counts, or that of your JupyterHub.
    """
    if not at:
        if token is not None or anew:
            raise BenchError("token and anew are for a case service; name its address with at=, or leave them out.")
        return open_here(name, seed, variant)
    if seed is not None or variant:
        raise BenchError("a case service chooses the individual itself; leave out seed and variant.")
    return Away(Line(at, token), name, anew)


def _made_there(do: str) -> object:
    method = getattr(Practice, do)

    @wraps(method)
    def asked(self: Away, *args, **settings):
        return self._ask(do, args, settings)

    return asked


for _do in WRITTEN:
    setattr(Away, _do, _made_there(_do))
