"""Exams at the service: its clock, one sitting, no answers on the way, marks that wait for their release."""

import json

import pytest
import sqlalchemy as sa
from classservice import request, running

import casekit
from casekit.error import BenchError, ScenarioError
from casekit.files.blueprint import Blueprint
from casekit.service.examroom import ExamRoom
from casekit.service.store import Store
from casekit.teaching.awaysitting import AwaySitting
from casekit.teaching.classline import Line
from casekit.teaching.exampaper import exam_paper
from casekit.teaching.item import LETTERS
from casekit.teaching.itemview import answer_of

TOPICS = {"opens: where the volts go": 4, "read a trace": 1, "shorts to ground": 4, "weigh how likely": 2}
BLUEPRINT = {"paper": "x", "title": "A short one", "minutes": 20, "topics": TOPICS, "machines": ["tug-tractor"]}


NO_ANSWER = "item is a number from 1, and the answer a short text or a number."


class Clock:
    def __init__(self):
        self.now = 5000.0

    def __call__(self):
        return self.now


@pytest.fixture(scope="module")
def service(tmp_path_factory):
    with running(tmp_path_factory.mktemp("service")) as found:
        yield found


@pytest.fixture(scope="module")
def boss(service):
    return casekit.classroom_line(service.at, service.token("boss", instructor=True))


@pytest.fixture
def paper(service, boss):
    return boss.set_paper(blueprint(), 11)


def right(item):
    match item.form:
        case "choice":
            return LETTERS[item.right]
        case "number":
            return item.value
        case "order":
            return answer_of(item)
    return item.points[0]


def sit(service, paper, user="T01"):
    return AwaySitting(Line(service.at, service.token(user)), paper)


def test_a_paper_is_sat_handed_in_and_marked(service, boss, paper):
    sitting, here = sit(service, paper), exam_paper(blueprint(), 11)
    assert [i.ask for i in sitting.paper.items] == [i.ask for i in here.items]
    for n, item in enumerate(here.items, 1):
        assert sitting.answer(n, right(item), 0.9 if n == 1 else None).startswith(f"{n} answered, 20 minutes left")
    assert sitting.flag(2) == "2 is flagged"
    assert sit(service, paper).flags == {2}  # after a crash of the browser or the kernel
    assert sit(service, paper).answers == sitting.answers
    assert sitting.hand_in() == "handed in"
    with pytest.raises(BenchError, match="this sitting is handed in"):
        sitting.answer(1, "A")
    with pytest.raises(BenchError) as caught:
        sitting.result()
    assert str(caught.value) == "the marks of this paper are not released yet; your instructor does that."
    boss.release(paper=paper)
    result = sitting.result()
    assert f"{len(here.items)} of {len(here.items)} right" in repr(result)
    assert "How sure: 90%" in repr(result)
    assert "<svg" in result.explain(1)._repr_html_()
    with pytest.raises(BenchError, match="there is no item 99"):
        result.explain(99)
    (row,) = boss.marks(paper).itertuples()
    assert (row.candidate, row.handed_in, row.right) == ("T01", True, len(here.items))
    assert row.logits > row.error > 0


def blueprint():
    return Blueprint.model_validate(BLUEPRINT)


def test_no_answer_is_on_the_way(service, paper):
    here = exam_paper(blueprint(), 11)
    token = service.token("T02")
    found = [service.ask("POST", f"api/papers/{paper}/sitting", token, json={"request": request()})]
    body = {"request": request(), "do": "answer", "item": 1, "answer": "A"}
    found.append(service.ask("POST", f"api/papers/{paper}/acts", token, json=body))
    found.append(service.ask("POST", f"api/papers/{paper}/acts", token, json={"request": request(), "do": "hand in"}))
    found.append(service.ask("GET", "api/papers", token))
    text = " ".join(f.text for f in found)
    for item in here.items:
        assert item.because[:30] not in text
        assert not any(o.idea and o.idea in text for o in item.options)
    keys = set(found[0].json()["items"][0])
    assert keys == {"form", "ability", "machine", "ask", "unit", "rows", "options", "recorded"}
    assert "seed" not in text
    # Marked by the same words whether right or wrong.
    said = []
    for answer in ("A", "B", "C"):
        n = next(k for k, i in enumerate(here.items, 1) if i.form == "choice")
        body = {"request": request(), "do": "answer", "item": n, "answer": answer}
        made = service.ask("POST", f"api/papers/{paper}/acts", service.token("T03"), json=body)
        said.append(made.status_code)
    assert said == [404, 404, 404]  # not begun: nothing can be tried without a sitting


def test_the_panel_sits_it(service, paper):
    panel = casekit.sit(paper, at=service.at, token=service.token("T04"))
    item = panel.sitting.paper.items[0]
    assert item.ask[:20] in panel.question.value.replace("&quot;", '"')
    panel.go.value = next(n for n, i in enumerate(panel.sitting.paper.items, 1) if i.form == "choice")
    panel.choice.index = 1
    panel.buttons["Answer"].click()
    assert "answered" in panel.said.value
    panel.buttons["Hand in"].click()
    panel.buttons["Hand in"].click()
    assert "the marks of this paper are not released yet" in panel.marks.children[0].value
    with pytest.raises(BenchError, match="a paper is sat with a file"):
        casekit.sit("x")


def test_the_clock_is_the_services(tmp_path):
    store, clock = Store(tmp_path), Clock()
    room = ExamRoom(store, clock)
    id = room.set_paper(BLUEPRINT, 3, request())["paper"]
    assert room.sit("T01", id)["left_min"] == 20
    clock.now += 600
    assert room.act("T01", id, {"request": request(), "do": "pause"})["said"].startswith("paused")
    clock.now += 120
    assert room.act("T01", id, {"request": request(), "do": "pause"})["said"] == "paused"  # asked twice, done once
    assert room.act("T01", id, {"request": request(), "do": "go on"})["left_min"] == pytest.approx(10)
    again = ExamRoom(store, clock)  # as after a crash of the service
    clock.now += 60
    assert again.sit("T01", id)["left_min"] == pytest.approx(10, abs=1.1)
    clock.now += 3600
    with pytest.raises(BenchError, match="the time is up"):
        again.act("T01", id, {"request": request(), "do": "answer", "item": 1, "answer": "A"})
    again.act("T01", id, {"request": request(), "do": "hand in"})
    lines = store.sitting(id, "T01")
    again.act("T01", id, {"request": request(), "do": "hand in"})
    assert store.sitting(id, "T01") == lines
    assert again.papers("T01") == [
        {"paper": id, "title": "A short one", "items": 11, "minutes": 20.0, "state": "handed in"}
    ]
    assert room.papers("T02")[0]["state"] == "not begun"
    store.close()


@pytest.mark.parametrize(
    ("body", "sentence"),
    [
        ({"do": "peek"}, "'peek' is not done in a sitting; it is answer, flag, pause, go on, hand in."),
        ({"do": "answer", "item": "1", "answer": "A"}, NO_ANSWER),
        ({"do": "answer", "item": 1, "answer": ["A"]}, NO_ANSWER),
        ({"do": "answer", "item": 99, "answer": "A"}, "there is no item 99; this paper has 1 to 11."),
        ({"do": "flag", "item": 1}, "say with flagged whether the item is to be flagged: true or false."),
        ({"do": "answer", "item": 1, "answer": "A", "sure": "very"},
         "how sure is 'very'; write a share from 0 to 1, such as 0.8, or leave it out."),
    ],
)  # fmt: skip
def test_acts_that_are_none(service, paper, body, sentence):
    sit(service, paper, "T05")
    found = service.ask("POST", f"api/papers/{paper}/acts", service.token("T05"), json={"request": request(), **body})
    told = found.json()["error"]
    assert told == sentence or (body["do"] == "answer" and "write" in told and body["item"] == 1)


def test_papers_that_cannot_be_set(service, boss):
    for data, sentence in (
        (BLUEPRINT | {"topics": {}}, "the blueprint is none"),
        ("sensor-supplies", "the blueprint is none"),
        (BLUEPRINT | {"topics": {"juggling": 3}}, "there is no ability 'juggling'"),
    ):
        with pytest.raises(BenchError, match=sentence):
            boss.post("class/papers", {"blueprint": data, "seed": 1})
    with pytest.raises(ScenarioError, match="only 0 of 4 hard items"):
        boss.post("class/papers", {"blueprint": BLUEPRINT | {"topics": {"weigh how likely": {"hard": 4}}}, "seed": 1})
    with pytest.raises(BenchError, match="the seed is a whole number"):
        boss.post("class/papers", {"blueprint": BLUEPRINT, "seed": -1})
    with pytest.raises(ScenarioError, match="there is no such paper"):
        sit(service, "nothing")


def test_sealed_lines_in_the_store_are_told_when_changed(tmp_path):
    store = Store(tmp_path)
    room = ExamRoom(store)
    id = room.set_paper(BLUEPRINT, 3, request())["paper"]
    room.sit("T01", id)
    n = next(k for k, i in enumerate(room.paper(id).items, 1) if i.form == "choice")
    room.act("T01", id, {"request": request(), "do": "answer", "item": n, "answer": "A"})
    room.act("T01", id, {"request": request(), "do": "hand in"})
    line = json.loads(store.sitting(id, "T01")[1])
    with store.engine.begin() as db:
        db.execute(
            sa.text("UPDATE sittings SET line = :line WHERE number = 1"), {"line": json.dumps(line | {"answer": "B"})}
        )
    assert "line 2 was changed after it was written" in ExamRoom(store).marks(id)
    store.close()
