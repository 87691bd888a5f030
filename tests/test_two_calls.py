"""Two faults called at once: which calls stand, what the readings make of them, and what half the truth is worth."""

import pytest

import casekit
from casekit.bench.reading import standing
from casekit.error import BenchError
from casekit.teaching.callcontrols import CallControls

EARTH = "G1.-"
CASE = "rear-gauge-still-starts-late"


def measured(*points):
    bench = casekit.open_case(CASE)
    bench.key("on")
    for point in points:
        bench.volts(point, EARTH)
    return bench


def test_a_call_is_added_only_to_one_other_fault():
    bench = measured()
    refused = []
    for ready in ((), (("open", "W41"),), (("high resistance", "W50a", "", True),)):
        for call in ready:
            bench.call(*call)
        with pytest.raises(BenchError) as caught:
            bench.call("open", "W41", also=True)
        refused.append(str(caught.value))
    assert refused == [
        "there is no call yet that this one could be added to; make it without also=True.",
        "open at W41 is the call already; add another fault to it.",
        "two faults are called already, open at W41 and high resistance at W50a; begin anew with a call without "
        "also=True.",
    ]
    assert [str(c) for c in standing(bench.events)[0]] == ["open at W41", "high resistance at W50a"]
    assert repr(bench.events[-1]) == f"called also: high resistance at W50a, minute {bench.clock:.1f}"
    bench.call("open", "W42")
    assert [str(c) for c in standing(bench.events)[0]] == ["open at W42"], "without also it stands alone"


def test_one_of_two_faults_is_told_to_be_one_of_two():
    bench = measured("B4.1", "B12.1", "X2.5", "X13.3f", "B5.3")
    bench.call("open", "W41")
    result = bench.debrief()
    assert (result.right, result.partly, result.missing, result.supported) == (False, True, True, False)
    assert dict(result.lines())["Your call"] == (
        "open at W41: part of what was wrong; one more thing is wrong, and nobody called it."
    )
    assert (
        "high resistance at W50a and open at W41 together explain everything"
        in dict(result.lines())["What may be behind it"]
    )


def test_both_called_but_only_one_shown():
    bench = measured("B4.1", "B12.1")
    bench.call("high resistance", "W50a")
    bench.call("open", "W41", also=True)
    result = bench.debrief()
    assert (result.right, result.supported) == (True, False)
    assert result.because == "a single fault explains them too: nothing shows that there are two."


def test_a_good_part_called_as_the_second_fault():
    bench = measured("B4.1", "B12.1", "X2.5", "X13.3f", "B5.3")
    bench.call("open", "W41")
    bench.call("high resistance", "W51", also=True)
    result = bench.debrief()
    assert (result.right, result.partly, result.missing, result.supported) == (False, True, False, False)
    assert result.because == "no single fault explains them. The two calls together do not either."
    assert result.condemned == ("W51",)
    assert result.rivals[0] == "high resistance at W50a and open at W41"
    assert result.sure < 0.001


def test_the_controls_add_a_call_and_forget_the_tick():
    bench = measured()
    controls = CallControls(bench)
    controls.kind.value, controls.place.value = "open", "W41"
    controls.call()
    controls.kind.value, controls.place.value, controls.also.value = "high resistance", "W50a", True
    assert controls.call().startswith("called also: high resistance at W50a")
    assert controls.also.value is False
    assert len(standing(bench.events)[0]) == 2


def test_one_odd_reading_does_not_show_a_second_fault():
    """A slip of the meter is likelier than a second fault until another reading says the same."""
    bench = measured("B4.1", "B12.1", "X2.5", "X13.3f", "B5.3")
    bench.call("open", "W41")
    bench.call("high resistance", "W50a", also=True)
    result = bench.debrief()
    assert (result.right, result.supported) == (True, False)
    assert result.sure < 0.5
    assert result.because == (
        "no single fault explains them. The two calls together do, but so does one fault and a slip of the meter: "
        "measure more of it."
    )
