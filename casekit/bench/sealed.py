"""What the bench knows and the trainee does not: kept beside the bench, not in it."""

from __future__ import annotations

from dataclasses import dataclass
from weakref import WeakKeyDictionary

from casekit.bench.meter import Meter
from casekit.machine.faults import Fault
from casekit.machine.machine import Machine


@dataclass(frozen=True, repr=False)
class Truth:
    """The individual machine with its faults in it, the faults, and the individual meter.

    Its repr says nothing, so that no traceback, log or cell can show it by accident. On a trainee's own computer
    this keeps honest people honest; it is not a lock.
    """

    machine: Machine
    faults: tuple[Fault, ...]
    meter: Meter
    explanation: str = ""
    lessons: tuple[str, ...] = ()

    def __repr__(self) -> str:
        return "<sealed until the debrief>"


_truths: WeakKeyDictionary[object, Truth] = WeakKeyDictionary()


def seal(bench: object, truth: Truth) -> None:
    """Put a truth away for this bench."""
    _truths[bench] = truth


def unseal(bench: object) -> Truth:
    """The truth of this bench."""
    return _truths[bench]
