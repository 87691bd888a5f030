"""What a wiring drawing consists of: boxes, wires, bars, labels and marks, each with its place.

Lengths are in points of the sheet, x to the right, y downwards. No drawing library.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

A4_PT = (277 / 25.4 * 72, 190 / 25.4 * 72)
"""Usable width and height of A4 landscape, points."""
FONT = 7.0
"""Font size of nearly all text on the sheet, points."""
EM = dict.fromkeys(" .,:;/'|!ijltI", 0.29) | dict.fromkeys("fr()-", 0.37) | dict.fromkeys("mwMW%", 0.92)
"""Widths of the narrow and the wide characters as shares of the font size."""
MARGIN = 10.0


@dataclass(frozen=True)
class Label:
    """Text on the sheet; (x, y) is its baseline, `anchor` is start, middle or end."""

    text: str
    x: float
    y: float
    anchor: str = "middle"
    size: float = FONT
    bold: bool = False

    @property
    def extent(self) -> tuple[float, float, float, float]:
        """Estimated (x0, y0, x1, y1)."""
        w = width(self.text, self.size)
        x0 = self.x - {"start": 0, "middle": w / 2, "end": w}[self.anchor]
        return x0, self.y - 0.74 * self.size, x0 + w, self.y + 0.2 * self.size


@dataclass(frozen=True)
class Box:
    """A part: `kind` is the sensor type, `control unit`, `battery`, `fuse`, `key switch` or `ground`.

    `side` is -1 when it stands left of the control unit, 1 right, 0 neither.
    `rows` are the heights of its terminals.
    """

    name: str
    kind: str
    x0: float
    y0: float
    x1: float
    y1: float
    side: int = 0
    rows: tuple[float, ...] = ()


@dataclass(frozen=True)
class Wire:
    """One piece of wire drawn as a polyline from end `a` to end `b`; `net` names its line style."""

    name: str
    a: str
    b: str
    net: str
    points: tuple[tuple[float, float], ...]


@dataclass(frozen=True)
class Bar:
    """A vertical joint: a splice (with its `name`), or the dashed spine of an in-line connector."""

    name: str
    kind: str
    net: str
    x: float
    y0: float
    y1: float
    dots: tuple[float, ...] = ()


@dataclass(frozen=True)
class Mark:
    """A contact point on one wire: the apex of its triangle, and its number."""

    name: str
    wire: str
    x: float
    y: float
    number: Label


@dataclass(frozen=True)
class Sheet:
    """The whole drawing; `points` gives the place of every probe point by name."""

    width: float
    height: float
    boxes: tuple[Box, ...]
    wires: tuple[Wire, ...]
    bars: tuple[Bar, ...]
    marks: tuple[Mark, ...]
    labels: tuple[Label, ...]
    points: dict[str, tuple[float, float]]
    samples: tuple[tuple[str, float, float], ...] = ()

    @property
    def a4_scale(self) -> float:
        """Factor that brings the sheet to A4 landscape."""
        return min(A4_PT[0] / self.width, A4_PT[1] / self.height)


def width(text: str, size: float = FONT) -> float:
    """Estimated width of a text in a common sans-serif face, points; letters outside the table count as wide."""
    return size * sum(EM.get(c, 0.56 if c.islower() or c.isdigit() else 0.7) for c in text)


def cut(text: str, longest: int) -> str:
    """Text on one line, cut with an ellipsis after `longest` characters."""
    text = " ".join(text.split())
    return text if len(text) <= longest else text[: max(1, longest - 1)].rstrip() + "…"


def along(points: tuple[tuple[float, float], ...], share: float, shift: float = 0) -> tuple[float, float]:
    """Point at a share (0 to 1) of the length of a polyline, plus a shift in points."""
    legs = list(pairwise(points))
    total = sum(abs(p[0] - q[0]) + abs(p[1] - q[1]) for p, q in legs)
    rest = min(max(share * total + shift, min(5, total / 2)), total - min(9, total / 2))
    for (x0, y0), (x1, y1) in legs:
        leg = abs(x1 - x0) + abs(y1 - y0)
        if leg and rest <= leg:
            return x0 + (x1 - x0) * rest / leg, y0 + (y1 - y0) * rest / leg
        rest -= leg
    return points[-1]
