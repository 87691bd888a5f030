"""Lesson 06, shorts to ground: what the instructor's version shows, and what is said to those who hold a wrong idea."""

import re

import pytest
from lesson import answered, lesson, run

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
    wrong = zero_when_shorted()
    text = answered(
        "06",
        pin_v=wrong,
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
