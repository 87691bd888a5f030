"""The evidence: priors, likelihoods with slips, faults that come and go, signs, what was learnt when, in words."""

from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import multivariate_normal

import casekit
from casekit.bench.bench import Bench
from casekit.bench.meter import Meter
from casekit.bench.reading import Reading
from casekit.bench.sealed import Truth
from casekit.bench.specimen import Specimen
from casekit.files.library import machine_file
from casekit.machine.drawn import drawn
from casekit.machine.faults import KINDS
from casekit.machine.intermittent import Intermittent
from casekit.machine.state import State
from casekit.reasoning.evidence import all_cells, every_expected, expectations, predictor, weigh
from casekit.reasoning.likelihood import SLIP, Together, beyond
from casekit.reasoning.observation import observed
from casekit.reasoning.prior import NOTHING_WRONG, cells, presence
from casekit.reasoning.signs import Expected
from casekit.reasoning.suspect import DRAWING, NONE, Suspect, redrawn, suspects
from casekit.reasoning.verdict import RULED_OUT, UNLIKELY
from casekit.reasoning.words import bits, left, number, standings, summary

E = "G1.-"
SWEEPER = drawn(machine_file("street-sweeper"))
SHORT = Suspect("short to ground", "W14")


@pytest.fixture
def shorted():
    bench = casekit.open_case("broom-frame-dead", 3)
    bench.key("on")
    return bench


def behind(verdict, suspect):
    """Nats the suspect is behind the best."""
    return float(verdict.log.max() - verdict.log[verdict.suspects.index(suspect)])


# Suspects and their weights --------------------------------------------------------------------------------------


def test_every_kind_of_fault_is_a_suspect():
    """Wrong drawings are a list of their own."""
    kinds = {s.kind for s in suspects(SWEEPER)} | {s.kind for s in redrawn(SWEEPER)}
    assert kinds == {*KINDS, "none"}
    assert {s.kind for s in redrawn(SWEEPER)} == set(DRAWING)
    assert Suspect("splice not drawn", "W14", "W45") in redrawn(SWEEPER)  # from V1's branch into a wire of V2
    assert Suspect("splice not drawn", "W14", "W15a") not in redrawn(SWEEPER)


def test_weights_add_up_and_follow_the_machine_file():
    """Contact points and connectors weigh more; what the machine file says of CP1 and X12 doubles them."""
    found = cells(SWEEPER, suspects(SWEEPER))
    assert sum(c.weight for c in found) == pytest.approx(1.0)
    assert sum(c.weight for c in found if c.suspect == NONE) == NOTHING_WRONG
    plain = cells(replace(SWEEPER, weights=()), suspects(SWEEPER))

    def share(some, test):
        return sum(c.weight for c in some if test(c))

    def at(name):
        return lambda c: c.spot == name

    assert share(found, at("CP1")) / share(found, at("CP2")) == pytest.approx(
        2 * share(plain, at("CP1")) / share(plain, at("CP2"))
    )
    one, other = (lambda c: c.suspect == Suspect("open", "X12.1")), (lambda c: c.suspect == Suspect("open", "X11.1"))
    assert share(found, one) == pytest.approx(2 * share(found, other))
    rubbed, plain_wire = (
        share(plain, lambda c: c.suspect == SHORT),
        share(plain, lambda c: c.suspect == Suspect("short to ground", "W13")),
    )
    assert rubbed == pytest.approx(6 * plain_wire)


def test_a_cell_is_divided_without_losing_weight():
    cell = next(c for c in cells(SWEEPER, [Suspect("short to ground", "W13")]) if c.low == 1.0)
    parts = cell.split()
    assert len(parts) == 4
    assert sum(c.weight for c in parts) == pytest.approx(cell.weight)
    assert sorted({c.high for c in parts}) == pytest.approx([6**0.5, 6.0])
    assert min(c.begin for c in parts) == cell.begin


# Likelihood ------------------------------------------------------------------------------------------------------


def together(values, mean, moves, variance, slip_density, pieces=1):
    """(log likelihood, slips) of readings that came in some pieces."""
    found = Together(len(mean), moves.shape[2])
    for some in np.array_split(np.arange(len(values)), pieces):
        found.add(values[some], mean[:, some], moves[:, some], variance[:, some], slip_density[some])
    return found.log.sum(axis=1), found.slips


def test_readings_together_are_gaussian_with_a_floor():
    """Against scipy's multivariate normal: what the readings share counts once."""
    rng = np.random.default_rng(5)
    mean, moves, variance = rng.normal(0, 1, (3, 4)), rng.normal(0, 1, (3, 4, 2)), rng.uniform(0.1, 1, (3, 4))
    values = mean[1] + 0.1
    for pieces in (1, 2, 4):
        log, slips = together(values, mean, moves, variance, np.full(4, 1e-9), pieces)
        for k in range(3):
            cov = moves[k] @ moves[k].T + np.diag(variance[k])
            exact = multivariate_normal(mean[k], cov).logpdf(values) + 4 * np.log(1 - SLIP)
            assert log[k] == pytest.approx(exact, abs=1e-5)
        assert (slips[1] < 1e-3).all()


def test_readings_taken_back_leave_no_trace():
    """What a spell looked like may change with its next reading: it is taken back, for the cells that are left."""
    rng = np.random.default_rng(6)
    mean, moves, variance = rng.normal(0, 1, (5, 6)), rng.normal(0, 1, (5, 6, 3)), rng.uniform(0.1, 1, (5, 6))
    values, slip = np.array([0.1, 40.0, -0.3, 0.5, 0.2, 30.0]), np.full(6, 1 / 30)
    found = Together(5, 3)
    found.add(values[:3], mean[:, :3], moves[:, :3], variance[:, :3], slip[:3])
    found.add(values[3:], -mean[:, 3:], moves[:, 3:], 2 * variance[:, 3:], slip[3:])
    found.cut(3)
    rows = np.array([4, 1])
    found.take(rows)
    found.add(values[3:], mean[rows, 3:], moves[rows, 3:], variance[rows, 3:], slip[3:])
    log, slips = together(values, mean[rows], moves[rows], variance[rows], slip)
    assert found.log.sum(axis=1) == pytest.approx(log, rel=1e-12)
    assert found.slips == pytest.approx(slips, rel=1e-9)
    assert (slips[:, [1, 5]] > 0.9).all()


def test_one_wrong_reading_costs_no_more_than_a_slip():
    values = np.array([1.0, 900.0, 1.0])
    mean, moves, variance = np.full((1, 3), 1.0), np.zeros((1, 3, 1)), np.full((1, 3), 0.01)
    log, slips = together(values, mean, moves, variance, np.full(3, 1 / 30))
    good, _ = together(values[[0, 2]], mean[:, :2], moves[:, :2], variance[:, :2], np.full(2, 1 / 30))
    assert log[0] == pytest.approx(good[0] + np.log(SLIP / 30), abs=1e-6)
    assert slips[0].round(6).tolist() == [pytest.approx(0, abs=1e-3), 1.0, pytest.approx(0, abs=1e-3)]


def test_what_is_kept_is_what_would_be_worked_out_anew(shorted):
    """A log weighed move by move comes to what it comes to when it is weighed at once, with nothing kept."""
    shorted.scan()
    for point in ("B5.1", "B7.1"):
        shorted.volts(point, E)
        weigh(SWEEPER, shorted.events)
    kept = weigh(SWEEPER, shorted.events)
    for prepared in (expectations, all_cells, every_expected):
        prepared.cache_clear()
    anew = weigh(SWEEPER, shorted.events)
    assert kept.suspects == anew.suspects
    assert kept.p == pytest.approx(anew.p, abs=1e-9)
    assert [m.bits for m in kept.trail] == pytest.approx([m.bits for m in anew.trail], abs=1e-6)


def test_a_display_of_ol_speaks_for_more_than_its_range():
    found = beyond(np.array([0.6]), np.array([[5.0], [0.01]]), np.array([[0.01], [0.01]]))
    assert found[:, 0].tolist() == [pytest.approx(0, abs=1e-3), pytest.approx(np.log(SLIP))]


def test_the_same_reading_again_counts_once(shorted):
    shorted.volts("B5.1", E)
    once = weigh(SWEEPER, shorted.events)
    for _ in range(4):
        shorted.volts("B5.1", E)
    again = weigh(SWEEPER, shorted.events)
    assert len(again.numbers) == 1
    assert again.p == pytest.approx(once.p, abs=1e-9)


def test_a_slip_does_not_condemn_the_truth(shorted):
    """One reading of another point than was written down: the truth stays, and the reading is named."""
    for point in ("B5.1", "B1.1", "B12.1", "B4.1"):
        shorted.volts(point, E)
    assert weigh(SWEEPER, shorted.events).of(SHORT) > 0.5
    wrong = next(k for k, e in enumerate(shorted.events) if isinstance(e, Reading) and e.red == "B1.1")
    shorted.events[wrong] = replace(shorted.events[wrong], value=4.98, shown="4.980 V")
    verdict = weigh(SWEEPER, shorted.events)
    assert SHORT in left(verdict)
    k = verdict.suspects.index(SHORT)
    assert verdict.slips[k].round(2).tolist() == [0, 1, 0, 0]


# What is left ----------------------------------------------------------------------------------------------------


def test_a_healthy_machine_is_found_healthy():
    bench = casekit.open_machine("tug-tractor", 5)
    bench.key("run")
    bench.scan()
    for point in ("B1.1", "B5.1", "B5.2", "X2.10"):
        bench.volts(point, bench.drawing.earth)
    verdict = weigh(bench.drawing, bench.events)
    assert verdict.suspects[verdict.best()] == NONE
    assert behind(verdict, Suspect("supply dead", "V1")) > RULED_OUT
    assert behind(verdict, Suspect("sensor drifted", "B5")) > UNLIKELY


def test_what_was_ruled_out_does_not_come_back():
    """Readings in ohm have low densities (per ohm); what was dropped before them stays as far behind as it was."""
    bench = casekit.open_machine("street-sweeper", 4)
    bench.key("on")
    for point in ("B5.1", "B1.1"):
        bench.volts(point, E)
    dead = Suspect("supply dead", "V1")
    before = behind(weigh(SWEEPER, bench.events), dead)
    assert before > RULED_OUT
    bench.key("off")
    for point in ("B5.2", "B1.2", "B2.2", "B8.1", "B10.2", "B11.2", "B12.2", "B3.2"):
        bench.ohms(point, E)
    after = weigh(SWEEPER, bench.events)
    assert behind(after, dead) > 0.9 * before
    assert NONE in left(after)


def test_good_readings_clear_no_fault_that_comes_and_goes():
    """Everything good: the open that is always there is out, the one that comes and goes is as likely as before."""
    drawing = drawn(machine_file("tug-tractor"))
    fault = Intermittent(casekit.Open("W60b", 0.5), "CP3", 1.0, 0.1, torque_mm=1.2)
    bench = Bench(drawing, Truth(Specimen(drawing.as_built(2), (fault,), Meter.drawn_by(2), 2)))
    bench.key("on")
    for point in ("X13.4m", "X13.4f", "X2.10"):
        bench.volts(point, drawing.earth)
    verdict = weigh(drawing, bench.events)
    k = verdict.suspects.index(Suspect("open", "W60b"))
    assert verdict.fits[k].loose
    w = verdict.weighed
    mine = [n for n, c in enumerate(w.cells) if c.suspect == Suspect("open", "W60b")]
    none = next(n for n, c in enumerate(w.cells) if c.suspect == NONE)
    assert w.loose[mine] == pytest.approx(np.full(len(mine), w.lasting[none]), abs=1e-6)
    assert (w.lasting[mine] < w.lasting[none] - 10).all()
    bench.key("run")
    bench.operate("load")
    bench.volts("X13.4m", drawing.earth)
    there = weigh(drawing, bench.events)
    assert Suspect("open", "W60b") in left(there)
    assert there.fits[k].loose
    assert there.of(Suspect("open", "W60b")) > 3 * verdict.of(Suspect("open", "W60b"))


def test_presence_adds_up():
    for state in (State("on"), State("run"), State("run", held=frozenset({"load"}))):
        assert sum(presence(state)) == pytest.approx(1.0)
    assert presence(State("run", held=frozenset({"load"})))[0] > presence(State("run"))[0] > presence(State("on"))[0]


def test_codes_the_driver_and_the_engine_are_evidence_and_rule_nothing_out():
    bench = casekit.open_case("rail-sensor-in-vain", 4)
    stored = ("P0652", "P0192", "P0522", "P2127", "P2138")
    empty, coded = (weigh(bench.drawing, [], codes) for codes in ((), stored))
    truth, other = Suspect("sensor shorted", "B4"), Suspect("open", "W11")
    assert coded.of(truth) > 5 * empty.of(truth)
    assert coded.of(other) < 0.3 * empty.of(other)
    assert all(s.standing != "ruled out" for s in standings(coded))
    bench.key("run")
    bench.notice()
    noticed = weigh(bench.drawing, bench.events, stored)
    assert [s.kind for s in noticed.signs] == ["engine", "driver"]
    assert noticed.of(truth) > coded.of(truth)
    assert behind(noticed, Suspect("open", "X1.1")) > UNLIKELY  # without a feed the engine would not run


def test_a_look_counts_and_a_clean_one_clears_only_what_it_would_have_shown(shorted):
    shorted.volts("B5.1", E)
    before = weigh(SWEEPER, shorted.events)
    shorted.look("CP2")
    clean = weigh(SWEEPER, shorted.events)
    here, elsewhere = Suspect("short to ground", "W15b"), Suspect("sensor shorted", "B4")
    assert clean.of(here) < 0.5 * before.of(here)
    assert clean.of(here) > 0  # the damage may be elsewhere on the wire, or may have been missed
    assert clean.of(elsewhere) > before.of(elsewhere)
    shorted.look("CP1")
    found = weigh(SWEEPER, shorted.events)
    assert found.of(SHORT) > 0.95
    assert found.of(Suspect("short between wires", "W14", "W24")) < 0.02  # bare copper against metal, not a neighbour


def test_after_a_repair_the_readings_are_of_a_mended_machine(shorted):
    for point in ("B5.1", "B1.1", "B12.1"):
        shorted.volts(point, E)
    shorted.key("off")
    assert shorted.repair("W14") == "W14 repaired: it was short to ground"
    shorted.key("on")
    shorted.volts("B5.1", E)
    verdict = weigh(SWEEPER, shorted.events)
    assert verdict.of(SHORT) > 0.9
    assert behind(verdict, Suspect("short to ground", "W12b")) > RULED_OUT


def test_ohms_on_a_live_circuit_and_pierced_wires_are_left_out(shorted):
    shorted.ohms("B5.1", E)
    shorted.pierce("W13")
    shorted.volts("W13@0.5", E)
    numbers, _ = observed(SWEEPER, shorted.events)
    assert numbers == []


# What was learnt, in words ---------------------------------------------------------------------------------------


def test_the_trail_says_what_each_step_taught(shorted):
    for point in ("B5.1", "B1.1"):
        shorted.volts(point, E)
    shorted.look("CP1")
    verdict = weigh(SWEEPER, shorted.events, ("P0642", "P2122", "P2138"))
    assert [m.event for m in verdict.trail] == [None, *[e for e in shorted.events if e in shorted.events[1:]]]
    assert verdict.start_bits - sum(m.gained for m in verdict.trail) == pytest.approx(verdict.trail[-1].bits)
    assert verdict.trail[-1].bits == pytest.approx(bits(verdict))
    assert [m.left for m in verdict.trail] == sorted((m.left for m in verdict.trail), reverse=True)
    assert verdict.start_bits > 8


def test_reasons_name_the_reading_what_was_expected_and_what_was_shown(shorted):
    shown = shorted.volts("B5.1", E).shown
    found = {s.suspect: s for s in standings(weigh(SWEEPER, shorted.events))}
    dead = found[Suspect("open", "W42")]
    assert dead.standing == "ruled out"
    assert dead.because == (
        f"volts B5.1 against G1.- (key on), minute 3.6 showed {shown}; it would have shown about 5.01 V ± 58 mV",
    )
    assert found[SHORT].standing == "left"
    assert found[SHORT].because == ()


def test_the_summary_is_one_sentence(shorted):
    for point in ("B5.1", "B12.1"):
        shorted.volts(point, E)
    shorted.look("CP1")
    verdict = weigh(SWEEPER, shorted.events)
    text = summary(verdict, [frozenset({SHORT, Suspect("open", "W1")})])
    assert text == (
        f"1 of {len(verdict.suspects)} suspects left (short to ground at W14), {bits(verdict):.1f} bits to find out; "
        "look-alikes: open at W1 = short to ground at W14."
    )


@pytest.mark.parametrize(
    ("value", "unit", "text"),
    [(0.1304, "V", "0.13 V"), (0.0474, "V", "47 mV"), (2210.0, "Ω", "2.21 kΩ"), (5.0, "V", "5 V"), (1e-9, "V", "0 V"),
     (float("inf"), "Ω", "OL"), (0.22, "A", "0.22 A")],
)  # fmt: skip
def test_numbers_as_the_trade_writes_them(value, unit, text):
    assert number(value, unit) == text


def test_a_log_that_grows_is_weighed_as_if_it_came_at_once():
    """What was weighed before is gone on with, also where a reading turns its spell from good to bad."""
    bench = casekit.open_case("lame-on-the-ramp")
    grown = []
    bench.key("run")
    for step in (
        lambda: bench.volts("X13.4m", "G1.-"), bench.scan, lambda: bench.operate("load"), bench.codes, bench.notice,
        lambda: bench.volts("B5.1", "G1.-"), lambda: bench.volts("X13.4m", "G1.-"), lambda: bench.volts("B5.1", "G1.-"),
    ):  # fmt: skip
        step()
        grown.append((weigh(bench.drawing, list(bench.events), bench.stored), len(bench.events)))
    for verdict, n in grown[3:]:
        expectations.cache_clear()
        fresh = weigh(bench.drawing, bench.events[:n], bench.stored)
        assert verdict.suspects == fresh.suspects
        assert verdict.p == pytest.approx(fresh.p, abs=1e-9)
        assert verdict.log == pytest.approx(fresh.log, abs=1e-6)


def test_a_worn_track_shows_where_the_lever_stands_on_it():
    """What the unit sees of it depends on what is held; on the road it is seen wherever the lever comes to stand."""
    bus = drawn(machine_file("shuttle-bus"))
    mine = [c for c in all_cells(bus) if c.suspect == Suspect("sensor dead spot", "B6")]
    expected = Expected(predictor(bus), mine)  # the door stands at 0.03 of its travel, or at 0.93 when it is open
    low = "B6 door angle"
    shut, opened, road = (
        found[low][:-1] > 0.5
        for found in (
            expected.faults(State("on")),
            expected.faults(State("on", held=frozenset({"doors"}))),
            expected.driven(),
        )
    )
    assert shut.tolist() == [True] + 9 * [False]
    assert opened.tolist() == 9 * [False] + [True]
    assert road.tolist() == [True] + 8 * [False] + [True]
    other = Expected(predictor(bus), [c for c in all_cells(bus) if c.suspect == Suspect("open", "W75b")])
    assert other.faults(State("on", held=frozenset({"doors"}))) is other.faults(State("on"))


def test_a_worn_track_and_a_loose_terminal_are_told_apart_with_the_lever_elsewhere():
    bench = casekit.open_case("door-side-sinks-away")
    worn, loose = Suspect("sensor dead spot", "B3"), Suspect("open", "B3.2")
    bench.key("on")
    bench.volts("B3.2", "G1.-")
    verdict = weigh(bench.drawing, bench.events)
    assert verdict.of(loose) > verdict.of(worn)
    bench.operate("kneel")
    bench.volts("B3.2", "G1.-")
    bench.release("kneel")
    bench.volts("B3.2", "G1.-")
    verdict = weigh(bench.drawing, bench.events)
    assert verdict.of(worn) > 5 * verdict.of(loose)
    k = verdict.suspects.index(worn)
    assert 0.4 <= verdict.fits[k].size <= 0.6, "and where on its travel, as a share"
    assert not verdict.fits[k].loose


def test_threads_reason_about_equal_drawings_one_after_the_other():
    """What is prepared for a drawing is shared by all who have an equal one, as the benches of a class."""
    logs = []
    for seed, wire in enumerate(("W11", "W12a", "W13", "W14", "W15a", "W17")):
        bench = casekit.open_machine("street-sweeper", seed, casekit.ShortToGround(wire, 0.5 + seed, 0.35))
        bench.key("on")
        for point in ("B1.1", "B2.1", "B5.1", "B9.1", "B10.2"):
            bench.volts(point, "G1.-")
        logs.append(bench.events)

    def weighed(events):
        return weigh(drawn(machine_file("street-sweeper")), events)

    alone = [weighed(events) for events in logs]
    for kept in (expectations, all_cells, every_expected):
        kept.cache_clear()
    with ThreadPoolExecutor(len(logs)) as pool:
        together = list(pool.map(weighed, logs))
    for one, other in zip(alone, together, strict=True):
        assert one.suspects == other.suspects
        assert one.p == pytest.approx(other.p, abs=1e-9)
