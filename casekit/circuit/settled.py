"""Changed networks settled: the amounts of their ports and the pieces of their valves, all together.

In: a `Family` and changes. Out: for every change the amounts p of its ports and the slack s of the few valves that
leave their healthy piece, so that x = x0 + H (L p + E s). Ports and valves are solved together: nothing huge appears on
the way, and an exact open stays exact.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

import numpy as np

from casekit.circuit.change import Change
from casekit.circuit.layout import within
from casekit.circuit.pieces import Ports
from casekit.circuit.threads import one_thread

if TYPE_CHECKING:
    from casekit.circuit.family import Family

FREE, SINGLE, FEW, KEPT, BATCH, LEAST, PATTERNS = 4, 6, 3, 4, 1024, 24, 12
SIZES = np.array([0, 1, 2, 4, 8, 16, 32, 64, 128, 256, 512])  # small systems are filled up to one of these


class Settled:
    """Changes of a family with the pieces they settle on. `settled`: which have a steady state.

    Pieces are rows of a table: the family's, then those of caps that only some changes have ("own").
    """

    def __init__(self, family: Family, changes: Sequence[Change], begin: np.ndarray | None = None):
        self.family, self.changes, self._known = family, tuple(changes), family.layout.known
        numbered = self._numbered = self._known.numbered(self.changes)
        self.kinds, self.ports, self.plain = numbered.kinds, numbered.ports, numbered.plain
        self.own_item, self.own_valve, self.own_rows = numbered.own_item, numbered.own_valve, numbered.own_rows
        self.own_count, self.own_looks, self.number = numbered.own_count, numbered.own_looks, numbered.number
        with one_thread():
            self._number_ports()
            self._own_caps()
            self._settle(begin)

    # What changes add to the family -----------------------------------------------------------------------------------

    def _number_ports(self) -> None:
        """What ports see of the sources, of every valve and of each other, and what every row of the table sees of
        them."""
        fam, count, most = self.family, len(self.changes), self.ports.shape[1]
        numbered = self._numbered
        self.left, self.right, self.of, self.to = numbered.sides(fam.there)
        has = (self.right[1] != 0).any(axis=1)
        self.e, self.emf = np.where(has, numbered.e, 1.0), np.where(has, numbered.emf, 0.0)  # absent: no amount
        self.port_x0 = self.to @ fam.x0 - self.emf
        self.port_he = self.to @ fam.he
        self.table_hl = np.ascontiguousarray((self.of @ fam.table_t).T)
        self.port_hl = np.zeros((count, most, most))
        for k, items, ports in numbered.sizes:
            to, w = (a[ports][:, :, None, :, None] for a in self.right)
            of, u = (a[ports][:, None, :, None, :] for a in self.left)
            self.port_hl[items, :k, :k] = (fam.h[to, of] * w * u).sum(axis=(3, 4))
        every = np.arange(most)
        self.port_hl[:, every, every] += self.e[self.ports]
        for port, value in fam.untied:
            i, k = np.nonzero(numbered.unique[self.ports] == self._known.port(port))
            self.port_hl[i, k, k] = value

    def _own_caps(self) -> None:
        """The family's table with the rows of own caps, and what these see of ports and valves."""
        fam = self.family
        self.table, self.table_t, self.table_x0 = fam.table, fam.table_t, fam.table_x0
        if self.own_looks is not None:
            looks, level = self.own_looks
            table, table_x0 = looks @ fam.h, looks @ fam.x0 - level
            self.table, self.table_x0 = np.vstack([self.table, table]), np.concatenate([self.table_x0, table_x0])
            self.table_t = np.hstack([self.table_t, table.T])
        self.table_he = np.hstack([self.table[:, fam.at], np.zeros((len(self.table), 1))])
        self.own_hl = self._rows_of_ports(self.own_rows, self.ports[self.own_item])
        self.own_he = self.table_he[self.own_rows]

    def _rows_of_ports(self, rows: np.ndarray, ports: np.ndarray) -> np.ndarray:
        """items x rows x ports: what rows of the table see of ports, where `rows` may be own ones."""
        of, weight = (a[ports][:, None] for a in self.left)
        return (self.table[rows[:, :, None, None], of] * weight).sum(axis=3)

    # Pieces -----------------------------------------------------------------------------------------------------------

    def _settle(self, begin: np.ndarray) -> None:
        """Change pieces until they stay: all at once from `begin`, then from what changes at the same place settled on,
        then each from its neighbours."""
        count, v = len(self.changes), self.family.count
        self.pieces = np.zeros((count, v), dtype=int)
        self.amounts = np.zeros(self.ports.shape)
        self.slack = np.zeros((count, v + 1))
        self.settled = np.zeros(count, dtype=bool)
        self._place = np.full(count, -1)
        self._looked: list[tuple[np.ndarray, np.ndarray, np.ndarray]] = []
        todo = np.arange(count)
        if begin is None:
            begin = self._known.begin(self._numbered.numbers, self.family)
            met = (begin != self.family.pieces).any(axis=1)
        else:
            met = np.zeros(count, dtype=bool)
        self._begin(todo, begin)
        todo = self._batches(todo, 3)
        hard = todo
        starts = dict(zip(todo.tolist(), self.family.remembered([self.changes[i] for i in todo]), strict=True))
        for turn in range(KEPT):
            known = np.array([len(starts[i]) > turn for i in todo.tolist()], dtype=bool)
            if not known.any():
                break
            self._begin(todo[known], np.array([starts[i][turn] for i in todo[known].tolist()]))
            todo = np.concatenate([todo[~known], self._free(todo[known], FEW)])
        self._begin(todo[met[todo]], self.family.pieces)
        todo = self._batches(todo, FREE, SINGLE)
        for known in self.family.known[-PATTERNS:][::-1] if len(todo) else ():
            todo = self._from(known, todo)
        if len(todo) and not self.family.untied:  # what ties an island is solved again with the island anchored
            afloat = ((self.right[1] != 0) & (self.family.islands[self.right[0]] >= 0)).any(axis=1)
            todo = todo[~afloat[self.ports[todo]].any(axis=1)]
        while len(todo):
            # What one network settles on is often what its neighbours settle on.
            found = self._searched(int(todo[0]))
            if found is None:
                todo = todo[1:]
                continue
            left = self._from(found, todo)
            if todo[0] not in left:
                self.family.known.append(found)
            todo = left[left != todo[0]]
        numbers = self.number[self.pieces]
        self._known.keep(self._numbered.numbers[self.settled], numbers[self.settled], self.family)
        hard = hard[self.settled[hard]]
        self._known.exceptions(self._numbered.numbers[hard], numbers[hard], self.family)
        self.family.remember([self.changes[i] for i in hard], self.number[self.pieces[hard]])

    def _batches(self, todo: np.ndarray, rounds: int, single: int = 0) -> np.ndarray:
        left = [self._free(todo[n : n + BATCH], rounds, single) for n in range(0, len(todo), BATCH)]
        return np.concatenate(left) if left else todo

    def _from(self, pieces: np.ndarray, todo: np.ndarray) -> np.ndarray:
        self._begin(todo, pieces)
        return self._free(todo, FEW)

    def _begin(self, items: np.ndarray, numbers: np.ndarray) -> None:
        """Put these networks on pieces (number of the cap within its valve, or SHUT)."""
        if not len(items):
            return
        fam = self.family
        numbers = np.broadcast_to(numbers, (len(items), fam.count))
        self.pieces[items] = np.where(numbers < 0, fam.shut, fam.first + np.maximum(numbers, 0))
        who, place = self._owners(items)
        j, n = self.own_valve[who], self.own_count[who]
        wanted = numbers[place, j]
        at = self.own_rows[who, np.clip(wanted, 0, self.own_rows.shape[1] - 1)]
        self.pieces[self.own_item[who], j] = np.where((wanted < 0) | (n == 0), fam.shut[j], at)

    def _owners(self, items: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """(entries of own caps of these items, their places among the items)."""
        if not len(self.own_item):
            return self.own_item, self.own_item
        self._place[items] = np.arange(len(items))
        place = self._place[self.own_item]
        self._place[items] = -1
        who = np.flatnonzero(place >= 0)
        return who, place[who]

    def _free(self, todo: np.ndarray, rounds: int, single: int = 0) -> np.ndarray:
        """Put every valve on the piece it wants, a few times, and then only the one that is most wrong: valves in
        parallel would go on and off together. What has not settled is returned."""
        gates = self.family.gates
        for k in range(rounds + single):
            if not len(todo):
                break
            self._solve(todo)
            looks = self._looks(todo)
            closed = looks[0][gates] < 0
            wanted, low, amps = self._laws(looks, closed)
            same = self._same(todo, wanted, low, amps, closed, tie=1.0 if k >= rounds - 1 else 1e-4)
            self.settled[todo[same]] = True
            if same.any():
                self._looked.append((todo, same, looks[0]))
            todo, wanted = todo[~same], wanted[:, ~same].T
            if k >= rounds and wanted.size:
                gap = np.where(wanted != self.pieces[todo], np.abs(amps - low)[:, ~same].T, -1.0)
                one = gap.argmax(axis=1)[:, None]
                self.pieces[todo[:, None], one] = np.take_along_axis(wanted, one, 1)
            else:
                self.pieces[todo] = wanted
        return todo

    def _looks(self, items: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
        """What the table's rows see at the present solutions: (rows x items; own entries x caps, the entries, their
        places among the items)."""
        fam, slack = self.family, self.slack[items]
        rows = self.table_hl[: fam.none].take(self.ports[items, 0], axis=1)
        rows *= self.amounts[items, 0]
        rows += self.table_x0[: fam.none, None]
        used = np.flatnonzero(slack.any(axis=0))
        if len(used):
            rows += self.table_he[: fam.none, used] @ slack[:, used].T
        for k in range(1, self.ports.shape[1]):
            has = np.flatnonzero(self.kinds[items] > k)
            if len(has):
                some = items[has]
                rows[:, has] += self.table_hl[: fam.none, self.ports[some, k]] * self.amounts[some, k]
        who, place = self._owners(items)
        own = self.table_x0[self.own_rows[who]]
        own += (self.own_he[who] @ slack[place][:, :, None])[:, :, 0]
        own += (self.own_hl[who] @ self.amounts[self.own_item[who]][:, :, None])[:, :, 0]
        return rows, own, who, place

    def _final_looks(self) -> np.ndarray:
        """What the table's rows see of every change as it settled, rows x items; zeros of one that did not."""
        rows = np.zeros((self.family.none, len(self.changes)))
        for items, same, found in self._looked:
            rows[:, items[same]] = found[:, same]
        return rows

    def _laws(self, looks: tuple, closed: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Each valves x items: the piece a valve should be on, the current that allows, the current it carries."""
        fam, (rows, own, who, place) = self.family, looks
        amps = -rows[fam.shut]
        if not fam.count:
            return np.zeros(amps.shape, dtype=int), amps, amps
        first = rows[fam.first] + amps
        low, wanted = first.copy(), np.repeat(fam.first[:, None], first.shape[1], axis=1)
        for more, j in fam.later:
            usual, least = rows[more] + amps[j], low[j]
            wanted[j] = np.where((usual <= least) & (usual < first[j]), more[:, None], wanted[j])
            low[j] = np.minimum(usual, least)
        if len(who):
            j = self.own_valve[who]
            allowed = own + amps[j, place][:, None]
            dead = self.own_count[who] == 0
            low[j, place] = np.where(dead, 0.0, allowed.min(axis=1))
            wanted[j, place] = self.own_rows[who, allowed.argmin(axis=1)]
        off = ~(low > 0)
        off[fam.gated] |= closed
        return np.where(off, fam.shut[:, None], wanted), np.where(off, 0.0, low), amps

    def _same(self, items: np.ndarray, wanted, low, amps, closed, tie: float) -> np.ndarray:
        """Whether every valve stands on the piece it wants; at a corner two caps allow the same current."""
        here = self.pieces[items].T
        same = (wanted == here) | (np.abs(amps - low) <= tie * (1e-12 + 1e-9 * np.abs(low)))
        same[self.family.gated] &= ~closed | (here == self.family.shut[:, None])[self.family.gated]
        return same.all(axis=0) & np.isfinite(amps).all(axis=0)

    def _searched(self, item: int) -> np.ndarray | None:
        """Pieces one network settles on, found by the slow search on its valves alone, or None."""
        fam, v = self.family, self.family.count
        k, every = int(self.kinds[item]), np.arange(v)[None]
        items, ports = np.array([item]), self.ports[item, :k]
        matrix, right = self._system(items, k, every, fam.shut[None])
        drive = np.zeros((1, k + v, v + 1))
        drive[0, :, 0], drive[0, k:, 1:] = right[0], -np.eye(v)
        amounts = solved(matrix, drive)[0]  # with nothing in the valves, then per ampere in each
        rows, owner = np.arange(fam.caps), fam.owner
        dead = np.zeros(v, dtype=bool)
        for who in self._owners(items)[0]:
            j, own = self.own_valve[who], self.own_rows[who, : self.own_count[who]]
            dead[j] = not len(own)
            if len(own):
                rows = np.concatenate([rows[owner < j], own, rows[owner > j]])
                owner = np.concatenate([owner[owner < j], [j] * len(own), owner[owner > j]])
        looked = np.concatenate([rows, fam.gates])[None]
        sees = self._rows_of_ports(looked, ports[None])[0] @ amounts[:k] + self.table_he[looked[0], :v] @ amounts[k:]
        sees[:, 0] += self.table_x0[looked[0]]
        sees[np.arange(len(rows)), 1 + owner] += 1.0  # a cap's row is less its own valve's current
        sees, gates = sees[: len(rows)], sees[len(rows) :]
        first = np.searchsorted(owner, np.arange(v))
        open_ = ~dead
        if not np.isfinite(sees).all():
            return None
        for _ in range(2 ** min(len(fam.gated), 3) + 1):
            pieces = np.array(Ports(sees[:, 1:], sees[:, 0], first, open_).settle(fam.rest))
            on = pieces >= 0
            cap = first + np.maximum(pieces, 0)
            gain, offset = np.where(on[:, None], sees[cap, 1:], 0.0), np.where(on, sees[cap, 0], 0.0)
            amps = np.linalg.solve(np.eye(v) - gain, offset)
            wanted = gates[:, 0] + gates[:, 1:] @ amps >= 0
            if (wanted == open_[fam.gated]).all():
                return pieces
            open_[fam.gated] = wanted
        return None

    # Small systems ----------------------------------------------------------------------------------------------------

    def _solve(self, items: np.ndarray) -> None:
        self.slack[items] = 0.0
        for rows, k, valves, new in self._groups(items):
            matrix, right = self._system(rows, k, valves, new)
            if matrix.shape[1] == 1:
                with np.errstate(all="ignore"):
                    x = right / matrix[:, 0]
            else:
                x = solved(matrix, right[:, :, None])[:, :, 0]
            self.amounts[rows, :k] = x[:, :k]
            self.slack[rows[:, None], valves] = x[:, k:]

    def _system(self, items: np.ndarray, k: int, valves: np.ndarray, new: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Matrices and right-hand sides for the first k ports of these items and their changed valves (items x m, the
        last valve is none) on the rows `new`."""
        fam, (g, m), ports = self.family, valves.shape, self.ports[items, :k]
        matrix = np.empty((g, k + m, k + m))
        right = np.empty((g, k + m))
        matrix[:, :k, :k], right[:, :k] = self.port_hl[items, :k, :k], -self.port_x0[ports]
        if m:
            usual = np.minimum(new, fam.none)
            matrix[:, :k, k:] = self.port_he[ports[:, :, None], valves[:, None, :]]
            matrix[:, k:, :k] = self.table_hl[usual[:, :, None], ports[:, None, :]]
            matrix[:, k:, k:] = self.table_he[new[:, :, None], valves[:, None, :]]
            right[:, k:] = -self.table_x0[new]
            g, n = np.nonzero(new > fam.none)
            if len(g):
                matrix[g, k + n, :k] = self._rows_of_ports(new[g, n][:, None], ports[g])[:, 0]
            g, n = np.nonzero(valves == fam.count)
            matrix[g, k + n, k + n] = 1.0
        return matrix, right

    def _groups(self, items: np.ndarray) -> Iterator[tuple[np.ndarray, int, np.ndarray, np.ndarray]]:
        """(items, number of ports, changed valves, the rows these are on now), items of about the same size together.

        Filled up with ports and valves that are none, so that there are few sizes.
        """
        fam, here = self.family, self.pieces[items]
        g, j = np.nonzero(here != fam.base)
        count = np.bincount(g, minlength=len(items))
        most = int(count.max(initial=0))
        place = within(count)
        valves, rows = np.full((len(items), most), fam.count), np.full((len(items), most), fam.none)
        valves[g, place], rows[g, place] = j, here[g, j]
        for ports in _levels(self.kinds[items], 1, self.ports.shape[1]):
            for some in _levels(count[ports[0]], 0, most):
                who = ports[0][some[0]]
                yield items[who], ports[1], valves[who, : some[1]], rows[who, : some[1]]


def _levels(sizes: np.ndarray, least: int, most: int) -> Iterator[tuple[np.ndarray, int]]:
    """(places, size they are filled up to); few of a kind go with the next larger ones."""
    levels = [int(s) for s in SIZES if least <= s < most] + [most]
    level = np.searchsorted(levels, sizes)
    waiting: list[np.ndarray] = []
    for k, size in enumerate(levels):
        waiting.append(np.flatnonzero(level == k))
        total = sum(map(len, waiting))
        if total >= LEAST or (size == most and total):
            yield np.concatenate(waiting), size
            waiting = []


def solved(matrix: np.ndarray, right: np.ndarray) -> np.ndarray:
    """Batched small systems, rows and columns brought to one size first; a singular one gives nan."""
    if not matrix.size:
        return np.zeros(right.shape)
    with np.errstate(all="ignore"):
        rows = 1 / np.maximum(np.abs(matrix).max(axis=2), 1e-300)
        scaled = matrix * rows[:, :, None]
        cols = 1 / np.maximum(np.abs(scaled).max(axis=1), 1e-300)
        scaled *= cols[:, None, :]
        bad = ~np.isfinite(scaled).all(axis=(1, 2))
        scaled[bad] = np.eye(matrix.shape[1])
        try:
            found = np.linalg.solve(scaled, right * rows[:, :, None])
        except np.linalg.LinAlgError:
            found = np.stack([_one(a, b) for a, b in zip(scaled, right * rows[:, :, None], strict=True)])
        found[bad] = np.nan
        found *= cols[:, :, None]
        return found


def _one(matrix: np.ndarray, right: np.ndarray) -> np.ndarray:
    try:
        return np.linalg.solve(matrix, right)
    except np.linalg.LinAlgError:
        return np.full_like(right, np.nan)
