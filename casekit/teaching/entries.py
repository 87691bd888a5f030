"""Entries: what is typed in about a real machine, checked against its drawing before it counts.

In: states, readings of a meter, codes, scan data, words, looks. Out: events as a bench's log has them, a minute apart.
What is refused changes nothing.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np
import pandas as pd

from casekit.bench.inspection import CLEAN, DAMAGE, INSIDE
from casekit.bench.loads import LOAD_LIMITS_OHM, LOAD_OHM
from casekit.bench.meter import FUNCTIONS, LIVE_COMMON_V, LIVE_V
from casekit.bench.reading import Event, Finding, Move, Reading
from casekit.bench.workplace import LOG_COLUMNS, plugs_named, table
from casekit.circuit.change import NOTHING
from casekit.error import BenchError, hint, near
from casekit.files.codes import in_line
from casekit.machine.harness import Contact, Wire
from casekit.machine.machine import Machine
from casekit.machine.program import Channel
from casekit.machine.rules import COMES_AND_GOES, DARK, LONG_CRANKING, REDUCED, STAYS_ON, USUAL
from casekit.machine.state import LOAD, State
from casekit.reasoning.evidence import predictor
from casekit.reasoning.uncertainty import rectangular

KEYS = ("off", "on", "crank", "run")
GOES_OUT = "the lamps go out"
OTHER_WORDS = (REDUCED, LONG_CRANKING, COMES_AND_GOES)
SPECS = ("volts", "millivolts", "ohms")
PREFIXES = {"-3": "m", "3": "k", "6": "M"}


class Entries:
    """A drawing and what was entered. `state` is the state the next readings are taken in: key off at first."""

    def __init__(self, drawing: Machine, codes: Sequence[str], accuracy: Mapping[str, tuple[float, float]]):
        self.drawing, self.state = drawing, State()
        self.stored = tuple(_codes(codes))
        self._accuracy = {name: _spec(name, pair) for name, pair in accuracy.items()}
        self._entries: list[tuple[str, Event, State]] = []
        self._kept: dict[str, object] = {}  # what was made of the entries, until there is a new one

    # The state --------------------------------------------------------------------------------------------------

    def key(self, position: str) -> str:
        """The key is "off", "on" (engine stopped), "crank" or "run" (the engine runs; if not: `engine(False)`)."""
        if position not in KEYS:
            raise BenchError(f"the key has no position {position!r}; use 'off', 'on', 'crank' or 'run'.")
        if position == self.state.key:
            return f"key {position}"
        return self._turned("key", position, position, f"key {position}")

    def engine(self, runs: bool) -> str:
        """Whether the engine runs when it is started; if it stops or does not start, the key is on afterwards."""
        if not isinstance(runs, bool):
            raise BenchError(f"the engine is {runs!r}; write True if it runs and False if it does not.")
        if runs:
            return self.key("run")
        if self.state.key == "run":
            return self._turned("engine", "the engine stops", "on", "the engine stops, the key is on")
        text = "the engine cranks and does not start"
        return self._turned("key", f"run: {text}", "on", f"{text}; the key is on")

    def unplug(self, name: str) -> str:
        """A connector, a sensor or the whole control unit is unplugged."""
        plugs = [p for p in plugs_named(self.drawing, name) if p.name not in self.state.unplugged]
        if not plugs:
            raise BenchError(f"{name} is unplugged already; plug it first.")
        if self.state.key != "off" and any(p.kind == "control unit" for p in plugs):
            raise BenchError(f"turn the key off before unplugging {name}: never unplug a powered control unit.")
        apart = self.state.unplugged | {p.name for p in plugs}
        return self._moved("unplug", name, replace(self.state, unplugged=apart), f"{name} is unplugged")

    def plug(self, name: str) -> str:
        """It is plugged in again."""
        plugs = {p.name for p in plugs_named(self.drawing, name)} & self.state.unplugged
        if not plugs:
            raise BenchError(f"{name} is plugged in already.")
        apart = self.state.unplugged - plugs
        return self._moved("plug", name, replace(self.state, unplugged=apart), f"{name} is plugged in")

    def operate(self, name: str) -> str:
        """An operation of the machine, or "load" (the engine against a load), is held."""
        known = {o.name: o.needs for o in self.drawing.operations} | {LOAD: "run"}
        if name not in list(known):
            raise BenchError(f"this machine cannot {name!r}; it can: {', '.join(known)}.{hint(name, known)}")
        if name in self.state.held:
            raise BenchError(f"{name} is held already; release it first.")
        if self.state.key not in ("run", known[name]):
            raise BenchError(f"{name} needs the key in {known[name]}, and it is {self.state.key}.")
        return self._moved("operate", name, replace(self.state, held=self.state.held | {name}), f"{name} is held")

    def release(self, name: str) -> str:
        """It is let go."""
        if name not in list(self.state.held):
            raise BenchError(f"{name} is not held now.{hint(name, self.state.held)}")
        return self._moved("release", name, replace(self.state, held=self.state.held - {name}), f"{name} is released")

    def warm(self) -> str:
        """The engine has run until everything is warm."""
        if self.state.key != "run":
            raise BenchError("only a running engine gets warm; enter bay.key('run') first.")
        return self._moved("warm up", "engine", replace(self.state, hot=True), "everything is warm")

    # What the meter showed --------------------------------------------------------------------------------------

    def volts(self, red: str, black: str, value, spec: float | None = None, counts: float | None = None) -> Reading:
        """DC volts of `red` against `black`, in volt.

        `value` is a number, or the display as text ("4.98": its last digit is then one count). `spec` (a share of the
        reading) and `counts` are the meter's accuracy for this reading, if not its usual one.
        """
        return self._read("volts", red, black, value, spec, counts)

    def millivolts(self, red: str, black: str, value, spec: float | None = None, counts: float | None = None):
        """As volts, from the millivolt range; `value` in volt as well, or "OL"."""
        return self._read("millivolts", red, black, value, spec, counts)

    def ohms(self, red: str, black: str, value, spec: float | None = None, counts: float | None = None) -> Reading:
        """Resistance in ohm, or "OL"; the circuit must be dead."""
        return self._read("ohms", red, black, value, spec, counts)

    def loaded(self, red: str, black: str, value, load_ohm: float = LOAD_OHM) -> Reading:
        """DC volts between two points with a resistor of `load_ohm` across them."""
        low, high = LOAD_LIMITS_OHM
        if isinstance(load_ohm, bool) or not isinstance(load_ohm, int | float) or not low <= load_ohm <= high:
            raise BenchError(f"the load is {load_ohm!r} ohm; write a number from {low:g} to {high:g}.")
        return self._read("loaded volts", red, black, value, None, None, (("load_ohm", float(load_ohm)),))

    # What else was found ----------------------------------------------------------------------------------------

    def codes(self, codes: Sequence[str]) -> str:
        """The codes read now, all of them; an empty list for none."""
        self._needs_key("codes")
        found = _codes(codes)
        text = ", ".join(found) or "none"
        self._noted("codes", text, tuple((c, 1.0) for c in found))
        strange = self._strange(found)
        return f"codes: {text}{f'; {strange}' if strange else ''}"

    def scan(self, values: Mapping[str, float]) -> str:
        """Scan data: the volts the control unit measures inside, by channel or sensor; of speeds, turns a minute."""
        self._needs_key("scan data")
        data = {}
        for name, value in dict(values).items():
            channel = self._channel(name)
            value = _number(value, f"scan data, {channel.name}")
            most = 60.0 if channel.kind == "supply" else 5.2
            if channel.kind != "speed" and not -0.1 <= value <= most:
                raise BenchError(f"scan data, {channel.name}: {value:g} is no voltage inside the unit; write volts.")
            data[channel.name] = value
        if not data:
            raise BenchError("the scan data is empty; write at least one channel with its volts.")
        shown = ", ".join(f"{name} {value:g}" for name, value in data.items())
        self._noted("scan", shown, tuple(data.items()))
        return f"scan data: {shown}"

    def functions(self) -> dict[str, str]:
        """What a driver may notice as lost, by sensor: words for `notice`."""
        return {c.sensor: c.lost for c in self.drawing.program.channels if c.kind != "supply" and c.lost}

    def notice(self, words: str | Sequence[str]) -> str:
        """What the driver notices: functions lost (or their sensors), with the engine running; or the lamp, key on."""
        if self.state.key not in ("on", "run"):
            raise BenchError(f"key {self.state.key}: nothing can be noticed; enter bay.key('on') or bay.key('run').")
        lost, running = self.functions(), self.state.key == "run"
        works = [c.works for c in self.drawing.program.channels if c.works]
        known = [DARK, USUAL, *((*lost.values(), *OTHER_WORDS, *works) if running else (STAYS_ON, GOES_OUT))]
        lines = [part.strip() for part in (words.split(";") if isinstance(words, str) else words)]
        lines = [lost.get(line, line) if running else line for line in lines if line]
        for line in lines:
            if line not in known:
                later = line in lost or line in lost.values()
                more = " It counts with the engine running." if later and not running else hint(line, known)
                raise BenchError(f"{line!r} is not something to be noticed with key {self.state.key}; it may be: "
                                 f"{'; '.join(known)}.{more}")  # fmt: skip
        text = "; ".join(dict.fromkeys(lines)) or USUAL
        self._enter(f"notice {text}", Finding("driver", text, None, self.state, self._minute))
        return f"noticed: {text}"

    def looked(self, place: str, damaged: str | None = None, kind: str = "", mark: str | None = None) -> Finding:
        """A close look at a contact point, into an unplugged connector, or at an opened splice: the wire or cavity
        that is `damaged` (None: clean), the `kind` of damage if it is plain, or a wire with a rub `mark`."""
        point, plug, splices = self.drawing.contact_point(place), self.drawing.plug(place), self.drawing.splices()
        if point:
            own, kinds = [w for w, _ in point.wires], DAMAGE
        elif plug:
            own, kinds = [c.name for c in self.drawing.all(Contact) if c.connector == place], INSIDE
            if place not in self.state.unplugged:
                raise BenchError(f"{place} is plugged and shows only its outside; enter bay.unplug({place!r}) first.")
        elif place in splices:
            own, kinds = [w.name for w in self.drawing.all(Wire) if place in (w.a, w.b)], DAMAGE
        else:
            known = [*(p.name for p in (*self.drawing.contact_points, *self.drawing.plugs)), *splices]
            raise BenchError(f"{place!r} is not a contact point, connector or splice.{hint(place, known)}")
        for name in (damaged, mark):
            if name is not None and name not in own:
                raise BenchError(f"{name!r} is not at {place}; there are {', '.join(own)}.{hint(name, own)}")
        if kind and (damaged is None or kind not in kinds):
            raise BenchError(f"{kind!r} goes with damage, and is one of: {', '.join(kinds)}.{hint(kind, kinds)}")
        if mark and not point:
            raise BenchError(f"a rub mark is seen at a contact point, and {place} is none; name what is damaged.")
        text = f"{damaged} is damaged{f': {kind}' if kind else ''}" if damaged else CLEAN
        text = f"a rub mark on {mark}" if mark and not damaged else text
        found = Finding(place, text, damaged, self.state, self._minute, mark, kind)
        self._enter(f"look at {place}", found)
        return found

    # The log ----------------------------------------------------------------------------------------------------

    @property
    def events(self) -> list[Event]:
        """Everything entered, in order, a minute apart."""
        return [event for _, event, _ in self._entries]

    @property
    def log(self) -> pd.DataFrame:
        """Everything entered, one line each, in columns as those of a bench."""
        return table(self.events, [c for c in LOG_COLUMNS if c not in ("expected", "sure", "note", "risk")])

    def undo(self) -> str:
        """Take back the last entry, state and all."""
        if not self._entries:
            raise BenchError("nothing was entered yet, so there is nothing to take back.")
        text, _, self.state = self._entries.pop()
        self._kept.clear()
        return f"taken back: {text}"

    # Inside -----------------------------------------------------------------------------------------------------

    @property
    def _minute(self) -> float:
        return float(len(self._entries) + 1)

    def _enter(self, text: str, event: Event) -> None:
        self._entries.append((text, event, self.state))
        self.state = event.state
        self._kept.clear()

    def _moved(self, action: str, what: str, state: State, text: str) -> str:
        self._enter(text, Move(action, what, state, self._minute))
        return text

    def _turned(self, action: str, what: str, key: str, text: str) -> str:
        on = {o.name for o in self.drawing.operations if o.needs == "on"}
        held = self.state.held if key == "run" else self.state.held & on if key != "off" else frozenset()
        return self._moved(action, what, replace(self.state, key=key, held=held), text)

    def _noted(self, function: str, shown: str, data: tuple[tuple[str, float], ...]) -> None:
        reading = Reading(function, "control unit", "", shown, math.nan, "", math.nan, self.state, self._minute,
                          data=data)  # fmt: skip
        self._enter(f"{function} {shown}", reading)

    def _read(self, function, red, black, value, spec, counts, data=()) -> Reading:
        name = "volts" if function == "loaded volts" else function
        self._leads(red, black)
        if function == "ohms":
            self._dead(red, black)
        unit = "Ω" if name == "ohms" else "V"
        if is_over(value):
            if name == "volts":
                raise BenchError(f"OL is no voltage between {red} and {black}; use a higher range and enter its value.")
            reading = (math.inf if name == "ohms" else math.nan), math.nan, "OL"
        else:
            amount, kind = _number(value, f"{function}, {red} against {black}"), FUNCTIONS[name]
            if abs(amount) > kind.ranges[-1].full or (name == "ohms" and amount < 0):
                most = f"{'ohm' if name == 'ohms' else 'volt'}, up to {kind.ranges[-1].full:g}"
                raise BenchError(f"{function}, {red} against {black}: {amount:g} is beyond the meter; write {most}.")
            step = _last_digit(value) if isinstance(value, str) else kind.ranges[kind.number(amount)].step
            usual = self._accuracy.get(name, (kind.share, kind.counts))
            share, many = _spec(name, (usual[0] if spec is None else spec, usual[1] if counts is None else counts))
            reading = amount, rectangular(share * abs(amount) + many * step), _echo(value, amount, unit)
        amount, u, shown = reading
        note = f"with {data[0][1]:g} Ω across" if data else ""
        made = Reading(function, red, black, shown, amount, "ohm" if unit == "Ω" else "V", u, self.state, self._minute,
                       note=note, data=data)  # fmt: skip
        self._enter(f"{function} {red} against {black}, {shown}", made)
        return made

    def _leads(self, *leads: str) -> None:
        points = self.drawing.reachable(self.state)
        for lead in leads:
            if lead in points:
                continue
            owner = str(lead).rsplit(".", 1)[0]
            halves = [p for p in (f"{lead}f", f"{lead}m") if p in points]
            if str(lead).endswith("m") and self.drawing.plug(owner) and str(lead)[:-1] in points:
                raise BenchError(f"{lead} is behind the plugged connector {owner}; enter bay.unplug({owner!r}) first.")
            if len(halves) == 2:
                raise BenchError(f"{lead} has two halves; write {halves[0]} or {halves[1]}.")
            mine = [p for p in points if str(p).rsplit(".", 1)[0] == owner]
            more = near(str(lead), points) or (f" {owner} has {', '.join(mine)}." if mine else "")
            raise BenchError(f"{lead!r} is not a point a lead can reach on this machine now.{more}")
        if leads[0] == leads[1]:
            raise BenchError(f"both leads are on {leads[0]}; one of them was somewhere else.")

    def _dead(self, red: str, black: str) -> None:
        """Ohms count only where, by the drawing, nothing is live."""
        if self.state.key != "off":
            raise BenchError(
                f"ohms with key {self.state.key} are no ohms; enter bay.key('off') and what it shows then."
            )
        earth = self.drawing.earth
        pairs = [(red, black), *((lead, earth) for lead in (red, black) if lead != earth)]
        solved = predictor(self.drawing).family(self.state).solve([NOTHING])
        volts = np.abs(solved.readings(pairs)[0][0])
        if volts[0] >= LIVE_V or volts[1:].max(initial=0.0) >= LIVE_COMMON_V:
            raise BenchError(f"{red} against {black} is live with the key off, so its ohms are no ohms; enter volts.")

    def _needs_key(self, what: str) -> None:
        if self.state.key == "off":
            raise BenchError(f"{what} come from a control unit with the key on; enter bay.key('on') first.")

    def _channel(self, name: str) -> Channel:
        channels = self.drawing.program.channels
        mine = [c for c in channels if name == c.name] or [c for c in channels if name == c.sensor]
        if len(mine) == 1:
            return mine[0]
        if mine:
            raise BenchError(f"{name} has several channels; write {' or '.join(repr(c.name) for c in mine)}.")
        known = [c.name for c in channels]
        raise BenchError(f"{name!r} is not in the scan data; there are: {', '.join(known)}.{hint(name, known)}")

    def _strange(self, codes: Sequence[str]) -> str:
        """Which codes the control unit on the drawing has no rule for, in a sentence; empty if none."""
        known = self._known_codes()
        some = [code for code in codes if code not in known]
        if not some:
            return ""
        verb = "is not on this drawing and does" if len(some) == 1 else "are not on this drawing and do"
        hints = "".join(dict.fromkeys(near(code, known) for code in some))
        return f"{', '.join(some)} {verb} not count{f'.{hints}' if hints else ''}"

    def _known_codes(self) -> set[str]:
        return {code for channel in self.drawing.program.channels for code in channel.codes}


def _spec(name: str, pair) -> tuple[float, float]:
    """A meter's accuracy, checked."""
    if name not in SPECS:
        raise BenchError(f"accuracy is given for {', '.join(SPECS)}, not for {name!r}.{hint(name, SPECS)}")
    good = isinstance(pair, Sequence) and len(pair) == 2 and all(
        isinstance(x, int | float) and not isinstance(x, bool) and 0 <= x < math.inf for x in pair
    )  # fmt: skip
    if not good or pair[0] >= 0.5 or sum(pair) == 0:
        raise BenchError(
            f"the accuracy of {name} is {pair!r}; write (share of the reading, counts), such as (0.005, 3)."
        )
    return float(pair[0]), float(pair[1])


def _codes(codes: str | Sequence[str]) -> list[str]:
    found = in_line(codes) if isinstance(codes, str) else [c for c in codes if c not in ("", "none")]
    for code in found:
        if not isinstance(code, str) or not re.fullmatch(r"[PBCU][0-9A-F]{4}", code):
            raise BenchError(f"{code!r} is not a trouble code; write a letter and four digits, such as 'P0642'.")
    return list(dict.fromkeys(found))


def is_over(value) -> bool:
    """Whether a display shows that it is over its range."""
    return value == math.inf if not isinstance(value, str) else value.strip().upper() in ("OL", "O.L", "0L")


def _number(value, what: str) -> float:
    """A number typed in, or the text of a display."""
    try:
        amount = math.nan if isinstance(value, bool) else float(_ascii(value))
    except (TypeError, ValueError):
        amount = math.nan
    if not math.isfinite(amount):
        raise BenchError(f"{what}: {value!r} is not a number; write one such as 4.98, without its unit.")
    return amount


def _ascii(value):
    """A display's minus sign is not that of a keyboard."""
    return value.replace("\u2212", "-") if isinstance(value, str) else value


def _last_digit(text: str) -> float:
    """What one count of a display is worth: 4.98 has counts of 0.01."""
    digits, _, power = _ascii(text).strip().lower().partition("e")
    return 10.0 ** (int(power or 0) - len(digits.partition(".")[2]))


def _echo(value, amount: float, unit: str) -> str:
    """A reading as it was written down, in millivolts where it was."""
    digits, _, power = value.strip().lower().partition("e") if isinstance(value, str) else ("", "", "")
    if digits and power in ("", *PREFIXES):
        return f"{digits} {PREFIXES.get(power, '')}{unit}"
    return f"{amount:.6g} {unit}"
