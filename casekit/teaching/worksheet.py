"""The worksheet: a case on paper, for a trainee to fill in by hand, and the instructor's copy of it.

In: a case file, its machine, and for the instructor the `Answers`. Out: HTML of our own, and the PDF made of it.
"""

from __future__ import annotations

import base64
import math
from dataclasses import dataclass
from html import escape
from xml.etree import ElementTree as ET

from casekit.files import library
from casekit.files.casefile import CaseFile
from casekit.files.codes import TITLES
from casekit.files.schema import MachineFile
from casekit.machine.faults import KINDS, NO_FAULT
from casekit.teaching.answers import CSS as ANSWERS_CSS
from casekit.teaching.answers import answers, pages
from casekit.teaching.caution import CAUTIONS
from casekit.teaching.drawing import FACES, as_text, drawing
from casekit.teaching.paper import PAPERS, Paper, printed
from casekit.teaching.practice import checked
from casekit.teaching.sheet import FONT

PT = 72 / 25.4  # points in a millimetre
SIDE, TOP, FOOT = 6.0, 7.0, 11.0  # margins of the drawing's page, millimetre: what common printers still reach
BORDER = 7.0  # points of the drawing's own empty border that the page's margin stands in for
LEAST = 5.5  # points: the least size of text on the drawing that is taken for legible
SUSPECTS, LINES, REASONS, WRITTEN = 9, 26, 6, 3  # rows to fill in, and lines to write on
CALLED = (
    "Kind of fault", "Place: wire, cavity, sensor or supply", "Other end, if it has one", "How sure, 0 to 100 %",
    "Minutes on the clock",
)  # fmt: skip
INVENTED = "Invented machine and data, for teaching."


READINGS = (  # heading, what is under it in small letters, width in shares
    ("No.", "", 4), ("Minute", "", 6), ("State", "key, held, unplugged", 16), ("Red lead", "", 9),
    ("Black lead", "", 9), ("I expect", "with unit", 10), ("How sure", "0 to 100 %", 9), ("Shown", "with unit", 10),
    ("What it rules out, and why", "", 27),
)  # fmt: skip


@dataclass(frozen=True)
class Worksheet:
    """A printed case: the PDF, its pages, and the size of the least text on the drawing, in points."""

    pdf: bytes
    pages: int
    drawing_pt: float


def worksheet(name: str, instructor: bool = False, paper: str = "a4", seed: int | None = None) -> Worksheet:
    """Print a case: the handout, or the instructor's copy, whose route is played on the machine of this `seed`.

    Raises ScenarioError when there is no such case, MissingError when WeasyPrint or what it needs is not installed.
    """
    case, seed = library.case_file(name), checked(seed)
    machine = library.machine_file(case.machine)
    size = PAPERS[paper]
    key = pages(answers(case, seed)) if instructor else ""
    document = printed(html(case, machine, size, key, seed))
    return Worksheet(document.write_pdf(pdf_tags=True), len(document.pages), FONT * _fitted(drawing(machine), size)[0])


def html(case: CaseFile, machine: MachineFile, paper: Paper, key: str = "", seed: int | None = None) -> str:
    """The pages as HTML; `key` are the instructor's pages, which stand behind the trainee's so that the page numbers
    agree."""
    body = _front(case, machine, seed) + drawing_page(machine, paper) + _readings(bool(key)) + _call() + key
    style = _css(paper, case.title, bool(key)) + ANSWERS_CSS
    title = escape(case.title + (", instructor's copy" if key else ""))
    return (
        f'<!DOCTYPE html><html lang="en"><head><meta charset="utf-8"><title>{title}</title>'
        f"<style>{style}</style></head><body>{body}</body></html>"
    )


# Pages ------------------------------------------------------------------------------------------------------------


def _front(case: CaseFile, machine: MachineFile, seed: int | None) -> str:
    """Sheet, codes, cautions and the trainee's own list of suspects."""
    rows = [("Machine", machine.title), ("Complaint", case.complaint), ("Story", case.story)]
    sheet = "".join(f"<tr><th scope='row'>{escape(head)}</th><td>{escape(text)}</td></tr>" for head, text in rows)
    codes = "".join(f"<li><b>{escape(code)}</b> {escape(TITLES[code])}</li>" for code in case.codes)
    stored = f"<ul class='codes'>{codes}</ul>" if codes else "none"
    cautions = "".join(f"<li>{escape(text)}</li>" for text in CAUTIONS)
    command = f"casekit page {case.case}" + (f" --seed {seed}" if seed is not None else "")
    return (
        "<section class='front'><p class='who'>Name <span></span> Date <span></span></p>"
        f"<h1>{escape(case.title)}</h1><table class='sheet'>{sheet}"
        f"<tr><th scope='row'>Stored codes</th><td>{stored}</td></tr></table>"
        f"<div class='box'><h2>Cautions</h2><ul>{cautions}</ul></div>"
        "<h2>My suspects</h2><p>Before you measure: which faults would explain all of this? Write one to a line, and "
        "strike it out when a reading has ruled it out. The drawing is on the next page.</p>"
        + _blank(
            (("Fault and place", "", 34), ("Why it fits", "", 38), ("Ruled out by line", "", 14),
             ("Still left", "", 8)),
            SUSPECTS, "suspects",
        )
        + f"<p class='small'>{INVENTED} The same machine to measure on: <code>{escape(command)}</code></p></section>"
    )  # fmt: skip


def drawing_page(machine: MachineFile, paper: Paper, svg: str = "") -> str:
    """The drawing as large as a page on its side allows; `svg` is one with marks on it."""
    svg = svg or drawing(machine)
    scale, box = _fitted(svg, paper)
    root = ET.fromstring(svg)
    root.set("viewBox", " ".join(f"{x:.2f}" for x in box))
    root.set("width", f"{box[2] * scale:.2f}pt")
    root.set("height", f"{box[3] * scale:.2f}pt")
    root.attrib.pop("style")
    picture = base64.b64encode(as_text(root).encode()).decode()
    words = escape(f"Wiring drawing of the {machine.title}", quote=True)
    return f'<section class="drawing"><img alt="{words}" src="data:image/svg+xml;base64,{picture}"></section>'


def _readings(instructor: bool) -> str:
    note = " The instructor's route stands behind the last page of the handout." if instructor else ""
    return (
        "<section class='readings'><h2>Readings</h2><p>One line for every reading, and for every look, move of the "
        "harness and road test. Fill in what you expect before you read; afterwards, what the reading has ruled "
        f"out. For scan data the red lead is the channel.{note}</p>{_blank(READINGS, LINES, 'log')}</section>"
    )


def _call() -> str:
    """Room for the call, the reasons and the proof."""
    kinds, lines = ", ".join([*KINDS, NO_FAULT]), "<div class='line'></div>" * WRITTEN
    fields = "".join(f"<tr><th scope='row'>{escape(text)}</th><td></td><td></td></tr>" for text in CALLED)
    reasons = _blank((("Line", "", 8), ("Shown", "", 14), ("What it proves", "", 78)), REASONS, "reasons")
    return (
        f"<section class='call'><h2>My call</h2><p class='small'>Kinds of fault: {escape(kinds)}.</p>"
        "<table class='fields'><tr><td></td><th scope='col'>The fault</th><th scope='col'>A second one, "
        f"if any</th></tr>{fields}</table>"
        f"<h2>Because of these readings</h2>{reasons}"
        f"<h2>What else would fit, and why it is not that</h2>{lines}"
        f"<h2>Repair, and how I proved it</h2>{lines}</section>"
    )


def _blank(columns: tuple[tuple[str, str, int], ...], count: int, name: str) -> str:
    """An empty table whose head comes again on every page; a column headed No. is numbered."""
    total = sum(width for _, _, width in columns)
    cols = "".join(f"<col style='width:{100 * width / total:.2f}%'>" for _, _, width in columns)
    head = "".join(
        f"<th scope='col'>{escape(text)}" + (f"<br><small>{escape(more)}</small>" if more else "") + "</th>"
        for text, more, _ in columns
    )
    numbered = columns[0][0] == "No."
    body = "".join(
        "<tr>" + "".join(f"<td>{n if numbered and k == 0 else ''}</td>" for k in range(len(columns))) + "</tr>"
        for n in range(1, count + 1)
    )
    return (
        f"<table class='blank {name}'><colgroup>{cols}</colgroup><thead><tr>{head}</tr></thead>"
        f"<tbody>{body}</tbody></table>"
    )


# Paper ------------------------------------------------------------------------------------------------------------


def _fitted(svg: str, paper: Paper) -> tuple[float, tuple[float, float, float, float]]:
    """By how much the drawing shrinks to fill a page on its side, and the part of it that is shown."""
    _, _, width, height = map(float, ET.fromstring(svg).get("viewBox").split())
    box = BORDER, BORDER, width - 2 * BORDER, height - 2 * BORDER
    room = (paper.height_mm - 2 * SIDE) * PT, (paper.width_mm - TOP - FOOT) * PT
    # Rounded down, so that the page's own rounding never sends the drawing to a second page.
    return math.floor(1e4 * min(room[0] / box[2], room[1] / box[3]) - 5) / 1e4, box


def _css(paper: Paper, title: str, instructor: bool) -> str:
    """One ink: black and grey, no tint carries a meaning."""
    whose = "Instructor's copy: not for trainees. " if instructor else ""
    quoted = (whose + title).replace("\\", "\\\\").replace('"', '\\"').replace("<", "\\3c ")
    foot = (
        f'@bottom-left{{content:"{quoted}. {INVENTED}";width:90%}}'
        '@bottom-right{content:"page " counter(page) " of " counter(pages)}'
    )
    return (
        f"@page{{size:{paper.name} portrait;margin:16mm 15mm 17mm;font:7.8pt {FACES};{foot}}}"
        f"@page wide{{size:{paper.name} landscape;margin:14mm 10mm 15mm}}"
        f"@page drawing{{size:{paper.name} landscape;margin:{TOP}mm {SIDE}mm {FOOT}mm}}"
        f"body{{font:10.5pt/1.35 {FACES};color:#000;margin:0}}"
        "h1{font-size:18pt;line-height:1.15;margin:2mm 0 3mm}h2{font-size:12pt;margin:5mm 0 1.5mm;break-after:avoid}"
        "p{margin:0 0 2mm}.small,small{font-size:8.5pt}small{font-weight:normal}.small{margin-top:2mm}"
        "section{break-before:page}section.front{break-before:auto}"
        ".readings{page:wide}.drawing{page:drawing;line-height:0;text-align:center}.drawing img{display:block;"
        "margin:0 auto}"
        ".who{text-align:right}.who span{display:inline-block;width:50mm;border-bottom:.6pt solid #000;height:5mm;"
        "margin-right:4mm}.who span:last-child{width:30mm;margin-right:0}"
        "table{border-collapse:collapse;width:100%}th{text-align:left;vertical-align:top}td{vertical-align:top}"
        ".sheet th{width:28mm;padding:.8mm 3mm .8mm 0}.sheet td{padding:.8mm 0}ul{margin:0;padding-left:5mm}"
        ".codes{list-style:none;padding:0}"
        ".box{border:1pt solid #000;padding:1.5mm 3mm 2mm;margin-top:3mm;font-size:9.5pt;break-inside:avoid}"
        ".box h2{margin:0 0 1mm}"
        ".blank{table-layout:fixed}.blank th,.blank td,.fields th,.fields td{border:.6pt solid #000;padding:1mm 1.5mm}"
        ".blank thead{display:table-header-group}.blank th{font-size:9.5pt;line-height:1.15}"
        ".blank tr{break-inside:avoid}"
        ".suspects td{height:8mm}.log td{height:10mm}.reasons td{height:8mm}"
        ".fields{table-layout:fixed}.fields th[scope=row]{font-weight:normal}.fields th{font-size:9.5pt}"
        ".fields th+td{height:7mm}"
        ".line{height:8.6mm;border-bottom:.6pt solid #000}"
    )
