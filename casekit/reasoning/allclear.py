"""All clear: what must have been done before it may be said that there is no fault to be found.

In: a drawing, a log, what it came to, and the codes that came with the machine. Out: `Gap`s, what is still to be done,
in the order of the work. Good readings never exclude a fault that comes and goes, so "no fault found" cannot be proved
as a fault can: what can be asked is that it was looked for. The order of the work is common practice, no source.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from casekit.bench.reading import Event, Finding, Move, Reading
from casekit.machine.machine import Machine
from casekit.machine.state import State
from casekit.reasoning.alone import alone
from casekit.reasoning.doubt import CONTRADICTED, explains
from casekit.reasoning.evidence import all_cells, every_expected, predictor
from casekit.reasoning.prior import Cell
from casekit.reasoning.signs import Expected
from casekit.reasoning.suspect import NONE, Suspect
from casekit.reasoning.verdict import RULED_OUT, UNLIKELY, Verdict
from casekit.reasoning.words import SAID, reasons_against

SHOWN = 0.5  # the chance from which a fault counts as one that the control unit would see
NAMED = 3


@dataclass(frozen=True)
class Gap:
    """One thing still to be done: `kind` is look, open, clear, drive, codes or measure, at `place` if it has one.
    "shown" is none of these: something was wrong while it was measured, so there is a fault."""

    kind: str
    text: str
    place: str = ""


@alone
def gaps(drawing: Machine, events: Sequence[Event], verdict: Verdict, stored: Sequence[str] = ()) -> list[Gap]:
    """What is still to be done before "no fault found" may be said; nothing when it may.

    The harness is looked at, without moving it, wherever a fault could have set the codes (without codes, everywhere it
    can rub); a mark there is opened. Codes are cleared, the machine is driven through all it does, and no code comes
    back. No fault that is always there, and would have shown itself so, is left.
    """
    if reason := _contradicted(verdict):
        return [Gap("shown", reason)]
    left = _lasting(drawing, verdict, stored)
    names = ", ".join(map(str, left[:NAMED])) + (f" and {len(left) - NAMED} more" if len(left) > NAMED else "")
    still = [Gap("measure", f"rule out what is always there and not ruled out yet: {names}")] if left else []
    return [*_looks(drawing, events, verdict, bool(stored)), *_driven(events), *still]


@alone
def due(drawing: Machine, events: Sequence[Event], verdict: Verdict, stored: Sequence[str] = ()) -> list[Gap] | None:
    """What is still to be done once the machine was driven, nothing showed, and nothing that is always there is left:
    from then on no single test pays any more. None before."""
    if not any(isinstance(e, Move) and e.action == "road test" for e in events):
        return None
    found = gaps(drawing, events, verdict, stored)
    return None if {"shown", "measure"} & {gap.kind for gap in found} else found


def _contradicted(verdict: Verdict) -> str:
    """What speaks against a machine in which nothing is wrong; empty if nothing does."""
    k = verdict.suspects.index(NONE)
    if reasons := [str(r) for r in reasons_against(verdict, k)]:
        return reasons[0]
    for said, sign in zip(verdict.said[k], verdict.signs, strict=True):
        back = sign.kind == "codes" and sign.cleared and sign.said
        if back or (sign.kind not in ("codes", "look") and said <= CONTRADICTED):
            return f"{SAID[sign.kind]} told of something that a good machine does not do"
    return "" if explains(verdict, k) else "not all of it fits a good machine"


def _looks(drawing: Machine, events: Sequence[Event], verdict: Verdict, coded: bool) -> list[Gap]:
    """Contact points that nobody has looked at although a fault there could have set the codes, and marks that nobody
    has opened."""
    cells = verdict.weighed.cells
    could = _sheet(verdict)[1] if coded else np.ones(len(cells), dtype=bool)
    seen: dict[str, set] = {}
    for e in events:
        if isinstance(e, Finding):
            seen.setdefault(e.point, set()).add(e.mark)
    opened = {e.what for e in events if isinstance(e, Move) and e.action == "open harness"}
    found = []
    for point in drawing.contact_points:
        wires = {w for c, ok in zip(cells, could, strict=True) if ok and c.spot == point.name for w in _wires(c)}
        if not wires or point.name in opened:
            continue
        if point.name not in seen:
            found.append(Gap("look", f"look at {point.name}, where {_listed(wires)} may rub", point.name))
        elif seen[point.name] & wires:
            found.append(Gap("open", f"open the harness at {point.name}: there is a mark", point.name))
    return found


def _wires(cell: Cell) -> set[str]:
    return {cell.suspect.place, cell.suspect.to} - {""}


def _listed(names: set[str]) -> str:
    *most, last = sorted(names)
    return f"{', '.join(most)} or {last}" if most else last


def _sheet(verdict: Verdict) -> np.ndarray:
    """Whether each cell explains the codes on the sheet, if it is always there, if it comes and goes: (2, cells)."""
    said = verdict.weighed.parts[:, 0]  # they are the first step of every log that began with codes
    return said > said.max(axis=1, keepdims=True) - UNLIKELY


def _driven(events: Sequence[Event]) -> list[Gap]:
    """Codes cleared, then a drive on which nothing was noticed, then codes read, and none there: what of it is missing,
    from the first that is."""
    steps = {
        "clear": "clear the codes",
        "drive": "make a road test after that: idle, load, every operation, warm",
        "codes": "read the codes once more after that",
    }
    wanted = list(steps)
    for e in events:
        if isinstance(e, Move):
            # What was moved since may have hidden it: only another drive shows.
            moved = e.action in ("shift", "open harness") and "clear" not in wanted
            if e.action == "clear codes" or moved:
                wanted = ["drive", "codes"]
            elif e.action == "road test" and wanted[:1] == ["drive"]:
                wanted = ["codes"]
        elif isinstance(e, Reading) and e.function == "codes" and wanted == ["codes"]:
            wanted = []
    return [Gap(kind, steps[kind]) for kind in wanted]


def _lasting(drawing: Machine, verdict: Verdict, stored: Sequence[str]) -> list[Suspect]:
    """Faults that, always there, would have set the codes of the sheet (without codes: would be seen by the control
    unit), and that the rest of the log does not rule out beside a good machine."""
    w = verdict.weighed
    none = next(k for k, c in enumerate(w.cells) if c.suspect == NONE)
    sheet, could = (w.parts[0, 0], _sheet(verdict)[0]) if stored else (np.zeros(len(w.cells)), w.lasting < np.inf)
    ahead = (w.lasting - sheet) - (w.lasting[none] - sheet[none])
    keep = [int(k) for k in np.argsort(-ahead, kind="stable") if could[k] and k != none and ahead[k] > -RULED_OUT]
    shows = _shown(drawing, [w.cells[k] for k in keep], stored)
    return list(dict.fromkeys(w.cells[k].suspect for k, does in zip(keep, shows, strict=True) if does))


def _shown(drawing: Machine, cells: Sequence[Cell], stored: Sequence[str]) -> np.ndarray:
    """Whether the unit would see each cell, if it is always there: one of these codes, or without codes anything."""

    def seen(expected: Expected) -> np.ndarray:
        found = [*expected.faults(State("on")).items(), *expected.driven().items()]
        chances = [chance[:-1] for name, chance in found if name in stored or not stored]
        return np.max(chances, axis=0, initial=0.0) > SHOWN

    row = {id(c): k for k, c in enumerate(all_cells(drawing))}
    known = seen(every_expected(drawing))
    parts = [c for c in cells if id(c) not in row]  # of a divided cell its part alone counts
    of_parts = iter(seen(Expected(predictor(drawing), parts)) if parts else ())
    return np.array([known[row[id(c)]] if id(c) in row else next(of_parts) for c in cells], dtype=bool)
