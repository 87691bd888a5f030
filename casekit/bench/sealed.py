"""What the bench knows and the trainee does not: kept beside the bench, not in it."""

from __future__ import annotations

from dataclasses import dataclass, field
from weakref import WeakKeyDictionary

from casekit.bench.memory import Memory
from casekit.bench.specimen import Specimen
from casekit.machine.rules import Seen


@dataclass(frozen=True, repr=False)
class Truth:
    """The individual machine with its faults, what its control unit remembers, and what the debrief will say. `lived`
    is what the unit sees in the states it has been in.

    Its repr says nothing, so that no traceback, log or cell can show it by accident. On a trainee's own computer
    this keeps honest people honest; it is not a lock.
    """

    specimen: Specimen
    memory: Memory = field(default_factory=Memory)
    explanation: str = ""
    lessons: tuple[str, ...] = ()
    lived: dict[tuple, dict[Seen, float]] = field(default_factory=dict)

    def __repr__(self) -> str:
        return "<sealed until the debrief>"


_truths: WeakKeyDictionary[object, Truth] = WeakKeyDictionary()


def seal(bench: object, truth: Truth) -> None:
    """Put a truth away for this bench."""
    _truths[bench] = truth


def unseal(bench: object) -> Truth:
    """The truth of this bench."""
    return _truths[bench]
