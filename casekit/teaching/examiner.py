"""The examiner: makes exam items of one machine, from the same physics as the bench.

In: a kind of item, a machine, and a number. Out: an `Item`, or None where that number draws none that is fair: one
right answer, and wrong ones that a named wrong idea leads to and that no instrument takes for the right one.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from casekit.teaching.ability import (
    BATTERY,
    CALL,
    CHANCE,
    CHOOSE,
    DRAWING,
    EXPLAIN,
    GROUND,
    OPENS,
    RESISTANCE,
    SAFE,
    SHARES,
    TRACE,
)  # fmt: skip
from casekit.teaching.chanceitems import chance
from casekit.teaching.dangeritems import danger
from casekit.teaching.drawingitems import drawing
from casekit.teaching.faulttable import FaultTable, fault_table
from casekit.teaching.item import Item
from casekit.teaching.placeitems import point, shares
from casekit.teaching.routeitems import choose, supported
from casekit.teaching.traceitems import trace
from casekit.teaching.voltitems import explains, order, reading

MAKERS: dict[str, Callable[[FaultTable, str, np.random.Generator], Item | None]] = {
    "reading": reading, "explains": explains, "shares": shares, "order": order, "point": point, "choose": choose,
    "supported": supported, "trace": trace, "drawing": drawing, "danger": danger, "chance": chance,
}  # fmt: skip
KINDS = {  # of items that ask for an ability
    SHARES: ("shares",), EXPLAIN: ("explains",), OPENS: ("reading", "point"), GROUND: ("reading", "order"),
    RESISTANCE: ("reading",), BATTERY: ("reading",), CHOOSE: ("choose",), CALL: ("supported",), TRACE: ("trace",),
    DRAWING: ("drawing",), SAFE: ("danger",), CHANCE: ("chance",),
}  # fmt: skip


def item(kind: str, machine: str, number: int) -> Item | None:
    """The item of this kind that a number draws; None when it draws none that is fair."""
    rng = np.random.default_rng([number, *kind.encode(), *machine.encode()])
    return MAKERS[kind](fault_table(machine), f"{kind}-{machine}-{number}", rng)
