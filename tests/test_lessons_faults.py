"""Lessons on kinds of faults: what they show, and what trainees with wrong ideas are told.

Every wrong answer is worked out as one who holds the idea would.
"""

import re

import pytest
from lesson import answered
from test_lessons_les1 import ideas, shown, volts, wrong

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
