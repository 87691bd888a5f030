"""The page: a case served without code, to this computer alone, and what it keeps to itself."""

import json
import os
import re
import socket
import subprocess
import sys
import urllib.error
import urllib.request
from contextlib import contextmanager
from pathlib import Path

import pytest
from browser import CHROMIUM, kept
from browser import page as shown_page

import casekit
from casekit import command
from casekit.files import library
from casekit.teaching import page

CASE = "boom-stops-halfway"


def get(address: str) -> str:
    with urllib.request.urlopen(address, timeout=60) as answer:
        return answer.read().decode()


@contextmanager
def running(folder: Path, *arguments: str):
    """The command, running; its first line of output, and the process."""
    own = {"PYTHONPATH": str(Path(casekit.__file__).parent.parent), "CASEKIT_LOGS": "casekit-logs"}
    with subprocess.Popen(
        [sys.executable, "-m", "casekit.command", "page", *arguments],
        stdout=subprocess.PIPE, text=True, cwd=folder, env=os.environ | own,
    ) as process:  # fmt: skip
        try:
            yield process.stdout.readline(), process
        finally:
            process.terminate()


def test_the_page_shows_the_panel_and_no_code_and_no_fault(tmp_path):
    pytest.importorskip("voila")
    case = library.case_file(CASE)
    with running(tmp_path, CASE, "--seed", "4", "--port", "0") as (line, process):
        assert line.endswith("/ shows the case, on this computer alone; Ctrl+C ends it.\n")
        address = re.match(r"http://127\.0\.0\.1:\d+/", line)[0]
        html = get(address)
        assert f"<title>{case.title}</title>" in html
        assert "application/vnd.jupyter.widget-view+json" in html
        for code in ("import casekit", "open_case", "casekit.panel", "jp-CodeCell-input", "Traceback"):
            assert code not in html
        for giveaway in (case.explanation[:40], *(f"{f.kind} at {f.place}" for f in case.faults), "W14b", "rest_mm"):
            assert giveaway not in html
        for path in (f"{CASE}.ipynb", "voila.log"):  # nothing but the page is handed out
            with pytest.raises(urllib.error.HTTPError) as refused:
                get(f"{address}voila/files/{path}")
            assert refused.value.code == 403
            refused.value.close()
        process.terminate()
        assert process.wait(30) == 0
    with socket.socket() as tried:  # the server went with the command
        assert tried.connect_ex(("127.0.0.1", int(address.rsplit(":", 1)[1].strip("/")))) != 0


@pytest.mark.reference
@pytest.mark.skipif(CHROMIUM is None, reason="Chromium is not installed (Debian: apt-get install chromium)")
def test_a_case_is_played_on_the_page_and_is_there_again_after_a_reload(tmp_path):
    """In a real browser: clicks on the drawing, a reading, and the page loaded again."""
    pytest.importorskip("voila")
    with running(tmp_path, "broom-frame-dead", "--port", "0") as (line, _), shown_page() as shown:
        shown.goto(re.match(r"http://127\.0\.0\.1:\d+/", line)[0])
        shown.get_by_role("checkbox", name="predict before reading").uncheck()
        shown.get_by_role("combobox", name="Move", exact=True).select_option(label="key on (0.1 min)")
        shown.get_by_role("button", name="Do it", exact=True).click()
        shown.locator("[role=status]").filter(has_text="key on").first.wait_for()
        shown.locator('[data-kind="point"][data-name="B5.1"]').click()
        shown.get_by_role("button", name="Read", exact=True).click()
        shown.locator("[role=status]").filter(has_text=re.compile(r"0\.\d+ V")).first.wait_for()
        kept(shown, "page-without-code")
        assert shown.get_by_text("import casekit").count() == 0
        shown.reload()
        shown.locator('[data-kind="point"][data-name="B5.1"]').wait_for()
        shown.locator("[role=status]").filter(
            has_text="the case is where you left it: 2 entries in its log."
        ).first.wait_for()
        assert shown.get_by_role("region", name="Log").locator("tbody tr").count() == 2


def test_the_notebook_behind_it_holds_nothing_but_the_name():
    book = json.loads(page.notebook(CASE, "A title", 4, "logs"))
    (cell,) = book["cells"]
    assert "".join(cell["source"]) == (
        "import casekit\n\ncasekit.panel(casekit.resume_case('boom-stops-halfway', seed=4, folder='logs'))"
    )
    assert cell["outputs"] == []
    assert book["metadata"]["title"] == "A title"


def test_the_server_listens_to_this_computer_alone_and_strips_sources():
    words = page._command(Path("a.ipynb"), 8866)
    assert "--Voila.ip=127.0.0.1" in words
    assert "--VoilaConfiguration.strip_sources=True" in words
    assert "--VoilaConfiguration.show_tracebacks=False" in words


def test_errors_in_one_sentence(monkeypatch, capsys, tmp_path):
    monkeypatch.chdir(tmp_path)
    assert command.main(["page", "boom-stops-halfwya"]) == 1
    assert capsys.readouterr().err.endswith("Did you mean boom-stops-halfway?\n")
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        assert command.main(["page", CASE, "--port", str(port)]) == 1
    assert capsys.readouterr().err == (f"port {port} cannot be had on this computer; choose another with --port.\n")
    assert command.main(["page", CASE, "--port", "99999"]) == 1
    assert capsys.readouterr().err == "port 99999 cannot be had on this computer; choose another with --port.\n"
    monkeypatch.setattr(page, "find_spec", lambda name: None)
    assert command.main(["page", CASE]) == 1
    assert capsys.readouterr().err == (
        "pages need the Python package voila, which is not installed; install it with: pip install voila.\n"
    )


def test_a_server_that_does_not_come_up_is_said(monkeypatch, capsys, tmp_path):
    pytest.importorskip("voila")
    monkeypatch.chdir(tmp_path)
    broken = [sys.executable, "-c", "import sys; sys.exit('the port is on fire')"]
    monkeypatch.setattr(page, "_command", lambda path, port: broken)
    assert command.main(["page", CASE, "--port", "0"]) == 1
    assert capsys.readouterr().err == ("the page did not start; the last thing Voila said is: the port is on fire\n")
