"""Variants of a case: the same complaint and the same codes, with another fault of the same kind behind it.

In: a case and a number. Out: a case again. `drawn_by` draws one; those that were played and can be solved are on file
(`casekit vary`), and `variant_of` takes them from there. An individual for a variant also stands at other operating
values.
"""

from __future__ import annotations

import itertools
import zlib
from collections.abc import Iterator
from dataclasses import replace
from functools import lru_cache

import numpy as np

from casekit.bench import view
from casekit.circuit.mean import only
from casekit.error import ScenarioError
from casekit.files import library
from casekit.files.casecheck import RULES, check_case, places_of
from casekit.files.casefile import CaseFile, Fault
from casekit.files.schema import MachineFile
from casekit.machine import rules
from casekit.machine.casefaults import faults_of
from casekit.machine.drawn import drawn
from casekit.machine.faults import DRAWING_KINDS
from casekit.machine.intermittent import inner
from casekit.machine.machine import Machine
from casekit.machine.sensors import Potentiometer, PressureSensor, Thermistor
from casekit.machine.state import LOAD, State
from casekit.reasoning.spread import ENGINE_KELVIN, OPERATING
from casekit.teaching.truth import truth_of

TRIES = 400  # places and sizes that are drawn at most
OWN = 60  # and how often the faults of the case itself, until they are taken
# How far sizes are varied (our choice): resistances and limits by a factor, drifts likewise, worn tracks by a shift.
OHM, AMPERE, DRIFT, SHIFT = 2.0, 1.15, 1.3, 0.02
AT_CONTACT = 0.7  # how often a fault that was at a contact point is at one again, where it is found sooner
WIDEST = 1.5  # standard uncertainties by which an operating value is off at most


def variant_of(name: str, number: int) -> CaseFile:
    """A case (number 0) or one of its variants on file. Raises ScenarioError when there is no such case or number."""
    case = library.case_file(name)
    if number == 0:
        return case
    known = library.variants(name)
    if number not in known:
        there = ", ".join(map(str, [0, *known]))
        raise ScenarioError([f"{name} has no variant {number!r}; there is: {there}. casekit vary {name} draws more."])
    return _with(case, known[number].faults)


def drawn_by(case: CaseFile, machine: MachineFile, number: int) -> CaseFile | None:
    """The variant that a number draws: every fault at a place and of a size drawn anew, so that the control unit and
    the driver see the same. The case's own faults again where hardly anything else is drawn; None when none of `TRIES`
    is such a one."""
    if not case.faults:
        return case
    rng = np.random.default_rng([zlib.crc32(case.case.encode()), number])
    plan = drawn(machine)
    wanted = list(shown(plan, case))
    every = [list(_places(fault, machine)) for fault in case.faults]
    own = 0
    for _ in range(TRIES):
        faults, stays = list(case.faults), rng.permutation(len(case.faults))[: rng.integers(len(case.faults))]
        for k, (fault, places) in enumerate(zip(case.faults, every, strict=True)):
            if k not in stays and places:
                rubbed = [place for place in places if place.get("contact")]
                some = rubbed if fault.contact and rng.random() < AT_CONTACT else places
                place = some[rng.integers(len(some))]
                faults[k] = _sized(fault.model_copy(update=place), fault, rng)
        found = _with(case, faults)
        if faults == case.faults:
            own += 1
            if own < OWN:
                continue
        if any(check_case(found, {machine.machine: machine})):
            continue
        if all(a == b for a, b in zip(wanted, shown(plan, found), strict=True)):
            return found
    return None


def shown(plan: Machine, case: CaseFile) -> Iterator[tuple]:
    """What the unit sees, what a driver notices, and which values are visibly too low or too high, in every state of a
    drive, cold and warm, the faults of a case being there; one state after another, so that the first difference ends a
    comparison."""
    faulty, program = plan, plan.program
    for fault in faults_of(case, plan):
        faulty = inner(fault).applied(faulty)
    held = [frozenset(), *(frozenset({o.name}) for o in plan.operations if o.needs != "run")]
    states = [State("on", held=h) for h in held]
    states += [State("run"), *(replace(s, hot=False) for s in plan.drive(State("run"))[1:]), State("run", hot=True)]
    for state in states:
        what = view.healthy(faulty, state)
        seen = rules.seen(program, what, state)
        off = rules.visibly_off(program, what, _healthy(plan, state))
        yield what.alive, frozenset(seen), tuple(rules.behaviour(program, seen, state)), off
    yield (view.engine_runs(only(faulty), State("run", held=frozenset({LOAD}))),)


def operated(built: Machine, seed: int, number: int) -> Machine:
    """An individual that stands at other operating values: pressures and positions, each off by a share of what it is
    (a pressure of nought and a lever at its stop stay what they are), and temperatures. How far is drawn by what the
    reasoning takes for their standard uncertainty, at most `WIDEST` times as much."""
    rng = np.random.default_rng([seed, number, 29])
    off: dict[str, float] = {}

    def by(name: str) -> float:
        sensor = name.split()[0]  # both tracks of a sensor move together
        if sensor not in off:
            off[sensor] = float(np.clip(rng.normal(), -WIDEST, WIDEST))
        return off[sensor]

    parts = []
    for part in built.parts:
        match part:
            case Potentiometer() | PressureSensor():
                at = part.output.at.scaled(1 + OPERATING * by(part.name))
                part = replace(part, output=replace(part.output, at=at))
            case Thermistor():
                part = replace(part, at=part.at.shifted(ENGINE_KELVIN * by(part.name)))
        parts.append(part)
    return replace(built, parts=tuple(parts))


# Inside ------------------------------------------------------------------------------------------------------------


@lru_cache(maxsize=64)
def _healthy(plan: Machine, state: State) -> rules.View:
    return view.healthy(plan, state)


def _with(case: CaseFile, faults: list[Fault]) -> CaseFile:
    """The case with other faults, and an explanation that says so."""
    if faults == case.faults:
        return case
    here, there = (" and ".join(map(truth_of, some)) for some in (faults, case.faults))
    text = f"This is a variant of a repair: here it is {here}. In the repair it was {there}: {case.explanation}"
    return case.model_copy(update={"faults": faults, "explanation": text})


def _places(fault: Fault, machine: MachineFile) -> Iterator[dict]:
    """Where else such a fault can be: the keys of a place. One that comes and goes stays where what moves it is."""
    known, rule = places_of(machine), RULES[fault.kind]
    if fault.kind in DRAWING_KINDS:
        return  # the drawing stays wrong as it is: the complaint makes sense with that alone
    here = {name: p for name, p in machine.contact_points.items() if not fault.when or name == fault.contact}
    for name, point in here.items() if "contact" in rule.takes else ():
        wires = list(point.wires)
        pairs = itertools.combinations(wires, 2) if rule.to else ((wire, None) for wire in wires)
        yield from ({"place": a, "to": b, "contact": name} for a, b in pairs)
    if rule.to == "wire" and "contact" in rule.takes:
        return  # two wires touch where both pass
    for place in known[rule.place]:
        if fault.when and place.rsplit(".", 1)[0] != fault.when.point:
            continue
        if not rule.to:
            yield {"place": place, "contact": None}
        else:
            neighbours = (to for to in known[rule.to] if _neighbours(place, to, known["cavity"]))
            yield from ({"place": place, "to": to, "contact": None} for to in neighbours)


def _neighbours(a: str, b: str, cavities: list[str]) -> bool:
    """Whether b is the next wired cavity of the same connector."""
    mine = [c for c in cavities if c.rsplit(".", 1)[0] == a.rsplit(".", 1)[0]]
    return b in mine and mine.index(b) == mine.index(a) + 1


def _sized(fault: Fault, like: Fault, rng: np.random.Generator) -> Fault:
    """The fault with a size drawn around that of another."""
    sizes: dict = {}
    if like.r_ohm:
        sizes["r_ohm"] = _digits(like.r_ohm * OHM ** rng.uniform(-1, 1))
    if like.limit_a:
        sizes["limit_a"] = _digits(like.limit_a * AMPERE ** rng.uniform(-1, 1))
    if like.drift:
        sizes["drift"] = round(like.drift * DRIFT ** rng.uniform(-1, 1), 3)
    if like.span:
        by = rng.uniform(-SHIFT, SHIFT)
        sizes["span"] = tuple(round(float(np.clip(x + by, 0, 1)), 3) for x in like.span)
    if "." not in fault.place and not fault.contact and "at" in RULES[fault.kind].takes:
        sizes["at"] = round(float(rng.uniform(0.1, 0.9)), 2)
    return fault.model_copy(update=sizes)


def _digits(value: float) -> float:
    return float(f"{value:.2g}")
