"""Finding the pieces the valves settle on, seen from the valves alone.

In: a `Network` and the valves whose gates are closed. Out: a piece for every valve.
The linear rest of the network is reduced once to what every cap sees of every valve current, so that hundreds of
tries cost little. Answers are starting points: the operating point checks them on the full equations.
"""

from __future__ import annotations

import numpy as np
import scipy.sparse as sp
from scipy.sparse.linalg import splu

from casekit.circuit.network import SHUT, Network

HELP_S = 1e-9  # a leak that keeps floating nodes within the range of double numbers while pieces are searched
TRIES, FREE_TRIES, LAG_STEPS = 30, 6, 300


class Ports:
    """What the caps see: allowed current = gain @ valve currents + offset."""

    def __init__(self, network: Network, closed: frozenset[int]):
        count, n = len(network.valves), network.n
        shut, rhs = network.matrix([SHUT] * count)
        nodes = np.arange(n + network.m) < n
        lu = splu(shut + sp.diags(HELP_S * nodes, format="csc"))
        drive = np.zeros((n + network.m, count + 1))
        drive[:, 0] = rhs
        for j, k in enumerate(network.valves):
            drive[n + k, j + 1] = -1.0
        seen = lu.solve(drive)[:n]
        rows = [(j, row) for j, k in enumerate(network.valves) for row in network.rows[k]]
        self.owner = np.array([j for j, _ in rows])
        self.first = np.searchsorted(self.owner, np.arange(count))
        look = np.zeros((len(rows), n))
        for c, (_, row) in enumerate(rows):
            look[c, list(row.nodes)] = np.array(row.gains) / row.r
        self.gain = look @ seen[:, 1:]
        self.offset = look @ seen[:, 0] - np.array([row.e / row.r for _, row in rows])
        self.open = np.array([j not in closed for j in range(count)])

    def settle(self, start: list[int]) -> list[int]:
        """Pieces at which every valve carries what its caps allow; the best try when none is found."""
        start = np.array(start)
        dead = self._wanted(np.zeros(len(self.first)))
        for begin, tries in ((start, FREE_TRIES), (dead, FREE_TRIES), (start, TRIES)):
            pieces, settled = self._rounds(begin, tries)
            if settled:
                return pieces.tolist()
        return self._rounds(self._lagged(dead), TRIES)[0].tolist()

    def _wanted(self, amps: np.ndarray) -> np.ndarray:
        """The active cap of every valve at these currents, SHUT where it allows none."""
        return self._allowed(amps)[0]

    def _allowed(self, amps: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        caps = self.gain @ amps + self.offset
        low = np.minimum.reduceat(caps, self.first)
        at_low = np.flatnonzero(caps <= low[self.owner])
        best = at_low[np.searchsorted(self.owner[at_low], np.arange(len(self.first)))] - self.first
        conducts = self.open & (low > 0)
        return np.where(conducts, best, SHUT), np.where(conducts, low, 0.0)

    def _amps(self, pieces: np.ndarray, step: float = np.inf, held: np.ndarray | None = None) -> np.ndarray:
        """Valve currents on these pieces; with a finite `step`, after one implicit time step from `held`."""
        on = pieces >= 0
        cap = self.first + np.where(on, pieces, 0)
        share = 1.0 if held is None else step / (1 + step)
        matrix = np.eye(len(pieces)) - share * np.where(on[:, None], self.gain[cap], 0.0)
        rhs = share * np.where(on, self.offset[cap], 0.0)
        return np.linalg.solve(matrix, rhs if held is None else rhs + (1 - share) * held)

    def _rounds(
        self, pieces: np.ndarray, tries: int, step: float = np.inf, held: np.ndarray | None = None
    ) -> tuple[np.ndarray, bool]:
        """Change pieces until they stay; after the first rounds by steps that must lower the valves' errors."""
        here = None
        for k in range(tries):
            amps = self._amps(pieces, step, held)
            wanted, allowed = self._allowed(amps)
            if (wanted == pieces).all():
                return pieces, True
            if k >= FREE_TRIES and held is None:
                here = amps if here is None else self._shorter(here, amps)
                wanted, allowed = self._allowed(here)
            pieces = wanted
        return pieces, False

    def _shorter(self, old: np.ndarray, new: np.ndarray) -> np.ndarray:
        """The point on the way from `old` to `new` at which the errors have fallen enough."""

        def error(amps: np.ndarray) -> float:
            return float(np.linalg.norm(amps - self._allowed(amps)[1]))

        before, share = error(old), 1.0
        while share > 1e-4:
            amps = old + share * (new - old)
            if error(amps) <= (1 - 0.1 * share) * before:
                return amps
            share /= 2
        return new

    def _lagged(self, dead: np.ndarray) -> np.ndarray:
        """Pieces after switching on from a dead circuit, every valve following its caps with a lag.

        Implicit time steps that grow while the pieces settle and shrink when they do not: the path ends in a steady
        state a real circuit could settle in, not in an unstable one between two.
        """
        pieces, amps, step = dead, np.zeros(len(dead)), 1e-3
        for _ in range(LAG_STEPS):
            new, settled = self._rounds(pieces, FREE_TRIES, step, amps)
            if settled:
                pieces, amps = new, self._amps(new, step, amps)
                if step > 1e12:
                    break
                step *= 4
            else:
                step /= 3
        return pieces
