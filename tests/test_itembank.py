"""Banks of exam items: the same for the same seed, whatever is killed or shared out; and as QTI."""

from xml.etree import ElementTree as ET

import pytest
from candidates import some

from casekit.command import main
from casekit.error import CasekitError, MissingError, ScenarioError
from casekit.files import library
from casekit.teaching.examiner import MAKERS
from casekit.teaching.item import Item
from casekit.teaching.itembank import make_bank, read_bank
from casekit.teaching.qti import SPACE, as_qti

MACHINES = library.names("machines")
KINDS = list(MAKERS)
NUMBER = Item(
    "a-1", "reading", "number", "shorts to ground", "m", "?", value=2.0, unit="V", within=0.1, wrong=((5.0, "y"),)
)


def test_the_same_seed_gives_the_same_bank_also_after_a_kill(tmp_path):
    whole, cut = tmp_path / "whole.jsonl", tmp_path / "cut.jsonl"
    assert make_bank(whole, 150, 3) == 150
    raw = whole.read_bytes()
    cut.write_bytes(raw[: len(raw) // 2])  # in the middle of a line and of a chunk
    assert make_bank(cut, 150, 3) == 150
    assert cut.read_bytes() == raw
    items = read_bank(whole)
    assert len({i.key for i in items}) == len(items) == 150
    assert {i.kind for i in items} == set(KINDS)
    assert len({i.face for i in items}) == 150
    assert make_bank(whole, 100, 3) == 150 or whole.read_bytes() == raw


@pytest.mark.parametrize(("many", "least"), [(10, 1), (40, 5), (100, 14)])
def test_a_small_bank_has_all_machines(tmp_path, many, least):
    make_bank(tmp_path / "bank.jsonl", many, 3)
    found = [i.machine for i in read_bank(tmp_path / "bank.jsonl")]
    assert all(found.count(name) >= least for name in MACHINES), {name: found.count(name) for name in MACHINES}


def test_two_processes_make_the_same(tmp_path):
    assert make_bank(tmp_path / "one.jsonl", 80, 5) == make_bank(tmp_path / "two.jsonl", 80, 5, processes=2) == 80
    assert (tmp_path / "one.jsonl").read_bytes() == (tmp_path / "two.jsonl").read_bytes()


def test_workers_of_a_cluster_make_the_same(tmp_path):
    """Dask, a general-purpose library: its workers do what the processes here do."""
    distributed = pytest.importorskip("distributed")
    make_bank(tmp_path / "one.jsonl", 20, 5)
    with distributed.LocalCluster(n_workers=1, processes=False, dashboard_address=None) as cluster:
        assert make_bank(tmp_path / "two.jsonl", 20, 5, cluster=cluster.scheduler_address) == 20
    assert (tmp_path / "one.jsonl").read_bytes() == (tmp_path / "two.jsonl").read_bytes()
    with pytest.raises(MissingError, match=r"no Dask scheduler answers at tcp://127\.0\.0\.1:9"):
        make_bank(tmp_path / "three.jsonl", 20, 5, cluster="tcp://127.0.0.1:9")


def test_by_command_and_as_qti(tmp_path, capsys):
    bank, folder = tmp_path / "bank.jsonl", tmp_path / "qti"
    assert main(["items", str(bank), "--count", "60", "--seed", "7", "--qti", str(folder)]) == 0
    told = capsys.readouterr()
    assert f"{bank}: 60 items, " in told.out
    assert told.err.endswith("60 of 60 items\n")
    items = {i.key: i for i in read_bank(bank)}
    assert {p.stem for p in folder.glob("*.xml")} == set(items)
    for path in folder.glob("*.xml"):
        root, item = ET.parse(path).getroot(), items[path.stem]
        assert root.tag == f"{{{SPACE}}}qti-assessment-item"
        assert root.get("identifier") == item.key
        right = [v.text for v in root.iter(f"{{{SPACE}}}qti-value")][:-1]
        choices = [c.get("identifier") for c in root.iter(f"{{{SPACE}}}qti-simple-choice")]
        assert len(choices) == len(item.options)
        assert set(right) <= set(choices) or item.form in ("number", "point")
        assert len(list(root.iter(f"{{{SPACE}}}qti-response-processing"))) == 1


ALLOWED = {  # what of QTI 3.0's information model an item may hold, from memory of the specification
    "qti-assessment-item": ({"identifier", "title", "adaptive", "time-dependent"},
                            ["qti-response-declaration", "qti-outcome-declaration", "qti-item-body",
                             "qti-response-processing"]),
    "qti-response-declaration": ({"identifier", "cardinality", "base-type"}, ["qti-correct-response"]),
    "qti-correct-response": (set(), ["qti-value"]),
    "qti-outcome-declaration": ({"identifier", "cardinality", "base-type"}, ["qti-default-value"]),
    "qti-default-value": (set(), ["qti-value"]),
    "qti-item-body": (set(), ["table", "p", "qti-choice-interaction", "qti-order-interaction"]),
    "qti-choice-interaction": ({"response-identifier", "shuffle", "max-choices"}, ["qti-prompt", "qti-simple-choice"]),
    "qti-order-interaction": ({"response-identifier", "shuffle"}, ["qti-prompt", "qti-simple-choice"]),
    "qti-simple-choice": ({"identifier"}, []), "qti-prompt": (set(), []), "qti-value": (set(), []),
    "qti-text-entry-interaction": ({"response-identifier", "expected-length"}, []),
    "qti-response-processing": (set(), ["qti-response-condition"]),
    "qti-response-condition": (set(), ["qti-response-if"]),
    "qti-response-if": (set(), ["qti-equal", "qti-set-outcome-value"]),
    "qti-equal": ({"tolerance-mode", "tolerance"}, ["qti-variable", "qti-correct"]),
    "qti-variable": ({"identifier"}, []), "qti-correct": ({"identifier"}, []),
    "qti-set-outcome-value": ({"identifier"}, ["qti-base-value"]), "qti-base-value": ({"base-type"}, []),
    "table": (set(), ["tr"]), "tr": (set(), ["td"]), "td": (set(), []), "img": ({"src", "alt"}, []),
    "p": (set(), ["qti-text-entry-interaction", "img"]),
}  # fmt: skip
ORDERED = {"qti-assessment-item", "qti-response-if", "qti-equal", "qti-choice-interaction", "qti-order-interaction"}


@pytest.mark.parametrize("kind", KINDS)
def test_qti_has_the_published_structure(kind):
    """No schema is to be had here: names, attributes, order and nesting are held against the specification's model."""
    for made in some(kind, many=3):
        root = ET.fromstring(as_qti(made).split("?>", 1)[1])
        declared = {n.get("identifier") for n in root if n.tag.endswith("declaration")}
        for node in root.iter():
            name = node.tag.removeprefix(f"{{{SPACE}}}")
            needed, inner = ALLOWED[name]
            kept = {a for a in node.attrib if not a.startswith("{")}
            assert needed <= kept <= needed | {"template"}, name
            children = [c.tag.removeprefix(f"{{{SPACE}}}") for c in node]
            assert set(children) <= set(inner), name
            if name in ORDERED:
                places = [inner.index(c) for c in children]
                assert places == sorted(places), name
            if "response-identifier" in kept:
                assert node.get("response-identifier") in declared


def test_a_number_is_right_within_its_tolerance_in_qti():
    text = as_qti(NUMBER)
    assert 'tolerance-mode="absolute" tolerance="0.1 0.1"' in text
    assert 'base-type="float"' in text


@pytest.mark.parametrize(
    ("content", "sentence"),
    [
        (b"", None),
        (b"no bank\n", "this is not a bank of items; make one with casekit items."),
        (
            b'{"casekit items": 2, "seed": 4}\n',
            "this bank was begun with seed 4; go on with that, or name another file.",
        ),
    ],
)
def test_a_file_that_is_no_bank_of_this_seed(tmp_path, content, sentence):
    path = tmp_path / "bank.jsonl"
    path.write_bytes(content)
    if sentence is None:
        assert make_bank(path, 3, 1) == 3
        return
    with pytest.raises(ScenarioError) as caught:
        make_bank(path, 3, 1)
    assert str(caught.value) == f"{path}: {sentence}"


def test_a_damaged_line_is_named(tmp_path):
    path = tmp_path / "bank.jsonl"
    make_bank(path, 3, 1)
    lines = path.read_bytes().splitlines(keepends=True)
    path.write_bytes(lines[0] + b"?\n" + b"".join(lines[2:]))
    with pytest.raises(ScenarioError) as caught:
        read_bank(path)
    assert str(caught.value) == f"{path}:2: the line is damaged; take it out, or make the bank anew."


@pytest.mark.parametrize(("many", "seed", "what"), [(0, 1, "number of items is 0"), (5, -1, "seed is -1")])
def test_numbers_that_are_none(tmp_path, many, seed, what):
    with pytest.raises(CasekitError, match=what):
        make_bank(tmp_path / "bank.jsonl", many, seed)
