"""The answers to a case, for the instructor's eyes: the truth, a good route through it, and what else looked likely.

In: a case file and a seed. Out: `Answers`, found by playing a fresh bench by advice, and their pages as HTML.
"""

from __future__ import annotations

from dataclasses import dataclass
from html import escape

import pandas as pd

from casekit.files.casefile import CaseFile, Instructor
from casekit.reasoning.doubt import doubts, explained
from casekit.reasoning.lookalike import groups
from casekit.reasoning.suspect import Suspect
from casekit.reasoning.verdict import Verdict
from casekit.reasoning.words import left, standings
from casekit.teaching import progress
from casekit.teaching.grade import BELIEVED, false_calls
from casekit.teaching.markup import bullets, table
from casekit.teaching.player import Par, Player, par
from casekit.teaching.practice import Fresh, Practice
from casekit.teaching.truth import truth_of

TEMPTED = 6  # false calls named at most
CSS = (
    ".key table{font-size:9pt}.key th,.key td{padding:.6mm 2mm .6mm 0;border-bottom:.4pt solid #888}"
    ".key thead{display:table-header-group}.key tr{break-inside:avoid}.key caption{text-align:left}"
    ".key .n{text-align:right}.key .points{columns:4;column-gap:5mm;font-size:8.5pt}"
    ".key .points div{display:table;width:100%;break-inside:avoid;border-bottom:.3pt solid #bbb}"
    ".key .points b{display:table-cell;text-align:right}"
    ".key .points span{display:table-cell}"
    ".key .new{break-before:page}.key .whole{break-inside:avoid}.key .truth{border:1pt solid #000;padding:1.5mm 3mm}"
    ".key .casekit-moves{font-size:8.5pt}"
    ".key .casekit-moves td:nth-child(6){width:36%}"
)
Table = list[tuple[str, ...]]


@dataclass(frozen=True)
class Answers:
    """What an instructor wants at hand.

    `rows` is the route by advice, each step with what is left after it; `sure` whether it ended so. `left` is what the
    route leaves with its chance, `alike` groups that no test on offer tells apart, `doubts` what may be behind a log
    that no single fault explains. `tempting` are false calls: what, how likely it looked at most and when, and what
    speaks against it. `points` and `scan` are what the machine reads with the key on and everything plugged;
    `clear` says that the route ends with no fault found.
    """

    title: str
    truth: str
    explanation: str
    teaches: tuple[str, ...]
    notes: Instructor
    par: Par
    rows: tuple[progress.Row, ...]
    sure: bool
    left: Table
    alike: tuple[str, ...]
    doubts: tuple[str, ...]
    tempting: Table
    earth: str
    points: Table
    scan: Table
    loose: bool
    clear: bool


def answers(case: CaseFile, seed: int | None = None) -> Answers:
    """Play a case by advice, and put the truth beside it. Takes up to a minute."""
    again, stored = Fresh(case.case, seed), tuple(case.codes)
    bench = again()
    player = Player(bench, stored)
    seen = [(0.0, player.verdict)]
    remarks = {-1: [_standing(player.verdict)]} if stored else {}
    for verdict in player.steps():
        seen.append((bench.clock, verdict))
        remarks[len(bench.events) - 1] = [_standing(verdict)]
    verdict, still = player.verdict, left(player.verdict)
    fits = {s: verdict.fits[verdict.suspects.index(s)] for s in still}
    alike = [g for g in groups(bench.drawing, fits) if len(g) > 1]
    open_doubts = [] if explained(verdict) else doubts(bench.drawing, list(bench.events), stored, verdict)[:3]
    fresh = again()
    fresh.key("on")
    return Answers(
        title=case.title,
        truth=" and ".join(map(truth_of, case.faults)) or "nothing",
        explanation=case.explanation,
        teaches=tuple(case.teaches),
        notes=case.instructor,
        par=par(again, stored),
        rows=tuple(progress.rows(bench.events, verdict, stored, remarks)),
        sure=player.sure,
        left=[(str(s), _percent(verdict.of(s))) for s in still],
        alike=tuple(" = ".join(sorted(map(str, group))) for group in alike),
        doubts=tuple(map(str, open_doubts)),
        tempting=_tempting(case, seen, still),
        earth=bench.drawing.earth,
        points=_points(fresh),
        scan=_scan(fresh),
        loose=any(fault.when for fault in case.faults),
        clear=player.clear,
    )


def _standing(verdict: Verdict) -> str:
    best = verdict.suspects[verdict.best()]
    return f"{len(left(verdict))} left; likeliest: {best} ({_percent(verdict.of(best))})"


def _tempting(case: CaseFile, seen: list[tuple[float, Verdict]], still: list[Suspect]) -> Table:
    """Suspects that looked likely on the way and are neither at the place of a fault nor left at the end."""
    peak = {s: top for s, top in false_calls(case, seen).items() if s not in still}
    because = {s.suspect: s.because for s in standings(seen[-1][1])}
    likely = sorted((s for s in peak if peak[s][0] >= BELIEVED), key=lambda s: -peak[s][0])[:TEMPTED]
    return [
        (str(s), f"{_percent(peak[s][0])}, {_when(-peak[s][1])}", "; ".join(because.get(s, ())[:1]) or "chance alone")
        for s in likely
    ]


def _when(minute: float) -> str:
    return f"minute {minute:.1f}" if minute else "by the sheet alone"


def _points(bench: Practice) -> Table:
    earth = bench.drawing.earth
    return [(p, bench.volts(p, earth).shown) for p in bench.probe_points() if p != earth]


def _scan(bench: Practice) -> Table:
    """What scan data shows: channel, value, volts inside where there are any, remark."""
    return [
        (
            channel,
            "" if pd.isna(value) else f"{value:.4g} {unit}",
            "" if pd.isna(inside) else f"{inside:.3f} V",
            remark,
        )
        for channel, value, unit, inside, remark in bench.scan().itertuples(index=False)
    ]


def _percent(p: float) -> str:
    return (f"{100 * p:.0f} %" if p >= 0.01 else "under 1 %").replace(" %", "\u00a0%")  # stays on one line


# Pages ------------------------------------------------------------------------------------------------------------


def pages(found: Answers) -> str:
    """The instructor's pages as HTML: the truth and what it teaches; the route; what may mislead; readings to give."""
    shown = [
        f"<section class='key'><h1>Answers: {escape(found.title)}</h1>"
        f"<div class='truth'><b>What is wrong:</b> {escape(found.truth)}.<br>{escape(found.explanation)}</div>",
        f"<h2>What the case teaches</h2>{bullets(found.teaches)}",
        _taught(found.notes),
        f"<h2>Par</h2><p>{escape(str(found.par))}.</p>",
        "<h2>A good route</h2><p>What the advice chose on this machine, not knowing the fault, and what the machine "
        f"showed: {found.rows[-1].minute:.1f} minutes. One bit halves what is left to find out.</p>",
        progress.html(found.rows),
        f"<h2>At the end of the route</h2><p>{escape(_ending(found))}</p>",
    ]
    if found.doubts:
        shown.append(f"<p>No single fault on the drawing explains every reading. In doubt:</p>{bullets(found.doubts)}")
    shown.append(f"<div class='whole'><h2>False calls to expect</h2>{_misleading(found)}</div>")
    shown.append(_handed_out(found))
    return "".join(shown) + "</section>"


def _taught(notes: Instructor) -> str:
    """How to teach the case."""
    plan = notes.plan_min
    minutes = f"Telling the case {plan.brief:g} minutes, bench {plan.bench:g}, talking it over {plan.debrief:g}."
    return (
        f"<h2>Time plan</h2><p>{minutes}</p><h2>What to ask</h2>{bullets(notes.ask)}"
        f"<h2>What trainees get wrong</h2>{bullets(notes.slips)}<h2>What to show next</h2><p>{escape(notes.next)}</p>"
    )


def _ending(found: Answers) -> str:
    if found.clear:
        return (
            "No fault found may be called: nothing that is always there is left, and with the codes cleared a drive "
            "brought nothing back. What comes and goes is never excluded by that; the job sheet says what was tried."
        )
    names = "; ".join(f"{name} ({chance})" for name, chance in found.left)
    sure = "Sure enough to call" if found.sure else "Not sure enough to call"
    alike = f" Look-alikes, which no test on offer tells apart: {'; '.join(found.alike)}." if found.alike else ""
    return f"{sure}. Left: {names}.{alike or ' There are no look-alikes among them.' if len(found.left) > 1 else ''}"


def _misleading(found: Answers) -> str:
    if not found.tempting:
        return "<p>Nothing else looked likely on this route.</p>"
    return (
        "<p>These looked likely for a while on this route, and are wrong.</p>"
        + table(("Call", "At its likeliest", "What speaks against it at the end"), found.tempting)
    )  # fmt: skip


def _handed_out(found: Answers) -> str:
    """Readings to give to a class that works without a computer."""
    away = " The fault comes and goes: while it is there, take them on the bench." if found.loose else ""
    points = "".join(f"<div><span>{escape(p)}</span> <b>{escape(v)}</b></div>" for p, v in found.points)
    return (
        "<h2 class='new'>Readings to give out</h2><p>For a class without computers: what this machine reads with the "
        f"key on and everything plugged, red lead as listed, black lead on {escape(found.earth)}.{away}</p>"
        f"<div class='points'>{points}</div><h2>Scan data, key on</h2>"
        + table(("Channel", "Value", "Volts inside", "Remark"), found.scan)
    )  # fmt: skip
