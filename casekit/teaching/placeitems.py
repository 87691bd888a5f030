"""Exam items about places: who shares a supply, and where on the drawing a voltage is first gone.

In: a `FaultTable`, a key, a generator of random numbers. Out: an `Item`, or None where none that is fair was drawn.
"""

from __future__ import annotations

import networkx as nx
import numpy as np

from casekit.machine.harness import Contact, Wire
from casekit.teaching.ability import OPENS, SHARES
from casekit.teaching.faulttable import FaultTable, by_number, net
from casekit.teaching.item import Item, Option, listed, shuffled


def shares(t: FaultTable, key: str, rng: np.random.Generator) -> Item | None:
    """Who shares this supply?"""
    names = [n for n, who in t.fed.items() if who]
    place = names[int(rng.integers(len(names)))]
    true = t.fed[place]
    everybody = sorted({s for who in t.fed.values() for s in who}, key=by_number)
    connector = place.rsplit(".", 1)[0] if "." in place else ""
    behind = sorted({s for n, who in t.fed.items() if n.startswith(f"{connector}.") for s in who}, key=by_number)
    supply = max((who for who in t.fed.values() if set(true) <= set(who)), key=len)
    ideas = [(true[:1], "each sensor has its own supply"), (everybody, "all sensors share one supply"),
             (supply, "what shares a supply is lost with any part of it")]  # fmt: skip
    ideas += [(behind, "a connector is one circuit")] if connector else []
    other = [s for s in supply if s not in true]
    ideas += [(other, "what is before the break is lost, and what is behind it works")] if other else []
    wrong = []
    for who, idea in ideas:
        if who != true and all(who != w for w, _ in wrong):
            wrong.append((who, idea))
    if len(wrong) < 2:
        return None
    options, right = shuffled(Option(listed(true)), [Option(listed(w), idea) for w, idea in wrong[:3]], rng)
    return Item(key, "shares", "choice", SHARES, t.name,
                f"{place} is open. Which sensors lose a supply?", options=options, right=right,
                because=f"Behind {place} {'hangs' if len(true) == 1 else 'hang'} {listed(true)}; all others are fed "
                "without it.",
                rings=_ringed(t, place), level=min(len(true), 3))  # fmt: skip


def point(t: FaultTable, key: str, rng: np.random.Generator) -> Item | None:
    """Where on the drawing is the voltage first gone? Answered by picking the point there."""
    opens = [n for n, c in enumerate(t.cells) if c.suspect.kind == "open" and t.fed.get(c.suspect.place)]
    n = opens[int(rng.integers(len(opens)))]
    part = t.drawing.part(t.cells[n].suspect.place, (Wire, Contact))
    copper = t.without(part)
    front, behind = net(copper, part.a), net(copper, part.b)
    last, first = ([p for p in t.points if p in side] for side in (front, behind))
    steps = nx.single_source_shortest_path_length(copper, part.b)
    best = [p for p in first if steps[p] == min(steps[q] for q in first)]
    if not best or not last or len(best) > 2:
        return None
    fed = t.fed[t.cells[n].suspect.place]
    return Item(key, "point", "point", OPENS, t.name,
                f"{listed(fed)} {'loses' if len(fed) == 1 else 'lose'} a supply because {part.name} is open. Pick the "
                "first point on the way from the control unit where the supply is gone, as near to the break as a "
                "lead can reach.", points=tuple(best),
                because=f"Up to {part.name} the supply is there; {best[0]} is the nearest point behind it.",
                rings=tuple((p, "0 V") for p in best), level=1 + (len(fed) > 1))  # fmt: skip


def _ringed(t: FaultTable, place: str) -> tuple[tuple[str, str], ...]:
    """The supply pins of the sensors behind a place, as far as they are on the drawing."""
    lost = {p.name: p for p in t.drawing.plugs if p.name in t.fed[place]}
    return tuple((h, "no supply") for p in lost.values() for h in p.harness if h in t.supplied)
