"""The debrief: the truth, and what the trainee's own readings allowed them to say.

In: the log, the call and the unsealed truth. Out: a `Debrief` that reads well in a notebook, in a terminal, on paper.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from html import escape
from pathlib import Path

import numpy as np

from casekit.bench.reading import Call, Event, Finding, Move, Reading, called, standing
from casekit.bench.sealed import Truth
from casekit.machine.faults import NO_FAULT, SUPPLY_KINDS, Fault
from casekit.machine.intermittent import Intermittent, inner
from casekit.machine.machine import Machine
from casekit.machine.unit import Core
from casekit.reasoning.advice import advise
from casekit.reasoning.belief import normalised
from casekit.reasoning.doubt import Doubt, doubts
from casekit.reasoning.observation import observed
from casekit.reasoning.offer import Standpoint
from casekit.teaching import progress
from casekit.teaching.foresight import Foresight, foresight
from casekit.teaching.paper import printed, saved, sheet
from casekit.teaching.player import SURE, Again, Par, Played, by_advice, par, unplugging
from casekit.teaching.progress import Picture, Row
from casekit.teaching.support import Weighed, names, weighed
from casekit.teaching.ticks import Tick, judged

TOLD = 0.1  # bits below which no test is worth naming
FOOT = "Invented machine and data, for teaching."
PICTURE = (
    "What was known when, beside the advice and beside unplugging everything, in some seconds: bench.debrief().picture"
)


@dataclass(frozen=True)
class Debrief:
    """What came out.

    `right`: the calls name the true kind and place of all that is wrong, `partly` some of it, `missing` that what they
    name is right and something else is wrong too. `supported`: the
    readings leave the call and nothing that would be repaired elsewhere; `sure`: how likely the call and what is the
    same repair are. `allowed`: they do not speak against it. `rivals`: what else is left. `decided`: minutes up to the
    last call that counts. `condemned`: good parts that were called or treated as bad. `risks`:
    what was risky, and when. `mended`: whether the machine was cured and the cure proved. `foresight`: what was
    expected before the readings, scored; None if nothing was. `own`: what the readings say of the trainee's own list of
    suspects, empty without one. `story` is the log move by move, worked out when it is
    first shown.
    """

    title: str
    truth: str
    explanation: str
    call: str
    right: bool
    supported: bool
    because: str
    rivals: tuple[str, ...]
    condemned: tuple[str, ...]
    minutes: float
    readings: int
    lessons: tuple[str, ...] = ()
    allowed: bool = True
    decided: float | None = None
    partly: bool = False
    missing: bool = False
    risks: tuple[str, ...] = ()
    mended: str = ""
    sure: float = 0.0
    foresight: Foresight | None = None
    own: str = ""
    story: Story | None = field(default=None, compare=False, repr=False)

    @property
    def moves(self) -> list[Row]:
        """Every event of the log with what was learnt from it; better tests are looked up once, in some seconds."""
        return self.story.rows if self.story else []

    @property
    def picture(self) -> Picture | None:
        """Bits left against minutes: yours, by advice, and unplugging in order. The two are played: up to minutes."""
        return self.story.picture if self.story else None

    @property
    def par(self) -> Par | None:
        """The minutes a good route needs; None for a bench that is not a case."""
        return self.story.par if self.story else None

    def lines(self) -> list[tuple[str, str]]:
        """Headings and sentences, in order."""
        verdict = "right" if self.right else "part of what was wrong" if self.partly else "not what was wrong"
        verdict += "; one more thing is wrong, and nobody called it" if self.missing else ""
        rows = [
            ("Your call", f"{self.call}: {verdict}."),
            ("What was wrong", f"{self.truth}. {self.explanation}"),
            ("Your readings", self.because),
        ]
        if self.call not in ("none", NO_FAULT) and self.readings:
            rows.append(("How sure", f"your call and what is the same repair: {_percent(self.sure)}."))
        if self.rivals:
            head = "Also left by your readings" if self.allowed else "Left by your readings"
            rows.append((head, "; ".join(self.rivals) + "."))
        if self.story and self.story.doubts:
            rows.append(("What may be behind it", " ".join(map(_sentence, self.story.doubts))))
        if self.foresight:
            rows.append(("Your predictions", str(self.foresight)))
        if self.own:
            rows.append(("Your own list", self.own))
        rows.append(("Good parts condemned", ", ".join(self.condemned) or "none"))
        rows.append(("Risky", "; ".join(self.risks) or "nothing"))
        rows.append(("Repair", self.mended))
        rows.append(("Time", f"{self.minutes:.1f} minutes, {self.readings} reading{'' if self.readings == 1 else 's'}"))
        if self.par:
            yours = "no call was made" if self.decided is None else f"you called after {self.decided:.1f} minutes"
            rows.append(("Par", f"{self.par}; {yours}."))
        if self.lessons:
            rows.append(("To take away", " ".join(self.lessons)))
        return rows

    def pdf(self, path: Path | str, paper: str = "a4") -> int:
        """Print it; how many pages. Raises MissingError without WeasyPrint, BenchError when nothing can be written
        there."""
        document = printed(sheet(self.title, self._html(""), paper, FOOT))
        saved(path, document.write_pdf(pdf_tags=True))
        return len(document.pages)

    def __repr__(self) -> str:
        shown = [self.title, *(f"{head}: {text}" for head, text in self.lines())]
        if self.moves:
            shown += ["", progress.text(self.moves), *filter(None, [progress.note(self.moves)]), "", PICTURE]
        return "\n".join(shown)

    def _repr_html_(self) -> str:
        return self._html(f"<p>{escape(PICTURE)}</p>")

    def _html(self, undrawn: str) -> str:
        """All of it; the picture, or what stands there while it has not been drawn."""
        caption = f"<caption><b>Debrief: {escape(self.title)}</b></caption>"
        table = f"<table>{caption}{progress.headed(self.lines())}</table>"
        if not self.moves:
            return table
        shown = self.picture._repr_html_() if self.story.pictured else undrawn
        return table + progress.html(self.moves) + shown


class Story:
    """The log move by move. What takes long is worked out when it is first asked for."""

    def __init__(self, title: str, drawing: Machine, events: Sequence[Event], clock: float, stored: tuple[str, ...],
                 weighed: Weighed, bad: Sequence[str], again: Again | None):  # fmt: skip
        self.title, self.drawing, self.events, self.clock = title, drawing, list(events), clock
        self.stored, self.weighed, self.bad, self.again = stored, weighed, tuple(bad), again

    @property
    def pictured(self) -> bool:
        """Whether the picture has been drawn already."""
        return "picture" in vars(self)

    @cached_property
    def picture(self) -> Picture:
        """Three curves; two of them are played on a fresh bench."""
        curves = [Played.of("you", self.weighed.verdict, self.clock)]
        if self.again:
            curves += [by_advice(self.again, self.stored), unplugging(self.again, self.stored)]
        return Picture(self.title, curves)

    @cached_property
    def par(self) -> Par | None:
        """Par of the case."""
        return par(self.again, self.stored) if self.again else None

    @cached_property
    def doubts(self) -> list[Doubt]:
        """What may be behind a log that no single fault on the drawing explains."""
        w = self.weighed
        return [] if w.explained or not w.verdict.used else doubts(w.drawing, self.events, self.stored, w.verdict)[:3]

    @cached_property
    def rows(self) -> list[Row]:
        """Every event with its remarks."""
        said: dict[int, list[str]] = {}
        supported = self._since()
        if supported is not None:
            said.setdefault(supported, []).append("from here on the call is supported")
        for k, event in enumerate(self.events):
            if isinstance(event, Move) and event.action in ("replace", "repair") and event.what in self.bad:
                said.setdefault(k, []).append("the part was good")
        for k, words in self._better(len(self.events) if supported is None else supported):
            said.setdefault(k, []).append(words)
        return progress.rows(self.events, self.weighed.verdict, self.stored, said)

    def _since(self) -> int | None:
        """Number of the event from which on the call was supported; -1 for the codes on the sheet."""
        w, verdict = self.weighed, self.weighed.verdict
        if not w.supported:
            return None
        weighing = (w.pairs or verdict).weighed
        mine = np.array([c.suspect in w.group for c in weighing.cells])
        sure = normalised(weighing.history)[:, mine].sum(axis=1) >= SURE
        behind = np.flatnonzero(~sure)
        first = int(behind[-1]) + 1 if len(behind) else 0
        if first >= len(verdict.trail):
            return None
        event = verdict.trail[first].event
        return next((k for k, e in enumerate(self.events) if e is event), -1)

    def _better(self, before: int) -> Iterator[tuple[int, str]]:
        """For every reading until the call was supported: the best test then, where it paid more than twice as much."""
        w, verdict = self.weighed, self.weighed.verdict
        numbers = [k for k, e in enumerate(self.events) if not isinstance(e, Call)]
        table = progress.rows(self.events, verdict)
        table = table[len(table) - len(numbers) :]
        when = {id(e): k for k, e in enumerate(self.events)}
        done = [-1 if moment.event is None else when[id(moment.event)] for moment in verdict.trail]
        for row, k in zip(table, numbers, strict=True):
            event = self.events[k]
            if k >= before or not isinstance(event, Reading) or row.took <= 0:
                continue
            past = self.events[:k]
            then = verdict.at(sum(d < k for d in done), *observed(w.drawing, past))
            best = next(iter(advise(w.drawing, then, Standpoint.after(w.drawing, past), most=1, ahead=False)), None)
            same = best and (best.offer.kind, best.offer.red) == (event.function, event.red)  # what it told was luck
            if best and not same and best.bits > TOLD and best.rate > 2 * max((row.bits or 0.0) / row.took, 0.0):
                yield (
                    k,
                    f"would have paid more: {best.offer} ({best.bits:.1f} bits in {best.minutes:.1f} minutes expected)",
                )


def debrief(
    title: str,
    drawing: Machine,
    events: Sequence[Event],
    clock: float,
    calls: Sequence[Call],
    truth: Truth,
    stored: Sequence[str] = (),
    again: Again | None = None,
    ticks: Sequence[Tick] = (),
) -> Debrief:
    """Hold the log and the calls against the evidence, then open the truth.

    The last call counts, with the one it was added to, and the last one that says the drawing is wrong. The evidence is
    weighed on the drawing (as the trainee would correct it), the log and the `stored` codes of the sheet alone; the
    truth is only put beside it. `again` opens the case anew, to play it. `ticks`: the trainee's own list of suspects.
    """
    readings = [e for e in events if isinstance(e, Reading)]
    on_machine, on_drawing = standing(calls)
    found = weighed(drawing, list(events), tuple(stored), on_machine, on_drawing)
    named = [c for c in (on_drawing, *on_machine) if c]
    faults = truth.specimen.faults
    hit = {(k, j) for k, fault in enumerate(faults) for j, c in enumerate(named) if names(c, inner(fault))}
    all_named, all_true = {k for k, _ in hit} == set(range(len(faults))), len({j for _, j in hit}) == len(named)
    condemned = _condemned(events, named, truth)
    return Debrief(
        title=title,
        truth=" and ".join(map(_true, faults)) or "nothing",
        explanation=truth.explanation,
        call=" and ".join(map(str, named)) or "none",
        right=bool(hit) and all_named and all_true if faults else [c.kind for c in named] == [NO_FAULT],
        partly=bool(hit) and not (all_named and all_true),
        missing=bool(hit) and all_true and not all_named,
        supported=found.supported,
        because=found.because,
        rivals=found.rivals,
        allowed=found.allowed,
        decided=max((c.minute for c in named), default=None),
        condemned=condemned,
        minutes=clock,
        readings=len(readings),
        risks=_risks(events),
        mended=_mended(events, truth),
        lessons=truth.lessons,
        sure=found.sure,
        foresight=foresight(readings, found.drawing, found.verdict),
        own=judged(ticks, found, [inner(f) for f in faults]),
        story=Story(title, drawing, events, clock, tuple(stored), found, condemned, again),
    )


def _true(fault: Fault | Intermittent) -> str:
    bare = inner(fault)
    return called(bare.kind, bare.place, getattr(bare, "to", "")) + (
        " (it comes and goes)" if isinstance(fault, Intermittent) else ""
    )


def _condemned(events: Sequence[Event], named: Sequence[Call], truth: Truth) -> tuple[str, ...]:
    """Good parts that were called bad, replaced, or cut open for repair."""
    bad = {p for f in map(inner, truth.specimen.faults) for p in (f.place, getattr(f, "to", "")) if p}
    worked = [e.what for e in events if isinstance(e, Move) and e.action in ("replace", "repair")]
    unit_bad = any(f.kind in SUPPLY_KINDS for f in truth.specimen.faults)
    units = {core.name for core in truth.specimen.built.all(Core)} if unit_bad else set()
    return tuple(dict.fromkeys(p for p in [*sorted(c.place for c in named), *worked] if p not in bad | units | {""}))


def _risks(events: Sequence[Event]) -> tuple[str, ...]:
    """What was risky, each with the minute."""
    risky = [e for e in events if isinstance(e, Move | Reading) and e.risk]
    return tuple(f"minute {e.minute:.1f}: {e.risk}" for e in risky)


def _mended(events: Sequence[Event], truth: Truth) -> str:
    """Whether the machine was cured, and whether that was proved."""
    if not any(isinstance(e, Move) and e.action in ("replace", "repair") for e in events):
        return "nothing was repaired."
    cured = len(truth.specimen.cured) == len(truth.specimen.faults)
    proofs = [e.text for e in events if isinstance(e, Finding) and e.point == "proof"]
    proved = proofs[-1] if proofs else "not proved: the repair was not tried out"
    return f"{'the machine is cured' if cured else 'the machine is not cured'}; {proved}."


def _percent(p: float) -> str:
    """A share of belief; nothing is ever quite sure."""
    return "over 99.9 %" if p > 0.999 else "under 0.1 %" if p < 0.001 else f"{100 * p:.1f} %"


def _sentence(doubt: Doubt) -> str:
    text = str(doubt)
    return text[0].upper() + text[1:].rstrip(".") + "."
