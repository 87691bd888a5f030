"""The cases: each is played by hand to a supported call, and its facts are those of the trade."""

import pytest

import casekit
from casekit.bench.reading import Finding, Reading
from casekit.files.library import machine_file
from casekit.machine.drawn import drawn
from casekit.reasoning.evidence import weigh
from casekit.reasoning.lookalike import groups
from casekit.reasoning.suspect import Suspect

EARTH = "G1.-"
SEEDS = [None, 1, 2, 3]


def read(bench, *points):
    return [bench.volts(point, EARTH).value for point in points]


# Facts of the trade: common practice, no source ------------------------------------------------------------------


@pytest.mark.parametrize("seed", SEEDS)
def test_hard_shorted_supply_beside_a_healthy_one(seed):
    """A hard-shorted 5 V supply reads about 0.1 to 0.3 V at a remote sensor, a separate supply stays within a few
    hundredths of 5 V, unplugging the shorted branch brings it back to 5 V, and the sensors on the healthy supply keep
    working. Common practice, no source."""
    bench = casekit.open_case("broom-frame-dead", seed)
    bench.key("on")
    for value in read(bench, "B5.1", "B1.1", "B2.1", "B11.1"):
        assert 0.1 <= value <= 0.3
    for value in read(bench, "B9.1", "B7.1", "B3.1", "B5.4"):
        assert value == pytest.approx(5.0, abs=0.06)
    supply, signal, back = read(bench, "B9.1", "B9.2", "B9.3")
    assert (signal - back) / (supply - back) == pytest.approx(0.1, abs=0.01)
    bench.unplug("X11")
    for value in read(bench, "B5.1", "B2.1", "X11.1f"):
        assert value == pytest.approx(5.0, abs=0.06)


def test_the_reading_falls_towards_the_short():
    """Millivolts along the harness point to it; beyond the short nothing flows and nothing falls."""
    bench = casekit.open_case("broom-frame-dead")
    bench.key("on")
    way = [("X1.5", "X11.1f"), ("X11.1f", "X11.1m"), ("X11.1m", "B12.1")]
    assert all(bench.millivolts(*pair).value > 0.0005 for pair in way)
    side = bench.millivolts("B1.1", "X11.1m").value
    assert side < 0


def test_beyond_an_open_the_voltage_is_gone():
    """Before the open 5 V, behind it nothing, and the neighbour fed before it works. Common practice, no source."""
    bench = casekit.open_case("oil-and-boost-low")
    bench.key("on")
    before, behind, boost, neighbour = read(bench, "X13.1m", "B9.1", "B10.1", "B7.1")
    assert before == pytest.approx(5.0, abs=0.06)
    assert neighbour == pytest.approx(5.0, abs=0.06)
    assert abs(behind) < 0.01
    assert abs(boost) < 0.01


def test_a_corroded_return_lifts_three_sensors():
    bench = casekit.open_case("rear-readings-high")
    bench.key("on")
    lifted = read(bench, "B2.3", "B4.3", "B11.3")
    assert min(lifted) > 0.5
    assert max(lifted) - min(lifted) < 0.02
    assert max(read(bench, "B1.3", "B12.3", "B5.3", "B9.3")) < 0.03
    assert min(read(bench, "B2.1", "B4.1", "B11.1")) > 4.9
    high, low = read(bench, "B11.2", "B2.2")
    assert high > 1.2
    assert low > 3.1


# Played to the end -----------------------------------------------------------------------------------------------


def shorted(bench):
    bench.key("on")
    read(bench, "B5.1", "X1.5", "B9.1")
    bench.look("CP1")
    bench.unplug("X11")
    read(bench, "B5.1")
    return bench.call("short to ground", "W14")


def opened(bench):
    bench.key("on")
    read(bench, "B9.1", "B10.1", "B7.1")
    return bench.call("open", "W42")


def corroded(bench):
    bench.key("on")
    read(bench, "X12.2f", "X12.2m", "B2.3")
    return bench.call("high resistance", "X12.2")


ROUTES = {"broom-frame-dead": shorted, "oil-and-boost-low": opened, "rear-readings-high": corroded}


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize("case", ROUTES)
def test_a_good_route_ends_in_a_supported_call(case, seed):
    bench = casekit.open_case(case, seed)
    ROUTES[case](bench)
    result = bench.debrief()
    assert result.right
    assert result.supported, result
    assert result.condemned == ()
    assert result.minutes == pytest.approx(bench.clock)
    assert "right" in repr(result)
    assert len(result.lessons) >= 3
    assert result.lessons[0] in repr(result)
    assert "<table>" in result._repr_html_()


def test_a_right_guess_is_right_but_not_supported():
    bench = casekit.open_case("broom-frame-dead")
    bench.key("on")
    read(bench, "B5.1")
    bench.call("short to ground", "W14")
    result = bench.debrief()
    assert result.right
    assert not result.supported
    assert result.because.startswith("they allow the call but do not prove it: ")
    assert len(result.rivals) == 9
    assert result.rivals[-1].startswith("and ")


def test_no_readings_support_nothing():
    bench = casekit.open_case("broom-frame-dead")
    bench.call("short to ground", "W14")
    result = bench.debrief()
    assert not result.supported
    assert result.because == "no reading that could rule anything out was taken."


def test_a_wrong_call_is_contradicted_by_a_named_reading_and_condemns_a_good_part():
    bench = casekit.open_case("broom-frame-dead")
    bench.key("on")
    bench.unplug("B12")
    shown = bench.volts("B5.1", EARTH).shown
    bench.call("sensor shorted", "B12")
    result = bench.debrief()
    assert not result.right
    assert not result.supported
    assert result.condemned == ("B12",)
    assert result.because.startswith(
        f"they speak against the call: B5.1 against G1.- showed {shown}; it would have shown about 5"
    )


def test_the_last_call_counts():
    bench = casekit.open_case("oil-and-boost-low")
    bench.call("sensor shorted", "B9")
    bench.call("open", "W42")
    assert bench.debrief().right


# What the evidence leaves ----------------------------------------------------------------------------------------


def evidence(bench):
    readings = [e for e in bench.events if isinstance(e, Reading)]
    return weigh(bench.drawing, readings, [e for e in bench.events if isinstance(e, Finding)])


@pytest.mark.parametrize("seed", range(6))
def test_the_truth_is_never_ruled_out(seed):
    """Over individuals of the machine and meter, the true fault stays left after every reading of a long route."""
    for case, truth in (
        ("broom-frame-dead", Suspect("short to ground", "W14")),
        ("oil-and-boost-low", Suspect("open", "W42")),
        ("rear-readings-high", Suspect("high resistance", "X12.2")),
    ):
        bench = casekit.open_case(case, seed + 100)
        bench.key("on")
        read(bench, "B5.1", "X1.5", "X12.1f", "B11.1", "B9.1", "B8.1", "B5.2", "B2.2")
        bench.millivolts("X12.2f", "X1.6")
        bench.unplug("B4")
        read(bench, "B2.3", "B4.1")
        bench.key("off")
        bench.ohms("B4.3", EARTH)
        assert truth in evidence(bench).left


def test_a_healthy_machine_leaves_nothing_wrong():
    bench = casekit.open_machine("street-sweeper")
    bench.key("on")
    read(bench, "B1.1", "B1.2", "B9.1", "B9.2", "B2.2")
    assert Suspect("none", "") in evidence(bench).left


def test_inspection_counts_and_clears_nothing_when_clean():
    bench = casekit.open_case("broom-frame-dead")
    bench.key("on")
    read(bench, "B5.1", "B1.1", "B12.1")
    before = set(evidence(bench).left)
    assert bench.look("CP2").text == "no damage to be seen"
    assert set(evidence(bench).left) == before
    assert "W14" in bench.look("CP1").text
    assert {s.place for s in evidence(bench).left} <= {"W14", "W24"}


def test_look_alikes():
    """A short in the last inch of a wire and one at its cavity cannot be told apart; one in another branch can."""
    drawing = drawn(machine_file("street-sweeper"))
    fits = {
        Suspect("short to ground", "W14"): (0.6, 0.98),
        Suspect("short to ground", "B12.1"): (0.6, 0.5),
        Suspect("short to ground", "W16"): (0.6, 0.5),
    }
    found = {frozenset(s.place for s in group) for group in groups(drawing, fits)}
    assert found == {frozenset({"W14", "B12.1"}), frozenset({"W16"})}
