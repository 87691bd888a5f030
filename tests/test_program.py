"""What the control unit was programmed to expect: the right input for every signal, and values that come back right."""

from dataclasses import replace

import numpy as np
import pytest
from everyfault import machines, running

import casekit
from casekit.circuit.mean import average, only, points
from casekit.circuit.operating_point import solve
from casekit.files.codes import TITLES
from casekit.files.library import case_file, machine_file
from casekit.machine import faults as f
from casekit.machine.program import MISMATCH, Channel, Program
from casekit.machine.rules import Seen, View, behaviour, seen, values
from casekit.machine.sensors import (
    HallSwitch,
    InductivePickup,
    Potentiometer,
    PressureSensor,
    Thermistor,
    ntc_ohm,
    platinum_ohm,
)
from casekit.machine.state import State
from casekit.machine.unit import Input, Supply

ON = State("on")
MACHINES = machines()
every_machine = pytest.mark.parametrize("machine", MACHINES, ids=lambda m: m.name)


def measured(machine, state):
    """Voltage of every channel but the speeds', inside the unit, against its ground; the mean while wheels turn."""
    found = points(only(machine), state)
    nodes = {c.name: c.node for c in machine.program.channels if c.kind != "speed"}
    return {n: average(found, lambda p, node=node: p.volts(node, "A1.gnd")) for n, node in nodes.items()}


def of_kind(machine, *kinds):
    """The channels of these kinds."""
    return [c for c in machine.program.channels if c.kind in kinds]


def sensor_of(machine, channel):
    """The part a channel measures; the right track of a double potentiometer."""
    track = channel.name[-len("track 1") :]
    names = (channel.sensor, f"{channel.sensor} {track}")
    kinds = (Potentiometer, PressureSensor, HallSwitch, Thermistor, InductivePickup)
    return next(p for p in machine.all(kinds) if p.name in names)


# Mapping ---------------------------------------------------------------------------------------------------------


@every_machine
def test_every_signal_is_measured_at_the_input_its_wire_comes_from(machine):
    """Signal wires are drawn as runs from a pin of the unit to a cavity of a sensor: the file's own ends."""
    runs = {wire.path[-1]: wire.path[0] for wire in machine_file(machine.name).wires}
    inputs = {i.inside: i for i in machine.all(Input)}
    for channel in machine.program.channels:
        if channel.kind == "supply":
            assert channel.node == machine.part(channel.sensor, Supply).inside
            continue
        cavity = {Thermistor: 1, InductivePickup: 1}.get(type(sensor_of(machine, channel)), 2)
        cavity = 5 if channel.name.endswith("track 2") else cavity
        assert inputs[channel.node].pin == f"{runs[f'{channel.sensor}.{cavity}']}m"
    assert len({c.node for c in machine.program.channels}) == len(machine.program.channels)


@every_machine
def test_every_sensor_and_supply_has_its_channel(machine):
    """One for each sensor and supply, two for a double potentiometer."""
    file = machine_file(machine.name)
    expected = {name: 2 if s.type == "double potentiometer" else 1 for name, s in file.sensors.items()}
    expected |= dict.fromkeys(file.control_unit.supplies, 1)
    counted = dict.fromkeys(expected, 0)
    for channel in machine.program.channels:
        counted[channel.sensor] += 1
        assert machine.program.channel(channel.name) is channel
    assert counted == expected


@every_machine
def test_codes_are_those_of_the_file_and_have_titles(machine):
    file = machine_file(machine.name)
    for channel in machine.program.channels:
        codes = [channel.low_code, channel.high_code, channel.missing_code, channel.mismatch_code]
        assert {c for c in codes if c} <= set(TITLES)
        if channel.kind == "supply":
            drawn = file.control_unit.supplies[channel.sensor].codes
            assert codes[:2] == [drawn.low, drawn.high]
            continue
        drawn = file.sensors[channel.sensor].codes
        second = channel.name.endswith("track 2")
        assert codes[:2] == ([drawn.low2, drawn.high2] if second else [drawn.low, drawn.high])
        assert codes[2:] == [drawn.missing, None if second else drawn.mismatch]
        assert (channel.works, channel.lost) == (file.sensors[channel.sensor].works, file.sensors[channel.sensor].lost)


@every_machine
def test_the_program_stays_the_same_in_a_faulty_machine(machine):
    """The unit does not know that the harness is not as drawn."""
    wire = machine.all(Input)[0].pin[:-1]
    for sick in (machine.with_fault(f.Open(wire)), machine.as_built(3), machine.with_fault(f.SupplyDead("V1"))):
        assert sick.program is machine.program


# Values ----------------------------------------------------------------------------------------------------------


@every_machine
def test_ranged_signals_come_back_as_the_operating_value(machine):
    """Within half a step of the converter and 4 mV along the harness, less what the input's pull resistor takes off: a
    potentiometer's textbook loading error a^2 (1 - a) / (b + a (1 - a)), an output stage's own 50 ohm."""
    program = machine.program
    step = 5.0 / 2**program.adc_bits
    pulls = {i.inside: i for i in machine.all(Input)}
    for state in (ON, *running(machine)):
        volts = measured(machine, state)
        for channel in of_kind(machine, "share"):
            part, pull = sensor_of(machine, channel), pulls[channel.node]
            a = part.output.share(state)
            if isinstance(part, Potentiometer):
                b = (pull.pull_ohm + part.wiper_ohm) / part.track_ohm
                load = 5.0 * (a**2 * (1 - a) / (b + a * (1 - a)) + a * part.wiper_ohm / pull.pull_ohm)
            else:
                load = 5.0 * part.out_ohm / pull.pull_ohm
            assert not (pull.pull_up and isinstance(part, Potentiometer))
            down, up = (0.0, load) if pull.pull_up else (load, 0.0)
            taken = program.converted(volts[channel.name])
            off_v = (channel.travel(taken) - part.output.travel(state)) * (channel.high - channel.low) * 5.0
            assert -down - step / 2 - 0.004 <= off_v <= up + step / 2 + 0.004, (state, channel.name)
            span, true = channel.span[1] - channel.span[0], part.output.at.value(state)
            assert channel.value(taken) == pytest.approx(true, abs=0.03 * span)


@every_machine
def test_temperatures_come_back_within_one_step(machine):
    """The true temperature lies between what one step of the converter less and one step more would be taken for."""
    program = machine.program
    step = 5.0 / 2**program.adc_bits
    for state in (ON, *running(machine)):
        volts = measured(machine, state)
        for channel in of_kind(machine, "ntc", "platinum"):
            true = sensor_of(machine, channel).temp_c(state)
            taken = program.converted(volts[channel.name])
            ends = sorted(channel.value(taken + k * step) for k in (-1, 1))
            assert ends[0] <= true <= ends[1], (state, channel.name)
            assert ends[1] - ends[0] < 7.0  # a step is at most 3.5 K


@every_machine
def test_supplies_and_switches(machine):
    for state in (ON, *running(machine)):
        volts = measured(machine, state)
        for channel in of_kind(machine, "supply"):
            assert channel.value(volts[channel.name]) == pytest.approx(5.0, abs=0.02)
        for channel in of_kind(machine, "switch"):
            assert channel.value(volts[channel.name]) == float(sensor_of(machine, channel).target)


RANGED = Channel("B", "B", "", "bar", "share", "n", low=0.1, high=0.9, span=(-5.0, 75.0))
NTC = Channel("B", "B", "", "°C", "ntc", "n", pull_ohm=2490.0)
PLATINUM = Channel("B", "B", "", "°C", "platinum", "n", pull_ohm=1000.0, r0_ohm=200.0)


@pytest.mark.parametrize(
    ("channel", "volts", "value"),
    [
        (RANGED, 0.5, -5.0), (RANGED, 2.5, 35.0), (RANGED, 4.5, 75.0), (RANGED, 0.0, -5.0), (RANGED, 5.0, 75.0),
        (NTC, 0.0, 140.0), (NTC, 5.0, -40.0), (NTC, 4.999, -40.0), (NTC, 0.01, 140.0),
        (PLATINUM, 0.0, -50.0), (PLATINUM, 5.0, 800.0),
    ],
)  # fmt: skip
def test_values_stay_within_their_range(channel, volts, value):
    assert channel.value(volts) == pytest.approx(value, abs=1e-9)


@pytest.mark.parametrize("temp_c", [-40.0, -20.0, 0.0, 25.0, 100.0, 140.0])
def test_thermometers_are_read_by_their_own_law(temp_c):
    """V = 5 R / (R + pull-up), backwards."""
    for channel, r_ohm in ((NTC, ntc_ohm(temp_c)), (PLATINUM, platinum_ohm(temp_c, 200.0))):
        assert channel.value(5.0 * r_ohm / (r_ohm + channel.pull_ohm)) == pytest.approx(temp_c, abs=1e-4)


def test_the_converter_has_ends():
    """Nothing below zero, nothing above full scale less one step; a voltage between two codes takes the nearer one."""
    ten = Program((), 10)
    step = 5.0 / 1024
    assert [ten.converted(v) for v in (-1.0, 0.0, 5.0, 14.2)] == [0.0, 0.0, 1023 * step, 1023 * step]
    assert ten.converted(100.4 * step) == pytest.approx(100 * step)
    assert ten.converted(100.6 * step) == pytest.approx(101 * step)


@every_machine
def test_the_converter_is_that_of_the_file(machine):
    unit, program = machine_file(machine.name).control_unit, machine.program
    assert (program.adc_bits, program.adc_hz, program.scan_hz) == (unit.adc_bits, unit.adc_hz, unit.scan_hz)


# Limits ----------------------------------------------------------------------------------------------------------


@every_machine
def test_no_healthy_signal_is_out_of_its_limits(machine):
    """As drawn in every state, and six individuals of it."""
    cases = [(machine, state) for state in (ON, *running(machine))]
    cases += [(machine.as_built(seed), state) for seed in range(6) for state in (ON, State("run"))]
    for one, state in cases:
        volts = measured(one, state)
        for channel in of_kind(one, "share", "ntc", "platinum", "supply"):
            low, high = channel.limits_v
            assert low < volts[channel.name] < high, (state, channel.name)


@every_machine
def test_an_open_or_shorted_signal_is_out_of_its_limits(machine):
    """Open at the unit's pin it goes where the pull resistor takes it; shorted to ground it is low; shorted to its
    supply, or to battery, high."""
    for channel in of_kind(machine, "share", "ntc", "platinum"):
        pull = next(i for i in machine.all(Input) if i.inside == channel.node)
        pin, (low, high) = pull.pin[:-1], channel.limits_v
        open_v, ground_v, battery_v = (
            solve(machine.with_fault(fault), ON).volts(channel.node, "A1.gnd")
            for fault in (f.Open(pin), f.ShortToGround(pin, 0.3), f.ShortToBattery(pin, 0.5))
        )
        assert open_v > high if pull.pull_up else open_v < low
        assert ground_v < low
        assert high < battery_v < 6.0  # the clamp to the logic supply holds


def test_limits_and_debounce_by_kind():
    """Supply limits and 4 and 96 % are published (test_handbook_unit.py, test_handbook_sensors.py); the rest is common
    practice, no source: a supply must be wrong for longer than a signal before it counts."""
    kinds = {c.kind: c for m in MACHINES for c in m.program.channels}
    assert set(kinds) == {"supply", "share", "ntc", "platinum", "speed", "switch"}
    assert {kind: c.limits_v for kind, c in kinds.items()} == {
        "supply": (4.6, 5.4), "share": (0.2, 4.8), "ntc": (0.1, 4.9), "platinum": (0.1, 4.9), "speed": None,
        "switch": None,
    }  # fmt: skip
    assert {kind: c.debounce_s for kind, c in kinds.items()} == {
        "supply": 2.0, "share": 0.5, "ntc": 0.5, "platinum": 0.5, "speed": 1.0, "switch": 0.5
    }  # fmt: skip
    slowest = min(m.program.adc_hz for m in MACHINES)
    assert all(c.debounce_s * slowest >= 100 for c in kinds.values())  # many samples each: no single one sets a code


@every_machine
def test_two_tracks_agree_and_disagree(machine):
    """Healthy tracks of one shaft agree to a fifth of the limit in every state; with the first off by 10 % of its
    supply they do not."""
    pairs = [(c, machine.program.channel(c.twin)) for c in machine.program.channels if c.twin]
    assert pairs
    for state in (ON, *running(machine)):
        volts = measured(machine, state)
        for first, second in pairs:
            apart = first.travel(volts[first.name]) - second.travel(volts[second.name])
            assert abs(apart) < MISMATCH / 5
    for first, second in pairs:
        volts = measured(machine.with_fault(f.SensorDrifted(first.sensor, 0.1)), ON)
        assert first.travel(volts[first.name]) - second.travel(volts[second.name]) > MISMATCH


def test_a_position_switch_does_not_turn():
    """The tug tractor's coupling pin is the same in every phase of the wheels; the camshaft's signal is not."""
    tug = next(m for m in MACHINES if m.name == "tug-tractor")
    pin, cam = (next(c for c in tug.program.channels if c.sensor == name) for name in ("B2", "B7"))
    seen = {c.sensor: [] for c in (pin, cam)}
    for _, state in tug.phases(State("run")):
        op = solve(tug, state)
        for c in (pin, cam):
            seen[c.sensor].append(op.volts(c.node, "A1.gnd"))
    assert np.ptp(seen["B2"]) < 0.01
    assert np.ptp(seen["B7"]) > 4.5
    gone = tug.replaced(part := tug.part("B2", HallSwitch), replace(part, target=False))
    assert [pin.value(solve(m, ON).volts(pin.node, "A1.gnd")) for m in (tug, gone)] == [1.0, 0.0]


# The rules -------------------------------------------------------------------------------------------------------


def test_rules_on_numbers_alone():
    """Limits 4.6 V, 0.2 V and 4.8 V, and 10 % of travel (this file, above): what the unit sees, uses and does needs no
    circuit."""
    sweeper = next(m for m in MACHINES if m.name == "street-sweeper").program
    v1, boost, first, crank, cam = (
        sweeper.channel(name)
        for name in (
            "supply V1", "B10 boost pressure", "B5 drive pedal track 1", "B6 crankshaft speed", "B7 camshaft position"
        )
    )  # fmt: skip
    good = {v1.name: 5.0, boost.name: 2.0, first.name: 0.75, first.twin: 0.375}
    turns = {crank.name: 800.0, cam.name: 400.0, "B4 suction fan speed": 1200.0}
    run = State("run")
    low, high = Seen("P0107", boost.name, "voltage too low", 0.5), Seen("P0108", boost.name, "voltage too high", 0.5)
    apart = Seen("P2138", first.name, "the two tracks disagree", 0.3)
    for volts, speeds, expected in (
        ({}, {}, []),
        ({v1.name: 4.59}, {}, [Seen("P0642", v1.name, "voltage too low", 2.0)]),
        ({boost.name: 0.19}, {}, [low]),
        ({boost.name: 4.81}, {}, [high]),
        ({first.name: 0.75 + 0.09 * 3.25}, {}, []),
        ({first.name: 0.75 + 0.11 * 3.25}, {}, [apart]),
        ({}, {cam.name: 0.0}, [Seen("P0340", cam.name, "no signal", 1.0)]),
        # Without the crankshaft nothing else that turns is missed.
        ({}, {crank.name: 0.0, cam.name: 0.0}, [Seen("P0335", crank.name, "no signal", 1.0)]),
    ):
        assert seen(sweeper, View(True, good | volts, turns | speeds), run) == expected
    assert seen(sweeper, View(False, {}, {}), run) == []
    assert seen(sweeper, View(True, good, dict.fromkeys(turns, 0.0)), ON) == []  # nothing turns, nothing is missed

    used = values(sweeper, View(True, good | {boost.name: 0.0}, turns), [low])
    assert used[boost.name] == (101.0, "kPa", True)
    assert used[v1.name] == (5.0, "V", False)
    assert used[crank.name] == (800.0, "r/min", False)
    assert "B9 engine oil pressure" not in used  # nothing is known of it

    assert behaviour(sweeper, [low], State("off")) == ["everything is dark with the key off"]
    assert behaviour(sweeper, [low], ON) == ["the warning lamp stays on"]
    assert behaviour(sweeper, [], ON) == ["the lamps go through their test and go out"]
    fine, lame = behaviour(sweeper, [], run), behaviour(sweeper, [low, apart], run, wavers=True)
    assert lame[:2] == ["power is reduced", "things come and go while you watch"]
    assert set(fine) - set(lame) == {"the pedal answers", "boost pressure is shown"}
    assert set(lame[2:]) - set(fine) == {"the machine only creeps", "no power"}


@pytest.mark.parametrize("case", ["oil-and-boost-low", "broom-frame-dead"])
def test_the_units_rules_find_its_codes_in_what_it_shows(case):
    """Whoever holds scan data against the drawing comes to the codes the unit itself sets."""
    bench = casekit.open_case(case)
    bench.key("run")
    bench.clear_codes()
    bench.scan()
    channels, data = bench.drawing.program.channels, dict(bench.events[-1].data)
    speeds = {c.name: data.pop(c.name) for c in channels if c.kind == "speed"}
    found = seen(bench.drawing.program, View(True, data, speeds), bench.state)
    codes = bench.codes()["code"].tolist()
    assert sorted({fault.code for fault in found} - {None}) == codes == sorted(case_file(case).codes)
