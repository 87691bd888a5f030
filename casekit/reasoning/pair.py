"""Two things wrong at once: two faults, or a fault on a machine that the drawing has wrong.

In: two cells that each explain a part of the log. Out: `PairCell`s, which are weighed like any other cell.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from casekit.circuit.change import Change
from casekit.machine.machine import Machine
from casekit.machine.state import State
from casekit.reasoning.prior import Cell
from casekit.reasoning.suspect import DRAWING, Suspect

BOTH = 0.01  # how often a machine has two faults rather than one (common practice, no source)
PORTS = {"none": 0.0, "supply dead": 0.0, "supply weak": 0.0, "sensor drifted": 0.0, "crossed terminals": 4.0,
         "drawn on the wrong splice": 2.0, "splice not drawn": 3.0}  # fmt: skip
REDRAWN = 0.005  # and how often its drawing is wrong beside its fault


def ordered(pair: Sequence[Suspect]) -> tuple[Suspect, Suspect]:
    """Two suspects in one order; a worn track last, as the ports it takes depend on where the lever stands."""
    first, second = sorted(pair, key=lambda s: (s.worn, str(s)))
    return first, second


@dataclass(frozen=True)
class Pair:
    """Two suspects at once; a wrong drawing comes first. `place` and `to` are not one thing's, so they are empty."""

    first: Suspect
    second: Suspect
    place: str = ""
    to: str = ""

    @property
    def kind(self) -> str:
        """Two faults, or a wrong drawing."""
        return "wrong drawing" if self.first.kind in DRAWING else "two faults"

    def __str__(self) -> str:
        return f"{self.first} and {self.second}" if self.second.kind != "none" else str(self.first)


@dataclass(frozen=True)
class PairCell:
    """A pair with a cell of each; only as wide as these are."""

    first: Cell
    second: Cell
    weight: float
    spot: str = ""

    @property
    def suspect(self) -> Pair:
        """Both suspects."""
        return Pair(self.first.suspect, self.second.suspect)

    @property
    def parts(self) -> tuple[Cell, ...]:
        """What is wrong at once: both."""
        return self.first, self.second

    @property
    def low(self) -> float:
        """Nothing to divide when both are narrow."""
        return 0.0

    @property
    def high(self) -> float:
        """More than `low` while the size of either is open."""
        return float(any(c.high > c.low for c in self.parts))

    size = at = begin = end = 0.0

    def cured(self, mended: frozenset[str]) -> bool:
        """Whether what was mended was both."""
        return all(c.cured(mended) for c in self.parts if c.suspect.kind not in DRAWING)

    def change(self, drawing: Machine, state: State, mended: frozenset[str] = frozenset(), end: str = "at") -> Change:
        """What both change in a state."""
        return self.first.change(drawing, state, mended, end) + self.second.change(drawing, state, mended, end)

    @property
    def widths(self) -> tuple[tuple[float, float], tuple[float, float]]:
        """As of a cell; the ports of the second follow those of the first."""
        one, two = self.first.widths[0][1], self.second.widths[0][1]
        return (0.0, one), (PORTS.get(self.first.suspect.kind, 1.0), two)

    def touches(self, other: PairCell) -> bool:
        """Whether both cells of another pair lie beside those of this one."""
        return self.first.touches(other.first) and self.second.touches(other.second)

    def split(self) -> list[PairCell]:
        """Half the sizes of each."""
        halves = [(a, b) for a in self.first.split() for b in self.second.split()]
        return [replace(self, first=a, second=b, weight=self.weight / len(halves)) for a, b in halves]
