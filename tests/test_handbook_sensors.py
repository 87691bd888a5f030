"""Published values for sensors and converters, each with its source beside it; the published number stands in the
assert.

"Seen on a page reproducing it" means the standard or table itself was not at hand. "Derived" means arithmetic on what
was seen.
"""

from dataclasses import replace

import numpy as np
import pytest
from everyfault import machines
from scipy.optimize import brentq

from casekit.circuit.modes import Channel as Probe
from casekit.circuit.network import Network
from casekit.circuit.operating_point import operating_point, solve
from casekit.circuit.waveform import record
from casekit.machine import program, sensors
from casekit.machine.law import Driven, Resistor, Source
from casekit.machine.program import SIGNAL_V, Channel, Program
from casekit.machine.sensors import (
    Operating,
    Output,
    Potentiometer,
    PressureSensor,
    Thermistor,
    ntc_ohm,
    platinum_ohm,
)
from casekit.machine.state import State
from casekit.machine.unit import Input, Supply

pytestmark = pytest.mark.reference

OFF = State("off")


def on_5v(sensor, *extra, supply_v: float = 5.0):
    """A three-wire sensor on a supply without resistance."""
    parts = [Source("E", sensor.pins[0], "0", supply_v, 0.0), Resistor("back", sensor.pins[2], "0", 0.0)]
    return operating_point(Network((*parts, *sensor.elements(OFF), *extra), "0"))


def celsius(law, r_ohm: float) -> float:
    """The temperature at which a thermometer's law gives this resistance."""
    return brentq(lambda t: law(t) - r_ohm, -60.0, 160.0, xtol=1e-9)


# Platinum --------------------------------------------------------------------------------------------------------


def test_platinum_coefficients():
    """IEC 60751:2008 (two pages reproducing it)."""
    assert (sensors.PT_A, sensors.PT_B, sensors.PT_C) == (3.9083e-3, -5.775e-7, -4.183e-12)


PT100_OHM = {
    -200: 18.52, -100: 60.26, -40: 84.27, -20: 92.16, 0: 100.00, 10: 103.90, 20: 107.79, 50: 119.40, 100: 138.51,
    200: 175.86, 400: 247.09, 600: 313.71,
}  # fmt: skip


@pytest.mark.parametrize(("temp_c", "ohms"), PT100_OHM.items())
def test_platinum_table(temp_c, ohms):
    """IEC 60751:2008, Pt100 (three pages reproducing it). C belongs to (t - 100) t^3 and counts below 0 C only."""
    assert platinum_ohm(temp_c) == pytest.approx(ohms, abs=0.005)
    (element,) = Thermistor("B", ("a", "b"), Operating.fixed(temp_c), r0_ohm=200.0).elements(OFF)
    assert element.r_ohm == pytest.approx(2 * ohms, abs=0.01)


@pytest.mark.parametrize(
    ("temp_c", "wrong", "right"), [(200, 175.84, 175.86), (-40, 84.21, 84.27), (-150, 35.34, 39.72)]
)
def test_platinum_traps(temp_c, wrong, right):
    """Two tables in circulation are off: one on an older scale (200 and -40 C), one plainly wrong at -150 C."""
    assert platinum_ohm(temp_c) == pytest.approx(right, abs=0.005)
    assert abs(platinum_ohm(temp_c) - wrong) > 0.015


def test_individual_platinum_thermometers_against_class_b():
    """IEC 60751 class B: 0.3 + 0.005 t in C (a page reproducing it). Kept visible: individuals differ by up to 1 K, so
    they are class B where the exhaust is hot, from 140 C (1.0 K) on, and worse than class B when it is cold."""
    machine = next(m for m in machines() if m.name == "tug-tractor")
    nominal = machine.part("B10", Thermistor).at
    for seed in range(30):
        at = machine.as_built(seed).part("B10", Thermistor).at
        assert abs(at.run - nominal.run) <= 0.3 + 0.005 * nominal.run
        assert abs(at.load - nominal.load) <= 0.3 + 0.005 * nominal.load


# NTC thermistor --------------------------------------------------------------------------------------------------

NTC_OHM = {
    -40: 48805, -30: 27414, -20: 15971, -10: 9620, 0: 5975, 10: 3816, 20: 2502, 25: 2044, 30: 1679, 40: 1152,
    50: 806.9, 60: 575.8, 70: 418.1, 80: 308.6, 90: 231.2, 100: 175.7, 110: 135.2, 120: 105.4, 130: 83.1, 140: 66.2,
}  # fmt: skip


@pytest.mark.parametrize(("temp_c", "ohms"), NTC_OHM.items())
def test_thermistor_table(temp_c, ohms):
    """Automotive NTC table from service data of a vehicle maker."""
    assert celsius(ntc_ohm, ohms) == pytest.approx(temp_c, abs=0.02)
    (element,) = Thermistor("B8", ("a", "b"), Operating.fixed(temp_c)).elements(OFF)
    assert element.r_ohm == ntc_ohm(float(temp_c))


def test_thermistor_law():
    """Steinhart-Hart through -40, 25 and 140 C of that table: A, B, C, and a worst error of 0.012 C (derived)."""
    rows = [[1.0, np.log(NTC_OHM[t]), np.log(NTC_OHM[t]) ** 3] for t in (-40, 25, 140)]
    a, b, c = np.linalg.solve(rows, [1 / (t + 273.15) for t in (-40, 25, 140)])
    assert a == pytest.approx(1.33620e-3, abs=5e-9)
    assert b == pytest.approx(2.55949e-4, abs=5e-10)
    assert c == pytest.approx(1.50825e-7, abs=5e-13)
    assert (sensors.NTC_A, sensors.NTC_B, sensors.NTC_C) == (1.33620e-3, 2.55949e-4, 1.50825e-7)
    assert max(abs(celsius(ntc_ohm, r) - t) for t, r in NTC_OHM.items()) == pytest.approx(0.012, abs=0.0005)


def test_one_beta_is_not_enough():
    """Beta of 25 and 100 C is 3640 K, of 0 and 50 C 3534.5 K; the first alone is off by 3.5 C at -40 C (derived)."""

    def beta(law, t: float, u: float) -> float:
        return np.log(law(t) / law(u)) / (1 / (t + 273.15) - 1 / (u + 273.15))

    assert beta(NTC_OHM.get, 25, 100) == pytest.approx(3640, abs=0.5)
    assert beta(NTC_OHM.get, 0, 50) == pytest.approx(3534.5, abs=0.5)
    assert beta(ntc_ohm, 25.0, 100.0) == pytest.approx(3640, abs=1.0)  # the law leaves 0.01 C
    assert beta(ntc_ohm, 0.0, 50.0) == pytest.approx(3534.5, abs=1.0)
    one = 1 / (1 / 298.15 + np.log(ntc_ohm(-40.0) / ntc_ohm(25.0)) / 3640) - 273.15
    assert one - -40 == pytest.approx(3.5, abs=0.05)


# Ranged sensors --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("beta", "percent", "share"), [(2, 6.673, 0.678), (10, 1.449, 0.669), (20, 0.733, 0.668), (100, 0.148, 0.667)]
)
def test_potentiometer_loading(beta, percent, share):
    """Loading error of a potentiometer with load beta x track: a^2 (1 - a) / (b + a (1 - a)); its largest values as
    derived from the textbook formula, beside the printed rule (below 7.5, 0.75 and 0.15 % of supply)."""

    def error(a: float) -> float:
        pot = Potentiometer("B", ("s", "w", "r"), 5000.0, 0.0, Output(0.0, 1.0, (0.0, 1.0), Operating.fixed(a)))
        return 100 * (a - on_5v(pot, Resistor("load", "w", "0", beta * 5000.0)).volts("w") / 5.0)

    grid = np.arange(0.6, 0.75, 0.001)
    errors = [error(a) for a in grid]
    assert max(errors) == pytest.approx(percent, abs=0.001)
    assert grid[int(np.argmax(errors))] == pytest.approx(share, abs=0.0011)
    assert max(errors) < {2: 7.5, 10: 1.5, 20: 0.75, 100: 0.15}[beta]
    assert error(0.3) == pytest.approx(100 * 0.3**2 * 0.7 / (beta + 0.3 * 0.7), abs=1e-6)


RATIOMETRIC = Channel("B", "B", "pressure", "%", "share", "o", low=0.1, high=0.9, span=(0.0, 100.0))


@pytest.mark.parametrize(
    ("percent", "supply_v", "volts", "taken_for"),
    [(0, 5.0, 0.5, 0.0), (50, 5.0, 2.5, 50.0), (100, 5.0, 4.5, 100.0), (50, 4.75, 2.375, 46.875)],
)
def test_ratiometric_sensor(percent, supply_v, volts, taken_for):
    """A ratiometric sensor gives 10 to 90 % of its supply: 0.5, 2.5, 4.5 V at 5.000 V (a maker-neutral page and a
    datasheet); at 4.75 V the middle is 2.375 V, which a control unit that assumes 5.00 V takes for 46.875 % (derived).
    """
    sensor = PressureSensor("B", ("s", "o", "r"), 0.008, 50.0, 0.01, 4.0, Output(0.1, 0.9, (0.0, 100.0),
                            Operating.fixed(percent)))  # fmt: skip
    read = on_5v(sensor, supply_v=supply_v).volts("o")
    assert read == pytest.approx(volts, abs=1e-6)
    assert 100 * RATIOMETRIC.travel(read) == pytest.approx(taken_for, abs=1e-4)
    assert RATIOMETRIC.value(read) == pytest.approx(taken_for, abs=1e-4)


def test_a_low_supply_on_the_machine_shows_as_a_low_reading():
    """The same through the sweeper: its V2 set to 4.75 V, oil pressure at 5 of 10 bar is shown as 4.6875 bar."""
    sweeper = next(m for m in machines() if m.name == "street-sweeper")
    supply, oil = sweeper.part("V2", Supply), sweeper.part("B9", PressureSensor)
    low = sweeper.replaced(supply, replace(supply, set_v=4.75))
    low = low.replaced(oil, replace(oil, output=replace(oil.output, at=Operating.fixed(5.0))))
    channel = next(c for c in low.program.channels if c.sensor == "B9")
    read = solve(low, State("on")).volts(channel.node, "A1.gnd")
    # Drops along supply and return, and a pull-down of 100 kohm behind 50 ohm, take 0.1 %.
    assert channel.value(read) == pytest.approx(4.6875, abs=0.006)


def test_diagnostic_bands():
    """Below 4 % and above 96 % of 5 V (0.2 and 4.8 V) a signal is open or shorted (a maker's training page for one
    pressure-sensor interface). No healthy sensor of any machine reaches there."""
    assert SIGNAL_V == (0.2, 4.8)
    assert [v / 5.0 for v in SIGNAL_V] == pytest.approx([0.04, 0.96])
    shares = [c for m in machines() for c in m.program.channels if c.kind == "share"]
    assert all(c.limits_v == (0.2, 4.8) for c in shares)
    assert min(c.low for c in shares) > 0.04
    assert max(c.high for c in shares) < 0.96


# The converter ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("bits", "millivolts"), [(8, 19.531), (10, 4.8828), (12, 1.2207)])
def test_step_of_a_converter(bits, millivolts):
    """5 V over 2^N (derived)."""
    codes = sorted({Program((), bits).converted(v) for v in np.linspace(0.0, 5.0, 3 * 2**bits)})
    assert len(codes) == 2**bits
    assert 1e3 * np.diff(codes) == pytest.approx(millivolts, abs=5e-4)


def test_quantising_noise(monkeypatch):
    """LSB / sqrt 12: 12 bits over 3.3 V have 0.806 mV and 0.233 mV rms (a calculator page)."""
    monkeypatch.setattr(program, "REFERENCE_V", 3.3)
    converter, ramp = Program((), 12), np.linspace(0.0, 3.299, 50_000)
    errors = np.array([converter.converted(v) - v for v in ramp])
    assert 1e3 * converter.converted(0.8e-3) == pytest.approx(0.806, abs=5e-4)
    assert 1e3 * np.sqrt(np.mean(errors**2)) == pytest.approx(0.233, abs=5e-4)


@pytest.mark.parametrize(("bits", "decibels"), [(8, 49.92), (10, 61.96), (12, 74.0), (16, 98.08)])
def test_signal_to_noise_of_a_full_scale_sine(bits, decibels):
    """6.02 N + 1.76 dB (a page on quantising). The rule takes the error for evenly spread; so that it is so near the
    crests too, sixteen sines are converted, from full scale down by a sixteenth of a step each."""
    converter, steps = Program((), bits), 2**bits
    wave = np.sin(2 * np.pi * np.arange(1, 2001) * (np.sqrt(5) - 1) / 2)
    volts = np.concatenate([(steps - 1) / 2 + (steps / 2 - k / 16) * wave for k in range(16)]) * 5.0 / steps
    noise = np.mean([(converter.converted(v) - v) ** 2 for v in volts])
    assert 10 * np.log10(2.5**2 / 2 / noise) == pytest.approx(decibels, abs=0.05)
    assert decibels == pytest.approx(6.02 * bits + 1.76, abs=0.01)


@pytest.mark.parametrize(
    ("tone_hz", "rate_hz", "count", "alias_hz"),
    [(28e3, 44.1e3, 441, 16.1e3), (1440.0, 1000.0, 100, 440.0), (2440.0, 1000.0, 100, 440.0), (7e3, 6e3, 60, 1e3)],
)
def test_aliases(tone_hz, rate_hz, count, alias_hz):
    """A tone above half the sampling rate folds back (two pages on sampling; the last pair from memory).

    The tone drives an input of the control unit, whose filter weakens but does not stop it; the exact record is taken
    at the sampling rate, as the converter takes it. The sine is drawn with eight straight lines a period.
    """
    span = (count + 50) / rate_hz
    t = np.arange(int(span * tone_hz * 8) + 2) / (8 * tone_hz)
    tone = Driven(Source("tone", "pin", "0", 0.0, 50.0), tuple(t), tuple(2.5 + 2 * np.sin(2 * np.pi * tone_hz * t)))
    board = [Resistor("ground", "A1.gnd", "0", 0.0), Source("logic", "A1.vcc", "0", 5.0, 0.0)]
    pin = Input("input", "A1", "pin", 100_000.0, False, 10_000.0)
    shown = record([*board, *pin.elements(OFF)], [], [tone], [Probe(pin.inside, "0")], "0", 0.0, span)
    samples = shown.volts(span - np.arange(count, 0, -1) / rate_hz)[0]
    spectrum = np.abs(np.fft.rfft(samples - samples.mean()))
    assert np.fft.rfftfreq(count, 1 / rate_hz)[np.argmax(spectrum)] == pytest.approx(alias_hz)
    assert Program().adc_hz == 1000.0
