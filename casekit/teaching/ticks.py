"""Ticks: the trainee's own list of suspects, kept by hand, and what the readings made of it in the end.

In: what the trainee keeps and strikes off; for the debrief, the weighed log and what was wrong. Out: a table, a
sentence or two. The list itself never shows what the reasoning thinks.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import pandas as pd

from casekit.bench.reading import called
from casekit.error import BenchError
from casekit.machine.faults import DRAWING_KINDS, Fault
from casekit.reasoning.words import Standing, standings
from casekit.teaching.support import Weighed, names, shortened

COLUMNS = ["suspect", "possible", "minute", "note"]


@dataclass(frozen=True)
class Tick:
    """One suspect of the trainee's: kind, place and the other end as in a call, whether it is thought possible, and the
    clock in minutes when that was said."""

    kind: str
    place: str
    to: str
    possible: bool
    minute: float
    note: str = ""

    def __str__(self) -> str:
        return called(self.kind, self.place, self.to)

    def __repr__(self) -> str:
        note = f" ({self.note})" if self.note else ""
        return f"{'kept' if self.possible else 'struck off'}: {self}, minute {self.minute:.1f}{note}"


class Ticks:
    """The list, in the order in which suspects came onto it."""

    def __init__(self) -> None:
        self._by_name: dict[tuple, Tick] = {}

    @property
    def entries(self) -> tuple[Tick, ...]:
        """All entries as they stand now."""
        return tuple(self._by_name.values())

    def put(self, kind: str, place: str, to: str, possible: bool, note: str, minute: float) -> Tick:
        """Add an entry or change it; its minute is when it was last kept or struck off."""
        if not isinstance(possible, bool):
            raise BenchError(f"possible is {possible!r}; write True to keep the suspect or False to strike it off.")
        if not isinstance(note, str):
            raise BenchError(f"the note is {note!r}; write it as text.")
        # Of two places that touch, either may be named first: it is the same suspect.
        ends = (place, to) if kind in DRAWING_KINDS else tuple(sorted((place, to)))
        before = self._by_name.get((kind, *ends))
        if before is None:
            tick = Tick(kind, place, to, possible, minute, note)
        else:
            said = before.minute if before.possible == possible else minute
            tick = Tick(kind, before.place, before.to, possible, said, note or before.note)
        self._by_name[kind, *ends] = tick
        return tick

    def take(self, entries: Iterable[Tick]) -> None:
        """Become this list."""
        self._by_name = {}
        for t in entries:
            self.put(t.kind, t.place, t.to, t.possible, t.note, t.minute)

    def table(self) -> pd.DataFrame:
        """Suspect, possible, minute, note; one line an entry, in order."""
        rows = [(str(t), t.possible, t.minute, t.note) for t in self.entries]
        return pd.DataFrame(rows, columns=COLUMNS)


def judged(ticks: Sequence[Tick], weighed: Weighed, faults: Sequence[Fault]) -> str:
    """What the readings say of the list, in plain words; empty without a list.

    Which kept suspects they rule out, which they leave although they were struck off (the limits of `standings`), and
    when what was really wrong was struck off. What is not weighed is left without judgement.
    """
    if not ticks:
        return ""
    true = [t for t in ticks if any(names(t, fault) for fault in faults)]
    said = [
        f"You struck off {t} at minute {t.minute:.1f}, and that is what was wrong."
        for t in true if not t.possible
    ]  # fmt: skip
    if not weighed.explained:
        # With two faults or a wrong drawing every standing is one among bad explanations, and would mislead.
        said.append("No single fault explains your readings, so the rest of the list is not held against them.")
        return " ".join(said)
    every = standings(weighed.verdict)
    against, for_ = [], []
    for tick in (t for t in ticks if t not in true):
        known = [s for s in every if names(tick, s.suspect)]
        if tick.possible and known and all(s.standing == "ruled out" for s in known):
            against.append(f"{tick}{_because(known[0])}")
        elif not tick.possible and any(s.standing == "left" for s in known):
            for_.append(f"{tick} (minute {tick.minute:.1f})")
    if against:
        said.append(f"Kept although your readings rule it out: {'; '.join(shortened(against))}.")
    if for_:
        said.append(f"Struck off although your readings leave it: {'; '.join(shortened(for_))}.")
    return " ".join(said) or "nothing on it goes against your readings."


def _because(standing: Standing) -> str:
    return f" ({standing.because[0]})" if standing.because else ""
