"""Variants: the same complaint and codes with another fault behind it, each played before it is handed out."""

from datetime import date, timedelta

import pytest

import casekit
from casekit.bench.sealed import unseal
from casekit.command import main
from casekit.error import ScenarioError
from casekit.files import library
from casekit.files.check import check_folder
from casekit.files.variants import Entry
from casekit.machine.drawn import drawn
from casekit.machine.state import State
from casekit.teaching import trial as tried
from casekit.teaching.record import Entry as Handed
from casekit.teaching.record import Record
from casekit.teaching.trial import trial, trials
from casekit.teaching.variant import drawn_by, operated, shown, variant_of

CASES = library.names("cases")
DAY = date(2026, 3, 2)


def machine_of(case):
    return library.machine_file(case.machine)


@pytest.mark.parametrize("name", CASES)
def test_what_is_on_file_is_what_its_number_draws(name):
    """Derived files: casekit vary. Every case has a variant, and none is twice what another is."""
    case, known = library.case_file(name), library.variants(name)
    assert known
    assert casekit.variants(name) == [0, *known]
    for number, entry in known.items():
        assert drawn_by(case, machine_of(case), number).faults == entry.faults
    faults = [str(entry.faults) for entry in known.values()]
    assert len(set(faults)) == len(faults)
    if len(known) > 1:
        assert str(case.faults) not in faults


@pytest.mark.parametrize("name", CASES)
def test_a_variant_shows_what_the_case_shows(name):
    """The complaint holds: what the unit sees, what a driver notices, and which values are too high or too low."""
    case, plan = library.case_file(name), drawn(machine_of(library.case_file(name)))
    wanted = list(shown(plan, case))
    for number in library.variants(name):
        found = variant_of(name, number)
        assert list(shown(plan, found)) == wanted
        assert (found.complaint, found.codes, found.story, found.title) == (
            case.complaint, case.codes, case.story, case.title,
        )  # fmt: skip


def test_other_places_show_other_things():
    """The comparison is not empty: a break in another branch is no variant."""
    case = library.case_file("oil-and-boost-low")
    plan = drawn(machine_of(case))
    elsewhere = case.model_copy(
        update={"faults": [case.faults[0].model_copy(update={"place": "W14", "contact": None})]}
    )
    assert list(shown(plan, elsewhere)) != list(shown(plan, case))


def test_wires_places_and_sizes_vary():
    made = [
        drawn_by(library.case_file("broom-frame-dead"), library.machine_file("street-sweeper"), n) for n in range(1, 9)
    ]
    faults = [case.faults[0] for case in made if case]
    assert len({fault.place for fault in faults}) > 2
    assert len({fault.r_ohm for fault in faults}) > 5
    assert all(0.3 <= fault.r_ohm <= 1.2 for fault in faults)  # the case's own 0.6 ohm within a factor of two


def test_a_fault_that_comes_and_goes_stays_where_it_is_moved():
    case = library.case_file("lame-on-the-ramp")
    for number in range(1, 6):
        (fault,) = drawn_by(case, machine_of(case), number).faults
        assert (fault.contact, fault.when) == (case.faults[0].contact, case.faults[0].when)


def test_the_drawing_stays_wrong_as_it_is():
    case = library.case_file("level-gauge-still-works")
    found = [c for c in (drawn_by(case, machine_of(case), n) for n in range(1, 5)) if c]
    assert found
    assert all(c.faults[1] == case.faults[1] for c in found)


def test_the_explanation_is_that_of_the_variant():
    number = next(iter(library.variants("rear-readings-high")))
    case, found = library.case_file("rear-readings-high"), variant_of("rear-readings-high", number)
    here, there = found.faults[0], case.faults[0]
    assert found.explanation.startswith(f"This is a variant of a repair: here it is {here.kind} at {here.place}")
    assert f"In the repair it was {there.kind} at {there.place}" in found.explanation
    assert found.explanation.endswith(case.explanation)


def test_operating_values_vary_with_both_tracks_of_a_sensor_together():
    built = drawn(library.machine_file("street-sweeper"))
    one, two = operated(built, 5, 1), operated(built, 5, 2)
    assert one == operated(built, 5, 1)
    both = [(part, old) for part, old in zip(one.parts, built.parts, strict=True) if hasattr(part, "output")]
    state = State("run", held=frozenset({"pedal"}))
    moved = {part.name: part.output.at.value(state) / old.output.at.value(state) - 1 for part, old in both}
    rest = [(part, old) for part, old in both if old.output.at.value(State("on")) == 0]
    assert {part.name for part, _ in rest} >= {"B5 track 1", "B9"}
    assert all(part.output.share(State("on")) == old.output.share(State("on")) for part, old in rest), "nought stays"
    assert moved["B5 track 1"] == pytest.approx(moved["B5 track 2"])
    assert 0 < max(map(abs, moved.values())) <= 0.03 + 1e-9  # one and a half times 2 %
    assert len(set(moved.values())) > 5
    assert one != two


@pytest.mark.parametrize("name", ["oil-and-boost-low", "pressure-at-rest"])
def test_a_variant_on_file_is_solved_by_advice(name):
    number, entry = next(iter(library.variants(name).items()))
    again, why = trial(variant_of(name, number), number)
    assert again == entry
    assert why.endswith(f"solved in {entry.minutes:.0f} minutes")


def test_what_cannot_be_solved_is_not_kept(monkeypatch):
    """A call that the advice's readings do not support."""
    monkeypatch.setattr(tried.Player, "sure", property(lambda self: True))  # as if it were sure at once
    entry, why = trial(variant_of("oil-and-boost-low", 0), 1)
    assert entry is None
    assert why.startswith("open at W42, at CP3: the call is ")


def test_the_command_says_what_became_of_every_number(monkeypatch, capsys):
    kept = {}
    monkeypatch.setattr(library, "variants", lambda name: dict(kept))
    monkeypatch.setattr(library, "keep_variants", lambda name, entries: kept.update(entries))
    monkeypatch.setattr(tried, "trial", lambda case, n: (
        (None, "no") if n == 1 else (Entry(number=n, minutes=5, faults=case.faults), "solved")
    ))  # fmt: skip
    assert list(trials("broom-frame-dead", 2)) == [(1, "no"), (2, "solved"), (3, "solved")]
    assert main(["vary", "broom-frame-dead", "--count", "2"]) == 0
    assert capsys.readouterr().out == "broom-frame-dead: 2 variants on file\n"


@pytest.mark.parametrize("count", ["0", "-1", "x"])
def test_a_count_that_is_none(count, capsys):
    with pytest.raises(SystemExit):
        main(["vary", "broom-frame-dead", "--count", count])
    assert f"argument --count: {count} is no count; write a whole number from 1" in capsys.readouterr().err


def test_a_variant_that_is_not_there():
    with pytest.raises(ScenarioError) as caught:
        casekit.open_case("broom-frame-dead", variant=999)
    there = ", ".join(map(str, casekit.variants("broom-frame-dead")))
    assert str(caught.value) == (
        f"broom-frame-dead has no variant 999; there is: {there}. casekit vary broom-frame-dead draws more."
    )


def test_a_file_of_variants_is_checked_like_a_case(tmp_path):
    for kind in ("machines", "cases", "variants"):
        (tmp_path / kind).mkdir()
    root = library.scenario_folder()
    for path in ("machines/street-sweeper.yaml", "cases/broom-frame-dead.yaml"):
        (tmp_path / path).write_text((root / path).read_text())
    bad = tmp_path / "variants" / "broom-frame-dead.yaml"
    bad.write_text(
        "case: broom-frame-dead\nvariants:\n  - {number: 1, minutes: 9, faults: [{kind: open, place: W999}]}\n"
    )
    paths, problems = check_folder(tmp_path)
    assert str(bad) in paths
    assert problems == [
        f"{bad}:3: a fault of kind open cannot be at W999; it is at a wire or cavity "
        "of the drawing, such as W1 or X14.3."
    ]
    bad.write_text("case: broom-frame-dead\nvariants:\n" + 2 * "  - {number: 1, minutes: 9, faults: []}\n")
    assert check_folder(tmp_path)[1] == [
        f"{bad}:1: file: the numbers of variants must rise, each once; make the file anew with casekit vary."
    ]
    bad.unlink()
    lost = tmp_path / "variants" / "lost.yaml"
    lost.write_text("case: lost\nvariants: []\n")
    assert check_folder(tmp_path)[1] == [f"{lost}:1: there is no case lost; delete this file."]


# Practice -----------------------------------------------------------------------------------------------------------


def test_practice_hands_out_variants_and_goes_on_with_what_was_begun(tmp_path, capsys):
    bench = casekit.practice(tmp_path, DAY)
    (handed,) = Record(tmp_path).entries
    assert handed.variant == casekit.variants(handed.case)[1], "the case as it was written may be known from a lesson"
    bench.key("on")
    again = casekit.practice(tmp_path, DAY)
    assert again.reopened == "the case is where you left it: 1 entry in its log."
    mine, other = unseal(again).specimen, unseal(casekit.open_case(handed.case, handed.seed, handed.variant)).specimen
    assert mine.faults == other.faults
    assert mine.built == other.built
    head = (tmp_path / f"{handed.case}-v{handed.variant}-{handed.seed}.jsonl").read_text().splitlines()[0]
    assert f'"variant": {handed.variant}' in head
    assert '"casekit log": 2' in head


def test_no_variant_and_individual_twice_and_all_variants_before_any_again(tmp_path):
    known, met = [0, 4, 7], []
    for k in range(9):
        record = Record(tmp_path)
        seed, variant = record.unused("a"), record.fresh("a", known)
        record.add(Handed("a", seed, DAY + timedelta(k), variant=variant))
        Record(tmp_path).add(Handed("a", seed, DAY + timedelta(k), 3, 9.0, variant))
        met.append((variant, seed))
    assert [variant for variant, _ in met] == [4, 7, 0] * 3
    assert len(set(met)) == 9
    assert Record(tmp_path).variant("a", 2) == 7


def test_an_old_record_knows_no_variants(tmp_path):
    record = Record(tmp_path)
    record.path.write_text('{"case": "a", "seed": 1, "day": "2026-03-02"}\n')
    assert Record(tmp_path).entries == [Handed("a", 1, DAY)]
    assert Record(tmp_path).fresh("a", [0, 4]) == 4


def test_the_log_of_another_variant_is_not_gone_on_with(tmp_path):
    number = casekit.variants("oil-and-boost-low")[1]
    casekit.resume_case("oil-and-boost-low", 3, tmp_path, number)
    mine = tmp_path / f"oil-and-boost-low-v{number}-3.jsonl"
    mine.rename(tmp_path / "oil-and-boost-low-3.jsonl")
    with pytest.raises(ScenarioError) as caught:
        casekit.resume_case("oil-and-boost-low", 3, tmp_path)
    assert str(caught.value) == (
        f"{tmp_path / 'oil-and-boost-low-3.jsonl'}:1: this is the log of oil-and-boost-low, variant {number}, with "
        "seed 3, not of oil-and-boost-low with seed 3; move the file away, or name another folder with folder=."
    )
