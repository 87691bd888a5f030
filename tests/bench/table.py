"""A full table of every suspect in many machine states: the family against sparse solving and against ngspice.

Run: python tests/bench/table.py. 500 suspects, 60 states (plugs apart x key), every probe point read with a 10 Mohm
meter; and as in the study, the voltages of all points and 20 readings with a meter of every network. The floor is one
sparse LU and one inverse per state, in the fastest form found (128 columns at a time: all at once takes up to twice as
long on some runs). A sparse LU per network is timed on a sample and scaled; ngspice does all suspects of one state in
one process, and its answers are compared. The kit's machines are all larger than case R of the study (10 sensors, 167
nodes, 169 elements); the largest and the smallest are shown. Ratios carry over, seconds are this
machine's. Not a test.
"""

from __future__ import annotations

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import gc
import random
import re
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
from scipy.sparse.linalg import splu
from timing import FEW, RUNS, machine_line, median_s

sys.path.insert(0, str(Path(__file__).parent.parent))

from everyfault import faults, machines
from spice import NO_TIME, PLAIN, Job, names, netlist
from test_family import test_every_drop_above_a_nanovolt, test_every_loaded_reading_within_a_nanovolt

from casekit.circuit.change import Change
from casekit.circuit.family import Family
from casekit.circuit.network import Network
from casekit.circuit.operating_point import operating_point
from casekit.circuit.threads import one_thread
from casekit.machine.faults import CrossedTerminals
from casekit.machine.harness import Contact, Wire
from casekit.machine.law import Resistor
from casekit.machine.machine import CHASSIS, Machine
from casekit.machine.state import State
from casekit.reasoning.suspect import STEADY, Suspect, suspects

SUSPECTS, STATES = 500, 60
LOADED = 20  # readings with a meter of each network of the study, beside the voltages of all points
ANEW = 40  # networks solved anew
COLUMNS = 128  # of an inverse at a time
OPEN_OHM = 1e12  # what ngspice can do for an open
FLOATS_OHM = 1e8  # an unloaded voltage behind more means nothing


def sixty(machine: Machine) -> list[State]:
    """Key on and off, with none, one or two plugs apart."""
    rng = random.Random(0)
    plugs = [p.name for p in machine.plugs]
    apart = [frozenset()] + [frozenset({p}) for p in plugs]
    while len(apart) < STATES // 2:
        apart.append(frozenset(rng.sample(plugs, 2)))
    return [State(key, some) for some in apart[: STATES // 2] for key in ("on", "off")]


def written(machine: Machine, chosen: list, states: list[State]) -> list[list[Change]]:
    """The changes of all suspects in all states. What is unplugged changes none of them (checked below, once): they are
    written once for each key position, those that are steady once for all."""
    every: dict[str, list[Change]] = {}
    for state in states:
        if state.key not in every:
            first = next(iter(every.values()), None)
            every[state.key] = [
                first[k] if first and s.kind in STEADY else s.change(machine, state, size, 0.5)
                for k, (s, size) in enumerate(chosen)
            ]
    return [every[state.key] for state in states]


def table(machine: Machine, chosen: list, states: list[State], loaded: int | None = None) -> list[np.ndarray]:
    """Readings of every suspect at every point of every state, families built anew, changes written anew. With
    `loaded`, the voltages of all points and as many readings with a meter, as in the study."""
    found, rng = [], random.Random(6)
    for state, changes in zip(states, written(machine, chosen, states), strict=True):
        family = Family(machine, state)
        pairs = [(p, machine.earth) for p in machine.reachable(state) if p != machine.earth]
        solved = family.solve(changes)
        if loaded is None:
            found.append(solved.readings(pairs)[0])
        else:
            found += [solved.values(family.pick(pairs)), solved.readings(rng.sample(pairs, loaded))[0]]
    return found


def floor(machine: Machine, states: list[State]) -> float:
    """Seconds of the sparse LUs and the inverses alone."""
    matrices = []
    for state in states:
        net = Network(machine.elements(state), machine.earth)
        matrices.append(net.matrix(operating_point(net).pieces)[0])

    def action() -> None:
        for matrix in matrices:
            lu, size = splu(matrix), matrix.shape[0]
            for k in range(0, size, COLUMNS):
                lu.solve(np.eye(size, min(COLUMNS, size - k), -k, order="F"))

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


def halves(machine: Machine) -> tuple[list, dict[str, tuple[Resistor, Resistor]]]:
    """The machine's elements with key on, every wire as two resistors with a node in its middle; those by wire."""
    wires = {w.name for w in machine.all(Wire)}
    elements, cut = [], {}
    for el in machine.elements(State("on")):
        if el.name in wires:
            middle = f"{el.name} middle"
            cut[el.name] = (
                Resistor(f"{el.name} a", el.a, middle, el.r_ohm / 2),
                Resistor(f"{el.name} b", middle, el.b, el.r_ohm / 2),
            )
            elements += cut[el.name]
        else:
            elements.append(el)
    return elements, cut


def altered(machine: Machine, suspect: Suspect, size: float, cut: dict) -> tuple[list, list[Resistor]] | None:
    """A suspect as resistances altered, (name, ohm), and resistors that are always there and nearly open; None for what
    no resistance can do."""

    def middle(name: str) -> str:
        return cut[name][0].b if name in cut else machine.part(name, Contact).a

    def extra(a: str, b: str, r_ohm: float) -> tuple[list, list[Resistor]]:
        name = f"{suspect} {a} {b}"
        return [(name, r_ohm)], [Resistor(name, a, b, OPEN_OHM)]

    place, to = suspect.place, suspect.to
    part = next((p for p in machine.all((Wire, Contact)) if p.name == place), None)
    match suspect.kind:
        case "short to ground":
            return extra(middle(place), CHASSIS, size)
        case "short to battery":
            return extra(middle(place), machine.plus, size)
        case "open" | "high resistance":
            name, r_ohm = (cut[place][1].name, cut[place][1].r_ohm) if place in cut else (place, part.r_ohm)
            return [(name, OPEN_OHM if suspect.kind == "open" else r_ohm + size)], []
        case "short between wires":
            return extra(middle(place), middle(to), size)
        case "leak between cavities":
            return extra(middle(place), middle(to), size)
        case "sensor shorted":
            pins = machine.plug(place).device
            return extra(pins[0], pins[min(2, len(pins) - 1)], size)
        case "crossed terminals":
            after = {w.name: w for w in machine.with_fault(CrossedTerminals(place, to)).all(Wire)}
            sets, more = [], []
            for name, (left, right) in cut.items():
                for half, old, new in ((left, left.a, after[name].a), (right, right.b, after[name].b)):
                    if new != old:
                        one, other = extra(left.b, new, half.r_ohm)
                        sets, more = [*sets, (half.name, OPEN_OHM), *one], more + other
            return sets, more
    return None


def spice(machine: Machine, chosen: list) -> tuple[float, int, np.ndarray, list[str]]:
    """(seconds ngspice takes for one network, networks it was given, its volts (suspects x points, nan where it gave
    none), points): all suspects of one state in one process, resistances altered, 20 unloaded nodes printed, every one
    started from the healthy state. The process's start is taken off."""
    elements, cut = halves(machine)
    plans = [altered(machine, s, size, cut) for s, size in chosen]
    for plan in plans:
        elements += plan[1] if plan else []
    op = operating_point(Network(elements, machine.earth))
    nodeset = {n: float(op.x[k]) for n, k in op.network.index.items()}
    points = [p for p in machine.reachable(State("on")) if p != machine.earth and p in op.network.index][:20]
    job = Job("table", tuple(elements), machine.earth, tuple((p, machine.earth) for p in points), nodeset)
    number, usual = {el.name: k for k, el in enumerate(elements)}, {el.name: el for el in elements}
    named = [names(job)[p] for p in points]
    seen = " ".join(f"v({n})" for n in named)

    def run(plans: list) -> tuple[float, str]:
        commands = ["op", "destroy all"]
        for k, plan in enumerate(plans):
            if plan:
                commands += [f"alter R{number[name]} = {r_ohm!r}" for name, r_ohm in plan[0]]
                commands += [f"echo job {k}", "op", f"print {seen}"]
                commands += [f"alter R{number[name]} = {usual[name].r_ohm!r}" for name, _ in plan[0]] + ["destroy all"]
        script = ["* control", ".control", "set noaskquit", "set numdgt=12", NO_TIME, "source circuit.cir", *commands]
        with tempfile.TemporaryDirectory() as folder:
            Path(folder, "circuit.cir").write_text(netlist(job, PLAIN, []))
            Path(folder, "control.sp").write_text("\n".join([*script, "quit", ".endc", ".end", ""]))
            begin = time.perf_counter()
            done = subprocess.run(["ngspice", "-b", "control.sp"], cwd=folder, capture_output=True, check=False)
            return time.perf_counter() - begin, done.stdout.decode(errors="replace")

    once = [run(plans) for _ in range(FEW)]
    given = sum(plan is not None for plan in plans)
    took = (statistics.median(t for t, _ in once) - statistics.median(run([])[0] for _ in range(FEW))) / given
    volts, k = np.full((len(plans), len(points)), np.nan), -1
    for line in once[0][1].splitlines():
        if mark := re.match(r"job (\d+)$", line):
            k = int(mark[1])
        elif k >= 0 and (value := re.match(r"v\((\w+)\) = (\S+)", line)) and value[1] in named:
            volts[k, named.index(value[1])] = float(value[2])
    return took, given, volts, points


def told(number: int, text: str, figure: float, target: float, most: bool) -> None:
    """One line for a target: figure, target, met or not."""
    met = figure <= target if most else figure >= target
    print(f"target {number}  {text:<58}{figure:10.3g}   {'at most' if most else 'at least'} {target:<8g}"
          f"{'met' if met else 'NOT MET'}")  # fmt: skip


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
    every = written(machine, chosen, states)
    assert all(s.change(machine, state, size, 0.5) == c
               for state, changes in zip(states, every, strict=True)
               for (s, size), c in zip(chosen, changes, strict=True))  # fmt: skip
    gc.collect()
    gc.freeze()  # what came before is not looked through again
    begin = time.perf_counter()
    found = table(machine, chosen, states)
    first = time.perf_counter() - begin
    again = median_s(lambda: table(machine, chosen, states), RUNS)
    study = median_s(lambda: table(machine, chosen, states, LOADED), RUNS)
    lowest = floor(machine, states)
    families = median_s(lambda: [Family(machine, state) for state in states])
    changes = median_s(lambda: written(machine, chosen, states))
    prepared = [(Family(machine, state), some) for state, some in zip(states, every, strict=True)]
    settling = median_s(lambda: [family.solve(some) for family, some in prepared])
    networks, readings = len(states) * len(chosen), sum(v.size for v in found)
    steady = sum(int(np.isfinite(v[:, 0]).sum()) for v in found)
    print(f"sparse LUs + inverses            {lowest:10.3f} s        1.0")
    print(f"our full table, first time       {first:10.3f} s {first / lowest:10.1f} x the floor")
    print(f"our full table, states seen once {again:10.3f} s {again / lowest:10.1f} x the floor")
    print(f"the same, all voltages, {LOADED} loaded    {study:9.3f} s {study / lowest:10.1f} x the floor")
    for what, took in (("families", families), ("changes written down", changes), ("settling", settling)):
        print(f"  of it {what:<25}{took:10.3f} s {took / lowest:10.1f}")
    print(f"{networks} networks ({steady} with a steady state), {readings} loaded readings")
    one = anew(machine)
    print(f"sparse LU per network and meter  {one * readings:10.0f} s ({one * 1e3:.2f} ms each; one per network, "
          f"without meters, {one * networks / again:.0f} x ours)")  # fmt: skip
    told(1, f"table with {LOADED} loaded readings, x (sparse LUs + inverses)", study / lowest, 2.0, True)
    told(1, "every reading loaded, states seen once, x the same", again / lowest, 2.0, True)
    told(1, "every reading loaded, first time, x the same", first / lowest, 2.0, True)
    told(2, "sparse LU per network with meter, x ours", one * readings / again, 50, False)
    if shutil.which("ngspice"):
        other, given, volts, points = spice(machine, chosen)
        state, pairs = State("on"), [(p, machine.earth) for p in points]
        picks, some = family.pick(pairs), every[states.index(state)]
        ours = median_s(lambda: Family(machine, state).solve(some).values(picks)) / len(chosen)
        solved = Family(machine, state).solve(some)
        off, ties = np.abs(solved.values(picks) - volts), solved.readings(pairs)[1] < FLOATS_OHM
        refused = given - int(np.isfinite(volts).all(axis=1).sum())
        print(f"ngspice, one process, alter: {given} of {len(chosen)} suspects (the rest are no resistances), "
              f"{other * 1e3:.2f} ms each; {refused} refused; "
              f"{int((off > 1e-3)[ties].sum())} of {int((np.isfinite(off) & ties).sum())} "
              f"volts that are tied to something differ by more than 1 mV (worst {np.nanmax(off[ties]):.1e} V), "
              f"{int((off > 1e-3)[~ties].sum())} of {int((np.isfinite(off) & ~ties).sum())} that float")  # fmt: skip
        lean, few, *_ = spice(machine, [x for x in chosen if x[0].kind in ("open", "high resistance")])
        print(f"ngspice, only the {few} opens and high resistances, no resistors added: {lean * 1e3:.2f} ms "
              "each; the lower of both counts")  # fmt: skip
        other = min(other, lean)
        told(2, f"ngspice unloaded, x our table with {LOADED} loaded readings", other * networks / study, 200, False)
        told(2, "ngspice unloaded, x our table with every reading loaded", other * networks / again, 200, False)
        told(2, "ngspice, x ours for the same 20 unloaded nodes", other / ours, 200, False)
    rng, times = random.Random(4), []
    pairs = [(p, machine.earth) for p in machine.reachable(State("on")) if p != machine.earth][:20]
    every = every[states.index(State("on"))]
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
    print(f"{machine_line()}, one BLAS thread")
    by_size = sorted(machines(), key=lambda m: Family(m, State("on")).size)
    for machine in (by_size[-1], by_size[0]):
        report(machine)
    print()
    for number, test in ((3, test_every_loaded_reading_within_a_nanovolt), (4, test_every_drop_above_a_nanovolt)):
        lines: list[str] = []
        try:
            for machine in by_size:
                test(machine.name, lines.append)
            met = "met: at most 1e-9"
        except AssertionError as error:
            met = f"NOT MET: {str(error).splitlines()[0]}"
        print("\n".join([*lines, f"target {number}  {met}"]))


if __name__ == "__main__":
    main()
