"""Where everything stands on the wiring drawing of a machine.

In: a `MachineFile`. Out: a `Sheet`. The control unit stands in the middle. What cannot run along the rows of its
cavities (power feed, grounds, nets that change sides) runs on tracks between the rows and the power strip below.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator
from itertools import pairwise

from casekit.files.harness import Piece
from casekit.files.schema import MachineFile
from casekit.teaching.nets import BAND, LEFT, RIGHT, TOP, TWIN, Half, Nets, node_of
from casekit.teaching.sheet import A4_PT, FONT, MARGIN, Bar, Box, Label, Mark, Sheet, Wire, along, cut, width

FLOOR = 5.52
"""The least size text may have on A4, points."""
PITCH = (16.0, 24.0)
TRACK, LANE = 12.0, 7.0
SENSOR, LIFT = 56.0, 2.2


def layout(machine: MachineFile, below: float = 0) -> Sheet:
    """Lay the drawing out, with rows spread to the shape of the paper and long names cut where they must be.

    `below` is the height (points) kept free under the power strip for a legend.
    """
    for longest in (26, 18, 16, 14, 13):
        plan = Plan(machine, PITCH[0], longest)
        sheet = plan.sheet(below)
        spare = (sheet.width * A4_PT[1] / A4_PT[0] - sheet.height) / max(1, plan.depth)
        if spare > 0:
            sheet = Plan(machine, min(PITCH[0] + spare, PITCH[1]), longest).sheet(below)
        if A4_PT[0] / sheet.width * FONT >= FLOOR:
            break
    return sheet


class Plan(Nets):
    """Coordinates of everything, for one row pitch and one greatest length of wire labels."""

    def __init__(self, machine: MachineFile, pitch: float, longest: int):
        super().__init__(machine, pitch)
        self.longest = longest

    def text(self, piece: Piece) -> str:
        """Name and colour of a piece, the colour cut when too long."""
        return f"{piece.name} {cut(piece.colour, max(3, self.longest - len(piece.name) - 1))}"

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
                node = node_of(end)
                if node not in self.power and node not in self.splices:
                    inward = node not in self.inline or self.parent.get(node, ("", None))[1] is piece
                    found.append((piece.name, node, 0 if inward else self.column[self.column_key[node]] + 1))
        return found

    def _name(self, name: str, x: float, y: float, side: int, text: str = "") -> None:
        """Name a terminal beside its row, on the side away from the wire."""
        self.points[name] = (x, y)
        self.labels.append(Label(text or name, x - side * 4, y + 2.4, "end" if side > 0 else "start"))

    def _sensor(self, half: Half, y: float) -> Box:
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
                ends = ((x1, y), (x0, y)) if node_of(piece.b) == node else ((x0, y), (x1, y))
                self.wires[piece.name] = Wire(piece.name, piece.a, piece.b, self.net[node], ends)
            if piece.name in self.put:
                where = self.x[("label", *self.put[piece.name])]
                self.labels.append(Label(self.text(piece), where, self.row[node] - LIFT))
        groups = defaultdict(list)
        for node, key in self.column_key.items():
            side, y = self.side[node], self.row[node]
            groups[key].append(y)
            for piece in (d["piece"] for *_, d in self.copper.edges(node, data=True)):
                end = piece.a if node_of(piece.a) == node else piece.b
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
        texts = [width(self.text(p)) for p in self.track_of if {node_of(p.a), node_of(p.b)} <= self.power]
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
            node = node_of(end)
            return (
                self.riser[node] if node in self.power else self.x[node if node in self.splices else (piece.name, node)]
            )

        level: dict[str, int] = {}
        spans: dict[str, tuple[float, float]] = {}
        inside = {p.name: {node_of(p.a), node_of(p.b)} <= self.power for p in self.track_of}
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
                node, x = node_of(end), place(piece, end)
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
            self.wires[piece.name] = Wire(piece.name.removesuffix(TWIN), a, b, self.net[node_of(piece.a)], path)
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
                x, y = along(self.wires[wire].points, share)
                around = (x - 45, y - 45, x + 45, y + 45)
                things = [t for t in taken if _meet(around, t)]
                near = [(n, q) for n, q in lines if _meet(around, q)]
                for shift in sorted(range(-30, 31, 3), key=abs):
                    x, y = along(self.wires[wire].points, share, shift)
                    body = (x - 3, y + 1, x + 3, y + 6)
                    for way, anchor in ((3.5, "start"), (-3.5, "end")):
                        label = Label(str(number), x + way, y + 7, anchor)
                        cost = sum(_meet(body, t) + _meet(label.extent, t) for t in things)
                        cost += sum(_meet(label.extent, q) + (n != wire and _meet(body, q)) for n, q in near)
                        if best is None or cost < best[0]:
                            best = (cost, label, x, y, body)
                    if not best[0]:
                        break
                _, label, x, y, body = best
                taken += [label.extent, body]
                yield Mark(name, wire, x, y, label)


def _meet(a: tuple[float, ...], b: tuple[float, ...]) -> bool:
    """Whether two rectangles (x0, y0, x1, y1) have an area in common."""
    return a[0] < b[2] and b[0] < a[2] and a[1] < b[3] and b[1] < a[3]
