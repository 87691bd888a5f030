"""The control unit's own view: scan data, trouble codes, and what it does to the machine and its driver."""

import math

import numpy as np
import pytest
from test_bench import refused

import casekit
from casekit import HighResistance, Intermittent, Open
from casekit.bench.memory import STORED_S, Memory
from casekit.files.library import case_file, names
from casekit.machine.faults import SensorDrifted
from casekit.machine.rules import Seen

EARTH = "G1.-"
SEEDS = [None, 1, 2, 3]
# What has to be done, beside letting the engine run, until everything shows that the customer complains of.
LIVED = {"boom-stops-halfway": ["boom"], "lame-on-the-ramp": ["load"], "gauges-all-too-high": ["pedal"],
         "works-with-one-unplugged": ["pedal"]}  # fmt: skip
WARM = ("leans-when-warm",)


@pytest.fixture
def bench():
    return casekit.open_machine("street-sweeper")


def scanned(bench):
    return bench.scan().set_index("channel")


# The table -------------------------------------------------------------------------------------------------------


def test_scan_data_is_what_the_converter_makes_of_the_inside(bench):
    """10 bits of 5 V: steps of 4.8828 mV (I7, V / 2^N), written to a millivolt; values by the law of a ratiometric
    sensor, 0.1 to 0.9 of its supply (S10, a sensor maker's page)."""
    bench.key("run")
    before = bench.clock
    table = bench.scan()
    assert bench.clock - before == pytest.approx(2.5)
    assert table.columns.tolist() == ["channel", "value", "unit", "volts inside", "remark"]
    rows = table.set_index("channel")
    inside = rows["volts inside"].drop([n for n in rows.index if n.startswith("supply")]).dropna()
    steps = inside / 4.8828e-3
    assert steps.tolist() == pytest.approx(steps.round().tolist(), abs=0.11)
    assert len(steps) == 10
    pressure = rows.loc["B9 engine oil pressure"]
    assert pressure["value"] == pytest.approx((pressure["volts inside"] / 5 - 0.1) / 0.8 * 10, abs=0.002)
    assert pressure["value"] == pytest.approx(3.6, abs=0.1)
    assert rows.loc["B6 crankshaft speed", ["value", "unit"]].tolist() == [800.0, "r/min"]
    assert rows.loc["B7 camshaft position", "value"] == 400.0
    assert rows.loc["B8 coolant temperature", "value"] == pytest.approx(22.0, abs=2.0)  # just started, still cold
    assert set(rows["remark"]) == {""}
    bench.scan()
    assert bench.clock - before == pytest.approx(3.0)  # the lead stays in
    assert bench.log.iloc[-1][["what", "red", "shown"]].tolist() == ["scan", "control unit", f"{len(rows)} values"]


def test_values_that_are_substituted_say_so():
    """A circuit fault: boost pressure takes its substitute, oil pressure has none; both show what is measured."""
    bench = casekit.open_case("oil-and-boost-low")
    bench.key("run")
    rows = scanned(bench)
    assert rows.loc["B10 boost pressure", ["value", "remark"]].tolist() == [101.0, "substitute value"]
    assert math.isnan(rows.loc["B9 engine oil pressure", "value"])
    assert rows.loc["B9 engine oil pressure", "remark"] == "no value"
    assert rows.loc[["B9 engine oil pressure", "B10 boost pressure"], "volts inside"].max() < 0.2
    assert rows["remark"].ne("").sum() == 2


def test_scan_data_carries_its_numbers_as_shown(bench):
    """Volts inside to a millivolt, speeds for speed signals, what is substituted as it is measured; not in the log."""
    bench.key("run")
    bench.unplug("B10")
    rows = scanned(bench)
    data = dict(bench.events[-1].data)
    assert data == rows["value"].where(rows["unit"] == "r/min", rows["volts inside"]).to_dict()
    assert {type(number) for number in data.values()} == {float}
    assert data["B6 crankshaft speed"] == 800.0
    assert data["B10 boost pressure"] == rows.loc["B10 boost pressure", "volts inside"]
    assert "data" not in bench.log
    trace = bench.scan_trace(["B9", "supply V2"], 2.0).trace
    assert bench.events[-1].data == tuple(
        (f"{label} {word}", end(row))
        for label, row in zip(trace.labels, trace.low, strict=True)
        for word, end in (("least", np.min), ("greatest", np.max))
    )


def test_a_drifted_sensor_is_believed():
    """Within its limits the unit takes any signal for good: no remark and no code."""
    bench = casekit.open_machine("street-sweeper", fault=SensorDrifted("B9", 0.1))
    bench.key("run")
    row = scanned(bench).loc["B9 engine oil pressure"]
    assert row["value"] == pytest.approx(3.6 + 10 * 0.1 / 0.8, abs=0.15)
    assert row["remark"] == ""
    assert bench.codes().empty


def test_zero_means_a_short_or_the_unit_and_an_open_outside_stays_at_5_volts():
    """Scan data of a supply is measured inside, before the pin. Common practice, no source."""
    for fault, zero in (
        (casekit.faults.ShortToGround("X1.5", 0.05), True),
        (casekit.faults.SupplyDead("V1"), True),
        (casekit.faults.Open("X1.5"), False),
        (casekit.faults.Open("W10"), False),
    ):
        bench = casekit.open_machine("street-sweeper", fault=fault)
        bench.key("on")
        outside = bench.volts("B5.1", EARTH).value
        inside = bench.scan().set_index("channel")["value"]["supply V1"]
        assert abs(outside) < 0.05
        assert (abs(inside) < 0.05) if zero else inside == pytest.approx(5.0, abs=0.06)
        assert ("P0642" in set(bench.codes()["code"])) is zero


# The trace -------------------------------------------------------------------------------------------------------


def test_a_trace_comes_five_times_a_second_and_late(bench):
    """Five values a second behind a first-order filter of 0.1 s. The pedal goes from 0 to 80 % in half a second, from
    0.4 s on: of a ramp r the filter shows r (t - tau + tau e^(-t / tau)), and what is left after it dies away."""
    bench.key("run")
    trace = bench.scan_trace(["B5"], 4.0, during="pedal").trace
    assert trace.t_s == pytest.approx(np.arange(0.0, 4.0, 0.2), abs=1e-6)
    assert trace.labels == ("B5 drive pedal track 1",)
    assert trace.units == ("%",)
    assert (trace.low == trace.high).all()
    rate, tau = 160.0, 0.1

    def filtered(t):
        ramp = min(max(t, 0.0), 0.5)
        end = rate * (ramp - tau + tau * math.exp(-ramp / tau))
        return 80.0 - (80.0 - end) * math.exp(-(t - 0.5) / tau) if t > 0.5 else end

    expected = [filtered(t - 0.4) for t in trace.t_s]
    assert trace.low[0] == pytest.approx(expected, abs=1.5)
    assert bench.state.held == frozenset()
    assert bench.log.iloc[-1][["what", "red", "shown"]].tolist() == [
        "scan trace", "B5 drive pedal track 1", "20 values each"
    ]  # fmt: skip


def test_short_dropouts_are_smoothed_away():
    """The scope sees breaks of some milliseconds, on the unit's side held up by the capacitor of its input filter; in
    scan data the signal sags a little."""
    fault = Intermittent(Open("W60b"), "CP3", 1.0, 0.38, torque_mm=0.5, shake_mm=0.17)
    bench = casekit.open_machine("street-sweeper", 4, fault)
    bench.key("run")
    good = scanned(bench).loc["B9 engine oil pressure", "volts inside"]
    bench.operate("load")
    figures = bench.scope([("X2.10", EARTH)], 0.02, 1.0, 2.0).figures()
    assert figures["peak to peak"].item() > 0.8
    trace = bench.scan_trace(["B9 engine oil pressure", "supply V2"], 5.0).trace
    assert trace.low[0].min() > 3.0  # of 4.4 bar, where no signal at all would show 0
    assert trace.low[1] == pytest.approx(np.full(25, 5.0), abs=0.1)
    assert good > 1.5
    assert bench.codes().empty
    assert "come and go" not in bench.notice().text


@pytest.mark.parametrize("seed", [4, 5, 6])
def test_chatter_shorter_than_the_debounce_sets_nothing(seed):
    """Half of the time away: beyond its limits for some hundredths of a second. Something is felt, but there is no code
    and no substitute value, however long it goes on."""
    fault = Intermittent(Open("W60b"), "CP3", 1.0, 0.54, torque_mm=0.5, shake_mm=0.17)
    bench = casekit.open_machine("street-sweeper", seed, fault)
    bench.key("run")
    bench.operate("load")
    for _ in range(3):
        assert bench.codes().empty
    assert scanned(bench)["remark"].ne("").sum() == 0
    noticed = bench.notice().text.split("; ")
    assert {"things come and go while you watch", "the oil lamp goes out when the engine runs"} <= set(noticed)


# Codes -----------------------------------------------------------------------------------------------------------

LOW = Seen("P0522", "B9", "voltage too low", 0.5)


def test_debounce_pending_stored():
    """Shorter than its debounce a fault is nothing; then it is pending; stored once it has lasted ten seconds in all
    (common practice, no source). The snapshot is that of the first moment."""
    memory, asked = Memory(), []

    def snapshot():
        asked.append(len(asked))
        return {"state": f"moment {len(asked)}"}

    memory.key_on()
    assert memory.live({LOW: 0.49}, snapshot) == []
    assert memory.entries == {}
    assert memory.live({LOW: 0.5}, snapshot) == ["P0522"]
    assert memory.entries["P0522"].status == "pending"
    for _ in range(18):
        assert memory.live({LOW: 0.5}, snapshot) == []
    assert memory.entries["P0522"].status == "pending"
    memory.live({LOW: 0.5}, snapshot)
    assert (STORED_S, memory.entries["P0522"].status) == (10.0, "stored")
    assert memory.entries["P0522"].snapshot == {"state": "moment 1"}
    assert asked == [0]
    assert memory.live({Seen(None, "B1", "voltage too low", 0.5): 60.0}, snapshot) == []  # a channel without a code
    assert memory.clear() == 1


def test_a_fault_that_is_back_after_the_next_key_on_is_stored():
    memory = Memory(("P0107",))
    memory.key_on()
    memory.live({LOW: 1.0}, dict)
    memory.live({LOW: 1.0}, dict)
    assert memory.entries["P0522"].status == "pending"
    memory.key_on()
    memory.live({}, dict)
    assert memory.entries["P0522"].status == "pending"
    memory.live({LOW: 1.0}, dict)
    assert memory.entries["P0522"].status == "stored"
    assert memory.entries["P0107"].status == "stored"  # from before the machine came in


@pytest.mark.parametrize("seed", SEEDS)
def test_a_loose_fault_is_pending_first_and_stored_when_it_comes_again(seed):
    bench = casekit.open_case("lame-on-the-ramp", seed)
    bench.key("run")
    bench.clear_codes()
    bench.operate("load")
    codes = bench.codes()
    assert codes["code"].tolist() == ["P0192"]
    assert codes["title"].tolist() == ['Fuel Rail Pressure Sensor "A" Circuit Low']
    assert codes["set in"].tolist() == ["key run, load"]
    first = codes["status"].tolist()
    assert bench.events[-1].data == (("P0192", 0.5),)
    bench.key("off")
    bench.key("run")
    bench.operate("load")
    assert bench.codes()["status"].tolist() == ["stored"]
    assert bench.events[-1].data == (("P0192", 1.0),)
    assert first == ["pending"]
    bench.release("load")
    assert bench.codes()["status"].tolist() == ["stored"]  # away, and remembered


def test_a_snapshot_keeps_the_moment(bench):
    bench.key("run")
    bench.operate("brooms")
    bench.unplug("B10")
    kept = bench.snapshot("P0107").set_index("channel")["value"]
    assert kept["state"] == "key run, brooms, B10 unplugged"
    assert kept["B6 crankshaft speed"] == "800 r/min"
    assert float(kept["B1 broom pressure"].split()[0]) == pytest.approx(38.0, abs=1.0)
    bench.plug("B10")
    bench.release("brooms")
    assert bench.snapshot("P0107").set_index("channel")["value"].to_dict() == kept.to_dict()
    past = casekit.open_case("oil-and-boost-low", 1)
    assert past.sheet.rows[-1][1].startswith("P0522")
    past.repair("W42")
    past.key("on")
    assert past.codes()["set in"].tolist() == ["key on", "key on"]
    kept = past.snapshot("P0522").set_index("channel")["value"]
    assert float(kept["B9 engine oil pressure"].split()[0]) == 0.0
    loose = casekit.open_case("boom-stops-halfway")
    loose.key("on")
    assert set(loose.codes()["set in"]) == {"key run, boom"}


@pytest.mark.parametrize("case", [name for name in names("cases") if case_file(name).faults])
@pytest.mark.parametrize("seed", SEEDS)
def test_stored_codes_are_those_the_unit_sets(case, seed):
    """Cleared, lived through in the state in which the fault is there, key off and on, and again: exactly the codes
    on the sheet, all stored."""
    bench = casekit.open_case(case, seed)
    bench.key("on")
    assert bench.codes()["status"].tolist() == ["stored"] * len(case_file(case).codes)
    bench.clear_codes()
    for _ in range(2):
        bench.key("run")
        if case in WARM and not bench.state.hot:
            assert bench.codes().empty
            bench.warm_up()
        for operation in LIVED.get(case, []):
            bench.operate(operation)
        codes = bench.codes()
        bench.key("off")
    assert codes["code"].tolist() == sorted(case_file(case).codes)
    assert codes["status"].tolist() == ["stored"] * len(codes)
    if case in ("boom-stops-halfway", "lame-on-the-ramp"):
        bench.key("run")
        bench.clear_codes()
        assert bench.codes().empty  # with the fault away nothing comes back
        assert bench.events[-1].data == ()


# What the driver notices -----------------------------------------------------------------------------------------


@pytest.mark.parametrize("seed", SEEDS)
def test_a_shorted_supply_may_leave_the_engine_running_with_less_power(seed):
    """A machine with two regulators runs badly on the other one: crankshaft and camshaft are seen, the pedal's two
    tracks disagree. Common practice, no source."""
    for case in ("broom-frame-dead", "rail-sensor-in-vain", "boom-stops-halfway"):
        bench = casekit.open_case(case, seed)
        assert bench.key("run") == "key run"
        if case == "boom-stops-halfway":
            assert "the engine stops" not in bench.operate("boom")
        noticed = bench.notice().text.split("; ")
        assert noticed[0] == "power is reduced"
        assert {"the engine runs", "the engine starts at once"} <= set(noticed)


def test_two_tracks_that_disagree_cost_power():
    bench = casekit.open_machine("street-sweeper", fault=SensorDrifted("B5", 0.15))
    bench.key("run")
    assert bench.notice().text.split("; ")[0] == "power is reduced"
    assert bench.codes()["code"].tolist() == ["P2138"]
    fine = casekit.open_machine("street-sweeper")
    fine.key("run")
    assert "power is reduced" not in fine.notice().text
    assert "the pedal answers" in fine.notice().text.split("; ")


def test_the_engine_needs_its_crankshaft_and_only_likes_its_camshaft(bench):
    """Crankshaft lost: it stops, does not start again, and P0335 is set while it cranks. Camshaft lost: it goes on, and
    starts late."""
    bench.key("run")
    bench.clear_codes()
    assert bench.unplug("B7") == "B7 is unplugged"
    assert bench.codes()["code"].tolist() == ["P0340"]
    noticed = bench.notice().text.split("; ")
    assert {"the engine starts only after long cranking", "the engine runs", "the engine starts late"} <= set(noticed)
    bench.key("on")
    assert bench.key("run") == "key run"
    bench.plug("B7")
    assert bench.unplug("B6") == "B6 is unplugged; the engine stops, the key is on"
    assert bench.log.iloc[-1][["action", "what", "key"]].tolist() == ["engine", "the engine stops", "on"]
    bench.clear_codes()
    assert bench.key("run") == "the engine cranks and does not start; the key is on"
    assert bench.codes()["code"].tolist() == ["P0335"]
    bench.plug("B6")
    assert bench.key("run") == "key run"


def test_a_weak_crankshaft_signal_is_enough_until_it_is_not():
    """The unit must get half of what the coil gives: two pull-downs of 10 kohm allow as much again in the wire."""
    for r_ohm, starts in ((10_000.0, True), (40_000.0, False)):
        bench = casekit.open_machine("street-sweeper", fault=HighResistance("W66b", r_ohm))
        assert (bench.key("run") == "key run") is starts


def test_no_power_no_answer():
    bench = casekit.open_machine("street-sweeper", fault=Open("W3"))
    assert bench.notice().text == "everything is dark with the key off"
    bench.key("on")
    assert bench.notice().text == "nothing on the panel lights up: the control unit has no power"
    sentence = "the control unit does not answer: it has no power or no ground; look at its feed first."
    for ask in (
        lambda b: b.scan(), lambda b: b.codes(), lambda b: b.clear_codes(), lambda b: b.snapshot("P0642"),
        lambda b: b.scan_trace(["V1"]),
    ):  # fmt: skip
        assert refused(bench, ask) == sentence
    assert bench.key("run") == "the engine cranks and does not start; the key is on"


# What is refused -------------------------------------------------------------------------------------------------

ASLEEP = "the control unit sleeps with the key off; turn the key on first."
REFUSED = [
    ("off", lambda b: b.scan(), ASLEEP),
    ("off", lambda b: b.codes(), ASLEEP),
    ("off", lambda b: b.snapshot("P0642"), ASLEEP),
    ("off", lambda b: b.scan_trace(["V1"]), ASLEEP),
    ("on", lambda b: b.snapshot("P0642"), "the control unit has no code 'P0642'; read its codes first."),
    ("on", lambda b: b.snapshot(["P0642"]), "the control unit has no code ['P0642']; read its codes first."),
    ("on", lambda b: b.scan_trace(["B99"]), "scan data has no channel 'B99' that could be traced."),
    (
        "on",
        lambda b: b.scan_trace(["V1", "suply V2"]),
        "scan data has no channel 'suply V2' that could be traced. Did you mean supply V2?",
    ),
    ("on", lambda b: b.scan_trace(["B6"]), "scan data has no channel 'B6' that could be traced."),
    (
        "on",
        lambda b: b.scan_trace([]),
        "no channel was named; name one or more of scan data, such as a sensor or a supply.",
    ),
    ("on", lambda b: b.scan_trace(["V1"], 0.5), "a trace of 0.5 s: use a number of seconds from 1 to 60."),
    ("on", lambda b: b.scan_trace(["V1"], 61), "a trace of 61 s: use a number of seconds from 1 to 60."),
    ("on", lambda b: b.scan_trace(["V1"], "5"), "a trace of '5' s: use a number of seconds from 1 to 60."),
    ("on", lambda b: b.scan_trace(["V1"], during="pedal"), "pedal needs the key in run, and it is on."),
    (
        "run",
        lambda b: b.scan_trace(["V1"], during="crank"),
        "cranking begins from key on, and the key is run; turn it to on first.",
    ),
]


@pytest.mark.parametrize(("key", "ask", "sentence"), REFUSED, ids=[f"{r[0]} {r[2][:45]}" for r in REFUSED])
def test_what_the_control_unit_cannot_be_asked(bench, key, ask, sentence):
    if key != "off":
        bench.key(key)
    assert refused(bench, ask) == sentence
