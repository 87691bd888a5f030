"""Faults that come and go: a hidden displacement, what pushes it, and when the contact is made.

In: a state, the rest position, a time. Out: how far the contact stands from its gap, and the moments it changes. All
is drawn from seeds, so that the same case gives the same chatter. Shapes and sizes are invented; contact displacements
of some micrometres to tenths of a millimetre are published for connectors, those of a loose harness are larger.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

import numpy as np

from casekit.machine.faults import Fault, HighResistance, Open, SensorDeadSpot
from casekit.machine.machine import Engine, Machine
from casekit.machine.motion import Meanwhile
from casekit.machine.state import State

STEP_S = 2e-4  # vibration is looked at this closely; it is below 200 Hz
BOUNCE_S = 3e-3  # after making contact it bounces for about this long
BREAKS = (Open, HighResistance, SensorDeadSpot)  # a contact is made when these go, and when any other fault comes
HANDS_MM = {"gently": 0.5, "hard": 1.5}  # how far hands push the harness while they move it
ROCK_TORQUE = 0.8  # rocking the engine by hand, as a share of its largest torque
CLEAR_MM = 0.02  # nearer to the gap than this without vibration counts as touching


@dataclass(frozen=True)
class Push:
    """What acts on a contact besides the state while a record is taken: hands on the harness at `point`, or
    rocking of the engine; it comes in pushes of about half a second, both ways."""

    point: str = ""
    hands_mm: float = 0.0
    torque: float = 0.0
    PERIOD_S: ClassVar[float] = 0.5

    def wave(self, t: np.ndarray) -> np.ndarray:
        """The push over time (-1 to 1), `t` in second from its beginning."""
        return np.sin(2 * np.pi * t / self.PERIOD_S)


@dataclass(frozen=True)
class Intermittent:
    """A fault that is there while a displacement exceeds `gap_mm`.

    The displacement is the rest position plus `torque_mm` at full engine torque, `heat_mm` when warm, what a held
    operation adds, vibration up to `shake_mm` while the engine runs, and what hands do at `point`.
    """

    fault: Fault
    point: str
    gap_mm: float
    rest_mm: float
    torque_mm: float = 0.0
    heat_mm: float = 0.0
    shake_mm: float = 0.0
    held: tuple[tuple[str, float], ...] = ()

    @property
    def kind(self) -> str:
        """The kind of the fault."""
        return self.fault.kind

    @property
    def place(self) -> str:
        """The place of the fault."""
        return self.fault.place

    def applied(self, machine: Machine) -> Machine:
        """The machine while the fault is there."""
        return self.fault.applied(machine)

    def mean_mm(self, state: State, rest_mm: float) -> float:
        """The displacement in this state without vibration."""
        pushed = sum(mm for name, mm in self.held if name in state.held)
        return rest_mm + self.torque_mm * state.torque + self.heat_mm * state.hot + pushed

    def swing_mm(self, state: State) -> float:
        """How far vibration moves it either way."""
        return self.shake_mm * (0.5 + 0.5 * state.torque) if state.turning else 0.0

    def settled(self, state: State, rest_mm: float) -> bool | None:
        """Whether the fault is there in this state; None when it comes and goes."""
        over, swing = self.mean_mm(state, rest_mm) - self.gap_mm, self.swing_mm(state)
        if abs(over) < swing:
            return None
        return over > (0.0 if swing else -CLEAR_MM)

    def changes(
        self, state: State, rest_mm: float, engine: Engine, span_s: tuple[float, float], seed: int,
        push: Push | None = None, doing: Meanwhile | None = None,
    ) -> tuple[bool, np.ndarray]:  # fmt: skip
        """Whether the fault is there at the beginning of a span of the clock (second), and the times it changes.

        `push` is what hands do meanwhile, `doing` what is done to the machine, which moves the contact as it goes on.
        """
        begin, end = span_s
        count = max(int(np.ceil((end - begin) / STEP_S)), 1) + 1
        t = np.linspace(begin, end, count)
        over = self._over(state, rest_mm, engine, t, seed)
        if doing is not None:
            over += doing.progress(t) * (self._over(doing.after, rest_mm, engine, t, seed) - over)
        if push is not None:
            hands = push.hands_mm if push.point == self.point else 0.0
            over += (hands + self.torque_mm * push.torque) * push.wave(t - begin)
        there = over > 0
        at = np.flatnonzero(there[1:] != there[:-1])
        times = t[at] + (t[at + 1] - t[at]) * over[at] / (over[at] - over[at + 1])
        return bool(there[0]), _bounced(bool(there[0]), times, end, seed, not isinstance(self.fault, BREAKS))

    def _over(self, state: State, rest_mm: float, engine: Engine, t: np.ndarray, seed: int) -> np.ndarray:
        """Displacement less the gap at times `t` in a state, vibration included."""
        over = np.full(len(t), self.mean_mm(state, rest_mm) - self.gap_mm)
        swing = self.swing_mm(state)
        if swing:
            rng = np.random.default_rng([seed, 11])
            firing_hz = engine.rpm(state) / 60 * engine.cylinders / 2
            hz = firing_hz * np.array([1.0, 0.53, 0.17]) * rng.uniform(0.97, 1.03, 3)
            phase = rng.uniform(0, 2 * np.pi, 3)
            wave = np.sin(2 * np.pi * np.outer(t, hz) + phase) @ np.array([0.45, 0.35, 0.2])
            over += swing * wave
        return over


def _bounced(there: bool, times: np.ndarray, end: float, seed: int, touches: bool) -> np.ndarray:
    """The same changes with bounce: wherever contact is made a few short breaks follow within BOUNCE_S.

    `touches` says whether contact is made when the fault comes, or when it goes.
    """
    found: list[float] = []
    ends = [*times[1:], end][: len(times)]
    for k, (t, until) in enumerate(zip(times, ends, strict=True)):
        found.append(float(t))
        there = not there
        room = min(BOUNCE_S, 0.8 * (until - t))
        if there == touches and room > 1e-4:
            rng = np.random.default_rng([seed, 13, k])
            breaks = np.sort(rng.uniform(0.05, 1.0, 2 * int(rng.integers(1, 4)))) * room
            found += [float(t + b) for b in breaks]
    return np.array(found)


def inner(fault: Fault | Intermittent) -> Fault:
    """The fault itself, whether it comes and goes or not."""
    return fault.fault if isinstance(fault, Intermittent) else fault
