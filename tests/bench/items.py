"""How fast exam items are made and checked: a hundred a second are wanted on two cores, start of processes included.

python tests/bench/items.py [items, 5000] [processes, 2]
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

from timing import machine_line, median_s, timed

from casekit.circuit.operating_point import solve
from casekit.machine.state import State
from casekit.teaching.examiner import MAKERS, item
from casekit.teaching.faulttable import fault_table
from casekit.teaching.itembank import make_bank


def main(many: int = 5000, processes: int = 2) -> None:
    print(f"{machine_line()}, {processes} processes")
    with tempfile.TemporaryDirectory() as folder:
        spent, done = timed(lambda: make_bank(Path(folder) / "bank.jsonl", many, 1, processes))
    print(f"{done} checked items in {spent:.1f} s: {done / spent:.0f} a second (wanted 100)")
    t = fault_table("street-sweeper")
    t.volts, t.bare, t.fed, t.wide  # noqa: B018
    solve(t.drawing, State("on"))
    plain = median_s(lambda: solve(t.drawing, State("on")))
    for kind in MAKERS:
        spent, made = timed(lambda kind=kind: sum(item(kind, "street-sweeper", n) is not None for n in range(100)))
        print(f"{kind:9} {made} of 100 numbers, {1e3 * spent / max(made, 1):.1f} ms an item, "
              f"{spent / max(made, 1) / plain:.2f} x solving the machine once")  # fmt: skip


if __name__ == "__main__":
    main(*[int(text) for text in sys.argv[1:3]])
