"""ngspice as a referee: the same elements as a netlist, solved by another program.

In: an element list and probe pairs. Out: loaded readings as ngspice finds them, None where it finds none.
Opens are elements left out and dead shorts are 0 V sources, so that no made-up resistance stands for either.
Capacitors carry nothing at dc and are left out too. Every reading is taken with one meter in place.
"""

from __future__ import annotations

import contextlib
import re
import subprocess
import tempfile
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import networkx as nx

from casekit.circuit.network import LEAK_S
from casekit.machine.law import Cap, Capacitor, Element, Resistor, Source, Valve

METER_OHM = 1e7
OPTIONS = "reltol=1e-9 vntol=1e-10 abstol=1e-15 gmin=1e-15 pivtol=1e-20 itl1=100 itl2=100"
PLAIN = f"{OPTIONS} gminsteps=0 srcsteps=0"
NO_TIME = "optran 0 0 0 0 0 0"  # else ngspice ends with a transient of 10 us of its own, which has not settled
# The last way: a small capacitor from every node to earth and enough time, so that ngspice switches the circuit on.
IN_TIME = tuple(
    (f"{PLAIN} method=gear cshunt={farad}", f"optran 0 0 0 {step} {stop} 0")
    for farad, step, stop in (("1e-12", "1", "100"), ("1e-11", "1", "500"))
)
PATIENCE_S = 4.0  # for one reading in time; most take a third of a second


# Parts of the harness that nothing but the 1e-12 S leaks ties to earth. ngspice's equations have no currents of wires
# in them: beside a milliohm's 1,000 S the leaks drown in its rounding (1e-13 S), and a reading against such a part was
# wrong by microvolts, by millivolts, or by all of the battery voltage. So each is tied to earth by ANCHOR_OHM, in both
# programs. The opens stay exact; readings without anchors are held against interval arithmetic in test_interval.py.
ANCHOR_OHM = 1e5


@dataclass(frozen=True)
class Job:
    """One network to be read at some probe pairs; `nodeset` is where ngspice starts looking."""

    name: str
    elements: tuple[Element, ...]
    earth: str
    pairs: tuple[tuple[str, str], ...]
    nodeset: Mapping[str, float]


def readings(jobs: Sequence[Job]) -> tuple[list[list[float | None]], int]:
    """Loaded readings of many jobs, and how many of the networks ngspice had to switch on in time.

    First all meters of a network in one dc sweep, by Newton's method from the healthy state and nothing else: a step it
    cannot take ends the sweep. What is then missing is read by operating points with gmin and source stepping. Networks
    that still miss readings are switched on, without a meter, in a transient with small capacitors, which carry no
    direct current; from the state ngspice reaches there the sweep is tried once more, and what it misses is switched
    on with its meter in place. The rest stays None.
    """
    found = _run([(job, _sweep(job)) for job in jobs])
    missed = _single(jobs, found)
    again = [replace(jobs[k], pairs=(jobs[k].pairs[j],)) for k, j in missed]
    for (k, j), row in zip(missed, _run([(job, _point(job)) for job in again], NO_TIME, 10 + len(again)), strict=True):
        found[k][j] = row[0]
    left = sorted({k for k, _ in _single(jobs, found)})
    for k in left:
        for options, time in IN_TIME:
            job = replace(jobs[k], nodeset=_switched_on(jobs[k], options, time))
            row = _run([(job, _sweep(job))], NO_TIME, PATIENCE_S)[0] if job.nodeset else []
            found[k] = [old if new is None else new for old, new in zip(found[k], row or found[k], strict=True)]
            for _, j in _single([jobs[k]], [found[k]]) if job.nodeset else []:
                job = replace(jobs[k], pairs=(jobs[k].pairs[j],))
                found[k][j] = _run([(job, _point(job, options))], time, PATIENCE_S)[0][0]
            if None not in found[k]:
                break
    return found, len(left)


def _switched_on(job: Job, options: str, time: str) -> dict[str, float]:
    """The node voltages ngspice reaches from a dead circuit, without a meter; empty when it does not arrive."""
    nodes = names(replace(job, pairs=()))
    free = [node for node, name in nodes.items() if name != "0"]
    job = replace(job, pairs=tuple((node, job.earth) for node in free))
    commands = ["op"]
    for k, node in enumerate(free):
        commands += [f"echo reading {k}", f"print {_volts(nodes[node])}"]
    volts = _run([(job, (netlist(job, options, []), commands))], time, PATIENCE_S)[0]
    return {} if None in volts else dict(zip(free, volts, strict=True))


def _single(jobs: Sequence[Job], found: Sequence[Sequence[float | None]]) -> list[tuple[int, int]]:
    return [(k, j) for k, job in enumerate(jobs) for j in range(len(job.pairs)) if found[k][j] is None]


def anchors(elements: Iterable[Element], earth: str) -> list[Resistor]:
    """One resistor to earth for every part of a network that no resistors or sources join to earth."""
    graph = nx.Graph()
    graph.add_node(earth)
    for el in elements:
        graph.add_nodes_from((el.a, el.b))
        if not isinstance(el, (Valve, Capacitor)):
            graph.add_edge(el.a, el.b)
    islands = (min(part) for part in nx.connected_components(graph) if earth not in part)
    return [Resistor(f"anchor {node}", node, earth, ANCHOR_OHM) for node in sorted(islands)]


def names(job: Job) -> dict[str, str]:
    """The name every node has in the netlist."""
    nodes: dict[str, str] = {job.earth: "0"}
    ends = [end for el in job.elements for end in (el.a, el.b)] + [end for pair in job.pairs for end in pair]
    for end in ends:
        nodes.setdefault(end, f"n{len(nodes)}")
    return nodes


def netlist(job: Job, options: str, meters: Iterable[str]) -> str:
    """The whole netlist of a job: its elements, the meters' cards, the leaks and the starting point."""
    nodes = names(job)
    cards = ["* casekit", f".options {options}"]
    for k, el in enumerate(job.elements):
        cards += _cards(k, el, nodes)
    cards += meters
    cards += [f"Rl{n} {n} 0 {1 / LEAK_S:.17g}" for n in nodes.values() if n != "0"]
    known = [f"v({nodes[n]})={v:.12g}" for n, v in job.nodeset.items() if nodes.get(n, "0") != "0"]
    cards += [".nodeset " + " ".join(known[k : k + 20]) for k in range(0, len(known), 20)]
    return "\n".join([*cards, ".end", ""])


def _sweep(job: Job) -> tuple[str, list[str]]:
    """Netlist and commands that read all pairs in one dc sweep: the swept voltage says which meter is there."""
    nodes = names(job)
    pairs = [(_volts(nodes[p]), _volts(nodes[q])) for p, q in job.pairs]
    meters = [
        f"Bm{k} {nodes[p]} {nodes[q]} I=(abs(v(sel)-{k})<0.5) ? ({a}-{b})/{METER_OHM:g} : 0"
        for k, ((p, q), (a, b)) in enumerate(zip(job.pairs, pairs, strict=True))
    ]
    commands = [f"dc Vsel 0 {len(pairs)} 1"]  # one step more than meters: a sweep of one point would have no index
    for k, (a, b) in enumerate(pairs):
        commands += [f"echo reading {k}", f"print {_at(a, k)}-({_at(b, k)})"]
    commands += ["print length(v(sel))"]  # an index beyond the last step would be read as the last step
    return netlist(job, PLAIN, ["Vsel sel 0 0", *meters]), commands


def _point(job: Job, options: str = OPTIONS) -> tuple[str, list[str]]:
    """Netlist and commands that read the job's only pair by an operating point."""
    nodes, (p, q) = names(job), job.pairs[0]
    commands = ["op", "echo reading 0", f"print {_volts(nodes[p])}-({_volts(nodes[q])})"]
    return netlist(job, options, [f"Rm {nodes[p]} {nodes[q]} {METER_OHM:g}"]), commands


def _run(
    tasks: Sequence[tuple[Job, tuple[str, list[str]]]], time: str = NO_TIME, limit_s: float | None = None
) -> list[list[float | None]]:
    """The printed values of one ngspice process; none when it takes longer than `limit_s`."""
    with tempfile.TemporaryDirectory() as folder:
        script = ["set numdgt=15", "set noaskquit", "set nomoremode", time]
        for k, (_, (text, commands)) in enumerate(tasks):
            path = Path(folder, f"{k}.cir")
            path.write_text(text)
            script += [f"source {path}", f"echo job {k}", *commands, "destroy all", "remcirc"]
        control = Path(folder, "control.sp")
        control.write_text("\n".join(["* control", ".control", *script, "quit", ".endc", ".end", ""]))
        log = Path(folder, "log")
        with log.open("w") as out, contextlib.suppress(subprocess.TimeoutExpired):
            subprocess.run(
                ["ngspice", "-b", str(control)], stdout=out, stderr=subprocess.DEVNULL, cwd=folder, timeout=limit_s,
                check=False,
            )  # fmt: skip
        return _parsed(log.read_text(errors="replace"), [len(job.pairs) for job, _ in tasks])


def _parsed(text: str, counts: Sequence[int]) -> list[list[float | None]]:
    """The printed values; a value ngspice could not print stays None."""
    found: list[list[float | None]] = [[None] * count for count in counts]
    job, spot = -1, None
    for line in text.splitlines():
        if mark := re.match(r"(job|reading) (\d+)$", line):
            job, spot = (int(mark[2]), None) if mark[1] == "job" else (job, int(mark[2]))
        elif steps := re.match(r"length\(.* = (\S+)", line):
            taken = int(float(steps[1]))
            found[job][taken:] = [None] * len(found[job][taken:])
        elif spot is not None and (value := re.search(r" = ([-+.\de]+)\s*$", line)):
            found[job][spot] = float(value[1])
            spot = None
    return found


def _cards(k: int, el: Element, nodes: Mapping[str, str]) -> Iterable[str]:
    a, b = nodes[el.a], nodes[el.b]
    match el:
        case Resistor():
            yield f"R{k} {a} {b} {el.r_ohm:.17g}" if el.r_ohm else f"V{k} {a} {b} 0"
        case Source():
            middle = f"m{k}"
            yield f"V{k} {a} {middle} {el.emf_v:.17g}"
            yield f"R{k} {middle} {b} {el.r_ohm:.17g}"
        case Valve():
            law = f"max(0,{_least([_cap(cap, nodes) for cap in el.caps])})"
            if el.gate:
                across = f"{_volts(nodes[el.gate.plus])}-{_volts(nodes[el.gate.minus])}"
                # A ramp 1 mV wide: ngspice cannot step across a jump. A gate left inside it would show as a difference.
                law = f"{law}*min(1,max(0,({across}-{el.gate.at_least_v:.17g})*1000))"
            yield f"B{k} {a} {b} I={law}"
        case Capacitor():
            pass  # carries nothing at dc: no card


def _cap(cap: Cap, nodes: Mapping[str, str]) -> str:
    terms = "".join(f"{'+' if k >= 0 else '-'}{abs(k):.17g}*{_volts(nodes[n])}" for n, k in cap.volts)
    return f"({terms}{-cap.e_v:+.17g})/{cap.r_ohm:.17g}"


def _least(terms: list[str]) -> str:
    least = terms[0]
    for term in terms[1:]:
        least = f"min({least},{term})"
    return least


def _at(volts: str, point: int) -> str:
    return volts if volts == "0" else f"{volts}[{point}]"


def _volts(node: str) -> str:
    return "0" if node == "0" else f"v({node})"
