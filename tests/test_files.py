"""Scenario files: good ones pass, bad ones fail with a sentence that is read whole."""

import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import pytest

from casekit import ScenarioError
from casekit.command import main
from casekit.files.check import check_folder, read_machine
from casekit.files.codes import FROM_MEMORY, TITLES
from casekit.files.harness import CAVITIES
from casekit.files.library import case_file, machine_file, names, scenario_folder
from casekit.machine.drawn import drawn
from casekit.teaching.drawing import drawing

MACHINE = (scenario_folder() / "machines" / "street-sweeper.yaml").read_text()
CASE = (scenario_folder() / "cases" / "broom-frame-dead.yaml").read_text()


def line_of(text: str, part: str) -> int:
    return next(k for k, line in enumerate(text.splitlines(), 1) if part in line)


@pytest.fixture
def folder(tmp_path, monkeypatch):
    """A scenarios folder, addressed as `scenarios`, with the sweeper and one case in it."""
    monkeypatch.chdir(tmp_path)
    for kind, name, text in (("machines", "street-sweeper", MACHINE), ("cases", "broom-frame-dead", CASE)):
        path = Path("scenarios", kind, f"{name}.yaml")
        path.parent.mkdir(parents=True)
        path.write_text(text)
    return Path("scenarios")


# (what stands in the file, what it is replaced by, a part of the line the error is on, the whole sentence)
BAD_MACHINES = [
    ("colour: yellow}", "color: yellow}", "color: yellow",
     "wire W35: unknown key color. Did you mean colour?"),
    ("length_m: 1.2, colour: yellow}", "length_m: -1.2, colour: yellow}", "-1.2, colour: yellow",
     "wire W35: length_m is -1.2; input should be greater than 0."),
    ("X1: {cavities: 24, access_min: 4}", "X1: {cavities: 24, acess_min: 4}", "acess_min",
     "connector X1: unknown key acess_min. Did you mean access_min?"),
    ("path: [X1.15, B5.2]", "path: [X1.51, B5.2]", "X1.51",
     "wire W35 ends at X1.51, but connector X1 has cavities 1 to 24. Did you mean X1.5?"),
    ("path: [X1.15, B5.2]", "path: [X1.15, B55.2]", "B55.2",
     "wire W35 ends at B55.2, which is not a part of this machine. Did you mean B5.2?"),
    ("path: [X1.15, B5.2]", "path: [X1.16, B5.2]", "X1.16",
     "wire W35 ends at X1.16, a pin without a function; name it under supplies, returns, inputs, feed or grounds."),
    ("path: [X1.15, B5.2]", "path: [X1.14, B5.2]", "X1.14, B5.2",
     "wire W35 uses X1.14, which wire W34 has already; one cavity takes one wire, so join the wires in a splice."),
    ("wire: W35, path", "wire: W34, path", "[X1.15, B5.2]",
     "W34 is used twice; give each wire its own name."),
    ("length_m: [2.1, 1.3], colour: white", "length_m: [2.1], colour: white", "length_m: [2.1], colour",
     "wire W30 has 2 pieces but 1 lengths; give one length_m for each piece."),
    ("path: [SP1, X11.1, SP2]", "path: [SP1, B1.1, SP2]", "[SP1, B1.1, SP2]",
     "wire W12 passes B1.1, which is not an in-line connector; end the wire there."),
    ("path: [SP2, B1.1]", "path: [SP2, X11.6]", "[SP2, X11.6]",
     "wire W13 ends at X11.6, an in-line connector; go on to the part behind it."),
    ("feed: X1.1", "feed: X1.30", "feed:",
     "control unit A1 has no pin X1.30. Did you mean X1.3?"),
    ("returns: [X1.6, X2.7, X2.8]", "returns: [X1.6, X2.7, X2.8, X1.5]", "V1: {pins",
     "control unit pin X1.5 has two functions; give each pin one."),
    ("  GND2: {where: battery tray", "  GND1: {where: battery tray", "GND1: {where: battery tray",
     "GND1 stands here twice; keep one of the two."),
    (" SP11: {where", " B3: {where", " B3: {where",
     None),
    ("W14: 0.35", "W41: 0.35, W4: 1.5", "CP1:",
     "contact point CP1: W4 is 1.5; input should be less than or equal to 1."),
    ("W14: 0.35", "W99: 0.35", "CP1:",
     "contact point CP1 names the wire W99, which is not in the harness."),
    ("at: {on: 0, run: 24,", "at: {on: 0, run: 240,", "run: 240",
     "sensor B1: at.run must lie inside range."),
    ("type: inductive", "type: inductiv", "inductiv,",
     "sensor B6: type is inductiv; use one of potentiometer, double potentiometer, pressure, hall, thermistor, "
     "platinum, inductive. Did you mean inductive?"),
    ("protection: foldback, short_a: 0.2", "protection: foldback", "V2:",
     "supply V2: short_a goes with protection: foldback, and only with it."),
    ("pull_up_ohm: 2490", "pull_up_ohm: 2490, pull_down_ohm: 1", "2490",
     "input X2.13: give pull_up_ohm or pull_down_ohm, one of the two."),
    ("title: Compact street sweeper\n", "", "machine: street-sweeper",
     "file: the key title is missing; add it."),
    ("machine: street-sweeper", "machine: snow-plough", "machine: snow-plough",
     "snow-plough does not match the file name; name the file snow-plough.yaml."),
    ("limit_a: 0.22", "limit_a: .nan", "limit_a: .nan",
     "supply V1: limit_a is nan; input should be less than or equal to 5."),
    ("mismatch: P2138", "mismatch: P2183", "P2183",
     "sensor B5: code P2183 is not in the kit's list of standard titles. Did you mean P2138?"),
    ("low: P0642, high: P0643", "low: P0642, high: P0634", "P0634",
     "supply V1: code P0634 is not in the kit's list of standard titles. Did you mean P0643?"),
    ("codes: {low: P0117", "codes: {lwo: P0117", "lwo",
     "sensor B8: unknown key lwo. Did you mean low?"),
    ("held: {pedal: 80}", "held: {pedel: 80}", "pedel",
     "sensor B5: held names the operation pedel, which this machine does not have. Did you mean pedal?"),
    ("operations: {pedal:", "operations: {load: {title: pull a trailer}, pedal:", "operations:",
     "the operation load is built in (the engine works against a load); give yours another name."),
    ("brooms: {title", "Brooms: {title", "operations:",
     "operation Brooms: Brooms is not an operation; name it in small letters, as in raise boom."),
    ("{title: press the drive pedal,", "{needs: off, title: press the drive pedal,", "operations:",
     "operation pedal: needs is 'off'; input should be 'on' or 'run'."),
    ("role: cam, wheel", "role: crank, wheel", "  B7:",
     "sensor B7: B6 has the role crank already; give B7 the role speed."),
    ("wheel: {teeth: 8, turns", "role: cam, wheel: {teeth: 8, turns", "  B7:",
     "sensor B7: B4 has the role cam already; give B7 the role speed."),
    ("crank_v: 9.6", "crank_v: 12.8", "crank_v",
     "battery: crank_v must be below rest_v, and rest_v not above run_v."),
    ("rest_v: 12.6, run_v: 14.2", "rest_v: 25.4, run_v: 28.2", "crank_v",
     "battery: crank_v must be at least half of rest_v; give a 24 V machine about 18."),
    ("run_v: 14.2", "run_v: 28.2", "crank_v",
     "battery: run_v must be at most a quarter above rest_v; the two belong to one battery."),
    ("fuses: {F1", "engine: {crank_rpm: 500, idle_rpm: 450}\nfuses: {F1", "engine: {",
     "engine: crank_rpm must be below idle_rpm, and idle_rpm not above load_rpm."),
    ("limit_a: 0.22", "limit_a: 0.22, on_s: 0.02", "on_s",
     "supply V1: on_s and off_s go with protection: retry, and only with it."),
    ("limit_a: 0.22", "limit_a: 0.22, protection: retry, off_s: 0.2", "off_s",
     "supply V1: on_s and off_s go with protection: retry, and only with it."),
    ("short_a: 0.2,", "short_a: 0.4,", "short_a: 0.4",
     "supply V2: short_a must be below limit_a, otherwise nothing folds back."),
    ("wheel: {teeth: 8,", "wheel: {teeth: 4, missing: 4,", "missing: 4",
     "sensor B4: missing must be less than teeth, otherwise no tooth is left."),
    ("load: 195", "load: 395", "load: 395",
     "sensor B10: at.load must lie inside range."),
    ("held: {pedal: 80}", "held: {pedal: 180}", "pedal: 180",
     "sensor B5: at.held.pedal must lie inside range."),
    ("grounds: [X1.2, X2.1]", "grounds: []", "grounds: []",
     "control unit: grounds has 0 entries; give at least 1."),
    ("about: >-", "about: &a >-", "about:", None),
    ("at: {on: 62, run: 62}", "at: *a", "at: *a",
     "cannot be read as YAML: an alias (*name) is not accepted here; write the value out."),
    ("fuses: {F1", "fuses: [{F1", "F1:", None),
    ("weights: {CP1: 2,", "weights: {CP9: 2,", "weights: {",
     "weights names CP9, which is no kind of fault and no connector, contact point, sensor or wire of this machine; "
     "correct it or take it out. Did you mean CP1?"),
    ("weights: {CP1: 2,", "weights:\n {sensor drifed: 0.5,", "drifed",
     "weights names sensor drifed, which is no kind of fault and no connector, contact point, sensor or wire of this "
     "machine; correct it or take it out. Did you mean sensor drifted?"),
    ("weights: {CP1: 2,", "weights: {W15: 2,", "weights: {",
     "weights names W15, which is no kind of fault and no connector, contact point, sensor or wire of this machine; "
     "correct it or take it out. Did you mean W15a?"),
    ("weights: {CP1: 2,", "weights: {gremlins: 2,", "weights: {",
     "weights names gremlins, which is no kind of fault and no connector, contact point, sensor or wire of this "
     "machine; correct it or take it out."),
    ("weights: {CP1: 2,", "weights: {CP1: 0,", "weights: {",
     "weights: CP1 is 0; input should be greater than 0."),
    ("weights: {CP1: 2,", "weights: {CP1: often,", "weights: {",
     "weights: CP1 is 'often'; input should be a valid number, unable to parse string as a number."),
    ("weights: {CP1: 2,", "weights: {CP1: .inf,", "weights: {",
     "weights: CP1 is inf; input should be a finite number."),
    ("weights: {CP1: 2,", "weights: {CP1: 3, CP1: 2,", "weights: {",
     "CP1 stands here twice; keep one of the two."),
]  # fmt: skip


@pytest.mark.parametrize(("old", "new", "where", "sentence"), BAD_MACHINES, ids=[b[1][:40] for b in BAD_MACHINES])
def test_bad_machine(folder, old, new, where, sentence):
    text = MACHINE.replace(old, new, 1)
    assert text != MACHINE
    path = folder / "machines" / "street-sweeper.yaml"
    path.write_text(text)
    if new.startswith("about"):  # an anchor alone does no harm
        read_machine(path)
        return
    with pytest.raises(ScenarioError) as caught:
        read_machine(path)
    first = caught.value.problems[0]
    if sentence is not None:
        assert first == f"{path}:{line_of(text, where)}: {sentence}"
    else:
        assert first.startswith(f"{path}:")
        assert "Traceback" not in first


def test_weights_of_every_sort_reach_the_machine(folder):
    """A kind of fault, connectors of both sorts, a contact point, a sensor, a piece of wire; none without the line."""
    path = folder / "machines" / "street-sweeper.yaml"
    line = "weights: {CP1: 2, X12: 2}\n"
    assert drawn(machine_file("street-sweeper")).weights == (("CP1", 2.0), ("X12", 2.0))
    path.write_text(MACHINE.replace(line, "weights: {sensor drifted: 0.5, X1: 3, X12: 2, CP1: 2, B4: 1.5, W15b: 4}\n"))
    assert drawn(read_machine(path)).weights == (
        ("sensor drifted", 0.5), ("X1", 3.0), ("X12", 2.0), ("CP1", 2.0), ("B4", 1.5), ("W15b", 4.0)
    )  # fmt: skip
    path.write_text(MACHINE.replace(line, ""))
    plain = drawn(read_machine(path))
    assert plain.weights == ()
    assert plain.as_built(1) == replace(drawn(machine_file("street-sweeper")).as_built(1), weights=())
    assert drawing(read_machine(path)) == drawing(machine_file("street-sweeper"))  # a drawing does not show them


def test_supplies_tied_by_accident(folder):
    """A wire between splices of both supplies is named with everything on the way."""
    path = folder / "machines" / "street-sweeper.yaml"
    text = MACHINE.replace("  # return of V1", "  - {wire: W19, path: [SP1, SP10], length_m: 0.2, colour: orange}\n")
    path.write_text(text)
    with pytest.raises(ScenarioError) as caught:
        read_machine(path)
    assert caught.value.problems == (
        f"{path}:{line_of(text, '{wire: W10,')}: supply V1 and supply V2 are tied together through W10, W19, W45; "
        "take one of these wires off.",
    )


def test_unreachable_sensor(folder):
    """A sensor cavity without a way to the control unit is an error at the sensor."""
    path = folder / "machines" / "street-sweeper.yaml"
    text = MACHINE.replace("  - {wire: W13, path: [SP2, B1.1], length_m: 0.7, colour: orange/white}\n", "")
    path.write_text(text)
    with pytest.raises(ScenarioError) as caught:
        read_machine(path)
    assert caught.value.problems == (
        f"{path}:{line_of(text, '  B1: {')}: sensor B1 (broom pressure): cavity B1.1 does not reach the control unit; "
        "add a wire to B1.1.",
    )


def test_same_name_for_two_parts(folder):
    path = folder / "machines" / "street-sweeper.yaml"
    text = MACHINE.replace(" SP11: {where", " X14: {where")
    path.write_text(text)
    with pytest.raises(ScenarioError) as caught:
        read_machine(path)
    assert caught.value.problems[0] == (
        f"{path}:{line_of(text, '   X14: {where')}: X14 is already the name of a part under connectors; "
        "give each part its own name."
    )


@pytest.mark.parametrize(
    ("content", "sentence"),
    [
        (b"", ":1: the file is empty or not a list of keys; start with `machine:`."),
        (b"- a\n- b\n", ":1: the file is empty or not a list of keys; start with `machine:`."),
        (b"\xff\xfe\x00", ": the file is not UTF-8 text; save it as UTF-8."),
        (b"x" * 1_000_001, ": the file is over 1,000,000 bytes; a scenario is a short text file."),
        (b"machine: a\nwires:\n\t- b\n", ":3: cannot be read as YAML: a tab stands here; indent with spaces."),
        (b"machine: !!python/object:os.system x\n", None),
    ],
)
def test_files_that_are_no_scenarios(tmp_path, content, sentence):
    path = tmp_path / "m.yaml"
    path.write_bytes(content)
    with pytest.raises(ScenarioError) as caught:
        read_machine(path)
    if sentence is not None:
        assert str(caught.value) == f"{path}{sentence}"


def test_missing_file(tmp_path):
    with pytest.raises(ScenarioError) as caught:
        read_machine(tmp_path / "no.yaml")
    assert str(caught.value) == f"{tmp_path / 'no.yaml'}: no such file or directory; check the name and the folder."


def test_unknown_case():
    with pytest.raises(ScenarioError) as caught:
        case_file("broom-frame-ded")
    assert str(caught.value) == (
        f"there is no case 'broom-frame-ded'; there is: {', '.join(names('cases'))}. Did you mean broom-frame-dead?"
    )


@pytest.mark.parametrize("name", names("machines"))
def test_machine_file_is_short(name):
    """Defaults keep a machine to ten lines a sensor at most, four or five its own: itself, supply, signal, return."""
    text = (scenario_folder() / "machines" / f"{name}.yaml").read_text()
    lines = [line for line in text.splitlines() if line.strip() and not line.lstrip().startswith("#")]
    assert len(lines) <= 10 * len(machine_file(name).sensors)


# What the kit ships ----------------------------------------------------------------------------------------------

# As in complete generic lists of SAE J2012 / ISO 15031-6 titles; the standard itself was not seen.
PUBLISHED = {
    "P0016": "Crankshaft Position - Camshaft Position Correlation (Bank 1 Sensor A)",
    "P0106": "Manifold Absolute Pressure/Barometric Pressure Circuit Range/Performance",
    "P0107": "Manifold Absolute Pressure/Barometric Pressure Circuit Low",
    "P0108": "Manifold Absolute Pressure/Barometric Pressure Circuit High",
    "P0118": "Engine Coolant Temperature Circuit High",
    "P0190": 'Fuel Rail Pressure Sensor "A" Circuit',  # the shifted list has another title here
    "P0192": 'Fuel Rail Pressure Sensor "A" Circuit Low',
    "P0193": 'Fuel Rail Pressure Sensor "A" Circuit High',
    "P0222": 'Throttle/Pedal Position Sensor/Switch "B" Circuit Low',
    "P0335": 'Crankshaft Position Sensor "A" Circuit',
    "P0340": 'Camshaft Position Sensor "A" Circuit (Bank 1)',
    "P0522": "Engine Oil Pressure Sensor/Switch Circuit Low",
    "P0523": "Engine Oil Pressure Sensor/Switch Circuit High",
    "P0532": 'A/C Refrigerant Pressure Sensor "A" Circuit Low',
    "P0562": "System Voltage Low",
    "P0641": 'Sensor Reference Voltage "A" Circuit/Open',
    "P0642": 'Sensor Reference Voltage "A" Circuit Low',
    "P0643": 'Sensor Reference Voltage "A" Circuit High',
    "P0651": 'Sensor Reference Voltage "B" Circuit/Open',
    "P0652": 'Sensor Reference Voltage "B" Circuit Low',
    "P0653": 'Sensor Reference Voltage "B" Circuit High',
    "P0697": 'Sensor Reference Voltage "C" Circuit/Open',
    "P0698": 'Sensor Reference Voltage "C" Circuit Low',
    "P0699": 'Sensor Reference Voltage "C" Circuit High',
    "P06A3": 'Sensor Reference Voltage "D" Circuit/Open',
    "P06A5": 'Sensor Reference Voltage "D" Circuit High',
    "P06A7": 'Sensor Reference Voltage "B" Circuit Range/Performance',
    "P06A8": 'Sensor Reference Voltage "C" Circuit Range/Performance',
    "P2135": 'Throttle/Pedal Position Sensor/Switch "A"/"B" Voltage Correlation',
    "P2138": 'Throttle/Pedal Position Sensor/Switch "D"/"E" Voltage Correlation',
}


def test_titles_of_trouble_codes(finding):
    """Titles as in public generic lists of SAE J2012; those remembered only are marked."""
    assert {code: TITLES[code] for code in PUBLISHED} == PUBLISHED
    assert set(TITLES) > FROM_MEMORY
    assert not FROM_MEMORY & set(PUBLISHED)
    finding(f"trouble code titles: {len(PUBLISHED)} as published, {len(FROM_MEMORY)} from memory")


@pytest.mark.parametrize("name", names("machines"))
def test_machines_of_the_kit(name):
    """Two or three sensor supplies with codes, words for what works and what is lost, wheels for crank and cam, a
    double track that an operation moves, invented."""
    machine = machine_file(name)
    assert len(machine.control_unit.supplies) in (2, 3)
    assert all(s.codes.low and s.codes.high for s in machine.control_unit.supplies.values())
    assert all(s.works and s.lost for s in machine.sensors.values())
    roles = [getattr(s, "role", "") for s in machine.sensors.values()]
    assert roles.count("crank") == roles.count("cam") == 1
    double = [s for s in machine.sensors.values() if s.type == "double potentiometer"]
    assert double
    assert all(set(s.at.held) & set(machine.operations) for s in double)
    assert "Invented" in (scenario_folder() / "machines" / f"{name}.yaml").read_text().splitlines()[0]


def test_machines_differ():
    """Every way a regulator protects itself is there, and two machines have a 24 V system."""
    machines = [machine_file(name) for name in names("machines")]
    ways = {s.protection for m in machines for s in m.control_unit.supplies.values()}
    assert ways == {"constant-current", "foldback", "retry"}
    assert [m.machine for m in machines if m.battery.rest_v > 20] == ["shuttle-bus", "tug-tractor"]
    assert {s.type for m in machines for s in m.sensors.values()} == set(CAVITIES)


# The command ----------------------------------------------------------------------------------------------------


def test_check_passes_and_counts(capsys):
    assert main(["check", str(scenario_folder())]) == 0
    count = len(list(scenario_folder().glob("*/*.yaml")))
    assert capsys.readouterr().out == f"{count} files checked, 0 problems\n"


def test_check_lists_every_problem_and_fails(folder, capsys):
    """Several files and several problems in one run, each on a line of its own, and a failing exit code."""
    machine, case = folder / "machines" / "street-sweeper.yaml", folder / "cases" / "broom-frame-dead.yaml"
    machine.write_text(MACHINE.replace("[X1.15, B5.2]", "[X1.51, B5.2]").replace("[X2.15, B5.5]", "[X2.51, B5.5]"))
    case.write_text(CASE.replace("P0642", "P7777"))
    assert main(["check", "scenarios"]) == 1
    lines = capsys.readouterr().out.splitlines()
    assert lines[0].endswith("wire W35 ends at X1.51, but connector X1 has cavities 1 to 24. Did you mean X1.5?")
    assert lines[1].endswith("wire W65 ends at X2.51, but connector X2 has cavities 1 to 24. Did you mean X2.5?")
    assert lines[2].endswith("code P7777 is not in the kit's list of standard titles.")
    assert lines[-1] == f"2 files checked, {len(lines) - 1} problems"


def test_check_of_nothing(tmp_path, capsys):
    assert main(["check", str(tmp_path)]) == 1
    assert capsys.readouterr().err == (
        f"{tmp_path}: no machines/*.yaml and no cases/*.yaml here; name the scenarios folder.\n"
    )


def test_check_folder_returns_what_it_read():
    paths, problems = check_folder(scenario_folder())
    assert problems == []
    assert any(p.endswith("street-sweeper.yaml") for p in paths)


def test_cases_are_listed(capsys):
    assert main(["cases"]) == 0
    assert "broom-frame-dead" in capsys.readouterr().out


def test_output_may_be_cut_short():
    """As with `casekit cases | head -1`: whoever reads has enough. No traceback, and the exit code says it."""
    with subprocess.Popen(
        [sys.executable, "-m", "casekit.command", "cases"], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    ) as process:
        process.stdout.close()
        assert process.stderr.read() == ""
        assert process.wait() == 141
