"""Faults that come and go: what pushes them, when they are there, and chatter that is the same on every run.

The model and its sizes are invented; what is expected of it is common practice, no source, unless it says otherwise.
"""

from dataclasses import replace

import numpy as np
import pytest
from everyfault import machines

from casekit.machine import faults as f
from casekit.machine.intermittent import (
    BOUNCE_S,
    CLEAR_MM,
    HANDS_MM,
    ROCK_TORQUE,
    STEP_S,
    Intermittent,
    Push,
)
from casekit.machine.machine import Engine
from casekit.machine.state import State

ENGINE = Engine()
SHORT, BREAK = f.ShortToGround("W14", 0.5, 0.35), f.Open("W14", 0.35)
ON, RUN = State("on"), State("run")
LOADED, UP, WARM = (
    replace(RUN, held=frozenset({"load"})),
    replace(RUN, held=frozenset({"boom"})),
    State("on", hot=True),
)
SPAN = (600.0, 602.0)


def loose(fault=SHORT, **pushes) -> Intermittent:
    """A fault at CP1 that needs 1 mm and lies at 0.4 mm."""
    return Intermittent(fault, "CP1", 1.0, 0.4, **pushes)


# Where it stands -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("state", "mm"),
    [
        (ON, 0.4),
        (State("crank"), 0.4 + 0.6 * 0.5),
        (RUN, 0.4 + 0.25 * 0.5),
        (LOADED, 0.4 + 0.5),
        (UP, 0.4 + 0.25 * 0.5 + 0.8),
        (WARM, 0.4 + 0.3),
        (replace(LOADED, hot=True, held=frozenset({"load", "boom"})), 0.4 + 0.5 + 0.3 + 0.8),
        (State("on", held=frozenset({"pedal"})), 0.4),
    ],
    ids=str,
)
def test_mean_displacement_is_the_sum_of_what_pushes(state, mm):
    """Rest, torque in its shares (0.6 cranking, 0.25 idling, 1 under load), heat, and the operation that is held."""
    fault = loose(torque_mm=0.5, heat_mm=0.3, held=(("boom", 0.8),))
    assert fault.mean_mm(state, 0.4) == pytest.approx(mm)
    assert fault.mean_mm(state, -0.6) == pytest.approx(mm - 1.0)


def test_pushes_work_both_ways():
    """Heat or torque can also close a gap."""
    fault = loose(heat_mm=-0.3, torque_mm=-0.2)
    assert fault.mean_mm(replace(LOADED, hot=True), 0.4) == pytest.approx(-0.1)


def test_vibration_needs_the_engine():
    fault = loose(shake_mm=0.2)
    assert fault.swing_mm(ON) == 0.0
    assert fault.swing_mm(RUN) == pytest.approx(0.2 * 0.625)
    assert fault.swing_mm(LOADED) == pytest.approx(0.2)


@pytest.mark.parametrize(
    ("fault", "state"),
    [
        (loose(held=(("boom", 0.8),)), UP),
        (loose(held=(("load", 0.8),)), LOADED),
        (loose(torque_mm=0.7), LOADED),
        (loose(heat_mm=0.7), WARM),
        (loose(heat_mm=0.7), replace(RUN, hot=True)),
    ],
    ids=["operation", "load", "torque", "heat", "heat, running"],
)
def test_each_push_alone_can_bring_it_on(fault, state):
    """It is away with the key on and cold, and there while the push lasts."""
    assert fault.settled(ON, 0.4) is False
    assert fault.settled(state, 0.4) is True
    assert fault.changes(state, 0.4, ENGINE, SPAN, 5)[0] is True
    assert fault.changes(ON, 0.4, ENGINE, SPAN, 5)[0] is False


@pytest.mark.parametrize("state", [UP, LOADED, WARM, replace(LOADED, hot=True)], ids=str)
def test_a_moved_rest_position_keeps_it_away(state):
    """A harness that was pulled lies elsewhere: what brought the fault on before does so no longer."""
    fault = loose(torque_mm=0.7, heat_mm=0.7, held=(("boom", 0.8),), shake_mm=0.1)
    assert fault.settled(state, 0.4) is not False
    assert fault.settled(state, 0.4 - 1.6) is False
    begins, times = fault.changes(state, 0.4 - 1.6, ENGINE, SPAN, 5)
    assert (begins, len(times)) == (False, 0)


def test_settled_true_false_or_coming_and_going():
    """Vibration of 0.1 mm about a mean: beyond it on either side it is settled."""
    fault = loose(shake_mm=0.1)
    swing = fault.swing_mm(RUN)
    assert [fault.settled(RUN, 1.0 + k * swing) for k in (-1.01, -0.99, 0.0, 0.99, 1.01)] == [
        False, None, None, None, True
    ]  # fmt: skip
    assert [fault.settled(ON, 1.0 + mm) for mm in (-1.1 * CLEAR_MM, -0.9 * CLEAR_MM, 0.0)] == [False, True, True]


# Chatter ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("share", [-1.2, -0.9, -0.5, 0.0, 0.5, 0.9, 1.2])
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_chatter_only_within_the_swing(share, seed):
    """Edges only while the mean is nearer to the gap than the swing; otherwise as `settled` says, all the time."""
    fault = loose(shake_mm=0.2)
    rest = 1.0 + share * fault.swing_mm(LOADED)
    begins, times = fault.changes(LOADED, rest, ENGINE, SPAN, seed)
    if abs(share) > 1:
        assert begins is fault.settled(LOADED, rest)
        assert len(times) == 0
    else:
        assert fault.settled(LOADED, rest) is None
        assert abs(share) > 0.5 or len(times) > 10


@pytest.mark.parametrize("fault", [loose(SHORT, shake_mm=0.2), loose(BREAK, shake_mm=0.2)], ids=["short", "open"])
@pytest.mark.parametrize("push", [None, Push("CP1", 0.5)], ids=["alone", "with hands"])
def test_edges_rise_and_stay_inside_the_span(fault, push):
    """Every edge is a change to the other side, later than the one before it."""
    for seed in range(10):
        _, times = fault.changes(LOADED, 1.0, ENGINE, SPAN, seed, push)
        assert len(times) > 10
        assert (np.diff(times) > 0).all()
        assert SPAN[0] <= times[0]
        assert times[-1] <= SPAN[1]


def test_seeded_and_repeatable():
    fault = loose(shake_mm=0.2)
    one, again, other = (fault.changes(LOADED, 1.0, ENGINE, SPAN, seed) for seed in (7, 7, 8))
    assert one[0] == again[0]
    assert np.array_equal(one[1], again[1])
    assert not np.array_equal(one[1], other[1])


def test_where_it_stands_does_not_depend_on_when_one_began_to_look():
    """Two records that overlap see it there and away at the same moments, but for the bounces (a few milliseconds)."""
    fault = loose(shake_mm=0.2)
    moments = np.arange(600.5, 601.5, 0.003)

    def there(span):
        begins, times = fault.changes(LOADED, 1.0, ENGINE, span, 4)
        return (np.searchsorted(times, moments) + begins) % 2

    assert np.mean(there((600.0, 602.0)) != there((600.3, 601.9))) < 0.1


def test_about_as_often_there_as_the_mean_says():
    """In the middle of its swing it is there half of the time; half a swing beyond it, most of the time."""
    fault = loose(shake_mm=0.2)

    def share(rest_mm):
        begins, times = fault.changes(LOADED, rest_mm, ENGINE, (600.0, 620.0), 3)
        edges = np.concatenate([[600.0], times, [620.0]])
        return float(np.diff(edges)[0 if begins else 1 :: 2].sum() / 20.0)

    assert share(1.0) == pytest.approx(0.5, abs=0.1)
    assert share(1.1) > 0.75
    assert share(0.9) < 0.25


@pytest.mark.parametrize(("fault", "made"), [(SHORT, True), (BREAK, False)], ids=["short", "open"])
def test_bounce_follows_where_contact_is_made(fault, made):
    """A short makes contact when it comes, an open when it goes: short breaks follow there, within 3 ms, and nowhere
    else."""
    slow = loose(fault)
    push = Push("CP1", 0.5)  # hands: one slow push every half a second, no vibration
    begins, times = slow.changes(ON, 0.7, ENGINE, (0.0, 2.0), 9, push)
    assert begins is False
    bursts = np.split(times, np.flatnonzero(np.diff(times) > BOUNCE_S) + 1)
    assert len(bursts) == 8  # four pushes, each coming and going
    for k, burst in enumerate(bursts):
        comes = k % 2 == 0
        assert (len(burst) > 1) is (comes is made)
        assert len(burst) % 2 == 1
        assert burst[-1] - burst[0] <= BOUNCE_S


def test_its_breaks_would_fail_a_harness_test():
    """No interruption above 7 ohm for longer than 1 us (USCAR-2, from memory): vibration breaks this open for far
    longer."""
    _, times = loose(BREAK, shake_mm=0.2).changes(LOADED, 1.0, ENGINE, SPAN, 2)
    assert np.median(np.diff(times)) > 1e-6
    assert np.diff(times).max() > 1e-3


@pytest.mark.parametrize("machine", machines(), ids=lambda m: m.name)
def test_looked_at_closely_enough(machine):
    """Vibration comes with the firing of the cylinders, every second revolution each (four-stroke); at 200 Hz it would
    still be looked at 25 times a period."""
    firing_hz = machine.engine.rpm(LOADED) / 60 * machine.engine.cylinders / 2
    firing = {
        "shuttle-bus": 90.0,
        "standby-generator": 50.0,
        "street-sweeper": 60.0,
        "telehandler": 63.3,
        "tug-tractor": 85.0,
    }
    assert firing[machine.name] == pytest.approx(firing_hz, abs=0.05)
    assert 1.03 * firing_hz < 200.0
    assert pytest.approx(25.0) == 1 / (200.0 * STEP_S)


# Hands -----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("push", "comes"),
    [
        (Push("CP1", HANDS_MM["hard"]), True),
        (Push("CP1", HANDS_MM["gently"]), False),
        (Push("CP2", HANDS_MM["hard"]), False),
        (Push("", 0.0, ROCK_TORQUE), False),
    ],
    ids=["hard", "gently", "elsewhere", "rocking"],
)
def test_hands_bring_it_on_at_its_own_point(push, comes):
    """With the engine off, 0.6 mm from its gap: hard hands at the point do it; hands elsewhere move something else."""
    begins, times = loose().changes(ON, 0.4, ENGINE, SPAN, 5, push)
    assert begins is False
    assert (len(times) > 0) is comes


def test_rocking_the_engine_brings_on_what_torque_brings_on():
    """By hand to 0.8 of the largest torque."""
    push = Push("", 0.0, ROCK_TORQUE)
    for torque_mm, comes in ((0.6 / ROCK_TORQUE * 1.05, True), (0.6 / ROCK_TORQUE * 0.95, False), (0.0, False)):
        _, times = loose(torque_mm=torque_mm).changes(ON, 0.4, ENGINE, SPAN, 5, push)
        assert (len(times) > 0) is comes


def test_a_push_goes_both_ways_in_half_a_second():
    push = Push("CP1", 0.5)
    t = np.linspace(0.0, 0.5, 101)
    assert push.wave(t).max() == pytest.approx(1.0)
    assert push.wave(t).min() == pytest.approx(-1.0)
    assert push.wave(t + 0.5) == pytest.approx(push.wave(t), abs=1e-9)


# As a fault ------------------------------------------------------------------------------------------------------


def test_it_is_its_fault_while_it_is_there():
    machine = next(m for m in machines() if m.name == "street-sweeper")
    fault = loose(shake_mm=0.2)
    assert (fault.kind, fault.place) == (SHORT.kind, SHORT.place)
    assert fault.applied(machine) == machine.with_fault(SHORT)
    assert machine.with_fault(fault) == machine.with_fault(SHORT)
