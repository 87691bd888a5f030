"""Grades: every case is played by advice to a sure end, and what stands on file is what that gives."""

import pandas as pd
import pytest

import casekit
from casekit.command import main
from casekit.files import library
from casekit.teaching import grade as graded
from casekit.teaching.grade import Grade, grades, list_cases

CASES = library.names("cases")


@pytest.mark.parametrize("name", CASES)
def test_every_case_can_be_solved_and_its_grade_is_on_file(name):
    """Derived file: casekit grade. A single fault, or that none was found, is then called, and the
    debrief finds the call right and carried."""
    player, seen = graded.play(name)
    assert player.sure
    assert graded.graded(name, seen) == grades()[name]
    case, bench = library.case_file(name), player.bench
    assert player.clear == (not case.faults)
    alone = len(case.faults) == 1 and case.faults[0].kind not in ("drawn on the wrong splice", "splice not drawn")
    if alone or player.clear:
        player.call()
        result = bench.debrief()
        assert result.right, result
        assert result.supported, result


def test_level_rises_with_minutes_and_look_alikes():
    assert Grade(8.0, 2).level == 1
    assert Grade(8.0, 60).level > Grade(8.0, 2).level
    assert Grade(25.0, 10).level == 5
    assert Grade(8.0, 2, twists=2).level == 3
    assert Grade(25.0, 10, twists=1).level == 5


def test_the_list_begins_with_the_easiest():
    table = list_cases()
    assert table["case"].tolist() != sorted(table["case"])
    assert table["level"].is_monotonic_increasing
    assert set(table["case"]) == set(CASES)
    assert set(table["level"]) == {1, 2, 3, 4, 5}, "there is something at every level"


def test_a_case_without_a_grade_stands_at_the_end(tmp_path, monkeypatch):
    path = tmp_path / "grades.csv"
    monkeypatch.setattr(graded, "_path", lambda: path)
    assert grades() == {}
    assert list_cases()["level"].isna().all()
    graded.keep({"oil-and-boost-low": Grade(9.0, 3), "broom-frame-dead": Grade(20.0, 30, 1)})
    assert (
        path.read_text() == "case,par_min,look_alikes,twists\noil-and-boost-low,9.0,3,0\nbroom-frame-dead,20.0,30,1\n"
    )
    table = list_cases()
    assert table["case"].tolist()[:2] == ["oil-and-boost-low", "broom-frame-dead"]
    assert table["level"].tolist()[2] is pd.NA


def test_a_damaged_file_of_grades_says_which_line(tmp_path, monkeypatch):
    path = tmp_path / "grades.csv"
    monkeypatch.setattr(graded, "_path", lambda: path)
    path.write_text("case,par_min,look_alikes,twists\nbroom-frame-dead,ten,3,0\n")
    with pytest.raises(casekit.ScenarioError) as caught:
        grades()
    assert str(caught.value) == f"{path}:2: is no line of case, minutes and two whole numbers; run casekit grade again."


def test_the_command_lists_level_and_par(capsys):
    assert main(["cases"]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert lines[0].split() == ["case", "level", "par", "machine", "title"]
    assert len(lines) == 1 + len(CASES)
    assert all("min" in line for line in lines[1:])


def test_grades_that_cannot_be_written_say_so(tmp_path, monkeypatch, capsys):
    monkeypatch.setattr(graded, "_path", lambda: tmp_path / "none" / "grades.csv")
    monkeypatch.setattr(graded, "grade", lambda name: Grade(9.0, 3))
    assert main(["grade", "broom-frame-dead"]) == 1
    assert capsys.readouterr().err.strip() == (
        f"{tmp_path / 'none' / 'grades.csv'}: no such file or directory; choose another place for the scenarios folder."
    )
