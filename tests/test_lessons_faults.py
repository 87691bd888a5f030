"""Lessons on kinds of faults: what they show, and what trainees with wrong ideas are told.

Every wrong answer is worked out as one who holds the idea would.
"""

import re

import pytest
from lesson import answered, ideas, lesson, run, shown, volts, wrong

from casekit.files.library import machine_file
from casekit.machine import faults

# 04 Opens, and where the volts go ---------------------------------------------------------------------------------


def volts_need_current(amps: float = 0.0, ohm: float = 1.0) -> float:
    """Ohm's law read as if there were no voltage where no current flows (Timmermann and Kautz, from memory)."""
    return amps * ohm


def test_opens_show_what_they_say():
    text = shown("04")
    before, behind, across = (
        float(re.search(rf"{where} the open: right, (\S+) V", text)[1]) for where in ("before", "behind", "across")
    )
    assert across == pytest.approx(before - behind, abs=0.03)  # Kirchhoff
    assert before == pytest.approx(5.0, abs=0.06)
    assert abs(behind) < 0.01
    assert re.search(r"the control unit's side: right, (4\.9|5\.0)\d+ V", text)
    assert re.search(r"from the rear return to the unit's pin (4\.9|5\.0)\d+ V, from the front return 0\.\d+ mV", text)


def test_trainees_for_whom_volts_need_current():
    none = volts_need_current()
    text = answered(
        "04",
        before_v=none, behind_v=none, across_v=none, unit_side_v=none, sensor_side_v=none, return_v=none,
        front_return_v=none, supply_v=none, back_v=none, unit_pin_v=none,
    )  # fmt: skip
    assert ideas(text) == {
        "before the open": "an open reads 0 V on both sides",
        "across the open": "the voltage across an open is zero",
        "the control unit's side": "an open reads 0 V on both sides",
        "the open return": "a return is at 0 V",
        "B5.1": "an open reads 0 V on both sides",
        "B5.3": "a return is at 0 V",
    }
    assert wrong(text) == 6  # the four others are at 0 V indeed


# 05 Ohms pass, load fails -----------------------------------------------------------------------------------------


def what_beeps_is_good(point: str) -> float:
    """The bad connection is thought away: what the drawing promises without it."""
    return volts("street-sweeper", point)


def constant_current(point: str, fault) -> float:
    """The current is given, so a load changes nothing (Engelhardt and Beichner 2004, from memory)."""
    return volts("street-sweeper", point, fault)


def test_ohms_pass_shows_what_it_says():
    """A textbook's voltage drop: OpenStax College Physics 2e, 21.1: 12.0 V, R1 1.00 with 6.00 and 13.0 in parallel
    behind it: 2.35 A, IR drop 2.35 V, 9.65 V left."""
    text = shown("05")
    assert "it beeps: right, yes" in text
    fed = float(re.search(r"supply B9\.1: right, (\S+) V", text)[1])
    drop = float(re.search(r"across the connection, key on: (\S+) V", text)[1])
    assert drop == pytest.approx(12 * 0.022, abs=0.03)  # Ohm's law
    loads = [float(v) for v in re.findall(r"load +\d+ Ω: (\S+) V", text)]
    assert loads == sorted(loads, reverse=True)
    assert loads[0] < fed
    assert "a textbook's wire of 1 Ω: 2.35 A, drop 2.35 V, left 9.65 V" in text


def test_trainees_who_trust_the_beep_and_constant_current():
    text = answered(
        "05",
        beeps="no",
        sensor_v=what_beeps_is_good("B9.1"),
        loaded_v=constant_current("B9.1", faults.HighResistance("X13.1", 12.0)),
        feed_drop_v=0.0,
        return_v=what_beeps_is_good("B9.3"),
        supply_v=5.0,
        return_beeps="no",
    )
    assert ideas(text) == {
        "it beeps": "a bad connection does not beep",
        "supply B9.1": "what beeps is good",
        "B9.1 under load": "the current is the same whatever the load",
        "drop across W3": "one ohm is as good as none",
        "return B9.3": "a return is at 0 V",
        "the beep": "it must not",
    }
    assert wrong(text) == 6


# 06 Shorts to ground ----------------------------------------------------------------------------------------------


LIMIT_A, SHORT_OHM = 0.22, 0.6  # street sweeper's V1, and the short the lesson makes


def zero_when_shorted() -> float:
    """The drop of an ideal short, which has no resistance: limit times nothing."""
    return LIMIT_A * 0.0


def scan_data_is_the_pin(pin_v: float) -> float:
    """Whatever the meter reads at the pin, scan data is thought to show as well."""
    return pin_v


def every_branch_drops_alike(rear_mv: float) -> float:
    return rear_mv


def test_shorts_teaches_what_it_says():
    text = "\n".join(run(lesson("06", instructor=True)))
    assert "you wrote" not in text
    assert len(re.findall(": right, ", text)) == 6
    pin, ohms = re.search(r"^(\S+) V / 0\.22 A = (\S+) Ω", text, re.MULTILINE).groups()
    assert float(pin) == pytest.approx(LIMIT_A * float(ohms), abs=0.002)
    assert SHORT_OHM < float(ohms) < SHORT_OHM + 0.3  # a few metres of thin copper


def test_a_trainee_who_expects_zero_and_takes_scan_data_for_the_pin():
    """Harness side of an open pin lies at 0 V; the rear branch drops the limit times a few tenths of an ohm."""
    zero = zero_when_shorted()
    text = answered(
        "06",
        pin_v=zero,
        pedal_mv=every_branch_drops_alike(33.0),
        inside_short_v=LIMIT_A * (SHORT_OHM + 0.1),
        inside_open_v=scan_data_is_the_pin(0.006),
        pedal_v=5.0,
        front_v=LIMIT_A * (SHORT_OHM + 0.1),
    )
    for where, idea in {
        r"pin X1\.5": "a shorted supply reads exactly 0 V",
        r"X1\.5 to B5\.1": "every branch of a shorted supply drops alike",
        "inside, open outside": "scan data is the pin",
        r"B1\.1": "the short stays when its branch is away",
    }.items():
        assert re.search(rf"{where}: you wrote .*\n  That is the idea that {idea}\.", text)
    assert re.search("inside, shorted: right", text)
    assert re.search(r"B5\.1: right", text)


# 07 Unplug in the order that pays ---------------------------------------------------------------------------------


def test_unplugging_shows_what_it_says():
    """Three of six is one bit, one of six 0.650 bits, two of six 0.918 bits (Shannon's entropy).

    Ten lamps in a row: 3.4 tests on average by halves, 5.4 one by one (derived), 3.32 bits (a school text). Looking
    until it is seen, chances .5 .3 .2 at 10, 2, 1 minutes: best third, second, first with 7.6 minutes, worst 11.2
    (rule of Mitten 1960, from memory; example derived).
    """
    text = shown("07")
    assert "In bits: B5 0.65, X11 0.92, X12 1.00." in text
    half, row = (float(m) for m in re.search(r"quicker: right, half\. (\d+) against (\d+) minutes", text).groups())
    assert half < 0.8 * row
    assert re.search(r"towards B4\.1: \d+\.\d+ mV", text)
    assert "third, second, first: 7.6 minutes on average; first, second, third: 11.2." in text
    assert "ten lamps: 3.4 tests on average by halves, 5.4 one by one\nbits to find out: 3.32" in text
    assert re.search(r"B11 unplugged: right, (4\.9|5\.0)\d+ V", text)
    assert re.search(r"so it is B4: right, not yet\. B4 off as well reads 0\.1\d+ V", text)


def likeliest_first(chances: dict[str, float]) -> str:
    """Chance alone chooses, and the minutes are forgotten."""
    return max(chances, key=chances.get)


def what_is_left_over(count: int, cleared: int) -> str:
    """Of so many sensors all but one are cleared, so it is that one; the wires are forgotten."""
    return "yes" if count - cleared == 1 else "not yet"


def test_trainees_who_follow_the_code_and_the_row():
    healthy = volts("street-sweeper", "B5.1")
    shorted = volts("street-sweeper", "B5.1", faults.ShortToGround("W17", r_ohm=0.4))
    text = answered(
        "07",
        pedal_off_v=healthy, first_plug="B5", back_v=0.12, other_v=healthy, inside_v=shorted, wire_v=healthy,
        third=what_is_left_over(3, 2), look_first=likeliest_first({"first": 0.5, "second": 0.3, "third": 0.2}),
        quicker="row", row_min=7,
    )  # fmt: skip
    assert ideas(text) == {
        "pedal unplugged": "a code names the part",
        "tells most": "start with the part the code names",
        "short behind X12": "unplugging changes nothing",
        "short elsewhere": "unplugging always helps",
        "B11 unplugged": "unplugging changes nothing",
        "B4 unplugged": "unplugging a part clears its wire too",
        "so it is B4": "two are cleared, so it is the third",
        "look first": "the likeliest comes first, whatever it takes",
        "quicker": "every test tells the same",
        "minutes of the row": "a plug takes a minute",
    }
    assert wrong(text) == 10


# 08 Fed from outside ----------------------------------------------------------------------------------------------


def test_fed_from_outside_shows_what_it_says():
    text = shown("08")
    on, off = (float(re.search(rf"key {key}: right, (\S+) V", text)[1]) for key in ("on", "off"))
    assert on > 6
    assert off > 6
    assert "codes P0653" in text  # Sensor Reference Voltage "B" Circuit High (SAE J2012)
    assert re.search(r"share of its supply (10\.0|9\.9|10\.1)%", text)
    assert re.search(r"pin 0\.00\d V, branch 12\.\d+ V", text)
    # P0108: Manifold Absolute Pressure/Barometric Pressure Circuit High (SAE J2012)
    assert re.search(r"pin 12\.\d+ V, inside 5\.00 V, supply (5\.0|4\.9)\d+ V; codes P0108\n", text)
    assert re.search(r"its return broken instead: pin 4\.9\d+ V, inside 5\.00 V; codes P0108\n", text)


def test_trainees_who_believe_in_the_regulator_and_the_key():
    set_v = 5.0
    usual = volts("telehandler", "B9.2")
    pulled_up = volts("telehandler", "X2.11", faults.ShortToBattery("W61b", r_ohm=20))
    text = answered(
        "08",
        on_v=set_v, off_v=0.0, other_v=12.0, signal_v=usual, bad_sensors=4, pin_v=set_v, branch_v=0.0,
        signal_pin_v=volts("telehandler", "B10.1"), inside_v=pulled_up, supply_v=pulled_up,
        arrives_v=volts("street-sweeper", "B9.2"), pedal_v=0.0, hopper_v=12.3, without_x12_v=12.3,
    )  # fmt: skip
    assert ideas(text) == {
        "key on": "the regulator holds its 5 V",
        "key off": "key off means no voltage anywhere",
        "the other supply": "two supplies go up together",
        "signal B9.2": "a sensor gives a voltage of its own",
        "bad sensors": "high sensors are bad sensors",
        "the pin": "the control unit feeds it",
        "the branch": "unplugged is dead",
        "the signal's pin": "a signal never exceeds its supply",
        "volts inside": "scan data is the pin",
        "supply B10.1": "a high signal lifts its supply",
        "at X13.3f": "a wire carries what the drawing says",
        "B5.1": "key off means no voltage anywhere",
        "B3.1": "two supplies go up together",
        "B5.1 without X12": "unplugging changes nothing",
    }
    assert wrong(text) == 14


# 09 Two supplies --------------------------------------------------------------------------------------------------


def test_two_supplies_show_what_they_say():
    """P0652 is Sensor Reference Voltage "B" Circuit Low (SAE J2012)."""
    text = shown("09")
    assert "short in W45:      P0107, P0522, P0652, P2127, P2138" in text
    assert re.search(r"B10\.1 0\.1\d+ V, B5\.4 0\.1\d+ V, B5\.1 4\.9\d+ V", text)
    assert re.search(r"a supply code: right, no\. There are P0108, P0523", text)
    assert re.search(r"short: scan 0\.15 V; open: scan (5\.0|4\.9)\d V", text)


def test_trainees_for_whom_codes_name_parts():
    set_v = 5.0
    text = answered(
        "09",
        near_v=set_v, far_v=set_v, other_v=0.13, how_many=1, speaks_for_all="P0522", scan_v=0.0, supply_code="yes",
        sensor_v=set_v, track_1_v=0.07, track_2_v=set_v, code_is_about="V1",
    )  # fmt: skip
    assert ideas(text) == {
        "the neighbour, B10.1": "only the shorted wire is dead",
        "far away, B5.4": "far away nothing is noticed",
        "track 1, B5.1": "two supplies of one unit fall together",
        "number of codes": "one fault sets one code",
        "speaks for all": "a code names the part",
        "scan data, V2": "scan data is the pin of the sensor",
        "a supply code": "a dead supply sets its code",
        "B9.1": "no supply code, so the supply is good everywhere",
        "B1.1": "two supplies of one unit fall together",
        "B1.4": "far away nothing is noticed",
        "the code": "the code names the other one",
    }
    assert wrong(text) == 11


# 10 Faults that come and go -----------------------------------------------------------------------------------------


def test_now_you_see_it_shows_what_it_says():
    """Good at rest; load and warmth bring it; pulling hides it, driving brings it back; proof needs the conditions."""
    text = shown("10")
    assert wrong(text) == 0
    for condition, word in {
        "idling warm": "away", "boom warm": "away", "load cold": "comes and goes", "load warm": "there",
        "rocked cold": "away", "rocked warm": "comes and goes", "shifted warm": "comes and goes",
    }.items():  # fmt: skip
        assert re.search(rf"^{condition} .* V .* {word}$", text, re.MULTILINE)
    assert re.search(r"driver: +things come and go while you watch\ncode while it chatters: right, none\.", text)
    assert "and warm: P0108 stored, set in: key run, load, warm" in text
    assert re.search(r"after pulling: right, 3\.\d+ V\..*\nrisk in the log: +the harness was moved before", text)
    assert re.search(r"road test: +B10 boost pressure: voltage too high .*\nafter it: +4\.9\d+ V", text)
    assert re.search(r"looked first: +a rub mark on the white/grey wire W61b", text)
    assert re.search(r"^new sensor B10: not proved: B10 boost pressure: voltage too high", text, re.MULTILINE)
    assert re.search(r"^wire W61b repaired: proved: nothing came back", text, re.MULTILINE)
    assert not re.findall(r"\bW14b?\b|\bCP1\b", text)


def test_trainees_who_trust_a_good_reading():
    """One who takes what reads good for good, and what is gone for mended; one to whom a fault is always there and has
    a code. Common in the trade, no source."""
    text = answered(
        "10", brings_it=[], hidden_v=5.0, cured_by_sensor="yes", pressed_v=3.35, driven_v=3.35, released_v=0.75,
    )  # fmt: skip
    assert ideas(text) == {
        "what brings it": "what reads good is good, and nothing brings it",
        "after pulling": "moving a harness hides nothing",
        "cured by the new sensor": "a good reading and no code prove a repair",
        "B5.2, held down": "good once is good always",
        "B5.2, driven, held down": "what is gone is mended",
    }
    text = answered(
        "10", pin_v=5.0, sensor_v=0.0, code_now="P0108", code_chatter="P0108", hidden_v=0.0, released_v=0.0,
        pulled_v=0.0,
        brings_it=[f"{d} {w}" for d in ("load", "rocked", "shifted") for w in ("cold", "warm")],
    )  # fmt: skip
    assert ideas(text) == {
        "at the control unit": "a broken wire is broken all the time",
        "at the sensor": "a fault in the wire spoils the sensor",
        "code at idle": "a fault has a code",
        "what brings it": "warm or cold makes no difference",
        "code while it chatters": "what the driver notices sets a code",
        "after pulling": "pulling parts a broken wire for good",
        "B5.2, released": "a short is there all the time",
        "B5.2, pulled, held down": "moving a harness hides nothing",
    }


# 11 Scan data and the scope -----------------------------------------------------------------------------------------


def test_running_machine_shows_what_it_says():
    """Wheel, retry times and cranking voltage are those of the machine file; the rest is what its text claims."""
    text = shown("11")
    assert wrong(text) == 0
    assert re.search(r"codes +none +P2122, P2138 +P0642, P2122, P2138", text)
    assert re.search(r"stored, set in: key run, B10 unplugged\nNew for the driver: no power", text)
    cam = float(re.search(r"Cam: +the meter shows (\S+) V", text)[1])
    assert cam == pytest.approx(0.6 * 5, abs=0.1)  # four of ten half steps are tooth and pull it down
    assert re.search(r"Crank: the meter shows 0\.000 V", text)
    assert re.search(r"28 waves from gap to gap", text)
    assert re.search(r"so 85\d a minute\. Scan data says 850\.", text)
    meter, low = map(float, re.search(r"meter: +(\S+) V\nmin/max: +(\S+) V to ", text).groups())
    assert meter == pytest.approx(5, abs=0.1)
    assert 4 < low < meter - 0.1
    assert re.search(r"how low it goes: right, 0(\.\d+)? V\.", text)
    assert float(re.search(r"battery: right, (\S+) V", text)[1]) == pytest.approx(9.4, abs=0.1)
    assert re.search(r"supply V2: right, (4\.9|5\.0)\d V", text)
    assert re.search(r"every 220 ms it tries for 20 ms", text)


def test_trainees_who_take_scan_data_for_the_pin_and_the_meter_for_the_signal():
    """Common in the trade, no source. Each answer is what one gets who believes it, of 5 V, of the sensor's range, or
    of what the other instrument shows."""
    end_kpa = machine_file("telehandler").sensors["B10"].range[1]
    text = answered(
        "11", open_v=0.0, short_v=5.0, boost_kpa=end_kpa, cam_v=5.0, crank_v=2.5, real_v=4.95, minmax_v=0.0,
        battery_v=12.0, supply_v=3.7, retried_v=2.5, pin_v=0.0, sensor_v=5.0, pedal_v=0.0, scan_v=0.0,
    )  # fmt: skip
    assert ideas(text) == {
        "scan data, open": "scan data is what is on the pin",
        "scan data, short": "the inside never minds what is outside",
        "boost in scan data": "an open shows as the end of the range",
        "cam signal": "a meter shows the voltage of the pull-up",
        "crank signal": "a sensor that works shows half of 5 V",
        "how low it goes": "a steady meter means a steady signal",
        "how low min/max says": "min/max shows the whole fall",
        "battery": "a good battery holds its voltage",
        "supply V2": "the supply falls with the battery",
        "retrying supply": "what is on and off reads half",
        "X2.5": "an open pulls its supply down",
        "B9.1": "scan data is what is on the pin",
        "B5.4": "an open takes the whole supply along",
        "scan data, supply V2": "scan data shows what the sensors get",
    }
