"""A machine sketched in a table: one row for every pin of every sensor.

In: a CSV or Excel table (`part`, `type`, `pin`, `unit pin`, and what more is known). Out: the data of a machine file,
with splices where sensors share a pin of the control unit, and what had to be assumed.
"""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

from casekit.error import ScenarioError, hint
from casekit.files.codes import TITLES
from casekit.files.harness import CAVITIES
from casekit.files.schema import PULL_DOWN_OHM, Supply
from casekit.files.source import Place, Source
from casekit.files.table import Row, Table, floats, read_table

NEEDED = ("part", "type", "pin", "unit pin")
KNOWN = (
    *NEEDED, "supply", "colour", "connector", "length_m", "area_mm2", "title", "where", "unit", "least", "most",
    "key on", "running", "low code", "high code", "missing code",
)  # fmt: skip
ROLES = {
    "potentiometer": ("supply", "signal", "return"),
    "double potentiometer": ("supply", "signal", "return") * 2,
    "pressure": ("supply", "signal", "return"),
    "hall": ("supply", "signal", "return"),
    "thermistor": ("signal", "return"),
    "platinum": ("signal", "return"),
    "inductive": ("signal", "signal"),
}
# What is usual where the table says nothing (invented).
INPUTS = {
    "thermistor": {"pull_up_ohm": 2490}, "platinum": {"pull_up_ohm": 1000}, "hall": {"pull_up_ohm": 2200},
    "inductive": {"pull_down_ohm": 10_000},
}  # fmt: skip
SPANS = {"potentiometer": ("%", 0.0, 100.0), "double potentiometer": ("%", 0.0, 100.0), "pressure": ("bar", 0.0, 10.0)}
LENGTH_M, AREA_MM2, COLD_C, WARM_C = 2.0, 0.5, 20.0, 85.0
BATTERIES = {
    12: {"rest_v": 12.6, "run_v": 14.2, "crank_v": 9.6},
    24: {"rest_v": 25.2, "run_v": 28.2, "crank_v": 18.5, "r_ohm": 0.02},
}
CONNECTOR = re.compile(r"[A-Z][A-Z0-9]{0,7}\.[1-9][0-9]{0,2}")


@dataclass
class Sketch:
    """The data of a machine file, the row every place in it came from, and what was assumed."""

    source: Source
    assumed: list[str] = field(default_factory=list)


def read_sketch(
    path: Path | str,
    machine: str,
    title: str = "",
    volts: int = 12,
    columns: Mapping[str, str] | None = None,
    sheet: str | int = 0,
) -> Sketch:
    """Read a table of sensor pins as a machine.

    `columns` maps our names of columns to the file's. Raises ScenarioError with every row that cannot be meant.
    """
    if volts not in BATTERIES:
        raise ScenarioError([f"{path}: the battery has {volts!r} V; write 12 or 24."])
    table = read_table(path, NEEDED, KNOWN, columns, sheet)
    return _Drawer(table).drawn(machine, title or machine.replace("-", " ").capitalize(), volts)


@dataclass(frozen=True)
class _Pin:
    """One row, understood."""

    row: Row
    part: str
    kind: str
    number: int
    role: str
    unit_pin: str
    supply: str
    connector: str
    length_m: float
    area_mm2: float

    @property
    def name(self) -> str:
        return f"{self.part}.{self.number}"


class _Drawer:
    def __init__(self, table: Table):
        self.table = table
        self.problems: list[str] = []
        self.refused: set[str] = set()  # parts with a row that cannot be meant, which is told already
        self.assumed: list[str] = []
        self.lines: dict[Place, int] = {}
        self.wires: list[dict] = []
        self.splices: dict[str, dict] = {}

    def drawn(self, machine: str, title: str, volts: int) -> Sketch:
        pins = [p for row in self.table.rows if (p := self._pin(row))]
        self._whole(pins)
        if self.problems:
            raise ScenarioError(dict.fromkeys(self.problems))
        unit, feed, ground = self._unit(pins)
        connectors: dict[str, int] = {}
        for p in pins:
            if p.connector:
                plug, cavity = p.connector.split(".")
                connectors[plug] = max(connectors.get(plug, 0), int(cavity))
        data = {
            "machine": machine, "title": title, "about": f"Sketched from {self.table.path.name}.",
            "battery": BATTERIES[volts], "fuses": {"F1": {"rating_a": 10}},
            "grounds": {"GND1": {"where": "not noted"}, "GND2": {"where": "not noted"}},
            "control_unit": unit,
            "connectors": {n: {"cavities": k, "where": "not noted"} for n, k in connectors.items()},
            "sensors": self._sensors(pins),
        }  # fmt: skip
        self._power(feed, ground)
        self._harness(pins)
        data |= {"splices": self.splices, "wires": self.wires}
        if self.problems:
            raise ScenarioError(dict.fromkeys(self.problems))
        return Sketch(Source(self.table.path, data, self.lines), self.assumed)

    # Rows -------------------------------------------------------------------------------------------------------------

    def _pin(self, row: Row) -> _Pin | None:
        """A row as a pin; None, with a problem, where it cannot be meant."""
        before, say = len(self.problems), lambda text: self.problems.append(self.table.say(row, text))
        part, kind, unit_pin, connector = row["part"], row["type"].lower(), row["unit pin"], row["connector"]
        if not re.fullmatch(r"[A-Z][A-Z0-9]{0,7}", part):
            say(f"part is {part!r}; write capitals and digits, as in B4.")
        if kind not in CAVITIES:
            say(f"type is {row['type']!r}; use one of {', '.join(CAVITIES)}.{hint(kind, CAVITIES)}")
        number = int(row["pin"]) if re.fullmatch(r"[1-9]\d?", row["pin"]) else 0
        if kind in CAVITIES and not 1 <= number <= CAVITIES[kind]:
            roles = ", ".join(f"{k} {role}" for k, role in enumerate(ROLES[kind], 1))
            say(f"pin is {row['pin']!r}; a sensor of type {kind} has the pins {roles}.")
        if not CONNECTOR.fullmatch(unit_pin):
            say(f"unit pin is {unit_pin!r}; write connector and cavity of the control unit, as in X1.5.")
        if connector and not CONNECTOR.fullmatch(connector):
            say(f"connector is {connector!r}; write the in-line connector and its cavity, as in X11.3.")
        if connector and connector.split(".")[0] == unit_pin.split(".")[0]:
            say(f"connector {connector} is the control unit's own; leave it empty where no plug is on the way.")
        for name in ("low code", "high code", "missing code"):
            if row[name] and row[name] not in TITLES:
                say(f"{name} is {row[name]!r}, which is not in the kit's list of titles.{hint(row[name], TITLES)}")
        length = floats(self.table, row, "length_m", self.problems, 0.0)
        area = floats(self.table, row, "area_mm2", self.problems, 0.0)
        if len(self.problems) > before:
            self.refused.add(f"{part}.{number}" if number else part)
            return None
        role = ROLES[kind][number - 1]
        supply = row["supply"] if role == "supply" else ""
        if supply and not re.fullmatch(r"[A-Z][A-Z0-9]{0,7}", supply):
            say(f"supply is {supply!r}; write its name in capitals and digits, as in V1.")
            self.refused.add(f"{part}.{number}")
            return None
        return _Pin(row, part, kind, number, role, unit_pin, supply, connector, length or LENGTH_M, area or AREA_MM2)

    def _whole(self, pins: list[_Pin]) -> None:
        """Every sensor whole and once, every pin of the control unit with one task."""
        seen: dict[str, _Pin] = {}
        kinds: dict[str, _Pin] = {}
        tasks: dict[str, _Pin] = {}
        through: dict[str, _Pin] = {}
        for p in pins:
            say = lambda text, p=p: self.problems.append(self.table.say(p.row, text))  # noqa: E731
            if p.name in seen:
                say(f"{p.name} stands in row {seen[p.name].row.number} already; give every pin one row.")
            seen[p.name] = p
            first = kinds.setdefault(p.part, p)
            if first.kind != p.kind:
                there = f"{first.kind} in row {first.row.number}"
                say(f"{p.part} is of type {p.kind} here and {there}; a part has one type.")
            task = tasks.setdefault(p.unit_pin, p)
            if task.role != p.role or (task.supply or p.supply) != (p.supply or task.supply):
                say(
                    f"{p.unit_pin} is the {p.role} of {p.part} and in row {task.row.number} the {task.role} of "
                    f"{task.part}; a pin of the control unit has one task."
                )
            elif p.role == "signal" and task is not p:
                say(f"{p.unit_pin} takes the signal of {task.part} in row {task.row.number}; every signal has its own.")
            if p.connector:
                other = through.setdefault(p.connector, p)
                if other.unit_pin != p.unit_pin:
                    say(
                        f"{p.connector} carries {other.unit_pin} in row {other.row.number} and {p.unit_pin} here; one "
                        "cavity carries one circuit."
                    )
        units = {p.unit_pin.split(".")[0] for p in pins}
        for p in pins:
            plug, own = p.connector.split(".")[0], p.unit_pin.split(".")[0]
            if plug in {*units, *kinds} or own in kinds:
                twice = own if own in kinds else plug
                self.problems.append(self.table.say(p.row, f"{twice} is the name of two parts; give each its own."))
        for part, first in kinds.items():
            lack = [k for k in range(1, CAVITIES[first.kind] + 1) if f"{part}.{k}" not in {*seen, *self.refused}]
            if lack and part not in self.refused:
                which = " and ".join(f"{k} ({ROLES[first.kind][k - 1]})" for k in lack)
                self.problems.append(self.table.say(first.row, f"{part} has no row for pin {which}; add it."))

    # Parts ------------------------------------------------------------------------------------------------------------

    def _unit(self, pins: list[_Pin]) -> tuple[dict, str, str]:
        """The control unit, and the pins that feed and ground it."""
        most: dict[str, int] = {}
        for p in pins:
            plug, cavity = p.unit_pin.split(".")
            most[plug] = max(most.get(plug, 0), int(cavity))
        first = min(most)
        feed, ground = f"{first}.{most[first] + 1}", f"{first}.{most[first] + 2}"
        most[first] += 2
        self.assumed.append(f"the control unit is fed at {feed} and grounded at {ground}")
        supplies: dict[str, dict] = defaultdict(lambda: {"pins": []})
        inputs, returns = {}, []
        unnamed = sorted({p.unit_pin for p in pins if p.role == "supply" and not p.supply})
        named = {p.unit_pin: p.supply for p in pins if p.supply}
        free = [pin for pin in unnamed if pin not in named]
        if free:
            self.assumed.append(f"{', '.join(free)} is one supply, V1" if len(free) == 1 else
                                f"{', '.join(free)} are pins of one supply, V1")  # fmt: skip
        for p in pins:
            if p.role == "supply":
                name = named.get(p.unit_pin, "V1")
                if p.unit_pin not in supplies[name]["pins"]:
                    supplies[name]["pins"].append(p.unit_pin)
                self.lines.setdefault(("control_unit", "supplies", name), p.row.number)
            elif p.role == "return" and p.unit_pin not in returns:
                returns.append(p.unit_pin)
            elif p.role == "signal":
                inputs[p.unit_pin] = dict(INPUTS.get(p.kind, {}))
                self.lines[("control_unit", "inputs", p.unit_pin)] = p.row.number
        if not supplies:
            self.problems.append(f"{self.table.path}: no sensor has a supply; add one with three wires.")
        if not returns:
            self.problems.append(f"{self.table.path}: no sensor has a return; add the rows of the returns.")
        unit = {
            "connectors": {n: {"cavities": k} for n, k in most.items()}, "feed": feed, "grounds": [ground],
            "supplies": dict(supplies), "returns": returns, "inputs": inputs,
        }  # fmt: skip
        self._inputs_and_supplies(inputs, supplies)
        return unit, feed, ground

    def _inputs_and_supplies(self, inputs: Mapping[str, Mapping], supplies: Mapping[str, Mapping]) -> None:
        """What is assumed of the inside of the control unit, which no table of pins tells."""
        nominal, limit = (Supply.model_fields[key].default for key in ("nominal_v", "limit_a"))
        if supplies:
            gives = "gives" if len(supplies) == 1 else "give"
            self.assumed.append(f"{', '.join(supplies)} {gives} {nominal:g} V, and {limit:g} A at most when shorted")
        pulls: dict[str, list[str]] = defaultdict(list)
        for pin, known in inputs.items():
            up, down = known.get("pull_up_ohm"), known.get("pull_down_ohm", PULL_DOWN_OHM)
            pulls[f"pull-up of {up:g} Ω" if up else f"pull-down of {down:g} Ω"].append(pin)
        self.assumed += [f"there is a {pull} at {', '.join(pins)}" for pull, pins in pulls.items()]

    def _sensors(self, pins: list[_Pin]) -> dict[str, dict]:
        """The sensors, each by what its rows say of it; what stands in any of them counts."""
        made: dict[str, dict] = {}
        for name in dict.fromkeys(p.part for p in pins):
            mine = [p for p in pins if p.part == name]
            kind, rows = mine[0].kind, [p.row for p in mine]

            def said(column: str, rows=rows) -> str:
                return next((row[column] for row in rows if row[column]), "")

            def number(column: str, rows=rows) -> float | None:
                row = next((row for row in rows if row[column]), rows[0])
                return floats(self.table, row, column, self.problems)

            sensor = {"type": kind, "title": said("title") or f"sensor {name}", "where": said("where") or "not noted"}
            if kind in SPANS:
                unit, least, most = SPANS[kind]
                least, most = (x if x is not None else y for x, y in ((number("least"), least), (number("most"), most)))
                on = number("key on")
                on = least + 0.2 * (most - least) if on is None else on
                running = number("running")
                sensor |= {"unit": said("unit") or unit, "range": [least, most],
                           "at": {"on": on, "run": on if running is None else running}}  # fmt: skip
                if not said("least") or not said("most"):
                    self.assumed.append(f"{name} goes from {least:g} to {most:g} {sensor['unit']}")
                if not said("key on"):
                    self.assumed.append(f"{name} stands at {on:g} {sensor['unit']}")
            elif kind in ("thermistor", "platinum"):
                on, running = number("key on"), number("running")
                sensor["at"] = {"on": COLD_C if on is None else on, "run": WARM_C if running is None else running}
                if on is None or running is None:
                    at = sensor["at"]
                    self.assumed.append(f"{name} is at {at['on']:g} °C with the key on, and {at['run']:g} °C running")
            elif kind in ("hall", "inductive"):
                sensor["role"] = "position" if kind == "hall" else "speed"
            codes = {key: said(f"{key} code") for key in ("low", "high", "missing") if said(f"{key} code")}
            made[name] = sensor | ({"codes": codes} if codes else {})
            self.lines[("sensors", name)] = rows[0].number
        return made

    # Wires ------------------------------------------------------------------------------------------------------------

    def _wire(self, path: list[str], length_m: float, colour: str, area_mm2: float, row: int | None) -> None:
        many = len(path) - 1
        lengths = round(length_m, 3) if many == 1 else [round(length_m / many, 3)] * many
        number = len(self.wires) + 1
        if row is not None:
            self.lines[("wires", len(self.wires))] = row
        self.wires.append({"wire": f"W{number}", "path": path, "length_m": lengths, "colour": colour or "not noted",
                           "area_mm2": area_mm2})  # fmt: skip

    def _power(self, feed: str, ground: str) -> None:
        """Battery, fuse, key switch and grounds, as is usual."""
        for path, length, area, colour in (
            (["F1.1", "G1.+"], 0.4, 2.5, "red"), (["S1.1", "F1.2"], 1.0, 1.5, "red"),
            ([feed, "S1.2"], 1.0, 1.5, "red"), ([ground, "GND1"], 0.5, 1.5, "black"),
            (["GND2", "G1.-"], 0.5, 35.0, "black"),
        ):  # fmt: skip
            self._wire(path, length, colour, area, None)
        self.assumed.append("battery, fuse F1, key switch S1 and grounds are wired as is usual")

    def _harness(self, pins: list[_Pin]) -> None:
        """Runs from the control unit outwards; where a pin serves several sensors, a splice, also behind a plug."""
        by_pin: dict[str, list[_Pin]] = defaultdict(list)
        for p in pins:
            by_pin[p.unit_pin].append(p)
        for unit_pin, some in by_pin.items():
            by_plug: dict[str, list[_Pin]] = defaultdict(list)
            for p in some:
                by_plug[p.connector].append(p)
            start, shared = unit_pin, len(some) > 1
            trunk_m = 0.5 * min(p.length_m for p in some)
            if shared and len(by_plug) > 1:
                start = self._splice()
                self._wire([unit_pin, start], trunk_m / 2, *self._look(some[0]))
            for plug, mine in by_plug.items():
                here, used = start, trunk_m / 2 if start != unit_pin else 0.0
                if len(mine) > 1 and (plug or start == unit_pin):
                    here = self._splice()
                    self._wire([start, *([plug] if plug else []), here], trunk_m, *self._look(mine[0]))
                    used, plug = used + trunk_m, ""
                for p in mine:
                    self._wire([here, *([plug] if plug else []), p.name], p.length_m - used, *self._look(p))
        if self.splices:
            self.assumed.append(f"the splices {', '.join(self.splices)} are where pins serve several sensors")
            self.assumed.append("a splice is at half the shortest way to its sensors, or where two follow each other "
                                "at a quarter and three quarters")  # fmt: skip
        if any(p.connector for p in pins):
            self.assumed.append("an in-line connector is in the middle of the wire that passes it")
        for column, usual in (("length_m", f"{LENGTH_M:g} m"), ("area_mm2", f"{AREA_MM2:g} mm²")):
            if some := [p.name for p in pins if not p.row[column]]:
                which = "every wire" if len(some) == len(pins) else f"the wire to {', '.join(some)}"
                self.assumed.append(f"{which} has {usual}")

    def _look(self, p: _Pin) -> tuple[str, float, int]:
        return p.row["colour"], p.area_mm2, p.row.number

    def _splice(self) -> str:
        name = f"SP{len(self.splices) + 1}"
        self.splices[name] = {"where": "not noted"}
        return name
