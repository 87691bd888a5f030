"""The screen: a trace as a picture, plain. Okabe-Ito colours, each with its own line style and its label."""

from __future__ import annotations

import io
from functools import cached_property

import numpy as np
import pandas as pd
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.ticker import FuncFormatter, MultipleLocator

from casekit.bench.trace import Trace

# Okabe and Ito 2008, colour-blind safe: blue, vermillion, bluish green, reddish purple; a line style each as well.
LOOK = (("#0072B2", "-"), ("#D55E00", "--"), ("#009E73", "-."), ("#CC79A7", (0, (1, 1))))
UP = 8
STEEP = 0.15  # divisions within one column from which a signal is drawn as an upright stroke
PIXELS = (1100, 620)
DPI = 100


class Screen:
    """A trace that shows itself as a picture in a notebook. `trace` holds the numbers; so do table() and figures()."""

    def __init__(self, trace: Trace):
        self.trace = trace

    def __repr__(self) -> str:
        return repr(self.trace)

    def table(self) -> pd.DataFrame:
        """The columns of the picture, as numbers."""
        return self.trace.table()

    def figures(self) -> pd.DataFrame:
        """Least, greatest, peak to peak, mean and frequency of every channel."""
        return self.trace.figures()

    @cached_property
    def png(self) -> bytes:
        """The picture."""
        return drawn(self.trace)

    def _repr_png_(self) -> bytes:
        return self.png

    def _repr_mimebundle_(self, include=None, exclude=None) -> tuple[dict, dict]:
        # The text is what a screen reader gets: the figures of every channel.
        words = f"{self.trace!r}\n{self.figures().to_string(index=False)}"
        return {"image/png": self.png, "text/plain": words}, {}


def drawn(trace: Trace, scale_v: bool = False) -> bytes:
    """A trace as PNG: one graticule, every channel in its own divisions, named at the right edge and in the legend.
    With `scale_v` its lines are numbered with the values of the first channel, as for a picture of one on paper."""
    figure = Figure(figsize=(PIXELS[0] / DPI, PIXELS[1] / DPI), dpi=DPI, facecolor="white")
    FigureCanvasAgg(figure)
    plane = figure.add_axes((0.04, 0.17, 0.89, 0.76) if not scale_v else (0.07, 0.17, 0.86, 0.76))
    scale, unit = _time_unit(trace.s_per_div)
    t = trace.t_s * scale
    zeros: dict[int, list[str]] = {}
    for k, label in enumerate(trace.labels):
        colour, style = LOOK[k % len(LOOK)]
        low, high = ((row[k] - trace.offsets[k]) / trace.per_div[k] for row in (trace.low, trace.high))
        # A column in which the signal moved far is an upright stroke; its middle would be a level that never was.
        steep = high - low > STEEP
        column_pt = 0.89 * PIXELS[0] / len(t) * 72 / DPI
        plane.vlines(t[steep], low[steep], high[steep], color=colour, linewidth=max(1.2, column_pt))
        plane.fill_between(t, low, high, where=~steep, color=colour, alpha=0.35, linewidth=0, step="post")
        line = np.where(steep, np.nan, (low + high) / 2)
        plane.plot(t, line, color=colour, linestyle=style, linewidth=1.4, drawstyle="steps-post")
        zero = float(np.clip(-trace.offsets[k] / trace.per_div[k], -UP / 2, UP / 2))
        zeros.setdefault(round(zero * 5), []).append(str(k + 1))
        plane.plot([], [], color=colour, linestyle=style, label=f"{k + 1}  {label}, {_per_div(trace, k)}")
    for place, numbers in zeros.items():
        colour = LOOK[(int(numbers[0]) - 1) % len(LOOK)][0] if len(numbers) == 1 else "#333333"
        plane.annotate(
            f"{', '.join(numbers)}: 0", (1.0, place / 5), xycoords=("axes fraction", "data"), xytext=(6, 0),
            textcoords="offset points", color=colour, va="center", fontsize=9,
        )  # fmt: skip
    plane.set_ylim(-UP / 2, UP / 2)
    plane.set_xlim(t[0], t[0] + 10 * trace.s_per_div * scale)
    plane.xaxis.set_major_locator(MultipleLocator(trace.s_per_div * scale))
    plane.yaxis.set_major_locator(MultipleLocator(1))
    plane.yaxis.set_major_formatter(
        FuncFormatter(lambda at, _: f"{trace.offsets[0] + at * trace.per_div[0]:g}" if scale_v else "")
    )
    if scale_v:
        plane.set_ylabel(trace.units[0], fontsize=10, rotation=0)
    plane.tick_params(length=0, labelsize=9)
    plane.grid(color="#BBBBBB", linewidth=0.6)
    if t[0] < 0:
        plane.axvline(0.0, color="#555555", linewidth=0.8)
        plane.annotate(
            "trigger", (0.0, UP / 2), xytext=(3, -10), textcoords="offset points", fontsize=9, color="#333333"
        )
    plane.set_xlabel(f"{unit}, {trace.s_per_div * scale:g} {unit} a division", fontsize=10)
    title = f"{trace.kind}, {trace.state}" + (f"  ·  {trace.note}" if trace.note else "")
    figure.text(0.04, 0.98, title, fontsize=11, va="top")
    figure.legend(loc="lower left", bbox_to_anchor=(0.03, 0.0), ncols=2, fontsize=9, frameon=False, handlelength=3)
    out = io.BytesIO()
    figure.savefig(out, format="png")
    return out.getvalue()


def _time_unit(s_per_div: float) -> tuple[float, str]:
    if s_per_div < 1e-3:
        return 1e6, "µs"
    return (1e3, "ms") if s_per_div < 0.2 else (1.0, "s")


def _per_div(trace: Trace, k: int) -> str:
    value, unit = trace.per_div[k], trace.units[k]
    if unit == "V" and value < 1:
        return f"{value * 1000:g} mV a division"
    return f"{value:.3g} {unit} a division"
