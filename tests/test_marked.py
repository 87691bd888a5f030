"""Drawings with rings around points: each at its point, with its word, and none on another."""

import re

from casekit.files import library
from casekit.machine.drawn import drawn
from casekit.teaching.drawing import drawing, full_sheet
from casekit.teaching.marked import UP, marked
from casekit.teaching.places import plan_points

MACHINE = library.machine_file("standby-generator")


def rings(svg: str) -> list[tuple[float, float]]:
    return [(float(x), float(y)) for x, y in re.findall(r'<circle cx="([\d.]+)" cy="([\d.]+)" r="6.0"', svg)]


def test_a_ring_at_every_point_with_its_word():
    places = plan_points(full_sheet(MACHINE), drawn(MACHINE))
    svg = marked(MACHINE, {"B2.1": 3, "X11.8f": "1,4", "control unit": 2, "X99.1": 7})
    assert rings(svg) == [tuple(round(v, 1) for v in places[p]) for p in ("B2.1", "X11.8f")]
    assert ">3</text>" in svg
    assert ">1,4</text>" in svg
    assert svg.count("<svg") == 1


def test_badges_do_not_stand_on_each_other():
    svg = marked(MACHINE, {"X11.8f": 1, "X11.8m": 2})
    (_, y), _ = rings(svg)
    badges = [float(v) for v in re.findall(r'<rect x="[\d.]+" y="([\d.]+)" width="10.0"', svg)]
    assert abs(badges[1] - badges[0]) >= 2 * UP - 0.2
    assert badges[0] < y < badges[1] + UP


def test_a_word_stays_text_and_nothing_to_mark_changes_nothing():
    assert "&lt;b&gt;" in marked(MACHINE, {"B2.1": "<b>"})
    assert marked(MACHINE, {}) == drawing(MACHINE).replace("</svg>", "<g></g></svg>")
