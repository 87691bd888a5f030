"""Mending: repair and replacement, the codes cleared, the proof; and the jumpers and pierced wires nobody likes."""

from __future__ import annotations

from dataclasses import replace

from casekit.bench import minutes, view
from casekit.bench.inspection import Sight
from casekit.bench.moves import Moves
from casekit.bench.reading import Finding
from casekit.bench.sealed import unseal
from casekit.circuit.mean import points
from casekit.circuit.operating_point import Unstable
from casekit.error import BenchError, CircuitError, hint, hint_or_some
from casekit.machine import rules
from casekit.machine.faults import DRAWING_KINDS, SENSOR_KINDS, SUPPLY_KINDS
from casekit.machine.harness import Contact, Wire
from casekit.machine.sensors import Potentiometer, PressureSensor
from casekit.machine.state import State
from casekit.machine.unit import Core, Supply

UNFUSED = "an unfused jumper: whatever it feeds has no protection, and a short burns the harness"
PIERCED = "piercing insulation: water gets in and the wire corrodes and goes open later"
OVERVOLTED = "battery voltage on a sensor circuit: its supply, its sensors and the control unit can be gone for good"
FUSE_A, OVER_V = 5.0, 6.0


class Mending(Moves):
    """What is done once something is suspected; and what should rather not be done."""

    # Repair ---------------------------------------------------------------------------------------------------

    def repair(self, place: str) -> str:
        """Repair a wire, a cavity (terminal), or the drawing where it is wrong about a wire: what was there is seen."""
        self._open_for_work()
        wires, cavities = self.places("open"), self.places("crossed terminals")
        if place not in wires:
            raise BenchError(
                f"{place!r} is not a wire or a cavity; a sensor or the control unit is replaced.{hint(place, wires)}"
            )
        kind = "cavity" if place in cavities else "wire"
        owner = place.rsplit(".", 1)[0] if kind == "cavity" else place
        cured = unseal(self).specimen.cure({place})
        self._touched += 1
        self._moved("repair", place, self._reach(owner) + minutes.REPAIR[kind], self.state)
        if not cured:
            return f"{place} repaired; it had been sound"
        drawn = set(cured) <= set(DRAWING_KINDS)
        head = f"the drawing is put right about {place}" if drawn else f"{place} repaired"
        text = f"{head}: it was {' and '.join(cured)}"
        # What a repair brings to light was seen, and counts as evidence like any look.
        ends = (None, place) if drawn else (place, None)
        self._found(place, Sight(text, *ends, cured[0]))
        return text

    def replace(self, part: str) -> str:
        """Replace a sensor or the control unit."""
        self._open_for_work()
        sensors = self.places("sensor shorted")
        if part not in (*sensors, self.unit):
            raise BenchError(
                f"{part!r} is not a sensor or the control unit.{hint_or_some(part, [self.unit, *sensors])}"
            )
        specimen, unit = unseal(self).specimen, part == self.unit
        if unit and self.state.key != "off":
            raise BenchError(f"turn the key off before replacing {part}: never unplug a powered control unit.")
        places = set(self.places("supply dead")) if unit else {part}
        kinds = SUPPLY_KINDS if unit else SENSOR_KINDS
        specimen.cure(places, kinds)
        if unit:
            unseal(self).memory.clear()  # a new one remembers nothing
        self._touched += 1
        cost = minutes.REPLACE["control unit" if unit else "sensor"] + self._reach(part)
        self._moved("replace", part, cost, self.state)
        return f"{part} replaced; whether that was it shows in the proof"

    def clear_codes(self) -> str:
        """Clear the trouble codes; what is still wrong sets them again."""
        self._open_for_work()
        self._connect()
        count = unseal(self).memory.clear()
        self._moved("clear codes", "control unit", minutes.CLEAR_CODES, self.state)
        return f"{count} codes cleared" if count != 1 else "1 code cleared"

    def prove(self) -> Finding:
        """Prove the repair: start, idle, load, every operation, warm, on the road; say whether anything came back."""
        self._open_for_work()
        self._everything_plugged("prove the repair")
        if self.state.joined:
            raise BenchError("a jumper is still in place; remove it before the repair is proved.")
        if self.state.key != "run" and "does not start" in self.key("run"):
            return self._found("proof", Sight("not proved: the engine does not start"))
        noticed = self._driven(minutes.PROVE, None)
        if wrong := [name for name in self._shown_wrong() if f"{name}: " not in noticed]:
            rest = "is not what it should be" if len(wrong) == 1 else "are not what they should be"
            more = f"{' and '.join(wrong)} {rest}"
            noticed = more if noticed == rules.USUAL else f"{noticed}; {more}"
        text = "proved: nothing came back" if noticed == rules.USUAL else f"not proved: {noticed}"
        return self._found("proof", Sight(text))

    # Jumpers --------------------------------------------------------------------------------------------------

    def jumper(self, a: str, b: str, fused: bool = True) -> str:
        """Join two points with a jumper, through a 5 A fuse unless `fused` is False. It stays until it is removed."""
        self._open_for_work()
        self._leads((a, b))
        pair = (a, b) if a < b else (b, a)
        if pair in self.state.joined:
            raise BenchError(f"{a} and {b} are joined already.")
        joined = replace(self.state, joined=self.state.joined | {pair})
        amps = self._jumper_amps(joined, pair)
        risk = "; ".join(r for r in ("" if fused else UNFUSED, self._overvolted(a, b)) if r)
        self._lead((a, b), more=minutes.JUMPER)
        self._fused = self._fused | {pair} if fused else self._fused - {pair}
        if fused and amps > FUSE_A:
            self._moved("jumper", f"{a} to {b}: its fuse blows", 0.0, self.state, risk)
            return f"the jumper's fuse blows ({FUSE_A:g} A)"
        self._moved("jumper", f"{a} to {b}" + ("" if fused else " without a fuse"), 0.0, joined, risk)
        return f"{a} and {b} are joined" + (f" ({risk})" if risk else "") + self._stalled()

    def remove_jumper(self, a: str, b: str) -> str:
        """Take a jumper off."""
        self._open_for_work()
        pair = (a, b) if a < b else (b, a)
        if pair not in self.state.joined:
            raise BenchError(f"there is no jumper between {a} and {b}.")
        self._moved("jumper off", f"{a} to {b}", minutes.JUMPER, replace(self.state, joined=self.state.joined - {pair}))
        return f"the jumper between {a} and {b} is off" + self._stalled()

    def pierce(self, wire: str, at: float = 0.5) -> str:
        """Pierce a wire `at` a share of its length: a point a lead can reach. It harms the wire; back-probe instead."""
        self._open_for_work()
        self._wire(wire)
        if isinstance(at, bool) or not isinstance(at, int | float) or not 0.01 <= at <= 0.99:
            raise BenchError(f"wire {wire} cannot be pierced at {at!r}; use a share of its length from 0.01 to 0.99.")
        point = f"{wire}@{round(at, 2):g}"
        self._moved("pierce", point, minutes.PIERCE, replace(self.state, bared=self.state.bared | {point}), PIERCED)
        return point

    @property
    def unit(self) -> str:
        """Name of the control unit."""
        return self.drawing.all(Core)[0].name

    def places(self, kind: str) -> list[str]:
        """Places a fault of this kind can be at, on the drawing: sensors, supplies, cavities, or wires and cavities."""
        drawing = self.drawing
        ranged = {"sensor drifted": (Potentiometer, PressureSensor), "sensor dead spot": Potentiometer}
        if kind in ranged:
            return list(dict.fromkeys(p.name.split()[0] for p in drawing.all(ranged[kind])))
        wires = [w.name for w in drawing.all(Wire)]
        cavities = [c.name for c in drawing.all(Contact)]
        if kind in SENSOR_KINDS:
            return [p.name for p in drawing.plugs if p.kind == "sensor"]
        if kind in SUPPLY_KINDS:
            return [s.name for s in drawing.all(Supply)]
        if kind in ("leak between cavities", "crossed terminals"):
            return cavities
        if kind == "drawn on the wrong splice":
            return [w.name for w in drawing.all(Wire) if w.a in drawing.splices()]
        if kind in ("short between wires", "splice not drawn"):
            return wires
        return wires + cavities

    # Inside ---------------------------------------------------------------------------------------------------

    def _shown_wrong(self) -> list[str]:
        """Channels whose values someone who knows the machine sees to be wrong in a state of the drive."""
        program, specimen = self.drawing.program, unseal(self).specimen
        found: dict[str, None] = {}
        for state in self.drawing.drive(self.state):
            what = view.view(specimen.mix(state, self.clock), state)
            found |= dict.fromkeys(rules.visibly_off(program, what, view.healthy(specimen.built, state)))
        return list(found)

    def _moved(self, action: str, what: str, cost: float, state: State, risk: str = "") -> None:
        super()._moved(action, what, cost, state, risk)
        for pair in sorted(self._fused & self.state.joined):
            if self._jumper_amps(self.state, pair) > FUSE_A:
                apart = replace(self.state, joined=self.state.joined - {pair})
                super()._moved("jumper", f"{pair[0]} to {pair[1]}: its fuse blows", 0.0, apart)

    _fused: frozenset[tuple[str, str]] = frozenset()  # of the jumpers that were ever put on

    def _overvolted(self, a: str, b: str) -> str:
        """The risk of joining more than a sensor supply gives to an electronic circuit."""
        if not (self._electronic(a) or self._electronic(b)):
            return ""
        try:
            found = points(self._mix(), self.state)
        except CircuitError:
            return ""
        volts = max(abs(p.volts(x)) for _, p in found for x in (a, b))
        return OVERVOLTED if volts > OVER_V else ""

    def _jumper_amps(self, state, pair: tuple[str, str]) -> float:
        try:
            found = points(unseal(self).specimen.mix(state, self.clock), state)
        except Unstable:
            return 0.0
        return max(abs(p.amps(f"jumper {pair[0]} {pair[1]}")) for _, p in found)
