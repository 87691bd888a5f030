"""What all states of a machine that differ only in what is unplugged have in common: numbers of nodes and elements.

In: a machine and a state. Out: a `Layout`: the network with everything plugged in and what its valves look at, and
changes as arrays of numbers, so that a change that was met before costs one look in a dictionary.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import scipy.sparse as sp

from casekit.circuit.change import Change, Port, Side, joined
from casekit.circuit.network import SHUT, Network, Row
from casekit.circuit.numbered import Numbered
from casekit.machine.harness import Contact
from casekit.machine.law import Cap, Capacitor, Element, Valve
from casekit.machine.machine import Machine
from casekit.machine.state import State

MACHINES, STATES = 8, 16  # layouts kept: of so many machines, of so many states each
MOST = 1 << 15  # changes kept by number
LISTS = 16  # lists of changes kept as arrays
KEPT = 4  # patterns remembered for every place
NO_PORT = Port(Side(), Side(), 1.0)
UNKNOWN = -2  # in a pattern: nothing is remembered, the valve starts where it is in the healthy network
Look = tuple[tuple[int, ...], tuple[float, ...], float]


class Layout:
    """The network of a machine with everything plugged in, and its valves' table."""

    def __init__(self, machine: Machine, state: State):
        net = self.network = Network(_with_lonely(machine, state), machine.earth)
        self.size, self.count = net.n + net.m, len(net.valves)
        self.position = {name: net.n + k for name, k in net.position.items()}
        self.at = np.array([net.n + k for k in net.valves], dtype=int)
        self.names = tuple(net.elements[k].name for k in net.valves)
        self.rest = [net.elements[k].rest if state.key != "off" else SHUT for k in net.valves]
        self.seen: dict[frozenset[str], np.ndarray] = {}  # pieces healthy networks settled on, by what is unplugged
        self.contacts: dict[str, list[int]] = {}
        for part in machine.all(Contact):
            numbers = [net.position[el.name] for el in part.elements(state)]
            self.contacts.setdefault(part.connector, []).extend(numbers)
        self.memory: dict = {}  # what changes settled on that did not come easily: {places: (valve names, pieces)}
        self.patterns: list[np.ndarray] = []  # pieces found by the slow search
        self.known = Known(self)
        self._rows()

    def _rows(self) -> None:
        """The table: a row for every cap (allowed current less the valve's own), for every valve shut (less its own
        current), for every gate its voltage less what it needs, and a last one of zeros."""
        net, v = self.network, self.count
        valves = [net.elements[k] for k in net.valves]
        counts = [len(net.rows[k]) for k in net.valves]
        self.owner = np.repeat(np.arange(v), counts)
        self.first = np.cumsum([0, *counts])[:-1].astype(int)
        self.caps = len(self.owner)
        gates = [(j, valve.gate) for j, valve in enumerate(valves) if valve.gate]
        self.gated = np.array([j for j, _ in gates], dtype=int)
        place = within(np.array(counts, dtype=int))  # of each cap within its valve
        later = [np.flatnonzero(place == n) for n in range(1, max(counts, default=0))]
        self.later = [(more, self.owner[more]) for more in later]  # second caps and their valves, third ones, ...
        self.last = self.first + np.array(counts, dtype=int) - 1
        self.shut = self.caps + np.arange(v)
        self.gates = self.caps + v + np.arange(len(gates))
        self.none = self.caps + v + len(gates)
        self.number = np.concatenate([place, np.full(v + len(gates) + 1, SHUT)])
        rows = [self.looking(row, j) for j, k in enumerate(net.valves) for row in net.rows[k]]
        rows += [((i,), (-1.0,), 0.0) for i in self.at.tolist()]
        for _, gate in gates:
            ends = [(net.index[n], s) for n, s in ((gate.plus, 1.0), (gate.minus, -1.0)) if n in net.index]
            rows.append((tuple(i for i, _ in ends), tuple(s for _, s in ends), gate.at_least_v))
        self.looks, self.level = self.looked([*rows, ((), (), 0.0)])

    def over(self, which: np.ufunc, rows: np.ndarray) -> np.ndarray:
        """The least or the largest (np.minimum, np.maximum) of every valve's caps: valves x items, of rows x items."""
        found = rows[self.first]
        for more, j in self.later:
            found[j] = which(found[j], rows[more])
        return found

    def looking(self, row: Row, j: int) -> Look:
        """(unknowns, weights, level) of the current a cap's row allows valve j, less what it carries."""
        return (*row.nodes, int(self.at[j])), (*(k / row.r for k in row.gains), -1.0), row.e / row.r

    def looked(self, rows: Sequence[Look]) -> tuple[sp.csr_matrix, np.ndarray]:
        """(rows x unknowns, their levels)."""
        ends = np.cumsum([0, *(len(i) for i, *_ in rows)])
        index, weights = [i for r in rows for i in r[0]], [w for r in rows for w in r[1]]
        looks = sp.csr_matrix((weights, index, ends), shape=(len(rows), self.size))
        return looks, np.array([level for *_, level in rows])

    def row(self, cap: Cap) -> Row:
        """The equation of a cap that is not in this network."""
        return self.network._row(cap.volts, cap.r_ohm, cap.e_v)

    def guess(self, plugs: frozenset[str]) -> np.ndarray | None:
        """Pieces to start from: those of this state, or what each of its plugs alone is known to change."""
        plain = self.seen.get(frozenset())
        if plugs in self.seen or plain is None:
            return self.seen.get(plugs)
        pieces = plain.copy()
        for plug in plugs:
            alone = self.seen.get(frozenset({plug}), plain)
            pieces = np.where(alone != plain, alone, pieces)
        return pieces

    def unplugged(self, plugs: frozenset[str]) -> tuple[Network, np.ndarray]:
        """(the network with these plugs apart, which unknowns are there): a contact that is apart stays in the
        equations and carries nothing."""
        gone = [k for plug in plugs for k in self.contacts.get(plug, ())]
        there = np.ones(self.size, dtype=bool)
        if not gone:
            return self.network, there
        there[[self.network.n + k for k in gone]] = False
        return self.network.without(gone), there


class Known:
    """Changes and ports by number, with both sides of every port as arrays (ports x longest)."""

    def __init__(self, layout: Layout):
        self.layout = layout
        self.reset()

    def reset(self) -> None:
        """Forget all."""
        self._changes: dict[int, int] = {}
        self._ports: dict[int, int] = {}
        self._lists: dict[bytes, Numbered] = {}
        self._loads: dict[tuple, tuple[Change, Change]] = {}
        self.kept: list[Change] = []  # so that no other object gets their id
        self.own: dict[int, list[tuple[int, tuple[Look, ...]]]] = {}  # {change: (valve, what its caps look at)}
        self.kinds, self.ports = np.zeros(64, dtype=int), np.zeros((64, 1), dtype=int)
        self.owns = np.zeros(64, dtype=bool)  # which changes are in `own`
        self.last = np.full((64, self.layout.count), UNKNOWN, dtype=np.int8)  # pieces a change settled on
        self.special: dict[frozenset[str], dict[int, np.ndarray]] = {}  # by what is apart, where that was no good start
        self.apart = np.full(64, 99, dtype=np.int8)  # with how many plugs apart
        self.sides = [np.zeros((64, 2), dtype=int), np.zeros((64, 2)), np.zeros((64, 2), dtype=int), np.zeros((64, 2))]
        self.values = np.zeros((64, 3))  # e, emf, whether both sides are one
        self._ports[id(NO_PORT)] = 0
        self._enter_ports(0, [NO_PORT])

    def numbered(self, changes: Sequence[Change]) -> Numbered:
        """These changes as arrays; unknown ones get a number. Lists are kept: the next state has the same ones."""
        if len(self.kept) + len(changes) > MOST:
            self.reset()
        known = self._changes
        fresh = [c for c in changes if id(c) not in known]
        if fresh:
            self._enter(fresh)
        numbers = np.array([known[id(c)] for c in changes], dtype=int)
        key = numbers.tobytes()
        found = self._lists.pop(key, None) or Numbered(self, numbers)
        self._lists[key] = found  # the latest last
        while len(self._lists) > LISTS:
            del self._lists[next(iter(self._lists))]
        return found

    def loaded(self, change: Change, pair: tuple[str, str], r_ohm: float) -> Change:
        """A change with a resistance between two nodes more: the same object when asked again."""
        key = id(change), pair, r_ohm
        if key not in self._loads:
            self._loads[key] = change, change + joined(*pair, r_ohm)  # the change too, so that it keeps its id
        return self._loads[key][1]

    def begin(self, numbers: np.ndarray, family) -> np.ndarray:
        """changes x valves: pieces to start from: those a change settled on before, where being unplugged does not say
        something else."""
        last, plain = self.last[numbers], self.layout.seen.get(frozenset(), family.pieces)
        found = np.where((last == UNKNOWN) | (family.pieces != plain), family.pieces, last)
        plugs = family.state.unplugged
        some = [self.special[p] for p in (*(frozenset({plug}) for plug in plugs), plugs) if p in self.special]
        if some:
            where = {n: i for i, n in enumerate(numbers.tolist())}
            for kept in some:
                for n in kept.keys() & where.keys():
                    found[where[n]] = kept[n]
        return found

    def exceptions(self, numbers: np.ndarray, pieces: np.ndarray, family) -> None:
        """Remember what changes settled on that did not start well in this state."""
        kept = self.special.setdefault(family.state.unplugged, {})
        kept.update(zip(numbers.tolist(), pieces, strict=True))

    def keep(self, numbers: np.ndarray, pieces: np.ndarray, family) -> None:
        """Remember what changes settled on, of the state with the fewest plugs apart."""
        apart = len(family.state.unplugged)
        here = self.apart[numbers] >= apart
        self.apart[numbers[here]] = apart
        self.last[numbers[here]] = np.where(pieces == family.pieces, UNKNOWN, pieces)[here]

    def port(self, port: Port) -> int:
        """The number of a port that is known, else -1."""
        return self._ports.get(id(port), -1)

    def _enter(self, changes: Sequence[Change]) -> None:
        """Give new changes numbers, and new ports of theirs."""
        known, ports, position = self._changes, self._ports, self.layout.network.position
        begin, first, fresh, used = len(self.kept), len(ports), [], []
        for change in changes:
            if id(change) in known:
                continue
            k = known[id(change)] = len(self.kept)
            self.kept.append(change)
            row = []
            for port in change.ports:
                if id(port) not in ports:
                    ports[id(port)] = first + len(fresh)
                    fresh.append(port)
                row.append(ports[id(port)])
            used.append(row)
            own = {position[name]: caps for name, caps in change.valves if name in position}
            if own:
                self.own[k] = [self._looks(p, caps) for p, caps in own.items()]
        end, most = len(self.kept) - 1, max(map(len, used))
        self.kinds, self.last = _room(self.kinds, end), _room(self.last, end, fill=UNKNOWN)
        self.apart, self.ports = _room(self.apart, end, fill=99), _room(self.ports, end, most)
        self.kinds[begin : end + 1] = [len(row) for row in used]
        self.owns = _room(self.owns, end)
        self.owns[begin : end + 1] = [k in self.own for k in range(begin, end + 1)]
        _filled(self.ports, begin, used)
        if fresh:
            self._enter_ports(first, fresh)

    def _looks(self, position: int, caps: Sequence[Cap]) -> tuple[int, tuple[Look, ...]]:
        """(valve, what it looks at with these caps)."""
        lay = self.layout
        j = lay.network.valves.index(position)
        return j, tuple(lay.looking(lay.row(cap), j) for cap in caps)

    def _enter_ports(self, first: int, ports: Sequence[Port]) -> None:
        """Sides and values of ports, from number `first` on."""
        left = [self._side(p.left) for p in ports]
        right = [a if p.left is p.right else self._side(p.right) for p, a in zip(ports, left, strict=True)]
        most, end = max(len(i) for side in (left, right) for i, _ in side), first + len(ports)
        self.values = _room(self.values, end - 1)
        self.values[first:end] = [(p.e, p.emf, p.left is p.right) for p in ports]
        self.sides = [_room(array, end - 1, most) for array in self.sides]
        for n, side in enumerate((left, right)):
            for m in range(2):
                _filled(self.sides[2 * n + m], first, [x[m] for x in side])

    def _side(self, side: Side) -> tuple[list[int], list[float]]:
        """(unknowns, weights); what is not in this network, or earth, has none."""
        index, weight = [], []
        for where, names in ((self.layout.network.index, side.nodes), (self.layout.position, side.branches)):
            for name, w in names:
                if name in where:
                    index.append(where[name])
                    weight.append(w)
        return index, weight


def _filled(array: np.ndarray, first: int, rows: Sequence[Sequence[float]]) -> None:
    """Write rows of different lengths into an array, from its row `first` on."""
    count = np.array([len(row) for row in rows])
    where = np.repeat(first + np.arange(len(rows)), count)
    array[where, within(count)] = [x for row in rows for x in row]


def within(count: np.ndarray) -> np.ndarray:
    """Places within rows of these lengths that follow each other: 0, 1, ... for each."""
    return np.arange(count.sum()) - np.repeat(np.cumsum(count) - count, count)


def _room(array: np.ndarray, k: int, width: int = 0, fill: int = 0) -> np.ndarray:
    """The array, enlarged if it has no row k or is not so wide."""
    rows = array.shape[0] if k < array.shape[0] else 2 * (k + 1)
    shape = (rows, *(max(width, w) for w in array.shape[1:]))
    if shape == array.shape:
        return array
    more = np.full(shape, fill, dtype=array.dtype)
    more[tuple(slice(n) for n in array.shape)] = array
    return more


_LAYOUTS: dict[int, tuple[Machine, dict[State, Layout]]] = {}


def layout(machine: Machine, state: State) -> Layout:
    """The layout of this state, kept for later ones; all of a machine share what is remembered."""
    if id(machine) not in _LAYOUTS:
        while len(_LAYOUTS) >= MACHINES:
            del _LAYOUTS[next(iter(_LAYOUTS))]
        _LAYOUTS[id(machine)] = machine, {}
    plugged, of = replace(state, unplugged=frozenset()), _LAYOUTS[id(machine)][1]
    if plugged not in of:
        memory = next(iter(of.values())).memory if of else {}
        while len(of) >= STATES:
            del of[next(iter(of))]
        of[plugged] = Layout(machine, plugged)
        of[plugged].memory = memory
    return of[plugged]


def _with_lonely(machine: Machine, state: State) -> list[Element]:
    """The elements of a machine, and one that never conducts for every point a lead can reach that nothing is joined
    to: so that it is a node, with a leak of its own."""
    elements = list(machine.elements(state))
    joined = {end for el in elements if not isinstance(el, Capacitor) for end in (el.a, el.b)}
    pins = {pin for plug in machine.plugs for pin in plug.device}
    lonely = ({*machine.reachable(state)} | pins) - joined - {machine.earth}
    never = (Cap.amps("never", -1.0),)
    return elements + [Valve(f"nothing at {n}", n, machine.earth, never, rest=SHUT) for n in sorted(lonely)]
