"""Lessons: stripped, with the same bones, runnable twice; what they teach is asserted here on what they showed."""

import json
import re
from pathlib import Path

import nbformat
import pytest
from nbclient import NotebookClient

import casekit
from casekit.teaching.panel import Panel

LESSONS = sorted((Path(__file__).parent.parent / "lessons").glob("*.ipynb"))
BONES = [
    "You will be able to",
    "Cautions.",
    "## Predict",
    "## Probe",
    "## Explain",
    "## Exercise",
    "## You are now able",
]
ids = pytest.mark.parametrize("path", LESSONS, ids=lambda p: p.stem)


def source(path: Path) -> str:
    return "\n".join(cell.source for cell in nbformat.read(path, 4).cells)


def run(path: Path, replace: dict[str, str] | None = None, again: bool = False) -> list[str]:
    """Execute a lesson, with some of its lines replaced, and return the text of every output."""
    book = nbformat.read(path, 4)
    for cell in book.cells:
        for old, new in (replace or {}).items():
            cell.source = cell.source.replace(old, new)
    if again:
        book.cells = [copy for cell in book.cells for copy in ([cell, nbformat.from_dict(cell)])]
        book.cells[1::2] = [{**cell, "id": cell["id"] + "-again"} for cell in book.cells[1::2]]
        book.cells = [nbformat.from_dict(cell) for cell in book.cells]
    NotebookClient(
        book, timeout=120, kernel_name="python3", resources={"metadata": {"path": str(path.parent)}}
    ).execute()
    outputs = [out for cell in book.cells for out in cell.get("outputs", [])]
    return [str(out.get("text") or out.get("data", {}).get("text/plain", "")) for out in outputs]


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
    places = [text.find(bone) for bone in BONES]
    assert -1 not in places
    assert places == sorted(places)


@ids
def test_every_promise_is_recalled(path):
    promised, recalled = source(path).split("## Predict")[0], source(path).split("## You are now able")[1]
    count = len(re.findall(r"^\d\. ", promised, re.MULTILINE))
    assert count >= 3
    assert len(re.findall(r"^\*\*\d\. ", recalled, re.MULTILINE)) == count


@ids
def test_lessons_do_not_give_the_answer(path):
    """The case's own fault is in no cell; demonstrations use another place."""
    text = source(path)
    assert "W14" not in text
    assert "CP1" not in text


def test_start_here_teaches_what_it_says():
    path = LESSONS[0]
    text = "\n".join(run(path, {"track_1_v = ...": "track_1_v = 0.75", "track_2_v = ...": "track_2_v = 0.0"}))
    rows = re.findall(r"(B\S+) +(\S+) V +(\S+) V +(.*)", text)
    verdicts = {point: verdict.strip() for point, _, _, verdict in rows}
    assert verdicts["B1.1"] == verdicts["B1.2"] == verdicts["B1.3"] == "as expected"
    assert verdicts["B5.2"] == "as expected"
    assert re.fullmatch(r"0\.3\d V higher", verdicts["B5.5"])
    supply = float(re.search(r"The supply reads (\S+) V", text)[1])
    assert supply == pytest.approx(5.0, abs=0.06)
    assert re.search(r"The signal is (10\.0|9\.9|10\.1)%", text)


def test_first_case_teaches_what_it_says():
    path = LESSONS[1]
    text = "\n".join(run(path, {"pedal_v = ...": "pedal_v = 5.0", "front_v = ...": "front_v = 0.1"}))
    falls = [float(v) for v in re.findall(r"^(?:X1\.5|X12\.1f|X12\.1m|B11\.1) +(\S+) V", text, re.MULTILINE)]
    assert len(falls) == 4
    assert falls == sorted(falls, reverse=True)
    assert re.search(r"B5\.1 +5\.00 V +[45]\.\d+ V +as expected", text)
    assert re.search(r"B1\.1 +0\.10 V +[45]\.\d+ V +4\.\d\d V higher", text)
    assert re.search(r"X12 unplugged: (4\.9|5\.0)", text)


@ids
def test_cells_can_be_run_twice(path):
    once, twice = run(path), run(path, again=True)
    assert len(twice) == 2 * len(once)


def test_pending_exercise_raises_nothing_and_reads_nothing():
    bench = casekit.open_machine("street-sweeper")
    table = casekit.compare(bench, {"B5.2": ..., "B5.5": ...})
    assert table["verdict"].tolist() == ["still open: write a number in place of ..."] * 2
    assert bench.log.empty
    with pytest.raises(casekit.BenchError) as caught:
        casekit.compare(bench, {"B5.2": "0.75 V"})
    assert str(caught.value) == ("the answer for B5.2 is '0.75 V'; write a number in volt, such as 4.9, or leave ...")


# The panel: the first case played by its controls alone -----------------------------------------------------------


@pytest.fixture
def panel():
    return casekit.panel(casekit.open_case("broom-frame-dead"))


def do(panel: Panel, move: str, target: str) -> None:
    panel.move.value = (move, target)
    panel.buttons["Do it"].click()


def read(panel: Panel, red: str, expect: str = "") -> str:
    panel.red.value, panel.black.value, panel.expect.value = red, "G1.-", expect
    panel.buttons["Read"].click()
    return panel.display.value


def test_the_first_case_is_finished_with_the_controls(panel):
    """A new user's route: read, unplug, look, call, debrief; no code."""
    do(panel, "key", "on")
    assert "key on" in panel.status.value
    shown = read(panel, "B5.1", expect="0")
    assert re.search(r">0\.[12]\d\d V<", shown)
    read(panel, "X1.5")
    assert re.search(r">[45]\.\d\d\d V<", read(panel, "B9.1"))
    do(panel, "look", "CP1")
    assert "rubbed through" in panel.message.value
    do(panel, "unplug", "X11")
    assert "X11 unplugged" in panel.status.value
    assert re.search(r">[45]\.\d\d\d V<", read(panel, "B5.1"))
    panel.kind.value = "short to ground"
    panel.place.value = "W14"
    panel.buttons["Make the call"].click()
    assert "called: short to ground at W14" in panel.message.value
    panel.buttons["Debrief"].click()
    assert "right" in panel.result.value
    assert "they support the call" in panel.result.value
    assert all(button.disabled for button in panel.buttons.values())
    assert panel.table.value.count("<tr") == 1 + len(panel.bench.log)


def test_the_panel_says_what_cannot_be_done_and_stays_usable(panel):
    panel.red.value = panel.black.value = "G1.-"
    panel.buttons["Read"].click()
    assert "Not possible: both leads are on G1.-" in panel.message.value
    panel.red.value, panel.expect.value = "B5.1", "about five"
    panel.buttons["Read"].click()
    assert "write the expected value as a number, such as 4.98" in panel.message.value
    panel.buttons["Debrief"].click()
    assert "there is no call yet" in panel.message.value
    assert panel.bench.log.empty
    panel.expect.value = "5"
    panel.buttons["Read"].click()
    assert len(panel.bench.log) == 1


def test_the_panel_shows_what_the_bench_offers(panel):
    assert list(panel.red.options) == panel.bench.probe_points()
    assert [value for _, value in panel.move.options] == [
        (m.move, m.target) for m in panel.bench.moves().itertuples()
    ]  # fmt: skip
    do(panel, "unplug", "B4")
    assert "B4.1m" in panel.red.options
    assert panel.black.value == "G1.-"
    assert "<svg" in panel.picture.value
    assert "Brooms will not lower" in panel.children[0].value


def test_nothing_synced_to_the_browser_holds_the_fault(panel):
    """Traits travel to the browser: none of them says more than the trainee may know."""
    do(panel, "key", "on")
    read(panel, "B12.1")
    state = json.dumps([w.get_state() for w in widgets_of(panel)], default=str)
    state = state.replace(json.dumps(panel.kind.get_state(), default=str), "")
    for giveaway in ("rubbed", "r_ohm", "ShortToGround", "worn", "sealed"):
        assert giveaway not in state


def widgets_of(widget):
    yield widget
    for child in getattr(widget, "children", ()):
        yield from widgets_of(child)
