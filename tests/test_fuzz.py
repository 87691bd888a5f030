"""Wire lists, case files and notes with anything in them: read, or refused in sentences, never a traceback.

Hypothesis draws them, the same ones every time.
"""

import csv
import io

import pytest
import yaml
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from casekit.error import ScenarioError
from casekit.files import library
from casekit.files.check import read_case
from casekit.files.notes import read_notes
from casekit.teaching.again import do_again
from casekit.teaching.classlog import sorted_out
from casekit.teaching.sketched import sketch

FEW = settings(
    max_examples=120, deadline=None, derandomize=True, database=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)  # fmt: skip
GOOD = """part,type,pin,unit pin,supply,colour,connector,length_m
B1,pressure,1,X1.1,V1,red,X11.1,2.0
B1,pressure,2,X1.2,,blue,X11.2,2.0
B1,pressure,3,X1.3,,brown,X11.3,2.0
B2,potentiometer,1,X1.1,V1,red,,1.5
B2,potentiometer,2,X1.4,,green,,1.5
B2,potentiometer,3,X1.3,,brown,,1.5
B3,thermistor,1,X1.5,,white,,1.0
B3,thermistor,2,X1.3,,brown,,1.0
"""
CELL = st.one_of(
    st.text(max_size=12), st.sampled_from(["", "B1", "B2", "X1.1", "X1.99", "X11.1", "-1", "0", "1e9", "nan", "inf",
                                           "pressure", "hall", "V1", "1.5", "1,5", "=A1", "é", "\x00", "x" * 300]),
)  # fmt: skip
VALUE = st.recursive(
    st.none() | st.booleans() | st.integers(-5, 5) | st.floats(allow_nan=True) | st.text(max_size=8)
    | st.sampled_from(["W11", "B4", "X11.3", "short to ground", "open", "CP1", "street-sweeper", "P0642"]),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=5), inner, max_size=3), max_leaves=5,
)  # fmt: skip


def in_sentences(caught: ScenarioError) -> None:
    """Every problem is one line that ends as a sentence does."""
    assert caught.problems
    for text in caught.problems:
        assert "\n" not in text
        assert text[-1] in ".?)"
        assert "Traceback" not in text


@FEW
@given(
    changes=st.lists(st.tuples(st.integers(0, 8), st.integers(0, 7), CELL), max_size=6),
    drop=st.sets(st.integers(0, 8), max_size=3),
)
def test_wire_lists(tmp_path, changes, drop):
    rows = list(csv.reader(io.StringIO(GOOD)))
    for row, column, text in changes:
        rows[row][column] = text
    path = tmp_path / "any.csv"
    out = io.StringIO()
    csv.writer(out).writerows(row for k, row in enumerate(rows) if k not in drop)
    path.write_bytes(out.getvalue().encode("utf-8", "surrogatepass"))
    try:
        made = sketch(path, "any")
    except ScenarioError as err:
        in_sentences(err)
    else:
        assert "<svg" in made.picture.svg
        again = tmp_path / "any.yaml"
        made.save(again, over=True)
        from casekit.files.check import read_machine

        assert read_machine(again) == made.machine


@FEW
@given(content=st.binary(max_size=400), ending=st.sampled_from([".csv", ".xlsx"]))
def test_files_that_are_no_wire_list(tmp_path, content, ending):
    path = tmp_path / f"any{ending}"
    path.write_bytes(content)
    with pytest.raises(ScenarioError) as caught:
        sketch(path, "any")
    in_sentences(caught.value)


@FEW
@given(data=st.data())
def test_case_files(tmp_path, data):
    case = yaml.safe_load((library.scenario_folder() / "cases" / "oil-and-boost-low.yaml").read_text())
    machines = {"street-sweeper": library.machine_file("street-sweeper")}
    for _ in range(data.draw(st.integers(1, 4))):
        here, key = case, data.draw(st.sampled_from([*case, "other"]))
        if (
            isinstance(case.get(key), list)
            and case[key]
            and isinstance(case[key][0], dict)
            and data.draw(st.booleans())
        ):
            here, key = case[key][0], data.draw(st.sampled_from([*case[key][0], "r_ohm", "at", "to", "when"]))
        if data.draw(st.booleans()):
            here.pop(key, None)
        else:
            here[key] = data.draw(VALUE)
    path = tmp_path / "oil-and-boost-low.yaml"
    path.write_text(yaml.safe_dump(case, allow_unicode=True), encoding="utf-8")
    try:
        read_case(path, machines)
    except ScenarioError as err:
        in_sentences(err)


@FEW
@given(content=st.binary(max_size=300))
def test_files_that_are_no_case_and_no_notes(tmp_path, content):
    path = tmp_path / "any.yaml"
    path.write_bytes(content)
    for read in (lambda p: read_case(p, {}), read_notes):
        with pytest.raises(ScenarioError) as caught:
            read(path)
        in_sentences(caught.value)


@FEW
@given(content=st.lists(st.binary(max_size=80) | st.sampled_from([
    b'{"casekit log": 1, "case": "oil-and-boost-low", "seed": null}',
    b'{"do": "key", "args": ["on"], "settings": {}, "minute": 1.0, "state": "key on", "shown": []}',
    b'{"do": "volts", "args": [["B9.1"], {"push": 3}], "settings": {}, "minute": 1.0, "state": "", "shown": []}',
    b'{"do": "__init__", "args": [], "settings": {}, "minute": 1.0, "state": "", "shown": []}',
    b'{"casekit log": 1, "case": 3, "seed": "x", "variant": -1, "trainee": ["a"]}',
]), max_size=5))  # fmt: skip
def test_logs(tmp_path, content):
    for old in tmp_path.glob("T01/*"):
        old.unlink()
    (tmp_path / "T01").mkdir(exist_ok=True)
    (tmp_path / "T01" / "oil-and-boost-low.jsonl").write_bytes(b"\n".join(content))
    found, troubles = sorted_out(tmp_path)
    assert len(found) + len(troubles) >= 1
    bench = BENCH[0] if BENCH else BENCH.append(__import__("casekit").open_case("oil-and-boost-low")) or BENCH[0]
    for log in found:
        for line in log.lines:
            if line.do not in ("road_test", "warm_up"):
                do_again(bench, line)


BENCH: list = []
