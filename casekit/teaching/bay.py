"""The bay: a drawing, and what a meter really showed, typed in, held against each other.

In: a machine file and entries (states, readings, codes, words, looks). Out: suspects with reasons, the next test, and
what this cannot know. Nothing is simulated here but what each suspect would have shown.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from html import escape
from pathlib import Path

import numpy as np
import pandas as pd

from casekit.bench.meter import FUNCTIONS
from casekit.error import BenchError
from casekit.files import library
from casekit.files.check import read_machine
from casekit.files.schema import MachineFile
from casekit.machine.drawn import drawn
from casekit.reasoning.advice import Advice, advise
from casekit.reasoning.doubt import WITHIN, Doubt, doubts, explained, misfits
from casekit.reasoning.evidence import weigh
from casekit.reasoning.lookalike import groups
from casekit.reasoning.offer import Standpoint
from casekit.reasoning.verdict import Verdict
from casekit.reasoning.words import number, standings, summary
from casekit.teaching.entries import SPECS, Entries
from casekit.teaching.markup import bullets

NAMED, ALIKE, WORTH = 8, 10, 0.01  # suspects in the table; those compared for look-alikes; with at least this chance
ENTERED = ("volts", "millivolts", "ohms", "scan", "codes", "look", "inside")  # tests whose result can be typed in
CAUTIONS = {
    "volts": "Probe from the back of the connector; do not pierce insulation.",
    "millivolts": "Probe from the back of the connector; do not pierce insulation.",
    "ohms": "Key off and the circuit dead, on every reading in ohms.",
    "look": "Engine off; hot parts cold; look before you move the harness.",
    "inside": "Engine off; key off before you unplug a control unit.",
    "run": "Engine running: park brake and chocks; keep hands and leads away from fan, belts and hot parts.",
}
LIMITS = (
    "One fault at a time: two faults, a wrong reading or a wrong drawing are thought of only when no fault alone fits.",
    "Only what is drawn can be suspected; connectors and their cavities are named as on the drawing.",
    "Values of healthy parts come from the drawing's typical data, not from this machine's own parts.",
    "What comes and goes: heat, water and movement between two readings are not seen; enter every reading's state.",
    "A road test or a harness moved by hand cannot be entered; a good reading clears nothing that comes and goes.",
    "Functions that are not named to `notice` count as working, and codes that are not named to `codes` as not there.",
    "OL in ohms is taken for more than 60 MΩ, and the meter for one of 10 MΩ; scan data counts as fine as the unit's.",
    "Chances rest on how often faults are usually met: they rank what to test, and prove nothing without a repair.",
)  # fmt: skip
DANGERS = (
    "Caution: never probe airbag or high-voltage circuits; they are not for this and can kill.",
    "Caution: ignition off for ohms; no test lamp on electronics; do not pierce insulation.",
    "Caution: hot and moving parts; park brake and chocks; a second person at the controls.",
    "Caution: the maker's service information, local codes and licensed practice come first.",
)


def bay(
    machine: str | Path, codes: Sequence[str] = (), accuracy: Mapping[str, tuple[float, float]] | None = None
) -> Bay:
    """Readings of a real machine, held against its drawing.

    `machine` is the name of a machine of the library or the path of a machine file; `codes` are the trouble codes it
    came with. `accuracy` is your own meter's specification, (share of the reading, counts) by "volts", "millivolts" or
    "ohms". Raises ScenarioError for the drawing, BenchError for the rest.
    """
    text = str(machine)
    by_path = isinstance(machine, Path) or text.endswith((".yaml", ".yml")) or "/" in text
    return Bay(read_machine(Path(machine)) if by_path else library.machine_file(text), codes, accuracy or {})


class Lines:
    """Sentences that show themselves as a list; `lines` holds them."""

    def __init__(self, lines: Sequence[str]):
        self.lines = list(lines)

    def __repr__(self) -> str:
        return "\n".join(f"- {line}" for line in self.lines)

    def _repr_html_(self) -> str:
        return bullets(self.lines)


class Next(Lines):
    """The tests that pay best; `tests` are the advices behind the lines."""

    def __init__(self, lines: Sequence[str], tests: Sequence[Advice]):
        super().__init__(lines)
        self.tests = list(tests)


@dataclass(frozen=True)
class Says:
    """What the entries say: one sentence, a table of suspects, and doubts when nothing fits."""

    sentence: str
    table: pd.DataFrame
    nothing_fits: str = ""
    doubts: tuple[Doubt, ...] = ()

    @property
    def _more(self) -> list[str]:
        return ([self.nothing_fits] if self.nothing_fits else []) + [_capital(str(d)) for d in self.doubts]

    def __repr__(self) -> str:
        rows = []
        for suspect, chance, standing, size, because in self.table.itertuples(index=False):
            rows.append(f"{chance:>8}  {standing:9}  {suspect}{f' ({size})' if size else ''}")
            rows += [f"{'':21}{because}"] if because else []
        return "\n".join([self.sentence, *self._more, "", *rows])

    def _repr_html_(self) -> str:
        said = "".join(f"<p>{escape(text)}</p>" for text in (self.sentence, *self._more))
        with pd.option_context("display.max_colwidth", None):
            return said + self.table.to_html(index=False, escape=True, border=0)


class Bay(Entries):
    """A drawing and what was entered. `state` is the state the next readings are taken in: key off at first."""

    def __init__(self, machine: MachineFile, codes: Sequence[str], accuracy: Mapping[str, tuple[float, float]]):
        super().__init__(drawn(machine), codes, accuracy)
        self.title = machine.title

    def __repr__(self) -> str:
        strange = self._strange(self.stored)
        return (
            f"<{self.title} in the bay: {self.state}, {len(self._entries)} entries{f'; {strange}' if strange else ''}>"
        )

    # What it comes to -------------------------------------------------------------------------------------------

    @property
    def verdict(self) -> Verdict:
        """Every suspect weighed against everything entered."""
        return self._once("verdict", lambda: weigh(self.drawing, self.events, self.stored))

    @property
    def doubts(self) -> list[Doubt]:
        """What would make sense of the entries when no single fault on the drawing does."""
        return self._once("doubts", lambda: doubts(self.drawing, self.events, self.stored, self.verdict))

    def says(self) -> Says:
        """Suspects and reasons, look-alikes, and doubts when nothing fits."""
        return self._once("says", self._says)

    def next(self, n: int = 3) -> Next:
        """The `n` tests that pay best from here, with the moves they need, why, and what to enter afterwards."""
        if isinstance(n, bool) or not isinstance(n, int) or n < 1:
            raise BenchError(f"{n!r} tests cannot be named; write a whole number from 1.")
        here = Standpoint.after(self.drawing, self.events)
        every = self._once("advice", lambda: advise(self.drawing, self.verdict, here, most=40))
        best = [a for a in every if a.offer.kind in ENTERED][:n]
        lines = [
            f"First of all: {d.measure.rstrip(',')}. That decides whether this is so: {d.what}."
            for d in self.doubts[:1] if not self._read_again(d)
        ]  # fmt: skip
        lines += [f"{a} Enter {_entry(a)}." for a in best]
        if not lines:
            lines = ["No test on offer tells much more; repair what is likeliest and prove it, or doubt what was read."]
        kinds = dict.fromkeys([*(a.offer.kind for a in best), *("run" for a in best if a.offer.state.turning)])
        lines += [f"Caution: {text}" for text in dict.fromkeys(CAUTIONS[k] for k in kinds if k in CAUTIONS)]
        return Next(lines, best)

    def limits(self) -> Lines:
        """What this cannot know, and cautions."""
        used = {f: self._accuracy.get(f, (FUNCTIONS[f].share, FUNCTIONS[f].counts)) for f in SPECS}
        meter = ", ".join(f"{f} {share:.2%} + {counts:g} counts" for f, (share, counts) in used.items())
        return Lines([*LIMITS, f"The meter is taken to be within {meter}.", *DANGERS])

    # Inside -----------------------------------------------------------------------------------------------------

    def _once(self, name: str, made: Callable):
        if name not in self._kept:
            self._kept[name] = made()
        return self._kept[name]

    def _read_again(self, doubt: Doubt) -> bool:
        """Whether the reading that is doubted was read once more in the same state, and then fitted."""
        v = self.verdict
        if doubt.kind != "wrong reading":
            return False
        wrong = misfits(v, v.suspects.index(doubt.suspect))
        what = [(o.function, o.red, o.black, o.state) for o in v.numbers]
        return all(what.count(what[n]) > 1 for n in wrong)

    def _says(self) -> Says:
        v, every = self.verdict, standings(self.verdict)
        near = [s.suspect for s in every if s.standing == "left" and s.p > WORTH][:ALIKE]
        fits = {s: v.fits[v.suspects.index(s)] for s in near}
        alike = groups(self.drawing, fits) if len(fits) > 1 and v.used else []
        rows = []
        for s in every[:NAMED]:
            k = v.suspects.index(s.suspect)
            is_left = s.standing == "left"
            because = _all_but(v, k) if is_left else "; ".join(s.because) or _together(v, k)
            chance = f"{s.p:.0%}" if s.p >= WORTH else "under 1%"
            rows.append((str(s.suspect), chance, s.standing, _size(v, k) if is_left else "", because))
        table = pd.DataFrame(rows, columns=["suspect", "chance", "standing", "size", "because"])
        text = ""
        if not explained(v):
            text = "No single fault on this drawing explains everything that was entered"
            text += ":" if self.doubts else ", and no second fault does; check the states entered, and the drawing."
        strange = self._strange(self.stored)
        said = f"{summary(v, alike)}{f' {strange}' if strange else ''}"
        return Says(said if not strange or strange.endswith("?") else f"{said}.", table, text, _merged(self.doubts))


def _entry(advice: Advice) -> str:
    """What to enter when the test was made: the moves, and the result."""
    o = advice.offer
    done = [f'bay.{action}("{what}")' for action, what in o.moves]
    if o.red:
        last = f'bay.{o.kind}("{o.red}", "{o.black}", ...)'
    else:
        last = f'bay.looked("{o.place}", ...)' if o.place else f"bay.{o.kind}(...)"
    return ", ".join([*done, last])


def _all_but(v: Verdict, k: int) -> str:
    """What a suspect that is left does not explain, or explains only by being away for a while."""
    if not v.numbers:
        return "nothing was measured yet"
    wrong, mean, u = misfits(v, k), v.mean[k], v.u[k]
    if wrong:
        return f"it fits all but: {'; '.join(_shown(v, n) for n in wrong)}"
    off = [n for n, o in enumerate(v.numbers) if not o.beyond and abs(o.value - mean[n]) > WITHIN * u[n]]
    if v.fits[k].loose and off:
        return f"it fits if it was away, or the reading wrong: {'; '.join(_shown(v, n) for n in off)}"
    return "it fits all readings"


def _together(v: Verdict, k: int) -> str:
    """Why a suspect is behind that no single reading puts there."""
    if np.isfinite(v.mean[k]).all():
        return "no reading alone speaks against it, all together do"
    return "it fell far behind early on"


def _merged(found: Sequence[Doubt]) -> tuple[Doubt, ...]:
    """The doubts worth naming; one wrong reading is one doubt, whichever suspect explains the rest."""
    first: dict[str, list[Doubt]] = {}
    for d in found:
        first.setdefault(d.measure if d.kind == "wrong reading" else d.what, []).append(d)
    made = []
    for same in first.values():
        others = f", and so do {len(same) - 1} others" if len(same) > 2 else ", and so does one other"
        what = same[0].what + (others if len(same) > 1 else "")
        made.append(replace(same[0], what=what, p=sum(d.p for d in same)))
    return tuple(d for d in made if d.p >= WORTH)


def _shown(v: Verdict, n: int) -> str:
    o = v.numbers[n]
    return f"{o} showed {o.event.shown if o.function != 'inside' else number(o.value, 'V')}"


def _size(v: Verdict, k: int) -> str:
    """The middle nine tenths of what a suspect's size may be, with its unit; and where and how it sits."""
    suspect, fit = v.suspects[k], v.fits[k]
    words = [f"at {fit.spot}"] if fit.spot else []
    words += ["comes and goes"] if fit.loose else []
    if len(suspect.sizes) > 1:
        w = v.weighed
        mine = sorted((n for n, c in enumerate(w.cells) if c.suspect == suspect), key=lambda n: w.cells[n].low)
        log = np.array([np.log(w.cells[n].weight) + np.logaddexp(w.lasting[n], w.loose[n]) for n in mine])
        share = np.cumsum(np.exp(log - log.max()))
        first, last = np.searchsorted(share, np.array([0.05, 0.95]) * share[-1])
        low, high = w.cells[mine[first]].low, max(w.cells[n].high for n in mine[first : last + 1])
        if (low, high) != (suspect.sizes[0], suspect.sizes[-1]):
            words.insert(0, _between(suspect.kind, low, high))
    return ", ".join(words)


def _between(kind: str, low: float, high: float) -> str:
    if kind == "sensor drifted":
        return f"{low:+.1%} to {high:+.1%} of its supply"
    if kind == "sensor dead spot":
        return f"worn between {low:.0%} and {high:.0%} of its travel"
    unit = "A" if kind == "supply weak" else "Ω"
    return f"{number(low, unit)} to {number(high, unit)}" if low > 0 else f"below {number(high, unit)}"


def _capital(text: str) -> str:
    return text[0].upper() + text[1:]
