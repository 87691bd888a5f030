"""The learner's record: read, damaged, deleted, and never half written."""

from datetime import date

import pytest

from casekit import ScenarioError
from casekit.teaching.record import FILE, Entry, Record

DAY = date(2026, 3, 1)


def kept(folder):
    """One case solved twice and handed out a third time, one failed."""
    for entry in (
        Entry("a", 1, DAY),
        Entry("a", 1, DAY, 4, 12.0),
        Entry("b", 1, DAY),
        Entry("b", 1, DAY, 1, 50.0),
        Entry("a", 2, date(2026, 3, 2)),
        Entry("a", 2, date(2026, 3, 2), 4, 9.0),
        Entry("a", 3, date(2026, 3, 8)),
    ):
        Record(folder).add(entry)
    return Record(folder)


def test_what_was_done_is_there_again(tmp_path):
    found = kept(tmp_path / "new")
    assert found.cases == ["a", "b"]
    assert not found.troubles
    assert [(e.seed, e.grade, e.minutes) for e in found.results("a")] == [(1, 4, 12.0), (2, 4, 9.0)]
    assert (found.begun("a"), found.begun("b"), found.unused("a"), found.unused("c")) == (3, None, 4, 1)
    assert found.due_on("a") == date(2026, 3, 8)  # SM-2: six days after the second time
    assert found.due_on("b") == date(2026, 3, 2)
    assert found.due_on("c") is None


def test_anybody_can_read_it(tmp_path):
    kept(tmp_path)
    lines = (tmp_path / FILE).read_text().splitlines()
    assert lines[0] == '{"case": "a", "seed": 1, "day": "2026-03-01"}'
    assert lines[5] == (
        '{"case": "a", "seed": 2, "day": "2026-03-02", "grade": 4, "minutes": 9.0, "next": "2026-03-08"}'
    )


def test_a_variant_counts_once(tmp_path):
    found = kept(tmp_path)
    found.add(Entry("a", 2, date(2026, 3, 9), 0, 1.0))
    assert [e.grade for e in Record(tmp_path).results("a")] == [4, 4]


def test_deleted_it_begins_anew(tmp_path):
    kept(tmp_path).path.unlink()
    found = Record(tmp_path)
    assert not found.entries
    assert not found.troubles
    assert found.unused("a") == 1


@pytest.mark.parametrize(
    "line", [b'{"case": "a"', b"\xff\xfe", b"[1]", b'{"case": "a", "seed": -1, "day": "2026-03-01"}',
             b'{"case": "a", "seed": 1, "day": "2026-03-01", "grade": 6, "minutes": 1}',
             b'{"case": "a", "seed": 1, "day": "soon"}', b'{"case": "a", "seed": true, "day": "2026-03-01"}'],
)  # fmt: skip
def test_a_damaged_line_is_told_and_the_rest_is_kept(tmp_path, line):
    path = kept(tmp_path).path
    whole = path.read_bytes().splitlines()
    path.write_bytes(b"\n".join([whole[0], line, *whole[2:]]))
    found = Record(tmp_path)
    assert found.troubles == [f"{path}: line 2 is damaged and is left out; the rest counts."]
    assert [e.grade for e in found.results("a")] == [4]
    assert found.due_on("b") == date(2026, 3, 2)
    found.add(Entry("c", 1, DAY))
    assert Record(tmp_path).cases == ["a", "b", "c"]
    assert line in path.read_bytes()


def test_a_write_that_fails_leaves_the_file_as_it_was(tmp_path, monkeypatch):
    found = kept(tmp_path)
    before = found.path.read_bytes()

    def full(*args):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("os.replace", full)
    with pytest.raises(ScenarioError) as err:
        found.add(Entry("c", 1, DAY))
    said = "the record of your practice cannot be written (No space left on device); name another folder."
    assert str(err.value) == f"{found.path}: {said}"
    assert found.path.read_bytes() == before
    assert [p.name for p in tmp_path.iterdir()] == [FILE]


def test_a_record_that_cannot_be_read_says_so(tmp_path):
    (tmp_path / FILE).mkdir()
    with pytest.raises(ScenarioError) as err:
        Record(tmp_path)
    said = "the record of your practice cannot be read (Is a directory); name another folder."
    assert str(err.value) == f"{tmp_path / FILE}: {said}"
