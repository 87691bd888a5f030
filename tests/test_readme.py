"""What the README says is so: its commands, its example, its picture."""

import re
import subprocess
import sys
from pathlib import Path

import casekit
from casekit.files import library
from casekit.files.library import machine_file, scenario_folder
from casekit.teaching.drawing import drawing

ROOT = Path(casekit.__file__).parent.parent
README = (ROOT / "README.md").read_text()


def test_two_commands_and_no_more():
    commands = re.findall(r"```sh\n(.*?)\n```", README, re.DOTALL)
    assert len(commands) == 2
    assert commands[0].endswith("casekit lab")
    assert commands[1].endswith("-m pytest -n auto --dist loadfile")
    assert all(c.startswith("python3 -m venv .venv && .venv/bin/pip install") for c in commands)


def test_the_example_runs():
    code = re.search(r"```python\n(.*?)\n```", README, re.DOTALL)[1]
    names: dict = {}
    exec(compile(code, "README.md", "exec"), names)
    assert names["bench"].closed


def test_the_picture_is_the_drawing_of_the_machine():
    """Derived file: casekit draw scenarios/machines/street-sweeper.yaml lessons/street-sweeper.svg."""
    stored = (ROOT / "lessons" / "street-sweeper.svg").read_text(encoding="utf-8")
    assert stored == drawing(machine_file("street-sweeper"))


def test_check_command_on_the_scenarios():
    done = subprocess.run(
        [sys.executable, "-m", "casekit.command", "check", str(scenario_folder())],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 0
    assert done.stdout.endswith("files checked, 0 problems\n")


def test_constraints_hold_no_addresses():
    text = (ROOT / ".ci" / "constraints.txt").read_text()
    assert "://" not in text
    assert "@" not in text


def test_the_cases_whose_variants_lie_elsewhere_are_named():
    """What the README promises of copies at home holds for those, and for no others."""

    def places(faults) -> frozenset:
        return frozenset((f.place, f.to) for f in faults)

    elsewhere = [
        name
        for name in library.names("cases")
        if {places(e.faults) for e in library.variants(name).values()} - {places(library.case_file(name).faults)}
    ]
    text = " ".join(README.split())
    assert f"The variants of {', '.join(elsewhere[:-1])} and {elsewhere[-1]} lie at several places" in text
