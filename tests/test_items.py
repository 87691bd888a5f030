"""Exam items: right by the circuit, wrong for a named reason, and a bank that is the same for the same seed."""

import dataclasses
import json
import re
from itertools import pairwise
from xml.etree import ElementTree as ET

import networkx as nx
import numpy as np
import pytest
from scipy.stats import spearmanr

from casekit.command import main
from casekit.error import CasekitError, ScenarioError
from casekit.files import library
from casekit.files.harness import cavity_of, inline_cavities, pieces
from casekit.teaching.ability import ABILITIES, ability
from casekit.teaching.examiner import APART, MAKERS, examiner
from casekit.teaching.item import Item, Option
from casekit.teaching.itembank import make_bank, read_bank
from casekit.teaching.qti import SPACE, as_qti

MACHINES = library.names("machines")
KINDS = list(MAKERS)


def some(kind, machine="street-sweeper", many=12):
    """The first items of a kind."""
    found = (examiner(machine).item(kind, n) for n in range(2000))
    return [item for _, item in zip(range(many), (i for i in found if i), strict=False)]


@pytest.mark.parametrize("machine", MACHINES)
@pytest.mark.parametrize("kind", KINDS)
def test_every_machine_gives_items_of_every_kind(machine, kind):
    items = some(kind, machine, 5)
    assert len(items) == 5
    for item in items:
        assert item.ability in ABILITIES
        assert item.because.endswith(".")
        assert item == examiner(machine).item(kind, int(item.key.rsplit("-", 1)[1]))  # the same number, the same item


@pytest.mark.parametrize("kind", ["reading", "explains", "shares"])
def test_one_option_is_right_and_the_others_are_wrong_for_a_reason(kind):
    for item in some(kind):
        if item.form == "choice":
            assert 3 <= len(item.options) <= 4
            assert len({o.text for o in item.options}) == len(item.options)
            assert [bool(o.idea) for o in item.options] == [k != item.right for k in range(len(item.options))]


def test_no_instrument_takes_an_option_for_another():
    e = examiner("tug-tractor")
    for item in some("reading", "tug-tractor", 20):
        if item.form == "choice":
            scale = {"V": 1.0, "mV": 1e-3, "µV": 1e-6, "nV": 1e-9}
            volts = [float(o.text.split()[0]) * scale[o.text.split()[1]] for o in item.options]
            assert volts == sorted(volts)
            assert all(b - a > APART - 0.01 for a, b in pairwise(volts))
        else:
            assert all(abs(w - item.value) > 2 * item.within for w, _ in item.wrong)
            assert e.u(item.value) < item.within


def test_a_table_that_is_wrong_gives_no_item():
    """The second way of solving is no formality."""
    e = examiner("standby-generator")
    n, k = next((n, k) for n in range(50) for k in range(5) if e.agrees(n, [k], metered=True))
    for table, metered in ((e.bare, False), (e.volts, True)):
        kept = table[n + 1, k]
        table[n + 1, k] += 1e-5
        assert not e.agrees(n, [k], metered)
        table[n + 1, k] = kept


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
    for item in some("shares", machine, 25):
        place = item.ask.split()[0]
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
        said = set(re.findall(r"B\d+", item.options[item.right].text))
        assert said == lost, item.ask


def test_orders_fall_and_points_are_behind_the_break():
    for item in some("order"):
        volts = [float(v) * (1e-3 if unit == "mV" else 1.0) for v, unit in re.findall(r"([\d.]+) (m?V)", item.because)]
        assert volts == sorted(volts, reverse=True)
        named = re.findall(r"([A-Z]\d+\.\S+) [\d.]+ m?V", item.because)
        assert [item.options[k].text for k in item.order] == named
    for item in some("point"):
        assert 1 <= len(item.points) <= 2
        assert item.mark(item.points[0]) == (True, "")


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
        (POINT, "x11.3", (True, "")), (POINT, "X11.4", (False, "")),
    ],
)  # fmt: skip
def test_marking(item, answer, marked):
    assert item.mark(answer) == marked


@pytest.mark.parametrize(
    ("item", "answer", "sentence"),
    [
        (CHOICE, "C", "the answer to a-1 is 'C'; write one letter of AB."),
        (CHOICE, "", "the answer to a-1 is ''; write one letter of AB."),
        (ORDER, "AAB", "the answer to a-1 is 'AAB'; write all 3 letters, each once of ABC."),
        (NUMBER, "2 V", "the answer to a-1 is '2 V'; write a number in V."),
    ],
)
def test_what_is_no_answer(item, answer, sentence):
    with pytest.raises(CasekitError) as caught:
        item.mark(answer)
    assert str(caught.value) == sentence


def test_items_are_plain_data():
    for kind in KINDS:
        for item in some(kind, many=3):
            assert Item.from_data(json.loads(json.dumps(item.as_data()))) == item
    with pytest.raises(CasekitError, match="this is no exam item"):
        Item.from_data({"key": "x"})


def test_abilities_have_a_lesson():
    from lesson import lesson

    assert all(lesson(a.lesson).exists() for a in ABILITIES.values())
    with pytest.raises(CasekitError, match=r"there is no ability 'short to ground'.*Did you mean shorts to ground\?"):
        ability("short to ground")


# Simulated candidates -------------------------------------------------------------------------------------------------


def test_papers_order_candidates_and_ideas_draw_those_who_hold_them(finding):
    """A candidate who holds an idea takes the option it leads to, another the right one. Papers of 40 choices put 30
    candidates in the order of their true ability: the share of all items of the pool that they get right. How many
    ideas they hold is printed beside it: ideas differ in how many items they spoil."""
    pool = [i for kind in ("reading", "explains", "shares") for m in MACHINES for i in some(kind, m, 30)]
    pool = [i for i in pool if i.form == "choice"]
    ideas = sorted({o.idea for i in pool for o in i.options if o.idea})
    found, counted = [], []
    for seed in range(8):
        rng = np.random.default_rng(seed)
        paper = [pool[int(k)] for k in rng.choice(len(pool), 40, replace=False)]
        held = [{idea for idea in ideas if rng.random() > share} for share in rng.uniform(0.05, 0.95, 30)]
        scores = [sum(_answered(item, h, rng) == item.right for item in paper) for h in held]
        true = [np.mean([_answered(item, h, rng) == item.right for item in pool]) for h in held]
        found.append(spearmanr(true, scores).statistic)
        counted.append(spearmanr([-len(h) for h in held], scores).statistic)
    finding(f"papers of 40 items: rank correlation with ability {np.mean(found):.2f}, least of 8 {min(found):.2f}; "
            f"with the number of ideas held {np.mean(counted):.2f}")  # fmt: skip
    assert np.mean(found) >= 0.85
    for item in pool:
        for option in item.options:
            if option.idea:
                assert item.options[_answered(item, {option.idea}, np.random.default_rng(0))].idea == option.idea


def _answered(item, held, rng) -> int:
    tempted = [k for k, o in enumerate(item.options) if o.idea and o.idea in held]
    return int(rng.choice(tempted)) if tempted else item.right


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
    assert len({(i.machine, i.ask, i.rows, i.options) for i in items}) == 150
    assert {i.kind for i in items} == set(KINDS)
    assert make_bank(whole, 100, 3) == 150 or whole.read_bytes() == raw


def test_two_processes_make_the_same(tmp_path):
    assert make_bank(tmp_path / "one.jsonl", 80, 5) == make_bank(tmp_path / "two.jsonl", 80, 5, processes=2) == 80
    assert (tmp_path / "one.jsonl").read_bytes() == (tmp_path / "two.jsonl").read_bytes()


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
            b'{"casekit items": 1, "seed": 4}\n',
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
