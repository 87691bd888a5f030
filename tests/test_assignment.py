"""Cases for a class: as hard as each other, all different, each played; and the notebooks that show how."""

import csv
import json
from pathlib import Path

import pytest

import casekit
from casekit import BenchError, ScenarioError
from casekit.command import main
from casekit.files import library
from casekit.teaching import assignment as module
from casekit.teaching.assignment import WITHIN, Assignment, Given, assign

NOTEBOOKS = sorted((Path(__file__).parent.parent / "lessons" / "classroom").glob("*.ipynb"))


@pytest.fixture(scope="module")
def given():
    return assign("pressure-at-rest", 4)


def test_all_are_different_and_as_hard_as_the_case(given):
    assert len(given.given) == 4
    assert len({g.seed for g in given.given}) == 4
    assert {g.variant for g in given.given} <= {0, *library.variants("pressure-at-rest")}
    assert len({g.variant for g in given.given}) > 1
    for g in given.given:
        assert abs(g.minutes - given.reference_min) <= WITHIN * given.par_min


def test_what_is_handed_out_opens(given, tmp_path):
    one = next(g for g in given.given if g.variant)
    assert one.line == (
        f'casekit.resume_case("pressure-at-rest", seed={one.seed}, variant={one.variant}, trainee="...")'
    )
    bench = casekit.resume_case("pressure-at-rest", seed=one.seed, variant=one.variant, trainee="T1", folder=tmp_path)
    assert bench.sheet.title == casekit.open_case("pressure-at-rest").sheet.title
    assert (tmp_path / "T1" / f"pressure-at-rest-v{one.variant}-{one.seed}.jsonl").exists()


def test_by_command(tmp_path, monkeypatch, capsys):
    few = Assignment((Given("pressure-at-rest", 1, 3, 8.0),), 8.1, 7.0, 5)
    monkeypatch.setattr(module, "assign", lambda name, count, processes: few)
    path = tmp_path / "out.csv"
    assert main(["assign", "pressure-at-rest", "2", str(path)]) == 1
    told = capsys.readouterr()
    assert told.out.strip() == (
        f"{path} written: 1 of 2, 5 played; the advice takes 8.1 minutes on the case as written, par is 7.0."
    )
    assert told.err.strip() == "1 are missing; casekit vary pressure-at-rest draws more variants."
    (row,) = csv.DictReader(path.read_text().splitlines())
    assert (row["variant"], row["seed"], row["open_with"]) == ("1", "3", few.given[0].line)
    with pytest.raises(BenchError) as caught:
        few.csv(tmp_path)
    assert str(caught.value) == f"{tmp_path}: is a directory; choose another place."


@pytest.mark.parametrize("count", [0, -1, True, 2.5, 1000])
def test_a_number_of_trainees_that_is_none(count):
    with pytest.raises(BenchError) as caught:
        assign("pressure-at-rest", count)
    assert str(caught.value) == f"{count!r} is no number of trainees; write 1 to 200."


def test_a_case_that_is_not_there():
    with pytest.raises(ScenarioError, match="there is no case 'pressure-at-res'"):
        assign("pressure-at-res", 2)


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda p: p.stem)
def test_notebooks_are_stored_without_outputs_and_with_cautions(path):
    cells = json.loads(path.read_text(encoding="utf-8"))["cells"]
    assert "**Cautions.**" in "".join(cells[1]["source"])
    assert "(../glossary.md)" in "".join(cells[0]["source"])
    for cell in cells:
        assert cell["metadata"] == {}
        if cell["cell_type"] == "code":
            assert cell["outputs"] == []
            assert cell["execution_count"] is None
