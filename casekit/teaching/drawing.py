"""The wiring drawing of a machine as SVG.

In: a `MachineFile`. Out: SVG text. `layout` decides where things stand; here they become lines, symbols and text.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import replace
from xml.etree import ElementTree as ET

import schemdraw
from schemdraw.elements import Element
from schemdraw.segments import Segment, SegmentCircle, SegmentPoly

from casekit.files.schema import MachineFile
from casekit.teaching.layout import layout
from casekit.teaching.sheet import MARGIN, Box, Label, Sheet, cut, width

SVG = "{http://www.w3.org/2000/svg}"
FACES = "Liberation Sans, Arial, Helvetica, sans-serif"
COLUMNS, LINE, SAMPLE = 4, 10.0, 30.0
SUPPLIES = (("#0072B2", "-"), ("#D55E00", "7,3"), ("#009E73", "3,2"), ("#CC79A7", "9,2,2,2,2,2"))
"""Okabe-Ito colours, each with a dash pattern (points), for the supplies in file order."""
STYLES = {"return": ("black", "8,2.5,1.5,2.5"), "signal": ("#666666", "-"), "feed and ground": ("black", "-")}
WORDS = {"pressure": "p", "hall": "Hall"}

Point = tuple[float, float]
Piece = Segment | SegmentCircle | SegmentPoly


def drawing(machine: MachineFile) -> str:
    """Draw the wiring of a machine.

    Returns SVG text with a white background, a title and a `viewBox` in points. The same file gives the same text.
    """
    sheet = full_sheet(machine)
    part = Element()
    part.segments += [*_harness(sheet, machine), *_furniture(sheet, machine)]
    for box in sheet.boxes:
        part.segments += _symbol(box)
    canvas = schemdraw.Drawing(canvas="svg", show=False)
    canvas.config(unit=1, inches_per_unit=1 / 72, margin=0)
    canvas.add(part)
    return _finish(ET.fromstring(canvas.get_imagedata("svg")), sheet, machine)


def as_text(root: ET.Element) -> str:
    """An SVG tree as text, whatever other libraries have called the namespace meanwhile."""
    ET.register_namespace("", SVG[1:-1])
    return ET.tostring(root, encoding="unicode")


def full_sheet(machine: MachineFile) -> Sheet:
    """The layout with title, symbol words and legend added."""
    rows = math.ceil(len(list(_legend(machine))) / COLUMNS)
    sheet = layout(machine, LINE * rows + MARGIN)
    title = cut(machine.title, int((sheet.width - 140) / width("n", 12)))
    labels = [
        Label(title, MARGIN, 20, "start", 12, True),
        Label("Invented machine for teaching.", sheet.width - MARGIN, 20, "end"),
    ]
    for box in sheet.boxes:
        if box.kind in WORDS:
            labels.append(Label(WORDS[box.kind], _axis(box), (box.rows[0] + box.rows[-1]) / 2 + 2.4))
        elif box.kind == "platinum":  # on the free side of the symbol, clear of the slanted line
            labels.append(Label("Pt", _axis(box) + 11 * box.side, box.rows[-1] + 2.4))
    room, top, samples = (sheet.width - 2 * MARGIN) / COLUMNS, sheet.height - LINE * rows - MARGIN, []
    for k, (kind, text) in enumerate(_legend(machine)):
        x, y = MARGIN + room * (k // rows), top + LINE * (k % rows + 1)
        if kind:
            samples.append((kind, x, y - 2.5))
        shift = {"": 0, "contact point": 9}.get(kind, SAMPLE)
        labels.append(Label(cut(text, int((room - shift - 8) / width("n"))), x + shift, y, "start"))
    return replace(sheet, labels=sheet.labels + tuple(labels), samples=tuple(samples))


def _legend(machine: MachineFile) -> Iterator[tuple[str, str]]:
    """Entries of the legend: (line style, `contact point` or nothing, text)."""
    for net in _styles(machine):
        supply = machine.control_unit.supplies.get(net.removeprefix("supply "))
        yield net, f"{net} {supply.nominal_v:g} V" if supply else net
    for number, (name, point) in enumerate(machine.contact_points.items(), 1):
        yield "contact point", f"{number}  {name} {point.where}"
    for group in (machine.connectors, machine.grounds, machine.splices):
        for name, item in group.items():
            yield "", f"{name} {item.where}"


def _styles(machine: MachineFile) -> dict[str, tuple[str, str]]:
    """Colour and dash of every kind of net."""
    supplies = {f"supply {n}": SUPPLIES[k % len(SUPPLIES)] for k, n in enumerate(machine.control_unit.supplies)}
    return supplies | STYLES


def _line(points: Sequence[Point], color: str = "black", dash: str = "-", lw: float = 0.8) -> Segment:
    """A polyline; the sheet counts y downwards, schemdraw upwards."""
    return Segment([(round(x, 2), round(-y, 2)) for x, y in points], color=color, ls=dash, lw=lw, capstyle="butt")


def _area(points: Sequence[Point], fill: str = "black") -> SegmentPoly:
    return SegmentPoly([(round(x, 2), round(-y, 2)) for x, y in points], fill=fill, lw=0.8, color="black")


def _rectangle(x0: float, y0: float, x1: float, y1: float, fill: str = "white") -> SegmentPoly:
    return _area(((x0, y0), (x1, y0), (x1, y1), (x0, y1)), fill)


def _triangle(x: float, y: float) -> SegmentPoly:
    """A contact point: apex on the wire at (x, y), base below it."""
    return _area(((x, y + 0.5), (x + 2.7, y + 6), (x - 2.7, y + 6)))


def _harness(sheet: Sheet, machine: MachineFile) -> Iterator[Piece]:
    """Wires, splices, in-line connectors and contact points."""
    styles = _styles(machine)
    for wire in sheet.wires:
        yield _line(
            wire.points, *styles[wire.net], lw=1.3 if wire.net == "feed and ground" or wire.a == wire.b else 0.9
        )
    spines = set()
    for bar in sheet.bars:
        if bar.kind == "connector":
            spines.add(round(bar.x, 2))
            yield _line([(bar.x, bar.y0), (bar.x, bar.y1)], "#666666", "2,2", 0.6)
            continue
        color = styles[bar.net][0]
        yield _line([(bar.x, bar.y0), (bar.x, bar.y1)], color, styles[bar.net][1], 1.3)
        for y in bar.dots:
            yield SegmentCircle((round(bar.x, 2), round(-y, 2)), 1.9, fill=color, color=color, lw=0.3)
    for name, (x, y) in sheet.points.items():
        if name.rsplit(".", 1)[0] in machine.connectors:
            to = next((s - x for s in (x - 3, x + 3) if round(s, 2) in spines), 3) / 3
            if name.endswith("m"):
                yield _line([(x, y), (x + 2.4 * to, y)], lw=2.2)
            else:
                yield _line([(x + 2.2 * to, y - 2.2), (x, y - 1.2), (x, y + 1.2), (x + 2.2 * to, y + 2.2)])
    for mark in sheet.marks:
        yield _triangle(mark.x, mark.y)


def _furniture(sheet: Sheet, machine: MachineFile) -> Iterator[Piece]:
    """Line samples of the legend and the rule above it."""
    top = min(y for _, _, y in sheet.samples) - LINE
    yield _line([(MARGIN, top), (sheet.width - MARGIN, top)], "#999999", lw=0.5)
    for kind, x, y in sheet.samples:
        if kind == "contact point":
            yield _triangle(x + 3, y - 3)
        else:
            yield _line([(x, y), (x + SAMPLE - 6, y)], *_styles(machine)[kind], lw=1.3)


def _axis(box: Box) -> float:
    """x of the symbol in a sensor box: towards the edge without wires."""
    return box.x0 + 18 if box.side < 0 else box.x1 - 18


def _symbol(box: Box) -> Iterator[Piece]:
    """Outline and symbol of a part."""
    x, mid = _axis(box), (box.x0 + box.x1) / 2
    if box.kind in ("battery", "fuse", "key switch", "ground"):
        yield from _power_symbol(box, mid)
        return
    yield _rectangle(box.x0, box.y0, box.x1, box.y1, "#F4F4F4" if box.kind == "control unit" else "white")
    if box.kind == "control unit":
        return
    start = x - 12 * box.side  # where the leads begin, short of the cavity names
    tracks = [box.rows[k : k + 3] for k in range(0, len(box.rows), 3)]
    for rows in tracks:
        top, end = rows[0], rows[-1]
        if box.kind in WORDS:
            yield _rectangle(x - 10, top - 5, x + 10, end + 5)
            for y in rows:
                yield _line([(start, y), (x - 10 * box.side, y)])
            continue
        yield _line([(start, top), (x, top), (x, top + 4)])
        yield _line([(start, end), (x, end), (x, end - 4)])
        if box.kind == "inductive":
            arc = [math.pi * k / 8 for k in range(25)]
            step = (end - top - 8) / 3
            turns = [(a // math.pi, a % math.pi) for a in arc]
            heights = [top + 4 + step * (n + (1 - math.cos(a)) / 2) for n, a in turns]
            yield _line([(x + box.side * 4 * math.sin(a), y) for (_, a), y in zip(turns, heights, strict=True)])
            continue
        yield _rectangle(x - 3.5, top + 4, x + 3.5, end - 4)
        if box.kind == "thermistor":
            yield _line([(x + 8, top + 1), (x - 8, end - 1), (x - 12, end - 1)])
        elif box.kind == "platinum":
            yield _line([(x + 7 * box.side, top + 2), (x - 6 * box.side, end - 3.5)])
        else:
            tip = x - 3.5 * box.side
            yield _line([(start, rows[1]), (tip, rows[1])])
            yield _area([(tip, rows[1]), (tip - 4 * box.side, rows[1] - 2), (tip - 4 * box.side, rows[1] + 2)])


def _power_symbol(box: Box, mid: float) -> Iterator[Piece]:
    """Battery, fuse, key switch or ground stud; the terminals are on top, 6 points in from the ends."""
    y, low = box.y0, box.y0 + 9
    if box.kind == "ground":
        yield _line([(mid, y), (mid, low)], lw=1.3)
        for k in range(3):
            yield _line([(mid - 6 + 2 * k, low + 2.5 * k), (mid + 6 - 2 * k, low + 2.5 * k)], lw=1.2)
        return
    left, right = box.x0 + 6, box.x1 - 6
    inner = {"battery": 1.5, "fuse": 0, "key switch": 7}[box.kind]
    yield _line([(left, y), (left, low), (mid - inner, low)], lw=1.3)
    yield _line([(right, y), (right, low), (mid + inner, low)], lw=1.3)
    if box.kind == "battery":  # minus stands left: its plate is the short one
        yield _line([(mid - 1.5, low - 3), (mid - 1.5, low + 3)], lw=2)
        yield _line([(mid + 1.5, low - 6), (mid + 1.5, low + 6)], lw=1)
    elif box.kind == "fuse":
        for edge in (low - 3.5, low + 3.5):
            yield _line([(mid - 10, edge), (mid + 10, edge)])
        for end in (mid - 10, mid + 10):
            yield _line([(end, low - 3.5), (end, low + 3.5)])
    else:
        yield _line([(mid - 7, low), (mid + 6, low - 6)], lw=1.3)


def _finish(root: ET.Element, sheet: Sheet, machine: MachineFile) -> str:
    """Add title, background and text. Text is written here because schemdraw would read $ as mathematics."""
    size = {"width": f"{sheet.width:.2f}", "height": f"{sheet.height:.2f}"}
    out = ET.Element(f"{SVG}svg", {
        "role": "img", "viewBox": f"0 0 {size['width']} {size['height']}", **{k: f"{v}pt" for k, v in size.items()},
        "style": "max-width:100%;height:auto;background:white",
    })  # fmt: skip
    ET.SubElement(out, f"{SVG}title").text = f"Wiring drawing: {machine.title}"
    ET.SubElement(out, f"{SVG}rect", {**size, "fill": "white"})
    for shape in root:
        shape.set("style", shape.get("style", "").replace("stroke-dasharray:-;", ""))
        out.append(shape)
    letters = ET.SubElement(out, f"{SVG}g", {"font-family": FACES, "fill": "black"})
    for label in [*sheet.labels, *(mark.number for mark in sheet.marks)]:
        place = {"x": f"{label.x:.2f}", "y": f"{label.y:.2f}", "font-size": f"{label.size:g}"}
        if label.anchor != "start":
            place["text-anchor"] = label.anchor
        if label.bold:
            place["font-weight"] = "bold"
        ET.SubElement(letters, f"{SVG}text", place).text = label.text
    return as_text(out)
