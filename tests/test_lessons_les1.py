"""Lessons 01 to 03: what they show, and what trainees with wrong ideas are told.

Every wrong prediction is computed, from the drawing or from a circuit, as one who holds the idea would.
"""

import re
from itertools import pairwise

import pytest
from lesson import answered, lesson, run

from casekit.circuit.operating_point import solve
from casekit.files import library
from casekit.machine import faults
from casekit.machine.drawn import drawn
from casekit.machine.state import State

ON = State("on")


def shown(name: str) -> str:
    """All the instructor's version shows, in which every answer is the right one."""
    text = "\n".join(run(lesson(name, instructor=True)))
    assert "you wrote" not in text
    assert "still open" not in text
    return text


def ideas(text: str) -> dict[str, str]:
    """The questions that were answered wrongly, and the idea named behind each."""
    return dict(re.findall(r"^(.+): you wrote .+\n  That is the idea that (.+)\.$", text, re.MULTILINE))


def wrong(text: str) -> int:
    return len(re.findall(r": you wrote ", text))


def volts(machine: str, point: str, fault=None) -> float:
    """The voltage against battery negative, key on, that the drawing promises."""
    plan = drawn(library.machine_file(machine))
    return solve(plan.with_fault(fault) if fault else plan, ON).volts(point, "G1.-")


# 01 Who shares what ----------------------------------------------------------------------------------------------


def hanging_on(machine: str, *places: str) -> list[str]:
    """The sensors that hang on these places, seen from the control unit."""
    steps = [s for wire in library.machine_file(machine).wires for s in pairwise(wire.path)]
    found = list(places)
    for place in found:
        found += [b for a, b in steps if a == place]
    return sorted({point.split(".")[0] for point in found if point.startswith("B")})


def each_has_its_own(sensor: str) -> list[str]:
    """Nobody shares anything: a fault at one sensor's supply or return is that sensor's alone."""
    return [sensor]


def only_its_own_current(sensor: str, extra_ohm: float) -> float:
    """A return of its own carries a sensor's own current only."""
    return extra_ohm * 5.0 / library.machine_file("telehandler").sensors[sensor].track_ohm


def what_is_far_is_well(point: str) -> float:
    """A fault at the other end of the machine does nothing here."""
    return volts("telehandler", point)


def side_by_side(point: str, neighbour_dead: faults.SupplyDead) -> float:
    """What stands beside a dead cavity is as dead as that."""
    return volts("telehandler", point, neighbour_dead)


def a_connector_is_one_circuit(machine: str, connector: str) -> list[str]:
    """When a connector is bad, every sensor behind it is out."""
    cavities = library.machine_file(machine).connectors[connector].cavities
    return hanging_on(machine, *(f"{connector}.{n}" for n in range(1, cavities + 1)))


def a_pin_is_a_supply(point: str) -> float:
    """A pin of its own is a regulator of its own, which a short on another pin does not reach."""
    return volts("tug-tractor", point)


def test_who_shares_what():
    text = shown("01")
    assert text.count(": right, ") == 8
    assert re.search(r"^without supply: right, B10, B7, B9\.", text, re.MULTILINE)
    assert re.search(r"^returns lifted: right, B11, B2, B3\.", text, re.MULTILINE)
    lifted = float(re.search(r"return of B11: right, (\S+) V", text)[1])
    assert lifted == pytest.approx(60 * (5 / 2000 + 5 / 5000 + 0.008), abs=0.05)  # Ohm's law; track and draw as drawn
    assert re.search(r"B5\.1: right, 0\.0\d\d V", text)
    assert re.search(r"B5\.4: right, (4\.9|5\.0)\d+ V", text)
    assert "X1.5 - SP1 - X3.1 - SP2 - X5.1 - B11.1" in text
    limit_a, short_ohm = 0.2, 0.4  # of the machine file, and of the fault: a short is held at the current limit
    assert limit_a * short_ohm < float(re.search(r"W15 shorted, B7\.1: right, (\S+) V", text)[1]) < 0.2


def test_trainees_who_think_nobody_shares_or_all_do():
    text = answered(
        "01",
        dark=each_has_its_own("B9"),
        lifted=each_has_its_own("B11"),
        back_v=only_its_own_current("B11", 60.0),
        track_1_v=what_is_far_is_well("B5.1"),
        track_2_v=side_by_side("B5.1", faults.SupplyDead("V1")),
        unfed=a_connector_is_one_circuit("tug-tractor", "X12"),
        raised=sorted(set(hanging_on("tug-tractor", "SP4")) & set(hanging_on("tug-tractor", "X1.3", "X2.4"))),
        cam_v=a_pin_is_a_supply("B7.1"),
    )
    assert ideas(text) == {
        "without supply": "each sensor has its own supply",
        "returns lifted": "each sensor has its own return",
        "return of B11": "each sensor has its own return, and only its own current counts",
        "B5.1": "only what lies near the damage is hurt",
        "B5.4": "what sits side by side shares a wire",
        "X12.7 open, without supply": "a connector is one circuit",
        "W23b, returns lifted": "who shares a return shares the supply",
        "W15 shorted, B7.1": "a pin of its own is a supply of its own",
    }
    assert wrong(text) == 8
