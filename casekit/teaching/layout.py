"""Where everything stands on the wiring drawing of a machine.

In: a `MachineFile`. Out: a `Sheet` of boxes, wires, splice bars, labels and marks. No drawing library.

Lengths are in points of the sheet, x to the right, y downwards. The control unit stands in the middle. On each side
every sensor cavity owns one row; a net keeps to the rows of its cavities and joins them with splice bars. What cannot
do so (power feed, grounds, nets that change sides) runs on tracks between the rows and the power strip at the bottom.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise

import networkx as nx

from casekit.files.harness import CAVITIES, Piece, pieces
from casekit.files.schema import MachineFile

A4_PT = (277 / 25.4 * 72, 190 / 25.4 * 72)
"""Usable width and height of A4 landscape, points."""
FONT, FLOOR = 7.0, 5.52
"""Font size of nearly all text on the sheet and the least size it may have on A4, points."""
EM = dict.fromkeys(" .,:;/'|!ijltI", 0.29) | dict.fromkeys("fr()-", 0.37) | dict.fromkeys("mwMW%", 0.92)
"""Widths of the narrow and the wide characters as shares of the font size."""
LEFT, RIGHT = -1, 1
TWIN = "'"
"""Ends the name of the second bar of a splice that is drawn on both sides."""
PITCH = (16.0, 24.0)
BAND, MARGIN, TOP, TRACK, LANE = 14.0, 10.0, 30.0, 12.0, 7.0
SENSOR, LIFT, FAR = 56.0, 2.2, 1e6


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

    `side` is where its wires are not: -1 when it stands left of the control unit, 1 right, 0 neither.
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


def layout(machine: MachineFile, below: float = 0) -> Sheet:
    """Lay the drawing out, with rows spread to the shape of the paper and long names cut where they must be.

    `below` is the height (points) kept free under the power strip for a legend.
    """
    for longest in (26, 18, 13):
        plan = _Plan(machine, PITCH[0], longest)
        sheet = plan.sheet(below)
        spare = (sheet.width * A4_PT[1] / A4_PT[0] - sheet.height) / max(1, plan.depth)
        if spare > 0:
            sheet = _Plan(machine, min(PITCH[0] + spare, PITCH[1]), longest).sheet(below)
        if A4_PT[0] / sheet.width * FONT >= FLOOR:
            break
    return sheet


def cut(text: str, longest: int) -> str:
    """Text on one line, cut with an ellipsis after `longest` characters."""
    text = " ".join(text.split())
    return text if len(text) <= longest else text[: max(1, longest - 1)].rstrip() + "…"


@dataclass
class _Half:
    """The cavities of a sensor that go to one side; a double potentiometer can have two halves."""

    name: str
    kind: str
    title: str
    cavities: list[str]
    side: int = LEFT
    through: tuple[str, ...] = ()


class _Plan:
    """Working state: topology first (sides, rows, lanes), then coordinates."""

    def __init__(self, machine: MachineFile, pitch: float, longest: int):
        self.m, self.pitch, self.longest = machine, pitch, longest
        unit, battery = machine.control_unit, machine.battery.name
        self.pieces = list(pieces(machine))
        self.power = {f"{battery}.+", f"{battery}.-", *machine.grounds}
        self.power |= {f"{n}.{k}" for n in (*machine.fuses, machine.key_switch.name) for k in (1, 2)}
        self.copper = nx.MultiGraph()
        for piece in self.pieces:
            self.copper.add_edge(_node(piece.a), _node(piece.b), key=piece.name, piece=piece)
        self.inline = {_node(end): end[:-1].rsplit(".", 1)[0] for p in self.pieces for end in (p.a, p.b)
                       if end != _node(end)}  # fmt: skip
        self.pins = {n: n.rsplit(".", 1)[0] for n in self.copper if n.rsplit(".", 1)[0] in unit.connectors}
        self.links: list[Piece] = []
        self.splices = [n for n in machine.splices if n in self.copper]
        self.roles = self._roles()
        self.net = {n: self._style(part) for part in nx.connected_components(self.copper) for n in part}
        self._forest()
        self._sides()
        self._twins()
        self._rows()
        self._columns()

    # ---- topology -------------------------------------------------------------------------------------------------

    def _roles(self) -> dict[str, str]:
        unit = self.m.control_unit
        roles = dict.fromkeys(unit.returns, "return") | dict.fromkeys(unit.grounds, "ground")
        roles |= dict.fromkeys(unit.inputs, "in") | {unit.feed: "feed"}
        return roles | {p: f"{n} {s.nominal_v:g} V" for n, s in unit.supplies.items() for p in s.pins}

    def _style(self, part: set[str]) -> str:
        roles = {self.roles.get(n, "") for n in part}
        for name, supply in self.m.control_unit.supplies.items():
            if part & set(supply.pins):
                return f"supply {name}"
        if part & self.power or roles & {"feed", "ground"}:
            return "feed and ground"
        return "return" if "return" in roles else "signal"

    def _forest(self) -> None:
        """Hang every net from one control unit pin, or from the power strip; what closes a loop stays outside."""
        self.parent: dict[str, tuple[str, Piece]] = {}
        self.order: list[str] = []
        tree = set()
        seen: set[str] = set()
        for root in (*self.pins, *self.power_order(), *self.copper):
            if root not in self.copper or root in seen:
                continue
            seen.add(root)
            queue = [root]
            for node in queue:
                for _, other, data in self.copper.edges(node, data=True):
                    if other not in seen:
                        seen.add(other)
                        queue.append(other)
                        self.parent[other] = (node, data["piece"])
                        tree.add(data["piece"].name)
            self.order += queue
        self.loose = [p for p in self.pieces if p.name not in tree]
        self.children = defaultdict(list)
        for node in self.order:
            if node in self.parent:
                self.children[self.parent[node][0]].append(node)

    def power_order(self) -> list[str]:
        """Terminals of the power strip from left to right."""
        battery = self.m.battery.name
        minus = f"{battery}.-"
        near = [g for g in self.m.grounds if g in self.copper and minus in self.copper and
                self.copper.has_edge(g, minus)]  # fmt: skip
        chain = [f"{n}.{k}" for n in (*self.m.fuses, self.m.key_switch.name) for k in (1, 2)]
        return [*near, minus, f"{battery}.+", *chain, *(g for g in self.m.grounds if g not in near)]

    def _sides(self) -> None:
        unit = self.m.control_unit
        names = list(unit.connectors)
        fixed = {n: LEFT if k < (len(names) + 1) // 2 else RIGHT for k, n in enumerate(names)} if names[1:] else {}
        halves = []
        for name, sensor in self.m.sensors.items():
            cavities = [f"{name}.{k}" for k in range(1, CAVITIES[sensor.type] + 1)]
            groups = [cavities[:3], cavities[3:]] if sensor.type == "double potentiometer" else [cavities]
            found = []
            for group in groups:
                signal = group[min(1, len(group) - 2)]
                chain = self._chain(signal)
                pin = next((n for n in reversed(chain) if n in self.pins), None)
                through = tuple(self.inline[n] for n in chain if n in self.inline)
                found.append(_Half(name, sensor.type, f"{name} {sensor.title}", group, fixed.get(
                    self.pins.get(pin, ""), LEFT), through))  # fmt: skip
            if len(found) == 2 and found[0].side == found[1].side and fixed:
                found = [_Half(name, sensor.type, found[0].title, cavities, found[0].side, found[0].through)]
            for half, part in zip(found, ("1 to 3", "4 to 6") if found[1:] else ("",), strict=True):
                half.title = f"{name} ({part}) {sensor.title}" if part else half.title
            halves += found
        ranks: dict[tuple[str, ...], int] = {}
        for half in halves:
            ranks.setdefault(half.through, len(ranks) if half.through else 10**6)
        halves.sort(key=lambda h: ranks[h.through])
        total = sum(len(h.cavities) for h in halves)
        if not fixed and total > 12:
            count = 0
            for half in halves:
                half.side = LEFT if count < total / 2 - 1 else RIGHT
                count += len(half.cavities)
        self.halves = halves
        self.side = {c: h.side for h in halves for c in h.cavities}
        votes = defaultdict(int, self.side)
        for node in reversed(self.order):
            if node in self.parent:
                votes[self.parent[node][0]] += votes[node]
        for node in self.order:
            if node in self.pins and self.pins[node] in fixed:
                self.side[node] = fixed[self.pins[node]]
            elif node not in self.power and node not in self.side:
                above = self.side.get(self.parent[node][0], LEFT) if node in self.parent else LEFT
                self.side[node] = (votes[node] > 0) - (votes[node] < 0) or above

    def _chain(self, node: str) -> list[str]:
        """A node and what it hangs from, up to the root."""
        chain = [node]
        while chain[-1] in self.parent:
            chain.append(self.parent[chain[-1]][0])
        return chain

    def _twins(self) -> None:
        """A splice with two or more branches on the other side gets a second bar there, joined by one track."""
        for splice in tuple(self.splices):
            side = self.side[splice]
            over = [c for c in self.children[splice] if c not in self.power and self.side[c] == -side]
            over = [c for c in over if c not in self.pins]
            if len(over) < 2:
                continue
            twin = splice + TWIN
            link = Piece(twin, splice, twin, 1, 1, "", 20)
            self.splices.append(twin)
            self.links.append(link)
            self.side[twin], self.net[twin] = -side, self.net[splice]
            self.parent[twin] = (splice, link)
            self.children[splice] = [c for c in self.children[splice] if c not in over] + [twin]
            self.children[twin] = over
            self.parent |= {c: (twin, self.parent[c][1]) for c in over}
            self.order.insert(self.order.index(splice) + 1, twin)

    def _rows(self) -> None:
        """Heights of all rows. A trunk keeps the row of its first branch, so that it runs straight."""
        self.row: dict[str, float] = {}
        self.titles: list[tuple[_Half, float]] = []
        self.bottom = dict.fromkeys((LEFT, RIGHT), TOP + BAND)
        for half in self.halves:
            y = self.bottom[half.side] + BAND
            self.titles.append((half, y))
            for k, cavity in enumerate(half.cavities):
                self.row[cavity] = y + (k + 0.6) * self.pitch
            self.bottom[half.side] = y + (len(half.cavities) + 0.2) * self.pitch
        self.joined: dict[str, list[float]] = defaultdict(list)
        self.track_of: list[Piece] = list(self.loose)
        spare: dict[str, list[float]] = defaultdict(list)
        for node in reversed(self.order):
            if node in self.power:
                continue
            if node in self.splices:
                rows = sorted(self.joined[node])
                direct = node in self.parent and self._same_side(node)
                if direct:
                    self.row[node] = rows[0] if rows else self._new_row(node)
                    self.joined[node].append(self.row[node])
                    spare[node] = rows[1:]
            elif node not in self.row:
                kids = [c for c in self.children[node] if c in self.row and self._same_side(c)]
                if node in self.pins and node in self.parent and self._same_side(node):
                    continue
                self.row[node] = self.row[kids[0]] if kids else self._new_row(node)
            if node in self.parent and self._same_side(node) and node in self.row:
                self.joined[self.parent[node][0]].append(self.row[node])
        for node in self.order:
            if node in self.parent and not self._same_side(node):
                self.track_of.append(self.parent[node][1])
            if node in self.pins and node not in self.row:
                above = self.parent[node][0]
                self.row[node] = spare[above].pop(0) if spare[above] else self._new_row(node)
                self.joined[above].append(self.row[node])
        self.depth = (max(self.bottom.values()) - TOP) / self.pitch

    def _new_row(self, node: str) -> float:
        side = self.side[node]
        self.bottom[side] += self.pitch
        return self.bottom[side] - 0.4 * self.pitch

    def _same_side(self, node: str) -> bool:
        """Whether a node and what it hangs from can be joined by a straight row."""
        above = self.parent[node][0]
        if node in self.power or above in self.power or self.side[node] != self.side[above]:
            return False
        return node not in self.pins or above in self.splices

    def _columns(self) -> None:
        """Zones and connector columns, counted from the control unit outwards; lanes of the splices in each zone."""
        for whole in (True, False):
            self.column_key = {n: (self.side[n], x if whole else n, x) for n, x in self.inline.items()}
            self.zone = dict.fromkeys(self.order, 0)
            column: dict[tuple, int] = defaultdict(int)
            for _ in range(12):
                before = dict(column)
                for node in self.order:
                    if node in self.parent and self._same_side(node):
                        above = self.parent[node][0]
                        self.zone[node] = (
                            column[self.column_key[above]] + 1 if above in self.inline else self.zone[above]
                        )
                    if node in self.inline:
                        key = self.column_key[node]
                        column[key] = max(column[key], self.zone[node])
                if before == dict(column):
                    break
            else:
                continue
            break
        self.column = dict(column)
        # lanes: bars of one zone that would lie side by side get lanes of their own, a branch outside its trunk
        self.span: dict[str, tuple[float, float]] = {}
        self.lane: dict[str, int] = {}
        ends = {_node(e) for p in self.track_of for e in (p.a, p.b)}
        for node in self.order:
            if node not in self.splices:
                continue
            ys = self.joined[node] or [FAR]
            self.span[node] = (min(ys), FAR if node in ends else max(ys))
            above = self.parent[node][0] if node in self.parent else ""
            same = above in self.lane and self.side[above] == self.side[node] and self.zone[above] == self.zone[node]
            lane = self.lane[above] + 1 if same else 0
            while any(self._beside(node, o) and self.lane[o] == lane for o in self.lane):
                lane += 1
            self.lane[node] = lane

    def text(self, piece: Piece) -> str:
        """Name and colour of a piece, the colour cut when too long."""
        return f"{piece.name} {cut(piece.colour, max(3, self.longest - len(piece.name) - 1))}"

    def _beside(self, a: str, b: str) -> bool:
        """Whether the bars of two splices share a zone and a height, names above them included."""
        if (self.side[a], self.zone[a]) != (self.side[b], self.zone[b]):
            return False
        (a0, a1), (b0, b1) = self.span[a], self.span[b]
        return a0 - 2 < b1 + 12 and b0 - 2 < a1 + 12

    # ---- coordinates ----------------------------------------------------------------------------------------------

    def sheet(self, below: float) -> Sheet:
        """Work out all coordinates."""
        unit, sides = self.m.control_unit, (LEFT, RIGHT)
        self.labels, self.bars, self.points = [], [], {}
        self.wires: dict[str, Wire] = {}
        roles = {n: f"{n} {self.roles.get(n, '')}".strip() for n in self.pins}
        half = {s: max([width(t) + 9 for n, t in roles.items() if self.side[n] == s] + [40]) for s in sides}
        self.far, self.outer = {}, {}
        offsets = {s: self._across(s) for s in sides}
        reach = {s: half[s] + self.far[s] + SENSOR for s in sides}
        strip = self._strip_width() / 2
        cx = MARGIN + max(reach[LEFT], strip)
        right = cx + max(reach[RIGHT], strip) + MARGIN
        self.edge = {s: cx + s * half[s] for s in sides}
        self.x = {key: self.edge[s] + s * d for s in sides for key, d in offsets[s].items()}
        bottom = max(self.bottom.values())
        boxes = [Box(unit.name, "control unit", self.edge[LEFT], TOP, self.edge[RIGHT], bottom)]
        self.labels.append(Label(f"{unit.name} control unit", sum(self.edge.values()) / 2, TOP + 11, bold=True))
        for pin, text in roles.items():
            side = self.side[pin]
            self._name(pin, self.edge[side], self.row[pin], side, text)
        for half_sensor, y in self.titles:
            boxes.append(self._sensor(half_sensor, y))
        self._row_wires()
        boxes += self._tracks(bottom + TRACK, cx - strip)
        marks = tuple(self._marks(boxes))
        wires = tuple(self.wires[p.name] for p in (*self.pieces, *self.links))
        height = max(b.y1 for b in boxes) + 18 + below
        return Sheet(right, height, tuple(boxes), wires, tuple(self.bars), marks, tuple(self.labels), self.points)

    def _across(self, side: int) -> dict[object, float]:
        """Distance of every lane, stub, connector and label of one side from the control unit, by key."""
        keys = {k for k in self.column_key.values() if k[0] == side}
        last = max(
            [self.column[k] + 1 for k in keys] + [self.zone[s] for s in self.splices if self.side[s] == side] + [0]
        )
        gaps: dict[tuple[int, int], float] = defaultdict(lambda: LANE)
        lanes = [1 + max([n for s, n in self.lane.items() if (self.side[s], self.zone[s]) == (side, z)], default=-1)
                 for z in range(last + 1)]  # fmt: skip
        for s, n in self.lane.items():
            if self.side[s] == side:
                wide = width(s.removesuffix(TWIN)) * 1.1 + 4
                gaps[self.zone[s], n] = max(gaps[self.zone[s], n], wide if n else wide / 2)
                gaps[self.zone[s], n + 1] = max(gaps[self.zone[s], n + 1], wide / 2)
        self.put: dict[str, tuple] = getattr(self, "put", {})
        for node in self.order:
            if node not in self.parent or node not in self.row or self.side[node] != side or node in self.power:
                continue
            above, piece = self.parent[node]
            if node in self.splices and self._same_side(node):
                near = above in self.lane and self.zone[above] == self.zone[node]
                spot = (self.zone[node], self.lane[above] + 1 if near else 0)
            elif node in self.pins:
                if not self._same_side(node):
                    continue
                spot = (0, 0)
            else:
                zone = self.column[self.column_key[node]] if node in self.inline else last
                spot = (zone, lanes[zone])
            self.put[piece.name] = (side, *spot)
            gaps[spot] = max(gaps[spot], width(self.text(piece)) + 6)
        stubs = defaultdict(list)
        for piece, node, zone in sorted(self._stubs(), key=lambda t: -self.row[t[1]]):
            if self.side[node] == side:
                stubs[zone].append((piece, node))
        place, d = {}, 0.0
        for zone in range(last + 1):
            for key in stubs[zone]:
                d += LANE
                place[key] = d
            for n in range(lanes[zone] + 1):
                place["label", side, zone, n] = d + gaps[zone, n] / 2
                d += gaps[zone, n]
                place |= {s: d for s, k in self.lane.items() if (self.side[s], self.zone[s], k) == (side, zone, n)}
            self.outer[side] = gaps[zone, lanes[zone]]
            d = self._connectors([k for k in keys if self.column[k] == zone], d, place)
        self.far[side] = place["sensor", side] = d
        return place

    def _connectors(self, keys: list[tuple], d: float, place: dict) -> float:
        """Stand the in-line connectors of one column; those whose rows overlap stand side by side."""
        rows = {k: [self.row[n] for n, key in self.column_key.items() if key == k] for k in keys}
        stacks: list[list[tuple]] = []
        for key in sorted(keys, key=lambda k: (min(rows[k]), k[1])):
            for stack in stacks:
                if all(max(rows[o]) + 5 + BAND < self._crown(key[0], rows[key]) for o in stack):
                    stack.append(key)
                    break
            else:
                stacks.append([key])
        for stack in stacks:
            wide = 2 * max(width(f"{n}m") + 5.5 for n, key in self.column_key.items() if key in stack)
            for key in stack:
                place[key] = d + wide / 2
            d += wide
        return d

    def _crown(self, side: int, ys: list[float]) -> float:
        """Height of the name of an in-line connector with rows at `ys`: beside the title of its first sensor."""
        return max([y for h, y in self.titles if h.side == side and y < min(ys)], default=min(ys) - self.pitch / 2)

    def _stubs(self) -> list[tuple[str, str, int]]:
        """Track ends that need a vertical of their own: (piece, node, zone)."""
        found = []
        for piece in self.track_of:
            for end in (piece.a, piece.b):
                node = _node(end)
                if node not in self.power and node not in self.splices:
                    inward = node not in self.inline or self.parent.get(node, ("", None))[1] is piece
                    found.append((piece.name, node, 0 if inward else self.column[self.column_key[node]] + 1))
        return found

    def _name(self, name: str, x: float, y: float, side: int, text: str = "") -> None:
        """Name a terminal beside its row, on the side away from the wire."""
        self.points[name] = (x, y)
        self.labels.append(Label(text or name, x - side * 4, y + 2.4, "end" if side > 0 else "start"))

    def _sensor(self, half: _Half, y: float) -> Box:
        """Box, title and cavities of a sensor half."""
        x0 = self.x["sensor", half.side]
        x1 = x0 + half.side * SENSOR
        for cavity in half.cavities:
            self._name(cavity, x0, self.row[cavity], -half.side)
        title = cut(half.title, int((SENSOR + self.outer[half.side] - 4) / width("x")))
        self.labels.append(Label(title, x1, y - 3, "start" if half.side < 0 else "end", bold=True))
        rows = tuple(self.row[c] for c in half.cavities)
        return Box(half.name, half.kind, min(x0, x1), y, max(x0, x1), rows[-1] + 0.5 * self.pitch, half.side, rows)

    def _inner(self, node: str) -> float:
        """x where the wire towards the control unit leaves a node."""
        if node in self.inline:
            return self.x[self.column_key[node]] - self.side[node] * 3
        if node in self.pins:
            return self.edge[self.side[node]]
        return self.x[node] if node in self.splices else self.x["sensor", self.side[node]]

    def _outer(self, node: str) -> float:
        """x where a wire away from the control unit leaves a node."""
        return self._inner(node) + (6 * self.side[node] if node in self.inline else 0)

    def _row_wires(self) -> None:
        """Wires that stay on their row, their labels, and the in-line connectors."""
        for node, (above, piece) in self.parent.items():
            if self._same_side(node):
                x0, x1 = self._inner(node), self._outer(above)
                if node in self.pins:
                    x0, x1 = self._inner(node), self._inner(above)
                y = self.row[node]
                ends = ((x1, y), (x0, y)) if _node(piece.b) == node else ((x0, y), (x1, y))
                self.wires[piece.name] = Wire(piece.name, piece.a, piece.b, self.net[node], ends)
            if piece.name in self.put:
                where = self.x[("label", *self.put[piece.name])]
                self.labels.append(Label(self.text(piece), where, self.row[node] - LIFT))
        groups = defaultdict(list)
        for node, key in self.column_key.items():
            side, y = self.side[node], self.row[node]
            groups[key].append(y)
            for piece in (d["piece"] for *_, d in self.copper.edges(node, data=True)):
                end = piece.a if _node(piece.a) == node else piece.b
                inner = self.parent.get(node, ("", None))[1] is piece
                x = self._inner(node) if inner else self._outer(node)
                self.points[end] = (x, y)
                out = -side if inner else side
                self.labels.append(Label(end, x + out * 2, y - LIFT, "start" if out > 0 else "end"))
        for key, ys in groups.items():
            top = self._crown(key[0], ys)
            self.labels.append(Label(key[2], self.x[key], top - 3, bold=True))
            self.bars.append(Bar(key[2], "connector", "", self.x[key], top - 1, max(ys) + 4))

    def _strip_width(self) -> float:
        """Width of the power strip; also settles where its terminals stand, from its left end."""
        texts = [width(self.text(p)) for p in self.track_of if {_node(p.a), _node(p.b)} <= self.power]
        self.riser, self.devices, d = {}, [], 0.0
        kinds = dict.fromkeys(self.m.fuses, "fuse") | {self.m.battery.name: "battery"}
        kinds |= {self.m.key_switch.name: "key switch"} | dict.fromkeys(self.m.grounds, "ground")
        for terminal in self.power_order():
            name = terminal.rsplit(".", 1)[0]
            if not self.devices or self.devices[-1][0] != name:
                d += max([60.0, *(t + 14 for t in texts)]) if self.devices else 36
                self.devices.append((name, kinds[name], d))
            else:
                d += 36
            self.riser[terminal] = d
        return d + 36

    def _tracks(self, top: float, left: float) -> list[Box]:
        """Route what runs on tracks above the power strip; returns the boxes of the strip."""
        self.riser = {n: left + d for n, d in self.riser.items()}

        def place(piece: Piece, end: str) -> float:
            node = _node(end)
            return (
                self.riser[node] if node in self.power else self.x[node if node in self.splices else (piece.name, node)]
            )

        level: dict[str, int] = {}
        spans: dict[str, tuple[float, float]] = {}
        inside = {p.name: {_node(p.a), _node(p.b)} <= self.power for p in self.track_of}
        for piece in self.track_of:
            spans[piece.name] = tuple(sorted((place(piece, piece.a), place(piece, piece.b))))
        for piece in sorted(self.track_of, key=lambda p: (not inside[p.name], spans[p.name][1] - spans[p.name][0])):
            x0, x1 = spans[piece.name]
            k = 0
            while any(level[n] == k and x0 < spans[n][1] + 9 and spans[n][0] < x1 + 9 for n in level):
                k += 1
            level[piece.name] = k
        base = top + (max(level.values(), default=0) + 1) * TRACK + 6
        height = {n: base - 18 - k * TRACK for n, k in level.items()}
        uses = defaultdict(list)
        walls = []
        for piece in self.track_of:
            y, legs = height[piece.name], []
            for end in (piece.a, piece.b):
                node, x = _node(end), place(piece, end)
                if node in self.power or node in self.splices:
                    uses[node].append(y)
                    legs.append([(x, base), (x, y)] if node in self.power else [(x, y)])
                else:
                    inward = node not in self.inline or self.parent.get(node, ("", None))[1] is piece
                    start = self._inner(node) if inward else self._outer(node)
                    legs.append([(start, self.row[node]), (x, self.row[node]), (x, y)])
                    walls.append((x, self.row[node], y))
            path = tuple(legs[0] + legs[1][::-1])
            a, b = (end.removesuffix(TWIN) for end in (piece.a, piece.b))
            self.wires[piece.name] = Wire(piece.name.removesuffix(TWIN), a, b, self.net[_node(piece.a)], path)
        walls += [(self.riser[n], min(ys), base) for n, ys in uses.items() if n in self.power]
        for node in self.splices:
            self.joined[node] += uses[node]
            walls.append((self.x[node], min(self.joined[node]), max(self.joined[node])))
        self._splices()
        for piece in self.track_of:
            if piece.name not in self.put and piece not in self.links:
                self._track_label(self.text(piece), *spans[piece.name], height[piece.name], walls)
        for node, ys in uses.items():
            if node in self.power and len(ys) > 1:
                self.bars.append(Bar("", "stud", self.net[node], self.riser[node], min(ys), base, tuple(sorted(ys))))
        return [self._device(*device, left, base) for device in self.devices]

    def _track_label(self, text: str, x0: float, x1: float, y: float, walls: list) -> None:
        """Put a label on its track where no vertical and no other label is in the way, near the middle."""
        middle, w = (x0 + x1) / 2, width(text) / 2 + 2
        for step in sorted(range(-int(x1 - x0) - 90, int(x1 - x0) + 91, 3), key=abs):
            label = Label(text, middle + step / 2, y - LIFT)
            a0, b0, a1, b1 = label.extent
            clear = all(not (label.x - w < x < label.x + w and top < b1 and b0 < bottom) for x, top, bottom in walls)
            if clear and all(a0 > o[2] or a1 < o[0] or b0 > o[3] or b1 < o[1] for o in (q.extent for q in self.labels)):
                break
        else:
            label = Label(text, middle, y - LIFT)
        self.labels.append(label)

    def _device(self, name: str, kind: str, at: float, left: float, y: float) -> Box:
        """A part of the power strip with its terminals on top."""
        terminals = [n for n in self.riser if n == name or n.rsplit(".", 1)[0] == name]
        xs = [self.riser[n] for n in terminals]
        for k, terminal in enumerate(terminals):
            self.points[terminal] = (xs[k], y)
            last = k == len(terminals) - 1
            self.labels.append(Label(terminal, xs[k] + (3 if last else -3), y - 3, "start" if last else "end"))
        if kind != "ground":
            word = f"{self.m.fuses[name].rating_a:g} A" if kind == "fuse" else kind
            self.labels.append(Label(f"{name} {word}", (xs[0] + xs[-1]) / 2, y + 26))
        return Box(name, kind, xs[0] - 6, y, xs[-1] + 6, y + 16, 0, (y,))

    def _splices(self) -> None:
        for node in self.splices:
            ys = sorted(self.joined[node])
            name = node.removesuffix(TWIN)
            self.bars.append(Bar(name, "splice", self.net[node], self.x[node], ys[0], ys[-1], tuple(ys)))
            self.labels.append(Label(name, self.x[node], ys[-1] + 7, bold=True))

    def _marks(self, boxes: list[Box]) -> Iterator[Mark]:
        """Contact points, moved a little along their wire where something else would cover them."""
        taken = [label.extent for label in self.labels] + [(b.x0, b.y0, b.x1, b.y1) for b in boxes]
        lines = [("", (b.x - 1, b.y0, b.x + 1, b.y1)) for b in self.bars]
        for path in self.wires.values():
            for (xa, ya), (xb, yb) in pairwise(path.points):
                lines.append((path.name, (min(xa, xb) - 1, min(ya, yb) - 1, max(xa, xb) + 1, max(ya, yb) + 1)))
        for number, (name, point) in enumerate(self.m.contact_points.items(), 1):
            for wire, share in point.wires.items():
                best = None
                for shift in sorted(range(-30, 31, 3), key=abs):
                    x, y = along(self.wires[wire].points, share, shift)
                    body = (x - 3, y + 1, x + 3, y + 6)
                    for way, anchor in ((3.5, "start"), (-3.5, "end")):
                        label = Label(str(number), x + way, y + 7, anchor)
                        cost = sum(_meet(body, t) + _meet(label.extent, t) for t in taken)
                        cost += sum(_meet(label.extent, q) + (n != wire and _meet(body, q)) for n, q in lines)
                        if best is None or cost < best[0]:
                            best = (cost, label, x, y, body)
                _, label, x, y, body = best
                taken += [label.extent, body]
                yield Mark(name, wire, x, y, label)


def _meet(a: tuple[float, ...], b: tuple[float, ...]) -> bool:
    """Whether two rectangles (x0, y0, x1, y1) have an area in common."""
    return a[0] < b[2] and b[0] < a[2] and a[1] < b[3] and b[1] < a[3]


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


def _node(end: str) -> str:
    """The node a wire end belongs to: both halves of an in-line cavity are one node."""
    return end[:-1] if end[-1] in "fm" and "." in end else end
