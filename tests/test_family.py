"""Changed networks solved together, against solving each anew, intervals, and finite differences."""

import random
from dataclasses import replace
from functools import cache
from itertools import pairwise

import numpy as np
import pytest
from everyfault import machines, running
from interval import enclose

from casekit.circuit.change import NOTHING, Change, joined, opened
from casekit.circuit.family import Family
from casekit.circuit.network import LEAK_S, Network
from casekit.circuit.operating_point import Unstable, solve
from casekit.machine import faults as f
from casekit.machine.harness import Contact, Wire
from casekit.machine.law import Resistor, Source
from casekit.machine.state import State
from casekit.machine.unit import Supply
from casekit.reasoning.suspect import Suspect, suspects

METER_OHM = 1e7
SINGLES, PAIRS, DROPS = 50, 21, 3  # per state


@cache
def named(name):
    """A machine of the scenarios by its name."""
    return next(m for m in machines() if m.name == name)


def states(machine):
    """On, off, cranked, two phases of running; one and three plugs apart; the control unit's plug apart."""
    rng = random.Random(machine.name)
    plugs = [p.name for p in machine.plugs if p.kind != "control unit"]
    unit = next(p.name for p in machine.plugs if p.kind == "control unit")
    turning = running(machine)
    return [
        State("on"), State("off"), turning[0], turning[1], turning[-1],
        State("on", frozenset({rng.choice(plugs)})),
        State("on", frozenset(rng.sample(plugs, 3))),
        State("off", frozenset(rng.sample(plugs, 1))),
        State("off", frozenset({unit})),
        State("on", frozenset({unit})),
    ]  # fmt: skip


def fault(machine, s, size, at):
    """What a suspect says as a fault of the bench."""
    match s.kind:
        case "short to ground":
            return f.ShortToGround(s.place, size, at)
        case "short to battery":
            return f.ShortToBattery(s.place, size, at)
        case "open":
            return f.Open(s.place, 0.5)
        case "high resistance":
            return f.HighResistance(s.place, size, 0.5)
        case "short between wires":
            return f.ShortBetweenWires(s.place, s.to, size, at, 0.5)
        case "leak between cavities":
            return f.LeakBetweenCavities(s.place, s.to, size)
        case "crossed terminals":
            return f.CrossedTerminals(s.place, s.to)
        case "sensor shorted":
            return f.SensorShorted(s.place, size)
        case "sensor drifted":
            return f.SensorDrifted(s.place, size)
        case "sensor dead spot":
            return f.SensorDeadSpot(s.place, (max(size - 0.05, 0.0), min(size + 0.05, 1.0)))
        case "supply dead":
            return f.SupplyDead(s.place)
        case "supply weak":
            return f.SupplyWeak(s.place, size)
        case "drawn on the wrong splice":
            return f.DrawnOnWrongSplice(s.place, s.to)
    return f.SpliceNotDrawn(s.place, s.to, at)


def drawn_anew(family, machine, state, pair=None):
    """The plain solver's answer, a meter in place. A fault may cut a wire: the new ends' leaks are taken away again, by
    a negative resistor, so that both networks have the same leaks."""
    known = {*family.network.index, machine.earth}
    elements = list(machine.elements(state))
    new = sorted({end for el in elements for end in (el.a, el.b)} - known)
    extra = [Resistor(f"no leak at {n}", n, machine.earth, -1 / LEAK_S) for n in new]
    if pair:
        extra.append(Resistor("meter", *pair, METER_OHM))
    return solve(machine, state, extra)


def parts_of(machine, s):
    """Everything that a suspect's change touches: its wires with their ends."""
    found = {s.place, s.to} - {""}
    for part in machine.all((Wire, Contact)):
        if part.name in (s.place, s.to):
            found |= {part.a, part.b}
    return found


def sample(machine, state, rng, singles, pairs):
    """(change, faulty machine): single suspects of all kinds in turn, then two at once at places apart."""
    every = [s for s in suspects(machine) if s.kind != "none"]
    kinds = {}
    for s in every:
        kinds.setdefault(s.kind, []).append(s)
    names = sorted(kinds)
    for k in range(singles + pairs):
        chosen = [rng.choice(kinds[names[k % len(names)]])]
        if k >= singles:
            chosen = rng.sample(every, 2)
            while parts_of(machine, chosen[0]) & parts_of(machine, chosen[1]) or any(
                s.kind in ("crossed terminals", "splice not drawn") for s in chosen
            ):
                chosen = rng.sample(every, 2)
        change, faulty = NOTHING, machine
        for s in chosen:
            size, at = rng.choice(s.sizes), rng.choice((0.1, 0.5, 0.9))
            change += s.change(machine, state, size, at)
            faulty = faulty.with_fault(fault(machine, s, size, at))
        yield change, faulty


@pytest.mark.reference
@pytest.mark.parametrize("name", [m.name for m in machines()])
def test_every_loaded_reading_within_a_nanovolt(name, finding):
    """Against the plain solver and 400-bit intervals, both with the meter in the network; what has no steady state is
    nan in both."""
    machine, rng = named(name), random.Random(f"{name} family")
    by_plain, by_interval, count, unstable = 0.0, 0.0, 0, 0
    for state in states(machine):
        family = Family(machine, state)
        points = [p for p in machine.reachable(state) if p in family.network.index]
        drawn = list(sample(machine, state, rng, SINGLES, PAIRS))
        pairs = [tuple(rng.sample(points, 2)) if k % 2 else (rng.choice(points), machine.earth) for k in range(12)]
        solved = family.solve([change for change, _ in drawn])
        volts, _ = solved.readings(pairs)
        for k, (change, faulty) in enumerate(drawn):
            p = rng.randrange(len(pairs))
            try:
                op = drawn_anew(family, faulty, state, pairs[p])
            except Unstable:
                unstable += 1
                continue
            count += 1
            plain, exact = op.volts(*pairs[p]), enclose(op).volts(*pairs[p])
            assert abs(plain - volts[k, p]) < 1e-9, (state, change, pairs[p], plain, volts[k, p])
            off = abs(exact - volts[k, p])
            assert off < 1e-9, (state, change, pairs[p], exact, volts[k, p])
            by_plain = max(by_plain, abs(plain - volts[k, p]))
            by_interval = max(by_interval, float(off.upper()))
    finding(
        f"family: {count} loaded readings on {name}, worst deviation {by_interval:.1e} V from intervals, "
        f"{by_plain:.1e} V from the plain solver ({unstable} without a steady state)"
    )
    assert count >= 700


@pytest.mark.reference
@pytest.mark.parametrize("name", [m.name for m in machines()])
def test_every_drop_above_a_nanovolt(name, finding):
    """R i from the branch current, without a meter, to nine digits; beside the sample, dead shorts to battery, where
    hundreds of ampere flow next to nanovolts."""
    machine, rng = named(name), random.Random(f"{name} drops")
    worst, count = 0.0, 0
    for state in states(machine)[:7]:
        family = Family(machine, state)
        drawn = list(sample(machine, state, rng, DROPS, 1))
        hard = [s for s in suspects(machine) if s.kind == "short to battery"]
        for s in rng.sample(hard, 2):
            drawn.append((s.change(machine, state, 0.0, 0.5), machine.with_fault(fault(machine, s, 0.0, 0.5))))
        names = [el.name for el in family.network.elements if isinstance(el, Resistor)]
        drops = family.solve([change for change, _ in drawn]).drops(names)
        for row, (change, faulty) in zip(drops, drawn, strict=True):
            try:
                op = drawn_anew(family, faulty, state)
            except Unstable:
                continue
            exact = enclose(op)
            for n, drop in zip(names, row, strict=True):
                k, mine = op.network.position.get(n), family.network.elements[family.network.position[n]]
                if k is None or op.network.elements[k] != mine:
                    continue  # it is the part that is changed, or apart
                true = mine.r_ohm * exact.amps(n)
                if abs(true) > 1e-9:
                    off = float(abs(drop - true).upper()) / abs(float(true.mid()))
                    assert off < 1e-9, (state, change, n, true, drop)
                    worst, count = max(worst, off), count + 1
    finding(f"family: {count} drops above 1 nV on {name}, worst deviation {worst:.1e} of the drop from intervals")
    assert count > 2000


def few(machine, state):
    """Changes of several kinds, with the faults they stand for."""
    chosen = [
        (Suspect("none", ""), 0.0), (Suspect("short to ground", "W14"), 0.6), (Suspect("open", "W42"), 0.0),
        (Suspect("high resistance", "X12.2"), 55.0), (Suspect("short to battery", "W14"), 30.0),
        (Suspect("supply weak", machine.all(Supply)[0].name), 0.02),
        (Suspect("leak between cavities", "X1.5", "X1.6"), 300.0),
    ]  # fmt: skip
    return [s.change(machine, state, size, 0.5) for s, size in chosen]


PROBES = [("B5.1", "G1.-"), ("B10.2", "G1.-"), ("B11.2", "G1.-"), ("X1.5", "B12.1"), ("B8.1", "G1.-")]


def test_sensitivities_are_what_a_slightly_other_machine_shows():
    """One unit on the right-hand side of an element's equation is what its emf or R i lacks: against finite differences
    of wires' resistances, of the battery's emf, and of a cap of a valve."""
    machine, state = named("street-sweeper"), State("on")
    family = Family(machine, state)
    solved, picks = family.solve(few(machine, state)), family.pick(PROBES)
    base, net = solved.values(picks), family.network
    for wire in machine.all(Wire)[2:40:6]:
        k = family.position[wire.name]
        amps = solved.values(np.eye(family.size)[[k]])[:, 0]
        longer = replace(wire, length_m=wire.length_m * 1.001)
        more = longer.r_ohm - wire.r_ohm
        slope = solved.sensitivities(picks, np.array([k]))[:, :, 0] * amps[:, None]
        (own,) = (i for i, el in enumerate(net.elements) if el.name == wire.name)
        assert net.elements[own].r_ohm < 1  # else the equation is scaled
        there = machine.replaced(wire, longer)
        moved = Family(there, state).solve(few(there, state)).values(picks) - base
        assert moved == pytest.approx(slope * more, rel=2e-3, abs=1e-10)
    supply = machine.all(Supply)[0]
    j = family.names.index(f"supply {supply.name}")
    effect = solved.valve_sensitivities(picks)[:, :, j]
    label = net.elements[net.valves[j]].caps
    for items, cap in ((np.flatnonzero(solved.active()[:, j] == c), cap) for c, cap in enumerate(label)):
        if len(items) and cap.volts == ():
            for i in items:
                caps = tuple(replace(c, e_v=c.e_v - 1e-6) if c.label == cap.label else c for c in label)
                mine = dict(solved.changes[i].valves).get(family.names[j])
                caps = (
                    tuple(replace(c, e_v=c.e_v - 1e-6) if c.label == cap.label else c for c in mine) if mine else caps
                )
                other = Change(solved.changes[i].ports, ((family.names[j], caps),))
                moved = family.solve([other]).values(picks)[0] - base[i]
                assert moved == pytest.approx(effect[i] * 1e-6, rel=1e-3, abs=1e-11)


def test_size_sensitivities_are_what_another_size_shows():
    """Against central differences in the port's own unit: ohm for shorts, siemens for what is in series; of the first
    port and of the second."""
    machine, state = named("street-sweeper"), State("on")
    family = Family(machine, state)
    picks = family.pick(PROBES)
    changes = [c for c in few(machine, state) if c.ports and c.ports[0].e]
    changes = [a + b for a, b in pairwise(changes)] + changes
    solved = family.solve(changes)
    for which in (0, 1):
        has = [k for k, c in enumerate(changes) if len(c.ports) > which]
        found = solved.size_sensitivities(picks, np.full(len(changes), which))
        for k in has:
            ports, both = changes[k].ports, []
            step = 1e-5 * abs(ports[which].e)
            for sign in (1, -1):
                other = replace(ports[which], e=ports[which].e + sign * step)
                both.append(Change((*ports[:which], other, *ports[which + 1 :])))
            up, down = family.solve(both).values(picks)
            assert found[k] * step == pytest.approx((up - down) / 2, rel=1e-5, abs=1e-12)


def test_an_ohmmeter_is_a_change():
    """What a source behind a resistor shows between two points of a dead circuit, against the plain solver; and a pin
    that nothing is joined to is not earth."""
    machine = named("street-sweeper")
    state = State("off", frozenset({"B7"}))
    family = Family(machine, state)
    lonely = [p for p in machine.reachable(state) if p not in Network(machine.elements(state), machine.earth).index]
    lonely = [p for p in lonely if p != machine.earth]
    assert lonely == ["B7.2m"]
    for red, black in (("B7.1", "B7.2"), ("X1.5", "GND1"), ("B5.1", "B5.2"), ("B7.1m", "B7.2m"), ("B7.2m", "GND1")):
        change = joined(red, black, 1e3, 1.0)
        shown = family.solve([change]).values(family.pick([(red, black)]))[0, 0]
        meter = [Resistor("lead", red, "inside", 1e3 - 1.0), Source("cell", "inside", black, 1.0, 1.0)]
        op = solve(machine, state, meter)
        assert shown == pytest.approx(op.volts(red, black), abs=1e-9)


def test_a_change_without_a_steady_state_gives_nan():
    """A Hall output shorted to its own supply behind a corroded feed keeps switching: nan, not a number."""
    machine, state = named("street-sweeper"), State("on")
    sick = machine.with_fault(f.HighResistance("W17", 80.0, at=0.2))
    (pin,) = (c.a for c in sick.all(Contact) if c.name == "B4.1")
    family = Family(sick, state)
    solved = family.solve([joined(pin, "B4.2", 0.0), NOTHING])
    volts, ohms = solved.readings([("B4.1", "G1.-")])
    assert solved.settled.tolist() == [False, True]
    assert np.isnan(volts[0]).all()
    assert np.isnan(ohms[0]).all()
    assert np.isnan(solved.values(family.pick([("B4.1", "G1.-")]))[0]).all()
    assert np.isfinite(volts[1]).all()


def test_at_cap_says_where_a_valve_stands():
    """A supply shorted to ground stands at another cap than a healthy one; a dead one at none."""
    machine, state = named("street-sweeper"), State("on")
    family, first = Family(machine, state), machine.all(Supply)[0]
    wire = next(w.name for w in machine.all(Wire) if "X1.5" in (w.a, w.b))
    shorted = Suspect("short to ground", wire)
    changes = [
        shorted.change(machine, state, 0.3, 0.5),
        NOTHING,
        Suspect("supply dead", first.name).change(machine, state),
    ]
    solved = family.solve(changes)
    valve = next(name for name in ("supply V1", "supply V2") if name in family.names)
    labels = [c.label for c in family.network.elements[family.network.position[valve]].caps]
    stands = np.array([solved.at_cap(valve, label) for label in labels])
    plain = solve(machine.with_fault(f.ShortToGround(wire, 0.3, 0.5)), state).piece(valve)
    assert labels[int(stands[:, 0].argmax())] == plain
    assert labels[int(stands[:, 1].argmax())] == solve(machine, state).piece(valve) != plain
    assert not stands[:, 2].any() or valve != f"supply {first.name}"


def test_what_is_not_there_changes_nothing():
    """An open in a contact that is unplugged, and no change at all."""
    machine, state = named("street-sweeper"), State("on", frozenset({"B1"}))
    family = Family(machine, state)
    solved = family.solve([opened("B1.1"), NOTHING])
    volts, ohms = solved.readings(PROBES)
    assert (volts[0] == volts[1]).all()
    assert (ohms[0] == ohms[1]).all()
    assert (solved.values(family.pick(PROBES))[1] == family.pick(PROBES) @ family.x0).all()


def test_an_empty_list_of_changes():
    """Nothing asked, nothing answered, with the right shapes."""
    family = Family(named("street-sweeper"), State("on"))
    solved, picks = family.solve([]), family.pick(PROBES)
    assert [part.shape for part in solved.readings(PROBES)] == [(0, 5), (0, 5)]
    assert solved.values(picks).shape == (0, 5)
    assert solved.drops(["W14"]).shape == (0, 1)
    assert solved.sensitivities(picks, family.at[:3]).shape == (0, 5, 3)
    assert solved.valve_sensitivities(picks).shape == (0, 5, family.count)
    assert solved.size_sensitivities(picks).shape == (0, 5)
    assert solved.active().shape == (0, family.count)
