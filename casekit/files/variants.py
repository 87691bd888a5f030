"""The variants of a case that were played and can be solved: the same complaint, another fault behind it.

In: `scenarios/variants/CASE.yaml`, made by `casekit vary`. Out: a checked `Variants`. The case as it was written is
number 0 and stands in no such file.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Annotated

from pydantic import Field, model_validator

from casekit.files.casecheck import check_case
from casekit.files.casefile import CaseFile, Fault
from casekit.files.schema import MachineFile, Minutes, Record, Slug
from casekit.files.source import Finding


class Entry(Record):
    """One variant: its number, the minutes of the advice played on it, and its faults."""

    number: Annotated[int, Field(ge=1)]
    minutes: Minutes
    faults: Annotated[list[Fault], Field(max_length=2)]


class Variants(Record):
    """All variants of one case, in the order of their numbers."""

    case: Slug
    variants: list[Entry]

    @model_validator(mode="after")
    def _each_once(self):
        numbers = [v.number for v in self.variants]
        if numbers != sorted(set(numbers)):
            raise ValueError("the numbers of variants must rise, each once; make the file anew with casekit vary")
        return self


def check_variants(found: Variants, cases: dict[str, CaseFile], machines: dict[str, MachineFile]) -> Iterator[Finding]:
    """Everything that is wrong with the variants of a case: every fault must be one its machine can have."""
    case = cases.get(found.case)
    if case is None:
        yield ("case",), f"there is no case {found.case}; delete this file."
        return
    for k, entry in enumerate(found.variants):
        for place, sentence in check_case(case.model_copy(update={"faults": entry.faults}), machines):
            yield ("variants", k, *place), sentence
