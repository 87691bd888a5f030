"""The equations of a network, in hybrid form.

In: elements. Out: a sparse matrix for any choice of valve pieces. Unknowns are the node voltages against earth and
the current of every element, so that a wire's drop is R i and not a difference of two node voltages:

    sum of currents leaving a node + leak v = 0
    resistor, source:   v_a - v_b - R i = E
    valve on cap c:     sum k v - r i = e          valve shut:  i = 0
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from copy import copy
from dataclasses import dataclass

import numpy as np
import scipy.sparse as sp

from casekit.error import CircuitError
from casekit.machine.law import Capacitor, Element, Valve

LEAK_S = 1e-12  # from every node to earth, so that a floating node has a voltage; a meter there may show millivolts
SHUT = -1


@dataclass(frozen=True)
class Row:
    """One element equation: sum k v - r i = e, scaled so that its largest coefficient is about one."""

    nodes: tuple[int, ...]
    gains: tuple[float, ...]
    r: float
    e: float


class Network:
    """Nodes, elements and their equations; `earth` is the zero of all voltages."""

    def __init__(self, elements: Iterable[Element], earth: str):
        self.elements = tuple(el for el in elements if not isinstance(el, Capacitor))  # at rest they carry nothing
        self.earth = earth
        self.index: dict[str, int] = {}
        self.position: dict[str, int] = {}
        for k, el in enumerate(self.elements):
            if el.name in self.position:
                raise CircuitError(f"two elements are called {el.name}; give each part its own name.")
            self.position[el.name] = k
            for node in (el.a, el.b):
                if node != earth:
                    self.index.setdefault(node, len(self.index))
        self.n, self.m = len(self.index), len(self.elements)
        self.a = np.array([self.index.get(el.a, -1) for el in self.elements], dtype=np.intp)
        self.b = np.array([self.index.get(el.b, -1) for el in self.elements], dtype=np.intp)
        self.valves = tuple(k for k, el in enumerate(self.elements) if isinstance(el, Valve))
        self.rows: dict[int, tuple[Row, ...]] = {
            k: tuple(self._row(c.volts, c.r_ohm, c.e_v) for c in self.elements[k].caps) for k in self.valves
        }
        self._entries()

    def matrix(self, pieces: Sequence[int]) -> tuple[sp.csc_matrix, np.ndarray]:
        """Matrix and right-hand side with valve `self.valves[j]` on its piece `pieces[j]` (SHUT for i = 0)."""
        chosen, on = self._option + np.array(pieces, dtype=np.intp), np.zeros(len(self._e), dtype=bool)
        on[0] = on[chosen] = True
        keep, rhs, size = on[self._when], self._rhs.copy(), self.n + self.m
        rhs[self.n + np.array(self.valves, dtype=np.intp)] = self._e[chosen]
        ends = np.zeros(size + 1, dtype=np.intc)
        np.cumsum(np.bincount(self._j[keep], minlength=size), out=ends[1:])
        matrix = sp.csc_matrix((self._x[keep], self._i[keep], ends), shape=(size, size))
        matrix.has_canonical_format = True  # as sorted below
        return matrix, rhs

    def without(self, gone: Sequence[int]) -> Network:
        """This network in which some elements (no valves) carry nothing; they stay in the equations."""
        net, out = copy(self), np.zeros(self.n + self.m, dtype=bool)
        out[self.n + np.array(gone, dtype=np.intp)] = True
        stay = ~out[self._i] | (self._i == self._j)
        net._i, net._j, net._when = self._i[stay], self._j[stay], self._when[stay]
        net._x, net._rhs = np.where(out[net._i], -1.0, self._x[stay]), np.where(out, 0.0, self._rhs)
        return net

    def _row(self, volts: tuple[tuple[str, float], ...], r: float, e: float) -> Row:
        scale = 1 / max(1.0, r)
        known = [(self.index[node], k * scale) for node, k in volts if node != self.earth]
        return Row(tuple(i for i, _ in known), tuple(k for _, k in known), r * scale, e * scale)

    def _entries(self) -> None:
        """Every entry the matrix can have, by columns: row, column, value, and the option it belongs to. Option 0 is
        what is always there; a valve has one for being shut, and after it one for each of its pieces."""
        i, j, x, when = [], [], [], []

        def equation(k: int, row: Row, option: int) -> None:
            i.extend([self.n + k] * (len(row.nodes) + 1))
            j.extend([*row.nodes, self.n + k])
            x.extend([*row.gains, -row.r])
            when.extend([option] * (len(row.nodes) + 1))

        self._rhs, level, first = np.zeros(self.n + self.m), [0.0], []
        for k, el in enumerate(self.elements):
            if not isinstance(el, Valve):
                row = self._row(((el.a, 1.0), (el.b, -1.0)), el.r_ohm, getattr(el, "emf_v", 0.0))
                equation(k, row, 0)
                self._rhs[self.n + k] = row.e
                continue
            first.append(len(level) + 1)  # of its pieces; SHUT is one less
            for row in (Row((), (), 1.0, 0.0), *self.rows[k]):
                equation(k, row, len(level))
                level.append(row.e)
        self._option, self._e = np.array(first, dtype=np.intp), np.array(level)
        # Kirchhoff's current law: +1 where a current leaves a node, -1 where it enters, and the leak.
        m, out, into, nodes = np.arange(self.m), self.a >= 0, self.b >= 0, np.arange(self.n)
        i = np.concatenate([i, self.a[out], self.b[into], nodes]).astype(np.intc)
        j = np.concatenate([j, self.n + m[out], self.n + m[into], nodes]).astype(np.intc)
        x = np.concatenate([x, np.ones(out.sum()), -np.ones(into.sum()), np.full(self.n, LEAK_S)])
        when = np.concatenate([when, np.zeros(len(x) - len(when))]).astype(np.intp)
        order = np.lexsort((when, i, j))
        i, j, x, when = i[order], j[order], x[order], when[order]
        new = np.ones(len(i), dtype=bool)  # entries at one place are added
        new[1:] = (np.diff(i) != 0) | (np.diff(j) != 0) | (np.diff(when) != 0)
        at = np.flatnonzero(new)
        self._i, self._j, self._when = i[at], j[at], when[at]
        self._x = np.add.reduceat(x, at) if len(at) else x
