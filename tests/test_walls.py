"""The walls of the house: imports run downward, reasoning never meets the truth, nothing at hand says it."""

import ast
import gc
import io
import types
from contextlib import redirect_stdout
from pathlib import Path

import pytest

import casekit
from casekit import BenchError
from casekit.bench.meter import Meter
from casekit.bench.sealed import Truth, unseal
from casekit.reasoning import evidence

PACKAGE = Path(casekit.__file__).parent
FLOORS = ["error", "files", "machine", "circuit", "bench", "reasoning", "teaching", "command"]


def imports(path: Path) -> set[str]:
    found = set()
    for node in ast.walk(ast.parse(path.read_text())):
        if isinstance(node, ast.ImportFrom) and node.module:
            found |= {node.module} | {f"{node.module}.{alias.name}" for alias in node.names}
        elif isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
    return {name for name in found if name.split(".")[0] in ("casekit", "ipywidgets", "IPython", "schemdraw", "pandas")}


MODULES = [p for p in sorted(PACKAGE.rglob("*.py")) if p.parent != PACKAGE or p.stem not in ("__init__",)]


@pytest.mark.parametrize("path", MODULES, ids=lambda p: p.relative_to(PACKAGE).as_posix())
def test_imports_run_downward(path):
    floor = FLOORS.index(path.relative_to(PACKAGE).with_suffix("").parts[0])
    for name in imports(path):
        parts = name.split(".")
        if parts[0] == "casekit" and len(parts) > 1 and parts[1] in FLOORS:
            assert FLOORS.index(parts[1]) <= floor, f"{path.name} imports {name} from above"
        if parts[0] in ("ipywidgets", "IPython", "schemdraw"):
            assert FLOORS[floor] == "teaching", f"{path.name} imports {name}"


@pytest.mark.parametrize("path", sorted((PACKAGE / "reasoning").glob("*.py")), ids=lambda p: p.name)
def test_reasoning_does_not_import_the_truth(path):
    forbidden = ("casekit.bench.sealed", "casekit.bench.bench", "casekit.files", "casekit.machine.drawn")
    assert not [name for name in imports(path) if name.startswith(forbidden)]


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


def test_what_reasoning_is_given_does_not_lead_to_the_truth(monkeypatch):
    """The object graph of its arguments holds neither the sealed truth nor the faulty machine nor a fault."""
    given = []
    monkeypatch.setattr("casekit.teaching.debrief.weigh", lambda *args: given.append(args) or evidence.weigh(*args))
    bench = casekit.open_case("broom-frame-dead")
    bench.key("on")
    bench.volts("B5.1", "G1.-")
    truth = unseal(bench)
    bench.call("open", "W42")
    bench.debrief()
    held = reachable(given, ())
    assert not [thing for thing in held if isinstance(thing, (Truth, Meter))]
    assert truth.machine not in [t for t in held if isinstance(t, type(truth.machine))]
    assert not [thing for thing in held if isinstance(thing, type(truth.faults[0]))]


def test_the_bench_does_not_hold_the_truth():
    bench = casekit.open_case("broom-frame-dead")
    assert not [thing for thing in reachable(bench, ()) if isinstance(thing, Truth)]


def everything_said(bench) -> str:
    """Every text a trainee can get out of a bench before the debrief, wrong moves included."""
    bench.key("on")
    bench.volts("B5.1", "G1.-")
    bench.ohms("B12.1", "B12.3")
    bench.unplug("B12")
    for wrong in (
        lambda: bench.volts("W14", "G1.-"),
        lambda: bench.look("W14x"),
        lambda: bench.call("open", "nowhere"),
    ):
        with pytest.raises(BenchError) as caught:
            wrong()
        bench_text = str(caught.value)
    said = io.StringIO()
    with redirect_stdout(said):
        print(bench, bench.__dict__.keys(), bench.log.to_string(), bench.moves().to_string(), bench.probe_points())
        print(bench.sheet, bench.sheet._repr_html_(), bench.picture, bench.picture.svg, bench.events, bench.state)
        print(casekit.list_cases().to_string(), bench_text, vars(bench).get("sheet"), repr(unseal(bench)))
    return said.getvalue()


def test_nothing_in_the_trainees_hands_prints_the_fault():
    text = everything_said(casekit.open_case("broom-frame-dead"))
    for giveaway in ("short to ground", "ShortToGround", "rubbed", "r_ohm=0.6", "W14@", "W14 0-0.35"):
        assert giveaway not in text


def test_the_solvers_sentences_do_not_reach_the_trainee(monkeypatch):
    """An error from inside names parts of the sealed machine; the trainee gets another sentence."""

    def fails(*args):
        raise casekit.CircuitError("the circuit around short to ground W14 has no single solution")

    bench = casekit.open_case("broom-frame-dead")
    monkeypatch.setattr(Meter, "measure", fails)
    with pytest.raises(BenchError) as caught:
        bench.volts("B5.1", "G1.-")
    assert str(caught.value) == ("no reading between B5.1 and G1.-: try other points; this one has no answer.")
    assert bench.log.empty
