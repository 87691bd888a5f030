"""The service's routes: who may ask for what, and how it is answered.

In: HTTP requests. Out: JSON. Errors are one sentence in `error`; nothing that is answered, refused or logged carries a
fault before the debrief is released, and how long an answer takes does not either.
"""

from __future__ import annotations

import asyncio
import json
import logging
import math
import time
from collections.abc import Awaitable, Callable
from contextlib import asynccontextmanager
from dataclasses import dataclass

from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import JSONResponse, PlainTextResponse, Response
from starlette.routing import Route

from casekit.error import BenchError, CasekitError, ScenarioError
from casekit.files import library
from casekit.service.desk import LONG_CALLS, LONGER, Desk, Refused
from casekit.service.examroom import ExamRoom
from casekit.service.identity import Identity, Who
from casekit.service.store import Store
from casekit.teaching.logbook import kit_version

BODY = 64 * 1024  # bytes of a request
# An answer goes out at the end of a step of time: how long a reading took depends on what is wrong with the machine.
QUICK_S, LONGER_S, LONG_S = 0.1, 0.4, 1.0
RATE = 5.0, 25.0  # requests a second of one user, and how many at once
TOO_MANY = "too many calls at once; wait a moment and do it again."
BROKEN = "the service could not do this; open the case or the paper again to see how it stands."
NOWHERE = "there is nothing here by this name, or not in this way."
log = logging.getLogger("casekit.service")
Answer = Callable[[Request, Who], Awaitable[Response]]


@dataclass
class Bucket:
    """What a user may still ask for now: so many a second, and so many at once."""

    rate: float
    burst: float

    def __post_init__(self) -> None:
        self.left, self.at = self.burst, time.monotonic()

    def take(self) -> bool:
        """Take one, if there is one."""
        now = time.monotonic()
        self.left, self.at = min(self.burst, self.left + self.rate * (now - self.at)), now
        if self.left < 1:
            return False
        self.left -= 1
        return True


class Service:
    """Store, desk and exam room behind one set of routes below `prefix`."""

    def __init__(
        self, store: Store, identity: Identity, prefix: str = "/", hidden: bool = True, drawn: bool = True,
        steps: bool = True, rate: tuple[float, float] = RATE,
    ):  # fmt: skip
        self.store, self.identity, self.steps, self.rate = store, identity, steps, rate
        self.desk, self.room = Desk(store, hidden, drawn), ExamRoom(store)
        self._buckets: dict[str, Bucket] = {}
        base = prefix.rstrip("/")
        routes = [Route(f"{base}/health", self._health, methods=["GET"])]
        for path, method, answer, teaches in (
            ("me", "GET", self._me, False),
            ("cases", "GET", self._cases, False),
            ("machines/{name}", "GET", self._machine, False),
            ("benches", "POST", self._open, False),
            ("benches/{id}/calls", "POST", self._call, False),
            ("papers", "GET", self._papers, False),
            ("papers/{id}/sitting", "POST", self._sit, False),
            ("papers/{id}/acts", "POST", self._act, False),
            ("papers/{id}/result", "GET", self._result, False),
            ("class", "GET", self._class, True),
            ("class/logs/{id}", "GET", self._log, True),
            ("class/releases", "POST", self._release, True),
            ("class/papers", "POST", self._set_paper, True),
            ("class/papers/{id}/marks", "GET", self._marks, True),
            ("class/audit", "GET", self._audit, True),
        ):
            routes.append(Route(f"{base}/api/{path}", self._guarded(answer, teaches), methods=[method]))
        self.app = Starlette(
            routes=routes, lifespan=self._life, exception_handlers={404: self._nowhere, 405: self._nowhere}
        )

    @asynccontextmanager
    async def _life(self, app: Starlette):
        yield
        self.store.close()

    # Everybody ------------------------------------------------------------------------------------------------------

    async def _health(self, request: Request) -> Response:
        return JSONResponse({"casekit": kit_version()})

    async def _me(self, request: Request, who: Who) -> Response:
        return JSONResponse({"user": who.name, "instructor": who.instructor})

    async def _cases(self, request: Request, who: Who) -> Response:
        return JSONResponse({"cases": await run_in_threadpool(self.desk.cases)})

    async def _machine(self, request: Request, who: Who) -> Response:
        name = request.path_params["name"]
        if name not in library.names("machines"):
            raise Refused("there is no such machine.", 404)
        found = await run_in_threadpool(library.machine_file, name)
        return Response(found.model_dump_json(by_alias=True), media_type="application/json")

    # Trainees -------------------------------------------------------------------------------------------------------

    async def _open(self, request: Request, who: Who) -> Response:
        body = await _body(request, {"request", "case", "anew"})
        found = await run_in_threadpool(self.desk.open, who.name, body.get("case"), body.get("anew", False),
                                        body.get("request"))  # fmt: skip
        return JSONResponse(found)

    async def _call(self, request: Request, who: Who) -> Response:
        body = await _body(request)
        found = await run_in_threadpool(self.desk.call, who.name, request.path_params["id"], body)
        return JSONResponse(found)

    async def _papers(self, request: Request, who: Who) -> Response:
        return JSONResponse({"papers": await run_in_threadpool(self.room.papers, who.name)})

    async def _sit(self, request: Request, who: Who) -> Response:
        await _body(request, {"request"})
        found = await run_in_threadpool(self.room.sit, who.name, request.path_params["id"])
        await run_in_threadpool(self.store.note, who.name, f"sits paper {request.path_params['id'][:6]}")
        return JSONResponse(found)

    async def _act(self, request: Request, who: Who) -> Response:
        body = await _body(request)
        return JSONResponse(await run_in_threadpool(self.room.act, who.name, request.path_params["id"], body))

    async def _result(self, request: Request, who: Who) -> Response:
        return JSONResponse(await run_in_threadpool(self.room.result, who.name, request.path_params["id"]))

    # Instructors ----------------------------------------------------------------------------------------------------

    async def _class(self, request: Request, who: Who) -> Response:
        return JSONResponse({"benches": await run_in_threadpool(self.desk.overview)})

    async def _log(self, request: Request, who: Who) -> Response:
        await run_in_threadpool(self.store.note, who.name, f"read the log of bench {request.path_params['id'][:6]}")
        return PlainTextResponse(await run_in_threadpool(self.desk.log, request.path_params["id"]))

    async def _release(self, request: Request, who: Who) -> Response:
        body = await _body(request, {"request", "case", "paper"})
        what = "case" if "case" in body else "paper"
        if ("case" in body) == ("paper" in body) or not isinstance(body[what], str):
            raise Refused("name a case or a paper to release.", 400)
        await run_in_threadpool((self.desk if what == "case" else self.room).release, body[what])
        await run_in_threadpool(self.store.note, who.name, f"released {what} {str(body[what])[:40]}")
        return JSONResponse({"released": body[what]})

    async def _set_paper(self, request: Request, who: Who) -> Response:
        body = await _body(request, {"request", "blueprint"})
        found = await run_in_threadpool(self.room.set_paper, who.name, body.get("blueprint"), body.get("request"))
        return JSONResponse(found)

    async def _marks(self, request: Request, who: Who) -> Response:
        await run_in_threadpool(self.store.note, who.name, f"read the marks of paper {request.path_params['id'][:6]}")
        return PlainTextResponse(
            await run_in_threadpool(self.room.marks, request.path_params["id"]), media_type="text/csv"
        )

    async def _audit(self, request: Request, who: Who) -> Response:
        lines, troubles = await run_in_threadpool(self.store.audit)
        return JSONResponse({"lines": lines, "troubles": troubles})

    # Inside ---------------------------------------------------------------------------------------------------------

    def _guarded(self, answer: Answer, teaches: bool) -> Callable[[Request], Awaitable[Response]]:
        """A route for who may use it; whatever goes wrong is one sentence."""

        async def guarded(request: Request) -> Response:
            began, who = time.monotonic(), None
            try:
                who = await self._who(request)
                if teaches and not who.instructor:
                    raise Refused("only an instructor may do this.", 403)
                if not self._may(who.name):
                    raise Refused(TOO_MANY, 429)
                made = await answer(request, who)
            except Refused as err:
                made = await self._refusal(request, who, err)
            except ScenarioError as err:
                made = JSONResponse({"error": str(err)}, 404)
            except BenchError as err:
                made = JSONResponse({"error": str(err)}, 409)
            except CasekitError as err:
                made = JSONResponse({"error": str(err)}, 400)
            except Exception as err:  # no words of it: it may speak of what is hidden
                log.error("%s at %s", type(err).__name__, request.url.path.split("/")[-1])
                made = JSONResponse({"error": BROKEN}, 500)
            if self.steps and request.method == "POST":
                await _until_step(began, getattr(request.state, "step_s", QUICK_S))
            return made

        return guarded

    async def _refusal(self, request: Request, who: Who | None, err: Refused) -> Response:
        """What is refused is said, and written down; for who has no token not more often than a class could err."""
        name, path = (
            who.name if who else f"nobody at {request.client.host if request.client else '?'}",
            request.url.path,
        )
        if who is None and not self._may(name):
            return JSONResponse({"error": TOO_MANY}, 429)
        try:
            await run_in_threadpool(self.store.note, name, f"refused ({err.status}): {path}")
        except Exception as trouble:
            log.error("%s while a refusal was written down", type(trouble).__name__)
        return JSONResponse({"error": str(err)}, err.status)

    def _may(self, name: str) -> bool:
        """Whether someone may ask for one more thing now."""
        return self._buckets.setdefault(name, Bucket(*self.rate)).take()

    async def _nowhere(self, request: Request, err: Exception) -> Response:
        return await self._refusal(request, None, Refused(NOWHERE, err.status_code))

    async def _who(self, request: Request) -> Who:
        head = request.headers.get("authorization", "")
        kind, _, token = head.partition(" ")
        if kind.lower() not in ("token", "bearer") or not token or len(token) > 200:
            raise Refused("no token came with this request; send Authorization: token and yours.", 401)
        who = await run_in_threadpool(self.identity.who, token)
        if who is None:
            raise Refused("this token is not, or no longer, good here; get a new one from your instructor.", 401)
        return who


async def _until_step(began: float, step_s: float) -> None:
    """Wait for the end of a step of time."""
    spent = time.monotonic() - began
    await asyncio.sleep(max(step_s * math.ceil(spent / step_s) - spent, 0.0))


async def _body(request: Request, keys: set[str] | None = None) -> dict:
    """The JSON object of a request, of a size that can be, with these keys alone."""
    raw = bytearray()
    async for part in request.stream():
        raw += part
        if len(raw) > BODY:
            raise Refused(f"the request is larger than {BODY // 1024} KiB; ask for less at once.", 413)
    try:
        body = json.loads(bytes(raw), parse_constant=_no_constant, parse_float=_finite)
        json.dumps(body, ensure_ascii=False).encode()  # no half characters, which no database takes
    except (ValueError, RecursionError):
        raise Refused("the request is not JSON; send an object.", 400) from None
    if not isinstance(body, dict):
        raise Refused("the request is JSON, but no object; send one.", 400)
    unknown = set(body) - keys if keys is not None else set()
    if unknown:
        raise Refused(f"{sorted(unknown)[0][:40]!r} is not known here.", 400)
    do = str(body.get("do"))
    long = do in LONG_CALLS or "case" in body or "blueprint" in body
    request.state.step_s = LONG_S if long else LONGER_S if do in LONGER else QUICK_S
    return body


def _no_constant(text: str) -> float:
    raise ValueError(f"{text} is no number")


def _finite(text: str) -> float:
    value = float(text)
    return value if math.isfinite(value) else _no_constant(text)
