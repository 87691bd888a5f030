"""The bench: what can be reached, what moves cost, what the log holds, and what a wrong move is told."""

import inspect

import pandas as pd
import pytest

import casekit
from casekit import BenchError
from casekit.bench.workplace import LOG_COLUMNS


def refused(bench, move) -> str:
    """The one sentence a move is refused with; nothing has changed by it."""
    log, before = bench.log, (bench.clock, bench.state, bench.moves().to_dict())
    with pytest.raises(BenchError) as caught:
        move(bench)
    assert caught.value._render_traceback_() == [str(caught.value)]
    assert (bench.clock, bench.state, bench.moves().to_dict()) == before
    pd.testing.assert_frame_equal(bench.log, log)
    return str(caught.value)


@pytest.fixture
def bench():
    return casekit.open_machine("street-sweeper")


@pytest.fixture
def case():
    return casekit.open_case("broom-frame-dead")


def test_key_moves_and_readings_are_logged_with_the_clock(bench):
    bench.key("on")
    reading = bench.volts("B5.1", "G1.-", expect=5.0)
    bench.unplug("B5")
    bench.look("CP5")
    log = bench.log
    assert isinstance(log, pd.DataFrame)
    assert log["action"].tolist() == ["key", "reading", "unplug", "look"]
    assert log.columns.tolist() == LOG_COLUMNS
    assert log["minute"].is_monotonic_increasing
    assert log.loc[1, ["red", "black", "shown", "unit", "expected", "key"]].tolist() == [
        "B5.1", "G1.-", reading.shown, "V", 5.0, "on"
    ]  # fmt: skip
    assert log.loc[1, "u"] == reading.u > 0
    assert log.loc[2, "unplugged"] == "B5"
    assert repr(reading) == f"{reading.shown}  B5.1 against G1.-, key on, minute {reading.minute:.1f}"


def test_a_reading_is_a_complete_record(bench):
    bench.key("on")
    r = bench.volts("B1.1", "B1.3")
    assert (r.function, r.red, r.black, r.unit, r.state.key, r.state.unplugged) == (
        "volts", "B1.1", "B1.3", "V", "on", frozenset()
    )  # fmt: skip
    assert r.value == pytest.approx(5.0, abs=0.1)
    assert r.shown == f"{r.value:.3f} V"
    assert r.minute == bench.clock


def test_probe_points_follow_the_plugs(bench):
    """Plugged: the harness side from the back. Unplugged: bare pins as well. Never a splice."""
    points = bench.probe_points()
    assert {"B4.1", "X11.1f", "X11.1m", "X1.5", "G1.+", "G1.-", "GND1", "F1.2"} <= set(points)
    assert not {"B4.1m", "X1.5m", "SP1", "W14"} & set(points)
    bench.unplug("B4")
    assert {"B4.1", "B4.1m"} <= set(bench.probe_points())
    bench.plug("B4")
    assert bench.probe_points() == points


def test_moves_are_a_table_with_minutes(bench):
    moves = bench.moves()
    assert moves.columns.tolist() == ["move", "target", "what", "where", "minutes"]
    assert set(moves["move"]) == {
        "key", "operate", "unplug", "look", "shift", "open_harness", "rock", "warm_up", "road_test", "clear_codes",
        "prove",
    }  # fmt: skip
    assert moves.loc[moves["target"] == "X12", "minutes"].item() == 5.5
    assert (moves["minutes"] > 0).all()
    bench.unplug("X12")
    moves = bench.moves()
    assert moves.loc[moves["target"] == "X12", ["move", "minutes"]].values.tolist() == [["plug", 0.5], ["look", 1.0]]
    bench.plug("X12")
    bench.key("run")
    bench.operate("brooms")
    moves = bench.moves()
    assert moves.loc[moves["move"] == "key", "target"].tolist() == ["off", "on", "crank"]
    assert moves.loc[moves["target"] == "brooms", "move"].tolist() == ["release"]


STATES = {
    "untouched": lambda b: None,
    "key on": lambda b: (b.key("on"), b.codes()),
    "taken apart": lambda b: (b.unplug("A1"), b.unplug("X12"), b.unplug("B4")),
    "running": lambda b: (b.key("run"), b.operate("brooms")),
}
NOT_NOW = {
    "untouched": {"operate", "warm_up", "road_test", "clear_codes"},
    "key on": {"operate", "unplug", "warm_up", "road_test"},
    "taken apart": {"key", "operate", "warm_up", "road_test", "clear_codes", "prove"},
    "running": {"unplug", "rock"},
}


@pytest.mark.parametrize("state", STATES)
def test_every_move_offered_is_made_at_its_price_or_refused(state):
    """On a healthy machine; a move that is refused leaves everything as it was."""
    bench = casekit.open_machine("street-sweeper")
    STATES[state](bench)
    refusals = set()
    for row in bench.moves().itertuples():
        bench = casekit.open_machine("street-sweeper")
        STATES[state](bench)
        before, lines = bench.clock, len(bench.log)
        try:
            getattr(bench, row.move)(*filter(None, [row.target]))
        except BenchError:
            refusals.add(row.move)
            assert (bench.clock, len(bench.log)) == (before, lines)
        else:
            assert bench.clock - before == pytest.approx(row.minutes), row
            assert len(bench.log) > lines
    assert refusals == NOT_NOW[state]


def test_access_is_paid_once(bench):
    bench.key("on")
    first = bench.volts("B11.1", "G1.-").minute
    second = bench.volts("B11.3", "G1.-").minute
    assert second - first == pytest.approx(0.5)
    assert first > 5.5


def test_control_unit_by_its_own_name(bench):
    assert bench.unplug("A1") == "A1 is unplugged"
    assert bench.state.unplugged == {"X1", "X2"}
    assert "X1.5m" in bench.probe_points()
    assert bench.plug("A1") == "A1 is plugged in"
    assert bench.state.unplugged == frozenset()


def test_engine_needs_its_crankshaft_signal(bench):
    bench.key("run")
    assert bench.state.key == "run"
    assert bench.unplug("B6") == "B6 is unplugged; the engine stops, the key is on"
    assert bench.state.key == "on"
    assert bench.key("run") == "the engine cranks and does not start; the key is on"
    bench.plug("B6")
    assert bench.key("run") == "key run"


WRONG = [
    (lambda b: b.key("start"), "the key has no position 'start'; use 'off', 'on', 'crank' or 'run'."),
    (lambda b: b.unplug("B44"), "'B44' is not a connector or sensor of this machine. Did you mean B4?"),
    (lambda b: b.plug("B4"), "B4 is plugged in already."),
    (lambda b: (b.unplug("B4"), b.unplug("B4")), "B4 is unplugged already; plug it first."),
    (
        lambda b: (b.key("on"), b.unplug("X1")),
        "turn the key off before unplugging X1: never unplug a powered control unit.",
    ),
    (
        lambda b: (b.unplug("X1"), b.key("on")),
        "the key stays off while control unit connector X1 is unplugged; plug X1 first.",
    ),
    (
        lambda b: b.look("CP9"),
        "'CP9' is neither a contact point nor a connector; contact points are CP1, CP2, CP3, CP4, CP5. "
        "Did you mean CP1?",
    ),
    (lambda b: b.volts("B4.1", "B4.1"), "both leads are on B4.1; put one of them somewhere else."),
    (lambda b: b.volts("B4.1m", "G1.-"), "B4.1m is behind the plugged connector B4; unplug B4 first."),
    (lambda b: b.volts("X11.1", "G1.-"), "X11.1 has two halves; probe X11.1f or X11.1m."),
    (
        lambda b: b.volts("SP1", "G1.-"),
        "'SP1' is not a point a lead can reach on this machine now. A splice is under tape: probe where its wires end, "
        "such as X1.5.",
    ),
    (
        lambda b: b.volts("B4.9", "G1.-"),
        "'B4.9' is not a point a lead can reach on this machine now. Did you mean B4.1?",
    ),
    (
        lambda b: b.volts("B4.1", "G1.-", expect="five"),
        "the expected value 'five' is not a number; write it in volt, ampere or ohm or leave it out.",
    ),
    (
        lambda b: b.call("open", "W42"),
        "this is a machine to practise on, without a case; use casekit.open_case for one.",
    ),
    (lambda b: b.debrief(), "this is a machine to practise on, without a case; use casekit.open_case for one."),
]


@pytest.mark.parametrize(("wrong", "sentence"), WRONG, ids=[w[1][:40] for w in WRONG])
def test_wrong_moves_get_one_sentence_and_leave_the_log(bench, wrong, sentence):
    with pytest.raises(BenchError) as caught:
        wrong(bench)
    assert str(caught.value) == sentence
    assert caught.value._render_traceback_() == [sentence]
    assert len(bench.log) <= 1  # only what was allowed before the wrong move


WRONG_CALLS = [
    (
        ("shorted", "W14"),
        "'shorted' is not a kind of fault; use one of: short to ground, short to battery, short between wires, leak "
        "between cavities, open, high resistance, crossed terminals, sensor shorted, sensor drifted, sensor dead spot, "
        "supply dead, supply weak, drawn on the wrong splice, splice not drawn; or no fault found. Did you mean sensor "
        "shorted?",
    ),
    (("open", "W142"), "a fault of kind open cannot be at 'W142'. Did you mean W14?"),
    (
        ("sensor shorted", "W14"),
        "a fault of kind sensor shorted cannot be at 'W14'. It may be B1, B2 or B3, or 9 more.",
    ),
    (("supply dead", "V3"), "a fault of kind supply dead cannot be at 'V3'. It may be V1 or V2."),
    (  # its signal has no range
        ("sensor drifted", "B6"),
        "a fault of kind sensor drifted cannot be at 'B6'. It may be B1, B2 or B3, or 5 more.",
    ),
    (("short to ground",), "say where the short to ground is. It may be W1, W2 or W3, or 151 more."),
    (("sensor dead spot", "B1"), "a fault of kind sensor dead spot cannot be at 'B1'. Did you mean B12?"),  # no track
    (
        ("short between wires", "W14", "W14"),
        "'W14' cannot be the other end of a fault of kind short between wires at W14. Did you mean W1?",
    ),
    (
        ("crossed terminals", "X12.1", "X11.1"),
        "'X11.1' cannot be the other end of a fault of kind crossed terminals at X12.1. Did you mean X12.2?",
    ),
    (("open", "W14", "W24"), "'W24' cannot be the other end of a fault of kind open at W14."),
    (
        ("drawn on the wrong splice", "W16"),
        "say with to= where W16 really goes: a splice, or the wire it is spliced into.",
    ),
    (
        ("drawn on the wrong splice", "W16", "SP3"),
        "'SP3' cannot be the other end of a fault of kind drawn on the wrong splice at W16. Did you mean SP1?",
    ),
    (
        ("drawn on the wrong splice", "W45", "SP3"),
        "a fault of kind drawn on the wrong splice cannot be at 'W45'. Did you mean W54?",
    ),
]


@pytest.mark.parametrize(("call", "sentence"), WRONG_CALLS, ids=[" ".join(c[0]) for c in WRONG_CALLS])
def test_wrong_calls(case, call, sentence):
    assert refused(case, lambda bench: bench.call(*call)) == sentence


def test_a_call_is_a_line_of_the_log(case):
    case.key("on")
    call = case.call("drawn on the wrong splice", "W16", "SP1")
    assert repr(call) == "called: drawn on the wrong splice at W16 to SP1, minute 0.1"
    assert case.log.iloc[-1][["action", "what", "key"]].tolist() == [
        "call", "drawn on the wrong splice at W16 to SP1", "on"
    ]  # fmt: skip


REFUSED = [
    (lambda b: None, lambda b: b.operate("pedal"), "pedal needs the key in run, and it is off."),
    (
        lambda b: b.key("run"),
        lambda b: b.operate("broom"),
        "this machine cannot 'broom'; it can: pedal, brooms, load. Did you mean brooms?",
    ),
    (
        lambda b: (b.key("run"), b.operate("brooms")),
        lambda b: b.operate("brooms"),
        "brooms is held already; release it first.",
    ),
    (lambda b: b.key("run"), lambda b: b.release("brooms"), "brooms is not held now."),
    (
        lambda b: None,
        lambda b: b.release("broom"),
        "this machine cannot 'broom'; it can: pedal, brooms, load. Did you mean brooms?",
    ),
    (lambda b: b.key("on"), lambda b: b.operate("load"), "load needs the key in run, and it is on."),
    (lambda b: None, lambda b: b.key(3), "the key has no position 3; use 'off', 'on', 'crank' or 'run'."),
    (
        lambda b: (b.unplug("A1"), b.plug("X1")),
        lambda b: b.key("run"),
        "the key stays off while control unit connector X2 is unplugged; plug X2 first.",
    ),
    (lambda b: None, lambda b: b.look("B4"), "B4 is plugged and shows only its outside; unplug it to look into it."),
    (
        lambda b: None,
        lambda b: b.volts("G1.+", ["G1.-"]),
        "['G1.-'] is not a point a lead can reach on this machine now. Did you mean G1.-?",
    ),
]


@pytest.mark.parametrize(("before", "move", "sentence"), REFUSED, ids=[r[2][:45] for r in REFUSED])
def test_what_cannot_be_done_now_says_why(bench, before, move, sentence):
    before(bench)
    assert refused(bench, move) == sentence


PAIR = ("B1.1", "G1.-")
DOING = {
    "key": ["on"], "operate": ["load"], "release": ["load"], "unplug": ["B1"], "plug": ["B1"], "look": ["CP1"],
    "open_harness": ["CP1"], "notice": [], "shift": ["CP1"], "rock": [], "warm_up": [], "road_test": [], "prove": [],
    "repair": ["W14"], "replace": ["B1"], "clear_codes": [], "jumper": PAIR, "remove_jumper": PAIR, "pierce": ["W14"],
    "volts": PAIR, "millivolts": PAIR, "ohms": PAIR, "continuity": PAIR, "minmax": PAIR, "lamp": PAIR, "loaded": PAIR,
    "amps": ["W14"], "zero_clamp": [], "scope": [[PAIR]], "scan": [], "scan_trace": [["B1"]], "codes": [],
    "snapshot": ["P0642"], "call": ["open", "W42"], "hint": [],
    "tick": ["open", "W42"],
}  # fmt: skip
CLOSED = "this case is closed after its debrief; open it again with casekit.open_case to go on."


def test_debrief_needs_a_call_and_closes_the_case(case):
    with pytest.raises(BenchError) as caught:
        case.debrief()
    assert str(caught.value) == "there is no call yet; make the call first: its kind and its place."
    case.call("open", "W42")
    assert case.debrief().right is False
    known = {name for name in dir(case) if not name.startswith("_") and inspect.ismethod(getattr(case, name))}
    assert known == {*DOING, "moves", "places", "others", "probe_points", "debrief"}
    for name, given in DOING.items():
        assert refused(case, lambda bench, name=name, given=given: getattr(bench, name)(*given)) == CLOSED
    assert repr(case.debrief()) == repr(case.debrief())


def test_seed_draws_the_individual_and_nothing_else():
    """The same seed gives the same readings; another seed another machine and meter; no seed is always the same."""

    def shown(seed):
        bench = casekit.open_case("oil-and-boost-low", seed=seed)
        bench.key("on")
        return [bench.volts(p, "G1.-").shown for p in ("B1.1", "B7.1", "B8.1", "B9.1", "B5.2")]

    assert shown(None) == shown(None)
    assert shown(4) == shown(4)
    assert shown(4) != shown(5)
    with pytest.raises(BenchError) as caught:
        casekit.open_case("oil-and-boost-low", seed="four")
    assert str(caught.value) == "the seed is 'four'; use a whole number from 0, or leave it out."


def test_cases_are_a_table():
    table = casekit.list_cases()
    assert isinstance(table, pd.DataFrame)
    assert {"broom-frame-dead", "oil-and-boost-low", "rear-readings-high"} <= set(table["case"])
    assert "fault" not in table.columns


def test_sheet_has_complaint_story_and_standard_titles(case):
    text = repr(case.sheet)
    assert "Brooms and suction fan do not answer" in text
    assert 'P0642 Sensor Reference Voltage "A" Circuit Low' in text
    assert case.sheet._repr_html_().count('<th scope="row"') == len(case.sheet.rows)
