"""The exam room: papers that are sat at the service. Its clock counts, items go out without their answers.

In: a blueprint and a seed from an instructor, answers from candidates. Out: items as they are asked; marks once they
are released. Every line of a sitting is in the store before it counts.
"""

from __future__ import annotations

import json
import secrets
import time
from collections.abc import Callable
from contextlib import AbstractContextManager
from dataclasses import asdict

import pandas as pd
from pydantic import ValidationError

from casekit.error import CasekitError
from casekit.files.blueprint import Blueprint
from casekit.service.desk import Refused, is_request
from casekit.service.held import Held
from casekit.service.store import Store
from casekit.teaching.exampaper import ExamPaper, exam_paper
from casekit.teaching.item import Item
from casekit.teaching.sitting import Sitting

TOO_LATE = "the marks of this paper are released; it cannot be sat any more."
NOT_YET = "the marks of this paper are not released yet; your instructor does that."
SEATS = 300  # sittings that are kept in memory
LONGEST = 60  # characters of an answer
ACTS = ("answer", "flag", "pause", "go on", "hand in")


class Seat(Sitting):
    """A sitting whose lines are in the store of a service."""

    def __init__(self, paper: ExamPaper, store: Store, id: str, owner: str, clock: Callable[[], float]):
        self._store, self._id, self._owner = store, id, owner
        self._lines = 0
        super().__init__(paper, f"sitting of {owner}", clock)
        if self._written:
            self._last = self._written  # the time since then is used, whatever became of the service meanwhile
        else:
            self._write("begin")

    def _keep(self, text: str) -> None:
        self._store.keep_line(self._id, self._owner, self._lines, text)
        self._lines += 1

    def _kept(self) -> list[bytes]:
        found = [line.encode() for line in self._store.sitting(self._id, self._owner)]
        self._lines = len(found)
        return found


class ExamRoom:
    """All papers of a service and who sits them."""

    def __init__(self, store: Store, clock: Callable[[], float] = time.time):
        self.store, self._clock = store, clock
        self._papers: dict[str, ExamPaper] = {}
        self._seats: Held[tuple[str, str], Seat] = Held(lambda seat: seat.handed_in)

    # Candidates -----------------------------------------------------------------------------------------------------

    def papers(self, owner: str) -> list[dict]:
        """The papers there are, and whether this candidate began or handed in each."""
        rows = []
        for id in self.store.papers():
            paper, begun = self.paper(id), bool(self.store.sitting(id, owner))
            state = "not begun"
            if begun:
                with self._held(id, owner) as seat:
                    state = "handed in" if seat.handed_in else "begun"
            rows.append({"paper": id, "title": paper.title, "items": len(paper.items), "minutes": paper.minutes,
                         "state": state})  # fmt: skip
        return rows

    def sit(self, owner: str, id: str) -> dict:
        """Begin a paper, or go on with it: its items as they are asked, and what was answered so far."""
        paper = self.paper(id)
        if self.store.is_released(f"paper {id}") and not self.store.sitting(id, owner):
            raise Refused(TOO_LATE, 403)
        with self._held(id, owner) as seat:
            return {"title": paper.title, "items": [_asked(i) for i in paper.items], **_stands(seat)}

    def act(self, owner: str, id: str, body: dict) -> dict:
        """Answer, flag, pause, go on or hand in. The same asked twice is done once."""
        do, number, answer = body.get("do"), body.get("item", 0), body.get("answer")
        unknown = set(body) - {"request", "do", "item", "answer", "sure", "flagged"}
        if do not in ACTS or unknown:
            raise Refused(f"{str(do)[:40]!r} is not done in a sitting; it is {', '.join(ACTS)}.", 400)
        fits = isinstance(answer, str | int | float | None) and len(str(answer)) <= LONGEST
        if isinstance(number, bool) or not isinstance(number, int) or not fits:
            raise Refused("item is a number from 1, and the answer a short text or a number.", 400)
        if not self.store.sitting(id, owner):
            raise Refused("this paper is not begun; begin it first.", 404)
        if do != "hand in" and self.store.is_released(f"paper {id}"):
            raise Refused(TOO_LATE, 403)
        with self._held(id, owner) as seat:
            try:
                said = _done(seat, do, number, body)
            except CasekitError:
                raise
            except Exception:
                self._seats.forget((id, owner))  # what is not in the store has not happened
                raise Refused("this could not be kept, so it has not happened; do it again.", 503) from None
            return {"said": said, **_stands(seat)}

    def result(self, owner: str, id: str) -> dict:
        """The marks of a candidate, once they are released."""
        if not self.store.is_released(f"paper {id}"):
            raise Refused(NOT_YET, 403)
        if not self.store.sitting(id, owner):
            raise Refused("you have not sat this paper.", 404)
        with self._held(id, owner) as seat:
            found = seat.result()
        explained = [found.explain(n)._repr_html_() for n in range(1, len(found.items) + 1)]
        return {"words": repr(found), "page": found._repr_html_(), "explained": explained}

    # Instructors ----------------------------------------------------------------------------------------------------

    def set_paper(self, owner: str, blueprint: object, request: object) -> dict:
        """Set a paper by the data of a blueprint and a seed that nobody knows; its id. The items are kept as they are
        drawn now. Raises ScenarioError for what cannot be met."""
        number = is_request(request)
        try:
            checked = Blueprint.model_validate(blueprint)
        except ValidationError as err:
            first = err.errors()[0]
            where = ".".join(map(str, first["loc"])) or "it"
            raise Refused(
                f"the blueprint is none: {where}: {first['msg'].removeprefix('Value error, ')}.", 400
            ) from None
        paper = exam_paper(checked, secrets.randbelow(1 << 53))
        data = {"name": paper.name, "title": paper.title, "minutes": paper.minutes, "seed": paper.seed,
                "items": [i.as_data() for i in paper.items]}  # fmt: skip
        id = self.store.begin_paper(owner, json.dumps(data), number)
        return {"paper": id, "items": len(self.paper(id).items)}

    def release(self, id: str) -> None:
        """Release the marks of a paper, for those who handed it in."""
        self.paper(id)
        self.store.release(f"paper {id}")

    def marks(self, id: str) -> str:
        """The marks of everybody, as CSV: right, ability in logits with its error, by item right or not."""
        paper, rows = self.paper(id), []
        for owner in self.store.sitters(id):
            with self._held(id, owner) as seat:
                if seat.left_min <= 0 and not seat.handed_in:  # what was answered in time counts
                    seat.hand_in()
                used = round(paper.minutes - seat.left_min, 1)
                row = {"candidate": owner, "handed_in": seat.handed_in, "minutes": used,
                       "remark": "; ".join(seat.troubles)}  # fmt: skip
                if seat.handed_in:
                    found = seat.result()
                    row |= {"right": int(found.items["right"].sum()), "logits": round(found.whole.logits, 3),
                            "error": round(found.whole.error, 3)}  # fmt: skip
                    row |= {f"item {n}": int(r) for n, r in enumerate(found.items["right"], 1)}
                rows.append(row)
        return pd.DataFrame(rows, columns=None if rows else ["candidate"]).to_csv(index=False)

    def paper(self, id: str) -> ExamPaper:
        """The paper of this id, as it was set."""
        if id not in self._papers:
            text = self.store.paper(id)
            if not text:
                raise Refused("there is no such paper.", 404)
            data = json.loads(text)
            self._papers[id] = ExamPaper(**data | {"items": tuple(map(Item.from_data, data["items"]))})
        return self._papers[id]

    # Inside ---------------------------------------------------------------------------------------------------------

    def _held(self, id: str, owner: str) -> AbstractContextManager[Seat]:
        """A candidate's seat for one thread alone: from memory, or as it stands in the store. One at work stays."""
        paper = self.paper(id)
        return self._seats.held((id, owner), lambda: Seat(paper, self.store, id, owner, self._clock), SEATS)


def _done(seat: Seat, do: str, number: object, body: dict) -> str:
    match do:
        case "answer":
            if (
                number in seat.answers
                and seat.answers[number] == body.get("answer")
                and seat.sure.get(number) == body.get("sure")
            ):
                return seat.answered(number)
            return seat.answer(number, body.get("answer"), body.get("sure"))
        case "flag":
            wanted = body.get("flagged")
            if not isinstance(wanted, bool):
                raise Refused("say with flagged whether the item is to be flagged: true or false.", 400)
            return seat.flag(number) if (number in seat.flags) != wanted else f"item {number} is as it was"
        case "pause":
            return "paused" if seat.paused else seat.pause()
        case "go on":
            return seat.go_on() if seat.paused else f"{seat.left_min:.0f} minutes left"
    seat.hand_in()
    return "handed in"


def _asked(item: Item) -> dict:
    """An item as it is asked: what gives its answer away does not leave the service."""
    return {
        "form": item.form, "ability": item.ability, "machine": item.machine, "ask": item.ask, "unit": item.unit,
        "rows": [list(row) for row in item.rows], "options": [o.text for o in item.options],
        "recorded": asdict(item.recorded) if item.recorded else None,
    }  # fmt: skip


def _stands(seat: Seat) -> dict:
    return {
        "left_min": round(seat.left_min, 2), "paused": seat.paused, "handed_in": seat.handed_in,
        "answers": {str(n): a for n, a in seat.answers.items()}, "flags": sorted(seat.flags),
        "sure": {str(n): p for n, p in seat.sure.items()},
    }  # fmt: skip
