"""Moves: their minutes, what they change, what they hide and bring back, and what is seen where one looks."""

from collections import Counter

import pytest
from scipy.stats import binom
from test_bench import refused

import casekit
from casekit.bench import inspection
from casekit.bench.meter import Meter
from casekit.bench.moves import MOVED_UNSEEN
from casekit.bench.reading import FALSE_MARK, FOUND_LASTING, FOUND_LOOSE, LAST, NEAR, Finding, Move, Reading
from casekit.bench.specimen import Specimen
from casekit.files.library import machine_file
from casekit.machine.drawn import drawn
from casekit.machine.faults import HighResistance, Open, ShortToGround
from casekit.machine.intermittent import Intermittent
from casekit.machine.state import State

EARTH = "G1.-"
SEEDS = [None, 1, 2, 3]


@pytest.fixture
def bench():
    return casekit.open_machine("street-sweeper")


# Price, state and log --------------------------------------------------------------------------------------------

# Minutes are handling (common practice, no source) plus getting there the first time, which the machine file says.
PRICES = [
    ([], "key", ("on",), 0.1, ["key", "on"], State("on")),
    ([], "key", ("crank",), 0.2, ["key", "crank"], State("crank")),
    ([], "key", ("run",), 0.3, ["key", "run"], State("run")),
    ([("key", "run")], "key", ("off",), 0.1, ["key", "off"], State("off")),
    ([("key", "run")], "operate", ("brooms",), 0.2, ["operate", "brooms"], State("run", held=frozenset({"brooms"}))),
    ([("key", "run"), ("operate", "load")], "release", ("load",), 0.2, ["release", "load"], State("run")),
    ([("key", "run"), ("operate", "load")], "key", ("on",), 0.1, ["key", "on"], State("on")),
    ([], "unplug", ("X11",), 4.5, ["unplug", "X11"], State(unplugged=frozenset({"X11"}))),
    ([("unplug", "X11")], "plug", ("X11",), 0.5, ["plug", "X11"], State()),
    ([], "look", ("CP1",), 5.0, ["look", "CP1"], State()),
    ([("look", "CP1")], "look", ("CP1",), 1.0, ["look", "CP1"], State()),
    ([("unplug", "B4")], "look", ("B4",), 1.0, ["look", "B4"], State(unplugged=frozenset({"B4"}))),
    ([], "shift", ("CP1",), 4.5, ["shift", "CP1 gently"], State()),
    ([("look", "CP1")], "shift", ("CP1", "hard"), 0.5, ["shift", "CP1 hard"], State()),
    ([], "rock", (), 1.0, ["rock", "engine"], State()),
    ([("key", "run")], "warm_up", (), 12.0, ["warm up", "engine"], State("run", hot=True)),
    ([], "open_harness", ("CP1",), 19.0, ["look", "CP1"], State()),
    ([], "open_harness", ("SP1",), 15.0, ["look", "SP1"], State(bared=frozenset({"SP1"}))),
    ([("key", "run")], "road_test", (), 15.0, ["look", "driver"], State("on", hot=True)),
    ([("key", "on")], "notice", (), 0.0, ["look", "driver"], State("on")),
    ([("key", "on")], "clear_codes", (), 3.0, ["clear codes", "control unit"], State("on")),
    ([("key", "on"), ("scan",)], "clear_codes", (), 1.0, ["clear codes", "control unit"], State("on")),
    ([("key", "run")], "prove", (), 20.0, ["look", "proof"], State("on", hot=True)),
    ([], "repair", ("W14",), 20.0, ["repair", "W14"], State()),
    ([], "repair", ("X12.2",), 20.0, ["repair", "X12.2"], State()),  # five minutes to get there
    ([], "replace", ("B9",), 14.0, ["replace", "B9"], State()),
    ([], "replace", ("A1",), 45.0, ["replace", "A1"], State()),
    ([], "pierce", ("W14",), 1.0, ["pierce", "W14@0.5"], State(bared=frozenset({"W14@0.5"}))),
    ([], "zero_clamp", (), 0.2, ["zero", "clamp"], State()),
]


@pytest.mark.parametrize(
    ("before", "move", "given", "cost", "line", "state"), PRICES, ids=[f"{p[1]} {' '.join(p[2])}" for p in PRICES]
)
def test_a_move_costs_its_minutes_and_changes_its_own_part_of_the_state(bench, before, move, given, cost, line, state):
    for name, *arguments in before:
        getattr(bench, name)(*arguments)
    clock, lines = bench.clock, len(bench.log)
    getattr(bench, move)(*given)
    assert bench.clock - clock == pytest.approx(cost)
    assert bench.state == state
    log = bench.log
    assert len(log) > lines
    assert log.iloc[-1][["action", "what"]].tolist() == line
    assert log["minute"].iloc[-1] == pytest.approx(bench.clock)
    held = [*sorted(state.held), *(["warm"] if state.hot else [])]
    assert log.iloc[-1][["key", "held", "unplugged"]].tolist() == [
        state.key, ", ".join(held), ", ".join(sorted(state.unplugged))
    ]  # fmt: skip
    assert isinstance(bench.events[-1], Move | Finding)


def test_holding_and_letting_go():
    """What needs the engine falls away with it; the brake of the tug tractor needs key on alone."""
    bench = casekit.open_machine("tug-tractor")
    bench.key("run")
    assert bench.operate("brake") == "press the brake pedal"
    assert bench.operate("load") == "the engine works against a load"
    bench.key("on")
    assert bench.state.held == {"brake"}
    bench.key("off")
    assert bench.state.held == frozenset()
    bench.key("on")
    bench.operate("brake")
    assert bench.release("brake") == "brake released"
    assert bench.volts("B3.2", EARTH).value == pytest.approx(0.5, abs=0.03)
    bench.operate("brake")
    # 0.1 + 0.8 x 7.5 bar / 12 bar of 5 V.
    assert bench.volts("B3.2", EARTH).value == pytest.approx(3.0, abs=0.05)


REFUSED = [
    ([], lambda b: b.shift("CP1", "softly"), "a harness is shifted 'gently' or 'hard', not 'softly'."),
    (
        [],
        lambda b: b.shift("X1"),
        "there is no harness to shift at 'X1'; name a contact point, an in-line connector or a sensor. "
        "Did you mean X11?",
    ),
    (
        [],
        lambda b: b.shift("CP1", "gently", ("B1.1",)),
        "('B1.1',) is not a pair of points; write (red, black), such as ('G1.+', 'G1.-').",
    ),
    ([], lambda b: b.shift("CP1", "gently", ("B1.1m", EARTH)),
     "B1.1m is behind the plugged connector B1; unplug B1 first."),
    ([("key", "run")], lambda b: b.rock(), "the engine turns; stop it before you put hands on it."),
    ([("key", "crank")], lambda b: b.rock(), "the engine turns; stop it before you put hands on it."),
    ([], lambda b: b.rock(("G1.+", "G1.+")), "both leads are on G1.+; put one of them somewhere else."),
    ([("key", "on")], lambda b: b.warm_up(), "warm up: the engine must run first; turn the key to run."),
    ([], lambda b: b.road_test(), "road test: the engine must run first; turn the key to run."),
    (
        [("unplug", "B4"), ("unplug", "X12"), ("key", "run")],
        lambda b: b.road_test(),
        "road test: B4, X12 are still unplugged; plug everything in first.",
    ),
    (
        [],
        lambda b: b.open_harness("SP99"),
        "'SP99' is not a contact point or a splice of this machine. Did you mean SP9?",
    ),
]  # fmt: skip


@pytest.mark.parametrize(("before", "move", "sentence"), REFUSED, ids=[r[2][:45] for r in REFUSED])
def test_what_cannot_be_done_now_says_why(bench, before, move, sentence):
    for name, *arguments in before:
        getattr(bench, name)(*arguments)
    assert refused(bench, move) == sentence


# What is seen ----------------------------------------------------------------------------------------------------

MANY = 600
SWEEPER = drawn(machine_file("street-sweeper"))
SHORT, LOOSE = ShortToGround("W14", 0.6, 0.35), Intermittent(ShortToGround("W14", 0.6, 0.35), "CP1", 1.0, 0.5)


def sights(faults, place) -> Counter:
    """How often a close look shows damage, a mark on the faulty wire, a mark elsewhere, nothing; over many seeds."""
    point, seen = SWEEPER.contact_point(place), Counter()
    for seed in range(MANY):
        sight = inspection.at_contact_point(Specimen(SWEEPER, faults, Meter(), seed), SWEEPER, point)
        assert (sight.damaged is None) or (sight.mark is None)
        seen["damage" if sight.damaged else f"mark {sight.mark}" if sight.mark else sight.text] += 1
    return seen


def likely(count: int, chance: float) -> bool:
    """Whether so many of MANY are within what that chance gives, but once in a hundred thousand."""
    low, high = binom.interval(1 - 1e-5, MANY, chance)
    return low <= count <= high


def test_how_sure_a_look_is():
    """Common practice, no source: the bench and whoever weighs its findings use the same figures."""
    assert (FOUND_LASTING, FOUND_LOOSE, FALSE_MARK) == (19 / 20, 3 / 4, 1 / 12)
    assert (LAST, NEAR) == (0.15, 0.02)
    point = SWEEPER.contact_point("CP1")  # 0.35 along W14, which begins at SP2
    for at, there, splice in ((0.149, False, True), (0.151, False, False), (0.331, True, False), (0.371, False, False)):
        specimen = Specimen(SWEEPER, (Open("W14", at),), Meter(), 1)
        assert (inspection.opened_at(specimen, SWEEPER, point).damaged == "W14") is there
        assert (inspection.opened_splice(specimen, SWEEPER, "SP2").damaged == "W14") is splice


def test_lasting_damage_is_found_nineteen_times_in_twenty():
    """Common practice, no source."""
    seen = sights((SHORT,), "CP1")
    assert likely(seen["damage"], 19 / 20)
    assert not likely(seen["damage"], 0.85)


def test_a_loose_fault_shows_a_rub_mark_three_times_in_four_and_never_more_than_that():
    """Common practice, no source; a false mark may fall on the same wire."""
    seen = sights((LOOSE,), "CP1")
    assert seen["damage"] == 0
    assert likely(seen["mark W14"], 3 / 4 + 1 / 4 / 12 / 3)
    assert not likely(seen["mark W14"], 0.65)
    assert likely(seen["mark W24"], 1 / 4 / 12 / 3)


def test_one_place_in_twelve_has_a_mark_that_means_nothing():
    """Common practice, no source. All wires of the place get their share, and at the fault's own place nothing else
    shows than at any other."""
    for faults in ((), (SHORT,), (LOOSE,)):
        seen = sights(faults, "CP5")
        assert set(seen) == {"mark W11", "mark W46", "mark W35", "mark W65", "no damage to be seen"}
        assert likely(MANY - seen["no damage to be seen"], 1 / 12)


def test_marks_read_the_same_whether_they_mean_something_or_not():
    point, texts = SWEEPER.contact_point("CP1"), []
    for faults in ((LOOSE,), ()):
        looks = (
            inspection.at_contact_point(Specimen(SWEEPER, faults, Meter(), seed), SWEEPER, point)
            for seed in range(MANY)
        )
        texts.append(next(sight.text for sight in looks if sight.mark == "W14"))
    assert texts == 2 * [
        "a rub mark on the orange/green wire W14 at the broom arm pivot bracket; whether it goes through cannot be seen"
    ]


def test_looking_twice_shows_the_same_and_moves_nothing():
    for seed in SEEDS:
        bench = casekit.open_case("lame-on-the-ramp", seed)
        bench.key("on")
        assert len({bench.look("CP3").text for _ in range(3)}) == 1
        assert bench.log["risk"].tolist() == [""] * 4


def test_inside_a_connector():
    bench = casekit.open_case("three-gauges-full")
    bench.unplug("X4")
    found = bench.look("X4")
    assert (found.text, found.wire) == ("the terminal of cavity X4.3 is pushed back and does not touch", "X4.3")
    bench.unplug("X3")
    assert bench.look("X3").text == "no damage to be seen"


def test_an_opened_harness_shows_what_is_there():
    """Always, loose or not; at a splice which wires really meet, and then a lead can reach it."""
    bench = casekit.open_case("boom-stops-halfway")
    found = bench.open_harness("CP1")
    assert found.wire == "W14b"
    assert found.text == (
        "the pink wire W14b is rubbed through, bare copper against the metal at the hose clamp at the boom pivot"
    )
    assert bench.open_harness("CP2").text == "no damage to be seen"
    bench = casekit.open_case("level-gauge-still-works")
    assert refused(bench, lambda b: b.volts("SP5", EARTH)) == (
        "'SP5' is not a point a lead can reach on this machine now. A splice is under tape: probe where its wires end, "
        "such as X2.5."
    )
    found = bench.open_harness("SP5")
    assert (found.wire, found.mark) == (None, "W12")
    assert found.text == "the pink/black wire W12 joins here, which the drawing does not show"
    found = bench.open_harness("SP1")
    assert (found.wire, found.mark) == ("W10", "W12")
    assert found.text == (
        "the pink wire W10 is broken beside the splice; the pink/black wire W12, drawn here, does not join here"
    )
    assert bench.open_harness("SP2").text == "the wires that meet here are those of the drawing"
    bench.key("on")
    assert bench.volts("SP5", EARTH).value == pytest.approx(5.0, abs=0.1)
    assert bench.volts("SP1", EARTH).value < 0.05


# What hands, heat and the road do --------------------------------------------------------------------------------


def bad(bench) -> bool:
    """Whether the boom's fault is there now, read with the boom up."""
    bench.key("run")
    bench.operate("boom")
    value = bench.volts("B5.1", EARTH).value
    bench.key("on")
    return value < 1.0


@pytest.mark.parametrize("seed", SEEDS)
def test_shifting_before_looking_hides_the_fault_until_a_road_test(seed):
    bench = casekit.open_case("boom-stops-halfway", seed)
    assert bad(bench)
    bench.shift("CP1", "hard")
    assert bench.log["risk"].iloc[-1] == MOVED_UNSEEN
    assert MOVED_UNSEEN == (
        "the harness was moved before it was looked at: what touched or parted there may lie elsewhere now"
    )
    assert not bad(bench)
    assert not bad(bench)  # it stays away
    bench.key("run")
    noticed = bench.road_test()
    assert "supply V1: voltage too low (key run, boom, warm)" in noticed.replace("; ", ", ")
    assert bad(bench)


@pytest.mark.parametrize("seed", SEEDS)
def test_looking_first_leaves_the_fault_where_it_is(seed):
    bench = casekit.open_case("boom-stops-halfway", seed)
    bench.look("CP1")
    assert bad(bench)
    bench.open_harness("CP1")
    bench.shift("CP1")
    assert set(bench.log["risk"]) == {""}


def test_moving_what_is_no_contact_point_is_no_risk(bench):
    bench.shift("X11")
    bench.shift("B4", "hard")
    assert set(bench.log["risk"]) == {""}
    bench.open_harness("CP2")
    assert bench.log["risk"].iloc[-2] == MOVED_UNSEEN  # the opening; its finding follows


def test_a_gentle_shift_may_go_either_way():
    """The harness is left from 0.2 of its gap back to 0.1 on, evenly: a contact 0.1 of its gap too near is lost when
    it goes back by more than 0.12 (0.02 is still touching), 8 times in 30. The same seed does the same again."""
    lost = 0
    for seed in range(MANY):
        specimen = Specimen(SWEEPER, (Intermittent(SHORT, "CP1", 1.0, 1.1),), Meter(), seed)
        specimen.shift("CP1", "gently")
        lost += len(specimen.mix(State("on"), 0.0)[0][1].parts) == len(SWEEPER.parts)
    assert likely(lost, 8 / 30)
    assert not likely(lost, 0.15)
    shown = []
    for _ in range(2):
        bench = casekit.open_case("lame-on-the-ramp", 5)
        bench.key("on")
        shown.append(bench.shift("CP3", "gently", ("X13.4m", EARTH)).shown)
    assert len(set(shown)) == 1


@pytest.mark.parametrize("seed", SEEDS)
def test_hands_and_a_watched_meter_catch_what_is_not_there_at_rest(seed):
    """With the engine stopped the tug's signal is good; rocking the engine, or pulling hard at its place, breaks it
    while the meter's min/max looks on; pulling elsewhere does nothing."""
    for move, catches in (
        (lambda b: b.rock(("X13.4m", EARTH)), True),
        (lambda b: b.shift("CP3", "hard", ("X13.4m", EARTH)), True),
        (lambda b: b.shift("CP1", "hard", ("X13.4m", EARTH)), False),
    ):
        bench = casekit.open_case("lame-on-the-ramp", seed)
        bench.key("on")
        bench.look("CP3")
        good = bench.volts("X13.4m", EARTH)
        reading = move(bench)
        assert isinstance(reading, Reading)
        assert reading is next(e for e in bench.events if isinstance(e, Reading) and e.function == "min/max")
        assert reading.high == pytest.approx(good.value, abs=0.03)
        assert (reading.low < 0.6 * good.value) is catches
        assert reading.shown == f"{reading.low:.3f} V to {reading.high:.3f} V"
        assert reading.note == "in 5 s"
        assert [e.action for e in bench.events if isinstance(e, Move)][-1] in ("rock", "shift")


def test_hands_without_a_meter_are_just_a_line_of_the_log(bench):
    assert bench.rock() == "the engine was rocked by hand"
    assert bench.shift("CP1", "hard") == "the harness at CP1 was shifted hard"


def test_heat_brings_on_what_heat_moves():
    fault = Intermittent(Open("W63b"), "X13", 1.0, 0.4, heat_mm=0.8)
    bench = casekit.open_machine("street-sweeper", fault=fault)
    bench.key("run")
    bench.clear_codes()
    assert bench.codes().empty
    cold = bench.volts("X13.6f", EARTH).value
    assert bench.warm_up() == "everything is warm"
    assert bench.volts("X13.6f", EARTH).value > 4.9 > cold + 2
    assert bench.codes()["code"].tolist() == ["P0118"]
    bench.key("off")
    bench.key("on")  # it stays warm with the engine stopped
    assert bench.volts("X13.6f", EARTH).value > 4.9


def test_a_road_test_says_what_a_driver_would():
    bench = casekit.open_case("lame-on-the-ramp", 2)
    bench.key("run")
    assert bench.road_test().startswith("B5 rail pressure: voltage too low (key run, load, warm)")
    assert "P0192" in set(bench.codes()["code"])
    sound = casekit.open_machine("tug-tractor", 1)
    sound.key("run")
    assert sound.road_test() == "nothing unusual"


def test_a_driver_notices_what_is_plainly_wrong_though_no_code_says_so():
    """Half the supply at the ride height sensor: the unit takes it for a low corner, and the bus leans."""
    bench = casekit.open_case("leans-when-warm")
    bench.key("run")
    cold = bench.notice().text
    assert "the left side holds its height" in cold
    assert "plainly" not in cold
    bench.warm_up()
    warm = bench.notice().text
    assert "ride height left plainly too low" in warm
    assert "the left side holds its height" not in warm
    assert "the air conditioning stays off" in warm  # a code says so; nothing plain is added
    assert "refrigerant" not in warm


def test_what_is_there_in_every_part_of_a_drive_is_said_once():
    bench = casekit.open_case("three-gauges-full")
    bench.key("run")
    said = bench.road_test()
    assert said.endswith("B9 engine oil pressure: voltage too high (throughout)")
    assert said.count("B9") == 1


def test_a_proof_that_fails_names_what_no_code_names_too():
    bench = casekit.open_case("leans-when-warm")
    bench.repair("X12.2")
    assert bench.prove().text.endswith("(throughout); B2 ride height left is not what it should be")


def test_a_meter_watched_on_the_road_reads_under_load():
    loose = Intermittent(Open("W13"), "CP1", 1.0, 0.4, torque_mm=0.8)
    bench = casekit.open_machine("telehandler", 1, loose)
    bench.key("run")
    assert bench.volts("B1.1", EARTH).value > 4.9
    reading = bench.road_test(("B1.1", EARTH))
    assert (reading.function, str(reading.state)) == ("min/max", "key run, load, warm")
    assert reading.high < 0.05
    assert reading is next(e for e in reversed(bench.events) if isinstance(e, Reading))
    assert bench.events[-1].point == "driver"


def test_a_weak_contact_that_nobody_notices_is_not_noticed():
    """A loose terminal of an ohm or two moves no reading beyond a limit: the driver feels nothing."""
    bench = casekit.open_machine("street-sweeper", fault=Intermittent(HighResistance("W10", 1.0), "X1", 1.0, 0.9, 0.3,
                                                                      shake_mm=0.3))  # fmt: skip
    bench.key("run")
    bench.operate("load")
    assert "come and go" not in bench.notice().text
    assert bench.road_test() == "nothing unusual"
