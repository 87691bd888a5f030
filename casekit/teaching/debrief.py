"""The debrief: the truth, and what the trainee's own readings allowed them to say.

In: the log, the call and the unsealed truth. Out: a `Debrief` that reads well in a notebook, in a terminal, on paper.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from html import escape

from casekit.bench.reading import Call, Event, Finding, Move, Reading
from casekit.bench.sealed import Truth
from casekit.machine.faults import (
    DRAWING_KINDS,
    KINDS,
    SUPPLY_KINDS,
    CrossedTerminals,
    DrawnOnWrongSplice,
    Fault,
    SensorDeadSpot,
    SensorDrifted,
    SpliceNotDrawn,
)
from casekit.machine.harness import Contact
from casekit.machine.intermittent import Intermittent
from casekit.machine.machine import Machine
from casekit.machine.unit import Core
from casekit.reasoning.evidence import weigh
from casekit.reasoning.lookalike import groups
from casekit.reasoning.suspect import Suspect, suspects
from casekit.reasoning.verdict import Verdict

LISTED = 8
NONE = Suspect("none", "")
BY_NAME = (CrossedTerminals.kind, SensorDrifted.kind)  # kinds whose suspects are weighed only when called
WEIGHED = set(KINDS) - {SensorDeadSpot.kind, *DRAWING_KINDS}  # kinds whose suspects are held against readings


@dataclass(frozen=True)
class Debrief:
    """What came out.

    `right`: the calls name the true kind and place of all that is wrong, `partly` some of it. `supported`: the
    readings leave the call and nothing that would be repaired elsewhere. `rivals`: what else they leave. `condemned`:
    good parts that were called or treated as bad. `risks`: what was risky, and when. `mended`: whether the machine was
    cured and the cure proved.
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
    partly: bool = False
    risks: tuple[str, ...] = ()
    mended: str = ""

    def lines(self) -> list[tuple[str, str]]:
        """Headings and sentences, in order."""
        verdict = "right" if self.right else "part of what was wrong" if self.partly else "not what was wrong"
        rows = [
            ("Your call", f"{self.call}: {verdict}."),
            ("What was wrong", f"{self.truth}. {self.explanation}"),
            ("Your readings", self.because),
        ]
        if self.rivals:
            rows.append(("Also left by your readings", "; ".join(self.rivals) + "."))
        rows.append(("Good parts condemned", ", ".join(self.condemned) or "none"))
        rows.append(("Risky", "; ".join(self.risks) or "nothing"))
        rows.append(("Repair", self.mended))
        rows.append(("Time", f"{self.minutes:.1f} minutes, {self.readings} readings"))
        if self.lessons:
            rows.append(("To take away", " ".join(self.lessons)))
        return rows

    def __repr__(self) -> str:
        return "\n".join([self.title, *(f"{head}: {text}" for head, text in self.lines())])

    def _repr_html_(self) -> str:
        rows = "".join(
            f'<tr><th scope="row" style="text-align:left;vertical-align:top;padding-right:1.5em">{escape(head)}</th>'
            f'<td style="text-align:left;white-space:normal">{escape(text)}</td></tr>'
            for head, text in self.lines()
        )
        return f"<table><caption><b>Debrief: {escape(self.title)}</b></caption>{rows}</table>"


def debrief(
    title: str, drawing: Machine, events: Sequence[Event], clock: float, calls: Sequence[Call], truth: Truth
) -> Debrief:
    """Hold the log and the calls against the evidence, then open the truth.

    The last call counts, and with it the last one that says the drawing is wrong. The evidence is weighed on the
    drawing (as the trainee would correct it) and the log alone; the truth is only put beside it.
    """
    readings = [e for e in events if isinstance(e, Reading)]
    findings = [e for e in events if isinstance(e, Finding)]
    on_machine = next((c for c in reversed(calls) if c.kind not in DRAWING_KINDS), None)
    on_drawing = next((c for c in reversed(calls) if c.kind in DRAWING_KINDS), None)
    supported, because, rivals = _weighed(drawing, readings, findings, on_machine, on_drawing)
    named = [c for c in (on_drawing, on_machine) if c]
    faults = truth.specimen.faults
    hit = {(k, j) for k, fault in enumerate(faults) for j, c in enumerate(named) if _names(c, _inner(fault))}
    all_named, all_true = {k for k, _ in hit} == set(range(len(faults))), len({j for _, j in hit}) == len(named)
    return Debrief(
        title=title,
        truth=" and ".join(map(_true, faults)) or "nothing",
        explanation=truth.explanation,
        call=" and ".join(map(str, named)) or "none",
        right=bool(hit) and all_named and all_true,
        partly=bool(hit) and not (all_named and all_true),
        supported=supported,
        because=because,
        rivals=rivals,
        condemned=_condemned(events, named, truth),
        minutes=clock,
        readings=len(readings),
        risks=_risks(events),
        mended=_mended(events, truth),
        lessons=truth.lessons,
    )


def _inner(fault: Fault | Intermittent) -> Fault:
    return fault.fault if isinstance(fault, Intermittent) else fault


def _true(fault: Fault | Intermittent) -> str:
    inner = _inner(fault)
    to = f" to {inner.to}" if getattr(inner, "to", "") else ""
    return f"{inner.kind} at {inner.place}{to}" + (" (it comes and goes)" if isinstance(fault, Intermittent) else "")


def _names(call: Call, what: Fault | Suspect) -> bool:
    """Whether a call names this fault or suspect. Of two places that touch, either may be named first, or one alone;
    a wrong drawing is named by the wire and where it really goes."""
    ends = (what.place, getattr(what, "to", ""))
    if call.kind in DRAWING_KINDS:
        return (call.kind, call.place, call.to) == (what.kind, *ends)
    return call.kind == what.kind and call.place in ends and (not call.to or {call.place, call.to} == set(ends))


def _weighed(
    drawing: Machine,
    readings: Sequence[Reading],
    findings: Sequence[Finding],
    call: Call | None,
    corrected: Call | None,
) -> tuple[bool, str, tuple[str, ...]]:
    """Support on the drawing as printed, or on the drawing as a call would correct it."""
    named = _weighed_by_name(drawing, call) if call else []
    printed = weigh(drawing, readings, findings, named)
    if corrected is None:
        return _support(drawing, printed, call)
    if printed.left:
        return False, "the drawing as printed explains them too: nothing shows that it is wrong.", _listed(printed.left)
    kind = DrawnOnWrongSplice if corrected.kind == DrawnOnWrongSplice.kind else SpliceNotDrawn
    redrawn = drawing.with_fault(kind(corrected.place, corrected.to))
    verdict = weigh(redrawn, readings, findings, named)
    head = f"nothing on the drawing as printed explains them. With {corrected.place} at {corrected.to} "
    if not verdict.left:
        return False, head + "nothing does either.", ()
    if call is None:
        return True, head + f"{len(verdict.left)} explanation(s) are left.", _listed(verdict.left)
    supported, because, rivals = _support(redrawn, verdict, call)
    return supported, head + because, rivals


def _weighed_by_name(drawing: Machine, call: Call) -> list[Suspect]:
    """What a call adds to the suspects: kinds that are weighed only when called, and pairs that are not neighbours."""
    if call.kind == CrossedTerminals.kind and not call.to:
        connector = call.place.rpartition(".")[0]
        cavities = [c.name for c in drawing.all(Contact) if c.connector == connector and c.name != call.place]
        return [Suspect(call.kind, call.place, other) for other in cavities]
    known = any(_names(call, s) for s in suspects(drawing))
    return [] if known or call.kind not in WEIGHED else [Suspect(call.kind, call.place, call.to)]


def _support(drawing: Machine, verdict: Verdict, call: Call | None) -> tuple[bool, str, tuple[str, ...]]:
    """Whether the evidence supports the call; a sentence why; and what else is left."""
    if not verdict.used:
        return False, "no reading that could rule anything out was taken.", ()
    if call is None:
        return False, "no call was made.", _listed(verdict.left)
    if call.kind not in WEIGHED:
        return (
            False,
            f"they are not weighed for a {call.kind}: prove it by repair and a road test.",
            _listed(verdict.left),
        )
    called = [s for s in verdict.left if _names(call, s)]
    if not called and NONE in verdict.left:
        return False, "nothing was wrong while they were taken, and that clears no fault that comes and goes.", ()
    if not called:
        return False, _contradiction(verdict, call), _listed(verdict.left)
    others = [s for s in verdict.left if call.place not in (s.place, s.to)]
    if others and len(verdict.left) <= 12:
        alike = next(g for g in groups(drawing, verdict.left) if called[0] in g)
        others = [s for s in others if s not in alike]
    rest = _listed(s for s in verdict.left if s not in called)
    manner = " (if it comes and goes)" if verdict.loose else ""
    if others:
        many = f"{len(others)} other explanation(s) are left"
        return False, f"they allow the call{manner} but do not prove it: {many}.", rest
    if rest:
        return (
            True,
            f"they support the call{manner}: what else is left is the same repair or cannot be told apart.",
            rest,
        )
    return True, f"they support the call{manner}: nothing else on the drawing explains them.", ()


def _condemned(events: Sequence[Event], named: Sequence[Call], truth: Truth) -> tuple[str, ...]:
    """Good parts that were called bad, replaced, or cut open for repair."""
    bad = {p for f in map(_inner, truth.specimen.faults) for p in (f.place, getattr(f, "to", "")) if p}
    worked = [e.what for e in events if isinstance(e, Move) and e.action in ("replace", "repair")]
    unit_bad = any(f.kind in SUPPLY_KINDS for f in truth.specimen.faults)
    units = {core.name for core in truth.specimen.built.all(Core)} if unit_bad else set()
    return tuple(dict.fromkeys(p for p in [*sorted(c.place for c in named), *worked] if p not in bad | units))


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


def _contradiction(verdict: Verdict, call: Call) -> str:
    """The reading that speaks against the call."""
    for suspect, reason in verdict.reasons.items():
        if _names(call, suspect):
            return f"they speak against the call: {reason.text}."
    return "they speak against the call."


def _listed(suspects: Iterable[Suspect]) -> tuple[str, ...]:
    names = [str(s) if s != NONE else "nothing wrong while you measured" for s in suspects]
    more = len(names) - LISTED
    return tuple(names[:LISTED] + ([f"and {more} more"] if more > 0 else []))
