"""ngspice as a referee: the same elements as a netlist, solved by another program.

In: an element list and probe pairs. Out: loaded readings as ngspice finds them, None where it finds none.
Opens are elements left out and dead shorts are 0 V sources, so that no made-up resistance stands for either. The
meters of a network are read in one dc sweep; each is there at its own step only.
"""

from __future__ import annotations

import re
import subprocess
import tempfile
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from casekit.circuit.network import LEAK_S
from casekit.machine.law import Cap, Element, Resistor, Source, Valve

METER_S = 1e-7
OPTIONS = "reltol=1e-9 vntol=1e-10 abstol=1e-15 gmin=1e-15 pivtol=1e-20 itl1=100 itl2=100 gminsteps=0 srcsteps=0"
# The second way: a pico-farad from every node to earth and 100 s of time, so that ngspice switches the circuit on.
IN_TIME = f"{OPTIONS} method=gear cshunt=1e-12"
TIME = "optran 0 0 0 1 100 0"


@dataclass(frozen=True)
class Job:
    """One network to be read at some probe pairs; `nodeset` is where ngspice starts looking."""

    name: str
    elements: tuple[Element, ...]
    earth: str
    pairs: tuple[tuple[str, str], ...]
    nodeset: Mapping[str, float]


def readings(jobs: Sequence[Job]) -> tuple[list[list[float | None]], int]:
    """Loaded readings of many jobs, and how many networks ngspice had to switch on in time.

    Newton's method from the healthy state first; networks on which it runs in circles are solved once more from a
    transient, with small capacitors that carry no direct current. What is left unsolved stays None.
    """
    found = _run([(job, _sweep(job, OPTIONS)) for job in jobs])
    missed = [k for k, row in enumerate(found) if None in row]
    for k, row in zip(missed, _run([(jobs[k], _sweep(jobs[k], IN_TIME)) for k in missed], [TIME]), strict=True):
        found[k] = row
    return found, len(missed)


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


def _sweep(job: Job, options: str) -> tuple[str, list[str]]:
    """Netlist and commands that read all pairs in one dc sweep: the swept voltage says which meter is there."""
    nodes = names(job)
    pairs = [(_volts(nodes[p]), _volts(nodes[q])) for p, q in job.pairs]
    meters = [
        f"Bm{k} {nodes[p]} {nodes[q]} I=(abs(v(sel)-{k})<0.5) ? ({a}-{b})*{METER_S:g} : 0"
        for k, ((p, q), (a, b)) in enumerate(zip(job.pairs, pairs, strict=True))
    ]
    commands = [f"dc Vsel 0 {len(pairs) - 1} 1"]
    for k, (a, b) in enumerate(pairs):
        commands += [f"echo reading {k}", f"print {_at(a, k)}-({_at(b, k)})"]
    return netlist(job, options, ["Vsel sel 0 0", *meters]), commands


def _run(tasks: Sequence[tuple[Job, tuple[str, list[str]]]], settings: Sequence[str] = ()) -> list[list[float | None]]:
    if not tasks:
        return []
    with tempfile.TemporaryDirectory() as folder:
        script = ["set numdgt=15", "set noaskquit", "set nomoremode", *settings]
        for k, (_, (text, commands)) in enumerate(tasks):
            path = Path(folder, f"{k}.cir")
            path.write_text(text)
            script += [f"source {path}", f"echo job {k}", *commands, "destroy all", "remcirc"]
        control = Path(folder, "control.sp")
        control.write_text("\n".join(["* control", ".control", *script, "quit", ".endc", ".end", ""]))
        run = subprocess.run(
            ["ngspice", "-b", str(control)], capture_output=True, text=True, cwd=folder, errors="replace", check=False
        )
    return _parsed(run.stdout, [len(job.pairs) for job, _ in tasks])


def _parsed(text: str, counts: Sequence[int]) -> list[list[float | None]]:
    """The printed values; a value ngspice could not print stays None."""
    found: list[list[float | None]] = [[None] * count for count in counts]
    job, spot = -1, None
    for line in text.splitlines():
        if mark := re.match(r"(job|reading) (\d+)$", line):
            job, spot = (int(mark[2]), None) if mark[1] == "job" else (job, int(mark[2]))
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
                law = f"({across} >= {el.gate.at_least_v:.17g}) ? {law} : 0"
            yield f"B{k} {a} {b} I={law}"


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
