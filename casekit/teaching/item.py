"""An exam item: a question with one right answer, made of a circuit, and wrong answers that are wrong for a reason.

In: what a maker of items found. Out: `Item`, which is plain data, can be written as JSON, and marks an answer.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import asdict, dataclass, field
from typing import Literal

from casekit.error import BenchError, CasekitError

Form = Literal["choice", "number", "order", "point"]
LETTERS = "ABCDEF"


@dataclass(frozen=True)
class Option:
    """One option of a choice; `idea` is the wrong idea that leads to it, empty for the right one."""

    text: str
    idea: str = field(default="", repr=False)


@dataclass(frozen=True)
class Recorded:
    """A picture that belongs to a question, as an oscilloscope shows it: its label, seconds and volts a division, the
    volts in the middle, and the least and greatest of every column (volt)."""

    label: str
    s_per_div: float
    v_per_div: float
    middle_v: float
    low: tuple[float, ...] = field(repr=False)
    high: tuple[float, ...] = field(repr=False)


@dataclass(frozen=True)
class Item:
    """One item.

    `options` are those of a choice in the order they are shown, `right` the number of the right one; of "order" they
    are shown in this order and `order` says how they belong. A "number" has `value` in `unit`, `within` so much, and
    `wrong` values with the idea behind each; a "point" has the `points` that count. `rows` is a table that belongs to
    the question, `recorded` a picture; `because` explains the answer by the circuit, `rings` marks points on the
    drawing for that. `level` says how hard it is by how much has to be seen: 1, 2 or 3 (our choice, until a class has
    answered). What gives the answer away is in no repr.
    """

    key: str
    kind: str
    form: Form
    ability: str
    machine: str
    ask: str
    rows: tuple[tuple[str, str], ...] = ()
    options: tuple[Option, ...] = ()
    right: int = field(default=-1, repr=False)
    order: tuple[int, ...] = field(default=(), repr=False)
    value: float = field(default=0.0, repr=False)
    unit: str = ""
    within: float = 0.0
    wrong: tuple[tuple[float, str], ...] = field(default=(), repr=False)
    points: tuple[str, ...] = field(default=(), repr=False)
    because: str = field(default="", repr=False)
    rings: tuple[tuple[str, str], ...] = field(default=(), repr=False)
    recorded: Recorded | None = None
    level: int = 2

    def mark(self, answer: object) -> tuple[bool, str]:
        """Whether an answer is right, and the wrong idea that is recognised behind it, if any.

        A choice is answered by a letter, a number by a number, an order by a word of letters ("BAC"), a point by its
        name. Raises CasekitError for what is no answer to this item.
        """
        match self.form:
            case "choice":
                k = self._letters(answer, 1)[0]
                return k == self.right, self.options[k].idea
            case "order":
                given = self._letters(answer, len(self.options))
                return given == list(self.order), ""
            case "number":
                if isinstance(answer, bool) or not isinstance(answer, int | float) or not math.isfinite(answer):
                    raise CasekitError(f"the answer is {answer!r}; write a number in {self.unit}.")
                ideas = [idea for wrong, idea in self.wrong if abs(answer - wrong) <= self.within]
                good = abs(answer - self.value) <= self.within
                return good, "" if good or not ideas else ideas[0]
        # Whole names: the two halves of a connector are on either side of a break in it.
        return str(answer).strip().upper() in {p.upper() for p in self.points}, ""

    @property
    def guess(self) -> float:
        """The chance of a blind guess being right."""
        many = max(len(self.options), 1)
        return {"choice": 1 / many, "order": 1 / math.factorial(many), "number": 0.0, "point": 0.0}[self.form]

    @property
    def face(self) -> tuple:
        """What a candidate sees of it: items with the same face are the same."""
        texts = frozenset(o.text for o in self.options)
        return self.kind, self.form, self.machine, self.ask, self.rows, texts, self.recorded

    def as_data(self) -> dict:
        """The item as JSON can hold it."""
        return asdict(self)

    @classmethod
    def from_data(cls, data: dict) -> Item:
        """The item that was written down. Raises CasekitError for what is none."""
        try:
            told = dict(data)
            told["options"] = tuple(Option(**o) for o in told["options"])
            for name in ("rows", "wrong", "rings"):
                told[name] = tuple(tuple(pair) for pair in told[name])
            for name in ("order", "points"):
                told[name] = tuple(told[name])
            if told.get("recorded"):
                seen = told["recorded"]
                told["recorded"] = Recorded(**seen | {side: tuple(seen[side]) for side in ("low", "high")})
            return cls(**told)
        except (KeyError, TypeError, AttributeError) as err:
            raise CasekitError(f"this is no exam item ({err}); make the bank anew with casekit items.") from None

    def _letters(self, answer: object, count: int) -> list[int]:
        text = str(answer).replace(" ", "").replace(",", "").upper()
        known = LETTERS[: len(self.options)]
        if len(text) != count or any(c not in known for c in text) or len(set(text)) != count:
            what = "one letter" if count == 1 else f"all {count} letters, each once"
            raise CasekitError(f"the answer is {answer!r}; write {what} of {known}.")
        return [known.index(c) for c in text]


def shuffled(right: Option, wrong: Sequence[Option], rng) -> tuple[tuple[Option, ...], int]:
    """Options in a drawn order, and the number of the right one; numbers would go in order of size instead."""
    every = [right, *wrong]
    order = [int(k) for k in rng.permutation(len(every))]
    return tuple(every[k] for k in order), order.index(0)


def numbered(items: Sequence, number: object):
    """The item of a number from 1. Raises BenchError when there is none."""
    if isinstance(number, bool) or not isinstance(number, int) or not 1 <= number <= len(items):
        raise BenchError(f"there is no item {number!r}; this paper has 1 to {len(items)}.")
    return items[number - 1]


def listed(names: list[str]) -> str:
    """Names in a row: B1, B2 and B3."""
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"
