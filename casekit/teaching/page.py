"""The page: the panel of a case served as a plain web page, without code, to this computer alone.

In: a case, a seed and a port. Out: a server of Voila's, running until it is stopped.
"""

from __future__ import annotations

import json
import socket
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from importlib.util import find_spec
from pathlib import Path

from casekit.error import MissingError
from casekit.files import library
from casekit.teaching.kept import FOLDER, opened

LOOPBACK = "127.0.0.1"
READY_S, STOP_S, LOOK_S = 60.0, 10.0, 0.1  # seconds: to answer, to stop, between two looks whether it answers
CULL_S = 3600  # seconds after which a bench that nobody looks at any more is put away


def notebook(name: str, title: str, seed: int | None, folder: str) -> str:
    """The notebook that is served: one cell, which opens the case where it was left, its log in `folder`, and shows its
    panel. Nothing in it is the answer."""
    code = f"import casekit\n\ncasekit.panel(casekit.resume_case({name!r}, seed={seed!r}, folder={folder!r}))"
    cell = {
        "id": "panel", "cell_type": "code", "metadata": {}, "execution_count": None, "outputs": [],
        "source": code.splitlines(keepends=True),
    }  # fmt: skip
    kernel = {"name": "python3", "display_name": "Python 3", "language": "python"}
    return json.dumps(
        {"cells": [cell], "metadata": {"kernelspec": kernel, "title": title}, "nbformat": 4, "nbformat_minor": 5}
    )


@contextmanager
def served(name: str, seed: int | None = None, port: int = 0) -> Iterator[tuple[str, subprocess.Popen]]:
    """Serve the panel of a case: its address and the process, which is stopped at the end. Port 0 takes a free one.

    What is done is kept in `casekit-logs` of the current directory, so that a page loaded again goes on where it was.
    Raises ScenarioError when there is no such case or no log can be kept, MissingError when Voila is not installed or
    the port is taken.
    """
    title, logs = library.case_file(name).title, str(Path(FOLDER).resolve())
    opened(name, seed)
    if find_spec("voila") is None:
        raise MissingError(
            "pages need the Python package voila, which is not installed; install it with: "
            "pip install voila."
        )  # fmt: skip
    port = _free(port)
    with tempfile.TemporaryDirectory(prefix="casekit-page-") as folder:
        path = Path(folder) / f"{name}.ipynb"
        path.write_text(notebook(name, title, seed, logs), encoding="utf-8")
        # What a server says is for its builders; it is shown when the server does not come up.
        with (Path(folder) / "voila.log").open("wb") as log:
            process = subprocess.Popen(_command(path, port), cwd=folder, stdout=log, stderr=log)
        try:
            if not _answers(process, port):
                said = Path(log.name).read_text(encoding="utf-8", errors="replace").strip().splitlines() or ["nothing"]
                raise MissingError(f"the page did not start; the last thing Voila said is: {said[-1]}")
            yield f"http://{LOOPBACK}:{port}/", process
        finally:
            ended(process, STOP_S)


def ended(process: subprocess.Popen, patience_s: float) -> None:
    """End a process: it is asked to, and made to when it does not in so many seconds."""
    process.terminate()
    try:
        process.wait(patience_s)
    except subprocess.TimeoutExpired:
        process.kill()
        process.wait()


def _command(path: Path, port: int) -> list[str]:
    """How Voila is called: sources stripped, no tracebacks."""
    return [
        sys.executable, "-m", "voila", str(path), "--no-browser", f"--port={port}", f"--Voila.ip={LOOPBACK}",
        "--VoilaConfiguration.strip_sources=True", "--VoilaConfiguration.show_tracebacks=False",
        f"--MappingKernelManager.cull_idle_timeout={CULL_S}", "--MappingKernelManager.cull_interval=60",
    ]  # fmt: skip


def _free(port: int) -> int:
    """The port, if nobody has it; for 0 one that nobody has."""
    with socket.socket() as tried:
        # A port whose last user has just gone counts as free, as it does for the server.
        tried.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            tried.bind((LOOPBACK, port))
        except (OSError, OverflowError):
            raise MissingError(f"port {port} cannot be had on this computer; choose another with --port.") from None
        return tried.getsockname()[1]


def _answers(process: subprocess.Popen, port: int) -> bool:
    """Whether the server answers, as soon as it does."""
    end = time.monotonic() + READY_S
    while time.monotonic() < end and process.poll() is None:
        with socket.socket() as tried:
            if tried.connect_ex((LOOPBACK, port)) == 0:
                return True
        time.sleep(LOOK_S)
    return False
