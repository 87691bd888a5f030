"""Scenes to film: the street sweeper with contacts that chatter, and records of a scene."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from casekit.circuit.modes import Channel
from casekit.circuit.record import Record
from casekit.circuit.waveform import record
from casekit.machine.faults import Open, ShortToGround
from casekit.machine.machine import Machine
from casekit.machine.motion import Presence, Scene

ENDS = ("A1.V1", "G1.-"), ("B12.1", "G1.-"), ("X1.11", "G1.-"), ("input X1.11 inside", "G1.-")


def chatter(machine: Machine, seed: int, span: tuple[float, float], many: int = 100) -> list[Presence]:
    """A short to ground on a supply wire and an open signal wire that come and go, `many` changes each."""
    rng = np.random.default_rng(seed)
    return [
        Presence(machine.with_fault(fault), False, tuple(np.sort(rng.uniform(*span, many))))
        for fault in (ShortToGround("W14", 0.5, 0.35), Open("W31b", 0.5))
    ]


def filmed(what: Scene, ends: Sequence[tuple[str, str]], begin: float, end: float, lag_s: float = 0.0) -> Record:
    """A record of a scene, a channel for every pair of points, each with the same lag."""
    channels = [Channel(red, black, lag_s) for red, black in ends]
    return record(what.elements, what.changing, what.driven, channels, what.earth, begin, end)
