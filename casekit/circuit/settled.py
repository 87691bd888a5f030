"""Changed networks settled: the amounts of their ports and the pieces of their valves, all together.

In: a `Family` and changes. Out: for every change the amounts p of its ports and the slack s of the few valves that
leave their healthy piece, so that x = x0 + H (L p + E s). Ports and valves are solved together: nothing huge appears on
the way, and an exact open stays exact.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

import numpy as np
import scipy.sparse as sp

from casekit.circuit.change import Change
from casekit.circuit.network import SHUT
from casekit.circuit.pieces import Ports
from casekit.circuit.threads import one_thread

if TYPE_CHECKING:
    from casekit.circuit.family import Family

ROUNDS, FEW, BATCH = 8, 4, 1024
SIZES = np.array([0, 1, 2, 3, 4, 6, 8, 12, 16, 24, 32, 48, 64, 96, 128])  # small systems are filled up to one of these


class Settled:
    """Changes of a family with the pieces they settle on. `settled`: which have a steady state."""

    def __init__(self, family: Family, changes: Sequence[Change]):
        self.family, self.changes = family, tuple(changes)
        with one_thread():
            self._tables()
            self._settle()

    def _tables(self) -> None:
        fam, ports = self.family, [p for c in self.changes for p in c.ports]
        unique = list(dict.fromkeys(ports))
        number = {p: k for k, p in enumerate(unique)}
        most = max((len(c.ports) for c in self.changes), default=0)
        self.ports = np.full((len(self.changes), most), -1, dtype=int)
        for i, change in enumerate(self.changes):
            self.ports[i, : len(change.ports)] = [number[p] for p in change.ports]
        self.kinds = np.array([len(c.ports) for c in self.changes], dtype=int)
        sides = [fam.indexed(p.right) for p in unique]
        self.e = np.array([p.e if side else 1.0 for p, side in zip(unique, sides, strict=True)])  # absent: no amount
        self.emf = np.array([p.emf if side else 0.0 for p, side in zip(unique, sides, strict=True)])
        self.right = _padded(sides)
        left = [(i, k, w) for k, p in enumerate(unique) for i, w in fam.indexed(p.left)]
        rows, cols, weights = zip(*left, strict=True) if left else ((), (), ())
        self.hl = fam.h @ sp.csc_matrix((weights, (rows, cols)), shape=(fam.size, len(unique)))
        self.hl = np.asarray(self.hl).reshape(fam.size, len(unique))
        self.he = fam.h[:, fam.at]
        self._rows_of_valves()
        # What every port sees of the sources alone, of every port, of every valve.
        self.port_x0 = self._gather(self.right, fam.x0[:, None])[:, 0] - self.emf
        self.port_he = self._gather(self.right, self.he)
        self.table_x0 = self.table @ fam.x0 - self.level
        self.table_hl, self.table_he = self.table @ self.hl, self.table @ self.he

    def _rows_of_valves(self) -> None:
        """One row for every cap (allowed current less the valve's own), for every valve shut (less its own current),
        then for every gate its voltage. Changes with caps of their own add theirs after the usual ones."""
        fam = self.family
        caps, owner, self.own = list(fam.caps), list(fam.owner), {}
        for i, change in enumerate(self.changes):
            for name, mine in change.valves:
                if name in fam.network.position:
                    j = fam.network.valves.index(fam.network.position[name])
                    self.own.setdefault((j, mine), []).append(i)
        self.variants: list[tuple[int, np.ndarray, np.ndarray]] = []
        for (j, mine), items in self.own.items():
            self.variants.append((j, np.array(items), np.arange(len(caps), len(caps) + len(mine))))
            caps += [fam.row(cap) for cap in mine]
            owner += [j] * len(mine)
        n_caps, v = len(caps), fam.count
        table, level = np.zeros((n_caps + v + len(fam.gates), fam.size)), np.zeros(n_caps + v + len(fam.gates))
        for c, row in enumerate(caps):
            table[c, list(row.nodes)] = np.array(row.gains) / row.r
            table[c, fam.at[owner[c]]] -= 1.0
            level[c] = row.e / row.r
        self.shut = n_caps + np.arange(v)
        table[self.shut, fam.at] = -1.0
        for k, (_, gate) in enumerate(fam.gates):
            for sign, node in ((1.0, gate.plus), (-1.0, gate.minus)):
                if node in fam.network.index:
                    table[n_caps + v + k, fam.network.index[node]] += sign
            level[n_caps + v + k] = gate.at_least_v
        self.table, self.level = sp.csr_matrix(table), level
        self.cap_owner, self.gate_rows = np.array(owner, dtype=int), n_caps + v + np.arange(len(fam.gates))
        self.gated = np.array([j for j, _ in fam.gates], dtype=int)
        self.base_rows = np.where(fam.pieces == SHUT, self.shut, fam.first + fam.pieces)

    def _settle(self) -> None:
        """Change pieces until they stay: all together while they come easily, the rest from their neighbours."""
        count, v = len(self.changes), self.family.count
        self.pieces = np.zeros((count, v), dtype=int)
        self._begin(np.arange(count), self.family.pieces)
        self.amounts = np.zeros((count, self.ports.shape[1]))
        self.slack = np.zeros((count, v))
        self.settled = np.zeros(count, dtype=bool)
        self._inverse: dict[tuple[int, int], np.ndarray] = {}
        todo = self._rounds(np.arange(count))
        for known in self.family.known:
            todo = self._rounds(todo, known)
        while len(todo):
            # What one network settles on is often what its neighbours settle on.
            found = self._searched(int(todo[0]))
            if found is None:
                todo = todo[1:]
                continue
            left = self._rounds(todo, found)
            if todo[0] not in left:
                self.family.known.append(found)
            todo = left[left != todo[0]]
        self._group_all()

    def _rounds(self, todo: np.ndarray, begin: np.ndarray | None = None) -> np.ndarray:
        """Change pieces of these networks until they stay, a few times; what has not settled is returned."""
        rounds = ROUNDS if begin is None else FEW
        if begin is not None and len(todo):
            self._begin(todo, begin)
        for k in range(rounds):
            rest = []
            for n in range(0, len(todo), BATCH):
                some = todo[n : n + BATCH]
                self._solve(some)
                wanted, same = self._wanted(some, 1.0 if k == rounds - 1 else 1e-4)
                self.settled[some[same]] = True
                if k < rounds - 1:
                    self.pieces[some[~same]] = wanted[~same]
                rest.append(some[~same])
            todo = np.concatenate(rest) if rest else todo
            if not len(todo):
                break
        return todo

    def _begin(self, items: np.ndarray, pieces: np.ndarray) -> None:
        """Put these networks on pieces (number of the cap within its valve, or SHUT)."""
        self.pieces[items] = np.where(pieces == SHUT, self.shut, self.family.first + pieces)
        for j, owners, rows in self.variants:
            on = pieces[j] != SHUT and len(rows)
            self.pieces[np.intersect1d(items, owners), j] = rows[min(pieces[j], len(rows) - 1)] if on else self.shut[j]

    def _searched(self, item: int) -> np.ndarray | None:
        """Pieces one network settles on, found by the slow search on its valves alone, or None."""
        v, ports = self.family.count, self.ports[item : item + 1, : self.kinds[item]]
        k, every = ports.shape[1], np.arange(v)[None]
        matrix, right = self._system(k, v, ports, every, self.shut[None])
        drive = np.zeros((1, k + v, v + 1))
        drive[0, :, 0], drive[0, k:, 1:] = right[0], -np.eye(v)
        amounts = _solved(matrix, drive)[0]  # with nothing in the valves, then per ampere in each
        rows, owner = np.arange(len(self.family.caps)), np.array(self.family.owner, dtype=int)
        dead = np.zeros(v, dtype=bool)
        for j, owners, own in self.variants:
            if item in owners:
                dead[j] |= not len(own)
                rows = np.concatenate([rows[owner < j], own if len(own) else rows[owner == j], rows[owner > j]])
                owner = np.concatenate([owner[owner < j], [j] * (len(own) or (owner == j).sum()), owner[owner > j]])
        sees = self.table_hl[:, ports[0]] @ amounts[:k] + self.table_he @ amounts[k:]
        sees[:, 0] += self.table_x0
        sees[np.arange(len(self.cap_owner)), 1 + self.cap_owner] += 1.0  # a cap's row is less its own valve's current
        gates = sees[self.gate_rows]
        first = np.searchsorted(owner, np.arange(v))
        open_ = ~dead
        if not np.isfinite(sees).all():
            return None
        for _ in range(2 ** min(len(self.gated), 3) + 1):
            pieces = np.array(Ports(sees[rows, 1:], sees[rows, 0], first, open_).settle(self.family.rest))
            on = pieces >= 0
            cap = rows[first + np.maximum(pieces, 0)]
            amps = np.linalg.solve(
                np.eye(v) - np.where(on[:, None], sees[cap, 1:], 0.0), np.where(on, sees[cap, 0], 0.0)
            )
            wanted = gates[:, 0] + gates[:, 1:] @ amps >= 0
            if (wanted == open_[self.gated]).all():
                return pieces
            open_[self.gated] = wanted
        return None

    def _solve(self, items: np.ndarray) -> None:
        self.slack[items] = 0.0
        for rows, (k, m), ports, valves, new in self._groups(items):
            if not k + m:
                continue
            matrix, right = self._system(k, m, ports, valves, new)
            x = _solved(matrix, right[:, :, None])[:, :, 0]
            self.amounts[rows, :k] = x[:, :k]
            self.slack[rows[:, None], valves] = x[:, k:]

    def _system(self, k: int, m: int, ports, valves, new) -> tuple[np.ndarray, np.ndarray]:
        g = len(ports)
        matrix, right = np.empty((g, k + m, k + m)), np.empty((g, k + m))
        idx, w = self.right[0][ports], self.right[1][ports]
        for n in range(k):
            matrix[:, :k, n] = (self.hl[idx, ports[:, n, None, None]] * w).sum(axis=2)
            matrix[:, n, n] += self.e[ports[:, n]]
        matrix[:, :k, k:] = self.port_he[ports[:, :, None], valves[:, None, :]]
        matrix[:, k:, :k] = self.table_hl[new[:, :, None], ports[:, None, :]]
        matrix[:, k:, k:] = self.table_he[new[:, :, None], valves[:, None, :]]
        right[:, :k], right[:, k:] = -self.port_x0[ports], -self.table_x0[new]
        return matrix, right

    def _groups(self, items: np.ndarray | None = None) -> Iterator[tuple]:
        """(items, (ports, changed valves), their ports, their changed valves, the rows these are on now)."""
        if items is None:
            yield from self._all_groups
            return
        changed = self.pieces[items] != self.base_rows
        for j, owners, _ in self.variants:
            changed[:, j] |= np.isin(items, owners)
        # Filled up with valves that stay as they are, so that there are few sizes; their slack comes out as zero.
        sizes = SIZES[np.searchsorted(SIZES, changed.sum(axis=1))]
        sizes = np.minimum(sizes, self.family.count)
        order = np.argsort(~changed, axis=1, kind="stable")
        kinds = self.kinds[items]
        for k, m in dict.fromkeys(zip(kinds.tolist(), sizes.tolist(), strict=True)):
            here = np.flatnonzero((kinds == k) & (sizes == m))
            rows, valves = items[here], order[here, :m]
            yield rows, (k, m), self.ports[rows, :k], valves, np.take_along_axis(self.pieces[rows], valves, 1)

    def _group_all(self) -> None:
        """The final groups, each with the inverse of its small systems."""
        self._all_groups = list(self._groups(np.arange(len(self.changes))))
        for _, (k, m), ports, valves, new in self._all_groups:
            matrix, _ = self._system(k, m, ports, valves, new)
            self._inverse[(k, m)] = _solved(matrix, np.broadcast_to(np.eye(k + m), matrix.shape))

    def _rows_at(self, items: np.ndarray) -> np.ndarray:
        """Table rows at the present solutions, rows x items."""
        found = self.table_x0[:, None] + self.table_he @ self.slack[items].T
        for k in range(self.ports.shape[1]):
            has = self.kinds[items] > k
            found[:, has] += self.table_hl[:, self.ports[items[has], k]] * self.amounts[items[has], k]
        return found

    def _wanted(self, items: np.ndarray, tie: float) -> tuple[np.ndarray, np.ndarray]:
        """(right pieces, items x valves; whether all are right)."""
        fam, rows = self.family, self._rows_at(items)
        amps = -rows[self.shut]
        wanted, low = np.empty((2, fam.count, len(items)))
        if fam.count:
            usual = rows[: len(fam.caps)] + amps[fam.owner]
            low = np.minimum.reduceat(usual, fam.first, axis=0)
            order = np.where(usual <= low[fam.owner], np.arange(len(usual))[:, None], len(usual))
            wanted = np.minimum.reduceat(order, fam.first, axis=0)
        place = {int(i): n for n, i in enumerate(items)} if self.variants else {}
        for j, owners, own in self.variants:
            mine = [place[int(i)] for i in owners if int(i) in place]
            allowed = rows[own][:, mine] + amps[j, mine]
            low[j, mine] = allowed.min(axis=0) if len(own) else 0.0
            wanted[j, mine] = own[allowed.argmin(axis=0)] if len(own) else self.shut[j]
        here = self.pieces[items].T
        closed = np.zeros((fam.count, len(items)), dtype=bool)
        if len(self.gated):
            closed[self.gated] = rows[self.gate_rows] < 0
        off = closed | ~(low > 0)
        wanted = np.where(off, self.shut[:, None], wanted).astype(int)
        there = np.where(off, 0.0, low)
        now = np.where(here == self.shut[:, None], 0.0, np.take_along_axis(rows, here, 0) + amps)
        gap = np.where(wanted == here, 0.0, np.abs(now - there))
        same = gap <= tie * (1e-12 + 1e-9 * np.abs(there))  # at a corner two caps allow the same
        same &= ~(closed & (here != self.shut[:, None]))
        return wanted.T, same.all(axis=0) & np.isfinite(rows).all(axis=0)

    def _gather(self, sides: tuple[np.ndarray, np.ndarray], columns: np.ndarray) -> np.ndarray:
        """ports x columns: the right side of every port on columns of unknowns."""
        return np.einsum("pz,pzc->pc", sides[1], columns[sides[0]])


def _padded(sides: Sequence[list[tuple[int, float]]]) -> tuple[np.ndarray, np.ndarray]:
    """(unknowns, weights), each sides x longest; short ones are filled with weight zero."""
    most = max((len(s) for s in sides), default=0) or 1
    index, weight = np.zeros((len(sides), most), dtype=int), np.zeros((len(sides), most))
    for k, side in enumerate(sides):
        for z, (i, w) in enumerate(side):
            index[k, z], weight[k, z] = i, w
    return index, weight


def _solved(matrix: np.ndarray, right: np.ndarray) -> np.ndarray:
    """Batched small systems, rows and columns brought to one size first; a singular one gives nan."""
    if not matrix.size:
        return np.zeros(right.shape)
    with np.errstate(all="ignore"):
        rows = 1 / np.maximum(np.abs(matrix).max(axis=2), 1e-300)
        scaled = matrix * rows[:, :, None]
        cols = 1 / np.maximum(np.abs(scaled).max(axis=1), 1e-300)
        scaled = scaled * cols[:, None, :]
        bad = ~np.isfinite(scaled).all(axis=(1, 2))
        scaled[bad] = np.eye(matrix.shape[1])
        try:
            found = np.linalg.solve(scaled, right * rows[:, :, None])
        except np.linalg.LinAlgError:
            found = np.stack([_one(a, b) for a, b in zip(scaled, right * rows[:, :, None], strict=True)])
        found[bad] = np.nan
        return found * cols[:, :, None]


def _one(matrix: np.ndarray, right: np.ndarray) -> np.ndarray:
    try:
        return np.linalg.solve(matrix, right)
    except np.linalg.LinAlgError:
        return np.full_like(right, np.nan)
