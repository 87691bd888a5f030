"""Scenario files: good ones pass, bad ones fail with a sentence that is read whole."""

from pathlib import Path

import pytest

from casekit import ScenarioError
from casekit.command import main
from casekit.files.check import check_folder, read_case, read_machine
from casekit.files.library import case_file, scenario_folder

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
    ("at: {on: 0, run: 24}", "at: {on: 0, run: 240}", "run: 240",
     "sensor B1: at.run must lie inside range."),
    ("type: inductive", "type: inductiv", "inductiv,",
     "sensor B6: type is inductiv; use one of potentiometer, double potentiometer, pressure, hall, thermistor, "
     "inductive. Did you mean inductive?"),
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
    ("about: >-", "about: &a >-", "about:", None),
    ("at: {on: 62, run: 62}", "at: *a", "at: *a",
     "cannot be read as YAML: an alias (*name) is not accepted here; write the value out."),
    ("fuses: {F1", "fuses: [{F1", "F1:", None),
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


BAD_CASES = [
    ("place: W14", "place: W144", "place: W144",
     "a fault of kind short to ground cannot be at W144. Did you mean W14?"),
    ("contact: CP1", "contact: CP4", "contact: CP4",
     "wire W14 does not pass contact point CP4."),
    (", r_ohm: 0.6", "", "fault:",
     "a fault of kind short to ground needs r_ohm; correct the case."),
    ("machine: street-sweeper", "machine: street-sweper", "machine:",
     "case broom-frame-dead needs the machine street-sweper, which is not among the checked machine files. "
     "Did you mean street-sweeper?"),
    ("codes: [P0642", "codes: [P6042", "codes:",
     "code P6042 is not in the kit's list of standard titles. Did you mean P0642?"),
    ("kind: short to ground", "kind: shorted", "kind: shorted",
     "fault: kind is 'shorted'; input should be 'short to ground', 'short to battery', 'short between wires', 'open', "
     "'high resistance', 'sensor shorted', 'supply dead' or 'supply weak'."),
]  # fmt: skip


@pytest.mark.parametrize(("old", "new", "where", "sentence"), BAD_CASES, ids=[b[1][:30] for b in BAD_CASES])
def test_bad_case(folder, old, new, where, sentence):
    text = CASE.replace(old, new, 1)
    path = folder / "cases" / "broom-frame-dead.yaml"
    path.write_text(text)
    machines = {"street-sweeper": read_machine(folder / "machines" / "street-sweeper.yaml")}
    with pytest.raises(ScenarioError) as caught:
        read_case(path, machines)
    assert caught.value.problems[0] == f"{path}:{line_of(text, where)}: {sentence}"


@pytest.mark.parametrize(
    ("content", "sentence"),
    [
        (b"", ":1: the file is empty or not a list of keys; start with `machine:` or `case:`."),
        (b"- a\n- b\n", ":1: the file is empty or not a list of keys; start with `machine:` or `case:`."),
        (b"\xff\xfe\x00", ": the file is not UTF-8 text; save it as UTF-8."),
        (b"x" * 1_000_001, ": the file is over 1,000,000 bytes; a scenario is a short text file."),
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
        "there is no case 'broom-frame-ded'; there is: broom-frame-dead, oil-and-boost-low, rear-readings-high. "
        "Did you mean broom-frame-dead?"
    )


def test_machine_file_is_short():
    """Defaults keep a machine to about ten lines a sensor, four of them its own: itself, supply, signal, return."""
    lines = [line for line in MACHINE.splitlines() if line.strip() and not line.lstrip().startswith("#")]
    assert len(lines) / 12 < 9.5


# The command ----------------------------------------------------------------------------------------------------


def test_check_passes_and_counts(capsys):
    assert main(["check", str(scenario_folder())]) == 0
    count = len(list(scenario_folder().glob("*/*.yaml")))
    assert capsys.readouterr().out == f"{count} files checked, 0 problems\n"


def test_check_lists_every_problem_and_fails(folder, capsys):
    """Several files and several problems in one run, each on a line of its own, and a failing exit code."""
    machine, case = folder / "machines" / "street-sweeper.yaml", folder / "cases" / "broom-frame-dead.yaml"
    machine.write_text(MACHINE.replace("[X1.15, B5.2]", "[X1.51, B5.2]").replace("[X2.15, B5.5]", "[X2.51, B5.5]"))
    case.write_text(CASE.replace("P0642", "P9999"))
    assert main(["check", "scenarios"]) == 1
    lines = capsys.readouterr().out.splitlines()
    assert lines[0].endswith("wire W35 ends at X1.51, but connector X1 has cavities 1 to 24. Did you mean X1.5?")
    assert lines[1].endswith("wire W65 ends at X2.51, but connector X2 has cavities 1 to 24. Did you mean X2.5?")
    assert lines[2].endswith("code P9999 is not in the kit's list of standard titles.")
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
