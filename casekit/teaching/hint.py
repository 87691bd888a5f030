"""Hints: a little help with a bench, three steps of it, at the price of minutes.

In: a drawing, a log and the codes on the sheet. Out: a few sentences.
"""

from __future__ import annotations

from collections.abc import Sequence

from casekit.bench.reading import Event, Finding, Move, Reading
from casekit.machine.machine import Machine
from casekit.reasoning.advice import advise
from casekit.reasoning.allclear import due
from casekit.reasoning.evidence import weigh
from casekit.reasoning.offer import Standpoint
from casekit.reasoning.suspect import NONE
from casekit.reasoning.verdict import Verdict
from casekit.reasoning.words import Standing, left, standings, to_find_out
from casekit.teaching.player import SURE, belief, together

STEPS = ("how much is left", "the next test", "the likeliest faults")
NAMED = 3
ENOUGH = (
    "Your readings are enough: what is left is one repair, or cannot be told apart by measuring. Make the call, "
    "repair, and prove it."
)
AWAY = "Nothing that is always there is left, and the road brought nothing back."


def asked(events: Sequence[Event]) -> int:
    """How many hints were taken since anything was read or seen."""
    count = 0
    for event in reversed(events):
        if isinstance(event, Reading | Finding):
            break
        count += isinstance(event, Move) and event.action == "hint"
    return count


def hint(drawing: Machine, events: Sequence[Event], stored: Sequence[str] = ()) -> tuple[str, str]:
    """(which step it is, what is said): how much is left; asked again, the next test; then the likeliest faults."""
    step = min(asked(events), len(STEPS) - 1)
    verdict = weigh(drawing, events, stored)
    if step == 0:
        n = len(left(verdict))
        many = f"{n} of {len(verdict.suspects)} suspects are left" if n != 1 else "One suspect is left"
        return STEPS[0], f"{many}, {to_find_out(verdict)}; ask again for the next test."
    rest = due(drawing, events, verdict, stored) if step else None
    if rest is not None:
        left_to_do = "; ".join(gap.text for gap in rest) or "call no fault found, and write down what was tried"
        return STEPS[step], f"{AWAY} Still to do: {left_to_do}."
    if step == 1:
        likeliest = verdict.suspects[verdict.best()]
        if likeliest != NONE and belief(verdict, together(drawing, verdict, [likeliest])) >= SURE:
            return STEPS[1], ENOUGH
        best = advise(drawing, verdict, Standpoint.after(drawing, events), most=1)
        return STEPS[1], str(
            best[0]
        ) if best else "No test on offer tells much more; make the call, or repair and prove."
    return STEPS[2], _likeliest(verdict)


def _likeliest(verdict: Verdict) -> str:
    """The likeliest, and one that is out, because of what."""
    every = standings(verdict)
    likely = ", ".join(f"{s.suspect} ({_percent(s.p)})" for s in every[:NAMED])
    out = next((s for s in every if s.because), None)
    return f"Likeliest: {likely}." + (f" {_out(out)}" if out else "")


def _out(standing: Standing) -> str:
    return (
        f"{str(standing.suspect)[0].upper()}{str(standing.suspect)[1:]} is {standing.standing}: {standing.because[0]}."
    )


def _percent(p: float) -> str:
    return f"{100 * p:.0f} %" if p >= 0.01 else "under 1 %"
