"""When a case is due again: the grade of a debrief, and the days until the next time by the rule SM-2.

In: a `Debrief`, with par and the number of hints. Out: a grade from 0 to 5, and a `Due` that says after how many days.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from casekit.teaching.debrief import Debrief

START, FLOOR = 2.5, 1.3  # easiness at the start and at least
FIRST_DAYS, SECOND_DAYS = 1, 6
PASSED = 3  # the lowest grade with which a case counts as solved
SLOW = 2.0  # times par from which a case counts as slow (our choice: par knows every size and place beforehand)
SWAPPED = 2  # good parts condemned from which it was swapping parts, not finding the fault (our choice)


@dataclass(frozen=True)
class Due:
    """How well a case is known: times solved in a row, easiness, and the days until it is due again.

    The rule is SM-2 (P. A. Wozniak, Optimization of learning, 1990, extract "Application of a computer to improve the
    results obtained in working with the SuperMemo method"): after 1 day, then 6, then the interval before times the
    easiness, rounded up. It was found for single items learnt by heart; that it suits whole cases is our assumption.
    """

    solved: int = 0
    easiness: float = START
    days: int = 0

    def after(self, grade: int) -> Due:
        """What holds after a grade from 0 to 5; one below 3 begins again and leaves the easiness as it is.

        >>> Due().after(4).after(4).after(4)
        Due(solved=3, easiness=2.5, days=15)
        """
        if grade < PASSED:
            return Due(0, self.easiness, FIRST_DAYS)
        easiness = max(FLOOR, round(self.easiness + change(grade), 6))
        further = math.ceil(round(self.days * easiness, 6))  # so that 6 x 2.5 is not 16 by a rounding error
        return Due(self.solved + 1, easiness, (FIRST_DAYS, SECOND_DAYS, further)[min(self.solved, 2)])


def change(grade: int) -> float:
    """Change of the easiness for a grade: 0.1 - (5 - q)(0.08 + (5 - q) 0.02), the formula of SM-2."""
    short = 5 - grade
    return 0.1 - short * (0.08 + short * 0.02)


def after_all(grades: Iterable[int]) -> Due:
    """What holds after these grades, the oldest first."""
    due = Due()
    for grade in grades:
        due = due.after(grade)
    return due


def grade_of(debrief: Debrief, par_min: float | None, hints: int) -> int:
    """The grade of a debrief (our own rule).

    0 nothing called that was wrong; 1 part of it; 2 all of it, but the readings do not support the call, or two or more
    good parts were condemned; else 5, less one each for a call after more than twice par, for any hint, and for a good
    part condemned, but not below 3. Without a par on file the minutes do not count.
    """
    if not debrief.right:
        return 1 if debrief.partly else 0
    if not debrief.supported or len(debrief.condemned) >= SWAPPED:
        return 2
    slow = par_min is not None and debrief.decided is not None and debrief.decided > SLOW * par_min
    return max(PASSED, 5 - slow - (hints > 0) - bool(debrief.condemned))
