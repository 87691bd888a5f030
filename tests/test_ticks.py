"""The trainee's own list of suspects: what it takes, what it shows, and what the debrief says of it."""

import re

import pytest

import casekit
from casekit import BenchError
from casekit.machine.faults import Open, ShortBetweenWires, ShortToGround
from casekit.teaching.support import Weighed, shortened
from casekit.teaching.ticks import Tick, judged


@pytest.fixture
def bench():
    return casekit.open_case("broom-frame-dead")


def test_the_list_stands_in_order_of_entry_and_is_changed_in_place(bench):
    assert bench.ticks.to_numpy().tolist() == []
    assert list(bench.ticks.columns) == ["suspect", "possible", "minute", "note"]
    kept = bench.tick("open", "W42", note="5 V on both sides?")
    assert repr(kept) == "kept: open at W42, minute 0.0 (5 V on both sides?)"
    bench.tick("short to ground", "W14")
    bench.key("on")
    struck = bench.tick("open", "W42", possible=False)
    assert repr(struck) == "struck off: open at W42, minute 0.1 (5 V on both sides?)"
    bench.tick("drawn on the wrong splice", "W11", "SP5")
    assert bench.ticks.to_numpy().tolist() == [
        ["open at W42", False, 0.1, "5 V on both sides?"],
        ["short to ground at W14", True, 0.0, ""],
        ["drawn on the wrong splice at W11 to SP5", True, 0.1, ""],
    ]


def test_a_note_alone_does_not_move_the_minute(bench):
    bench.tick("open", "W42", possible=False)
    bench.key("on")
    assert bench.tick("open", "W42", possible=False, note="it beeps") == Tick("open", "W42", "", False, 0.0, "it beeps")


def test_of_two_places_that_touch_either_may_be_named_first(bench):
    bench.tick("short between wires", "W14", "W13")
    bench.tick("short between wires", "W13", "W14", possible=False)
    assert bench.ticks["suspect"].tolist() == ["short between wires at W14 to W13"]
    assert bench.ticks["possible"].tolist() == [False]


def test_it_takes_no_minutes_and_is_no_evidence(bench):
    bench.tick("open", "W42")
    assert bench.clock == 0.0
    assert bench.log.empty


def test_a_machine_without_a_case_has_a_list_too():
    bench = casekit.open_machine("street-sweeper")
    bench.tick("open", "W42")
    assert len(bench.ticks) == 1


@pytest.mark.parametrize(
    ("given", "settings", "sentence"),
    [
        (("broken", "W42"), {}, "'broken' is not a kind of fault; use one of: "),
        (("open", "W999"), {}, "a fault of kind open cannot be at 'W999'."),
        (("open", "W42", "W43"), {}, "'W43' cannot be the other end of a fault of kind open at W42."),
        (("drawn on the wrong splice", "W11"), {},
         "say with to= where W11 really goes: a splice, or the wire it is spliced into."),
        (("open", "W42"), {"possible": "no"},
         "possible is 'no'; write True to keep the suspect or False to strike it off."),
        (("open", "W42"), {"note": 5}, "the note is 5; write it as text."),
    ],
)  # fmt: skip
def test_what_is_no_suspect_is_refused_in_a_sentence(bench, given, settings, sentence):
    with pytest.raises(BenchError) as caught:
        bench.tick(*given, **settings)
    assert str(caught.value).startswith(sentence)
    assert bench.ticks.empty


# In the debrief ----------------------------------------------------------------------------------------------------


def test_the_debrief_holds_the_list_against_the_readings(bench):
    bench.tick("short to ground", "W14")
    bench.tick("open", "W42")
    bench.tick("sensor dead spot", "B5")
    bench.tick("drawn on the wrong splice", "W11", "SP5", possible=False)
    bench.key("on")
    bench.tick("short to ground", "W14", possible=False)
    bench.volts("B5.1", "G1.-")
    bench.scan()
    bench.tick("short to ground", "W13", possible=False)
    bench.look("CP1")
    bench.call("short to ground", "W14")
    result = bench.debrief()
    said = dict(result.lines())["Your own list"]
    assert said == result.own
    assert re.fullmatch(
        r"You struck off short to ground at W14 at minute 0\.1, and that is what was wrong\. Kept although your "
        r"readings rule it out: open at W42 \(.+ showed .+ V; it would have shown about .+\)\.",
        said,
    )
    with pytest.raises(BenchError, match="this case is closed after its debrief"):
        bench.tick("open", "W42")


def test_what_was_struck_off_too_early(bench):
    bench.key("on")
    bench.volts("B5.1", "G1.-")
    bench.tick("short to ground", "W13", possible=False)
    bench.tick("short to ground", "W14")
    bench.call("short to ground", "W14")
    assert bench.debrief().own == (
        f"Struck off although your readings leave it: short to ground at W13 (minute {bench.clock:.1f})."
    )


def test_no_list_no_row_and_a_good_list_one_sentence(bench):
    bench.key("on")
    bench.volts("B5.1", "G1.-")
    bench.call("short to ground", "W14")
    assert "Your own list" not in dict(bench.debrief().lines())
    again = casekit.open_case("broom-frame-dead")
    again.key("on")
    again.volts("B5.1", "G1.-")
    again.tick("short to ground", "W14")
    again.call("short to ground", "W14")
    assert again.debrief().own == "nothing on it goes against your readings."


def test_where_no_single_fault_explains_the_log_only_the_truth_counts():
    weighed = Weighed(None, None, (), False, "", explained=False)
    entries = [Tick("open", "W1", "", False, 3.0), Tick("open", "W2", "", True, 4.0)]
    rest = "No single fault explains your readings, so the rest of the list is not held against them."
    assert judged(entries, weighed, [Open("W1"), ShortToGround("W9", 0.5)]) == (
        f"You struck off open at W1 at minute 3.0, and that is what was wrong. {rest}"
    )
    assert judged(entries, weighed, [Open("W9")]) == rest
    between = [Tick("short between wires", "W2", "W1", False, 5.0)]
    assert judged(between, weighed, [ShortBetweenWires("W1", "W2", 0.5)]).startswith(
        "You struck off short between wires at W2 to W1 at minute 5.0, and that is what was wrong."
    )


def test_a_long_list_is_cut():
    assert "; ".join(shortened(list(map(str, range(10))))) == "0; 1; 2; 3; 4; 5; 6; 7; and 2 more"
