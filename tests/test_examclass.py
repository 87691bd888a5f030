"""What a class makes of a paper: item statistics, abilities, difficulties that are kept; and drills."""

import json

import numpy as np
import pytest
from scipy.stats import spearmanr

from casekit import Drill, exam_class
from casekit.command import main
from casekit.error import BenchError, CasekitError, ScenarioError
from casekit.files.blueprint import Blueprint
from casekit.reasoning.testtheory import chance, expected_score
from casekit.teaching.examclass import read_difficulties
from casekit.teaching.exampaper import exam_paper
from casekit.teaching.item import LETTERS
from casekit.teaching.marking import BY_LEVEL
from casekit.teaching.sitting import Sitting

NAME = "sensor-supplies"
TOPICS = {"read who shares what": 8, "weigh how likely": 6, "harm nothing while testing": 6}
SPOILT = 3  # an item whose marking is upside down in the class below, as a wrong key would be


@pytest.fixture(scope="module")
def paper():
    return exam_paper(
        Blueprint.model_validate({"paper": "x", "title": "A short one", "minutes": 30, "topics": TOPICS}), 2
    )


@pytest.fixture(scope="module")
def true():
    """Abilities of the class below, in logits."""
    return np.linspace(-2.0, 2.5, 60)


@pytest.fixture(scope="module")
def folder(paper, true, tmp_path_factory):
    """Sittings of 60 simulated candidates, who answer by the Rasch model with guessing; one item is spoilt."""
    folder, rng = tmp_path_factory.mktemp("class"), np.random.default_rng(4)
    for n, theta in enumerate(true):
        sitting = Sitting(paper, folder / f"T{n:02}.jsonl", lambda: 1000.0)
        for k, item in enumerate(paper.items, 1):
            knows = rng.random() < chance(theta, BY_LEVEL[item.level], guess=item.guess)
            if k == SPOILT:
                knows = rng.random() > chance(theta, 0.0)
            sitting.answer(k, LETTERS[(item.right + (0 if knows else 1)) % len(item.options)])
        sitting.hand_in()
    return folder


def test_candidates_come_in_their_order_and_a_spoilt_item_is_found(paper, true, folder, finding):
    found = exam_class(paper, folder)
    assert len(found.candidates) == 60
    rank = spearmanr(true, found.candidates["logits"]).statistic
    off = np.abs(found.candidates["logits"] - true) / found.candidates["error"]
    finding(f"60 candidates, 20 items: rank correlation with true ability {rank:.2f}, KR-20 {found.reliability:.2f}, "
            f"{(off < 1.96).mean():.0%} within their 95 % intervals")  # fmt: skip
    assert rank > 0.8
    assert (off < 1.96).mean() > 0.85
    assert 0.5 < found.reliability < 0.95
    assert list(found.weak) == [paper.items[SPOILT - 1].key]
    assert repr(found).splitlines()[1].startswith(f"item {SPOILT}: those who do well elsewhere get it wrong as often")
    assert found.items["share"].between(0, 1).all()
    drew = found.items["drawn"].iloc[0]
    assert drew.rsplit(" (", 1)[0] in {o.idea for o in paper.items[0].options}
    low, high = found.items["difficulty"].min(), found.items["difficulty"].max()
    assert low < np.mean([BY_LEVEL[i.level] for i in paper.items]) < high


def test_difficulties_are_kept_and_used(paper, folder, tmp_path):
    found = exam_class(paper, folder)
    known, weak = read_difficulties(found.save(tmp_path / "d.json"))
    assert weak == found.weak
    assert known == pytest.approx(found.difficulty, abs=0.001)
    again = exam_class(paper, folder, known)
    assert again.items["difficulty"].to_numpy() == pytest.approx([known[i.key] for i in paper.items])
    one = Sitting(paper, folder / "T30.jsonl", look=True)
    assert one.result(known).whole != one.result().whole
    for content in ("{", "{}", '{"casekit difficulties": 9}', "[1]"):
        (tmp_path / "e.json").write_text(content)
        with pytest.raises(ScenarioError) as caught:
            read_difficulties(tmp_path / "e.json")
        assert str(caught.value) == (
            f"{tmp_path / 'e.json'}: this file holds no difficulties; make one with casekit exam ... --sittings FOLDER."
        )
    with pytest.raises(ScenarioError, match="check the name"):
        read_difficulties(tmp_path / "none.json")


def test_what_is_no_sitting_of_it_is_left_out_and_said(paper, folder, tmp_path):
    for name in ("T00", "T01"):
        (tmp_path / f"{name}.jsonl").write_bytes((folder / f"{name}.jsonl").read_bytes())
    lines = (tmp_path / "T01.jsonl").read_text().splitlines()
    (tmp_path / "T02.jsonl").write_text("\n".join(lines[:-1]) + "\n")
    (tmp_path / "T03.jsonl").write_text("nothing\n")
    edited = json.loads(lines[4])
    lines[4] = json.dumps(edited | {"answer": "B" if edited["answer"] == "A" else "A"})
    (tmp_path / "T01.jsonl").write_text("\n".join(lines) + "\n")
    found = exam_class(paper, tmp_path)
    assert found.candidates["candidate"].tolist() == ["T00", "T01"]
    assert found.candidates["remark"].tolist() == ["", "line 5 was changed after it was written"]
    assert found.left_out == (
        "T02.jsonl: this sitting is not handed in; hand_in() first.",
        "T03.jsonl: this is not a sitting; choose another file.",
    )
    assert found.items["difficulty"].tolist() == [BY_LEVEL[i.level] for i in paper.items]  # too few to fit
    with pytest.raises(ScenarioError, match="there is no such folder"):
        exam_class(paper, tmp_path / "none")
    (tmp_path / "empty").mkdir()
    assert repr(exam_class(paper, tmp_path / "empty")) == "A short one: 0 candidates"


def test_by_command(tmp_path, capsys):
    made = exam_paper(NAME, 3)
    (tmp_path / "in").mkdir()
    for name in ("P", "Q"):
        sitting = Sitting(made, tmp_path / "in" / f"{name}.jsonl")
        sitting.flag(1)
        sitting.hand_in()
    out = tmp_path / "out"
    assert main(["exam", NAME, "--seed", "3", "--sittings", str(tmp_path / "in"), "--out", str(out)]) == 0
    assert capsys.readouterr().out.startswith(f"{made.title}: 2 candidates")
    assert sorted(p.name for p in out.iterdir()) == [
        f"{NAME}-3-candidates.csv", f"{NAME}-3-difficulties.json", f"{NAME}-3-items.csv"
    ]  # fmt: skip
    path = out / f"{NAME}-3-difficulties.json"
    data = json.loads(path.read_text())
    path.write_text(json.dumps(data | {"weak": {made.items[0].key: "why"}}))
    assert main(["exam", NAME, "--seed", "3", "--difficulties", str(path), "--out", str(out)]) == 0
    assert (out / f"{NAME}-3.pdf").exists()


# Drills ---------------------------------------------------------------------------------------------------------------


def test_a_drill_follows_who_answers():
    good, bad = (Drill(["harm nothing while testing", "call only what is supported"], seed=1) for _ in range(2))
    for _ in range(10):
        for drill, shift in ((good, 0), (bad, 1)):
            item = drill.ask().item
            assert drill.ask().item is item  # until it is answered
            why = drill.answer(LETTERS[(item.right + shift) % len(item.options)])
            assert why.right == (shift == 0)
            assert item.because in repr(why)
    assert good.standing["asked"].tolist() == [5, 5]
    assert (good.standing["rating"] > 1500).all()
    assert (bad.standing["rating"] < 1500).all()
    assert np.mean([level for _, level, _ in good.done]) > np.mean([level for _, level, _ in bad.done])
    with pytest.raises(BenchError, match="nothing was asked"):
        good.answer("A")
    good.ask()
    with pytest.raises(CasekitError, match="write one letter"):
        good.answer("Z")
    with pytest.raises(CasekitError, match="there is no ability"):
        Drill(["juggling"])


def test_a_rating_moves_as_published():
    """A. E. Elo, The Rating of Chessplayers (1978): by K (score - expected), here with K = 64 (our choice); a choice
    of four counts as easier by the chance of a guess, 0.25 + 0.75 x 0.5: 64 (1 - 0.625) = 24."""
    assert expected_score(1500, 1500) == 0.5
    drill = Drill(["weigh how likely"], seed=3)
    item = drill.ask().item
    drill.answer(LETTERS[item.right])
    due = 1 / len(item.options) + (1 - 1 / len(item.options)) * 0.5
    assert drill.ratings["weigh how likely"] == pytest.approx(1500 + 64 * (1 - due))
