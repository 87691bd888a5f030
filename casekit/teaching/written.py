"""What somebody wrote down as their prediction, as numbers: a value or a range, in the unit of the meter or with one.

In: text and the meter's function. Out: SI numbers, or a sentence that says how to write it.
"""

from __future__ import annotations

import re

from casekit.bench.meter import FUNCTIONS
from casekit.error import BenchError

# The unit a number without one is in, and its size in SI.
OWN = {"millivolts": ("mV", 1e-3), "ohms": ("Ω", 1.0), "continuity": ("Ω", 1.0), "amps": ("A", 1.0)}
SIZES = {
    "V": 1.0, "v": 1.0, "mV": 1e-3, "mv": 1e-3, "Ω": 1.0, "ohm": 1.0, "ohms": 1.0, "k": 1e3, "K": 1e3, "kΩ": 1e3,
    "kohm": 1e3, "M": 1e6, "MΩ": 1e6, "Mohm": 1e6, "mΩ": 1e-3, "mohm": 1e-3, "A": 1.0, "a": 1.0, "mA": 1e-3, "ma": 1e-3,
}  # fmt: skip
NUMBER = r"([-−]?\d*[.,]?\d+[.,]?)\s*([a-zA-ZΩµ]*)"
RANGE = re.compile(rf"{NUMBER}(?:\s*(?:to|\.\.+|–|-)\s*{NUMBER})?", re.IGNORECASE)
HOW = "write what you expect as a number or a range, such as 4.98 or 4.9 to 5.1"


def unit(function: str) -> str:
    """The unit of a function in which a prediction is written when it names none."""
    return OWN.get(function, ("V", 1.0))[0]


def predicted(text: str, function: str) -> float | tuple[float, float]:
    """The number or range that a text means, in SI. OL is the most the function can show.

    Raises BenchError for what is neither, and for a comma that may stand for thousands.

    >>> predicted("4.9-5.1 V", "volts"), predicted("8", "millivolts"), predicted("2k to 3k", "ohms")
    ((4.9, 5.1), 0.008, (2000.0, 3000.0))
    """
    if text.strip().upper() == "OL" and function in FUNCTIONS:
        most = FUNCTIONS[function].ranges[-1].full
        return most, most
    found = RANGE.fullmatch(text.strip().replace("\u2126", "Ω"))
    if found is None or any(u and u not in SIZES for u in (found[2], found[4])):
        raise BenchError(f"{text.strip()!r} is not a number or a range; {HOW} ({unit(function)}).")
    # "4.9 to 5.1 V": what is said of the end holds for the beginning.
    last = found[4] if found[3] else found[2]
    numbers = [_number(found[1], found[2] or last, function)]
    if found[3]:
        numbers.append(_number(found[3], found[4], function))
    return numbers[0] if len(numbers) == 1 else tuple(sorted(numbers))


def _number(digits: str, named: str, function: str) -> float:
    if re.fullmatch(r"[-−]?[1-9]\d{0,2},\d{3}", digits):
        plain = digits.replace(",", "")
        raise BenchError(
            f"{digits} may mean {digits.replace(',', '.')} or {plain}; write it with a point, or as {plain}."
        )
    size = SIZES.get(named) or OWN.get(function, ("V", 1.0))[1]
    return float(digits.replace(",", ".").replace("−", "-").rstrip(".")) * size
