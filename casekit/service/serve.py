"""Running the service: one process on one folder, on loopback unless told otherwise, or as a Hub says.

In: a folder, an address. Out: a running service, or one sentence that says why not.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from urllib.parse import urlsplit

import uvicorn

from casekit.error import MissingError, ScenarioError
from casekit.service.app import Service
from casekit.service.identity import identity
from casekit.service.store import Store

try:
    import fcntl
except ImportError:  # Windows: two services on one folder are found out by what they write
    fcntl = None


@contextmanager
def alone(folder: Path) -> Iterator[None]:
    """The folder for this process alone. Raises ScenarioError when another service uses it."""
    with open(os.open(folder / "lock", os.O_CREAT | os.O_RDWR, 0o600), "r+") as file:
        if fcntl:
            try:
                fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except OSError:
                raise ScenarioError([f"{folder}: another service works in this folder; end that one first."]) from None
        yield


def serve(
    folder: Path, port: int, host: str = "127.0.0.1", database: str = "", hidden: bool = True, drawn: bool = True
) -> None:
    """Serve until ended. Under a Hub its own address and tokens count.

    Raises ScenarioError when the folder or the database cannot be used, MissingError when the port is taken.
    """
    os.umask(0o077)
    if (folder / "scenarios" / "machines").is_dir():  # cases that are nowhere but here
        os.environ["CASEKIT_SCENARIOS"] = str((folder / "scenarios").absolute())
    url = urlsplit(os.environ.get("JUPYTERHUB_SERVICE_URL", ""))
    prefix = os.environ.get("JUPYTERHUB_SERVICE_PREFIX", "/") if url.hostname else "/"
    host, port = (url.hostname, url.port or port) if url.hostname else (host, port)
    store = Store(folder, database)
    with alone(folder):
        service = Service(store, identity(store), prefix, hidden, drawn)
        # No line of the access log holds more than a path; ids in paths are of no use without the token.
        server = uvicorn.Server(uvicorn.Config(service.app, host, port, log_level="warning", access_log=False,
                                               server_header=False, timeout_keep_alive=75))  # fmt: skip
        print(f"http://{host}:{port}{prefix} serves the cases; Ctrl+C ends it.", flush=True)
        try:
            server.run()
        except SystemExit:  # uvicorn says why and exits when it cannot listen
            raise MissingError(f"nothing can listen at {host}:{port}; choose another --port.") from None
        except KeyboardInterrupt:
            pass
