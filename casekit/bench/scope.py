"""The oscilloscope: up to four channels, 8 bits, peak detect, a probe that loads the circuit.

In: settings and an exact record. Out: a `Trace` as the screen shows it. The specification is invented and of the usual
size for a portable instrument. Bandwidth is that of a single pole, so that rise time x bandwidth is 0.35.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from casekit.bench.trace import Trace
from casekit.circuit.modes import Channel
from casekit.circuit.record import Record
from casekit.circuit.waveform import Waveform
from casekit.error import BenchError
from casekit.machine.law import Capacitor, Element, Resistor

CHANNELS = 4
ACROSS, UP = 10, 8  # divisions
COLUMNS = 1000
BITS = 8
BANDWIDTH_HZ = 20e6
LAG_S = 1 / (2 * math.pi * BANDWIDTH_HZ)
PROBE_OHM, PROBE_F, PROBE_SERIES_OHM = 1e7, 15e-12, 50.0  # a 10:1 probe (from memory)
NOISE = 0.25  # rms, in steps of the converter
TIME_S = (1e-6, 0.5)  # shortest and longest time a division
VOLTS = (0.005, 20.0)  # smallest and largest volts a division
LEAD = 0.2  # the trigger stands after this share of the screen
SEARCHED = 2  # screens searched for a trigger


@dataclass(frozen=True)
class Trigger:
    """When the picture begins: channel `channel` (0 for the first) passes `level_v` upwards (`rising`) or downwards."""

    channel: int
    level_v: float
    rising: bool = True


@dataclass(frozen=True)
class Settings:
    """What is set: the channels' leads, time and volts a division, offsets in volt, trigger, peak detect."""

    leads: tuple[tuple[str, str], ...]
    s_per_div: float
    v_per_div: tuple[float, ...]
    offset_v: tuple[float, ...]
    trigger: Trigger | None
    roll: bool
    peak: bool

    @property
    def screen_s(self) -> float:
        """Time across the screen."""
        return ACROSS * self.s_per_div

    @property
    def searched_s(self) -> float:
        """The longest time that may have to be recorded until a trigger is found and the screen is full."""
        return self.screen_s * (1 + (1 + SEARCHED if self.trigger else 0))

    def probes(self) -> tuple[list[Element], list[Channel]]:
        """What the probes hang on the circuit, and what is recorded through them."""
        elements: list[Element] = []
        channels = []
        for k, (red, black) in enumerate(self.leads):
            inner = f"probe {k + 1} capacitor"
            elements += [
                Resistor(f"probe {k + 1}", red, black, PROBE_OHM),
                Resistor(f"probe {k + 1} tip", red, inner, PROBE_SERIES_OHM),
                Capacitor(f"probe {k + 1} capacity", inner, black, PROBE_F),
            ]
            channels.append(Channel(inner, black, LAG_S))
        return elements, channels


def settings(
    leads: list[tuple[str, str]], s_per_div: float, v_per_div: float | list[float], offset_v: float | list[float] = 0.0,
    trigger: tuple[int, float, str] | None = None, roll: bool = False, peak: bool = True,
) -> Settings:  # fmt: skip
    """Checked settings. Raises BenchError, one sentence, for what the instrument does not have."""
    if not 1 <= len(leads) <= CHANNELS:
        raise BenchError(f"the oscilloscope has {CHANNELS} channels and {len(leads)} were asked for; give one to four.")
    per_div, offsets = (
        tuple(x) if isinstance(x, list | tuple) else (x,) * len(leads) for x in (v_per_div, offset_v)
    )  # fmt: skip
    for name, values in (("v_per_div", per_div), ("offset_v", offsets)):
        if len(values) != len(leads):
            raise BenchError(
                f"{name} has {len(values)} values for {len(leads)} channels; give one for each, or one for all."
            )
    _within("s_per_div", s_per_div, TIME_S, "s")
    for value in per_div:
        _within("v_per_div", value, VOLTS, "V")
    for value, step in zip(offsets, per_div, strict=True):
        _within("offset_v", value, (-20 * step, 20 * step), "V")
    chosen = None
    if trigger is not None:
        if roll:
            raise BenchError("rolling has no trigger; leave out trigger or roll.")
        if not (isinstance(trigger, tuple) and len(trigger) == 3):
            raise BenchError(
                f"the trigger is {trigger!r}; write (channel, volts, 'rising') or (channel, volts, 'falling')."
            )
        channel, level, slope = trigger
        if channel not in range(1, len(leads) + 1):
            raise BenchError(f"the trigger channel is {channel!r}; use 1 to {len(leads)}.")
        if slope not in ("rising", "falling"):
            raise BenchError(f"the trigger slope is {slope!r}; use 'rising' or 'falling'.")
        half = UP / 2 * per_div[channel - 1]
        middle = offsets[channel - 1]
        _within("trigger level", level, (middle - half, middle + half), "V")
        chosen = Trigger(channel - 1, float(level), slope == "rising")
    return Settings(tuple(map(tuple, leads)), float(s_per_div), tuple(map(float, per_div)), tuple(map(float, offsets)),
                    chosen, roll, peak)  # fmt: skip


def picture(set_: Settings, wave: Waveform, begin: float, seed: int, state: str, minute: float) -> Trace:
    """The screen: the waveform from its trigger on, in columns, quantised, with the instrument's noise."""
    note, zero = "", 0.0
    record = wave.to(begin + set_.screen_s)
    if set_.trigger is not None:
        lead = LEAD * set_.screen_s
        at, searched = None, begin + lead
        for screens in range(1, SEARCHED + 2):
            until = begin + screens * set_.screen_s
            record = wave.to(until)
            at = _triggered(set_, record, searched, until)
            if at is not None or screens > SEARCHED:
                break
            searched = until
        if at is None:
            note = "nothing crossed the trigger level; the picture was taken without it"
        else:
            begin, zero = at - lead, lead
            record = wave.to(max(until, begin + set_.screen_s))
    edges = begin + np.linspace(0.0, set_.screen_s, COLUMNS + 1)
    if set_.peak:
        low, high = record.envelope(edges)
    else:
        low = high = record.volts(edges[:-1])
    rng = np.random.default_rng([seed, 23])
    noise = rng.normal(0.0, NOISE, (2, *low.shape))
    peak_low, peak_high = _quantised(set_, low, noise[0]), _quantised(set_, high, noise[1] if set_.peak else noise[0])
    low, high = np.minimum(peak_low, peak_high), np.maximum(peak_low, peak_high)
    ends = [
        quantised(np.array([-math.inf, math.inf]), *pair) for pair in zip(set_.v_per_div, set_.offset_v, strict=True)
    ]
    clipped = any(a.min() <= bottom or b.max() >= top for a, b, (bottom, top) in zip(low, high, ends, strict=True))
    notes = [n for n in (note, "beyond the screen: change volts a division or the offset" if clipped else "") if n]
    labels = tuple(f"{red} against {black}" for red, black in set_.leads)
    return Trace("oscilloscope", np.linspace(0, set_.screen_s, COLUMNS, endpoint=False) - zero, low, high, labels,
                 ("V",) * len(labels), set_.s_per_div, set_.v_per_div, set_.offset_v, state, minute,
                 "; ".join(notes))  # fmt: skip


def quantised(volts: np.ndarray, v_per_div: float, offset_v: float = 0.0) -> np.ndarray:
    """Volts in steps of an 8-bit converter over the eight divisions of the screen, held at its ends."""
    step = UP * v_per_div / 2**BITS
    counts = np.clip(np.round((volts - offset_v) / step), -(2 ** (BITS - 1)), 2 ** (BITS - 1) - 1)
    return offset_v + counts * step


def _quantised(set_: Settings, volts: np.ndarray, noise: np.ndarray) -> np.ndarray:
    rows = []
    for k, row in enumerate(volts):
        step = UP * set_.v_per_div[k] / 2**BITS
        rows.append(quantised(row + noise[k] * step, set_.v_per_div[k], set_.offset_v[k]))
    return np.array(rows)


def _triggered(set_: Settings, record: Record, begin: float, end: float) -> float | None:
    """The first time after `begin` at which the trigger channel passes its level, found on the exact record."""
    trigger = set_.trigger
    grid = np.linspace(begin, end, 20 * COLUMNS)
    low, high = record.envelope(grid)
    low, high = low[trigger.channel], high[trigger.channel]
    # Hysteresis of a fifth of a division: noise and touching do not trigger.
    room = 0.2 * set_.v_per_div[trigger.channel]
    armed = False
    for k in range(len(low)):
        under, over = low[k] < trigger.level_v - room, high[k] > trigger.level_v + room
        before, after = (under, high[k] >= trigger.level_v) if trigger.rising else (over, low[k] <= trigger.level_v)
        if armed and after:
            return float(grid[k])
        armed = armed or before
    return None


def _within(name: str, value: float, limits: tuple[float, float], unit: str) -> None:
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        raise BenchError(f"{name} is {value!r}; write a number from {limits[0]:g} to {limits[1]:g} {unit}.")
    if not limits[0] <= value <= limits[1]:
        raise BenchError(f"{name} is {value:g} {unit}; the oscilloscope has {limits[0]:g} to {limits[1]:g} {unit}.")
