"""Every kind of fault does to the circuit what the trade says it does; injecting one leaves the old machine as it was.

What is expected of a fault here is common practice, no source, unless a law is written beside it.
"""

import itertools
from dataclasses import replace

import pytest
from everyfault import faults, machines, sampled

from casekit import CircuitError
from casekit.circuit.operating_point import Unstable, solve
from casekit.machine import faults as f
from casekit.machine.law import Resistor
from casekit.machine.sensors import Potentiometer
from casekit.machine.state import State
from casekit.machine.unit import Core, Supply

ON, OFF, RUN = State("on"), State("off"), State("run")
SWEEPER, TELEHANDLER, TUG = (
    next(m for m in machines() if m.name == name) for name in ("street-sweeper", "telehandler", "tug-tractor")
)
LOAD_OHM = 1e7  # every reading is taken with a meter


def read(machine, point, black=None, state=ON):
    """What a meter reads there."""
    black = black or machine.earth
    return solve(machine, state, [Resistor("meter", point, black, LOAD_OHM)]).volts(point, black)


def inside(machine, name, state=ON):
    """What the control unit measures of a supply."""
    return solve(machine, state).volts(machine.part(name, Supply).inside, "A1.gnd")


# Each kind -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("leak_ohm", [500.0, 10_000.0, 200_000.0])
def test_a_leak_couples_a_supply_into_a_signal(leak_ohm):
    """Voltage divider of the leak and what the wiper looks like from outside: a (1 - a) track + wiper, with the input's
    100 kohm beside it. The supply does not mind."""
    pot = SWEEPER.part("B12", Potentiometer)
    a = pot.output.share(ON)
    looks = 1 / (1 / (a * (1 - a) * pot.track_ohm + pot.wiper_ohm) + 1 / 100_000.0)
    healthy = read(SWEEPER, "X1.11")
    wet = SWEEPER.with_fault(f.LeakBetweenCavities("X11.1", "X11.4", leak_ohm))
    expected = healthy + (5.0 - healthy) * looks / (looks + leak_ohm)
    assert read(wet, "X1.11") == pytest.approx(expected, abs=0.005)
    assert read(wet, "X1.5") == pytest.approx(read(SWEEPER, "X1.5"), abs=0.002)
    assert read(wet, "X1.11", state=State("on", frozenset({"B12"}))) > 4.9 * 100 / (100 + leak_ohm / 1000)


@pytest.mark.parametrize(
    ("place", "to", "ends"),
    [("X3.3", "X3.4", ("X1.11", "X1.12")), ("X1.11", "X1.12", ("X1.11m", "X1.12m")), ("X1.10", "X1.14", None)],
)
def test_crossed_terminals_swap_two_signals(place, to, ends):
    """In-line and at the control unit: each input gets what the other should have."""
    up = State("run", held=frozenset({"boom"}))
    first, second = ends or (f"{place}m", f"{to}m")
    crossed = TELEHANDLER.with_fault(f.CrossedTerminals(place, to))
    right = [read(TELEHANDLER, end, state=up) for end in (first, second)]
    assert abs(right[0] - right[1]) > 0.1
    assert [read(crossed, end, state=up) for end in (second, first)] == pytest.approx(right, abs=0.002)


def test_crossed_terminals_at_the_control_unit_show_in_their_cavities():
    """The wires stand in each other's place, so the cavities carry each other's signal, and both halves agree."""
    crossed = TELEHANDLER.with_fault(f.CrossedTerminals("X1.11", "X1.12"))
    for cavity in ("X1.11", "X1.12"):
        assert read(crossed, cavity) == pytest.approx(read(crossed, f"{cavity}m"), abs=1e-4)
    inline = TELEHANDLER.with_fault(f.CrossedTerminals("X3.3", "X3.4"))
    assert read(inline, "B2.2") == pytest.approx(read(TELEHANDLER, "B2.2"), abs=0.002)
    assert read(inline, "X3.3m") == pytest.approx(read(inline, "B3.2"), abs=0.001)


def test_supply_and_return_crossed_at_a_potentiometer_turn_it_round():
    a = SWEEPER.part("B2", Potentiometer).output.share(ON)
    crossed = SWEEPER.with_fault(f.CrossedTerminals("B2.1", "B2.3"))
    assert read(SWEEPER, "X1.12") / read(SWEEPER, "X1.5") == pytest.approx(a, abs=0.01)
    assert read(crossed, "X1.12") / read(crossed, "X1.5") == pytest.approx(1 - a, abs=0.01)


@pytest.mark.parametrize(
    ("place", "drift", "signal"), [("B9", 0.08, "X2.10"), ("B10", -0.05, "X2.11"), ("B5", 0.2, "X1.15")]
)
def test_a_drifted_sensor_is_off_by_a_share_of_its_supply(place, drift, signal):
    """The first track of a double potentiometer; everything else stays."""
    sick = SWEEPER.with_fault(f.SensorDrifted(place, drift))
    for state in (ON, RUN):
        off = read(sick, signal, state=state) - read(SWEEPER, signal, state=state)
        assert off == pytest.approx(drift * 5.0, abs=0.02)  # the input loads a potentiometer a little
    assert read(sick, "X2.15") == pytest.approx(read(SWEEPER, "X2.15"), abs=1e-3)


def test_a_drifted_sensor_stays_between_its_supply_and_its_return():
    high, low = (SWEEPER.with_fault(f.SensorDrifted("B2", drift)) for drift in (0.9, -0.9))
    assert read(high, "X1.12") == pytest.approx(5.0, abs=0.02)
    assert read(low, "X1.12") == pytest.approx(0.0, abs=0.02)


def test_a_dead_spot_opens_the_wiper_only_inside_its_span():
    """Inside it the input's pull-down takes the signal to ground; outside the sensor is as good as ever."""
    worn = SWEEPER.with_fault(f.SensorDeadSpot("B12", (0.1, 0.3)))
    up, down = ON, replace(ON, held=frozenset({"brooms"}))
    assert "B12 wiper" not in {el.name for el in worn.elements(up)}
    assert read(worn, "X1.11", state=up) == pytest.approx(0.0, abs=0.02)
    assert read(worn, "X1.11", state=down) == pytest.approx(read(SWEEPER, "X1.11", state=down), abs=1e-9)
    assert read(worn, "B12.1") == pytest.approx(read(SWEEPER, "B12.1"), abs=1e-3)  # the track itself is whole


def test_a_weak_supply_sags_when_loaded():
    """V2 of the sweeper at 15 mA: its sensors want more, so it sags to what the current is enough for; unloaded it is
    good. A foldback supply folds back in proportion."""
    weak = SWEEPER.with_fault(f.SupplyWeak("V2", 0.015))
    idle = State("on", frozenset({"B7", "B9", "B10", "B3", "B5"}))
    assert solve(weak, ON).piece("supply V2") == "foldback"
    assert inside(weak, "V2") < 4.6
    assert solve(weak, idle).piece("supply V2") == "regulating"
    assert inside(weak, "V2", idle) == pytest.approx(5.0, abs=0.01)
    assert inside(weak, "V1") == pytest.approx(5.0, abs=0.02)
    strong = SWEEPER.part("V2", Supply)
    assert weak.part("V2", Supply).short_a / 0.015 == pytest.approx(strong.short_a / strong.limit_a)


def test_an_open_shared_return_lifts_the_sensors_that_share_it():
    """X12.2 carries the return of B2, B4 and B11 of the sweeper; B1 and B12 have their own way home."""
    lifted = SWEEPER.with_fault(f.Open("X12.2"))
    for sensor in ("B2", "B4", "B11"):
        assert read(SWEEPER, f"{sensor}.3") < 0.02
        assert read(lifted, f"{sensor}.3") > 4.0
    for signal in ("X1.12", "X1.14"):
        assert read(lifted, signal) > max(4.0, read(SWEEPER, signal) + 0.5)
    for point in ("B1.3", "B12.3", "X1.10", "X1.11", "X1.5"):
        assert read(lifted, point) == pytest.approx(read(SWEEPER, point), abs=0.005)


def test_a_shorted_sensor_takes_its_supply_with_it():
    """B4 of the tug tractor on V2, which folds back to 110 mA: 0.11 A through 1.5 ohm. V1 does not care."""
    sick = TUG.with_fault(f.SensorShorted("B4", 1.5))
    assert read(sick, "B4.1", "B4.3") == pytest.approx(0.11 * 1.5, abs=0.03)
    assert inside(sick, "V2") < 0.3
    assert inside(sick, "V1") == pytest.approx(5.0, abs=0.01)
    assert inside(TUG.with_fault(f.SensorShorted("B4", 1.5)), "V2", State("on", frozenset({"B4"}))) > 4.9


def test_drawn_on_the_wrong_splice_means_the_other_supply_feeds_it():
    """The telehandler's tilt sensor is drawn on SP1 (V1) and hangs on SP5 (V2)."""
    other = TELEHANDLER.with_fault(f.DrawnOnWrongSplice("W12", "SP5"))
    assert read(other, "X1.14") == pytest.approx(read(TELEHANDLER, "X1.14"), abs=0.01)
    for machine, dead, alive in ((TELEHANDLER, "V1", "V2"), (other, "V2", "V1")):
        assert read(machine.with_fault(f.SupplyDead(dead)), "B4.1") < 0.1
        assert read(machine.with_fault(f.SupplyDead(alive)), "B4.1") == pytest.approx(5.0, abs=0.02)


def test_a_splice_that_is_not_drawn_does_the_same():
    """The sweeper's broom pressure sensor really starts from a splice in a wire of V2, in the middle of it."""
    other = SWEEPER.with_fault(f.SpliceNotDrawn("W13", "W46", 0.5))
    for machine, dead, alive in ((SWEEPER, "V1", "V2"), (other, "V2", "V1")):
        assert read(machine.with_fault(f.SupplyDead(dead)), "B1.1") < 0.1
        assert read(machine.with_fault(f.SupplyDead(alive)), "B1.1") == pytest.approx(5.0, abs=0.02)
    broken = [other.with_fault(f.Open("W46", at)) for at in (0.3, 0.7)]
    assert [read(m, "B1.1") > 4.9 for m in broken] == [False, True]


# Facts of the trade ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("machine", machines(), ids=lambda m: m.name)
def test_an_open_outside_the_pin_leaves_the_unit_its_five_volts(machine):
    """Whatever is open in the harness, the unit sees its supplies at 5 V inside, unless it has no power itself."""
    for fault in (x for x in faults(machine) if isinstance(x, f.Open)):
        op = solve(machine.with_fault(fault), ON)
        powered = op.volts("A1.vcc", "A1.gnd") > 4.9
        for supply in machine.all(Supply):
            volts = op.volts(supply.inside, "A1.gnd")
            assert volts == pytest.approx(5.0, abs=0.02) if powered else volts < 4.9, fault


@pytest.mark.parametrize("machine", machines(), ids=lambda m: m.name)
def test_near_zero_inside_means_a_short_or_the_unit(machine):
    """Only a short (to ground, to a return, in a sensor, by crossed terminals or a wrong drawing) or the unit itself
    takes a supply below half a volt inside while the unit has power."""
    kinds = set()
    for fault in sampled(machine, 60):
        try:
            op = solve(machine.with_fault(fault), ON)
        except Unstable:
            continue
        if op.volts("A1.vcc", "A1.gnd") > 4.9:
            low = min(op.volts(s.inside, "A1.gnd") for s in machine.all(Supply))
            kinds |= {fault.kind} if low < 0.5 else set()
    assert {"short to ground", "sensor shorted", "supply dead"} <= kinds
    assert not kinds & {"open", "high resistance", "short to battery", "sensor drifted", "sensor dead spot"}


def test_a_healthy_supply_beside_a_shorted_one():
    """4.97 V beside 0.15 V is a normal pair: within 1 % of 5 V the one, limit times the way to the short the other."""
    sick = SWEEPER.with_fault(f.ShortToGround("W14", 0.6, 0.35))
    assert read(sick, "X2.5") == pytest.approx(4.97, abs=0.05)
    assert read(sick, "X1.5") == pytest.approx(0.15, abs=0.05)
    for seed in range(20):
        one = SWEEPER.as_built(seed).with_fault(f.ShortToGround("W14", 0.6, 0.35))
        assert read(one, "X2.5") == pytest.approx(4.97, abs=0.09)
        assert read(one, "X1.5") == pytest.approx(0.15, abs=0.05)


def test_a_short_to_battery_is_there_with_the_key_off():
    """And lifts all that hangs on the supply; the regulator can give less, never more."""
    sick = TUG.with_fault(f.ShortToBattery("W12b", 47.0, 0.3))
    assert read(sick, "B3.1", state=OFF) > 20.0
    assert read(TUG, "B3.1", state=OFF) < 0.1
    assert read(sick, "B11.1") > 20.0
    assert inside(sick, "V2") == pytest.approx(5.0, abs=0.02)


# Two at once -----------------------------------------------------------------------------------------------------

PAIRS = [
    (f.Open("W10", 0.9), f.DrawnOnWrongSplice("W12", "SP5")),
    (f.ShortToGround("W14b", 0.5, 0.4), f.SensorDrifted("B9", 0.1)),
    (f.Open("W14b", 0.4), f.ShortToGround("W14b", 0.5, 0.4)),
    (f.HighResistance("W24b", 30.0, 0.2), f.ShortBetweenWires("W14b", "W24b", 0.5, 0.4, 0.4)),
    (f.Open("X3.2"), f.LeakBetweenCavities("X3.2", "X3.3", 800.0)),
    (f.Open("X3.4"), f.CrossedTerminals("X3.3", "X3.4")),
    (f.SupplyWeak("V2", 0.03), f.SensorShorted("B9", 20.0)),
]
HIDDEN = [  # the second hides the first
    (f.HighResistance("W24b", 30.0, 0.4), f.Open("W24b", 0.4)),
    (f.SensorDrifted("B4", -0.2), f.SensorDeadSpot("B4", (0.4, 0.7))),
]


@pytest.mark.parametrize(("one", "other"), PAIRS + HIDDEN, ids=lambda fault: f"{fault.kind} {fault.place}")
def test_two_faults_at_once(one, other):
    """The order they came in does not matter, also where they sit in the same spot or cavity; both are felt, unless one
    hides the other."""
    points = [end for plug in TELEHANDLER.plugs for end in (*plug.harness, *plug.device)]
    both, swapped = (solve(TELEHANDLER.with_fault(a).with_fault(b), ON) for a, b in ((one, other), (other, one)))
    singles = [solve(TELEHANDLER.with_fault(x), ON) for x in (one, other)]
    assert max(abs(both.volts(p) - swapped.volts(p)) for p in points) < 1e-6
    felt = [max(abs(both.volts(p) - single.volts(p)) for p in points) > 1e-3 for single in singles]
    assert felt == ([True, False] if (one, other) in HIDDEN else [True, True])


def test_a_short_and_a_break_in_the_same_spot():
    """A squeezed wire that is cut through: the end towards the control unit is shorted, the far end hangs free."""
    cut = TELEHANDLER.with_fault(f.Open("W14b", 0.4)).with_fault(f.ShortToGround("W14b", 0.5, 0.4))
    assert inside(cut, "V1") < 0.3
    assert abs(read(cut, "B3.1")) < 0.05
    assert read(cut, "SP2", "X3.1m") < 0.1


@pytest.mark.parametrize(
    "fault", [f.Open("W14", 0.35), f.HighResistance("W14", 60.0, 0.35), f.ShortToGround("W14", 0.5, 0.35)]
)
def test_a_wire_pierced_where_it_is_faulty(fault):
    """The bare copper is the end towards the control unit; piercing changes no other reading."""
    sick = SWEEPER.with_fault(fault)
    bared, node = f.tapped(sick, "W14", 0.35)
    again, same = f.tapped(bared, "W14", 0.35)
    assert (node, again) == (same, bared)
    for point in ("X1.5", "B12.1", "B1.1"):
        assert read(bared, point) == pytest.approx(read(sick, point), abs=1e-9)
    assert read(bared, node) == pytest.approx(read(bared, "B1.1"), abs=0.1)


# Faults as values ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("machine", machines(), ids=lambda m: m.name)
def test_every_injection_returns_a_new_machine(machine):
    """Every kind of fault on every machine: new parts, the rest as it was, and the old machine untouched."""
    before = replace(machine)
    found = sampled(machine, 3)
    assert {x.kind for x in found} == set(f.KINDS)
    for fault in found:
        sick = fault.applied(machine)
        assert sick is not machine
        assert sick.parts != machine.parts
        assert replace(sick, parts=machine.parts) == machine
        assert sick == fault.applied(machine)
    assert machine == before
    assert machine.parts is before.parts


def test_faults_are_values():
    assert f.Open("W14", 0.2) == f.Open("W14", 0.2)
    assert len({f.Open("W14", 0.2), f.Open("W14", 0.2), f.Open("W14", 0.3)}) == 2
    groups = (f.SENSOR_KINDS, f.SUPPLY_KINDS, f.DRAWING_KINDS)
    assert all(set(kinds) < set(f.KINDS) for kinds in groups)
    assert not any(set(a) & set(b) for a, b in itertools.combinations(groups, 2))


@pytest.mark.parametrize(
    ("fault", "sentence"),
    [
        (f.LeakBetweenCavities("X12.1", "X12.22", 100.0),
         "X12.22 is not a wired cavity of street-sweeper. Did you mean X12.2?"),
        (f.LeakBetweenCavities("X12.1", "X11.2", 100.0),
         "X12.1 and X11.2 are not two cavities of one connector; name two of the same one."),
        (f.CrossedTerminals("X12.1", "X12.1"),
         "X12.1 and X12.1 are not two cavities of one connector; name two of the same one."),
        (f.CrossedTerminals("X12.1f", "X12.2"),
         "X12.1f is not a wired cavity of street-sweeper. Did you mean X12.1?"),
        (f.SensorDrifted("B8", 0.1),
         "B8 is not a potentiometer or pressure sensor of street-sweeper."),
        (f.SensorDeadSpot("B9", (0.1, 0.2)),
         "B9 of street-sweeper has no track that could wear; name a potentiometer."),
        (f.SensorDeadSpot("B12", (0.3, 0.1)),
         "the dead spot of B12 runs from 0.3 to 0.1; give two shares of its travel between 0 and 1, the smaller "
         "first."),
        (f.DrawnOnWrongSplice("W13", "SP77"),
         "SP77 is not a splice of street-sweeper. Did you mean SP7?"),
        (f.DrawnOnWrongSplice("W12b", "SP3"),
         "wire W12b is not drawn at a splice but at X11.1m; name a wire that is."),
        (f.DrawnOnWrongSplice("X12.1", "SP3"),
         "X12.1 is not a wire of street-sweeper."),
        (f.SpliceNotDrawn("W13", "X12.1"),
         "X12.1 is not a wire of street-sweeper."),
        (f.SpliceNotDrawn("W13", "W13"),
         "W13 cannot start from itself; name the wire it really starts from."),
        (f.ShortBetweenWires("W14", "W14", 0.5),
         "W14 cannot touch itself; name another wire that it touches."),
        (f.ShortToGround("W14", 0.5, 1.5),
         "1.5 is not a place along W14; give a share of its length between 0 and 1."),
        (f.HighResistance("W144", 5.0),
         "W144 is not a wire or a cavity of street-sweeper. Did you mean W14?"),
    ],
)  # fmt: skip
def test_errors(fault, sentence):
    with pytest.raises(CircuitError) as caught:
        SWEEPER.with_fault(fault)
    assert str(caught.value) == sentence


def test_a_cavity_opens_once():
    broken = SWEEPER.with_fault(f.Open("X12.2"))
    with pytest.raises(CircuitError) as caught:
        broken.with_fault(f.HighResistance("X12.2", 5.0))
    assert str(caught.value) == "the terminals of X12.2 do not touch already; put the second fault at another place."
    assert broken.all(Core) == SWEEPER.all(Core)
