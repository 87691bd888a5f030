"""Exam items about traces: which fault that comes and goes does a recorded picture show?

In: a `FaultTable`, a key, a generator of random numbers. Out: an `Item` with the picture, or None where none that is
fair was drawn. The picture is the bench's: hands move the harness, the contact bounces, capacitors discharge.
"""

from __future__ import annotations

import numpy as np

from casekit.bench.scope import Settings, picture, settings
from casekit.circuit.waveform import Waveform
from casekit.error import CircuitError
from casekit.machine.intermittent import Intermittent, Push
from casekit.machine.motion import Presence, scene
from casekit.reasoning.suspect import Suspect
from casekit.reasoning.words import number
from casekit.teaching.ability import TRACE
from casekit.teaching.faulttable import ON, FaultTable
from casekit.teaching.item import Item, Option, Recorded, shuffled

LOOSE = ("open", "short to ground", "short to battery")
PUSHED = ("here", 1.0)  # hands push the contact this far, in millimetre
GAPS_MM, RESTS_MM = (0.3, 0.8), (-0.1, 0.1)
SCREENS = ((1.0, 3.0), (2.0, 6.0), (5.0, 10.0))  # volts a division, and volts in the middle
S_PER_DIV, EVERY, TENTH = 0.1, 5, 0.1  # seconds a division; columns that are kept as one; volts
APART_V = 0.5  # between the levels of a trace


def trace(t: FaultTable, key: str, rng: np.random.Generator) -> Item | None:
    """Which fault that comes and goes does this trace show?"""
    loose = [n for n, c in enumerate(t.cells) if c.suspect.kind in LOOSE]
    n = loose[int(rng.integers(len(loose)))]
    moved = [k for k in range(len(t.points)) if abs(t.volts[n + 1, k] - t.volts[0, k]) > APART_V]
    if not moved:
        return None
    k = moved[int(rng.integers(len(moved)))]
    level, good = float(t.volts[n + 1, k]), float(t.volts[0, k])
    true = t.cells[n].suspect
    against = t.against([k], [level])[:, 0]
    wrong: list[tuple[Suspect, str]] = []
    for m in rng.permutation(len(t.cells)):
        s = t.cells[int(m)].suspect
        # What a trace shows while the fault is away every fault explains; the level while it is there parts them. One
        # that moves the trace the other way would tempt nobody.
        moves = float(t.volts[m + 1, k] - good) * (1 if level > good else -1)
        if against[m] > 1 and s.kind in LOOSE and moves > APART_V:
            idea = "any dip or peak will do, whatever its level" if s.kind != true.kind else "a fault is near its trace"
            if all(idea != i for _, i in wrong):
                wrong.append((s, idea))
        if len(wrong) == 2:
            break
    if not wrong or not t.agrees(n, [k]):
        return None
    seen = _recorded(t, n, k, rng, max(level, good))
    if seen is None or not _reaches(seen, level, good):
        return None
    options, right = shuffled(
        Option(f"{true}, now and then"),
        [*(Option(f"{s}, now and then", idea) for s, idea in wrong),
         Option("no fault: the sensor's value moves", "what moves is a signal")], rng,
    )  # fmt: skip
    return Item(key, "trace", "choice", TRACE, t.name,
                f"Key on, nothing is operated. While the harness is moved by hand, the oscilloscope shows this at "
                f"{t.where(k)}. What is behind it?", options=options, right=right,
                because=f"Sound, {t.points[k]} stands at {number(good, 'V')}. With {true} it goes to "
                f"{number(level, 'V')}, and that is the other level of the trace; none of the others goes there.",
                rings=((t.points[k], f"{number(good, 'V')} / {number(level, 'V')}"),), recorded=seen,
                level=2 + (len(wrong) == 2))  # fmt: skip


def _recorded(t: FaultTable, n: int, k: int, rng: np.random.Generator, top: float) -> Recorded | None:
    """The screen of an oscilloscope at a point while a fault comes and goes."""
    cell, seed = t.cells[n], int(rng.integers(1 << 30))
    loose = Intermittent(cell.suspect.fault(cell.size, cell.at), PUSHED[0], float(rng.uniform(*GAPS_MM)), 0.0)
    per_div, middle = next((p, m) for p, m in SCREENS if top < m + 4 * p)
    asked: Settings = settings([(t.points[k], t.drawing.earth)], S_PER_DIV, per_div, middle)
    span = (0.0, asked.searched_s)
    there, times = loose.changes(ON, float(rng.uniform(*RESTS_MM)), t.drawing.engine, span, seed, Push(*PUSHED))
    if len(times) < 2:
        return None
    probes, channels = asked.probes()
    try:
        now = scene(t.drawing, ON, span, None, [Presence(loose.applied(t.drawing), there, times)])
        wave = Waveform([*now.elements, *probes], now.changing, now.driven, channels, now.earth, 0.0)
        shown = picture(asked, wave, 0.0, seed, str(ON), 0.0)
    except CircuitError:
        return None
    low, high = shown.low[0].reshape(-1, EVERY).min(axis=1), shown.high[0].reshape(-1, EVERY).max(axis=1)
    return Recorded(shown.labels[0], S_PER_DIV, per_div, middle,
                    tuple(np.round(low, 3).tolist()), tuple(np.round(high, 3).tolist()))  # fmt: skip


def _reaches(seen: Recorded, level: float, good: float) -> bool:
    """Whether a trace gets to both levels, as the table says it should: a second way of solving."""
    step = 2 * 8 * seen.v_per_div / 256 + TENTH
    least, most = min(seen.low), max(seen.high)
    return abs(least - min(level, good)) < step and abs(most - max(level, good)) < step
