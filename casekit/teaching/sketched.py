"""A machine sketched in a table, checked, drawn and ready to be saved.

In: a table of sensor pins. Out: a `Sketched` that shows its drawing in a notebook.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

import yaml

from casekit.error import ScenarioError, refused
from casekit.files.check import checked_machine
from casekit.files.record import record_of
from casekit.files.schema import MachineFile
from casekit.files.sketch import read_sketch
from casekit.teaching.practice import Drawing


class Sketched:
    """`machine` as a record, `assumed` what the table did not say, `yaml` the machine file."""

    def __init__(self, machine: MachineFile, assumed: list[str], text: str):
        self.machine, self.assumed, self.yaml = machine, assumed, text
        self.picture = Drawing(machine)

    def save(self, path: Path | str, over: bool = False) -> Path:
        """Write the machine file, which is named as the machine is. Raises ScenarioError when it cannot be written, and
        when there is one already (unless `over`)."""
        path = Path(path)
        if path.stem != self.machine.machine:
            raise ScenarioError([f"{path}: name the file {self.machine.machine}.yaml, as the machine is called."])
        kept(path, over)
        try:
            path.write_text(self.yaml, encoding="utf-8")
        except OSError as err:
            raise ScenarioError([refused(path, err, "choose another place")]) from None
        return path

    def __repr__(self) -> str:
        m = self.machine
        head = f"{m.title}: {len(m.sensors)} sensors, {len(m.wires)} wires, {len(m.splices)} splices."
        return "\n".join([head, *(f"Assumed: {text}." for text in self.assumed)])

    def _repr_html_(self) -> str:
        return f"<pre>{self!r}</pre>{self.picture._repr_html_()}"


def sketch(
    path: Path | str, machine: str, title: str = "", volts: int = 12,
    columns: Mapping[str, str] | None = None, sheet: str | int = 0,
) -> Sketched:  # fmt: skip
    """A machine from a table of sensor pins (CSV or Excel): one row a pin, with `part` (B4), `type` (pressure ...),
    `pin` (1 supply, 2 signal, 3 return; two-wire sensors 1 signal, 2 return) and `unit pin` (X1.5).

    Where known also `supply` (V1), `colour`, `connector` on the way (X11.3), `length_m`, `area_mm2`, `title`, `where`,
    `unit`, `least` and `most` of its range, its value with the `key on` and `running`, and its `low`, `high` and
    `missing code`. `columns` says which of the table's columns is meant, where it has other names:
    {"part": "Component"}. Sensors on one pin of the control unit are joined in a splice. Raises ScenarioError with one
    sentence for every row that cannot be meant.
    """
    made = read_sketch(path, machine, title, volts, columns, sheet)
    record = checked_machine(record_of(MachineFile, made.source), made.source)
    text = f"# Sketched from {made.source.path.name}. Assumed: {'; '.join(made.assumed)}.\n"
    text += yaml.safe_dump(made.source.data, sort_keys=False, allow_unicode=True, width=110, default_flow_style=None)
    return Sketched(record, made.assumed, text)


def kept(path: Path, over: bool) -> None:
    """A file that somebody may have changed by hand is not written over unasked: ScenarioError if it is there."""
    if path.exists() and not over:
        what = (
            "name another file, or write over it, and over what was changed in it, with --over (in Python: over=True)"
        )
        raise ScenarioError([f"{path}: is there already; {what}."])
