"""Practice on one's own: which case comes next and why, and what a debrief does to the record."""

from datetime import date, timedelta

import casekit
from casekit.teaching.record import FILE, Entry, Record
from casekit.teaching.rota import turn

DAY = date(2026, 3, 1)


def gone(folder, case, seed, day, grade):
    Record(folder).add(Entry(case, seed, day))
    Record(folder).add(Entry(case, seed, day, grade, 10.0))


def test_begun_then_due_then_new_then_soonest(tmp_path):
    cases = ["a", "b", "c"]

    def why(day):
        now = turn(Record(tmp_path), cases, day)
        return now.case, now.why

    assert why(DAY) == ("a", "new: the next in difficulty")
    gone(tmp_path, "a", 1, DAY, 4)
    assert why(DAY) == ("b", "new: the next in difficulty")
    assert why(DAY + timedelta(1)) == ("a", "due today")
    assert why(DAY + timedelta(3)) == ("a", "due since 2026-03-02")
    gone(tmp_path, "b", 1, DAY, 4)
    gone(tmp_path, "c", 1, DAY - timedelta(1), 1)
    assert why(DAY + timedelta(3)) == ("c", "due since 2026-03-01")
    assert why(DAY - timedelta(1)) == ("c", "nothing is due today; this one would be on 2026-03-01")
    Record(tmp_path).add(Entry("b", 2, DAY))
    assert why(DAY + timedelta(3)) == ("b", "begun, and not yet brought to a debrief")


def test_over_sixty_days_each_case_comes_as_often_as_it_needs(tmp_path):
    """A learner of one case a day, always good at a, always bad at b: no variant comes twice."""
    met = []
    for k in range(60):
        day, record = DAY + timedelta(k), Record(tmp_path)
        case = turn(record, ["a", "b"], day).case
        met.append((case, record.unused(case)))
        gone(tmp_path, *met[-1], day, 5 if case == "a" else 1)
    assert len(set(met)) == 60
    assert sum(case == "a" for case, _ in met) <= 5  # SM-2: after 1, 6, 17 and 50 days
    assert Record(tmp_path).due_on("b") <= DAY + timedelta(61)


def test_a_debrief_goes_into_the_record_once(tmp_path, capsys):
    bench = casekit.practice(tmp_path)
    first = casekit.list_cases()["case"][0]
    assert capsys.readouterr().out == f"{bench.sheet.title}: new: the next in difficulty.\n"
    record = Record(tmp_path)
    assert (record.cases, record.begun(first)) == ([first], 1)
    again = casekit.practice(tmp_path)
    assert capsys.readouterr().out.endswith(": begun, and not yet brought to a debrief.\n")
    assert len(Record(tmp_path).entries) == 1
    place = next(p for p in again.places("open") if p not in str(again.sheet))
    again.call("open", place)
    came = again.debrief()
    assert not came.supported  # nothing was read
    again.debrief()
    casekit.resume_case(first, 1, tmp_path, Record(tmp_path).variant(first, 1)).debrief()
    (result,) = Record(tmp_path).results(first)
    assert (result.grade, result.minutes) == (2 if came.right else 1 if came.partly else 0, round(came.minutes, 1))
    assert len(Record(tmp_path).entries) == 2
    table = casekit.progress(tmp_path, result.day + timedelta(1)).set_index("case")
    assert (table.stands[first], table.next[first], table.times[first]) == ("due", "due today", 1)
    assert (table.stands.drop(first) == "new").all()
    other = casekit.practice(tmp_path, result.day + timedelta(1))
    assert other.sheet.title == bench.sheet.title
    assert Record(tmp_path).begun(first) == 2


def test_a_deleted_record_does_not_bring_back_a_machine_already_met(tmp_path):
    casekit.practice(tmp_path)
    (tmp_path / FILE).unlink()
    casekit.practice(tmp_path)
    assert [e.seed for e in Record(tmp_path).entries] == [2]


def test_damage_is_told_before_the_case(tmp_path, capsys):
    (tmp_path / FILE).write_text("what is this\n")
    casekit.practice(tmp_path)
    told = f"{tmp_path / FILE}: line 1 is damaged and is left out; the rest counts."
    assert capsys.readouterr().out.splitlines()[0] == told


def test_a_case_opened_by_name_is_no_practice(tmp_path):
    bench = casekit.resume_case("broom-frame-dead", 1, tmp_path)
    bench.call("open", "W42")
    bench.debrief()
    assert not (tmp_path / FILE).exists()
