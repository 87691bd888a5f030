"""No fault found: what must be done before it may be said, and what it never says."""

import pytest

import casekit
from casekit.error import BenchError
from casekit.reasoning.allclear import due, gaps
from casekit.reasoning.evidence import weigh
from casekit.reasoning.suspect import Suspect
from casekit.teaching.player import Player

CASE = "no-power-on-monday"
LOOKS = ["look at CP3, where W46, W51 or W60b may rub", "look at CP5, where W23a, W40a, W45a or W50a may rub"]
CLEAR, DRIVE, CODES = (
    "clear the codes",
    "make a road test after that: idle, load, every operation, warm",
    "read the codes once more after that",
)


def open_gaps(bench):
    events = list(bench.events)
    return gaps(bench.drawing, events, weigh(bench.drawing, events, bench.stored), bench.stored)


def texts(bench):
    return [gap.text for gap in open_gaps(bench)]


def measured(bench):
    bench.key("on")
    for point in ("B5.1", "B5.2", "B5.3"):
        bench.volts(point, "G1.-")
    bench.key("run")
    bench.scan()


@pytest.fixture
def bench():
    return casekit.open_case(CASE)


def test_everything_is_asked_for_in_the_order_of_the_work(bench):
    *asked, last = texts(bench)
    assert asked == [*LOOKS, CLEAR, DRIVE, CODES]
    assert last.startswith("rule out what is always there and not ruled out yet: short to ground at W40a, ")
    measured(bench)
    assert texts(bench) == [*LOOKS, CLEAR, DRIVE, CODES]
    bench.look("CP3")
    bench.look("CP5")
    bench.clear_codes()
    assert texts(bench) == [DRIVE, CODES]
    bench.codes()  # before the drive it says little
    bench.road_test()
    assert texts(bench) == [CODES]
    bench.codes()
    assert texts(bench) == []


def test_a_drive_before_the_codes_are_cleared_does_not_count(bench):
    measured(bench)
    bench.road_test()
    bench.codes()
    assert texts(bench) == [*LOOKS, CLEAR, DRIVE, CODES]


def test_a_harness_that_was_moved_needs_another_drive(bench):
    measured(bench)
    for point in ("CP3", "CP5"):
        bench.look(point)
    bench.clear_codes()
    bench.road_test()
    bench.codes()
    assert texts(bench) == []
    bench.shift("CP3", "gently")
    assert texts(bench) == [DRIVE, CODES]


def test_a_mark_is_opened():
    """Some individuals show a rub mark that means nothing."""
    bench = next(
        b for b in (casekit.open_case(CASE, seed) for seed in range(60)) if b.look("CP3").mark in ("W46", "W60b")
    )
    measured(bench)
    assert texts(bench)[0] == "open the harness at CP3: there is a mark"
    bench.open_harness("CP3")
    assert texts(bench) == [LOOKS[1], CLEAR, DRIVE, CODES]


def test_a_fault_that_shows_is_no_gap_but_a_contradiction():
    bench = casekit.open_case("lame-on-the-ramp")
    measured(bench)
    for point in ("CP3", "CP5"):
        bench.look(point)
    bench.clear_codes()
    bench.road_test()
    (gap,) = open_gaps(bench)
    assert (gap.kind, gap.text) == ("shown", "the road test told of something that a good machine does not do")
    bench.call("no fault found")
    result = bench.debrief()
    assert not result.right
    assert not result.supported
    assert result.because == "they speak against it: the road test told of something that a good machine does not do."


def test_codes_that_come_back_contradict_too():
    """Nobody drove; the unit alone saw it again."""
    bench = casekit.open_case("lame-on-the-ramp")
    bench.key("run")
    bench.clear_codes()
    bench.operate("load")
    bench.release("load")
    assert bench.codes()["code"].tolist() == ["P0192"]
    assert texts(bench) == ["the codes told of something that a good machine does not do"]


def test_a_reading_that_a_good_machine_does_not_give_is_named():
    bench = casekit.open_case("oil-and-boost-low")
    bench.key("on")
    shown = bench.volts("B9.1", "G1.-").shown
    (text,) = texts(bench)
    assert text.startswith(f"volts B9.1 against G1.- (key on), minute {bench.clock:.1f} showed {shown}; it would have")


def test_without_codes_all_the_harness_is_looked_at_and_all_faults_the_unit_would_see_are_asked_for():
    bench = casekit.open_case("pressure-at-rest")
    found = open_gaps(bench)
    assert [g.place for g in found if g.kind == "look"] == [p.name for p in bench.drawing.contact_points]
    assert found[-1].kind == "measure"
    assert int(found[-1].text.split()[-2]) > 100


def test_a_code_cleared_and_not_back_speaks_against_a_fault_that_is_always_there(bench):
    """Before clearing, a stored code says nothing of now; a code that the next drive does not bring back does."""
    lasting = Suspect("short to ground", "W60a")

    def behind():
        verdict = weigh(bench.drawing, list(bench.events), bench.stored)
        w = verdict.weighed
        none = next(k for k, c in enumerate(w.cells) if c.suspect.kind == "none")
        return max(w.lasting[k] for k, c in enumerate(w.cells) if c.suspect == lasting and c.high < 1) - w.lasting[none]

    bench.key("on")
    bench.codes()
    before = behind()
    bench.clear_codes()
    bench.codes()
    after = behind()
    assert after < before - 3
    bench.codes()
    assert behind() == pytest.approx(after), "read again, it tells nothing more"


def test_the_player_does_what_is_left_once_the_road_brought_nothing_back(bench):
    player = Player(bench, bench.stored)
    measured(bench)
    player.verdict = weigh(bench.drawing, list(bench.events), bench.stored)
    assert due(bench.drawing, bench.events, player.verdict, bench.stored) is None
    bench.road_test()
    player.verdict = weigh(bench.drawing, list(bench.events), bench.stored)
    before = len(bench.events)
    assert not player.clear
    list(player.steps())
    assert player.clear
    done = [getattr(e, "action", None) or getattr(e, "point", None) or e.function for e in bench.events[before:]]
    assert [d for d in done if d != "key"] == ["CP3", "CP5", "clear codes", "road test", "driver", "codes"]


def test_a_hint_says_so(bench):
    measured(bench)
    bench.road_test()
    first, second = bench.hint(), bench.hint()
    assert "suspects are left" in first
    assert second == (
        "Nothing that is always there is left, and the road brought nothing back. Still to do: "
        f"{'; '.join([*LOOKS, CLEAR, DRIVE, CODES])}."
    )


def test_too_early_it_is_right_and_not_supported(bench):
    measured(bench)
    bench.call("no fault found")
    result = bench.debrief()
    assert result.right
    assert not result.supported
    assert result.because == (
        f"it was not looked for long enough. Still to do: {'; '.join([*LOOKS, CLEAR, DRIVE, CODES])}."
    )
    assert result.condemned == ()
    assert "How sure" not in dict(result.lines())


def test_a_fault_called_on_a_good_machine_is_wrong_and_condemns_a_good_part(bench):
    bench.key("on")
    bench.call("sensor drifted", "B5")
    result = bench.debrief()
    assert not result.right
    assert result.condemned == ("B5",)
    assert result.truth == "nothing"


@pytest.mark.parametrize(
    ("call", "also", "sentence"),
    [
        (
            ("no fault found", "W60"),
            False,
            "no fault found has no place, not 'W60'; leave it out, or name a kind of fault.",
        ),
        (("no fault found",), True, "no fault found cannot stand beside another call; make it without also=True."),
        (
            ("open", "W60b"),
            True,
            "the call is no fault found; call the fault without also=True, and it takes its place.",
        ),
    ],
)
def test_calls_that_cannot_be(bench, call, also, sentence):
    bench.call("no fault found")
    with pytest.raises(BenchError) as caught:
        bench.call(*call, also=also)
    assert str(caught.value) == sentence
