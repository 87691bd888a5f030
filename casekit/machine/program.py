"""What the control unit was programmed to expect: its channels, its converter and its limits.

In: the drawing (which input each sensor was meant for). Out: values, checks and words the unit makes of voltages it
measures inside, before its pins. The program never changes: it is the same in a faulty machine.
"""

from __future__ import annotations

from dataclasses import dataclass

from scipy.optimize import brentq

from casekit.machine.sensors import ntc_ohm, platinum_ohm

REFERENCE_V = 5.0  # what the converter takes for full scale
# Outside 4 % and 96 % of the reference a ranged signal is open or shorted (a maker's interface training page).
SIGNAL_V = (0.2, 4.8)
THERMOMETER_V = (0.1, 4.9)  # a cold NTC thermistor stands close to its pull-up; common practice, no source
# A vehicle maker's detection limits for its 5 V sensor supplies, 2007/2008: 4.6 V, 5.4 V, 2 s.
SUPPLY_V, SUPPLY_S = (4.6, 5.4), 2.0
SIGNAL_S, MISMATCH_S, MISSING_S = 0.5, 0.3, 1.0  # debounce; invented, of the usual size
MISMATCH = 0.1  # difference of two tracks, as a share of their travel; invented, of the usual size


@dataclass(frozen=True)
class Channel:
    """One thing the unit measures.

    `kind` is share (a ranged sensor), ntc, platinum, switch, speed or supply; `node` is measured against the unit's
    ground.
    `low`, `high` and `span` are those of a ranged sensor, `pull_ohm` and `r0_ohm` those of a thermometer. `low_code`,
    `high_code` and `missing_code` are set when the signal is out of range or does not come. `twin` names the channel
    of the other track, `mismatch_code` is set when both disagree.
    """

    name: str
    sensor: str
    title: str
    unit: str
    kind: str
    node: str
    low: float = 0.0
    high: float = 1.0
    span: tuple[float, float] = (0.0, 1.0)
    pull_ohm: float = 0.0
    r0_ohm: float = 0.0
    role: str = ""
    low_code: str | None = None
    high_code: str | None = None
    missing_code: str | None = None
    mismatch_code: str | None = None
    twin: str | None = None
    substitute: float | None = None
    works: str | None = None
    lost: str | None = None

    @property
    def limits_v(self) -> tuple[float, float] | None:
        """Voltages outside which the circuit is taken for faulty; None for a speed signal or a switch."""
        if self.kind == "supply":
            return SUPPLY_V
        if self.kind in ("speed", "switch"):
            return None
        return SIGNAL_V if self.kind == "share" else THERMOMETER_V

    @property
    def codes(self) -> tuple[str, ...]:
        """All codes the unit can set for it."""
        every = (self.low_code, self.high_code, self.missing_code, self.mismatch_code)
        return tuple(code for code in every if code)

    @property
    def debounce_s(self) -> float:
        """How long a fault must last before it counts."""
        return SUPPLY_S if self.kind == "supply" else MISSING_S if self.kind == "speed" else SIGNAL_S

    def travel(self, volts: float) -> float:
        """A ranged signal as a share of its travel, not held inside it."""
        return (volts / REFERENCE_V - self.low) / (self.high - self.low)

    def value(self, volts: float) -> float:
        """What the unit takes the measured voltage for, in the channel's own unit, within its range."""
        if self.kind == "supply":
            return volts
        if self.kind == "switch":
            return float(volts < REFERENCE_V / 2)  # 1 while the open collector pulls
        if self.kind == "share":
            travel = min(max(self.travel(volts), 0.0), 1.0)
            return self.span[0] + (self.span[1] - self.span[0]) * travel
        ends = (-40.0, 140.0) if self.kind == "ntc" else (-50.0, 800.0)
        v = min(max(volts, 1e-3), REFERENCE_V - 1e-3)
        r_ohm = self.pull_ohm * v / (REFERENCE_V - v)

        def over(temp_c: float) -> float:
            return (ntc_ohm(temp_c) if self.kind == "ntc" else platinum_ohm(temp_c, self.r0_ohm)) - r_ohm

        low, high = over(ends[0]), over(ends[1])
        if low * high > 0:
            return ends[0] if abs(low) < abs(high) else ends[1]
        return float(brentq(over, *ends, xtol=1e-6))


@dataclass(frozen=True)
class Program:
    """All channels, and the converter: `adc_bits`, samples at `adc_hz`, scan data sent `scan_hz` times a second.

    Scan data passes a first-order filter of `filter_s`.
    """

    channels: tuple[Channel, ...] = ()
    adc_bits: int = 10
    adc_hz: float = 1000.0
    scan_hz: float = 5.0
    filter_s: float = 0.1

    def converted(self, volts: float) -> float:
        """A voltage as the converter sees it: in steps of the reference over two to the bits, within its range."""
        counts = 2**self.adc_bits
        return min(max(round(volts / REFERENCE_V * counts), 0), counts - 1) * REFERENCE_V / counts

    def channel(self, name: str) -> Channel:
        """The channel of this name."""
        return next(c for c in self.channels if c.name == name)
