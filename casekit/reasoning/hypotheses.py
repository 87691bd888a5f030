"""Hypotheses: what is told apart when the next test is planned.

In: a verdict. Out: the likeliest cells, a fault that comes and goes twice, there and away, with their chances.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from casekit.circuit.change import Change
from casekit.machine.machine import Machine
from casekit.machine.state import State
from casekit.reasoning.prior import LOOSE, LOOSE_KINDS, Cell
from casekit.reasoning.suspect import NONE
from casekit.reasoning.verdict import Verdict

MOST = 160  # hypotheses that are told apart in planning: those with most belief
ALWAYS, THERE, AWAY = 0, 1, 2  # a fault that is always there; one that comes and goes, now there or away


@dataclass(frozen=True)
class Hypotheses:
    """What is told apart in planning: cells (a loose one also while it is away), their chances, and their suspects."""

    cells: tuple[Cell | None, ...]  # None: nothing wrong, or away just now
    chance: np.ndarray
    group: np.ndarray
    role: np.ndarray

    @classmethod
    def of(cls, verdict: Verdict, most: int = MOST) -> Hypotheses:
        """The likeliest cells of a verdict."""
        w = verdict.weighed
        weight = np.log([c.weight for c in w.cells])
        can = np.array([c.suspect.kind in LOOSE_KINDS for c in w.cells], dtype=bool)
        always = weight + w.lasting + np.where(can, np.log(1 - LOOSE), 0.0)
        sometimes = np.where(can, weight + w.loose + np.log(LOOSE), -np.inf)
        log = np.concatenate([always, sometimes])
        p = np.exp(log - log.max())
        p /= p.sum()
        n, rows = len(w.cells), np.argsort(-p, kind="stable")[:most]
        number = {s: k for k, s in enumerate(verdict.suspects)}
        cells, chance, group, role = [], [], [], []
        for k in rows:
            cell = w.cells[k % n]
            for part in (THERE, AWAY) if k >= n else (ALWAYS,):
                cells.append(cell if part != AWAY and cell.suspect != NONE else None)
                chance.append(p[k])
                group.append(number[cell.suspect])
                role.append(part)
        return cls(tuple(cells), np.array(chance), np.array(group), np.array(role))

    @property
    def loose(self) -> np.ndarray:
        """Which are of a fault that comes and goes."""
        return self.role != ALWAYS

    @property
    def worn(self) -> np.ndarray:
        """Which are of a worn track, which shows where the lever stands on it."""
        return np.array([c is not None and c.suspect.worn for c in self.cells], dtype=bool)

    def p(self, there: float) -> np.ndarray:
        """Chances, adding up to one, while a fault that comes and goes is there with chance `there`."""
        p = self.chance * np.select([self.role == THERE, self.role == AWAY], [there, 1 - there], 1.0)
        return p / p.sum()

    def changes(self, drawing: Machine, state: State) -> list[Change]:
        """What each would change in a state."""
        return [Change() if c is None else c.change(drawing, state) for c in self.cells]
