"""A fault that comes and goes as the control unit's converter sees it: through the filter, sample by sample."""

from __future__ import annotations

import numpy as np

from casekit.bench.specimen import Specimen
from casekit.bench.view import view
from casekit.circuit.modes import Channel as Probe
from casekit.circuit.waveform import record
from casekit.error import CircuitError
from casekit.machine.intermittent import Push
from casekit.machine.motion import Meanwhile, scene
from casekit.machine.program import MISMATCH_S, Channel
from casekit.machine.rules import Seen, mismatched, out_of_range, seen
from casekit.machine.state import State
from casekit.machine.unit import Core

WATCHED_S = 2.0  # what happens in this time stands for as long as the state lasts


def sampled(
    specimen: Specimen, state: State, span_s: tuple[float, float], channels: list[Channel],
    doing: Meanwhile | None = None, push: Push | None = None,
) -> tuple[np.ndarray, np.ndarray]:  # fmt: skip
    """(times, volts): what the converter takes of these channels, at its own rate, in a span of the clock (second).

    Wheels stand still meanwhile: the filters and the averaging of scan data hide them.
    """
    machine, presences = specimen.presences(state, span_s, push, doing)
    (core,) = machine.all(Core)
    taken = scene(machine, state, span_s, doing, presences, wheels=False)
    probes = [Probe(c.node, f"{core.name}.gnd") for c in channels]
    result = record(taken.elements, taken.changing, taken.driven, probes, taken.earth, *span_s)
    times = np.arange(span_s[0], span_s[1], 1 / machine.program.adc_hz)
    return times, result.volts(times)


def longest(specimen: Specimen, state: State, minute: float) -> dict[Seen, float]:
    """The faults the unit sees while a fault comes and goes, each with the time it counts for (second)."""
    program = specimen.built.program
    channels = [c for c in program.channels if c.limits_v and c.node]
    begin = minute * 60
    mean = view(specimen.mix(state, minute), state)
    try:
        _, volts = sampled(specimen, state, (begin, begin + WATCHED_S), channels)
    except CircuitError:
        return dict.fromkeys(seen(program, mean, state), float("inf"))
    found: dict[Seen, float] = {}
    for channel, row in zip(channels, volts, strict=True):
        low, high = channel.limits_v
        for beyond, value in ((row < low, low - 1), (row > high, high + 1)):
            if beyond.any():
                (fault,) = out_of_range(channel, value)
                found[fault] = _counted(beyond, program.adc_hz)
        if channel.twin and channel.mismatch_code:
            other = program.channel(channel.twin)
            twin = volts[channels.index(other)]
            apart = np.array([mismatched(channel, other, a, b) for a, b in zip(row, twin, strict=True)])
            if apart.any():
                fault = Seen(channel.mismatch_code, channel.name, "the two tracks disagree", MISMATCH_S)
                found[fault] = _counted(apart, program.adc_hz)
    found |= {fault: float("inf") for fault in seen(program, mean, state) if fault.text == "no signal"}
    return found


def _counted(flags: np.ndarray, hz: float) -> float:
    """How far a debounce counter gets, in second: it counts up while the fault is there and down, to zero at the least,
    while it is not (common practice, no source). A fault that is there all the while lasts on."""
    if flags.all():
        return float("inf")
    count = np.concatenate([[0], np.cumsum(np.where(flags, 1, -1))])
    return int((count - np.minimum.accumulate(count)).max()) / hz
