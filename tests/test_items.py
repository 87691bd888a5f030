"""Exam items: right by the circuit, wrong for a named reason, and a bank that is the same for the same seed."""

import dataclasses
import json
import re
from itertools import pairwise
from xml.etree import ElementTree as ET

import networkx as nx
import numpy as np
import pytest
from candidates import MODELS, believed, fault, told_bits, value
from scipy.stats import spearmanr

from casekit.circuit.operating_point import solve
from casekit.command import main
from casekit.error import CasekitError, MissingError, ScenarioError
from casekit.files import library
from casekit.files.harness import cavity_of, inline_cavities, pieces
from casekit.machine.drawn import drawn
from casekit.machine.harness import Contact, Wire
from casekit.machine.rules import LOGIC_V
from casekit.machine.state import State
from casekit.machine.unit import Core, Supply
from casekit.reasoning.belief import updated
from casekit.teaching.ability import ABILITIES, ability
from casekit.teaching.examiner import MAKERS, item
from casekit.teaching.faulttable import APART, BATTERY_V, fault_table
from casekit.teaching.item import Item, Option
from casekit.teaching.itembank import make_bank, read_bank
from casekit.teaching.itemview import png, words
from casekit.teaching.qti import SPACE, as_qti

MACHINES = library.names("machines")
KINDS = list(MAKERS)


def some(kind, machine="street-sweeper", many=12):
    """The first items of a kind."""
    found = (item(kind, machine, n) for n in range(2000))
    return [made for _, made in zip(range(many), (i for i in found if i), strict=False)]


@pytest.mark.parametrize("machine", MACHINES)
@pytest.mark.parametrize("kind", KINDS)
def test_every_machine_gives_items_of_every_kind(machine, kind):
    items = some(kind, machine, 4)
    assert len(items) == 4
    for made in items:
        assert made.ability in ABILITIES
        assert made.because.endswith(".")
        assert made.level in (1, 2, 3)
        assert made == item(kind, machine, int(made.key.rsplit("-", 1)[1]))  # the same number, the same item


@pytest.mark.parametrize("kind", [k for k in KINDS if k not in ("order", "point")])
def test_one_option_is_right_and_the_others_are_wrong_for_a_reason(kind):
    for made in some(kind, many=8):
        if made.form == "choice":
            assert 3 <= len(made.options) <= 4
            assert len({o.text for o in made.options}) == len(made.options)
            assert [bool(o.idea) for o in made.options] == [k != made.right for k in range(len(made.options))]


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


def test_no_instrument_takes_an_option_for_another():
    t = fault_table("tug-tractor")
    for made in some("reading", "tug-tractor", 20):
        if made.form == "choice":
            scale = {"V": 1.0, "mV": 1e-3, "µV": 1e-6, "nV": 1e-9}
            volts = [float(o.text.split()[0]) * scale[o.text.split()[1]] for o in made.options]
            assert volts == sorted(volts)
            assert all(b - a > APART - 0.01 for a, b in pairwise(volts))
        else:
            assert all(abs(w - made.value) > 2 * made.within for w, _ in made.wrong)
            assert t.u(made.value) < made.within


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


def test_a_table_that_is_wrong_gives_no_item():
    """The second way of solving is no formality."""
    t = fault_table("standby-generator")
    n, k = next((n, k) for n in range(50) for k in range(5) if t.agrees(n, [k], metered=True))
    for table, metered in ((t.bare, False), (t.volts, True)):
        kept = table[n + 1, k]
        table[n + 1, k] += 1e-5
        assert not t.agrees(n, [k], metered)
        table[n + 1, k] = kept


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


@pytest.mark.reference
@pytest.mark.parametrize("machine", MACHINES)
def test_who_shares_a_supply_by_paths_in_a_graph(machine):
    """networkx, on the pieces of the machine file: who has no way to a supply pin any more."""
    m = library.machine_file(machine)
    graph = nx.Graph()
    for p in pieces(m):
        graph.add_edge(p.a, p.b, name=p.name)
    for cavity in inline_cavities(m):
        graph.add_edge(f"{cavity}f", f"{cavity}m", name=cavity)
    pins = {pin for s in m.control_unit.supplies.values() for pin in s.pins}
    for made in some("shares", machine, 25):
        place = made.ask.split()[0]
        edges = [(a, b) for a, b, name in graph.edges(data="name") if name == place]
        if not edges:  # a cavity of a sensor or of the control unit: its own wire is gone
            ends = [e for e in graph.edges if place in map(cavity_of, e)]
            edges = ends if place.split(".")[0] in m.sensors or place in pins else []
        if not edges:
            continue
        cut = graph.copy()
        cut.remove_edges_from(edges)
        lost = set()
        for name in m.sensors:
            mine = [n for n in graph if n.rsplit(".", 1)[0] == name]
            for end in mine:
                reaches = any(pin in graph and nx.has_path(graph, end, pin) for pin in pins)
                if reaches and not any(pin in cut and nx.has_path(cut, end, pin) for pin in pins):
                    lost.add(name)
        said = set(re.findall(r"B\d+", made.options[made.right].text))
        assert said == lost, made.ask


def test_orders_fall_and_points_are_behind_the_break():
    for made in some("order"):
        volts = [float(v) * (1e-3 if unit == "mV" else 1.0) for v, unit in re.findall(r"([\d.]+) (m?V)", made.because)]
        assert volts == sorted(volts, reverse=True)
        named = re.findall(r"([A-Z]\d+\.\S+) [\d.]+ m?V", made.because)
        assert [made.options[k].text for k in made.order] == named
    for made in some("point"):
        assert 1 <= len(made.points) <= 2
        assert made.mark(made.points[0]) == (True, "")


# Marking --------------------------------------------------------------------------------------------------------------


CHOICE = Item(
    "a-1", "reading", "choice", "shorts to ground", "m", "?", options=(Option("1 V", "x"), Option("2 V")), right=1
)
NUMBER = dataclasses.replace(CHOICE, form="number", value=2.0, unit="V", within=0.1, wrong=((5.0, "y"),), options=())
ORDER = dataclasses.replace(CHOICE, form="order", options=(Option("p"), Option("q"), Option("r")), order=(2, 0, 1))
POINT = dataclasses.replace(CHOICE, form="point", points=("X11.3f",), options=())


@pytest.mark.parametrize(
    ("item", "answer", "marked"),
    [
        (CHOICE, "b", (True, "")), (CHOICE, "A", (False, "x")), (NUMBER, 2.05, (True, "")), (NUMBER, 5, (False, "y")),
        (NUMBER, 3.0, (False, "")), (ORDER, "cab", (True, "")), (ORDER, "A, B, C", (False, "")),
        (POINT, "x11.3f", (True, "")),
        (POINT, "X11.3m", (False, "")), (POINT, "X11.3", (False, "")), (POINT, "X11.4", (False, "")),
    ],
)  # fmt: skip
def test_marking(item, answer, marked):
    assert item.mark(answer) == marked


@pytest.mark.parametrize(
    ("item", "answer", "sentence"),
    [
        (CHOICE, "C", "the answer is 'C'; write one letter of AB."),
        (CHOICE, "", "the answer is ''; write one letter of AB."),
        (ORDER, "AAB", "the answer is 'AAB'; write all 3 letters, each once of ABC."),
        (NUMBER, "2 V", "the answer is '2 V'; write a number in V."),
    ],
)
def test_what_is_no_answer(item, answer, sentence):
    with pytest.raises(CasekitError) as caught:
        item.mark(answer)
    assert str(caught.value) == sentence


def test_items_are_plain_data():
    for kind in KINDS:
        for made in some(kind, many=3):
            assert Item.from_data(json.loads(json.dumps(made.as_data()))) == made
    with pytest.raises(CasekitError, match="this is no exam item"):
        Item.from_data({"key": "x"})


def test_abilities_have_a_lesson():
    from lesson import lesson

    assert all(lesson(a.lesson).exists() for a in ABILITIES.values())
    with pytest.raises(CasekitError, match=r"there is no ability 'short to ground'.*Did you mean shorts to ground\?"):
        ability("short to ground")


# Simulated candidates -------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def pool():
    """Items of every kind and machine with wrong ideas in them, and what a holder of each would answer."""
    kinds = [k for k in KINDS if k in MODELS]
    items = [i for kind in kinds for m in MACHINES for i in some(kind, m, 4) if i.form in ("choice", "number")]
    return [(i, {idea: believed(idea, i) for _, idea in _ideas(i)}) for i in items]


def test_the_intended_distractor_draws_those_who_hold_its_idea(pool, finding):
    """Each idea is a wrong model of its own (`candidates.py`), solved anew; it leads to the option that is meant for
    it. Some ideas leave a holder torn between that and the right one: those are counted."""
    seen, torn = {}, {}
    for made, holders in pool:
        for number, idea in _ideas(made):
            assert number in holders[idea], (made.key, idea, made.ask)
            seen[idea] = seen.get(idea, 0) + 1
            torn[idea] = torn.get(idea, 0) + (made.form == "choice" and made.right in holders[idea])
    clear = [idea for idea in seen if torn[idea] < seen[idea] / 2]
    finding(f"{len(seen)} wrong ideas drew in {sum(seen.values())} options; {len(clear)} of them are never or seldom "
            "torn between that and the right one")  # fmt: skip
    assert len(seen) >= 35
    assert len(clear) >= 30


def test_who_holds_no_idea_is_not_drawn(pool):
    """The other half of the proof: of those ideas nobody torn, none leads to the right option."""
    for made, holders in pool:
        if made.kind in ("reading", "shares", "chance") and made.form == "choice":
            assert all(made.right not in found for found in holders.values()), made.key


def test_papers_of_forty_items_order_candidates(pool, finding):
    """30 candidates who hold some of the ideas answer papers of 40 choices by what these lead to. Their true ability is
    the share of the whole pool they get right. How many ideas they hold is printed beside it: ideas differ in how many
    items they spoil."""
    choices = [(i, h) for i, h in pool if i.form == "choice"]
    ideas = sorted({idea for _, holders in choices for idea in holders})
    found, counted = [], []
    for seed in range(8):
        rng = np.random.default_rng(seed)
        paper = [choices[int(k)] for k in rng.choice(len(choices), 40, replace=False)]
        held = [{idea for idea in ideas if rng.random() > share} for share in rng.uniform(0.05, 0.95, 30)]
        scores = [sum(_answered(i, h, mine, rng) == i.right for i, h in paper) for mine in held]
        true = [np.mean([_answered(i, h, mine, rng) == i.right for i, h in choices]) for mine in held]
        found.append(spearmanr(true, scores).statistic)
        counted.append(spearmanr([-len(mine) for mine in held], scores).statistic)
    finding(f"papers of 40 items: rank correlation with ability {np.mean(found):.2f}, least of 8 {min(found):.2f}; "
            f"with the number of ideas held {np.mean(counted):.2f}")  # fmt: skip
    assert np.mean(found) >= 0.85


def _ideas(made):
    """(number of the option or wrong value, the idea that leads to it)."""
    if made.form == "choice":
        return [(n, o.idea) for n, o in enumerate(made.options) if o.idea]
    return [(n, idea) for n, (_, idea) in enumerate(made.wrong)]


def _answered(made, holders, held, rng) -> int:
    tempted = sorted(set().union(*(holders[idea] for idea in holders if idea in held)))
    return int(rng.choice(tempted)) if tempted else made.right


def test_tests_in_order_of_what_they_tell():
    """Entropy of how many suspects fall together, a minute, from the readings of each suspect solved anew."""
    found = [i for i in some("choose", many=24) if i.form == "order"][:4]
    for made in found:
        bits = dict(zip(made.options, told_bits(made), strict=True))
        rates = [bits[made.options[k]] / float(made.options[k].text.split(", ")[1].split()[0]) for k in made.order]
        assert rates == sorted(rates, reverse=True)
        assert all(a > b for a, b in pairwise(rates))
    assert len(found) == 4


# What items say, checked another way ----------------------------------------------------------------------------------


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


# Banks ----------------------------------------------------------------------------------------------------------------


def test_the_same_seed_gives_the_same_bank_also_after_a_kill(tmp_path):
    whole, cut = tmp_path / "whole.jsonl", tmp_path / "cut.jsonl"
    assert make_bank(whole, 150, 3) == 150
    raw = whole.read_bytes()
    cut.write_bytes(raw[: len(raw) // 2])  # in the middle of a line and of a chunk
    assert make_bank(cut, 150, 3) == 150
    assert cut.read_bytes() == raw
    items = read_bank(whole)
    assert len({i.key for i in items}) == len(items) == 150
    assert {i.kind for i in items} == set(KINDS)
    assert len({i.face for i in items}) == 150
    assert make_bank(whole, 100, 3) == 150 or whole.read_bytes() == raw


@pytest.mark.parametrize(("many", "least"), [(10, 1), (40, 5), (100, 14)])
def test_a_small_bank_has_all_machines(tmp_path, many, least):
    make_bank(tmp_path / "bank.jsonl", many, 3)
    found = [i.machine for i in read_bank(tmp_path / "bank.jsonl")]
    assert all(found.count(name) >= least for name in MACHINES), {name: found.count(name) for name in MACHINES}


def test_two_processes_make_the_same(tmp_path):
    assert make_bank(tmp_path / "one.jsonl", 80, 5) == make_bank(tmp_path / "two.jsonl", 80, 5, processes=2) == 80
    assert (tmp_path / "one.jsonl").read_bytes() == (tmp_path / "two.jsonl").read_bytes()


def test_workers_of_a_cluster_make_the_same(tmp_path):
    """Dask, a general-purpose library: its workers do what the processes here do."""
    distributed = pytest.importorskip("distributed")
    make_bank(tmp_path / "one.jsonl", 20, 5)
    with distributed.LocalCluster(n_workers=1, processes=False, dashboard_address=None) as cluster:
        assert make_bank(tmp_path / "two.jsonl", 20, 5, cluster=cluster.scheduler_address) == 20
    assert (tmp_path / "one.jsonl").read_bytes() == (tmp_path / "two.jsonl").read_bytes()
    with pytest.raises(MissingError, match=r"no Dask scheduler answers at tcp://127\.0\.0\.1:9"):
        make_bank(tmp_path / "three.jsonl", 20, 5, cluster="tcp://127.0.0.1:9")


def test_by_command_and_as_qti(tmp_path, capsys):
    bank, folder = tmp_path / "bank.jsonl", tmp_path / "qti"
    assert main(["items", str(bank), "--count", "60", "--seed", "7", "--qti", str(folder)]) == 0
    told = capsys.readouterr()
    assert f"{bank}: 60 items, " in told.out
    assert told.err.endswith("60 of 60 items\n")
    items = {i.key: i for i in read_bank(bank)}
    assert {p.stem for p in folder.glob("*.xml")} == set(items)
    for path in folder.glob("*.xml"):
        root, item = ET.parse(path).getroot(), items[path.stem]
        assert root.tag == f"{{{SPACE}}}qti-assessment-item"
        assert root.get("identifier") == item.key
        right = [v.text for v in root.iter(f"{{{SPACE}}}qti-value")][:-1]
        choices = [c.get("identifier") for c in root.iter(f"{{{SPACE}}}qti-simple-choice")]
        assert len(choices) == len(item.options)
        assert set(right) <= set(choices) or item.form in ("number", "point")
        assert len(list(root.iter(f"{{{SPACE}}}qti-response-processing"))) == 1


ALLOWED = {  # what of QTI 3.0's information model an item may hold, from memory of the specification
    "qti-assessment-item": ({"identifier", "title", "adaptive", "time-dependent"},
                            ["qti-response-declaration", "qti-outcome-declaration", "qti-item-body",
                             "qti-response-processing"]),
    "qti-response-declaration": ({"identifier", "cardinality", "base-type"}, ["qti-correct-response"]),
    "qti-correct-response": (set(), ["qti-value"]),
    "qti-outcome-declaration": ({"identifier", "cardinality", "base-type"}, ["qti-default-value"]),
    "qti-default-value": (set(), ["qti-value"]),
    "qti-item-body": (set(), ["table", "p", "qti-choice-interaction", "qti-order-interaction"]),
    "qti-choice-interaction": ({"response-identifier", "shuffle", "max-choices"}, ["qti-prompt", "qti-simple-choice"]),
    "qti-order-interaction": ({"response-identifier", "shuffle"}, ["qti-prompt", "qti-simple-choice"]),
    "qti-simple-choice": ({"identifier"}, []), "qti-prompt": (set(), []), "qti-value": (set(), []),
    "qti-text-entry-interaction": ({"response-identifier", "expected-length"}, []),
    "qti-response-processing": (set(), ["qti-response-condition"]),
    "qti-response-condition": (set(), ["qti-response-if"]),
    "qti-response-if": (set(), ["qti-equal", "qti-set-outcome-value"]),
    "qti-equal": ({"tolerance-mode", "tolerance"}, ["qti-variable", "qti-correct"]),
    "qti-variable": ({"identifier"}, []), "qti-correct": ({"identifier"}, []),
    "qti-set-outcome-value": ({"identifier"}, ["qti-base-value"]), "qti-base-value": ({"base-type"}, []),
    "table": (set(), ["tr"]), "tr": (set(), ["td"]), "td": (set(), []), "img": ({"src", "alt"}, []),
    "p": (set(), ["qti-text-entry-interaction", "img"]),
}  # fmt: skip
ORDERED = {"qti-assessment-item", "qti-response-if", "qti-equal", "qti-choice-interaction", "qti-order-interaction"}


@pytest.mark.parametrize("kind", KINDS)
def test_qti_has_the_published_structure(kind):
    """No schema is to be had here: names, attributes, order and nesting are held against the specification's model."""
    for made in some(kind, many=3):
        root = ET.fromstring(as_qti(made).split("?>", 1)[1])
        declared = {n.get("identifier") for n in root if n.tag.endswith("declaration")}
        for node in root.iter():
            name = node.tag.removeprefix(f"{{{SPACE}}}")
            needed, inner = ALLOWED[name]
            kept = {a for a in node.attrib if not a.startswith("{")}
            assert needed <= kept <= needed | {"template"}, name
            children = [c.tag.removeprefix(f"{{{SPACE}}}") for c in node]
            assert set(children) <= set(inner), name
            if name in ORDERED:
                places = [inner.index(c) for c in children]
                assert places == sorted(places), name
            if "response-identifier" in kept:
                assert node.get("response-identifier") in declared


def test_a_number_is_right_within_its_tolerance_in_qti():
    text = as_qti(NUMBER)
    assert 'tolerance-mode="absolute" tolerance="0.1 0.1"' in text
    assert 'base-type="float"' in text


@pytest.mark.parametrize(
    ("content", "sentence"),
    [
        (b"", None),
        (b"no bank\n", "this is not a bank of items; make one with casekit items."),
        (
            b'{"casekit items": 2, "seed": 4}\n',
            "this bank was begun with seed 4; go on with that, or name another file.",
        ),
    ],
)
def test_a_file_that_is_no_bank_of_this_seed(tmp_path, content, sentence):
    path = tmp_path / "bank.jsonl"
    path.write_bytes(content)
    if sentence is None:
        assert make_bank(path, 3, 1) == 3
        return
    with pytest.raises(ScenarioError) as caught:
        make_bank(path, 3, 1)
    assert str(caught.value) == f"{path}: {sentence}"


def test_a_damaged_line_is_named(tmp_path):
    path = tmp_path / "bank.jsonl"
    make_bank(path, 3, 1)
    lines = path.read_bytes().splitlines(keepends=True)
    path.write_bytes(lines[0] + b"?\n" + b"".join(lines[2:]))
    with pytest.raises(ScenarioError) as caught:
        read_bank(path)
    assert str(caught.value) == f"{path}:2: the line is damaged; take it out, or make the bank anew."


@pytest.mark.parametrize(("many", "seed", "what"), [(0, 1, "number of items is 0"), (5, -1, "seed is -1")])
def test_numbers_that_are_none(tmp_path, many, seed, what):
    with pytest.raises(CasekitError, match=what):
        make_bank(tmp_path / "bank.jsonl", many, seed)
