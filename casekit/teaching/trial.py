"""Trials: a variant is played by advice to a supported call before it is kept.

In: the name of a case. Out: `Entry`s for its file of variants, and what became of every number that was drawn.
"""

from __future__ import annotations

from collections.abc import Iterator

import networkx as nx

from casekit.files import library
from casekit.files.casefile import CaseFile
from casekit.files.variants import Entry
from casekit.machine.faults import DRAWING_KINDS
from casekit.machine.harness import Contact, Wire
from casekit.teaching.debrief import Debrief
from casekit.teaching.player import Player, plugged
from casekit.teaching.practice import Practice
from casekit.teaching.truth import truth_of
from casekit.teaching.variant import drawn_by, variant_of

PER_WANTED = 4  # numbers that are tried for every variant wanted


def trials(name: str, count: int) -> Iterator[tuple[int, str]]:
    """Draw and play variants of a case until `count` are on file; (number, what became of it), one after another.

    Those that can be solved are kept at once. A number that draws what the case or a lower number has is passed over;
    where the fault can be nowhere else and has no size, the first stands for other operating values alone. Raises
    ScenarioError when there is no such case.
    """
    case, known = library.case_file(name), library.variants(name)
    drawn = {n: drawn_by(case, library.machine_file(case.machine), n) for n in range(1, PER_WANTED * count + 1)}
    alone = all(found is None or found.faults == case.faults for found in drawn.values())
    for number, found in drawn.items():
        if len(known) >= count:
            return
        if number in known:
            continue
        if found is None:
            yield number, "no fault was found that shows the same"
            continue
        if any(entry.faults == found.faults for entry in known.values()) or (found.faults == case.faults and not alone):
            continue
        entry, why = trial(found, number)
        if entry is not None:
            known[number] = entry
            library.keep_variants(name, known)
        yield number, why


def trial(case: CaseFile, number: int) -> tuple[Entry | None, str]:
    """Play a variant: its entry, None where the advice does not end in a right and supported call; and why."""
    minutes, why = _solved(case, None, number)
    here = " and ".join(map(truth_of, case.faults)) or "nothing wrong"
    if minutes is None:
        return None, f"{here}: {why}"
    return Entry(number=number, minutes=minutes, faults=case.faults), f"{here}: solved in {minutes:.0f} minutes"


def played_through(name: str, number: int, seed: int | None) -> float | None:
    """The minutes that the advice takes for an individual of a variant on file; None where it does not end in a right
    and supported call."""
    return _solved(variant_of(name, number), seed, number)[0]


def _solved(case: CaseFile, seed: int | None, number: int) -> tuple[float | None, str]:
    """Minutes by advice, and why not."""
    machine = library.machine_file(case.machine)
    bench = Practice(machine, case, seed, variant=number)
    player = Player(bench, case.codes)
    player.play()
    minutes = round(bench.clock, 1)
    if not player.sure or player.clear != (not case.faults):
        return None, "the advice does not become sure of it"
    if len(case.faults) < 2:
        player.call()
        came = bench.debrief()
    elif any(fault.kind in DRAWING_KINDS for fault in case.faults):
        _everything(bench)
        came = _called(bench, case)
    else:
        for read in (_around, _closely):  # what is read beside the faults can be doubted too, so both are tried
            bench = Practice(machine, case, seed, variant=number)
            read(bench, {fault.place for fault in case.faults})
            came = _called(bench, case)
            if came.right and came.supported:
                break
    if not (came.right and came.supported):
        return None, f"the call is {'not supported' if came.right else 'wrong'}"
    return minutes, ""


def _called(bench: Practice, case: CaseFile) -> Debrief:
    """Both faults called, the one in the drawing first."""
    other, last = sorted(case.faults, key=lambda f: f.kind in DRAWING_KINDS, reverse=True)
    bench.call(other.kind, other.place, other.to or "")
    bench.call(last.kind, last.place, last.to or "", also=other.kind not in DRAWING_KINDS)
    return bench.debrief()


def _around(bench: Practice, places: set[str]) -> None:
    """Read the way from the control unit over each of these wires and cavities, and all pins of two sensors behind it,
    then start the engine: as one would who has an idea of two faults. The advice, which looks for one, reads beside
    them."""
    drawing = bench.drawing
    bench.key("on")
    for part in (p for p in drawing.all((Wire, Contact)) if p.name in places):
        copper = drawing.copper().copy()
        copper.remove_edge(part.a, part.b)
        behind = nx.node_connected_component(copper, part.b)  # wires run from the control unit outwards
        way = behind | nx.node_connected_component(copper, part.a)
        sensors = {pin for p in drawing.plugs if p.kind == "sensor" for pin in p.harness}
        for point in (x for x in bench.probe_points() if x in way and x not in sensors):
            bench.volts(point, drawing.earth)
        for plug in [p for p in drawing.plugs if p.kind == "sensor" and behind & set(p.harness)][:2]:
            for pin in plug.harness:
                bench.volts(pin, drawing.earth)
    bench.key("run")
    bench.notice()


def _closely(bench: Practice, places: set[str]) -> None:
    """Read just before and just behind each of these wires and cavities, the pins of one sensor behind it, and one
    neighbour that is fed before it; then start the engine."""
    drawing = bench.drawing
    bench.key("on")
    known = bench.probe_points()
    for part in (p for p in drawing.all((Wire, Contact)) if p.name in places):
        copper = drawing.copper().copy()
        copper.remove_edge(part.a, part.b)
        sides = [nx.single_source_shortest_path_length(copper, end) for end in (part.a, part.b)]
        points = [min((p for p in known if p in side), key=side.get, default=None) for side in sides]
        sensors = [p for p in drawing.plugs if p.kind == "sensor"]
        mine = next((p for p in sensors if sides[1].keys() & set(p.harness)), None)
        beside = next((pin for p in sensors if p is not mine for pin in p.harness if pin in sides[0]), None)
        pins = mine.harness[:2] if mine else ()
        for point in dict.fromkeys(p for p in (*points, *pins, beside) if p and p != drawing.earth):
            bench.volts(point, drawing.earth)
    bench.key("run")
    bench.notice()


def _everything(bench: Practice) -> None:
    """Read all there is to read, and open every splice: a wrong drawing shows in places one does not think of."""
    earth = bench.drawing.earth
    plugged(bench, "on")
    for point in bench.probe_points():
        if point != earth:
            bench.volts(point, earth)
    bench.key("off")
    bench.unplug(bench.unit)
    pins = [c for c in bench.places("crossed terminals") if bench.drawing.plug(c.rsplit(".", 1)[0]).kind == "sensor"]
    for splice in bench.drawing.splices():
        bench.open_harness(splice)
    for pin in pins:
        bench.ohms(pin, earth)
