"""One network, ready for thousands of changes: its healthy solution and its inverse.

In: a machine in one state. Out: a `Family` that solves changes all together, see `settled` and `readout`.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from scipy.sparse.linalg import splu

from casekit.circuit.change import Change, Side
from casekit.circuit.network import SHUT, Network, Row
from casekit.circuit.operating_point import operating_point
from casekit.circuit.readout import Solved
from casekit.circuit.threads import one_thread
from casekit.machine.law import Cap
from casekit.machine.machine import Machine
from casekit.machine.state import State

Pair = tuple[str, str]


class Family:
    """The healthy network of a machine in one state, ready to be changed."""

    def __init__(self, machine: Machine, state: State):
        self.state = state
        net = self.network = Network(machine.elements(state), machine.earth)
        start = (SHUT,) * len(net.valves) if state.key == "off" else None
        base = operating_point(net, start)
        matrix, _ = net.matrix(base.pieces)
        size = self.size = net.n + net.m
        with one_thread():
            lu = splu(matrix)
            h = lu.solve(np.eye(size))
            # One refinement of every column, the residual in extended precision: digits beside 1e12 ohm are kept.
            coo, rest = matrix.tocoo(), np.eye(size, dtype=np.longdouble)
            order = np.argsort(coo.row, kind="stable")
            rows, first = np.unique(coo.row[order], return_index=True)
            terms = coo.data[order].astype(np.longdouble)[:, None] * h[coo.col[order]]
            rest[rows] -= np.add.reduceat(terms, first, axis=0)
            h += lu.solve(rest.astype(float))
        self.h, self.x0 = h, base.x
        self.position = {name: net.n + k for name, k in net.position.items()}
        self.owner, caps = [], []
        for j, k in enumerate(net.valves):
            self.owner += [j] * len(net.rows[k])
            caps += net.rows[k]
        self.first = np.cumsum([0, *(len(net.rows[k]) for k in net.valves)])[:-1].astype(int)
        self.labels = [cap.label for k in net.valves for cap in net.elements[k].caps]
        self.count = len(net.valves)
        self.rest = [net.elements[k].rest if start is None else SHUT for k in net.valves]
        self.known: list[np.ndarray] = []  # pieces that changed networks settled on and that did not come easily
        self.caps = caps
        self.gates = [(j, net.elements[k].gate) for j, k in enumerate(net.valves) if net.elements[k].gate]
        self.pieces = np.array(base.pieces, dtype=int)
        self.at = np.array([net.n + k for k in net.valves], dtype=int)

    def solve(self, changes: Sequence[Change]) -> Solved:
        """All changed networks."""
        return Solved(self, changes)

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
