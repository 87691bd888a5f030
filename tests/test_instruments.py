"""Meter, lamp, load resistor and clamp on the bench: what each shows, and what each cannot see."""

import math

import numpy as np
import pytest
from test_bench import refused

import casekit
from casekit import HighResistance, Intermittent, Open
from casekit.bench import loads
from casekit.bench.instruments import LAMP_RISK
from casekit.bench.reading import row
from casekit.circuit.operating_point import solve
from casekit.files.library import machine_file
from casekit.machine.drawn import drawn
from casekit.machine.intermittent import ROCK_TORQUE
from casekit.machine.state import State
from casekit.reasoning.evidence import weigh
from casekit.reasoning.suspect import Suspect
from casekit.reasoning.words import left

EARTH = "G1.-"
SWEEPER, TUG = (drawn(machine_file(name)) for name in ("street-sweeper", "tug-tractor"))


@pytest.fixture
def bench():
    return casekit.open_machine("street-sweeper")


# Min/max ---------------------------------------------------------------------------------------------------------


def rocked(dropout_s: float):
    """A bench on which rocking the engine opens W42, before B9, once in every push of half a second for so long."""
    margin = math.cos(math.pi * dropout_s / 0.5)  # a sine is above this share of its peak for so long
    fault = Intermittent(Open("W42"), "CP3", 2.0, 2.0 - margin, torque_mm=1 / ROCK_TORQUE)
    bench = casekit.open_machine("street-sweeper", fault=fault)
    bench.key("on")
    return bench, bench.volts("B9.1", EARTH).value


@pytest.mark.parametrize("dropout_s", [0.005, 0.02, 0.05])
def test_min_max_misses_dropouts_shorter_than_its_window(dropout_s):
    """The voltage is wholly gone for some milliseconds, ten times; averaged over a tenth of a second it falls by that
    share alone (and by up to 3 ms of bounce): the reading is far from zero."""
    bench, good = rocked(dropout_s)
    reading = bench.rock(("B9.1", EARTH))
    assert reading.high == pytest.approx(good, abs=0.002)
    share = dropout_s / 0.1
    assert good * (1 - share - 0.03) - 0.002 <= reading.low <= good * (1 - share / 2) + 0.002


@pytest.mark.parametrize("dropout_s", [0.2, 0.24])
def test_min_max_catches_dropouts_longer_than_two_windows(dropout_s):
    """Wherever they begin, one whole window lies in them."""
    bench, good = rocked(dropout_s)
    reading = bench.rock(("B9.1", EARTH))
    assert reading.low == pytest.approx(0.0, abs=0.002)
    assert reading.high == pytest.approx(good, abs=0.002)


def test_an_average_hides_chatter_that_a_scope_shows():
    """Under load the wire chatters: the display jumps around something between, min/max never comes near zero, scan
    data looks almost right and no code is set. The scope shows every break go to nothing."""
    fault = Intermittent(Open("W42"), "CP3", 1.0, 0.38, torque_mm=0.5, shake_mm=0.17)
    bench = casekit.open_machine("street-sweeper", 4, fault)
    bench.key("run")
    good = bench.volts("B9.1", EARTH).value
    bench.operate("load")
    display, minmax = bench.volts("B9.1", EARTH), bench.minmax("B9.1", EARTH, 5)
    assert display.note == "the display jumps"
    assert 0.8 * good < display.value < 0.98 * good
    assert minmax.low > 0.8 * good
    figures = bench.scope([("B9.1", EARTH)], 0.02, 1.0, 2.0).figures()
    assert figures["least"].item() < 0.05
    assert figures["greatest"].item() == pytest.approx(good, abs=0.05)
    assert bench.codes().empty


def test_min_max_takes_its_time_and_reads_what_is_steady(bench):
    bench.key("on")
    before = bench.clock
    reading = bench.minmax("B1.1", EARTH, 60, expect=5.0)
    assert bench.clock - before == pytest.approx(3 + 1 + 0.5 + 1)  # to get at both points, the leads, the minute
    assert reading.low == reading.high == bench.volts("B1.1", EARTH).value
    assert (reading.expected, math.isnan(reading.value), reading.note) == (5.0, True, "in 60 s")
    assert repr(reading).startswith(f"{reading.low:.3f} V to {reading.high:.3f} V  B1.1 against G1.-, key on, minute ")


def test_a_retrying_supply_under_a_short_reads_next_to_nothing():
    """20 ms on, 200 ms off: most windows are empty, and the fullest holds a fifth of the little there is."""
    bench = casekit.open_machine("telehandler", fault=casekit.ShortToGround("W10", 2.0))
    bench.key("on")
    reading = bench.minmax("B5.1", EARTH, 10)
    assert reading.low == 0.0
    # At most 0.18 A, 5 % more in an individual, through 2 ohm and some wire.
    assert 0.05 < reading.high < 0.2 * 0.189 * 2.2
    assert bench.scope([("B5.1", EARTH)], 0.05, 0.1, 0.2).figures()["greatest"].item() == pytest.approx(0.36, abs=0.05)


@pytest.mark.parametrize("r_ohm", [0.3, 2.0, 10.0])
def test_min_max_of_a_retrying_supply_does_not_rule_out_the_short(r_ohm):
    """Empty windows and fuller ones both belong to a short that is always there: only the supply comes and goes."""
    truth = Suspect("short to ground", "W14b")
    bench = casekit.open_machine("telehandler", 3, casekit.ShortToGround("W14b", r_ohm, 0.4))
    bench.key("on")
    readings = [bench.volts("B5.1", EARTH), bench.minmax("B5.1", EARTH, 5), bench.minmax("B5.4", EARTH, 5)]
    verdict = weigh(bench.drawing, readings)
    assert truth in left(verdict)
    assert not verdict.fits[verdict.suspects.index(truth)].loose
    # The same with a supply that never shuts would be no explanation.
    assert readings[1].high - readings[1].low > 5 * readings[1].u


def test_min_max_of_what_turns_clears_the_healthy_machine():
    """A tenth of a second does not hold whole teeth: min/max of a Hall signal lies beside its average, that of a
    pick-up beside zero. A healthy machine may show both."""
    none = Suspect("none", "")
    bench = casekit.open_machine("street-sweeper", 3)
    bench.key("run")
    readings = [bench.minmax("B7.2", EARTH, 2), bench.minmax("B6.1", EARTH, 2), bench.minmax("B1.1", EARTH, 2)]
    assert readings[0].high - readings[0].low > 0.1
    verdict = weigh(bench.drawing, readings)
    assert none in left(verdict)
    assert verdict.slips[verdict.suspects.index(none)].max() < 0.5
    assert verdict.used == 4  # the pick-up's are left out


# Continuity and load ---------------------------------------------------------------------------------------------


def test_continuity_passes_what_cannot_carry_a_load():
    """20 ohm too many in a supply wire: it beeps, and the voltage looks good with little current; 50 ohm across the far
    end share it as a divider does, 50 / (50 + 20)."""
    bench = casekit.open_machine("street-sweeper", fault=HighResistance("W43", 20.0))
    beep = bench.continuity("X13.1m", "B9.1")
    assert beep.note == "it beeps"
    assert beep.value == pytest.approx(20.1, abs=0.4)
    bench.key("on")
    free = bench.volts("B9.1", EARTH)
    assert free.value > 4.75
    loaded = bench.loaded("B9.1", EARTH, 50)
    assert loaded.value == pytest.approx(free.value * 50 / 70.1, rel=0.01)
    assert loaded.note == "with 50 Ω across"
    sound = casekit.open_machine("street-sweeper")
    assert sound.continuity("X13.1m", "B9.1").note == "it beeps"
    sound.key("on")
    assert sound.loaded("B9.1", EARTH, 50).value > 4.9


def test_continuity_does_not_beep_above_30_ohm():
    for r_ohm, note in ((25.0, "it beeps"), (35.0, "")):
        bench = casekit.open_machine("street-sweeper", fault=HighResistance("W43", r_ohm))
        assert bench.continuity("X13.1m", "B9.1").note == note


@pytest.mark.parametrize("load_ohm", [5, 50.0, 10_000])
def test_a_load_resistor_divides(load_ohm):
    """12.6 V behind 8 ohm: V = E R / (R + 8)."""
    bench = casekit.open_machine("street-sweeper", fault=HighResistance("W2", 8.0))
    assert bench.volts("S1.1", EARTH).value == pytest.approx(12.6, abs=0.04)
    reading = bench.loaded("S1.1", EARTH, load_ohm, expect=7)
    assert reading.value == pytest.approx(12.6 * load_ohm / (load_ohm + 8.0), rel=0.01)
    assert (reading.function, reading.risk, reading.expected) == ("loaded volts", "", 7.0)


# Test lamp -------------------------------------------------------------------------------------------------------


def lit(machine, r_ohm):
    """(volts on the lamp, amps through it) behind a resistance in the battery wire, by the solver."""
    sick = machine.with_fault(HighResistance("W1", r_ohm)) if r_ohm else machine
    op = solve(sick, State("off"), loads.lamp("F1.2", EARTH, 24.0 if machine is TUG else 12.0))
    return op.volts("F1.2", EARTH), op.amps("test lamp")


@pytest.mark.parametrize("machine", [SWEEPER, TUG], ids=["12 V", "24 V"])
def test_a_filament_draws_its_watts_and_is_no_ohmic_resistor(machine):
    """4 W at its rated voltage; the current follows about the 0.55th power of the voltage (common practice, no source)
    and the cold filament has about a tenth of its hot resistance."""
    rated = 24.0 if machine is TUG else 12.0
    for r_ohm in (0.0, 10.0, 30.0, 100.0, 300.0):
        volts, amps = lit(machine, r_ohm)
        assert amps == pytest.approx(4.0 / rated * (volts / rated) ** 0.55, rel=0.05)
        if r_ohm:
            assert volts + amps * r_ohm == pytest.approx(12.6 if rated == 12 else 25.4, rel=2e-3)
    volts, amps = lit(machine, 3000.0)
    assert volts / amps == pytest.approx(rated**2 / 4.0 / 10, rel=0.75)


@pytest.mark.parametrize(
    ("r_ohm", "glow"), [(0.0, "bright"), (10.0, "bright"), (30.0, "dim"), (100.0, "a dull glow"), (1000.0, "dark")]
)
def test_brightness_follows_what_the_lamp_itself_leaves(r_ohm, glow):
    """A meter reads the full voltage behind any of these resistances; the lamp does not light on all of them."""
    bench = casekit.open_machine("street-sweeper", fault=HighResistance("W1", r_ohm) if r_ohm else None)
    assert bench.volts("F1.2", EARTH).value == pytest.approx(12.6, abs=0.04)
    reading = bench.lamp("F1.2", EARTH)
    assert (reading.shown, reading.risk, math.isnan(reading.value)) == (glow, "", True)
    assert loads.glow(lit(SWEEPER, r_ohm)[0], 12.0) == glow
    assert bench.lamp(EARTH, "F1.2").shown == glow  # a filament has no plus


def test_a_lamp_on_a_sensor_supply_pulls_it_down():
    """5 V light a 12 V lamp dimly. Rather more than 0.2 A it takes: V1 of the sweeper gives 0.22 A, its sensors have
    some of it, and the supply falls out of its tolerance; V2 of the same machine gives 0.35 A and holds."""
    for point, holds in (("B5.1", False), ("B9.1", True)):
        op = solve(SWEEPER, State("on"), loads.lamp(point, EARTH, 12.0))
        assert op.amps("test lamp") == pytest.approx(1 / 3 * (op.volts(point) / 12) ** 0.55, rel=0.05)
        assert (op.volts(point) > 4.9) is holds
        bench = casekit.open_machine("street-sweeper")
        bench.key("on")
        reading = bench.lamp(point, EARTH)
        assert (reading.shown, reading.risk) == ("dim", LAMP_RISK)
        assert bench.volts(point, EARTH).value == pytest.approx(5.0, abs=0.1)  # off again


# Clamp -----------------------------------------------------------------------------------------------------------


def test_clamp_sign_and_sum(bench):
    """Positive away from the control unit: out on supplies and to ground, in on the feed and the returns. Around a pair
    only the difference is left; around both grounds their sum is what the feed brings."""
    bench.key("on")
    bench.zero_clamp()
    read = {wires: bench.amps(*wires).value for wires in (("W10",), ("W20",), ("W3",), ("W4",), ("W4", "W5"))}
    assert read["W10",] > 0.015
    assert read["W20",] < -0.015
    assert read["W3",] < -0.3
    assert read["W4", "W5"] == pytest.approx(-read["W3",], abs=0.03)
    assert 0.4 < read["W4",] / read["W4", "W5"] < 0.6
    assert bench.amps("W14", "W24").value == pytest.approx(0.0, abs=0.006)
    reading = bench.amps("W4", "W5", expect=0.5)
    assert (reading.red, reading.black, reading.unit, reading.expected) == ("W4 and W5", "", "A", 0.5)
    assert repr(reading).startswith(f"{reading.shown}  W4 and W5, key on, minute ")


def test_the_clamp_resolves_a_milliampere_and_finds_the_shorted_branch(bench):
    bench.key("on")
    assert bench.amps("W13").shown.split()[0][-4] == "."
    sick = casekit.open_case("broom-frame-dead")
    sick.key("on")
    sick.zero_clamp()
    branch = {wire: sick.amps(wire).value for wire in ("W10", "W11", "W13", "W14", "W15a")}
    assert branch["W14"] == pytest.approx(0.2, abs=0.03)
    assert branch["W14"] > 0.85 * branch["W10"]
    assert max(branch["W11"], branch["W13"], branch["W15a"]) < 0.02


def test_an_intermittent_is_clamped_in_both_its_states():
    """The wire is whole while the fault is away and in two parts while it is there; pierced, in three."""
    bench = casekit.open_case("boom-stops-halfway")
    bench.key("run")
    good = bench.amps("W14b").value
    bench.operate("boom")
    bad = bench.amps("W14b").value
    assert abs(good) < 0.03
    assert bad == pytest.approx(0.18 * 0.02 / 0.22, abs=0.02)  # the mean of 20 ms at the limit and 200 ms of nothing
    bench.pierce("W14b", 0.2)
    assert bench.amps("W14b").value == pytest.approx(bad, abs=0.01)


def test_the_clamps_zero_wanders_and_is_set_back():
    """A random walk of 4 mA in ten minutes: after forty it is 8 mA, standard deviation over 600 instruments (chi-square
    bounds once in a hundred thousand: 13 %). Zeroed, a reading lies within 2 %, 3 counts and what it drifts since."""
    drifts = np.array([[loads.drift(seed, minutes) for minutes in (10.0, 40.0)] for seed in range(600)])
    assert drifts.std(axis=0) == pytest.approx([0.004, 0.008], rel=0.13)
    assert abs(drifts.mean(axis=0)) == pytest.approx([0.0, 0.0], abs=0.0015)
    apart = 0
    for seed in range(12):
        bench = casekit.open_machine("street-sweeper", seed)
        for _ in range(2):
            bench.replace("A1")  # an hour and a half
        bench.key("on")
        stale = bench.amps("W13")
        assert bench.zero_clamp() == "the clamp shows 0.000 A"
        fresh = bench.amps("W13")
        assert abs(fresh.value - 0.01) < 0.02 * 0.01 + 0.004
        assert stale.u > 2 * fresh.u
        apart += abs(stale.value - fresh.value) > 0.005
    assert apart >= 6


# What comes with a reading ---------------------------------------------------------------------------------------


def test_a_reading_carries_what_was_hung_on_or_clamped(bench):
    bench.key("on")
    given = [
        bench.volts("B1.1", EARTH), bench.loaded("B1.1", EARTH, 500), bench.lamp("F1.2", EARTH),
        bench.amps("W4", "W5"), bench.minmax("B1.1", EARTH, 2),
    ]  # fmt: skip
    assert [reading.data for reading in given] == [
        (), (("load_ohm", 500.0),), (("rated_v", 12.0),), (("W4", 1.0), ("W5", 1.0)), ()
    ]  # fmt: skip
    assert [event.data for event in bench.events[1:]] == [reading.data for reading in given]
    assert not any("data" in row(event) for event in bench.events)
    tug = casekit.open_machine("tug-tractor")
    assert tug.lamp("F1.2", EARTH).data == (("rated_v", 24.0),)


# What is refused -------------------------------------------------------------------------------------------------

REFUSED = [
    (lambda b: b.minmax("G1.+", EARTH, 0.5), "min/max over 0.5 s: use a number of seconds from 1 to 600."),
    (lambda b: b.minmax("G1.+", EARTH, 601), "min/max over 601 s: use a number of seconds from 1 to 600."),
    (lambda b: b.minmax("G1.+", EARTH, "ten"), "min/max over 'ten' s: use a number of seconds from 1 to 600."),
    (lambda b: b.minmax("G1.+", EARTH, math.nan), "min/max over nan s: use a number of seconds from 1 to 600."),
    (lambda b: b.minmax("G1.+", EARTH, True), "min/max over True s: use a number of seconds from 1 to 600."),
    (lambda b: b.loaded("G1.+", EARTH, 4), "a load of 4 ohm is not in the box; use 5 to 10000 ohm."),
    (lambda b: b.loaded("G1.+", EARTH, 2e4), "a load of 20000.0 ohm is not in the box; use 5 to 10000 ohm."),
    (lambda b: b.loaded("G1.+", EARTH, "50"), "a load of '50' ohm is not in the box; use 5 to 10000 ohm."),
    (lambda b: b.loaded("B1.1m", EARTH), "B1.1m is behind the plugged connector B1; unplug B1 first."),
    (lambda b: b.lamp("G1.+", "G1.+"), "both leads are on G1.+; put one of them somewhere else."),
    (
        lambda b: b.lamp("SP1", EARTH),
        "'SP1' is not a point a lead can reach on this machine now. A splice is under tape: probe where its wires end, "
        "such as X1.5.",
    ),
    (lambda b: b.amps(), "the clamp is around no wire; name one or more wires."),
    (lambda b: b.amps("W14", "W14"), "the clamp is around the same wire twice; name each wire once."),
    (lambda b: b.amps("W144"), "'W144' is not a wire of this machine. Did you mean W14?"),
    (lambda b: b.amps(["W14"]), "['W14'] is not a wire of this machine. Did you mean W14?"),
    (lambda b: b.amps("B1.1"), "'B1.1' is not a wire of this machine. It may be W1, W2 or W3, or 71 more."),
    (
        lambda b: b.amps("W14", expect="little"),
        "the expected value 'little' is not a number; write it in volt, ampere or ohm or leave it out.",
    ),
    (
        lambda b: b.volts("G1.+", EARTH, expect=math.inf),
        "the expected value inf is not a number; write it in volt, ampere or ohm or leave it out.",
    ),
    (
        lambda b: b.minmax("G1.+", EARTH, 10, expect=True),
        "the expected value True is not a number; write it in volt, ampere or ohm or leave it out.",
    ),
    (lambda b: b.continuity("X11.1", "B1.1"), "X11.1 has two halves; probe X11.1f or X11.1m."),
]


@pytest.mark.parametrize(("read", "sentence"), REFUSED, ids=[r[1][:45] for r in REFUSED])
def test_what_cannot_be_read_says_why(bench, read, sentence):
    assert refused(bench, read) == sentence
