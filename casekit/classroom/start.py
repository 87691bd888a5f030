"""Starts a classroom on this machine, and ends it again.

In: a folder and a port. Out: the exit code of JupyterHub, after Ctrl+C or SIGTERM has ended it and all it started.
"""

from __future__ import annotations

import os
import re
import signal
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from importlib.util import find_spec
from pathlib import Path
from shutil import which

import psutil

from casekit.classroom import jupyterhub_config as configuration
from casekit.classroom.accounts import EMPTY, locked, write
from casekit.error import MissingError, ScenarioError, refused
from casekit.teaching.page import ended

READY_S = 60  # seconds in which the Hub answers, or something is wrong
END_S = 40  # seconds in which it ends all it started
DEBIAN_NODE = "/usr/share/nodejs"  # where Debian keeps modules; a Node.js from elsewhere does not look there


def start(folder: Path, port: int = 8000) -> int:
    """Run a classroom until Ctrl+C or SIGTERM. Raises ScenarioError or MissingError when it cannot be started."""
    folder = Path(folder).resolve()
    environment = {**os.environ, **_proxy(), "CASEKIT_CLASSROOM": str(folder)}
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as err:
        raise ScenarioError([refused(folder, err, "choose another folder", "cannot be made")]) from None
    if not (folder / "class.yaml").exists():
        write(folder / "class.yaml", EMPTY)
    people, uid = configuration.prepared(folder)
    try:
        with locked(folder / "hub" / "running", wait=False):
            port = _free(port)
            environment["CASEKIT_CLASSROOM_PORT"] = str(port)
            if uid is None:
                print(configuration.SAME_ID, file=sys.stderr, flush=True)
            return _run(folder, f"http://127.0.0.1:{port}", environment, len(people.everyone))
    except BlockingIOError:
        raise ScenarioError([f"{folder}: a classroom runs here already; end it, or choose another folder."]) from None


def _run(folder: Path, address: str, environment: dict[str, str], many: int) -> int:
    """Start the Hub, say where it is once it answers, and wait for its end."""
    log = folder / "hub" / "hub.log"
    command = [sys.executable, "-P", "-m", "jupyterhub", "-f", configuration.__file__]
    with os.fdopen(os.open(log, os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o600), "w") as out:
        # A session of its own: Ctrl+C reaches this process alone, which then ends the Hub in good order.
        hub = subprocess.Popen(command, cwd=folder / "hub", env=environment, stdin=subprocess.DEVNULL, stdout=out,
                               stderr=out, start_new_session=True)  # fmt: skip
    with _ended_by_signals(hub) as (asked, started):
        # Also after an early Ctrl+C: a Hub ends what it started only once it runs.
        if _answers(hub, f"{address}/hub/health", started):
            print(f"{address} is the classroom of {many} people; each one's password is in {folder / 'passwords.txt'}. "
                  "Ctrl+C ends it.", flush=True)  # fmt: skip
        elif not asked:
            raise ScenarioError([f"{folder}: JupyterHub does not start; the last lines of {log} say why:{_tail(log)}"])
        while hub.poll() is None and not asked:
            time.sleep(0.2)
        if asked:
            return 0
    raise ScenarioError([f"{folder}: JupyterHub ended by itself; the last lines of {log} say why:{_tail(log)}"])


@contextmanager
def _ended_by_signals(hub: subprocess.Popen) -> Iterator[tuple[list[int], set[psutil.Process]]]:
    """Note Ctrl+C and SIGTERM instead of dying of them; whatever happens, neither the Hub nor its own stay behind."""
    asked: list[int] = []
    started: set[psutil.Process] = set()
    before = {s: signal.signal(s, lambda number, _: asked.append(number)) for s in (signal.SIGINT, signal.SIGTERM)}
    try:
        yield asked, started
    finally:
        started |= _below(hub)
        if hub.poll() is None:
            ended(hub, END_S)
        for process in started:  # a Hub whose service ends during its start leaves the proxy behind
            with suppress(psutil.NoSuchProcess):
                process.terminate()
        for number, handler in before.items():
            signal.signal(number, handler)


def _below(hub: subprocess.Popen) -> set[psutil.Process]:
    """All that the Hub has started; each knows when it began, so that no other of its number is taken for it."""
    try:
        return set(psutil.Process(hub.pid).children(recursive=True))
    except psutil.NoSuchProcess:
        return set()


def _answers(hub: subprocess.Popen, address: str, started: set[psutil.Process]) -> bool:
    """Wait until the Hub answers through its proxy; False when it ends before, or takes too long."""
    until = time.monotonic() + READY_S
    while hub.poll() is None and time.monotonic() < until:
        started |= _below(hub)
        try:
            with urllib.request.urlopen(address, timeout=2) as answer:
                return answer.status == 200
        except (urllib.error.URLError, OSError):
            time.sleep(0.5)
    return False


def _tail(log: Path) -> str:
    """The last lines of a log, indented, without what the proxy and the Hub tell of every request."""
    lines = log.read_text(encoding="utf-8", errors="replace").splitlines()
    telling = [line for line in lines if not re.match(r"\[[DIW] |\S+ \[ConfigProxy\]|[\s}]", line)]
    return "".join(f"\n    {line}" for line in telling[-4:])


def _free(port: int) -> int:
    """The port, if nobody listens there; any free one for 0."""
    if port == 0:
        return configuration.free_port()
    try:
        with socket.socket() as tried:
            tried.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            tried.bind(("127.0.0.1", port))
    except (OSError, OverflowError) as err:
        why = (getattr(err, "strerror", None) or "there is no such port").lower()
        raise ScenarioError([f"port {port}: {why}; choose another with --port, from 1024 to 65535."]) from None
    return port


def _proxy() -> dict[str, str]:
    """Check that JupyterHub and its proxy are there; returns what the proxy needs in its environment."""
    if not find_spec("jupyterhub"):
        raise MissingError(
            "A classroom needs JupyterHub, which is not installed; install it with: pip install -e '.[classroom]'."
        )
    found = which(configuration.PROXY)
    if not found:
        raise MissingError(
            f"A classroom needs the proxy {configuration.PROXY}, which is not installed; on Debian and Ubuntu run "
            "apt install node-configurable-http-proxy."
        )
    paths = [path for path in (os.environ.get("NODE_PATH"), DEBIAN_NODE) if path]
    for more in ({}, {"NODE_PATH": os.pathsep.join(paths)}):
        try:
            done = subprocess.run([found, "--version"], env={**os.environ, **more}, capture_output=True, timeout=30)
        except (OSError, subprocess.SubprocessError):
            continue
        if done.returncode == 0:
            return more
    raise MissingError(f"{found} does not run; install it anew, together with its Node.js, and try {found} --version.")
