"""Published values for copper and circuits, each with its source beside it; the published number stands in the assert.

Sensors and converters are in test_handbook_sensors.py, supplies, inputs and codes in test_handbook_unit.py.
"Seen on a page reproducing it" means the standard or table itself was not at hand. "From memory" means not seen at all.
"""

import networkx as nx
import numpy as np
import pytest
from everyfault import machines

from casekit.circuit.network import Network
from casekit.circuit.operating_point import operating_point, solve
from casekit.machine.harness import ALPHA_20, RHO_20, Contact, Path, Wire
from casekit.machine.law import Resistor, Source
from casekit.machine.state import State

pytestmark = pytest.mark.reference

FOOT_1000_M = 304.8
OFF = State("off")


def network(*elements):
    return operating_point(Network(elements, "0"))


# Copper ----------------------------------------------------------------------------------------------------------


def awg_mm(gauge: int) -> float:
    """ASTM B258 diameter law (formula from memory; its ends, 0.0050 in and 0.4600 in, seen in printed tables)."""
    return 0.127 * 92 ** ((36 - gauge) / 39)


@pytest.mark.parametrize(("gauge", "mm"), [(0, 8.252), (12, 2.053), (14, 1.628)])  # OpenStax College Physics 2e ch. 20
def test_gauge_diameters(gauge, mm):
    assert awg_mm(gauge) == pytest.approx(mm, abs=0.001)


@pytest.mark.parametrize(
    ("gauge", "ohms", "tolerance"),
    [
        (14, {0: 2.327, 20: 2.525, 50: 2.823, 75: 3.071}, 0.0006),
        (16, {0: 3.700, 20: 4.016, 50: 4.489, 75: 4.884}, 0.0006),
        (18, {0: 5.883, 20: 6.385, 50: 7.138, 75: 7.765}, 0.0006),
        (20, {0: 9.355, 20: 10.15, 50: 11.35, 75: 12.35}, 0.006),
    ],
)
def test_copper_wire_tables(gauge, ohms, tolerance):
    """Smithsonian Physical Tables, 9th ed. 1954, Table 420, ohm per 1000 ft (seen on a page reproducing it)."""
    area = np.pi / 4 * awg_mm(gauge) ** 2
    for temp_c, expected in ohms.items():
        wire = Wire("W", "a", "b", FOOT_1000_M, area, temp_c=temp_c, stranding=1.0)
        assert wire.r_ohm == pytest.approx(expected, abs=tolerance)


@pytest.mark.parametrize(("gauge", "expected"), [(22, 16.14), (24, 25.67)])
def test_thin_copper(gauge, expected):
    """Ohm per 1000 ft at 20 C, textbook wire table (seen on a page reproducing it)."""
    wire = Wire("W", "a", "b", FOOT_1000_M, np.pi / 4 * awg_mm(gauge) ** 2, stranding=1.0)
    assert wire.r_ohm == pytest.approx(expected, abs=0.006)


@pytest.mark.parametrize(
    ("gauge", "expected"), [(14, 8.2855), (16, 13.1745), (18, 20.948), (20, 33.309), (22, 52.963), (24, 84.215)]
)
def test_copper_per_kilometre(gauge, expected):
    """The same law in ohm/km at 20 C, derived from IEC 60028 and the gauge law."""
    wire = Wire("W", "a", "b", 1000.0, np.pi / 4 * awg_mm(gauge) ** 2, stranding=1.0)
    assert wire.r_ohm == pytest.approx(expected, rel=1e-4)


def test_standard_annealed_copper():
    """IEC 60028:1925: 58 MS/m and 0.00393 /K at 20 C (seen on pages reproducing it)."""
    assert pytest.approx(58.0) == 1 / RHO_20
    assert ALPHA_20 == 0.00393


@pytest.mark.parametrize(("area", "limit"), [(0.5, 39.0), (0.75, 26.0), (1.0, 19.5), (1.5, 13.3), (2.5, 7.98)])
def test_stranded_wire_reaches_the_class_5_limit(area, limit):
    """IEC 60228:2004 Table 3, class 5 plain copper, ohm/km at 20 C (three pages reproducing it agree).

    One factor, 1.13, stands for all sizes: it meets 0.5, 0.75 and 1 mm2 to 0.2 % and is up to 2.4 % below the limit
    for 1.5 and 2.5 mm2, where the standard allows more.
    """
    made = Wire("W", "a", "b", 1000.0, area).r_ohm
    assert made <= limit * 1.002
    assert made == pytest.approx(limit, rel=0.025)


@pytest.mark.parametrize(
    ("temp_c", "factor"),
    [(5, 1.064), (10, 1.042), (15, 1.020), (25, 0.980), (30, 0.962), (50, 0.893), (90, 0.781), (100, 0.758)],
)
def test_cable_temperature_factors(temp_c, factor):
    """IEC 60228 correction factors to 20 C (seen on a page reproducing them).

    Kept visible: the standard's factors follow 250/(230 + T), ours 0.00393 /K; they part by up to 0.003 at 90 C.
    """
    ours = 1 / (1 + ALPHA_20 * (temp_c - 20))
    assert factor == pytest.approx(250 / (230 + temp_c), abs=0.0006)
    assert ours == pytest.approx(factor, abs=0.0035)


# Circuits --------------------------------------------------------------------------------------------------------


def test_unbalanced_bridge():
    """Lessons in Electric Circuits vol. I ch. 10: 24 V; 150, 50, 100, 300, 250 ohm."""
    op = network(
        Source("E", "1", "0", 24.0, 0.0),
        Resistor("R1", "1", "2", 150.0),
        Resistor("R2", "1", "3", 50.0),
        Resistor("R3", "2", "3", 100.0),
        Resistor("R4", "2", "0", 300.0),
        Resistor("R5", "3", "0", 250.0),
    )
    assert op.volts("2") == pytest.approx(17.655, abs=1e-3)
    assert op.volts("3") == pytest.approx(19.310, abs=1e-3)
    assert op.drop("R1") == pytest.approx(6.345, abs=1e-3)
    assert op.drop("R2") == pytest.approx(4.690, abs=1e-3)
    assert op.drop("R3") == pytest.approx(-1.655, abs=1e-3)
    assert -op.amps("E") == pytest.approx(0.136092, abs=1e-6)


def test_second_bridge():
    """Lessons in Electric Circuits vol. I ch. 10, delta-Y example: 10 V; 12, 18, 6, 18, 12 ohm."""
    op = network(
        Source("E", "1", "0", 10.0, 0.0),
        Resistor("R1", "1", "2", 12.0),
        Resistor("R2", "1", "3", 18.0),
        Resistor("R3", "2", "3", 6.0),
        Resistor("R4", "2", "0", 18.0),
        Resistor("R5", "3", "0", 12.0),
    )
    assert op.drop("R1") == pytest.approx(4.706, abs=5e-4)
    assert op.drop("R2") == pytest.approx(5.294, abs=5e-4)
    assert op.drop("R3") == pytest.approx(0.5882, abs=5e-4)
    assert op.volts("2") == pytest.approx(5.294, abs=5e-4)
    assert op.volts("3") == pytest.approx(4.706, abs=5e-4)


def two_sources(load_ohm: float | None = 2.0):
    parts = [
        Source("B1", "p", "0", 28.0, 0.0),
        Resistor("R1", "p", "2", 4.0),
        Source("B2", "q", "0", 7.0, 0.0),
        Resistor("R3", "q", "2", 1.0),
    ]
    return network(*parts, *([Resistor("R2", "2", "0", load_ohm)] if load_ohm is not None else []))


def test_two_sources():
    """Lessons in Electric Circuits vol. I ch. 10: 28 V behind 4 ohm, 7 V behind 1 ohm, 2 ohm between."""
    op = two_sources()
    assert op.volts("2") == pytest.approx(8.0, abs=1e-9)
    assert [op.drop(r) for r in ("R1", "R2", "R3")] == pytest.approx([20.0, 8.0, -1.0], abs=1e-9)
    assert [op.amps(r) for r in ("R1", "R2", "R3")] == pytest.approx([5.0, 4.0, -1.0], abs=1e-9)


def test_thevenin_and_norton():
    """Lessons in Electric Circuits vol. I ch. 10, the same seen from the load: 11.2 V, 0.8 ohm, 14 A, 39.2 W."""
    open_, short, matched = two_sources(None), two_sources(0.0), two_sources(0.8)
    assert open_.volts("2") == pytest.approx(11.2, abs=1e-6)
    assert short.amps("R2") == pytest.approx(14.0, abs=1e-6)
    assert open_.volts("2") / short.amps("R2") == pytest.approx(0.8, abs=1e-6)
    assert matched.volts("2") * matched.amps("R2") == pytest.approx(39.2, abs=1e-6)


def test_series_parallel():
    """Lessons in Electric Circuits vol. I ch. 7: 24 V; (100 || 250) + (350 || 200) ohm."""
    op = network(
        Source("E", "1", "0", 24.0, 0.0),
        Resistor("R1", "1", "2", 100.0),
        Resistor("R2", "1", "2", 250.0),
        Resistor("R3", "2", "0", 350.0),
        Resistor("R4", "2", "0", 200.0),
    )
    assert -op.amps("E") == pytest.approx(0.12078, abs=5e-6)
    assert 24.0 / -op.amps("E") == pytest.approx(198.70, abs=0.005)


def test_wire_resistance_in_series():
    """OpenStax College Physics 2e ch. 21.1: 12.0 V, 1.00 ohm of wire, 6.00 || 13.0 ohm."""
    op = network(
        Source("E", "1", "0", 12.0, 0.0),
        Resistor("R1", "1", "2", 1.0),
        Resistor("R2", "2", "0", 6.0),
        Resistor("R3", "2", "0", 13.0),
    )
    assert -op.amps("E") == pytest.approx(2.35, abs=0.005)
    assert 12.0 / -op.amps("E") == pytest.approx(5.11, abs=0.005)
    assert op.drop("R1") == pytest.approx(2.35, abs=0.005)
    assert op.volts("2") == pytest.approx(9.65, abs=0.005)
    assert op.amps("R2") == pytest.approx(1.61, abs=0.005)
    assert op.drop("R2") * op.amps("R2") == pytest.approx(15.5, abs=0.05)


def test_a_voltmeter_loads_a_high_resistance_divider():
    """Lessons in Electric Circuits vol. I ch. 8: 24 V over 2 x 250 Mohm, a 10 Mohm meter reads 0.8889 V, not 12 V."""
    op = network(
        Source("E", "1", "0", 24.0, 0.0),
        Resistor("R1", "1", "2", 250e6),
        Resistor("R2", "2", "0", 250e6),
        Resistor("meter", "2", "0", 1e7),
    )
    assert op.volts("2") == pytest.approx(0.8889, abs=1e-4)
    assert op.drop("R1") == pytest.approx(23.1111, abs=1e-4)
    # 10 Mohm is the input resistance of an inexpensive digital voltmeter (OpenStax University Physics 2 ch. 10.4).


def test_loaded_voltage_divider():
    """NEETS module 1 ch. 3 (a page repeating it): 190.5 V over 75, 500, 1500 ohm with 100 mA and 210 mA drawn gives
    165 V and 45 V. The loads are written as resistors of 165 V / 100 mA and 45 V / 210 mA."""
    op = network(
        Source("E", "1", "0", 190.5, 0.0),
        Resistor("R3", "1", "2", 75.0),
        Resistor("R2", "2", "3", 500.0),
        Resistor("R1", "3", "0", 1500.0),
        Resistor("load 2", "2", "0", 165.0 / 0.100),
        Resistor("load 1", "3", "0", 45.0 / 0.210),
    )
    assert op.volts("2") == pytest.approx(165.0, abs=1e-6)
    assert op.volts("3") == pytest.approx(45.0, abs=1e-6)
    assert op.amps("R1") == pytest.approx(0.030, abs=1e-9)
    assert -op.amps("E") == pytest.approx(0.340, abs=1e-9)


# networkx --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("machine", machines(), ids=lambda m: m.name)
def test_copper_against_networkx(machine, finding):
    """networkx.resistance_distance on the wires, contacts and bolts of every machine, with a mesh added in it."""
    parts = [p for p in machine.parts if isinstance(p, (Wire, Contact, Path)) and p.r_ohm > 0]
    extra = [Path("stray 1", "B1.1", "B9.1", 0.35), Path("stray 2", "B2.3", "B7.3", 1.7)]
    extra = [p for p in extra if p.a in machine.reachable(OFF) and p.b in machine.reachable(OFF)]
    copper = nx.Graph()
    for part in (*parts, *extra):
        copper.add_edge(part.a, part.b, r=part.r_ohm)
    worst, count = 0.0, 0
    for nodes in nx.connected_components(copper):
        ends = sorted(nodes)[:: max(1, len(nodes) // 5)]
        net = copper.subgraph(nodes)
        inside = [p for p in (*parts, *extra) if p.a in nodes]
        for red in ends[1:]:
            expected = nx.resistance_distance(net, red, ends[0], weight="r", invert_weight=True)
            elements = [Resistor(p.name, p.a, p.b, p.r_ohm) for p in inside]
            op = operating_point(Network([*elements, Source("test", red, ends[0], 1.0, 0.0)], ends[0]))
            ours = 1.0 / -op.amps("test")
            worst, count = max(worst, abs(ours / expected - 1)), count + 1
            assert ours == pytest.approx(expected, rel=1e-9)
    finding(f"networkx: {count} resistances on {machine.name}, worst deviation {worst:.1e}")


def test_harness_drop_by_hand():
    """9 mA through 1.8 m of 0.5 mm2 (39.0 ohm/km, IEC 60228 class 5) is 0.63 mV: the sweeper's front return wire."""
    sweeper = next(m for m in machines() if m.name == "street-sweeper")
    op = solve(sweeper, State("on"))
    assert -op.drop("W22a") == pytest.approx(0.009 * 1.8 * 0.0390, rel=0.01)
