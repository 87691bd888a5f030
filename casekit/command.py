"""The console command `casekit`."""

from __future__ import annotations

import argparse
import os
import signal
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path

from casekit import classcommand
from casekit.classroom import command as classroomcommand
from casekit.error import CasekitError, refused
from casekit.files.check import check_folder, read_machine
from casekit.service import command as servicecommand

CUT_SHORT = 128 + 13  # exit code of a program that SIGPIPE ends


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command; returns the exit code (0 good, 1 problems found, 2 wrong use)."""
    parser = argparse.ArgumentParser(prog="casekit", description=__doc__)
    commands = parser.add_subparsers(dest="command", required=True, metavar="command")
    check = commands.add_parser("check", help="check all machine and case files of a folder")
    check.add_argument("folder", type=Path, help="the scenarios folder")
    commands.add_parser("cases", help="list the cases")
    grade = commands.add_parser("grade", help="play cases by advice and keep how hard they are")
    grade.add_argument("case", nargs="*", help="names of cases (default: all; up to a minute each)")
    vary = commands.add_parser("vary", help="draw variants of cases, play them, and keep those that can be solved")
    vary.add_argument("case", nargs="*", help="names of cases (default: all; up to a minute a variant)")
    vary.add_argument("--count", type=_many, default=3, help="variants that are to be on file (default: 3)")
    par = commands.add_parser("par", help="minutes that a good route needs for a case")
    par.add_argument("case", help="the name of a case, as casekit cases lists it")
    par.add_argument("--seed", type=int, default=None, help="the individual machine (default: the case's own)")
    sheet = commands.add_parser("worksheet", help="print a case as a PDF handout, or the instructor's copy of it")
    sheet.add_argument("case", help="the name of a case, as casekit cases lists it")
    sheet.add_argument("pdf", type=Path, nargs="?", help="the PDF file to write (default: CASE-worksheet.pdf)")
    sheet.add_argument("--instructor", action="store_true", help="with the answers (default: CASE-instructor.pdf)")
    sheet.add_argument("--paper", choices=("a4", "letter"), default="a4", help="size of the paper (default: a4)")
    sheet.add_argument("--seed", type=int, default=None, help="the individual machine (default: the case's own)")
    page = commands.add_parser("page", help="serve a case as a web page without code, on this computer alone")
    page.add_argument("case", help="the name of a case, as casekit cases lists it")
    page.add_argument("--seed", type=int, default=None, help="the individual machine (default: the case's own)")
    page.add_argument("--port", type=int, default=8866, help="the port of the address (default: 8866; 0: any)")
    commands.add_parser("lab", help="open JupyterLab at the first lesson (its own options may follow)")
    lessons = commands.add_parser("lessons", help="generate the trainee's lessons from the instructor's")
    lessons.add_argument("folder", type=Path, help="the lessons folder")
    draw = commands.add_parser("draw", help="draw a machine file as SVG")
    draw.add_argument("machine", type=Path, help="a machine file (.yaml)")
    draw.add_argument("svg", type=Path, help="the SVG file to write")
    for more in MORE:
        more.add(commands)
    chosen, options = parser.parse_known_args(arguments)
    if chosen.command == "worksheet" and chosen.pdf is None and len(options) == 1 and options[0][:1] != "-":
        chosen.pdf = Path(options.pop())  # argparse misses a file that stands behind an option
    if options and chosen.command != "lab":
        parser.error(f"{chosen.command} does not know {' '.join(options)}")
    chosen.options = options
    try:
        code = COMMANDS[chosen.command](chosen)
        sys.stdout.flush()
        return code
    except BrokenPipeError:
        # Whoever read the output has enough of it, as head has: nothing to say, and nothing to say it to at the end.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return CUT_SHORT
    except CasekitError as err:
        print(err, file=sys.stderr)
        return 1


def _many(text: str) -> int:
    """A count from 1, or argparse says what is wrong."""
    if not text.isdecimal() or int(text) < 1:
        raise argparse.ArgumentTypeError(f"{text} is no count; write a whole number from 1")
    return int(text)


def _check(chosen: argparse.Namespace) -> int:
    paths, problems = check_folder(chosen.folder)
    for problem in problems:
        print(problem)
    word = "problem" if len(problems) == 1 else "problems"
    print(f"{len(paths)} files checked, {len(problems)} {word}")
    return 1 if problems else 0


def _cases(chosen: argparse.Namespace) -> int:
    from casekit.teaching.grade import list_cases

    print(f"{'case':30} level  par    {'machine':18} title")
    for c in list_cases().itertuples():
        level, par = ("-", "-") if c.par_min != c.par_min else (c.level, f"{c.par_min:.0f} min")
        print(f"{c.case:30} {level:<5}  {par:6} {c.machine:18} {c.title}")
    return 0


def _grade(chosen: argparse.Namespace) -> int:
    from casekit.files.library import names
    from casekit.teaching.grade import grade, grades, keep

    chosen_cases = chosen.case or names("cases")
    found = {name: g for name, g in grades().items() if name in names("cases")}
    for k, name in enumerate(chosen_cases, 1):
        found[name] = grade(name)
        g = found[name]
        told = f"level {g.level}, par {g.par_min:.1f} min, tempting false calls: {g.look_alikes}"
        print(f"{k} of {len(chosen_cases)}: {name}: {told}", flush=True)
    try:
        path = keep(found)
    except OSError as err:
        return _unwritten(Path(str(err.filename)), err, "scenarios folder")
    print(f"{path} written")
    return 0


def _vary(chosen: argparse.Namespace) -> int:
    from casekit.files.library import names, variants
    from casekit.teaching.trial import trials

    for name in chosen.case or names("cases"):
        try:
            for number, came in trials(name, chosen.count):
                print(f"{name} {number}: {came}", flush=True)
        except BrokenPipeError:
            raise
        except OSError as err:
            return _unwritten(Path(str(err.filename)), err, "scenarios folder")
        print(f"{name}: {len(variants(name))} variants on file", flush=True)
    return 0


def _par(chosen: argparse.Namespace) -> int:
    from casekit.teaching.practice import par

    best, played = par(chosen.case, chosen.seed)
    print(f"{best.title}: {best}.")
    end = "" if played.end == "sure" else ", without becoming sure"
    print(f"The advice, played on this machine: {played.minutes[-1]:.1f} minutes{end}.")
    return 0


def _lab(chosen: argparse.Namespace) -> int:
    lesson = Path(__file__).resolve().parent.parent / "lessons" / "00_start_here.ipynb"
    if not lesson.exists():
        print(f"{lesson.parent}: there are no lessons here; run casekit lab from a clone.", file=sys.stderr)
        return 1
    # JupyterLab refuses to run as root unless told; containers and live systems often have no other user.
    root = ["--allow-root"] if hasattr(os, "geteuid") and os.geteuid() == 0 else []
    return subprocess.call([sys.executable, "-m", "jupyterlab", str(lesson), *root, *chosen.options])


def _lessons(chosen: argparse.Namespace) -> int:
    from casekit.teaching.lesson import generate

    try:
        written = generate(chosen.folder)
    except OSError as err:
        return _unwritten(Path(str(err.filename)), err, "lessons")
    print(f"{len(written)} lessons written to {chosen.folder}")
    return 0


def _draw(chosen: argparse.Namespace) -> int:
    from casekit.teaching.drawing import drawing

    svg = drawing(read_machine(chosen.machine))
    try:
        chosen.svg.write_text(svg, encoding="utf-8")
    except OSError as err:
        return _unwritten(chosen.svg, err, "drawing")
    print(f"{chosen.svg} written")
    return 0


def _worksheet(chosen: argparse.Namespace) -> int:
    from casekit.teaching.worksheet import LEAST, worksheet

    kind = "instructor" if chosen.instructor else "worksheet"
    path = chosen.pdf or Path(f"{chosen.case}-{kind}.pdf")
    made = worksheet(chosen.case, chosen.instructor, chosen.paper, chosen.seed)
    try:
        path.write_bytes(made.pdf)
    except OSError as err:
        return _unwritten(path, err, kind if kind == "worksheet" else "instructor's copy")
    print(f"{path} written, {made.pages} pages")
    if made.drawing_pt < LEAST:
        print(f"The drawing is large: its text is {made.drawing_pt:.1f} pt high; print it on larger paper.")
    return 0


def _page(chosen: argparse.Namespace) -> int:
    from casekit.teaching.page import served

    # A server must not stay behind when this command is ended from outside.
    before = signal.signal(signal.SIGTERM, lambda *_: sys.exit(0))
    try:
        with served(chosen.case, chosen.seed, chosen.port) as (address, process):
            print(f"{address} shows the case, on this computer alone; Ctrl+C ends it.", flush=True)
            return process.wait()
    except KeyboardInterrupt:
        return 0
    finally:
        signal.signal(signal.SIGTERM, before)


def _unwritten(path: Path, err: OSError, what: str) -> int:
    print(refused(path, err, f"choose another place for the {what}"), file=sys.stderr)
    return 1


MORE = (classcommand, servicecommand, classroomcommand)
COMMANDS = {
    "check": _check, "cases": _cases, "grade": _grade, "vary": _vary, "par": _par, "lab": _lab, "lessons": _lessons,
    "draw": _draw, "worksheet": _worksheet, "page": _page,
    **{name: done for more in MORE for name, done in more.COMMANDS.items()},
}  # fmt: skip


if __name__ == "__main__":
    sys.exit(main())
