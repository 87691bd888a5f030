"""Machines and faults are values; a fault is where it was put, and an individual machine is within tolerance."""

from dataclasses import replace

import pytest
from everyfault import machines, running

from casekit import CircuitError
from casekit.circuit.operating_point import solve
from casekit.files.library import machine_file, names
from casekit.machine import faults
from casekit.machine.drawn import drawn
from casekit.machine.harness import Battery, Contact, Wire
from casekit.machine.machine import Engine
from casekit.machine.sensors import HallSwitch, InductivePickup, Operating, Potentiometer, PressureSensor, Thermistor
from casekit.machine.state import State
from casekit.machine.unit import Supply

every_machine = pytest.mark.parametrize("machine", machines(), ids=lambda m: m.name)


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


def test_every_machine_is_looked_at():
    assert [m.name for m in machines()] == sorted(names("machines"))


@every_machine
def test_every_machine_is_healthy_when_drawn(machine):
    """Every supply stands at its nominal voltage, within 0.02 V, and no regulator limits, cranking among the states."""
    for state in (State("on"), *running(machine)):
        op = solve(machine, state)
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
        "short to ground", "short to battery", "short between wires", "leak between cavities", "open",
        "high resistance", "crossed terminals", "sensor shorted", "sensor drifted", "sensor dead spot", "supply dead",
        "supply weak", "drawn on the wrong splice", "splice not drawn",
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


# The state it is in ----------------------------------------------------------------------------------------------


def test_the_operating_value_of_a_state():
    """Held comes first, then load (only running), then run; with key off and cranking it is as with key on."""
    at = Operating(10.0, 50.0, 70.0, (("boom", 90.0), ("pedal", 20.0)))
    held = {name: frozenset({name}) for name in ("load", "boom", "pedal")}
    assert [at.value(State(key)) for key in ("off", "on", "crank", "run")] == [10.0, 10.0, 10.0, 50.0]
    assert at.value(State("run", held=held["load"])) == 70.0
    assert at.value(State("on", held=held["load"])) == 10.0
    assert at.value(State("on", held=held["boom"])) == 90.0
    assert at.value(State("run", held=held["load"] | held["pedal"])) == 20.0
    assert Operating(10.0, 50.0).value(State("run", held=held["load"])) == 50.0
    assert Operating.fixed(3.0).value(State("run")) == 3.0


def test_a_warm_machine_stays_warm_with_the_engine_stopped():
    at = Operating(16.0, 86.0, 95.0)
    assert [at.degrees(State(key)) for key in ("on", "run")] == [16.0, 16.0]
    assert [at.degrees(State(key, hot=True)) for key in ("off", "on", "crank", "run")] == [86.0] * 4
    assert at.degrees(State("run", held=frozenset({"load"}), hot=True)) == 95.0
    assert at.shifted(2.0) == Operating(18.0, 88.0, 97.0)
    assert Operating(1.0, 2.0, None, (("boom", 3.0),)).shifted(1.0) == Operating(2.0, 3.0, None, (("boom", 4.0),))


@every_machine
def test_what_operations_move_is_written_at_the_sensors(machine):
    """Every operation moves at least one sensor's reading, in the key position it needs."""
    for operation in machine.operations:
        before = State(operation.needs)
        after = replace(before, held=frozenset({operation.name}))
        moved = [
            p.name
            for p in machine.all((Potentiometer, PressureSensor))
            if p.output.share(before) != p.output.share(after)
        ]
        assert moved, operation.name


def test_torque_and_speed_follow_key_and_load():
    """Shares of the largest torque are invented; the engine turns at 200, 800 and 1800 revolutions a minute."""
    loaded = State("run", held=frozenset({"load"}))
    states = [State("off"), State("on"), State("crank"), State("run"), loaded]
    assert [s.torque for s in states] == [0.0, 0.0, 0.6, 0.25, 1.0]
    assert [s.turning for s in states] == [False, False, True, True, True]
    assert [Engine().rpm(s) for s in states] == [0.0, 0.0, 200.0, 800.0, 1800.0]


def test_a_state_in_words():
    state = State("run", frozenset({"X12", "B4"}), held=frozenset({"load", "boom"}), hot=True,
                  joined=frozenset({("X1.5", "B1.1")}))  # fmt: skip
    assert str(state) == "key run, boom, load, warm, X1.5 joined to B1.1, B4, X12 unplugged"
    assert str(State()) == "key off"


@every_machine
def test_phases_share_the_time_of_a_turn(machine):
    """Every Hall switch faces a tooth for the share of its wheel that is tooth; a position switch as it stands."""
    assert machine.phases(State("on")) == ((1.0, State("on")),)
    for key in ("crank", "run"):
        phases = machine.phases(State(key))
        assert sum(weight for weight, _ in phases) == pytest.approx(1.0)
        assert all(0.0 < state.phase < 1.0 for _, state in phases)
        for hall in machine.all(HallSwitch):
            pulls = sum(w for w, state in phases if f"{hall.name} output" in {e.name for e in hall.elements(state)})
            expected = hall.wheel.share if hall.turns else float(hall.target)
            assert pulls == pytest.approx(expected)


@every_machine
def test_the_battery_at_every_key_position(machine):
    """Cranking pulls it between the first dip and rest; the charging system lifts it."""
    (battery,) = machine.all(Battery)
    emf = {key: next(iter(battery.elements(State(key)))).emf_v for key in ("off", "on", "crank", "run")}
    assert emf["off"] == emf["on"] == battery.rest_v
    assert battery.crank_v < emf["crank"] < battery.rest_v <= emf["run"] == battery.run_v
