"""Exam papers and sittings: the same paper for the same seed, nothing lost by a crash, and marks with their doubt."""

import json
import re
from html import escape

import pytest
import yaml

from casekit.command import main
from casekit.error import BenchError, CasekitError, ScenarioError
from casekit.files import library
from casekit.files.blueprint import Blueprint
from casekit.teaching.ability import ABILITIES, cases_for
from casekit.teaching.caution import CAUTIONS
from casekit.teaching.exampaper import EXAM_CAUTION, exam_paper
from casekit.teaching.item import LETTERS
from casekit.teaching.itemview import answer_of
from casekit.teaching.marking import marked
from casekit.teaching.sitting import Sitting

NAME = "sensor-supplies"


@pytest.fixture(scope="module")
def paper():
    return exam_paper(NAME, 3)


class Clock:
    """Seconds that a test lets pass."""

    def __init__(self):
        self.now = 1000.0

    def __call__(self):
        return self.now

    def on(self, minutes):
        self.now += 60 * minutes


def right(item):
    """The right answer as a candidate would write it."""
    match item.form:
        case "choice":
            return LETTERS[item.right]
        case "order":
            return answer_of(item)
        case "number":
            return item.value
    return item.points[0]


def wrong(item):
    match item.form:
        case "choice":
            return LETTERS[(item.right + 1) % len(item.options)]
        case "order":
            return answer_of(item)[::-1]
        case "number":
            return item.value + 10 * item.within
    return "G1.+"


# Papers ---------------------------------------------------------------------------------------------------------------


def test_a_paper_has_what_its_blueprint_says(paper):
    topics = yaml.safe_load((library.scenario_folder() / "papers" / f"{NAME}.yaml").read_text())["topics"]
    found = [item.ability for item in paper.items]
    assert {name: found.count(name) for name in topics} == topics
    assert len({(item.machine, item.ask, item.rows) for item in paper.items}) == len(paper.items)
    assert exam_paper(NAME, 3) == paper
    assert exam_paper(NAME, 4).items != paper.items


def test_two_papers_of_one_seed_share_no_item():
    papers = [exam_paper(blueprint(paper=name, topics={"explain every reading": 6}), 4) for name in ("x", "y")]
    one, two = ({i.face for i in p.items} for p in papers)
    assert not one & two
    assert exam_paper(blueprint(paper="x", topics={"explain every reading": 6}), 4) == papers[0]


def test_it_prints_with_room_and_with_answers(paper, tmp_path):
    pages = paper.pdf(tmp_path / "paper.pdf")
    answers = paper.pdf(tmp_path / "answers.pdf", answers=True)
    assert min(pages, answers) >= 2 + len({i.machine for i in paper.items})
    assert "<i>(" not in paper.html()
    assert paper.items[0].because not in paper.html()
    assert "<u><b>" in paper.html(answers=True)
    assert paper.html(answers=True).count('class="drawing"') == len({i.machine for i in paper.items})
    with pytest.raises(BenchError) as caught:
        paper.pdf(tmp_path)
    assert str(caught.value) == f"{tmp_path}: is a directory; choose another place."


def test_pictures_share_their_pages(tmp_path):
    """Two traces fit on a page, with their options: the drawing, one page of three items, and the cover."""
    made = exam_paper(blueprint(topics={"read a trace": 2, "shorts to ground": 1}, machines=["telehandler"]), 1)
    assert made.pdf(tmp_path / "a.pdf") == made.pdf(tmp_path / "b.pdf", paper="letter") == 3


def test_the_cover_of_a_paper_answers_nothing(paper):
    """What must not be done is asked on papers: of that the cover says nothing, the answers say all."""
    cover, answers = paper.html().split('<section class="drawing">')[0], paper.html(answers=True)
    assert escape(EXAM_CAUTION) in cover
    assert not re.search(r"(?i)\bohms?\b|lamp|jumper|pierced", cover)
    assert all(escape(caution) in answers for caution in CAUTIONS)


def blueprint(**changed):
    return Blueprint.model_validate(
        {"paper": "x", "title": "x", "minutes": 10, "topics": {"shorts to ground": 2}} | changed
    )


def test_levels_of_a_topic_and_items_that_are_weak():
    wanted = {"harm nothing while testing": {"easy": 2, "middle": 1}, "call only what is supported": {"hard": 2}}
    made = exam_paper(blueprint(topics=wanted), 5)
    assert sorted(item.level for item in made.items if item.kind == "danger") == [1, 1, 2]
    assert [item.level for item in made.items if item.kind == "supported"] == [3, 3]
    weak = {made.items[0].key: "nobody knows"}
    other = exam_paper(blueprint(topics=wanted), 5, weak)
    assert {i.key for i in made.items} - {i.key for i in other.items} == set(weak)
    assert len(other.items) == len(made.items)
    with pytest.raises(ScenarioError) as caught:
        exam_paper(blueprint(topics={"weigh how likely": {"hard": 1}}))
    assert str(caught.value) == (
        "only 0 of 1 hard items on 'weigh how likely' can be drawn from shuttle-bus, standby-generator, "
        "street-sweeper, telehandler, tug-tractor; ask for fewer, or name more machines."
    )


def test_a_blueprint_that_cannot_be_met():
    with pytest.raises(ScenarioError) as caught:
        exam_paper(blueprint(topics={"read who shares what": 120}, machines=["standby-generator"]))
    assert str(caught.value).endswith("; ask for fewer, or name more machines.")
    assert str(caught.value).startswith("only ")
    with pytest.raises(CasekitError, match="there is no ability 'short to ground'"):
        exam_paper(blueprint(topics={"short to ground": 2}))
    with pytest.raises(ScenarioError, match="there is no machine 'steam-engine'"):
        exam_paper(blueprint(machines=["steam-engine"]))
    with pytest.raises(BenchError, match="the seed is -1"):
        exam_paper(NAME, -1)


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ("paper: x\ntitle: x\nminutes: 0\ntopics: {shorts to ground: 2}\n", "minutes is 0; "),
        ("paper: x\ntitle: x\nminutes: 9\ntopics: {}\n", ":4: topics: topics has 0 entries; give at least 1."),
        ("paper: x\ntitle: x\nminutes: 9\ntopics: {shorts to ground: 100, shorts to battery: 100}\n",
         "the topics have 200 items; a paper has at most 120."),
        ("paper: x\ntitle: x\nminutes: 9\ntopics: {shorts to ground: 0}\n", "it has no items; give at least 1, "
         "or leave the topic out"),
        ("paper: x\ntitle: x\nminutes: 9\ntopics: {shorts to ground: {eazy: 1}}\n",
         "unknown key eazy. Did you mean easy?"),
        ("paper: x\ntitle: x\nminuets: 9\ntopics: {shorts to ground: 2}\n",
         "unknown key minuets. Did you mean minutes?"),
    ],
)  # fmt: skip
def test_a_broken_blueprint_is_told(tmp_path, text, sentence):
    path = tmp_path / "x.yaml"
    path.write_text(text)
    with pytest.raises(ScenarioError) as caught:
        exam_paper(path)
    assert any(sentence in problem for problem in caught.value.problems), caught.value


# Sittings -------------------------------------------------------------------------------------------------------------


def test_answers_flags_and_pauses_and_the_clock(paper, tmp_path):
    clock = Clock()
    sitting = Sitting(paper, tmp_path / "a.jsonl", clock)
    clock.on(2)
    assert sitting.answer(1, right(paper.items[0])) == "item 1 is answered; 1 of 24 answered, 43 minutes left"
    assert sitting.flag(2) == "item 2 is flagged"
    assert sitting.flag(2) == "item 2 is no longer flagged"
    assert sitting.pause() == "paused; 10 minutes of pauses are left"
    clock.on(7)
    with pytest.raises(BenchError) as caught:
        sitting.answer(2, right(paper.items[1]))
    assert str(caught.value) == "this sitting is paused; go_on() first."
    assert sitting.go_on() == "43 minutes left"
    sitting.pause()
    clock.on(5)  # three of them were still free
    assert sitting.go_on() == "41 minutes left"
    clock.on(50)
    with pytest.raises(BenchError) as caught:
        sitting.answer(3, right(paper.items[2]))
    assert str(caught.value) == "the time is up; hand_in() now: what was answered counts."
    assert sitting.hand_in().items["right"].sum() == 1
    with pytest.raises(BenchError) as caught:
        sitting.flag(1)
    assert str(caught.value) == "this sitting is handed in."


def test_after_a_crash_it_goes_on_where_it_was(paper, tmp_path):
    clock, path = Clock(), tmp_path / "a.jsonl"
    first = Sitting(paper, path, clock)
    clock.on(5)
    first.answer(1, right(paper.items[0]))
    first.flag(2)
    with path.open("ab") as file:
        file.write(b'{"do": "answer", "item": 2, "ans')  # killed in the middle of a line
    clock.on(60)  # the computer was off
    again = Sitting(paper, path, clock)
    assert again.troubles == ["the last line was cut short and is left out"]
    assert (again.answers, again.flags) == (first.answers, {2})
    assert again.left_min == pytest.approx(40)
    again.answer(2, wrong(paper.items[1]))
    assert Sitting(paper, path, clock).troubles == []


def test_a_clock_that_is_set_back_gives_no_time(paper, tmp_path):
    clock = Clock()
    sitting = Sitting(paper, tmp_path / "a.jsonl", clock)
    clock.on(30)
    sitting.answer(1, right(paper.items[0]))
    clock.on(-29)
    assert sitting.left_min == pytest.approx(15)
    assert sitting.troubles == ["the clock of this computer was set back; the time that was used stays used"]
    clock.on(5)
    assert sitting.left_min == pytest.approx(10)


def test_a_file_that_was_edited_is_told_and_nothing_is_lost(paper, tmp_path):
    clock, path = Clock(), tmp_path / "a.jsonl"
    sitting = Sitting(paper, path, clock)
    for n in (1, 2, 3):
        sitting.answer(n, wrong(paper.items[n - 1]))
    lines = path.read_text().splitlines()
    told = json.loads(lines[2])
    lines[2] = json.dumps(told | {"answer": right(paper.items[1])})
    path.write_text("\n".join([*lines, "what?"]) + "\n")
    again = Sitting(paper, path, clock)
    assert again.troubles == ["line 3 was changed after it was written", "line 5 is damaged and is left out"]
    assert len(again.answers) == 3


def test_a_file_of_another_paper_is_refused(paper, tmp_path):
    path = tmp_path / "a.jsonl"
    Sitting(paper, path, Clock())
    with pytest.raises(ScenarioError) as caught:
        Sitting(exam_paper(NAME, 4), path, Clock())
    assert str(caught.value) == f"{path}:1: this is the sitting of another paper or seed; choose another file."
    path.write_text("{}\n")
    with pytest.raises(ScenarioError) as caught:
        Sitting(paper, path, Clock())
    assert str(caught.value) == f"{path}:1: this is not a sitting; choose another file."


def test_what_is_no_answer_and_no_item(paper, tmp_path):
    sitting = Sitting(paper, tmp_path / "a.jsonl", Clock())
    with pytest.raises(BenchError) as caught:
        sitting.answer(99, "A")
    assert str(caught.value) == f"there is no item 99; this paper has 1 to {len(paper.items)}."
    n = next(k for k, item in enumerate(paper.items, 1) if item.form == "choice")
    with pytest.raises(CasekitError, match="write one letter of"):
        sitting.answer(n, "Z")
    assert sitting.answers == {}
    with pytest.raises(BenchError, match="this sitting is not paused"):
        sitting.go_on()


def test_a_point_that_is_not_on_the_drawing_is_refused(tmp_path):
    """A slip is no answer; the message names what is near, and a point that is merely wrong counts."""
    made = exam_paper(blueprint(topics={"opens: where the volts go": 12}, machines=["shuttle-bus"]), 2)
    sitting = Sitting(made, tmp_path / "a.jsonl", Clock())
    n = next(k for k, item in enumerate(made.items, 1) if item.form == "point")
    told = "no point of that name is on the drawing of shuttle-bus; write a name as it stands there, such as G1.+, "
    for slip, near in (("Q1", ""), ("", ""), ("Xl2.4f", " Did you mean X12.4f?"), ("X12.4", ("X12.4f", "X12.4m"))):
        with pytest.raises(CasekitError) as caught:
            sitting.answer(n, slip)
        near = f" Did you mean {' or '.join(near)}?" if isinstance(near, tuple) else near
        assert str(caught.value).startswith(f"the answer is {slip!r}, and {told}or pick the point on the drawing.")
        assert str(caught.value).endswith(near or "drawing.")
    assert sitting.answers == {}
    sitting.answer(n, "x12.4F")
    assert sitting.answers == {n: "x12.4F"}


def test_a_question_shows_no_answer(paper, tmp_path):
    sitting = Sitting(paper, tmp_path / "a.jsonl", Clock())
    for n, item in enumerate(paper.items, 1):
        text = repr(sitting.show(n)) + repr(item) + repr(paper)
        assert "right=" not in text
        assert item.because not in text
        assert not any(o.idea and o.idea in text for o in item.options)
    assert sitting.overview["answer"].tolist() == [""] * len(paper.items)


# Marks ----------------------------------------------------------------------------------------------------------------


def test_marks_by_ability_with_their_doubt(paper):
    every = marked(paper, {n: right(item) for n, item in enumerate(paper.items, 1)})
    none = marked(paper, {n: wrong(item) for n, item in enumerate(paper.items, 1)})
    assert every.items["right"].all()
    assert not none.items["right"].any()
    assert every.whole.logits > 0 > none.whole.logits
    assert (every.abilities["low"] < every.abilities["high"]).all()
    assert (none.abilities["next"].str.startswith("Practise with lesson")).all()
    assert (every.abilities["low"] > none.abilities["low"]).all()
    assert all(name in none.abilities["next"].iloc[0] for name in cases_for(none.abilities["ability"].iloc[0]))
    ideas = [idea for idea in none.items["idea"] if idea]
    assert len(ideas) > len(paper.items) / 3
    assert repr(every).startswith(f"{len(paper.items)} of {len(paper.items)} right")


def test_marks_say_what_few_items_cannot_tell(paper):
    """Shares are luck aside: nothing right never reads as a third that is known; few items say that they are few."""
    none = marked(paper, {})
    first, *by = repr(none).splitlines()
    low, high = map(int, re.search(r"you know (\d+)% to (\d+)%, luck aside$", first).groups())
    assert low <= 1
    assert high < 25
    assert any("read who shares what: 0 of 5 right; " in line for line in by)
    assert "shorts to battery: 0 of 2 right; too few items to tell more. Practise with lesson" in "\n".join(by)
    wide = exam_paper(blueprint(topics={"weigh how likely": 12, "shorts to battery": 3}), 1)
    told = repr(marked(wide, {n: right(item) for n, item in enumerate(wide.items, 1) if item.kind == "chance"}))
    assert re.search(r"weigh how likely: 12 of 12 right; of many such items you know \d\d% to 9\d%, luck aside\.", told)
    assert (none.abilities["low"] < 0.1).all()


def test_cases_to_practise_with_do_not_give_the_fault_away():
    """Of two cases one has a fault of the kind and one has not, named in the order of their names."""
    for name, what in ABILITIES.items():
        two = cases_for(name)
        assert len(two) == 2
        assert list(two) == sorted(two)
        if what.kinds or what.loose:
            needs = [
                any(f.kind in what.kinds or (what.loose and f.when) for f in library.case_file(c).faults) for c in two
            ]
            assert sorted(needs) == [False, True], name


def test_how_sure_and_why(paper, tmp_path):
    """Brier (1950) and log scores, worked out by hand: right at 0.9 and wrong at 0.7."""
    sitting = Sitting(paper, tmp_path / "a.jsonl", Clock())
    sitting.answer(1, right(paper.items[0]), sure=0.9)
    sitting.answer(2, wrong(paper.items[1]), sure=0.7)
    with pytest.raises(BenchError) as caught:
        sitting.answer(3, right(paper.items[2]), sure=80)
    assert str(caught.value) == "how sure is 80; write a share from 0.01 to 0.99, such as 0.8, or leave it out."
    result = sitting.hand_in()
    assert result.sureness.startswith("How sure: 80% on average of 2 answers, right 50%. Brier score 0.25 (")
    assert "0.94 bit an answer" in result.sureness  # (-log2 0.9 - log2 0.3) / 2
    why = result.explain(2)
    assert paper.items[1].because in repr(why)
    assert "wrong" in repr(why)
    if paper.items[1].rings:
        assert "<svg" in why._repr_html_()
    with pytest.raises(BenchError, match="there is no item 0"):
        result.explain(0)
    known = {item.key: 2.0 for item in paper.items}
    assert sitting.result(known).whole.logits > result.whole.logits


def test_looking_at_a_sitting_changes_nothing(paper, tmp_path):
    path = tmp_path / "a.jsonl"
    with pytest.raises(ScenarioError) as caught:
        Sitting(paper, path, look=True)
    assert str(caught.value) == f"{path}: there is no sitting in this file."
    Sitting(paper, path, Clock()).answer(1, right(paper.items[0]))
    with path.open("ab") as file:
        file.write(b'{"do": "ans')
    raw = path.read_bytes()
    seen = Sitting(paper, path, look=True)
    assert seen.troubles == ["the last line was cut short and is left out"]
    assert list(seen.answers) == [1]
    for act in (lambda: seen.answer(2, "A"), lambda: seen.flag(1), seen.pause, seen.hand_in):
        with pytest.raises(BenchError, match=r"only looked at|not handed in"):
            act()
    assert path.read_bytes() == raw


def test_what_is_not_answered_is_wrong(paper):
    found = marked(paper, {1: right(paper.items[0])})
    assert found.items["right"].tolist() == [True] + [False] * (len(paper.items) - 1)


def test_by_command(tmp_path, capsys):
    out = tmp_path / "new" / "folder"
    assert main(["exam", NAME, "--seed", "3", "--out", str(out)]) == 0
    told = capsys.readouterr().out.splitlines()
    assert told[0] == "Sensor supplies, their returns, and what a meter shows of them: 24 items, 45 minutes, seed 3"
    for name in (f"{NAME}-3.pdf", f"{NAME}-3-answers.pdf"):
        assert (out / name).read_bytes()[:5] == b"%PDF-"
    assert main(["exam", "no-such-paper"]) == 1
    assert capsys.readouterr().err.strip() == "no-such-paper: a blueprint is a .yaml file; see scenarios/papers."
