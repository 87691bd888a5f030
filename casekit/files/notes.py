"""A page of bay notes: what was wrong, what the customer said, and what the meter showed, as it was written down.

In: a notes file. Out: checked `Notes`. The lines of `readings` are the words of the bay: `key on`, `unplug B4`,
`volts B4.1 G1.- 4.98`, `scan B4 0.52`, `codes P0642`.
"""

from __future__ import annotations

import re
import textwrap
from collections.abc import Sequence
from pathlib import Path
from typing import Annotated, get_args

from pydantic import BeforeValidator, Field

from casekit.error import ScenarioError, hint
from casekit.files.casefile import Fault, Instructor, Kind
from casekit.files.codes import in_line
from casekit.files.record import read_record
from casekit.files.schema import Record, Slug, Text
from casekit.files.source import Source


class Found(Fault):
    """What was found: as a fault of a case, but what was not measured (size, place along the wire) is left out and
    fitted; so is `place`, if only the kind is known."""

    place: str | None = None


class Notes(Record):
    """One finished repair. What may be left out is proposed when the case is drafted."""

    notes: Slug
    machine: Slug
    title: Text
    complaint: Text
    story: Text
    codes: Annotated[list[str], BeforeValidator(lambda x: in_line(x) if isinstance(x, str) else x)] = Field(
        default_factory=list
    )
    found: Found
    readings: Annotated[list[Text], Field(min_length=1)]
    teaches: list[Text] = Field(default_factory=list)
    explanation: Text | None = None
    instructor: Instructor | None = None


BLANK = """\
# Bay notes of a finished repair. Fill in, then: casekit new {name}.yaml
notes: {name}
machine: {machine}  # or {others}; casekit sketch makes one of a table
title: What the customer would call it
complaint: >-
  What the customer said, in their words.
story: >-
  What happened before: repairs, weather, new parts.
codes: []                    # as they were stored, such as [P0642]
found:                       # size and place along the wire may be left out: they are fitted to the readings
  kind: high resistance      # {kinds}
  place: W1                  # wire, cavity (X11.3, B4.1), sensor or supply
readings:                    # in the order they were taken, only those taken while the fault was there
  - key on
  # - volts B4.1 G1.- 4.98   (red lead, black lead, display)
  # - millivolts X1.3 B4.1 2.00 mV   (along one wire; without mV it counts as volt)
  # - unplug B4
  # - ohms B4.1 B4.3 2150    (key off first)
  # - scan B4 0.52           (volts that scan data shows)
"""


def blank(name: str, machine: str, known: Sequence[str]) -> str:
    """A page to fill in, about one of the machines that are known. Raises ScenarioError for another, and for a name
    that no case can have."""
    if machine not in known:
        raise ScenarioError([f"there is no machine {machine!r}; there is: {', '.join(known)}.{hint(machine, known)}"])
    if not re.fullmatch(r"[a-z0-9]+(-[a-z0-9]+)*", name):
        raise ScenarioError([f"{name!r} is no name for a case; write small letters and hyphens, as in oil-lamp-on."])
    kinds = textwrap.fill(", ".join(get_args(Kind)), 80, subsequent_indent=" " * 29 + "# ", initial_indent=" " * 31)
    others = ", ".join(other for other in known if other != machine)
    return BLANK.format(name=name, machine=machine, others=others, kinds=kinds.lstrip())


def read_notes(path: Path | str) -> tuple[Notes, Source]:
    """Read and check a page of notes; the source says on which line everything stands."""
    return read_record(Notes, path)
