"""What was written down in the bay, line by line, typed into `Entries`.

In: a line such as `volts B4.1 G1.- 4.98`. Out: the entry it makes, or a sentence that says how to write it.
"""

from __future__ import annotations

import re

from casekit.bench.meter import FUNCTIONS
from casekit.error import BenchError, hint
from casekit.teaching.entries import Entries, is_over

LEADS = ("volts", "millivolts", "ohms", "loaded")
WORDS = (*LEADS, "key", "engine", "unplug", "plug", "operate", "release", "warm", "scan", "codes", "notice", "look")
UNITS = {"v": "", "ohm": "", "ohms": "", "Ω": "", "mv": "e-3", "kohm": "e3", "kΩ": "e3", "mohm": "e6", "MΩ": "e6"}

NUMBER = re.compile(r"[-+\u2212]?(\d+\.?\d*|\.\d+)([eE][-+]?\d+)?")


def typed(entries: Entries, line: str) -> None:
    """Enter one line. Raises BenchError for what it cannot read, and for what the drawing does not allow."""
    try:
        _entered(entries, line)
    except BenchError as err:
        raise BenchError(_as_lines(str(err))) from None


def _as_lines(sentence: str) -> str:
    """What to call in a notebook, as the line to write."""
    sentence = re.sub(r"enter bay\.(\w+)\('([^']*)'\) first", r"write the line `\1 \2` before it", sentence)
    sentence = re.sub(r"enter bay\.", "write the line bay.", sentence)
    return re.sub(r"bay\.(\w+)\((?:'([^']*)')?\)", lambda m: f"`{' '.join(filter(None, m.groups()))}`", sentence)


def _entered(entries: Entries, line: str) -> None:
    word, *rest = line.split()
    if word not in WORDS:
        raise BenchError(f"{word!r} is no word of the bay; begin with one of {', '.join(WORDS)}.{hint(word, WORDS)}")
    match word, rest:
        case (("volts" | "millivolts" | "ohms" | "loaded"), [red, black, *shown]) if shown:
            getattr(entries, word)(red, black, _shown(shown, word))
        case "scan", [*channel, value] if channel:
            entries.scan({" ".join(channel): _shown([value], word)})
        case "codes", [*codes] if codes:
            entries.codes([c.strip(",") for c in codes if c != "none"])
        case "engine", [("runs" | "stops") as what]:
            entries.engine(what == "runs")
        case "warm", []:
            entries.warm()
        case (("operate" | "release"), [*name]) if name:
            getattr(entries, word)(" ".join(name))
        case "notice", [*what] if what:
            entries.notice(" ".join(what))
        case "look", [place, *damaged] if len(damaged) < 2:
            entries.looked(place, *damaged)
        case (("key" | "unplug" | "plug"), [name]):
            getattr(entries, word)(name)
        case _:
            raise BenchError(f"{line!r} is not complete; write {HOW[word]}.")


def _shown(words: list[str], word: str) -> str:
    """The display: a number, with or without its unit."""
    text = "".join(words)
    if is_over(text):
        return text
    number, unit = re.fullmatch(r"([-+\u22120-9.,eE]*)(.*)", text).groups()
    power = UNITS.get(unit, UNITS.get(unit.lower(), None if unit else ""))
    said = " ".join(words)
    if re.fullmatch(r"[-+\u2212]?\d+,\d+", number):
        raise BenchError(f"{said!r} has a decimal comma; write a point, {said.replace(',', '.')}.")
    if power is None or not NUMBER.fullmatch(number):
        other = " or 2.15 kΩ" if word == "ohms" else " or 4.98 V" if word != "scan" else ""
        raise BenchError(f"{said!r} is not a number; write one such as 4.98{other}.")
    if (
        word == "millivolts"
        and not unit
        and abs(float(number.replace("\u2212", "-"))) > FUNCTIONS[word].ranges[-1].full
    ):
        raise BenchError(f"{said} without its unit counts as volt; write {said} mV.")
    return number + power


HOW = {
    "volts": "volts, red lead, black lead, display: volts B4.1 G1.- 4.98",
    "millivolts": "millivolts, red lead, black lead, display: millivolts X1.3 X11.1f 12.0 mV",
    "ohms": "ohms, red lead, black lead, display: ohms B4.1 B4.3 2150",
    "loaded": "loaded, red lead, black lead, display: loaded X11.1f G1.- 3.2",
    "key": "key off, key on, key crank or key run",
    "engine": "engine runs or engine stops",
    "unplug": "unplug and what: unplug B4",
    "plug": "plug and what: plug B4",
    "operate": "operate and what is held: operate load",
    "release": "release and what is let go: release load",
    "warm": "warm alone",
    "scan": "scan, channel, volts: scan B4 0.52",
    "codes": "codes and the codes, or codes none",
    "notice": "notice and what the driver notices",
    "look": "look and the place, and the wire that is damaged if one is: look CP3 W42",
}
