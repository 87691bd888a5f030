"""The commands of an instructor: from bay notes to a case, from a table to a machine, and from logs to a report.

In: parsed arguments of `casekit`. Out: exit codes; what is asked for is written to files.
"""

from __future__ import annotations

import argparse
import getpass
import os
import sys
import time
from pathlib import Path

from casekit.error import ScenarioError, refused


def add(commands: argparse._SubParsersAction) -> None:
    """Add these commands to the parser."""
    new = commands.add_parser("new", help="make a case of a page of bay notes; without a page, a blank one to fill in")
    new.add_argument("notes", help="a notes file (.yaml), or the name of a case to begin a blank page for")
    new.add_argument("--machine", default="street-sweeper", help="the machine a blank page is for")
    new.add_argument("--over", action="store_true", help="write over a case of this name")
    new.add_argument("--anyway", action="store_true", help="make a case although the readings contradict each other")
    new.add_argument("--dry", action="store_true", help="say what it comes to, and write no case")
    sketch = commands.add_parser("sketch", help="make a machine of a table of sensor pins (CSV or Excel)")
    sketch.add_argument("table", type=Path, help="the table: part, type, pin, unit pin, and what more is known")
    sketch.add_argument("machine", type=Path, help="the machine file to write (.yaml)")
    sketch.add_argument("--over", action="store_true", help="write over a machine file of this name, and its drawing")
    sketch.add_argument("--title", default="", help="what the machine is called")
    sketch.add_argument("--volts", type=int, default=12, help="its battery: 12 or 24 (default: 12)")
    sketch.add_argument("--sheet", default="0", help="name or number of the sheet of a workbook (default: 0)")
    means = "which column of the table is meant by one of ours; may be given several times"
    sketch.add_argument("--column", action="append", default=[], metavar="OURS=THEIRS", help=means)
    give = commands.add_parser("assign", help="variants of a case for a class, as hard as each other, each played")
    give.add_argument("case", help="the name of a case")
    give.add_argument("count", type=int, help="how many trainees")
    give.add_argument("csv", type=Path, nargs="?", help="the file to write (default: CASE-assigned.csv)")
    seal = commands.add_parser("seal", help="seal a case with the passphrase of a class")
    seal.add_argument("case", help="the name of a case")
    seal.add_argument("folder", type=Path, nargs="?", default=Path(), help="where the sealed file goes (default: here)")
    items = commands.add_parser("items", help="make a bank of exam items, each checked; a bank begun is gone on with")
    items.add_argument("bank", type=Path, nargs="?", help="the file of the bank (default: items-SEED.jsonl)")
    items.add_argument("--count", type=int, default=100, help="items that are to be in it (default: 100)")
    items.add_argument("--seed", type=int, default=1, help="the same seed gives the same items (default: 1)")
    items.add_argument("--qti", type=Path, help="a folder to write each as QTI 3 as well")
    items.add_argument("--cluster", default="", metavar="ADDRESS", help="a Dask scheduler whose workers do the work")
    exam = commands.add_parser("exam", help="print an exam paper of a blueprint, and its answers")
    exam.add_argument("blueprint", help="a blueprint (.yaml), or the name of one in scenarios/papers")
    exam.add_argument("--seed", type=int, default=1, help="the same seed gives the same paper (default: 1)")
    exam.add_argument("--out", type=Path, default=Path(), help="the folder for what is written (default: here)")
    exam.add_argument(
        "--sittings", type=Path, metavar="FOLDER", help="what a class made of the paper, from its sittings"
    )
    exam.add_argument(
        "--difficulties", type=Path, metavar="FILE", help="what an earlier class found: weak items are left out"
    )
    exam.add_argument("--paper", choices=("a4", "letter"), default="a4", help="size of the paper (default: a4)")
    report = commands.add_parser("report", help="report on a class from a folder of its logs")
    report.add_argument("folder", type=Path, help="the folder; every trainee's logs in a folder of their own below it")
    report.add_argument("--out", type=Path, default=Path(), help="where the report goes (default: here)")
    report.add_argument("--anonymous", action="store_true", help="numbers drawn at random in place of signs")
    report.add_argument("--paper", choices=("a4", "letter"), default="a4", help="size of the paper (default: a4)")


def _new(chosen: argparse.Namespace) -> int:
    from casekit.files.library import names
    from casekit.files.notes import blank
    from casekit.teaching.draft import draft

    if not chosen.notes.endswith((".yaml", ".yml")):
        path = Path(f"{chosen.notes}.yaml")
        if path.exists():
            raise ScenarioError([f"{path}: is there already; make a case of it with casekit new {path}."])
        return _wrote(
            path, blank(chosen.notes, chosen.machine, names("machines")), f"fill it in, then: casekit new {path}"
        )
    began = time.monotonic()
    made = draft(chosen.notes)
    made.savable(chosen.over or chosen.dry, chosen.anyway)  # before it is played, which takes a while
    print(made)
    spent = time.monotonic() - began
    if chosen.dry:
        return 0
    path = made.save(chosen.over, chosen.anyway)
    print(f"{path} written after {spent:.0f} s; read it, and change what is not yours.")
    return 0


def _sketch(chosen: argparse.Namespace) -> int:
    from casekit.teaching.sketched import kept, sketch

    columns = {}
    for pair in chosen.column:
        ours, equals, theirs = pair.partition("=")
        if not equals or not theirs:
            raise ScenarioError([f"--column {pair}: write OURS=THEIRS, as in --column part=Component."])
        columns[ours] = theirs
    sheet = int(chosen.sheet) if chosen.sheet.isdigit() else chosen.sheet
    made = sketch(chosen.table, chosen.machine.stem, chosen.title, chosen.volts, columns, sheet)
    for path in (chosen.machine, chosen.machine.with_suffix(".svg")):
        kept(path, chosen.over)
    for text in made.assumed:
        print(f"assumed: {text}")
    code = _wrote(chosen.machine, made.yaml, "its drawing beside it")
    return code or _wrote(chosen.machine.with_suffix(".svg"), made.picture.svg, "look at it")


def _assign(chosen: argparse.Namespace) -> int:
    from casekit.teaching.assignment import assign

    made = assign(chosen.case, chosen.count, os.cpu_count() or 1)
    path = chosen.csv or Path(f"{chosen.case}-assigned.csv")
    made.csv(path)
    print(f"{path} written: {len(made.given)} of {chosen.count}, {made.played} played; the advice takes "
          f"{made.reference_min:.1f} minutes on the case as written, par is {made.par_min:.1f}.")  # fmt: skip
    if len(made.given) < chosen.count:
        print(f"{chosen.count - len(made.given)} are missing; casekit vary {chosen.case} draws more variants.",
              file=sys.stderr)  # fmt: skip
        return 1
    return 0


def _seal(chosen: argparse.Namespace) -> int:
    from casekit.teaching.seal import sealed_case

    try:
        passphrase = os.environ.get("CASEKIT_PASSPHRASE") or getpass.getpass("Passphrase of the class: ")
    except EOFError:
        text = "no passphrase was given; type it when it is asked for, or set CASEKIT_PASSPHRASE to it."
        raise ScenarioError([f"{chosen.case}: {text}"]) from None
    print(f"{sealed_case(chosen.case, passphrase, _made(chosen.folder))} written")
    return 0


def _items(chosen: argparse.Namespace) -> int:
    from casekit.teaching.itembank import make_bank, read_bank
    from casekit.teaching.itemview import png
    from casekit.teaching.qti import as_qti

    def told(done: int, every: int) -> None:
        print(f"\r{done} of {every} items", end="\n" if done >= every else "", file=sys.stderr, flush=True)

    began, bank = time.monotonic(), chosen.bank or Path(f"items-{chosen.seed}.jsonl")
    done = make_bank(bank, chosen.count, chosen.seed, os.cpu_count() or 1, told, chosen.cluster)
    print(f"{bank}: {done} items, {time.monotonic() - began:.0f} s")
    if chosen.qti:
        try:
            _made(chosen.qti)
            for item in read_bank(bank):
                (chosen.qti / f"{item.key}.xml").write_text(as_qti(item), encoding="utf-8")
                if item.recorded:
                    (chosen.qti / f"{item.key}.png").write_bytes(png(item.recorded))
        except OSError as err:
            raise ScenarioError([refused(chosen.qti, err, "choose another folder")]) from None
        print(f"{chosen.qti}: the same as QTI 3")
    return 0 if done >= chosen.count else 1


def _exam(chosen: argparse.Namespace) -> int:
    from casekit.teaching.examclass import exam_class, read_difficulties
    from casekit.teaching.exampaper import exam_paper

    known, weak = read_difficulties(chosen.difficulties) if chosen.difficulties else ({}, {})
    if chosen.sittings:
        made = exam_paper(chosen.blueprint, chosen.seed, weak)
        found = exam_class(made, chosen.sittings, known)
        print(found)
        name = _made(chosen.out) / f"{made.name}-{made.seed}"
        for table, kind in ((found.items, "items"), (found.candidates, "candidates")):
            table.to_csv(f"{name}-{kind}.csv", index=False, float_format="%.3f")
            print(f"{name}-{kind}.csv written")
        print(f"{found.save(f'{name}-difficulties.json')} written; use it with --difficulties")
        return 0
    made = exam_paper(chosen.blueprint, chosen.seed, weak)
    print(made)
    for answers in (False, True):
        path = _made(chosen.out) / f"{made.name}-{made.seed}{'-answers' if answers else ''}.pdf"
        print(f"{path} written, {made.pdf(path, answers, chosen.paper)} pages")
    return 0


def _made(folder: Path) -> Path:
    """A folder, made if it is not there."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as err:
        raise ScenarioError([refused(folder, err, "choose another", "cannot be made")]) from None
    return folder


def _report(chosen: argparse.Namespace) -> int:
    from casekit.teaching.classnotebook import classnotebook
    from casekit.teaching.classreport import class_report

    def told(done: int, every: int) -> None:
        print(f"\r{done} of {every} logs", end="\n" if done == every else "", file=sys.stderr, flush=True)

    made = class_report(chosen.folder, chosen.anonymous, told)
    print(made)
    made.csv(_made(chosen.out) / "gradebook.csv")
    code = _wrote(chosen.out / "class-report.ipynb", classnotebook(chosen.folder, chosen.anonymous), "open it in Lab")
    pages = made.pdf(chosen.out / "class-report.pdf", chosen.paper)
    print(f"{chosen.out / 'gradebook.csv'} and {chosen.out / 'class-report.pdf'} written, {pages} pages")
    return code


def _wrote(path: Path, text: str, more: str) -> int:
    """Write a file and say so."""
    try:
        path.write_text(text, encoding="utf-8")
    except OSError as err:
        print(refused(path, err, "choose another place"), file=sys.stderr)
        return 1
    print(f"{path} written; {more}")
    return 0


COMMANDS = {
    "new": _new,
    "sketch": _sketch,
    "assign": _assign,
    "seal": _seal,
    "report": _report,
    "items": _items,
    "exam": _exam,
}
