"""Lessons: stripped, with the same bones, runnable twice; what they teach is asserted here on what they showed."""

import json
import re
from pathlib import Path

import nbformat
import pytest
from lesson import INSTRUCTOR, TRAINEE, answered, lesson, run, source, twice

import casekit
from casekit.command import main
from casekit.files import library
from casekit.teaching.lesson import NOTES, trainee, written

UNGUIDED = ("15", "16", "17")  # the capstones and practice on one's own: no predict, probe, explain, exercise
BONES = [
    "You will be able to",
    "Cautions.",
    "## Predict",
    "## Probe",
    "## Explain",
    "## Exercise",
    "## You are now able",
]
ids = pytest.mark.parametrize("path", [*TRAINEE, *INSTRUCTOR], ids=lambda p: f"{p.parent.name}-{p.stem}")
trainees = pytest.mark.parametrize("path", TRAINEE, ids=lambda p: p.stem)
instructors = pytest.mark.parametrize("path", INSTRUCTOR, ids=lambda p: p.stem)


@ids
def test_stored_without_outputs(path):
    book = json.loads(path.read_text())
    for cell in book["cells"]:
        if cell["cell_type"] == "code":
            assert cell["outputs"] == []
            assert cell["execution_count"] is None
        assert cell["metadata"] == {}


@ids
def test_bones_in_order(path):
    text = source(path)
    bones = BONES[:2] + BONES[-1:] if path.stem.startswith(UNGUIDED) else BONES
    places = [text.find(bone) for bone in bones]
    assert -1 not in places
    assert places == sorted(places)


@ids
def test_every_promise_is_recalled(path):
    promised, recalled = source(path).split("**Cautions.**")[0], source(path).split("## You are now able")[1]
    count = len(re.findall(r"^\d\. ", promised, re.MULTILINE))
    assert count >= 3
    assert len(re.findall(r"^\*\*\d\. ", recalled, re.MULTILINE)) == count


@instructors
def test_trainees_version_is_the_generated_one(path):
    assert lesson(path.stem).read_text(encoding="utf-8") == written(
        trainee(json.loads(path.read_text(encoding="utf-8")))
    )


def test_every_lesson_has_a_source():
    assert [p.name for p in TRAINEE] == [p.name for p in INSTRUCTOR]


@instructors
def test_notes_for_the_instructor(path):
    """Time plan, what to ask, what trainees get wrong, what to show next; not in the trainee's version."""
    notes = [cell.source for cell in nbformat.read(path, 4).cells if cell.source.startswith(NOTES)]
    assert len(notes) == 1
    for head in ("Time plan.", "Ask.", "What goes wrong.", "Show next."):
        assert f"*{head}*" in notes[0].replace("\n> ", " ")
    assert "For the instructor" not in source(lesson(path.stem))


def test_answers_are_blanked_and_nothing_else():
    code = "a_v = 4.9  # answer: at the pin\nb = [1]  # answer\nc = 3  # kept\nprint(a_v)\n"
    cells = [
        {"cell_type": "markdown", "source": [NOTES + " Ten minutes.\n"]},
        {"cell_type": "markdown", "source": ["x = 1  # answer\n"]},
        {"cell_type": "code", "source": ["# answer: a whole cell\n", "x = 2\n"]},
        {"cell_type": "code", "source": code.splitlines(keepends=True)},
    ]
    text, made = trainee({"cells": cells, "nbformat": 4})["cells"]
    assert text["source"] == ["x = 1  # answer\n"]
    assert "".join(made["source"]) == "a_v = ...  # at the pin\nb = ...\nc = 3  # kept\nprint(a_v)\n"


def test_generating_lessons_by_command(tmp_path, capsys):
    assert main(["lessons", str(tmp_path)]) == 1
    assert capsys.readouterr().err.strip() == (
        f"{tmp_path / 'instructor'}: there are no lessons here; name the lessons folder of a clone."
    )
    (tmp_path / "instructor").mkdir()
    (tmp_path / "instructor" / "00_x.ipynb").write_text("[]")
    assert main(["lessons", str(tmp_path)]) == 1
    assert capsys.readouterr().err.strip() == (
        f"{tmp_path / 'instructor' / '00_x.ipynb'}: is not a notebook; save it from JupyterLab again."
    )
    source = lesson("00", instructor=True)
    (tmp_path / "instructor" / "00_x.ipynb").write_text(source.read_text())
    assert main(["lessons", str(tmp_path)]) == 0
    assert capsys.readouterr().out == f"1 lessons written to {tmp_path}\n"
    assert (tmp_path / "00_x.ipynb").read_text() == lesson("00").read_text()
    (tmp_path / "00_x.ipynb").unlink()
    (tmp_path / "00_x.ipynb").mkdir()
    assert main(["lessons", str(tmp_path)]) == 1
    assert capsys.readouterr().err.strip() == (
        f"{tmp_path / '00_x.ipynb'}: is a directory; choose another place for the lessons."
    )


@ids
def test_links_lead_somewhere(path):
    links = re.findall(r"\]\((?!http)([^)]+)\)", source(path))
    assert any(link.endswith("glossary.md") for link in links)
    assert [link for link in links if not (path.parent / link).exists()] == []


@trainees
def test_short_forms_stand_in_the_glossary(path):
    """Names of parts and of files are in code style, codes have digits; every other short form is explained."""
    words = dict(re.findall(r"^\| (.+?) \| (.+?) \|$", (path.parent / "glossary.md").read_text(), re.MULTILINE))
    explained = {form for head in words for form in head.split(", ")}
    prose = "\n".join(c.source for c in nbformat.read(path, 4).cells if c.cell_type == "markdown")
    assert set(re.findall(r"\b[A-Z]{2,}\b", re.sub(r"`[^`]*`", "", prose))) <= explained


@pytest.mark.parametrize("number", ["15", "16"])
def test_capstones_give_no_guidance_and_can_be_solved(number):
    """The trainee's version plays no route; the instructor's ends in a right and supported call (asserted in it)."""
    open_text, solved = (
        "\n".join(run(lesson(number))),
        "\n".join(map("\n".join, twice(lesson(number, instructor=True)))),
    )
    assert "The case is still open." in open_text
    assert "still open" in solved
    assert "Your call:" not in open_text
    assert re.search(r"Your call: .*: right\.", solved)
    assert "support the call" in solved
    for word in ("look(", "operate(", "open_harness(", "volts("):
        assert word not in source(lesson(number))


def test_judge_says_right_wrong_and_which_idea(capsys):
    idea = {"an open reads 0 V on both sides": 0.0}
    casekit.judge("X2.5", ..., 4.98, "It hangs before the open.", idea)
    casekit.judge("X2.5", 5, 4.98, "It hangs before the open.", idea)
    casekit.judge("X2.5", 0.05, 4.98, "It hangs before the open.", idea)
    casekit.judge("who", ["b2", "B1"], ["B1", "B2"], "One splice.")
    casekit.judge("who", "B3", "B4", "By its code.", {"a code names the part": "B3"})
    assert capsys.readouterr().out.splitlines() == [
        "X2.5: still open: write a number in place of ...",
        "X2.5: right, 4.98 V. It hangs before the open.",
        "X2.5: you wrote 0.05 V; it is 4.98 V.",
        "  That is the idea that an open reads 0 V on both sides.",
        "  It hangs before the open.",
        "who: right, B1, B2. One splice.",
        "who: you wrote B3; it is B4.",
        "  That is the idea that a code names the part.",
        "  By its code.",
    ]
    with pytest.raises(casekit.BenchError) as caught:
        casekit.judge("X2.5", "5 V", 4.98, "")
    assert str(caught.value) == "the answer to 'X2.5' is '5 V'; write a number, or leave ..."


@trainees
def test_lessons_do_not_give_the_answer(path):
    """The case's own fault is in no cell; demonstrations use another place."""
    text = source(path)
    assert "W14" not in text
    assert "CP1" not in text
    for name in re.findall(r'(?:open|resume)_case\("(.+?)"\)', text):
        for fault in library.case_file(name).faults:
            assert not named(text, fault.place, fault.to, fault.contact)


@trainees
def test_demonstrations_are_no_case(path):
    """No lesson makes a fault where any case has one."""
    made = re.findall(r'casekit\.(?:faults\.)?[A-Z]\w+\("([A-Z]\w*(?:\.\d+)?)"', source(path))
    cases = [fault for name in library.names("cases") for fault in library.case_file(name).faults]
    assert not set(made) & {place for fault in cases for place in (fault.place, fault.to)}


def named(text: str, *places: str | None) -> list[str]:
    """Those of the places that a text names."""
    return [p for p in places if p and re.search(rf"\b{re.escape(p)}\b", text)]


def test_start_here_teaches_what_it_says():
    text = "\n".join(map("\n".join, twice(lesson("00", instructor=True))))
    assert "you wrote" not in text
    assert len(re.findall(": right, ", text)) == 6
    supply = float(re.search(r"The supply reads (\S+) V", text)[1])
    assert supply == pytest.approx(5.0, abs=0.06)
    assert re.search(r"The signal is (10\.0|9\.9|10\.1)%", text)
    assert float(re.search(r"bare signal wire: right, (\S+) V", text)[1]) < 0.05  # pulled down by the control unit


def test_a_trainee_who_takes_signals_for_voltages_of_their_own():
    """Ground is 0 V everywhere, a sensor at rest gives nothing, a wire keeps its last value, two tracks read alike."""
    ground, rest = 0.0, 0.0
    last = 0.1 * 5.0  # what the sensor gave before it was unplugged
    track = 0.15 * 5.0
    text = answered("00", supply_v=5.0, return_v=ground, signal_v=rest, bare_v=last, track_1_v=track, track_2_v=track)
    for where, idea in {
        "return B1.3": "ground is 0 V everywhere",
        "signal B1.2": "a sensor at rest gives no voltage",
        "bare signal wire": "a wire keeps its last value",
        "track 2": "two tracks of one pedal read alike",
    }.items():
        assert re.search(rf"{where}: you wrote .*\n  That is the idea that {idea}\.", text)
    assert re.search(r"supply B1\.1: right", text)
    assert re.search(r"track 1: right", text)


def test_first_case_teaches_what_it_says():
    path = lesson("06")
    text = "\n".join(run(path, {"pedal_v = ...": "pedal_v = 5.0", "front_v = ...": "front_v = 0.1"}))
    falls = [float(v) for v in re.findall(r"^(?:X1\.5|X12\.1f|X12\.1m|B11\.1) +(\S+) V", text, re.MULTILINE)]
    assert len(falls) == 4
    assert falls == sorted(falls, reverse=True)
    assert re.search(r"B5\.1 +5\.00 V +[45]\.\d+ V +as expected", text)
    assert re.search(r"B1\.1 +0\.10 V +[45]\.\d+ V +4\.\d\d V higher", text)
    assert re.search(r"X12 unplugged: (4\.9|5\.0)", text)


@pytest.mark.parametrize("number", ["06", "17"])
def test_cells_can_be_run_twice(number):
    twice(lesson(number, instructor=True))


def test_the_cells_of_every_lesson_are_run_twice():
    """Of the others, where it is tested what they show."""
    tests = "\n".join(path.read_text() for path in Path(__file__).parent.glob("test_lessons*.py"))
    named = {*re.findall(r'(?:shown|twice\(lesson)\("(\d\d)"', tests), "06", "15", "16", "17"}
    assert named == {path.stem[:2] for path in INSTRUCTOR}


def test_pending_exercise_raises_nothing_and_reads_nothing():
    bench = casekit.open_machine("street-sweeper")
    table = casekit.compare(bench, {"B5.2": ..., "B5.5": ...})
    assert table["verdict"].tolist() == ["still open: write a number in place of ..."] * 2
    assert bench.log.empty
    with pytest.raises(casekit.BenchError) as caught:
        casekit.compare(bench, {"B5.2": "0.75 V"})
    assert str(caught.value) == ("the answer for B5.2 is '0.75 V'; write a number in volt, such as 4.9, or leave ...")
