"""What is read of changed networks: loaded volts, ohms, any values, and how they move with any part.

In: the changes of a family, settled. Out: arrays, changes x what was asked for.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np
import scipy.sparse as sp

from casekit.circuit.change import Change
from casekit.circuit.network import LEAK_S
from casekit.circuit.settled import Settled, solved
from casekit.circuit.threads import one_thread

if TYPE_CHECKING:
    from casekit.circuit.family import Family

INPUT_OHM = 1e7
FLOATING_OHM = 1e5  # above it a meter at 10 Mohm moves what it touches
WEAK_OHM = 1e5  # a port that ties no more than this cannot hide what others tie
UNFELT_A = 3e-14  # what moves a valve's current by less moves nothing
MANY = 1000  # valves that may be near by the first bound before a closer one is worth it
FEW = 512  # valves looked at together
Pair = tuple[str, str]


class Solved(Settled):
    """The solutions of a family's changes."""

    def __init__(self, family: Family, changes: Sequence[Change], begin: np.ndarray | None = None):
        super().__init__(family, changes, begin)
        self.anchored = [] if family.untied else self._anchor()

    # What is read ---------------------------------------------------------------------------------------------------

    def values(self, picks: sp.csr_matrix) -> np.ndarray:
        """changes x picks: any weighted sums of unknowns (picks x unknowns), nan where nothing settles."""
        with one_thread():
            found = self._values(picks @ self.family.x0, picks @ self.family.h)
        return self._with_anchored(found, "values", picks)

    def drops(self, names: Sequence[str]) -> np.ndarray:
        """changes x names: volts along resistors of the drawing, R i, to nine digits: with one step of refinement, so
        that nanovolts beside a hundred ampere keep theirs. Slower than `values`."""
        fam = self.family
        with one_thread():
            found = self._refined(fam.pick([(name, "") for name in names]))
        found *= [fam.network.elements[fam.network.position[name]].r_ohm for name in names]
        return self._with_anchored(found, "drops", names)

    def readings(self, pairs: Sequence[Pair]) -> tuple[np.ndarray, np.ndarray]:
        """(volts, ohms), each changes x pairs: what a 10 Mohm meter reads, and the resistance seen from its leads.

        Where the meter's own current would move a valve to another piece the meter is put into the network.
        """
        fam = self.family
        with one_thread():
            picks = fam.pick(pairs)
            seen = picks @ fam.h
            volts, ohms = self._values(picks @ fam.x0, seen), np.empty((len(self.changes), len(pairs)))
            columns, direct = np.zeros((fam.size, len(pairs))), np.zeros(len(pairs))
            for n in range(max(np.diff(picks.indptr), default=0)):  # a few columns for each pair
                some = np.flatnonzero(np.diff(picks.indptr) > n)
                at = picks.indptr[some] + n
                columns[:, some] += fam.h[:, picks.indices[at]] * picks.data[at]
                direct[some] += picks.data[at] * seen[some, picks.indices[at]]
            table = (picks @ self.table_t).T
            right, left, left_he = self.to @ columns, self._left(seen), self._left_he(seen)
            answers = []
            for items, ports, valves, new, inverse in self._final:
                sees = np.concatenate([right[ports], table[new]], axis=1)
                answer = inverse @ sees  # amounts per ampere out of the black lead and into the red one, less its sign
                mine = np.concatenate([left[ports], left_he[valves]], axis=1)
                ohms[items] = direct - np.einsum("ijk,ijk->ik", mine, answer)
                answers.append((items, ports, valves, answer))
            draws = -volts / (INPUT_OHM + ohms)  # ampere into the red node
            moved = self._moved(answers, table, direct, draws)
            # A lead on what nothing is joined to sees the leak alone.
            known = {*fam.network.index, fam.network.earth}
            ohms += np.array([sum(end not in known for end in pair) for pair in pairs]) / LEAK_S
            volts /= 1 + ohms / INPUT_OHM
            ohms[~self.settled] = np.nan
            self._with_meter(pairs, moved, volts)
            for items, again in self.anchored:
                volts[items], ohms[items] = again.readings(pairs)
        return volts, ohms

    def sensitivities(self, picks: sp.csr_matrix, where: np.ndarray) -> np.ndarray:
        """changes x picks x where: how much each picked value moves for one unit more on the right-hand side of the
        equations `where` (the rows of unknowns), pieces staying as they are."""
        with one_thread():
            seen = picks @ self.family.h
            out = np.empty((len(self.changes), picks.shape[0], len(where)))
            columns, table = self.family.h[:, where], self.table[:, where]
            right, direct = self.to @ columns, seen[:, where]
            left, left_he = self._left(seen), self._left_he(seen)
            for items, ports, valves, new, inverse in self._final:
                sees = np.concatenate([right[ports], table[new]], axis=1)
                mine = np.concatenate([left[ports], left_he[valves]], axis=1)
                out[items] = direct - (mine.transpose(0, 2, 1) @ inverse) @ sees
        return self._with_anchored(out, "sensitivities", picks, where)

    def valve_sensitivities(self, picks: sp.csr_matrix) -> np.ndarray:
        """changes x picks x valves: how much each picked value moves for one ampere more that a valve's present cap
        allows; nothing for one that is shut."""
        fam = self.family
        with one_thread():
            # On its healthy piece a valve's row is that of the network, scaled; elsewhere that of the small system.
            both = zip(fam.network.valves, fam.pieces, strict=True)
            rows = [fam.network.rows[k][p] if p >= 0 else None for k, p in both]
            scale = np.array([0.0 if row is None else -row.r for row in rows])
            out = self.sensitivities(picks, fam.at) * scale
            seen = picks @ fam.h
            left, left_he = self._left(seen), self._left_he(seen)
            for items, ports, valves, _, inverse in self._final:
                mine = np.concatenate([left[ports], left_he[valves]], axis=1)
                found = -mine.transpose(0, 2, 1) @ inverse[:, :, ports.shape[1] :]
                g, n = np.nonzero(valves < fam.count)
                out[items[g], :, valves[g, n]] = found[g, :, n]
        out[(self.pieces == fam.shut)[:, None, :].repeat(picks.shape[0], axis=1)] = 0.0
        return self._with_anchored(out, "valve_sensitivities", picks)

    def size_sensitivities(self, picks: sp.csr_matrix, which: np.ndarray | None = None) -> np.ndarray:
        """changes x picks: how much each picked value moves for one unit more of `e` of a change's port `which` (of its
        first, if left out)."""
        which = np.zeros(len(self.changes), dtype=int) if which is None else which
        which = np.minimum(which, np.maximum(self.kinds - 1, 0))
        with one_thread():
            out = np.zeros((len(self.changes), picks.shape[0]))
            seen = picks @ self.family.h
            left, left_he = self._left(seen), self._left_he(seen)
            for items, ports, valves, _, inverse in self._final:
                mine = np.concatenate([left[ports], left_he[valves]], axis=1)
                column = np.take_along_axis(inverse, which[items, None, None], 2)
                out[items] = -(mine * column).sum(axis=1) * self.amounts[items, which[items]][:, None]
            for items, again in self.anchored:
                out[items] = again.size_sensitivities(picks, which[items])
        return out

    def active(self) -> np.ndarray:
        """changes x valves: the number of the cap each valve stands at, -1 where it is shut."""
        return self.number[self.pieces]

    def at_cap(self, valve: str, label: str) -> np.ndarray:
        """For every change, whether this valve stands at its cap of this label."""
        net = self.family.network
        k = net.position[valve]
        return self.active()[:, net.valves.index(k)] == [c.label for c in net.elements[k].caps].index(label)

    # Inside ---------------------------------------------------------------------------------------------------------

    @cached_property
    def _final(self) -> list[tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray, np.ndarray]]:
        """Of every group: the items, their ports, changed valves, the rows these are on, and inverse small systems."""
        found = []
        for items, k, valves, new in self._groups(np.arange(len(self.changes))):
            matrix, _ = self._system(items, k, valves, new)
            if matrix.shape[1] == 1:
                with np.errstate(all="ignore"):
                    inverse = 1 / matrix
            else:
                inverse = solved(matrix, np.broadcast_to(np.eye(matrix.shape[1]), matrix.shape))
            found.append((items, self.ports[items, :k], valves, new, inverse))
        return found

    def _anchor(self) -> list[tuple[np.ndarray, Solved]]:
        """Changes of more than one part that tie an island to somewhere, and those that did not settle, solved again
        with their islands anchored: (items, their solutions)."""
        fam, (index, weight) = self.family, self.right
        if fam.islands.max(initial=-1) < 0:
            return []
        island = np.where(weight != 0, fam.islands[index], -1)
        strong = (np.abs(self.e) < WEAK_OHM) & (np.arange(len(self.e)) > 0)
        groups: dict[tuple[int, ...], list[int]] = {}
        for i in np.flatnonzero((strong[self.ports].sum(axis=1) > 1) | ~self.settled):
            islands: set[int] = set()
            for k in self.ports[i]:
                for n in {n for n in island[k].tolist() if n >= 0}:
                    tied = strong[k] and self.plain[k] and abs(weight[k, island[k] == n].sum()) > 1e-9
                    if tied or not self.settled[i]:
                        islands.add(n)
            if islands:
                groups.setdefault(tuple(sorted(islands)), []).append(i)
        found = []
        for islands, items in groups.items():
            twin, untie = fam.anchored(islands)
            again = Solved(twin, [self.changes[i] + untie for i in items], self.number[self.pieces[items]])
            self.settled[items] = again.settled
            self._begin(np.array(items), again.number[again.pieces])
            found.append((np.array(items), again))
        return found

    def _with_anchored(self, found: np.ndarray, method: str, *asked) -> np.ndarray:
        for items, again in self.anchored:
            found[items] = getattr(again, method)(*asked)
        return found

    def _left(self, seen: np.ndarray) -> np.ndarray:
        """ports x picks: how much each pick sees of every port's amount."""
        return self.of @ seen.T

    def _left_he(self, seen: np.ndarray) -> np.ndarray:
        """valves x picks, the last of them none: how much each pick sees of every valve's slack."""
        return np.vstack([seen.T[self.family.at], np.zeros((1, len(seen)))])

    def _values(self, healthy: np.ndarray, seen: np.ndarray) -> np.ndarray:
        found = healthy + self.slack @ self._left_he(seen)
        left = self._left(seen)
        for k in range(self.ports.shape[1]):
            has = np.flatnonzero(self.kinds > k)
            found[has] += left[self.ports[has, k]] * self.amounts[has, k, None]
        found[~self.settled] = np.nan
        return found

    def _refined(self, looks: sp.csr_matrix) -> np.ndarray:
        """Values after one step of refinement whose residual is taken in extended precision."""
        fam, wide, seen = self.family, np.longdouble, looks @ self.family.h
        found = np.full((len(self.changes), looks.shape[0]), np.nan)
        matrix, (of, u), (to, w) = fam.matrix.tocsr(), self.left, self.right
        left, left_he = self._left(seen), self._left_he(seen)
        rows, level = fam.layout.looks, fam.layout.level
        if self.own_looks is not None:
            rows, level = sp.vstack([rows, self.own_looks[0]]).tocsr(), np.append(level, self.own_looks[1])
        for items, ports, valves, new, inverse in self._final:
            g = np.flatnonzero(self.settled[items])
            if not len(g):
                continue
            some, ports, new, k = items[g], ports[g], new[g], ports.shape[1]
            p, s = self.amounts[some, :k], self.slack[some[:, None], valves[g]]
            force = np.zeros((fam.size, len(g)), dtype=wide)
            who = np.arange(len(g))
            np.add.at(force, (of[ports], who[:, None, None]), u[ports] * p[:, :, None].astype(wide))
            real = valves[g] < fam.count
            np.add.at(force, (fam.at[valves[g][real]], np.nonzero(real)[0]), s[real])
            x = fam.x0[:, None] + fam.h @ force.astype(float)
            rest = fam.rhs[:, None] + force
            rest -= np.add.reduceat(matrix.data[:, None].astype(wide) * x[matrix.indices], matrix.indptr[:-1])
            rest = rest.astype(float)
            more = fam.h @ rest
            seen_x = (w[ports].astype(wide) * x[to[ports], who[:, None, None]]).sum(axis=2)
            lack = self.emf[ports] - self.e[ports] * p.astype(wide) - seen_x
            lack -= (w[ports] * more[to[ports], who[:, None, None]]).sum(axis=2)
            slack = np.zeros((len(g), new.shape[1]), dtype=wide)
            for n, m in zip(*np.nonzero(real), strict=True):
                at = slice(*rows.indptr[new[n, m] : new[n, m] + 2])
                i = rows.indices[at]
                slack[n, m] = level[new[n, m]] - (rows.data[at] * (x[i, n].astype(wide) + more[i, n])).sum()
            step = (inverse[g] @ np.concatenate([lack, slack], axis=1).astype(float)[:, :, None])[:, :, 0]
            moved = rest.T @ seen.T + (
                step[:, :, None] * np.concatenate([left[ports], left_he[valves[g]]], axis=1)
            ).sum(1)
            found[some] = (looks @ x).T + moved
        return found

    def _moved(self, answers: Sequence[tuple], table, direct, draws: np.ndarray) -> np.ndarray:
        """(item, pair) of every reading at which the meter's current, `draws` (items x pairs), moves a valve to another
        piece. Only valves so near a corner that it might are looked at closely; apart for pairs that float, where the
        meter draws little, and all it draws is felt."""
        if not len(draws):
            return np.zeros((0, 2), dtype=int)
        fam, found = self.family, [np.zeros((0, 2), dtype=int)]
        rows = self._final_looks()
        size, sees, floats = np.abs(draws), np.abs(table[: fam.none]), direct > FLOATING_OHM
        some = slice(None)
        felt = np.outer(sees[:, ~floats].max(axis=1, initial=0.0), size[:, ~floats].max(axis=1, initial=0.0))
        np.minimum(felt, sees[:, ~floats] @ size[:, ~floats].T, out=felt)  # both are bounds
        felt += self._felt(answers, some, size)
        felt += sees[:, floats] @ size[:, floats].T
        near = self._near(rows, felt)
        if near.sum() <= MANY:
            return self._closely(answers, near, some, table, draws)
        for some in (np.flatnonzero(~floats), np.flatnonzero(floats)):
            if len(some):
                felt = self._felt(answers, some, size[:, some]) + sees[:, some] @ size[:, some].T
                near = self._near(rows, felt)
                found.append(self._closely(answers, near, some, table, draws))
        return np.concatenate(found)

    def _closely(
        self, answers: Sequence[tuple], near: np.ndarray, some: np.ndarray | slice, table, draws
    ) -> np.ndarray:
        """(item, pair) of some pairs whose meter moves a valve that is near."""
        hit, which = np.flatnonzero(near.any(axis=0)), np.arange(draws.shape[1])[some]
        if not len(hit):
            return np.zeros((0, 2), dtype=int)
        place, k = np.full(len(draws), -1), self.ports.shape[1]
        place[hit] = np.arange(len(hit))
        ports = np.zeros((len(hit), k), dtype=int)
        valves = np.full((len(hit), max(valves.shape[1] for _, _, valves, _ in answers)), self.family.count)
        answer = np.zeros((len(hit), k + valves.shape[1], len(which)))
        for items, few, their, found in answers:  # filled up to one size
            here = np.flatnonzero(place[items] >= 0)
            to, n = place[items[here]], few.shape[1]
            ports[to, :n], valves[to, : their.shape[1]] = few[here], their[here]
            found = found[here][:, :, some]
            answer[to, :n], answer[to, k : k + their.shape[1]] = found[:, :n], found[:, n:]
        j, g = np.nonzero(near)
        off = np.zeros((len(hit), len(which)), dtype=bool)
        for n in range(0, len(g), FEW):
            i, v = g[n : n + FEW], j[n : n + FEW]
            p = place[i]
            moved = self._off(i, v, ports[p], valves[p], answer[p], table[:, some], draws[i][:, some])
            np.logical_or.at(off, p, moved)
        g, p = np.nonzero(off)
        return np.stack([hit[g], which[p]], axis=1)

    def _felt(self, answers: Sequence[tuple], some: np.ndarray | slice, size: np.ndarray) -> np.ndarray:
        """rows x items: a bound on what ports and changed valves do to every row of the table for a meter's current, at
        any of some pairs."""
        fam = self.family
        bound, slack = np.zeros((fam.none, len(size))), np.zeros((len(size), fam.count + 1))
        most = np.zeros(self.ports.shape)
        for items, ports, valves, answer in answers:
            amounts = (np.abs(answer[:, :, some]) * size[items][:, None]).max(axis=2)
            most[items, : ports.shape[1]] = amounts[:, : ports.shape[1]]
            slack[items[:, None], valves] = amounts[:, ports.shape[1] :]
        sees = np.abs(self.table_hl[: fam.none])
        for n in range(most.shape[1]):
            has = np.flatnonzero(self.kinds > n) if n else slice(None)
            bound[:, has] += sees[:, self.ports[has, n]] * most[has, n]
        slack[:, fam.count] = 0.0
        return bound + np.abs(self.table_he[: fam.none]) @ slack.T

    def _near(self, rows, felt) -> np.ndarray:
        """valves x items: which the meter's current might move, by a bound on what it does to every row."""
        fam = self.family
        if not fam.count:
            return np.zeros((0, felt.shape[1]), dtype=bool)
        here, lay = self.pieces.T, fam.layout
        on = here != fam.shut[:, None]
        bound = felt + 1e-13
        least, most = rows - bound, rows + bound
        near = lay.over(np.minimum, most) >= 0  # of one that is shut, whether it may open
        if len(fam.gated):
            near[fam.gated] &= most[fam.gates] >= 0
        j, g = np.nonzero(on & (here < fam.none))
        least[here[j, g], g] = np.inf  # the active cap stays the least if the others stay above it
        leaves = (lay.over(np.minimum, least) < 0) | (most[fam.shut] > 0)
        np.copyto(near, leaves, where=on)
        near &= np.maximum(lay.over(np.maximum, felt), felt[fam.shut]) > UNFELT_A
        if len(fam.gated):
            near[fam.gated] |= on[fam.gated] & (least[fam.gates] < 0)
        near[self.own_valve, self.own_item] = True
        near[:, ~self.settled] = False
        return near

    def _off(self, items, j, ports, valves, answer, table, draws: np.ndarray) -> np.ndarray:
        """Whether the meter's current moves valve j of each item to another piece, items x pairs."""
        fam = self.family
        most = max(self.own_rows.shape[1], 1 + len(fam.later))
        caps = np.minimum(fam.first[j][:, None] + np.arange(most), fam.layout.last[j][:, None])
        dead = np.zeros(len(items), dtype=bool)
        if len(self.own_item):
            keys, asked = (i * fam.count + k for i, k in ((self.own_item, self.own_valve), (items, j)))
            order = np.argsort(keys)
            entry = order[np.minimum(np.searchsorted(keys, asked, sorter=order), len(keys) - 1)]
            mine = np.flatnonzero(keys[entry] == asked)
            entry = entry[mine]
            place = np.minimum(np.arange(most), self.own_rows.shape[1] - 1)
            caps[mine], dead[mine] = self.own_rows[entry][:, place], self.own_count[entry] == 0
        gate = np.full(fam.count, fam.none)
        gate[fam.gated] = fam.gates
        looks = np.concatenate([caps, fam.shut[j][:, None], gate[j][:, None]], axis=1)
        seen = np.concatenate(
            [self._rows_of_ports(looks, ports), self.table_he[looks[:, :, None], valves[:, None]]], axis=2
        )
        used = np.arange(len(items))[:, None]
        amounts = np.concatenate([self.amounts[items, : ports.shape[1]], self.slack[items][used, valves]], axis=1)
        now = self.table_x0[looks] + (seen @ amounts[:, :, None])[:, :, 0]
        moved = now[:, :, None] + (table[looks] - seen @ answer) * draws[:, None]
        amps = -moved[:, most]
        right = np.maximum((moved[:, :most] + amps[:, None]).min(axis=1), 0.0)
        right = np.where(dead[:, None] | (moved[:, most + 1] < 0), 0.0, right)
        return np.abs(right - amps) > 1e-13 + 1e-9 * np.abs(right)

    def _with_meter(self, pairs: Sequence[Pair], where: np.ndarray, volts: np.ndarray) -> None:
        """Solve again with the meter as a port of its own where it matters, from the pieces without it."""
        if len(where):
            items, which = where.T
            used, place = np.unique(which, return_inverse=True)
            both = zip(items.tolist(), which.tolist(), strict=True)
            metered = [self._known.loaded(self.changes[i], pairs[p], INPUT_OHM) for i, p in both]
            again = Solved(self.family, metered, self.active()[items])
            found = again.values(self.family.pick([pairs[p] for p in used.tolist()]))
            volts[items, which] = found[np.arange(len(where)), place]
