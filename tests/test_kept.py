"""A case that is kept: opened again it is where it was left, whatever happened to its file meanwhile."""

import inspect
import json
import os
import signal
import subprocess
import sys
from importlib.metadata import version
from pathlib import Path

import pytest
from test_walls import HIDDEN, reachable

import casekit
from casekit import BenchError, ScenarioError
from casekit.bench.sealed import unseal
from casekit.teaching.kept import WRITTEN, Kept
from casekit.teaching.practice import Practice

CASE = "broom-frame-dead"
PAIR = ("B5.1", "G1.-")
READ_ONLY = {"moves", "probe_points", "places", "others", "log", "unit", "picture", "ticks"}


def resumed(folder, seed=None):
    return casekit.resume_case(CASE, seed, folder)


def file_of(folder) -> Path:
    return folder / f"{CASE}.jsonl"


def alike(a, b) -> bool:
    """Log, clock, state, what can be done and reached, and the own list."""
    assert a.log.equals(b.log)
    assert a.events == b.events or repr(a.events) == repr(b.events)  # nan is not equal to itself
    assert (a.clock, a.state, a.closed) == (b.clock, b.state, b.closed)
    assert a.moves().equals(b.moves())
    assert a.probe_points() == b.probe_points()
    assert a.ticks.equals(b.ticks)
    return True


def played(folder):
    """Something of every kind: readings, pictures, hands, jumpers, hints, the list, a call, a repair."""
    bench = resumed(folder)
    bench.key("on")
    bench.volts(*PAIR, expect=5.0)
    bench.scope([PAIR, ("B9.1", "G1.-")], 0.01, (1.0, 2.0), trigger=(2, 1.0, "rising"))
    bench.scan()
    bench.scan_trace(["V1", "V2"], 2.0)
    bench.codes()
    bench.tick("open", "W42", note="both sides?")
    bench.hint()
    bench.amps("W10", "W11")
    bench.zero_clamp()
    bench.look("CP1")
    bench.shift("CP2", "gently", watch=PAIR)
    bench.unplug("B4")
    bench.plug("B4")
    bench.pierce("W10", at=0.25)
    bench.jumper("B1.1", "B1.2", fused=False)
    bench.remove_jumper("B1.1", "B1.2")
    bench.tick("open", "W42", possible=False)
    bench.call("short to ground", "W14")
    return bench


# As it was left ----------------------------------------------------------------------------------------------------


def test_a_case_is_opened_where_it_was_left(tmp_path):
    bench = played(tmp_path)
    again = resumed(tmp_path)
    assert alike(bench, again)
    assert again.reopened == "the case is where you left it: 19 entries in its log."
    assert bench.reopened == ""
    # And it goes on alike: hidden things (drift, where the harness lies, what the unit remembers) are as they were.
    shown = [again.amps("W10").shown, again.volts(*PAIR).shown, again.hint()]
    straight = played(tmp_path / "straight")
    assert shown == [straight.amps("W10").shown, straight.volts(*PAIR).shown, straight.hint()]
    assert alike(straight, resumed(tmp_path))


def test_what_comes_next_is_the_same_as_without_a_break(tmp_path):
    """One bench played through, one opened anew before every call: the same readings to the last digit."""
    straight = casekit.open_case("boom-stops-halfway")
    calls = [
        ("key", "run"), ("volts", "B5.1", "G1.-"), ("operate", "boom"), ("codes",), ("release", "boom"),
        ("shift", "CP1", "hard"), ("notice",), ("amps", "W10"), ("road_test",), ("minmax", "B5.1", "G1.-", 2.0),
    ]  # fmt: skip
    for do, *args in calls:
        getattr(straight, do)(*args)
        getattr(casekit.resume_case("boom-stops-halfway", folder=tmp_path), do)(*args)
    assert alike(straight, casekit.resume_case("boom-stops-halfway", folder=tmp_path))


def test_hints_go_on_where_they_were(tmp_path):
    bench = resumed(tmp_path)
    bench.key("on")
    bench.volts(*PAIR)
    bench.hint()
    resumed(tmp_path).hint()
    assert resumed(tmp_path).log["what"].tolist()[-2:] == ["how much is left", "the next test"]


def test_a_closed_case_stays_closed_and_its_debrief_is_the_same(tmp_path):
    bench = resumed(tmp_path)
    bench.key("on")
    bench.volts(*PAIR)
    bench.tick("short to ground", "W14", possible=False)
    bench.call("short to ground", "W14")
    result = bench.debrief()
    lines = len(file_of(tmp_path).read_text().splitlines())
    assert bench.debrief() is result  # shown again, not written again
    assert len(file_of(tmp_path).read_text().splitlines()) == lines
    again = resumed(tmp_path)
    assert alike(bench, again)
    assert again.debrief() == result
    with pytest.raises(BenchError) as caught:
        again.key("off")
    assert (
        str(caught.value)
        == "this case is closed after its debrief; begin it anew with Start over, or bench.start_over()."
    )
    panel = casekit.panel(again)
    assert "the case is where you left it: 5 entries in its log. the case is closed" in panel.message.value
    assert panel.buttons["Read"].disabled
    assert "You struck off short to ground at W14" in panel.result.value


def test_a_panel_says_that_the_case_was_reopened(tmp_path):
    panel = casekit.panel(resumed(tmp_path))
    assert panel.message.value == ""
    panel.move.value = ("key", "on")
    panel.buttons["Do it"].click()
    panel = casekit.panel(resumed(tmp_path))
    assert "the case is where you left it: 1 entry in its log." in panel.message.value
    assert "key on" in panel.status.value


def test_variants_have_files_of_their_own(tmp_path):
    bench = resumed(tmp_path, 7)
    bench.key("on")
    assert len(resumed(tmp_path).log) == 0
    assert len(resumed(tmp_path, 7).log) == 1
    assert sorted(p.name for p in tmp_path.iterdir()) == [f"{CASE}-7.jsonl", f"{CASE}.jsonl"]


def test_the_folder_is_beside_the_notebook(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr("casekit.teaching.kept.FOLDER", "casekit-logs")
    bench = casekit.resume_case(CASE)
    monkeypatch.chdir("/")
    bench.key("on")
    assert len((tmp_path / "casekit-logs" / f"{CASE}.jsonl").read_text().splitlines()) == 2


def test_a_case_that_is_not_there_leaves_no_file(tmp_path):
    with pytest.raises(ScenarioError, match="there is no case 'broom'"):
        casekit.resume_case("broom", folder=tmp_path)
    with pytest.raises(BenchError) as caught:
        casekit.resume_case(CASE, -1, tmp_path)
    assert str(caught.value) == "the seed is -1; use a whole number from 0, or leave it out."
    assert not list(tmp_path.iterdir())


# What is written ---------------------------------------------------------------------------------------------------


def test_every_public_method_is_written_down_or_changes_nothing():
    public = {name for name, _ in inspect.getmembers(Practice) if not name.startswith("_")} - {"reopened"}
    assert public == set(WRITTEN) | READ_ONLY
    for name in WRITTEN:
        assert inspect.signature(getattr(Kept, name)) == inspect.signature(getattr(Practice, name))
        assert getattr(Kept, name).__doc__ == getattr(Practice, name).__doc__


def test_the_file_is_a_head_and_a_line_a_call(tmp_path):
    bench = resumed(tmp_path)
    bench.key("on")
    reading = bench.volts(*PAIR, expect=5.0)
    head, key, volts = (json.loads(line) for line in file_of(tmp_path).read_text().splitlines())
    assert head == {"casekit log": 1, "case": CASE, "seed": None, "casekit": version("casekit")}
    assert key == {"do": "key", "args": ["on"], "settings": {}, "minute": 0.1, "state": "key on", "shown": []}
    assert volts == {
        "do": "volts", "args": ["B5.1", "G1.-"], "settings": {"expect": 5.0}, "minute": bench.clock, "state": "key on",
        "shown": [reading.shown],
    }  # fmt: skip


def test_one_call_that_makes_another_is_one_line(tmp_path):
    bench = resumed(tmp_path)
    bench.prove()  # turns the key
    assert [json.loads(line).get("do") for line in file_of(tmp_path).read_text().splitlines()] == [None, "prove"]
    assert alike(bench, resumed(tmp_path))


def test_what_was_refused_and_changed_nothing_is_not_written(tmp_path):
    bench = resumed(tmp_path)
    for call in (lambda: bench.volts("B5.1", "B5.1"), lambda: bench.key("start"), lambda: bench.scan(),
                 lambda: bench.debrief(), lambda: bench.tick("open", "nowhere")):  # fmt: skip
        with pytest.raises(BenchError):
            call()
    assert len(file_of(tmp_path).read_text().splitlines()) == 1


def test_what_was_refused_half_way_is_written(tmp_path, monkeypatch):
    """The leads are on and the minutes gone when the reading fails; broken off by hand alike."""
    bench = resumed(tmp_path)
    bench.key("on")
    with monkeypatch.context() as patch:
        patch.setattr(Kept, "_watched", lambda *args: (_ for _ in ()).throw(BenchError("no reading.")))
        with pytest.raises(BenchError, match="no reading"):
            bench.minmax(*PAIR)
        again = resumed(tmp_path)
        assert alike(bench, again)
        assert again.reopened == "the case is where you left it: 2 entries in its log."
    with monkeypatch.context() as patch:
        patch.setattr(Kept, "_watched", lambda *args: (_ for _ in ()).throw(KeyboardInterrupt))
        with pytest.raises(KeyboardInterrupt):
            again.minmax(*PAIR)
    assert json.loads(file_of(tmp_path).read_text().splitlines()[-1])["refused"] == "KeyboardInterrupt"
    assert "line 4, minmax('B5.1', 'G1.-'), came out differently: key on then, key on now" in resumed(tmp_path).reopened


def test_numbers_of_numpy_are_written_and_what_cannot_be_is_refused_before(tmp_path):
    numpy = pytest.importorskip("numpy")
    bench = resumed(tmp_path)
    bench.volts(*PAIR, expect=numpy.float64(5.0))
    bench.scope([list(PAIR)], numpy.float64(0.02), [1.0])
    with pytest.raises(BenchError) as caught:
        bench.volts({"red": 1}, "G1.-")
    assert str(caught.value) == (
        "{'red': 1} cannot be written down in the log; use text, numbers and pairs of them."
    )  # fmt: skip
    assert alike(bench, resumed(tmp_path))


@pytest.mark.parametrize("case", [CASE, "boom-stops-halfway"])
def test_the_file_does_not_hold_the_fault(tmp_path, case):
    """Called wrongly and debriefed, the file says no more than what was asked and shown."""
    bench = casekit.resume_case(case, folder=tmp_path)
    bench.key("on")
    bench.scan()
    bench.hint()
    bench.call("open", "W10")
    bench.debrief()
    text = (tmp_path / f"{case}.jsonl").read_text()
    truth = unseal(bench)
    for fault in truth.specimen.faults:
        bare = getattr(fault, "fault", fault)
        assert bare.kind not in text
        assert f'"{bare.place}"' not in text
    assert truth.explanation[:30] not in text
    assert "Intermittent" not in text


def test_nothing_that_is_kept_leads_to_the_truth(tmp_path):
    """As of any bench: what is reachable from it, logbook and reopened lines included, is not what is sealed."""
    resumed(tmp_path).key("on")
    bench = resumed(tmp_path)
    assert not [thing for thing in reachable(bench, ()) if isinstance(thing, HIDDEN)]


# Beginning anew ----------------------------------------------------------------------------------------------------


def test_starting_over_keeps_the_old_file_aside(tmp_path):
    bench = resumed(tmp_path)
    bench.key("on")
    bench.amps("W10")
    bench.zero_clamp()
    bench.tick("open", "W42")
    old = file_of(tmp_path).read_text()
    assert bench.start_over() == f"begun anew; what was done before is kept in {tmp_path / f'{CASE}.1.jsonl'}"
    assert (tmp_path / f"{CASE}.1.jsonl").read_text() == old
    assert alike(bench, casekit.open_case(CASE))
    assert bench.reopened == ""
    bench.key("on")
    assert alike(bench, resumed(tmp_path))
    bench.start_over()
    assert sorted(p.name for p in tmp_path.iterdir()) == [f"{CASE}.1.jsonl", f"{CASE}.2.jsonl", f"{CASE}.jsonl"]


# Killed ------------------------------------------------------------------------------------------------------------

KILLED = """
import sys, casekit
bench = casekit.resume_case("broom-frame-dead", folder=sys.argv[1])
print("open", flush=True)
bench.key("on")
while True:
    print(repr(bench.volts("B5.1", "G1.-")), flush=True)
"""


def test_a_kernel_that_is_killed_loses_nothing_it_showed(tmp_path):
    """kill -9 while it takes readings, three times over: all that was shown is there again, and at most one more."""
    shown, before = [], 0
    for after in (3, 8, 1):
        with subprocess.Popen([sys.executable, "-c", KILLED, str(tmp_path)], stdout=subprocess.PIPE, text=True) as run:
            assert run.stdout.readline() == "open\n"
            for _ in range(after):
                shown.append(run.stdout.readline().strip())
            os.kill(run.pid, signal.SIGKILL)
            shown += [line.strip() for line in run.stdout if line.endswith("\n")]
        bench = resumed(tmp_path)
        readings = [repr(e) for e in bench.events if hasattr(e, "shown")]
        assert readings[: len(shown)] == shown
        assert len(readings) <= len(shown) + 1
        assert len(shown) >= before + after
        shown, before = readings, len(readings)
        assert "differently" not in bench.reopened
        assert "then" not in bench.reopened
