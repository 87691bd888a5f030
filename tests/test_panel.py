"""The panel: cases played by its controls alone, and what it shows, says and keeps to itself."""

import json
import re

import pytest

import casekit
from casekit.teaching.panel import Panel
from casekit.teaching.written import predicted


@pytest.fixture
def panel():
    return casekit.panel(casekit.open_case("broom-frame-dead"), predict=False)


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
    panel.calls.kind.value = "short to ground"
    panel.calls.place.value = "W14"
    panel.buttons["Make the call"].click()
    assert "called: short to ground at W14" in panel.message.value
    panel.buttons["Debrief"].click()
    assert "right" in panel.result.value
    assert "they support the call" in panel.result.value
    assert [name for name, button in panel.buttons.items() if not button.disabled] == ["What was known when"]
    assert panel.table.value.count("<tr") == 1 + len(panel.bench.log)


def test_the_panel_says_what_cannot_be_done_and_stays_usable(panel):
    panel.red.value = panel.black.value = "G1.-"
    panel.buttons["Read"].click()
    assert "Not possible: both leads are on G1.-" in panel.message.value
    panel.red.value, panel.expect.value = "B5.1", "about five"
    panel.buttons["Read"].click()
    assert (
        "Not possible: &#x27;about five&#x27; is not a number or a range; write what you expect as a number or a "
        "range, such as 4.98 or 4.9 to 5.1 (V)."
    ) in panel.message.value
    panel.buttons["Debrief"].click()
    assert "there is no call yet" in panel.message.value
    assert panel.bench.log.empty
    panel.expect.value = "5"
    panel.buttons["Read"].click()
    assert len(panel.bench.log) == 1


def test_the_panel_shows_what_the_bench_offers(panel):
    assert list(panel.red.options) == panel.bench.probe_points()
    offered = [value for _, value in panel.move.options]
    hard = [value for value in offered if value[2:] == ("hard",)]
    assert [v for v in offered if v not in hard] == [(m.move, m.target) for m in panel.bench.moves().itertuples()]
    assert [v[1] for v in hard] == [p.name for p in panel.bench.drawing.contact_points]
    do(panel, "unplug", "B4")
    assert "B4.1m" in panel.red.options
    assert panel.black.value == "G1.-"
    assert "<svg" in panel.board.svg
    assert "Brooms will not lower" in panel.children[0].value


@pytest.mark.parametrize(
    ("text", "function", "expected"),
    [
        ("4,98", "volts", 4.98), ("4.9 to 5.1", "volts", (4.9, 5.1)), ("4.9-5.1 V", "volts", (4.9, 5.1)),
        ("−0.1 – 0.1", "volts", (-0.1, 0.1)), ("0..0.3", "volts", (0.0, 0.3)), ("5.", "volts", 5.0),
        ("50 mV", "volts", 0.05), ("8", "millivolts", 0.008), ("0.1 V", "millivolts", 0.1),
        ("2k to 3k", "ohms", (2e3, 3e3)),
        ("10MΩ", "ohms", 1e7), ("OL", "ohms", (6e7, 6e7)), ("20 mA", "amps", 0.02),
        ("20 to 30 mA", "amps", (0.02, 0.03)),
    ],
)  # fmt: skip
def test_what_is_expected_is_a_number_or_a_range(text, function, expected):
    assert predicted(text, function) == pytest.approx(expected)


def test_a_comma_that_may_stand_for_thousands_is_asked_about():
    with pytest.raises(casekit.BenchError) as err:
        predicted("10,000", "ohms")
    assert str(err.value) == "10,000 may mean 10.000 or 10000; write it with a point, or as 10000."


def test_a_lead_comes_off_with_its_pin_and_a_move_is_chosen_anew(panel):
    do(panel, "unplug", "B4")
    assert panel.move.value is None
    assert "Not possible: choose a move first." in press(panel, "Do it")
    panel.red.value = "B4.1m"
    do(panel, "plug", "B4")
    assert panel.red.value is None
    assert panel.board.now["red"] == ""
    assert "the lead that was on B4.1m has come off" in panel.message.value
    assert panel.black.value == "G1.-"


def test_a_suspect_that_cannot_be_struck_off_stays_as_it_was(panel):
    panel.calls.kind.value, panel.calls.place.value = "open", "W10"
    press(panel, "Keep as suspect")
    panel.bench.call("open", "W10")
    panel.bench.debrief()
    (box,) = panel.calls.kept.children
    box.value = False
    assert "this case is closed" in panel.message.value
    assert box.value is True


def test_snapshots_belong_to_the_codes_that_were_read():
    panel = casekit.panel(casekit.open_case("oil-and-boost-low"), predict=False)
    do(panel, "key", "on")
    press(panel, "Snapshots")
    assert "read the trouble codes first; a snapshot belongs to a code." in panel.message.value
    press(panel, "Trouble codes")
    codes = re.findall(r">([PBCU][0-9A-F]{4})<", panel.shown.value)
    press(panel, "Snapshots")
    assert codes
    assert all(f">{code}</th>" in panel.shown.value for code in codes)
    assert "state" in panel.shown.value
    assert "key" in panel.shown.value


def test_nothing_of_the_old_run_stays_when_a_case_is_begun_anew(tmp_path):
    bench = casekit.resume_case("broom-frame-dead", folder=tmp_path)
    panel = casekit.panel(bench, predict=False)
    do(panel, "key", "on")
    panel.calls.kind.value, panel.calls.place.value = "open", "W10"
    press(panel, "Keep as suspect")
    press(panel, "Make the call")
    press(panel, "Debrief")
    assert panel.result.value
    bench.start_over()  # in a cell
    bench.key("run")
    press(panel, "Start over")
    assert "press Start over once more to begin this case anew" in panel.message.value
    assert panel.result.value == ""
    assert "key run" in panel.table.value
    assert "key on" not in panel.table.value
    assert panel.calls.kept.children == ()
    assert "begun anew" in press(panel, "Start over")
    assert panel.bench.log.empty


def test_what_the_browser_gets_is_the_same_whatever_is_wrong():
    """All traits of all widgets of two panels on one machine, one with a fault, before anything was done."""

    def traits(fault):
        shown = casekit.panel(casekit.open_machine("street-sweeper", 3, fault))
        text = json.dumps([w.get_state() for w in widgets_of(shown)], default=str)
        return re.sub(r"IPY_MODEL_\w+|<[\w.]+ object at \w+>|\w+\(.*?\)", "", text)

    assert traits(None) == traits(casekit.ShortToGround("W14", 0.2, 0.5))


def test_a_reading_waits_for_what_is_expected():
    """On by default; who is fluent switches it off, and then a click on the drawing reads at once."""
    panel = casekit.panel(casekit.open_case("broom-frame-dead"))
    panel.board._heard(panel.board, {"kind": "point", "name": "B5.1", "lead": "red"}, [])
    assert panel.red.value == "B5.1"
    assert panel.bench.log.empty
    panel.buttons["Read"].click()
    assert (
        "Not possible: write what you expect as a number or a range, such as 4.98 or 4.9 to 5.1 (V), and how sure "
        "you are; or switch off “predict before reading”."
    ) in panel.message.value
    panel.expect.value = "0"
    panel.buttons["Read"].click()
    assert len(panel.bench.log) == 1
    panel.predict.value, panel.at_once.value = False, True
    panel.board._heard(panel.board, {"kind": "point", "name": "B9.1", "lead": "red"}, [])
    assert len(panel.bench.log) == 2
    assert "B9.1 against G1.-" in panel.display.value


def test_what_comes_from_the_browser_may_be_nonsense(panel):
    for content in (None, [], {}, {"kind": "point"}, {"kind": "fault", "name": "W14"}, "B5.1"):
        panel.board._heard(panel.board, content, [])
    panel.board._heard(panel.board, {"kind": "plug", "name": "Q9"}, [])
    assert "Not possible: there is nothing to be done at &#x27;Q9&#x27; now." in panel.message.value
    panel.board._heard(panel.board, {"kind": "plug", "name": "X11"}, [])
    assert panel.move.value == ("unplug", "X11")
    panel.board._heard(panel.board, {"kind": "spot", "name": "CP1"}, [])
    assert panel.move.value == ("look", "CP1")
    assert panel.bench.log.empty


def test_a_closed_case_stays_readable(panel):
    """After the debrief a pick is answered in one sentence, and nothing is changed."""
    panel.calls.place.value = "W14"
    press(panel, "Make the call")
    press(panel, "Debrief")
    lines = len(panel.bench.log)
    panel.board._heard(panel.board, {"kind": "point", "name": "B9.1", "lead": "red"}, [])
    assert (
        "Not possible: this case is closed after its debrief; open it again with casekit.open_case to go on."
    ) in panel.message.value
    panel.board._heard(panel.board, {"kind": "plug", "name": "X11"}, [])
    assert "press Do it" in panel.message.value
    assert panel.buttons["Do it"].disabled
    assert len(panel.bench.log) == lines


def test_a_panel_needs_a_bench():
    with pytest.raises(casekit.BenchError) as err:
        casekit.panel("broom-frame-dead")
    assert str(err.value) == (
        "'broom-frame-dead' is not a bench; open one with casekit.open_case or casekit.open_machine."
    )


def test_suspects_are_kept_by_hand(panel):
    panel.calls.kind.value, panel.calls.place.value = "short to ground", "W14"
    assert "short to ground at W14 is on your list" in press(panel, "Keep as suspect")
    panel.calls.kind.value, panel.calls.place.value = "open", "W10"
    press(panel, "Keep as suspect")
    first, second = panel.calls.kept.children
    assert (first.description, second.description) == ("short to ground at W14", "open at W10")
    second.value = False
    assert panel.bench.ticks["possible"].tolist() == [True, False]
    assert panel.bench.clock == 0


def test_nothing_synced_to_the_browser_holds_the_fault(panel):
    """Traits travel to the browser: none of them says more than the trainee may know."""
    do(panel, "key", "on")
    read(panel, "B12.1")
    state = json.dumps([w.get_state() for w in widgets_of(panel)], default=str)
    state = state.replace(json.dumps(panel.calls.kind.get_state(), default=str), "")
    for giveaway in ("rubbed", "r_ohm", "ShortToGround", "worn", "sealed"):
        assert giveaway not in state


def widgets_of(widget):
    yield widget
    for child in getattr(widget, "children", ()):
        yield from widgets_of(child)


def press(panel: Panel, name: str) -> str:
    panel.buttons[name].click()
    return panel.message.value


def test_an_intermittent_case_is_finished_with_the_controls():
    """Scan data, codes, driver's seat, an operation, a picture while it is done, a look, the call."""
    panel = casekit.panel(casekit.open_case("boom-stops-halfway"), predict=False)
    do(panel, "key", "run")
    good = float(re.search(r">(\d\.\d+) V<", read(panel, "B5.1"))[1])
    assert good == pytest.approx(5.0, abs=0.06)
    panel.scope.during.value = "boom"
    panel.scope.time.value = 0.1
    assert "the picture is shown below" in press(panel, "Take picture")
    assert panel.shown.value.startswith('<img style="max-width:100%" alt="')
    assert "B5.1 against G1.-" in panel.shown.value
    do(panel, "operate", "boom")
    assert float(re.search(r">(\d\.\d+) V<", read(panel, "B5.1"))[1]) < 0.1
    assert "power is reduced" in press(panel, "Driver's seat")
    press(panel, "Scan data")
    assert "supply V1" in panel.shown.value
    press(panel, "Trouble codes")
    assert "P0642" in panel.shown.value
    do(panel, "release", "boom")
    do(panel, "open_harness", "CP1")
    assert "W14b" in panel.message.value
    panel.calls.kind.value = "short to ground"
    panel.calls.place.value = "W14b"
    assert "called: short to ground at W14b" in press(panel, "Make the call")
    assert "W14b repaired" in press(panel, "Repair it")
    press(panel, "Debrief")
    assert "the machine is cured; not proved" in panel.result.value


def test_hands_can_be_watched():
    panel = casekit.panel(casekit.open_machine("street-sweeper"))
    panel.red.value, panel.watch.value = "B5.1", True
    panel.move.value = ("shift", "CP1", "hard")
    panel.buttons["Do it"].click()
    assert re.search(r"0\.000 V to 0\.000 V", panel.display.value)
    assert "moved before it was looked at" in panel.bench.log["risk"].str.cat()


def test_wires_leads_and_jumpers():
    panel = casekit.panel(casekit.open_machine("street-sweeper"), predict=False)
    do(panel, "key", "on")
    panel.wire.value = "W10"
    press(panel, "Zero clamp")
    press(panel, "Clamp amps")
    assert re.search(r">0\.0[234]\d A<", panel.display.value)
    assert "W10@0.5 can be reached with a lead; piercing insulation" in press(panel, "Pierce wire")
    assert "W10@0.5" in panel.red.options
    panel.red.value = "B1.1"
    assert "B1.1 and G1.- are joined" in press(panel, "Fit jumper")
    assert "B1.1 joined to G1.-" in panel.status.value
    assert "is off" in press(panel, "Take jumper off")


def test_a_call_needs_a_place_and_a_wrong_drawing_its_other_end():
    panel = casekit.panel(casekit.open_case("level-gauge-still-works"))
    panel.calls.place.value = None
    assert "Not possible: choose the place first." in press(panel, "Make the call")
    panel.calls.kind.value = "drawn on the wrong splice"
    panel.calls.place.value, panel.calls.to.value = "W12", "SP5"
    assert "called: drawn on the wrong splice at W12 to SP5" in press(panel, "Make the call")
    panel.calls.kind.value = "open"
    assert panel.calls.to.disabled


def test_no_fault_found_is_called_without_a_place():
    panel = Panel(casekit.open_case("no-power-on-monday"))
    panel.calls.kind.value = "no fault found"
    assert panel.calls.place.disabled
    press(panel, "Keep as suspect")
    assert "no fault found is a call; choose a kind of fault and its place" in panel.message.value
    press(panel, "Make the call")
    assert "called: no fault found, minute 0.0" in panel.message.value
    panel.calls.kind.value = "open"
    assert not panel.calls.place.disabled
    assert "W60b" in panel.calls.place.options
