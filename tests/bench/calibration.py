"""Is the engine as sure as it should be? Simulated cases, drawn from its own prior, read at random, weighed.

Every case is another individual with another meter; the fault, its size and place are drawn from the field weights,
readings from what can be reached; one reading in a hundred is of another point than was written down. Printed: how
often the truth was what the engine said with which chance, and how often the truth was ruled out. Seeded.

    python tests/bench/calibration.py [cases, 2000] [processes, 2]
"""

from __future__ import annotations

import sys
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace

import numpy as np
from timing import machine_line, timed

from casekit.bench.bench import Bench
from casekit.bench.meter import Meter
from casekit.bench.sealed import Truth
from casekit.bench.specimen import Specimen
from casekit.error import CasekitError
from casekit.files.library import machine_file, names
from casekit.machine.drawn import drawn
from casekit.machine.intermittent import Intermittent
from casekit.machine.state import State
from casekit.reasoning.evidence import all_cells, weigh
from casekit.reasoning.offer import along
from casekit.reasoning.prior import LOOSE, LOOSE_KINDS, Cell
from casekit.reasoning.suspect import NONE
from casekit.reasoning.verdict import RULED_OUT

SLIPS = 0.01


def case(number: int) -> tuple[str, np.ndarray, np.ndarray, float, float, int, float]:
    """One case: (kind, chances said, whether each was true, nats the truth is behind, seconds, evidence used, where the
    truth stands among all suspects: the chance of those thought likelier, and a random part of its own)."""
    rng = np.random.default_rng([number, 41])
    machines = names("machines")
    drawing = plans()[machines[number % len(machines)]]
    cells = all_cells(drawing)
    cell = cells[rng.choice(len(cells), p=np.array([c.weight for c in cells]) / sum(c.weight for c in cells))]
    bench = Bench(drawing, Truth(Specimen(drawing.as_built(number), truth(cell, rng, drawing), Meter.drawn_by(number),
                                          number)))  # fmt: skip
    read(bench, rng, drawing)
    spent, verdict = timed(lambda: weigh(drawing, bench.events))
    k = verdict.suspects.index(cell.suspect)
    some = np.flatnonzero(verdict.p > 0.005)
    stands = float(
        verdict.p[verdict.p > verdict.p[k]].sum() + rng.uniform() * verdict.p[verdict.p == verdict.p[k]].sum()
    )
    behind = float(verdict.log.max() - verdict.log[k])
    return cell.suspect.kind, verdict.p[some], some == k, behind, spent, verdict.used, stands


def plans():
    if not PLANS:
        PLANS.update({name: drawn(machine_file(name)) for name in names("machines")})
    return PLANS


PLANS: dict = {}


def truth(cell: Cell, rng, drawing) -> tuple:
    """The fault of a cell: a size and a place in it; some come and go under load."""
    if cell.suspect == NONE:
        return ()
    low, high = cell.low, cell.high
    even = low <= 0 or cell.suspect.kind == "sensor drifted"
    size = rng.uniform(low, high) if even else float(np.exp(rng.uniform(np.log(low), np.log(high))))
    at = float(rng.uniform(cell.begin, cell.end)) if cell.end > cell.begin else cell.at
    fault = cell.suspect.fault(size, at)
    if cell.suspect.kind in LOOSE_KINDS and rng.uniform() < LOOSE:
        point = cell.spot or drawing.contact_points[0].name
        return (Intermittent(fault, point, 1.0, float(rng.uniform(0.2, 0.95)), torque_mm=float(rng.uniform(0.2, 1.0))),)
    return (fault,)


def read(bench: Bench, rng, drawing) -> None:
    """What somebody does in half an hour: codes and scan data, volts and millivolts here and there along one or two
    nets, some plugs apart, looks; and now and then a slip."""
    bench.key("on")
    nets = along(drawing, State("on"))
    favourite = [str(nets[k][0]) for k in rng.choice(len(nets), 2)]
    for _ in range(int(rng.integers(4, 17))):
        try:
            what = rng.uniform()
            if what < 0.08:
                bench.key(str(rng.choice(["on", "run", "off"])))
            elif what < 0.2:
                plug = str(rng.choice([p.name for p in drawing.plugs if p.kind != "control unit"]))
                (bench.plug if plug in bench.state.unplugged else bench.unplug)(plug)
            elif what < 0.3:
                bench.scan()
            elif what < 0.36:
                bench.look(str(rng.choice([p.name for p in drawing.contact_points])))
            elif what < 0.44:
                (bench.notice if rng.uniform() < 0.5 else bench.codes)()
            else:
                points = bench.probe_points()
                on_net = [p for a, p in along(drawing, bench.state) if a in favourite and p in points]
                some = on_net if on_net and rng.uniform() < 0.6 else points
                point, slip = str(rng.choice(some)), str(rng.choice(points))
                off = bench.state.key == "off"
                measure = bench.ohms if off else bench.millivolts if rng.uniform() < 0.1 else bench.volts
                measure(point, drawing.earth)
                if rng.uniform() < SLIPS and slip not in (point, drawing.earth):
                    right = bench.events.pop()
                    measure(slip, drawing.earth)
                    bench.events[-1] = replace(bench.events[-1], red=right.red)
        except CasekitError:
            continue


def main(count: int, processes: int) -> None:
    print(f"{machine_line()}, {processes} processes")
    with ProcessPoolExecutor(processes) as pool:
        spent, found = timed(lambda: list(pool.map(case, range(count), chunksize=20)))
    p = np.concatenate([f[1] for f in found])
    true = np.concatenate([f[2] for f in found])
    behind = np.array([f[3] for f in found])
    print(f"{count} cases in {spent:.0f} s; weighing {np.median([f[4] for f in found]):.2f} s "
          f"(median), {np.mean([f[5] for f in found]):.1f} readings and signs each")  # fmt: skip
    print("said            times   right   95 % of luck")
    error = 0.0
    for low, high in ((0.005, 0.05), (0.05, 0.15), (0.15, 0.3), (0.3, 0.5), (0.5, 0.7), (0.7, 0.87), (0.87, 0.93),
                      (0.93, 0.99), (0.99, 1.01)):  # fmt: skip
        mine = (p >= low) & (p < high)
        n = int(mine.sum())
        if n:
            said, right = p[mine].mean(), true[mine].mean()
            luck = 1.96 * np.sqrt(said * (1 - said) / n)
            error += n / len(p) * abs(said - right)
            print(f"{said:8.1%}      {n:7d}  {right:6.1%}   ±{luck:.1%}")
    print(f"expected calibration error {error:.2%} over {len(p)} statements")
    stands = np.array([f[6] for f in found])
    for share in (0.5, 0.8, 0.9, 0.95, 0.99):
        luck = 1.96 * np.sqrt(share * (1 - share) / count)
        print(f"the likeliest suspects that hold {share:.0%}: the truth is among them in {np.mean(stands < share):.1%} "
              f"of the cases (±{luck:.1%} of luck)")  # fmt: skip
    out = behind > RULED_OUT
    print(f"truth ruled out in {out.sum()} of {count} cases ({out.mean():.2%})")
    for kind in sorted({f[0] for f in found}):
        mine = np.array([f[0] == kind for f in found])
        print(f"  {kind:24s} {mine.sum():5d} cases, truth ruled out in {out[mine].sum()}")
    for n in np.flatnonzero(out)[:20]:
        print(f"  case {n}: {found[n][0]}, {behind[n]:.1f} nats behind")


if __name__ == "__main__":
    main(*(int(x) for x in (sys.argv[1:] + ["2000", "2"][len(sys.argv) - 1 :])))
