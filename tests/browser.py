"""JupyterLab in a real browser: a server on loopback, Debian's Chromium without a screen, driven by Playwright."""

from __future__ import annotations

import json
import os
import shutil
import socket
import subprocess
import sys
import time
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

CHROMIUM = shutil.which("chromium")
ARTEFACTS = Path(__file__).parent / "artefacts"
LESSONS = Path(__file__).parents[1] / "lessons"
# Nothing is looked for on the network, and no sandbox of its own where the tests run as root.
FLAGS = ["--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
         "--disable-component-update", "--disable-sync"]  # fmt: skip
PATIENCE_S = 60


def free_port() -> int:
    """A port nobody listens on."""
    with socket.socket() as s:
        s.bind(("127.0.0.1", 0))
        return s.getsockname()[1]


@contextmanager
def served(command: list[str], url: str, folder: Path) -> Iterator[None]:
    """A server, from when it answers at `url` until the end of the block. It keeps its settings in the folder, not
    among those of who runs the tests."""
    names = ("JUPYTER_CONFIG_DIR", "JUPYTERLAB_SETTINGS_DIR", "JUPYTERLAB_WORKSPACES_DIR")
    logs = {"CASEKIT_LOGS": str(folder / "casekit-logs")}
    own = logs | {name: str(folder / ".jupyter" / name.lower()) for name in names}
    settings = Path(own["JUPYTERLAB_SETTINGS_DIR"]) / "@jupyterlab" / "apputils-extension"
    settings.mkdir(parents=True)
    quiet = {"fetchNews": "false", "checkForUpdates": False}  # no question that covers what is to be clicked
    (settings / "notification.jupyterlab-settings").write_text(json.dumps(quiet), encoding="utf-8")
    with open(folder / "server.log", "w", encoding="utf-8") as log:
        server = subprocess.Popen(command, cwd=folder, stdout=log, stderr=subprocess.STDOUT, env=os.environ | own)
    try:
        for _ in range(PATIENCE_S * 5):
            try:
                urllib.request.urlopen(url, timeout=2).close()
                break
            except OSError:
                time.sleep(0.2)
        else:
            raise AssertionError((folder / "server.log").read_text(encoding="utf-8")[-2000:])
        yield
    finally:
        server.terminate()
        server.wait(20)


@contextmanager
def lab(folder: Path) -> Iterator[str]:
    """JupyterLab in a folder; gives its address."""
    port = free_port()
    root = ["--allow-root"] if os.geteuid() == 0 else []
    command = [
        sys.executable, "-m", "jupyterlab", "--no-browser", f"--port={port}", "--IdentityProvider.token=",
        f"--ServerApp.root_dir={folder}", "--LabApp.expose_app_in_browser=True", *root,
    ]  # fmt: skip
    with served(command, f"http://127.0.0.1:{port}/api", folder):
        yield f"http://127.0.0.1:{port}"


@contextmanager
def page(width: int = 1400, height: int = 1000, **settings) -> Iterator:
    """An empty page of a browser."""
    from playwright.sync_api import sync_playwright

    with sync_playwright() as play:
        browser = play.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
        shown = browser.new_page(viewport={"width": width, "height": height}, **settings)
        shown.set_default_timeout(PATIENCE_S * 1000)
        said: list[str] = []
        shown.on("console", lambda line: said.append(f"{line.type}: {line.text}"[:300]))
        shown.on("requestfailed", lambda request: said.append(f"no answer: {request.url}"[:300]))
        try:
            yield shown
        except Exception as error:
            error.add_note(_seen(shown, said))
            raise
        finally:
            browser.close()


def _seen(shown, said: list[str]) -> str:
    """What a page that failed shows and said, for those who have nothing but the test's output."""
    try:
        kept(shown, "failed")
        body = shown.locator("body").inner_text(timeout=5000)
    except Exception as error:
        body = f"nothing: {error}"
    return "\n".join(["THE PAGE SHOWS", body[:3000], "THE BROWSER SAID", *said[-30:]])


def notebook(path: Path, *cells: str) -> Path:
    """A notebook of code cells."""
    made = [
        {"cell_type": "code", "id": f"c{k}", "metadata": {}, "source": text, "execution_count": None, "outputs": []}
        for k, text in enumerate(cells)
    ]
    kernel = {"kernelspec": {"name": "python3", "display_name": "Python 3", "language": "python"}}
    content = {"cells": made, "metadata": kernel, "nbformat": 4, "nbformat_minor": 5}
    path.write_text(json.dumps(content), encoding="utf-8")
    return path


def loaded(shown, address: str, name: str) -> None:
    """Open a notebook, and wait until JupyterLab has put itself together and the notebook has its kernel: before, menus
    and keys do nothing, and cells that are run stay as they are."""
    shown.goto(f"{address}/lab/tree/{name}?reset")
    shown.wait_for_function("() => window.jupyterapp")
    shown.evaluate("() => window.jupyterapp.restored.then(() => true)")
    shown.locator(".jp-Notebook .jp-CodeCell").first.wait_for()
    kernel = "window.jupyterapp.shell.currentWidget?.sessionContext?.session?.kernel"
    shown.wait_for_function(f"() => {kernel}?.connectionStatus === 'connected' && {kernel}.status === 'idle'")


def opened(shown, address: str, name: str) -> None:
    """Open a notebook and run all its cells."""
    loaded(shown, address, name)
    shown.locator(".jp-Notebook .jp-Cell").first.click()
    shown.get_by_role("menuitem", name="Run", exact=True).click()
    shown.get_by_role("menuitem", name="Run All Cells", exact=True).click()


def kept(shown, name: str) -> None:
    """Keep a screenshot to be looked at; it is compared with nothing."""
    ARTEFACTS.mkdir(exist_ok=True)
    shown.screenshot(path=ARTEFACTS / f"{name}.png")
