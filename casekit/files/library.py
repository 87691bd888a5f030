"""Where the scenario files are, and reading them by name."""

from __future__ import annotations

import json
import os
from collections.abc import Mapping
from contextlib import suppress
from functools import lru_cache
from pathlib import Path

from casekit.error import ScenarioError, hint
from casekit.files.casefile import CaseFile
from casekit.files.check import checked_case, read_case, read_machine, read_variants
from casekit.files.record import record_of
from casekit.files.schema import MachineFile
from casekit.files.sealed import OPEN, SUFFIX, read_sealed, unsealed
from casekit.files.source import Source
from casekit.files.variants import Entry, Variants

_passphrases: list[str] = []  # given while this program runs


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
    """Names of all machines (`kind` "machines") or cases ("cases"), sealed ones as well."""
    return sorted({p.stem for ending in (".yaml", SUFFIX) for p in (scenario_folder() / kind).glob(f"*{ending}")})


def machine_file(name: str) -> MachineFile:
    """The machine file of this name, read and checked."""
    path = _find("machines", "machine", name)
    return _machine(path, path.stat().st_mtime_ns)


def case_file(name: str) -> CaseFile:
    """The case file of this name, read and checked together with its machine. A sealed one needs `unlock` first."""
    path = _find("cases", "case", name)
    machines = {stem: machine_file(stem) for stem in names("machines")}
    if path.suffix != SUFFIX:
        return read_case(path, machines)
    source = Source(path, _opened(path)[0], {})
    return checked_case(record_of(CaseFile, source), source, machines)


def heading(name: str) -> dict:
    """What of a case anybody may know, also of a sealed one: its name, machine, title, complaint, story and codes."""
    path = _find("cases", "case", name)
    if path.suffix == SUFFIX:
        return read_sealed(path).open
    case = case_file(name)
    return {key: getattr(case, key) for key in OPEN}


def unlock(passphrase: str) -> str:
    """Open the sealed cases of a class, as long as this program runs; how many are open now.

    Raises ScenarioError when there are none, and for a passphrase that opens none of them.
    """
    paths = sorted((scenario_folder() / "cases").glob(f"*{SUFFIX}"))
    if not paths:
        raise ScenarioError([f"{scenario_folder() / 'cases'}: there is no sealed case here; put the file there first."])
    opened, shut = [], []
    for path in paths:
        try:
            unsealed(read_sealed(path), passphrase)
            opened.append(path.stem)
        except ScenarioError as err:
            shut += err.problems
    if not opened:
        raise ScenarioError(shut)
    _passphrases.append(passphrase)
    many = "1 sealed case is" if len(opened) == 1 else f"{len(opened)} sealed cases are"
    return f"{many} open: {', '.join(opened)}"


def variants(name: str) -> dict[int, Entry]:
    """The variants of a case that are on file, by number; empty when there are none."""
    path = _find("cases", "case", name)
    if path.suffix == SUFFIX:
        source = Source(path, {"case": name, "variants": _opened(path)[1]}, {})
        found = record_of(Variants, source)
    else:
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
    path = scenario_folder() / kind / f"{name}.yaml"
    return path if path.exists() else path.with_suffix(SUFFIX)


def _opened(path: Path) -> tuple[dict, list[dict]]:
    """A sealed case and its variants, by one of the passphrases that were given."""
    sealed = read_sealed(path)
    for passphrase in (*_passphrases, os.environ.get("CASEKIT_PASSPHRASE", "")):
        with suppress(ScenarioError):
            return unsealed(sealed, passphrase)
    raise ScenarioError(
        [f"{path.stem} is sealed; open it with casekit.unlock, or CASEKIT_PASSPHRASE, and your class's passphrase."]
    )


@lru_cache(maxsize=32)
def _machine(path: Path, changed_ns: int) -> MachineFile:
    return read_machine(path)
