"""A network with capacitors and changing parts, reduced to its capacitors: one set of eigenmodes per configuration.

In: elements, some of them changing or driven with time. Out: for every configuration (which form every changing
part has, which piece every valve is on) the decay rates and modes of the capacitor voltages, and what every valve and
probe sees of them. Between two events everything is a sum of exponentials and a straight line, exact at any time.

With v the capacitor voltages and w the emf of the driven sources, valves and changing parts are ports whose
currents are linear in v and w on given pieces, so that dv/dt = A v + B w + c.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.sparse.linalg import splu

from casekit.circuit.crossing import Rates
from casekit.circuit.network import SHUT, Network
from casekit.circuit.pieces import HELP_S, Ports, equations, with_leak
from casekit.error import CircuitError
from casekit.machine.law import Cap, Capacitor, Changing, Driven, Element, Resistor, Source, Valve

LEAST_OHM = 1e-5  # a changing contact of no resistance; at a sensor supply's current it costs some microvolts
STAY_OHM = 10.0  # least resistance that stays in place of a changing conductor
# A configuration is taken up if no guard is broken by more than TOLERANCE (ampere or volt), and left when one is broken
# by twice as much. So, of two neighbours that both hold on their common border, neither is left for the other in turn.
TOLERANCE = 1e-10
# Two equal time constants one behind the other have a single mode between them. They are taken as unequal by so much.
NUDGES, WELL = (0.0, 1e-8, 1e-7), 1e7
REOPEN_V = 0.005  # a gate that has shut opens again so far above its threshold (common practice, no source)
GROWTH = 30.0  # a growing mode is looked at over so many of its time constants
STILL = 1e-9  # decay rates nearer to zero than this (1/s) are taken for it


@dataclass(frozen=True)
class Channel:
    """What is recorded: `red` against `black`, through a first-order lag of `lag_s` (0 for none)."""

    red: str
    black: str
    lag_s: float = 0.0


@dataclass(frozen=True)
class Rows:
    """Linear functions of the states and of w: rows @ states + drive @ w + level."""

    rows: np.ndarray
    drive: np.ndarray
    level: np.ndarray


# A configuration is chosen by the form of every changing part, the piece of every valve, the gated valves that are shut
# by their gates, and the valves kept shut whatever their gates say.
Choice = tuple[tuple[int, ...], tuple[int, ...], frozenset[int], frozenset[int]]


class Configuration:
    """One choice of forms and pieces: dv/dt = A v + B w + c in eigenmodes, guards, and recorded channels.

    The configuration holds while every row of `guard` is at or above zero; `turns` says of each what happens when it
    falls below: (port, its next piece), None for a gate. `amps` are the currents of all ports.

    `rate` are the eigenvalues (1/s), `out` and `back` turn modes into states and back. States are the capacitor
    voltages followed by the lagged channels. A mode that grows (a supply on its foldback line) is followed for
    `longest` second at most.
    """

    def __init__(
        self, a: np.ndarray, b: np.ndarray, c: np.ndarray, guard: Rows, read: Rows, amps: Rows,
        turns: Sequence[tuple[int, int] | None],
    ):  # fmt: skip
        self.law = a, b, c
        self.guard, self.read, self.amps, self.turns = guard, read, amps, turns
        self.rates: Rates | None = None

    def ready(self) -> Configuration:
        """The configuration with its modes worked out."""
        if self.rates is not None:
            return self
        a, b, c = self.law
        for nudge in NUDGES:
            scale = 1 + nudge * np.arange(len(a))
            rate, self.out = _eigen(a * scale[:, None])
            self.back = _inverse(self.out)
            if np.linalg.norm(self.out) * np.linalg.norm(self.back) < WELL:
                break
        self.rate = np.where(np.abs(rate) < STILL, -STILL, rate)
        self.rates = Rates(self.rate)
        self.longest = GROWTH / max(self.rate.real.max(initial=0.0), 1e-300)
        self.b, self.c = self.back @ (b * scale[:, None]), self.back @ (c * scale)
        self.guard_modes, self.read_modes = self.guard.rows @ self.out, self.read.rows @ self.out
        return self

    def start(self, v: np.ndarray, w: np.ndarray, slope: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """(alpha, gamma, delta) of the modes from state `v`: modes(t) = alpha e^(rate t) + gamma + delta t."""
        delta = -(self.b @ slope) / self.rate
        gamma = (delta - self.b @ w - self.c) / self.rate
        return self.back @ v - gamma, gamma, delta

    def holds(self, v: np.ndarray, w: np.ndarray) -> bool:
        """Whether no guard is broken at these capacitor voltages and emfs."""
        return bool((self._over(v, w) >= -TOLERANCE).all())

    def next(self, pieces: tuple[int, ...], v: np.ndarray, w: np.ndarray) -> tuple[int, ...] | None:
        """The pieces to try when guards are broken; None when a gate's is."""
        broken = [self.turns[k] for k in np.flatnonzero(self._over(v, w) < -TOLERANCE)]
        turned = list(pieces)
        for turn in broken:
            if turn is None:
                return None
            turned[turn[0]] = turn[1]
        return tuple(turned)

    def _over(self, v: np.ndarray, w: np.ndarray) -> np.ndarray:
        guard = self.guard
        return guard.rows[:, : len(v)] @ v + guard.drive @ w + guard.level

    def state(self, modes: tuple[np.ndarray, np.ndarray, np.ndarray], t: float) -> np.ndarray:
        """The states after `t` seconds."""
        alpha, gamma, delta = modes
        return np.real(self.out @ (alpha * np.exp(self.rate * t) + gamma + delta * t))


def _eigen(a: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """(rates, modes) of a matrix, ascending; two rates that rounding has made complex become one real rate twice."""
    rate, out = np.linalg.eig(a)
    if np.iscomplexobj(rate) and (np.abs(rate.imag) <= 1e-9 * np.abs(rate)).all():
        out = np.where(rate.imag < 0, out.imag, out.real)
        rate, out = rate.real, out / np.linalg.norm(out, axis=0)
    order = np.argsort(rate.real)
    return rate[order], out[:, order]


def _inverse(a: np.ndarray) -> np.ndarray:
    """The inverse, of infinite size where there is none."""
    try:
        return np.linalg.inv(a)
    except np.linalg.LinAlgError:
        return np.full(a.shape, np.inf)


class Reduction:
    """The linear rest of a network seen from its capacitors, driven sources, valves and changing parts."""

    def __init__(
        self, elements: Iterable[Element], changing: Sequence[Changing], driven: Sequence[Driven],
        channels: Sequence[Channel], earth: str,
    ):  # fmt: skip
        fixed = list(elements)
        self.caps = caps = [el for el in fixed if isinstance(el, Capacitor)]
        self.farad = np.array([c.farad for c in caps])
        ports = _ports(fixed, changing)
        self.names = list(ports)
        linear = [el for el in fixed if isinstance(el, Resistor | Source)]
        linear += [
            Resistor(f"{name} stays", *ends, port.stay_ohm) for name, (ends, port) in ports.items() if port.linear
        ]
        stores = [Source(c.name, c.a, c.b, 0.0, 0.0) for c in caps]
        sources = [replace(d.source, emf_v=0.0) for d in driven]
        valves = [Valve(name, *ends, tuple(port.caps)) for name, (ends, port) in ports.items()]
        net = self.network = Network([*linear, *stores, *sources, *valves], earth)
        drive, look, level, self.first = equations(net)
        inputs = np.zeros((net.n + net.m, len(caps) + len(driven)))
        for k, el in enumerate([*stores, *sources]):
            inputs[net.n + net.position[el.name], k] = 1 / max(1.0, el.r_ohm)
        # Columns: constant sources, one volt in every capacitor, in every driven source, one ampere in every port.
        seen = _solved(net, np.column_stack([drive[:, 0], inputs, drive[:, 1:]]))
        self.nc, self.nw, self.np = len(caps), len(driven), len(valves)
        pick = np.zeros((len(channels), net.n + net.m))
        for k, channel in enumerate(channels):
            for sign, node in ((1.0, channel.red), (-1.0, channel.black)):
                if node in net.index:
                    pick[k, net.index[node]] += sign
        gates = np.zeros((self.np, net.n + net.m))
        self.threshold = np.full(self.np, -np.inf)
        for j, (_, port) in enumerate(ports.values()):
            if port.gate:
                self.threshold[j] = port.gate.at_least_v
                for sign, node in ((1.0, port.gate.plus), (-1.0, port.gate.minus)):
                    if node in net.index:
                        gates[j, net.index[node]] += sign
        store = [net.n + net.position[c.name] for c in caps]
        self.look, self.read, self.gates, self.charge = look @ seen, pick @ seen, gates @ seen, seen[store]
        self.look[:, 0] -= level
        self.gates[:, 0] -= np.where(np.isfinite(self.threshold), self.threshold, 0.0)
        self.lags = np.array([c.lag_s for c in channels])
        self.ports = [port for _, port in ports.values()]
        self.linear = np.array([port.linear for port in self.ports], dtype=bool)
        self._forms: dict[tuple[int, ...], Layout] = {}
        self._same: dict[bytes, tuple[int, ...]] = {}
        self._amps: dict[tuple, tuple[np.ndarray, np.ndarray, np.ndarray]] = {}
        self._known: dict[tuple, Configuration] = {}
        self._last: dict[tuple, Configuration] = {}

    def same(self, forms: tuple[int, ...]) -> tuple[int, ...]:
        """The first forms met in which every port is as in these."""
        layout = self.layout(forms)
        return self._same.setdefault(layout.begin.tobytes() + layout.count.tobytes(), forms)

    def layout(self, forms: tuple[int, ...]) -> Layout:
        """Where the caps of every port are in these forms."""
        if forms not in self._forms:
            spans = [port.spans.get(forms[port.owner] if port.owner >= 0 else 0, port.absent) for port in self.ports]
            at, count = np.array(spans, dtype=np.intp).reshape(-1, 2).T
            self._forms[forms] = Layout.of(self.first + at, count)
        return self._forms[forms]

    def parts(self, table: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
        """(constant, per capacitor volt, per driven volt, per port ampere) of a table of what is seen."""
        v, w = 1 + self.nc, 1 + self.nc + self.nw
        return table[:, 0], table[:, 1:v], table[:, v:w], table[:, w:]

    def settle(
        self, forms: tuple[int, ...], shut: frozenset[int], v: np.ndarray, w: np.ndarray, start: tuple[int, ...]
    ) -> tuple[int, ...]:
        """Pieces that hold at these capacitor voltages and emfs, looked for from `start`."""
        if not self.np:
            return ()
        layout = self.layout(forms)
        const, per_v, per_w, per_amp = self.parts(self.look[layout.rows])
        open_ = layout.count > 0
        open_[list(shut)] = False
        ports = Ports(per_amp, const + per_v @ v + per_w @ w, layout.first, open_, self.linear)
        begin_at = np.where(open_, np.minimum(start, layout.count - 1), SHUT).tolist()
        return tuple(ports.settle(begin_at))

    def gate_values(self, config: Configuration, v: np.ndarray, w: np.ndarray) -> np.ndarray:
        """How far every gate's voltage is above its threshold, in volt."""
        const, per_v, per_w, per_amp = self.parts(self.gates)
        amps = config.amps.rows @ v + config.amps.drive @ w + config.amps.level
        return const + per_v @ v + per_w @ w + per_amp @ amps

    def known(self, choice: Choice, v: np.ndarray, w: np.ndarray) -> Configuration | None:
        """The configuration last used for this choice, if it holds here."""
        config = self._last.get(choice)
        return config if config is not None and config.holds(v, w) else None

    def configuration(self, choice: Choice, v: np.ndarray, w: np.ndarray) -> Configuration:
        """The configuration of a choice; `v`, `w` choose which cap holds a shut valve shut."""
        forms, pieces, closed, held = choice
        layout = self.layout(forms)
        table = self.parts(self.look[layout.rows])
        const, per_v, per_w, per_amp = table
        piece = np.array(pieces, dtype=np.intp)
        on = piece >= 0
        if choice not in self._amps:
            own = layout.first + np.maximum(piece, 0)
            matrix = np.eye(self.np) - np.where(on[:, None], per_amp[own], 0.0)
            right = np.column_stack([const, per_v, per_w])[own] * on[:, None]
            amps = np.linalg.solve(matrix, right)
            self._amps[choice] = amps[:, 0], amps[:, 1 : self.nc + 1], amps[:, self.nc + 1 :]
        a0, av, aw = self._amps[choice]
        can = ~on & (layout.count > 0) & ~self.linear
        can[list(closed | held)] = False
        shut_by = layout.least(const + per_v @ v + per_w @ w + per_amp @ (a0 + av @ v + aw @ w))[can]
        whole = (*choice, shut_by.tobytes())
        if whole not in self._known:
            self._known[whole] = self._made(choice, shut_by, table, (a0, av, aw))
        self._last[choice] = self._known[whole]
        return self._last[choice]

    def _made(self, choice: Choice, shut_by: np.ndarray, table: tuple, amps: tuple[np.ndarray, ...]) -> Configuration:
        """The configuration of a choice; `shut_by` are the caps that hold shut the valves that could conduct."""
        forms, pieces, closed, held = choice
        layout = self.layout(forms)
        a0, av, aw = amps

        def through(const, per_v, per_w, per_amp) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
            """(per v, per w, level) of what is seen, with the ports carrying what they do."""
            return per_v + per_amp @ av, per_w + per_amp @ aw, const + per_amp @ a0

        cv, cw, c0 = through(*self.parts(self.charge))
        rv, rw, r0 = through(*self.parts(self.read))
        lagged = np.flatnonzero(self.lags > 0)
        k = 1 / self.lags[lagged]
        a = np.zeros((self.nc + len(lagged),) * 2)
        a[: self.nc, : self.nc] = cv / self.farad[:, None]
        a[self.nc :, : self.nc] = rv[lagged] * k[:, None]
        a[self.nc :, self.nc :] = -np.diag(k)
        b = np.vstack([cw / self.farad[:, None], rw[lagged] * k[:, None]])
        c = np.concatenate([c0 / self.farad, r0[lagged] * k])
        extra = np.zeros((len(self.lags), len(lagged)))
        extra[lagged, np.arange(len(lagged))] = 1.0
        rv[lagged], rw[lagged], r0[lagged] = 0.0, 0.0, 0.0
        piece = np.array(pieces, dtype=np.intp)
        on = (piece >= 0) & (layout.count > 0) & ~self.linear
        others = np.flatnonzero(on[layout.owner])
        others = others[others != (layout.first + piece)[layout.owner[others]]]
        gates = np.flatnonzero(np.isfinite(self.threshold) & (layout.count > 0))
        gates = gates[[j not in held for j in gates.tolist()]] if held else gates
        shut = np.array([j in closed for j in gates.tolist()], dtype=bool)
        rows = []
        gv, gw, g0 = through(*self.parts(self.gates[gates]))
        gv[shut], gw[shut], g0[shut] = -gv[shut], -gw[shut], REOPEN_V - g0[shut]
        for own, seen, gate in zip((av, aw, a0), through(*table), (gv, gw, g0), strict=True):
            rows.append(np.concatenate([own[on], seen[others] - own[layout.owner[others]], -seen[shut_by], gate]))
        guard = Rows(np.hstack([rows[0], np.zeros((len(rows[0]), len(lagged)))]), rows[1], rows[2])
        caps = np.concatenate([others, shut_by])
        ports = np.concatenate([np.flatnonzero(on), layout.owner[caps]]).tolist()
        to = [*[SHUT] * int(on.sum()), *(caps - layout.first[layout.owner[caps]]).tolist()]
        turns = [*zip(ports, to, strict=True), *[None] * len(gates)]
        return Configuration(a, b, c, guard, Rows(np.hstack([rv, extra]), rw, r0), Rows(av, aw, a0), turns)


def _solved(net: Network, inputs: np.ndarray) -> np.ndarray:
    """Voltages and currents of a network with all valves shut, a column for every column of inputs."""
    matrix = with_leak(net.matrix([SHUT] * len(net.valves))[0], net.n, HELP_S)
    try:
        return splu(matrix).solve(inputs)
    except RuntimeError:
        null = np.abs(np.linalg.svd(matrix.toarray())[2][-1])[net.n :]
    names = [el.name for el, share in zip(net.elements, null, strict=True) if share > 0.3 * null.max()]
    raise CircuitError(
        f"{', '.join(names[:6])} form a loop without resistance, so that nothing limits the current in it; give one of "
        "them the resistance of its leads."
    )


@dataclass(frozen=True)
class Layout:
    """Where the caps of every port are: `begin` among all caps and how many (`count`, none for a valve that is not
    there); `rows` are those caps one after another, one for what is not there, `first` and `owner` as in `Ports`."""

    begin: np.ndarray
    count: np.ndarray
    rows: np.ndarray
    first: np.ndarray
    owner: np.ndarray

    @classmethod
    def of(cls, begin: np.ndarray, count: np.ndarray) -> Layout:
        """The layout of so many caps from `begin` on."""
        many = np.maximum(count, 1)
        first = np.cumsum([0, *many])[:-1]
        owner = np.repeat(np.arange(len(begin)), many)
        return cls(begin, count, begin[owner] + np.arange(len(owner)) - first[owner], first, owner)

    def least(self, seen: np.ndarray) -> np.ndarray:
        """Of every port the row that allows the least."""
        if not len(seen):
            return np.zeros(0, dtype=np.intp)
        low = np.flatnonzero(seen <= np.minimum.reduceat(seen, self.first)[self.owner])
        return low[np.searchsorted(self.owner[low], np.arange(len(self.first)))]


class _Port:
    """The caps a port has in its forms, one after another; `spans` says which are those of a form: (first, number).

    Without its changing conductors a network may fall apart into pieces that nothing but the leak ties to earth, and
    numbers of that size drown what is looked for. So a resistance stays in place of every changing conductor, and its
    port carries what the conductor carries more; less than nothing while it is not there.
    """

    def __init__(self, owner: int, elements: Mapping[int, Element]):
        self.owner, self.spans = owner, {}
        self.caps: list[Cap] = []
        one = next(iter(elements.values()))
        self.linear = not isinstance(one, Valve)
        self.gate, self.retry, self.rest = (None, None, 0) if self.linear else (one.gate, one.retry, one.rest)
        self.stay_ohm = max(STAY_OHM, min(el.r_ohm for el in elements.values())) if self.linear else np.inf
        self.absent = (0, int(self.linear))
        if self.linear:
            self.caps.append(_carried(one, 0.0, self.stay_ohm))
        met: dict[tuple[str, ...], tuple[int, int]] = {}
        for form, el in elements.items():
            conducts = 1 / max(el.r_ohm, LEAST_OHM) if self.linear else 0.0
            caps = (_carried(el, conducts, self.stay_ohm),) if self.linear else el.caps
            numbers = tuple(f"{x:.12g}" for cap in caps for x in (cap.r_ohm, cap.e_v, *(k for _, k in cap.volts)))
            if numbers not in met:  # forms that differ by rounding are one
                met[numbers] = len(self.caps), len(caps)
                self.caps += caps
            self.spans[form] = met[numbers]


def _carried(el: Resistor | Source, siemens: float, stay_ohm: float) -> Cap:
    """What a conductor of so many siemens carries more than the resistance that stays in its place."""
    more = siemens - 1 / stay_ohm
    return Cap("contact", ((el.a, more), (el.b, -more)), 1.0, getattr(el, "emf_v", 0.0) * siemens)


def _ports(fixed: Sequence[Element], changing: Sequence[Changing]) -> dict[str, tuple[tuple[str, str], _Port]]:
    """All valves and all elements that change, by name, each with its ends and its caps in every form."""
    found: dict[str, tuple[tuple, dict[int, Element]]] = {
        el.name: ((el.a, el.b, -1, True), {0: el}) for el in fixed if isinstance(el, Valve)
    }
    for owner, part in enumerate(changing):
        for form, elements in enumerate(part.forms):
            for el in elements:
                if isinstance(el, Capacitor):
                    raise CircuitError(f"{el.name} is a capacitor and cannot come and go; leave it among what stays.")
                # The same name between other ends is another conductor: a wire before and after it was cut.
                what, name = (el.a, el.b, owner, isinstance(el, Valve)), el.name
                while name in found and found[name][0] != what:
                    name += "'"
                found.setdefault(name, (what, {}))[1][form] = el
    return {name: ((a, b), _Port(owner, forms)) for name, ((a, b, owner, _), forms) in found.items()}
