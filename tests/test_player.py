"""The player: advice played to the end, everything unplugged in order, and par."""

from types import SimpleNamespace

import numpy as np
import pytest

import casekit
from casekit import command
from casekit.bench.reading import Move, Reading
from casekit.bench.sealed import unseal
from casekit.reasoning.routes import greedy, optimal
from casekit.reasoning.suspect import Suspect
from casekit.teaching import player, practice
from casekit.teaching.player import NODES, Par, Played, Player, par, problem_of
from casekit.teaching.practice import Fresh

EARTH = "G1.-"


def test_the_advice_finds_the_fault_and_knows_it():
    """Played without knowing it, the truth comes out; in far less time than unplugging everything takes."""
    bench = casekit.open_case("oil-and-boost-low")
    one = Player(bench, bench.stored)
    assert not one.sure
    curve = one.play()
    assert one.sure
    best = one.verdict.suspects[one.verdict.best()]
    assert player.together(bench.drawing, one.verdict, [best]) >= {Suspect("open", "W42")}
    assert curve.end == "sure"
    assert curve.minutes[-1] == pytest.approx(bench.clock)
    assert bench.clock < 60
    assert one.step() is False


def test_unplugging_in_order_measures_the_supplies_each_time(monkeypatch):
    """Every sensor and in-line connector in the order of the drawing, both supplies of the street sweeper each time."""
    logs = []
    verdict = SimpleNamespace(trail=(), start_bits=8.0)
    monkeypatch.setattr(player, "weigh", lambda drawing, events, stored: logs.append(events) or verdict)
    curve = player.unplugging.__wrapped__(Fresh("broom-frame-dead", None), ("P0642",))
    (events,) = logs
    plugs = [p.name for p in casekit.open_case("broom-frame-dead").drawing.plugs if p.kind != "control unit"]
    assert [e.what for e in events if isinstance(e, Move)] == ["on", *plugs]
    assert [e.red for e in events if isinstance(e, Reading)] == ["X1.5", "X2.5"] * (len(plugs) + 1)
    assert curve.minutes[-1] == pytest.approx(events[-1].minute)
    assert curve.bits == (8.0, 8.0)


@pytest.fixture(scope="module")
def problem():
    bench = casekit.open_case("rear-readings-high")
    return problem_of(bench.drawing, bench.stored, unseal(bench))


def test_par_is_worked_out_on_tests_at_their_price(problem):
    """Offers are made with the key on, and the route begins with it off: turning it costs 0.1 minutes more, unless the
    engine is started at once (0.3 both ways). All else costs what the offer says, moves and access included."""
    numbers, offers, _ = problem
    assert 20 < len(offers) <= 80
    assert len(numbers.p) == 32
    for k, offer in enumerate(offers):
        minutes, _, _ = numbers.cost(k, 0, frozenset())
        more = {"on": 0.1, "run": 0.0, "off": -0.1}[offer.state.key]
        assert minutes == pytest.approx(offer.minutes + more), offer


def test_the_true_fault_is_one_of_the_hypotheses(problem):
    numbers, _, true = problem
    assert numbers.p[true] > 0
    assert np.isclose(numbers.p.sum(), 1)


def test_par_is_between_the_bound_and_the_plain_route(problem):
    numbers, _, true = problem
    route = optimal(numbers, NODES)
    found = par(Fresh("rear-readings-high", None), casekit.open_case("rear-readings-high").stored)
    assert found.expected_min == pytest.approx(route.expected_min)
    assert found.bound_min <= found.expected_min + 1e-9
    assert found.expected_min <= greedy(numbers).expected_min + 1e-9
    assert found.exact == (found.expected_min - found.bound_min < 1e-6)
    assert found.this_min == pytest.approx(route.minutes_for(true))


def test_par_says_what_is_exact_and_what_is_a_bound():
    exact = Par("A case", 9.25, 9.25, True, 32, 52, 2.6)
    assert str(exact) == (
        "9.2 minutes, the mean of one good route over the 32 likeliest faults of known size, with 52 tests to choose "
        "from (exact: none with these tests has a lower mean); it takes 2.6 minutes to this very fault"
    )
    bound = Par("A case", 13.3, 10.4, False, 32, 52, None)
    assert str(bound) == (
        "13.3 minutes, the mean of one good route over the 32 likeliest faults of known size, with 52 tests to choose "
        "from (none with these tests has a mean below 10.4, which is a bound)"
    )


def test_two_faults_have_no_minutes_of_their_own():
    bench = casekit.open_case("level-gauge-still-works")
    numbers, _, true = problem_of(bench.drawing, bench.stored, unseal(bench))
    assert true is None
    assert len(numbers.p) == 32


def test_the_command_prints_par_and_what_the_advice_took(monkeypatch, capsys):
    best, played = (
        Par("A case", 9.25, 9.25, True, 32, 52, 2.6),
        Played("by advice", (0.0, 12.5), (8.0, 0.1), "not sure"),
    )
    monkeypatch.setattr(practice, "par", lambda name, seed: (best, played))
    assert command.main(["par", "rear-readings-high", "--seed", "3"]) == 0
    assert capsys.readouterr().out == (
        f"A case: {best}.\nThe advice, played on this machine: 12.5 minutes, without becoming sure.\n"
    )


def test_the_command_knows_no_other_cases(capsys):
    assert command.main(["par", "rear-readings-hihg"]) == 1
    assert "rear-readings-high" in capsys.readouterr().err
