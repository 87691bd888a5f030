"""What the evidence says, in words: what is left, what is not, and because of which readings.

In: a `Verdict`. Out: `Standing`s, one per suspect, and sentences.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from casekit.bench.meter import FUNCTIONS
from casekit.reasoning.belief import entropy_bits
from casekit.reasoning.observation import Observation
from casekit.reasoning.suspect import Suspect
from casekit.reasoning.verdict import RULED_OUT, UNLIKELY, Verdict

COVERAGE = 2.0  # coverage factor of what is printed (JCGM 100: about 95 %)
SAID = {
    "codes": "the codes", "driver": "what the driver notices", "engine": "whether the engine runs",
    "speeds": "the speeds in scan data", "road": "the road test", "look": "what was seen",
    "inside": "what was seen in the connector", "opened": "what was seen in the harness",
    "repaired": "what the repair brought to light", "sound": "what was repaired and had been sound",
    "proof": "the proof",
}  # fmt: skip
SEEN = ("look", "inside", "opened", "repaired", "sound", "proof")
MUCH = 0.3  # belief in unlikely suspects from which they are spoken of
OFF = 2.0  # standard uncertainties from which a reading is named as a reason
UNITS = {"ohms": "Ω", "amps": "A"}


@dataclass(frozen=True)
class Reason:
    """A reading a suspect cannot explain, or hardly: what it expected, with its expanded uncertainty (k = 2)."""

    observation: Observation
    expected: float
    expanded: float

    def __str__(self) -> str:
        o = self.observation
        unit, used, expected, expanded = UNITS.get(o.function, "V"), o.event.function, self.expected, self.expanded
        shown = o.event.shown if o.function not in ("inside", "low", "high") else number(o.value, unit)
        meter = FUNCTIONS.get(used if used in FUNCTIONS else "volts" if o.function == "loaded volts" else "")
        if meter and abs(expected) > meter.ranges[-1].full:
            would = "it would have shown OL"
        else:
            step = meter.ranges[meter.number(expected)].step if meter else 0.0  # no finer than the display
            expected = round(expected / step) * step if abs(expected) < 100 * step else expected
            would = f"it would have shown about {number(expected, unit)} ± {number(max(expanded, step), unit)}"
        names = {"low": "least of ", "high": "greatest of "}
        return f"{names.get(o.function, '')}{o} showed {shown}; {would}"


@dataclass(frozen=True)
class Standing:
    """How a suspect stands: "left", "unlikely" or "ruled out", how likely it is, and because of what."""

    suspect: Suspect
    standing: str
    p: float
    because: tuple[str, ...]


def number(value: float, unit: str) -> str:
    """A value with three digits, as the trade writes it: 0.13 V, 47 mV, 2.2 kΩ."""
    if not math.isfinite(value):
        return "OL"
    for least, factor, prefix in ((1e6, 1e-6, "M"), (1e3, 1e-3, "k")):
        if unit == "Ω" and abs(value) >= least:
            return f"{value * factor:.3g} {prefix}Ω"
    if unit in ("V", "A") and abs(value) < 0.0995:
        return f"{float(f'{value * 1e3:.2g}'):g} m{unit}" if abs(value) >= 5e-6 else f"0 {unit}"
    return f"{float(f'{value:.3g}'):g} {unit}"


def standings(verdict: Verdict) -> list[Standing]:
    """Every suspect with its standing, the likeliest first."""
    behind = verdict.log.max() - verdict.log
    seen = any(s.kind in SEEN for s in verdict.signs)
    found = []
    for k in np.argsort(-verdict.p, kind="stable"):
        word = "left" if behind[k] < UNLIKELY else "unlikely" if behind[k] < RULED_OUT else "ruled out"
        because = () if word == "left" else because_of(verdict, int(k))
        if word == "ruled out" and not reasons_against(verdict, int(k)) and not seen:
            word = "unlikely"  # codes, words and an engine that runs rule nothing out by themselves
        found.append(Standing(verdict.suspects[k], word, float(verdict.p[k]), because))
    return found


def left(verdict: Verdict) -> list[Suspect]:
    """The suspects that are left, the likeliest first."""
    behind = verdict.log.max() - verdict.log
    return [verdict.suspects[k] for k in np.argsort(-verdict.p, kind="stable") if behind[k] < UNLIKELY]


def comes_and_goes(verdict: Verdict, suspect: Suspect) -> bool:
    """Whether a suspect must come and go to explain the log: good readings would clear it if it were always there."""
    return verdict.fits[verdict.suspects.index(suspect)].loose


def manner(verdict: Verdict, suspect: Suspect) -> str:
    """What is added to the name of one that must come and go."""
    return " (if it comes and goes)" if comes_and_goes(verdict, suspect) else ""


def because_of(verdict: Verdict, k: int, most: int = 2) -> tuple[str, ...]:
    """The readings that speak loudest against suspect number k; if none does, the signs."""
    reasons = tuple(str(r) for r in reasons_against(verdict, k)[:most])
    if reasons:
        return reasons
    kinds = (["codes"] if any(m.event is None for m in verdict.trail) else []) + [s.kind for s in verdict.signs]
    return ("; ".join(dict.fromkeys(SAID[kind] for kind in kinds)),) if kinds else ()


def reasons_against(verdict: Verdict, k: int) -> list[Reason]:
    """Readings that suspect number k does not explain, the worst first."""
    found = []
    for n, o in enumerate(verdict.numbers):
        mean, u = verdict.mean[k, n], verdict.u[k, n]
        if not np.isfinite(mean + u):
            continue
        off = (o.value - abs(mean)) / u if o.beyond else abs(o.value - mean) / u
        if off > OFF:
            found.append((off, Reason(o, float(mean), float(COVERAGE * u))))
    return [reason for _, reason in sorted(found, key=lambda x: -x[0])]


def bits(verdict: Verdict) -> float:
    """Entropy of the belief over suspects, in bits: what is still to be found out."""
    return float(entropy_bits(verdict.p))


def to_find_out(verdict: Verdict) -> str:
    """The bits, and where most of them lie if not with what is left."""
    rest = verdict.p[verdict.log.max() - verdict.log >= UNLIKELY].sum()
    many = f", as many unlikely ones hold {rest:.0%} together" if rest > MUCH else ""
    return f"{bits(verdict):.1f} bits to find out{many}"


def summary(verdict: Verdict, groups: Sequence[frozenset[Suspect]] = ()) -> str:
    """One sentence: how many are left, how many bits, and which look alike."""
    names = left(verdict)
    n, total = len(names), len(verdict.suspects)
    few = ", ".join(f"{s}{manner(verdict, s)}" for s in names[:4]) + (f" and {n - 4} more" if n > 4 else "")
    text = f"{n} of {total} suspects left ({few}), {to_find_out(verdict)}"
    alike = [g for g in groups if len(g) > 1]
    if alike:
        text += "; look-alikes: " + "; ".join(" = ".join(sorted(map(str, g))) for g in alike)
    return text + "."
