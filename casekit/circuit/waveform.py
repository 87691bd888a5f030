"""A network in time: from event to event, exact in between.

In: elements, changing and driven ones, channels, a span of time. Out: a `Record`. Events are the known changes, the
moments a valve changes piece or a gate opens (found as roots), and the ends of a retrying supply's on and off times.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise

import numpy as np

from casekit.circuit.modes import REOPEN_V, TOLERANCE, Channel, Choice, Configuration, Reduction
from casekit.circuit.network import Network
from casekit.circuit.operating_point import Unstable, operating_point
from casekit.circuit.record import Record
from casekit.circuit.threads import one_thread
from casekit.machine.law import Changing, Driven, Element

BURST = 40  # events in a row without time passing before the circuit counts as switching for ever
LEAST_S = 1e-13  # time that has to pass
TOGETHER_S = 1e-12
# A falling supply may reach a gate's threshold while the valve's own current decides on which side it stands: open, it
# has too little, shut, more than enough. Then it stays shut for this long (common practice, no source).
HOLD_S = 1e-5
STARVED = "no steady state: a gated output takes away the supply it needs, over and over."


class Waveform:
    """A network on its way through time; `to` takes it further and returns the record so far.

    The network starts at `begin` from rest in its first form.
    """

    def __init__(
        self, elements: Sequence[Element], changing: Sequence[Changing], driven: Sequence[Driven],
        channels: Sequence[Channel], earth: str, begin: float,
    ):  # fmt: skip
        with one_thread():
            self.net = Reduction(elements, changing, driven, channels, earth)
        self.starts = [np.asarray(part.starts) for part in changing]
        self.orders = [part.order for part in changing]
        self.lines = [(np.asarray(part.times), np.asarray(part.volts)) for part in driven]
        self.t = begin
        self.forms = self._forms()
        first = [el for part, form in zip(changing, self.forms, strict=True) for el in part.forms[form]]
        sources = [_still(part, begin) for part in driven]
        rest = operating_point(Network([*elements, *first, *sources], earth))
        self.v = np.array([rest.volts(c.a, c.b) for c in self.net.caps])
        lagged = [rest.volts(c.red, c.black) for c in channels if c.lag_s > 0]
        self.state = np.concatenate([self.v, lagged])
        self.before: Choice | None = None
        self.after: dict[tuple, list[Choice]] = {}  # what has followed a choice, in these forms
        self.broken = False  # a guard has just fallen below zero, so the pieces must change
        self.closed: frozenset[int] = frozenset()
        self.contrary: list[float] = []  # when gates were found to contradict themselves
        self.resting: dict[int, float] = {}  # valves kept shut, and until when
        self.limited: dict[int, float] = {}  # supplies at the limit they retry from, and since when
        self.pieces = tuple(port.rest for port in self.net.ports)
        self.segments: list[tuple[float, Configuration, tuple, np.ndarray, np.ndarray]] = []
        cuts = {t for part in changing for t in part.starts} | {t for part in driven for t in part.times}
        self.cuts = sorted(t for t in cuts if t > begin)

    def to(self, end: float) -> Record:
        """What the channels show from the beginning to `end` (second).

        Raises Unstable when the circuit keeps switching without time passing, CircuitError when it cannot be solved.
        """
        with one_thread():
            self._march(end)
        return self._record(end)

    def _march(self, end: float) -> None:
        cuts = [t for t in self.cuts if self.t < t < end] + [end]
        # Changes meant for the same moment differ by rounding: they happen together, at the last of them.
        cuts = [t for t, after in pairwise([*cuts, np.inf]) if after - t > TOGETHER_S]
        stuck = 0
        for cut in cuts:
            self.forms = self._forms()
            while self.t < cut:
                before = self.t
                self._step(cut)
                stuck = stuck + 1 if self.t - before < LEAST_S else 0
                if stuck > BURST:
                    raise Unstable(STARVED)
            self.t = cut

    def _step(self, cut: float) -> None:
        """From here to the next event, at most to `cut`."""
        w, slope = self._drive()
        config = self._settled(w)
        self._watch_limits()
        waits = [*self.resting.values(), *(t + self.net.ports[j].retry.on_s for j, t in self.limited.items())]
        until = min([cut, self.t + config.longest, *waits])
        modes = config.start(self.state, w, slope)
        alpha, gamma, delta = modes
        guard = config.guard
        hit = config.rates.first_below(
            config.guard_modes * alpha,
            np.real(config.guard_modes @ gamma) + guard.drive @ w + guard.level,
            np.real(config.guard_modes @ delta) + guard.drive @ slope, until - self.t, 4 * TOLERANCE,
        )  # fmt: skip
        span = until - self.t if hit is None else hit
        if span > 0:
            self.segments.append((self.t, config, modes, w, slope))
            self.state = config.state(modes, span)
            self.v = self.state[: self.net.nc]
        self.t = until if hit is None else self.t + hit
        self.broken = hit is not None
        for j in [j for j, t in self.resting.items() if t <= self.t]:
            del self.resting[j]
        for j in [j for j, t in self.limited.items() if t + self.net.ports[j].retry.on_s <= self.t]:
            del self.limited[j]
            self.resting[j] = self.t + self.net.ports[j].retry.off_s

    def _settled(self, w: np.ndarray) -> Configuration:
        """The configuration that holds here: the one before, one that followed it earlier, or one looked for."""
        held = frozenset(self.resting)
        here = (self.forms, self.pieces, self.closed, held)
        followed = self.after.setdefault((self.before, self.forms, held), [])
        for choice in followed if self.broken else [here, *followed]:
            config = self.net.known(choice, self.v, w) if not self.broken or choice != here else None
            if config is not None:
                break
        else:
            config, choice = self._searched(w, here)
            if choice[3] == held:
                followed.append(choice)
        self.before, self.broken = choice, False
        _, self.pieces, self.closed, _ = choice
        return config.ready()

    def _searched(self, w: np.ndarray, here: Choice) -> tuple[Configuration, Choice]:
        """The configuration that holds here, found by changing pieces and gates until they stay."""
        forms, pieces, closed, held = here
        near = self.net.configuration(here, self.v, w).next(pieces, self.v, w) if self.broken else None
        if near is not None:
            choice = (forms, near, closed, held)
            config = self.net.configuration(choice, self.v, w)
            if config.holds(self.v, w):
                return config, choice
        gated = np.flatnonzero(np.isfinite(self.net.threshold) & (self.net.layout(forms).count > 0))
        tried = set()
        while True:
            pieces = self.net.settle(forms, closed | held, self.v, w, pieces)
            choice = (forms, pieces, closed, held)
            config = self.net.configuration(choice, self.v, w)
            over = self.net.gate_values(config, self.v, w)
            wanted = frozenset(j for j in gated.tolist() if over[j] < REOPEN_V * (j in closed) and j not in held)
            if wanted == closed:
                return config, choice
            if wanted in tried:
                held |= self._hold(closed ^ wanted)
                wanted, tried = wanted - held, set()
            tried.add(wanted)
            closed = wanted

    def _hold(self, gates: frozenset[int]) -> frozenset[int]:
        """Keep valves shut for a moment that open when they are shut and shut when they are open."""
        lately = [t for t in self.contrary if self.t - t < 2 * HOLD_S * BURST]
        self.contrary = [*lately[-BURST:], self.t]
        if len(self.contrary) > BURST:
            raise Unstable(STARVED)
        self.resting |= dict.fromkeys(gates, self.t + HOLD_S)
        return gates

    def _watch_limits(self) -> None:
        """Note since when a retrying supply has stood at its limit."""
        for j, port in enumerate(self.net.ports):
            if port.retry is None:
                continue
            at_limit = self.pieces[j] >= 0 and port.caps[self.pieces[j]].label == port.retry.label
            if at_limit:
                self.limited.setdefault(j, self.t)
            else:
                self.limited.pop(j, None)

    def _drive(self) -> tuple[np.ndarray, np.ndarray]:
        """Emf and its slope of all driven sources."""
        w, slope = np.zeros(len(self.lines)), np.zeros(len(self.lines))
        for k, (times, volts) in enumerate(self.lines):
            at = int(times.searchsorted(self.t, side="right"))
            if 0 < at < len(times):
                slope[k] = (volts[at] - volts[at - 1]) / (times[at] - times[at - 1])
                w[k] = volts[at - 1] + slope[k] * (self.t - times[at - 1])
            else:
                w[k] = volts[0 if at == 0 else -1]
        return w, slope

    def _forms(self) -> tuple[int, ...]:
        """The form of every changing part in force now."""
        forms = tuple(
            order[max(int(starts.searchsorted(self.t, side="right")) - 1, 0)]
            for starts, order in zip(self.starts, self.orders, strict=True)
        )
        return self.net.same(forms)

    def _record(self, end: float) -> Record:
        a, rate, group, c0, c1 = [], [], [], [], []
        for _, config, (alpha, gamma, delta), w, slope in self.segments:
            read = config.read
            a.append(config.read_modes * alpha)
            rate.append(config.rate)
            group.append(config.rates.group)
            c0.append(np.real(config.read_modes @ gamma) + read.drive @ w + read.level)
            c1.append(np.real(config.read_modes @ delta) + read.drive @ slope)
        return Record(np.array([s[0] for s in self.segments]), end, *map(np.array, (a, rate, group, c0, c1)))


def record(
    elements: Sequence[Element], changing: Sequence[Changing], driven: Sequence[Driven],
    channels: Sequence[Channel], earth: str, begin: float, end: float,
) -> Record:  # fmt: skip
    """What the channels show from `begin` to `end` (second).

    The network starts from rest in its first form. Raises Unstable when it keeps switching without time passing,
    CircuitError when it cannot be solved.
    """
    return Waveform(elements, changing, driven, channels, earth, begin).to(end)


def _still(part: Driven, t: float) -> Element:
    """The source with the emf it has at `t`."""
    return replace(part.source, emf_v=float(np.interp(t, part.times, part.volts)))
