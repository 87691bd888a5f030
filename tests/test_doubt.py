"""Doubt: when nothing on the drawing fits, a wrong reading, two faults or a wrong drawing; and what decides."""

from dataclasses import replace

import pytest

import casekit
from casekit.bench.bench import Bench
from casekit.bench.meter import Meter
from casekit.bench.reading import Reading
from casekit.bench.sealed import Truth
from casekit.bench.specimen import Specimen
from casekit.files.library import machine_file
from casekit.machine.drawn import drawn
from casekit.machine.faults import HighResistance, Open, ShortToGround
from casekit.reasoning.doubt import doubts, explained, weigh_pairs
from casekit.reasoning.evidence import weigh
from casekit.reasoning.pair import Pair
from casekit.reasoning.suspect import Suspect

E = "G1.-"


def machine(name, seed, *faults):
    drawing = drawn(machine_file(name))
    return Bench(drawing, Truth(Specimen(drawing.as_built(seed), faults, Meter.drawn_by(seed), seed)))


def test_a_single_fault_leaves_no_doubt():
    bench = casekit.open_case("oil-and-boost-low", 2)
    bench.key("on")
    for point in ("B10.1", "B7.1", "B9.1"):
        bench.volts(point, E)
    verdict = weigh(bench.drawing, bench.events)
    assert explained(verdict)
    assert doubts(bench.drawing, bench.events, (), verdict) == []


def test_a_wrong_reading_is_named_and_asked_for_again():
    bench = machine("street-sweeper", 4, Open("W42"))
    bench.key("on")
    for point in ("B10.1", "B7.1", "B9.1", "B5.1"):
        bench.volts(point, E)
    k = next(k for k, e in enumerate(bench.events) if isinstance(e, Reading) and e.red == "B5.1")
    bench.events[k] = replace(bench.events[k], value=2.31, shown="2.310 V")
    verdict = weigh(bench.drawing, bench.events)
    assert not explained(verdict)
    first = doubts(bench.drawing, bench.events, (), verdict)[0]
    assert first.kind == "wrong reading"
    minute = bench.events[k].minute
    assert first.what == (
        f"volts B5.1 against G1.- (key on), minute {minute:.1f} does not fit; without it open at W42 explains the rest"
    )
    assert first.measure == "the same reading again (volts B5.1)"


def test_two_faults_are_found_together():
    """Each explains what the other does not: a break in the engine harness and a short in the broom frame."""
    bench = machine("street-sweeper", 6, ShortToGround("W14", 0.5, 0.35), Open("W42"))
    bench.key("on")
    for point in ("B5.1", "B1.1", "B12.1", "B10.1", "B7.1", "B9.1"):
        bench.volts(point, E)
    verdict = weigh(bench.drawing, bench.events)
    assert not explained(verdict)
    found = doubts(bench.drawing, bench.events, (), verdict)
    assert found[0].kind == "two faults"
    named = {s for d in found[:3] for s in (d.suspect.first, d.suspect.second) if d.kind == "two faults"}
    assert {Suspect("short to ground", "W14"), Suspect("open", "W42")} <= named
    assert sum(d.p for d in found) == pytest.approx(1.0)
    pairs = weigh_pairs(bench.drawing, bench.events, (), verdict)
    assert isinstance(pairs.suspects[0], Pair)
    assert pairs.p.sum() == pytest.approx(1.0)


def test_two_sizes_are_found_together():
    """Two faults with a size each: both are found though neither size is on the grid of sizes."""
    bench = machine("tug-tractor", 8, HighResistance("X12.2", 83.0), ShortToGround("W41", 2.7, 0.4))
    bench.key("on")
    for point in ("B1.1", "B2.2", "B2.3", "B3.3", "B9.1", "B12.1", "B4.1"):
        bench.volts(point, E)
    verdict = weigh(bench.drawing, bench.events)
    assert not explained(verdict)
    found = doubts(bench.drawing, bench.events, (), verdict)
    assert found
    assert found[0].kind == "two faults"


def test_a_function_that_works_without_its_supply_casts_doubt_on_the_drawing():
    """The drawing says that the level gauge hangs on the dead supply; it moves. Not a false call: the drawing is
    doubted, the line and its true splice are named, and so is the measurement that decides."""
    bench = casekit.open_case("level-gauge-still-works", 3)
    bench.key("run")
    assert "the level gauge moves" in bench.notice().text
    for point in ("X1.5", "B5.1", "B1.1"):
        bench.volts(point, E)
    verdict = weigh(bench.drawing, bench.events, ("P2122", "P2138"))
    assert verdict.suspects[verdict.best()] == Suspect("open", "W10")
    assert not explained(verdict)
    found = doubts(bench.drawing, bench.events, ("P2122", "P2138"), verdict)
    assert {d.kind for d in found} == {"wrong drawing"}
    assert {d.suspect.first.place for d in found} == {"W12"}
    assert "SP5" in {d.suspect.first.to for d in found}
    assert found[0].what.startswith("wire W12, drawn at SP1, may really start at SP")
    assert found[0].measure.startswith("volts at B4.1 against G1.- (key on), 5")
    assert str(found[0]).endswith("decides.")
