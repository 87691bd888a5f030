"""Exercises: expected values written down first, then held against the bench."""

from __future__ import annotations

from collections.abc import Mapping
from types import EllipsisType

import pandas as pd

from casekit.bench.bench import Bench
from casekit.error import BenchError


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
            rows.append((point, "", "", "still open: write a number in place of ..."))
            continue
        if isinstance(answer, bool) or not isinstance(answer, int | float):
            raise BenchError(f"the answer for {point} is {answer!r}; write a number in volt, such as 4.9, or leave ...")
        reading = bench.volts(point, against, expect=float(answer))
        off = reading.value - answer
        verdict = "as expected" if abs(off) <= within_v else f"{abs(off):.2f} V {'higher' if off > 0 else 'lower'}"
        rows.append((point, f"{answer:.2f} V", reading.shown, verdict))
    return pd.DataFrame(rows, columns=["point", "expected", "shown", "verdict"])
