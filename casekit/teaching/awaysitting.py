"""A sitting that is elsewhere: a paper sat at a case service, whose clock counts and whose answers stay there.

In: a connection and the id of a paper. Out: an `AwaySitting`, with the same calls as a `Sitting`.
"""

from __future__ import annotations

import time
from dataclasses import dataclass

import pandas as pd

from casekit.teaching.classline import Line
from casekit.teaching.item import Item, Option, Recorded, numbered
from casekit.teaching.parcel import Told
from casekit.teaching.sitting import Question, overview


@dataclass(frozen=True)
class AwayPaper:
    """A paper as it came: its title and items as they are asked."""

    title: str
    items: tuple[Item, ...]


class AwayResult(Told):
    """Marks that were worked out at the service, with an explanation of every item."""

    def __init__(self, words: str, page: str, explained: list[str]):
        super().__init__(words, page)
        self._explained = explained

    def explain(self, number: int) -> Told:
        """Why the answer to an item is what it is; number from 1."""
        return Told(f"item {number}", numbered(self._explained, number))


class AwaySitting:
    """One candidate's sitting at a service."""

    def __init__(self, line: Line, paper: str):
        self._line, self._id = line, paper
        found = line.post(f"papers/{paper}/sitting", {})
        self.paper = AwayPaper(str(found["title"]), tuple(_item(n, i) for n, i in enumerate(found["items"], 1)))
        self.troubles: list[str] = []
        self._take(found)

    def _take(self, found: dict) -> str:
        self._left, self.paused, self.handed_in = float(found["left_min"]), bool(found["paused"]), found["handed_in"]
        self._taken = time.monotonic()
        self.answers = {int(n): a for n, a in found["answers"].items()}
        self.sure = {int(n): float(p) for n, p in found["sure"].items()}
        self.flags = set(map(int, found["flags"]))
        return str(found.get("said", ""))

    @property
    def left_min(self) -> float:
        """Minutes that are left: those of the service, whose clock counts, less what has passed since."""
        waits = self.paused or self.handed_in
        return self._left if waits else max(0.0, self._left - (time.monotonic() - self._taken) / 60)

    def show(self, number: int) -> Question:
        """An item, by its number from 1."""
        return Question(numbered(self.paper.items, number), number, self.answers.get(number), number in self.flags)

    def answer(self, number: int, answer: object, sure: float | None = None) -> str:
        """Answer an item; a later answer takes the place of one before."""
        return self._act("answer", item=number, answer=answer, sure=sure)

    def flag(self, number: int) -> str:
        """Mark an item to return to, or take the mark off."""
        return self._act("flag", item=number, flagged=number not in self.flags)

    def pause(self) -> str:
        """Stop the clock, as far as pauses go."""
        return self._act("pause")

    def go_on(self) -> str:
        """Go on after a pause."""
        return self._act("go on")

    def hand_in(self) -> str:
        """End the sitting. Marks come once they are released."""
        return self._act("hand in")

    def result(self) -> AwayResult:
        """The marks. Raises BenchError before they are released."""
        found = self._line.get(f"papers/{self._id}/result")
        return AwayResult(str(found["words"]), str(found["page"]), [str(text) for text in found["explained"]])

    @property
    def overview(self) -> pd.DataFrame:
        """Every item: whether it is answered and flagged."""
        return overview(self.paper.items, self.answers, self.flags)

    def _act(self, do: str, **more: object) -> str:
        return self._take(self._line.post(f"papers/{self._id}/acts", {"do": do, **more}))


def _item(number: int, data: dict) -> Item:
    """An item as it is asked: without what would give its answer away."""
    seen = data["recorded"]
    recorded = Recorded(**seen | {side: tuple(seen[side]) for side in ("low", "high")}) if seen else None
    return Item(f"item {number}", "", data["form"], data["ability"], data["machine"], data["ask"],
                tuple(map(tuple, data["rows"])), tuple(Option(text) for text in data["options"]), unit=data["unit"],
                recorded=recorded)  # fmt: skip
