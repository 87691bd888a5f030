"""The instruments: meter, test lamp, load resistor, clamp, oscilloscope, scan data.

Each shows what that instrument would show, with its blind spots, and leaves one reading in the log.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import pandas as pd

from casekit.bench import chatter, extremes, loads, minutes, scope, view
from casekit.bench.foreseen import UNSAID, Expect, Foreseen, foreseen
from casekit.bench.memory import Memory
from casekit.bench.meter import FUNCTIONS, INPUT_OHM, LIVE
from casekit.bench.reading import Reading
from casekit.bench.sealed import unseal
from casekit.bench.trace import Trace, smoothed
from casekit.bench.workplace import Workplace
from casekit.circuit.mean import average, points
from casekit.circuit.operating_point import Unstable
from casekit.circuit.waveform import Waveform
from casekit.error import BenchError, CircuitError, hint
from casekit.files.codes import TITLES
from casekit.machine import rules
from casekit.machine.harness import Battery
from casekit.machine.intermittent import Push
from casekit.machine.law import Element, Resistor
from casekit.machine.motion import Meanwhile, meanwhile, scene
from casekit.machine.state import State

MINMAX_LIMITS_S = (1.0, 600.0)
CRANK_S = 15.0  # longest a starter is held (common practice, no source; the maker's figure counts)
TRACE_LIMITS_S = (1.0, 60.0)
NO_ANSWER = "no reading between {red} and {black}: try other points; this one has no answer."
RESTLESS = "the picture does not stand still: the circuit switches faster than the screen."
LIVE_OHMS = "ohms on a live circuit: the meter or the circuit can be harmed, and the value means nothing"
LAMP_RISK = "a test lamp on an electronic circuit draws more than its output stage or supply is made for"
LOAD_RISK = "a load below 500 ohm on an electronic circuit can overload its output stage"


class Instruments(Workplace):
    """Everything that shows something.

    `expect` is noted before a reading is taken: a value or a range (low, high), in volt, ampere or ohm; `sure` is the
    chance from 0.5 to 0.99 that the reading will lie in the range. The debrief scores both.
    """

    # The meter ------------------------------------------------------------------------------------------------

    def volts(self, red: str, black: str = "", expect: Expect = None, sure: float | None = None) -> Reading:
        """DC volts between two probe points, `red` against `black`. `expect` is a value or (low, high), in volt, noted
        before the reading; `sure` the chance (0.5 to 0.99) that it will lie in the range."""
        return self._measure("volts", red, black, expect, sure)

    def millivolts(self, red: str, black: str = "", expect: Expect = None, sure: float | None = None) -> Reading:
        """DC millivolts, for drops along a harness; over 0.6 V it shows OL. Value and `expect` are in volt."""
        return self._measure("millivolts", red, black, expect, sure)

    def ohms(self, red: str, black: str = "", expect: Expect = None, sure: float | None = None) -> Reading:
        """Ohms between two probe points, on a dead circuit; on a live one it warns and shows what a meter shows."""
        return self._measure("ohms", red, black, expect, sure)

    def continuity(self, red: str, black: str = "", expect: Expect = None, sure: float | None = None) -> Reading:
        """Continuity with 1 mA: it beeps below 30 ohm. It says nothing about what the wire does under load."""
        return self._measure("continuity", red, black, expect, sure)

    def minmax(
        self, red: str, black: str, seconds: float = 10.0, expect: Expect = None, sure: float | None = None
    ) -> Reading:
        """Least and greatest dc volts in `seconds`, in averages of a tenth of a second: shorter dropouts are lost."""
        self._open_for_work()
        low, high = MINMAX_LIMITS_S
        if isinstance(seconds, bool) or not isinstance(seconds, int | float) or not low <= seconds <= high:
            raise BenchError(f"min/max over {seconds!r} s: use a number of seconds from {low:g} to {high:g}.")
        if self.state.key == "crank" and seconds > CRANK_S:
            raise BenchError(f"a starter is not held for {seconds:g} s: use at most {CRANK_S:g} s and let it cool.")
        said = foreseen(expect, sure)
        self._lead((red, black))
        reading = self._watched((red, black), float(seconds), None, said)
        self._pass(seconds / 60)
        return reading

    # Loads ----------------------------------------------------------------------------------------------------

    def lamp(self, red: str, black: str) -> Reading:
        """A filament test lamp between two points: how bright it is. It draws current; not for electronic circuits."""
        self._open_for_work()
        rated_v = self._rated_v()
        risk = LAMP_RISK if self._electronic(red) or self._electronic(black) else ""
        volts = self._with(loads.lamp(red, black, rated_v), red, black)
        shown = "flickers" if math.isnan(volts) else loads.glow(volts, rated_v)
        return self._noted("lamp", red, black, shown, math.nan, "", math.nan, risk=risk, data=(("rated_v", rated_v),))

    def loaded(
        self, red: str, black: str, load_ohm: float = loads.LOAD_OHM, expect: Expect = None, sure: float | None = None
    ) -> Reading:
        """DC volts between two points with a resistor of `load_ohm` across them: a weak path cannot hold it up."""
        self._open_for_work()
        said = foreseen(expect, sure)
        low, high = loads.LOAD_LIMITS_OHM
        if isinstance(load_ohm, bool) or not isinstance(load_ohm, int | float) or not low <= load_ohm <= high:
            raise BenchError(f"a load of {load_ohm!r} ohm is not in the box; use {low:g} to {high:g} ohm.")
        electronic = self._electronic(red) or self._electronic(black)
        risk = LOAD_RISK if electronic and load_ohm < 500 else ""
        volts = self._with([*loads.load(red, black, load_ohm), Resistor("meter", red, black, INPUT_OHM)], red, black)
        shown = unseal(self).specimen.meter.display(FUNCTIONS["volts"], volts)
        return self._noted("loaded volts", red, black, shown.text, shown.value, "V", shown.u, said,
                           f"with {load_ohm:g} Ω across", risk=risk, data=(("load_ohm", float(load_ohm)),))  # fmt: skip

    # Clamp ----------------------------------------------------------------------------------------------------

    def amps(self, *wires: str, expect: Expect = None, sure: float | None = None) -> Reading:
        """Direct current through the clamp around one or more wires (their sum), positive away from the control unit.

        It resolves 1 mA and its zero drifts: zero it before small currents, with the jaws away from any wire.
        """
        self._open_for_work()
        said = foreseen(expect, sure)
        if not wires:
            raise BenchError("the clamp is around no wire; name one or more wires.")
        for wire in wires:
            self._wire(wire)
        if len(set(wires)) < len(wires):
            raise BenchError("the clamp is around the same wire twice; name each wire once.")
        self._pass(minutes.CLAMP)
        specimen, around = unseal(self).specimen, " and ".join(wires)
        data = tuple((wire, 1.0) for wire in wires)
        try:
            value = average(points(self._mix(), self.state), lambda p: sum(loads.wire_amps(p, w) for w in wires))
        except CircuitError:
            return self._noted("amps", around, "", "unstable", math.nan, "A", math.nan, said, data=data)
        value += loads.drift(specimen.seed, self.clock) - self._zero_a
        shown = specimen.meter.display(FUNCTIONS["amps"], value)
        u = math.hypot(shown.u, loads.CLAMP_DRIFT_A * math.sqrt(max(self.clock - self._zeroed, 1.0) / 10))
        return self._noted("amps", around, "", shown.text, shown.value, "A", u, said, data=data)

    def zero_clamp(self) -> str:
        """Zero the clamp."""
        self._open_for_work()
        self._zero_a = loads.drift(unseal(self).specimen.seed, self.clock + minutes.ZERO_CLAMP)
        self._zeroed = self.clock + minutes.ZERO_CLAMP
        self._moved("zero", "clamp", minutes.ZERO_CLAMP, self.state)
        return "the clamp shows 0.000 A"

    _zero_a, _zeroed = 0.0, 0.0

    # Oscilloscope ---------------------------------------------------------------------------------------------

    def scope(
        self, leads: Sequence[tuple[str, str]], s_per_div: float = 0.01, v_per_div: float | Sequence[float] = 1.0,
        offset_v: float | Sequence[float] = 0.0, trigger: tuple[int, float, str] | None = None, roll: bool = False,
        peak: bool = True, during: str | None = None,
    ) -> Trace:  # fmt: skip
        """A picture of up to four channels, each a pair of probe points (red, black), isolated from each other.

        Ten divisions across of `s_per_div` second, eight up of `v_per_div` volt around `offset_v`. `trigger` is
        (channel from 1, volts, "rising" or "falling"); without one the picture begins at once. `roll` keeps one sample
        a column, slowly, without a trigger. `peak` keeps the least and greatest of every column: short spikes are seen.
        `during` names an operation, or "crank", that begins a tenth of the way in.
        """
        self._open_for_work()
        if isinstance(leads, str) or not isinstance(leads, Sequence):
            raise BenchError(f"the leads are {leads!r}; write a list of pairs of points, such as [('G1.+', 'G1.-')].")
        set_ = scope.settings(list(leads), s_per_div, v_per_div, offset_v, trigger, roll, peak and not roll)
        doing = self._meanwhile(during)
        minute = self.clock + self._leads(*leads) + minutes.SCOPE
        begin, specimen = minute * 60, unseal(self).specimen
        span = (begin, begin + set_.searched_s)
        doing = meanwhile(specimen.built, self.state, (begin, begin + set_.screen_s), during) if doing else None
        probes, channels = set_.probes()
        try:
            machine, presences = specimen.presences(self.state, span, None, doing)
            taken = scene(machine, self.state, span, doing, presences)
            wave = Waveform([*taken.elements, *probes], taken.changing, taken.driven, channels, taken.earth, begin)
            seed, words = specimen.seed + len(self.events), _then(self.state, during)
            trace = scope.picture(set_, wave, begin, seed, words, minute)
        except CircuitError:
            raise BenchError(RESTLESS) from None
        self._lead(*leads, more=minutes.SCOPE)
        shown = f"{len(leads)} channel{'s' if len(leads) > 1 else ''}"
        data = _figures(trace, [f"{red} {black}" for red, black in leads], ("least", "greatest", "mean"))
        self._noted("scope", "; ".join(trace.labels), "", shown, math.nan, "", math.nan, note=trace.note, data=data)
        self._pass(set_.screen_s / 60)
        return trace

    # Scan data ------------------------------------------------------------------------------------------------

    def scan(self) -> pd.DataFrame:
        """What the control unit says: value in use, volts it measures inside before its pin, and substituted values."""
        self._open_for_work()
        self._connect()
        what, program = view.view(self._mix(), self.state), self.drawing.program
        faults = self._counted(self.state)
        rows, data = [], {}
        for name, (value, unit, spoilt) in rules.values(program, what, faults).items():
            channel = program.channel(name)
            inside = what.volts.get(name, math.nan)
            inside = (
                inside if channel.kind == "supply" else program.converted(inside) if name in what.volts else math.nan
            )
            remark = ("substitute value" if value is not None else "no value") if spoilt else ""
            rows.append((name, math.nan if value is None else float(f"{value:.4g}"), unit, round(inside, 3), remark))
            data[name] = float(rows[-1][1] if channel.kind == "speed" else rows[-1][3])
        shown = f"{len(rows)} values"
        self._noted("scan", "control unit", "", shown, math.nan, "", math.nan, data=tuple(data.items()))
        table = pd.DataFrame(rows, columns=["channel", "value", "unit", "volts inside", "remark"])
        table["value"] = table["value"].astype(object)  # so that each is printed with the digits it has
        return table

    def scan_trace(
        self, channels: Sequence[str], seconds: float = 10.0, during: str | None = None, push: Push | None = None
    ) -> Trace:
        """Scan data over time: converted, filtered, sent a few times a second, so that short dropouts are smoothed.

        It traces what is measured, in the channel's unit, also where scan() would show a substitute value.
        """
        self._open_for_work()
        program = self.drawing.program
        known = {c.name: c for c in program.channels if c.kind != "speed" and c.node}
        channels = [channels] if isinstance(channels, str) else list(channels)
        chosen = [next((c for n, c in known.items() if name in (n, n.split()[0], c.sensor)), None) for name in channels]
        if not chosen:
            raise BenchError("no channel was named; name one or more of scan data, such as a sensor or a supply.")
        if None in chosen:
            name = channels[chosen.index(None)]
            raise BenchError(f"scan data has no channel {name!r} that could be traced.{hint(name, known)}")
        low, high = TRACE_LIMITS_S
        if isinstance(seconds, bool) or not isinstance(seconds, int | float) or not low <= seconds <= high:
            raise BenchError(f"a trace of {seconds!r} s: use a number of seconds from {low:g} to {high:g}.")
        self._meanwhile(during)
        self._answers()
        begin, specimen = (self.clock + self._scan_cost()) * 60, unseal(self).specimen
        span = (begin, begin + seconds)
        doing = meanwhile(specimen.built, self.state, span, during)
        try:
            times, volts = chatter.sampled(specimen, self.state, span, chosen, doing, push)
        except CircuitError:
            raise BenchError(RESTLESS) from None
        self._connect()
        keep = 1 - math.exp(-1 / program.adc_hz / program.filter_s)
        every = max(round(program.adc_hz / program.scan_hz), 1)
        rows = []
        for channel, row in zip(chosen, volts, strict=True):
            sampled = row if channel.kind == "supply" else np.array([program.converted(v) for v in row])
            rows.append([channel.value(v) for v in smoothed(sampled, keep)[::every]])
        values, t = np.array(rows), times[::every] - begin
        per_div = tuple(_round_up(max(float(np.ptp(row)), abs(float(row.mean())) * 0.2, 0.1) / 5) for row in values)
        middles = tuple(
            round(float((row.min() + row.max()) / 2 / d)) * d for row, d in zip(values, per_div, strict=True)
        )
        names = tuple(c.name for c in chosen)
        trace = Trace("scan data", t, values, values, names, tuple(c.unit for c in chosen), seconds / 10, per_div,
                      middles, _then(self.state, during), begin / 60)  # fmt: skip
        data, shown = _figures(trace, names, ("least", "greatest")), f"{len(t)} values each"
        self._noted("scan trace", "; ".join(names), "", shown, math.nan, "", math.nan, data=data)
        self._pass(seconds / 60)
        return trace

    def codes(self) -> pd.DataFrame:
        """Trouble codes the control unit has: number, standard title, status, and the state in which each was set."""
        self._open_for_work()
        self._answers()
        memory: Memory = unseal(self).memory
        rows = []
        for code, entry in sorted(memory.entries.items()):
            rows.append((code, TITLES.get(code, ""), entry.status, entry.snapshot.get("state", "no snapshot")))
        self._connect()  # read first, so that a code can be met pending before the time it took makes it stored
        shown = ", ".join(f"{r[0]} {r[2]}" for r in rows) or "none"
        data = tuple((r[0], 1.0 if r[2] == "stored" else 0.5) for r in rows)
        self._noted("codes", "control unit", "", shown, math.nan, "", math.nan, data=data)
        return pd.DataFrame(rows, columns=["code", "title", "status", "set in"])

    def snapshot(self, code: str) -> pd.DataFrame:
        """The scan data the control unit kept when it set this code."""
        self._open_for_work()
        self._answers()
        entries = unseal(self).memory.entries
        if code not in list(entries):
            raise BenchError(f"the control unit has no code {code!r}; read its codes first.")
        self._connect()
        kept = entries[code].snapshot
        self._noted("snapshot", code, "", f"{len(kept)} values" if kept else "not kept", math.nan, "", math.nan)
        return pd.DataFrame(list(kept.items()), columns=["channel", "value"])

    # Inside ---------------------------------------------------------------------------------------------------

    def _measure(self, function: str, red: str, black: str, expect: Expect, sure: float | None) -> Reading:
        self._open_for_work()
        said = foreseen(expect, sure)
        cost = self._leads((red, black))
        specimen = unseal(self).specimen
        mix = specimen.mix(self.state, self.clock + cost)
        try:
            shown = specimen.meter.measure(mix, self.state, function, red, black)
        except CircuitError:
            raise BenchError(NO_ANSWER.format(red=red, black=black)) from None
        self._lead((red, black))
        risk = LIVE_OHMS if shown.note.startswith(LIVE) else ""
        unit = FUNCTIONS[function].si
        return self._noted(function, red, black, shown.text, shown.value, unit, shown.u, said, shown.note, risk=risk)

    def _watched(self, pair: tuple[str, str], seconds: float, push: Push | None, said: Foreseen = UNSAID) -> Reading:
        """Min/max over a while, in which hands may push the harness."""
        red, black = pair
        specimen, begin = unseal(self).specimen, self.clock * 60
        windows = extremes.windows(specimen, self.state, (begin, begin + seconds), red, black, push)
        if np.isnan(windows).any():
            return self._noted("min/max", red, black, "unstable", math.nan, "V", math.nan, said)
        low, high = (specimen.meter.display(FUNCTIONS["volts"], value) for value in (windows.min(), windows.max()))
        shown, u = f"{low.text} to {high.text}", max(low.u, high.u)
        return self._noted(
            "min/max", red, black, shown, math.nan, "V", u, said, f"in {seconds:g} s", low.value, high.value
        )

    def _with(self, extra: list[Element], red: str, black: str) -> float:
        """Volts between two points with something hung on them; nan when there is no steady state."""
        mix = unseal(self).specimen.mix(self.state, self.clock + self._leads((red, black)))
        try:
            volts = average(points(mix, self.state, tuple(extra)), lambda p: p.volts(red, black))
        except Unstable:
            volts = math.nan
        except CircuitError:
            raise BenchError(NO_ANSWER.format(red=red, black=black)) from None
        self._lead((red, black))
        return volts

    def _noted(self, function: str, red: str, black: str, shown: str, value: float, unit: str, u: float,
               said: Foreseen = UNSAID, note: str = "", low: float | None = None, high: float | None = None,
               risk: str = "", data: tuple[tuple[str, float], ...] = ()) -> Reading:  # fmt: skip
        """One reading, in the log."""
        reading = Reading(function, red, black, shown, value, unit, u, self.state, self.clock, said.value, note, low,
                          high, risk, data, said.sure)  # fmt: skip
        self.events.append(reading)
        return reading

    def _rated_v(self) -> float:
        (battery,) = self.drawing.all(Battery)
        return 24.0 if battery.rest_v > 18 else 12.0

    def _meanwhile(self, during: str | None) -> Meanwhile | None:
        """Check what shall be done during a record."""
        if during is None:
            return None
        if during == "crank":
            if self.state.key != "on":
                raise BenchError(f"cranking begins from key on, and the key is {self.state.key}; turn it to on first.")
        else:
            self._can_operate(during)
        return meanwhile(self.drawing, self.state, (0.0, 1.0), during)

    def _connect(self) -> None:
        """Ask the control unit for something, which takes a while; the first time the lead must be plugged in."""
        self._answers()
        cost = self._scan_cost()
        self._reached.add("scan data")
        self._pass(cost)

    def _scan_cost(self) -> float:
        return minutes.SCAN + (0.0 if "scan data" in self._reached else minutes.SCAN_CONNECT)

    def _answers(self) -> None:
        if self.state.key == "off":
            raise BenchError("the control unit sleeps with the key off; turn the key on first.")
        if not view.view(self._mix(), self.state).alive:
            raise BenchError("the control unit does not answer: it has no power or no ground; look at its feed first.")


def _then(state: State, during: str | None) -> str:
    """A state, and what is done from there."""
    return f"{state}, then {during}" if during else str(state)


def _figures(trace: Trace, names: Sequence[str], which: tuple[str, ...]) -> tuple[tuple[str, float], ...]:
    """Figures of a picture by channel, as the data of a reading."""
    table = trace.figures()
    return tuple((f"{name} {word}", float(table[word].iloc[k])) for k, name in enumerate(names) for word in which)


def _round_up(value: float) -> float:
    """The next value of 1, 2, 5, 10 ..."""
    power = 10.0 ** math.floor(math.log10(value))
    return next(step * power for step in (1, 2, 5, 10) if step * power >= value * (1 - 1e-9))
