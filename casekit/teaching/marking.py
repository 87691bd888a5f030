"""Marking: what the answers to a paper come to, by ability, with its doubt, and what to practise next.

In: a paper and the answers to it. Out: a `Result`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from html import escape

import numpy as np
import pandas as pd

from casekit.reasoning.testtheory import Ability, ability, brier, log_score
from casekit.teaching.ability import ABILITIES, cases_for
from casekit.teaching.exampaper import ExamPaper
from casekit.teaching.item import Item, numbered
from casekit.teaching.itemview import LEVELS, answer_of, asked, explained, in_words

BY_LEVEL = {1: -1.0, 2: 0.0, 3: 1.0}  # difficulty in logits until a class has answered (our choice)
SHORT = 0.5  # an ability is to be practised while its interval reaches below this share, luck aside
TELLS = 0.4  # an interval of shares that is wider says nothing that a candidate could use (our choice)
COLUMNS = ["ability", "right", "items", "low", "high", "next"]


@dataclass(frozen=True)
class Result:
    """What came of a sitting: right and wrong by item, and by ability how many were right and the share of many such
    items that the candidate would know, luck aside, from `low` to `high` with 95 %; `whole` is the ability over all
    items, in logits."""

    items: pd.DataFrame
    abilities: pd.DataFrame
    whole: Ability
    sureness: str = ""
    asked: tuple[Item, ...] = field(default=(), repr=False)

    def __repr__(self) -> str:
        return "\n".join(self._lines())

    def _repr_html_(self) -> str:
        return "".join(f"<p>{escape(line)}</p>" for line in self._lines())

    def explain(self, number: int) -> Explanation:
        """Why the answer to an item is what it is, with the drawing; number from 1."""
        item, row = numbered(self.asked, number), self.items.iloc[number - 1]
        return Explanation(item, str(row["answer"]), bool(row["right"]), str(row["idea"]))

    def _lines(self) -> list[str]:
        low, high = self.whole.interval
        many = f"{int(self.items['right'].sum())} of {len(self.items)} right"
        least, _, most = self.whole.share()
        lines = [
            f"{many}; ability {self.whole.logits:+.1f} logits, with 95 % from {low:+.1f} to {high:+.1f}: of many items "
            f"of middle difficulty you know {_from_to(least, most)}"
        ]
        for a in self.abilities.itertuples():
            wide = a.high - a.low > TELLS
            many = "too few items to tell more" if wide else f"of many such items you know {_from_to(a.low, a.high)}"
            lines.append(f"{a.ability}: {a.right} of {a.items} right; {many}. {a.next}".rstrip())
        return lines + ([self.sureness] if self.sureness else [])


class Explanation:
    """An item that was marked: the question, what was answered, what is right, and why, on the drawing."""

    def __init__(self, item: Item, answer: str, right: bool, idea: str):
        self.item, self.answer, self.right, self.idea = item, answer, right, idea

    def __repr__(self) -> str:
        return f"{in_words(self.item)}\n   {self._said}\n   {answer_of(self.item)}. {self.item.because}"

    def _repr_html_(self) -> str:
        return f"{asked(self.item)}<p>{escape(self._said)}</p>{explained(self.item)}"

    @property
    def _said(self) -> str:
        if self.answer == "":
            return "not answered"
        idea = f"; that is the idea that {self.idea}" if self.idea else ""
        return f"answered {self.answer}: {'right' if self.right else 'wrong'}{idea}"


def marked(
    paper: ExamPaper, answers: Mapping[int, object], sure: Mapping[int, float] | None = None,
    difficulty: Mapping[str, float] | None = None,
) -> Result:  # fmt: skip
    """Mark the answers to a paper, by number from 1; what is not answered is wrong.

    `sure` are chances a candidate gave to being right; `difficulty` logits that a class's answers gave to items by
    their keys; an item without one has that of its level.
    """
    rows = []
    for n, item in enumerate(paper.items, 1):
        right, idea = item.mark(answers[n]) if n in answers else (False, "")
        rows.append((n, item.ability, answers.get(n, ""), answer_of(item), right, idea, item.because))
    items = pd.DataFrame(rows, columns=["item", "ability", "answer", "correct", "right", "idea", "because"])
    hard = np.array([difficulty_of(item, difficulty) for item in paper.items])
    guess = np.array([item.guess for item in paper.items])
    by = []
    for name in dict.fromkeys(items["ability"]):
        mine = np.flatnonzero(items["ability"] == name)
        right = items["right"].to_numpy()[mine].astype(float)
        # Luck aside: who knows nothing guesses some, and a share with those in it would read as knowledge.
        low, _, high = ability(right, hard[mine], guess[mine]).share(float(hard[mine].mean()))
        by.append((name, int(right.sum()), len(mine), low, high, practise(name) if low < SHORT else ""))
    whole = ability(items["right"].astype(float), hard, guess)
    told = _sureness({n: p for n, p in (sure or {}).items() if n in answers}, items)
    return Result(items, pd.DataFrame(by, columns=COLUMNS), whole, told, paper.items)


def difficulty_of(item: Item, known: Mapping[str, float] | None = None) -> float:
    """An item's difficulty in logits: that of a class's answers to it, or to such items, or that of its level."""
    known = known or {}
    return known.get(item.key, known.get(such(item), BY_LEVEL[item.level]))


def such(item: Item) -> str:
    """What items of the same ability and level are known by; no key of an item has a comma."""
    return f"{item.ability}, {LEVELS[item.level]}"


def practise(name: str) -> str:
    """What to practise an ability with."""
    return f"Practise with lesson {ABILITIES[name].lesson}, then with the cases {' and '.join(cases_for(name))}."


def _from_to(low: float, high: float) -> str:
    return f"{low:.0%} to {high:.0%}, luck aside"


def _sureness(sure: Mapping[int, float], items: pd.DataFrame) -> str:
    """How well a candidate knew what they knew: the mean Brier and log scores, and how sure against how often right."""
    if not sure:
        return ""
    right = {n: bool(items["right"].iloc[n - 1]) for n in sure}
    scores = [brier(p, right[n]) for n, p in sure.items()]
    bits = [log_score(p, right[n]) for n, p in sure.items()]
    said, was = np.mean(list(sure.values())), np.mean(list(right.values()))
    return (
        f"How sure: {said:.0%} on average of {len(sure)} answers, right {was:.0%}. Brier score {np.mean(scores):.2f} "
        f"(0 is best, 0.25 is what always saying 50 % gives), {np.mean(bits):.2f} bit an answer (0 is best, 1 is 50 %)."
    )
