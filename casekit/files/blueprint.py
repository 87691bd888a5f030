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


class Blueprint(Record):
    """One paper: `topics` are names of abilities, each with how many items; no `machines` means all there are."""

    paper: Slug
    title: Text
    minutes: Minutes
    topics: Annotated[dict[str, Annotated[int, Field(ge=1, le=MOST)]], Field(min_length=1)]
    machines: list[Slug] = Field(default_factory=list)

    @model_validator(mode="after")
    def _not_too_many(self):
        if sum(self.topics.values()) > MOST:
            raise ValueError(f"the topics have {sum(self.topics.values())} items; a paper has at most {MOST}")
        return self


def read_blueprint(path: Path | str) -> Blueprint:
    """Read and check a blueprint. Raises ScenarioError, with the line, for whatever is wrong in it."""
    if Path(path).suffix not in (".yaml", ".yml"):
        raise ScenarioError([f"{path}: a blueprint is a .yaml file; see scenarios/papers."])
    return read_record(Blueprint, path)[0]
