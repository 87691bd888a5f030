"""Estimates: the size and the place of a fault, fitted to what was measured while it was there.

In: a drawing, observations, and a suspect (or a kind of fault, to find the places that fit). Out: an `Estimate`, with
the intervals that 68 and 95 % of such fits hold, and the readings it cannot explain.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from casekit.error import BenchError
from casekit.machine.machine import Machine
from casekit.reasoning.alone import alone
from casekit.reasoning.fit import LINEAR, Fit
from casekit.reasoning.observation import Observation
from casekit.reasoning.prior import WHOLE
from casekit.reasoning.slips import Sifted, sifted
from casekit.reasoning.suspect import Suspect, suspects
from casekit.reasoning.words import COVERAGE, UNITS, number


@dataclass(frozen=True)
class Missed:
    """A reading that the fit does not explain: what it should have shown, the standard uncertainty of that, and by how
    many of its own standard uncertainties it is off."""

    reading: Observation
    expected: float
    u: float
    pull: float

    def __str__(self) -> str:
        unit = UNITS.get(self.reading.function, "V")
        return (
            f"{self.reading} showed {_shown(self.reading)}, and the fit expects {number(self.expected, unit)} "
            f"± {number(COVERAGE * self.u, unit)}"
        )


@dataclass(frozen=True)
class Estimate:
    """A fault fitted to readings.

    `size` in ohm (ampere of a weak supply, share of its supply of a drifted sensor, share of the travel of a worn
    track; None for a fault without a size), `at` the share of the wire (None where the place does not matter). Of each,
    `size_68` and `size_95`, `at_68` and `at_95` are the intervals that contain the truth in so many per cent of fits.
    `chi2` is the weighted sum of squares of the `used` readings on `freedom` degrees of freedom; `missed` those that
    are not explained and were left out. Where nothing says which readings are wrong it is `undecided`: `instead` are
    such as could be left out in the place of `missed`, and `groups` such as agree among themselves, the used ones
    first. `spot` is the contact point the fault was said to be at, `widest` the sizes between which it was looked for.
    """

    suspect: Suspect
    size: float | None
    size_68: tuple[float, float] | None
    size_95: tuple[float, float] | None
    at: float | None
    at_68: tuple[float, float] | None
    at_95: tuple[float, float] | None
    chi2: float
    freedom: int
    used: int
    missed: tuple[Missed, ...] = ()
    spot: str = ""
    widest: tuple[float, float] = (-np.inf, np.inf)
    instead: tuple[tuple[Observation, ...], ...] = ()
    groups: tuple[tuple[Observation, ...], ...] = ()
    undecided: bool = False

    @property
    def unknown(self) -> bool:
        """Whether the readings say nothing of the size: every size that is looked for fits."""
        return self.size is not None and (self.size_95[0] <= self.widest[0] and self.size_95[1] >= self.widest[1])

    @property
    def anywhere(self) -> bool:
        """Whether the readings say nothing of the place along the wire; `at` is its middle then."""
        return self.at_95 is not None and self.at_95[0] <= WHOLE[0] and self.at_95[1] >= WHOLE[1]

    @property
    def contradiction(self) -> str:
        """How the readings contradict each other, in a sentence; empty where they do not."""
        if self.instead:
            sets = [tuple(m.reading for m in self.missed), *self.instead]
            wrong = ", or ".join(" and ".join(map(_brief, some)) for some in sets)
            return f"the readings contradict each other, and no other says which of these is wrong: {wrong}"
        if self.undecided and not self.groups:
            return f"no reading agrees with {self.suspect}, whatever its size"
        if self.undecided:
            grouped = [o for group in self.groups for o in group]
            alone = [m.reading for m in self.missed if m.reading not in grouped]
            lists = [", ".join(map(_brief, some)) for some in self.groups]
            rest = f"; with no size of it agree {', '.join(map(_brief, alone))}" if alone else ""
            return (
                "the readings contradict each other, and leaving out one or two does not make the others agree. "
                f"Together agree {'; and together '.join(lists)}{rest}"
            )
        return ""

    def __str__(self) -> str:
        parts = []
        if self.unknown:
            parts.append("of a size that these readings do not tell")
        elif self.size is not None:
            unit = {"supply weak": "A"}.get(self.suspect.kind, "" if self.suspect.kind in LINEAR else "Ω")
            low, high = (number(x, unit).strip() for x in self.size_95)
            span = f"{low} to {high}"
            span = f"below {high}" if self.size_95[0] <= self.widest[0] else span
            span = f"above {low}" if self.size_95[1] >= self.widest[1] else span
            parts.append(f"{number(self.size, unit).strip()} (95 %: {span})")
        if self.anywhere:
            parts.append("at a place along the wire that they do not tell")
        elif self.at is not None:
            parts.append(f"{self.at:.0%} along the wire (95 %: {self.at_95[0]:.0%} to {self.at_95[1]:.0%})")
        many = f"{self.used} reading{'' if self.used == 1 else 's'}"
        fits = f"sum of squares {self.chi2:.1f} on {self.freedom}"
        return f"{self.suspect}: {', '.join([*parts, many, fits])}"


@alone
def estimate(drawing: Machine, numbers: Sequence[Observation], suspect: Suspect, spot: str = "") -> Estimate:
    """Fit a suspect to readings taken while the fault was there.

    `spot` names the contact point it was found at, so that its place is known. Readings of OL are not fitted. One or
    two readings that were written down wrongly are found and left out (`slips`); where that does not make the others
    agree, the estimate is undecided. Raises BenchError where there is nothing to fit.
    """
    fit = Fit(drawing, numbers, suspect, spot)
    return _told(fit, sifted(fit))


@alone
def ranked(drawing: Machine, numbers: Sequence[Observation], kind: str, most: int = 5) -> list[Estimate]:
    """The places a fault of this kind fits best, the best first: by the likelihood of its best size and place. Of all
    but the best no more than one reading is left out, which spares fits."""
    every = [s for s in suspects(drawing) if s.kind == kind]
    if not every:
        raise BenchError(f"{kind} can be nowhere on this drawing; name another kind of fault.")
    scored = []
    for suspect in every:
        fit = Fit(drawing, numbers, suspect, "")
        scored.append((fit.quick(), str(suspect), fit))
    some = [fit for _, _, fit in sorted(scored, key=lambda one: one[:2])[: most + 2]]
    found = sorted(((_told(fit, sifted(fit, 1)), fit) for fit in some), key=lambda one: _order(one[0]))[:most]
    (first, fit), *others = found
    first = _told(fit, sifted(fit)) if first.undecided else first
    return sorted([first, *(e for e, _ in others)], key=_order)


# Inside ---------------------------------------------------------------------------------------------------------------


def _shown(reading: Observation) -> str:
    unit = UNITS.get(reading.function, "V")
    return reading.event.shown if reading.function != "inside" else number(reading.value, unit)


def _brief(reading: Observation) -> str:
    """A reading in few words."""
    where = f"{reading.red} against {reading.black}" if reading.black else reading.red
    return f"{reading.function} {where} {_shown(reading)}"


def _order(e: Estimate) -> tuple[int, bool, float]:
    return len(e.missed), e.undecided, e.chi2


def _told(fit: Fit, found: Sifted) -> Estimate:
    """What it comes to."""
    best, spans = found.valley.best, list(fit.spans(found.valley.points, found.valley.score))
    size = at = size_68 = size_95 = at_68 = at_95 = None
    if fit.sized:
        turn = np.exp if fit.log else np.array
        size, (size_68, size_95) = float(turn(best.values[0])), (_pair(turn(x)) for x in spans[0])
    if fit.placed:
        at, (at_68, at_95) = float(best.values[-1]), map(_pair, spans[-1])
        # Along a flat valley the least point is at any of its ends, by chance.
        at = sum(WHOLE) / 2 if at_95[0] <= WHOLE[0] and at_95[1] >= WHOLE[1] else at
    missed = []
    for k in sorted(found.out):
        (mean,), ((variance,),) = fit.expected(best.values, [k])
        u, o = float(np.sqrt(variance)), fit.taken[k]
        missed.append(Missed(o, float(mean), u, (o.value - float(mean)) / u))
    instead, groups = (tuple(tuple(fit.taken[k] for k in g) for g in some) for some in (found.instead, found.groups))
    return Estimate(fit.suspect, size, size_68, size_95, at, at_68, at_95, best.chi2, best.freedom, len(found.use),
                    tuple(missed), fit.spot, fit.widest, instead, groups, found.undecided)  # fmt: skip


def _pair(ends: np.ndarray) -> tuple[float, float]:
    return float(ends[0]), float(ends[1])
