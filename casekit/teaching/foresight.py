"""Foresight: what was expected before each reading, scored, and explained where it was far off.

In: the readings of a log, the drawing, and the verdict of the evidence. Out: `Foresight`, which reads as sentences.
It claims only what follows from the log, the drawing and what a healthy machine predicts.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from casekit.bench.meter import FUNCTIONS, JUMPS, LIVE
from casekit.bench.reading import Reading
from casekit.machine.machine import Machine
from casekit.reasoning.observation import Observation
from casekit.reasoning.verdict import Verdict
from casekit.reasoning.words import COVERAGE, UNITS, number
from casekit.teaching.misconception import misconception

# All of these: common practice, no source.
UNSAID_SURE = 0.8  # how sure a prediction is taken to be when nobody said
SHARE = 0.05  # a single value stands for a range of this share to both sides, and at least of LEAST
LEAST = {"volts": 0.1, "millivolts": 0.002, "ohms": 0.5, "amps": 0.01}  # in volt, volt, ohm, ampere
# What a score is divided by, so that those of all functions compare: a sensor supply, a bad drop along a harness, a
# factor of a thousand, the draw of a few sensors.
SCALE = {"volts": 5.0, "millivolts": 0.05, "ohms": math.log(1000), "amps": 0.1}
FAR, MISS = 1.0, 0.02  # far off: it scores more than a range as wide as the scale, and missed by this share of it
ENOUGH = 5  # predictions from which it is said whether sureness and outcome go together
CHANCE = 0.1  # a number that held which luck alone would make less likely than this is no luck
LISTED = 3  # predictions far off that are explained
OFF = 3.0  # standard uncertainties within which a healthy machine explains a reading


@dataclass(frozen=True)
class Scored:
    """One prediction: its range and the reading in SI units, how sure it was, whether it held, its score (0 is best, 1
    that of saying nothing narrower than the scale), whether it was far off, and then a sentence that explains it and
    the misconception recognised behind it, if one was."""

    reading: Reading
    low: float
    high: float
    sure: float
    held: bool
    score: float
    far: bool = False
    sentence: str = ""
    idea: str = ""


@dataclass(frozen=True)
class Foresight:
    """All predictions of a log in order; `blank` counts those whose reading showed no number."""

    scored: tuple[Scored, ...]
    blank: int = 0

    @property
    def held(self) -> int:
        """How many readings lay in their range."""
        return sum(s.held for s in self.scored)

    @property
    def sure(self) -> float:
        """The mean sureness; nan without predictions."""
        return float(np.mean([s.sure for s in self.scored])) if self.scored else math.nan

    @property
    def score(self) -> float:
        """The mean score; nan without predictions."""
        return float(np.mean([s.score for s in self.scored])) if self.scored else math.nan

    @property
    def far(self) -> list[Scored]:
        """The predictions that were far off, the worst first."""
        return sorted((s for s in self.scored if s.far), key=lambda s: -s.score)

    @property
    def calibration(self) -> str:
        """Sureness against outcome: "too sure", "not sure enough" or "about right"; empty below five predictions.

        It is the exact chance of so few (so many) ranges holding, if every sureness were true, that decides.
        """
        if len(self.scored) < ENOUGH:
            return ""
        p = np.array([1.0])  # of how many hold
        for s in self.scored:
            p = np.convolve(p, [1 - s.sure, s.sure])
        if p[: self.held + 1].sum() < CHANCE:
            return "too sure"
        return "not sure enough" if p[self.held :].sum() < CHANCE else "about right"

    def __str__(self) -> str:
        blank = f"{self.blank} of your readings showed no number to hold against what you expected."
        if not self.scored:
            return blank
        n = len(self.scored)
        taken = any(s.reading.sure is None for s in self.scored)
        said = f"{self.held} of {n} predictions held, and you were {100 * self.sure:.0f} % sure on average"
        said += f" ({100 * UNSAID_SURE:.0f} % is taken where you did not say)" if taken else ""
        said += f": {self.calibration}." if self.calibration else "."
        said += f" Mean score {self.score:.2f} (0 is best; a range of 5 V that holds scores 1)."
        sentences = [said, *([blank] if self.blank else []), *(s.sentence for s in self.far[:LISTED])]
        more = len(self.far) - LISTED
        return " ".join(sentences + ([f"And {more} more {'were' if more > 1 else 'was'} far off."] if more > 0 else []))


def interval_score(low: float, high: float, sure: float, x: float) -> float:
    """The interval score of a central range that shall hold `x` with the chance `sure`, in the unit of `x`; low is
    good.

    S = (u - l) + (2/a)(l - x)[x < l] + (2/a)(x - u)[x > u] with a = 1 - sure (T. Gneiting and A. E. Raftery, J. Am.
    Stat. Assoc. 102 (2007) 359-378, eq. 43). It is proper: on average nobody does better than with the range between
    the quantiles a/2 and 1 - a/2 of what they really believe.

    >>> round(interval_score(4.9, 5.1, 0.8, 5.0), 3)
    0.2
    >>> round(interval_score(4.9, 5.1, 0.8, 4.7), 3)
    2.2
    """
    return _score(low, high, sure, x, x)


def foresight(readings: Sequence[Reading], drawing: Machine, verdict: Verdict) -> Foresight | None:
    """Score every reading that something was expected of; None where there is none.

    A single value counts as a range of 5 % to both sides and at least 0.1 V (2 mV, 0.5 ohm, 10 mA); sureness that was
    not said as 0.8. Scores are divided by a scale: 5 V, 50 mV on millivolts, 100 mA on the clamp. Ohms are scored by
    ln(1 + R / 1 ohm), which is relative from a few ohms on, over ln 1000. All these: common practice, no source. Of
    min/max, the low end is held against the least and the high end against the greatest. A display of OL says at
    least the most its function can show, and ends beyond that count as that.
    """
    said = [r for r in readings if r.expected is not None]
    found = [scored for r in said if (scored := _scored(r, drawing, verdict))]
    return Foresight(tuple(found), len(said) - len(found)) if said else None


def _score(low: float, high: float, sure: float, least: float, greatest: float) -> float:
    """The interval score where the low end is held against the least and the high end against the greatest."""
    return high - low + 2 / (1 - sure) * (max(low - least, 0.0) + max(greatest - high, 0.0))


def _scored(r: Reading, drawing: Machine, verdict: Verdict) -> Scored | None:
    """A prediction with its score; None where the display showed nothing to hold it against."""
    kind = {"min/max": "volts", "loaded volts": "volts", "continuity": "ohms"}.get(r.function, r.function)
    low, high = _range(r, kind)
    ends = _shown(r, low, high)
    if ends is None:
        return None
    sure, scale = UNSAID_SURE if r.sure is None else r.sure, SCALE[kind]
    most = _most(r)
    low, high, *ends = (min(max(x, -most), most) for x in (low, high, *ends))
    if kind == "ohms":
        low, high, *ends = (math.log1p(max(x, 0.0)) for x in (low, high, *ends))
    missed = max(low - ends[0], ends[1] - high, 0.0)
    score = _score(low, high, sure, *ends) / scale
    far = score > FAR and missed > MISS * scale
    made = Scored(r, *_range(r, kind), sure, missed == 0.0, score, far)
    if not far:
        return made
    sentence, idea = _sentence(made, drawing, verdict)
    return replace(made, sentence=sentence, idea=idea)


def _range(r: Reading, kind: str) -> tuple[float, float]:
    """The range that was expected; of a single value what lies around it."""
    if isinstance(r.expected, tuple):
        return r.expected
    near = max(SHARE * abs(r.expected), LEAST[kind])
    return r.expected - near, r.expected + near


def _shown(r: Reading, low: float, high: float) -> tuple[float, float] | None:
    """Least and greatest shown; of OL the nearest it may mean, None where there was no number."""
    if r.function == "min/max":
        return None if r.low is None or r.high is None or math.isnan(r.low + r.high) else (r.low, r.high)
    if r.shown == "OL":
        nearest = _most(r) if r.unit == "ohm" or high >= -low else -_most(r)  # OL has no sign on millivolts
        return nearest, nearest
    return None if math.isnan(r.value) else (r.value, r.value)


def _most(r: Reading) -> float:
    """The most this function can show, in SI units."""
    return FUNCTIONS.get(r.function, FUNCTIONS["volts"]).ranges[-1].full


# Explaining --------------------------------------------------------------------------------------------------------


def _sentence(s: Scored, drawing: Machine, verdict: Verdict) -> tuple[str, str]:
    """What was expected, what was shown, what a healthy machine would have shown; and a misconception if any, which is
    a part of it."""
    r = s.reading
    unit = UNITS.get(r.function, "Ω" if r.unit == "ohm" else "V")
    low, high = (number(math.inf if unit == "Ω" and x > _most(r) else x, unit) for x in (s.low, s.high))
    expected = f"{low} to {high}" if isinstance(r.expected, tuple) else f"about {number(r.expected, unit)}"
    where = f"{r.function} {r.red}" + (f" against {r.black}" if r.black else "")
    told = f"Minute {r.minute:.1f}, {where} ({r.state}): you expected {expected} ({100 * s.sure:.0f} % sure)"
    parts = [f"{told}, it showed {r.shown}"]
    numbers = _numbers(r, verdict)
    healthy = bool(numbers) and all(_explains(o, mean, u) for o, mean, u in numbers)
    usual = " to ".join(dict.fromkeys(_would(o, mean, unit) for o, mean, _ in numbers))
    usual = usual if usual == "OL" else f"about {usual}"
    if healthy:
        parts.append(f"a healthy machine shows that too ({usual}), so this is no sign of a fault")
    elif numbers:
        usual += f" ± {number(COVERAGE * numbers[0][2], unit)}" if len(numbers) == 1 and usual != "OL" else ""
        parts.append(
            f"a healthy machine would show {usual}, so this reading is evidence that something is wrong: reason from it"
        )
    named = misconception(r, (s.low, s.high), healthy, drawing, verdict)
    return "; ".join([*parts, *([named] if named else [])]) + ".", named


def _numbers(r: Reading, verdict: Verdict) -> list[tuple[Observation, float, float]]:
    """The numbers of a reading with what a healthy machine shows there. Of one that was read again unchanged only the
    last is kept: what a healthy machine shows hangs on what was measured alone."""
    healthy = [(o, float(m), float(u)) for o, m, u in zip(verdict.numbers, *verdict.healthy, strict=True)]
    own = [n for n in healthy if n[0].event is r]
    if own:
        return own
    found = {}
    for o, mean, u in healthy:
        e, value = o.event, {"low": r.low, "high": r.high}.get(o.function, r.value)
        same = (e.function, e.red, e.black, e.state, e.data) == (r.function, r.red, r.black, r.state, r.data)
        if same and o.beyond == (r.shown == "OL") and not r.note.startswith(LIVE):
            value = o.value if o.beyond else value
            found[o.function] = replace(o, value=value, event=r, jumps=r.note == JUMPS), mean, u
    return list(found.values())


def _explains(o: Observation, mean: float, u: float) -> bool:
    """Whether a healthy machine explains a number, by the same limit as the evidence."""
    return not o.jumps and (abs(mean) >= o.value if o.beyond else abs(o.value - mean) <= OFF * u)


def _would(o: Observation, mean: float, unit: str) -> str:
    """What the display of a healthy machine would say."""
    beyond = o.event.function in ("ohms", "continuity", "millivolts") and abs(mean) > _most(o.event)
    return "OL" if beyond else number(mean, unit)
