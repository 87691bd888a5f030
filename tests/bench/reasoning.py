"""How long one waits for the evidence and for advice, and how that grows with the number of suspects.

    python tests/bench/reasoning.py

Prints the machine, then medians of nine (three where it takes over a second) in milliseconds and in units of one sparse
LU of the same network, on the largest machine of the kit. "First" is what the first question of a session costs, with
nothing prepared; "again" what every further one does.
"""

from __future__ import annotations

import numpy as np
from scipy.sparse.linalg import splu
from timing import machine_line, median_s, timed

import casekit
from casekit.circuit.network import Network
from casekit.circuit.operating_point import operating_point
from casekit.circuit.threads import one_thread
from casekit.files.library import machine_file, names
from casekit.machine.drawn import drawn
from casekit.machine.state import State
from casekit.reasoning.advice import advise
from casekit.reasoning.evidence import Weighing, all_cells, every_expected, expectations, weigh
from casekit.reasoning.observation import observed
from casekit.reasoning.offer import Standpoint
from casekit.reasoning.pair import PairCell


def fresh() -> None:
    """Nothing prepared: as in the first minute of a session."""
    for kept in (expectations, all_cells, every_expected):
        kept.cache_clear()


def main() -> None:
    drawings = [drawn(machine_file(name)) for name in names("machines")]
    drawing = max(drawings, key=lambda d: len(d.parts))
    network = Network(drawing.elements(State("on")), drawing.earth)
    matrix, _ = network.matrix(operating_point(network).pieces)
    with one_thread():
        lu_s = median_s(lambda: splu(matrix))
    print(machine_line())
    print(f"{drawing.name}: {network.n} nodes, {network.m} elements, {len(all_cells(drawing))} cells of size and place")
    print(f"one sparse LU {1e3 * lu_s:.2f} ms")

    def line(what: str, seconds: float) -> None:
        print(f"{what:58s} {1e3 * seconds:9.0f} ms  {seconds / lu_s:10,.0f} x LU")

    codes = [c.low_code for c in drawing.program.channels if c.low_code][:3]
    bench = casekit.open_machine(
        drawing.name, 3, casekit.ShortToGround(drawing.contact_points[0].wires[0][0], 0.6, 0.35)
    )
    here = Standpoint(State(), frozenset())

    def first(work):
        fresh()
        return timed(work)[0]

    line("weighing: the stored codes alone, first", first(lambda: weigh(drawing, [], codes)))
    line("weighing: the stored codes alone, again", median_s(lambda: weigh(drawing, [], codes)))
    empty = weigh(drawing, [])
    line("advice from a fresh log, first", first(lambda: advise(drawing, empty, here)))
    line("advice from a fresh log, again (wanted: under 200 ms)", median_s(lambda: advise(drawing, empty, here)))
    bench.key("on")
    points = [p.harness[0] for p in drawing.plugs if p.kind == "sensor"][:6]
    for n, point in enumerate(points, start=1):
        bench.volts(point, drawing.earth)
        if n in (1, 3, 6):
            line(f"weighing: {n} readings, the last one new", first_new(drawing, bench.events))
            verdict = weigh(drawing, bench.events)
            stand = Standpoint.after(drawing, bench.events)
            line("  advice after them", median_s(lambda v=verdict, s=stand: advise(drawing, v, s), 5))

    print("two faults at once, one state, three readings")
    numbers, signs = observed(drawing, bench.events[:4])
    cells = [c for c in all_cells(drawing) if c.suspect.kind in ("short to ground", "open", "high resistance")]
    rng = np.random.default_rng(7)
    for count in (500, 1000, 2000, 4000):
        pairs = [PairCell(cells[a], cells[b], 1 / count) for a, b in rng.integers(0, len(cells), (count, 2))]
        weighing = Weighing(expectations(drawing), numbers, signs, ())
        spent = median_s(lambda w=weighing, p=pairs: w.weighed(p), 3)
        line(f"  {count} suspects: {1e6 * spent / count:.0f} us each", spent)


def first_new(drawing, events) -> float:
    """Seconds for a log whose last reading is new, all before known."""
    fresh()
    weigh(drawing, events[:-1])
    return timed(lambda: weigh(drawing, events))[0]


if __name__ == "__main__":
    main()
