"""The solver's own promises: pieces, opens, floating points, singular and unstable networks."""

import pytest

from casekit import CircuitError
from casekit.circuit.mean import average, only, points
from casekit.circuit.network import Network
from casekit.circuit.operating_point import Unstable, operating_point, solve
from casekit.files.library import machine_file
from casekit.machine.drawn import drawn
from casekit.machine.faults import HighResistance, Open, ShortBetweenWires, ShortToGround, SupplyDead
from casekit.machine.harness import Wire
from casekit.machine.law import Cap, Capacitor, Resistor, Source, Valve
from casekit.machine.state import State
from casekit.machine.unit import regulator_caps


@pytest.fixture(scope="module")
def sweeper():
    return drawn(machine_file("street-sweeper"))


def supply(load_ohm: float, rail_v: float = 12.0, short_a: float | None = None, backfeed_v: float | None = None):
    """A 5 V, 0.25 A regulator with 0.05 ohm, 0.4 V dropout behind 0.5 ohm, on one load."""
    parts = [
        Source("battery", "rail", "0", rail_v, 1e-3),
        Valve("regulator", "rail", "out", regulator_caps("rail", "out", "0", 5.0, 0.05, 0.4, 0.25, short_a)),
        Resistor("load", "out", "0", load_ohm),
    ]
    if backfeed_v is not None:
        parts.append(Source("stray", "out", "0", backfeed_v, 1.0))
    return operating_point(Network(parts, "0"))


def test_regulating():
    """5 V behind 0.05 ohm into 50 ohm: the divider rule."""
    op = supply(50.0)
    assert op.volts("out") == pytest.approx(5.0 * 50 / 50.05, abs=1e-9)
    assert op.piece("regulator") == "regulating"


def test_current_limit_times_resistance():
    """A shorted supply does not read zero: limit times resistance."""
    op = supply(0.8)
    assert op.volts("out") == pytest.approx(0.25 * 0.8, abs=1e-9)
    assert op.piece("regulator") == "current limit"


def test_foldback_gives_less_into_a_short():
    """Foldback line I = 0.1 + (0.25 - 0.1) V / 5 on R = 2 ohm: V = 0.1 R / (1 - 0.03 R)."""
    op = supply(2.0, short_a=0.1)
    assert op.volts("out") == pytest.approx(0.2 / 0.94, abs=1e-9)
    assert op.piece("regulator") == "foldback"


def test_dropout_follows_the_input():
    """With 4 V in, out = (4 - 0.4) on 50 ohm behind 0.5 ohm (and 1 mohm of battery)."""
    op = supply(50.0, rail_v=4.0)
    assert op.volts("out") == pytest.approx(3.6 * 50 / 50.501, abs=1e-9)
    assert op.piece("regulator") == "dropout"


def test_reverse_feed_is_blocked():
    """Fed from outside with 9 V behind 1 ohm, the regulator takes nothing: the load divider alone decides."""
    op = supply(50.0, backfeed_v=9.0)
    assert op.volts("out") == pytest.approx(9.0 * 50 / 51, abs=1e-9)
    assert op.amps("regulator") == 0.0
    assert op.piece("regulator") == "shut"


def test_an_open_is_a_change_of_topology(sweeper):
    """Behind an exact open the loaded reading is zero, not the leak of a large resistor."""
    broken = sweeper.with_fault(Open("W42"))
    assert "W42" not in {e.name for e in broken.elements(State("on"))}
    read = solve(broken, State("on"), [Resistor("meter", "B9.1", "G1.-", 1e7)]).volts("B9.1")
    assert abs(read) < 1e-6


def test_capacitors_carry_nothing_at_rest(sweeper):
    """They stand in the machine and not in its dc network: the same currents with and without them."""
    elements = tuple(sweeper.elements(State("on")))
    capacitors = [el for el in elements if isinstance(el, Capacitor)]
    assert len(capacitors) == 2 + 14  # supplies and inputs
    network = Network(elements, sweeper.earth)
    assert not [el for el in network.elements if isinstance(el, Capacitor)]
    with pytest.raises(KeyError):
        operating_point(network).amps(capacitors[0].name)
    between = Capacitor("between", "a", "b", 1e-6)
    op = operating_point(Network([Source("E", "a", "0", 5.0, 0.0), Resistor("R", "b", "0", 1e3), between], "0"))
    assert op.amps("R") == 0.0
    assert op.volts("a", "b") == 5.0


def test_a_mean_is_taken_over_the_phases_of_the_wheels(sweeper):
    """The fan's wheel is half tooth: its open collector pulls to 25 ohm / 2.2 kohm of 5 V for half of the time."""
    state = State("run")
    low = 5.0 * 25 / 2225
    found = points(only(sweeper), state)
    assert average(found, lambda p: p.volts("X1.13", "A1.gnd")) == pytest.approx((5.0 + low) / 2, abs=0.01)
    assert sum(share for share, _ in found) == pytest.approx(1.0)


def test_a_mean_of_a_supply_that_retries():
    """V1 of the telehandler, shorted: 0.18 A for 20 ms in every 220 ms, so a meter shows an eleventh of limit times
    resistance."""
    telehandler = drawn(machine_file("telehandler"))
    sick = telehandler.with_fault(ShortToGround("X1.5", 5.0))
    found = points(only(sick), State("on"))
    (wire,) = [el for el in sick.elements(State("on")) if el.name == "short to ground X1.5"]
    amps = average(found, lambda p: p.amps(wire.name))
    assert amps == pytest.approx(0.18 * 0.020 / 0.220, rel=0.1)  # the sensors take a little of it
    assert average(found, lambda p: p.volts("A1.V2", "A1.gnd")) == pytest.approx(5.0, abs=0.01)


def test_floating_point_reads_zero(sweeper):
    """The pins of an unplugged sensor float; through 10 Mohm they show nothing."""
    state = State("on", frozenset({"B2"}))
    read = solve(sweeper, state, [Resistor("meter", "B2.2m", "G1.-", 1e7)]).volts("B2.2m")
    assert abs(read) < 1e-9


def test_singular_network_names_the_parts():
    """Two ideal sources in parallel."""
    parts = [Source("E1", "a", "0", 5.0, 0.0), Source("E2", "a", "0", 4.0, 0.0), Resistor("R1", "a", "0", 10.0)]
    with pytest.raises(CircuitError) as caught:
        operating_point(Network(parts, "0"))
    assert str(caught.value) == (
        "the circuit around E1, E2 has no single solution; look for a loop of parts without resistance or two sources "
        "tied together."
    )


def test_two_elements_of_one_name():
    with pytest.raises(CircuitError) as caught:
        Network([Resistor("R1", "a", "0", 1.0), Resistor("R1", "a", "0", 2.0)], "0")
    assert str(caught.value) == "two elements are called R1; give each part its own name."


def test_hall_switch_that_starves_its_own_supply(sweeper):
    """Output shorted to its own supply behind a corroded feed: on, it pulls its supply under brown-out; off, it comes
    back. No steady state exists, and none is made up."""
    sick = sweeper.with_fault(HighResistance("W17", 80.0, at=0.2))
    sick = sick.with_fault(ShortBetweenWires("W17", "W33b", 0.0, at=0.9, at_to=0.9))
    with pytest.raises(Unstable) as caught:
        solve(sick, State("on"))
    assert str(caught.value) == (
        "no steady state: B4 output takes away the supply it needs, so the circuit keeps switching."
    )


def test_drop_is_current_times_resistance(sweeper):
    """Twelve nanovolts along a signal wire come out as R i."""
    op = solve(sweeper, State("on"))
    wire = sweeper.part("W35", Wire)
    assert op.drop("W35") == wire.r_ohm * op.amps("W35")
    with pytest.raises(CircuitError) as caught:
        op.drop("supply V1")
    assert str(caught.value) == "supply V1 is not a resistor; ask for the volts at its two ends."


def test_a_dead_supply_is_dead_and_the_other_lives(sweeper):
    op = solve(sweeper.with_fault(SupplyDead("V2")), State("on"))
    assert abs(op.volts("X2.5")) < 0.05
    assert op.volts("X1.5") == pytest.approx(5.0, abs=0.05)


def test_caps_read_as_the_law_says():
    """i = max(0, min over caps): a clamp of 0.6 V behind 1 kohm, and a constant limit."""
    parts = [
        Source("E", "a", "0", 5.0, 0.0),
        Valve("clamp", "a", "b", (Cap("clamp", (("a", 1.0), ("b", -1.0)), 1e3, 0.6), Cap.amps("limit", 1e-3))),
        Resistor("R", "b", "0", 100.0),
    ]
    op = operating_point(Network(parts, "0"))
    assert op.amps("clamp") == pytest.approx(1e-3, rel=1e-9)
    assert op.piece("clamp") == "limit"
