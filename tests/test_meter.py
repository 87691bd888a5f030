"""The meter: counts, accuracy, loading, ohms with a test current; published arithmetic in the asserts."""

import math
from collections import Counter

import numpy as np
import pytest

from casekit.bench.meter import FUNCTIONS, INPUT_OHM, Function, Meter, Range, loaded_volts
from casekit.bench.reading import Reading
from casekit.circuit.change import NOTHING
from casekit.circuit.mean import only
from casekit.files.library import machine_file
from casekit.machine.drawn import drawn
from casekit.machine.faults import HighResistance, LeakBetweenCavities, Open, ShortBetweenWires, ShortToGround
from casekit.machine.state import State
from casekit.reasoning.observation import observed
from casekit.reasoning.predict import Predictor
from casekit.reasoning.suspect import Suspect

PERFECT = Meter()
OFF, ON = State("off"), State("on")


@pytest.fixture(scope="module")
def sweeper():
    return drawn(machine_file("street-sweeper"))


def test_counts_and_accuracy_of_a_6000_count_meter():
    """Maker-neutral arithmetic: 120 V needs the 600.0 V range, 1 % + 3 counts is 1.5 V."""
    used = Range(600.0, "V", 1, 1)
    assert used.step == pytest.approx(0.1)
    assert Function("volts", "V", (used,), 0.01, 3).half_width(120.0, used) == pytest.approx(1.5)


def test_limits_of_a_displayed_100_volts():
    """Maker-neutral arithmetic: 100.0 V displayed at 0.8 % + 2 counts lies between 99.0 and 101.0 V."""
    used = Range(600.0, "V", 1, 1)
    assert Function("volts", "V", (used,), 0.008, 2).half_width(100.0, used) == pytest.approx(1.0)


def test_standard_uncertainty_is_half_width_over_root_three(sweeper):
    """JCGM 100:2008 4.3.7: a rectangular distribution of half width a has u = a / sqrt(3)."""
    shown = PERFECT.measure(only(sweeper), ON, "volts", "B1.1", "G1.-")
    kind = FUNCTIONS["volts"]
    assert shown.u == pytest.approx(kind.half_width(shown.value, kind.ranges[0]) / math.sqrt(3))
    assert shown.u == pytest.approx((0.003 * 5.0 + 0.002) / math.sqrt(3), rel=0.01)


@pytest.mark.parametrize(
    ("function", "red", "black", "text"),
    [
        ("volts", "B1.1", "G1.-", "5.004 V"),
        ("volts", "G1.-", "B1.1", "−5.004 V"),
        ("volts", "G1.+", "G1.-", "12.59 V"),
        # 9 mA through 1.8 m of 39.0 ohm/km, 24 mA through 0.3 m of 26.0 ohm/km (IEC 60228 class 5, plain).
        ("millivolts", "X11.2f", "X1.6", "0.82 mV"),
        ("millivolts", "B1.2", "G1.-", "508.3 mV"),
        ("millivolts", "B1.1", "G1.-", "OL"),
    ],
)
def test_ranges_and_decimals(sweeper, function, red, black, text):
    """Values of the healthy machine on the range that holds them with 6000 counts; more than that is OL."""
    shown = PERFECT.measure(only(sweeper), ON, function, red, black).text
    assert shown.split(" ")[-1] == text.split(" ")[-1]
    if text != "OL":
        number, expected = (float(t.split(" ")[0].replace("−", "-")) for t in (shown, text))
        assert len(shown) == len(text)
        assert number == pytest.approx(expected, rel=0.05)


def test_individual_meters_stay_inside_their_specification(sweeper):
    """60 meters on the same point differ, and all lie within the stated limits of the true value."""
    true = loaded_volts(only(sweeper), ON, "B1.1", "G1.-")
    kind = FUNCTIONS["volts"]
    seen = [Meter.drawn_by(seed).measure(only(sweeper), ON, "volts", "B1.1", "G1.-").value for seed in range(60)]
    assert len(set(seen)) > 5
    assert all(abs(v - true) <= kind.half_width(true, kind.ranges[0]) for v in seen)


def test_the_meter_loads_the_circuit(sweeper):
    """10 Mohm: between a supply and a point only the meter ties down, the whole voltage is on the meter; and a
    100 kohm pull-down takes its share 10 M / (10 M + 0.1 M) away."""
    apart = State("on", frozenset({"B2"}))
    floating = PERFECT.measure(only(sweeper), apart, "volts", "B2.1", "B2.2m")
    assert abs(floating.value) < 0.01
    share = loaded_volts(only(sweeper), apart, "B2.1", "B2.2") / loaded_volts(only(sweeper), apart, "B2.1", "G1.-")
    assert share == pytest.approx(INPUT_OHM / (INPUT_OHM + 1e5), abs=2e-3)


def test_ohms_on_an_unplugged_sensor(sweeper):
    """5 kohm track end to end; coil 860 ohm; a thermistor at 22 C near 2.3 kohm; two open pins read OL."""
    apart = State("off", frozenset({"B2", "B6", "B8", "X11"}))
    read = {
        pins: PERFECT.measure(only(sweeper), apart, "ohms", *pins)
        for pins in (("B2.1m", "B2.3m"), ("B6.1m", "B6.2m"), ("B8.1m", "B8.2m"), ("X11.3m", "X11.4m"))
    }
    assert read["B2.1m", "B2.3m"].text == "5.000 kΩ"
    assert read["B6.1m", "B6.2m"].text == "0.860 kΩ"
    # 2502 ohm at 20 C and 2044 ohm at 25 C in the published table, so 22 C lies between.
    assert 2044 < read["B8.1m", "B8.2m"].value < 2502
    assert all(r.note == "" for r in read.values())


def test_ohms_of_nothing_is_ol(sweeper):
    apart = State("off", frozenset({"B2"}))
    shown = PERFECT.measure(only(sweeper), apart, "ohms", "B2.1m", "GND1")
    assert shown.text == "OL"
    assert shown.value == math.inf


def test_ohms_on_a_live_circuit_warns_and_lies(sweeper):
    """A healthy 5 V supply pin is not a resistance: the meter warns and shows no usable value."""
    shown = PERFECT.measure(only(sweeper), ON, "ohms", "B2.1", "B2.3")
    assert shown.note == "live circuit (5.00 V): this is not a resistance; make it dead first"
    dead = PERFECT.measure(only(sweeper), OFF, "ohms", "B2.1", "B2.3")
    assert dead.note == ""
    assert shown.text != dead.text


def test_switching_signals_are_averaged(sweeper):
    """A turning Hall target gives about half of 5 V on a dc meter, and the meter says so."""
    shown = PERFECT.measure(only(sweeper), State("run"), "volts", "B4.2", "G1.-")
    assert shown.value == pytest.approx(2.5, abs=0.1)
    assert shown.note == "the signal is switching; the meter shows its average"


def test_a_display_jumps_when_what_is_there_comes_and_goes(sweeper):
    """A tenth of the time without W42: the display shows the mean, 4.5 of 5 V, and jumps; where both machines read the
    same, or as good as the same to a display of millivolts, it stands still."""
    away = sweeper.with_fault(Open("W42"))
    mix = ((0.9, sweeper), (0.1, away))
    shown = PERFECT.measure(mix, ON, "volts", "B9.1", "G1.-")
    assert shown.value == pytest.approx(0.9 * 5.004, abs=0.01)
    assert shown.note == "the display jumps"
    assert PERFECT.measure(mix, ON, "volts", "B5.1", "G1.-").note == ""
    dropped = [PERFECT.measure(only(m), ON, "volts", "X2.5", "G1.-").value for m in (sweeper, away)]
    assert 0 <= dropped[1] - dropped[0] < 0.01
    assert PERFECT.measure(mix, ON, "volts", "X2.5", "G1.-").note == ""
    # The same small difference is large for a display of hundredths of a millivolt.
    assert PERFECT.measure(mix, ON, "millivolts", "X13.1f", "X2.5").note == "the display jumps"


def test_no_steady_state_reads_unstable(sweeper):
    """A Hall switch that takes away its own supply: the display keeps jumping, and no number is made up."""
    sick = sweeper.with_fault(HighResistance("W17", 80.0, at=0.2))
    sick = sick.with_fault(ShortBetweenWires("W17", "W33b", 0.0, at=0.9, at_to=0.9))
    shown = PERFECT.measure(only(sick), ON, "volts", "B4.1", "G1.-")
    assert shown.text == "unstable"
    assert math.isnan(shown.value)
    assert shown.note == "the display keeps jumping; the circuit finds no steady state"


# What reasoning takes a meter to show ----------------------------------------------------------------------------

SICK = {
    "sound": (None, None),
    "open": (Open("X4.3"), Suspect("open", "X4.3")),
    "short": (ShortToGround("W17b", 40.0, 0.5), Suspect("short to ground", "W17b")),
    "weak path": (HighResistance("W40", 300.0, 0.5), Suspect("high resistance", "W40")),
    "wet": (LeakBetweenCavities("X3.1", "X3.2", 300.0), Suspect("leak between cavities", "X3.1", "X3.2")),
}
SIZES = {"open": 0.0, "short": 40.0, "weak path": 300.0, "wet": 300.0}


def foreseen(drawing, readings, change):
    """(what evidence expects of readings, its standard uncertainty without the meter's own)."""
    numbers, _ = observed(drawing, readings)
    found = Predictor(drawing).predict(readings[0].state, numbers, lambda state: [change], np.zeros((1, 2, 2)))
    return found.mean[0], np.sqrt(found.variance + np.square(found.moves).sum(axis=2))[0]


@pytest.mark.parametrize("name", SICK)
def test_a_prediction_is_what_a_perfect_meter_shows(name):
    """Pairs of points with the key on and off, connectors apart, in volts, millivolts and ohms: what evidence expects
    of a fault is what the meter shows of it, where its own 10 Mohm or its test current decide as well."""
    drawing = drawn(machine_file("telehandler"))
    fault, suspect = SICK[name]
    machine = drawing.with_fault(fault) if fault else drawing
    rng, compared = np.random.default_rng(len(name)), Counter()
    for state in (State("on"), State("on", frozenset({"B4", "X5"})), OFF, State("off", frozenset({"X1", "X2", "B9"}))):
        change = suspect.change(drawing, state, SIZES[name], 0.5) if suspect else NOTHING
        for function in ("ohms",) if state.key == "off" else ("volts", "millivolts"):
            for _ in range(10):
                red, black = (str(x) for x in rng.choice(drawing.reachable(state), 2, replace=False))
                shown = PERFECT.measure(only(machine), state, function, red, black)
                if not math.isfinite(shown.value) or shown.note.startswith("live"):
                    continue
                reading = Reading(function, red, black, shown.text, shown.value, "", shown.u, state, 0.0)
                value = foreseen(drawing, [reading], change)[0].item()
                assert value == pytest.approx(shown.value, rel=1e-3, abs=3 * shown.u + 0.001), (
                    function,
                    red,
                    black,
                    shown,
                )
                compared[function] += 1
    assert compared["ohms"] >= 5
    assert compared["volts"] >= 15


def test_two_supplies_need_not_be_the_same():
    """Between points of two regulators the set-point tolerances of both count (5 V within 2 %: datasheet of a fixed
    automotive regulator, 2008); along one wire nothing of them does."""
    drawing = drawn(machine_file("telehandler"))
    across, along = (Reading("volts", "B3.1", p, "", 0.016, "V", 0.001, ON, 0.0) for p in ("B9.1", "X3.1f"))
    allowed = 3 * foreseen(drawing, [across, along], NOTHING)[1]
    assert allowed[0] > 0.1
    assert allowed[1] < 0.01
    built = [drawing.as_built(seed) for seed in range(30)]
    apart = [PERFECT.measure(only(one), ON, "volts", "B3.1", "B9.1").value for one in built]
    assert max(np.abs(apart)) > 0.03
    assert max(np.abs(apart)) < allowed[0]
