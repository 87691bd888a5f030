"""A second solver: the same equations in 400-bit interval arithmetic (python-flint), by sparse elimination.

In: a solved `OperatingPoint`. Out: enclosures of every node voltage and element current on the same valve pieces,
built anew from the elements. Nothing of the package's own matrix is used.
"""

from __future__ import annotations

from dataclasses import dataclass

from flint import arb, ctx

from casekit.circuit.network import LEAK_S
from casekit.circuit.operating_point import OperatingPoint
from casekit.machine.law import Cap, Valve

BITS = 400


@dataclass(frozen=True)
class Enclosure:
    """Intervals that contain the exact solution."""

    values: dict[str, arb]
    earth: str

    def volts(self, node: str, against: str) -> arb:
        """Voltage of `node` against `against`."""
        zero = arb(0)
        return self.values.get(f"v {node}", zero) - self.values.get(f"v {against}", zero)

    def amps(self, name: str) -> arb:
        """Current through an element from a to b."""
        return self.values[f"i {name}"]

    def allowed(self, cap: Cap) -> arb:
        """The current a cap allows at these voltages."""
        total = sum((arb(k) * self.volts(node, self.earth) for node, k in cap.volts), arb(0))
        return (total - arb(cap.e_v)) / arb(cap.r_ohm)


def enclose(op: OperatingPoint) -> Enclosure:
    """Solve the equations of an operating point again, on its valve pieces."""
    ctx.prec = BITS
    net = op.network
    rows: list[tuple[dict[str, arb], arb]] = []
    nodal = {node: {f"v {node}": arb(LEAK_S)} for node in net.index}
    piece_of = dict(zip(net.valves, op.pieces, strict=True))
    for k, el in enumerate(net.elements):
        current = f"i {el.name}"
        for node, sign in ((el.a, 1), (el.b, -1)):
            if node != net.earth:
                nodal[node][current] = nodal[node].get(current, arb(0)) + sign
        if isinstance(el, Valve):
            if piece_of[k] < 0:
                rows.append(({current: arb(1)}, arb(0)))
                continue
            cap = el.caps[piece_of[k]]
            weights, r, e = cap.volts, cap.r_ohm, cap.e_v
        else:
            weights, r, e = ((el.a, 1.0), (el.b, -1.0)), el.r_ohm, getattr(el, "emf_v", 0.0)
        row = {current: -arb(r)}
        for node, weight in weights:
            if node != net.earth:
                row[f"v {node}"] = row.get(f"v {node}", arb(0)) + arb(weight)
        rows.append((row, arb(e)))
    rows += [(row, arb(0)) for row in nodal.values()]
    return Enclosure(_eliminate(rows), net.earth)


def _eliminate(equations: list[tuple[dict[str, arb], arb]]) -> dict[str, arb]:
    """Gauss with the pivot that fills in least (Markowitz), among those well away from zero."""
    rows = {n: (dict(row), right) for n, (row, right) in enumerate(equations)}
    users: dict[str, set[int]] = {}
    for n, (row, _) in rows.items():
        for name in row:
            users.setdefault(name, set()).add(n)
    order: list[tuple[str, dict[str, arb], arb]] = []
    while rows:
        n = min(rows, key=lambda n: len(rows[n][0]))
        row, right = rows.pop(n)
        large = max(abs(float(x.mid())) for x in row.values())
        fit = [name for name, x in row.items() if abs(float(x.mid())) > 1e-3 * large]
        pivot = min(fit, key=lambda name: len(users[name]))
        for name in row:
            users[name].discard(n)
        inverse = 1 / row.pop(pivot)
        order.append((pivot, {name: x * inverse for name, x in row.items()}, right * inverse))
        for m in users.pop(pivot):
            other, other_right = rows[m]
            factor = other.pop(pivot)
            for name, x in order[-1][1].items():
                if name not in other:
                    users[name].add(m)
                other[name] = other.get(name, arb(0)) - factor * x
            rows[m] = (other, other_right - factor * order[-1][2])
    values: dict[str, arb] = {}
    for pivot, row, right in reversed(order):
        values[pivot] = right - sum((x * values[name] for name, x in row.items()), arb(0))
    return values
