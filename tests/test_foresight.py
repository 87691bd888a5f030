"""Predictions: what may be expected of a reading, how it is scored, and what the debrief makes of it."""

import math
from itertools import pairwise
from types import SimpleNamespace

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.optimize import minimize
from scipy.stats import binom, norm

import casekit
from casekit.bench.reading import Reading
from casekit.error import BenchError
from casekit.machine.state import State
from casekit.teaching.foresight import Foresight, Scored, foresight, interval_score

EARTH = "G1.-"


@pytest.fixture(scope="module")
def healthy():
    bench = casekit.open_machine("street-sweeper")
    bench.key("on")
    return bench


@pytest.fixture(scope="module")
def played():
    """A case with three predictions that hold, three that are far off, and readings nobody foresaw."""
    bench = casekit.open_case("broom-frame-dead")
    bench.key("on")
    bench.volts("B5.1", EARTH, expect=5.0, sure=0.95)
    bench.volts("B9.1", EARTH, expect=(4.8, 5.2), sure=0.9)
    bench.volts("B5.3", EARTH, expect=(0, 0.02))
    bench.volts("X1.13", EARTH, expect=0.0)
    bench.volts("B10.1", EARTH, expect=0.0)
    bench.volts("B5.3", EARTH)
    bench.look("CP1")
    bench.key("off")
    bench.unplug("B9")
    bench.ohms("B9.1", "B9.1m", expect=(1e6, 1e9), sure=0.8)
    bench.call("short to ground", "W14")
    return bench, bench.debrief()


def read(function="volts", value=5.0, expected=None, sure=None, shown="", unit="V", **more):
    return Reading(function, "B1.1", EARTH, shown or f"{value} {unit}", value, unit, 0.01, State("on"), 1.0,
                   expected, sure=sure, **more)  # fmt: skip


def scored(*readings):
    """Scored without a drawing and without evidence: only what is not far off can be."""
    return foresight(readings, None, SimpleNamespace(numbers=(), healthy=((), ())))


# The rule ----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("low", "high", "sure", "x", "score"),
    [
        (4.9, 5.1, 0.9, 5.0, 0.2),
        (4.9, 5.1, 0.9, 4.9, 0.2),
        (4.9, 5.1, 0.9, 4.8, 0.2 + 20 * 0.1),
        (4.9, 5.1, 0.9, 5.6, 0.2 + 20 * 0.5),
        (0.0, 1.0, 0.5, 3.0, 1.0 + 4 * 2.0),
        (-1.0, 1.0, 0.8, -1.5, 2.0 + 10 * 0.5),
        (2.0, 2.0, 0.99, 2.1, 0.0 + 200 * 0.1),
    ],
)
def test_the_interval_score_by_hand(low, high, sure, x, score):
    """Gneiting and Raftery, J. Am. Stat. Assoc. 102 (2007), eq. 43; worked by hand with a = 1 - sure."""
    assert interval_score(low, high, sure, x) == pytest.approx(score, rel=1e-12)


@pytest.mark.parametrize("sure", [0.5, 0.8, 0.9, 0.99])
def test_nobody_does_better_than_with_what_they_believe(sure):
    """Propriety: for a normal belief the expected score is least at its central quantiles (they are the integral's
    minimiser, found without them), and every other range does worse."""
    belief = norm(5.0, 0.2)

    def expected(ends):
        low, high = sorted(ends)
        points = [3.0, low, high, 7.0]
        pieces = pairwise(points)
        return sum(quad(lambda x: interval_score(low, high, sure, x) * belief.pdf(x), a, b)[0] for a, b in pieces)

    best = minimize(expected, (4.9, 5.2), method="Nelder-Mead", options={"xatol": 1e-6, "fatol": 1e-10})
    low, high = belief.interval(sure)
    assert sorted(best.x) == pytest.approx([low, high], abs=2e-4)
    for off in (-0.05, 0.05):
        assert expected((low + off, high)) > expected((low, high))
        assert expected((low, high + off)) > expected((low, high))


def test_scores_of_all_functions_compare():
    """A range of 5 V, of 50 mV on millivolts, of 100 mA, or of ohms from 0 to 999 that holds scores 1."""
    for reading in (
        read(value=3.0, expected=(0.0, 5.0)),
        read("loaded volts", 3.0, (0.0, 5.0)),
        read("min/max", math.nan, (0.0, 5.0), low=1.0, high=4.0),
        read("millivolts", 0.01, (0.0, 0.05)),
        read("amps", 0.02, (0.0, 0.1), unit="A"),
        read("ohms", 5.0, (0.0, 999.0), unit="ohm"),
        read("continuity", 5.0, (-3.0, 599.0), unit="ohm"),
    ):
        (found,) = scored(reading).scored
        assert found.held
        if reading.function != "continuity":  # which shows no more than 600 ohm
            assert found.score == pytest.approx(1.0, rel=1e-12)
        else:
            assert found.score == pytest.approx(math.log(600) / math.log(1000))


def test_a_single_value_is_a_range_and_silence_is_80_percent():
    one = scored(read(value=4.8, expected=5.0), read(value=0.05, expected=0.0, sure=0.6)).scored
    assert [(s.low, s.high, s.sure, s.held) for s in one] == [(4.75, 5.25, 0.8, True), (-0.1, 0.1, 0.6, True)]
    assert [s.score for s in one] == pytest.approx([0.1, 0.04])
    (near,) = scored(read(value=5.35, expected=5.0)).scored
    assert (near.held, near.far, near.score) == (False, False, pytest.approx((0.5 + 10 * 0.1) / 5))


def test_min_max_must_lie_in_the_range_with_both_ends():
    (found,) = scored(read("min/max", math.nan, (4.9, 5.1), 0.8, low=4.8, high=5.2)).scored
    assert (found.held, found.score) == (False, pytest.approx((0.2 + 10 * 0.1 + 10 * 0.1) / 5))


def test_an_open_is_foreseen_as_more_than_the_meter_can_show():
    """Ends beyond 60 Mohm count as that, and OL as just that: (1 Mohm, 1 Gohm) holds."""
    (found,) = scored(read("ohms", math.inf, (1e6, 1e9), shown="OL", unit="ohm")).scored
    assert (found.held, found.high) == (True, 1e9)
    assert found.score == pytest.approx(math.log(60) / math.log(1000), rel=1e-4)


def test_readings_without_a_number_are_counted_apart():
    result = scored(read(value=math.nan, expected=5.0, shown="unstable"), read(value=5.0, expected=5.0), read())
    assert (len(result.scored), result.blank) == (1, 1)
    assert "1 of 1 predictions held" in str(result)
    assert str(result).endswith("1 of your readings showed no number to hold against what you expected.")
    assert scored(read(), read("scan", math.nan)) is None
    assert str(Foresight((), 2)) == "2 of your readings showed no number to hold against what you expected."


# How sure ----------------------------------------------------------------------------------------------------------


def made(held, of, sure):
    one = read(value=5.0, expected=5.0, sure=sure)
    return Foresight(tuple(Scored(one, 4.75, 5.25, sure, k < held, 0.1) for k in range(of)))


@pytest.mark.parametrize(
    ("held", "of", "sure", "words"),
    [
        (1, 4, 0.9, ""),
        (4, 5, 0.8, "about right"),
        (3, 5, 0.8, "about right"),
        (2, 5, 0.8, "too sure"),
        (10, 10, 0.8, "about right"),
        (11, 11, 0.8, "not sure enough"),
        (5, 5, 0.5, "not sure enough"),
    ],
)
def test_sureness_against_outcome(held, of, sure, words):
    """Said from five predictions on, and only where the binomial chance of it is under one in ten."""
    result = made(held, of, sure)
    assert result.calibration == words
    if of >= 5:
        few, many = binom.cdf(held, of, sure), binom.sf(held - 1, of, sure)
        assert words == ("too sure" if few < 0.1 else "not sure enough" if many < 0.1 else "about right")
    assert (result.held, result.sure) == (held, pytest.approx(sure))


def test_the_summary_in_words():
    assert str(made(2, 5, 0.8)) == (
        "2 of 5 predictions held, and you were 80 % sure on average: too sure. "
        "Mean score 0.10 (0 is best; a range of 5 V that holds scores 1)."
    )
    assert str(made(3, 4, 0.9)) == (
        "3 of 4 predictions held, and you were 90 % sure on average. "
        "Mean score 0.10 (0 is best; a range of 5 V that holds scores 1)."
    )


# What is refused, and what the log keeps ---------------------------------------------------------------------------

REFUSED = [
    ({"expect": (5.1, 4.9)}, "the expected range (5.1, 4.9) has its low end above its high end; write (4.9, 5.1)."),
    (
        {"expect": (4.9, "five")},
        "the expected range (4.9, 'five') is not two numbers; write (low, high) in volt, ampere or ohm, "
        "such as (4.9, 5.1).",
    ),
    (
        {"expect": [4.9, 5.0, 5.1]},
        "the expected range [4.9, 5.0, 5.1] is not two numbers; write (low, high) in volt, ampere or ohm, "
        "such as (4.9, 5.1).",
    ),
    (
        {"expect": (True, math.inf)},
        "the expected range (True, inf) is not two numbers; write (low, high) in volt, ampere or ohm, "
        "such as (4.9, 5.1).",
    ),
    (
        {"expect": "4.9 to 5.1"},
        "the expected value '4.9 to 5.1' is not a number; write it in volt, ampere or ohm or leave it out.",
    ),
    (
        {"sure": 0.9},
        "a sureness of 0.9 goes with an expected value, and there is none; add one, such as expect=(4.9, 5.1), "
        "or leave sure out.",
    ),
    (
        {"expect": 5, "sure": 95},
        "the sureness 95 is not a chance from 0.5 to 0.99; write 0.9 for nine times in ten.",
    ),
    (
        {"expect": 5, "sure": 1.0},
        "the sureness 1.0 is not a chance from 0.5 to 0.99; write 0.9 for nine times in ten.",
    ),
    (
        {"expect": 5, "sure": "very"},
        "the sureness 'very' is not a chance from 0.5 to 0.99; write 0.9 for nine times in ten.",
    ),
]
INSTRUMENTS = [
    lambda b, **said: b.volts("B5.1", EARTH, **said),
    lambda b, **said: b.millivolts("B5.3", EARTH, **said),
    lambda b, **said: b.ohms("B5.3", EARTH, **said),
    lambda b, **said: b.continuity("B5.3", EARTH, **said),
    lambda b, **said: b.minmax("B5.1", EARTH, 2, **said),
    lambda b, **said: b.loaded("B5.1", EARTH, 500, **said),
    lambda b, **said: b.amps("W10", **said),
]


@pytest.mark.parametrize(("said", "sentence"), REFUSED, ids=[s[1][:40] for s in REFUSED])
def test_what_cannot_be_expected_says_why(healthy, said, sentence):
    clock, lines = healthy.clock, len(healthy.events)
    for instrument in INSTRUMENTS:
        with pytest.raises(BenchError) as caught:
            instrument(healthy, **said)
        assert str(caught.value) == sentence
    assert (healthy.clock, len(healthy.events)) == (clock, lines)


def test_every_instrument_keeps_the_range_and_the_sureness(healthy):
    for instrument in INSTRUMENTS:
        reading = instrument(healthy, expect=(0, 5.25), sure=0.9)
        assert (reading.expected, reading.sure) == ((0.0, 5.25), 0.9)
        assert healthy.events[-1] is reading


def test_the_log_shows_a_range_as_a_person_writes_it():
    bench = casekit.open_machine("street-sweeper")
    bench.key("on")
    bench.volts("B5.1", EARTH, expect=5)
    bench.volts("B5.1", EARTH, expect=[4.9, 5.1], sure=0.9)
    log = bench.log
    assert log["expected"].tolist()[1:] == [5.0, "4.9 to 5.1"]
    assert log["sure"].tolist()[2] == 0.9
    assert log["expected"].isna().tolist() == [True, False, False]
    assert log["sure"].isna().tolist() == [True, True, False]
    assert "None" not in log.to_html(na_rep="")


# The debrief -------------------------------------------------------------------------------------------------------


def test_the_debrief_has_a_row_with_the_right_counts(played):
    _, result = played
    row = dict(result.lines())["Your predictions"]
    found = result.foresight
    assert (len(found.scored), found.held, found.blank) == (6, 3, 0)
    sure = np.mean([0.95, 0.9, 0.8, 0.8, 0.8, 0.8])
    assert found.sure == pytest.approx(sure)
    assert row.startswith(
        f"3 of 6 predictions held, and you were {100 * sure:.0f} % sure on average (80 % is taken where "
        f"you did not say): too sure. Mean score {found.score:.2f} (0 is best; a range of 5 V that holds scores 1). "
        "Minute "
    )
    assert row.count("you expected") == len(found.far) == 3
    assert f"\nYour predictions: {row}\n" in repr(result)
    cell = '<td style="text-align:left;white-space:normal">3 of 6 predictions held'
    assert f'padding-right:1.5em">Your predictions</th>{cell}' in result._repr_html_()


def test_what_was_far_off_is_explained(played):
    """Against evidence, against what a healthy machine shows too, and with the misconceptions that can be told."""
    _, result = played
    shorted, pulled, usual = (
        next(s.sentence for s in result.foresight.far if s.reading.red == red) for red in ("B5.1", "X1.13", "B10.1")
    )
    assert shorted == (
        "Minute 3.6, volts B5.1 against G1.- (key on): you expected about 5 V (95 % sure), it showed 0.152 V; a "
        "healthy machine would show about 5.01 V ± 58 mV, so this reading is evidence that something is wrong: reason "
        "from it; your readings show this supply shorted to ground, and then it reads the little current it still "
        "gives times the resistance from the lead to the short: neither its full voltage nor exactly 0 V."
    )
    assert pulled.endswith(
        "so this reading is evidence that something is wrong: reason from it; by the drawing the control unit pulls "
        "this input up: where nothing pulls it down, as on the unit's side of an open, it stands at 5 V and not at 0 V."
    )
    assert usual.endswith("; a healthy machine shows that too (about 5 V), so this is no sign of a fault.")


def test_five_volts_with_the_key_off_were_not_to_be_expected_either():
    """A short to battery holds the supply up; 5 V was a wrong idea all the same."""
    bench = casekit.open_case("gauges-all-too-high")
    bench.volts("B3.1", EARTH, expect=5.0)
    bench.call("short to battery", "W12b")
    (said,) = (s.sentence for s in bench.debrief().foresight.scored)
    assert said.endswith(
        "so this reading is evidence that something is wrong: reason from it; the key was off: no supply gives "
        "anything then, and what is there comes from elsewhere."
    )


def test_other_things_that_can_be_told():
    """Ohms on a live circuit, the key, a sign, millivolts written as such, and a voltage across what is drawn whole."""
    bench = casekit.open_case("oil-and-boost-low")
    bench.volts("B9.1", EARTH, expect=5.0)
    bench.key("on")
    bench.ohms("B1.1", EARTH, expect=150)
    bench.volts(EARTH, "B1.1", expect=5.0)
    bench.millivolts("B1.3", EARTH, expect=8)
    bench.volts("B7.1", "B9.1", expect=0.0)
    bench.call("open", "W42")
    result = bench.debrief()
    off, live, sign, unit, across = (s.sentence for s in result.foresight.scored)
    assert off.endswith("it showed 0.000 V; a healthy machine shows that too (about 0 V), so this is no sign of a "
                        "fault; the key was off.")  # fmt: skip
    assert live.endswith("it showed OL; ohms on a live circuit are no ohms: make it dead first, then predict them.")
    assert "healthy" not in live
    assert sign.endswith("; the size was right and the sign was not: red counts against black.")
    assert unit.endswith("; what is expected on millivolts is written in volt too: 50 mV is 0.05.")
    assert across.endswith(
        "reason from it; by the drawing copper joins the two points: over sound copper a sensor's current leaves "
        "millivolts, and over an open stands the voltage that is missing behind it."
    )
    assert str(result.foresight).count("you expected") == 3
    assert str(result.foresight).endswith(" And 2 more were far off.")


def test_no_row_where_nothing_was_expected():
    bench = casekit.open_case("oil-and-boost-low")
    bench.key("on")
    bench.volts("B9.1", EARTH)
    bench.call("open", "W42")
    result = bench.debrief()
    assert result.foresight is None
    assert "Your predictions" not in dict(result.lines())
