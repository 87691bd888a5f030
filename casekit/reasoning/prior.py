"""How likely every suspect is before anything was measured: field weights, and cells of size and place.

In: a drawing, with the weights its machine file gives. Out: `Cell`s, each a suspect with a size between two values at a
part of the wire, and their weights, which add up to one. All weights are common practice, no source: what is met in
workshops, as relative rates for one place.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

from casekit.circuit.change import NOTHING, Change
from casekit.machine.harness import Contact, Wire
from casekit.machine.machine import Machine
from casekit.machine.state import State
from casekit.reasoning.suspect import NONE, STEADY, Suspect

NOTHING_WRONG = 0.01  # share of complaints with nothing wrong at all
LOOSE = 0.2  # share of the faults of wires and terminals that come and go
RUBBED = 5.0  # how much more often a wire is damaged when it passes a contact point
AT_SPOT = 0.85  # and how often the damage is then just there
WIRE = {"short to ground": 0.6, "short to battery": 0.15, "open": 1.0, "high resistance": 0.5}
CAVITY = {"short to ground": 0.05, "short to battery": 0.05, "open": 2.0, "high resistance": 3.0}
OTHER = {
    "short between wires": 0.15, "leak between cavities": 0.3, "crossed terminals": 0.1, "sensor shorted": 2.0,
    "sensor drifted": 2.0, "sensor dead spot": 1.0, "supply dead": 0.5, "supply weak": 0.3,
    "drawn on the wrong splice": 0.02, "splice not drawn": 0.002,
}  # fmt: skip
LOOSE_KINDS = ("short to ground", "short to battery", "short between wires", "open", "high resistance")
WHOLE = (0.02, 0.98)
# How often a fault that comes and goes is there, by what is being done, and how often it flickers meanwhile.
STILL, IDLE, WORKING, ROAD = 0.15, 0.3, 0.5, 0.8
FLICKERS_STILL, FLICKERS_TURNING = 0.03, 0.15


def presence(state: State) -> tuple[float, float, float]:
    """Chances that a fault that comes and goes is there, is away, or flickers, in a while in this state."""
    there = WORKING if state.held or state.hot else IDLE if state.turning else STILL
    flickers = FLICKERS_TURNING if state.turning else FLICKERS_STILL
    return there, 1 - there - flickers, flickers


@dataclass(frozen=True)
class Cell:
    """A suspect with its size between two values and its place between two shares of the wire; `spot` names the
    contact point it is at. `weight` is its share of all belief before anything was measured."""

    suspect: Suspect
    low: float
    high: float
    begin: float
    end: float
    spot: str
    weight: float

    @property
    def size(self) -> float:
        """The size in the middle."""
        return self.suspect.middle(self.low, self.high)

    @property
    def at(self) -> float:
        """The place in the middle."""
        return (self.begin + self.end) / 2

    @property
    def logwidth(self) -> float:
        """How wide the sizes are, as a natural logarithm of their ratio."""
        return min(math.log(self.high / self.low), 3.0) if self.low > 0 else 2.0 * (self.high > 0)

    @property
    def parts(self) -> tuple[Cell, ...]:
        """What is wrong at once: one thing."""
        return (self,)

    def cured(self, mended: frozenset[str]) -> bool:
        """Whether what was mended was this."""
        return bool({self.suspect.place, self.suspect.to} & mended)

    def change(self, drawing: Machine, state: State, mended: frozenset[str] = frozenset(), end: str = "at") -> Change:
        """What it changes in a state, with the size in the middle, at the middle, `begin` or `end` of its place."""
        if mended and self.cured(mended):
            return NOTHING
        if self.suspect.kind not in STEADY:
            return self.suspect.change(drawing, state, self.size, getattr(self, end))
        made = self.__dict__.setdefault("made", {})  # worked out once: a cell is of one drawing
        if end not in made:
            made[end] = self.suspect.change(drawing, state, self.size, getattr(self, end))
        return made[end]

    @property
    def widths(self) -> tuple[tuple[float, float], tuple[float, float]]:
        """(number of a port, standard uncertainty of its size in the unit of its `e`), twice."""
        if self.high <= self.low or self.suspect.kind in ("supply weak", "sensor drifted", "sensor dead spot"):
            return (0.0, 0.0), (0.0, 0.0)
        size = max(self.size, 1e-3)
        e = 1 / size if self.suspect.kind == "high resistance" else size
        return (0.0, e * self.logwidth / math.sqrt(12)), (0.0, 0.0)

    def touches(self, other: Cell) -> bool:
        """Whether a cell of the same suspect lies beside this one, or is this one."""
        return self.low <= other.high and other.low <= self.high

    def split(self) -> list[Cell]:
        """The cell in parts of half the size and half the length, as far as it has any."""
        sizes, ats = [self.low], [self.begin]
        if self.high > self.low:
            sizes.append(self.suspect.middle(max(self.low, self.high / 30) if self.low >= 0 else self.low, self.high))
        if self.end > self.begin:
            ats.append(self.at)
        spans = list(pairwise([*sizes, self.high])) if self.high > self.low else [(self.low, self.low)]
        parts = list(pairwise([*ats, self.end])) if self.end > self.begin else [(self.begin, self.begin)]
        share = self.weight / (len(spans) * len(parts))
        return [replace(self, low=a, high=b, begin=c, end=d, weight=share) for a, b in spans for c, d in parts]


def cells(drawing: Machine, suspects: Sequence[Suspect]) -> list[Cell]:
    """All cells of these suspects; their weights add up to one. A suspect `none` has its own share."""
    spots: dict[str, list[tuple[str, float]]] = {}
    for point in drawing.contact_points:
        for wire, at in point.wires:
            spots.setdefault(wire, []).append((point.name, at))
    wires = {w.name for w in drawing.all(Wire)}
    by_experience = dict(drawing.weights)
    connector = {c.name: c.connector for c in drawing.all(Contact)}
    found: list[Cell] = []
    for suspect in suspects:
        names = (suspect.kind, suspect.place, suspect.to, connector.get(suspect.place, ""))
        factor = math.prod(by_experience.get(n, 1.0) for n in dict.fromkeys(names) if n)
        found += _cells(suspect, factor, spots, wires, by_experience)
    total = sum(c.weight for c in found if c.suspect != NONE)
    left = 1.0 - NOTHING_WRONG if any(c.suspect == NONE for c in found) else 1.0
    return [replace(c, weight=NOTHING_WRONG if c.suspect == NONE else left * c.weight / total) for c in found]


def _cells(suspect: Suspect, factor: float, spots, wires: set[str], by_experience) -> Iterator[Cell]:
    sizes = suspect.sizes
    spans = [s for s in pairwise(sizes) if not s[0] < 0 < s[1]] if len(sizes) > 1 else [(sizes[0], sizes[0])]
    on_wire = suspect.place in wires
    rate = OTHER.get(suspect.kind) or (WIRE if on_wire else CAVITY).get(suspect.kind, 1.0)
    here = spots.get(suspect.place, []) if on_wire and suspect.kind in LOOSE_KINDS else []
    if suspect.kind == "short between wires":
        here = [(name, at) for name, at in here if name in dict(spots.get(suspect.to, []))]
    matters = (suspect.kind.startswith("short") and on_wire) or suspect.kind == "splice not drawn"
    spread = WHOLE if matters else (0.5, 0.5)
    weight = rate * factor / len(spans)
    more = 1.0 + RUBBED * len(here)
    for low, high in spans:
        yield Cell(suspect, low, high, *spread, "", weight * (more * (1 - AT_SPOT) if here else 1.0))
        for name, at in here:
            there = weight * more * AT_SPOT / len(here) * by_experience.get(name, 1.0)
            yield Cell(suspect, low, high, at, at, name, there)
