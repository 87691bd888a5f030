"""The equations of a network, in hybrid form.

In: elements. Out: a sparse matrix for any choice of valve pieces. Unknowns are the node voltages against earth and
the current of every element, so that a wire's drop is R i and not a difference of two node voltages:

    sum of currents leaving a node + leak v = 0
    resistor, source:   v_a - v_b - R i = E
    valve on cap c:     sum k v - r i = e          valve shut:  i = 0
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
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
        fixed = [
            (k, self._row(((el.a, 1.0), (el.b, -1.0)), el.r_ohm, getattr(el, "emf_v", 0.0)))
            for k, el in enumerate(self.elements)
            if not isinstance(el, Valve)
        ]
        self._fixed = self._triplets(fixed)
        self._rhs = np.zeros(self.n + self.m)
        for k, row in fixed:
            self._rhs[self.n + k] = row.e
        self._currents = self._current_columns()

    def matrix(self, pieces: Sequence[int]) -> tuple[sp.csc_matrix, np.ndarray]:
        """Matrix and right-hand side with valve `self.valves[j]` on its piece `pieces[j]` (SHUT for i = 0)."""
        rhs = self._rhs.copy()
        chosen: list[tuple[int, Row]] = []
        for k, piece in zip(self.valves, pieces, strict=True):
            row = self.rows[k][piece] if piece >= 0 else Row((), (), 1.0, 0.0)
            chosen.append((k, row))
            rhs[self.n + k] = row.e
        blocks = (self._fixed, self._currents, self._triplets(chosen))
        i, j, x = (np.concatenate([b[c] for b in blocks]) for c in range(3))
        size = self.n + self.m
        return sp.csc_matrix((x, (i, j)), shape=(size, size)), rhs

    def _row(self, volts: tuple[tuple[str, float], ...], r: float, e: float) -> Row:
        scale = 1 / max(1.0, r)
        known = [(self.index[node], k * scale) for node, k in volts if node != self.earth]
        return Row(tuple(i for i, _ in known), tuple(k for _, k in known), r * scale, e * scale)

    def _triplets(self, rows: list[tuple[int, Row]]) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        i, j, x = [], [], []
        for k, row in rows:
            i += [self.n + k] * (len(row.nodes) + 1)
            j += [*row.nodes, self.n + k]
            x += [*row.gains, -row.r]
        return np.array(i, dtype=np.intp), np.array(j, dtype=np.intp), np.array(x)

    def _current_columns(self) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Kirchhoff's current law: +1 where a current leaves a node, -1 where it enters, and the leak."""
        k = np.arange(self.m)
        out, into, nodes = self.a >= 0, self.b >= 0, np.arange(self.n)
        i = np.concatenate([self.a[out], self.b[into], nodes])
        j = np.concatenate([self.n + k[out], self.n + k[into], nodes])
        x = np.concatenate([np.ones(out.sum()), -np.ones(into.sum()), np.full(self.n, LEAK_S)])
        return i, j, x
