"""The board: the drawing as a live picture, on which leads are landed and parts are picked.

In: a bench. Out: an anywidget that shows what the bench is like now and says what was picked. It
computes nothing and knows nothing but the drawing: what it sends to the browser is what a trainee may see.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

import anywidget
import networkx as nx
import traitlets

from casekit.bench.reading import Finding, Move
from casekit.files.schema import MachineFile
from casekit.machine.harness import Wire
from casekit.machine.machine import Machine
from casekit.machine.state import State
from casekit.teaching.drawing import drawing, full_sheet
from casekit.teaching.places import on_edge, plan_points
from casekit.teaching.practice import Practice
from casekit.teaching.sheet import Sheet, along

EDGE, TITLE = 5.0, 9.0  # points around the cavities of a plug, and above a sensor for its title
COLUMN, GAP = 12.0, 40.0  # cavities nearer than that across, and down, belong to one group
Pick = Callable[[str, str, str], None]


class Sketch(anywidget.AnyWidget):
    """The drawing of one machine. `picked(kind, name, lead)` is called with what was picked: kind is "point" (with the
    lead in hand, "red" or "black"), "plug" or "spot" (a contact point)."""

    _esm = Path(__file__).with_suffix(".js")
    _css = Path(__file__).with_suffix(".css")
    svg = traitlets.Unicode().tag(sync=True)
    plan = traitlets.Dict().tag(sync=True)
    now = traitlets.Dict().tag(sync=True)

    def __init__(self, machine: MachineFile, plant: Machine, svg: str, picked: Pick):
        self._picked, self._count = picked, 0
        super().__init__(svg=svg, plan=plan(machine, plant))
        self.on_msg(self._heard)

    def _tell(self, now: dict[str, object], copper: nx.Graph, wires: Sequence[Wire]) -> None:
        """Show how things are now, with what copper joins."""
        self._count += 1
        net = {name: k for k, some in enumerate(nx.connected_components(copper)) for name in some}
        ties = {p["name"]: net[p["name"]] for p in self.plan["points"] if p["name"] in net}
        self.now = {"count": self._count, **now, "nets": {w.name: net[w.a] for w in wires}, "ties": ties}

    def _heard(self, widget: Sketch, content: object, buffers: object) -> None:
        """A message from the browser; what is no pick of something on the drawing is left alone."""
        if not isinstance(content, dict):
            return
        kind, name, lead = (str(content.get(k, "")) for k in ("kind", "name", "lead"))
        if kind in ("point", "plug", "spot"):
            self._picked(kind, name, "black" if lead == "black" else "red")


class Board(Sketch):
    """The drawing of the machine on a bench."""

    def __init__(self, bench: Practice, picked: Pick):
        self._bench = bench
        super().__init__(bench.machine_file, bench.drawing, bench.picture.svg, picked)
        self._points = {p["name"]: (p["x"], p["y"]) for p in self.plan["points"]}
        self._paths = {w["name"]: w["points"] for w in self.plan["wires"]}
        self.show()

    def show(self, red: str = "", black: str = "", said: str = "") -> None:
        """Show the bench as it is now, with the leads on these points (empty: nowhere), and say a sentence."""
        bench, state = self._bench, self._bench.state
        copper = bench.drawing.copper(state.unplugged)
        copper.add_edges_from(state.joined)
        moved = [e for e in bench.events if isinstance(e, Move) and e.action in ("shift", "open harness")]
        now = {
            "said": said,
            "reach": bench.probe_points(),
            "bared": {p: list(self._bared(p)) for p in sorted(state.bared) if self._bared(p)},
            "apart": sorted(state.unplugged),
            "red": red,
            "black": black,
            "looked": sorted({e.point for e in bench.events if isinstance(e, Finding)}),
            "moved": sorted({e.what.removesuffix(" gently").removesuffix(" hard") for e in moved}),
        }
        self._tell(now, copper, bench.drawing.all(Wire))

    def _bared(self, point: str) -> tuple[float, float] | None:
        """Where a wire was pierced; an opened splice has its place already."""
        name, at, share = point.partition("@")
        return along(self._paths[name], float(share)) if at else self._points.get(point)


class PointBoard(Sketch):
    """The drawing of a sound machine on which points are picked, for exams: no bench is behind it."""

    def __init__(self, machine: MachineFile, plant: Machine, picked: Pick):
        super().__init__(machine, plant, drawing(machine), picked)
        self._plant = plant
        self.plan = self.plan | {"leads": False}
        self.mark("")

    def mark(self, point: str) -> None:
        """Show which point is picked (empty: none)."""
        now = {"said": "", "reach": self._plant.reachable(State()), "bared": {}, "apart": [], "red": point, "black": "",
               "looked": [], "moved": []}  # fmt: skip
        if point in ("", *now["reach"]):
            self._tell(now, self._plant.copper(), self._plant.all(Wire))


def plan(machine: MachineFile, plant: Machine) -> dict[str, object]:
    """Places on the drawing, in its points: probe points, plugs, contact points and wires, with words for each."""
    sheet = full_sheet(machine)
    points = plan_points(sheet, plant)
    colours = {w.wire: w.colour for w in machine.wires}
    at: dict[str, list[str]] = {}
    for wire in sheet.wires:
        words = f"{wire.name} {_colour(wire.name, colours)}".strip()
        for end in (wire.a, wire.b):
            at.setdefault(end, []).append(words)
    plugs = [
        {"name": p.name, "title": p.title, "boxes": _boxes(sheet, [points[c] for c in p.harness])} for p in plant.plugs
    ]
    spots: dict[str, dict] = {}
    for mark in sheet.marks:
        where = plant.contact_point(mark.name).where
        spot = spots.setdefault(mark.name, {"name": mark.name, "where": where, "at": []})
        spot["at"].append([round(mark.x, 1), round(mark.y + 3, 1)])
    return {
        "width": sheet.width,
        "height": sheet.height,
        "points": [
            {"name": n, "x": round(x, 1), "y": round(y, 1), "words": ", ".join(at.get(n, []))}
            for n, (x, y) in points.items()
        ],
        "plugs": plugs,
        "spots": list(spots.values()),
        "splices": [
            {"name": b.name, "x": round(b.x, 1), "y0": round(b.y0, 1), "y1": round(b.y1, 1)}
            for b in sheet.bars
            if b.kind == "splice" and b.name
        ],
        "wires": [
            {
                "name": w.name,
                "words": f"{_colour(w.name, colours)} from {w.a} to {w.b}".strip(),
                "points": [[round(x, 1), round(y, 1)] for x, y in w.points],
            }
            for w in sheet.wires
        ],
    }


def _boxes(sheet: Sheet, cavities: list[tuple[float, float]]) -> list[list[float]]:
    """Where a plug is on the drawing, (x0, y0, x1, y1) each: the boxes of a sensor, else around each group of cavities
    that stand below one another."""
    found, rest = [], list(cavities)
    for box in sheet.boxes:
        mine = [p for p in rest if box.side and on_edge(box, *p)]
        if mine:
            found.append((box.x0, box.y0 - TITLE, box.x1, box.y1))
            rest = [p for p in rest if p not in mine]
    groups: list[list[tuple[float, float]]] = []
    for p in sorted(rest, key=lambda p: (round(p[0] / COLUMN), p[1])):
        near = groups and abs(groups[-1][-1][0] - p[0]) < COLUMN and p[1] - groups[-1][-1][1] < GAP
        groups[-1].append(p) if near else groups.append([p])
    for some in groups:
        xs, ys = zip(*some, strict=True)
        found.append((min(xs) - EDGE, min(ys) - EDGE, max(xs) + EDGE, max(ys) + EDGE))
    return [[round(v, 1) for v in box] for box in found]


def _colour(piece: str, colours: dict[str, str]) -> str:
    """The colour of a piece of wire: pieces of one run are named by letters after the run's name."""
    return colours.get(piece, colours.get(piece.rstrip("abcdefgh"), ""))
