"""The individual machine on the bench as it really is: its faults, where they stand just now, and what hands did to it.

In: moves. Out: the machine, or the mix of machines it is in turn, in a state at a time of the clock. Only the bench
holds a specimen, and keeps it sealed.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence

import numpy as np

from casekit.bench.meter import Meter
from casekit.circuit.mean import Mix
from casekit.machine.faults import DRAWING_KINDS, Fault, tapped
from casekit.machine.intermittent import HANDS_MM, ROCK_TORQUE, Intermittent, Push, inner
from casekit.machine.machine import Machine
from casekit.machine.motion import Meanwhile, Presence
from casekit.machine.state import State

WINDOW_S = 0.4  # a meter's display averages over about this long
# Where shifting leaves a loose harness, as a share of the gap: gently it may go either way, hard it goes far away.
LEFT = {"gently": (-0.2, 0.1), "hard": (-1.6, -0.8)}
BACK = (-0.03, 0.03)  # a road test shakes it back to where it lay, within this share of the gap


class Specimen:
    """One individual: `built` with its `faults` in it. `seed` draws all chance."""

    def __init__(self, built: Machine, faults: Sequence[Fault | Intermittent], meter: Meter, seed: int):
        self.built, self.faults, self.meter, self.seed = built, tuple(faults), meter, seed
        self.cured: set[int] = set()
        self.rest_mm = [f.rest_mm if isinstance(f, Intermittent) else 0.0 for f in self.faults]
        self._machines: dict[tuple, Machine] = {}
        self._moved = 0

    def __repr__(self) -> str:
        return "<the machine on the bench>"

    @property
    def machine(self) -> Machine:
        """The machine with all its faults in it, those that come and go as well."""
        return self._with(tuple(range(len(self.faults))), frozenset())

    # Where the faults stand ---------------------------------------------------------------------------------------

    def mix(self, state: State, minute: float) -> Mix:
        """The machines it is in turn while a display settles, with their shares of the time."""
        return self._shares(state, (minute * 60, minute * 60 + WINDOW_S), None)

    def mixes(self, state: State, edges_s: np.ndarray, push: Push | None = None) -> list[Mix]:
        """The mix in every span between two following times of the clock (second)."""
        if not self._loose():
            return [self._shares(state, (edges_s[0], edges_s[-1]), push)] * (len(edges_s) - 1)
        spans = {k: self._changes(k, state, (edges_s[0], edges_s[-1]), push) for k in self._loose()}
        return [self._cut(state, spans, span) for span in itertools.pairwise(edges_s)]

    def presences(
        self, state: State, span_s: tuple[float, float], push: Push | None = None, doing: Meanwhile | None = None
    ) -> tuple[Machine, list[Presence]]:
        """The machine without what comes and goes in this span, and what does."""
        there, presences = self._there(state), []
        for k in self._loose():
            begins, times = self._changes(k, state, span_s, push, doing)
            if len(times):
                presences.append((k, begins, times))
            elif begins:
                there = (*there, k)
        base = self._with(tuple(sorted(there)), state.bared)
        return base, [Presence(self.faults[k].applied(base), begins, times) for k, begins, times in presences]

    def wavers(self, state: State) -> bool:
        """Whether a fault comes and goes in this state, all by itself."""
        return any(self.faults[k].settled(state, self.rest_mm[k]) is None for k in self._loose())

    # What is done to it -------------------------------------------------------------------------------------------

    def shift(self, point: str, how: str) -> Push:
        """Move the harness at a point: what that does while it lasts. Afterwards it lies elsewhere."""
        for k in self._loose():
            fault = self.faults[k]
            if fault.point == point:
                self.rest_mm[k] = max(self.rest_mm[k] + self._draw(*LEFT[how]) * fault.gap_mm, -2 * fault.gap_mm)
        return Push(point, HANDS_MM[how])

    def rock(self) -> Push:
        """Rock the engine: what that does while it lasts."""
        return Push("", 0.0, ROCK_TORQUE)

    def shaken(self) -> None:
        """A road test: everything comes to lie about where it lay when the complaint arose."""
        for k in self._loose():
            self.rest_mm[k] = self.faults[k].rest_mm + self._draw(*BACK) * self.faults[k].gap_mm

    def cure(self, places: set[str], kinds: tuple[str, ...] | None = None) -> list[str]:
        """Mend what is wrong at these places (of these kinds, if given); returns the kinds of what was cured."""
        found = []
        for k, fault in enumerate(self.faults):
            bare = inner(fault)
            there = k not in self.cured and bool({bare.place, getattr(bare, "to", None)} & places)
            if there and (kinds is None or bare.kind in kinds):
                self.cured.add(k)
                found.append(bare.kind)
        return found

    # Inside -------------------------------------------------------------------------------------------------------

    def _loose(self) -> list[int]:
        """The uncured faults that come and go."""
        return [k for k, f in enumerate(self.faults) if isinstance(f, Intermittent) and k not in self.cured]

    def _there(self, state: State) -> tuple[int, ...]:
        """The faults that are always there; a wrong drawing stays what it is on the machine, cured or not."""
        return tuple(
            k for k, f in enumerate(self.faults)
            if not isinstance(f, Intermittent) and (k not in self.cured or f.kind in DRAWING_KINDS)
        )  # fmt: skip

    def _changes(
        self, k: int, state: State, span_s: tuple[float, float], push: Push | None, doing: Meanwhile | None = None
    ) -> tuple[bool, np.ndarray]:
        fault = self.faults[k]
        seed = self.seed * 31 + k
        if push is None and doing is None and (settled := fault.settled(state, self.rest_mm[k])) is not None:
            return settled, np.array([])
        return fault.changes(state, self.rest_mm[k], self.built.engine, span_s, seed, push, doing)

    def _shares(self, state: State, span_s: tuple[float, float], push: Push | None) -> Mix:
        return self._cut(state, {k: self._changes(k, state, span_s, push) for k in self._loose()}, span_s)

    def _cut(self, state: State, spans: dict[int, tuple[bool, np.ndarray]], span_s: tuple[float, float]) -> Mix:
        """Shares of the combinations of faults over a span."""
        cuts = {span_s[0], span_s[1]}
        for _, times in spans.values():
            cuts |= {t for t in times if span_s[0] < t < span_s[1]}
        shares: dict[tuple[int, ...], float] = {}
        for begin, end in itertools.pairwise(sorted(cuts)):
            middle = (begin + end) / 2
            here = [k for k, (first, times) in spans.items() if first ^ (int(np.searchsorted(times, middle)) % 2 == 1)]
            chosen = tuple(sorted((*self._there(state), *here)))
            shares[chosen] = shares.get(chosen, 0.0) + (end - begin) / (span_s[1] - span_s[0])
        return tuple((share, self._with(chosen, state.bared)) for chosen, share in shares.items())

    def _with(self, chosen: tuple[int, ...], bared: frozenset[str]) -> Machine:
        """The individual with these faults, and with a terminal wherever a wire was pierced."""
        key = (chosen, bared)
        if key not in self._machines:
            machine = self.built
            for k in chosen:
                machine = self.faults[k].applied(machine)
            for point in sorted(bared):
                if "@" in point:
                    wire, at = point.split("@")
                    machine, _ = tapped(machine, wire, float(at))
            self._machines[key] = machine
        return self._machines[key]

    def _draw(self, low: float, high: float) -> float:
        """The next number of chance."""
        self._moved += 1
        return float(np.random.default_rng([self.seed, 17, self._moved]).uniform(low, high))
