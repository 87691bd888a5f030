"""One network, ready for thousands of changes: its healthy solution and its inverse.

In: a machine in one state. Out: a `Family` that solves changes all together, see `settled` and `readout`.
"""

from __future__ import annotations

from collections.abc import Sequence
from copy import copy
from functools import cached_property

import numpy as np
import scipy.sparse as sp
from scipy.sparse.linalg import SuperLU, splu

from casekit.circuit.change import Change, Port, Side
from casekit.circuit.layout import KEPT, layout
from casekit.circuit.network import SHUT
from casekit.circuit.operating_point import operating_point
from casekit.circuit.readout import Solved
from casekit.circuit.threads import one_thread
from casekit.machine.machine import Machine
from casekit.machine.state import State

Pair = tuple[str, str]
AFLOAT_OHM = 1e9  # what only leaks tie to earth sees more
LARGE = 1e6  # columns of an inverse with larger numbers are refined
TRIES = 3  # pieces tried from those of other states
COLUMNS = 128  # of an inverse at a time


class Family:
    """The healthy network of a machine in one state, ready to be changed."""

    def __init__(self, machine: Machine, state: State):
        self.state = state
        lay = self.layout = layout(machine, state)
        net, self.there = lay.unplugged(state.unplugged)
        self.network, self.size, self.count, self.position = net, lay.size, lay.count, lay.position
        self.at, self.names, self.rest = lay.at, lay.names, lay.rest
        self.owner, self.first, self.caps, self.gated, self.later = lay.owner, lay.first, lay.caps, lay.gated, lay.later
        self.shut, self.gates, self.none, self.number = lay.shut, lay.gates, lay.none, lay.number
        self.known = lay.patterns
        self.untied: tuple[tuple[Port, float], ...] = ()  # only of a network with islands anchored
        self._anchored: dict[tuple[int, ...], tuple[Family, Change]] = {}
        with one_thread():
            matrix, self.rhs, lu, self.x0, self.pieces = self._start()
            self.matrix = matrix
            lay.seen[state.unplugged] = self.pieces
            self.base = np.where(self.pieces == SHUT, self.shut, self.first + self.pieces)
            self.h = np.empty((self.size, self.size))
            for k in range(0, self.size, COLUMNS):
                self.h[:, k : k + COLUMNS] = lu.solve(np.eye(self.size, min(COLUMNS, self.size - k), -k, order="F"))
            largest = np.maximum(self.h.max(axis=0), -self.h.min(axis=0))
            some = np.flatnonzero(largest > LARGE)  # to keep the digits beside 1e12 ohm
            if len(some):
                left = -(matrix @ self.h[:, some])
                left[some, np.arange(len(some))] += 1.0
                self.h[:, some] += lu.solve(left)
            self._see()

    def _start(self) -> tuple[sp.csc_matrix, np.ndarray, SuperLU, np.ndarray, np.ndarray]:
        """(matrix, right-hand side, factors, solution, pieces) of the healthy network; other states' pieces first."""
        net, lay = self.network, self.layout
        pieces = lay.guess(self.state.unplugged)
        for _ in range(TRIES if pieces is not None else 0):
            matrix, rhs = net.matrix(pieces.tolist())
            try:
                lu = splu(matrix)
            except RuntimeError:
                break
            x = lu.solve(rhs)
            if not np.isfinite(x).all():
                break
            rows, left = matrix.tocsr(), rhs.astype(np.longdouble)
            left -= np.add.reduceat(rows.data.astype(np.longdouble) * x[rows.indices], rows.indptr[:-1])
            x += lu.solve(left.astype(float))
            if not self.count:
                return matrix, rhs, lu, x, pieces
            looks = lay.looks @ x - lay.level
            amps = -looks[self.shut]
            low = lay.over(np.minimum, looks) + amps
            closed = self.gated[looks[self.gates] < 0]
            if (pieces[closed] != SHUT).any():
                break  # gates are shut one by one, by the plain search
            low[closed] = 0.0
            wanted, allowed = np.where(low > 0, self._least(looks), SHUT), np.maximum(low, 0.0)
            if ((wanted == pieces) | (np.abs(amps - allowed) <= 1e-12 + 1e-9 * allowed)).all():
                return matrix, rhs, lu, x, pieces
            pieces = wanted
        base = operating_point(net, tuple(self.rest) if self.state.key == "off" else None)
        matrix, rhs = net.matrix(base.pieces)
        return matrix, rhs, splu(matrix), base.x, np.array(base.pieces, dtype=int)

    def _least(self, looks: np.ndarray) -> np.ndarray:
        """The number of the cap that allows each valve the least."""
        caps = looks[: self.caps]
        order = np.lexsort((self.number[: self.caps], caps, self.owner))
        return self.number[order[self.first]]

    def _see(self) -> None:
        self.he = np.hstack([self.h[:, self.at], np.zeros((self.size, 1))])  # the last valve is none at all
        self.table = self.layout.looks @ self.h
        self.table_t = np.ascontiguousarray(self.table.T)
        self.table_x0 = self.layout.looks @ self.x0 - self.layout.level

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
            matrix, rhs = self.matrix, self.rhs
            nodes = list(islands)
            matrix = twin.matrix = (
                matrix + sp.csc_matrix((np.ones(len(nodes)), (nodes, nodes)), shape=matrix.shape)
            ).tocsc()
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

    def solve(self, changes: Sequence[Change]) -> Solved:
        """All changed networks."""
        return Solved(self, changes)

    def remembered(self, changes: Sequence[Change]) -> list[list[list[int]]]:
        """For every change the pieces to start from that changes at the same places settled on in any state, the latest
        first."""
        memory, mine, found = self.layout.memory, None, []
        for change in changes:
            starts = []
            for names, numbers in reversed(next((memory[k] for k in _keys(change) if k in memory), ())):
                if names != self.names:
                    mine = mine or list(zip(self.names, self.pieces.tolist(), strict=True))
                    known = dict(zip(names, numbers, strict=True))
                    numbers = [known.get(name, piece) for name, piece in mine]
                starts.append(numbers)
            found.append(starts)
        return found

    def remember(self, changes: Sequence[Change], numbers: np.ndarray) -> None:
        """Keep what these changes settled on, the latest last, a few for every place."""
        for change, found in zip(changes, numbers.tolist(), strict=True):
            for key in {*_keys(change)}:
                kept = self.layout.memory.setdefault(key, [])
                if (self.names, found) in kept:
                    kept.remove((self.names, found))
                kept.append((self.names, found))
                del kept[:-KEPT]

    def pick(self, pairs: Sequence[Pair]) -> sp.csr_matrix:
        """pairs x unknowns: red against black; a pair (branch, "") picks that branch's current."""
        index, where, weights, ends = self.network.index, [], [], [0]
        for red, black in pairs:
            if black == "":
                where.append(self.position[red])
                weights.append(1.0)
            elif red != black:
                for sign, node in ((1.0, red), (-1.0, black)):
                    if node in index:
                        where.append(index[node])
                        weights.append(sign)
            ends.append(len(where))
        where, weights = np.array(where, dtype=int), np.array(weights, dtype=float)
        return sp.csr_matrix((weights, where, ends), (len(pairs), self.size))


def _keys(change: Change) -> tuple:
    """The places of a change, and those of its first part alone."""
    places, valves = tuple(p.right for p in change.ports), tuple(name for name, _ in change.valves)
    return (places, valves), (places[:1], valves[:1])
