"""Look-alikes: suspects that no test on offer can tell apart.

In: a drawing and suspects with the size and place that explain the log. Out: groups. The tests on offer are volts from
every probe point to battery negative and millivolts along every net, with everything plugged and with each connector
or sensor unplugged in turn; and a look at the contact points.
"""

from __future__ import annotations

from collections.abc import Mapping

import networkx as nx
import numpy as np

from casekit.bench.meter import FUNCTIONS
from casekit.machine.machine import Machine
from casekit.machine.state import State
from casekit.reasoning.alone import alone
from casekit.reasoning.evidence import predictor
from casekit.reasoning.offer import along
from casekit.reasoning.suspect import Suspect
from casekit.reasoning.verdict import Fit

APART = 3.0  # standard uncertainties of the meter that two suspects must differ by in some test


@alone
def groups(drawing: Machine, fits: Mapping[Suspect, Fit]) -> list[frozenset[Suspect]]:
    """The suspects in groups of look-alikes; a test that shows two of them apart separates them."""
    names = list(fits)
    alike = nx.Graph()
    alike.add_nodes_from(names)
    alike.add_edges_from(
        (a, b)
        for k, a in enumerate(names)
        for b in names[k + 1 :]
        if not (fits[a].spot and fits[b].spot and fits[a].spot != fits[b].spot)
    )
    guess = predictor(drawing)
    movable = [p for p in drawing.plugs if p.kind != "control unit"]
    states = [State("on"), *(State("on", frozenset({p.name})) for p in movable)]
    if any(s.worn for s in names):
        states += [State(op.needs, held=frozenset({op.name})) for op in drawing.operations]
    for state in states:
        if not alike.edges:
            break
        volts = [(p, drawing.earth) for p in drawing.reachable(state) if p != drawing.earth]
        pairs = volts + along(drawing, state)
        changes = [s.change(drawing, state, f.size, f.at) for s, f in fits.items()]
        shown, _ = guess.family(state).solve(changes).readings(pairs)
        # A reading over the top of its ranges tells nothing more: its uncertainty is infinite.
        u = [FUNCTIONS["volts"].u(shown[:, : len(volts)]), FUNCTIONS["millivolts"].u(shown[:, len(volts) :])]
        u = np.concatenate(u, axis=1)
        for a, b in list(alike.edges):
            i, j = names.index(a), names.index(b)
            both = np.nan_to_num(np.abs(shown[i] - shown[j]) / np.hypot(u[i], u[j]))
            if (both > APART).any():
                alike.remove_edge(a, b)
    return [frozenset(group) for group in nx.connected_components(alike)]
