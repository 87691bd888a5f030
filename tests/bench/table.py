"""A full table of every suspect in many machine states: the family against sparse solving and against ngspice.

Run: python tests/bench/table.py. 500 suspects, 60 states (plugs apart x key), every probe point read with a 10 Mohm
meter. The floor is one sparse LU and one inverse per state. A sparse LU per network and ngspice are timed on a sample
and scaled. The kit's machines are all larger than case R of the study (10 sensors, 167 nodes, 169 elements); the
largest and the smallest are shown. Ratios carry over, seconds are this machine's. Not a test.
"""

from __future__ import annotations

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import platform
import random
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import scipy
from scipy.sparse.linalg import splu

sys.path.insert(0, str(Path(__file__).parent.parent))

from everyfault import faults, machines
from spice import NO_TIME, PLAIN, Job, names, netlist

from casekit.circuit.family import Family
from casekit.circuit.network import Network
from casekit.circuit.operating_point import operating_point
from casekit.circuit.threads import one_thread
from casekit.machine.law import Resistor
from casekit.machine.machine import Machine
from casekit.machine.state import State
from casekit.reasoning.suspect import suspects

SUSPECTS, STATES, RUNS, FEW = 500, 60, 9, 3
ANEW, ALTERED = 40, 60  # networks solved anew; resistances altered in ngspice


def median_s(action: Callable[[], object], runs: int | None = None) -> float:
    """Median time of an action in seconds, of nine runs, of three where it takes longer than a second."""
    times = []
    while len(times) < (runs or (RUNS if not times or times[0] < 1 else FEW)):
        begin = time.perf_counter()
        action()
        times.append(time.perf_counter() - begin)
    return statistics.median(times)


def sixty(machine: Machine) -> list[State]:
    """Key on and off, with none, one or two plugs apart."""
    rng = random.Random(0)
    plugs = [p.name for p in machine.plugs]
    apart = [frozenset()] + [frozenset({p}) for p in plugs]
    while len(apart) < STATES // 2:
        apart.append(frozenset(rng.sample(plugs, 2)))
    return [State(key, some) for some in apart[: STATES // 2] for key in ("on", "off")]


def table(machine: Machine, chosen: list, states: list[State]) -> list[tuple[np.ndarray, np.ndarray]]:
    """Readings of every suspect at every point of every state, families built anew."""
    found = []
    for state in states:
        family = Family(machine, state)
        pairs = [(p, machine.earth) for p in machine.reachable(state) if p != machine.earth]
        found.append(family.solve([s.change(machine, state, size, 0.5) for s, size in chosen]).readings(pairs))
    return found


def floor(machine: Machine, states: list[State]) -> float:
    """Seconds of the sparse LUs and the inverses alone."""
    matrices = []
    for state in states:
        net = Network(machine.elements(state), machine.earth)
        matrices.append(net.matrix(operating_point(net).pieces)[0])

    def action() -> None:
        for matrix in matrices:
            splu(matrix).solve(np.eye(matrix.shape[0], order="F"))

    with one_thread():
        return median_s(action)


def anew(machine: Machine) -> float:
    """Seconds of a sparse LU for one network with one meter, from its pieces: one factorisation, one solution."""
    rng, nets = random.Random(1), []
    for fault in rng.sample(faults(machine), ANEW):
        points = machine.reachable(State("on"))
        meter = Resistor("meter", rng.choice(points), machine.earth, 1e7)
        net = Network((*machine.with_fault(fault).elements(State("on")), meter), machine.earth)
        nets.append(net.matrix(operating_point(net).pieces))

    def action() -> None:
        for matrix, right in nets:
            splu(matrix).solve(right)

    with one_thread():
        return median_s(action) / ANEW


def spice(machine: Machine) -> float:
    """Seconds ngspice takes for one network: one process, resistances altered, 20 unloaded nodes printed, started from
    the healthy state; the process's start is taken off."""
    elements = tuple(machine.elements(State("on")))
    op = operating_point(Network(elements, machine.earth))
    nodeset = {n: float(op.x[k]) for n, k in op.network.index.items()}
    points = [p for p in machine.reachable(State("on")) if p != machine.earth and p in op.network.index][:20]
    job = Job("table", elements, machine.earth, tuple((p, machine.earth) for p in points), nodeset)
    ohms = [k for k, el in enumerate(elements) if isinstance(el, Resistor) and 0 < el.r_ohm < 1]
    chosen = random.Random(2).sample(ohms, ALTERED)
    seen = " ".join(f"v({names(job)[p]})" for p in points)

    def run(count: int) -> float:
        commands = [NO_TIME, "op"]
        for k in chosen[:count]:
            commands += [f"alter R{k} = {elements[k].r_ohm + 50.0!r}", "op", f"print {seen}"]
            commands += [f"alter R{k} = {elements[k].r_ohm!r}", "destroy all"]
        with tempfile.TemporaryDirectory() as folder:
            Path(folder, "circuit.cir").write_text(netlist(job, PLAIN, []))
            script = [
                "* control",
                ".control",
                "set noaskquit",
                "source circuit.cir",
                *commands,
                "quit",
                ".endc",
                ".end",
            ]
            Path(folder, "control.sp").write_text("\n".join([*script, ""]))
            begin = time.perf_counter()
            subprocess.run(["ngspice", "-b", "control.sp"], cwd=folder, capture_output=True, check=False)
            return time.perf_counter() - begin

    return (median_s(lambda: run(ALTERED), FEW) - median_s(lambda: run(0), FEW)) / ALTERED


def report(machine: Machine) -> None:
    """All ratios of one machine."""
    states = sixty(machine)
    single = [s for s in suspects(machine) if s.kind != "none"]
    single = random.Random(3).sample(single, min(SUSPECTS, len(single)))
    chosen = [(s, s.sizes[len(s.sizes) // 2]) for s in single]
    family = Family(machine, State("on"))
    points = [len(machine.reachable(state)) for state in states]
    sensors = sum(p.kind == "sensor" for p in machine.plugs)
    print(f"\n{machine.name}: {sensors} sensors, {family.network.n} nodes, {family.network.m} elements, {family.count} "
          f"valves; {len(chosen)} suspects, {len(states)} states, {min(points)} to {max(points)} points")  # fmt: skip
    begin = time.perf_counter()
    found = table(machine, chosen, states)
    first = time.perf_counter() - begin
    again = median_s(lambda: table(machine, chosen, states), FEW)
    lowest = floor(machine, states)
    families = median_s(lambda: [Family(machine, state) for state in states])
    changes = median_s(lambda: [[s.change(machine, state, x, 0.5) for s, x in chosen] for state in states], FEW)
    networks, readings = len(states) * len(chosen), sum(v.size for v, _ in found)
    steady = sum(int(np.isfinite(v[:, 0]).sum()) for v, _ in found)
    print(f"sparse LUs + inverses            {lowest:10.3f} s        1.0")
    print(f"our full table, first time       {first:10.3f} s {first / lowest:10.1f} x the floor")
    print(f"our full table, states seen once {again:10.3f} s {again / lowest:10.1f} x the floor")
    print(f"  of it families                 {families:10.3f} s {families / lowest:10.1f}")
    print(f"  of it changes written down     {changes:10.3f} s {changes / lowest:10.1f}")
    print(f"{networks} networks ({steady} with a steady state), {readings} loaded readings")
    one = anew(machine)
    print(f"sparse LU per network and meter  {one * readings:10.0f} s {one * readings / again:10.0f} x ours "
          f"({one * networks / again:.0f} x with one per network)")  # fmt: skip
    if shutil.which("ngspice"):
        other, state = spice(machine), State("on")
        picks = family.pick([(p, machine.earth) for p in machine.reachable(state)[:20]])
        every = [s.change(machine, state, size, 0.5) for s, size in chosen]
        ours = median_s(lambda: Family(machine, state).solve(every).values(picks)) / len(chosen)
        print(f"ngspice, one process, alter      {other * networks:10.0f} s {other * networks / again:10.0f} x our "
              f"full table; {other / ours:.0f} x ours for the same 20 unloaded nodes of one state")  # fmt: skip
    rng, times = random.Random(4), []
    pairs = [(p, machine.earth) for p in machine.reachable(State("on")) if p != machine.earth][:20]
    every = [s.change(machine, State("on"), size, 0.5) for s, size in chosen]
    two = [rng.choice(every) + rng.choice(every) for _ in range(4000)]
    for count in (500, 1000, 2000, 4000):
        Family(machine, State("on")).solve(two[:count]).readings(pairs)
        mine = Family(machine, State("on"))
        times.append(median_s(lambda c=count, m=mine: m.solve(two[:c]).readings(pairs), FEW))
    print("two faults at once, 20 points:   ",
          ", ".join(f"{c}: {t:.2f} s" for c, t in zip((500, 1000, 2000, 4000), times, strict=True)),
          f"({times[-1] / times[0]:.1f} x for 8 x as many)")  # fmt: skip


def main() -> None:
    """Print everything."""
    cores = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count()
    print(f"{platform.python_implementation()} {platform.python_version()}, numpy {np.__version__}, scipy "
          f"{scipy.__version__}, {platform.system()} {platform.machine()}, {cores} cores, one BLAS thread")  # fmt: skip
    by_size = sorted(machines(), key=lambda m: Family(m, State("on")).size)
    for machine in (by_size[-1], by_size[0]):
        report(machine)


if __name__ == "__main__":
    main()
