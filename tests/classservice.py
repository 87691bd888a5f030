"""A case service on loopback for tests: in a thread of this process, or as a process that is killed."""

from __future__ import annotations

import os
import secrets
import signal
import socket
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager

import requests
import uvicorn

from casekit.service.app import Service
from casekit.service.identity import Tokens
from casekit.service.store import Store


class Running:
    """A service that runs: its address, its store, and tokens for whoever is wanted."""

    def __init__(self, at: str, store: Store, service: Service):
        self.at, self.store, self.service = at, store, service

    def token(self, user: str, instructor: bool = False, hours: float = 1.0) -> str:
        """A token for a user."""
        return self.store.new_token(user, instructor, time.time() + 3600 * hours)

    def ask(self, how: str, path: str, token: str = "", **more) -> requests.Response:
        """A request as it comes, without the client of the kit."""
        headers = {"Authorization": f"token {token}"} if token else {}
        return requests.request(how, f"{self.at}/{path}", headers=headers, timeout=60, **more)


def request() -> str:
    """The number of a request."""
    return secrets.token_hex(16)


def free_socket() -> socket.socket:
    """A socket that listens at a port of its own."""
    s = socket.socket()
    s.bind(("127.0.0.1", 0))
    return s


@contextmanager
def running(folder, url: str = "", **settings) -> Iterator[Running]:
    """A service in a thread."""
    store = Store(folder, url)
    service = Service(store, Tokens(store), **({"steps": False, "rate": (1e6, 1e6)} | settings))
    listening = free_socket()
    server = uvicorn.Server(
        uvicorn.Config(
            service.app, log_level="warning", access_log=False, timeout_keep_alive=5, timeout_graceful_shutdown=3
        )
    )
    thread = threading.Thread(target=server.run, args=([listening],))
    thread.start()
    while not server.started:
        time.sleep(0.01)
    try:
        yield Running(f"http://127.0.0.1:{listening.getsockname()[1]}", store, service)
    finally:
        server.should_exit = True
        thread.join(20)
        listening.close()


def nursery() -> None:
    """Serve the folder argv[1] at the port argv[2] in a child, and again whenever that child is killed: everything is
    imported once, so that a kill costs little."""
    from pathlib import Path

    import casekit
    from casekit.service.serve import serve
    from casekit.teaching.dangeritems import dangers
    from casekit.teaching.faulttable import fault_table

    bench = casekit.open_case("broom-frame-dead")  # fills the tables that children then have
    bench.key("on")
    bench.volts("B5.1", "G1.-")
    assert fault_table("tug-tractor").volts.size
    assert dangers(fault_table("tug-tractor"))
    ended = False

    def end(*_) -> None:
        nonlocal ended
        ended = True
        os.kill(child, signal.SIGKILL)

    while not ended:
        child = os.fork()
        if child == 0:
            signal.signal(signal.SIGTERM, signal.SIG_DFL)
            serve(Path(sys.argv[1]), int(sys.argv[2]), drawn=False)
            os._exit(0)
        (Path(sys.argv[1]) / "child").write_text(str(child))
        signal.signal(signal.SIGTERM, end)
        os.waitpid(child, 0)


if __name__ == "__main__":
    nursery()
