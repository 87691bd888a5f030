"""Running lessons, as a trainee or an instructor would: whole, with answers replaced, or cell by cell."""

import re
from pathlib import Path

import nbformat
from nbclient import NotebookClient

from casekit.circuit.operating_point import solve
from casekit.files import library
from casekit.machine.drawn import drawn
from casekit.machine.law import Resistor
from casekit.machine.state import State

FOLDER = Path(__file__).parent.parent / "lessons"
TRAINEE = sorted(FOLDER.glob("*.ipynb"))
ONGOING = ("00", "06", "17")  # in these a bench goes on from cell to cell, and its log grows
INSTRUCTOR = sorted((FOLDER / "instructor").glob("*.ipynb"))


def lesson(name: str, instructor: bool = False) -> Path:
    """The one lesson whose file name begins so."""
    (path,) = (p for p in (INSTRUCTOR if instructor else TRAINEE) if p.stem.startswith(name))
    return path


def source(path: Path) -> str:
    return "\n".join(cell.source for cell in nbformat.read(path, 4).cells)


def run(path: Path, replace: dict[str, str] | None = None, again: bool = False) -> list[str]:
    """Execute a lesson, with the beginnings of some of its lines replaced, and return the text of every output."""
    return [text for texts in run_cells(path, replace, again) for text in texts]


def run_cells(path: Path, replace: dict[str, str] | None = None, again: bool = False) -> list[list[str]]:
    """As run, cell by cell; with `again` every cell twice in a row."""
    book = nbformat.read(path, 4)
    for cell in book.cells:
        for old, new in (replace or {}).items():
            cell.source = re.sub(rf"^{re.escape(old)}", lambda _, new=new: new, cell.source, flags=re.MULTILINE)
    if again:
        book.cells = [copy for cell in book.cells for copy in ([cell, nbformat.from_dict(cell)])]
        book.cells[1::2] = [{**cell, "id": cell["id"] + "-again"} for cell in book.cells[1::2]]
        book.cells = [nbformat.from_dict(cell) for cell in book.cells]
    where = {"metadata": {"path": str(path.parent)}}
    # One stream to a cell, however the kernel happens to send it in pieces.
    NotebookClient(book, timeout=120, kernel_name="python3", resources=where, coalesce_streams=True).execute()
    return [
        [str(out.get("text") or out.get("data", {}).get("text/plain", "")) for out in cell.get("outputs", [])]
        for cell in book.cells
    ]


def answered(name: str, **answers: object) -> str:
    """All a lesson shows a trainee who writes these answers: every line `name = ...` becomes `name = answer`.

    A name the lesson does not ask for is an AssertionError, as the test would then say nothing.
    """
    path = lesson(name)
    text = source(path)
    replace = {f"{key} = ...": f"{key} = {value!r}" for key, value in answers.items()}
    assert not [old for old in replace if not re.search(rf"^{re.escape(old)}", text, re.MULTILINE)]
    return "\n".join(run(path, replace))


def twice(path: Path) -> list[list[str]]:
    """What every cell shows, run twice in a row; a cell that is run again must show the same again."""
    every = run_cells(path, again=True)
    assert len(every) == 2 * len(nbformat.read(path, 4).cells)
    if path.stem[:2] not in ONGOING:
        assert every[0::2] == every[1::2]
    return every[0::2]


def shown(name: str) -> str:
    """All the instructor's version shows, in which every answer is the right one, every cell being run twice."""
    text = "\n".join(text for texts in twice(lesson(name, instructor=True)) for text in texts)
    assert "you wrote" not in text
    assert "still open" not in text
    return text


def ideas(text: str) -> dict[str, str]:
    """The questions that were answered wrongly, and the idea named behind each."""
    return dict(re.findall(r"^(.+): you wrote .+\n  That is the idea that (.+)\.$", text, re.MULTILINE))


def wrong(text: str) -> int:
    return len(re.findall(r": you wrote ", text))


def volts(machine: str, point: str, fault=None, unplugged: tuple[str, ...] = (), meter_ohm: float = 0.0) -> float:
    """The voltage against battery negative, key on, that the drawing promises; without a meter unless one is given."""
    plan = drawn(library.machine_file(machine))
    meter = [Resistor("meter", point, "G1.-", meter_ohm)] if meter_ohm else []
    state = State("on", unplugged=frozenset(unplugged))
    return solve(plan.with_fault(fault) if fault else plan, state, meter).volts(point, "G1.-")
