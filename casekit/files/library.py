"""Where the scenario files are, and reading them by name."""

from __future__ import annotations

import json
import os
from collections.abc import Mapping
from functools import lru_cache
from pathlib import Path

from casekit.error import ScenarioError, hint
from casekit.files.casefile import CaseFile
from casekit.files.check import read_case, read_machine, read_variants
from casekit.files.schema import MachineFile
from casekit.files.variants import Entry


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


def variants(name: str) -> dict[int, Entry]:
    """The variants of a case that are on file, by number; empty when there are none."""
    path = scenario_folder() / "variants" / f"{name}.yaml"
    if not path.exists():
        return {}
    case = case_file(name)
    found = read_variants(path, {name: case}, {case.machine: machine_file(case.machine)})
    return {entry.number: entry for entry in found.variants}


def keep_variants(name: str, entries: Mapping[int, Entry]) -> Path:
    """Write the variants of a case to their file, one line each."""
    path = scenario_folder() / "variants" / f"{name}.yaml"
    path.parent.mkdir(exist_ok=True)
    lines = [f"# Derived file: casekit vary {name}. Each was played by advice to a supported call.", f"case: {name}"]
    lines += ["variants:"] if entries else ["variants: []"]
    for _, entry in sorted(entries.items()):
        said = entry.model_dump(exclude_none=True, exclude_defaults=True, mode="json")
        lines.append(f"  - {json.dumps(said)}")
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


def _find(kind: str, word: str, name: str) -> Path:
    known = names(kind)
    if name not in known:
        listed = ", ".join(known) or "none"
        raise ScenarioError([f"there is no {word} {name!r}; there is: {listed}.{hint(name, known)}"])
    return scenario_folder() / kind / f"{name}.yaml"


@lru_cache(maxsize=32)
def _machine(path: Path, changed_ns: int) -> MachineFile:
    return read_machine(path)
