"""A drill: one fresh item after the other, explained at once, as hard as fits who answers.

In: abilities to practise. Out: questions; a rating by ability that moves after every answer as chess ratings do.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import pandas as pd

from casekit.error import BenchError
from casekit.files import library
from casekit.reasoning.testtheory import expected_score, rated
from casekit.teaching import examiner
from casekit.teaching.ability import ABILITIES, ability
from casekit.teaching.item import Item
from casekit.teaching.itemview import LEVELS
from casekit.teaching.marking import BY_LEVEL, Explanation
from casekit.teaching.pointnames import on_drawing
from casekit.teaching.sitting import Question

START, A_LOGIT = 1500.0, 400 / math.log(10)  # where ratings begin, and a logit on their scale
TRIES = 400
QUICK = 64.0  # how fast ratings move: a drill is short (our choice)


class Drill:
    """Practice with items. `ask()` draws one, `answer()` explains it and moves the rating of its ability."""

    def __init__(self, topics: Sequence[str] = (), machines: Sequence[str] = (), seed: int | None = None):
        self.topics = [ability(name).name for name in topics] or list(ABILITIES)
        self.machines = list(machines) or library.names("machines")
        for name in self.machines:
            library.machine_file(name)
        self._rng = np.random.default_rng(seed)
        self.ratings = dict.fromkeys(self.topics, START)
        self.done: list[tuple[str, int, bool]] = []
        self._faces: set[tuple] = set()
        self._item: Item | None = None

    def ask(self) -> Question:
        """The next item; the same until it is answered. Of the abilities asked least so far, at the level whose
        rating is nearest to yours."""
        if self._item is None:
            self._item = self._drawn()
            self._faces.add(self._item.face)
        return Question(self._item, len(self.done) + 1, None, False)

    def answer(self, answer: object) -> Explanation:
        """Answer it. Raises BenchError when nothing was asked, CasekitError for what is no answer to it."""
        item = self._item
        if item is None:
            raise BenchError("nothing was asked; ask() first.")
        right, idea = item.mark(answer)
        on_drawing(item, answer)
        mine = self.ratings[item.ability]
        # A blind guess is right now and then: the item counts as so much easier.
        due = item.guess + (1 - item.guess) * expected_score(mine, _rating(item.level))
        self.ratings[item.ability] = rated(mine, [(mine + 400 * math.log10(1 / due - 1), float(right))], QUICK)
        self.done.append((item.ability, item.level, right))
        self._item = None
        return Explanation(item, str(answer), right, idea)

    @property
    def standing(self) -> pd.DataFrame:
        """By ability: how many were asked, how many right, the rating (1500 at the start) and the lesson."""
        rows = []
        for name in self.topics:
            mine = [right for topic, _, right in self.done if topic == name]
            rows.append((name, len(mine), sum(mine), round(self.ratings[name]), ABILITIES[name].lesson))
        return pd.DataFrame(rows, columns=["ability", "asked", "right", "rating", "lesson"])

    def __repr__(self) -> str:
        return f"<drill: {len(self.done)} answered, {sum(right for *_, right in self.done)} right>"

    def _drawn(self) -> Item:
        asked = [topic for topic, *_ in self.done]
        topic = min(self.topics, key=lambda name: (asked.count(name), self.topics.index(name)))
        near = min(LEVELS, key=lambda level: abs(_rating(level) - self.ratings[topic]))
        other = None
        for _ in range(TRIES):
            kinds = examiner.KINDS[topic]
            kind, machine = (some[int(self._rng.integers(len(some)))] for some in (kinds, self.machines))
            made = examiner.item(kind, machine, int(self._rng.integers(1 << 31)))
            if made and made.ability == topic and made.face not in self._faces:
                if made.level == near:
                    return made
                other = other or made
        if other is None:
            raise BenchError(f"no more items on {topic!r} can be drawn from {', '.join(self.machines)}; name others.")
        return other


def _rating(level: int) -> float:
    return START + A_LOGIT * BY_LEVEL[level]
