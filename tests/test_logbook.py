"""The file of a kept case: every trouble with it is told in a sentence, and costs nothing else."""

import json
from pathlib import Path

import pytest
from test_kept import CASE, PAIR, alike, file_of, resumed

from casekit import BenchError, ScenarioError
from casekit.teaching import logbook


def left(folder):
    """A file with four lines, its bench gone."""
    bench = resumed(folder)
    bench.key("on")
    bench.volts(*PAIR)
    bench.key("off")
    return file_of(folder)


def test_a_last_line_cut_short_is_left_out(tmp_path):
    file = left(tmp_path)
    whole = file.read_bytes()
    for cut in (3, 30):
        file.write_bytes(whole[:-cut])
        bench = resumed(tmp_path)
        assert bench.reopened == (
            "the case is where you left it: 2 entries in its log; the last line was cut short and is left out."
        )  # fmt: skip
        assert len(bench.log) == 2
        assert file.read_bytes().endswith(b"\n")
        bench.key("off")
        assert resumed(tmp_path).reopened == "the case is where you left it: 3 entries in its log."
        assert file.read_bytes() == whole


def test_a_last_line_that_only_lacks_its_end_is_kept(tmp_path):
    file = left(tmp_path)
    whole = file.read_bytes()
    file.write_bytes(whole[:-1])
    assert resumed(tmp_path).reopened == "the case is where you left it: 3 entries in its log."
    assert file.read_bytes() == whole


def test_zeros_at_the_end_are_left_out(tmp_path):
    file = left(tmp_path)
    file.write_bytes(file.read_bytes() + bytes(40))
    assert resumed(tmp_path).reopened == (
        "the case is where you left it: 3 entries in its log; the last line was cut short and is left out."
    )


def test_a_file_that_was_never_begun_is_begun(tmp_path):
    file = left(tmp_path)
    head = file.read_bytes().split(b"\n")[0]
    for begun in (b"", head[:20], head):
        file.write_bytes(begun)
        bench = resumed(tmp_path)
        assert bench.reopened == ""
        assert file.read_bytes() == head + b"\n"


@pytest.mark.parametrize(
    "line",
    [
        "###", '{"do": "key", "args": ["o', "[1, 2]", '{"do": "key"}', "\ud800", "[" * 100_000,
        '{"do": "_pass", "args": [5], "settings": {}, "minute": 0, "shown": []}',
        '{"do": "start_over", "args": [], "settings": {}, "minute": 0, "shown": []}',
        '{"do": "key", "args": ["on", 2, 3], "settings": {}, "minute": 0, "shown": []}',
        '{"do": "key", "args": [], "settings": [], "minute": 0, "shown": []}',
        '{"do": "scan_trace", "args": [["V1"], 2, null, {"x": 1}], "settings": {}, "minute": 0, "shown": []}',
    ],
)  # fmt: skip
def test_a_damaged_line_costs_only_itself(tmp_path, line):
    file = left(tmp_path)
    lines = file.read_bytes().split(b"\n")
    lines.insert(2, line.encode("utf-8", "surrogatepass"))
    file.write_bytes(b"\n".join(lines))
    bench = resumed(tmp_path)
    assert bench.reopened == "the case is where you left it: 3 entries in its log; line 3 is damaged and is left out."
    assert len(bench.log) == 3


def test_a_foreign_file_is_left_alone(tmp_path):
    for text in ("minute,action\n0.1,key on\n", "no end of line", '{"case": "x"}\n', '{"casekit log": true}\n'):
        file_of(tmp_path).write_text(text)
        with pytest.raises(ScenarioError) as caught:
            resumed(tmp_path)
        assert str(caught.value) == (
            f"{file_of(tmp_path)}:1: this is not a log of casekit; move the file away, or name another folder with "
            "folder=."
        )
        assert file_of(tmp_path).read_text() == text


@pytest.mark.parametrize(
    ("head", "sentence"),
    [
        (
            '{"casekit log": 1, "case": "oil-and-boost-low", "seed": 3, "casekit": "0.1.0"}',
            f"this is the log of oil-and-boost-low with seed 3, not of {CASE}; move the file away, or name another "
            "folder with folder=.",
        ),
        (
            '{"casekit log": 3, "case": "broom-frame-dead", "seed": null, "casekit": "9.0"}',
            "this log was written by casekit 9.0 in format 3, and this one reads format 2; open it with a newer "
            "casekit, or name another folder with folder=.",
        ),
    ],
    ids=["another case", "newer format"],
)
def test_a_log_that_cannot_be_read_here_is_refused(tmp_path, head, sentence):
    file = file_of(tmp_path)
    file.write_text(head + "\n")
    with pytest.raises(ScenarioError) as caught:
        resumed(tmp_path)
    assert str(caught.value) == f"{file}:1: {sentence}"


OPEN = Path.open


def read_only(path, *args, **settings):
    """As Path.open where logs are in a read-only folder; for root nothing is read-only."""
    if path.suffix == ".jsonl":
        raise PermissionError(13, "Permission denied")
    return OPEN(path, *args, **settings)


def test_a_folder_that_cannot_be_written_is_told_at_once(tmp_path, monkeypatch):
    (tmp_path / "file").write_text("")
    with pytest.raises(ScenarioError) as caught:
        resumed(tmp_path / "file")
    assert str(caught.value) == (
        f"{file_of(tmp_path / 'file')}: nothing can be written here (File exists); name another folder with folder=."
    )

    monkeypatch.setattr(Path, "open", read_only)
    with pytest.raises(ScenarioError) as caught:
        resumed(tmp_path)
    assert str(caught.value) == (
        f"{file_of(tmp_path)}: nothing can be written here (Permission denied); name another folder with folder=."
    )


def test_a_folder_that_becomes_read_only_stops_the_bench_before_anything_is_done(tmp_path, monkeypatch):
    bench = resumed(tmp_path)
    with monkeypatch.context() as patch:
        patch.setattr(Path, "open", read_only)
        with pytest.raises(BenchError) as caught:
            bench.key("on")
    assert str(caught.value) == (
        f"{file_of(tmp_path)}: nothing can be written here (Permission denied); name another folder with folder=."
    )
    assert bench.log.empty
    bench.key("on")
    assert alike(bench, resumed(tmp_path))


def test_a_full_disk_loses_nothing(tmp_path, monkeypatch):
    bench = resumed(tmp_path)
    bench.key("on")

    def full(file):
        raise OSError(28, "No space left on device")

    with monkeypatch.context() as patch:
        patch.setattr(logbook.os, "fsync", full)
        with pytest.raises(BenchError) as caught:
            bench.volts(*PAIR)
        assert str(caught.value) == (
            f"{file_of(tmp_path)}: what was done last could not be written down (No space left on device); make room "
            "there: it is written before the next thing is done."
        )
        with pytest.raises(BenchError):
            bench.key("off")
        assert bench.state.key == "on"
    assert len(resumed(tmp_path).log) == 1
    bench.key("off")
    again = resumed(tmp_path)
    assert alike(bench, again)
    assert again.reopened == "the case is where you left it: 3 entries in its log."


def test_a_reading_that_comes_out_differently_is_told_and_the_rest_goes_on(tmp_path):
    file = left(tmp_path)
    lines = file.read_text().splitlines()
    shown = json.loads(lines[2])["shown"][0]
    lines[2] = lines[2].replace(shown, "4.98 V")
    file.write_text("\n".join(lines) + "\n")
    bench = resumed(tmp_path)
    assert bench.reopened == (
        "the case is where you left it: 3 entries in its log; "
        "line 3, volts('B5.1', 'G1.-'), showed 4.98 V then and shows "
        f"{shown} now."
    )
    assert len(bench.log) == 3
    minute = json.loads(lines[3])["minute"]
    lines[2] = lines[2].replace("4.98 V", shown)
    lines[3] = lines[3].replace(f'"minute": {minute}', '"minute": 9.9')
    file.write_text("\n".join(lines) + "\n")
    assert resumed(tmp_path).reopened == (
        f"the case is where you left it: 3 entries in its log; "
        f"line 4, key('off'), ended at minute 9.9 then and at {minute:.1f} now."
    )


def test_what_can_no_longer_be_done_is_told(tmp_path):
    file = left(tmp_path)
    file.write_text(file.read_text().replace('"volts", "args": ["B5.1"', '"volts", "args": ["B55.1"'))
    said = resumed(tmp_path).reopened
    assert said.startswith(
        "the case is where you left it: 2 entries in its log; "
        "line 3, volts('B55.1', 'G1.-'), cannot be done now: "
        "'B55.1' is not a point a lead can reach on this machine now."
    )


def test_many_troubles_are_counted(tmp_path):
    file = left(tmp_path)
    file.write_text(file.read_text() + "###\n" * 5)
    assert resumed(tmp_path).reopened == (
        "the case is where you left it: 3 entries in its log; "
        "line 5 is damaged and is left out; line 6 is damaged and is left out; "
        "line 7 is damaged and is left out; 2 more lines came out differently or are left out."
    )


def test_two_benches_do_not_write_one_file(tmp_path):
    first = resumed(tmp_path)
    first.key("on")
    second = resumed(tmp_path)
    second.volts(*PAIR)
    for refused in (lambda: first.key("off"), first.start_over):
        with pytest.raises(BenchError) as caught:
            refused()
        assert str(caught.value) == (
            f"{file_of(tmp_path)}: another bench has written here since this one was opened; go on with that one, or "
            "load the page or run the cells again."
        )
    assert len(first.log) == 1
    second.key("off")
    assert alike(second, resumed(tmp_path))


def test_another_bench_at_work_is_not_disturbed(tmp_path, monkeypatch):
    pytest.importorskip("fcntl")
    bench, other = resumed(tmp_path), resumed(tmp_path)
    sentence = f"{file_of(tmp_path)}: another bench is writing here now; go on with that one."
    said = []

    def meanwhile(self):
        for intrude in (lambda: other.key("on"), lambda: resumed(tmp_path)):
            with pytest.raises(BenchError) as caught:
                intrude()
            said.append(str(caught.value))

    with monkeypatch.context() as patch:
        patch.setattr(bench, "_open_for_work", lambda: meanwhile(bench))
        bench.key("on")
    assert said == [sentence] * 2


def test_a_file_that_was_taken_away_is_told(tmp_path):
    bench = resumed(tmp_path)
    file_of(tmp_path).rename(tmp_path / "elsewhere")
    with pytest.raises(BenchError) as caught:
        bench.key("on")
    assert str(caught.value) == (
        f"{file_of(tmp_path)}: the log is no longer here; put it back, or load the page or run the cells again."
    )
    (tmp_path / "elsewhere").rename(file_of(tmp_path))
    bench.key("on")
