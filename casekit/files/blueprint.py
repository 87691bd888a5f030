"""A blueprint of an exam paper: how many items of which ability, and how long it may take.

In: `scenarios/papers/NAME.yaml`. Out: a checked `Blueprint`.
"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

from pydantic import Field, model_validator

from casekit.error import ScenarioError
from casekit.files.record import read_record
from casekit.files.schema import Minutes, Record, Slug, Text

MOST = 120  # items of one paper


Count = Annotated[int, Field(ge=0, le=MOST)]


class Topic(Record):
    """How many items of one ability: of any level, or of each; a mere number means any."""

    any: Count = 0
    easy: Count = 0
    middle: Count = 0
    hard: Count = 0

    @model_validator(mode="before")
    @classmethod
    def _number(cls, value):
        return {"any": value} if isinstance(value, int) and not isinstance(value, bool) else value

    @model_validator(mode="after")
    def _some(self):
        if self.many == 0:
            raise ValueError("it has no items; give at least 1, or leave the topic out")
        return self

    @property
    def many(self) -> int:
        """Of all levels together."""
        return self.any + self.easy + self.middle + self.hard

    @property
    def by_level(self) -> list[tuple[int | None, int]]:
        """(level from 1 to 3, how many), the levels first and then any (None)."""
        every = ((1, self.easy), (2, self.middle), (3, self.hard), (None, self.any))
        return [(level, many) for level, many in every if many]


class Blueprint(Record):
    """One paper: `topics` are names of abilities, each with how many items; no `machines` means all there are."""

    paper: Slug
    title: Text
    minutes: Minutes
    topics: Annotated[dict[str, Topic], Field(min_length=1)]
    machines: list[Slug] = Field(default_factory=list)

    @model_validator(mode="after")
    def _not_too_many(self):
        if (many := sum(t.many for t in self.topics.values())) > MOST:
            raise ValueError(f"the topics have {many} items; a paper has at most {MOST}")
        return self


def read_blueprint(path: Path | str) -> Blueprint:
    """Read and check a blueprint. Raises ScenarioError, with the line, for whatever is wrong in it."""
    if Path(path).suffix not in (".yaml", ".yml"):
        raise ScenarioError([f"{path}: a blueprint is a .yaml file; see scenarios/papers."])
    return read_record(Blueprint, path)[0]
