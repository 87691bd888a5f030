"""How far readings move when parts that are not known exactly lie off the drawing.

In: a family of networks, parts and the same parts one standard uncertainty away. Out: a `Forcing`, which says what that
moves at the solutions of any changes, to first order.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import scipy.sparse as sp

from casekit.circuit.family import Family
from casekit.circuit.readout import Solved
from casekit.machine.law import Resistor, Source, Valve
from casekit.machine.machine import Part


class Forcing:
    """How quantities act on the equations of a family, per standard uncertainty."""

    def __init__(self, family: Family, quantities: Sequence[tuple[Part, Part]]):
        net, state, size = family.network, family.state, family.size
        rows: list[tuple[int, int, float, float]] = []  # (quantity, equation, per ampere, constant)
        caps: list[tuple[int, int, int, float]] = []  # (quantity, valve, cap, constant)
        looks: list[np.ndarray] = []
        for q, (part, other) in enumerate(quantities):
            for before, after in zip(part.elements(state), other.elements(state), strict=False):
                if before == after or before.name not in net.position:
                    continue
                if isinstance(before, Valve):
                    j = net.valves.index(net.position[before.name])
                    for c, (old, new) in enumerate(zip(before.caps, after.caps, strict=True)):
                        if old != new:
                            look, constant = _cap(family, old, new)
                            looks.append(look)
                            caps.append((q, j, c, constant))
                elif isinstance(before, Resistor | Source):
                    scale = 1 / max(1.0, before.r_ohm)
                    emf = getattr(after, "emf_v", 0.0) - getattr(before, "emf_v", 0.0)
                    rows.append((q, family.position[before.name], scale * (after.r_ohm - before.r_ohm), scale * emf))
        many = len(quantities)
        q, where, self.per_amp, self.constant = np.array(rows).reshape(-1, 4).T
        self.where = where.astype(int)
        self.rows = _sums(q, many)
        self.branches = sp.csr_matrix((np.ones(len(q)), self.where, np.arange(len(q) + 1)), (len(q), size))
        q, valve, cap, self.cap_constant = np.array(caps).reshape(-1, 4).T
        self.valve, self.cap, self.caps = valve.astype(int), cap.astype(int), _sums(q, many)
        self.looks = sp.csr_matrix(np.array(looks).reshape(-1, size))

    def moves(self, solved: Solved, picks: sp.csr_matrix) -> np.ndarray:
        """changes x picks x quantities."""
        found = self._by_row(solved, picks)
        shape = found.shape
        out = (found.reshape(-1, shape[2]) @ self.rows).reshape(*shape[:2], self.rows.shape[1])
        if len(self.cap):
            amps = np.nan_to_num(solved.values(self.looks)) + self.cap_constant
            amps *= solved.active()[:, self.valve] == self.cap
            effect = solved.valve_sensitivities(picks)[:, :, self.valve]
            effect *= amps[:, None, :]
            out += (effect.reshape(-1, len(self.cap)) @ self.caps).reshape(out.shape)
        return out

    def variance(self, solved: Solved, picks: sp.csr_matrix) -> np.ndarray:
        """changes x picks: of all quantities together."""
        if len(self.cap) or len(self.where) > self.rows.shape[1] or (self.rows.sum(axis=0) > 1).any():
            return np.square(self.moves(solved, picks)).sum(axis=2)
        found = self._by_row(solved, picks)  # each quantity has a row of its own
        return np.einsum("ijk,ijk->ij", found, found)

    def _by_row(self, solved: Solved, picks: sp.csr_matrix) -> np.ndarray:
        """changes x picks x rows."""
        force = np.nan_to_num(solved.values(self.branches)) * self.per_amp + self.constant
        found = solved.sensitivities(picks, self.where)
        found *= force[:, None, :]
        return found


def _sums(numbers: np.ndarray, many: int) -> np.ndarray:
    """What adds up rows by the quantity they belong to, rows x quantities."""
    found = np.zeros((len(numbers), many))
    found[np.arange(len(numbers)), numbers.astype(int)] = 1.0
    return found


def _cap(family: Family, old, new) -> tuple[np.ndarray, float]:
    """What more current a cap allows with other values: weights of unknowns, and a constant."""
    look = np.zeros(family.size)
    for cap, sign in ((new, 1.0), (old, -1.0)):
        for node, k in cap.volts:
            if node in family.network.index:
                look[family.network.index[node]] += sign * k / cap.r_ohm
    return look, -(new.e_v / new.r_ohm - old.e_v / old.r_ohm)
