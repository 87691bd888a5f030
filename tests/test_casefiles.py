"""Case files: those of the kit teach and do not tell; bad ones fail with a sentence that is read whole."""

import pytest

from casekit import ScenarioError
from casekit.files.check import read_case
from casekit.files.harness import pieces
from casekit.files.library import case_file, machine_file, names, scenario_folder

CASE = (scenario_folder() / "cases" / "broom-frame-dead.yaml").read_text()

BAD_CASES = [
    ("place: W14", "place: W144", "place: W144",
     "a fault of kind short to ground cannot be at W144. Did you mean W14?"),
    ("contact: CP1", "contact: CP4", "contact: CP4",
     "wire W14 does not pass contact point CP4."),
    ("contact: CP1", "contact: CP9", "contact: CP9",
     "contact point CP9 is not on street-sweeper. Did you mean CP1?"),
    (", r_ohm: 0.6", "", "contact: CP1",
     "a fault of kind short to ground needs r_ohm; correct the case."),
    ("machine: street-sweeper", "machine: street-sweper", "machine:",
     "case broom-frame-dead needs the machine street-sweper, which is not among the checked machine files. "
     "Did you mean street-sweeper?"),
    ("codes: [P0642", "codes: [P6042", "codes:",
     "code P6042 is not in the kit's list of standard titles. Did you mean P0642?"),
    ("kind: short to ground", "kind: shorted", "kind: shorted",
     "fault 1: kind is 'shorted'; input should be 'short to ground', 'short to battery', 'short between wires', "
     "'leak between cavities', 'open', 'high resistance', 'crossed terminals', 'sensor shorted', 'sensor drifted', "
     "'sensor dead spot', 'supply dead', 'supply weak', 'drawn on the wrong splice' or 'splice not drawn'."),
    ("place: W14", "plaec: W14", "plaec",
     "fault 1: unknown key plaec. Did you mean place?"),
    ("faults:\n  - {", "fault:\n    {", "fault:",
     "fault: unknown key fault. Did you mean faults?"),
    ("complaint:", "complain:", "complain:",
     "file: unknown key complain. Did you mean complaint?"),
]  # fmt: skip

# (the faults of a case, the whole sentence); the error is on the line of the last fault
BAD_FAULTS = [
    ("{kind: short to ground, place: W14, contact: CP1, at: 0.5, r_ohm: 1}",
     "give contact or at, not both: the contact point says where on the wire it is."),
    ("{kind: short between wires, place: W14, to: W24, contact: CP1, at_to: 0.5, r_ohm: 1}",
     "give contact or at_to, not both: the contact point says where on the wire it is."),
    ("{kind: short between wires, place: W14, to: W41, contact: CP1, r_ohm: 1}",
     "wire W41 does not pass contact point CP1."),
    ("{kind: short between wires, place: W14, r_ohm: 1}",
     "a fault of kind short between wires needs to, the other wire; correct the case."),
    ("{kind: short between wires, place: W14, to: W14, r_ohm: 1}",
     "W14 is not another wire of the machine. Did you mean W1?"),
    ("{kind: open, place: W14, at_to: 0.5}",
     "a fault of kind open does not take at_to; correct the case."),
    ("{kind: open, place: X12.2, at: 0.5}",
     "X12.2 is a cavity, and the fault sits in it; take at out."),
    ("{kind: open, place: X11.6}",
     "a fault of kind open cannot be at X11.6; wired there are X11.1, X11.2, X11.3, X11.4."),
    ("{kind: leak between cavities, place: W14, to: X11.2, r_ohm: 500}",
     "a fault of kind leak between cavities cannot be at W14; it is at a cavity of the drawing, such as X1.1 or "
     "X14.3."),
    ("{kind: leak between cavities, place: X11.1, r_ohm: 500}",
     "a fault of kind leak between cavities needs to, the other cavity of the same connector; correct the case."),
    ("{kind: leak between cavities, place: X11.1, to: X12.1, r_ohm: 500}",
     "X12.1 is not another wired cavity of X11. Did you mean X11.2?"),
    ("{kind: leak between cavities, place: X11.1, to: X11.2}",
     "a fault of kind leak between cavities needs r_ohm; correct the case."),
    ("{kind: crossed terminals, place: X11.1, to: X11.1}",
     "X11.1 is not another wired cavity of X11. Did you mean X11.2?"),
    ("{kind: crossed terminals, place: X11.1, to: X11.2, r_ohm: 1}",
     "a fault of kind crossed terminals does not take r_ohm; correct the case."),
    ("{kind: crossed terminals, place: X11.1, to: X11.2, when: {point: X11, heat_mm: 2}}",
     "a fault of kind crossed terminals does not take when; correct the case."),
    ("{kind: sensor shorted, place: X11, r_ohm: 1}",
     "a fault of kind sensor shorted cannot be at X11; it is at a sensor: B1, B2, B3, B4, B5, B6, B7, B8, B9, B10, "
     "B11, B12."),
    ("{kind: sensor drifted, place: B8, drift: 0.1}",
     "a fault of kind sensor drifted cannot be at B8; it is at a ranged sensor: B1, B2, B3, B5, B9, B10, B11, B12."),
    ("{kind: sensor drifted, place: B11}",
     "a fault of kind sensor drifted needs drift; correct the case."),
    ("{kind: sensor dead spot, place: B11, span: [0.1, 0.2]}",
     "a fault of kind sensor dead spot cannot be at B11; it is at a track: B2, B3, B5, B12."),
    ("{kind: sensor dead spot, place: B12}",
     "a fault of kind sensor dead spot needs span; correct the case."),
    ("{kind: sensor dead spot, place: B12, span: [0.3, 0.2]}",
     "span must run from the smaller to the larger share of the travel."),
    ("{kind: supply dead, place: V1, limit_a: 0.1}",
     "a fault of kind supply dead does not take limit_a; correct the case."),
    ("{kind: supply weak, place: V1}",
     "a fault of kind supply weak needs limit_a; correct the case."),
    ("{kind: drawn on the wrong splice, place: W35, to: SP10}",
     "a fault of kind drawn on the wrong splice cannot be at W35. Did you mean W53?"),
    ("{kind: drawn on the wrong splice, place: W11}",
     "a fault of kind drawn on the wrong splice needs to, the splice it really is at; correct the case."),
    ("{kind: drawn on the wrong splice, place: W11, to: SP1}",
     "wire W11 is drawn at SP1 already; name the splice it really is at."),
    ("{kind: drawn on the wrong splice, place: W11, to: X1.5}",
     "X1.5 is not a splice of the machine."),
    ("{kind: splice not drawn, place: W35, to: X1.5}",
     "X1.5 is not another wire of the machine."),
    ("{kind: splice not drawn, place: W35, to: W11, at: 0.5}",
     "a fault of kind splice not drawn does not take at; correct the case."),
    ("{kind: open, place: W14, when: {point: CP11, heat_mm: 2}}",
     "CP11 is not a contact point, an in-line connector or a sensor of street-sweeper. Did you mean CP1?"),
    ("{kind: open, place: W14, when: {point: CP1, held: {broom: 2}}}",
     "when names the operation broom, which street-sweeper does not have. Did you mean brooms?"),
    ("{kind: open, place: W14, when: {point: CP1, rest_mm: 1, heat_mm: 2}}",
     "fault 1: rest_mm must be below gap_mm, otherwise the fault is always there."),
    ("{kind: open, place: W14, when: {point: CP1, rest_mm: 0.5, heat_mm: 0.4}}",
     "fault 1: nothing lifts the displacement over gap_mm, so the fault never comes; raise torque_mm, heat_mm, "
     "shake_mm or held."),
    ("{kind: open, place: W14}\n  - {kind: short to ground, place: W14, r_ohm: 1}",
     "both faults are at W14; put the second one at another place."),
    ("{kind: open, place: W13}\n  - {kind: open, place: W14, r_ohm: 1}",
     "a fault of kind open does not take r_ohm; correct the case."),
]  # fmt: skip
FAULT = "{kind: short to ground, place: W14, contact: CP1, r_ohm: 0.6}"


def line_of(text: str, part: str) -> int:
    return next(k for k, line in enumerate(text.splitlines(), 1) if part in line)


def reading(tmp_path, text):
    """The path of a case of the sweeper with this text, and what reads it."""
    path = tmp_path / "broom-frame-dead.yaml"
    path.write_text(text)
    return path, lambda: read_case(path, {"street-sweeper": machine_file("street-sweeper")})


def problems_of(tmp_path, text):
    """The path, and what is said about a case of the sweeper with this text."""
    path, read = reading(tmp_path, text)
    with pytest.raises(ScenarioError) as caught:
        read()
    return path, caught.value.problems


@pytest.mark.parametrize(("old", "new", "where", "sentence"), BAD_CASES, ids=[b[1][:30] for b in BAD_CASES])
def test_bad_case(tmp_path, old, new, where, sentence):
    text = CASE.replace(old, new, 1)
    path, problems = problems_of(tmp_path, text)
    assert problems[0] == f"{path}:{line_of(text, where)}: {sentence}"


@pytest.mark.parametrize(("faults", "sentence"), BAD_FAULTS, ids=[b[0][7:60] for b in BAD_FAULTS])
def test_bad_fault(tmp_path, faults, sentence):
    text = CASE.replace(FAULT, faults)
    path, problems = problems_of(tmp_path, text)
    assert problems == (f"{path}:{line_of(text, faults.splitlines()[-1])}: {sentence}",)


def test_two_faults_at_most(tmp_path):
    text = CASE.replace(f"faults:\n  - {FAULT}", f"faults: [{', '.join([FAULT] * 3)}]")
    path, problems = problems_of(tmp_path, text)
    assert problems == (f"{path}:{line_of(text, 'faults:')}: file: faults has 3 entries; give at most 2.",)


def test_that_there_is_no_fault_must_be_said(tmp_path):
    said, silent = (CASE.replace(f"faults:\n  - {FAULT}\n", text) for text in ("faults: []\n", ""))
    assert reading(tmp_path, said)[1]().faults == []
    path, problems = problems_of(tmp_path, silent)
    assert problems == (f"{path}:2: file: the key faults is missing; add it.",)


GOOD_FAULTS = [
    "{kind: leak between cavities, place: X11.1, to: X11.2, r_ohm: 500}",
    "{kind: crossed terminals, place: B5.2, to: B5.5}",
    "{kind: sensor drifted, place: B11, drift: -0.2, when: {point: B11, heat_mm: 2}}",
    "{kind: sensor dead spot, place: B5, span: [0.4, 0.5]}",
    "{kind: drawn on the wrong splice, place: W47a, to: SP1}",
    "{kind: splice not drawn, place: W43, to: W40b, at_to: 0.7}",
    "{kind: short between wires, place: W14, to: W24, at: 0.2, at_to: 0.3, r_ohm: 1}",
    "{kind: open, place: X12.2, when: {point: X12, rest_mm: 0.4, held: {brooms: 0.5, load: 0.2}}}",
    "{kind: supply weak, place: V2, limit_a: 0.02}\n  - {kind: supply dead, place: V1}",
]


@pytest.mark.parametrize("faults", GOOD_FAULTS, ids=[f[7:40] for f in GOOD_FAULTS])
def test_every_kind_of_fault_can_be_written(tmp_path, faults):
    _, read = reading(tmp_path, CASE.replace(FAULT, faults))
    assert len(read().faults) == 1 + faults.count("\n")


# What the kit ships ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", names("cases"))
def test_cases_teach_and_do_not_tell(name):
    """Three sentences or more to take away; the complaint and the story name no place of the drawing and no fault."""
    case = case_file(name)
    assert len(case.teaches) >= 3
    told = f"{case.title} {case.complaint} {case.story}"
    words = told.replace(",", " ").replace(".", " ").replace(";", " ").split()
    machine = machine_file(case.machine)
    drawn = {*(p.name for p in pieces(machine)), *machine.sensors, *machine.connectors, *machine.splices}
    drawn |= {*machine.contact_points, *machine.control_unit.supplies}
    assert not drawn & set(words)
    assert not {"short", "shorted", "ground", "return", "splice", "supply"} & {word.lower() for word in words}
    assert "Invented" in (scenario_folder() / "cases" / f"{name}.yaml").read_text().splitlines()[0]


def test_cases_show_every_trick():
    """An intermittent one by an operation and one by torque, a double fault, and a drawing that is wrong."""
    cases = [case_file(name) for name in names("cases")]
    whens = [f.when for c in cases for f in c.faults if f.when]
    assert [w for w in whens if w.held]
    assert [w for w in whens if w.torque_mm and w.shake_mm]
    assert [c for c in cases if len(c.faults) == 2 and "drawn on the wrong splice" in {f.kind for f in c.faults}]
    assert {c.machine for c in cases} == set(names("machines"))
