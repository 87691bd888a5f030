"""What is read of changed networks: loaded volts, ohms, any values, and how they move with any part.

In: the changes of a family, settled. Out: arrays, changes x what was asked for.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from casekit.circuit.change import joined
from casekit.circuit.network import LEAK_S
from casekit.circuit.settled import Settled
from casekit.circuit.threads import one_thread

INPUT_OHM = 1e7
FAR = 1e3  # a valve this many times the meter's current away from a corner stays on its piece
Pair = tuple[str, str]


class Solved(Settled):
    """The solutions of a family's changes."""

    # What is read ---------------------------------------------------------------------------------------------------

    def values(self, picks: np.ndarray) -> np.ndarray:
        """changes x picks: any weighted sums of unknowns, nan where nothing settles."""
        found = picks @ self.family.x0 + self.slack @ (picks @ self.he).T
        look = picks @ self.hl
        for k in range(self.ports.shape[1]):
            has = self.kinds > k
            found[has] += (look[:, self.ports[has, k]] * self.amounts[has, k]).T
        found[~self.settled] = np.nan
        return found

    def readings(self, pairs: Sequence[Pair]) -> tuple[np.ndarray, np.ndarray]:
        """(volts, ohms), each changes x pairs: what a 10 Mohm meter reads, and the resistance seen from its leads.

        Where the meter's own current would move a valve to another piece the meter is put into the network.
        """
        with one_thread():
            picks = self.family.pick(pairs)
            volts, moves = self.values(picks), np.zeros((len(self.changes), len(pairs)), dtype=bool)
            ohms = np.empty(volts.shape)
            hp = self.family.h @ picks.T
            direct, table = np.einsum("ps,sp->p", picks, hp), self.table @ hp
            right = self._gather(self.right, hp)
            look, left_look = picks @ self.hl, picks @ self.he
            for rows, (k, m), ports, valves, new in self._groups():
                inner = self._inverse[(k, m)]
                g = len(rows)
                sees = np.concatenate([right[ports], table[new]], axis=1) if k + m else np.zeros((g, 0, len(pairs)))
                mine = np.concatenate([look[:, ports], left_look[:, valves]], axis=2).transpose(1, 0, 2)
                answer = inner @ sees  # amounts per ampere out of the black lead and into the red one, less its sign
                ohms[rows] = direct - np.einsum("gpk,gkp->gp", mine, answer)
                draws = -volts[rows] / (INPUT_OHM + ohms[rows])  # ampere into the red node
                moves[rows] = self._moved(rows, k, ports, valves, answer, table, draws)
            # A lead on what nothing is joined to sees the leak alone.
            known = {*self.family.network.index, self.family.network.earth}
            ohms += np.array([sum(end not in known for end in pair) for pair in pairs]) / LEAK_S
            volts /= 1 + ohms / INPUT_OHM
            ohms[~self.settled] = np.nan
            self._with_meter(pairs, moves, volts)
        return volts, ohms

    def sensitivities(self, picks: np.ndarray, where: np.ndarray) -> np.ndarray:
        """changes x picks x where: how much each picked value moves for one unit more on the right-hand side of the
        equations `where` (the rows of unknowns), pieces staying as they are."""
        with one_thread():
            out = np.empty((len(self.changes), len(picks), len(where)))
            hw = self.family.h[:, where]
            direct, table, right = picks @ hw, self.table @ hw, self._gather(self.right, hw)
            look, left_look = picks @ self.hl, picks @ self.he
            for rows, (k, m), ports, valves, new in self._groups():
                sees = np.concatenate([right[ports], table[new]], axis=1)
                mine = np.concatenate([look[:, ports], left_look[:, valves]], axis=2).transpose(1, 0, 2)
                out[rows] = direct - mine @ (self._inverse[(k, m)] @ sees)
        return out

    def valve_sensitivities(self, picks: np.ndarray) -> np.ndarray:
        """changes x picks x valves: how much each picked value moves for one ampere more that a valve's present cap
        allows; nothing for one that is shut."""
        fam = self.family
        with one_thread():
            # On its healthy piece a valve's row is that of the network, scaled; elsewhere that of the small system.
            both = zip(fam.network.valves, fam.pieces, strict=True)
            rows = [fam.network.rows[k][p] if p >= 0 else None for k, p in both]
            scale = np.array([0.0 if row is None else -row.r for row in rows])
            out = self.sensitivities(picks, fam.at) * scale
            look, left_look = picks @ self.hl, picks @ self.he
            for items, (k, m), ports, valves, _ in self._groups():
                mine = np.concatenate([look[:, ports], left_look[:, valves]], axis=2).transpose(1, 0, 2)
                found = -mine @ self._inverse[(k, m)][:, :, k:]
                moved = self.pieces[items[:, None], valves] != self.base_rows[valves]
                for n in range(m):
                    here = np.flatnonzero(moved[:, n])
                    out[items[here], :, valves[here, n]] = found[here, :, n]
        out[(self.pieces == self.shut)[:, None, :].repeat(len(picks), axis=1)] = 0.0
        return out

    def size_sensitivities(self, picks: np.ndarray, which: np.ndarray) -> np.ndarray:
        """changes x picks: how much each picked value moves for one unit more of `e` of a change's port `which`."""
        with one_thread():
            out = np.zeros((len(self.changes), len(picks)))
            look, left_look = picks @ self.hl, picks @ self.he
            for rows, (k, m), ports, valves, _ in self._groups():
                if k:
                    mine = np.concatenate([look[:, ports], left_look[:, valves]], axis=2).transpose(1, 0, 2)
                    port = np.minimum(which[rows], k - 1)
                    column = np.take_along_axis(self._inverse[(k, m)], port[:, None, None], 2)
                    out[rows] = -(mine @ column)[:, :, 0] * self.amounts[rows, port][:, None]
        return out

    def active(self) -> np.ndarray:
        """changes x valves: the number of the cap each valve stands at, -1 where it is shut."""
        found = self.pieces - self.family.first
        for j, owners, own in self.variants:
            found[owners, j] = self.pieces[owners, j] - own[0] if len(own) else -1
        found[self.pieces == self.shut] = -1
        return found

    def at_cap(self, valve: str, label: str) -> np.ndarray:
        """For every change, whether this valve stands at its cap of this label."""
        net = self.family.network
        k = net.position[valve]
        return self.active()[:, net.valves.index(k)] == [c.label for c in net.elements[k].caps].index(label)

    # Inside ---------------------------------------------------------------------------------------------------------

    def _moved(self, rows, k, ports, valves, answer, table, draws: np.ndarray) -> np.ndarray:
        """Whether the meter's current, `draws` (items x pairs), moves a valve to another piece.

        Only valves that stand near a corner are looked at: those a few times the meter's largest current away from it.
        """
        fam = self.family
        if not fam.count:
            return np.zeros(draws.shape, dtype=bool)
        now = self._rows_at(rows)
        amps = -now[self.shut]
        allowed = now[: len(self.cap_owner)] + amps[self.cap_owner]
        apart = np.abs(now[: len(self.cap_owner)])  # from what the valve carries
        spare = np.where(apart == 0, np.abs(allowed), np.minimum(np.abs(allowed), apart))
        near = np.zeros(fam.count, dtype=bool)
        near[self.cap_owner[(spare < np.nanmax(np.abs(draws)) * FAR).any(axis=1)]] = True
        near[self.gated] = True
        js = np.flatnonzero(near)
        if not len(js):
            return np.zeros(draws.shape, dtype=bool)
        caps = np.flatnonzero(near[self.cap_owner])
        gates = self.gate_rows
        chosen = np.concatenate([caps, self.shut[js], gates])
        per = table[chosen][None] - (
            self.table_hl[chosen][:, ports].transpose(1, 0, 2) @ answer[:, :k]
            + self.table_he[chosen][:, valves].transpose(1, 0, 2) @ answer[:, k:]
        )  # fmt: skip
        moved = now[chosen].T[:, :, None] + per * draws[:, None, :]
        amps = -moved[:, len(caps) : len(caps) + len(js)]
        index = np.searchsorted(js, self.cap_owner[caps])
        allowed = moved[:, : len(caps)] + amps[:, index]
        off = np.zeros(draws.shape, dtype=bool)
        gate_of = {int(j): n for n, j in enumerate(self.gated)}
        for n, j in enumerate(js):
            low = self._lowest(rows, int(j), caps, allowed)
            right = np.maximum(low, 0.0)
            if int(j) in gate_of:
                right = right * (moved[:, len(caps) + len(js) + gate_of[int(j)]] >= 0)
            off |= np.abs(right - amps[:, n]) > 1e-13 + 1e-9 * np.abs(right)
        return off

    def _lowest(self, rows: np.ndarray, j: int, caps: np.ndarray, allowed: np.ndarray) -> np.ndarray:
        """The least current that the caps of valve j allow, items x pairs; some items have caps of their own."""
        usual = (self.cap_owner[caps] == j) & (caps < len(self.family.caps))
        low = allowed[:, usual].min(axis=1)
        for k, owners, own in self.variants:
            if k == j:
                mine = np.isin(rows, owners)
                low[mine] = allowed[mine][:, np.isin(caps, own)].min(axis=1) if len(own) else 0.0
        return low

    def _with_meter(self, pairs: Sequence[Pair], moves: np.ndarray, volts: np.ndarray) -> None:
        """Solve again with the meter as a port of its own where it matters."""
        where = np.argwhere(moves & self.settled[:, None])
        if len(where):
            metered = [self.changes[i] + joined(*pairs[p], INPUT_OHM) for i, p in where]
            picks = self.family.pick(pairs)
            again = self.family.solve(metered)
            volts[where[:, 0], where[:, 1]] = _each(again, picks, where[:, 1])


def _each(solved: Solved, picks: np.ndarray, which: np.ndarray) -> np.ndarray:
    """One value of every change: that of its own pick."""
    found = np.empty(len(which))
    for p in np.unique(which):
        mine = which == p
        found[mine] = solved.values(picks[p : p + 1])[mine, 0]
    found[~solved.settled] = np.nan
    return found
