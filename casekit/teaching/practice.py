"""Fresh machines and cases: a bench with a debrief at the end of it."""

from __future__ import annotations

import base64
import math
import zlib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from html import escape

import pandas as pd

from casekit.bench import minutes
from casekit.bench.bench import Bench
from casekit.bench.memory import Memory
from casekit.bench.meter import Meter
from casekit.bench.reading import Call
from casekit.bench.sealed import Truth, unseal
from casekit.bench.specimen import Specimen
from casekit.error import BenchError, CircuitError, hint
from casekit.files import library
from casekit.files.casefile import CaseFile
from casekit.files.codes import TITLES
from casekit.files.schema import MachineFile
from casekit.machine.casefaults import faults_of
from casekit.machine.drawn import drawn
from casekit.machine.faults import Fault
from casekit.machine.intermittent import Intermittent, inner
from casekit.machine.machine import Machine
from casekit.teaching.debrief import Debrief, debrief
from casekit.teaching.drawing import drawing
from casekit.teaching.hint import hint as hinted
from casekit.teaching.marked import marked
from casekit.teaching.player import Par, Played, by_advice
from casekit.teaching.player import par as par_of
from casekit.teaching.progress import headed
from casekit.teaching.screen import Screen
from casekit.teaching.ticks import Tick, Ticks
from casekit.teaching.variant import operated, variant_of


class Sheet:
    """What is handed to the trainee with the machine: complaint, story and stored codes."""

    def __init__(self, title: str, rows: Iterable[tuple[str, str]]):
        self.title, self.rows = title, list(rows)

    @classmethod
    def of(cls, case: CaseFile, machine: MachineFile) -> Sheet:
        """The sheet of a case."""
        codes = "; ".join(f"{code} {TITLES[code]}" for code in case.codes)
        return cls(case.title, [("Machine", machine.title), ("Complaint", case.complaint), ("Story", case.story),
                                ("Stored codes", codes or "none")])  # fmt: skip

    def __repr__(self) -> str:
        return "\n".join([self.title, *(f"{head}: {text}" for head, text in self.rows)])

    def _repr_html_(self) -> str:
        return f"<h3>{escape(self.title)}</h3><table><tbody>{headed(self.rows)}</tbody></table>"


class Drawing:
    """The wiring drawing of a machine, points ringed if there are `labels` for them; shows itself in a notebook."""

    def __init__(self, machine: MachineFile, labels: Mapping[str, object] | None = None):
        self.svg = marked(machine, labels) if labels else drawing(machine)
        self.title = machine.title

    def __repr__(self) -> str:
        return f"<drawing of the {self.title}>"

    def _repr_html_(self) -> str:
        picture = base64.b64encode(self.svg.encode()).decode()
        words = escape(f"Wiring drawing of the {self.title}; probe_points() and moves() list what is on it")
        return f'<img style="max-width:100%" alt="{words}" src="data:image/svg+xml;base64,{picture}">'


class Practice(Bench):
    """A bench opened from a machine or a case file, with its sheet, its drawing and its debrief.

    `reopened` says what became of what was written down before; empty for a bench that begins anew.
    """

    reopened = ""

    def __init__(
        self,
        machine: MachineFile,
        case: CaseFile | None,
        seed: int | None,
        faults: tuple[Fault | Intermittent, ...] = (),
        variant: int = 0,
    ):
        plan = drawn(machine)
        for fault in faults:
            _check(fault, plan)
        number = zlib.crc32((case.case if case else machine.machine).encode()) if seed is None else seed
        if case:
            faults = faults_of(case, plan)
        built = operated(plan.as_built(number), number, variant) if variant else plan.as_built(number)
        specimen = Specimen(built, faults, Meter.drawn_by(number), number)
        memory = Memory(tuple(case.codes) if case else ())
        truth = Truth(specimen, memory, *((case.explanation, tuple(case.teaches)) if case else ()))
        super().__init__(plan, truth, case.title if case else machine.title)
        self._remember()
        self.sheet = Sheet.of(case, machine) if case else None
        self.stored = tuple(case.codes) if case else ()
        self.machine_file = machine
        self._again = Fresh(case.case, seed, variant) if case else None
        self._picture: Drawing | None = None
        self._debrief: Debrief | None = None
        self.own = Ticks()

    @property
    def picture(self) -> Drawing:
        """The wiring drawing: what the drawing says, right or wrong."""
        if self._picture is None:
            self._picture = Drawing(self.machine_file)
        return self._picture

    def call(self, kind: str, place: str = "", to: str = "", also: bool = False) -> Call:
        """State the fault: its kind and its place at repair level; `to` is the other wire, cavity or splice, if any.
        "no fault found" has no place.

        The last call before the debrief counts, and with it the last one that says the drawing is wrong. With
        `also=True` the call before stands too: two faults at once.
        """
        self._needs_case()
        return super().call(kind, place, to, also)

    def scope(self, *args, **settings) -> Screen:
        """As Bench.scope; the trace shows itself as a picture in a notebook."""
        return Screen(super().scope(*args, **settings))

    def scan_trace(self, *args, **settings) -> Screen:
        """As Bench.scan_trace; the trace shows itself as a picture in a notebook."""
        return Screen(super().scan_trace(*args, **settings))

    def tick(self, kind: str, place: str, to: str = "", possible: bool = True, note: str = "") -> Tick:
        """Keep a suspect on your own list, or strike it off with `possible=False`; words as for a call.

        It takes no minutes and is no evidence. Ticked again, an entry is changed; without a `note` it keeps the one it
        has. Raises BenchError for what the drawing has no place for.
        """
        self._open_for_work()
        self._nameable(kind, place, to)
        return self.own.put(kind, place, to or "", possible, note, self.clock)

    @property
    def ticks(self) -> pd.DataFrame:
        """Your own list: suspect, whether you think it possible, the minute you last said so, note; in order."""
        return self.own.table()

    def debrief(self) -> Debrief:
        """Close the case: the truth, and whether the readings taken support the call. Needs a call first."""
        self._needs_case()
        calls = [e for e in self.events if isinstance(e, Call)]
        if not calls:
            raise BenchError("there is no call yet; make the call first: its kind and its place.")
        if self._debrief is None or not self.closed:
            self._debrief = debrief(
                self.title, self.drawing, self.events, self.clock, calls, unseal(self), self.stored, self._again,
                self.own.entries,
            )  # fmt: skip
        self.closed = True
        return self._debrief

    def hint(self) -> str:
        """A little help, at the price of 2 minutes: how much is left to find out; asked again before anything new is
        read, the test that pays best; asked once more, the likeliest faults. The log and the debrief show it."""
        self._open_for_work()
        step, text = hinted(self.drawing, list(self.events), self.stored)
        self._moved("hint", step, minutes.HINT, self.state)
        return text

    def _needs_case(self) -> None:
        if self.sheet is None:
            raise BenchError("this is a machine to practise on, without a case; use casekit.open_case for one.")


def open_case(name: str, seed: int | None = None, variant: int = 0) -> Practice:
    """Open a case: a bench on a machine with a fault nobody has told you about.

    `seed` draws the individual machine and meter within their tolerances; without it a case is always the same. A
    `variant` other than 0 has the same complaint and codes and another fault behind it, and stands at other operating
    values; `casekit.variants` lists them. Raises ScenarioError when there is no such case or variant.
    """
    case = variant_of(name, variant)
    return Practice(library.machine_file(case.machine), case, checked(seed), variant=variant)


def variants(name: str) -> list[int]:
    """The numbers of all variants of a case that were played and can be solved; 0 is the case as it was written.

    Raises ScenarioError when there is no such case.
    """
    library.case_file(name)
    return [0, *library.variants(name)]


def open_machine(name: str, seed: int | None = None, fault: Fault | Intermittent | None = None) -> Practice:
    """Open a machine to practise on: healthy, or with a `fault` of your own choice to demonstrate.

    Raises ScenarioError when there is no such machine, CircuitError when the fault's place is not on it.
    """
    return Practice(library.machine_file(name), None, checked(seed), (fault,) if fault is not None else ())


@dataclass(frozen=True)
class Fresh:
    """A case, a seed and a variant: called, it opens the case anew."""

    name: str
    seed: int | None
    variant: int = 0

    def __call__(self) -> Practice:
        return open_case(self.name, self.seed, self.variant)


def par(name: str, seed: int | None = None) -> tuple[Par, Played]:
    """Par of a case, and the advice played on it. The latter takes up to a minute; both are kept.

    Raises ScenarioError when there is no such case.
    """
    stored = tuple(library.case_file(name).codes)
    again = Fresh(name, checked(seed))
    return par_of(again, stored), by_advice(again, stored)


def _check(fault: Fault | Intermittent, plan: Machine) -> None:
    """A fault somebody made for a demonstration: of a kind, of a size, at a place of this machine."""
    bare = inner(fault)
    if not isinstance(bare, Fault):
        raise BenchError(f"the fault is {fault!r}; make one of casekit.faults, such as casekit.Open('W11').")
    for field in ("r_ohm", "limit_a"):
        size = getattr(bare, field, 0.0)
        if isinstance(size, bool) or not isinstance(size, int | float) or not 0 <= size < math.inf:
            raise BenchError(f"{bare.kind} at {bare.place}: {field} is {size!r}; write a number from 0.")
    if isinstance(fault, Intermittent):
        known = [p.name for p in (*plan.contact_points, *plan.plugs)]
        if fault.point not in known:
            raise BenchError(f"{fault.point!r} is not a contact point, connector or sensor.{hint(fault.point, known)}")
        if not fault.gap_mm > 0:
            raise BenchError(f"{bare.kind} at {bare.place}: gap_mm is {fault.gap_mm!r}; write a number above 0.")
    try:
        plan.with_fault(fault)
    except CircuitError as err:
        raise BenchError(str(err)) from None


def checked(seed: int | None) -> int | None:
    """A seed that can be one: a whole number from 0, or None. Raises BenchError."""
    if seed is None or (isinstance(seed, int) and not isinstance(seed, bool) and seed >= 0):
        return seed
    raise BenchError(f"the seed is {seed!r}; use a whole number from 0, or leave it out.")
