"""What is expected of a reading before it is taken: a value or a range, and how sure one is of it.

In: what a person wrote. Out: `Foreseen`, or a BenchError that says what is wrong with it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from casekit.error import BenchError

Expect = float | tuple[float, float] | None
SURE_LIMITS = (0.5, 0.99)  # below one half it is the opposite that is expected; nobody is ever quite sure


@dataclass(frozen=True)
class Foreseen:
    """A value, or (low, high), in SI units as the reading's; `sure` is the chance (0.5 to 0.99) that the reading will
    lie in the range. None: not said."""

    value: Expect = None
    sure: float | None = None


UNSAID = Foreseen()


def foreseen(expect: Expect, sure: float | None = None) -> Foreseen:
    """What was written, checked.

    >>> foreseen((4.9, 5.1), 0.9)
    Foreseen(value=(4.9, 5.1), sure=0.9)
    """
    if expect is None:
        if sure is not None:
            raise BenchError(
                f"a sureness of {sure!r} goes with an expected value, and there is none; "
                "add one, such as expect=(4.9, 5.1), or leave sure out."
            )
        return UNSAID
    return Foreseen(_ranged(expect) if _paired(expect) else _single(expect), _chance(sure))


def _single(expect: float) -> float:
    if not _is_number(expect):
        raise BenchError(
            f"the expected value {expect!r} is not a number; write it in volt, ampere or ohm or leave it out."
        )
    return float(expect)


def _ranged(expect: Sequence[float]) -> tuple[float, float]:
    if len(expect) != 2 or not all(map(_is_number, expect)):
        raise BenchError(
            f"the expected range {expect!r} is not two numbers; write (low, high) in volt, ampere or ohm, "
            "such as (4.9, 5.1)."
        )
    low, high = map(float, expect)
    if low > high:
        raise BenchError(
            f"the expected range {expect!r} has its low end above its high end; write ({high:g}, {low:g})."
        )
    return low, high


def _chance(sure: float | None) -> float | None:
    if sure is None:
        return None
    low, high = SURE_LIMITS
    if not _is_number(sure) or not low <= sure <= high:
        raise BenchError(
            f"the sureness {sure!r} is not a chance from {low:g} to {high:g}; write 0.9 for nine times in ten."
        )
    return float(sure)


def _paired(expect: object) -> bool:
    return isinstance(expect, Sequence) and not isinstance(expect, str)


def _is_number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)
