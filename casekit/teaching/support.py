"""Support: whether a log proves a call.

In: a drawing, the log, the codes on the sheet and the calls. Out: `Weighed`: whether what remains is the call and what
would be the same repair, a sentence why, and what else is left.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from itertools import product

import numpy as np

from casekit.bench.reading import Call, Event
from casekit.machine.faults import (
    DRAWING_KINDS,
    KINDS,
    NO_FAULT,
    CrossedTerminals,
    DrawnOnWrongSplice,
    Fault,
    SpliceNotDrawn,
)
from casekit.machine.harness import Contact
from casekit.machine.machine import Machine
from casekit.reasoning.allclear import gaps
from casekit.reasoning.doubt import evidence_of, explained, explains, misfits, weigh_pairs
from casekit.reasoning.evidence import weigh
from casekit.reasoning.pair import Pair
from casekit.reasoning.suspect import NONE, Suspect, suspects
from casekit.reasoning.verdict import RULED_OUT, Verdict
from casekit.reasoning.words import because_of, comes_and_goes, left, manner, reasons_against
from casekit.teaching.player import SURE, belief, together

LISTED = 8
WEIGHED = set(KINDS) - set(DRAWING_KINDS)  # kinds whose suspects are held against readings


@dataclass(frozen=True)
class Weighed:
    """What the log made of the calls: on which drawing, with which verdict and suspects added by the call, and the
    call with what is the same repair."""

    drawing: Machine
    verdict: Verdict
    also: tuple[Suspect, ...]
    supported: bool
    because: str
    rivals: tuple[str, ...] = ()
    group: frozenset[Suspect] = frozenset()
    explained: bool = True
    pairs: Verdict | None = None  # of two calls: what two faults at once made of the log
    twofold: float = 1.0  # and how likely two faults are, beside one and slips of the meter
    allowed: bool = True  # whether no reading speaks against the call

    @property
    def sure(self) -> float:
        """How likely the call and what is the same repair are."""
        return self.twofold * belief(self.pairs or self.verdict, self.group)


def weighed(
    drawing: Machine, events: list[Event], stored: tuple[str, ...], calls: Sequence[Call], corrected: Call | None
) -> Weighed:
    """Support of one call or of two at once, on the drawing as printed or as a call would correct it."""
    call = calls[-1] if calls else None
    also = tuple(s for c in calls for s in _weighed_by_name(drawing, c))
    printed = weigh(drawing, events, stored, also)
    if call is not None and call.kind == NO_FAULT:
        return _cleared(drawing, events, stored, printed)
    if corrected is None:
        if len(calls) > 1:
            return _both_supported(drawing, events, stored, printed, also, calls)
        return _support(drawing, printed, also, call)
    if explained(printed):
        because = "the drawing as printed explains them too: nothing shows that it is wrong."
        return Weighed(drawing, printed, also, False, because, _listed(left(printed), printed))
    kind = DrawnOnWrongSplice if corrected.kind == DrawnOnWrongSplice.kind else SpliceNotDrawn
    redrawn = drawing.with_fault(kind(corrected.place, corrected.to))
    verdict = weigh(redrawn, events, stored, also)
    head = f"nothing on the drawing as printed explains them. With {corrected.place} at {corrected.to} "
    if len(calls) > 1:
        found = _both_supported(redrawn, events, stored, verdict, also, calls)
        return replace(found, because=head + found.because)
    if not explained(verdict):
        return Weighed(redrawn, verdict, also, False, head + "nothing does either.", explained=False)
    if call is None:
        rest = left(verdict)
        group = frozenset(verdict.suspects)
        because = head + f"{counted(len(rest), 'explanation')} left."
        return Weighed(redrawn, verdict, also, True, because, _listed(rest, verdict), group)
    found = _support(redrawn, verdict, also, call)
    return replace(found, because=head + found.because)


def names(call: Call, what: Fault | Suspect) -> bool:
    """Whether a call names this fault or suspect. Of two places that touch, either may be named first, or one alone;
    a wrong drawing is named by the wire and where it really goes."""
    ends = (what.place, getattr(what, "to", ""))
    if call.kind in DRAWING_KINDS:
        return (call.kind, call.place, call.to) == (what.kind, *ends)
    return call.kind == what.kind and call.place in ends and (not call.to or {call.place, call.to} == set(ends))


def _weighed_by_name(drawing: Machine, call: Call) -> list[Suspect]:
    """What a call adds to the suspects: kinds that are weighed only when called, and pairs that are not neighbours."""
    if call.kind == CrossedTerminals.kind and not call.to:
        connector = call.place.rpartition(".")[0]
        cavities = [c.name for c in drawing.all(Contact) if c.connector == connector and c.name != call.place]
        return [Suspect(call.kind, call.place, other) for other in cavities]
    known = any(names(call, s) for s in suspects(drawing))
    return [] if known or call.kind not in WEIGHED else [Suspect(call.kind, call.place, call.to)]


def _support(drawing: Machine, verdict: Verdict, also: tuple[Suspect, ...], call: Call | None) -> Weighed:
    """Whether the evidence supports the call; a sentence why; and what else is left."""
    remain = left(verdict)
    fits = explained(verdict)

    def said(because: str, rivals: Iterable[Suspect] = (), group=frozenset(), supported: bool = False) -> Weighed:
        return Weighed(drawing, verdict, also, supported, because, _listed(rivals, verdict), group, fits)

    if not verdict.used:
        return said("no reading that could rule anything out was taken.")
    if call is None:
        return said("no call was made.", remain)
    if call.kind not in WEIGHED:
        return said(f"they are not weighed for a {call.kind}: prove it by repair and a road test.", remain)
    named = [s for s in verdict.suspects if names(call, s)]
    called = [s for s in remain if s in named]
    group = together(drawing, verdict, named)
    # Hardly left, but no reading against it: what other suspects have for them is not evidence that it is not there.
    allowed = called or [s for s in named if _allowed(verdict, s)]
    if NONE in remain and all(comes_and_goes(verdict, s) for s in allowed):
        return said("nothing was wrong while they were taken, and that clears no fault that comes and goes.", (), group)
    if not allowed:
        return replace(said(_contradiction(verdict, named), remain, group), allowed=False)
    how = manner(verdict, max(allowed, key=verdict.of))
    rest = [s for s in remain if s not in called]
    others = [s for s in remain if s not in group]
    if not fits:
        return said(f"no single fault on the drawing explains all of them, the call{how} included.", rest, group)
    if belief(verdict, group) < SURE or not called:
        many = f"{counted(len(others), 'other explanation')} left" if others else "many unlikely ones are left"
        return said(f"they allow the call{how} but do not prove it: {many}.", rest, group)
    why = "what else is left is the same repair or cannot be told apart"
    if others:
        why = "what else is left is far less likely, the same repair, or cannot be told apart"
    if not rest:
        why = "nothing else on the drawing explains them"
    return said(f"they support the call{how}: {why}.", rest, group, True)


def _cleared(drawing: Machine, events: list[Event], stored: tuple[str, ...], verdict: Verdict) -> Weighed:
    """Whether it was looked for long enough to say that no fault was found."""
    open_ = gaps(drawing, events, verdict, stored)
    if not open_:
        because = (
            "nothing wrong is left that is always there, and a drive with the codes cleared brought nothing back. A "
            "fault that comes and goes is never excluded by that: write down what was tried, and when to come back."
        )
        return Weighed(drawing, verdict, (), True, because, (), frozenset({NONE}))
    if open_[0].kind == "shown":
        because = f"they speak against it: {open_[0].text}."
        rivals, fits = _listed(left(verdict), verdict), explained(verdict)
        return Weighed(drawing, verdict, (), False, because, rivals, explained=fits, allowed=False)
    because = f"it was not looked for long enough. Still to do: {'; '.join(gap.text for gap in open_)}."
    return Weighed(drawing, verdict, (), False, because, (), frozenset({NONE}))


def _both_supported(
    drawing: Machine, events: list[Event], stored: tuple[str, ...], single: Verdict, also: tuple[Suspect, ...],
    calls: Sequence[Call],
) -> Weighed:  # fmt: skip
    """Whether the evidence supports two calls at once: no single fault explains it, and of the pairs that do, the one
    called or one at the same two places is left."""
    if not single.used:
        return Weighed(drawing, single, also, False, "no reading that could rule anything out was taken.")
    if any(c.kind not in WEIGHED for c in calls):
        odd = next(c.kind for c in calls if c.kind not in WEIGHED)
        because = f"they are not weighed for a {odd}: prove it by repair and a road test."
        return Weighed(drawing, single, also, False, because, explained=explained(single))
    if explained(single):
        because = "a single fault explains them too: nothing shows that there are two."
        return Weighed(drawing, single, also, False, because, _listed(left(single), single))
    named = [[s for s in single.suspects if names(c, s)] for c in calls]
    pairs = weigh_pairs(drawing, events, stored, single, also=list(product(*named)))
    if pairs is None:
        return Weighed(drawing, single, also, False, "they speak against the calls.", explained=False, allowed=False)
    mine = {s for s in pairs.suspects if any(all(map(names, calls, both)) for both in _orders(s))}
    group = frozenset(s for s in pairs.suspects if any(all(map(_beside, calls, both)) for both in _orders(s)))
    best = max(mine, key=pairs.of, default=None)
    remain = left(pairs)
    twofold = float(1 / (1 + np.exp(min(evidence_of(single) - evidence_of(pairs), 700.0))))

    def said(because: str, supported: bool = False) -> Weighed:
        rivals = _listed((s for s in remain if s not in mine), pairs)
        return Weighed(drawing, single, also, supported, because, rivals, group, False, pairs, twofold)

    head = "no single fault explains them. "
    if best is None or not explains(pairs, pairs.suspects.index(best)):
        return said(head + "The two calls together do not either.")
    if twofold < SURE:
        return said(
            head + "The two calls together do, but so does one fault and a slip of the meter: measure more of it."
        )
    if twofold * belief(pairs, group) < SURE:
        return said(head + "The two calls together do, but so does something else.")
    return said(head + "The two calls together do, and nothing else does nearly as well.", True)


def _orders(pair: Pair) -> tuple[tuple[Suspect, Suspect], ...]:
    """Both ways to say two faults; a wrong drawing is no call of a fault."""
    return () if pair.first.kind in DRAWING_KINDS else ((pair.first, pair.second), (pair.second, pair.first))


def _beside(call: Call, suspect: Suspect) -> bool:
    """Whether a suspect is at the place of a call, so that mending the one mends the other."""
    return call.place in (suspect.place, suspect.to)


def _allowed(verdict: Verdict, suspect: Suspect) -> bool:
    """Whether a suspect is not ruled out and no reading speaks against it; of one that comes and goes good ones do
    not."""
    k = verdict.suspects.index(suspect)
    against = misfits(verdict, k) if comes_and_goes(verdict, suspect) else reasons_against(verdict, k)
    return verdict.log.max() - verdict.log[k] < RULED_OUT and not against


def _contradiction(verdict: Verdict, named: Sequence[Suspect]) -> str:
    """What speaks against the call."""
    numbers = [k for k, s in enumerate(verdict.suspects) if s in named]
    if not numbers:
        return "they speak against the call."
    k = max(numbers, key=lambda k: verdict.p[k])
    reasons = [str(r) for r in reasons_against(verdict, k)[:1]] or list(because_of(verdict, k, 1))
    return f"they speak against the call: {reasons[0]}." if reasons else "they speak against the call."


def _listed(suspects: Iterable[Suspect], verdict: Verdict) -> tuple[str, ...]:
    return shortened(
        [f"{s}{manner(verdict, s)}" if s != NONE else "nothing wrong while you measured" for s in suspects]
    )


def shortened(texts: Sequence[str]) -> tuple[str, ...]:
    """A long list cut after `LISTED`, with how many more there are."""
    more = len(texts) - LISTED
    return (*texts[:LISTED], *([f"and {more} more"] if more > 0 else []))


def counted(n: int, what: str) -> str:
    """ "1 explanation is", "3 explanations are"."""
    return f"{n} {what} is" if n == 1 else f"{n} {what}s are"
