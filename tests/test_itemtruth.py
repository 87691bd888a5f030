"""What exam items say is true of the circuit and of the trade: held against networks solved anew, and against rules."""

import re

import networkx as nx
import pytest
from candidates import fault, some, value

from casekit.circuit.operating_point import solve
from casekit.files import library
from casekit.machine.drawn import drawn
from casekit.machine.harness import Contact, Wire
from casekit.machine.rules import LOGIC_V
from casekit.machine.state import State
from casekit.machine.unit import Core, Supply
from casekit.reasoning.belief import updated
from casekit.teaching.examiner import MAKERS
from casekit.teaching.faulttable import BATTERY_V, fault_table
from casekit.teaching.itemview import png, words

MACHINES = library.names("machines")
KINDS = list(MAKERS)


@pytest.mark.parametrize("machine", MACHINES)
def test_no_item_counts_a_fault_that_takes_the_unit_its_power(machine):
    """The bench's own eyes: with every fault of the table the unit lives, and none lies from post to post of the
    battery, which no fuse bears."""
    t, left = fault_table(machine), set()
    for cell in t.cells:
        left.add((cell.suspect.kind, cell.suspect.place))
        if cell.suspect.kind in ("open", "high resistance", "sensor shorted"):
            sick = t.drawing.with_fault(cell.suspect.fault(cell.size, cell.at))
            found, (core,) = solve(sick, State("on")), sick.all(Core)
            assert found.volts(f"{core.name}.vcc", f"{core.name}.gnd") >= LOGIC_V, str(cell.suspect)
    feed = [w.name for w in t.drawing.all(Wire) if t.sound.volts(w.a, t.drawing.earth) > BATTERY_V]
    strap = [w.name for w in t.drawing.all(Wire) if t.drawing.earth in (w.a, w.b)]
    assert feed
    assert strap
    assert not left & {("short to ground", name) for name in feed}
    assert not left & {("short to battery", name) for name in strap}


@pytest.mark.parametrize("machine", MACHINES)
def test_a_reading_hangs_on_nothing_that_nobody_is_told(machine):
    """What is asked is known by what happens: nought, the volts of a supply or the battery, what is told. A value that
    hangs on ohms inside a sensor or the unit has no other near it, and is never asked for as a number."""
    m = drawn(library.machine_file(machine))
    battery, spared = solve(m, State("on")).volts(m.plus, m.earth), 0
    for made in some("reading", machine, 80):
        good = value(re.search(r"meter shows (\S+ m?V) at", made.ask)[1])
        known = (0.0, 5.0, battery, good, good / 2)
        assert ("The battery has" in made.ask) == ("Short to battery" in made.ask)
        if made.form == "number":
            assert min(abs(made.value - 5.0), abs(made.value - battery)) <= made.within
            continue
        volts = [value(o.text) for o in made.options]
        v = volts[made.right]
        spared += v == good
        hangs = [min(abs(x - y) - 0.01 * abs(y) for y in known) > 0.06 for x in volts]
        for w, loose in zip(volts, hangs, strict=True):
            assert w == v or not (loose or hangs[made.right]) or abs(w - v) > 0.24 * max(5.0, w, v), made.ask
        if " is open" in made.ask and hangs[made.right]:
            assert not any((w - v) * (v - good) > 0 for w in volts), made.ask
    assert spared


@pytest.mark.parametrize("machine", MACHINES)
def test_an_explanation_is_true_of_its_kind_of_fault(machine):
    """What a sentence says is held against the networks: who feeds in, whose supply sinks, whose return rises."""
    m = drawn(library.machine_file(machine))
    copper, (core,) = m.copper(), m.all(Core)
    pins = {pin for supply in m.all(Supply) for pin in supply.pins}
    seen = set()
    sound = solve(m, State("on"))
    for made in some("reading", machine, 60):
        point, text = re.search(r"V at (\S+) against \S+\. (.+), key on", made.ask).groups()
        suspect, size = fault(text)
        found = solve(m.with_fault(suspect.fault(size, 0.5)), State("on"))
        part = next((p for p in m.all((Wire, Contact)) if p.name == suspect.place), None)
        net = nx.node_connected_component(copper, part.a) if part else set()
        rise = [found.volts(p, m.earth) - sound.volts(p, m.earth) for p in net]
        told = made.because
        if "it reads the same" in told:
            assert found.volts(point, m.earth) == pytest.approx(sound.volts(point, m.earth), abs=0.03)
            continue
        assert ("feeds in" in told) == (suspect.kind == "short to battery"), told
        if "takes what the supply's protection lets through" in told:
            plug = m.plug(suspect.place)
            assert found.volts(plug.harness[0], m.earth) < 0.6 * sound.volts(plug.harness[0], m.earth)
        if "is what is left; sensors" in told:
            assert net & pins
            assert found.volts(min(net & pins), m.earth) < 1
        if "no way back" in told or "their return stands so much higher" in told:
            assert net & set(core.returns)
            assert max(rise) > 0.05
        if "they have so much less" in told:
            assert net & pins
            assert min(rise) < -0.05
        if "the pull-up lifts it" in told:
            assert found.volts(point, m.earth) > 4.5 > 2 > sound.volts(point, m.earth)
        seen.add(suspect.kind)
    assert seen >= {"open", "high resistance", "short to ground", "short to battery"}


@pytest.mark.parametrize("machine", MACHINES)
def test_it_is_said_on_which_side_of_an_open_cavity_a_lead_sits(machine):
    m, found = drawn(library.machine_file(machine)), 0
    for made in some("reading", machine, 120):
        point, text = re.search(r"V at (\S+) against \S+\. (.+), key on", made.ask).groups()
        suspect, _ = fault(text)
        at = suspect.kind in ("open", "high resistance") and point.rstrip("fm") == suspect.place
        assert ("the red lead is on the " in text) == at, made.ask
        if at:
            part = m.part(suspect.place, Contact)
            assert point in (part.a, part.b)
            assert ("side of the control unit" in text) == point.endswith("f")
        found += at
    assert found


def test_questions_are_plain_english():
    told = {kind: " ".join(i.ask + i.because for i in some(kind, many=40)) for kind in KINDS}
    assert "has an internal short of" in told["reading"]
    assert not re.search(r"is shorted of|Left are|taken off, key", " ".join(told.values()))
    assert not re.search(r"hang B\d+;", told["shares"])
    assert not re.search(r"hangs B\d+(,| and)", told["shares"])
    assert "is cut through in the middle" in told["drawing"]
    assert re.search(r"with open at \S+, \S+ would read otherwise", told["explains"] + told["supported"])
    assert not re.search(r"with open at [A-Z\d.fm]+ [A-Z\d.fm]+ would read", told["explains"] + told["supported"])


@pytest.mark.parametrize("machine", MACHINES)
def test_tempting_tests_would_tempt(machine):
    """None is on the battery's feed, and what is called the nearest is nearer than the right one."""
    t = fault_table(machine)
    for made in some("choose", machine, 25):
        minutes = [float(o.text.split(", ")[1].split()[0]) for o in made.options]
        for option, spent in zip(made.options, minutes, strict=True):
            assert t.sound.volts(option.text.split(" against ")[0], t.drawing.earth) < BATTERY_V
            if option.idea == "the nearest point comes first":
                assert spent < minutes[made.right]


def test_a_picture_is_of_its_fault_and_goes_to_both_levels():
    for made in some("trace", many=6):
        levels = [value(v) for v in re.findall(r"(?:stands at|it goes to) ([\d.]+ m?V)", made.because)]
        seen = made.recorded
        assert max(seen.high) == pytest.approx(max(levels), abs=0.3)
        assert min(seen.low) == pytest.approx(min(levels), abs=0.3)
        assert png(seen)[:4] == b"\x89PNG"
        assert words(seen).startswith(f"{seen.label}: between ")


@pytest.mark.parametrize("machine", MACHINES)
def test_all_that_is_offered_for_a_trace_moves_it_the_same_way(machine):
    """The level decides, not up or down; solved anew."""
    for made in some("trace", machine, 6):
        t, point = fault_table(machine), made.recorded.label.split(" against ")[0]
        ways = set()
        for option in made.options:
            if option.idea != "what moves is a signal":
                cell = next(c for c in t.cells if str(c.suspect) == option.text.removesuffix(", now and then"))
                found = solve(t.drawing.with_fault(cell.suspect.fault(cell.size, cell.at)), State("on"))
                ways.add(found.volts(point, t.drawing.earth) > t.sound.volts(point, t.drawing.earth))
        assert len(ways) == 1, made.key


def test_a_picture_has_its_volts_at_its_lines(monkeypatch):
    """At the side of the graticule, so that a level is read off on paper."""
    seen = []
    monkeypatch.setattr("casekit.teaching.screen.Figure.savefig", lambda figure, *_, **__: seen.append(figure))
    made = some("trace", many=1)[0].recorded
    png(made)
    (plane,) = seen[0].axes
    lines = [plane.yaxis.get_major_formatter()(at, 0) for at in (-4, 0, 4)]
    assert [float(text) for text in lines] == [made.middle_v + at * made.v_per_div for at in (-4, 0, 4)]
    assert plane.get_ylabel() == "V"


def test_what_must_not_be_done_by_ohms_law():
    """A handbook's arithmetic (I = U/R over leads and battery alone) bounds what would flow through a jumper."""
    for made in some("danger", many=20):
        told = made.because
        for amps in map(float, re.findall(r"([\d.]+) A flow, (?:a fire|far beyond)", told)):
            assert 10 < amps < 13.0 / (0.012 + 0.02)
        for stands, belongs in re.findall(r"about ([\d.]+) V stand where ([\d.]+) V belong", told):
            assert float(stands) > 6 > float(belongs)
        assert made.options[made.right].text[1:12] == told[1:12]


@pytest.mark.parametrize("machine", MACHINES)
def test_what_is_never_done_is_never_offered_as_harmless(machine):
    """A meter on amps across two points, an unfused jumper (common practice, and the kit's own cautions)."""
    kinds = set()
    for made in some("danger", machine, 60):
        for n, option in enumerate(made.options):
            kinds.add(option.text.split(",")[0].split(" at ")[0])
            if n != made.right:
                assert not option.text.startswith(("the meter on amps", "a jumper without a fuse")), made.key
    assert {"the meter on amps", "a jumper with a fuse", "a clamp ammeter", "a fused jumper from G1.+"} <= kinds


@pytest.mark.reference
def test_chances_by_bayes():
    """D22: prior 1 %, hit 80 %, false alarm 10 %: 7.5 % (J. Rice, Mathematical Statistics, 3rd ed., via a course page);
    the same function weighs the chances of items, which are worked out by hand here."""
    assert 100 * updated([0.01, 0.99], [0.8, 0.1])[0] == pytest.approx(7.5, abs=0.05)
    for made in some("chance", many=10):
        before = {a: float(b.split()[0]) for a, b in made.rows}
        asked = re.search(r'How likely is "(.+)" now', made.ask)[1]
        out = re.search(r"otherwise with (.+?) and with (.+?);", made.because).groups()
        gone = sum(p for text, p in before.items() if str(fault(text)[0]) in out)
        assert float(made.options[made.right].text.split()[0]) == pytest.approx(
            100 * before[asked] / (100 - gone), abs=0.51
        )
