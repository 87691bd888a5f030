"""Where on a drawing every point is that a lead can reach.

In: a `Sheet` and the machine as drawn. Out: places, in the drawing's points.
"""

from __future__ import annotations

from casekit.machine.machine import Machine
from casekit.teaching.sheet import Box, Sheet

INWARD = 8.0  # points from a cavity to the bare pin behind it, which is there while its plug is apart


def plan_points(sheet: Sheet, plant: Machine) -> dict[str, tuple[float, float]]:
    """Where every point is that a lead can ever reach (but for pierced wires): those on the drawing, the bare pins
    behind them, splices."""
    found = dict(sheet.points)
    for plug in plant.plugs:
        for harness, pin in zip(plug.harness, plug.device, strict=True):
            if pin not in found:
                x, y = found[harness]
                found[pin] = (x + INWARD * _inward(sheet, x, y), y)
    for bar in sheet.bars:
        if bar.kind == "splice" and bar.name:
            found[bar.name] = (bar.x, bar.dots[0] if bar.dots else bar.y0)
    return found


def _inward(sheet: Sheet, x: float, y: float) -> int:
    """Which way the inside of the part lies on whose edge a cavity is."""
    return next((1 if abs(x - box.x0) < 1 else -1 for box in sheet.boxes if on_edge(box, x, y)), 1)


def on_edge(box: Box, x: float, y: float) -> bool:
    """Whether a place lies on the left or right edge of a part."""
    return box.y0 <= y <= box.y1 and min(abs(x - box.x0), abs(x - box.x1)) < 1
