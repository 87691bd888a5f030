"""Machines and faults are values; a fault is where it was put, and an individual machine is within tolerance."""

import pytest

from casekit import CircuitError
from casekit.circuit.operating_point import solve
from casekit.files.library import machine_file, names
from casekit.machine import faults
from casekit.machine.drawn import drawn
from casekit.machine.harness import Contact, Wire
from casekit.machine.sensors import HallSwitch, InductivePickup, Potentiometer, PressureSensor, Thermistor
from casekit.machine.state import State
from casekit.machine.unit import Supply


@pytest.fixture(scope="module")
def sweeper():
    return drawn(machine_file("street-sweeper"))


def test_the_sweeper_is_what_was_asked_for(sweeper):
    """Twelve sensors on two regulators (one with two pins), at least six splices, four in-line connectors, five
    contact points; the pedal's tracks on different supplies."""
    m = machine_file("street-sweeper")
    assert len(m.sensors) == 12
    assert {n: len(s.pins) for n, s in m.control_unit.supplies.items()} == {"V1": 1, "V2": 2}
    assert len(m.splices) >= 6
    assert len(m.connectors) == 4
    assert len(m.contact_points) == 5
    kinds = {type(p) for p in sweeper.parts}
    assert {Potentiometer, PressureSensor, HallSwitch, Thermistor, InductivePickup} <= kinds
    dead = solve(sweeper.with_fault(faults.SupplyDead("V1")), State("on"))
    assert dead.volts("B5.1") < 0.1
    assert dead.volts("B5.4") > 4.9


@pytest.mark.parametrize("name", names("machines"))
def test_every_machine_is_healthy_when_drawn(name):
    """Every supply stands at its nominal voltage, within 0.02 V, and no regulator limits."""
    machine = drawn(machine_file(name))
    for key in ("on", "run"):
        op = solve(machine, State(key))
        for supply in machine.all(Supply):
            assert op.piece(f"supply {supply.name}") == "regulating"
            for pin in supply.pins:
                assert op.volts(pin, f"{supply.unit}.gnd") == pytest.approx(supply.nominal_v, abs=0.02)


FAULTS = [
    faults.ShortToGround("W14", 0.5, 0.35),
    faults.ShortToBattery("W14", 2.0, 0.35),
    faults.ShortBetweenWires("W14", "W24", 0.5),
    faults.Open("W42"),
    faults.Open("X12.2"),
    faults.HighResistance("X12.2", 55.0),
    faults.HighResistance("W28", 55.0),
    faults.SensorShorted("B12", 1.0),
    faults.SensorShorted("B8", 1.0),
    faults.SupplyDead("V1"),
    faults.SupplyWeak("V2", 0.015),
]


@pytest.mark.parametrize("fault", FAULTS, ids=str)
def test_injecting_returns_a_new_machine(sweeper, fault):
    before = sweeper.parts
    sick = sweeper.with_fault(fault)
    assert sick is not sweeper
    assert sick.parts != before
    assert sweeper.parts is before
    healthy, ill = solve(sweeper, State("on")), solve(sick, State("on"))
    shared = [p for plug in sweeper.plugs for p in plug.harness]
    assert max(abs(healthy.volts(p) - ill.volts(p)) for p in shared) > 0.01


def test_all_kinds_are_named_as_the_trade_does():
    assert faults.KINDS == (
        "short to ground", "short to battery", "short between wires", "open", "high resistance", "sensor shorted",
        "supply dead", "supply weak",
    )  # fmt: skip


def test_two_faults_in_one_wire(sweeper):
    """The second fault finds its own part of the wire that the first has cut."""
    sick = sweeper.with_fault(faults.Open("W14", at=0.2)).with_fault(faults.ShortToGround("W14", 0.5, at=0.7))
    op = solve(sick, State("on"))
    assert op.volts("X1.5") == pytest.approx(5.0, abs=0.05)
    assert abs(op.volts("B12.1")) < 1e-3


def test_position_along_the_wire_matters(sweeper):
    """A short nearer the control unit leaves less resistance in the way: a lower reading at the pin."""
    near, far = (solve(sweeper.with_fault(faults.ShortToGround("W15a", 0.3, at)), State("on")) for at in (0.1, 0.9))
    wire = sweeper.part("W15a", Wire)
    step = far.volts("X1.5") - near.volts("X1.5")
    assert step == pytest.approx(0.22 * 0.8 * wire.r_ohm, rel=0.05)


def test_unplugging_takes_the_contacts_out(sweeper):
    state = State("on", frozenset({"X11"}))
    names_ = {e.name for e in sweeper.elements(state)}
    assert not {c.name for c in sweeper.all(Contact) if c.connector == "X11"} & names_


@pytest.mark.parametrize(
    ("fault", "sentence"),
    [
        (faults.Open("W142"), "W142 is not a wire or a cavity of street-sweeper. Did you mean W14?"),
        (faults.Open("X12.22"), "X12.22 is not a wire or a cavity of street-sweeper. Did you mean X12.2?"),
        (faults.SensorShorted("X12", 1.0), "X12 is not a sensor of street-sweeper. Did you mean B12?"),
        (faults.SupplyDead("V3"), "V3 is not such a part of street-sweeper."),
    ],
)  # fmt: skip
def test_a_fault_needs_a_place(sweeper, fault, sentence):
    with pytest.raises(CircuitError) as caught:
        sweeper.with_fault(fault)
    assert str(caught.value) == sentence


def test_as_built_is_repeatable_and_within_tolerance(sweeper):
    one, again, other = sweeper.as_built(5), sweeper.as_built(5), sweeper.as_built(6)
    assert one.parts == again.parts
    assert one.parts != other.parts
    for seed in range(40):
        for supply in sweeper.as_built(seed).all(Supply):
            assert abs(supply.set_v / supply.nominal_v - 1) <= supply.tolerance


def test_engine_values_follow_the_key(sweeper):
    """Oil pressure comes with the engine; with the key on it stands at 10 % of the supply."""
    on, run = (solve(sweeper, State(key)) for key in ("on", "run"))
    assert on.volts("B9.2", "B9.3") / on.volts("B9.1", "B9.3") == pytest.approx(0.1, abs=0.002)
    assert run.volts("B9.2", "B9.3") / run.volts("B9.1", "B9.3") == pytest.approx(0.1 + 0.8 * 0.36, abs=0.002)
