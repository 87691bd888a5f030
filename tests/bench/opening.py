"""How long a trainee waits: opening a case, one reading, one move, the drawing, the debrief.

Run: python tests/bench/opening.py. Seconds are this machine's; the ratios (to one sparse LU of the same network in
the same run) carry over. Not a test.
"""

from __future__ import annotations

from collections.abc import Callable

from scipy.sparse.linalg import splu
from timing import machine_line, median_s

import casekit
from casekit.bench.sealed import unseal
from casekit.circuit.network import Network
from casekit.machine.state import State


def played(name: str, points: tuple[str, ...], kind: str, place: str) -> Callable[[], object]:
    """The debrief of a case after some readings."""

    def action() -> object:
        bench = casekit.open_case(name)
        bench.key("on")
        for point in points:
            bench.volts(point, "G1.-")
        bench.call(kind, place)
        return bench.debrief()

    return action


def main() -> None:
    """Print the table."""
    print(f"{machine_line()}; medians")
    bench = casekit.open_case("broom-frame-dead")
    bench.key("on")
    network = Network(unseal(bench).specimen.machine.elements(State("on")), bench.drawing.earth)
    matrix, _ = network.matrix([v.rest for k in network.valves for v in [network.elements[k]]])
    unit = median_s(lambda: splu(matrix), 200)
    points = [p for p in bench.probe_points() if p != "G1.-"]
    turn = iter(points * 3)
    rows = {
        "one sparse LU": unit,
        "open a case": median_s(lambda: casekit.open_case("broom-frame-dead")),
        "volts, key on": median_s(lambda: bench.volts(next(turn), "G1.-"), 60),
        "key run": median_s(lambda: (bench.key("on"), bench.key("run"))),
        "volts, engine running": median_s(lambda: bench.volts(next(turn), "G1.-"), 30),
        "key off, ohms": median_s(lambda: (bench.key("off"), bench.ohms("B8.1", "B8.2"))),
        "draw the machine": median_s(lambda: casekit.open_machine("street-sweeper").picture, 5),
        "debrief, open wire": median_s(played("oil-and-boost-low", ("B9.1", "B10.1", "B7.1"), "open", "W42"), 3),
        "debrief, shorted supply": median_s(
            played("broom-frame-dead", ("B5.1", "X1.5", "B9.1"), "short to ground", "W14"), 3
        ),
    }
    for name, seconds in rows.items():
        print(f"{name:26} {seconds * 1e3:9.2f} ms {seconds / unit:9.1f} x")


if __name__ == "__main__":
    main()
