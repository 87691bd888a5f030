"""Mending: what cures and what does not, the proof, codes that come back, jumpers and pierced wires, and every risk."""

import pytest
from test_bench import refused

import casekit
from casekit.bench.instruments import LAMP_RISK, LIVE_OHMS, LOAD_RISK
from casekit.bench.mending import PIERCED, UNFUSED
from casekit.bench.moves import MOVED_UNSEEN
from casekit.bench.reading import Call, Finding, Reading
from casekit.bench.sealed import unseal
from casekit.machine.faults import (
    CrossedTerminals,
    LeakBetweenCavities,
    Open,
    SensorDrifted,
    ShortBetweenWires,
    SupplyDead,
)
from casekit.machine.intermittent import Intermittent
from casekit.reasoning.evidence import weigh
from casekit.teaching.debrief import debrief

EARTH = "G1.-"


@pytest.fixture
def bench():
    return casekit.open_machine("street-sweeper")


# Repair, replacement, proof --------------------------------------------------------------------------------------


def repaired(place):
    return lambda b: b.repair(place)


def replaced(part):
    return lambda b: b.replace(part)


CURES = {
    "broom-frame-dead": (repaired("W14"), "W14 repaired: it was short to ground"),
    "oil-and-boost-low": (repaired("W42"), "W42 repaired: it was open"),
    "rear-readings-high": (repaired("X12.2"), "X12.2 repaired: it was high resistance"),
    "boom-stops-halfway": (repaired("W14b"), "W14b repaired: it was short to ground"),
    "three-gauges-full": (repaired("X4.3"), "X4.3 repaired: it was open"),
    "lame-on-the-ramp": (repaired("W60b"), "W60b repaired: it was open"),
    "gauges-all-too-high": (repaired("W12b"), "W12b repaired: it was short to battery"),
    "rail-sensor-in-vain": (replaced("B4"), "B4 replaced; whether that was it shows in the proof"),
    "level-gauge-still-works": (repaired("W10"), "W10 repaired: it was open"),
}


@pytest.mark.parametrize("case", CURES)
def test_the_right_repair_cures_and_the_proof_says_so(case):
    """Before it the proof fails, after it nothing comes back, no code is set and the supplies are right."""
    bench = casekit.open_case(case, 1)
    bench.key("run")
    failed = bench.prove()
    assert failed.text.startswith("not proved: ")
    assert str(bench.state) == "key on, warm"
    bench.key("off")
    mend, words = CURES[case]
    assert mend(bench) == words
    bench.key("on")
    bench.clear_codes()
    assert bench.prove().text == "proved: nothing came back"
    assert bench.codes().empty
    supplies = bench.scan().set_index("channel")["value"].filter(like="supply")
    assert supplies.tolist() == pytest.approx([5.0, 5.0], abs=0.1)


def test_what_is_wrong_with_gauges_alone_is_seen_in_the_proof():
    """Readings that are off but within the unit's limits set no code; the proof still fails by them."""
    bench = casekit.open_case("rear-readings-high")
    assert bench.prove().text == ("not proved: B2 water level and B11 hydraulic pressure are not what they should be")
    assert bench.codes().empty
    drifted = casekit.open_machine("street-sweeper", fault=SensorDrifted("B11", 0.1))
    assert drifted.prove().text == "not proved: B11 hydraulic pressure is not what it should be"
    assert casekit.open_machine("street-sweeper", 3).prove().text == "proved: nothing came back"


def test_a_wrong_repair_cures_nothing_and_condemns_a_good_part():
    bench = casekit.open_case("broom-frame-dead")
    assert bench.repair("W13") == "W13 repaired; it had been sound"
    assert bench.replace("B12") == "B12 replaced; whether that was it shows in the proof"
    bench.key("on")
    assert bench.notice().text == "the warning lamp stays on"
    bench.key("run")
    assert "brooms do not answer" in bench.notice().text
    assert bench.prove().text.startswith("not proved: ")
    bench.call("short to ground", "W14")
    result = bench.debrief()
    assert result.right
    assert result.condemned == ("W13", "B12")
    assert result.mended.startswith("the machine is not cured; not proved: ")


def test_one_of_two_faults_cured_is_not_cured():
    bench = casekit.open_case("level-gauge-still-works")
    bench.repair("W10")
    assert bench.repair("W12") == "the drawing is put right about W12: it was drawn on the wrong splice"
    bench.key("on")
    assert bench.volts("B4.1", EARTH).value == pytest.approx(5.0, abs=0.1)  # it hangs where it always did
    bench.call("drawn on the wrong splice", "W12", "SP5")
    bench.call("open", "W10")
    result = bench.debrief()
    assert result.right
    assert result.condemned == ()
    assert result.mended == "the machine is cured; not proved: the repair was not tried out."
    half = casekit.open_case("level-gauge-still-works")
    half.repair("W10")
    half.prove()
    half.call("open", "W10")
    assert half.debrief().mended == "the machine is not cured; proved: nothing came back."


def test_no_readings_support_nothing():
    bench = casekit.open_case("broom-frame-dead")
    bench.call("short to ground", "W14")
    result = bench.debrief()
    assert not result.supported
    assert result.because == "no reading that could rule anything out was taken."


def test_the_last_call_counts():
    bench = casekit.open_case("oil-and-boost-low")
    bench.call("sensor shorted", "B9")
    bench.call("open", "W42")
    assert bench.debrief().right


def test_nothing_repaired_and_all_well_in_the_debrief():
    bench = casekit.open_case("oil-and-boost-low")
    bench.call("open", "W42")
    assert bench.debrief().mended == "nothing was repaired."
    bench = casekit.open_case("oil-and-boost-low")
    bench.repair("W42")
    bench.prove()
    bench.call("open", "W42")
    result = bench.debrief()
    assert result.mended == "the machine is cured; proved: nothing came back."
    assert result.condemned == ()
    assert "Repair: the machine is cured; proved: nothing came back." in repr(result)


def test_a_new_control_unit_cures_its_supply_and_remembers_nothing():
    bench = casekit.open_machine("street-sweeper", fault=SupplyDead("V1"))
    bench.key("on")
    assert "P0642" in set(bench.codes()["code"])
    assert refused(bench, lambda b: b.replace("A1")) == (
        "turn the key off before replacing A1: never unplug a powered control unit."
    )
    bench.key("off")
    assert bench.replace("A1") == "A1 replaced; whether that was it shows in the proof"
    bench.key("on")
    assert bench.codes().empty
    assert bench.volts("B5.1", EARTH).value == pytest.approx(5.0, abs=0.1)
    bench.key("off")
    other = casekit.open_machine("street-sweeper", fault=Open("X1.5"))
    other.replace("A1")  # a new unit does not mend a terminal of the harness
    other.key("on")
    assert other.volts("B5.1", EARTH).value < 0.1


def test_proof_needs_a_machine_that_starts():
    bench = casekit.open_machine("street-sweeper", fault=Open("W66b"))
    proof = bench.prove()
    assert (proof.point, proof.text) == ("proof", "not proved: the engine does not start")
    assert bench.state.key == "on"


REFUSED = [
    ([("unplug", "B4")], lambda b: b.prove(),
     "prove the repair: B4 is still unplugged; plug everything in first."),
    ([("jumper", "B1.1", "B12.1")], lambda b: b.prove(),
     "a jumper is still in place; remove it before the repair is proved."),
    ([], lambda b: b.repair("B4"),
     "'B4' is not a wire or a cavity; a sensor or the control unit is replaced. Did you mean B4.1?"),
    ([], lambda b: b.repair("W144"),
     "'W144' is not a wire or a cavity; a sensor or the control unit is replaced. Did you mean W14?"),
    ([], lambda b: b.replace("B44"), "'B44' is not a sensor or the control unit. Did you mean B4?"),
    ([], lambda b: b.clear_codes(), "the control unit sleeps with the key off; turn the key on first."),
    ([("jumper", "B1.1", "B12.1")], lambda b: b.jumper("B12.1", "B1.1"), "B12.1 and B1.1 are joined already."),
    ([], lambda b: b.jumper("B1.1", "B1.1"), "both leads are on B1.1; put one of them somewhere else."),
    ([], lambda b: b.jumper("B1.1", "SP1"),
     "'SP1' is not a point a lead can reach on this machine now. A splice is under tape: probe where its wires end, "
     "such as X1.5."),
    ([], lambda b: b.remove_jumper("B1.1", "B12.1"), "there is no jumper between B1.1 and B12.1."),
    ([("unplug", "B4"), ("jumper", "B4.1m", "B4.3m")], lambda b: b.plug("B4"),
     "there is a jumper on the bare pin B4.1m; take it off before B4 is plugged in."),
    ([], lambda b: b.pierce("W14", 1.0),
     "wire W14 cannot be pierced at 1.0; use a share of its length from 0.01 to 0.99."),
    ([], lambda b: b.pierce("W14", "half"),
     "wire W14 cannot be pierced at 'half'; use a share of its length from 0.01 to 0.99."),
    ([], lambda b: b.pierce("B14"), "'B14' is not a wire of this machine. Did you mean W14?"),
]  # fmt: skip


@pytest.mark.parametrize(("before", "move", "sentence"), REFUSED, ids=[r[2][:45] for r in REFUSED])
def test_what_cannot_be_done_now_says_why(bench, before, move, sentence):
    for name, *given in before:
        getattr(bench, name)(*given)
    assert refused(bench, move) == sentence


# Calls of kinds with two places ----------------------------------------------------------------------------------


def judged(fault, call, *points):
    """The debrief of a machine with a fault of our choice, after volts at some points with the key on."""
    bench = casekit.open_machine("street-sweeper", 3, fault)
    bench.key("on")
    for point in points:
        bench.volts(point, EARTH)
    calls = [Call(*call[:2], bench.state, bench.clock, *call[2:])]
    return debrief("", bench.drawing, bench.events, bench.clock, calls, unseal(bench))


@pytest.mark.parametrize(
    ("call", "right"),
    [
        (("leak between cavities", "X12.1", "X12.3"), True),
        (("leak between cavities", "X12.3", "X12.1"), True),
        (("leak between cavities", "X12.3"), True),
        (("leak between cavities", "X12.1", "X12.2"), False),
        (("short between wires", "X12.1", "X12.3"), False),
    ],
)
def test_either_end_may_be_named_first_but_not_another(call, right):
    result = judged(LeakBetweenCavities("X12.1", "X12.3", 200.0), call)
    assert (result.right, result.partly) == (right, False)
    assert result.truth == "leak between cavities at X12.1 to X12.3"
    assert result.condemned == ()


def test_both_ends_of_a_loose_short_are_bad():
    loose = Intermittent(ShortBetweenWires("W14", "W24", 0.5, 0.35, 0.35), "CP1", 1.0, 1.2)
    result = judged(loose, ("short between wires", "W24", "W14"))
    assert (result.right, result.condemned) == (True, ())
    assert result.truth == "short between wires at W14 to W24 (it comes and goes)"


def test_crossed_terminals_and_drift_are_weighed():
    """By one cavity every other of its connector is weighed; wires crossed one connector on look the same for long."""
    crossed, points = CrossedTerminals("X13.3", "X13.4"), ("X2.10", "X2.11", "B9.2", "B10.2")
    result = judged(crossed, ("crossed terminals", "X13.3"), *points)
    assert (result.right, result.supported) == (True, False)
    assert result.rivals == ("crossed terminals at X2.10 (to X2.11)",)
    assert result.because == "they allow the call but do not prove it: 1 other explanation is left."
    points = (*points, "X13.3f", "X13.3m")
    for call in (("crossed terminals", "X13.3"), ("crossed terminals", "X13.4", "X13.3")):
        result = judged(crossed, call, *points)
        assert (result.right, result.supported, result.rivals) == (True, True, ())
    result = judged(crossed, ("crossed terminals", "X13.3", "X13.5"), *points)
    assert not result.right
    assert result.because.startswith("they speak against the call: volts X")
    points = ("B9.1", "B9.2", "B9.3", "X13.3f")
    for place, right, says in (("B9", True, "allow the call but do not prove it: "), ("B10", False, "speak against ")):
        result = judged(SensorDrifted("B9", 0.06), ("sensor drifted", place), *points)
        assert (result.right, result.supported) == (right, False)
        assert result.because.startswith(f"they {says}")


# Codes -----------------------------------------------------------------------------------------------------------


def test_codes_come_back_while_the_fault_is_there_and_not_after_the_repair():
    bench = casekit.open_case("three-gauges-full")
    bench.key("on")
    assert bench.clear_codes() == "3 codes cleared"
    assert sorted(bench.codes()["code"]) == ["P0108", "P0118", "P0523"]
    bench.key("off")
    bench.repair("X4.3")
    bench.key("on")
    assert len(bench.codes()) == 3  # a stored code outlives its fault
    assert bench.clear_codes() == "3 codes cleared"
    assert bench.codes().empty
    assert bench.clear_codes() == "0 codes cleared"
    one = casekit.open_machine("street-sweeper", fault=Open("W63b"))
    one.key("on")
    assert one.clear_codes() == "1 code cleared"


# Jumpers and pierced wires ---------------------------------------------------------------------------------------


def test_a_fused_jumper_past_an_open_brings_the_function_back():
    """Bypassing an open shows the path that is missing; as long as it is on, the log says so."""
    bench = casekit.open_case("oil-and-boost-low")
    bench.key("run")
    before = bench.clock
    assert bench.jumper("B7.1", "B9.1") == "B7.1 and B9.1 are joined"
    assert bench.clock - before == pytest.approx(5 + 4 + 0.5 + 1.0)
    assert bench.log.iloc[-1][["action", "what", "risk"]].tolist() == ["jumper", "B7.1 to B9.1", ""]
    assert str(bench.state) == "key run, B7.1 joined to B9.1"
    assert bench.volts("B9.1", EARTH).value == pytest.approx(5.0, abs=0.1)
    assert "the oil lamp goes out when the engine runs" in bench.notice().text
    assert bench.remove_jumper("B9.1", "B7.1") == "the jumper between B9.1 and B7.1 is off"
    assert abs(bench.volts("B9.1", EARTH).value) < 0.05


def test_a_jumpers_fuse_blows_on_a_dead_short(bench):
    """5 A or smaller, only to bypass an open (vehicle makers' method pages)."""
    assert bench.jumper("G1.+", "GND1") == "the jumper's fuse blows (5 A)"
    assert bench.state.joined == frozenset()
    assert bench.log.iloc[-1][["action", "what", "risk"]].tolist() == ["jumper", "G1.+ to GND1: its fuse blows", ""]
    assert bench.volts("G1.+", EARTH).value > 12


def test_the_fuse_may_blow_later(bench):
    """Put on with the key off it lasts until the key is turned."""
    assert bench.jumper("S1.2", "GND1") == "S1.2 and GND1 are joined"
    bench.key("on")
    assert bench.state.joined == frozenset()
    assert bench.log["what"].tolist() == ["S1.2 to GND1", "on", "GND1 to S1.2: its fuse blows"]


def test_an_unfused_jumper_stays_and_counts_as_a_risk(bench):
    assert bench.jumper("G1.+", "GND1", fused=False) == f"G1.+ and GND1 are joined ({UNFUSED})"
    assert bench.log.iloc[-1][["what", "risk"]].tolist() == ["G1.+ to GND1 without a fuse", UNFUSED]
    assert UNFUSED == "an unfused jumper: whatever it feeds has no protection, and a short burns the harness"
    assert bench.volts("G1.+", EARTH).value < 9  # 12 milliohm in the battery, 20 in the jumper and its leads


def test_battery_voltage_on_a_sensor_circuit_is_a_risk(bench):
    bench.key("on")
    said = bench.jumper("G1.+", "B1.1")
    risk = "battery voltage on a sensor circuit: its supply, its sensors and the control unit can be gone for good"
    assert said == f"G1.+ and B1.1 are joined ({risk})"
    assert bench.log.iloc[-1]["risk"] == risk
    bench.remove_jumper("G1.+", "B1.1")
    assert bench.jumper("B9.1", "B10.1") == "B9.1 and B10.1 are joined"


def test_a_pierced_wire_can_be_probed_and_is_harmed(bench):
    point = bench.pierce("W14", 0.25)
    assert point == "W14@0.25"
    assert bench.log.iloc[-1][["action", "what", "risk"]].tolist() == ["pierce", point, PIERCED]
    assert PIERCED == "piercing insulation: water gets in and the wire corrodes and goes open later"
    bench.key("on")
    assert point in bench.probe_points()
    assert bench.volts(point, EARTH).value == pytest.approx(5.0, abs=0.1)
    assert bench.volts("B12.1", point).value == pytest.approx(0.0, abs=0.01)
    readings = [e for e in bench.events if isinstance(e, Reading)]
    assert weigh(bench.drawing, readings).used == 0  # the drawing has no such point: nothing is concluded from it


def test_piercing_beyond_a_break_shows_it():
    bench = casekit.open_case("oil-and-boost-low")
    near, far = bench.pierce("W42", 0.2), bench.pierce("W42", 0.8)
    bench.key("on")
    assert bench.volts(near, EARTH).value == pytest.approx(5.0, abs=0.1)
    assert abs(bench.volts(far, EARTH).value) < 0.05


# Risk ------------------------------------------------------------------------------------------------------------


def test_every_risk_says_why_in_the_log_and_in_the_debrief():
    bench = casekit.open_case("broom-frame-dead")
    risks = {
        MOVED_UNSEEN: lambda: bench.shift("CP2"),
        UNFUSED: lambda: bench.jumper("B1.1", "B12.1", fused=False),
        PIERCED: lambda: bench.pierce("W31b"),
        LAMP_RISK: lambda: bench.lamp("B9.1", EARTH),
        LOAD_RISK: lambda: bench.loaded("B9.1", EARTH, 50),
        LIVE_OHMS: lambda: bench.ohms("B9.1", EARTH),
    }
    bench.key("on")
    said = []
    for risk, do in risks.items():
        do()
        (line,) = bench.log[bench.log["risk"] == risk].itertuples()
        said.append(f"minute {line.minute:g}: {risk}")
    for harmless in (
        lambda: bench.lamp("G1.+", EARTH), lambda: bench.loaded("B9.1", EARTH, 500), lambda: bench.volts("B9.1", EARTH),
        lambda: bench.shift("X11"), lambda: bench.jumper("B1.3", "B12.3"), lambda: bench.amps("W14"),
    ):  # fmt: skip
        harmless()
    assert bench.log["risk"].ne("").sum() == len(risks)
    bench.call("short to ground", "W14")
    result = bench.debrief()
    assert result.risks == tuple(said)
    assert "Risky: " + "; ".join(said) in repr(result)
    assert (LAMP_RISK, LOAD_RISK) == (
        "a test lamp on an electronic circuit draws more than its output stage or supply is made for",
        "a load below 500 ohm on an electronic circuit can overload its output stage",
    )
    assert LIVE_OHMS == "ohms on a live circuit: the meter or the circuit can be harmed, and the value means nothing"


def test_a_careful_route_has_no_risk():
    bench = casekit.open_case("broom-frame-dead")
    bench.look("CP1")
    bench.call("short to ground", "W14")
    assert isinstance(bench.events[0], Finding)
    assert bench.debrief().risks == ()
    assert "Risky: nothing" in repr(bench.debrief())
