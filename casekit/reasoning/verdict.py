"""The verdict of the evidence on every suspect.

In: what weighing found. Out: `Verdict`, with the best `Fit` of every suspect and the `Moment`s in which it was learnt.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from casekit.bench.reading import Event
from casekit.reasoning.observation import Observation, Sign
from casekit.reasoning.prior import Cell
from casekit.reasoning.suspect import Suspect

UNLIKELY, RULED_OUT = np.log(20), np.log(1000)  # nats behind the best explanation (common practice, no source)


@dataclass(frozen=True)
class Fit:
    """The best explanation by one suspect: its size (SI), place along the wire, and whether it must come and go."""

    size: float
    at: float
    loose: bool
    spot: str = ""


@dataclass
class Weighed:
    """All cells with what they make of the log. `mean` and `u` (cells, n) are nan where a cell was dropped before;
    `slips` (2, cells, n) are the chances that a reading is one, if the fault is always there, if it comes and goes."""

    cells: list[Cell]
    lasting: np.ndarray
    loose: np.ndarray
    mean: np.ndarray
    u: np.ndarray
    slips: np.ndarray
    wide: np.ndarray
    history: np.ndarray  # (steps, cells): log weight after every step
    gain: np.ndarray  # nats by which a wide cell may be better than it seems
    parts: np.ndarray  # (2, steps, cells): log factors of signs, if always there and if coming and going
    course: np.ndarray  # (2, steps, cells): log likelihood after every step, if always there and if coming and going


@dataclass(frozen=True)
class Moment:
    """One step of the log: the event (None: the codes that came with the machine), bits left after it, suspects left,
    and bits learnt from it (below zero where it made things less clear)."""

    event: Event | None
    bits: float
    left: int
    gained: float


@dataclass(frozen=True)
class Verdict:
    """What the log makes of every suspect.

    `p` adds up to one; `fits` holds the best explanation by each; `numbers` are the observations, `mean` and `u`
    (suspects, n) what each suspect's best fit expects of them, `slips` how surely each would have to be a slip. `log`
    is the log likelihood of everything under each suspect. `healthy` are mean and u (n,) of a healthy machine,
    `said` (suspects, signs) the log factors of the signs. `trail` says what was learnt when, from `start_bits` on.
    """

    suspects: tuple[Suspect, ...]
    p: np.ndarray
    fits: tuple[Fit, ...]
    log: np.ndarray
    numbers: tuple[Observation, ...]
    signs: tuple[Sign, ...]
    mean: np.ndarray
    u: np.ndarray
    slips: np.ndarray
    healthy: tuple[np.ndarray, np.ndarray]
    said: np.ndarray
    start_bits: float
    trail: tuple[Moment, ...]
    weighed: Weighed = field(repr=False)

    def at(self, step: int, numbers: Sequence[Observation], signs: Sequence[Sign]) -> Verdict:
        """What was known after so many steps, for planning what would have paid best then: the numbers and signs are
        those of then, and `weighed` weighs the cells by them alone. How finely cells are divided is still the whole
        log's doing; chances, fits and trail stay those of the end."""
        w = self.weighed
        lasting, loose = w.course[:, step - 1] if step else (0 * w.lasting, np.where(np.isfinite(w.loose), 0, -np.inf))
        place = {o.what: k for k, o in enumerate(self.numbers)}
        rows = [place[o.what] for o in numbers]
        return replace(
            self, numbers=tuple(numbers), signs=tuple(signs), healthy=tuple(x[rows] for x in self.healthy),
            weighed=replace(w, lasting=lasting, loose=loose),
        )  # fmt: skip

    @property
    def used(self) -> int:
        """How many readings and signs were weighed."""
        return len(self.numbers) + len(self.signs)

    def of(self, suspect: Suspect) -> float:
        """How likely a suspect is."""
        return float(self.p[self.suspects.index(suspect)]) if suspect in self.suspects else 0.0

    def best(self) -> int:
        """Number of the likeliest suspect."""
        return int(self.p.argmax())
