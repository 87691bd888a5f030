"""The four laws every part is made of: resistor, source, valve, capacitor; and how they may change with time.

In: terminals and values. Out: frozen elements for the circuit floor. Sign: a current is positive when it
flows through the element from `a` to `b`; a voltage is that of `a` against `b`.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Resistor:
    """v_a - v_b = R i. R may be exactly zero (a dead short)."""

    name: str
    a: str
    b: str
    r_ohm: float


@dataclass(frozen=True)
class Source:
    """v_a - v_b = E + R i: a battery with its plus at `a` delivers a negative i."""

    name: str
    a: str
    b: str
    emf_v: float
    r_ohm: float


@dataclass(frozen=True)
class Capacitor:
    """i = C d(v_a - v_b)/dt. At rest it carries nothing."""

    name: str
    a: str
    b: str
    farad: float


@dataclass(frozen=True)
class Cap:
    """One upper limit of a valve's current: i = (sum of k·v - e) / r, with k per node in `volts`."""

    label: str
    volts: tuple[tuple[str, float], ...]
    r_ohm: float
    e_v: float

    @classmethod
    def amps(cls, label: str, limit_a: float) -> Cap:
        """A constant limit."""
        return cls(label, (), 1.0, -limit_a)


@dataclass(frozen=True)
class Gate:
    """A valve with a gate conducts only while v_plus - v_minus >= at_least_v."""

    plus: str
    minus: str
    at_least_v: float


@dataclass(frozen=True)
class Retry:
    """A valve that shuts for `off_s` after it has stood at its cap `label` for `on_s`, and tries again."""

    label: str
    on_s: float
    off_s: float

    @property
    def duty(self) -> float:
        """Share of the time it conducts while the overload lasts."""
        return self.on_s / (self.on_s + self.off_s)


@dataclass(frozen=True)
class Valve:
    """One-way, limited current from `a` to `b`: i = max(0, min over caps).

    Regulators, clamp diodes, output stages and supply currents are all of this form; it is continuous and
    piecewise linear. Only a `gate` makes it jump. `rest` is the piece it is usually in
    (index into `caps`, -1 for shut).
    """

    name: str
    a: str
    b: str
    caps: tuple[Cap, ...]
    gate: Gate | None = None
    rest: int = 0
    retry: Retry | None = None


Element = Resistor | Source | Valve | Capacitor


@dataclass(frozen=True)
class Changing:
    """Elements that change at known times: `forms[order[k]]` is in force from `starts[k]` (second, ascending)."""

    forms: tuple[tuple[Element, ...], ...]
    starts: tuple[float, ...]
    order: tuple[int, ...]


@dataclass(frozen=True)
class Driven:
    """A source whose emf follows straight lines between `volts` at `times` (second), constant outside them."""

    source: Source
    times: tuple[float, ...]
    volts: tuple[float, ...]
