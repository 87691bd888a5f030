"""The store: benches, calls, sittings and the audit log in a database; SQLite in WAL mode, or PostgreSQL by its URL.

In: what is to be kept. Out: what was kept. A thing is acknowledged only after it is here, so that what was acknowledged
survives whatever happens to the service.
"""

from __future__ import annotations

import hashlib
import json
import os
import secrets
import sqlite3
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import urlsplit

import sqlalchemy as sa
from sqlalchemy.exc import IntegrityError, SQLAlchemyError

from casekit.error import MissingError, ScenarioError, refused

PATIENCE_S = 30  # how long a process waits for another one that writes
META = sa.MetaData()
BENCHES = sa.Table(
    "benches", META,
    sa.Column("id", sa.String(43), primary_key=True),
    sa.Column("owner", sa.String(64), index=True),
    sa.Column("case", sa.String(120)),
    sa.Column("seed", sa.BigInteger),
    sa.Column("variant", sa.Integer),
    sa.Column("begun", sa.Float),
    sa.Column("request", sa.String(64)),
    sa.UniqueConstraint("owner", "request"),
)  # fmt: skip
CALLS = sa.Table(
    "calls", META,
    sa.Column("bench", sa.String(43), primary_key=True),
    sa.Column("number", sa.Integer, primary_key=True),
    sa.Column("request", sa.String(64)),
    sa.Column("line", sa.Text),
    sa.Column("answer", sa.Text),
    sa.UniqueConstraint("bench", "request"),
)  # fmt: skip
SITTINGS = sa.Table(
    "sittings", META,
    sa.Column("paper", sa.String(43), primary_key=True),
    sa.Column("owner", sa.String(64), primary_key=True),
    sa.Column("number", sa.Integer, primary_key=True),
    sa.Column("line", sa.Text),
)  # fmt: skip
PAPERS = sa.Table(
    "papers", META,
    sa.Column("id", sa.String(43), primary_key=True),
    sa.Column("paper", sa.Text),
    sa.Column("opened", sa.Float),
    sa.Column("request", sa.String(64), unique=True),
)  # fmt: skip
RELEASED = sa.Table("released", META, sa.Column("what", sa.String(120), primary_key=True), sa.Column("at", sa.Float))
TOKENS = sa.Table(
    "tokens", META,
    sa.Column("digest", sa.String(64), primary_key=True),
    sa.Column("user", sa.String(64)),
    sa.Column("instructor", sa.Boolean),
    sa.Column("until", sa.Float),
)  # fmt: skip
AUDIT = sa.Table(
    "audit", META,
    sa.Column("number", sa.Integer, primary_key=True),
    sa.Column("at", sa.Float),
    sa.Column("user", sa.String(64)),
    sa.Column("what", sa.String(200)),
    sa.Column("seal", sa.String(64)),
)  # fmt: skip
APPEND_ONLY = {
    "sqlite": [
        f"CREATE TRIGGER IF NOT EXISTS audit_no_{what.lower()} BEFORE {what} ON audit BEGIN SELECT RAISE(ABORT, "
        "'the audit log is only added to'); END" for what in ("UPDATE", "DELETE")
    ],
    "postgresql": [
        "CREATE OR REPLACE FUNCTION audit_kept() RETURNS trigger AS $$ BEGIN RAISE EXCEPTION 'the audit log is only "
        "added to'; END $$ LANGUAGE plpgsql",
        "CREATE OR REPLACE TRIGGER audit_kept BEFORE UPDATE OR DELETE ON audit FOR EACH STATEMENT EXECUTE FUNCTION "
        "audit_kept()",
    ],
}  # fmt: skip


@dataclass(frozen=True)
class Kept:
    """A bench as it is kept: whose, of which case, which individual and which variant."""

    id: str
    owner: str
    case: str
    seed: int | None
    variant: int
    begun: float


class Store:
    """Everything the service keeps. Safe for several threads; one process at a time."""

    def __init__(self, folder: Path, url: str = ""):
        self.folder = folder
        try:
            folder.mkdir(parents=True, exist_ok=True)
            folder.chmod(0o700)
        except OSError as err:
            raise ScenarioError([refused(folder, err, "choose another folder", "cannot be used")]) from None
        path = folder / "casekit.sqlite"
        if not url:  # made before the database makes it, so that nobody else ever could read it
            os.close(os.open(path, os.O_CREAT | os.O_RDWR, 0o600))
        self._writing = threading.Lock()
        self.engine = _engine(url or f"sqlite:///{path.absolute()}")
        with _told(url), self._written() as db:
            META.create_all(db)
            for text in APPEND_ONLY[self.engine.dialect.name]:
                db.execute(sa.text(text))

    @contextmanager
    def _written(self) -> Iterator[sa.Connection]:
        """One writer at a time, of this process or another: two that read first and then write would stand in each
        other's way."""
        with self._writing, self.engine.execution_options(writes=True).begin() as db:
            yield db

    def close(self) -> None:
        """Give the connections back."""
        self.engine.dispose()

    # Benches --------------------------------------------------------------------------------------------------------

    def bench(self, id: str) -> Kept | None:
        """The bench of this id."""
        with self.engine.connect() as db:
            found = db.execute(sa.select(BENCHES).where(BENCHES.c.id == id)).first()
        return _kept(found) if found else None

    def benches(self, owner: str = "", case: str = "") -> list[Kept]:
        """Benches of a trainee, of a case, or all, the oldest first."""
        wanted = sa.select(BENCHES).order_by(BENCHES.c.begun)
        wanted = wanted.where(BENCHES.c.owner == owner) if owner else wanted
        wanted = wanted.where(BENCHES.c.case == case) if case else wanted
        with self.engine.connect() as db:
            return [_kept(row) for row in db.execute(wanted)]

    def begin(self, owner: str, case: str, seed: int | None, variant: int, request: str) -> Kept:
        """A new bench, noted in the audit log; the one of before if this request began one already."""
        made = {"id": secrets.token_urlsafe(32), "owner": owner, "case": case, "seed": seed, "variant": variant,
                "begun": time.time(), "request": request}  # fmt: skip
        try:
            with self._written() as db:
                db.execute(BENCHES.insert().values(made))
                _note(db, owner, f"began bench {made['id'][:6]} on {case}")
        except IntegrityError:
            with self.engine.connect() as db:
                same = sa.and_(BENCHES.c.owner == owner, BENCHES.c.request == request)
                return _kept(db.execute(sa.select(BENCHES).where(same)).one())
        return Kept(**{k: v for k, v in made.items() if k != "request"})

    def calls(self, bench: str) -> list[dict]:
        """The calls of a bench, in order, as they are done again."""
        wanted = sa.select(CALLS.c.line).where(CALLS.c.bench == bench).order_by(CALLS.c.number)
        with self.engine.connect() as db:
            return [json.loads(line) for (line,) in db.execute(wanted)]

    def answered(self, bench: str, request: str) -> tuple[dict, dict] | None:
        """The call that was made by this request, and what it was answered, if it was."""
        same = sa.and_(CALLS.c.bench == bench, CALLS.c.request == request)
        with self.engine.connect() as db:
            found = db.execute(sa.select(CALLS.c.line, CALLS.c.answer).where(same)).first()
        return (json.loads(found[0]), json.loads(found[1])) if found else None

    def requests(self, bench: str) -> set[str]:
        """The numbers of the requests that were kept of a bench."""
        with self.engine.connect() as db:
            return {number for (number,) in db.execute(sa.select(CALLS.c.request).where(CALLS.c.bench == bench))}

    def keep_call(self, bench: str, number: int, request: str, line: dict, answer: dict, note: tuple[str, str]) -> None:
        """Keep a call and its answer, and (who, what) in the audit log if there is a what. Raises ScenarioError when
        it is there already: somebody else writes here."""
        row = {"bench": bench, "number": number, "request": request, "line": json.dumps(line),
               "answer": json.dumps(answer)}  # fmt: skip
        try:
            with self._written() as db:
                db.execute(CALLS.insert().values(row))
                if note[1]:
                    _note(db, *note)
        except IntegrityError:
            raise ScenarioError(
                [f"call {number} of this bench is there already; another service writes here."]
            ) from None

    # Sittings -------------------------------------------------------------------------------------------------------

    def begin_paper(self, owner: str, paper: str, request: str) -> str:
        """A new paper to be sat, as JSON; the one of before if this request began one already. Its id."""
        id = secrets.token_urlsafe(16)
        try:
            with self._written() as db:
                db.execute(PAPERS.insert().values(id=id, paper=paper, opened=time.time(), request=request))
                _note(db, owner, f"set paper {id[:6]}")
        except IntegrityError:
            with self.engine.connect() as db:
                return db.execute(sa.select(PAPERS.c.id).where(PAPERS.c.request == request)).scalar_one()
        return id

    def papers(self) -> list[str]:
        """The ids of all papers, the oldest first."""
        with self.engine.connect() as db:
            return [id for (id,) in db.execute(sa.select(PAPERS.c.id).order_by(PAPERS.c.opened))]

    def paper(self, id: str) -> str:
        """A paper, as JSON; empty when there is none."""
        with self.engine.connect() as db:
            return db.execute(sa.select(PAPERS.c.paper).where(PAPERS.c.id == id)).scalar() or ""

    def sitting(self, paper: str, owner: str) -> list[str]:
        """The lines of a sitting."""
        same = sa.and_(SITTINGS.c.paper == paper, SITTINGS.c.owner == owner)
        with self.engine.connect() as db:
            wanted = sa.select(SITTINGS.c.line).where(same).order_by(SITTINGS.c.number)
            return [line for (line,) in db.execute(wanted)]

    def sitters(self, paper: str) -> list[str]:
        """Who sat, or sits, a paper."""
        with self.engine.connect() as db:
            wanted = sa.select(SITTINGS.c.owner).where(SITTINGS.c.paper == paper).distinct().order_by(SITTINGS.c.owner)
            return [owner for (owner,) in db.execute(wanted)]

    def keep_line(self, paper: str, owner: str, number: int, line: str) -> None:
        """Keep a line of a sitting."""
        with self._written() as db:
            db.execute(SITTINGS.insert().values(paper=paper, owner=owner, number=number, line=line))

    # Releases, tokens, audit ----------------------------------------------------------------------------------------

    def release(self, what: str) -> None:
        """Release the debrief of a case, or the marks of a paper."""
        if not self.is_released(what):
            with self._written() as db:
                db.execute(RELEASED.insert().values(what=what, at=time.time()))

    def is_released(self, what: str) -> bool:
        """Whether that was released."""
        with self.engine.connect() as db:
            return db.execute(sa.select(RELEASED.c.what).where(RELEASED.c.what == what)).first() is not None

    def new_token(self, user: str, instructor: bool, until: float) -> str:
        """A token for a user, good until a time; only a digest of it is kept."""
        token = secrets.token_urlsafe(32)
        with self._written() as db:
            row = {"digest": _digest(token), "user": user, "instructor": instructor, "until": until}
            db.execute(TOKENS.insert().values(row))
        return token

    def holder(self, token: str) -> tuple[str, bool, float] | None:
        """(user, instructor, until) of a token."""
        with self.engine.connect() as db:
            found = db.execute(sa.select(TOKENS).where(TOKENS.c.digest == _digest(token))).first()
        return (found.user, found.instructor, found.until) if found else None

    def note(self, user: str, what: str) -> None:
        """Add a line to the audit log, sealed to the one before."""
        with self._written() as db:
            _note(db, user, what)

    def audit(self) -> tuple[list[tuple[float, str, str]], list[str]]:
        """The audit log (time, user, what), and a sentence for every line that is not as it was written."""
        rows, troubles, before, due = [], [], "", 1
        with self.engine.connect() as db:
            for row in db.execute(sa.select(AUDIT).order_by(AUDIT.c.number)):
                if row.number != due or row.seal != _seal(before, row.number, row.at, row.user, row.what):
                    troubles.append(f"line {row.number} of the audit log was changed, or one before it is gone")
                rows.append((row.at, row.user, row.what))
                before, due = row.seal, row.number + 1
        return rows, troubles


# Inside ---------------------------------------------------------------------------------------------------------------


def _engine(url: str) -> sa.Engine:
    if not url.startswith(("sqlite:", "postgresql")):
        raise ScenarioError([f"the database is {urlsplit(url).scheme!r}; use a postgresql:// URL, or none for SQLite."])
    try:
        if url.startswith("sqlite:"):
            engine = sa.create_engine(url, connect_args={"timeout": PATIENCE_S})
            sa.event.listen(engine, "connect", _wal)
            sa.event.listen(engine, "begin", _begin)
            return engine
        return sa.create_engine(url.replace("postgresql://", "postgresql+psycopg://", 1), pool_pre_ping=True)
    except ImportError:
        raise MissingError("PostgreSQL needs psycopg; install it with: pip install 'psycopg[binary]'") from None


def _begin(db: sa.Connection) -> None:
    """Begin a transaction; one that writes waits its turn at once, not in the middle, where SQLite would not wait."""
    db.exec_driver_sql("BEGIN IMMEDIATE" if db.get_execution_options().get("writes") else "BEGIN")


def _wal(connection, record) -> None:
    connection.isolation_level = None  # transactions are begun by us
    late = time.monotonic() + PATIENCE_S
    while True:
        try:
            connection.execute("PRAGMA journal_mode=WAL")
            break
        except sqlite3.OperationalError as err:  # another process makes the same file; SQLite itself does not wait here
            if "locked" not in str(err) or time.monotonic() > late:
                raise
            time.sleep(0.02)
    connection.execute("PRAGMA synchronous=FULL")


@contextmanager
def _told(url: str) -> Iterator[None]:
    try:
        yield
    except SQLAlchemyError as err:
        where = urlsplit(url)
        name = f"{where.scheme}://{where.hostname}{where.path}" if url else "the service's own database"
        said = str(getattr(err, "orig", err)).strip().splitlines()[0]
        raise ScenarioError([f"{name}: the database cannot be used ({said}); check it and the rights to it."]) from None


def _note(db: sa.Connection, user: str, what: str) -> None:
    """Add a line to the audit log within what is being written."""
    if db.dialect.name == "postgresql":
        db.execute(sa.text("LOCK TABLE audit IN EXCLUSIVE MODE"))
    last = db.execute(sa.select(AUDIT.c.number, AUDIT.c.seal).order_by(AUDIT.c.number.desc()).limit(1)).first()
    number, before = (last.number + 1, last.seal) if last else (1, "")
    at, user, what = round(time.time(), 3), user[:64], what[:200]
    seal = _seal(before, number, at, user, what)
    db.execute(AUDIT.insert().values(number=number, at=at, user=user, what=what, seal=seal))


def _kept(row) -> Kept:
    return Kept(row.id, row.owner, row.case, row.seed, row.variant, row.begun)


def _digest(token: str) -> str:
    return hashlib.sha256(token.encode()).hexdigest()


def _seal(before: str, *what: object) -> str:
    return hashlib.sha256(json.dumps([before, *what]).encode()).hexdigest()
