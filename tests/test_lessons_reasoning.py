"""Lessons 12 to 14: what they show, and what trainees with wrong ideas are told.

Every wrong answer is worked out as one who holds the idea would.
"""

import itertools
import math
import re

import pytest
from lesson import answered, ideas, shown, volts, wrong

# 12 When the drawing is wrong -------------------------------------------------------------------------------------


PINS = {"V1": "X1.5", "V2": "X2.6"}  # of the street sweeper


def the_drawing_is_always_right(found: str, drawn: str) -> str:
    """Whatever was found, what is drawn is believed."""
    return drawn


def supplies_are_alike(pin: str) -> float:
    """Any 5 V is taken for the same 5 V: the voltage of a supply is expected between its points."""
    return round(volts("street-sweeper", pin))


def the_larger_reading_shows_the_supply(mv: dict[str, float]) -> str:
    """Where most stands between, there it comes from."""
    return max(mv, key=lambda supply: abs(mv[supply]))


def test_the_drawing_is_wrong_shows_what_it_says():
    text = shown("12")
    assert re.search(r"B10\.1: the drawing promises 0\.00\d V, the machine shows (4\.9|5\.0)\d+ V", text)
    least = float(re.search(r"between B10\.1 and its own pin: right, (\S+) mV", text)[1].replace("−", "-"))
    assert abs(least) < 2  # a metre of copper at some milliampere, by Ohm's law
    apart = float(re.search(r"two supplies of this machine are (\d+) mV apart", text)[1])
    assert apart > 10
    shown_mv = {s: re.search(rf"B10\.1 against {pin}: (\S+) mV", text)[1] for s, pin in PINS.items()}
    between = {supply: float(mv.replace("−", "-")) for supply, mv in shown_mv.items()}
    assert abs(between["V2"]) < 2 < 10 < abs(between["V1"])
    assert the_larger_reading_shows_the_supply(between) == "V1"
    assert "joined to X2.5: right, no" in text
    assert re.search(r"wrong drawing \(\d+%\): wire W44, drawn at SP8, may really start at SP10", text)


def test_trainees_who_trust_the_paper():
    text = answered(
        "12",
        oil_v=volts("street-sweeper", "B9.1"),
        boost_v=volts("street-sweeper", "B10.1"),
        same_copper_v=supplies_are_alike("X2.6"),
        alike="yes",
        fed_by="V1",  # the larger reading, as the test above works out
        ohms_to_x26=1e6,
        joined_to_x25=the_drawing_is_always_right("no", "yes"),
        feeds_track_2=the_drawing_is_always_right("V1", "V2"),
        wrong_wire="W44",
        lost_together=1,
        shares_with="B5.1",
    )
    assert ideas(text) == {
        "B9.1 by the drawing": "an unplugged connector takes nothing from a supply",
        "B10.1 by the drawing": "an unplugged connector takes nothing from a supply",
        "between B10.1 and its own pin": "two live points have their volts between them",
        "both pins alike": "any 5 V is the same 5 V",
        "fed by": "the larger reading shows where it comes from",
        "ohms from B10.1 to X2.6": "what is not drawn is not there",
        "joined to X2.5": "the drawing is always right",
        "track 2 is fed by": "the drawing is always right",
        "tracks lost with V1": "the drawing is always right",
        "B9.1 shares copper with": "the drawing is always right",
    }
    assert wrong(text) == 10
    assert "drawn wrongly: right" in text


# 13 Choosing the next test ----------------------------------------------------------------------------------------


def test_the_next_test_shows_what_it_says():
    """Ten bulbs: four tests at worst by halves, log2 10 = 3.32 bits; a one-to-nine split tells 0.469 bits (Shannon)."""
    text = shown("13")
    assert "tests at worst: right, 4 tests" in text
    assert "to find out in all: 3.32 bits" in text
    assert float(re.search(r"after the first: right, (\S+) bits", text)[1]) == pytest.approx(0.469, abs=1e-3)
    assert float(re.search(r"It told (\S+) bits", text)[1]) > 0.3
    hints = re.findall(r"^minute (\S+): (.*)$", text, re.MULTILINE)
    minutes = [float(minute) for minute, _ in hints]
    assert [b - a for a, b in itertools.pairwise(minutes)] == pytest.approx([2, 2])
    assert "suspects are left" in hints[0][1]
    assert hints[2][1].startswith("Likeliest: ")


def test_trainees_who_test_by_habit():
    """From one end to the other; the likeliest first; once more to be sure; what tells most, whatever it costs."""
    lamps = 10
    one_by_one = lamps - 1
    chance, minutes = {"pump": 0.75, "plug": 0.25}, {"pump": 40, "plug": 2}
    likeliest = max(chance, key=chance.get)
    both = {name: minutes[name] + (1 - chance[name]) * (42 - minutes[name]) for name in minutes}
    text = answered(
        "13",
        first_bits=1 / lamps,
        middle_bits=5 / lamps,
        worst_tests=one_by_one,
        look_first=likeliest,
        pump_first_min=both["pump"],
        plug_first_min=both["plug"],
        again_bits=1,
        tells_more="B9.1",
        most_bits="X22",
        most_per_minute="X21",
    )
    assert ideas(text) == {
        "after the first": "a test tells as much as it has lamps",
        "after the fifth": "a test tells as much as it has lamps",
        "tests at worst": "one goes from one end to the other",
        "look first at the": "the likeliest fault is tested first, whatever the minutes",
        "minutes if the pump is first": "the second must be tested as well when the first is good",
        "minutes if the plug is first": "the second must be tested as well when the first is good",
        "bits of B9.1 again": "one more reading cannot hurt",
        "tells more": "measure again where it is wrong",
        "tells most": "the cheapest tells most",
        "pays most": "what tells most pays most",
    }
    assert math.isclose(both["pump"], 40.5)  # half a minute more, and told from 40
    assert wrong(text) == 10


# 14 Prove it, and write it up -------------------------------------------------------------------------------------


def test_prove_and_write_up_shows_what_it_says():
    text = shown("14")
    assert "set under load before: P0107, in: key run, load" in text
    assert "at idle after the new part: 0 codes" in text
    assert re.search(r"It says: not proved: B10 boost pressure: voltage too low \(key run, load, warm\)\.", text)
    counts = [int(n) for n in re.findall(r"suspects left: (\d+)", text)]
    assert counts[-1] == 1 < counts[0]
    assert "left in the end: open at X13.4" in text
    assert re.search(r"not read in X13: right, 7\..*\n(.*\n)*not tested: +7 other terminals of X13", text)
    assert "the second proof: right, proved. It says: proved: nothing came back." in text


def test_trainees_who_take_gone_for_mended():
    a_code_means_it_is_there = 1  # and so the fault should still show it
    text = answered(
        "14",
        codes_left=a_code_means_it_is_there,
        arrives_v=0.0,
        drive="proved",
        idle_supports="yes",
        carry=["B10.2"],
        second_drive="not proved",
        proof_min=2,
        cause="B10",
        condition="road",
        good_part="X13",
        unread=0,  # all is taken as tested once the proof was driven
    )
    assert ideas(text) == {
        "codes at idle": "a fault that is still there shows a code",
        "X13.4f at idle": "an open reads 0 V",
        "the proof": "codes cleared and gone means mended",
        "a good idle supports it": "a good reading clears what it was taken on",
        "carry the call": "the sensor's own reading names the fault",
        "the second proof": "one never knows with these",
        "minutes of a proof": "a short idle is a proof",
        "cause": "a code names the part",
        "condition": "what was driven last was the condition",
        "replaced though good": "a connector is part of the sensor",
        "not read in X13": "a proof has tested everything",
    }
    assert wrong(text) == 11


# 18 Your own machine ------------------------------------------------------------------------------------------------


def test_your_own_machine_shows_what_it_says():
    """The slip is named, read again and gone; two readings more find the wire; the exercise says what is right."""
    text = shown("18")
    assert wrong(text) == 0
    assert re.search(r"Wrong reading \(\d+%\): volts B9\.1 against G1\.- \(key on\), minute 5\.0 does not fit", text)
    assert "- First of all: the same reading again (volts B9.1). That decides whether this is so:" in text
    assert re.search(r"B9\.1 again: 4\.09 V, the pad says 0\.41 V\nread again: right, 4\.09 V", text)
    assert re.search(r"1 of \d{3} suspects left \(high resistance at W45b\), 0\.\d bits to find out\.", text)
    assert "line 27: wire W8 ends at B1.4, but connector B1 has cavities 1 to 3." in text
    assert re.search(r"1 of \d{3} suspects left \(open at W7b\)", text)
    assert "- Caution: never probe airbag or high-voltage circuits" in text


def test_trainees_who_believe_the_pad():
    """Common in the trade, no source. The pad's own numbers are what one gets who believes them."""
    text = answered(
        "18", slip_at="X2.10", still_left="dozens", again_v=0.41, next_point="B5.1", circuit="signal",
        slip_point="B2.2", read_again=0.51, bad_place="W23a",
    )  # fmt: skip
    assert ideas(text) == {
        "the slip": "a low signal is the odd one out",
        "suspects left": "six numbers say little",
        "read again": "what is written down is what it was",
        "the next point": "measure the sensor that complains",
        "the circuit": "a high signal comes from the signal wire",
        "the slip here": "a signal that is low is the slip",
        "read again here": "what is written down is what it was",
        "the place": "a low signal has a bad wire",
    }
