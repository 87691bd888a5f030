"""The bench: what can be reached, what moves cost, what the log holds, and what a wrong move is told."""

import pandas as pd
import pytest

import casekit
from casekit import BenchError


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
    assert log["minute"].is_monotonic_increasing
    assert log.loc[1, ["red", "black", "shown", "unit", "expected", "key"]].tolist() == [
        "B5.1", "G1.-", reading.shown, "V", 5.0, "on"
    ]  # fmt: skip
    assert log.loc[1, "u"] == reading.u > 0
    assert log.loc[2, "unplugged"] == "B5"
    assert repr(reading) == f"{reading.shown}  B5.1 against G1.-, key on, minute {reading.minute:g}"


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
    assert set(moves["move"]) == {"key", "unplug", "look"}
    assert moves.loc[moves["target"] == "X12", "minutes"].item() == 5.5
    assert (moves["minutes"] > 0).all()
    bench.unplug("X12")
    moves = bench.moves()
    assert moves.loc[moves["target"] == "X12", ["move", "minutes"]].iloc[0].tolist() == ["plug", 0.5]


@pytest.mark.parametrize("position", [0, 3, 7, 12, 20])
def test_every_move_offered_can_be_made_at_its_price(bench, position):
    row = bench.moves().iloc[position]
    before = bench.clock
    getattr(bench, row["move"])(row["target"])
    assert bench.clock - before == pytest.approx(row["minutes"])


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
    (lambda b: b.key("start"), "the key has no position 'start'; use 'off', 'on' or 'run'."),
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
    (lambda b: b.look("CP9"), "CP9 is not a contact point; there is CP1, CP2, CP3, CP4, CP5. Did you mean CP1?"),
    (lambda b: b.volts("B4.1", "B4.1"), "both leads are on B4.1; put one of them somewhere else."),
    (lambda b: b.volts("B4.1m", "G1.-"), "B4.1m is behind the plugged connector B4; unplug B4 first."),
    (lambda b: b.volts("X11.1", "G1.-"), "X11.1 has two halves; probe X11.1f or X11.1m."),
    (lambda b: b.volts("SP1", "G1.-"), "'SP1' is not a point a lead can reach on this machine now."),
    (
        lambda b: b.volts("B4.9", "G1.-"),
        "'B4.9' is not a point a lead can reach on this machine now. Did you mean B4.1?",
    ),
    (
        lambda b: b.volts("B4.1", "G1.-", expect="five"),
        "the expected value 'five' is not a number; write it in volt or ohm or leave it out.",
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
        "'shorted' is not a kind of fault; use one of: short to ground, short to battery, short between wires, open, "
        "high resistance, sensor shorted, supply dead, supply weak.",
    ),
    (("open", "W142"), "a fault of kind open cannot be at 'W142'. Did you mean W14?"),
    (("sensor shorted", "W14"), "a fault of kind sensor shorted cannot be at 'W14'."),
    (("supply dead", "V3"), "a fault of kind supply dead cannot be at 'V3'."),
]


@pytest.mark.parametrize(("call", "sentence"), WRONG_CALLS, ids=[c[0][0] for c in WRONG_CALLS])
def test_wrong_calls(case, call, sentence):
    with pytest.raises(BenchError) as caught:
        case.call(*call)
    assert str(caught.value) == sentence
    assert case.log.empty


def test_debrief_needs_a_call_and_closes_the_case(case):
    with pytest.raises(BenchError) as caught:
        case.debrief()
    assert str(caught.value) == "there is no call yet; state the fault with bench.call(kind, place) first."
    case.call("open", "W42")
    assert case.debrief().right is False
    for late in (lambda: case.call("open", "W42"), lambda: case.key("on"), lambda: case.volts("B1.1", "G1.-")):
        with pytest.raises(BenchError) as caught:
            late()
        assert str(caught.value) == (
            "this case is closed after its debrief; open it again with casekit.open_case to go on."
        )


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
    assert "<dl>" in case.sheet._repr_html_()
