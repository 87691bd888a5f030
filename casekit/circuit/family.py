"""One network and many single changes to it, all solved together.

In: a machine in one state, pairs of probe points, and changes. Out: what a 10 Mohm meter would read, and the source
resistance it would see, for every change and every pair.

A change is rank one in the hybrid form: a short of r between two places adds u u'/r, a resistance R in series with a
branch adds -R u u', so that x = x0 - H u f with f = (u.x0) / (e + u.H.u), e = r or -1/R. The valves are taken out as
ports first, so the pieces of every changed network are found on small systems, all at once.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.sparse.linalg import splu

from casekit.circuit.network import SHUT, Network
from casekit.circuit.pieces import HELP_S, Ports, equations, with_leak
from casekit.circuit.threads import one_thread
from casekit.machine.machine import Machine
from casekit.machine.state import State

INPUT_OHM = 1e7
ROUNDS, BATCH = 8, 256

Weights = tuple[tuple[str, float], ...]


@dataclass(frozen=True)
class Change:
    """A rank-one change: a resistor between two (weighted sums of) nodes, or a resistance added to a branch.

    For a short, `between` weighs nodes (a point along a wire is a weighted mean of its ends) and `e` is its ohm plus
    the local share of the wire. For a branch, `branch` names it and `e` is -1 / added ohm (0 for an open).
    With neither, nothing changes.
    """

    between: Weights = ()
    branch: str = ""
    e: float = 0.0


class Family:
    """All the changed networks of one machine in one state."""

    def __init__(self, machine: Machine, state: State, pairs: Sequence[tuple[str, str]]):
        net = self.network = Network(machine.elements(state), machine.earth)
        drive, look, level, self.first = equations(net)
        matrix = with_leak(net.matrix([SHUT] * len(net.valves))[0], net.n, HELP_S)
        with one_thread():
            self.h = splu(matrix).solve(np.eye(net.n + net.m))
        pick = np.zeros((len(pairs), net.n + net.m))
        for k, (red, black) in enumerate(pairs):
            for sign, node in ((1.0, red), (-1.0, black)):
                if node in net.index:
                    pick[k, net.index[node]] += sign
        gates = [(j, net.elements[k].gate) for j, k in enumerate(net.valves) if net.elements[k].gate]
        self.gated = np.array([j for j, _ in gates], dtype=int)
        self.threshold = np.array([g.at_least_v for _, g in gates])
        gate = np.zeros((len(gates), net.n + net.m))
        for k, (_, g) in enumerate(gates):
            for sign, node in ((1.0, g.plus), (-1.0, g.minus)):
                if node in net.index:
                    gate[k, net.index[node]] += sign
        self.look, self.level, self.pick, self.gate = look, level, pick, gate
        # Columns: the sources alone, one ampere in every valve, one ampere into every pair of probe points.
        self.answers = self.h @ np.column_stack([drive, pick.T])
        self.rest = np.array([net.elements[k].rest for k in net.valves], dtype=int)
        self.dead = state.key == "off"
        self.known: list[np.ndarray] = []
        self.pieces = np.zeros((0, len(self.first)), dtype=int)  # of the last readings, changes x valves

    def readings(self, changes: Sequence[Change]) -> tuple[np.ndarray, np.ndarray]:
        """(volts, ohms), each changes x pairs: the loaded reading, and the resistance seen from the pair.

        Both are nan for a change that leaves no steady state.
        """
        with one_thread():
            parts = [self._batch(changes[k : k + BATCH]) for k in range(0, len(changes), BATCH)]
        if not parts:
            return np.zeros((0, len(self.pick))), np.zeros((0, len(self.pick)))
        self.pieces = np.concatenate([p[2] for p in parts])
        return np.concatenate([p[0] for p in parts]), np.concatenate([p[1] for p in parts])

    def limited(self, valve: str, label: str) -> np.ndarray:
        """For every change of the last readings, whether this valve stood at its cap of this label."""
        k = self.network.position[valve]
        caps = [cap.label for cap in self.network.elements[k].caps]
        return self.pieces[:, self.network.valves.index(k)] == caps.index(label)

    def _batch(self, changes: Sequence[Change]) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        count, valves, size = len(changes), len(self.first), len(self.h)
        u, e = np.zeros((count, size)), np.zeros(count)
        for k, change in enumerate(changes):
            self._port(change, u[k])
            e[k] = change.e
        w = u @ self.h.T  # H u, one row per change
        below = e + np.einsum("ks,ks->k", u, w)
        below[~u.any(axis=1)] = 1.0  # nothing changes
        f = (u @ self.answers) / below[:, None]
        sees = (self.look @ self.answers)[None] - np.einsum("kc,kj->kcj", w @ self.look.T, f)
        gain, offset = sees[:, :, 1 : valves + 1], sees[:, :, 0] - self.level
        gate = (self.gate @ self.answers)[None] - np.einsum("kc,kj->kcj", w @ self.gate.T, f)
        pieces, settled = self._settle(gain, offset, gate)
        amps, per_amp = self._solve(pieces, gain, offset, sees[:, :, valves + 1 :])
        read = (self.pick @ self.answers)[None] - np.einsum("kc,kj->kcj", w @ self.pick.T, f)
        own, inject = read[:, :, 1 : valves + 1], read[:, :, valves + 1 :]
        volts = read[:, :, 0] + np.einsum("kpj,kj->kp", own, amps)
        ohms = np.einsum("kpp->kp", inject) + np.einsum("kpj,kjp->kp", own, per_amp)
        volts = volts / (1 + ohms / INPUT_OHM)
        volts[~settled], ohms[~settled] = np.nan, np.nan
        return volts, ohms, pieces

    def _port(self, change: Change, u: np.ndarray) -> None:
        net = self.network
        for node, weight in change.between:
            if node in net.index:
                u[net.index[node]] += weight
        if change.branch:
            u[net.n + net.position[change.branch]] = 1.0

    def _solve(
        self, pieces: np.ndarray, gain: np.ndarray, offset: np.ndarray, inject: np.ndarray
    ) -> tuple[np.ndarray, np.ndarray]:
        """Valve currents on these pieces: for the sources, and per ampere into every pair."""
        on = pieces >= 0
        cap = (self.first + np.where(on, pieces, 0))[:, :, None]
        matrix = np.eye(len(self.first)) - np.where(on[:, :, None], np.take_along_axis(gain, cap, 1), 0.0)
        right = np.where(on[:, :, None], np.take_along_axis(np.concatenate([offset[:, :, None], inject], 2), cap, 1), 0)
        x = np.linalg.solve(matrix, right)
        return x[:, :, 0], x[:, :, 1:]

    def _settle(self, gain: np.ndarray, offset: np.ndarray, gate: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Pieces of every changed network: all together while they come easily, the rest from their neighbours."""
        count, valves = len(gain), len(self.first)
        pieces = np.tile(np.full(valves, SHUT) if self.dead else self.rest, (count, 1))
        none = np.zeros((*gain.shape[:2], 0))
        settled, todo = np.zeros(count, dtype=bool), np.arange(count)

        def rounds(begin: np.ndarray, todo: np.ndarray) -> np.ndarray:
            """Change pieces of these networks until they stay; what has not settled is returned."""
            pieces[todo] = begin
            for _ in range(ROUNDS):
                if not len(todo):
                    break
                amps, _ = self._solve(pieces[todo], gain[todo], offset[todo], none[todo])
                wanted = self._wanted(amps, gain[todo], offset[todo], gate[todo])
                same = (wanted == pieces[todo]).all(axis=1)
                settled[todo[same]] = True
                pieces[todo] = wanted
                todo = todo[~same]
            return todo

        todo = rounds(pieces, todo)
        todo = rounds(self._wanted(np.zeros((len(todo), valves)), gain[todo], offset[todo], gate[todo]), todo)
        for known in self.known:
            todo = rounds(known, todo)
        while len(todo):
            k, todo = todo[0], todo[1:]
            pieces[k], settled[k] = self._settle_one(gain[k], offset[k], gate[k])
            if settled[k]:
                # What one network settled on is often what its neighbours settle on.
                self.known.append(pieces[k].copy())
                todo = rounds(pieces[k], todo)
        return pieces, settled

    def _wanted(self, amps: np.ndarray, gain: np.ndarray, offset: np.ndarray, gate: np.ndarray) -> np.ndarray:
        caps = np.einsum("kcj,kj->kc", gain, amps) + offset
        wanted = np.empty(amps.shape, dtype=int)
        for j, (begin, end) in enumerate(zip(self.first, [*self.first[1:], caps.shape[1]], strict=True)):
            best = caps[:, begin:end].argmin(axis=1)
            low = caps[np.arange(len(caps)), begin + best]
            wanted[:, j] = np.where(low > 0, best, SHUT)
        open_ = self._gates(amps, gate) >= self.threshold
        wanted[:, self.gated] = np.where(open_, wanted[:, self.gated], SHUT)
        return wanted

    def _gates(self, amps: np.ndarray, gate: np.ndarray) -> np.ndarray:
        valves = len(self.first)
        return gate[:, :, 0] + np.einsum("kgj,kj->kg", gate[:, :, 1 : valves + 1], amps)

    def _settle_one(self, gain: np.ndarray, offset: np.ndarray, gate: np.ndarray) -> tuple[np.ndarray, bool]:
        open_ = np.ones(len(self.first), dtype=bool)
        none = np.zeros((1, len(offset), 0))
        for _ in range(2 ** min(len(self.gated), 3) + 1):
            pieces = np.array(Ports(gain, offset, self.first, open_).settle(list(self.rest)))
            amps, _ = self._solve(pieces[None], gain[None], offset[None], none)
            wanted = self._gates(amps, gate[None])[0] >= self.threshold
            if (wanted == open_[self.gated]).all():
                return pieces, True
            open_[self.gated] = wanted
        return pieces, False
