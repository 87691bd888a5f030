"""What a meter's min/max keeps: averages over a tenth of a second, in which shorter dropouts are lost.

In: the specimen, a state, two points, a span of the clock, and hands at work or not. Out: one average for every tenth.
"""

from __future__ import annotations

import math

import numpy as np

from casekit.bench.meter import INPUT_OHM, MINMAX_S
from casekit.bench.specimen import Specimen
from casekit.circuit.mean import average, only, points
from casekit.circuit.modes import Channel as Probe
from casekit.circuit.waveform import record
from casekit.error import CircuitError
from casekit.machine.intermittent import Push
from casekit.machine.law import Resistor, Retry, Valve
from casekit.machine.machine import Machine
from casekit.machine.motion import scene
from casekit.machine.state import State

WINDOW_S = MINMAX_S
TURNED_S = 1.0  # longest turn of a wheel that min/max is meant to follow: a camshaft's while cranking takes 0.6 s


def windows(
    specimen: Specimen, state: State, span_s: tuple[float, float], red: str, black: str, push: Push | None = None
) -> np.ndarray:
    """DC volts of every window in a span of the clock (second); nan where there is no steady state.

    A supply that retries under an overload is on at the beginning of every period, counted from the clock's zero.
    """
    edges = span_s[0] + np.arange(0.0, span_s[1] - span_s[0] + WINDOW_S / 2, WINDOW_S)
    known: dict[int, tuple[float, float, Retry | None]] = {}
    found = []
    for begin, end, mix in zip(edges, edges[1:], specimen.mixes(state, edges, push), strict=False):
        total = 0.0
        for share, machine in mix:
            if id(machine) not in known:
                known[id(machine)] = _on_off(machine, state, red, black)
            on, off, retry = known[id(machine)]
            part = 1.0 if retry is None else (_on_time(end, retry) - _on_time(begin, retry)) / (end - begin)
            total += share * (part * on + (1 - part) * off)
        found.append(total)
    if state.turning and found:
        # What turns repeats within a second or so: its first windows are taken from the exact waveform.
        exact = _exact(specimen, state, edges[edges <= span_s[0] + TURNED_S + WINDOW_S / 2], red, black, push)
        found[: len(exact)] = exact
    return np.array(found)


def _exact(specimen: Specimen, state: State, edges: np.ndarray, red: str, black: str, push: Push | None) -> list[float]:
    """Means of the waveform between these times, wheels turning."""
    span = float(edges[0]), float(edges[-1])
    machine, presences = specimen.presences(state, span, push)
    taken = scene(machine, state, span, None, presences)
    meter = Resistor("meter", red, black, INPUT_OHM)
    try:
        result = record([*taken.elements, meter], taken.changing, taken.driven, [Probe(red, black)], taken.earth, *span)
    except CircuitError:
        return []
    return result.means(edges)[0].tolist()


def _on_off(machine: Machine, state: State, red: str, black: str) -> tuple[float, float, Retry | None]:
    """Volts while a retrying supply is on and while it is off, and its times; None when none retries."""
    retries = {el.name: el.retry for el in machine.elements(state) if isinstance(el, Valve) and el.retry}
    try:
        found = points(only(machine), state, (Resistor("meter", red, black, INPUT_OHM),))
    except CircuitError:
        return math.nan, math.nan, None
    resting = {name for name in retries for _, p in found if name not in p.network.position}
    on = [(share, p) for share, p in found if not resting or all(n in p.network.position for n in resting)]
    off = [(share, p) for share, p in found if resting and any(n not in p.network.position for n in resting)]

    def mean(some) -> float:
        return average(some, lambda p: p.volts(red, black)) / sum(share for share, _ in some)

    return mean(on), mean(off) if off else 0.0, retries[min(resting)] if resting else None


def _on_time(t: float, retry: Retry) -> float:
    """Seconds the supply has been on from zero to `t`."""
    whole, rest = divmod(t, retry.on_s + retry.off_s)
    return whole * retry.on_s + min(rest, retry.on_s)
