"""A class's logs: who made a supported call, what went wrong, and no file that costs another."""

import asyncio
import os
import re
import time

import nbformat
import pandas as pd
import pytest
from classroom import CASE, a_class, at_work
from nbclient import NotebookClient

import casekit
from casekit import BenchError, ScenarioError
from casekit.command import main
from casekit.teaching.classlog import _first, class_logs, false_calls, ideas
from casekit.teaching.classreport import ClassReport, nameless


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return a_class(tmp_path_factory.mktemp("class"))


@pytest.fixture(scope="module")
def logs(folder):
    return class_logs(folder)


def attempt(logs, sign):
    (found,) = [a for a in logs.attempts if a.trainee == sign]
    return found


def test_who_made_a_supported_call(logs):
    outcomes = {a.trainee: (a.state, a.solved) for a in logs.attempts}
    assert outcomes == {
        "T01": ("debriefed", True), "T02": ("debriefed", False), "T03": ("debriefed", False),
        "T04": ("no call yet", False), "T05": ("debriefed", True), "T06": ("no call yet", False),
        "T07": ("debriefed", False),
    }  # fmt: skip
    assert attempt(logs, "T02").came.right
    assert not attempt(logs, "T03").came.right


def test_minutes_and_marks_are_those_of_the_trainees_own_debrief(folder, logs, tmp_path):
    bench = at_work(tmp_path, "T01")
    own = bench.debrief()
    mine = attempt(logs, "T01")
    assert mine.minutes == pytest.approx(own.minutes)
    assert mine.came == own
    assert (mine.grade, attempt(logs, "T02").grade, attempt(logs, "T03").grade) == (4, 2, 0)


def test_what_was_probed_first_and_what_was_thought(logs):
    assert attempt(logs, "T01").first == "X13.1m"
    assert attempt(logs, "T03").first == "X1.12"
    bench = casekit.open_case("oil-and-boost-low")
    bench.key("on")
    bench.codes()
    bench.scan()
    assert _first(bench) == ""  # no lead is landed for that
    bench.amps("W42")
    assert _first(bench) == "W42"
    assert attempt(logs, "T03").hints == 1
    assert len(attempt(logs, "T03").came.risks) == 1
    assert false_calls(logs.attempts) == [("sensor shorted at B9", 2)]
    ((idea, times),) = [pair for pair in ideas(logs.attempts) if "pulls this input" in pair[0]] or [("", 0)]
    assert times in (0, 2)
    assert all(0 < n <= 7 for _, n in ideas(logs.attempts)), idea


def test_every_trouble_is_told_and_costs_no_other(folder, logs):
    cases = ", ".join(casekit.list_cases()["case"].sort_values())
    told = {re.sub(r"^.*/(T\d+/.+?): ", r"\1: ", text) for text in logs.troubles}
    assert told == {
        "T02/copy of mine.jsonl: is a copy of oil-and-boost-low.jsonl; it does not count twice.",
        "T03/bytes.jsonl: this is not a log of casekit.",
        f"T03/gone.jsonl: there is no case 'no-such-case'; there is: {cases}.",
        "T03/newer.jsonl: this log was written by casekit 9.0 in format 99, and this one reads format 2; read it with "
        "a newer casekit.",
        "T03/notes.txt: is not a log; it is left out.",
        "T03/other.jsonl: this is not a log of casekit.",
        "T05/oil-and-boost-low.jsonl: is word for word the log of T01; both count, and it is worth asking.",
        "T06/oil-and-boost-low.jsonl: the last line was cut short.",
        "T07/oil-and-boost-low.jsonl: is word for word the log of T03; both count, and it is worth asking.",
    }  # fmt: skip
    assert attempt(logs, "T06").readings == 2


def test_reading_a_class_touches_no_file(folder):
    before = {p: (p.read_bytes(), p.stat().st_mtime_ns) for p in folder.rglob("*") if p.is_file()}
    class_logs(folder)
    assert {p: (p.read_bytes(), p.stat().st_mtime_ns) for p in folder.rglob("*") if p.is_file()} == before


def test_the_page_of_a_case(logs):
    page = ClassReport(logs).page(CASE)
    assert (
        "2 of 7 made a right and supported call, 1 a right one that their readings do not support, 2 none yet" in page
    )
    assert "<h2>False calls</h2><ul><li>sensor shorted at B9 (2 trainees)</li></ul>" in page
    assert "X13.1m (4); X1.12 (2)" in page
    assert "piercing insulation" in page
    with pytest.raises(BenchError) as caught:
        ClassReport(logs).page("broom-frame-dead")
    assert str(caught.value) == "nobody in this class has worked on 'broom-frame-dead'; there is: oil-and-boost-low."


def test_one_page_for_every_trainee(logs):
    report = ClassReport(logs)
    assert report.signs == [f"T0{k}" for k in range(1, 8)]
    assert "right, supported" in report.trainee("T01")
    assert "move by move" in report.trainee("T01").lower()
    assert "no call yet" in report.trainee("T04")
    with pytest.raises(BenchError) as caught:
        report.trainee("T99")
    assert str(caught.value) == "there is no log of 'T99'; there is: T01, T02, T03, T04, T05, T06, T07."


def test_an_anonymous_report_names_nobody(logs):
    hidden = nameless(logs)
    report = ClassReport(hidden)
    text = report.html() + repr(report) + report.marks.to_csv()
    assert not re.search(r"\bT0\d\b", text)
    assert "/T0" not in text
    assert sorted(a.trainee for a in hidden.attempts) == [f"trainee {k}" for k in range(1, 8)]
    assert sum(a.solved for a in hidden.attempts) == 2


def test_by_command(folder, tmp_path, capsys):
    assert main(["report", str(folder), "--out", str(tmp_path / "out")]) == 0
    out = tmp_path / "out"
    marks = pd.read_csv(out / "gradebook.csv")
    assert list(marks["trainee"]) == [f"T0{k}" for k in range(1, 8)]
    assert marks.loc[0, ["right", "supported", "mark"]].tolist() == [True, True, 4]
    assert (out / "class-report.pdf").read_bytes()[:5] == b"%PDF-"
    book = nbformat.read(out / "class-report.ipynb", 4)
    NotebookClient(book, timeout=120, kernel_name="python3").execute()
    shown = str(book.cells[1].outputs)
    assert "2 of 7 made a right and supported call" in shown
    assert "8 of 8 logs" in capsys.readouterr().err


@pytest.mark.parametrize("command", ["report"])
def test_a_folder_that_is_not_there(tmp_path, capsys, command):
    assert main([command, str(tmp_path / "none")]) == 1
    assert capsys.readouterr().err.strip() == (
        f"{tmp_path / 'none'}: there is no such folder; name the folder of the class's logs."
    )


def test_where_predictions_failed(logs):
    page = ClassReport(logs).page(CASE)
    assert "<h2>Predictions that failed</h2><ul><li>volts B9.1 (key on): 2 of 2 failed</li>" in page
    assert "<li>volts X1.12 (key on): 2 of 2 failed</li>" in page


def test_a_log_longer_than_any_is_left_out(tmp_path):
    at_work(tmp_path, "T01", called=False, route="lucky")
    path = tmp_path / "T01" / f"{CASE}.jsonl"
    head, *lines = path.read_text().splitlines(keepends=True)
    path.write_text(head + lines[0] * 3001)
    assert class_logs(tmp_path).troubles == (f"{path}: has 3001 lines, which no log has; it is left out.",)


def test_an_empty_folder_says_so(tmp_path):
    assert repr(casekit.class_report(tmp_path)) == "There is no log in this folder."
    assert "There is no log in this folder." in casekit.class_report(tmp_path).html()


def test_a_name_is_no_sign(tmp_path):
    with pytest.raises(BenchError) as caught:
        casekit.resume_case(CASE, folder=tmp_path, trainee="Ann Other")
    assert str(caught.value) == (
        "the trainee is 'Ann Other'; write a number or short sign such as T07 (letters, digits, - and _), not a name."
    )
    with pytest.raises(ScenarioError):
        casekit.class_report(tmp_path / "no")


# Live -----------------------------------------------------------------------------------------------------------------


def test_the_live_lab_follows_logs_as_they_arrive(tmp_path):
    lab = casekit.live_lab(tmp_path)
    assert lab.table.empty
    bench = at_work(tmp_path, "T01", called=False)
    row = lab.refresh().iloc[0]
    assert (row.trainee, row.case, row.state, row.readings, row.calls) == ("T01", CASE, "at work", 4, 0)
    assert row["last"] == "look('CP3')"
    bench.call("open", "W42")
    assert lab.refresh().iloc[0].state == "called"
    bench.debrief()
    at_work(tmp_path, "T02", called=False, route="lucky")
    table = lab.refresh()
    assert table["trainee"].tolist() == ["T02", "T01"]  # who is done stands last
    assert table["state"].tolist() == ["at work", "debriefed"]
    assert "W42" not in lab.widget.value.replace("call(&#x27;open&#x27;, &#x27;W42&#x27;)", "")


def test_the_live_lab_looks_again_by_itself(tmp_path):
    """As in a notebook, whose loop runs between cells."""

    async def lesson():
        lab = casekit.live_lab(tmp_path).watch(1)
        at_work(tmp_path, "T01", called=False, route="lucky")
        await asyncio.sleep(1.5)
        seen = lab.table["trainee"].tolist()
        lab.stop()
        at_work(tmp_path, "T02", called=False, route="lucky")
        await asyncio.sleep(1.5)
        return seen, lab.table["trainee"].tolist()

    assert asyncio.run(lesson()) == (["T01"], ["T01"])


def test_the_live_lab_says_who_may_need_help(tmp_path):
    at_work(tmp_path, "T01", called=False)
    path = tmp_path / "T01" / f"{CASE}.jsonl"
    os.utime(path, (time.time() - 400, time.time() - 400))
    lab = casekit.live_lab(tmp_path)
    assert "at work; may need help" in lab.widget.value
    assert "6 min" in lab.widget.value
    with pytest.raises(BenchError) as caught:
        lab.watch(0.1)
    assert str(caught.value) == "0.1 seconds is no interval; write 1 to 600."
    with pytest.raises(BenchError) as caught:
        lab.watch()
    assert str(caught.value) == "there is no notebook running here; call refresh() by hand."
