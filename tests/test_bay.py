"""The bay: what is typed in about a real machine, what comes of it, and what it refuses."""

import math

import pytest

import casekit
from casekit import BenchError, ScenarioError
from casekit.files.check import read_machine
from casekit.machine import faults
from casekit.reasoning.suspect import Suspect
from casekit.reasoning.words import left
from casekit.teaching.practice import Practice
from casekit.teaching.typed import typed

CART = """\
# Invented machine: no maker, model or place is meant.
machine: winch-cart
title: Winch cart, 12 V
about: A small cart with a winch. One control unit with one sensor supply, two sensors.
fuses: {F1: {rating_a: 10}}
key_switch: {name: S1}
grounds: {GND1: {where: frame beside the control unit}, GND2: {where: frame beside the battery}}
operations: {pull: {title: pull the rope, travel_s: 1}}
control_unit:
  connectors: {X1: {cavities: 8}}
  feed: X1.1
  grounds: [X1.2]
  supplies: {V1: {pins: [X1.3], limit_a: 0.2, codes: {low: P0642, high: P0643}}}
  returns: [X1.4]
  inputs: {X1.5: {}, X1.6: {}}
connectors: {X2: {cavities: 4, where: under the winch}}
splices: {SP1: {where: harness at the winch}, SP2: {where: harness at the winch}}
sensors:
  B1: {type: pressure, title: rope tension, where: winch frame, unit: kN, range: [0, 20],
       at: {on: 4, run: 4, held: {pull: 15}}, lost: the tension shown is wrong}
  B2: {type: potentiometer, title: drum angle, where: drum shaft, unit: deg, range: [0, 90],
       at: {on: 30, run: 30}, lost: the winch stops halfway}
wires:
  - {wire: W1, path: [F1.1, G1.+], length_m: 0.5, area_mm2: 2.5, colour: red}
  - {wire: W2, path: [S1.1, F1.2], length_m: 1, area_mm2: 2.5, colour: red}
  - {wire: W3, path: [X1.1, S1.2], length_m: 1, area_mm2: 1.0, colour: red/yellow}
  - {wire: W4, path: [X1.2, GND1], length_m: 0.4, area_mm2: 1.5, colour: brown}
  - {wire: W5, path: [GND2, G1.-], length_m: 0.5, area_mm2: 25, colour: black}
  - {wire: W6, path: [X1.3, X2.1, SP1], length_m: [2, 0.4], colour: blue}
  - {wire: W7, path: [SP1, B1.1], length_m: 0.8, colour: blue}
  - {wire: W8, path: [SP1, B2.1], length_m: 1.2, colour: blue/white}
  - {wire: W9, path: [X1.4, X2.2, SP2], length_m: [2, 0.4], colour: black}
  - {wire: W10, path: [SP2, B1.3], length_m: 0.8, colour: black}
  - {wire: W11, path: [SP2, B2.3], length_m: 1.2, colour: black/white}
  - {wire: W12, path: [X1.5, X2.3, B1.2], length_m: [2, 1], colour: grey}
  - {wire: W13, path: [X1.6, X2.4, B2.2], length_m: [2, 1.5], colour: green}
contact_points:
  CP2: {where: edge of the winch frame, wires: {W7: 0.5, W8: 0.4, W12b: 0.6}}
"""
E = "G1.-"


@pytest.fixture(scope="session")
def cart(tmp_path_factory):
    path = tmp_path_factory.mktemp("drawings") / "winch-cart.yaml"
    path.write_text(CART)
    return path


@pytest.fixture
def bay(cart):
    return casekit.bay(cart)


def opened(cart, *broken, seed=41):
    """The cart on a bench, with these faults: the machine in the bay."""
    return Practice(read_machine(cart), None, seed, broken)


def weak(size=300.0):
    return faults.HighResistance("W8", r_ohm=size)


def typed_in(bay, bench, points, **instead):
    """Read volts of these points on the bench and type them in, with some of them wrong."""
    for machine in (bench, bay):
        machine.key("on")
    for point in points:
        bay.volts(point, E, instead.get(point.replace(".", "_"), bench.volts(point, E).value))


def refused(entry, *args, **more) -> str:
    with pytest.raises((BenchError, ScenarioError)) as caught:
        entry(*args, **more)
    return str(caught.value)


# What it is opened with -----------------------------------------------------------------------------------------


def test_opens_by_name_and_by_path(cart):
    assert repr(casekit.bay("tug-tractor")) == "<Harbour tug tractor, 24 V in the bay: key off, 0 entries>"
    assert repr(casekit.bay(str(cart), codes="P0642")) == "<Winch cart, 12 V in the bay: key off, 0 entries>"
    assert casekit.bay(cart, codes=["P0642"]).stored == ("P0642",)


def test_what_is_wrong_with_the_opening_is_said(cart, tmp_path):
    listed = "there is: shuttle-bus, standby-generator, street-sweeper, telehandler, tug-tractor"
    assert refused(casekit.bay, "tug-tracktor") == (
        f"there is no machine 'tug-tracktor'; {listed}. Did you mean tug-tractor?"
    )
    missing = tmp_path / "none.yaml"
    assert refused(casekit.bay, missing) == f"{missing}: no such file or directory; check the name and the folder."
    wrong = tmp_path / "winch-cart.yaml"
    wrong.write_text(CART.replace("B1.1], length_m", "B1.7], length_m"))
    assert refused(casekit.bay, wrong).startswith(f"{wrong}:30: wire W7 ends at B1.7")
    assert refused(casekit.bay, cart, codes=["642"]) == (
        "'642' is not a trouble code; write a letter and four digits, such as 'P0642'."
    )
    assert refused(casekit.bay, cart, accuracy={"volt": (0.005, 3)}) == (
        "accuracy is given for volts, millivolts, ohms, not for 'volt'. Did you mean volts?"
    )
    assert refused(casekit.bay, cart, accuracy={"volts": 0.005}) == (
        "the accuracy of volts is 0.005; write (share of the reading, counts), such as (0.005, 3)."
    )


def test_a_reading_is_echoed_as_it_was_written_down():
    own = casekit.bay("tug-tractor")
    own.key("on")
    lines = {
        "millivolts X14.1m B3.1 2.00 mV": "2.00 mV", "millivolts X14.1m B3.1 0.002": "0.002 V",
        "volts B3.1 G1.- 311mV": "311 mV", "volts B3.1 G1.- 0.311 V": "0.311 V",
    }  # fmt: skip
    for line, shown in lines.items():
        typed(own, line)
        assert own.events[-1].shown == shown
    own.key("off")
    own.unplug("B3")
    typed(own, "ohms B3.1 B3.3 2.150 kΩ")
    assert (own.events[-1].shown, own.events[-1].value) == ("2.150 kΩ", 2150.0)


# What is entered ------------------------------------------------------------------------------------------------


def test_the_state_is_kept_and_stands_beside_every_reading(bay):
    assert bay.key("run") == "key run"
    assert bay.operate("pull") == "pull is held"
    assert bay.unplug("B2") == "B2 is unplugged"
    assert repr(bay.volts("B2.1m", E, 0.02)) == "0.02 V  B2.1m against G1.-, key run, pull, B2 unplugged, minute 4.0"
    assert bay.plug("B2") == "B2 is plugged in"
    assert bay.release("pull") == "pull is released"
    assert bay.engine(False) == "the engine stops, the key is on"
    assert bay.engine(False) == "the engine cranks and does not start; the key is on"
    assert bay.log["action"].tolist() == [
        "key", "operate", "unplug", "reading", "plug", "release", "engine", "key"
    ]  # fmt: skip
    assert bay.log["key"].tolist()[-2:] == ["on", "on"]
    assert bay.log["minute"].tolist() == [1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 7.0, 8.0]


def test_uncertainty_is_that_of_the_meter(cart, bay):
    """JCGM 100:2008, 4.3.7: half the width of the specification over root three."""
    bay.key("on")
    assert bay.volts("X1.3", E, 5.0).u == pytest.approx((0.003 * 5.0 + 2 * 0.001) / math.sqrt(3))
    text = bay.volts("X1.3", E, "4.98")
    assert (text.shown, text.value) == ("4.98 V", 4.98)
    assert text.u == pytest.approx((0.003 * 4.98 + 2 * 0.01) / math.sqrt(3))
    assert bay.volts("X1.3", E, 5.0, spec=0.01, counts=4).u == pytest.approx((0.05 + 0.004) / math.sqrt(3))
    own = casekit.bay(cart, accuracy={"volts": (0.02, 5)})
    own.key("on")
    assert own.volts("X1.3", E, 5.0).u == pytest.approx((0.1 + 0.005) / math.sqrt(3))
    assert own.loaded("X1.3", E, 5.0, 100).u == pytest.approx((0.1 + 0.005) / math.sqrt(3))
    assert own.millivolts("X1.3", "B1.1", 0.0121).u == pytest.approx((0.005 * 0.0121 + 3 * 1e-5) / math.sqrt(3))


def test_codes_words_and_scan_data_are_entered(bay):
    bay.key("run")
    assert bay.codes(["P0642", "P0420"]) == "codes: P0642, P0420; P0420 is not on this drawing and does not count"
    assert bay.codes([]) == "codes: none"
    assert bay.functions() == {"B1": "the tension shown is wrong", "B2": "the winch stops halfway"}
    assert bay.notice(["B1", "the winch stops halfway"]) == (
        "noticed: the tension shown is wrong; the winch stops halfway"
    )
    assert bay.scan({"B1": 1.3, "supply V1": 5.0}) == "scan data: B1 rope tension 1.3, supply V1 5"
    assert repr(bay.looked("CP2", damaged="W7", kind="short to ground")) == (
        "CP2: W7 is damaged: short to ground, minute 6.0"
    )
    assert bay.looked("CP2", mark="W8").text == "a rub mark on W8"
    assert bay.looked("CP2").text == "no damage to be seen"


def test_a_stored_code_that_is_not_on_the_drawing_is_told():
    odd = casekit.bay("tug-tractor", codes=["P9999", "P0624"])
    assert repr(odd) == (
        "<Harbour tug tractor, 24 V in the bay: key off, 0 entries; P9999, P0624 are not on this drawing and do not "
        "count. Did you mean P0642?>"
    )
    assert "P9999, P0624 are not on this drawing and do not count. Did you mean P0642?" in repr(odd.says())
    assert "not on this drawing" not in repr(casekit.bay("tug-tractor", codes=["P0642"]).says())


def test_wrong_input_is_said_in_a_sentence_and_changes_nothing(bay):
    bay.key("on")
    before = bay.log, bay.state
    sentences = {
        refused(bay.key, "start"): "the key has no position 'start'; use 'off', 'on', 'crank' or 'run'.",
        refused(bay.unplug, "X3"): "'X3' is not a connector or sensor of this machine. "
        "It may be X1, X2 or B1, or 1 more.",
        refused(bay.unplug, "A1"): "turn the key off before unplugging A1: never unplug a powered control unit.",
        refused(bay.plug, "B1"): "B1 is plugged in already.",
        refused(bay.operate, "pul"): "this machine cannot 'pul'; it can: pull, load. Did you mean pull?",
        refused(bay.operate, "load"): "load needs the key in run, and it is on.",
        refused(bay.warm): "only a running engine gets warm; enter bay.key('run') first.",
        refused(bay.volts, "B1.l", E, 5): "'B1.l' is not a point a lead can reach on this machine now. "
        "Did you mean B1.1?",
        refused(bay.volts, "X2.1", E, 5): "X2.1 has two halves; write X2.1f or X2.1m.",
        refused(bay.volts, "B1.1m", E, 5): "B1.1m is behind the plugged connector B1; enter bay.unplug('B1') first.",
        refused(bay.volts, E, E, 0): "both leads are on G1.-; one of them was somewhere else.",
        refused(bay.volts, "B1.1", E, "5 V"): "volts, B1.1 against G1.-: '5 V' is not a number; write one such as "
        "4.98, without its unit.",
        refused(bay.volts, "B1.1", E, math.nan): "volts, B1.1 against G1.-: nan is not a number; write one such as "
        "4.98, without its unit.",
        refused(bay.volts, "B1.1", E, "OL"): "OL is no voltage between B1.1 and G1.-; use a higher range and enter "
        "its value.",
        refused(bay.millivolts, "B1.1", E, 12): "millivolts, B1.1 against G1.-: 12 is beyond the meter; write volt, "
        "up to 0.6.",
        refused(bay.loaded, "B1.1", E, 5, 0): "the load is 0 ohm; write a number from 5 to 10000.",
        refused(bay.ohms, "B1.1", E, 5): "ohms with key on are no ohms; enter bay.key('off') and what it shows then.",
        refused(bay.codes, ["642"]): "'642' is not a trouble code; write a letter and four digits, such as 'P0642'.",
        refused(bay.scan, {"B3": 1}): "'B3' is not in the scan data; there are: supply V1, B1 rope tension, "
        "B2 drum angle.",
        refused(bay.scan, {"B1": 12}): "scan data, B1 rope tension: 12 is no voltage inside the unit; write volts.",
        refused(bay.notice, ["B1"]): "'B1' is not something to be noticed with key on; it may be: nothing on the "
        "panel lights up; nothing unusual; the warning lamp stays on; the lamps go out. It counts with the engine "
        "running.",
        refused(bay.looked, "CP1"): "'CP1' is not a contact point, connector or splice. Did you mean CP2?",
        refused(bay.looked, "CP2", "W9"): "'W9' is not at CP2; there are W7, W8, W12b.",
        refused(bay.looked, "CP2", "W7", "short"): "'short' goes with damage, and is one of: short to ground, short "
        "to battery, short between wires, open, high resistance.",
        refused(bay.looked, "B1"): "B1 is plugged and shows only its outside; enter bay.unplug('B1') first.",
        refused(bay.engine, "yes"): "the engine is 'yes'; write True if it runs and False if it does not.",
        refused(bay.next, 0): "0 tests cannot be named; write a whole number from 1.",
    }
    for said, expected in sentences.items():
        assert said == expected
    assert bay.log.equals(before[0])
    assert bay.state == before[1]
    bay.key("off")
    assert refused(bay.ohms, "G1.+", E, 5) == (
        "G1.+ against G1.- is live with the key off, so its ohms are no ohms; enter volts."
    )
    assert refused(bay.scan, {}) == "scan data come from a control unit with the key on; enter bay.key('on') first."
    assert refused(bay.notice, "dark") == ("key off: nothing can be noticed; enter bay.key('on') or bay.key('run').")


def test_undo_takes_back_entry_and_state(bay):
    bay.key("on")
    bay.volts("X1.3", E, 5.0)
    bay.unplug("B1")
    assert bay.undo() == "taken back: B1 is unplugged"
    assert bay.state.unplugged == frozenset()
    assert bay.undo() == "taken back: volts X1.3 against G1.-, 5 V"
    assert bay.undo() == "taken back: key on"
    assert bay.state.key == "off"
    assert bay.log.empty
    assert refused(bay.undo) == "nothing was entered yet, so there is nothing to take back."


# What comes of it -----------------------------------------------------------------------------------------------


def follow(bay, bench, most=6):
    """Make the tests that are advised, on the bench, and type in what it shows, as a technician would."""
    for _ in range(most):
        tests = bay.next(1).tests
        if not tests:
            return
        o = tests[0].offer
        for action, what in o.moves:
            getattr(bench, action)(what)
            getattr(bay, action)(what)
        if o.red:
            shown = getattr(bench, o.kind)(o.red, o.black).shown
            scale = 1e-3 if "mV" in shown else 1e3 if "kΩ" in shown else 1e6 if "MΩ" in shown else 1.0
            value = "OL" if shown == "OL" else float(shown.split()[0].replace("−", "-")) * scale
            getattr(bay, o.kind)(o.red, o.black, value)
        elif o.place:
            seen = bench.look(o.place)
            bay.looked(o.place, seen.wire, seen.kind, seen.mark)
        elif o.kind == "codes":
            bay.codes(bench.codes()["code"].tolist())
        else:
            table = bench.scan()
            bay.scan(dict(zip(table["channel"], table["volts inside"], strict=True)))


@pytest.mark.parametrize(
    "broken", [faults.Open("W10"), weak(2000.0), faults.ShortToGround("W7", r_ohm=2.0, at=0.5)], ids=str
)
def test_a_typed_in_route_reaches_the_truth(cart, bay, broken):
    follow(bay, opened(cart, broken, seed=2209))
    best = bay.verdict.suspects[bay.verdict.best()]
    assert (best.kind, best.place) == (broken.kind, broken.place)
    assert bay.verdict.p.max() > 0.4  # shorts a wire apart differ by millivolts; a look would decide


def test_a_slip_among_five_readings_does_not_condemn_the_truth_and_is_named(cart, bay):
    bench = opened(cart, weak())
    typed_in(bay, bench, ["X1.3", "B1.1", "B1.2", "B2.1", "B2.2"], B1_1=0.499)
    assert str(left(bay.verdict)[0]) == "high resistance at W8"
    says = repr(bay.says())
    assert "No single fault on this drawing explains everything that was entered:" in says
    assert "volts B1.1 against G1.- (key on), minute 3.0 does not fit; without it high resistance at W8" in says
    assert "it fits all but: volts B1.1 against G1.- (key on), minute 3.0 showed 0.499 V" in says
    assert bay.next().lines[0].startswith("First of all: the same reading again (volts B1.1). That decides")
    bay.volts("B1.1", E, bench.volts("B1.1", E).value)
    assert [str(s) for s in left(bay.verdict)] == ["high resistance at W8"]
    assert "volts B1.1 against G1.- (key on), minute 3.0 does not fit" in repr(bay.says())
    assert not bay.next().lines[0].startswith("First of all")


def test_a_reading_that_is_good_once_may_be_a_fault_that_was_away(cart, bay):
    typed_in(bay, opened(cart, faults.Open("W7")), ["X1.3", "B1.1", "B2.1"])
    bay.key("off")
    bay.key("on")
    bay.volts("B1.1", E, 5.06)
    bay.volts("B1.2", E, 1.33)
    because = bay.says().table["because"][0]
    assert because.startswith("it fits if it was away, or the reading wrong: volts B1.1 against G1.- (key on)")


def test_ol_is_understood(bay):
    broken = Suspect("open", "W10")
    before = bay.verdict.of(broken)
    bay.unplug("B1")
    bay.ohms("B1.3", "X1.4", "OL")
    assert bay.says().table["suspect"].head(3).str.contains("open at").all()
    assert bay.verdict.of(broken) > 5 * before
    assert bay.undo() == "taken back: ohms B1.3 against X1.4, OL"
    assert bay.ohms("B1.3", "X1.4", math.inf).shown == "OL"
    bay.undo()
    bay.ohms("B1.3", "X1.4", 0.1)
    assert bay.verdict.of(broken) < before / 2  # it may still come and go


def test_own_specification_widens_what_is_left(cart):
    found = []
    for accuracy in (None, {"volts": (0.05, 10)}):
        bay = casekit.bay(cart, accuracy=accuracy)
        typed_in(bay, opened(cart, weak()), ["X1.3", "B1.1", "B1.2", "B2.1", "B2.2"])
        found.append(set(map(str, left(bay.verdict))))
    assert found[0] == {"high resistance at W8"}
    assert found[0] < found[1]


def test_two_faults_are_thought_of_when_nothing_fits(cart, bay):
    both = faults.Open("W12b"), faults.HighResistance("W8", r_ohm=3000)
    typed_in(bay, opened(cart, *both), ["X1.5", "B1.2", "B2.1", "B2.2", "X1.6"])
    says = bay.says()
    assert says.nothing_fits == "No single fault on this drawing explains everything that was entered:"
    assert "Two faults" in repr(says)
    assert "high resistance at W8 and open at W12b together explain everything" in repr(says)
    assert bay.next().lines[0].startswith("First of all: ")


def test_size_and_reasons_have_their_units(cart, bay):
    typed_in(bay, opened(cart, weak()), ["X1.3", "B1.1", "B1.2", "B2.1", "B2.2"])
    table = bay.says().table
    assert table.columns.tolist() == ["suspect", "chance", "standing", "size", "because"]
    assert len(table) == 8
    assert table["suspect"][0] == "high resistance at W8"
    low, high = (float(x.split()[0]) for x in table["size"][0].split(",")[0].split(" to "))
    assert low < 300 < high < 2 * low
    assert table["size"][0].endswith(" Ω, at CP2")
    assert table["because"][0] == "it fits all readings"
    reasons = table["because"].str.contains(r"showed \S+ V; it would have shown about .* ± ")
    assert reasons.any()
    html = bay.says()._repr_html_()
    assert html.startswith("<p>1 of 167 suspects left (high resistance at W8), ")
    assert "<td>ruled out</td>" in html


def test_nothing_is_claimed_before_anything_is_entered(bay):
    says = repr(bay.says())
    assert says.startswith("167 of 167 suspects left (")
    assert "nothing was measured yet" in says
    assert 'Enter bay.key("on"), bay.scan(...).' in bay.next().lines[0]


def test_weighed_once_until_something_new_is_entered(bay):
    first = bay.verdict
    assert bay.verdict is first
    bay.key("on")
    assert bay.verdict is not first


def test_limits_and_cautions_stand_beside_it(cart):
    lines = casekit.bay(cart, accuracy={"volts": (0.005, 3)}).limits().lines
    meter = "volts 0.50% + 3 counts, millivolts 0.50% + 3 counts, ohms 0.90% + 2 counts"
    assert f"The meter is taken to be within {meter}." in lines
    assert lines[0].startswith("One fault at a time")
    assert lines[-1] == ("Caution: the maker's service information, local codes and licensed practice come first.")
    assert sum(line.startswith("Caution: ") for line in lines) == 4
    assert any("airbag or high-voltage" in line for line in lines)
    assert repr(casekit.bay(cart).limits()).startswith("- One fault at a time")
