"""The oscilloscope: converter, bandwidth, trigger, peak detect, probe, and what it shows of machines that turn."""

import math

import numpy as np
import pytest
from test_bench import refused

import casekit
from casekit.bench.scope import BANDWIDTH_HZ, COLUMNS, LEAD, NOISE, picture, quantised, settings
from casekit.circuit.waveform import Waveform
from casekit.machine.law import Changing, Resistor, Source

EARTH = "G1.-"
AT_A = [("a", "0")]


def wave(set_, volts, starts, r_ohm=0.0, between=()):
    """A source that steps to `volts[k + 1]` at `starts[k]` (second), behind `r_ohm`, with the probes on `a`."""
    forms = tuple((Source("E", "e", "0", float(v), 0.0),) for v in volts)
    steps = Changing(forms, (-math.inf, *starts), tuple(range(len(volts))))
    probes, channels = set_.probes()
    return Waveform([Resistor("R", "e", "a", r_ohm), *between, *probes], [steps], [], channels, "0", 0.0)


def taken(set_, *circuit, seed=1):
    return picture(set_, wave(set_, *circuit), 0.0, seed, "key on", 0.0)


def rise_s(set_, *circuit):
    """10 to 90 % of a step of 4 V at 2 us, on the exact record."""
    t = np.linspace(2e-6, 8e-6, 600_001)
    v = wave(set_, [0, 4], [2e-6], *circuit).to(1e-5).volts(t)[0]
    return t[np.argmax(v >= 3.6)] - t[np.argmax(v >= 0.4)]


# The instrument --------------------------------------------------------------------------------------------------


def test_eight_bits_over_eight_divisions():
    """LSB = full scale / 2^N: 5 V over 8 bits is 19.531 mV (I7, arithmetic); eight divisions of 0.625 V are 5 V."""
    ramp = np.linspace(-3.0, 3.0, 100_001)
    steps = np.unique(quantised(ramp, 0.625))
    assert len(steps) == 2**8
    assert np.diff(steps) == pytest.approx(19.531e-3, abs=5e-7)
    assert quantised(ramp + 2.0, 0.625, 2.0) == pytest.approx(quantised(ramp, 0.625) + 2.0)


def test_quantising_noise():
    """LSB / sqrt 12 rms (I6, a public calculator of quantising noise)."""
    ramp = np.linspace(-2.4, 2.4, 200_001)
    error = quantised(ramp, 0.625) - ramp
    assert error.std() == pytest.approx(19.531e-3 / math.sqrt(12), rel=1e-3)


def test_signal_to_quantising_noise():
    """A full-scale sine on 8 bits, from half a step under the lowest code to half a step over the highest:
    6.02 N + 1.76 = 49.92 dB (I5, textbook formula)."""
    t = np.linspace(0.0, 1.0, 200_003)
    sine = (128 * np.sin(2 * np.pi * 7.3 * t) - 0.5) / 256 * 5.0
    error = quantised(sine, 0.625) - sine
    assert 20 * math.log10(sine.std() / error.std()) == pytest.approx(49.92, abs=0.15)


@pytest.mark.parametrize(("hertz", "alias"), [(1440, 440), (2440, 440)])
def test_sampling_too_slowly_shows_another_frequency(hertz, alias):
    """1000 samples a second of 1440 or 2440 Hz look like 440 Hz (I8, a lecture on aliasing); peak detect shows a band
    instead."""
    set_ = settings(AT_A, 0.1, 1.0, 2.0, peak=False)
    halves = np.arange(1, 2 * hertz) / 2 / hertz
    forms = tuple((Source("E", "e", "0", v, 0.0),) for v in (0.0, 4.0))
    probes, channels = set_.probes()
    square = Changing(forms, (-math.inf, *halves), tuple(np.arange(len(halves) + 1) % 2))
    film = Waveform([Resistor("R", "e", "a", 0.0), *probes], [square], [], channels, "0", 0.0)
    sampled = picture(set_, film, 0.0, 1, "", 0.0)
    assert sampled.figures()["Hz"].item() == pytest.approx(alias, abs=2)
    banded = picture(settings(AT_A, 0.1, 1.0, 2.0), film, 0.0, 1, "", 0.0)
    assert (banded.high - banded.low > 3.5).mean() > 0.99
    assert math.isnan(banded.figures()["Hz"].item())


def test_a_flat_line_shows_noise_of_a_step_or_two():
    """A quarter of a step rms: the line is never more than two steps off, and not perfectly still."""
    set_ = settings(AT_A, 1e-3, 1.0, peak=False)
    trace = taken(set_, [2.5], [])
    lsb = 8 / 256
    assert NOISE == 0.25
    assert abs(trace.low - 2.5).max() <= 2 * lsb
    assert 0.1 * lsb < trace.low.std() < lsb
    assert (trace.low == trace.high).all()
    assert (taken(set_, [2.5], []).low == trace.low).all()  # the same seed, the same noise
    assert (taken(set_, [2.5], [], seed=2).low != trace.low).any()


def test_rise_time_times_bandwidth():
    """A single pole: ln 9 / (2 pi) = 0.3497, the rule of 0.35 (I1), with 20 MHz 17.5 ns; the probe's own 50 ohm and
    15 pF add less than 1 %."""
    assert BANDWIDTH_HZ == 20e6
    assert rise_s(settings(AT_A, 1e-6, 1.0)) * 20e6 == pytest.approx(0.3497, rel=0.01)


@pytest.mark.parametrize(("times", "within"), [(2, 0.1), (3, 0.07), (10, 0.02)])
def test_rise_times_in_cascade(times, within):
    """t^2 = t_signal^2 + t_instrument^2 (I4, common textbook rule, from memory): of two single poles the better the
    further they are apart."""
    own = 0.3497 / 20e6
    signal = times * own
    r_ohm = signal / math.log(9) / 15e-12  # the probe's capacity makes the signal's pole
    seen = rise_s(settings(AT_A, 1e-6, 1.0), r_ohm)
    assert seen == pytest.approx(math.hypot(signal, own), rel=within)


def test_the_probe_loads_a_high_resistance():
    """10 Mohm behind 1 Mohm takes 1/11 of the voltage away, and its 15 pF with the two in parallel make an edge of
    ln 9 x 13.6 us = 30 us; behind 1 kohm nothing of it is seen."""
    slow = taken(settings(AT_A, 2e-5, 1.0, 2.0), [0, 5], [5e-5], 1e6)
    assert slow.high[0, -1] == pytest.approx(5 * 10 / 11, abs=2 * 8 / 256)
    parallel = 1e6 * 1e7 / 1.1e7
    t = slow.t_s
    level = slow.high[0] / (5 * 10 / 11)
    assert t[np.argmax(level > 0.9)] - t[np.argmax(level > 0.1)] == pytest.approx(
        math.log(9) * parallel * 15e-12, rel=0.05
    )
    fast = taken(settings(AT_A, 2e-5, 1.0, 2.0), [0, 5], [5e-5], 1e3)
    assert fast.high[0, -1] == pytest.approx(5.0, abs=2 * 8 / 256)
    assert np.flatnonzero(fast.low[0] > 4.9)[0] - np.flatnonzero(fast.high[0] > 0.2)[0] <= 2


# Trigger ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("slope", "at"), [("rising", 3.25e-3), ("falling", 4.5e-3)])
def test_the_trigger_finds_its_own_slope(slope, at):
    """A pulse from 0 to 4 V between 3.25 and 4.5 ms: zero time is where the level is passed the right way."""
    trace = taken(settings(AT_A, 1e-3, 1.0, 2.0, trigger=(1, 2.0, slope)), [0, 4, 0], [3.25e-3, 4.5e-3])
    assert trace.note == ""
    assert trace.t_s[0] == pytest.approx(-LEAD * 10e-3)
    middle = (trace.low[0] + trace.high[0]) / 2
    before, after = middle[trace.t_s < -2e-5][-1], middle[trace.t_s > 2e-5][0]
    assert (before < 1.0 < 3.0 < after) if slope == "rising" else (after < 1.0 < 3.0 < before)
    other = np.flatnonzero(abs(np.diff(middle)) > 1.0)
    assert len(other) >= 2  # both edges are on the picture
    assert trace.t_s[other].max() - trace.t_s[other].min() == pytest.approx(1.25e-3, abs=3e-5)
    assert at > 2e-3


def test_no_trigger_is_said_and_a_picture_is_taken_all_the_same():
    trace = taken(settings(AT_A, 1e-3, 1.0, 2.0, trigger=(1, 4.5, "rising")), [0, 4, 0], [3e-3, 4e-3])
    assert trace.note == "nothing crossed the trigger level; the picture was taken without it"
    assert trace.t_s[0] == 0.0
    assert trace.high.max() == pytest.approx(4.0, abs=0.1)


def test_noise_about_the_level_does_not_trigger():
    """The signal must have been a fifth of a division beyond the level on the other side."""
    small = taken(settings(AT_A, 1e-3, 1.0, trigger=(1, 2.0, "rising")), [1.9, 2.05, 1.9], [3e-3, 4e-3])
    assert small.note.startswith("nothing crossed")
    large = taken(settings(AT_A, 1e-3, 1.0, trigger=(1, 2.0, "rising")), [1.7, 2.05, 1.7], [3e-3, 4e-3])
    assert large.note == ""


def test_without_a_trigger_the_picture_begins_at_once():
    trace = taken(settings(AT_A, 1e-3, 1.0), [0, 4], [2.5e-3])
    assert (trace.t_s[0], len(trace.t_s)) == (0.0, COLUMNS)
    assert trace.t_s[np.argmax(trace.high[0] > 2)] == pytest.approx(2.5e-3, abs=2e-5)


def test_a_late_trigger_still_shows_a_machine_that_turns():
    """The cam signal comes once in 37.5 ms, so that with 10 ms a screen the trigger may be found after more than two
    screens; the crankshaft's teeth, 4 ms apart, must go on to the right edge of the picture."""
    bench = casekit.open_machine("street-sweeper")
    bench.key("run")
    leads = [("B7.2", EARTH), ("B6.1", "B6.2")]
    found = 0
    for _ in range(4):
        bench.zero_clamp()
        trace = bench.scope(leads, 1e-3, 2.0, [2.0, 0.0], trigger=(1, 2.5, "rising")).trace
        found += trace.note == ""
        crank = (trace.low[1] + trace.high[1]) / 2
        for end in (slice(0, 250), slice(750, 1000)):  # most of a tooth, at the least
            assert np.ptp(crank[end]) > 6.0
    assert found >= 2


# Peak detect, roll, range ----------------------------------------------------------------------------------------


def test_peak_detect_keeps_a_spike_that_samples_miss():
    """The supply is gone for a microsecond, between two samples 10 us apart."""
    circuit = ([5, 0, 5], [3.0042e-3, 3.0052e-3])
    sampled = taken(settings(AT_A, 1e-3, 1.0, 2.0, peak=False), *circuit)
    assert sampled.low.min() > 4.8
    kept = taken(settings(AT_A, 1e-3, 1.0, 2.0, peak=True), *circuit)
    column = kept.low[0].argmin()
    assert kept.low[0, column] == pytest.approx(0.0, abs=0.1)
    assert kept.t_s[column] == pytest.approx(3.0e-3, abs=1e-5)
    assert (np.delete(kept.low[0], column) > 4.8).all()
    assert kept.high[0, column] > 4.8  # the column shows both


def test_rolling_keeps_one_sample_a_column():
    bench = casekit.open_machine("street-sweeper")
    bench.key("run")
    rolled = bench.scope([("B4.2", EARTH)], 0.05, 1.0, 2.0, roll=True).trace
    assert (rolled.low == rolled.high).all()
    assert rolled.t_s[-1] == pytest.approx(0.5, abs=0.001)
    kept = bench.scope([("B4.2", EARTH)], 0.05, 1.0, 2.0).trace
    assert (kept.high - kept.low > 4).sum() == pytest.approx(2 * 80, abs=4)  # the columns with an edge of 80 teeth


@pytest.mark.parametrize(
    ("offset_v", "note"),
    [
        (2.0, ""),
        (0.0, "beyond the screen: change volts a division or the offset"),
        (5.0, "beyond the screen: change volts a division or the offset"),
    ],
)
def test_what_leaves_the_screen_is_said(offset_v, note):
    """0 to 5 V at 1 V a division: between -2 and 6 V all is seen, up to 4 V the top is cut, from 1 V the foot."""
    trace = taken(settings(AT_A, 1e-3, 1.0, offset_v), [0, 5], [5e-3])
    assert trace.note == note
    assert trace.high.max() <= offset_v + 4
    assert trace.low.min() >= offset_v - 4


# On the machine --------------------------------------------------------------------------------------------------


def test_wheels_show_their_teeth_times_their_speed():
    """Street sweeper at 800 rpm: fan 8 teeth x 1.5 turns = 160 Hz, cam 4 x 0.5 = 26.67 Hz, crankshaft 20 - 1 teeth, 19
    of them in a revolution and one gap of two pitches; four revolutions fill the screen. The pick-up's voltage rises
    with the speed, 1800 to 800."""
    bench = casekit.open_machine("street-sweeper")
    bench.key("run")
    leads = [("B4.2", EARTH), ("B7.2", EARTH), ("B6.1", "B6.2"), ("G1.+", EARTH)]
    screen = bench.scope(leads, 0.03, [1.0, 1.0, 4.0, 5.0], [2.0, 2.0, 0.0, 10.0])
    assert screen.trace.labels == tuple(f"{red} against {black}" for red, black in leads)
    hertz = screen.figures()["Hz"].tolist()
    assert hertz[0] == pytest.approx(160.0, rel=0.01)
    assert hertz[1] == pytest.approx(800 / 60 * 0.5 * 4, rel=0.01)
    crank = (screen.trace.low[2] + screen.trace.high[2]) / 2
    rises = screen.trace.t_s[np.flatnonzero((crank[:-1] < 1) & (crank[1:] >= 1))]
    pitch = 60 / 800 / 20
    assert np.median(np.diff(rises)) == pytest.approx(pitch, rel=0.1)
    assert 2 * 19 <= np.sum(np.diff(rises) < 1.5 * pitch) <= 4 * 19
    assert 3 <= np.sum(np.diff(rises) > 1.5 * pitch) <= 4
    idle = screen.figures()["peak to peak"].iloc[2]
    bench.operate("load")
    loaded = bench.scope(leads, 0.03, [1.0, 1.0, 4.0, 5.0], [2.0, 2.0, 0.0, 10.0]).figures()
    assert loaded["peak to peak"].iloc[2] / idle == pytest.approx(1800 / 800, rel=0.05)
    assert loaded["Hz"].iloc[0] == pytest.approx(360.0, rel=0.02)
    assert screen.figures()["mean"].iloc[3] == pytest.approx(14.2, abs=0.1)


def test_cranking_pulls_the_battery_down():
    """From 12.6 to 9.6 V as the starter bites, then ripple from compressions: 200 rpm, four cylinders, two of them in
    a revolution, 6.67 Hz."""
    bench = casekit.open_machine("street-sweeper")
    bench.key("on")
    screen = bench.scope([("G1.+", EARTH)], 0.2, 1.0, 11.0, during="crank")
    assert screen.trace.state == "key on, then crank"
    rest, dip = screen.trace.low[0, :90], screen.trace.low[0].min()
    assert rest.min() == pytest.approx(12.6, abs=0.08)
    assert dip == pytest.approx(9.6, abs=0.1)
    assert screen.trace.t_s[screen.trace.low[0].argmin()] == pytest.approx(0.22, abs=0.02)
    turning = screen.trace.low[0, 150:]
    rises = np.flatnonzero((turning[:-1] < turning.mean()) & (turning[1:] >= turning.mean()))
    times = screen.trace.t_s[150:][rises]
    times = times[np.diff(times, prepend=-1.0) > 0.05]
    assert np.diff(times).mean() == pytest.approx(60 / 200 / 2, rel=0.03)
    assert bench.state.key == "on"  # the picture is over


def test_a_pedal_sweep_runs_from_end_to_end_in_its_own_time():
    """0 to 80 % in half a second, a tenth of the screen in: track 1 from 0.15 to 0.15 + 0.8 x 0.65 of 5 V, track 2 from
    half to half of it."""
    bench = casekit.open_machine("street-sweeper")
    bench.key("run")
    trace = bench.scope([("B5.2", EARTH), ("B5.5", EARTH)], 0.08, 0.5, 2.0, during="pedal").trace
    first, second = trace.low
    assert first[:50].mean() == pytest.approx(0.75, abs=0.04)
    assert first[-50:].mean() == pytest.approx(3.35, abs=0.06)
    assert second[-50:].mean() == pytest.approx(first[-50:].mean() / 2, abs=0.06)
    moving = trace.t_s[(first > 0.8) & (first < 3.27)]
    assert moving[0] == pytest.approx(0.09, abs=0.02)
    assert moving[-1] - moving[0] == pytest.approx(0.5, abs=0.04)
    assert (np.diff(first) > -0.06).all()


def test_a_supply_that_retries_shows_pulses():
    """20 ms on and 200 ms off, over and over: 4.5 in a second."""
    bench = casekit.open_machine("telehandler", fault=casekit.ShortToGround("W10", 2.0))
    bench.key("on")
    trace = bench.scope([("B5.1", EARTH)], 0.1, 0.1, 0.2).trace
    on = trace.high[0] > 0.2
    begins = trace.t_s[1:][on[1:] & ~on[:-1]]
    assert np.diff(begins) == pytest.approx(0.22, abs=0.003)
    assert on.sum() / len(on) == pytest.approx(20 / 220, abs=0.02)


def test_a_picture_is_a_line_of_the_log():
    bench = casekit.open_machine("street-sweeper")
    bench.key("on")
    before = bench.clock
    screen = bench.scope([("B1.1", EARTH), ("B12.1", EARTH)], 0.5, 1.0, 2.0)
    # Three minutes to each sensor and one to the battery, the leads, setting up, five seconds of picture.
    assert bench.clock - before == pytest.approx(3 + 3 + 1 + 2 * 0.5 + 3.0 + 5 / 60)
    line = bench.log.iloc[-1]
    assert line[["action", "what", "red", "shown"]].tolist() == [
        "reading", "scope", "B1.1 against G1.-; B12.1 against G1.-", "2 channels"
    ]  # fmt: skip
    figures = screen.figures()
    assert bench.events[-1].data == tuple(
        (f"{point} {EARTH} {word}", figures[word].iloc[k])
        for k, point in enumerate(("B1.1", "B12.1"))
        for word in ("least", "greatest", "mean")
    )
    steps = figures[["least", "greatest"]].to_numpy() / (8 / 256)
    assert steps == pytest.approx(steps.round(), abs=1e-6)  # what the converter showed, not what was there
    table = screen.table()
    assert table.columns[0] == "t_s"
    assert table.shape == (COLUMNS, 5)
    bench.scope([("B1.1", EARTH)], 1e-3, 0.1)
    assert bench.log["shown"].iloc[-1] == "1 channel"
    assert bench.log["note"].iloc[-1] == "beyond the screen: change volts a division or the offset"


# What is refused -------------------------------------------------------------------------------------------------

ONE, TWO = [("B1.1", EARTH)], [("B1.1", EARTH), ("B12.1", EARTH)]
REFUSED = [
    (lambda b: b.scope([]), "the oscilloscope has 4 channels and 0 were asked for; give one to four."),
    (lambda b: b.scope(ONE * 5), "the oscilloscope has 4 channels and 5 were asked for; give one to four."),
    (lambda b: b.scope("B1.1"), "the leads are 'B1.1'; write a list of pairs of points, such as [('G1.+', 'G1.-')]."),
    (lambda b: b.scope(("B1.1", EARTH)),
     "'B1.1' is not a pair of points; write (red, black), such as ('G1.+', 'G1.-')."),
    (lambda b: b.scope([("B1.1", EARTH), ("B12.1m", EARTH)]),
     "B12.1m is behind the plugged connector B12; unplug B12 first."),
    (lambda b: b.scope([("B1.1", "B1.1")]), "both leads are on B1.1; put one of them somewhere else."),
    (lambda b: b.scope(ONE, 1e-7), "s_per_div is 1e-07 s; the oscilloscope has 1e-06 to 0.5 s."),
    (lambda b: b.scope(ONE, 1.0), "s_per_div is 1 s; the oscilloscope has 1e-06 to 0.5 s."),
    (lambda b: b.scope(ONE, "fast"), "s_per_div is 'fast'; write a number from 1e-06 to 0.5 s."),
    (lambda b: b.scope(ONE, math.nan), "s_per_div is nan; write a number from 1e-06 to 0.5 s."),
    (lambda b: b.scope(ONE, 0.01, 0.001), "v_per_div is 0.001 V; the oscilloscope has 0.005 to 20 V."),
    (lambda b: b.scope(TWO, 0.01, [1.0, 50]), "v_per_div is 50 V; the oscilloscope has 0.005 to 20 V."),
    (lambda b: b.scope(ONE, 0.01, True), "v_per_div is True; write a number from 0.005 to 20 V."),
    (lambda b: b.scope(TWO, 0.01, [1.0]), "v_per_div has 1 values for 2 channels; give one for each, or one for all."),
    (lambda b: b.scope(ONE, 0.01, 1.0, 21.0), "offset_v is 21 V; the oscilloscope has -20 to 20 V."),
    (lambda b: b.scope(ONE, 0.01, 1.0, [0, 0]),
     "offset_v has 2 values for 1 channels; give one for each, or one for all."),
    (lambda b: b.scope(ONE, trigger=(2, 1.0, "rising")), "the trigger channel is 2; use 1 to 1."),
    (lambda b: b.scope(TWO, trigger=("1", 1.0, "rising")), "the trigger channel is '1'; use 1 to 2."),
    (lambda b: b.scope(ONE, trigger=(1, 4.5, "rising")), "trigger level is 4.5 V; the oscilloscope has -4 to 4 V."),
    (lambda b: b.scope(ONE, trigger=(1, None, "rising")), "trigger level is None; write a number from -4 to 4 V."),
    (lambda b: b.scope(ONE, trigger=(1, 1.0, "up")), "the trigger slope is 'up'; use 'rising' or 'falling'."),
    (lambda b: b.scope(ONE, trigger=1.0),
     "the trigger is 1.0; write (channel, volts, 'rising') or (channel, volts, 'falling')."),
    (lambda b: b.scope(ONE, trigger=(1, 1.0, "rising"), roll=True),
     "rolling has no trigger; leave out trigger or roll."),
    (lambda b: b.scope(ONE, during="crank"), "cranking begins from key on, and the key is off; turn it to on first."),
    (lambda b: b.scope(ONE, during="pedal"), "pedal needs the key in run, and it is off."),
    (lambda b: b.scope(ONE, during="dance"), "this machine cannot 'dance'; it can: pedal, brooms, load."),
]  # fmt: skip


@pytest.mark.parametrize(("take", "sentence"), REFUSED, ids=[r[1][:45] for r in REFUSED])
def test_what_the_instrument_does_not_have_is_said(take, sentence):
    assert refused(casekit.open_machine("street-sweeper"), take) == sentence
