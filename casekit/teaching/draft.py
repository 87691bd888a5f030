"""Drafts: a page of bay notes becomes a case that can be played.

In: `Notes` of a finished repair. Out: a `Draft`: the fault fitted to the readings, what they cannot explain, whether
the case can be solved and how hard it is, hints, proposed texts, the drawing, and the case file to save.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from html import escape
from pathlib import Path

import yaml

from casekit.bench.reading import Reading
from casekit.circuit.change import NOTHING
from casekit.error import BenchError, ScenarioError, refused
from casekit.files import library
from casekit.files.casecheck import RULES, check_case
from casekit.files.casefile import CaseFile, Fault, Instructor, Plan
from casekit.files.notes import Found, Notes, read_notes
from casekit.files.schema import MachineFile
from casekit.files.source import Source
from casekit.machine.faults import DRAWING_KINDS
from casekit.reasoning.estimate import Estimate, estimate, ranked
from casekit.reasoning.evidence import predictor
from casekit.reasoning.observation import observed
from casekit.reasoning.suspect import WORN, Suspect
from casekit.reasoning.words import number
from casekit.teaching.bay import Bay
from casekit.teaching.grade import BELIEVED, Grade, false_calls, graded_case, grades, keep, played
from casekit.teaching.player import Player
from casekit.teaching.practice import Drawing, Practice
from casekit.teaching.progress import headed
from casekit.teaching.truth import truth_of
from casekit.teaching.typed import LEADS, typed

TEMPTING = 3  # false calls named
SHOWN, SHOWS_V = 2, 0.05  # readings that a proposed explanation names, and how far off they are at least (our choice)
TAUGHT = "Reason from what works and what does not to what they share, before any part is replaced."
USUAL = {"r_ohm": 1.0, "limit_a": 0.05, "drift": 0.1, "span": 0.5}  # sizes that stand in until one is fitted
BRIEF_MIN, DEBRIEF_MIN, SLOWER = 5, 10, 2.0  # of an hour in class, and how much slower than the advice (our choice)


@dataclass(frozen=True, eq=False)
class Unsaved:
    """A case that is on no file yet: called, it opens the case anew."""

    machine: MachineFile
    case: CaseFile

    def __call__(self) -> Practice:
        return Practice(self.machine, self.case, None)


class Draft:
    """A case drafted from notes. It plays the case by advice when it is first asked how hard that is (up to a minute).

    `fits` are the places that fit, the best first: one where the notes name the place.
    """

    def __init__(self, notes: Notes, source: Source | None = None):
        self.notes, self._source = notes, source
        try:
            self.machine = library.machine_file(notes.machine)
        except ScenarioError as err:
            raise ScenarioError([self._say(("machine",), text) for text in err.problems]) from None
        self.bay = Bay(self.machine, notes.codes, {})
        for k, line in enumerate(notes.readings):
            try:
                typed(self.bay, line)
            except BenchError as err:
                raise ScenarioError([self._say(("readings", k), f"{line!r}: {err}")]) from None
        self.fits = self._fitted()
        self.case = self._case()

    # What it comes to -----------------------------------------------------------------------------------------------

    @property
    def fit(self) -> Estimate | None:
        """The best fit; None for a wrong drawing, which has no size."""
        return self.fits[0] if self.fits else None

    @property
    def picture(self) -> Drawing:
        """The wiring drawing of the machine, with rings around what was read, in its order."""
        order: dict[str, list[str]] = {}
        for n, event in enumerate((e for e in self.bay.events if isinstance(e, Reading)), 1):
            order.setdefault(event.red, []).append(str(n))
        return Drawing(self.machine, {point: ",".join(turns) for point, turns in order.items()})

    @property
    def solvable(self) -> bool:
        """Whether the advice, which does not know the fault, ends in a right and supported call."""
        return self._played[2]

    @property
    def minutes(self) -> float:
        """Minutes that the advice took."""
        return self._played[0].bench.clock

    @cached_property
    def grade(self) -> Grade:
        """Par, tempting false calls and level."""
        return graded_case(self.case, Unsaved(self.machine, self.case), self._played[1])

    @cached_property
    def tempting(self) -> list[str]:
        """False calls that look likely on the way, the likeliest first, each with its chance."""
        calls = false_calls(self.case, self._played[1]).items()
        best = sorted(calls, key=lambda item: -item[1][0])
        return [f"{s} ({100 * p:.0f} %)" for s, (p, _) in best if p >= BELIEVED][:TEMPTING]

    @cached_property
    def hints(self) -> list[str]:
        """What the three steps of a hint say at the beginning."""
        bench = Practice(self.machine, self.case, None)
        return [bench.hint() for _ in range(3)]

    @cached_property
    def proposed(self) -> CaseFile:
        """The case with everything that the notes left out, proposed from how it plays; to be read and changed."""
        notes, case = self.notes, self.case
        bench = max(10, round(SLOWER * self.minutes / 5) * 5)
        slips = [f"{name[0].upper()}{name[1:]} looks likely for a while." for name in self.tempting]
        slips += ["A part that a code names is replaced without a reading.", "A repair is made and not proved."]
        instructor = notes.instructor or Instructor(
            plan_min=Plan(brief=BRIEF_MIN, bench=bench, debrief=DEBRIEF_MIN),
            ask=["What do the parts that do not work share?", f"Which test pays most at the start? {self.hints[1]}"],
            slips=slips[: max(2, len(self.tempting))],
            next="Another variant of the same case.",
        )
        return case.model_copy(update={"instructor": instructor})

    def lines(self) -> list[tuple[str, str]]:
        """Headings and sentences, in order."""
        rows = [("Fault", "; or ".join(map(str, self.fits)) or truth_of(self.case.faults[0]))]
        if self.fit:
            rows.append(("Not explained", self._missed()))
        rows.append(("Case", "; ".join(map(truth_of, self.case.faults))))
        minutes = f"the advice, not knowing the fault, takes {self.minutes:.0f} minutes"
        rows.append(("Solvable", f"yes: {minutes}, and its readings support the call" if self.solvable else
                     f"no: {minutes} and ends without a right and supported call; the readings on offer do not tell "
                     "this fault from others"))  # fmt: skip
        g = self.grade
        rows.append(("How hard", f"level {g.level} of 5, par {g.par_min:.1f} minutes, {_calls(g.look_alikes)}"))
        rows.append(("Tempting false calls", "; ".join(self.tempting) or "none on the advice's route"))
        rows += [(f"Hint {k}", text) for k, text in enumerate(self.hints, 1)]
        return rows

    def __repr__(self) -> str:
        return "\n".join([self.case.title, *(f"{head}: {text}" for head, text in self.lines())])

    def _repr_html_(self) -> str:
        table = f"<table>{headed(self.lines())}</table>"
        return f"<h3>{escape(self.case.title)}</h3>{table}{self.picture._repr_html_()}"

    def savable(self, over: bool = False, anyway: bool = False) -> Path:
        """Where the case will be written. Raises ScenarioError when a case of this name is there already (unless
        `over`), and when the readings contradict each other (unless `anyway`)."""
        path = library.scenario_folder() / "cases" / f"{self.case.case}.yaml"
        if path.exists() and not over:
            what = "give the notes another name, or write over it with --over (in Python: over=True)"
            raise ScenarioError([f"{path}: is there already; {what}."])
        if self.fit and self.fit.undecided and not anyway:
            raise ScenarioError([self._say(("readings",), (
                f"{self.fit.contradiction}. No case is made of them: read one again, or leave out the one that is "
                "wrong, or `place`, and the places that fit are named; --anyway makes one of those that agree."
            ))])  # fmt: skip
        return path

    def save(self, over: bool = False, anyway: bool = False) -> Path:
        """Write the case and its grade to the scenarios folder; where it is now.

        Raises ScenarioError as `savable` does, and when nothing can be written there.
        """
        path = self.savable(over, anyway)
        try:
            path.parent.mkdir(exist_ok=True)
            path.write_text(as_yaml(self.proposed), encoding="utf-8")
            keep(grades() | {self.case.case: self.grade})
        except OSError as err:
            raise ScenarioError([refused(path, err, "name another scenarios folder in CASEKIT_SCENARIOS")]) from None
        return path

    # Inside -----------------------------------------------------------------------------------------------------------

    @cached_property
    def _played(self) -> tuple[Player, list, bool]:
        """The advice played: who played, what was left after each step, whether the call was right and supported."""
        bench = Practice(self.machine, self.case, None)
        player, seen = played(bench, self.case.codes)
        if not player.sure or player.clear:
            return player, seen, False
        player.call()
        came = bench.debrief()
        return player, seen, came.right and came.supported

    def _fitted(self) -> list[Estimate]:
        """The fault as it was found, fitted to the readings."""
        found = self.notes.found
        if found.place is not None:
            self._allowed(_fault(found, found.place))
        if found.kind in DRAWING_KINDS:
            return []
        numbers, _ = observed(self.bay.drawing, self.bay.events)
        try:
            if found.place is None:
                fits = ranked(self.bay.drawing, numbers, found.kind, TEMPTING)
                self._keyed(fits[0])
                return fits
            suspect = Suspect(found.kind, found.place, found.to or "")
            fits = [estimate(self.bay.drawing, numbers, suspect, found.contact or "")]
        except BenchError as err:
            raise ScenarioError([self._say(("found",), str(err))]) from None
        self._keyed(fits[0])
        return fits

    def _keyed(self, fit: Estimate) -> None:
        """Volts before the first line about the key count as with the key off, where a reading of volts is rare: if
        they do not fit, that line was forgotten."""
        words = [line.split()[0] for line in self.notes.readings]
        key = next((k for k, word in enumerate(words) if word in ("key", "engine")), len(words))
        early = [k for k in range(key) if words[k] in LEADS and words[k] != "ohms"]
        if early and (fit.undecided or fit.unknown or fit.missed):
            many = (
                "all your readings are"
                if len(early) == sum(w in LEADS for w in words)
                else "1 reading is"
                if len(early) == 1
                else f"{len(early)} readings are"
            )
            text = (
                f"{many} with the key off, and with that they do not fit; is `key on` missing before them? If the key "
                "was off, write `key off` there."
            )
            raise ScenarioError([self._say(("readings", early[0]), text)])

    def _case(self) -> CaseFile:
        """The case, its texts those of the notes as far as there are any."""
        notes, best = self.notes, self.fit
        if best is None and notes.found.place is None:
            raise ScenarioError(
                [self._say(("found",), f"{notes.found.kind}: name its place and where it really goes.")]
            )
        fault = _fault(notes.found, best.suspect.place if best else notes.found.place, best)
        if best is not None and best.unknown and not any(getattr(notes.found, key) is not None for key in USUAL):
            text = f"the readings do not tell how large {best.suspect} is; give a reading nearer to it, or its size."
            raise ScenarioError([self._say(("found",), text)])
        self._allowed(fault)
        return self._with(fault).model_copy(update={
            "case": notes.notes, "title": notes.title, "complaint": notes.complaint, "story": notes.story,
            "teaches": notes.teaches or [TAUGHT],
            "explanation": notes.explanation or f"It was {truth_of(fault)}.{self._shows()}",
        })  # fmt: skip

    def _shows(self) -> str:
        """What showed the fault best: the voltages furthest from those of a healthy machine, and both values."""
        wrong = [m.reading for m in self.fit.missed] if self.fit else []
        found = []
        for o in observed(self.bay.drawing, self.bay.events)[0]:
            if o.function in ("volts", "millivolts") and not o.beyond and not o.jumps and o not in wrong:
                sound = predictor(self.bay.drawing).family(o.state).solve([NOTHING]).readings([(o.red, o.black)])[0][0]
                if (off := abs(o.value - float(sound[0]))) > SHOWS_V:
                    found.append((off, o, float(sound[0])))
        said = [
            f"{o.red} against {o.black} showed {o.event.shown}, where a healthy machine shows about "
            f"{number(sound, 'V')} ({o.event.state})"
            for off, o, sound in sorted(found, key=lambda one: -one[0])[:SHOWN]
        ]  # fmt: skip
        return f" Because of it {'; '.join(said)}." if said else ""

    def _with(self, fault: Fault) -> CaseFile:
        """A case about a fault, without texts."""
        none = Instructor(plan_min=Plan(brief=1, bench=1, debrief=1), ask=["-", "-"], slips=["-", "-"], next="-")
        return CaseFile(
            case=self.notes.notes, machine=self.machine.machine, title="-", complaint="-", story="-",
            codes=self.notes.codes, teaches=["-"], faults=[fault], explanation="-",
            instructor=self.notes.instructor or none,
        )  # fmt: skip

    def _allowed(self, fault: Fault) -> None:
        """The codes and the fault must be such as the machine can have."""
        wrong = list(check_case(self._with(fault), {self.machine.machine: self.machine}))
        if wrong:
            raise ScenarioError([
                self._say(("found", *place[2:]) if place[:1] == ("faults",) else place, text) for place, text in wrong
            ])  # fmt: skip

    def _missed(self) -> str:
        missed = self.fit.missed
        if self.fit.undecided:
            return f"{self.fit.contradiction}."
        if not missed:
            return "nothing: every reading agrees with the fit"
        said = "; ".join(map(str, missed))
        return f"{said}. Was it read at another point, in another state, or written down wrongly?"

    def _say(self, place: tuple, sentence: str) -> str:
        return self._source.say(place, sentence) if self._source else sentence


def draft(notes: Path | str) -> Draft:
    """A case drafted from a page of bay notes.

    Raises ScenarioError, with the line, for whatever is wrong in the notes.
    """
    return Draft(*read_notes(notes))


def as_yaml(case: CaseFile) -> str:
    """A case as a file."""
    said = case.model_dump(exclude_none=True, exclude_defaults=True, mode="json")
    said = {key: said.get(key, []) for key in CaseFile.model_fields}
    return "# Drafted by casekit new from bay notes: read it, and change what is not yours.\n" + yaml.safe_dump(
        said, sort_keys=False, allow_unicode=True, width=110
    )


def _calls(many: int) -> str:
    return f"{many} tempting false call{'' if many == 1 else 's'}"


def _fault(found: Found, place: str, best: Estimate | None = None) -> Fault:
    """The fault with the sizes that the notes give, else those of the fit, else such as it could have."""
    rule, keys = RULES[found.kind], {"place": place}
    for key, usual in USUAL.items():
        if key in rule.needs and getattr(found, key) is None:
            size = usual if best is None or best.size is None else best.size
            keys[key] = _worn(size) if key == "span" else float(f"{size:.2g}")
    if best is not None and best.at is not None and found.at is None:
        keys["at"] = round(best.at, 2)
    given = found.model_dump(exclude_none=True)
    return Fault.model_validate({**keys, **{k: v for k, v in given.items() if k != "place"}})


def _worn(middle: float) -> tuple[float, float]:
    """The part of a track that is worn, around its middle."""
    half = (WORN[1] - WORN[0]) / 2
    return round(max(middle - half, 0.0), 2), round(min(middle + half, 1.0), 2)
