"""An exam paper: the items that a blueprint and a seed draw, to be sat, and printed with or without its answers.

In: a `Blueprint` and a seed. Out: an `ExamPaper`; the same seed gives the same paper.
"""

from __future__ import annotations

import hashlib
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from html import escape
from pathlib import Path

from casekit.error import BenchError, ScenarioError
from casekit.files import library
from casekit.files.blueprint import Blueprint, read_blueprint
from casekit.reasoning.alone import alone
from casekit.teaching import examiner
from casekit.teaching.ability import ability
from casekit.teaching.caution import CAUTIONS
from casekit.teaching.drawing import FACES
from casekit.teaching.item import Item
from casekit.teaching.itemview import LEVELS, answer_of, asked
from casekit.teaching.marked import marked
from casekit.teaching.markup import bullets
from casekit.teaching.paper import PAPERS, Paper, printed, saved
from casekit.teaching.worksheet import FOOT, SIDE, TOP, drawing_page

PICTURE_MM = 125  # how wide the picture of an item is printed
TRIES = 4000  # numbers that are drawn at most for one topic
INVENTED = "Invented machines and data, for teaching."
HOW = (
    "A choice is answered by its letter, an order by its letters in a row, a number in the unit that is asked for, a "
    "point by its name on the drawing. The drawing of a machine stands before its items. At a cavity of a sensor or of "
    "the control unit a lead sits on the harness's terminal; of an in-line connector f is the half towards the control "
    "unit, m the other."
)


EXAM_CAUTION = (
    "Machines and values here are invented. Real machines are dangerous: the maker's service information, local codes "
    "and licensed practice always come first."
)
"""What stands on a paper while it is sat: the full cautions would answer items on what must not be done."""


@dataclass(frozen=True)
class ExamPaper:
    """A paper: its name, title, minutes, seed and items, those of one machine together."""

    name: str
    title: str
    minutes: float
    seed: int
    items: tuple[Item, ...]

    def __repr__(self) -> str:
        return f"{self.title}: {len(self.items)} items, {self.minutes:g} minutes, seed {self.seed}"

    def pdf(self, path: Path | str, answers: bool = False, paper: str = "a4") -> int:
        """Print it, or what is right and why; how many pages. Raises MissingError without WeasyPrint, BenchError when
        nothing can be written there."""
        document = printed(self.html(answers, paper))
        saved(path, document.write_pdf(pdf_tags=True))
        return len(document.pages)

    def html(self, answers: bool = False, paper: str = "a4") -> str:
        """The pages as HTML: the drawing of a machine, then its items; with answers the drawing is marked with them."""
        what = "Answers: " if answers else ""
        body = f"<section class='items'><h1>{escape(what + self.title)}</h1>"
        body += f"<p>{len(self.items)} items, {self.minutes:g} minutes, seed {self.seed}.</p>"
        if not answers:
            topics = "".join(
                f"<tr><td>{escape(name)}</td><td>{sum(i.ability == name for i in self.items)}</td></tr>"
                for name in dict.fromkeys(i.ability for i in self.items)
            )
            body += f"<p class='who'>Sign <span></span> Date <span></span></p><p>{HOW}</p><table>{topics}</table>"
        body += bullets(CAUTIONS if answers else (EXAM_CAUTION,))
        last = ""
        for n, asked_one in enumerate(self.items, 1):
            if (machine := asked_one.machine) != last:
                size = PAPERS[paper]
                plan = _circuit(self, machine, size) if answers else drawing_page(library.machine_file(machine), size)
                body += f"</section>{plan}<section class='items'>"
            last = machine
            body += f"<div class='item'><p><b>{n}.</b></p>{_printed(asked_one, answers)}</div>"
        body += "</section>"
        return (
            f'<!DOCTYPE html><html lang="en"><head><meta charset="utf-8"><title>{escape(self.title)}</title>'
            f"<style>{_css(PAPERS[paper].name)}</style></head><body class='{'answers' if answers else 'asked'}'>"
            f"{body}</body></html>"
        )


@alone
def exam_paper(blueprint: Blueprint | Path | str, seed: int = 1, weak: Collection[str] = ()) -> ExamPaper:
    """The paper that a blueprint (a file, or the name of one in `scenarios/papers`) and a seed draw. Items whose keys
    are in `weak` are not drawn: those a class's answers found to measure nothing.

    Raises ScenarioError for a blueprint that is wrong or cannot be met, CasekitError for an ability that there is not.
    """
    if isinstance(seed, bool) or not isinstance(seed, int) or seed < 0:
        raise BenchError(f"the seed is {seed!r}; use a whole number from 0.")
    blueprint = found_blueprint(blueprint)
    machines = blueprint.machines or library.names("machines")
    for name in machines:
        library.machine_file(name)
    # Of the name too: papers of one seed share no items.
    first = int.from_bytes(hashlib.sha256(f"{blueprint.paper} {seed}".encode()).digest()[:5], "big")
    items: list[Item] = []
    for topic, wanted in blueprint.topics.items():
        for level, many in wanted.by_level:
            items += _drawn(ability(topic).name, level, many, machines, first, items, weak)
    items.sort(key=lambda item: (machines.index(item.machine), item.key))
    return ExamPaper(blueprint.paper, blueprint.title, blueprint.minutes, seed, tuple(items))


def found_blueprint(blueprint: Blueprint | Path | str) -> Blueprint:
    """A blueprint, that of a file, or that of a name in `scenarios/papers`. Raises ScenarioError for what is none."""
    if isinstance(blueprint, Blueprint):
        return blueprint
    named = library.scenario_folder() / "papers" / f"{blueprint}.yaml"
    return read_blueprint(named if named.exists() else blueprint)


# Inside ---------------------------------------------------------------------------------------------------------------


def _drawn(
    topic: str, level: int | None, many: int, machines: Sequence[str], first: int, before: list[Item],
    weak: Collection[str],
) -> list[Item]:  # fmt: skip
    """So many items of one ability (and level, if one is wanted), of the numbers from `first` on, machines and kinds in
    turn, none twice."""
    found: list[Item] = []
    kinds = examiner.KINDS[topic]
    known = {old.face for old in before}
    for n in range(TRIES):
        machine, kind = machines[n % len(machines)], kinds[n // len(machines) % len(kinds)]
        made = examiner.item(kind, machine, first + n)
        if made is None or made.ability != topic or made.key in weak or level not in (None, made.level):
            continue
        if made.face not in known:
            known.add(made.face)
            found.append(made)
            if len(found) == many:
                return found
    word = "" if level is None else f"{LEVELS[level]} "
    raise ScenarioError([
        f"only {len(found)} of {many} {word}items on {topic!r} can be drawn from {', '.join(machines)}; ask for fewer, "
        "or name more machines."
    ])  # fmt: skip


def _printed(item: Item, answers: bool) -> str:
    """An item as it is printed, with its answer or with room for one."""
    if answers:
        return f"{asked(item, True)}<p class='because'>{escape(answer_of(item))}. {escape(item.because)}</p>"
    if item.form == "choice":
        return asked(item)
    return f"{asked(item)}<p class='room'>Answer {f'in {item.unit}' if item.unit else ''} <span></span></p>"


def _circuit(paper: ExamPaper, machine: str, size: Paper) -> str:
    """The drawing of a machine with the points that answers hang on, each with the numbers of its items."""
    where: dict[str, list[int]] = {}
    for n, item in enumerate(paper.items, 1):
        for point, _ in item.rings if item.machine == machine else ():
            where.setdefault(point, []).append(n)
    labels = {point: ", ".join(map(str, dict.fromkeys(numbers))) for point, numbers in where.items()}
    file = library.machine_file(machine)
    return drawing_page(file, size, marked(file, labels))


def _css(size: str) -> str:
    foot = f"@bottom-left{{content:'{INVENTED}'}}@bottom-right{{content:'page ' counter(page) ' of ' counter(pages)}}"
    return (
        f"@page{{size:{size} portrait;margin:15mm;font:7.8pt {FACES};{foot}}}"
        f"@page drawing{{size:{size} landscape;margin:{TOP}mm {SIDE}mm {FOOT}mm}}"
        f"body{{font:10pt/1.35 {FACES};margin:0}}h1{{font-size:16pt;margin:0 0 2mm}}p{{margin:0 0 1.2mm}}"
        "section{break-before:page}section:first-of-type{break-before:auto}ul{margin:3mm 0;padding-left:5mm}"
        ".item{break-inside:avoid;margin:0 0 4mm}.item>p:first-child{float:left;margin:0 2mm 0 0}"
        # Options two by two, pictures less wide than on a screen: these then seldom get a page to themselves.
        f".item img{{width:{PICTURE_MM}mm!important}}"
        ".asked .option{display:inline-block;width:46%;vertical-align:top}"
        ".option{margin-left:6mm}.because{margin-left:6mm;font-size:9pt}"
        "table{border-collapse:collapse;margin:1mm 6mm}td{border:.4pt solid #888;padding:.4mm 2mm}"
        ".drawing{page:drawing;line-height:0;text-align:center}.drawing img{display:block;margin:0 auto}"
        ".who span,.room span{display:inline-block;width:45mm;border-bottom:.6pt solid #000;height:4mm}"
        ".room{margin-left:6mm}"
    )
