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

HELP_S = 1e-12  # as much again as the solver's own leak: floating nodes stay in the range of double numbers
TRIES, FREE_TRIES, LAG_STEPS = 30, 6, 300


class Ports:
    """What the caps see: allowed current = gain @ valve currents + offset, in ampere.

    `gain` is caps x valves, `offset` one per cap, `first` the first cap of every valve, `open` whether its gate lets
    it conduct, `linear` which are plain conductors that carry current both ways (none unless given).
    """

    def __init__(
        self, gain: np.ndarray, offset: np.ndarray, first: np.ndarray, open_: np.ndarray,
        linear: np.ndarray | None = None,
    ):  # fmt: skip
        self.gain, self.offset, self.first, self.open = gain, offset, first, open_
        self.linear = np.zeros(len(first), dtype=bool) if linear is None else linear
        self.owner = np.repeat(np.arange(len(first)), np.diff([*first, len(offset)]))

    @classmethod
    def of(cls, network: Network, closed: frozenset[int]) -> Ports:
        """The ports of a network in which the gates of the `closed` valves are shut."""
        drive, look, level, first = equations(network)
        shut, _ = network.matrix([SHUT] * len(network.valves))
        seen = splu(with_leak(shut, network.n, HELP_S)).solve(drive)
        gain = look @ seen
        open_ = np.array([j not in closed for j in range(len(network.valves))], dtype=bool)
        return cls(gain[:, 1:], gain[:, 0] - level, first, open_)

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
        conducts = self.open & (self.linear | (low > 0))
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
            wanted = self._wanted(amps)
            if (wanted == pieces).all():
                return pieces, True
            if k >= FREE_TRIES and held is None:
                here = amps if here is None else self._shorter(here, amps)
                wanted = self._wanted(here)
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


def equations(network: Network) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Valves taken out of a network as ports: (drive, look, level, first).

    Column 0 of `drive` is the right-hand side with all valves shut, column j + 1 makes valve j carry 1 A;
    the caps allow `look @ x - level`; `first` is the first cap of every valve.
    """
    size, n, count = network.n + network.m, network.n, len(network.valves)
    _, rhs = network.matrix([SHUT] * count)
    drive = np.zeros((size, count + 1))
    drive[:, 0] = rhs
    drive[[n + k for k in network.valves], np.arange(1, count + 1)] = -1.0
    rows = [row for k in network.valves for row in network.rows[k]]
    look = np.zeros((len(rows), size))
    for c, row in enumerate(rows):
        look[c, list(row.nodes)] = np.array(row.gains) / row.r
    level = np.array([row.e / row.r for row in rows])
    first = np.cumsum([0, *(len(network.rows[k]) for k in network.valves)])[:-1]
    return drive, look, level, first


def with_leak(matrix: sp.csc_matrix, nodes: int, leak_s: float) -> sp.csc_matrix:
    """The matrix with `leak_s` siemens more from every node to earth."""
    extra = np.where(np.arange(matrix.shape[0]) < nodes, leak_s, 0.0)
    return (matrix + sp.diags(extra)).tocsc()
