"""Signs: how likely what was noticed is under every suspect: codes, the driver's words, the engine, what was seen.

In: signs from the log and cells. Out: log factors, one per cell, for a fault that is there all the time and for one
that comes and goes. By the control unit's own rules on what it would see inside. No sign alone rules anything out: all
chances here are common practice, no source, and none is nought.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np
from scipy.special import ndtr

from casekit.bench.reading import FALSE_MARK, FOUND_LASTING, FOUND_LOOSE, LAST, Finding
from casekit.machine.harness import Contact, Wire
from casekit.machine.program import MISMATCH, Channel
from casekit.machine.rules import COMES_AND_GOES, DARK, LOGIC_V, STAYS_ON
from casekit.machine.state import State
from casekit.reasoning.observation import Sign
from casekit.reasoning.predict import Predictor, Views
from casekit.reasoning.prior import LOOSE_KINDS, ROAD, Cell, presence
from casekit.reasoning.suspect import DRAWING, NONE

SURE, UNSURE = 0.97, 0.03  # a rule of the control unit that applies, and one that does not, and still
SHOWS = 0.7  # how often a loose fault that is there lasts long enough to be noticed
OFTEN, SELDOM = 0.6, 0.003  # a code that the fault can set, and one that it cannot, was stored before
LIMIT_V, TRAVEL = 0.05, 0.02  # how sharply limits are known
FLOOR, SPONTANEOUS = 3e-4, 1e-6  # the least that codes or words count for; and that codes without any fault do
WIDE = 0.1  # how uncertain a rule is for a cell whose size is open
STRAY = 2e-3  # damage that was found and is not the fault
LOOK_KINDS = ("open", "high resistance", "leak between cavities", "crossed terminals")  # seen inside a connector


class Expected:
    """What the control unit would see and do under the suspects of some cells; the last row is nothing wrong."""

    def __init__(self, predictor: Predictor, cells: Sequence[Cell]):
        self.predictor, self.cells = predictor, list(cells)
        self.drawing = predictor.drawing
        self.open = np.array([WIDE * (c.high > c.low) for c in self.cells] + [0.0])
        worn = [k for k, c in enumerate(self.cells) if any(p.suspect.worn for p in c.parts)]
        self._worn = np.array(worn, dtype=int)  # what these do depends on where a lever stands
        self._views: dict[State, Views] = {}
        self._bad: dict[State, dict[str, np.ndarray]] = {}

    def views(self, state: State) -> Views:
        """Views in a state, one row per cell and one for nothing wrong."""
        if state not in self._views:
            self._views[state] = self.predictor.views(state, self._changes)
        return self._views[state]

    def _changes(self, state: State):
        made = [c.change(self.drawing, state) for c in self.cells]
        return [*made, NONE.change(self.drawing, state)]

    def runs(self, state: State) -> np.ndarray:
        """Whether the engine runs."""
        runs = self.views(State("on")).logic_v >= LOGIC_V
        for c in self.drawing.program.channels:
            if c.role == "crank":
                runs = runs & (self.views(State("run", state.unplugged)).arrives[c.name] >= 1)
        return runs

    def faults(self, state: State) -> dict[str, np.ndarray]:
        """Chance that the unit sees each code's fault in a state, by code; and by channel name that anything is wrong
        with the channel. What is held, and warmth, count for worn tracks alone."""
        base = State(state.key, state.unplugged)
        if base not in self._bad:
            self._bad[base] = self._faults(base)
        if state == base or not len(self._worn):
            return self._bad[base]
        if state not in self._bad:
            worn = Expected(self.predictor, [self.cells[k] for k in self._worn])._faults(state)
            self._bad[state] = found = {}
            for name, chance in self._bad[base].items():
                found[name] = chance.copy()
                found[name][self._worn] = worn[name][:-1]
        return self._bad[state]

    def driven(self) -> dict[str, np.ndarray]:
        """The same on the road: of worn tracks, wherever a lever comes to stand."""
        run = self.faults(State("run"))
        if not len(self._worn):
            return run
        each = [self.faults(state) for state in self.drawing.drive(State("run"))]
        return {name: np.max([run[name], *(f[name] for f in each)], axis=0) for name in run}

    def _faults(self, state: State) -> dict[str, np.ndarray]:
        program, what = self.drawing.program, self.views(state)
        alive = what.logic_v >= LOGIC_V
        found: dict[str, np.ndarray] = {}

        def note(name: str | None, chance: np.ndarray) -> None:
            if name:
                chance = np.where(alive, np.nan_to_num(chance, nan=0.5), 0.0)
                chance = chance + self.open * (0.5 - chance)  # elsewhere in a wide cell it may be otherwise
                found[name] = np.maximum(found.get(name, 0.0), chance)

        for c in program.channels:
            found.setdefault(c.name, np.zeros(len(alive)))
            if c.kind == "speed":
                if state.turning and c.name in what.arrives:
                    missing = 1.0 - ndtr((what.arrives[c.name] - 1) / 0.2)
                    note(c.missing_code, missing)
                    note(c.name, missing)
            elif c.name in what.volts:
                for code, chance in _wrong(c, what.volts, program.channels):
                    note(code, chance)
                    note(c.name, chance)
        return found


def factor(expected: Expected, sign: Sign) -> tuple[np.ndarray, np.ndarray]:
    """(log factor if the fault is always there, if it comes and goes), one of each per cell."""
    weigh: dict[str, Callable] = {
        "driver": _driver, "engine": _engine, "speeds": _speeds, "look": _look, "inside": _inside, "opened": _opened,
        "repaired": _repaired, "sound": _sound, "proof": _proof, "codes": _codes, "road": _road,
    }  # fmt: skip
    lasting, loose = weigh[sign.kind](expected, sign)
    if sign.kind in ("driver", "engine", "speeds", "road") and sign.mended:
        cured = np.array([c.cured(sign.mended) for c in expected.cells], dtype=bool)
        whole, _ = weigh[sign.kind](expected, sign, True)
        lasting, loose = np.where(cured, whole, lasting), np.where(cured, whole, loose)
    return lasting, loose


# Signs the control unit gives ------------------------------------------------------------------------------------


def _codes(expected: Expected, sign: Sign) -> tuple[np.ndarray, np.ndarray]:
    """Codes there, and codes that would be there if the fault could set them."""
    said, cells = {code for code, _ in sign.said}, len(expected.cells)
    can: dict[str, np.ndarray] = {}
    each = {"on": expected.faults(State("on")), "run": expected.driven()}
    for found in each.values():
        for name, chance in found.items():
            can[name] = np.maximum(can.get(name, 0.0), chance)
    lived = each["on"] if sign.event is not None else {}
    # What unplugging alone sets says nothing about the fault.
    whole = Expected(expected.predictor, [])
    spoilt = {code for state in sign.been for code, chance in whole.faults(state).items() if chance[-1] > 0.3}
    known = {c for ch in expected.drawing.program.channels for c in ch.codes} - spoilt
    since = [each[key] for key in sorted(sign.lived)]  # what was lived through after the codes were cleared
    log_lasting, log_loose = np.zeros((2, cells))
    for code in sorted(known):
        p = can.get(code, np.zeros(cells + 1))[:cells]
        now = lived[code][:cells] if code in lived else 0.0 * p
        there = p * OFTEN + (1 - p) * SELDOM
        sure = np.maximum(there, now * SURE)
        if sign.cleared:
            again = np.max([f[code][:cells] for f in since if code in f], axis=0, initial=0.0) * np.ones(cells)
            if code in said and code not in sign.before:
                log_lasting += np.log(np.maximum(again * SURE, SELDOM))
                log_loose += np.log(there)
            elif code not in said:
                log_lasting += np.log(1 - again * SURE)
        elif sign.before is None:
            log_lasting += np.log(sure / SURE if code in said else (1 - sure) / (1 - SELDOM))
            log_loose += np.log(there / SURE if code in said else (1 - there) / (1 - SELDOM))
        elif code in said and code not in sign.before:  # it was set meanwhile, and counted as missing before
            log_lasting += np.log(sure / SURE) - np.log((1 - there) / (1 - SELDOM))
            log_loose += np.log(there / SURE) - np.log((1 - there) / (1 - SELDOM))
        elif code not in said and code not in sign.before:  # it is still not there
            log_lasting += np.log((1 - sure) / (1 - there))
    none = np.array([c.suspect == NONE for c in expected.cells], dtype=bool)
    lasting = np.where(none, np.maximum(log_lasting, np.log(SPONTANEOUS)), _floored(log_lasting))
    return lasting, _floored(log_loose)


def _driver(expected: Expected, sign: Sign, mended: bool = False) -> tuple[np.ndarray, np.ndarray]:
    """The driver's words: the lamp with the key on; functions lost or kept with the engine running."""
    text, n = sign.event.text, len(expected.cells)
    state = State(sign.state.key, sign.state.unplugged)
    if state.key == "off":
        return np.zeros((2, n))
    alive = expected.views(state).logic_v >= LOGIC_V
    dark = text.startswith(DARK)
    log = np.log(np.where(alive, UNSURE if dark else SURE, SURE if dark else UNSURE))
    bad = expected.faults(replace(state, held=sign.state.held))
    if dark:
        pass
    elif state.key == "on":
        lamp = np.max([chance for name, chance in bad.items()], axis=0)
        lamp = np.clip(lamp, UNSURE, SURE)
        log += np.log(lamp if STAYS_ON in text else 1 - lamp)
    else:
        said, program = set(text.split("; ")), expected.drawing.program
        for sensor in dict.fromkeys(c.sensor for c in program.channels if c.kind != "supply" and c.lost):
            mine = [c for c in program.channels if c.sensor == sensor]
            lost = np.clip(np.max([bad[c.name] for c in mine], axis=0), UNSURE, SURE)
            log += np.log(lost if mine[0].lost in said else 1 - lost)
    return _whole(log, n) if mended else _either(log, sign.state, COMES_AND_GOES in text)


def _engine(expected: Expected, sign: Sign, mended: bool = False) -> tuple[np.ndarray, np.ndarray]:
    """The engine runs, or does not."""
    runs = expected.runs(sign.state)
    log = np.log(np.where(runs == bool(dict(sign.said)["runs"]), SURE, UNSURE))
    return _whole(log, len(expected.cells)) if mended else _either(log, sign.state)


def _speeds(expected: Expected, sign: Sign, mended: bool = False) -> tuple[np.ndarray, np.ndarray]:
    """Speeds that scan data shows, or misses."""
    log = np.zeros(len(expected.cells) + 1)
    if any(rpm > 0 for _, rpm in sign.said):
        arrives = expected.views(State(sign.state.key, sign.state.unplugged)).arrives
        for name, rpm in sign.said:
            if name in arrives:
                log += np.log(np.where((arrives[name] >= 1) == (rpm > 0), SURE, UNSURE))
    return _whole(log, len(expected.cells)) if mended else _either(log, sign.state)


def _road(expected: Expected, sign: Sign, mended: bool = False) -> tuple[np.ndarray, np.ndarray]:
    """A road test: what is always wrong is seen for certain, what comes and goes most of the time."""
    said, n = dict(sign.said), len(expected.cells)
    bad = expected.driven()
    log, there = np.zeros((2, n + 1))
    for c in expected.drawing.program.channels:
        chance = np.clip(bad[c.name], UNSURE, SURE)
        log += np.log(chance if c.name in said else 1 - chance)
        some = np.clip(SHOWS * bad[c.name], UNSURE, SURE)
        there += np.log(some if c.name in said else 1 - some)
    stops = np.where(expected.runs(State("run")), UNSURE, SURE)
    log += np.log(stops if "the engine cut out" in said else 1 - stops)
    there += np.log(np.maximum(SHOWS * stops, UNSURE) if "the engine cut out" in said else 1 - SHOWS * stops)
    log = np.maximum(log, np.log(FLOOR) * 1.5)
    if mended:
        return _whole(log, n)
    away = log[-1]
    loose = np.logaddexp(there[:-1] + np.log(ROAD), away + np.log(1 - ROAD))
    lasting = log[:-1] + (np.log(UNSURE) if "something flickered" in said else 0.0)
    return np.maximum(lasting, np.log(FLOOR) * 2), np.maximum(loose, np.log(FLOOR) * 2)


def _either(log: np.ndarray, state: State, moves: bool = False) -> tuple[np.ndarray, np.ndarray]:
    """A fault that comes and goes may be there or away; words that things come and go speak for one."""
    log = _floored(log)
    there = presence(state)[0]
    loose = np.logaddexp(log[:-1] + np.log(there), log[-1] + np.log(1 - there))
    return log[:-1] + (np.log(UNSURE) if moves else 0.0), np.zeros(len(loose)) if moves else loose


def _whole(log: np.ndarray, n: int) -> tuple[np.ndarray, np.ndarray]:
    same = np.full(n, _floored(log)[-1])
    return same, same


# Signs that are seen ---------------------------------------------------------------------------------------------


def _look(expected: Expected, sign: Sign, sure: bool = False) -> tuple[np.ndarray, np.ndarray]:
    """A close look at a contact point; `sure` when the harness was opened there."""
    f: Finding = sign.event
    wires = [w for w, _ in expected.drawing.contact_point(sign.place).wires]
    mark = FALSE_MARK / len(wires)
    find, find_loose = (0.995, 0.995) if sure else (FOUND_LASTING, FOUND_LOOSE)

    def chances(cell: Cell) -> tuple[float, float]:
        here = cell.spot == sign.place and cell.suspect.kind in LOOSE_KINDS
        mine = {cell.suspect.place, cell.suspect.to} & ({f.wire, f.mark} - {None}) and f.kind in ("", cell.suspect.kind)
        if f.wire:
            return (find, find) if here and mine else (STRAY / len(wires), STRAY / len(wires))
        if f.mark:
            return (0.05 * mark, find_loose if mine else (1 - find_loose) * mark) if here else (mark, mark)
        return (1 - find, 1 - find_loose) if here else (1.0, 1.0)

    return _logs(expected, sign, chances)


def _logs(
    expected: Expected, sign: Sign, chances: Callable[[Cell], tuple[float, float]]
) -> tuple[np.ndarray, np.ndarray]:
    """Log factors from the chances of every cell, (always there, comes and goes)."""
    f = sign.event
    rows = [_of(c, chances, f) if isinstance(f, Finding) else chances(c) for c in expected.cells]
    return tuple(np.log(np.array(rows).reshape(-1, 2)).T)


def _of(cell: Cell, chances: Callable[[Cell], tuple[float, float]], f: Finding) -> np.ndarray:
    """Chances of one thing wrong or of several: damage that was found is one of them; none found is none of each."""
    each = np.array([chances(part) for part in cell.parts])
    return each.max(axis=0) if f.wire or f.mark else each.prod(axis=0)


def _inside(expected: Expected, sign: Sign) -> tuple[np.ndarray, np.ndarray]:
    """A look into a connector or sensor."""
    own = {c.name for c in expected.drawing.all(Contact) if c.connector == sign.place}
    return _seen(expected, sign, lambda c: c.suspect.place in own and c.suspect.kind in LOOK_KINDS)


def _opened(expected: Expected, sign: Sign) -> tuple[np.ndarray, np.ndarray]:
    """A contact point or a splice laid open."""
    f: Finding = sign.event
    if expected.drawing.contact_point(sign.place):
        return _look(expected, sign, sure=True)
    ends = {w.name: w for w in expected.drawing.all(Wire) if sign.place in (w.a, w.b)}

    if f.mark:
        here = expected.drawing.part(f.mark, Wire).a == sign.place
        if here != ("does not join here" in f.text):
            return tuple(np.zeros((2, len(expected.cells))))  # just what this drawing says

    def chances(cell: Cell) -> tuple[float, float]:
        s = cell.suspect
        if f.mark:
            chance = 1.0 if s.kind in DRAWING and s.place == f.mark else STRAY
        elif f.wire:
            chance = 1.0 if s.place == f.wire and f.kind in ("", s.kind) else STRAY
        elif s.kind in DRAWING and (s.place in ends or s.to == sign.place):
            chance = 0.02
        else:
            chance = 1 - LAST if s.place in ends and s.kind in LOOSE_KINDS and not cell.spot else 1.0
        return chance, chance

    return _logs(expected, sign, chances)


def _repaired(expected: Expected, sign: Sign) -> tuple[np.ndarray, np.ndarray]:
    """What a repair brought to light."""
    return _seen(expected, sign, lambda c: False)


def _sound(expected: Expected, sign: Sign) -> tuple[np.ndarray, np.ndarray]:
    """What was repaired had been sound."""
    return _seen(expected, sign, lambda c: sign.place in (c.suspect.place, c.suspect.to))


def _proof(expected: Expected, sign: Sign) -> tuple[np.ndarray, np.ndarray]:
    """A repair proved on the road, or not."""
    good = sign.event.text.startswith("proved")
    mended = np.array([c.cured(sign.mended) for c in expected.cells], dtype=bool)
    lasting = np.where(mended, SURE, UNSURE) if good else np.where(mended, UNSURE, SURE)
    loose = np.where(mended, SURE, 0.3) if good else np.where(mended, UNSURE, 0.7)
    return np.log(lasting), np.log(loose)


def _seen(expected: Expected, sign: Sign, would: Callable[[Cell], bool]) -> tuple[np.ndarray, np.ndarray]:
    """Damage found at a place, or none where some faults would have been seen."""
    f = sign.event

    def chances(cell: Cell) -> tuple[float, float]:
        s = cell.suspect
        if getattr(f, "wire", None):
            chance = SURE if f.wire in (s.place, s.to) and f.kind in ("", s.kind) else STRAY
        else:
            chance = 0.02 if would(cell) else 1.0
        return chance, chance

    return _logs(expected, sign, chances)


# Rules ------------------------------------------------------------------------------------------------------------


def _wrong(c: Channel, volts: dict[str, np.ndarray], channels: Sequence[Channel]):
    """(code, chance) of what the unit would find wrong with a channel."""
    if c.limits_v is not None:
        low, high = c.limits_v
        yield c.low_code, ndtr((low - volts[c.name]) / LIMIT_V)
        yield c.high_code, ndtr((volts[c.name] - high) / LIMIT_V)
    if c.twin in volts and c.mismatch_code:
        other = next(x for x in channels if x.name == c.twin)
        apart = np.abs(c.travel(volts[c.name]) - other.travel(volts[c.twin]))
        yield c.mismatch_code, ndtr((apart - MISMATCH) / TRAVEL)


def _floored(log: np.ndarray) -> np.ndarray:
    return np.maximum(log, np.log(FLOOR))
