"""Progress: a log move by move, with what was learnt from each, and bits left against minutes as a picture.

In: the log, its `Verdict`, and routes that were played. Out: `Row`s as text and as an HTML table; a `Picture`.
"""

from __future__ import annotations

import base64
import io
import textwrap
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from html import escape

from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

from casekit.bench.reading import Call, Event, Finding, Move, Reading
from casekit.reasoning.verdict import Verdict
from casekit.teaching.player import Played
from casekit.teaching.screen import LOOK

NOTHING = 0.02  # bits below which a reading told nothing
COLUMNS = ("Minute", "What was done", "What it showed", "Bits", "Took", "Remark")
LESS_SURE = (
    "Bits below nought: it was not what the likeliest faults would show, so that more were likely after it than before."
)
WIDE = (6, 23, 18, 5, 4, 24)  # of the columns as text: a line of A4 or Letter
STYLE = (
    "<style>.casekit-moves{border-collapse:collapse;max-width:100%;color:#000;background:#fff}"
    ".casekit-moves th,.casekit-moves td{text-align:left;vertical-align:top;padding:2px 8px;white-space:normal;"
    "overflow-wrap:anywhere;border-bottom:1px solid #bbb}"
    ".casekit-moves .n{text-align:right;white-space:nowrap}.casekit-moves td:nth-child(2){min-width:8em}"
    ".casekit-moves td:nth-child(6){min-width:16em}"
    "@media print{.casekit-moves{font-size:9pt}.casekit-moves thead{display:table-header-group}"
    ".casekit-moves tr{break-inside:avoid}}</style>"
)
SIZE, DPI = (8.0, 4.6), 140


@dataclass(frozen=True)
class Row:
    """One event: when, what was done, what it showed, bits learnt (None: no evidence), minutes it took, remarks."""

    minute: float
    done: str
    shown: str
    bits: float | None
    took: float
    remark: str = ""

    @property
    def cells(self) -> tuple[str, ...]:
        """The columns as text; a minus sign where things became less clear."""
        bits = "–" if self.bits is None else f"{self.bits:.2f}".replace("-", "−")
        bits = "0.00" if bits == "−0.00" else bits
        return f"{self.minute:.1f}", self.done, self.shown, bits, f"{self.took:.1f}", self.remark


def rows(
    events: Sequence[Event], verdict: Verdict, stored: Sequence[str] = (), remarks: Mapping[int, Sequence[str]] = {}
) -> list[Row]:
    """Every event with what was learnt from it. `remarks` are by number of the event, -1 for the codes on the sheet."""
    gained: dict[int, float] = {}
    for moment in verdict.trail:
        key = id(moment.event) if moment.event is not None else -1
        gained[key] = gained.get(key, 0.0) + moment.gained
    found, clock = [], 0.0
    if -1 in gained:
        said = "; ".join(remarks.get(-1, ()))
        found.append(Row(0.0, "codes on the sheet", ", ".join(stored), gained[-1], 0.0, said))
    for k, event in enumerate(events):
        if isinstance(event, Call):
            continue
        bits = gained.get(id(event))
        said = list(remarks.get(k, ()))
        if isinstance(event, Reading) and (bits is None or abs(bits) < NOTHING):
            said.insert(0, "told nothing")
        if risk := getattr(event, "risk", ""):
            said.insert(0, f"risk: {risk}")
        shown = event.shown if isinstance(event, Reading) else event.text if isinstance(event, Finding) else ""
        found.append(Row(event.minute, _done(event), shown, bits, event.minute - clock, "; ".join(said)))
        clock = event.minute
    return found


def _done(event: Event) -> str:
    match event:
        case Move():
            return f"{event.action} {event.what}".replace("  ", " ")
        case Finding(point="driver"):
            return "driver's seat"
        case Finding(point="proof"):
            return "proof"
        case Finding():
            return f"look at {event.point}"
        case Reading(red="") | Reading(function="scan" | "codes"):
            return "trouble codes" if event.function == "codes" else event.function
    return f"{event.function} {event.red}" + (f" against {event.black}" if event.black else "")


def text(table: Sequence[Row]) -> str:
    """The rows as a table of text, wrapped so that it prints on A4 or Letter."""
    lines = []
    for cells in (COLUMNS, *(row.cells for row in table)):
        blocks = [textwrap.wrap(c, w, break_on_hyphens=False) or [""] for c, w in zip(cells, WIDE, strict=True)]
        for n in range(max(map(len, blocks))):
            parts = [b[n] if n < len(b) else "" for b in blocks]
            cut = (
                p.rjust(w) if k in (0, 3, 4) else p.ljust(w) for k, (p, w) in enumerate(zip(parts, WIDE, strict=True))
            )
            lines.append("  ".join(cut).rstrip())
    return "\n".join(lines)


def note(table: Sequence[Row]) -> str:
    """What bits below nought mean, where there are any."""
    return LESS_SURE if any(row.bits is not None and row.bits < -NOTHING for row in table) else ""


def headed(lines: Iterable[tuple[str, str]]) -> str:
    """Headings and sentences as rows of an HTML table."""
    return "".join(
        f'<tr><th scope="row" style="text-align:left;vertical-align:top;padding-right:1.5em">{escape(head)}</th>'
        f'<td style="text-align:left;white-space:normal">{escape(text)}</td></tr>'
        for head, text in lines
    )


def html(table: Sequence[Row]) -> str:
    """The rows as an HTML table that breaks between rows and repeats its head on every page."""
    mark = [' class="n"' if k in (0, 3, 4) else "" for k in range(len(COLUMNS))]
    head = "".join(f'<th scope="col"{m}>{escape(c)}</th>' for m, c in zip(mark, COLUMNS, strict=True))
    body = "".join(
        "<tr>" + "".join(f"<td{m}>{escape(c)}</td>" for m, c in zip(mark, row.cells, strict=True)) + "</tr>"
        for row in table
    )
    caption = "<caption><b>Move by move</b> (minutes; bits learnt about which fault it is)</caption>"
    below = f"<p>{said}</p>" if (said := note(table)) else ""
    whole = f'{STYLE}<table class="casekit-moves">{caption}<thead><tr>{head}</tr></thead><tbody>{body}</tbody></table>'
    return whole + below


class Picture:
    """Bits left against minutes for some routes; shows itself in a notebook, with its words for a screen reader."""

    def __init__(self, title: str, curves: Sequence[Played]):
        self.title, self.curves = title, tuple(curves)

    def __repr__(self) -> str:
        each = (
            f"{c.name}: from {c.bits[0]:.1f} to {c.bits[-1]:.1f} bits in {c.minutes[-1]:.1f} minutes"
            for c in self.curves
        )
        return f"Bits left to find out against minutes. {'; '.join(each)}."

    @cached_property
    def png(self) -> bytes:
        """The picture."""
        return drawn(self.title, self.curves)

    def _repr_html_(self) -> str:
        picture = base64.b64encode(self.png).decode()
        words = escape(repr(self), quote=True)
        style = "max-width:100%;width:42em;break-inside:avoid"
        return f'<img style="{style}" alt="{words}" src="data:image/png;base64,{picture}">'


def drawn(title: str, curves: Sequence[Played]) -> bytes:
    """Step curves as PNG, each with its own colour and line style and named at its end."""
    figure = Figure(figsize=SIZE, dpi=DPI, facecolor="white")
    FigureCanvasAgg(figure)
    plane = figure.add_axes((0.08, 0.13, 0.88, 0.77))
    longest, most = max(c.minutes[-1] for c in curves), max(max(c.bits) for c in curves)
    longest = max(longest, 1.0)
    plane.set_xlim(0, longest * 1.04)
    plane.set_ylim(-0.03 * most, 1.08 * most)
    taken: list[tuple[float, float]] = []
    for k, curve in enumerate(curves):
        colour, style = LOOK[k % len(LOOK)]
        plane.plot(curve.minutes, curve.bits, color=colour, linestyle=style, linewidth=2, drawstyle="steps-post")
        x, y = curve.minutes[-1], curve.bits[-1]
        plane.plot([x], [y], marker="osD^"[k % 4], color=colour, markersize=6)
        high = y
        while any(abs(x - a) < 0.3 * longest and abs(high - b) < 0.07 * most for a, b in taken):
            high += 0.075 * most  # a name does not stand on another
        taken.append((x, high))
        name = f"{curve.name}, {x:.0f} min" + (f" ({curve.end})" if curve.end == "not sure" else "")
        late = x > 0.6 * longest  # a name at the right edge stands over the end of its line
        plane.annotate(
            name, (x, high), xytext=(-2, 8) if late else (7, 1), textcoords="offset points", color=colour, fontsize=10,
            va="bottom", ha="right" if late else "left",
            bbox={"facecolor": "white", "edgecolor": "none", "pad": 1, "alpha": 0.85},
        )  # fmt: skip
    plane.grid(color="#CCCCCC", linewidth=0.6)
    plane.set_axisbelow(True)
    for side in ("top", "right"):
        plane.spines[side].set_visible(False)
    plane.set_xlabel("minutes", fontsize=10)
    plane.set_ylabel("bits left to find out", fontsize=10)
    figure.text(0.08, 0.97, f"What was known when: {title}", fontsize=11, va="top")
    out = io.BytesIO()
    figure.savefig(out, format="png")
    return out.getvalue()
