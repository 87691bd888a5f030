"""Look-alikes: suspects that no test on offer can tell apart.

In: a drawing and suspects with the size and place that explain the log. Out: groups. The tests on offer are volts from
every probe point to battery negative, with everything plugged and with each connector or sensor unplugged in turn.
"""

from __future__ import annotations

from collections.abc import Iterator

import networkx as nx
import numpy as np

from casekit.bench.meter import FUNCTIONS
from casekit.machine.machine import Machine
from casekit.machine.state import State
from casekit.reasoning.evidence import allowance, predictions
from casekit.reasoning.suspect import Suspect


def groups(drawing: Machine, fits: dict[Suspect, tuple[float, float]]) -> list[frozenset[Suspect]]:
    """The suspects in groups of look-alikes; a test that shows two of them apart separates them."""
    alike = nx.Graph()
    alike.add_nodes_from(fits)
    names = list(fits)
    alike.add_edges_from((a, b) for k, a in enumerate(names) for b in names[k + 1 :])
    for state, pairs in _offers(drawing):
        if not alike.edges:
            break
        changes = [s.change(drawing, state, *fit) for s, fit in fits.items()]
        volts, _ = predictions(drawing, state, pairs, changes)
        kind = FUNCTIONS["volts"]
        u = kind.half_width(5.0, kind.ranges[0]) / np.sqrt(3)
        allowed = allowance("volts", u, volts)
        for a, b in list(alike.edges):
            i, j = names.index(a), names.index(b)
            if (np.abs(volts[i] - volts[j]) > np.maximum(allowed[i], allowed[j])).any():
                alike.remove_edge(a, b)
    return [frozenset(group) for group in nx.connected_components(alike)]


def _offers(drawing: Machine) -> Iterator[tuple[State, list[tuple[str, str]]]]:
    """States that cost one move, and the probe points reachable in each, against battery negative."""
    movable = [p for p in drawing.plugs if p.kind != "control unit"]
    for apart in (frozenset(), *(frozenset({p.name}) for p in movable)):
        state = State("on", apart)
        yield state, [(point, drawing.earth) for point in drawing.reachable(state) if point != drawing.earth]
