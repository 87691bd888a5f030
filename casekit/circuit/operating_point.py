"""The dc operating point of a network with piecewise-linear valves.

In: a `Network`. Out: an `OperatingPoint`, or `Unstable` when there is no steady state, or a `CircuitError` that names
the parts when the equations have no single solution.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterable
from dataclasses import dataclass, field

import numpy as np
import scipy.sparse as sp
from scipy.sparse.linalg import splu

from casekit.circuit.network import SHUT, Network
from casekit.circuit.pieces import Ports
from casekit.circuit.threads import one_thread
from casekit.error import CircuitError
from casekit.machine.law import Element, Resistor, Valve
from casekit.machine.machine import Machine
from casekit.machine.state import State

ROUNDS = 4


class Unstable(CircuitError):
    """The network has no steady state: a gated output takes away the supply it needs."""


@dataclass(frozen=True)
class OperatingPoint:
    """Voltages (against earth) and currents (from a to b) of a solved network."""

    network: Network = field(repr=False)
    x: np.ndarray = field(repr=False)
    pieces: tuple[int, ...] = field(repr=False)

    def volts(self, node: str, against: str | None = None) -> float:
        """Voltage of `node` against `against` (earth if left out) in volt; a node nothing is joined to has 0."""
        index = self.network.index
        v = self.x[index[node]] if node in index else 0.0
        w = self.x[index[against]] if against in index else 0.0
        return float(v - w)

    def amps(self, name: str) -> float:
        """Current through element `name` from its a to its b, in ampere."""
        return float(self.x[self.network.n + self.network.position[name]])

    def drop(self, name: str) -> float:
        """Voltage along resistor `name`, a against b, as R i: exact down to nanovolts."""
        element = self.network.elements[self.network.position[name]]
        if not isinstance(element, Resistor):
            raise CircuitError(f"{name} is not a resistor; ask for the volts at its two ends.")
        return element.r_ohm * self.amps(name)

    def piece(self, name: str) -> str:
        """What valve `name` is doing: the label of its active limit, or 'shut'."""
        k = self.network.position[name]
        piece = self.pieces[self.network.valves.index(k)]
        return self.network.elements[k].caps[piece].label if piece >= 0 else "shut"


def solve(
    machine: Machine, state: State, extra: Iterable[Element] = (), near: OperatingPoint | None = None
) -> OperatingPoint:
    """The operating point of a machine in one state, with `extra` elements (an instrument's) joined to it.

    `near` is an operating point of the machine in this state, without the extra elements or with others of their
    kind: the search starts from its pieces.
    """
    network = Network((*machine.elements(state), *extra), machine.earth)
    rest = tuple(network.elements[k].rest for k in network.valves)
    if near is not None:
        return operating_point(network, (*near.pieces, *rest[len(near.pieces) :]))
    return operating_point(network, (SHUT,) * len(rest) if state.key == "off" else rest)


def operating_point(network: Network, guess: tuple[int, ...] | None = None) -> OperatingPoint:
    """Solve a network for its steady state.

    `guess` are the valve pieces to start from; without it, those the valves are usually in. Gated valves are tried
    with every gate open first; if that contradicts itself, the combinations are tried in turn.

    Raises Unstable when no combination is consistent, CircuitError when the equations are singular.
    """
    valves = [network.elements[k] for k in network.valves]
    gated = [j for j, valve in enumerate(valves) if valve.gate]
    start = guess or tuple(valve.rest for valve in valves)
    open_gates = frozenset(gated)
    tried: set[frozenset[int]] = set()
    while open_gates not in tried:
        tried.add(open_gates)
        x, pieces = _settle(network, valves, start, frozenset(gated) - open_gates)
        wanted = frozenset(j for j in gated if _gate_open(network, valves[j], x))
        if wanted == open_gates:
            return OperatingPoint(network, x, pieces)
        open_gates = wanted
    for count in range(len(gated), -1, -1):
        for combination in itertools.combinations(gated, count):
            chosen = frozenset(combination)
            if chosen in tried:
                continue
            x, pieces = _settle(network, valves, start, frozenset(gated) - chosen)
            if chosen == frozenset(j for j in gated if _gate_open(network, valves[j], x)):
                return OperatingPoint(network, x, pieces)
    names = ", ".join(valves[j].name for j in gated)
    raise Unstable(f"no steady state: {names} takes away the supply it needs, so the circuit keeps switching.")


def _gate_open(network: Network, valve: Valve, x: np.ndarray) -> bool:
    plus, minus = (x[network.index[n]] if n in network.index else 0.0 for n in (valve.gate.plus, valve.gate.minus))
    return bool(plus - minus >= valve.gate.at_least_v)


def _settle(
    network: Network, valves: list[Valve], start: tuple[int, ...], closed: frozenset[int]
) -> tuple[np.ndarray, tuple[int, ...]]:
    """Solve and choose pieces until they stay: from `start`, and if that runs in circles, from what `Ports` finds."""
    pieces = [SHUT if j in closed else p for j, p in enumerate(start)]
    for search in (False, True):
        if search:
            with one_thread():
                pieces = Ports.of(network, closed).settle(pieces)
        for _ in range(ROUNDS):
            x = _solve(network, pieces)
            wanted, amps = _valve_amps(network, x, closed)
            if all(_same(amps, j, piece, best) for j, (piece, best) in enumerate(zip(pieces, wanted, strict=True))):
                return x, tuple(pieces)
            before, pieces = pieces, wanted
    stuck = ", ".join(v.name for v, p, w in zip(valves, before, wanted, strict=True) if p != w)
    raise Unstable(f"no steady state was found; the valves {stuck} keep switching.")


def _valve_amps(network: Network, x: np.ndarray, closed: frozenset[int]) -> tuple[list[int], list[tuple[float, ...]]]:
    """For every valve its right piece at these voltages, and the current every cap allows."""
    pieces, amps = [], []
    for j, k in enumerate(network.valves):
        caps = tuple(
            (sum(g * x[i] for i, g in zip(row.nodes, row.gains, strict=True)) - row.e) / row.r
            for row in network.rows[k]
        )
        best = min(range(len(caps)), key=caps.__getitem__)
        pieces.append(best if caps[best] > 0 and j not in closed else SHUT)
        amps.append(caps)
    return pieces, amps


def _same(amps: list[tuple[float, ...]], j: int, piece: int, best: int) -> bool:
    """Whether two pieces of valve j give the same current here (a tie at a corner counts as settled)."""
    here = amps[j][piece] if piece >= 0 else 0.0
    there = amps[j][best] if best >= 0 else 0.0
    return piece == best or abs(here - there) <= 1e-12 + 1e-9 * abs(there)


def _solve(network: Network, pieces: list[int]) -> np.ndarray:
    """One linear solve and one step of refinement, whose residual is taken in extended precision: so that nanovolts
    beside a hundred ampere keep their digits."""
    matrix, rhs = network.matrix(pieces)
    try:
        lu = splu(matrix)
        x = lu.solve(rhs)
        coo, rest = matrix.tocoo(), rhs.astype(np.longdouble)
        np.subtract.at(rest, coo.row, coo.data.astype(np.longdouble) * x[coo.col])
        x += lu.solve(rest.astype(float))
    except RuntimeError:
        x = np.array([np.nan])
    if not np.isfinite(x).all():
        raise _singular(network, matrix)
    return x


def _singular(network: Network, matrix: sp.csc_matrix) -> CircuitError:
    """Name the elements whose currents or nodes the equations leave open."""
    null = np.abs(np.linalg.svd(matrix.toarray())[2][-1])
    limit = 0.3 * null.max()
    names = [el.name for k, el in enumerate(network.elements) if null[network.n + k] > limit]
    names = names or [node for node, i in network.index.items() if null[i] > limit]
    return CircuitError(
        f"the circuit around {', '.join(names[:6])} has no single solution; look for a loop of parts without "
        "resistance or two sources tied together."
    )
