"""A case for every trainee: variants of one case that are as hard as each other, each played to prove it.

In: the name of a case and how many are wanted. Out: `Given`s, each with its variant, its seed and the minutes of the
advice played on it.
"""

from __future__ import annotations

import csv
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from itertools import islice, repeat
from multiprocessing import get_context
from pathlib import Path

from casekit.error import BenchError, ScenarioError, refused
from casekit.files import library
from casekit.teaching.grade import grades
from casekit.teaching.trial import played_through

WITHIN = 0.15  # of par, how far the minutes of a variant may be off those of the case as it was written
TRIES = 6  # individuals that are played for every one wanted, at most
MOST = 200
COLUMNS = ("number", "case", "variant", "seed", "minutes", "open_with")


@dataclass(frozen=True)
class Given:
    """One variant on one individual machine, and the minutes of the advice played on it to a supported call."""

    case: str
    variant: int
    seed: int
    minutes: float

    @property
    def line(self) -> str:
        """What its trainee types, with a sign of their own."""
        variant = f", variant={self.variant}" if self.variant else ""
        return f'casekit.resume_case("{self.case}", seed={self.seed}{variant}, trainee="...")'


@dataclass(frozen=True)
class Assignment:
    """What was found: `given`, and how it was judged: the minutes of the case as written, its par, how many were
    played."""

    given: tuple[Given, ...]
    reference_min: float
    par_min: float
    played: int

    def csv(self, path: Path | str) -> None:
        """Write one line for each. Raises BenchError when nothing can be written there."""
        try:
            with Path(path).open("w", encoding="utf-8", newline="") as file:
                table = csv.writer(file, lineterminator="\n")
                table.writerow(COLUMNS)
                for k, g in enumerate(self.given, 1):
                    table.writerow((k, g.case, g.variant, g.seed, g.minutes, g.line))
        except OSError as err:
            raise BenchError(refused(path, err, "choose another place")) from None


def assign(name: str, count: int, processes: int = 2) -> Assignment:
    """Find `count` variants of a case that are as hard as the case itself, all different, by playing each.

    The minutes that the advice takes must lie within 15 % of par of those it takes on the case as written. Variants on
    file come in turn, each on another individual machine and meter. Takes up to a minute for each that is played.
    Raises ScenarioError when there is no such case or it has no par, BenchError for a count that is none.
    """
    if isinstance(count, bool) or not isinstance(count, int) or not 1 <= count <= MOST:
        raise BenchError(f"{count!r} is no number of trainees; write 1 to {MOST}.")
    numbers = [0, *library.variants(name)]
    known = grades().get(name)
    if known is None:
        raise ScenarioError([f"{name} has no par on file; run casekit grade {name} first."])
    own = played_through(name, 0, None)
    if own is None:
        raise ScenarioError([f"{name} cannot be solved by advice, so nothing can be held against it."])
    # Without fork: the parent may have threads of its own, as a notebook has.
    with ProcessPoolExecutor(processes, mp_context=get_context("spawn")) as pool:
        tried = islice(_individuals(numbers), TRIES * count)
        given: list[Given] = []
        played = 0
        while len(given) < count:
            some = list(islice(tried, max(processes, min(count - len(given), 4 * processes))))
            if not some:
                break
            minutes = pool.map(played_through, repeat(name), *zip(*some, strict=True))
            for (variant, seed), took in zip(some, minutes, strict=True):
                played += 1
                if took is not None and abs(took - own) <= WITHIN * known.par_min and len(given) < count:
                    given.append(Given(name, variant, seed, took))
    return Assignment(tuple(given), own, known.par_min, played)


def _individuals(numbers: Sequence[int]) -> Iterator[tuple[int, int]]:
    """Variants in turn, each time on a new individual."""
    seed = 1
    while True:
        for number in numbers:
            yield number, seed
            seed += 1
