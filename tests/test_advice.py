"""Advice: information per minute, the trade's moves by themselves, what is offered and what it costs."""

import numpy as np
import pytest

import casekit
from casekit.bench import minutes
from casekit.files.library import machine_file
from casekit.machine.drawn import drawn
from casekit.machine.state import State
from casekit.reasoning.advice import Planner, advise
from casekit.reasoning.evidence import Weighing, expectations, weigh
from casekit.reasoning.hypotheses import Hypotheses
from casekit.reasoning.observation import observed
from casekit.reasoning.offer import Standpoint, along, offers
from casekit.reasoning.prior import cells
from casekit.reasoning.suspect import Suspect

E = "G1.-"
SWEEPER, TUG = (drawn(machine_file(n)) for n in ("street-sweeper", "tug-tractor"))
HERE = Standpoint(State("on"), frozenset())


def only(drawing, suspects, events=()):
    """A verdict on a few suspects alone."""
    numbers, signs = observed(drawing, list(events))
    return Weighing(expectations(drawing), numbers, signs, ()).verdict(cells(drawing, suspects))


def planner(drawing, suspects, here=HERE):
    return Planner(drawing, only(drawing, suspects), here)


# Offers ----------------------------------------------------------------------------------------------------------


def test_offers_cost_what_the_bench_charges():
    """The minutes of an offer are what its moves and its reading take on the bench."""
    bench = casekit.open_case("broom-frame-dead")
    bench.key("on")
    for point in ("B12.1", "X11.1f", "B5.1"):
        here = Standpoint.after(SWEEPER, bench.events)
        offer = next(
            o for o in offers(SWEEPER, here)
            if o.kind == "volts" and o.red == point and bool(o.moves) == (point == "X11.1f") and o.state.key == "on"
        )  # fmt: skip
        before = bench.clock
        for action, what in offer.moves:
            getattr(bench, action)(what)
        bench.volts(offer.red, offer.black)
        assert bench.state == offer.state
        assert bench.clock - before == pytest.approx(offer.minutes), offer


@pytest.mark.parametrize(("key", "held"), [("off", ()), ("on", ("brake",)), ("run", ("brake", "pedal", "load"))])
def test_moves_lead_where_an_offer_says(key, held):
    """Whatever is held when the key is turned, the bench comes to the state for which a reading was expected."""

    def bench():
        found = casekit.open_machine("tug-tractor", 1)
        found.key(key)
        for name in held:
            found.operate(name)
        return found

    here = Standpoint.after(TUG, bench().events)
    states = {o.moves: o.state for o in offers(TUG, here, operate=True, there=True) if o.kind != "road test"}
    turned = [moves for moves in states if any(action in ("key", "operate") for action, _ in moves)]
    assert len(turned) > 4
    for moves in turned:
        played = bench()
        for action, what in moves:
            if not any(e.action == "engine" for e in played.events):  # it may stop for want of what was unplugged
                getattr(played, action)(what)
        assert played.state == states[moves] or played.state.key == "on" != states[moves].key, moves


def test_a_road_test_that_brought_something_to_light_is_not_made_again():
    """It said in which state the fault shows: that is where to measure next."""
    bench = casekit.open_case("lame-on-the-ramp")
    bench.key("run")
    bench.road_test()
    (said,) = [e for e in bench.events if getattr(e, "point", "") == "driver"]
    assert "(key run, load, warm)" in said.text
    planner = Planner(TUG, weigh(TUG, bench.events, bench.stored), Standpoint.after(TUG, bench.events))
    shows = State("run", held=frozenset({"load"}), hot=True)
    assert planner.shown == {shows}
    assert sum(a.offer.state == shows for a in planner.best(5, ahead=True)) >= 3
    assert "road test" not in {o.kind for o in planner.offers}


def test_where_somebody_stands_follows_from_the_log():
    bench = casekit.open_case("broom-frame-dead")
    bench.key("on")
    bench.unplug("X12")
    bench.volts("B5.1", E)
    bench.look("CP1")
    bench.codes()
    here = Standpoint.after(SWEEPER, bench.events)
    assert here.state == bench.state
    assert {"X12", "B5", "CP1", "scan data"} <= here.reached
    assert here.looked == {"CP1"}
    assert here.codes_read
    kinds = {o.kind for o in offers(SWEEPER, here)}
    assert "look" in kinds
    assert not [o for o in offers(SWEEPER, here) if o.kind == "look" and o.place == "CP1"]


def test_what_was_read_is_not_offered_again():
    bench = casekit.open_case("broom-frame-dead", 2)
    bench.key("on")
    bench.volts("B5.1", E)
    plan = Planner(SWEEPER, weigh(SWEEPER, bench.events), Standpoint.after(SWEEPER, bench.events))
    assert not [o for o in plan.offers if o.state == bench.state and (o.kind, o.red) == ("volts", "B5.1")]


def test_millivolts_are_offered_along_one_net_only():
    pairs = along(SWEEPER, State("on"))
    assert ("X1.5", "B12.1") in pairs
    assert not [p for p in pairs if {"X1.5", "B9.1"} == set(p)]
    apart = along(SWEEPER, State("on", frozenset({"X11"})))
    assert not [p for p in apart if {"X1.5", "B12.1"} == set(p)]


# What is best ----------------------------------------------------------------------------------------------------


def test_nothing_is_advised_when_nothing_is_left_to_find_out():
    assert advise(SWEEPER, only(SWEEPER, [Suspect("open", "W42")]), HERE) == []


def test_half_split_a_long_circuit():
    """An open somewhere along a signal: the first reading divides what is left about in half (ten bulbs in a row)."""
    line = ["X2.10", "W60a", "X13.3", "W60b", "B9.2"]
    plan = planner(SWEEPER, [Suspect("open", place) for place in line])
    first = plan.best(1, True)[0]
    assert first.offer.red.startswith(("X13.3", "B9.2"))
    k = plan.offers.index(first.offer)
    h, p = plan.hypotheses, plan.chances[plan.there[k]]
    shares = [p[plan._classes(k) == c].sum() for c in np.unique(plan._classes(k))]
    assert 0.25 < max(shares) < 0.75
    assert first.bits > 0.6  # less than one bit: it may come and go
    assert str(first).endswith(".")
    assert len(h.cells) >= 5


def test_follow_the_millivolts_along_a_shorted_harness():
    """Once a reading says that a supply is shorted, shorts along its branch differ by millivolts: the next readings are
    taken along that net."""
    bench = casekit.open_case("broom-frame-dead", 2)
    bench.key("on")
    bench.volts("B5.1", E)
    places = ("W10", "W12a", "W12b", "W13", "W14")
    verdict = only(SWEEPER, [Suspect("short to ground", place) for place in places], bench.events)
    plan = Planner(SWEEPER, verdict, Standpoint.after(SWEEPER, bench.events))
    found = plan.best(4, True)
    net = {p for pair in along(SWEEPER, State("on")) if pair[0] == "X1.5" for p in pair}
    here = [a for a in found if {a.offer.red, a.offer.black} - {E} <= net]
    assert len(here) >= 2
    assert all(a.offer.kind in ("volts", "millivolts") for a in here)
    k = plan.offers.index(here[0].offer)
    likely = plan.chances[plan.there[k]] > 0.02
    assert 0.001 < np.ptp(plan.mean[k][likely]) < 0.1


def test_unplug_the_easy_sensors_of_a_shorted_supply_first():
    """Shorted inside, all as likely: of the tests that begin with unplugging a sensor the easiest one pays best."""
    sensors = ["B1", "B2", "B4", "B11", "B12"]
    plan = planner(SWEEPER, [Suspect("sensor shorted", b) for b in sensors])
    bits = plan.bits()
    rate = {}
    for k, o in enumerate(plan.offers):
        if o.moves[:1] and o.moves[0][0] == "unplug" and o.moves[0][1] in sensors and o.kind == "volts":
            rate[o.moves[0][1]] = max(rate.get(o.moves[0][1], 0.0), bits[k] / o.minutes)
    reach = SWEEPER.access_min
    best = max(rate, key=rate.get)
    assert reach[best] == min(reach[b] for b in sensors)
    assert rate[best] > rate[max(sensors, key=reach.get)]


def test_look_at_contact_points_before_moving_a_harness():
    """A loose fault at a contact point: a look tells without the risk of hiding it; after a look there is none."""
    bench = casekit.open_case("lame-on-the-ramp", 1)
    bench.key("on")
    point = "CP3"
    for looked in (False, True):
        if looked:
            bench.look(point)
        verdict = weigh(TUG, bench.events, ("P0192",))
        plan = Planner(TUG, verdict, Standpoint.after(TUG, bench.events))
        shift = next(k for k, o in enumerate(plan.offers) if o.kind == "shift" and o.place == point)
        looks = [k for k, o in enumerate(plan.offers) if o.kind == "look" and o.place == point]
        assert bool(looks) != looked
        risk = plan._risk(plan.offers[shift])
        assert (risk > 0) != looked
        if looks:
            bits = plan.bits()
            paid = [bits[k] / (plan.offers[k].minutes + plan._risk(plan.offers[k])) for k in (looks[0], shift)]
            assert paid[0] > paid[1]


def test_a_look_ahead_of_two_never_pays_less():
    """With a look ahead the first test is one that, with the next, tells at least as much per minute."""
    bench = casekit.open_case("oil-and-boost-low", 2)
    bench.key("on")
    verdict = weigh(SWEEPER, bench.events, ("P0522", "P0107"))
    plan = Planner(SWEEPER, verdict, Standpoint.after(SWEEPER, bench.events))
    bits, cost = plan.bits(), np.array([o.minutes for o in plan.offers])
    order = [int(k) for k in np.argsort(-bits / cost)][:60]
    again = plan._ahead(order, bits, cost, bits / cost)
    assert sorted(again) == sorted(order)
    one, two = plan.best(1, False)[0], plan.best(1, True)[0]
    assert one.rate >= two.rate - 1e-9


def test_a_fault_that_comes_and_goes_is_looked_for_where_it_shows():
    """Good with the key on, but codes are stored: the machine is operated; where it shows it is there again."""
    bench = casekit.open_case("boom-stops-halfway", 1)
    drawing = bench.drawing
    bench.key("run")
    bench.volts("B5.1", E)
    stored = ("P0642", "P2122", "P2138")
    verdict = weigh(drawing, bench.events, stored)
    found = advise(drawing, verdict, Standpoint.after(drawing, bench.events), most=8)
    assert any(action == "operate" for a in found for action, _ in a.offer.moves)
    bench.operate("boom")
    bench.volts("B5.1", E)
    verdict = weigh(drawing, bench.events, stored)
    plan = Planner(drawing, verdict, Standpoint.after(drawing, bench.events))
    there = {plan.there[k] for k, o in enumerate(plan.offers) if o.kind == "volts" and o.state.held == {"boom"}}
    assert there == {0.9}
    away = {plan.there[k] for k, o in enumerate(plan.offers) if o.kind == "volts" and not o.state.held}
    assert max(away) < 0.2


def test_hypotheses_keep_what_is_likely():
    verdict = only(SWEEPER, [Suspect("open", "W42"), Suspect("open", "W43"), Suspect("supply dead", "V1")])
    h = Hypotheses.of(verdict, 50)
    assert h.p(0.5).sum() == pytest.approx(1.0)
    assert {c.suspect.place for c in h.cells if c is not None} == {"W42", "W43", "V1"}
    away = sum(1 for c in h.cells if c is None)
    assert away == h.loose.sum() / 2
    assert h.p(1.0)[[c is None for c in h.cells]].sum() == pytest.approx(0.0)


def test_minutes_are_those_of_the_bench():
    assert minutes.HINT > minutes.LOOK


def test_where_a_worn_track_is_likely_the_lever_is_moved():
    """A reading that was wrong is asked for again with the lever elsewhere."""
    bench = casekit.open_case("door-side-sinks-away")
    bench.key("on")
    bench.volts("B3.2", "G1.-")
    bench.volts("B3.1", "G1.-")
    bench.unplug("B3")
    assert bench.look("B3").text == "no damage to be seen"
    bench.plug("B3")
    verdict = weigh(bench.drawing, bench.events)
    best = advise(bench.drawing, verdict, Standpoint.after(bench.drawing, bench.events))[0]
    assert ("operate", "kneel") in best.offer.moves
    assert best.offer.red == "B3.2"
