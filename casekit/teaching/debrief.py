"""The debrief: the truth, and what the trainee's own readings allowed them to say.

In: the log, the call and the unsealed truth. Out: a `Debrief` that reads well in a notebook, in a terminal, on paper.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from html import escape

from casekit.bench.reading import Call, Event, Finding, Reading
from casekit.bench.sealed import Truth
from casekit.machine.machine import Machine
from casekit.reasoning.evidence import Reason, Verdict, weigh
from casekit.reasoning.lookalike import groups
from casekit.reasoning.suspect import Suspect

LISTED = 8


@dataclass(frozen=True)
class Debrief:
    """What came out.

    `right`: the call names the true kind and place. `supported`: the readings leave the call and nothing that would be
    repaired elsewhere. `rivals`: what else they leave. `condemned`: good parts the call would have replaced.
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

    def lines(self) -> list[tuple[str, str]]:
        """Headings and sentences, in order."""
        rows = [
            ("Your call", f"{self.call}: {'right' if self.right else 'not what was wrong'}."),
            ("What was wrong", f"{self.truth}. {self.explanation}"),
            ("Your readings", self.because),
        ]
        if self.rivals:
            rows.append(("Also left by your readings", "; ".join(self.rivals) + "."))
        rows.append(("Good parts condemned", ", ".join(self.condemned) or "none"))
        rows.append(("Time", f"{self.minutes:g} minutes, {self.readings} readings"))
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
    title: str, drawing: Machine, events: Sequence[Event], clock: float, call: Call | None, truth: Truth
) -> Debrief:
    """Hold the log and the call against the evidence, then open the truth.

    The evidence is weighed on the drawing and the log alone; the truth is only put beside it.
    """
    readings = [e for e in events if isinstance(e, Reading)]
    verdict = weigh(drawing, readings, [e for e in events if isinstance(e, Finding)])
    supported, because, rivals = _support(drawing, verdict, call)
    true = [(f.kind, f.place) for f in truth.faults]
    right = call is not None and (call.kind, call.place) in true
    return Debrief(
        title=title,
        truth=" and ".join(f"{kind} at {place}" for kind, place in true) or "nothing",
        explanation=truth.explanation,
        call=f"{call.kind} at {call.place}" if call else "none",
        right=right,
        supported=supported,
        because=because,
        rivals=rivals,
        condemned=() if call is None or call.place in {place for _, place in true} else (call.place,),
        minutes=clock,
        readings=len(readings),
        lessons=truth.lessons,
    )


def _support(drawing: Machine, verdict: Verdict, call: Call | None) -> tuple[bool, str, tuple[str, ...]]:
    """Whether the evidence supports the call; a sentence why; and what else is left."""
    if not verdict.used:
        return False, "no reading that could rule anything out was taken.", ()
    if call is None:
        return False, "no call was made.", _names(verdict.left)
    called = [s for s in verdict.left if s.kind == call.kind and call.place in (s.place, s.to)]
    if not called:
        return False, _contradiction(verdict, call), _names(verdict.left)
    others = [s for s in verdict.left if call.place not in (s.place, s.to)]
    if others and len(verdict.left) <= 12:
        alike = next(g for g in groups(drawing, verdict.left) if called[0] in g)
        others = [s for s in others if s not in alike]
    rest = _names(s for s in verdict.left if s not in called)
    if others:
        return False, f"they allow the call but do not prove it: {len(others)} other explanation(s) are left.", rest
    if rest:
        return True, "they support the call: what else is left is the same repair or cannot be told apart.", rest
    return True, "they support the call: nothing else on the drawing explains them.", ()


def _contradiction(verdict: Verdict, call: Call) -> str:
    """The reading that speaks against the call."""
    for suspect, reason in verdict.reasons.items():
        if suspect.kind == call.kind and call.place in (suspect.place, suspect.to):
            if isinstance(reason, Reason):
                return f"they speak against the call: {reason}."
            return f"they speak against the call: {reason.text}."
    return "they speak against the call."


def _names(suspects: Sequence[Suspect]) -> tuple[str, ...]:
    names = [str(s) if s.kind != "none" else "nothing wrong while you measured" for s in suspects]
    more = len(names) - LISTED
    return tuple(names[:LISTED] + ([f"and {more} more"] if more > 0 else []))
