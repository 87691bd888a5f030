"""The desk: benches that are played at a distance. What is asked is checked, done, kept, and only then answered.

In: who asks for which call on which bench. Out: readings and how things stand, as parcels. The benches themselves never
leave this module; after a crash they are played again from what was kept, which gives the same readings.
"""

from __future__ import annotations

import inspect
import json
import re
import secrets
from contextlib import AbstractContextManager
from dataclasses import dataclass

from casekit.error import BenchError, CasekitError, ScenarioError
from casekit.files import library
from casekit.service.held import Held
from casekit.service.store import Kept, Store
from casekit.teaching.again import WRITTEN, do_again, shown_since
from casekit.teaching.logbook import Line, given, kit_version
from casekit.teaching.parcel import packed
from casekit.teaching.practice import Practice, open_case

ALIVE = 200  # benches that are kept in memory
LONG, DEEP, MANY = 400, 3, 40  # characters of a text, levels of lists, entries of one
MOST = 10**15
REQUEST = r"[0-9a-f]{32}"
NOT_YET = "the debrief of this case is not released yet; your instructor does that."
USED = "this number of a request was used for something else; send a new one."
NOTED = ("call", "debrief", "prove", "repair", "replace")  # calls that stand in the audit log too
# Calls by how long they take at most; the others take less.
LONGER = ("key", "operate", "release", "unplug", "plug", "codes", "scan", "snapshot", "clear_codes", "notice", "repair",
          "replace", "jumper", "remove_jumper", "pierce")  # fmt: skip
LONG_CALLS = ("scope", "scan_trace", "minmax", "road_test", "prove", "hint", "debrief", "warm_up", "shift", "rock")


class Refused(CasekitError):
    """Something that is refused: `status` is the HTTP status that says so."""

    def __init__(self, text: str, status: int):
        super().__init__(text)
        self.status = status


@dataclass
class _Played:
    """A bench in memory: whose it is, and the numbers of the requests that were kept of it."""

    kept: Kept
    bench: Practice
    requests: set[str]


class Desk:
    """All benches of a service. `hidden` says whether debriefs wait until an instructor releases them; `drawn` whether
    everybody gets an individual and a variant of their own, which who has the case at home does not know."""

    def __init__(self, store: Store, hidden: bool = True, drawn: bool = True):
        self.store, self.hidden, self.drawn = store, hidden, drawn
        self._alive: Held[str, _Played] = Held()

    # Trainees -------------------------------------------------------------------------------------------------------

    def cases(self) -> list[dict]:
        """What anybody may know of the cases: name, machine, title, complaint, story, stored codes."""
        keys = ("case", "machine", "title", "complaint", "story", "codes")
        return [{k: head[k] for k in keys} for head in map(library.heading, library.names("cases"))]

    def open(self, owner: str, case: object, anew: object, request: object) -> dict:
        """The bench of a trainee on a case: the one that was left, or a new one. How it stands, and what it is of."""
        is_request(request)
        if not isinstance(case, str) or not re.fullmatch(r"[a-z0-9-]{1,120}", case):
            raise Refused(f"the case is {str(case)[:40]!r}; write the name of one, as the list has it.", 400)
        if not isinstance(anew, bool):
            raise Refused(f"anew is {str(anew)[:40]!r}; write true or false.", 400)
        mine = self.store.benches(owner, case)
        kept = mine[-1] if mine and not anew else None
        if kept is None:
            library.case_file(case)  # raises ScenarioError when there is none
            seed, variant = None, 0
            if self.drawn:
                seed, variant = secrets.randbelow(1 << 31), secrets.choice([0, *library.variants(case)])
            kept = self.store.begin(owner, case, seed, variant, str(request))
            if kept.case != case:
                raise Refused(USED, 409)
        with self._held(kept) as played:
            bench = played.bench
            return {
                "bench": kept.id, "title": bench.title, "sheet": [list(row) for row in bench.sheet.rows],
                "codes": list(bench.stored), "machine": json.loads(bench.machine_file.model_dump_json(by_alias=True)),
                **_stands(bench, 0),
            }  # fmt: skip

    def call(self, owner: str, id: str, body: dict) -> dict:
        """Make a call on a bench, once for every request."""
        kept = self.mine(owner, id)
        request = is_request(body.get("request"))
        do, args, settings, seen = _checked(body)
        with self._held(kept) as played:
            if request in played.requests:
                line, answer = self.store.answered(id, request)
                asked = do, body.get("args", []), body.get("settings", {})
                if (line["do"], line["args"], line["settings"]) != asked:
                    raise Refused(USED, 409)
                return answer
            bench, count = played.bench, len(played.bench.events)
            if do == "debrief" and self.hidden and not self.store.is_released(f"case {kept.case}"):
                raise Refused(NOT_YET, 403)
            method = getattr(bench, do)
            try:
                inspect.signature(method).bind(*args, **settings)
            except TypeError as err:
                raise Refused(f"{do} cannot be asked like this: {err}.", 400) from None
            was, result, refused = _fingerprint(bench), None, ""
            try:
                result = method(*args, **settings)
            except BenchError as err:
                refused = str(err)
            except Exception as err:  # what no check foresaw: half changed perhaps, and its words may say too much
                self._alive.forget(id)
                raise Refused(f"{do} cannot be asked like this ({type(err).__name__}).", 400) from None
            try:
                answer = {"result": packed(result), "refused": refused, **_stands(bench, min(seen, count))}
                if refused and was == _fingerprint(bench):
                    return answer
                line = {"do": do, "args": body.get("args", []), "settings": body.get("settings", {}),
                        "minute": bench.clock, "state": str(bench.state), "shown": list(shown_since(bench, count)),
                        "refused": refused}  # fmt: skip
                note = owner, f"{do} on bench {id[:6]}" if do in NOTED else ""
                self.store.keep_call(id, len(played.requests), request, line, answer, note)
            except Exception:
                self._alive.forget(id)  # what is not kept has not happened: it is played again from what is
                raise Refused("this call could not be kept, so it has not happened; do it again.", 503) from None
            played.requests.add(request)
            return answer

    def mine(self, owner: str, id: str) -> Kept:
        """A bench of this trainee; what belongs to others does not exist for them."""
        played = self._alive.peek(id)
        kept = played.kept if played else self.store.bench(id) if re.fullmatch(r"[A-Za-z0-9_-]{43}", id) else None
        if kept is None or kept.owner != owner:
            raise Refused("there is no such bench of yours; open the case first.", 404)
        return kept

    # Instructors ----------------------------------------------------------------------------------------------------

    def overview(self) -> list[dict]:
        """All benches: whose, of which case, how many calls, the clock and whether it is closed, as last kept."""
        rows = []
        for kept in self.store.benches():
            lines = self.store.calls(kept.id)
            rows.append({"trainee": kept.owner, "case": kept.case, "bench": kept.id, "calls": len(lines),
                         "minutes": lines[-1]["minute"] if lines else 0.0,
                         "closed": any(line["do"] == "debrief" and not line["refused"] for line in lines)})  # fmt: skip
        return rows

    def log(self, id: str) -> str:
        """A bench's log, as the file of a local bench would hold it; `casekit report` reads folders of these."""
        kept = self.store.bench(id)
        if kept is None:
            raise Refused("there is no such bench.", 404)
        head = {"casekit log": 2, "case": kept.case, "seed": kept.seed, "casekit": kit_version(),
                "variant": kept.variant, "trainee": kept.owner}  # fmt: skip
        return "".join(json.dumps(line) + "\n" for line in (head, *self.store.calls(id)))

    def release(self, case: object) -> None:
        """Release the debriefs of a case."""
        if not isinstance(case, str) or case not in library.names("cases"):
            raise Refused(f"there is no case {str(case)[:40]!r}.", 404)
        self.store.release(f"case {case}")

    # Inside ---------------------------------------------------------------------------------------------------------

    def _held(self, kept: Kept) -> AbstractContextManager[_Played]:
        """A bench for one thread alone: from memory, or played again."""
        return self._alive.held(kept.id, lambda: self._played(kept), ALIVE)

    def _played(self, kept: Kept) -> _Played:
        """The bench as it stands, played again from what was kept."""
        bench = open_case(kept.case, kept.seed, kept.variant)
        for number, line in enumerate(self.store.calls(kept.id), 1):
            again = Line(number, line["do"], given(line["args"]), {k: given(v) for k, v in line["settings"].items()},
                         line["minute"], line["state"], tuple(line["shown"]), line["refused"])  # fmt: skip
            could, trouble = do_again(bench, again)
            if not could or trouble:
                raise ScenarioError([f"bench {kept.id[:6]}: {trouble}; it was kept by another version of the kit."])
        return _Played(kept, bench, self.store.requests(kept.id))


def _fingerprint(bench: Practice) -> tuple:
    """What a refused call must not have changed, else it is kept as well."""
    return len(bench.events), bench.clock, bench.own.entries, bench.closed, bench.state, sorted(bench._reached)


def _stands(bench: Practice, seen: int) -> dict:
    """How a bench stands: state, clock, own list, and what is new in its log since so many events."""
    return {
        "state": packed(bench.state), "clock": bench.clock, "closed": bench.closed, "reached": sorted(bench._reached),
        "own": [packed(t) for t in bench.own.entries], "before": seen,
        "events": [packed(e) for e in bench.events[seen:]],
    }  # fmt: skip


def _checked(body: dict) -> tuple[str, tuple, dict, int]:
    """What is asked: a call that there is, with plain arguments of a reasonable size."""
    unknown = set(body) - {"request", "do", "args", "settings", "seen"}
    if unknown:
        raise Refused(f"{sorted(unknown)[0][:40]!r} is not known here; send do, args, settings, seen and request.", 400)
    do, args, settings, seen = (body.get(k, d) for k, d in (("do", ""), ("args", []), ("settings", {}), ("seen", 0)))
    if do not in WRITTEN:
        raise Refused(f"{str(do)[:40]!r} is not a call of a bench.", 400)
    if not isinstance(args, list) or not isinstance(settings, dict) or isinstance(seen, bool):
        raise Refused("args is a list and settings an object; send them like this.", 400)
    if not isinstance(seen, int) or seen < 0:
        raise Refused(f"seen is {str(seen)[:40]!r}; send how many events you have.", 400)
    _plain([args, list(settings.values())], 0)
    if len(settings) > MANY or any(not re.fullmatch(r"[a-z][a-z_]{0,39}", name) for name in settings):
        raise Refused("the settings have a name that is none.", 400)
    try:
        return do, tuple(given(a) for a in args), {k: given(v) for k, v in settings.items()}, seen
    except (TypeError, KeyError, ValueError):
        raise Refused("an argument is none that a bench takes.", 400) from None


def _plain(value: object, depth: int) -> None:
    """Check that a value is text, a number, or a list of such, and not too much of it."""
    if depth > DEEP + 1:
        raise Refused("the arguments are lists in lists in lists; no call takes that.", 400)
    match value:
        case None | bool():
            return
        case str() if len(value) <= LONG:
            return
        case int() | float() if abs(value) < MOST:  # neither infinite nor nan
            return
        case list() if len(value) <= MANY:
            for v in value:
                _plain(v, depth + 1)
            return
        case {"push": dict() as push} if set(push) <= {"point", "hands_mm", "torque"} and len(value) == 1:
            _plain(list(push.values()), depth + 1)
            return
    raise Refused("an argument is too long, or none that a bench takes.", 400)


def is_request(request: object) -> str:
    """The number of a request. Raises Refused when it is none."""
    if not isinstance(request, str) or not re.fullmatch(REQUEST, request):
        raise Refused("the request has no number of its own; send request, 32 hexadecimal digits.", 400)
    return request
