"""Where the scenario files are, and reading them by name."""

from __future__ import annotations

import os
from functools import lru_cache
from pathlib import Path

from casekit.error import ScenarioError, hint
from casekit.files.casefile import CaseFile
from casekit.files.check import read_case, read_machine
from casekit.files.schema import MachineFile


def scenario_folder() -> Path:
    """The scenarios folder: `CASEKIT_SCENARIOS` if set, else the one shipped with the kit."""
    named = os.environ.get("CASEKIT_SCENARIOS")
    package = Path(__file__).resolve().parent.parent
    folders = [Path(named)] if named else [package / "scenarios", package.parent / "scenarios"]
    for folder in folders:
        if (folder / "machines").is_dir():
            return folder
    raise ScenarioError([f"{folders[-1]}: there is no scenarios folder here; set CASEKIT_SCENARIOS to it."])


def names(kind: str) -> list[str]:
    """Names of all machines (`kind` "machines") or cases ("cases")."""
    return sorted(p.stem for p in (scenario_folder() / kind).glob("*.yaml"))


def machine_file(name: str) -> MachineFile:
    """The machine file of this name, read and checked."""
    path = _find("machines", "machine", name)
    return _machine(path, path.stat().st_mtime_ns)


def case_file(name: str) -> CaseFile:
    """The case file of this name, read and checked together with its machine."""
    path = _find("cases", "case", name)
    machines = {stem: machine_file(stem) for stem in names("machines")}
    return read_case(path, machines)


def _find(kind: str, word: str, name: str) -> Path:
    known = names(kind)
    if name not in known:
        listed = ", ".join(known) or "none"
        raise ScenarioError([f"there is no {word} {name!r}; there is: {listed}.{hint(name, known)}"])
    return scenario_folder() / kind / f"{name}.yaml"


@lru_cache(maxsize=32)
def _machine(path: Path, changed_ns: int) -> MachineFile:
    return read_machine(path)
