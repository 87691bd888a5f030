"""A recorded waveform: exact at any time, with its exact mean and its complete envelope.

In: segments between events, on each of which every channel is a sum of exponentials and a straight line. Out: values,
means, and for every screen column the least and the greatest value in it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from casekit.circuit.crossing import spread

SLACK_V = 1e-6  # an envelope may be this much wider than the signal
CHUNK = 50_000  # times looked at together, to spare memory
ROUNDS = 30  # halvings of a piece, after which its bounds are taken as they are


@dataclass(frozen=True)
class Record:
    """Channels x time. `starts` (segments) and `end` in second; `a` segments x channels x modes, `rate` segments x
    modes (1/s), `group` the same (rates that lie close together have one number), `c0`, `c1` segments x channels. On a
    segment a channel is sum a e^(rate t) + c0 + c1 t volt, t from the segment's start."""

    starts: np.ndarray
    end: float
    a: np.ndarray
    rate: np.ndarray
    group: np.ndarray
    c0: np.ndarray
    c1: np.ndarray

    @property
    def channels(self) -> int:
        """Number of channels."""
        return self.a.shape[1]

    def volts(self, t: np.ndarray) -> np.ndarray:
        """Values, channels x times; at an event the value just after it."""
        parts = np.array_split(np.asarray(t, dtype=float), len(t) // CHUNK + 1)
        at = [self._segment(part) for part in parts]
        return np.concatenate([self._at(k, part - self.starts[k]) for k, part in zip(at, parts, strict=True)]).T

    def means(self, edges: np.ndarray) -> np.ndarray:
        """Mean over every span between two following edges, channels x spans: integrated exactly."""
        edges = np.asarray(edges, dtype=float)
        at, left, right, column = self._pieces(edges)
        rate = self.rate[at]
        grown = np.exp(rate * left[:, None]) * np.expm1(rate * (right - left)[:, None]) / rate
        area = np.real(np.einsum("nck,nk->nc", self.a[at], grown))
        area += self.c0[at] * (right - left)[:, None] + self.c1[at] * ((right**2 - left**2) / 2)[:, None]
        total = np.zeros((len(edges) - 1, self.channels))
        np.add.at(total, column, area)
        return (total / np.diff(edges)[:, None]).T

    def envelope(self, edges: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """(low, high), channels x columns: every column between two following edges stays within them.

        Ends of pieces, and turning points inside them: a piece whose slope can change sign is divided until it cannot,
        or until bounds that hold for all of it lie within SLACK_V of its ends.
        """
        edges = np.asarray(edges, dtype=float)
        at, left, right, column = self._pieces(edges)
        low = np.full((len(edges) - 1, self.channels), np.inf)
        high = np.full((len(edges) - 1, self.channels), -np.inf)
        for round_ in range(ROUNDS + 1):
            ends = self._at(at, left), self._at(at, right)
            turns = self._may_turn(at, left, right)
            least, most = np.minimum(*ends), np.maximum(*ends)
            outer = self._bounds(at, left, right)
            near = (least - outer[0] <= SLACK_V) & (outer[1] - most <= SLACK_V)
            least, most = np.where(turns, outer[0], least), np.where(turns, outer[1], most)
            sure = (~turns | near).all(axis=1) | (round_ == ROUNDS)
            np.minimum.at(low, column[sure], least[sure])
            np.maximum.at(high, column[sure], most[sure])
            at, left, right, column = at[~sure], left[~sure], right[~sure], column[~sure]
            if not len(at):
                break
            middle = (left + right) / 2
            at, column = np.tile(at, 2), np.tile(column, 2)
            left, right = np.concatenate([left, middle]), np.concatenate([middle, right])
        return low.T, high.T

    def _segment(self, t: np.ndarray) -> np.ndarray:
        return np.clip(np.searchsorted(self.starts, t, side="right") - 1, 0, len(self.starts) - 1)

    def _pieces(self, edges: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
        """(segment, begin, end, column) of every piece between edges and events; times from the segment's start."""
        inside = self.starts[(self.starts > edges[0]) & (self.starts < edges[-1])]
        cuts = np.unique(np.concatenate([edges, inside]))
        begin, end = cuts[:-1], cuts[1:]
        at = self._segment((begin + end) / 2)
        column = np.searchsorted(edges, (begin + end) / 2, side="right") - 1
        return at, begin - self.starts[at], end - self.starts[at], column

    def _at(self, at: np.ndarray, t: np.ndarray) -> np.ndarray:
        grown = np.exp(self.rate[at] * t[:, None])
        return np.real(np.einsum("nck,nk->nc", self.a[at], grown)) + self.c0[at] + self.c1[at] * t[:, None]

    def _may_turn(self, at: np.ndarray, left: np.ndarray, right: np.ndarray) -> np.ndarray:
        """Whether the slope of a channel can change sign on a piece."""
        rate = self.rate[at]
        down, up = spread(self.a[at] * rate[:, None, :], rate, self.group[at], left, right)
        return (down + self.c1[at] < 0) & (up + self.c1[at] > 0)

    def _bounds(self, at: np.ndarray, left: np.ndarray, right: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        low, high = spread(self.a[at], self.rate[at], self.group[at], left, right)
        line = self.c0[at] + self.c1[at] * left[:, None], self.c0[at] + self.c1[at] * right[:, None]
        return low + np.minimum(*line), high + np.maximum(*line)
