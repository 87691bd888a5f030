"""Published values for sensor supplies, inputs, contacts and trouble codes, each with its source beside it.

Component limits are from makers' datasheets with the brand kept out. "From memory" means not seen at all.
"""

import pytest
from everyfault import machines

from casekit.circuit.network import Network
from casekit.circuit.operating_point import operating_point, solve
from casekit.files.codes import FROM_MEMORY, TITLES
from casekit.machine import faults
from casekit.machine.harness import Battery, Contact
from casekit.machine.intermittent import CLEAR_MM
from casekit.machine.law import Resistor, Source
from casekit.machine.program import SUPPLY_S, SUPPLY_V
from casekit.machine.sensors import InductivePickup, Thermistor
from casekit.machine.state import State
from casekit.machine.unit import Input, Supply

pytestmark = pytest.mark.reference

ON = State("on")
SUPPLIES = [(m.name, s) for m in machines() for s in m.all(Supply)]


def every_supply(test):
    """Run a test on every supply of every machine."""
    return pytest.mark.parametrize(("machine", "supply"), SUPPLIES, ids=[f"{m} {s.name}" for m, s in SUPPLIES])(test)


def alone(supply: Supply, rail_v: float, load_ohm: float | None = None, fed_v: float | None = None):
    """A supply on a rail of its own, with a load or fed from outside at its first pin."""
    parts = [
        Source("rail", "A1.rail", "0", rail_v, 0.0),
        Resistor("ground", "A1.gnd", "0", 0.0),
        *supply.elements(ON),
    ]
    if load_ohm is not None:
        parts.append(Resistor("load", supply.pins[0], "0", load_ohm))
    if fed_v is not None:
        parts.append(Source("outside", supply.pins[0], "0", fed_v, 0.0))
    return operating_point(Network(parts, "0"))


# Sensor supplies -------------------------------------------------------------------------------------------------


@every_supply
def test_set_point(machine, supply):
    """A fixed 5 V regulator keeps 5 V within 2 % (datasheet, Oct 2008); a tracking regulator follows its reference
    within 6 mV, 0.12 % (product pages, 300 mA part). Ours, 1 %, lie between."""
    assert supply.nominal_v == 5.0
    assert 0.006 / 5.0 <= supply.tolerance <= 0.02
    assert alone(supply, 12.0, 1e6).volts(supply.inside) == pytest.approx(5.0, rel=0.02)


@every_supply
def test_current_limit(machine, supply):
    """A 200 mA class tracking regulator limits at 251 min, 400 typ, 600 max mA (datasheet rev 1.2, Nov 2009); a 150 mA
    part must give 150 mA (datasheet, Oct 2008). Ours lie from the smaller part's rating to the larger one's maximum."""
    short = alone(supply, 12.0, 1.0)
    assert 0.150 <= supply.limit_a <= 0.600
    assert short.amps("load") <= supply.limit_a * 1.001
    assert short.piece(f"supply {supply.name}") in ("current limit", "foldback")


def test_current_limits_of_the_sweeper():
    """Its larger supply lies inside the published range of 251 to 600 mA, its smaller one (220 mA) an eighth below."""
    limit_a = {s.name: s.limit_a for name, s in SUPPLIES if name == "street-sweeper"}
    assert 0.251 <= limit_a["V2"] <= 0.600
    assert limit_a["V1"] == pytest.approx(0.251, rel=0.125)


@every_supply
def test_dropout(machine, supply):
    """Dropout of a 200 mA class tracking regulator: 280 typ, 600 max mV at 200 mA (datasheet, Nov 2009)."""
    amps = min(0.2, 0.9 * supply.limit_a)
    op = alone(supply, 4.9, 4.4 / amps)
    assert op.piece(f"supply {supply.name}") == "dropout"
    assert 0.280 <= 4.9 - op.volts(supply.inside) <= 0.600


@every_supply
def test_reverse_feed_is_blocked(machine, supply):
    """Output shorted to 16 V with the input at 0 V: 5.5 typ, 10 max mA flow in (datasheet, Nov 2009); back-to-back
    transistors stop the rest (product pages of two makers). Ours take only what the feedback divider takes."""
    op = alone(supply, 0.0, fed_v=16.0)
    assert 0.0 < -op.amps("outside") <= 0.010
    assert op.amps(f"supply {supply.name}") == 0.0
    assert op.piece(f"supply {supply.name}") == "shut"
    assert abs(op.volts("A1.rail")) < 1e-9


@pytest.mark.parametrize("machine", machines(), ids=lambda m: m.name)
def test_a_short_to_battery_does_not_wake_the_unit(machine):
    """Blocked on the whole machine too: with the key off and a supply wire on battery, the supply stands near battery
    voltage and the unit's own feed stays dead (what off-board supplies are specified to survive; product pages)."""
    supply = machine.all(Supply)[0]
    sick = machine.with_fault(faults.ShortToBattery(supply.pins[0][:-1], 1.0))
    op = solve(sick, State("off"))
    assert op.volts(supply.inside) > 0.9 * machine.all(Battery)[0].rest_v
    assert abs(op.volts("A1.rail")) < 0.3


@pytest.mark.parametrize("machine", machines(), ids=lambda m: m.name)
def test_no_battery_is_beyond_the_parts(machine):
    """Those parts operate to 42 V and stand 45 V (product pages and a 2019 datasheet); a 24 V system charges below."""
    assert machine.all(Battery)[0].run_v < 42.0


# Inputs and contacts ---------------------------------------------------------------------------------------------


def unit_input(pull_ohm: float, r_ohm: float):
    """An input with a pull-up to 5 V and a resistor from its pin to ground."""
    return operating_point(
        Network(
            (
                Source("E", "A1.vcc", "0", 5.0, 0.0),
                Resistor("ground", "A1.gnd", "0", 0.0),
                Resistor("outside", "pin", "0", r_ohm),
                *Input("input", "A1", "pin", pull_ohm, True, 10_000.0).elements(ON),
            ),
            "0",
        )
    )


@pytest.mark.parametrize(("ohms", "volts"), [(100_700, 4.879), (2238, 2.367), (177, 0.332)])
def test_thermistor_on_its_pull_up(ohms, volts):
    """5 V through 2.49 kohm into a thermistor of -40, 30 and 99 C: resistances from open-source control unit notes,
    voltages derived. Inside, behind the filter, the same."""
    op = unit_input(2490.0, float(ohms))
    assert op.volts("pin") == pytest.approx(volts, abs=0.001)
    assert op.volts("input inside") == pytest.approx(volts, abs=0.001)


def test_a_pull_up_into_a_dead_short():
    """5 V through 1 kohm into a dead short: 5 mA, 25 mW (Ohm's law)."""
    op = unit_input(1000.0, 0.0)
    assert -op.amps("input pull") == pytest.approx(5e-3, rel=1e-9)
    assert op.drop("input pull") * op.amps("input pull") == pytest.approx(25e-3, rel=1e-9)


@pytest.mark.parametrize("machine", machines(), ids=lambda m: m.name)
def test_pull_resistors_are_as_met_in_the_field(machine):
    """Thermistor pull-ups of 1.0, 2.49, 4.6 and 10 kohm (vehicle data, open-source control unit notes); 10 kohm
    pull-downs at the inputs of an inductive pick-up (one control unit's manual)."""
    pulls = {i.inside: i for i in machine.all(Input)}
    pickups = {p.name for p in machine.all(InductivePickup)}
    for channel in machine.program.channels:
        if channel.kind in ("ntc", "platinum"):
            assert channel.pull_ohm in (1000.0, 2490.0, 4600.0, 10_000.0)
            assert pulls[channel.node].pull_up
        elif channel.sensor in pickups:
            assert pulls[channel.node].pull_ohm == 10_000.0
            assert not pulls[channel.node].pull_up
    assert pickups
    assert machine.all(Thermistor)


def test_healthy_contacts_stay_below_the_failure_mark():
    """One fretting test counts a contact as failed at 100 mohm above its static resistance (a page quoting a
    laboratory; a weak source). The contacts of forty individuals of every machine stay below it."""
    for machine in machines():
        drawn = {c.name: c.r_ohm for c in machine.all(Contact)}
        for seed in range(40):
            for contact in machine.as_built(seed).all(Contact):
                assert contact.r_ohm < drawn[contact.name] + 0.100


def test_touching_is_of_the_size_of_fretting():
    """Displacement in connector fretting: a few um up to 100 um (Electrical Contacts, 2nd ed., 7.3)."""
    assert 0.002 < CLEAR_MM < 0.100


# Trouble codes ---------------------------------------------------------------------------------------------------

LOW_HIGH = ("Low", "High")
# SAE J2012 / ISO 15031-6 titles as in a complete generic list in a public repository, most of them in a second one too.
PUBLISHED = {
    ("P0641", "P0642", "P0643"): ('Sensor Reference Voltage "A" Circuit', ("/Open", *LOW_HIGH)),
    ("P0651", "P0652", "P0653"): ('Sensor Reference Voltage "B" Circuit', ("/Open", *LOW_HIGH)),
    ("P0697", "P0698", "P0699"): ('Sensor Reference Voltage "C" Circuit', ("/Open", *LOW_HIGH)),
    ("P06A3", "P06A4", "P06A5"): ('Sensor Reference Voltage "D" Circuit', ("/Open", *LOW_HIGH)),
    ("P06A6",): ('Sensor Reference Voltage "A" Circuit', ("Range/Performance",)),
    ("P06A7",): ('Sensor Reference Voltage "B" Circuit', ("Range/Performance",)),
    ("P06A8",): ('Sensor Reference Voltage "C" Circuit', ("Range/Performance",)),
    ("P0106", "P0107", "P0108"): (
        "Manifold Absolute Pressure/Barometric Pressure Circuit", ("Range/Performance", *LOW_HIGH)),
    ("P0112", "P0113"): ("Intake Air Temp", LOW_HIGH),
    ("P0117", "P0118"): ("Engine Coolant Temp", LOW_HIGH),
    ("P0121", "P0122", "P0123"): ('Throttle/Pedal Position Sensor/Switch "A"', ("Range/Performance", *LOW_HIGH)),
    ("P0221", "P0222", "P0223"): ('Throttle/Pedal Position Sensor/Switch "B"', ("Range/Performance", *LOW_HIGH)),
    ("P2135",): ('Throttle/Pedal Position Sensor/Switch "A"/"B"', ("Voltage Correlation",)),
    ("P2138",): ('Throttle/Pedal Position Sensor/Switch "D"/"E"', ("Voltage Correlation",)),
    ("P2122", "P2123"): ('Throttle/Pedal Position Sensor/Switch "D"', LOW_HIGH),
    ("P2127", "P2128"): ('Throttle/Pedal Position Sensor/Switch "E"', LOW_HIGH),
    ("P0190", "P0191", "P0192", "P0193"): (
        'Fuel Rail Pressure Sensor "A" Circuit', ("", "Range/Performance", *LOW_HIGH)),
    ("P0530", "P0531", "P0532", "P0533"): (
        'A/C Refrigerant Pressure Sensor "A" Circuit', ("", "Range/Performance", *LOW_HIGH)),
    ("P0335", "P0336", "P0337", "P0338"): (
        'Crankshaft Position Sensor "A" Circuit', ("", "Range/Performance", *LOW_HIGH)),
    ("P0340", "P0341", "P0342", "P0343"): (
        'Camshaft Position Sensor "A" Circuit', ("(Bank 1)", "Range/Performance", *LOW_HIGH)),
    ("P0016",): ("Crankshaft Position - Camshaft Position Correlation", ("(Bank 1 Sensor A)",)),
    ("P0522", "P0523"): ("Engine Oil Pressure Sensor/Switch Circuit", LOW_HIGH),
    ("P0560", "P0562", "P0563"): ("System Voltage", ("", *LOW_HIGH)),
}  # fmt: skip


@pytest.mark.parametrize(
    ("code", "begins", "word"),
    [(code, begins, word) for codes, (begins, words) in PUBLISHED.items()
     for code, word in zip(codes, words, strict=True)],
)  # fmt: skip
def test_titles(code, begins, word):
    """Number and words; a title without a word of its own says neither range, low nor high."""
    title = TITLES[code]
    assert title.startswith(begins)
    rest = title.removeprefix(begins)
    assert word in rest
    others = {"Range/Performance", "Low", "High", "/Open", "Voltage Correlation"} - {word}
    assert not [other for other in others if other in rest]


def test_the_shifted_list_was_not_used():
    """A widely copied list is shifted by a row from about P0190 on: it calls P0190 a fuel temperature sensor."""
    assert "Fuel Temperature" not in TITLES["P0190"]
    assert not [title for title in TITLES.values() if "Fuel Temperature" in title or "Intermittent" in title]


def test_titles_from_memory_are_named():
    """P06A4, P06A6, the pedal's D and E titles (and the exhaust temperature's) were not seen in any list."""
    assert sorted(FROM_MEMORY) == ["P0545", "P0546", "P06A4", "P06A6", "P2122", "P2123", "P2127", "P2128"]
    seen = {code for codes in PUBLISHED for code in codes}
    assert set(TITLES) - seen == {"P0545", "P0546"}


def test_detection_limits():
    """One vehicle maker sets its 5 V reference codes at 4.6 V or less and 5.4 V or more for 2 s (OBD description,
    2007/2008)."""
    assert SUPPLY_V == (4.6, 5.4)
    assert SUPPLY_S == 2.0
    channels = [c for m in machines() for c in m.program.channels if c.kind == "supply"]
    assert all((c.limits_v, c.debounce_s) == ((4.6, 5.4), 2.0) for c in channels)
