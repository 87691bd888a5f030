"""A sitting: one candidate at one paper, against the clock, written down as it goes, and marked when it is handed in.

In: an `ExamPaper` and a file. Out: answers, flags and pauses in that file, each line sealed to the one before; then a
`Result`. A sitting that was cut off goes on where it was.
"""

from __future__ import annotations

import hashlib
import json
import os
import time
from collections.abc import Callable, Collection, Mapping, Sequence
from html import escape
from pathlib import Path

import pandas as pd

from casekit.error import BenchError, CasekitError, ScenarioError, refused
from casekit.teaching.exampaper import ExamPaper
from casekit.teaching.item import Item, numbered
from casekit.teaching.itemview import asked, in_words
from casekit.teaching.marking import Result, marked
from casekit.teaching.pointnames import on_drawing

FORMAT = 2
PAUSE_S = 600.0  # of all pauses together that does not count as time used (our choice)
HEAD = "casekit sitting"


class Sitting:
    """One candidate's sitting. `troubles` says what of its file was left out, was changed, or did not agree.

    With `look` the file is only looked at: nothing is written, and nothing can be done.
    """

    def __init__(self, paper: ExamPaper, path: Path | str, clock: Callable[[], float] = time.time, look: bool = False):
        self.paper, self.path, self._clock, self._look = paper, Path(path), clock, look
        self.answers: dict[int, object] = {}
        self.sure: dict[int, float] = {}
        self.flags: set[int] = set()
        self.troubles: list[str] = []
        self.handed_in = self.paused = False
        self._last = self._used_s = self._paused_s = 0.0
        self._written = 0.0  # by the clock, when the last line was
        self._seal = ""
        self._open()

    # Working --------------------------------------------------------------------------------------------------------

    @property
    def left_min(self) -> float:
        """Minutes that are left."""
        self._pass()
        return max(0.0, self.paper.minutes - self._used_s / 60)

    def show(self, number: int) -> Question:
        """An item, by its number from 1."""
        return Question(self._item(number), number, self.answers.get(number), number in self.flags)

    def answer(self, number: int, answer: object, sure: float | None = None) -> str:
        """Answer an item; a later answer takes the place of one before. `sure` is how likely you think you are right,
        0.01 to 0.99, if you want to know how well you know that. Raises BenchError when that cannot be now."""
        item = self._item(number)
        self._at_work()
        item.mark(answer)  # what is no answer is refused before it counts
        on_drawing(item, answer)
        if sure is not None and not _share(sure):
            raise BenchError(f"how sure is {sure!r}; write a share from 0.01 to 0.99, such as 0.8, or leave it out.")
        self._write("answer", number, answer, sure)
        return self.answered(number)

    def answered(self, number: int) -> str:
        """That an item is answered, how many are, and the time that is left."""
        done = f"{len(self.answers)} of {len(self.paper.items)} answered"
        return f"item {number} is answered; {done}, {self.left_min:.0f} minutes left"

    def flag(self, number: int) -> str:
        """Mark an item to return to, or take the mark off."""
        self._item(number)
        self._at_work()
        self._write("flag", number)
        return f"item {number} is {'flagged' if number in self.flags else 'no longer flagged'}"

    def pause(self) -> str:
        """Stop the clock. Ten minutes of all pauses are not counted; after that the clock goes on."""
        self._at_work()
        self._write("pause")
        return f"paused; {max(0.0, PAUSE_S - self._paused_s) / 60:.0f} minutes of pauses are left"

    def go_on(self) -> str:
        """Go on after a pause."""
        if not self.paused:
            raise BenchError("this sitting is not paused.")
        self._write("go on")
        return f"{self.left_min:.0f} minutes left"

    @property
    def overview(self) -> pd.DataFrame:
        """Every item: whether it is answered and flagged."""
        return overview(self.paper.items, self.answers, self.flags)

    def hand_in(self) -> Result:
        """End the sitting and mark it. What is not answered is wrong."""
        if not self.handed_in:
            if self._look:
                self._at_work()
            self._write("hand in")
        return self.result()

    def result(self, difficulty: Mapping[str, float] | None = None) -> Result:
        """The marks, once it is handed in; `difficulty` are logits by item key that a class's answers gave. Raises
        BenchError before that."""
        if not self.handed_in:
            raise BenchError("this sitting is not handed in; hand_in() first.")
        return marked(self.paper, self.answers, self.sure, difficulty)

    # Inside ---------------------------------------------------------------------------------------------------------

    def _item(self, number: int) -> Item:
        return numbered(self.paper.items, number)

    def _at_work(self) -> None:
        if self._look:
            raise BenchError("this sitting is only looked at; open it without look to work on it.")
        if self.handed_in:
            raise BenchError("this sitting is handed in.")
        if self.paused:
            raise BenchError("this sitting is paused; go_on() first.")
        if self.left_min <= 0:
            raise BenchError("the time is up; hand_in() now: what was answered counts.")

    def _pass(self) -> None:
        """Let the time pass since the last thing, which never runs backwards."""
        now = self._clock()
        spent = now - self._last
        if spent < -1.0:
            told = "the clock of this computer was set back; the time that was used stays used"
            if told not in self.troubles:
                self.troubles.append(told)
        self._count(max(spent, 0.0))
        self._last = max(now, self._last) if spent >= 0 else now

    def _count(self, spent: float) -> None:
        if self.handed_in:
            return
        if self.paused:
            free = min(spent, max(0.0, PAUSE_S - self._paused_s))
            self._paused_s += free
            spent -= free
        self._used_s += spent

    def _write(self, do: str, number: int = 0, answer: object = None, sure: float | None = None) -> None:
        self._pass()
        line = {"do": do, "item": number, "answer": answer, "sure": sure, "used_s": round(self._used_s, 1),
                "paused_s": round(self._paused_s, 1), "at": round(self._last, 1)}  # fmt: skip
        seal = _sealed(self._seal, line)
        self._keep(json.dumps(line | {"seal": seal}))
        self._seal = seal
        self._take(line)

    def _keep(self, text: str) -> None:
        """Add a line to the file, and see it onto the disk."""
        try:
            with self.path.open("a", encoding="utf-8") as file:
                file.write(text + "\n")
                file.flush()
                os.fsync(file.fileno())
        except OSError as err:
            raise BenchError(refused(self.path, err, "make room there, and do it again")) from None

    def _take(self, line: dict) -> None:
        do, number = line["do"], line["item"]
        if do == "answer":
            self.answers[number] = line["answer"]
            self.sure.pop(number, None)
            if line["sure"] is not None:
                self.sure[number] = line["sure"]
        elif do == "flag":
            self.flags ^= {number}
        elif do in ("pause", "go on"):
            self.paused = do == "pause"
        elif do == "hand in":
            self.handed_in = True

    def _open(self) -> None:
        """Begin, or go on with what is there."""
        paper = self.paper
        head = {HEAD: FORMAT, "paper": paper.name, "seed": paper.seed, "items": _digest(paper)}
        self._last = self._clock()
        first, *rest = self._kept() or [b""]
        if not first and self._look:
            raise ScenarioError([f"{self.path}: there is no sitting in this file."])
        if not first:
            self._keep(json.dumps(head))
            return
        if _object(first).get(HEAD) != FORMAT:
            raise ScenarioError([f"{self.path}:1: this is not a sitting; choose another file."])
        if _object(first) != head:
            raise ScenarioError([f"{self.path}:1: this is the sitting of another paper or seed; choose another file."])
        for number, raw in enumerate(rest, 2):
            self._read(number, _object(raw))

    def _kept(self) -> list[bytes]:
        """The lines of the file; one that was cut short is taken off."""
        try:
            if not self._look:
                self.path.parent.mkdir(parents=True, exist_ok=True)
            whole = self.path.read_bytes() if self.path.exists() else b""
            *lines, cut = whole.split(b"\n")
            if cut:  # killed while it wrote
                if not lines:
                    return [cut]
                self.troubles.append("the last line was cut short and is left out")
                if not self._look:
                    self.path.write_bytes(b"\n".join(lines) + b"\n")
            return lines
        except OSError as err:
            raise ScenarioError([refused(self.path, err, "choose another place")]) from None

    def _read(self, number: int, line: dict) -> None:
        """Take in a line that was written; one that was changed counts as it is now, and is told."""
        try:
            seal = line.pop("seal")
            known = {"do": str(line["do"]), "item": int(line["item"]), "answer": line["answer"], "sure": line["sure"]}
            known |= {name: float(line[name]) for name in ("used_s", "paused_s", "at")}
            if known["do"] == "answer":
                self._item(known["item"]).mark(known["answer"])
                if known["sure"] is not None and not _share(known["sure"]):
                    raise ValueError("no share")
        except (KeyError, TypeError, ValueError, CasekitError):
            self.troubles.append(f"line {number} is damaged and is left out")
            return
        self._seal = _sealed(self._seal, known)
        if seal != self._seal:
            self.troubles.append(f"line {number} was changed after it was written")
            self._seal = str(seal)
        self._used_s = max(self._used_s, known["used_s"])
        self._paused_s = max(self._paused_s, known["paused_s"])
        self._written = known["at"]
        self._take(known)


def overview(items: Sequence[Item], answers: Mapping[int, object], flags: Collection[int]) -> pd.DataFrame:
    """Every item: whether it is answered and flagged."""
    rows = [
        (n, item.ability, "" if n not in answers else str(answers[n]), "flagged" * (n in flags))
        for n, item in enumerate(items, 1)
    ]
    return pd.DataFrame(rows, columns=["item", "ability", "answer", "flag"])


class Question:
    """An item as it is asked."""

    def __init__(self, item: Item, number: int, answer: object, flagged: bool):
        self.item, self.number, self.answer, self.flagged = item, number, answer, flagged

    def __repr__(self) -> str:
        return "\n".join([f"{self.number}. {in_words(self.item)}", *(f"   {line}" for line in self._notes)])

    def _repr_html_(self) -> str:
        notes = "".join(f"<p>{escape(line)}</p>" for line in self._notes)
        return f"<p><b>{self.number}.</b></p>{asked(self.item)}{notes}"

    @property
    def _notes(self) -> list[str]:
        return ([f"your answer: {self.answer}"] if self.answer is not None else []) + ["flagged"] * self.flagged


def _digest(paper: ExamPaper) -> str:
    """Which items a paper has: the same seed and another version of the kit may draw others."""
    return hashlib.sha256(json.dumps([i.as_data() for i in paper.items]).encode()).hexdigest()[:16]


def _sealed(before: str, line: dict) -> str:
    """The seal of a line: of it and of the one before, so that no line can be changed or taken out unnoticed by who
    does not know how."""
    return hashlib.sha256((before + json.dumps(line, sort_keys=True)).encode()).hexdigest()[:16]


def _share(p: object) -> bool:
    return isinstance(p, int | float) and not isinstance(p, bool) and 0.01 <= p <= 0.99


def _object(raw: bytes) -> dict:
    try:
        found = json.loads(raw)
    except ValueError:
        return {}
    return found if isinstance(found, dict) else {}
