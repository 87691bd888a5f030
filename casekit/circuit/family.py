"""One network, ready for thousands of changes: its healthy solution and its inverse.

In: a machine in one state. Out: a `Family` that solves changes all together, see `settled` and `readout`.
"""

from __future__ import annotations

from collections.abc import Sequence
from copy import copy
from functools import cached_property, lru_cache

import numpy as np
import scipy.sparse as sp
from scipy.sparse.linalg import splu

from casekit.circuit.change import Change, Port, Side
from casekit.circuit.network import SHUT, Network, Row
from casekit.circuit.operating_point import operating_point
from casekit.circuit.readout import Solved
from casekit.circuit.threads import one_thread
from casekit.machine.law import Cap, Capacitor, Element, Valve
from casekit.machine.machine import Machine
from casekit.machine.state import State

Pair = tuple[str, str]
AFLOAT_OHM = 1e9  # what only leaks tie to earth sees more
KEPT = 4  # patterns remembered for every place


class Family:
    """The healthy network of a machine in one state, ready to be changed."""

    def __init__(self, machine: Machine, state: State):
        self.state = state
        net = self.network = Network(_with_lonely(machine, state), machine.earth)
        start = (SHUT,) * len(net.valves) if state.key == "off" else None
        with one_thread():
            base = operating_point(net, start)
            matrix, _ = net.matrix(base.pieces)
            size = self.size = net.n + net.m
            lu = splu(matrix)
            h = lu.solve(np.eye(size, order="F"))
            h += lu.solve(np.asfortranarray(np.eye(size) - matrix @ h))  # keeps the digits beside 1e12 ohm
            self.h, self.x0 = np.ascontiguousarray(h), base.x
            self.position = {name: net.n + k for name, k in net.position.items()}
            self.count = len(net.valves)
            self.pieces = np.array(base.pieces, dtype=int)
            self.rest = [net.elements[k].rest if start is None else SHUT for k in net.valves]
            self.at = np.array([net.n + k for k in net.valves], dtype=int)
            self.known: list[np.ndarray] = []  # pieces that changed networks settled on and that did not come easily
            self.untied: tuple[tuple[Port, float], ...] = ()  # only of a network with islands anchored
            self._anchored: dict[tuple[int, ...], tuple[Family, Change]] = {}
            self.names = tuple(net.elements[k].name for k in net.valves)
            self._memory = _memory(machine)
            self._rows()

    def _rows(self) -> None:
        """The table: a row for every cap (allowed current less the valve's own), for every valve shut (less its own
        current), for every gate its voltage less what it needs, and a last one of zeros."""
        net, v = self.network, self.count
        valves = [net.elements[k] for k in net.valves]
        counts = [len(net.rows[k]) for k in net.valves]
        self.owner = np.repeat(np.arange(v), counts)
        self.first = np.cumsum([0, *counts])[:-1].astype(int)
        self.caps = len(self.owner)
        gates = [(j, valve.gate) for j, valve in enumerate(valves) if valve.gate]
        self.gated = np.array([j for j, _ in gates], dtype=int)
        self.shut = self.caps + np.arange(v)
        self.gates = self.caps + v + np.arange(len(gates))
        self.none = self.caps + v + len(gates)
        self.base = np.where(self.pieces == SHUT, self.shut, self.first + self.pieces)
        rows = [self.looking(row, j) for j, k in enumerate(net.valves) for row in net.rows[k]]
        rows += [([i], [-1.0], 0.0) for i in self.at.tolist()]
        for _, gate in gates:
            ends = [(net.index[n], s) for n, s in ((gate.plus, 1.0), (gate.minus, -1.0)) if n in net.index]
            rows.append(([i for i, _ in ends], [s for _, s in ends], gate.at_least_v))
        self._looks = [*rows, ([], [], 0.0)]
        self._see()

    def _see(self) -> None:
        self.he = np.hstack([self.h[:, self.at], np.zeros((self.size, 1))])  # the last valve is none at all
        self.table, self.table_x0 = self.seen(self._looks)

    @cached_property
    def islands(self) -> np.ndarray:
        """For every unknown the first node of the island it is on; -1 where it is tied to earth by more than leaks, and
        for single pins."""
        net, tops = self.network, np.full(self.size, -1)
        here = np.abs(np.diag(self.h)[: net.n])
        for n in np.flatnonzero(here > AFLOAT_OHM):
            if tops[n] < 0:
                with_it = np.flatnonzero(np.abs(self.h[: net.n, n]) > 0.5 * here[n])
                if len(with_it) > 2:
                    tops[with_it[tops[with_it] < 0]] = n
        return tops

    def anchored(self, islands: tuple[int, ...]) -> tuple[Family, Change]:
        """This network with the first nodes of some islands tied to earth by an ohm, and the change that unties them.

        Where changes tie an island to more than one place nothing then sees the tera-ohm of its leak, beside which the
        ohms between those places would be lost.
        """
        if islands not in self._anchored:
            twin, net = copy(self), self.network
            matrix, rhs = net.matrix(self.pieces.tolist())
            nodes = list(islands)
            matrix = (matrix + sp.csc_matrix((np.ones(len(nodes)), (nodes, nodes)), shape=matrix.shape)).tocsc()
            with one_thread():
                lu = splu(matrix)
                right = np.hstack([np.eye(self.size), rhs[:, None]])
                found = lu.solve(right)
                found += lu.solve(right - matrix @ found)
                twin.h, twin.x0 = np.ascontiguousarray(found[:, :-1]), found[:, -1].copy()
                twin._see()
            names = {k: name for name, k in net.index.items()}
            sides = [Side(nodes=((names[n], 1.0),)) for n in nodes]
            free = Change(tuple(Port(side, side, -1.0) for side in sides))
            # 1 ohm less what twin.h says, without its cancellation.
            twin.untied = tuple((p, -1 / (1 + self.h[n, n])) for p, n in zip(free.ports, nodes, strict=True))
            self._anchored[islands] = twin, free
        return self._anchored[islands]

    def looking(self, row: Row, j: int) -> tuple[list[int], list[float], float]:
        """(unknowns, weights, level) of the current a cap's row allows valve j, less what it carries."""
        return [*row.nodes, int(self.at[j])], [*(k / row.r for k in row.gains), -1.0], row.e / row.r

    def seen(self, rows: Sequence[tuple[list[int], list[float], float]]) -> tuple[np.ndarray, np.ndarray]:
        """(rows x unknowns: what rows see of every unit on the right-hand side; what they see as it is)."""
        level = np.array([level for *_, level in rows])
        ends = np.cumsum([0, *(len(i) for i, *_ in rows)])
        index, weights = [i for r in rows for i in r[0]], [w for r in rows for w in r[1]]
        looks = sp.csr_matrix((weights, index, ends), shape=(len(rows), self.size))
        return looks @ self.h, looks @ self.x0 - level

    def solve(self, changes: Sequence[Change]) -> Solved:
        """All changed networks."""
        return Solved(self, changes)

    def remembered(self, changes: Sequence[Change], turn: int) -> np.ndarray:
        """changes x valves: pieces to start from, the latest but `turn` that changes at the same places settled on in
        any state; a row of -2 where there is none."""
        found = np.full((len(changes), self.count), -2)
        for n, change in enumerate(changes):
            kept = next((self._memory[k] for k in _keys(change) if k in self._memory), ())
            if turn < len(kept):
                names, numbers = kept[-1 - turn]
                known = dict(zip(names, numbers, strict=True)) if names != self.names else None
                both = zip(self.names, self.pieces.tolist(), strict=True)
                found[n] = numbers if known is None else [known.get(name, piece) for name, piece in both]
        return found

    def remember(self, changes: Sequence[Change], numbers: np.ndarray) -> None:
        """Keep what these changes settled on, the latest last, a few for every place."""
        for change, found in zip(changes, numbers.tolist(), strict=True):
            for key in {*_keys(change)}:
                kept = self._memory.setdefault(key, [])
                if (self.names, found) in kept:
                    kept.remove((self.names, found))
                kept.append((self.names, found))
                del kept[:-KEPT]

    def indexed(self, side: Side) -> list[tuple[int, float]]:
        """(unknown, weight) of one side of a port; what is not in this network, or earth, has no weight."""
        index = self.network.index
        found = [(index[n], w) for n, w in side.nodes if n in index]
        return found + [(self.position[b], w) for b, w in side.branches if b in self.position]

    def pick(self, pairs: Sequence[Pair]) -> np.ndarray:
        """pairs x unknowns: red against black; a pair (branch, "") picks that branch's current."""
        rows = np.zeros((len(pairs), self.size))
        for k, (red, black) in enumerate(pairs):
            if black == "":
                rows[k, self.position[red]] = 1.0
                continue
            for sign, node in ((1.0, red), (-1.0, black)):
                if node in self.network.index:
                    rows[k, self.network.index[node]] += sign
        return rows

    def row(self, cap: Cap) -> Row:
        """The equation of a cap that is not in this network."""
        return self.network._row(cap.volts, cap.r_ohm, cap.e_v)


def _with_lonely(machine: Machine, state: State) -> list[Element]:
    """The elements of a machine, and one that never conducts for every point a lead can reach that nothing is joined
    to: so that it is a node, with a leak of its own."""
    elements = list(machine.elements(state))
    joined = {end for el in elements if not isinstance(el, Capacitor) for end in (el.a, el.b)}
    lonely = {*machine.reachable(state)} - joined - {machine.earth}
    never = (Cap.amps("never", -1.0),)
    return elements + [Valve(f"nothing at {n}", n, machine.earth, never, rest=SHUT) for n in sorted(lonely)]


@lru_cache(maxsize=8)
def _memory(machine: Machine) -> dict:
    """What changes of a machine settled on that did not come easily: {places: (valve names, pieces)}."""
    return {}


def _keys(change: Change) -> tuple:
    """The places of a change, and those of its first part alone."""
    places, valves = tuple(p.right for p in change.ports), tuple(name for name, _ in change.valves)
    return (places, valves), (places[:1], valves[:1])
