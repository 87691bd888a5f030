"""The walls of the house: imports run downward, reasoning never meets the truth, nothing at hand says it."""

import ast
import gc
import io
import subprocess
import sys
import traceback
import types
from contextlib import redirect_stdout
from functools import cache
from pathlib import Path

import pandas as pd
import pytest

import casekit
from casekit import BenchError
from casekit.bench.memory import Memory
from casekit.bench.meter import Meter
from casekit.bench.sealed import Truth, unseal
from casekit.bench.specimen import Specimen
from casekit.files import library
from casekit.files.casefile import CaseFile
from casekit.machine.faults import Fault
from casekit.machine.intermittent import Intermittent
from casekit.machine.machine import Machine
from casekit.machine.motion import Presence
from casekit.reasoning import advice, evidence

PACKAGE = Path(casekit.__file__).parent
SCREENS = ("ipywidgets", "IPython", "schemdraw", "matplotlib")
FLOORS = ["error", "files", "machine", "circuit", "bench", "reasoning", "teaching", "service", "classroom",
          "classcommand", "command"]  # fmt: skip


def imports(path: Path) -> set[str]:
    found = set()
    for node in ast.walk(ast.parse(path.read_text())):
        if isinstance(node, ast.ImportFrom) and node.module:
            found |= {node.module} | {f"{node.module}.{alias.name}" for alias in node.names}
        elif isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
    return {name for name in found if name.split(".")[0] in ("casekit", *SCREENS, "pandas")}


MODULES = [p for p in sorted(PACKAGE.rglob("*.py")) if p.parent != PACKAGE or p.stem not in ("__init__",)]


@pytest.mark.parametrize("path", MODULES, ids=lambda p: p.relative_to(PACKAGE).as_posix())
def test_imports_run_downward(path):
    floor = FLOORS.index(path.relative_to(PACKAGE).with_suffix("").parts[0])
    for name in imports(path):
        parts = name.split(".")
        if parts[0] == "casekit" and len(parts) > 1 and parts[1] in FLOORS:
            assert FLOORS.index(parts[1]) <= floor, f"{path.name} imports {name} from above"
        if parts[0] in SCREENS:
            assert FLOORS[floor] == "teaching", f"{path.name} imports {name}"


@pytest.mark.parametrize("path", sorted((PACKAGE / "reasoning").glob("*.py")), ids=lambda p: p.name)
def test_reasoning_does_not_import_the_truth(path):
    forbidden = ("casekit.files", "casekit.machine.drawn", "casekit.machine.casefaults", "casekit.machine.intermittent")
    assert not [name for name in imports(path) if name.startswith(forbidden)]
    # Of the bench it knows what a reading is, how exact the meter, what handling costs and what a load draws: constants
    # and laws, no truth.
    bench = {name for name in imports(path) if name.startswith("casekit.bench")}
    assert {name.split(".")[2] for name in bench if name != "casekit.bench"} <= {"reading", "meter", "minutes", "loads"}


def loaded(*names: str) -> set[str]:
    """All modules that are there once these were imported in a fresh interpreter."""
    code = "import sys, types; sys.modules['casekit'] = p = types.ModuleType('casekit'); p.__path__ = [sys.argv[1]]; "
    code += f"import {', '.join(names)}; print(*sys.modules)"
    done = subprocess.run([sys.executable, "-c", code, str(PACKAGE)], capture_output=True, text=True, check=True)
    assert set(names) <= set(done.stdout.split())
    return set(done.stdout.split())


HIDDEN_MODULES = {
    f"casekit.bench.{name}" for name in ("sealed", "specimen", "memory", "view", "chatter", "workplace", "bench")
}


def test_reasoning_pulls_in_no_hidden_module():
    """Imported in a fresh interpreter, reasoning has loaded neither the truth nor what holds it."""
    assert not HIDDEN_MODULES & loaded("casekit.reasoning.evidence", "casekit.reasoning.lookalike")


def test_what_reasoning_shares_with_the_bench_pulls_in_no_hidden_module():
    """The control unit's rules stand on the machine alone; what may be used of the bench leads to nothing hidden."""
    rules = loaded("casekit.machine.rules")
    floors = {name.split(".")[1] for name in rules if name.startswith("casekit.")}
    assert floors <= {"error", "machine"}
    assert not {f"casekit.machine.{name}" for name in ("casefaults", "drawn", "faults", "intermittent")} & rules
    shared = loaded(*(f"casekit.bench.{name}" for name in ("reading", "meter", "minutes", "loads")))
    assert not HIDDEN_MODULES & shared


@pytest.mark.parametrize("path", MODULES, ids=lambda p: p.relative_to(PACKAGE).as_posix())
def test_files_stay_small(path):
    assert len(path.read_text().splitlines()) < 400


def reachable(start: object, stop: tuple[type, ...]) -> list[object]:
    """Everything an object refers to, not going through modules, classes and functions."""
    seen, todo, found = set(), [start], []
    while todo:
        thing = todo.pop()
        if id(thing) in seen or isinstance(thing, (types.ModuleType, type, types.FunctionType, types.MethodType)):
            continue
        seen.add(id(thing))
        found.append(thing)
        if not isinstance(thing, stop):
            todo += gc.get_referents(thing)
    return found


HIDDEN = (Truth, Specimen, Memory, Meter, Intermittent, Presence, CaseFile, *Fault.__args__)


@cache
def used(name: str) -> tuple[object, list[object], list[BenchError]]:
    """A bench on which everything was done that shows something, what it gave back, and what it refused."""
    bench = casekit.open_case(name)
    point, plugs = bench.drawing.contact_points[-1].name, [p for p in bench.drawing.plugs if p.kind == "sensor"]
    pair = (f"{plugs[0].name}.1", "G1.-")
    given, errors = [bench, bench.sheet, bench.picture, casekit.list_cases()], []
    bench.key("on")
    for move in (
        lambda: bench.volts(*pair), lambda: bench.millivolts(*pair), lambda: bench.continuity(*pair),
        lambda: bench.minmax(*pair, 2), lambda: bench.lamp("G1.+", "G1.-"), lambda: bench.loaded(*pair, 500),
        lambda: bench.amps("W10"), lambda: bench.scope([pair], 0.01), lambda: bench.scan(), lambda: bench.codes(),
        lambda: bench.scan_trace(["V1"], 2.0), lambda: bench.snapshot(bench.drawing.program.channels[0].low_code),
        lambda: bench.notice(), lambda: bench.shift(point, "gently", pair), lambda: bench.key("run"),
        lambda: bench.operate("load"), lambda: bench.volts(*pair), lambda: bench.notice(), lambda: bench.key("off"),
        lambda: bench.unplug(plugs[1].name), lambda: bench.look(plugs[1].name), lambda: bench.look(point),
        lambda: bench.rock(pair), lambda: bench.moves(),
        lambda: bench.volts("W14", "G1.-"), lambda: bench.look("W14x"), lambda: bench.call("open", "nowhere"),
        lambda: bench.prove(), lambda: bench.scan(), lambda: bench.scope([pair], 99.0), lambda: bench.probe_points(),
        lambda: bench.call("short to ground", "X1.5"), lambda: bench.log, lambda: bench.events, lambda: vars(bench),
    ):  # fmt: skip
        try:
            given.append(move())
        except BenchError as error:
            errors.append(error)
    assert len(given) > 25
    assert len(errors) >= 6
    return bench, given, errors


def test_what_reasoning_is_given_does_not_lead_to_the_truth(monkeypatch):
    """The object graph of its arguments holds neither the sealed truth nor the faulty machine nor a fault."""
    given = []
    for module in ("support", "hint"):
        monkeypatch.setattr(
            f"casekit.teaching.{module}.weigh", lambda *args: given.append(args) or evidence.weigh(*args)
        )
    monkeypatch.setattr(
        "casekit.teaching.debrief.advise", lambda *args, **how: given.append(args) or advice.advise(*args, **how)
    )
    bench = casekit.open_case("broom-frame-dead")
    bench.key("on")
    bench.volts("B5.1", "G1.-")
    truth = unseal(bench)
    bench.hint()
    bench.call("open", "W42")
    assert bench.debrief().moves
    held = reachable(given, ())
    assert len(given) >= 3
    assert not [thing for thing in held if isinstance(thing, HIDDEN)]
    assert {id(thing) for thing in held if isinstance(thing, Machine)} == {id(bench.drawing)}
    assert truth.specimen.machine != bench.drawing


@pytest.mark.parametrize("case", ["broom-frame-dead", "boom-stops-halfway", "level-gauge-still-works"])
def test_nothing_in_the_trainees_hands_leads_to_the_truth(case):
    """Neither the bench nor anything it gave, kept together, refers to what is sealed, before the debrief."""
    bench, given, errors = used(case)
    held = reachable([*given, *((e.args, vars(e)) for e in errors)], ())
    assert not [thing for thing in held if isinstance(thing, HIDDEN)]
    assert {id(thing) for thing in held if isinstance(thing, Machine)} == {id(bench.drawing)}
    truth = unseal(bench)
    assert not {truth.explanation, *truth.lessons} & {thing for thing in held if isinstance(thing, str)}
    assert "sealed" in repr(truth)
    assert repr(truth.specimen) == "<the machine on the bench>"


@pytest.mark.parametrize("case", library.names("cases"))
def test_nothing_in_the_trainees_hands_prints_the_fault(case):
    """Every text a trainee can get out of a bench before the debrief, wrong moves and tracebacks included; the fault
    is not at the places looked at."""
    bench, given, errors = used(case)
    said = io.StringIO()
    with redirect_stdout(said), pd.option_context("display.max_rows", None, "display.max_colwidth", None):
        for thing in given:
            print(thing, repr(thing), thing.to_string() if isinstance(thing, pd.DataFrame) else "")
        print(
            bench.sheet._repr_html_(), bench.picture.svg, bench.__dict__.keys(), unseal(bench), unseal(bench).specimen
        )
        for error in errors:
            print(error, repr(error), *traceback.format_exception(error))
    text = said.getvalue()
    for fault in unseal(bench).specimen.faults:
        inner = fault.fault if isinstance(fault, Intermittent) else fault
        for giveaway in (
            unseal(bench).explanation[:40], f"{inner.kind} {inner.place}", f"{inner.kind} at {inner.place}",
            type(inner).__name__, "Intermittent", "gap_mm", f"{inner.place}@", f"{inner.place} 0-", f"'{inner.kind}'",
        ):  # fmt: skip
            assert giveaway not in text


@pytest.mark.parametrize(
    "reading",
    [
        lambda b: b.volts("B5.1", "G1.-"), lambda b: b.ohms("B5.1", "G1.-"), lambda b: b.lamp("B5.1", "G1.-"),
        lambda b: b.loaded("B5.1", "G1.-"),
    ],
)  # fmt: skip
def test_the_solvers_sentences_do_not_reach_the_trainee(monkeypatch, reading):
    """An error from inside names parts of the sealed machine; the trainee gets another sentence."""

    def fails(*args):
        raise casekit.CircuitError("the circuit around short to ground W14 has no single solution")

    bench = casekit.open_case("broom-frame-dead")
    monkeypatch.setattr("casekit.bench.meter.points", fails)
    monkeypatch.setattr("casekit.bench.instruments.points", fails)
    with pytest.raises(BenchError) as caught:
        reading(bench)
    assert str(caught.value) == ("no reading between B5.1 and G1.-: try other points; this one has no answer.")
    assert "short to ground" not in "".join(traceback.format_exception(caught.value))
    assert bench.log.empty
    assert bench.clock == 0.0


def test_a_picture_that_cannot_be_solved_is_refused(monkeypatch):
    def fails(*args, **more):
        raise casekit.CircuitError("two faults that come and go share a part of the harness; place them apart.")

    bench = casekit.open_case("broom-frame-dead")
    bench.key("on")
    monkeypatch.setattr("casekit.bench.instruments.scene", fails)
    monkeypatch.setattr("casekit.bench.chatter.scene", fails)
    for picture in (lambda: bench.scope([("B5.1", "G1.-")]), lambda: bench.scan_trace(["V1"])):
        with pytest.raises(BenchError) as caught:
            picture()
        assert str(caught.value) == "the picture does not stand still: the circuit switches faster than the screen."
        assert len(bench.log) == 1
        assert bench.clock == pytest.approx(0.1)
    assert bench.minmax("B5.1", "G1.-", 2).shown.endswith(" V")  # what does not need it still works
