"""Exercises and predictions: what was written down first, held against what is shown, with the reason."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from numbers import Real
from types import EllipsisType

import pandas as pd

from casekit.bench.bench import Bench
from casekit.bench.reading import Reading
from casekit.error import BenchError

OPEN = "still open: write {} in place of ..."
Answer = float | str | Collection[str]


def compare(
    bench: Bench, expected_v: Mapping[str, float | EllipsisType], against: str = "G1.-", within_v: float = 0.1
) -> pd.DataFrame:
    """Read every point that has an expected value, and say how close it came.

    `expected_v` maps probe points to volts, or to `...` while the answer is still open: such a point is not read.
    Returns point, expected, shown and a verdict. Raises BenchError for an answer that is not a number.
    """
    rows = []
    for point, answer in expected_v.items():
        if answer is ...:
            rows.append((point, "", "", OPEN.format("a number")))
            continue
        if not _number(answer):
            raise BenchError(f"the answer for {point} is {answer!r}; write a number in volt, such as 4.9, or leave ...")
        reading = bench.volts(point, against, expect=float(answer))
        off = reading.value - answer
        verdict = "as expected" if abs(off) <= within_v else f"{abs(off):.2f} V {'higher' if off > 0 else 'lower'}"
        rows.append((point, f"{answer:.2f} V", reading.shown, verdict))
    return pd.DataFrame(rows, columns=["point", "expected", "shown", "verdict"])


def judge(
    question: str,
    given: Answer | EllipsisType,
    right: Answer | Reading,
    why: str,
    slips: Mapping[str, Answer] | None = None,
    within: float = 0.1,
    unit: str = "V",
) -> None:
    """Hold one answer against the right one, and print whether it is right, with a line or two that say why.

    `right` is a `Reading`, a number (in `unit`), a word, or several words in any order; `given` is of the same sort, or
    `...` while it is open (nothing is given away then). `slips` maps a known wrong idea, said in
    a few words, to what one gets who believes it: when that was given, the idea is named. Numbers agree `within` so
    much. Raises BenchError for an answer of another sort.
    """
    shown = right.shown if isinstance(right, Reading) else ""
    value = right.value if isinstance(right, Reading) else right
    if given is ...:
        print(f"{question}: {OPEN.format(_sort(value))}")
        return
    if not _same_sort(given, value):
        raise BenchError(f"the answer to {question!r} is {given!r}; write {_sort(value)}, or leave ...")
    told = shown or _said(value, unit)
    if _agree(given, value, within):
        print(f"{question}: right, {told}. {why}")
        return
    print(f"{question}: you wrote {_said(given, unit)}; it is {told}.")
    for idea, wrong in (slips or {}).items():
        if _same_sort(given, wrong) and _agree(given, wrong, within):
            print(f"  That is the idea that {idea}.")
            break
    print(f"  {why}")


def _number(x: object) -> bool:
    return isinstance(x, Real) and not isinstance(x, bool)


def _same_sort(given: object, other: Answer) -> bool:
    if _number(other):
        return _number(given)
    if isinstance(other, str):
        return isinstance(given, str)
    return isinstance(given, Collection) and not isinstance(given, str) and all(isinstance(g, str) for g in given)


def _sort(value: Answer) -> str:
    if _number(value):
        return "a number"
    return "a word in quotation marks" if isinstance(value, str) else 'words in brackets, such as ["B1", "B2"]'


def _agree(given: Answer, value: Answer, within: float) -> bool:
    if _number(value):
        return abs(given - value) <= within
    if isinstance(value, str):
        return given.strip().casefold() == value.strip().casefold()
    return {g.strip().casefold() for g in given} == {v.strip().casefold() for v in value}


def _said(value: Answer, unit: str) -> str:
    if _number(value):
        return f"{value:.3g} {unit}".strip()
    return value if isinstance(value, str) else ", ".join(sorted(value)) or "none"
