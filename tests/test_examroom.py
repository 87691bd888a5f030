"""Exams at the service: its clock, one sitting, no answers on the way, marks that wait for their release."""

import json
import time
from types import SimpleNamespace

import pytest
import sqlalchemy as sa
from classservice import request, running

import casekit
from casekit.error import BenchError, CasekitError, ScenarioError
from casekit.files.blueprint import Blueprint
from casekit.service.examroom import ExamRoom
from casekit.service.store import Store
from casekit.teaching import awaysitting
from casekit.teaching.awaysitting import AwaySitting
from casekit.teaching.classline import Line
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
    return boss.set_paper(blueprint())


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
    sitting, here = sit(service, paper), service.service.room.paper(paper)
    assert [i.ask for i in sitting.paper.items] == [i.ask for i in here.items]
    for n, item in enumerate(here.items, 1):
        told = f"item {n} is answered; {n} of {len(here.items)} answered, 20 minutes left"
        assert sitting.answer(n, right(item), 0.9 if n == 1 else None) == told
    assert sitting.flag(2) == "item 2 is flagged"
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


def test_a_point_that_is_not_on_the_drawing_is_refused_at_the_service_too(service, paper):
    sitting = sit(service, paper, "T13")
    n = next(k for k, item in enumerate(sitting.paper.items, 1) if item.form == "point")
    with pytest.raises(BenchError, match="no point of that name is on the drawing of tug-tractor"):
        sitting.answer(n, "Q1")
    assert sit(service, paper, "T13").answers == {}


def blueprint():
    return Blueprint.model_validate(BLUEPRINT)


def test_no_answer_is_on_the_way(service, paper):
    here = service.service.room.paper(paper)
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
        assert item.key not in text
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
    id = room.set_paper("boss", BLUEPRINT, request())["paper"]
    assert room.sit("T01", id)["left_min"] == 20
    clock.now += 600
    assert room.act("T01", id, {"request": request(), "do": "pause"})["said"].startswith("paused")
    clock.now += 120
    assert room.act("T01", id, {"request": request(), "do": "pause"})["said"] == "paused"  # asked twice, done once
    assert room.act("T01", id, {"request": request(), "do": "go on"})["left_min"] == pytest.approx(10)
    for body in ({"do": "answer", "item": 1, "answer": "ZZ"}, {"do": "flag", "item": 1}):
        clock.now += 30
        with pytest.raises(CasekitError):
            room.act("T01", id, {"request": request(), **body})
    assert room.sit("T01", id)["left_min"] == pytest.approx(9)  # what is refused gives no time back
    again = ExamRoom(store, clock)  # as after a crash of the service: its time counts
    clock.now += 60
    assert again.sit("T01", id)["left_min"] == pytest.approx(8)
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
    assert again.papers("T02")[0]["state"] == "not begun"
    again.sit("T02", id)
    clock.now += 3600  # who forgets to hand in has handed in what was answered in time
    row = again.marks(id).splitlines()[2].split(",")
    assert row[:3] == ["T02", "True", "20.0"]
    assert again.papers("T02")[0]["state"] == "handed in"
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
         "how sure is 'very'; write a share from 0.01 to 0.99, such as 0.8, or leave it out."),
    ],
)  # fmt: skip
def test_acts_that_are_none(service, paper, body, sentence):
    sit(service, paper, "T05")
    found = service.ask("POST", f"api/papers/{paper}/acts", service.token("T05"), json={"request": request(), **body})
    told = found.json()["error"]
    assert told == sentence
    assert service.service.room.paper(paper).items[0].key not in found.text


def test_papers_that_cannot_be_set(service, boss):
    for data, sentence in (
        (BLUEPRINT | {"topics": {}}, "the blueprint is none: topics: "),
        ("sensor-supplies", "the blueprint is none: it: "),
        ({"paper": "x"}, r"the blueprint is none: title: Field required\."),
        (BLUEPRINT | {"topics": {"juggling": 3}}, "there is no ability 'juggling'"),
    ):
        with pytest.raises(BenchError, match=sentence):
            boss.post("class/papers", {"blueprint": data})
    with pytest.raises(ScenarioError, match="only 0 of 4 hard items"):
        boss.post("class/papers", {"blueprint": BLUEPRINT | {"topics": {"weigh how likely": {"hard": 4}}}})
    with pytest.raises(ScenarioError, match="there is no such paper"):
        sit(service, "nothing")


def test_sealed_lines_in_the_store_are_told_when_changed(tmp_path):
    store = Store(tmp_path)
    room = ExamRoom(store)
    id = room.set_paper("boss", BLUEPRINT, request())["paper"]
    room.sit("T01", id)
    n = next(k for k, i in enumerate(room.paper(id).items, 1) if i.form == "choice")
    room.act("T01", id, {"request": request(), "do": "answer", "item": n, "answer": "A"})
    room.act("T01", id, {"request": request(), "do": "hand in"})
    line = json.loads(store.sitting(id, "T01")[2])
    with store.engine.begin() as db:
        db.execute(
            sa.text("UPDATE sittings SET line = :line WHERE number = 2"), {"line": json.dumps(line | {"answer": "B"})}
        )
    assert "line 3 was changed after it was written" in ExamRoom(store).marks(id)
    store.close()


def test_after_the_release_nothing_is_sat(service, boss, paper):
    """Who has the marks has the answers; nobody begins or changes a sitting then."""
    sit(service, paper, "T08").hand_in()
    late = sit(service, paper, "T09")
    boss.release(paper=paper)
    for act in (lambda: late.answer(1, "A"), lambda: sit(service, paper, "T10")):
        with pytest.raises(BenchError) as caught:
            act()
        assert str(caught.value) == "the marks of this paper are released; it cannot be sat any more."
    assert late.hand_in() == "handed in"


def test_numbers_and_texts_that_no_answer_can_be(service, paper):
    sit(service, paper, "T11")
    token = service.token("T11")
    for raw in (b'{"do": "answer", "item": 1, "answer": 1e400}', b'{"do": "answer", "item": 1, "answer": "\\ud800"}'):
        found = service.ask("POST", f"api/papers/{paper}/acts", token, data=raw)
        assert (found.status_code, found.json()) == (400, {"error": "the request is not JSON; send an object."})
    found = service.ask("POST", f"api/papers/{paper}/acts", token, json={"do": "answer", "item": 99})
    assert found.json()["error"] == "there is no item 99; this paper has 1 to 11."
    assert sit(service, paper, "T11").answers == {}


def test_the_time_runs_on_the_screen(service, paper, monkeypatch):
    sitting = sit(service, paper, "T12")
    left = sitting.left_min
    later = time.monotonic() + 300
    monkeypatch.setattr(awaysitting, "time", SimpleNamespace(monotonic=lambda: later))  # not that of the service
    assert sitting.left_min == pytest.approx(left - 5, abs=0.1)


def test_seats_at_work_stay(tmp_path, monkeypatch):
    monkeypatch.setattr("casekit.service.examroom.SEATS", 2)
    store, clock = Store(tmp_path), Clock()
    room = ExamRoom(store, clock)
    id = room.set_paper("boss", BLUEPRINT, request())["paper"]
    for n in range(5):
        room.sit(f"T{n}", id)
    assert len(room._seats) == 5
    for n in range(5):
        room.act(f"T{n}", id, {"request": request(), "do": "hand in"})
    room.sit("T9", id)
    assert len(room._seats) == 2
    store.close()
