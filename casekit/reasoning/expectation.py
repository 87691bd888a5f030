"""What cells expect of readings: predictions that also know how wide a cell is, and are kept.

In: cells and observations taken in one state. Out: a `Prediction` whose last columns are what the open size and place
of a cell move: `moves` are (shared quantities, the meter's gain, two sizes, the place along the wire).
"""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Sequence

import numpy as np

from casekit.circuit.change import NOTHING, Change
from casekit.machine.machine import Machine
from casekit.machine.state import State
from casekit.reasoning.observation import Observation
from casekit.reasoning.predict import Prediction, Predictor, decade, stacked
from casekit.reasoning.prior import Cell

BLUNT = 0.25  # how far the response of a wide cell may bend, as a share of its width
OPEN = 3  # columns of `moves` that are of the cell's own size and place
SPAN_V, SPAN_A, NATS = 15.0, 20.0, 20.0  # how far a slip may be off: in volt, ampere, and nats of ohm
OTHER_POINT = 0.6  # how often a slip is the reading of another point (common practice, no source)
KEPT, MANY = 80, 12_000  # readings whose predictions are kept, and by how many cells and parts of cells


class Expectations:
    """Expectations on one drawing; those of all its cells are kept, so that a longer log costs only what is new."""

    def __init__(self, drawing: Machine, guess: Predictor | None = None):
        self.guess, self.drawing = guess or Predictor(drawing), drawing
        self.columns = len(self.guess.shared) + 1 + OPEN
        self.latest: tuple | None = None  # the log last weighed by all cells, and where they stood at its end
        self._others: dict[State, np.ndarray] = {}
        self._kept: OrderedDict[tuple, _Store] = OrderedDict()
        self._cells: list[Cell] = []
        self._number: dict[int, int] = {}
        self._parts: dict[int, list[Cell]] = {}

    def of(self, cells: Sequence[Cell], taken: Sequence[Observation]) -> Prediction:
        """What cells expect of readings taken in one state."""
        return self._read(self._raw(cells, taken), taken)

    def kept(self, cells: Sequence[Cell], taken: Sequence[Observation]) -> Prediction:
        """The same for cells of the drawing or parts of them; what was worked out before is not done again."""
        rows, store = self._numbers(cells), []
        for o in taken:
            key = (*o.what[:6], o.mended, decade(o), o.beyond)
            store.append(self._kept.setdefault(key, _Store(self.columns)))
            self._kept.move_to_end(key)
        while len(self._kept) > max(KEPT, len(taken)):
            self._kept.popitem(last=False)
        for s in store:
            s.room(len(self._cells))
        missing = [k for k, s in enumerate(store) if not s.known[rows].all()]
        if missing:
            lack = ~np.logical_and.reduce([store[k].known[rows] for k in missing])
            found = self._raw([cells[k] for k in np.flatnonzero(lack)], [taken[k] for k in missing])
            for n, k in enumerate(missing):
                store[k].put(rows[lack], found.of([n]))
        return self._read(stacked([s.found.rows(rows) for s in store], axis=1), taken)

    def split(self, cell: Cell) -> list[Cell]:
        """The parts of a cell, the same ones whenever it is divided."""
        if id(cell) not in self._number:
            return cell.split()
        if id(cell) not in self._parts:
            self._parts[id(cell)] = cell.split()
        return self._parts[id(cell)]

    def slip(self, o: Observation) -> float:
        """Density of a slip at the value read, per unit: anything at all, or what another point of a healthy machine
        shows in this state."""
        if o.function == "ohms":
            return 1 / (max(o.value, 0.1) * NATS)
        if o.function == "amps":
            return 1 / (2 * SPAN_A)
        even = 1 / (2 * SPAN_V)
        if o.function == "inside" or o.beyond:
            return even
        if o.state not in self._others:
            points = [(p, self.drawing.earth) for p in self.drawing.reachable(o.state) if p != self.drawing.earth]
            shown = self.guess.volts(o.state, lambda state: [NOTHING], points)[0]
            self._others[o.state] = shown[np.isfinite(shown)]
        there = self._others[o.state]
        u = np.hypot(0.01, 0.01 * there)
        other = np.mean(np.exp(-0.5 * np.square((o.value - there) / u)) / (np.sqrt(2 * np.pi) * u))
        return float((1 - OTHER_POINT) * even + OTHER_POINT * other)

    # Inside ---------------------------------------------------------------------------------------------------------

    def _numbers(self, cells: Sequence[Cell]) -> np.ndarray:
        """The row of every cell in what is kept; new ones get one. With too many all begins anew."""
        known = self._number
        if len(known) + sum(id(c) not in known for c in cells) > MANY:
            self._kept.clear()
            self._cells, self._number, self._parts = [], (known := {}), {}
        for c in cells:
            if id(c) not in known:
                known[id(c)] = len(self._cells)
                self._cells.append(c)  # so that no other object gets its id
        return np.array([known[id(c)] for c in cells], dtype=int)

    def _raw(self, cells: Sequence[Cell], taken: Sequence[Observation]) -> Prediction:
        """Without what is the meter's own."""
        state, mended = taken[0].state, taken[0].mended
        if not len(cells):
            none = np.zeros((0, len(taken)))
            return Prediction(none, np.zeros((0, len(taken), self.columns), np.float32), none)

        def made(phase: State, end: str = "at") -> list[Change]:
            return [c.change(self.drawing, phase, mended, end) for c in cells]

        found = self.guess.predict(state, taken, made, np.array([c.widths for c in cells]).reshape(-1, 2, 2))
        along = np.zeros((len(cells), len(taken), 1))
        long = [k for k, c in enumerate(cells) if c.end > c.begin]
        if long:
            along[long, :, 0] = self._ends(state, mended, taken, [cells[k] for k in long]) / np.sqrt(12)
        sized = found.moves[:, :, -2:] + self._generic(cells, found, state, taken)
        moves = np.concatenate([found.moves[:, :, :-2], np.zeros(along.shape), sized, along], axis=2)
        variance = found.variance + np.square(BLUNT * moves[:, :, -OPEN:]).sum(axis=2)
        return Prediction(found.mean, moves.astype(np.float32), variance)

    def _read(self, raw: Prediction, taken: Sequence[Observation]) -> Prediction:
        """With the meter's own: its gain, which its readings share, and the rest of its uncertainty."""
        moves = raw.moves.copy()
        moves[:, :, -OPEN - 1] = [o.gain * o.value for o in taken]
        own = np.array([max(o.u**2 - (o.gain * o.value) ** 2, 0.0) + (o.step**2) / 6 for o in taken])
        return Prediction(raw.mean, moves, raw.variance + own)

    def _ends(self, state: State, mended: frozenset[str], taken: Sequence[Observation], some: list[Cell]) -> np.ndarray:
        """How far the readings differ between both ends of long cells."""

        def made(phase: State) -> list[Change]:
            return [c.change(self.drawing, phase, mended, end) for end in ("begin", "end") for c in some]

        both = self.guess.means(state, taken, made)
        return both[len(some) :] - both[: len(some)]

    def _generic(self, cells, found: Prediction, state: State, taken) -> np.ndarray:
        """What the size does where it is not that of a port: in proportion to what it has done so far."""
        out = np.zeros((len(cells), len(taken), 2))
        rows = [
            k for k, c in enumerate(cells) if c.high > c.low and c.suspect.kind in ("supply weak", "sensor drifted")
        ]
        if rows:
            good = self.guess.means(state, taken, lambda phase: [NOTHING])
            share = np.array([(cells[k].high - cells[k].low) / abs(cells[k].size) / np.sqrt(12) for k in rows])
            out[rows, :, 0] = (found.mean[rows] - good) * share[:, None]
        return out


class _Store:
    """What cells expect of one reading, by row, as far as it is known."""

    def __init__(self, columns: int):
        self.known = np.zeros(0, dtype=bool)
        self.found = Prediction(np.zeros((0, 1)), np.zeros((0, 1, columns), np.float32), np.zeros((0, 1)))

    def room(self, n: int) -> None:
        """Room for n rows."""
        if n > len(self.known):
            more = 2 * n - len(self.known)
            shape = self.found.moves.shape[1:]
            empty = Prediction(np.empty((more, 1)), np.empty((more, *shape), np.float32), np.empty((more, 1)))
            self.known = np.append(self.known, np.zeros(more, dtype=bool))
            self.found = stacked([self.found, empty])

    def put(self, rows: np.ndarray, found: Prediction) -> None:
        """Fill in some rows."""
        self.known[rows] = True
        self.found.mean[rows], self.found.moves[rows], self.found.variance[rows] = (
            found.mean, found.moves, found.variance,
        )  # fmt: skip
