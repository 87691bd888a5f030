"""The panel of a sitting: every control does what the sitting does, and nothing is shown that gives an answer away."""

import pytest

import casekit
from casekit.files.blueprint import Blueprint
from casekit.teaching.exampaper import exam_paper
from casekit.teaching.item import LETTERS
from casekit.teaching.itemview import answer_of

TOPICS = {"opens: where the volts go": 6, "read a trace": 1, "shorts to ground": 6, "shorts to battery": 6}


@pytest.fixture(scope="module")
def paper():
    return exam_paper(
        Blueprint.model_validate({"paper": "x", "title": "Four forms", "minutes": 30, "topics": TOPICS}), 1
    )


@pytest.fixture
def panel(paper, tmp_path):
    return casekit.sit(paper, tmp_path / "a.jsonl")


def go(panel, form):
    """Show the first item of a form."""
    panel.go.value = next(n for n, i in enumerate(panel.sitting.paper.items, 1) if i.form == form)
    return panel.sitting.paper.items[panel.number - 1]


def press(panel, name):
    panel.buttons[name].click()
    return panel.said.value


def shown(panel):
    """All text a candidate sees."""
    values = [w.value for w in (panel.title, panel.clock, panel.said, panel.question)]
    return " ".join([*values, *panel.choice.options, *(text for text, _ in panel.go.options)])


def test_all_forms_are_answered(panel, paper):
    assert {i.form for i in paper.items} == {"choice", "number", "order", "point"}
    item = go(panel, "choice")
    panel.choice.index = item.right
    panel.sure.value = 0.9
    told = f"item {paper.items.index(item) + 1} is answered; 1 of {len(paper.items)} answered"
    assert told in press(panel, "Answer")
    item = go(panel, "number")
    assert panel.text.description == "Answer in V"
    panel.text.value = f"{item.value} V".replace(".", ",")
    press(panel, "Answer")
    item = go(panel, "order")
    panel.text.value = answer_of(item)
    press(panel, "Answer")
    item = go(panel, "point")
    (board,) = panel.drawing.children
    board._heard(board, {"kind": "point", "name": item.points[0], "lead": "red"}, None)
    assert panel.text.value == item.points[0]
    assert board.now["red"] == item.points[0]
    press(panel, "Answer")
    assert all(paper.items[n - 1].mark(a)[0] for n, a in panel.sitting.answers.items())
    assert len(panel.sitting.answers) == 4
    assert list(panel.sitting.sure.values()) == [0.9]


def test_what_is_no_answer_is_said(panel):
    go(panel, "choice")
    assert 'role="alert"' in press(panel, "Answer")
    go(panel, "number")
    panel.text.value = "plenty"
    assert "write a number in V" in press(panel, "Answer")
    go(panel, "point")
    panel.text.value = "Q1"
    assert "no point of that name is on the drawing" in press(panel, "Answer")
    assert panel.text.value == "Q1"
    assert panel.sitting.answers == {}


def test_flags_pauses_and_the_way_back(panel):
    assert "1 is flagged" in press(panel, "Flag")
    assert panel.go.options[0] == ("1, flagged", 1)
    press(panel, "Next")
    assert panel.number == panel.go.value == 2
    assert "2 is flagged" in press(panel, "Flag")
    assert panel.number == 2
    press(panel, "Flag")
    press(panel, "Back")
    press(panel, "Back")
    assert panel.number == 1
    press(panel, "Pause")
    assert "This sitting is paused." in panel.question.value
    assert panel.choice.layout.display == "none"
    assert panel.buttons["Pause"].description == "Go on"
    assert panel.buttons["Answer"].disabled
    press(panel, "Pause")
    assert not panel.sitting.paused


def test_nothing_gives_an_answer_away(panel, paper):
    for n, item in enumerate(paper.items, 1):
        panel.go.value = n
        text = shown(panel)
        assert item.because not in text
        assert not any(o.idea and o.idea in text for o in item.options)
        assert set(panel.get_state()) >= {"children"}
        assert "because" not in str(panel.get_state())


def test_the_full_caution_comes_with_the_marks(panel):
    """Before that it would answer an item on what must not be done."""
    assert "service information" in panel.caution.value
    assert "ohms" not in panel.caution.value.lower()
    assert "lamp" not in panel.caution.value
    press(panel, "Hand in")
    press(panel, "Hand in")
    assert "Ohms on dead circuits only" in panel.caution.value


def test_handing_in_takes_two_presses_and_shows_marks(panel, paper, tmp_path):
    item = go(panel, "choice")
    panel.choice.index = item.right
    press(panel, "Answer")
    assert "press Hand in once more" in press(panel, "Hand in")
    press(panel, "Next")
    assert "press Hand in once more" in press(panel, "Hand in")  # something else in between: asked again
    assert "handed in" in press(panel, "Hand in")
    marks, which, why = panel.marks.children
    assert f"1 of {len(paper.items)} right" in marks.value
    which.value = paper.items.index(item) + 1
    assert item.because[:40] in why.value.replace("&lt;", "<").replace("&#x27;", "'").replace("&quot;", '"')
    again = casekit.sit(paper, panel.sitting.path)
    assert again.sitting.handed_in
    assert again.marks.children
    assert LETTERS[item.right] in str(again.sitting.answers.values())
