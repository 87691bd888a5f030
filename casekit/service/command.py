"""The commands of a case service: serving, and tokens for who may use it.

In: parsed arguments of `casekit`. Out: exit codes.
"""

from __future__ import annotations

import argparse
import os
import re
import time
from pathlib import Path

from casekit.error import MissingError, ScenarioError

NEEDS = "the case service needs more libraries; install them with: pip install -e '.[service]'"


def add(commands: argparse._SubParsersAction) -> None:
    """Add these commands to the parser."""
    serve = commands.add_parser("serve", help="serve cases to a class; answers stay here")
    serve.add_argument("--folder", type=Path, default=Path("casekit-service"), help="where everything is kept")
    serve.add_argument("--port", type=int, default=8890, help="the port on this computer (default: 8890)")
    serve.add_argument("--host", default="127.0.0.1", help="the address to listen at (default: 127.0.0.1)")
    database = "PostgreSQL in place of SQLite in the folder; CASEKIT_DATABASE keeps its password off the command line"
    serve.add_argument("--database", default=os.environ.get("CASEKIT_DATABASE", ""), metavar="URL", help=database)
    serve.add_argument("--open", action="store_true", help="debriefs need no release by an instructor")
    same = "everybody gets the case as it is written, in place of an individual and a variant drawn for each"
    serve.add_argument("--same", action="store_true", help=same)
    token = commands.add_parser("token", help="a token for a trainee or an instructor of a case service")
    token.add_argument("user", help="a number or short sign such as T07")
    token.add_argument("--folder", type=Path, default=Path("casekit-service"), help="the folder of the service")
    token.add_argument("--database", default=os.environ.get("CASEKIT_DATABASE", ""), metavar="URL", help=database)
    token.add_argument("--instructor", action="store_true", help="of an instructor")
    token.add_argument("--hours", type=float, default=12.0, help="how long it is good (default: 12)")


def _serve(chosen: argparse.Namespace) -> int:
    try:
        from casekit.service.serve import serve
    except ImportError:
        raise MissingError(NEEDS) from None
    serve(chosen.folder, chosen.port, chosen.host, chosen.database, not chosen.open, not chosen.same)
    return 0


def _token(chosen: argparse.Namespace) -> int:
    try:
        from casekit.service.identity import NAME
        from casekit.service.store import Store
    except ImportError:
        raise MissingError(NEEDS) from None
    if not re.fullmatch(NAME, chosen.user):
        raise ScenarioError([f"{chosen.user!r} is no sign; use letters, digits, - and _, such as T07."])
    if not 0 < chosen.hours <= 10_000:
        raise ScenarioError([f"a token is not good for {chosen.hours:g} hours; use more than 0, at most 10000."])
    store = Store(chosen.folder, chosen.database)
    print(store.new_token(chosen.user, chosen.instructor, time.time() + 3600 * chosen.hours))
    store.note("command", f"a token for {chosen.user}{', an instructor' if chosen.instructor else ''}")
    store.close()
    return 0


COMMANDS = {"serve": _serve, "token": _token}
