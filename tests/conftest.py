"""The marker for tests against an outside reference, and what such tests found, shown at the end of every run."""

import gc
import os
import tempfile

# Small matrices gain nothing from threads; set before numpy is imported, here and in the kernels of the lessons.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
# Lessons keep their cases apart from those of who works here.
os.environ["CASEKIT_LOGS"] = tempfile.mkdtemp(prefix="casekit-logs-")
os.environ["HYPOTHESIS_STORAGE_DIRECTORY"] = tempfile.mkdtemp(prefix="casekit-drawn-")

import pytest

gc.set_threshold(100_000, 50, 1000)  # looking through all that is kept takes up to a tenth of a run

FOUND = pytest.StashKey[list]()


def pytest_configure(config):
    """Register the marker and a place for findings."""
    config.addinivalue_line("markers", "reference: compared with an outside program or a published value")
    config.stash[FOUND] = []
    if hasattr(
        config.option, "loadscopereorder"
    ):  # with files of few but long tests last, one core would wait at the end
        config.option.loadscopereorder = False


@pytest.fixture(scope="session")
def finding(request):
    """A function that adds a line to the end-of-run summary."""
    return request.config.stash[FOUND].append


def pytest_sessionfinish(session):
    """A worker process hands over what its tests found."""
    if hasattr(session.config, "workeroutput"):
        session.config.workeroutput["found"] = session.config.stash[FOUND]


@pytest.hookimpl(optionalhook=True)
def pytest_testnodedown(node, error):
    """The main process gathers what its workers found; one that died says so by its failed test."""
    node.config.stash[FOUND] += getattr(node, "workeroutput", {}).get("found", [])


def pytest_terminal_summary(terminalreporter, config):
    """Counts and worst deviations of the reference tests, and which of them did not run."""
    skipped = [r for r in terminalreporter.stats.get("skipped", []) if "reference" in r.keywords]
    lines = [*config.stash[FOUND], *(f"NOT RUN: {r.nodeid} ({_reason(r)})" for r in skipped)]
    if lines:
        terminalreporter.section("reference")
        for line in lines:
            terminalreporter.write_line(line)


def _reason(report) -> str:
    return report.longrepr[2] if isinstance(report.longrepr, tuple) else str(report.longrepr)
