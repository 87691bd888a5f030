"""What the scripts here share: medians, and a line that says which machine the seconds are of."""

from __future__ import annotations

import os
import platform
import statistics
import time
from collections.abc import Callable

import numpy as np
import scipy

RUNS, FEW = 9, 3


def timed(action: Callable[[], object]) -> tuple[float, object]:
    """Seconds it took, and what came of it."""
    begin = time.perf_counter()
    result = action()
    return time.perf_counter() - begin, result


def median_s(action: Callable[[], object], runs: int | None = None) -> float:
    """Median time of an action in seconds, of nine runs, of three where it takes longer than a second."""
    times: list[float] = []
    while len(times) < (runs or (RUNS if not times or times[0] < 1 else FEW)):
        times.append(timed(action)[0])
    return statistics.median(times)


def machine_line() -> str:
    """Interpreter, libraries, system and cores."""
    cores = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count()
    return (
        f"{platform.python_implementation()} {platform.python_version()}, numpy {np.__version__}, scipy "
        f"{scipy.__version__}, {platform.system()} {platform.machine()}, {cores} cores"
    )
