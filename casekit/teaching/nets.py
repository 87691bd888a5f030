"""The order of things on a wiring drawing: rows, sides and lanes.

In: a `MachineFile`. Out: what hangs from what, and on which side, row and lane of the control unit it is drawn.
Every sensor cavity owns one row; a net keeps to the rows of its cavities and joins them with splice bars.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass

import networkx as nx

from casekit.files.harness import CAVITIES, Piece, pieces
from casekit.files.schema import MachineFile

LEFT, RIGHT = -1, 1
TWIN = "'"
"""Ends the name of the second bar of a splice that is drawn on both sides."""
FAR = 1e6
BAND, TOP = 14.0, 30.0
"""Height of a band between sensors and of the title, points."""


@dataclass
class Half:
    """The cavities of a sensor that go to one side; a double potentiometer can have two halves."""

    name: str
    kind: str
    title: str
    cavities: list[str]
    side: int = LEFT
    through: tuple[str, ...] = ()


class Nets:
    """The order of things without lengths: what hangs from what, on which side, row and lane."""

    def __init__(self, machine: MachineFile, pitch: float):
        self.m, self.pitch = machine, pitch
        unit, battery = machine.control_unit, machine.battery.name
        self.pieces = list(pieces(machine))
        self.power = {f"{battery}.+", f"{battery}.-", *machine.grounds}
        self.power |= {f"{n}.{k}" for n in (*machine.fuses, machine.key_switch.name) for k in (1, 2)}
        self.copper = nx.MultiGraph()
        for piece in self.pieces:
            self.copper.add_edge(node_of(piece.a), node_of(piece.b), key=piece.name, piece=piece)
        self.inline = {node_of(end): end[:-1].rsplit(".", 1)[0] for p in self.pieces for end in (p.a, p.b)
                       if end != node_of(end)}  # fmt: skip
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
                found.append(Half(name, sensor.type, f"{name} {sensor.title}", group, fixed.get(
                    self.pins.get(pin, ""), LEFT), through))  # fmt: skip
            if len(found) == 2 and found[0].side == found[1].side and fixed:
                found = [Half(name, sensor.type, found[0].title, cavities, found[0].side, found[0].through)]
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
        self.titles: list[tuple[Half, float]] = []
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
        ends = {node_of(e) for p in self.track_of for e in (p.a, p.b)}
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

    def _beside(self, a: str, b: str) -> bool:
        """Whether the bars of two splices share a zone and a height, names above them included."""
        if (self.side[a], self.zone[a]) != (self.side[b], self.zone[b]):
            return False
        (a0, a1), (b0, b1) = self.span[a], self.span[b]
        return a0 - 2 < b1 + 12 and b0 - 2 < a1 + 12


def node_of(end: str) -> str:
    """The node a wire end belongs to: both halves of an in-line cavity are one node."""
    return end[:-1] if end[-1] in "fm" and "." in end else end
