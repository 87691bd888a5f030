"""Exam items: right by the circuit, and wrong for a named reason that draws who holds it."""

import dataclasses
import json
import re
from itertools import pairwise

import networkx as nx
import numpy as np
import pytest
from candidates import MODELS, believed, some, told_bits
from scipy.stats import spearmanr

from casekit.error import CasekitError
from casekit.files import library
from casekit.files.harness import cavity_of, inline_cavities, pieces
from casekit.teaching.ability import ABILITIES, ability
from casekit.teaching.examiner import MAKERS, item
from casekit.teaching.faulttable import APART, fault_table
from casekit.teaching.item import Item, Option

MACHINES = library.names("machines")
KINDS = list(MAKERS)


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


def test_a_table_that_is_wrong_gives_no_item():
    """The second way of solving is no formality."""
    t = fault_table("standby-generator")
    n, k = next((n, k) for n in range(50) for k in range(5) if t.agrees(n, [k], metered=True))
    for table, metered in ((t.bare, False), (t.volts, True)):
        kept = table[n + 1, k]
        table[n + 1, k] += 1e-5
        assert not t.agrees(n, [k], metered)
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
