"""A recorded picture: one or more channels over time, as an instrument keeps it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd


@dataclass(frozen=True, eq=False)
class Trace:
    """Channels x columns. `t_s` is the time of every column from the trigger (or from the start), in second; `low` and
    `high` are the least and greatest value shown in each column, equal where only one sample was kept.

    `units` and `labels` name the channels; `per_div` and `s_per_div` are the settings; `note` says what the
    instrument has to say (no trigger, clipped); `state` and `minute` are those at the beginning.
    """

    kind: str
    t_s: np.ndarray
    low: np.ndarray
    high: np.ndarray
    labels: tuple[str, ...]
    units: tuple[str, ...]
    s_per_div: float
    per_div: tuple[float, ...]
    offsets: tuple[float, ...]
    state: str
    minute: float
    note: str = ""

    def table(self) -> pd.DataFrame:
        """The columns of the picture: second, and least and greatest of every channel in its unit."""
        data = {"t_s": self.t_s}
        for k, (label, unit) in enumerate(zip(self.labels, self.units, strict=True)):
            data |= {f"{label} low ({unit})": self.low[k], f"{label} high ({unit})": self.high[k]}
        return pd.DataFrame(data)

    def figures(self) -> pd.DataFrame:
        """Per channel: least, greatest, peak to peak, mean, and how often it rises through its middle (Hz)."""
        rows = []
        for k, label in enumerate(self.labels):
            low, high = float(np.nanmin(self.low[k])), float(np.nanmax(self.high[k]))
            mean = float(np.nanmean((self.low[k] + self.high[k]) / 2))
            rows.append(
                (label, self.units[k], low, high, high - low, mean, _hertz(self.t_s, self.low[k], self.high[k]))
            )
        return pd.DataFrame(rows, columns=["channel", "unit", "least", "greatest", "peak to peak", "mean", "Hz"])

    def __repr__(self) -> str:
        note = f"; {self.note}" if self.note else ""
        return f"<{self.kind}: {', '.join(self.labels)}, {self.s_per_div:g} s a division, {self.state}{note}>"


def smoothed(values: np.ndarray, keep: float) -> np.ndarray:
    """A first-order filter over samples, started at the first; `keep` is the share of a step taken at once."""
    out, now = np.empty(len(values)), float(values[0])
    for k, value in enumerate(values):
        now += keep * (value - now)
        out[k] = now
    return out


def _hertz(t: np.ndarray, low: np.ndarray, high: np.ndarray) -> float:
    """Upward crossings of the middle a second; nan for fewer than two.

    A crossing counts once the signal has been below the middle in a whole column, and only for swings that stand
    out of the noise: the columns must be mostly narrower than a third of the swing.
    """
    swing = high.max() - low.min()
    if swing <= 0 or np.median(high - low) > swing / 3:
        return float("nan")
    middle = (low.min() + high.max()) / 2
    below, times = False, []
    for time, a, b in zip(t, low, high, strict=True):
        if b < middle - 0.1 * swing:
            below = True
        elif below and a > middle + 0.1 * swing:
            times.append(time)
            below = False
    return (len(times) - 1) / (times[-1] - times[0]) if len(times) > 1 else float("nan")
